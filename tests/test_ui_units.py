# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole window in an Imperial scene: what its panels, reports and tooltips say has no millimetres."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import bpy
import pytest
from manifold3d import Manifold
from mathutils import Matrix
from panel_words import drawn, operator_class, panel_words
from test_ui_job import ROUND, SQUARE, put, tube

import addon
from addon.fields.messages import say_value
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.geometry.units import round_in_inches
from addon.trade.processes import processes
from addon.ui import callbacks, fields, listing, updating
from addon.ui.desk import active_fitted
from addon.ui.overlays import draw
from addon.ui.quiet import quietly

QUOTED = r"""(?<!\w)(?:"[^"]*"|“[^”]*”|'(?:[^'\\]|\\.)*')"""
"""What stands in quotes. An apostrophe begins nothing, as it follows a letter."""


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[bpy.types.Scene]:
    """A post, a rail and a skin without a bore, fitted, reviewed, laid out and exported, and a number refused."""
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    addon.register()
    scene = bpy.context.scene
    put(scene, tube(ROUND, 300, "Post 5 mm"))
    put(scene, tube(SQUARE, 300, "Rail 5 mm"), Matrix.Translation((0.2, 0, 0)))
    plate = Mesh.from_manifold(Manifold.cube((90, 90, 10), True), "Plate 10 mm")
    put(scene, plate, Matrix.Translation((0.2, 0, 0.307)))
    put(scene, tube(Section.round(60, 29.99), 300, "Rod 5 mm"), Matrix.Translation((0.4, 0, 0)))
    scene.ferrule.recipe.spigot_mm = 9.07
    scene.ferrule.output.folder = str(tmp_path / "out 5 mm")
    for work in (bpy.ops.ferrule.read_ends, bpy.ops.ferrule.fit):
        assert work() == {"FINISHED"}
    for work in (bpy.ops.ferrule.check_in_place, bpy.ops.ferrule.lay_out, bpy.ops.ferrule.export):
        assert work() == {"FINISHED"}
    yield scene
    addon.unregister()


def all_words(scene: bpy.types.Scene) -> list[str]:
    """Of every panel, for every section, every end and every finding that could be chosen."""
    said = []
    manager = bpy.context.window_manager.ferrule
    rows = max(len(scene.ferrule.groups), len(scene.ferrule.ends), len(listing.findings))
    for row in range(rows):
        with quietly():
            scene.ferrule.group_index = min(row, len(scene.ferrule.groups) - 1)
            scene.ferrule.end_index = min(row, len(scene.ferrule.ends) - 1)
            manager.finding_index = min(row, len(listing.findings) - 1)
        said += [word for words in panel_words().values() for word in words]
    return said


def in_millimetres(said: list[str]) -> list[str]:
    """Sentences and labels with a metric unit outside names: of objects, processes, and print files with their unit."""
    names = "|".join(re.escape(named.name) for named in (*bpy.data.objects, *processes()))
    bare = [re.sub(rf"{QUOTED}(?:, mm$)?|{names}", "name", text) for text in said]
    return [text for text in bare if re.search(r"\bmm|cm²|cm³|_mm", text.replace("g/cm³", ""))]


