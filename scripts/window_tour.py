# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs inside a Blender with a window: does the whole job with mouse and keys, and photographs each step.

``window_check.py`` starts it. Buttons are found as a person finds them: by moving the mouse over the sidebar until
the wanted one lights up.
"""

from __future__ import annotations

import json
import math
import os
import shutil
import subprocess
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import combinations, product
from pathlib import Path
from typing import Any

import bpy
import numpy as np
from mathutils import Vector

OUT, ASSEMBLY = map(Path, sys.argv[sys.argv.index("--") + 1 :][:2])
PART = sys.argv[-1]
"""The one of ``PARTS`` that is done."""
LONG_STEP = ASSEMBLY.with_name("long.step")
STEP = ASSEMBLY.parent / "step" / "tube.step"
"""The only file in its folder."""
Waiting = Iterator[float]
Point = tuple[int, int]

PANELS = ("ends", "fitting", "process", "review", "files", "cautions")
PITCH = 21
"""From one folded part of the tab to the next: points, of which a pixel is one at the scale 1."""
ABOVE = 48
"""From the upper edge of the button Read the Scene to the middle of the header above it: points."""
IN_HEADER = (0.88, 0.86, 0.84, 0.9)
"""Where in the sidebar's width the header Fitting has its last button."""
BELOW = 42
"""From the upper edge of the last button in a box to the middle of the header below it: points."""
FIRST_FILE = 38
"""From the upper edge of a list of files to the middle of the first: points."""
BUTTON = 20
"""The height of a button: points."""
NEAR = BUTTON / 5
"""How closely a button's lower edge is found: points."""
FULL_WIDTH, BESIDE = (0.6,), (0.25, 0.75)
"""Where in the sidebar's width buttons are that fill it, and those that stand side by side."""
PAGE = 6
"""Notches of the wheel, from one part of the sidebar that is searched to the next."""
PANEL_S = 0.35
"""A panel takes most of it to open or close."""
PATIENCE = 2 if os.environ.get("CI") else 1
"""CI's machine is not made for benchmarks: what takes time may take twice as long there."""
FRAME_S = 0.1 * PATIENCE
MOST_DRAW_S, MOST_PART_S = 0.004 * PATIENCE, 0.002 * PATIENCE
"""For the whole tab, and for each part of it."""

WHOLE = "The whole tab"

FRONT_CORNER = Vector((-150, -300, 2000))
"""Beside two fittings of two sections, in the assembly's millimetres."""

steps: list[dict[str, Any]] = []
draw_seconds: dict[str, list[float]] = {}
drawn: list[tuple[float, float, float, float]] = []
"""Rectangles of the sheets that were drawn into the view since the last photograph was begun."""
clicks = 0
lit: dict[str, Point] = {}
"""Buttons that the mouse lit up in the last search of a part of the sidebar, and where."""
passed: dict[str, tuple[int, Point]] = {}
"""Those of all searches: how many pages down the sidebar, and where. A search looks there first."""


