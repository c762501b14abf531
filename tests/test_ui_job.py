# SPDX-License-Identifier: GPL-3.0-or-later
"""The window's state and operators, from reading tube ends to files, without a window.

What a fitting must be on its tube is checked against the tubes' own construction: where they were put, how they are
cut, and the sizes they were built with.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import bpy
import numpy as np
import pytest
from mathutils import Matrix
from panel_words import drawn, panel_words

import addon
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.ui import file_unit, listing, updating
from addon.ui.desk import times
from addon.ui.panels import unit_lines
from addon.ui.placing import placed
from addon.ui.records import end_of
from addon.ui.scene import put_mesh

ROUND = Section.round(25.4, 3.175)
SQUARE = Section.rectangular(40, 40, 3)


def tube(section: Section, length: float, name: str, facets: int = 96) -> Mesh:
    """A straight tube along z from 0 to ``length``, in mm, made by the kernel's extrusion."""
    wall = section.outer.cross_section(facets) - section.bore.cross_section(facets)
    return Mesh.from_manifold(wall.extrude(length), name)


def skin(section: Section, length: float, name: str) -> Mesh:
    """The outside of a tube as an open surface."""
    whole = Mesh.from_manifold(section.outer.cross_section(96).extrude(length), name)
    across = np.ptp(whole.vertices[whole.triangles][:, :, 2], axis=1) > 0
    return Mesh(whole.vertices, whole.triangles[across], name)


def put(scene: bpy.types.Scene, mesh: Mesh, matrix: Matrix | None = None, scale: float = 1.0) -> bpy.types.Object:
    item = put_mesh(mesh, mesh.name, scene.collection, scale)
    if matrix is not None:
        item.matrix_world = matrix
    return item


def fit() -> None:
    assert bpy.ops.ferrule.read_ends(whole_scene=True) == {"FINISHED"}
    assert bpy.ops.ferrule.fit() == {"FINISHED"}


def corners(item: bpy.types.Object) -> np.ndarray:
    """(n, 3): an object's vertices in the world, in Blender units."""
    bpy.context.view_layer.update()
    return np.array([item.matrix_world @ vertex.co for vertex in item.data.vertices])