def unwrapped(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sentences in one piece, so that quotes stay together."""
    monkeypatch.setattr("addon.ui.drawing._wrapped", lambda text, letters: (text,))


def test_no_panel_of_an_imperial_scene_has_millimetres(scene: bpy.types.Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    unwrapped(monkeypatch)
    scene.unit_settings.system = "METRIC"
    metric = all_words(scene)
    scene.unit_settings.system = "IMPERIAL"
    imperial = all_words(scene)
    assert in_millimetres(imperial) == []
    assert len(in_millimetres(metric)) > 100
    both = "\n".join(imperial)
    # The print plan's lines, a finding, a refused end, twins of speed and volume.
    for words in ("rings of 0.", "Measured ", "Blocked by", "Speed (in/s)", "Purge (in³)", "Read back"):
        assert words in both, words
    assert re.search(r'Blocked by "Plate 10 mm", 0\.079 in in front', both)


@pytest.mark.parametrize(("system", "spigot"), [("METRIC", "600.5 mm"), ("IMPERIAL", "23.642 in")])
def test_a_refusal_says_both_numbers_in_the_scenes_units(
    scene: bpy.types.Scene, monkeypatch: pytest.MonkeyPatch, system: str, spigot: str
) -> None:
    unwrapped(monkeypatch)
    scene.unit_settings.system = system
    scene.ferrule.recipe.groove_count_auto, scene.ferrule.recipe.groove_count = False, 0
    scene.ferrule.recipe.spigot_mm = 600.5
    words = [word for words in panel_words().values() for word in words]
    refusals = [word for word in words if "is too much" in word]
    assert len(refusals) == 1
    assert refusals[0].startswith(f"Spigot {spigot} is too much: longer spigots are not made; at most")
    works = active_fitted(scene, updating.desk_of(scene)).refusal.works
    assert f"Set Spigot to {say_value('spigot_mm', works, draw.say_in(scene))}" in words
    assert bool(in_millimetres(words)) is (system == "METRIC")


def test_reports_are_in_the_scenes_units(scene: bpy.types.Scene) -> None:
    scene.unit_settings.system = "IMPERIAL"
    scene.ferrule.process.bead_in = 0.1
    with pytest.raises(RuntimeError, match=r"Bead is 0\.100 in; allowed is .* 0\.\d+ to 0\.\d+ in"):
        bpy.ops.ferrule.export()
    with pytest.raises(RuntimeError, match=r"Bead is .* in"):
        bpy.ops.ferrule.save_process(name="Own 5 mm")


def test_a_doubt_about_the_unit_is_in_inches(monkeypatch: pytest.MonkeyPatch) -> None:
    unwrapped(monkeypatch)
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    addon.register()
    try:
        scene = bpy.context.scene
        scene.unit_settings.system, scene.unit_settings.scale_length = "IMPERIAL", 0.001
        put(scene, tube(ROUND, 300, "Post"), scale=0.0254)  # modelled in inches
        bpy.ops.ferrule.read_ends()
        (doubt,) = [word for words in panel_words().values() for word in words if "Is the unit right?" in word]
        assert "would be 1 in across" in doubt and not in_millimetres([doubt])
    finally:
        addon.unregister()


@pytest.mark.parametrize("name", ["pick_end", "enter_fit", "add_fitting"])
def test_operators_show_their_lengths_in_inches(scene: bpy.types.Scene, name: str) -> None:
    """What Blender draws when the operation is adjusted, or in its dialog."""
    cls = operator_class(f"ferrule.{name}")
    shown = []
    layout = _Names(shown)
    for system in ("METRIC", "IMPERIAL"):
        scene.unit_settings.system = system
        cls.draw(_Operator(cls, layout), bpy.context)
    lengths = [label for label in shown if label.endswith("_mm")]
    assert lengths and [fields.inch_name(label) for label in lengths] == [
        label for label in shown if label.endswith("_in")
    ]
    assert set(shown) <= set(cls.__annotations__)


class _Names:
    """A layout that notes which properties are drawn."""

    def __init__(self, shown: list[str]) -> None:
        self.shown = shown

    def row(self, **how: object) -> _Names:
        return self

    column = split = box = row

    def label(self, **how: object) -> None:
        pass

    def prop(self, data: object, name: str, **how: object) -> None:
        self.shown.append(name)


class _Operator:
    def __init__(self, cls: type, layout: _Names) -> None:
        self.layout = layout


def test_twins_of_speed_and_volume_hold_the_same_number(scene: bpy.types.Scene) -> None:
    """1 in = 25.4 mm exactly (1959), so 1 in³ = 16387.064 mm³."""
    process = scene.ferrule.process
    process.speed_in_s, process.purge_in3 = 2.0, 0.5
    assert process.speed_mm_s == pytest.approx(50.8, rel=1e-6)
    assert process.purge_mm3 == pytest.approx(8193.532, rel=1e-6)
    process.plate_in = (9, 7, 5)
    assert tuple(process.plate_mm) == pytest.approx((228.6, 177.8, 127), rel=1e-6)


def test_setting_a_number_tells_what_it_sets(scene: bpy.types.Scene) -> None:
    cls = operator_class("ferrule.set_number")
    for system, said in (("METRIC", "Set Rise to 12.7 mm"), ("IMPERIAL", "Set Rise to 1/2 in")):
        scene.unit_settings.system = system
        assert drawn(cls.draw, field="rise_mm", value="12.7") == [said]


def test_no_label_in_inches_is_cut_off(scene: bpy.types.Scene) -> None:
    """Beside its field the usual sidebar has room for sixteen letters, as photographs of the window show."""
    ferrule = scene.ferrule
    groups = (ferrule, ferrule.recipe, ferrule.process, ferrule.tube, ferrule.groups[0])
    labels = [field.name for group in groups for field in group.bl_rna.properties if "(in" in field.name]
    assert "Width (in)" in labels and len(labels) > 30
    assert [label for label in labels if len(label) > 16] == []


def test_lengths_that_nobody_has_set_are_round_in_inches(scene: bpy.types.Scene) -> None:
    """5/16 in = 7.9375 mm, 1/8 in × 1/32 in for the groove. What was set stays, and metres bring the defaults back."""
    recipe = scene.ferrule.recipe
    scene.unit_settings.system = "IMPERIAL"
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert recipe.spigot_mm == pytest.approx(9.07)
    assert (recipe.groove_width_in, recipe.groove_depth_in) == pytest.approx((1 / 8, 1 / 32))
    bpy.ops.ferrule.reset_recipe()
    assert recipe.spigot_mm == pytest.approx(7.9375)
    said = [word for words in panel_words().values() for word in words]
    assert {"5/16", "1/8", "1/32"} <= set(said)
    scene.unit_settings.system = "METRIC"
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert (recipe.spigot_mm, recipe.groove_width_mm, recipe.groove_depth_mm) == pytest.approx((8, 3, 1))


def test_a_scene_that_was_read_follows_its_units_at_once(scene: bpy.types.Scene) -> None:
    recipe = scene.ferrule.recipe
    recipe.property_unset("spigot_mm")
    recipe.lip_mm = 2.0
    for system, spigot in (("IMPERIAL", 7.9375), ("METRIC", 8.0)):
        scene.unit_settings.system = system
        callbacks.on_units()
        assert recipe.spigot_mm == pytest.approx(spigot) and recipe.lip_mm == 2.0
        assert {fitted.batch.recipe.spigot_mm for fitted in updating.finish(scene).fittings} == {spigot}


@pytest.mark.parametrize(
    ("mm", "inches"),
    [(8, 5 / 16), (3, 1 / 8), (2, 5 / 64), (25.4, 1), (-12.7, -0.5), (0.5, 0.02), (1, 0.04), (0, 0), (50, 2)],
)
def test_the_plainest_length_in_inches(mm: float, inches: float) -> None:
    assert round_in_inches(mm) == pytest.approx(inches * 25.4)