def tour() -> Waiting:
    """A part of the tour. Yields how long to wait for Blender to catch up."""
    _time_the_panels()
    _note_the_sheets()
    _module("ui.updating").LIVE_S *= PATIENCE  # or the review would be left until the numbers rest
    yield from _open_sidebar()
    yield from PARTS[PART]()
    for name, taken in draw_seconds.items():
        typical = sorted(taken)[len(taken) // 2]
        _note(f"{name} draws in {typical * 1000:.2f} ms", typical < (MOST_DRAW_S if name == WHOLE else MOST_PART_S))


def _demo() -> Waiting:
    """The whole job."""
    yield from _photograph("empty", "An empty scene shows what to do")

    with _view():
        bpy.ops.wm.stl_import(filepath=str(ASSEMBLY))
        bpy.ops.view3d.view_all()
    yield 0.3
    yield from _click("ferrule.read_ends")
    yield from _until(lambda: not _is_going("FERRULE_OT_read_ends"))
    yield from _photograph("doubt", "The unit is in doubt", bool(_job().doubt))
    yield from _click("ferrule.set_unit(unit='MM')")
    yield from _until(lambda: not _is_going("FERRULE_OT_set_unit"))
    yield from _photograph(
        "read", "The open ends are listed by section", _rows() == {"end": 5, "hole": 3, "cope": 2, "joint": 1}
    )
    _note("What was found, and what to make for it, is open after reading", _opened() == ["ends", "fitting"])
    yield from _click("ferrule.fit")
    yield from _until(lambda: "Fittings" in bpy.data.collections)
    early = yield from _find("ferrule.export")
    yield from _rest()
    late = yield from _find("ferrule.export")
    stays = math.dist(early, late) <= _points(NEAR)
    _note("The next button stays where it is when the verdict comes", stays)
    _note("The files are open after fitting, and what is done is folded", _opened() == ["files"])
    fittings = bpy.data.collections["Fittings"].objects
    _look_at(sorted(fittings, key=lambda item: (item.matrix_world.translation - FRONT_CORNER).length)[:2])
    yield from _photograph("fitted", "Fittings sit on the tubes", len(fittings) == _open_ends())

    _job().group_index = 3
    bpy.ops.ferrule.go_to_end(index=next(i for i, end in enumerate(_job().ends) if end.group == 3))
    yield from _photograph("end", "An end is selected and in view")
    yield from _only("fitting")
    times, reviewed = yield from _drag("ferrule.recipe.spigot_mm")
    slowest = max(times)
    yield from _scroll(4)
    yield from _photograph(
        "dragged",
        f"Spigot and review follow the mouse; slowest update {slowest * 1000:.0f} ms",
        _job().recipe.spigot_mm != 8 and reviewed and slowest < FRAME_S,
    )
    yield from _key("Z", ctrl=True)
    yield from _photograph("undone", "Undo brings the spigot back", _job().recipe.spigot_mm == 8)
    yield from _type("ferrule.recipe.spigot_mm", "900")
    yield from _photograph("refused", "An impossible number is refused", _active().refusal is not None)
    yield from _click("ferrule.set_number")
    yield from _photograph("works", "The number that works is set", _active().refusal is None)
    yield from _key("Z", ctrl=True)
    yield from _key("Z", ctrl=True)
    yield from _rest()

    yield from _only("review")
    # Nothing is wrong with the stall's fittings, so for this picture the spigots' walls are made too thin.
    recipe, before = _job().recipe, _job().recipe.hollow_wall_mm
    recipe.groove_count_auto, recipe.groove_count, recipe.hollow_wall_mm = False, 0, 0.92
    yield from _rest()
    checks = [row.name for row in bpy.context.window_manager.ferrule.findings]
    bpy.ops.ferrule.go_to_finding(index=checks.index("thin wall"))
    for switch in ("show_overhangs", "show_rings", "show_outlines"):  # the mouse passes the upper ones first
        yield from _click(f"ferrule.view.{switch}")
    yield from _scroll(-60)
    yield from _photograph("review", "A finding, its place and the layers", _job().view.show_rings)
    recipe.groove_count_auto, recipe.hollow_wall_mm = True, before
    yield from _rest()
    yield from _only("process")
    yield from _photograph("process", "The process")
    yield from _only("files")
    (OUT / "chosen").mkdir()
    yield from _click("ferrule.export")
    yield from _until(lambda: _file_browser() is not None)
    _file_browser()[1].spaces.active.params.directory = os.fsencode(OUT / "chosen")
    yield 1.0
    yield from _photograph("folder", "A file that is not saved yet asks for the folder")
    yield from _accept_folder()
    yield from _until(lambda: Path(_job().output.folder) == OUT / "chosen")
    yield 1.0
    yield from _photograph("asked", "The end that would be left out is named first", not _is_going("FERRULE_OT_export"))
    yield from _key("RET")
    going = _is_going("FERRULE_OT_export")
    yield from _key("ESC")
    stopped = going and not _is_going("FERRULE_OT_export") and not list(OUT.glob("chosen/*"))
    _note("Esc stops the export into the folder that was chosen, and no file is left", stopped)
    bpy.ops.wm.save_as_mainfile(filepath=str(OUT / "market stall.blend"))
    _job().output.folder = "//print files/"
    yield from _click("ferrule.export")
    yield 1.0
    yield from _key("RET")
    yield from _until(lambda: not _is_going("FERRULE_OT_export"))
    sound = bool(list(OUT.glob("print files/*.3mf"))) and bool(_desk().result.files)
    yield from _scroll(60)
    yield from _photograph("exported", "Files are written and read back", sound and _opened() == ["files"])

    yield from _open_shop_book()
    yield from _click("ferrule.write_ladder")
    yield from _until(lambda: bool(list(OUT.glob("print files/*fit ladder*.json"))))
    yield from _click("ferrule.enter_fit")
    yield from _photograph("asked", "Which step went in is asked")
    yield from _key("ESC")
    ladder = next(iter(_module("ui.operators.learning").ladders_written(_scene())))
    entered = bpy.ops.ferrule.enter_fit(ladder=ladder, step="0.25")
    yield from _scroll(60)
    yield from _photograph("learned", "A reading is entered into the shop book", entered == {"FINISHED"})

    yield from _only("cautions")
    yield from _photograph("cautions", "The cautions that apply are listed")
    yield from _plug_the_holes()
    yield from _only("files")

    _scene().unit_settings.system = "IMPERIAL"
    yield from _until(lambda: _job().recipe.groove_width_mm > 3)
    yield from _rest()
    yield from _photograph(
        "imperial", "Captions and legends in inches, and lengths that nobody has set are round in them"
    )
    _scene().unit_settings.system = "METRIC"
    yield from _until(lambda: _job().recipe.groove_width_mm == 3)

    theme = next(Path(bpy.utils.system_resource("SCRIPTS")).glob("presets/interface_theme/*[Ll]ight*.xml"))
    bpy.ops.script.execute_preset(filepath=str(theme), menu_idname="USERPREF_MT_interface_theme_presets")
    yield from _photograph("light files", "The same on a light theme")
    yield from _only("fitting")
    yield from _photograph("light fitting", "The fitting on a light theme")

    yield from _scale_to(1.5)
    _job().end_index = -1
    bpy.ops.ferrule.go_to_end(index=0)
    yield from _photograph("large fitting", "The same one and a half times as large")
    yield from _scroll(-60)
    _note("The next button is in sight", (yield from _seen("ferrule.export")) is not None)
    for name in _opened():
        setattr(bpy.context.window_manager.ferrule, f"{name}_open", False)
    bpy.context.window_manager.ferrule.review_open = True
    yield 0.3
    yield from _scroll(8)
    yield from _photograph("large review", "The findings one and a half times as large")


def _weldments() -> Waiting:
    """Others than the demo's, in a larger window and at two sizes of its letters."""
    yield from _many_ends()
    yield from _in_other_units()
    yield from _step_files()


PARTS = {"demo": _demo, "weldments": _weldments}


def _plug_the_holes() -> Waiting:
    """One click chooses what to make of all holes, another makes it."""
    yield from _only("ends")
    yield from _click('ferrule.choose(family="hole_plug"', beside=True)
    yield from _only("fitting")
    yield from _click("ferrule.fit", beside=True)
    yield from _rest()
    plugs = [item for item in bpy.data.collections["Fittings"].objects if item.ferrule.family == "hole_plug"]
    yield from _only("ends")
    bpy.ops.ferrule.go_to_end(index=len(_job().ends))
    yield from _photograph("holes", f"{len(plugs)} plugs are in the holes", len(plugs) >= len(_job().sites) // 2)


def _in_other_units() -> Waiting:
    """Weldments in a millimetre and an inch scene, each from its first click to files, whether caps alone are made or
    drill guides for all holes, too. The demo's scene is in metres."""
    first = _scene()
    for name, system, scale, unit, letters, fit in (
        ("millimetre", "METRIC", 0.001, "IN", 1.0, "ferrule.fit"),
        ("inch", "IMPERIAL", 1.0, "IN", 1.5, 'ferrule.fit_with(family="drill_guide"'),
    ):
        yield from _scale_to(letters)
        scene = bpy.data.scenes.new(name)
        scene.unit_settings.system, scene.unit_settings.scale_length = system, scale  # type: ignore[assignment]
        _places()[0].scene = scene
        _put_weldment(scene, _module("ui.file_unit").UNITS[unit])
        before = clicks
        yield from _click("ferrule.read_ends")
        yield from _until(lambda: not _is_going("FERRULE_OT_read_ends"))
        marked = _module("ui.file_unit").unit_in_doubt(scene)
        yield from _click(f"ferrule.set_unit(unit='{unit}')")
        yield from _until(lambda: not _is_going("FERRULE_OT_set_unit"))
        widths = sorted({round(end.section.outer.width, 1) for end in _desk().ends})
        _note(f"The {name} scene's unit is marked, and tubes have their sizes", marked == unit and widths == WIDTHS)
        with _view():
            bpy.ops.view3d.view_all()
        yield from _rest()
        yield from _click(fit)
        made = 3 if fit == "ferrule.fit" else 4
        yield from _until(lambda made=made: len(_module("ui.placing").placed(_scene())) == made)
        yield from _rest()
        yield from _photograph(f"{name} fitted", f"The verdict in the {name} scene", _desk().verdict.complete)
        _job().output.folder = str(OUT / name)
        yield from _click("ferrule.export")
        yield from _until(lambda: not _is_going("FERRULE_OT_export"))
        sound = bool(list((OUT / name).glob("*.3mf"))) and _desk().verdict.complete
        yield from _photograph(f"{name} exported", "Its files are written, and nothing stands in the way", sound)
        what = "Caps" if fit == "ferrule.fit" else "Caps and drill guides for all holes"
        _note(f"{what} take {clicks - before} clicks; the folder of an unsaved file is one more", clicks - before == 4)
    _places()[0].scene = first
    yield from _scale_to(1.0)


WIDTHS = [34.6, 40.0, 48.3]


def _put_weldment(scene: Any, unit: str) -> None:
    """A hexagonal, an oval and a drilled round tube on a base plate, in the numbers of a file in this unit."""
    sections, meshes, scenes = _module("geometry.sections"), _module("geometry.mesh"), _module("ui.scene")
    hexagon = [(17.3 * math.cos(turn * math.pi / 3), 17.3 * math.sin(turn * math.pi / 3)) for turn in range(6)]
    outlines = (
        (sections.Outline.free(np.array(hexagon)), sections.Outline.free(0.85 * np.array(hexagon))),
        (sections.Outline("obround", 40.0, 20.0), sections.Outline("obround", 36.0, 16.0)),
        (sections.Outline.circle(48.3), sections.Outline.circle(41.1)),
    )
    metres = _module("geometry.units").MM_PER_UNIT[unit] / 1000
    for number, (outer, bore) in enumerate(outlines):
        ring = outer.cross_section(96) - bore.cross_section(96)
        solid = ring.extrude(300.0)
        if outer.shape == "circle":
            solid -= (
                meshes.Manifold.cylinder(60.0, 4.5, circular_segments=64, center=True)
                .rotate((90, 0, 0))
                .translate((0, 0, 240))
            )
        tube = meshes.Mesh.from_manifold(solid.translate((number * 100, 0, 0)), f"Tube {number}")
        scenes.put_mesh(tube, tube.name, scene.collection, metres)
    plate = meshes.Manifold.cube((320, 120, 8)).translate((-60, -60, -8))
    scenes.put_mesh(meshes.Mesh.from_manifold(plate, "Base plate"), "Base plate", scene.collection, metres)


def _many_ends() -> Waiting:
    """Two hundred ends of twelve sections, and one number of all of them dragged."""
    scene = _places()[0].scene
    with _view():
        bpy.ops.object.select_all(action="SELECT")
        bpy.ops.object.delete()
    sizes, scenes, meshes = _module("trade.sizes"), _module("ui.scene"), _module("geometry.mesh")
    wanted = [size for size in sizes.tube_sizes() if 20 < size.width_mm < 70]
    for number in range(100):
        size = wanted[number % 12 * (len(wanted) // 12)]
        ring = size.section.outer.cross_section(96) - size.section.bore.cross_section(96)
        mesh = meshes.Mesh.from_manifold(ring.extrude(300.0), f"Tube {number}")
        item = scenes.put_mesh(mesh, mesh.name, scene.collection, scenes.unit_scale_of(scene))
        apart = 0.2 / scenes.unit_scale_of(scene)
        item.location = (number % 10 * apart, number // 10 * apart, 0)
    yield from _click("ferrule.read_ends")
    yield from _until(lambda: not _is_going("FERRULE_OT_read_ends"))
    reading = _times()["read"]
    counts = (_open_ends(), _rows()["end"])
    sound = counts == (200, 12) and reading < PATIENCE
    _note(f"{counts[0]} ends of {counts[1]} sections read in {reading:.2f} s", sound)
    with _view():
        bpy.ops.ferrule.fit()
        bpy.ops.view3d.view_all()
    yield from _rest()
    yield from _only("fitting")
    times, reviewed = yield from _drag("ferrule.recipe.spigot_mm", pixels=20)
    slowest = max(times)
    yield from _photograph(
        "many",
        f"200 fittings and the review follow one number; {len(times)} updates, slowest {slowest * 1000:.0f} ms",
        reviewed and slowest < FRAME_S,
    )


def _step_files() -> Waiting:
    """Esc stops the import of a STEP file that takes its time; another is dropped into the view from a file browser."""
    there = len(bpy.data.objects)
    with _view():
        bpy.ops.ferrule.import_step("INVOKE_DEFAULT", filepath=str(LONG_STEP))
    yield 0.2
    going = _is_going("FERRULE_OT_import_step")
    yield from _key("ESC")
    yield from _until(lambda: not _is_going("FERRULE_OT_import_step"))
    _note("Esc stops the import of a STEP file, and nothing comes in", going and len(bpy.data.objects) == there)

    with _view():
        bpy.ops.screen.area_split(direction="VERTICAL", factor=0.4)
    yield 0.5
    window = _places()[0]
    browser = min((area for area in window.screen.areas if area.type == "VIEW_3D"), key=lambda area: area.x)
    browser.type = "FILE_BROWSER"
    yield 0.5
    params = browser.spaces.active.params
    params.directory, params.display_type = os.fsencode(STEP.parent), "LIST_VERTICAL"
    yield 1.5
    listed, view = next(region for region in browser.regions if region.type == "WINDOW"), _places()[2]
    first = listed.x + 60, listed.y + listed.height - _points(FIRST_FILE)
    middle = view.x + view.width // 2, view.y + view.height // 2
    _event("MOUSEMOVE", "NOTHING", first)
    yield 0.2
    _event("LEFTMOUSE", "PRESS", first)
    yield 0.2
    for share in range(1, 9):
        _event("MOUSEMOVE", "NOTHING", tuple(a + (b - a) * share // 8 for a, b in zip(first, middle, strict=True)))
        yield 0.1
    _event("LEFTMOUSE", "RELEASE", middle)
    yield from _until(lambda: STEP.stem in bpy.data.collections)
    parts = bpy.data.collections[STEP.stem].objects
    yield from _photograph("dropped", "A STEP file dropped into the view comes in", len(parts) == 1)


# Looking


def _module(name: str) -> Any:
    return next(module for key, module in sys.modules.items() if key.endswith(f"ferrule.{name}"))


def _scene() -> Any:
    return bpy.context.window_manager.windows[0].scene


def _job() -> Any:
    return _scene().ferrule


def _rows() -> Counter[str]:
    """How many rows of each kind are listed."""
    return Counter(group.kind for group in _job().groups)


def _open_ends() -> int:
    return sum(group.count for group in _job().groups if group.kind == "end")


def _times() -> Any:
    return _module("ui.desk").times


def _desk() -> Any:
    return _module("ui.updating").desk_of(_scene())


def _active() -> Any:
    return _module("ui.desk").active_fitted(_scene(), _desk())


def _is_refused() -> bool:
    return bool(_desk().any_problem) or any(fitted.refusal is not None for fitted in _desk().fittings)


def _is_going(operator: str) -> bool:
    return any(running.bl_idname == operator for running in _places()[0].modal_operators)


def _places() -> tuple[Any, Any, Any, Any]:
    """The window, its 3D view, and the view's main region and sidebar."""
    window = bpy.context.window_manager.windows[0]
    area = next(area for area in window.screen.areas if area.type == "VIEW_3D")
    regions = {region.type: region for region in area.regions}
    return window, area, regions["WINDOW"], regions["UI"]


def _view(sidebar: bool = False) -> Any:
    window, area, main, side = _places()
    return bpy.context.temp_override(window=window, area=area, region=side if sidebar else main)


def _look_at(items: Iterable[Any]) -> None:
    """Selects these objects alone and brings them into view."""
    with _view():
        bpy.ops.object.select_all(action="DESELECT")
        for item in items:
            item.select_set(True)
        bpy.ops.view3d.view_selected()
    view = _places()[1].spaces.active.region_3d
    view.view_distance *= 1.6
    beside = 0.25 * view.view_distance  # of the sidebar, and below the profile
    view.view_location += view.view_rotation @ Vector((beside, beside, 0))


def _file_browser() -> Any:
    """Its window and its area, if one is open."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "FILE_BROWSER":
                return window, area
    return None


def _accept_folder() -> Waiting:
    """A click on the button at the file browser's lower right, which has the operator's name."""
    window, area = _file_browser()
    region = next(region for region in area.regions if region.type == "EXECUTE")
    at = {"x": region.x + int(0.9 * region.width), "y": region.y + region.height // 2}
    for kind, value in (("MOUSEMOVE", "NOTHING"), ("LEFTMOUSE", "PRESS"), ("LEFTMOUSE", "RELEASE")):
        window.event_simulate(type=kind, value=value, **at)
        yield 0.1


def _open_sidebar() -> Waiting:
    for item in list(bpy.data.objects):
        bpy.data.objects.remove(item)
    _, area, _, side = _places()
    area.spaces.active.show_region_ui = True
    yield 0.5
    side.active_panel_category = "Ferrule"
    yield 0.5


def _until(true: Callable[[], bool], patience_s: float = 120.0) -> Waiting:
    end = time.monotonic() + patience_s
    while not true():
        if time.monotonic() > end:
            raise TimeoutError("what was waited for did not come")
        yield 0.2


def _photograph(name: str, said: str, sound: bool = True) -> Waiting:
    _event("MOUSEMOVE", "NOTHING", (_places()[0].width // 2, 30))  # no tooltip in the picture
    yield 0.4
    drawn.clear()
    bpy.ops.wm.redraw_timer(type="DRAW_WIN_SWAP", iterations=1)
    window = _places()[0]
    path = OUT / f"{100 * list(PARTS).index(PART) + len(steps):02d} {name}.png"
    if shutil.which("import"):  # ImageMagick photographs the screen itself; the window is in its lower left corner
        crop = ["-gravity", "SouthWest", "-crop", f"{window.width}x{window.height}+0+0", "+repage"]
        few_colours = f"PNG8:{path}"  # which keeps the files small
        subprocess.run(["import", "-window", "root", *crop, "+dither", few_colours], check=True)
    else:
        with bpy.context.temp_override(window=window):
            bpy.ops.screen.screenshot(filepath=str(path))
    _note(said, sound, path.name)
    if not _apart():
        _note("Nothing is drawn over another drawing", False, path.name)


def _note_the_sheets() -> None:
    """Notes where drawings and words go in the view."""
    painting = _module("ui.overlays.painting")
    draw_sheet = painting.draw_sheet

    def noting(sheet: Any, corner: tuple[float, float], scale: float) -> None:
        x, y = corner
        drawn.append((x, y, x + sheet.sheet.width * scale, y + sheet.sheet.height * scale))
        draw_sheet(sheet, corner, scale)

    painting.draw_sheet = noting


def _apart() -> bool:
    """Whether what was drawn in the view lies clear of each other, the sidebar and the headers."""
    _, area, main, _ = _places()
    left, low, right, top = _module("ui.overlays.draw").free_space(area, main)
    overlap = _module("ui.overlays.room").overlap
    places = sorted(set(drawn))
    inside = all(
        x >= left - 1 and y >= low - 1 and beyond <= right + 1 and above <= top + 1 for x, y, beyond, above in places
    )
    return inside and not any(overlap(one, other) for one, other in combinations(places, 2))


def _scale_to(letters: float) -> Waiting:
    """The whole window with larger or smaller letters."""
    bpy.context.preferences.view.ui_scale = letters
    yield 1.0


def _points(number: float) -> int:
    """In pixels."""
    return round(number * bpy.context.preferences.system.ui_scale)


def _note(said: str, sound: bool, picture: str = "") -> None:
    steps.append({"said": said, "sound": bool(sound), "picture": picture})
    (OUT / f"{PART}.json").write_text(json.dumps(steps, indent=1))


def _time_the_panels() -> None:
    """Notes how long each part of the tab takes to draw."""
    tab = _module("ui.panels.verdict_panel")
    folds = [tab.FERRULE_PT_in_the_way, *tab.STEPS]
    folds += [part for step in tab.STEPS for part in step.parts(bpy.context)]
    for fold in folds:
        fold.draw = _timed(fold.__name__, fold.draw)
    tab.FERRULE_PT_verdict.draw = _timed(WHOLE, tab.FERRULE_PT_verdict.draw)


def _timed(name: str, draw: Callable[..., None]) -> Callable[..., None]:
    def timed(of: Any, context: Any) -> None:  # Blender counts what a panel's takes.
        start = time.perf_counter()
        draw(of, context)
        draw_seconds.setdefault(name, []).append(time.perf_counter() - start)

    return timed


# Mouse and keys


def _event(kind: str, value: str, at: tuple[int, int], **more: Any) -> None:
    _places()[0].event_simulate(type=kind, value=value, x=at[0], y=at[1], **more)


def _find(wanted: str, beside: bool = False) -> Any:
    """Where the button of an operator, or of a property by its path from the scene, is; scrolls the sidebar to it.
    Buttons that fill the sidebar's width are looked for first, unless it is ``beside`` another one."""
    page = _passed(wanted)[0]
    yield from _scroll(-40)
    yield from _scroll(page * PAGE)
    if place := (yield from _still_there(wanted, page)):
        return place
    for shares in (BESIDE, FULL_WIDTH) if beside else (FULL_WIDTH, BESIDE):
        yield from _scroll(-40)
        before: dict[str, Point] = {}
        for page in range(12):
            if place := (yield from _seen(wanted, shares=shares, page=page)):
                return place
            if lit == before:
                break
            before = dict(lit)
            yield from _scroll(PAGE)
    raise LookupError(f"No button for {wanted} in the sidebar")


def _seen(
    wanted: str,
    upwards: bool = False,
    shares: Sequence[float] = (*FULL_WIDTH, *BESIDE),
    patience_s: float = 0.01,
    page: int = 0,
) -> Any:
    """Where it is in the part of the sidebar that is shown; None if it is not there. ``patience_s`` is how long Blender
    is given at each place."""
    if not upwards and (middle := (yield from _still_there(wanted, page))):
        return middle
    side = _places()[3]
    heights = range(side.y + side.height - 10, _least_height(), 1 - _points(BUTTON))
    lit.clear()
    for share, y in product(shares, reversed(heights) if upwards else heights):
        at = side.x + int(share * side.width), y
        found = yield from _is_at(wanted, at, patience_s)
        lit.setdefault(_under_mouse(), at)
        if found:
            break
    passed.update({shown: (page, place) for shown, place in lit.items()})
    if not found:
        return None
    # the panel may have grown or shrunk meanwhile, or Blender is slower
    middle = yield from _middle(wanted, at, page, 5 * patience_s)
    return middle or (yield from _seen(wanted, upwards, shares, 2 * patience_s, page))


def _still_there(wanted: str, page: int) -> Any:
    """Where it is, if that is where the mouse passed it last."""
    passed_page, at = _passed(wanted)
    if at and page == passed_page and (yield from _is_at(wanted, at)):
        return (yield from _middle(wanted, at, page))
    return None


def _passed(wanted: str) -> tuple[int, Point | None]:
    """How many pages down, and where, the mouse last lit it up."""
    return next((place for shown, place in reversed(passed.items()) if _is_wanted(wanted, shown)), (0, None))


def _middle(wanted: str, at: Point, page: int, patience_s: float = 0.05) -> Any:
    """Of the button that was lit there; None if it is not near. Blender may be a move behind: back to where it was lit,
    down to the lower edge, then to the middle."""
    x, y = at
    step, beyond = _points(NEAR), y + 3 * _points(BUTTON)
    lit = yield from _is_at(wanted, at, patience_s)
    while not lit and y < beyond:
        y += step
        lit = yield from _is_at(wanted, (x, y), patience_s)
    if not lit:
        return None
    while y > _least_height() and (yield from _is_at(wanted, (x, y - step), patience_s)):
        y -= step
    middle = x, y + _points(BUTTON / 3)
    if (yield from _is_at(wanted, middle)):
        passed[_under_mouse()] = page, middle
    return middle


def _least_height() -> int:
    """What is lower in the sidebar may be cut off."""
    return _places()[3].y + _points(BUTTON)


def _is_at(wanted: str, at: Point, patience_s: float = 0.05) -> Any:
    """Whether the mouse lights it up there."""
    _event("MOUSEMOVE", "NOTHING", at)
    yield patience_s
    return _is_wanted(wanted, _under_mouse())


def _under_mouse() -> str:
    """The button that is lit: the path of its property from the scene, or its command."""
    with _view(sidebar=True):
        shown = bpy.context.property
        if shown is not None:
            return str(shown[1])
        if not bpy.ops.ui.copy_python_command_button.poll():  # type: ignore[call-arg]
            return ""
        bpy.ops.ui.copy_python_command_button()
        return str(bpy.context.window_manager.clipboard)


def _is_wanted(wanted: str, shown: str) -> bool:
    return shown == wanted or shown.startswith(f"bpy.ops.{wanted}" if "(" in wanted else f"bpy.ops.{wanted}(")


def _scroll(notches: int) -> Waiting:
    side = _places()[3]
    margin = (side.x + 10, side.y + side.height // 2)  # beside lists, which would scroll themselves
    for _ in range(abs(notches)):
        _event("WHEELDOWNMOUSE" if notches > 0 else "WHEELUPMOUSE", "PRESS", margin)
    yield 0.1


def _click_at(at: tuple[int, int], after_s: float = 0.2) -> Waiting:
    _event("MOUSEMOVE", "NOTHING", at)
    yield 0.05
    _event("LEFTMOUSE", "PRESS", at)
    yield 0.05
    _event("LEFTMOUSE", "RELEASE", at)
    yield after_s


def _click(wanted: str, beside: bool = False) -> Waiting:
    """Clicks on a button, and waits for work that goes on aside."""
    global clicks
    clicks += 1
    yield from _rest()
    yield from _click_at((yield from _find(wanted, beside)))
    long = ("read_ends", "set_unit", "fit", "fit_with")
    yield from _until(lambda: not any(_is_going(f"FERRULE_OT_{name}") for name in long))


def _rest() -> Waiting:
    """Until nothing is worked out: the lines of a verdict that comes would move the buttons."""
    yield from _until(lambda: _is_at_rest(_desk()) if _desk() else not _job().ends)


def _is_at_rest(desk: Any) -> bool:
    return not desk.fittings or desk.verdict is not None or _is_refused()


def _drag(wanted: str, pixels: int = 40) -> Any:
    """Drags a number to the right; the seconds that each update took, and whether each was reviewed at once."""
    yield from _rest()
    x, y = yield from _find(wanted)
    times, reviewed = [], []
    _event("LEFTMOUSE", "PRESS", (x, y))
    for moved in range(0, pixels, 2):
        before = dict(_times())
        _event("MOUSEMOVE", "NOTHING", (x + moved, y))
        yield 0.03
        if _times().get("update") != before.get("update"):
            times.append(_times()["update"])
            reviewed.append(_active().made is not None)
    _event("LEFTMOUSE", "RELEASE", (x + pixels, y))
    yield 0.3
    return times, all(reviewed)


def _key(kind: str, **more: Any) -> Waiting:
    _, _, main, _ = _places()
    at = (main.x + main.width // 3, main.y + main.height // 2)
    _event("MOUSEMOVE", "NOTHING", at)
    yield 0.05
    _event(kind, "PRESS", at, **more)
    yield 0.05
    _event(kind, "RELEASE", at, **more)
    yield 0.5


def _type(wanted: str, digits: str) -> Waiting:
    """Types a number into a field that Enter opens."""
    yield from _rest()
    at = yield from _find(wanted)
    names = ["ZERO", "ONE", "TWO", "THREE", "FOUR", "FIVE", "SIX", "SEVEN", "EIGHT", "NINE"]
    for key, typed in (("RET", ""), *((names[int(digit)], digit) for digit in digits), ("RET", "")):
        for value in ("PRESS", "RELEASE"):
            _event(key, value, at, **({"unicode": typed} if typed and value == "PRESS" else {}))
            yield 0.02
    yield 0.2


def _opened() -> list[str]:
    """The steps whose parts of the tab are open."""
    return [name for name in PANELS if getattr(bpy.context.window_manager.ferrule, f"{name}_open")]


def _only(name: str) -> Waiting:
    """Folds the open parts of the tab and opens one, by clicks on their headers."""
    yield from _rest()
    yield from _scroll(-60)
    if "ends" in _opened():
        x, y = yield from _seen("ferrule.read_ends")
        while (yield from _is_at("ferrule.read_ends", (x, y + 1))):
            y += 1
        yield from _click_header(y + _points(ABOVE))
    _, fitting = yield from _seen("ferrule.save_recipe", shares=IN_HEADER)
    headers = {panel: fitting - _points(PITCH) * (row - 1) for row, panel in enumerate(PANELS)}
    for panel in _opened():  # from above, so that each lies where it does while all are folded
        yield from _click_header(headers[panel])
    yield from _click_header(headers[name])
    if _opened() != [name]:
        raise LookupError(f"Open are {_opened()}, not {name}")


def _click_header(y: int) -> Waiting:
    side = _places()[3]
    yield from _click_at((side.x + side.width // 3, y), PANEL_S)


def _open_shop_book() -> Waiting:
    """Opens the closed part below the files that were written."""
    yield from _scroll(60)
    x, y = yield from _seen("wm.path_open", upwards=True)  # not that below the verdict
    while (yield from _is_at("wm.path_open", (x, y + 1))):
        y += 1
    yield from _click_at((x, y - _points(BELOW)), PANEL_S)


def _run() -> float | None:
    global _going
    try:
        _going = _going or tour()
        return next(_going)
    except StopIteration:
        _note("The tour ran to its end", True)
    except Exception:
        for _ in _photograph("stuck", "The tour got stuck here", False):
            pass
        traceback.print_exc()
        _note(traceback.format_exc(limit=-1), False)
    sys.stdout.flush()
    os._exit(0)


_going: Any = None
bpy.context.preferences.view.show_splash = False
bpy.context.preferences.view.smooth_view = 0
bpy.context.preferences.system.viewport_aa = "FXAA"  # smooth at once: eight passes in software take most of the time
bpy.context.preferences.inputs.use_mouse_continuous = False
bpy.app.timers.register(_run, first_interval=1.0)
