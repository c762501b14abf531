# SPDX-License-Identifier: GPL-3.0-or-later
"""Overlays drawn for real, off the screen, and judged by their pixels; and the window's side of them without a window.

Drawing needs a Blender module that can draw without a window, which 4.5 cannot: those tests are skipped there.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from itertools import combinations
from types import SimpleNamespace

import bpy
import gpu
import numpy as np
import pytest
from manifold3d import Manifold
from mathutils import Matrix
from review_shapes import PROCESS

import addon
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.review import Review, review
from addon.ui import looking
from addon.ui.drawing import say_in
from addon.ui.overlays import draw, painting, shapes, sheets, styles
from addon.ui.overlays.painting import Picture
from addon.ui.overlays.styles import Style
from addon.ui.wording import IMPERIAL

SIZE = 320, 240
DARK, LIGHT = (0.24, 0.24, 0.24), (0.78, 0.78, 0.78)
Pixels = np.ndarray

NO_DRAWING = "this Blender module cannot draw without a window (gpu.init came with 5.0)"


@pytest.fixture(scope="module")
def gpu_ready() -> None:
    if not hasattr(gpu, "init"):
        pytest.skip(NO_DRAWING)
    try:
        gpu.init()
    except (RuntimeError, SystemError) as error:
        pytest.skip(f"{NO_DRAWING}: {error}")


@pytest.fixture
def canvas(gpu_ready: None) -> Iterator[Callable[..., Pixels]]:
    """Draws what it is given and returns the pixels (height, width, 3), row 0 at the bottom."""
    screen = gpu.types.GPUOffScreen(*SIZE)

    def paint(act: Callable[[], None], background=DARK, view=None, projection=None) -> Pixels:
        with screen.bind():
            frame = gpu.state.active_framebuffer_get()
            frame.clear(color=(*background, 1.0), depth=1.0)
            gpu.state.viewport_set(0, 0, *SIZE)
            with gpu.matrix.push_pop(), gpu.matrix.push_pop_projection():
                gpu.matrix.load_matrix(Matrix.Identity(4) if view is None else view)
                gpu.matrix.load_projection_matrix(flat() if projection is None else projection)
                act()
            pixels = frame.read_color(0, 0, *SIZE, 4, 0, "UBYTE")
        return np.array(pixels.to_list(), np.uint8)[:, :, :3]

    yield paint
    screen.free()


def flat() -> Matrix:
    """A region's own: a unit is a pixel, from the lower left."""
    return Matrix(((2 / SIZE[0], 0, 0, -1), (0, 2 / SIZE[1], 0, -1), (0, 0, -1, 0), (0, 0, 0, 1)))


def from_the_front(distance: float = 60.0) -> Matrix:
    """The eye on the -y side at height 10, looking along y: x to the right, z up."""
    frame = Frame.along((0, -distance, 10), (0, -1, 0), x=(1, 0, 0))
    return Matrix(np.linalg.inv(frame.matrix).tolist())


def pinhole(field: float = 0.5, near: float = 1.0, far: float = 500.0) -> Matrix:
    wide = SIZE[0] / SIZE[1]
    return Matrix(
        (
            (1 / field / wide, 0, 0, 0),
            (0, 1 / field, 0, 0),
            (0, 0, -(far + near) / (far - near), -2 * far * near / (far - near)),
            (0, 0, -1, 0),
        )
    )


def pixel_of(place: tuple[float, float, float], view: Matrix, projection: Matrix) -> tuple[float, float]:
    x, y, _, w = np.array(projection @ view) @ (*place, 1.0)
    return (x / w + 1) / 2 * SIZE[0], (y / w + 1) / 2 * SIZE[1]


def coloured(pixels: Pixels, colour: styles.Colour, within: float = 40) -> np.ndarray:
    """(height, width): where a colour is."""
    return np.abs(pixels.astype(float) - 255 * np.array(colour)).max(axis=2) < within


def near(mask: np.ndarray, place: tuple[float, float], reach: int = 3) -> bool:
    x, y = round(place[0]), round(place[1])
    return bool(mask[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1].any())


def box_review() -> Review:
    """20 × 20 × 20 mm."""
    return review(Mesh.from_manifold(Manifold.cube([20, 20, 20], True).translate([0, 0, 10])), PROCESS, name="box")