def test_fittings_sit_on_both_ends_of_a_tube(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"), Matrix.Translation((1, 2, 3)))
    fit()
    fittings = list(placed(scene).values())
    assert [group.name for group in scene.ferrule.groups] == ["1 in × 1/8 in"]
    assert len(fittings) == 2
    assert len({item.data.name for item in fittings}) == 1
    assert all(item.users_collection[0].name == "Fittings" for item in fittings)
    heights = sorted((corners(item)[:, 2].min(), corners(item)[:, 2].max()) for item in fittings)
    # A hemisphere of 12.7 mm outside, 12.6 on layers of 0.2, 8 mm of spigot inside, at z = 3 m and 3.3 m.
    np.testing.assert_allclose(heights, [(3 - 0.0126, 3 + 0.008), (3.3 - 0.008, 3.3 + 0.0126)], atol=2e-6)
    for item in fittings:
        np.testing.assert_allclose((corners(item).min(axis=0) + corners(item).max(axis=0))[:2] / 2, (1, 2), atol=1e-4)


@pytest.mark.parametrize(
    ("system", "scale"),
    [("METRIC", 1.0), ("METRIC", 0.01), ("METRIC", 0.001), ("IMPERIAL", 1.0), ("IMPERIAL", 0.0254), ("NONE", 1.0)],
)
def test_any_unit_scale_gives_the_same_millimetres(scene: bpy.types.Scene, system: str, scale: float) -> None:
    settings = scene.unit_settings
    settings.system, settings.scale_length = system, scale
    metres = 0.001 if system == "NONE" else scale
    put(scene, tube(SQUARE, 200, "Rail"), scale=metres)
    scene.ferrule.recipe.spigot_mm = 12
    fit()
    assert [group.name for group in scene.ferrule.groups] == ["40 × 40 × 3"]
    item = next(iter(placed(scene).values()))
    size = np.ptp(corners(item), axis=0) * metres * 1000
    # 40 mm square; 20 mm of dome (half the width) above 12 mm of spigot.
    np.testing.assert_allclose(size, (40, 40, 32), atol=2e-3)


def test_numbers_mean_the_same_after_the_unit_scale_changes(scene: bpy.types.Scene) -> None:
    recipe = scene.ferrule.recipe
    recipe.spigot_in = 0.5
    assert recipe.spigot_mm == pytest.approx(12.7, rel=1e-6)  # 1 in = 25.4 mm exactly (1959)
    scene.unit_settings.scale_length = 0.001
    scene.unit_settings.system = "IMPERIAL"
    assert recipe.spigot_mm == pytest.approx(12.7, rel=1e-6)
    assert recipe.spigot_in == pytest.approx(0.5, rel=1e-6)


@pytest.mark.parametrize(
    "matrix",
    [
        Matrix.Rotation(math.radians(33), 4, "X") @ Matrix.Translation((0.1, -0.2, 0.3)),
        Matrix.Scale(-1, 4, (1, 0, 0)) @ Matrix.Rotation(math.radians(20), 4, "Y"),
        Matrix.Scale(2, 4) @ Matrix.Translation((0.2, 0, 0)),
    ],
    ids=["turned", "mirrored", "scaled"],
)
def test_parented_turned_mirrored_and_scaled_tubes(scene: bpy.types.Scene, matrix: Matrix) -> None:
    parent = bpy.data.objects.new("Frame", None)
    scene.collection.objects.link(parent)
    parent.matrix_world = matrix
    item = put(scene, tube(ROUND, 300, "Post"))
    item.parent = parent
    bpy.context.view_layer.update()
    fit()
    factor = abs(matrix.determinant()) ** (1 / 3)
    ends = np.array([matrix @ Matrix.Translation((0, 0, z)).translation for z in (0.0, 0.3)])
    axis = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    fittings = placed(scene).values()
    assert len(fittings) == 2
    for fitting in fittings:
        points = corners(fitting)
        along = (points - ends[0]) @ axis
        across = np.linalg.norm(points - ends[0] - along[:, None] * axis, axis=1)
        assert across.max() == pytest.approx(0.0127 * factor, rel=2e-3)
        nearer = min(abs(along - reach).max() for reach in (0.0, 0.3 * factor))
        assert nearer == pytest.approx(max(0.0127 * factor, 0.008), abs=0.0002)


def test_instanced_tubes_are_all_fitted(scene: bpy.types.Scene) -> None:
    held = bpy.data.collections.new("Legs")
    item = put_mesh(tube(ROUND, 300, "Leg"), "Leg", held, 1.0)
    for place in range(3):
        instance = bpy.data.objects.new(f"Instance {place}", None)
        instance.instance_type, instance.instance_collection = "COLLECTION", held
        instance.location.x = place
        scene.collection.objects.link(instance)
    bpy.context.view_layer.update()
    fit()
    assert item.name == "Leg"
    centres = sorted(round(float(corners(copy)[:, 0].mean()), 3) for copy in placed(scene).values())
    assert centres == [0, 0, 1, 1, 2, 2]


def test_a_number_changes_every_fitting_of_the_section_at_once(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    item = next(iter(placed(scene).values()))
    height = np.ptp(corners(item)[:, 2])
    scene.ferrule.recipe.spigot_mm = 13
    assert np.ptp(corners(item)[:, 2]) == pytest.approx(height + 0.005, abs=1e-6)
    assert times["update"] > 0


def test_a_number_is_reviewed_in_the_same_update(scene: bpy.types.Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """A wall thinner than two beads is named, and forgotten, as the number moves; the slower checks wait for rest."""
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    monkeypatch.setattr(updating, "LIVE_S", 60.0)  # however busy the machine is
    scene.ferrule.recipe.groove_count_auto, scene.ferrule.recipe.groove_count = False, 0
    scene.ferrule.process.bead_mm = 0.5
    for wall, thin in ((2.5, False), (0.92, True), (3.0, False)):
        scene.ferrule.recipe.hollow_wall_mm = wall
        (fitted,) = updating.fresh(scene).fittings
        assert fitted.made is not None and not fitted.made.review.settled and fitted.waiting
        assert ("thin wall" in {finding.check for finding in listing.findings}) is thin
    updating.finish(scene)
    assert fitted.made.review.settled and not fitted.waiting


def test_another_unit_scale_than_was_read_in_is_told_until_refit(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    said = "The unit scale was 1 when the ends were read, and is now 0.5."
    assert said not in " ".join(panel_words()["FERRULE_PT_verdict"])
    scene.unit_settings.scale_length = 0.5
    assert said in " ".join(panel_words()["FERRULE_PT_verdict"])
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    assert said not in " ".join(panel_words()["FERRULE_PT_verdict"])
    assert updating.fresh(scene).ends[0].section.outer.width == pytest.approx(12.7)


def test_a_cure_is_for_the_section_of_its_finding_alone(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((0.5, 0, 0)))
    fit()
    ferrule, manager = scene.ferrule, bpy.context.window_manager.ferrule
    ferrule.group_index = 0
    ferrule.recipe.spigot_mm = 8.2
    updating.finish(scene)
    manager.finding_index = next(i for i, finding in enumerate(listing.findings) if finding.fitting == "F2")
    finding = replace(listing.findings[manager.finding_index], cure={"spigot_mm": 8.0})
    listing.findings[manager.finding_index] = finding
    ferrule.group_index = 0
    assert bpy.ops.ferrule.cure() == {"FINISHED"}
    assert not ferrule.groups[0].own_recipe and ferrule.groups[1].own_recipe
    first, second = updating.fresh(scene).fittings
    assert first.batch.recipe.spigot_mm == pytest.approx(8.2)
    assert second.batch.recipe.spigot_mm == pytest.approx(8.0)
    assert second.batch.recipe == replace(first.batch.recipe, spigot_mm=second.batch.recipe.spigot_mm)


def test_a_refused_number_keeps_the_last_solid_and_offers_one_that_works(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    item = next(iter(placed(scene).values()))
    before = corners(item)
    scene.ferrule.recipe.groove_depth_mm = 50
    desk = updating.desk_of(scene)
    assert desk is not None
    refusal = desk.fittings[0].refusal
    assert refusal is not None and refusal.field == "groove_depth_mm" and refusal.works
    np.testing.assert_array_equal(corners(item), before)
    shown = " ".join(panel_words()["FERRULE_PT_verdict"])
    assert "1 kind cannot be made" in shown and "No findings" not in shown
    assert bpy.ops.ferrule.set_number(field=refusal.field, value=str(refusal.works)) == {"FINISHED"}
    desk = updating.desk_of(scene)
    assert desk is not None and desk.fittings[0].refusal is None
    assert not np.array_equal(corners(item), before)


def test_a_section_of_its_own_recipe_leaves_the_others_alone(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    fit()
    square = next(i for i, group in enumerate(scene.ferrule.groups) if group.name == "40 × 40 × 3")
    scene.ferrule.group_index = square
    scene.ferrule.groups[square].own_recipe = True
    assert scene.ferrule.groups[square].recipe.crown == scene.ferrule.recipe.crown
    scene.ferrule.groups[square].recipe.crown = "flat"
    desk = updating.desk_of(scene)
    assert desk is not None
    assert {fitting.group == square: fitting.batch.recipe.crown for fitting in desk.fittings} == {
        True: "flat",
        False: "dome",
    }


def test_the_measured_bore_decides_the_spigot(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    group = scene.ferrule.groups[0]
    group.measured = True
    assert group.bore_width_mm == pytest.approx(19.05, abs=0.01)  # as modelled: 25.4 - 2 x 3.175
    group.bore_width_mm = 18.5
    desk = updating.finish(scene)
    assert desk is not None and desk.fittings[0].fitting is not None
    gap = desk.fittings[0].fitting.recipe.gap_mm
    assert desk.fittings[0].fitting.profile.spigot_outline.width == pytest.approx(18.5 - 2 * gap, abs=1e-6)
    group.bore_width_mm = 26
    assert "such a bore does not lie inside the tube" in group.bore_problem
    assert updating.desk_of(scene) is not None


def test_the_metal_decides_which_readings_are_refused(scene: bpy.types.Scene) -> None:
    """19.05 mm as modelled; off by 0.82 mm, where ASTM A513 allows 0.13 + 2 × 0.32 and ASTM B221 0.25 + 2 × 0.32 (from
    memory)."""
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    group = scene.ferrule.groups[0]
    group.measured = True
    group.bore_width_mm = 18.23
    assert "ASTM A513" in group.bore_problem
    scene.ferrule.tube.metal = "aluminium"
    assert group.bore_problem == ""
    desk = updating.finish(scene)
    assert desk is not None and desk.fittings[0].fitting is not None
    gap = desk.fittings[0].fitting.recipe.gap_mm
    assert desk.fittings[0].fitting.profile.spigot_outline.width == pytest.approx(18.23 - 2 * gap, abs=1e-6)


def test_fittings_follow_a_moved_tube_and_keep_what_the_user_gave_them(scene: bpy.types.Scene) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    fit()
    items = placed(scene)
    keys = set(items)
    item = next(iter(items.values()))
    item.name = "My cap"
    item.data.materials.append(bpy.data.materials.new("Blue"))
    post.location = (0, 0, 5)
    post.name = "Mast"
    bpy.context.view_layer.update()
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    assert set(placed(scene)) == keys
    assert item.name == "My cap" and item.data.materials[0].name == "Blue"
    assert {round(copy.location.z, 3) for copy in placed(scene).values()} == {5.0, 5.3}


def test_a_deleted_tube_takes_its_fittings_along_on_refit(scene: bpy.types.Scene) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    fit()
    bpy.data.objects.remove(post)
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    assert [group.name for group in scene.ferrule.groups] == ["40 × 40 × 3"]
    assert len(placed(scene)) == 2
    assert len([mesh for mesh in bpy.data.meshes if mesh.ferrule.made_from]) == 1


def test_a_copied_fitting_is_the_users_own(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    item = next(iter(placed(scene).values()))
    copy = item.copy()
    copy.location = (9, 9, 9)
    scene.collection.objects.link(copy)
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    assert tuple(copy.location) == (9, 9, 9)
    assert placed(scene)[item.ferrule.end_key] == item
    assert len(scene.ferrule.ends) == 2  # neither fittings nor their copies are tubes


UNITS = [
    "mm, widest tube 25.4 mm",
    "cm, widest tube 254 mm",
    "m, widest tube 25400 mm",
    "inches, widest tube 645.16 mm",
]


def said_units() -> list[str]:
    return [word for word in panel_words()["FERRULE_PT_ends"] if "widest tube" in word]


@pytest.mark.parametrize(
    ("scale", "unit", "metres"),
    [(0.001, "MM", 0.001), (0.01, "CM", 0.01), (0.0254, "IN", 0.0254)],
)
def test_a_doubted_unit_is_chosen_with_one_button(
    scene: bpy.types.Scene, scale: float, unit: str, metres: float
) -> None:
    put(scene, tube(ROUND, 300, "Post"), scale=scale)  # taken for metres, as an STL is imported
    assert bpy.ops.ferrule.read_ends(whole_scene=True) == {"FINISHED"}
    assert scene.ferrule.doubt and not scene.ferrule.ends and file_unit.unit_in_doubt(scene) == unit
    assert bpy.ops.ferrule.set_unit(unit=unit) == {"FINISHED"}
    assert scene.unit_settings.scale_length == pytest.approx(metres)
    assert [group.name for group in scene.ferrule.groups] == ["1 in × 1/8 in"]
    assert file_unit.unit_now(scene) == unit and "widest tube 25.4 mm" in said_units()[0]


def test_the_unit_stays_changeable(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"), scale=0.001)
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert said_units() == ["As the scene, widest tube 25400 mm", *UNITS]
    assert bpy.ops.ferrule.set_unit(unit="SCENE") == {"FINISHED"}
    assert scene.ferrule.groups[0].count == 2 and scene.unit_settings.scale_length == 1
    assert said_units() == ["As the scene, widest tube 25400 mm"]
    for unit, width in (("MM", 25.4), ("IN", 645.16), ("SCENE", 25400.0)):
        assert bpy.ops.ferrule.set_unit(unit=unit) == {"FINISHED"}
        assert end_of(scene.ferrule.ends[0]).section.outer.width == pytest.approx(width, rel=1e-4)
        assert [word for word in drawn(unit_lines.FERRULE_MT_unit.draw) if "widest" in word][1:] == UNITS
    assert scene.unit_settings.scale_length == 1


def test_another_assembly_is_asked_about_again(scene: bpy.types.Scene) -> None:
    post = put(scene, tube(ROUND, 300, "Post"), scale=0.001)
    bpy.ops.ferrule.read_ends(whole_scene=True)
    bpy.ops.ferrule.set_unit(unit="SCENE")
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert scene.ferrule.ends and not scene.ferrule.doubt
    bpy.data.objects.remove(post)
    put(scene, tube(SQUARE, 300, "Rail"), scale=0.001)
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert scene.ferrule.doubt and not scene.ferrule.ends


def test_odd_sizes_are_kept_where_the_user_says_so(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"), scale=0.001)
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert bpy.ops.ferrule.set_unit(unit="SCENE") == {"FINISHED"}
    assert scene.ferrule.groups[0].count == 2


def test_nothing_to_read_says_what_to_do(scene: bpy.types.Scene) -> None:
    with pytest.raises(RuntimeError, match="import the assembly"):
        bpy.ops.ferrule.read_ends(whole_scene=True)
    assert not bpy.ops.ferrule.fit.poll()


def test_export_writes_files_that_another_program_reads(scene: bpy.types.Scene, tmp_path: Path) -> None:
    trimesh = pytest.importorskip("trimesh")
    put(scene, tube(ROUND, 300, "Post"))
    output = scene.ferrule.output
    output.folder, output.write_stl, output.write_3mf, output.spares = str(tmp_path), True, True, 1
    scene.ferrule.recipe.groove_count_auto, scene.ferrule.recipe.groove_count = False, 0
    scene.ferrule.recipe.lead_in_mm = 0
    scene.ferrule.recipe.top = "as drawn"
    scene.ferrule.recipe.gap_mm_auto = False
    scene.ferrule.recipe.gap_mm = 0.2
    scene.ferrule.recipe.seam_relief = "none"
    fit()
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    desk = updating.desk_of(scene)
    assert desk is not None and desk.result is not None
    assert sorted(file.path for file in desk.result.files) == sorted([*tmp_path.glob("*.3mf"), *tmp_path.glob("*.stl")])
    solid = trimesh.load(next(tmp_path.glob("*.stl")))
    radius = 25.4 / 2
    spigot = (19.05 - 0.4) / 2
    # Source: the volumes of a hemisphere and of a cylinder, any geometry handbook.
    volume = 2 / 3 * math.pi * radius**3 + math.pi * spigot**2 * 8
    assert solid.volume == pytest.approx(volume, rel=1e-3)
    placements = json.loads((tmp_path / "result.json").read_text())["plates"]
    assert len(placements) == 3  # two ends and a spare


def test_export_without_a_place_or_a_format_is_refused(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    bpy.context.view_layer.objects.active = next(iter(placed(scene).values()))
    for operator in ("export", "export_object", "write_ladder"):
        with pytest.raises(RuntimeError, match=rf"not saved yet.*{operator}\(directory="):
            getattr(bpy.ops.ferrule, operator)()
    scene.ferrule.output.write_3mf = False
    with pytest.raises(RuntimeError, match="No format"):
        bpy.ops.ferrule.export()


def test_the_job_file_comes_to_the_same_fittings(scene: bpy.types.Scene, tmp_path: Path) -> None:
    from addon.ui.command_line import main

    put(scene, tube(ROUND, 300, "Post"), Matrix.Rotation(0.3, 4, "X"))
    rail = put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    put(scene, tube(SQUARE, 200, "Not read"), Matrix.Translation((2, 0, 0)))
    bpy.context.view_layer.update()
    for item in scene.objects:
        item.select_set(item.name != "Not read")
    ferrule = scene.ferrule
    ferrule.recipe.rise_mm_auto = False
    ferrule.recipe.rise_mm = 6
    ferrule.process.layer_mm = 0.15
    ferrule.process.called = "Of our own"
    assert bpy.ops.ferrule.read_ends() == {"FINISHED"}
    square = next(group for group in ferrule.groups if group.name == "40 × 40 × 3")
    square.own_recipe = True
    square.recipe.rise_mm_auto = True
    square.recipe.crown = "flat"
    square.measured = True
    square.bore_width_mm = square.bore_depth_mm = 33.9
    ferrule.output.folder = str(tmp_path / "window")
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    job_file = tmp_path / "again.toml"
    assert bpy.ops.ferrule.write_job(filepath=str(job_file)) == {"FINISHED"}
    job_file.write_text(job_file.read_text("utf-8").replace("[process]\n", "# as printed in May\n[process]\n"), "utf-8")
    commented = job_file.read_bytes()
    assert bpy.ops.ferrule.write_job(filepath=str(job_file)) == {"FINISHED"}
    assert b"# as printed in May" in commented and job_file.read_bytes() == commented
    assert rail.name in scene.objects and len(bpy.data.scenes) == 1
    addon.unregister()
    try:
        assert main([str(tmp_path / "again.toml"), "--quiet"]) == 0
    finally:
        addon.register()
    here = json.loads((tmp_path / "window" / "result.json").read_text())
    there = json.loads((tmp_path / "ferrule_out" / "result.json").read_text())
    for result in (here, there):
        for fitting in result["fittings"]:
            del fitting["files"]  # these carry the job's name
    assert there["ends"] == here["ends"]
    assert there["fittings"] == here["fittings"]
    assert there["findings"] == here["findings"]
    assert there["process"] == "Of our own"


def test_a_click_on_a_section_chooses_an_end_of_it(scene: bpy.types.Scene) -> None:
    """What acts on the chosen end, as Drop does, acts on a row of the list that is shown."""
    put(scene, tube(ROUND, 300, "Post"))
    put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    fit()
    ferrule = scene.ferrule
    first = {index: [row.group for row in ferrule.ends].index(index) for index in range(2)}
    bpy.ops.ferrule.go_to_end(index=first[0])
    ferrule.group_index = 1
    assert ferrule.end_index == first[1]
    ferrule.end_index = first[1] + 1
    ferrule.group_index = 1
    assert ferrule.end_index == first[1] + 1


def test_where_a_tube_is_selected_the_whole_scene_can_still_be_read(scene: bpy.types.Scene) -> None:
    """A click on a row of the list of ends selects its tube, which must not leave the others out."""
    put(scene, tube(ROUND, 300, "Post"))
    rail = put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    shown = panel_words()["FERRULE_PT_ends"]
    assert "Read the Scene" in shown and "Read Selected" not in shown
    rail.select_set(True)
    assert {"Read the Scene", "Read Selected"} <= set(panel_words()["FERRULE_PT_ends"])
    bpy.ops.ferrule.read_ends()
    assert [row.name for row in scene.ferrule.ends] == ["Rail", "Rail"]
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert sorted(row.name for row in scene.ferrule.ends) == ["Post", "Post", "Rail", "Rail"]


def test_the_wall_of_a_bare_surface_counts_with_refit_and_the_panel_says_so(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    put(scene, skin(ROUND, 300, "Skin"), Matrix.Translation((1, 0, 0)))
    hint = "Refit reads the ends with this wall."
    fit()
    assert hint not in " ".join(panel_words()["FERRULE_PT_closed_ends"])
    scene.ferrule.wall_mm = 2
    assert hint in " ".join(panel_words()["FERRULE_PT_closed_ends"])
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    assert sum(group.count for group in scene.ferrule.groups) == 4


def test_one_is_not_said_as_many(scene: bpy.types.Scene, capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    scene.ferrule.output.folder = str(tmp_path)
    fit()
    bpy.ops.ferrule.go_to_end(index=0)
    for work in (bpy.ops.ferrule.drop_end, bpy.ops.ferrule.fit, bpy.ops.ferrule.export):
        assert work() == {"FINISHED"}
    said = capfd.readouterr().out
    assert "2 open tube ends of 1 section\n" in said and "2 fittings of 1 kind, 2 new\n" in said
    assert "1 fitting of 1 kind\n" in said and "1 print file written" in said


def test_a_long_file_name_is_shown_whole_on_several_lines(scene: bpy.types.Scene, tmp_path: Path) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    scene.ferrule.output.folder, scene.ferrule.output.write_stl = str(tmp_path), True
    fit()
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    name = next(tmp_path.glob("*.stl")).name
    lines = panel_words()["FERRULE_PT_files"]
    assert len(name) > 33 and name in " ".join(lines) and not any(name in line for line in lines)