def draw_solid(mesh: Mesh) -> None:
    from gpu_extras.batch import batch_for_shader

    shader = gpu.shader.from_builtin("UNIFORM_COLOR")
    batch = batch_for_shader(shader, "TRIS", {"pos": mesh.corners.reshape(-1, 3).astype(np.float32)})
    gpu.state.depth_mask_set(True)
    gpu.state.depth_test_set("LESS_EQUAL")
    shader.bind()
    shader.uniform_float("color", (0.5, 0.5, 0.5, 1.0))
    batch.draw(shader)


def in_view(canvas, pictures: list[Picture], solid: Mesh | None = None, background=DARK) -> Pixels:
    def act() -> None:
        if solid is not None:
            draw_solid(solid)
        painting.draw_pictures(pictures, 1.0)

    return canvas(act, background, from_the_front(), pinhole())


def test_the_chosen_layer_is_drawn_where_it_lies(canvas):
    printed = box_review().printed
    layer = 41
    picture = painting.picture_of(shapes.chosen_layer(printed, layer))
    yellow = coloured(in_view(canvas, [picture]), styles.LAYER.colour)
    for x in (-10, -4, 3, 10):
        for y in (-10, 10):
            assert near(yellow, pixel_of((x, y, float(printed.layers.cuts[layer])), from_the_front(), pinhole()))
    rows = np.flatnonzero(yellow.any(axis=1))
    low, high = (pixel_of((0, y, float(printed.layers.cuts[layer])), from_the_front(), pinhole())[1] for y in (10, -10))
    assert rows.min() >= min(low, high) - 3
    assert rows.max() <= max(low, high) + 3


def test_outlines_up_to_a_layer_end_there(canvas):
    printed = box_review().printed
    stack = shapes.outline_stack(printed)
    rows = {}
    for up_to in (20, None):
        picture = painting.picture_of(shapes.outlines(stack, printed, up_to))
        blue = coloured(in_view(canvas, [picture]), styles.OUTLINE.colour, 70)
        rows[up_to] = int(np.flatnonzero(blue.any(axis=1)).max())
    # The eye is above that layer, so its far side is seen higher up.
    assert rows[20] == pytest.approx(pixel_of((0, 10, 20.5 * 0.25), from_the_front(), pinhole())[1], abs=4)
    assert rows[None] == pytest.approx(pixel_of((0, -10, 20), from_the_front(), pinhole())[1], abs=4)


def test_a_solid_hides_outlines_behind_it_but_no_layer_chosen(canvas):
    reviewed = box_review()
    printed = reviewed.printed
    stack = painting.picture_of(shapes.outlines(shapes.outline_stack(printed), printed))
    clear = coloured(in_view(canvas, [stack]), styles.OUTLINE.colour, 40).sum()
    wall = Mesh.from_manifold(Manifold.cube([60, 1, 60], True).translate([0, -14, 10]))
    behind = coloured(in_view(canvas, [stack], wall), styles.OUTLINE.colour, 40).sum()
    on_it = coloured(in_view(canvas, [stack], reviewed.mesh), styles.OUTLINE.colour, 40).sum()
    assert clear > 1000
    assert behind == 0
    assert on_it > clear / 4  # the front stays, though it lies in the very surface
    chosen = painting.picture_of(shapes.chosen_layer(printed, 40))
    assert coloured(in_view(canvas, [chosen], wall), styles.LAYER.colour).sum() > 100


def test_an_area_is_as_large_as_it_should_be(canvas):
    reviewed = box_review()
    marks = shapes.rings(reviewed, 40)
    only_left = replace(marks, batches=tuple(batch for batch in marks.batches if batch.style is styles.LEFT_TO_FILL))
    across = 2 * (10 - 3 * PROCESS.bead_mm)

    def above(act: Callable[[], None]) -> Pixels:
        scale = 8.0  # pixels a millimetre, seen from straight above
        projection = Matrix(
            ((2 * scale / SIZE[0], 0, 0, 0), (0, 2 * scale / SIZE[1], 0, 0), (0, 0, -0.01, 0), (0, 0, 0, 1))
        )
        return canvas(act, (0.0, 0.0, 0.0), Matrix.Identity(4), projection)

    pixels = above(lambda: painting.draw_pictures([painting.picture_of(only_left)], 1.0))
    assert (pixels.max(axis=2) > 8).sum() == pytest.approx((across * 8) ** 2, rel=0.06)


def switched(**switches: object) -> SimpleNamespace:
    names = ("outlines", "rings", "overhangs", "thin_walls", "steps", "gap", "profile")
    off = {f"show_{name}": False for name in names}
    return SimpleNamespace(**{**off, "layer": 1, "planned": False, "which_layers": "all", **switches})


@pytest.fixture
def counted(monkeypatch) -> dict[str, int]:
    """How often each overlay is worked out."""
    counts: dict[str, int] = {}
    for name in ("outline_stack", "outlines", "chosen_layer", "rings", "overhangs", "thin_walls", "steps", "gap"):
        original = getattr(shapes, name)

        def counting(*args, name=name, original=original):
            counts[name] = counts.get(name, 0) + 1
            return original(*args)

        monkeypatch.setattr(shapes, name, counting)
    monkeypatch.setattr(painting, "picture_of", lambda marks: Picture(marks, ()))
    draw.invalidate()
    yield counts
    draw.invalidate()


def test_nothing_is_worked_out_while_all_is_off(counted):
    assert draw.pictures_of(looking.Subject("box", np.eye(4), box_review()), switched()) == []
    assert counted == {}


def test_what_is_drawn_is_worked_out_once_for_each_result(counted):
    subject = looking.Subject("box", np.eye(4), box_review())
    view = switched(show_outlines=True, show_rings=True, show_overhangs=True, show_thin_walls=True, show_steps=True)
    first = draw.pictures_of(subject, view)
    again = draw.pictures_of(looking.Subject("box", np.eye(4), subject.review), view)
    assert len(first) == 6
    assert all(picture is other for picture, other in zip(first, again, strict=True))
    assert counted == dict.fromkeys(counted, 1)
    view.layer = 30
    draw.pictures_of(subject, view)
    assert (counted["rings"], counted["chosen_layer"], counted["overhangs"], counted["steps"]) == (2, 2, 1, 1)
    assert counted["outline_stack"] == 1
    subject = looking.Subject("box", np.eye(4), box_review())
    draw.pictures_of(subject, view)
    assert (counted["overhangs"], counted["outline_stack"]) == (2, 2)
    draw.pictures_of(subject, view, IMPERIAL)
    assert counted["overhangs"] == 3


def test_a_layer_past_the_top_is_the_top_one():
    assert draw.layer_of(switched(layer=500), 80) == 79
    assert draw.layer_of(switched(layer=1), 80) == 0


def named_styles() -> dict[str, Style]:
    """Without those of the markers, which are told by their shapes."""
    named = {name: style for name, style in vars(styles).items() if isinstance(style, Style)}
    return {name: style for name, style in named.items() if not name.endswith("_END")}


def swatch_pixels(canvas, style: Style, background=DARK) -> Pixels:
    fills, strokes = sheets.swatch(style, (10, 10), (120, 60))
    sheet = sheets.Sheet(1, 1, tuple(fills), tuple(strokes))
    return canvas(lambda: painting.draw_sheet(painting.printed(sheet), (0, 0), 1.0), background)


def test_every_style_stays_apart_on_a_grey_screen(canvas):
    grey = (0.6, 0.6, 0.6)
    pictures = {name: swatch_pixels(canvas, replace(style, colour=grey)) for name, style in named_styles().items()}
    for name, other in combinations(pictures, 2):
        differ = np.abs(pictures[name].astype(int) - pictures[other].astype(int)).max(axis=2) > 25
        assert differ.sum() > 60, f"{name} and {other} look alike without colour"


@pytest.mark.parametrize("background", [DARK, LIGHT, (0.5, 0.5, 0.5)])
def test_every_style_stands_out_from_any_background(canvas, background):
    luma = np.array([0.299, 0.587, 0.114])
    ground = 255 * (luma @ background)
    for name, style in named_styles().items():
        pixels = swatch_pixels(canvas, style, background) @ luma
        stands_out = np.abs(pixels - ground).max()
        assert stands_out > 40, f"{name} cannot be seen on {background}"


def test_words_stand_on_a_plate_whatever_is_behind(canvas):
    for background in (DARK, LIGHT):
        sheet = painting.printed(sheets.words_sheet(("layer 14 of 82",), painting.measure(1.0)))
        pixels = canvas(lambda sheet=sheet: painting.draw_sheet(sheet, (40, 50), 1.0), background)
        wide, high = int(sheet.sheet.width), int(sheet.sheet.height)
        plate = pixels[50 : 50 + high, 40 : 40 + wide]
        assert (plate.min(axis=2) > 200).sum() > 60  # letters
        assert np.median(plate) < 80  # the plate
        outside = np.ones(pixels.shape[:2], bool)
        outside[48 : 53 + high, 38 : 43 + wide] = False
        assert np.abs(pixels[outside].astype(float) - 255 * np.array(background)).max() < 3


def test_words_and_lines_grow_with_the_resolution_scale(canvas):
    entries = (shapes.LegendEntry(styles.LAYER, "layer 14 of 82"), shapes.LegendEntry(styles.OVERHANG, "221 mm²"))
    covered = []
    for scale in (0.7, 1.4):
        sheet = painting.printed(sheets.legend(entries, painting.measure(scale)))
        pixels = canvas(lambda sheet=sheet, scale=scale: painting.draw_sheet(sheet, (0, 0), scale), LIGHT)
        covered.append((np.abs(pixels.astype(float) - 255 * LIGHT[0]).max(axis=2) > 20).sum())
    assert covered[1] == pytest.approx(4 * covered[0], rel=0.1)


# The window's side, which needs no drawing


@pytest.fixture
def registered() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    addon.register()
    yield
    addon.unregister()


def test_layers_are_stepped_through_and_never_past_the_ends(registered):
    assert not bpy.ops.ferrule.step_layers.poll()
    bpy.ops.mesh.primitive_cube_add(size=0.02)
    bpy.ops.ferrule.review_object()
    view = bpy.context.scene.ferrule.view
    count = len(looking.subject_of(bpy.context).review.printed.layers)
    assert bpy.ops.ferrule.step_layers(by=13) == {"FINISHED"}
    assert view.layer == 14
    bpy.ops.ferrule.step_layers(by=-3)
    assert view.layer == 11
    bpy.ops.ferrule.step_layers(by=10_000)
    assert view.layer == count
    bpy.ops.ferrule.step_layers(by=-10_000)
    assert view.layer == 1


def test_no_handler_is_left_behind(monkeypatch):
    handlers: list[object] = []

    class View3D:
        @staticmethod
        def draw_handler_add(draw, args, region, when):
            handlers.append(draw)
            return draw

        @staticmethod
        def draw_handler_remove(handle, region):
            handlers.remove(handle)

    monkeypatch.setattr(draw, "bpy", SimpleNamespace(types=SimpleNamespace(SpaceView3D=View3D)))
    for _ in range(100):
        draw.add_handlers()
        assert len(handlers) == 2
        draw.remove_handlers()
        assert handlers == []


@pytest.mark.parametrize(("system", "said"), [("METRIC", "25.4 mm"), ("IMPERIAL", "1 in"), ("NONE", "25.4 mm")])
def test_lengths_are_said_in_the_scenes_units(system, said):
    scene = SimpleNamespace(unit_settings=SimpleNamespace(system=system))
    assert say_in(scene)(25.4) == said
    assert say_in(scene) is say_in(scene)  # or what is drawn would be built again with every redraw


def region(kind: str, x: int, y: int, width: int, height: int) -> SimpleNamespace:
    return SimpleNamespace(type=kind, x=x, y=y, width=width, height=height)


def test_what_is_drawn_keeps_clear_of_bars_that_lie_over_the_view():
    window = region("WINDOW", 100, 50, 1000, 600)
    bars = [
        region("TOOLS", 100, 50, 60, 540),
        region("UI", 850, 50, 250, 540),
        region("HEADER", 100, 624, 1000, 26),
        region("TOOL_HEADER", 100, 598, 1000, 26),
        region("HUD", 170, 60, 1, 1),
    ]
    assert draw.free_space(SimpleNamespace(regions=[window, *bars]), window) == (60, 0, 750, 548)
    switched_sides = [region("UI", 100, 50, 250, 540), region("TOOLS", 1040, 50, 60, 540)]
    assert draw.free_space(SimpleNamespace(regions=switched_sides), window) == (250, 0, 940, 600)
    beside = [region("UI", 1100, 50, 250, 600), region("HEADER", 100, 650, 1000, 26)]
    assert draw.free_space(SimpleNamespace(regions=beside), window) == (0, 0, 1000, 600)
