# SPDX-License-Identifier: GPL-3.0-or-later
"""What becomes of the window's data: undo, saving, appending, switching the add-on on and off; and picking by hand."""

from __future__ import annotations

import ast
import json
import math
import re
import time
from pathlib import Path

import bpy
import numpy as np
import pytest
from mathutils import Matrix
from recipes import recipe_of
from test_ui_job import ROUND, SQUARE, corners, fit, put, tube

import addon
from addon.families.cap.recipe import Recipe
from addon.fields.declared import declared_in
from addon.files.parts import Part
from addon.files.stl import write_stl
from addon.geometry.developments import PlaneCut
from addon.geometry.frames import Frame
from addon.geometry.sections import Outline, Section
from addon.job.asked import Output, TubeFacts
from addon.takeoff import TubeEnd
from addon.trade.processes import Process, process_named, processes
from addon.ui import fields as ui_fields
from addon.ui import jobs, listing, looking, records, scene_ends, updating
from addon.ui.desk import active_fitted
from addon.ui.operators import adding
from addon.ui.placing import all_fittings, placed

PYTHON_PAGE = Path(__file__).parent.parent / "docs" / "python.md"


def scene_now() -> bpy.types.Scene:
    """Undo and loading replace what Python holds of a scene."""
    return bpy.context.scene


# Properties


@pytest.mark.parametrize(
    ("cls", "left_out"),
    [(Recipe, set()), (Process, {"name", "source", "from_memory"}), (TubeFacts, set()), (Output, {"formats"})],
)
def test_every_field_has_its_words_and_a_property(cls: type, left_out: set[str]) -> None:
    shown = ui_fields.labelled(cls)
    assert declared_in(cls).keys() - left_out == shown.keys()
    assert {ui_fields.stored_name(key) for key in shown} <= set(ui_fields.properties_of(cls))
    assert all(label.field.tip and not label.field.tip.endswith(".") for label in shown.values())


def test_the_scene_starts_with_the_usual_recipe_and_process(scene: bpy.types.Scene) -> None:
    job = jobs.job_of(scene)
    assert job.wishes[0].recipe == Recipe()
    assert job.process == process_named("Everyday, 0.2 mm layers")
    assert job.tube == TubeFacts()


@pytest.mark.parametrize("process", processes(), ids=lambda process: process.name)
def test_every_process_of_the_table_goes_through_the_properties_unchanged(
    scene: bpy.types.Scene, process: Process
) -> None:
    assert bpy.ops.ferrule.use_process(name=process.name) == {"FINISHED"}
    assert jobs.process_of(scene.ferrule.process) == process


def test_process_numbers_have_the_tables_limits(scene: bpy.types.Scene) -> None:
    known = scene.ferrule.process.bl_rna.properties
    limits = {key: field.field for key, field in declared_in(Process).items() if field.field.least is not None}
    for name, limit in limits.items():
        turn = math.radians if name.endswith("_deg") else float
        shown = known[ui_fields.stored_name(name)]
        assert shown.hard_min == pytest.approx(turn(limit.least))
        assert shown.hard_max == pytest.approx(turn(limit.most))


def test_a_recipe_comes_back_from_the_properties_to_the_last_digit(scene: bpy.types.Scene) -> None:
    recipe = recipe_of(
        crown="peaked", rise_mm=12.35, lip_mm=-0.15, spigot_mm=25.4, gap_mm=0.1, seam_angle_deg=45.5, hole="insert",
        thread="M6", groove_width_mm=3.175,
    )  # fmt: skip
    ui_fields.assign(scene.ferrule.recipe, recipe)
    assert jobs.recipe_of(scene.ferrule.recipe) == recipe


def test_ends_come_back_from_their_records_to_the_last_digit() -> None:
    outline = Outline.free(np.array([(0, 0), (30.1, 0), (17, 21.3)]))
    section = Section(outline, Outline("rectangle", 5, 4, 0.5, centre=(0.1, 0.2)))
    frame = Frame.along((1 / 3, 2e3, 3), (0.1, 0.2, 0.3))
    end = TubeEnd("Rail “ä”", section, frame, 30.0, 12.5, 99.25, "crossed", "Crossed by a bolt")
    again = records.end_from(records.end_text(end))
    assert records.end_text(again) == records.end_text(end)
    np.testing.assert_array_equal(again.frame.axes, frame.axes)
    np.testing.assert_array_equal(again.section.outer.points, outline.points)
    assert again.section.bore.like(section.bore, 0)


@pytest.mark.parametrize(("back", "cut"), [(12.5, PlaneCut(0.0, 0.0, -12.5)), (None, None)])
def test_ends_in_an_older_file_have_where_they_are_to_be_cut(back: float | None, cut: PlaneCut | None) -> None:
    square, frame = Section(Outline.circle(20), Outline.circle(16)), Frame(np.zeros(3), np.eye(3))
    record = json.loads(records.end_text(TubeEnd("Rail", square, frame, 0.0, 0.0, 50.0, "coped", "Runs into a post")))
    del record["to_cut"]
    assert records.end_from(json.dumps({**record, "cut_back_mm": back})).to_cut == cut


# Undo


def push(message: str) -> None:
    bpy.ops.ed.undo_push(message=message)


def test_undo_and_redo_past_the_making_of_fittings(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    push("Tube")
    fit()
    push("Fit")
    scene_now().ferrule.recipe.spigot_mm = 14
    push("Longer")
    longer = np.ptp(corners(next(iter(placed(scene_now()).values())))[:, 2])
    bpy.ops.ed.undo()
    scene = scene_now()
    assert scene.ferrule.recipe.spigot_mm == 8
    desk = updating.finish(scene)
    assert desk is not None and desk.job.wishes[0].recipe.spigot_mm == 8
    items = placed(scene)
    assert len(items) == 2
    assert np.ptp(corners(next(iter(items.values())))[:, 2]) == pytest.approx(longer - 0.006, abs=1e-6)
    bpy.ops.ed.undo()
    scene = scene_now()
    assert not all_fittings(scene) and not [mesh for mesh in bpy.data.meshes if mesh.ferrule.made_from]
    updating.finish(scene)
    assert not placed(scene)
    bpy.ops.ed.redo()
    bpy.ops.ed.redo()
    scene = scene_now()
    updating.finish(scene)
    assert scene.ferrule.recipe.spigot_mm == 14
    assert np.ptp(corners(next(iter(placed(scene).values())))[:, 2]) == pytest.approx(longer, abs=1e-6)


# Files


def test_saving_and_loading_keeps_the_job(scene: bpy.types.Scene, tmp_path: Path) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    scene.ferrule.recipe.crown = "flat"
    fit()
    path = str(tmp_path / "job.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=path)
    scene = scene_now()
    assert updating.desk_of(scene) is None  # results are not kept
    desk = updating.finish(scene)
    assert desk is not None and desk.fittings[0].made is not None
    assert desk.job.wishes[0].recipe.crown == "flat"
    assert len(placed(scene)) == 2
    scene.ferrule.recipe.spigot_mm = 11
    assert placed(scene)
    assert {item.data.ferrule.made_from for item in placed(scene).values()} == {
        updating.desk_of(scene).fittings[0].digest(1.0)
    }


def test_an_older_file_and_preset_keep_their_values_under_the_new_names(scene: bpy.types.Scene, tmp_path: Path) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    scene.ferrule.groups[0].own_recipe = True
    for group, key, number in (
        (scene.ferrule.recipe, "brim_mm", 1.5),
        (scene.ferrule.groups[0].recipe, "brim_mm", -0.5),
        (scene.ferrule.process, "solid_layers", 9),
        (scene.ferrule.process, "layer_pause_s", 8.0),
    ):
        # As Blender itself keeps them; from 5.0 on these are apart from the user's own properties.
        stored = group.bl_system_properties_get(do_create=True) if bpy.app.version >= (5, 0) else group
        stored[key] = number
    path = str(tmp_path / "old.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=path)
    ferrule = scene_now().ferrule
    assert (ferrule.recipe.lip_mm, ferrule.groups[0].recipe.lip_mm) == (1.5, -0.5)
    assert (ferrule.process.full_layers, ferrule.process.layer_change_s) == (9, 8.0)
    assert not ferrule.recipe.is_property_set("brim_mm")

    preset = tmp_path / "old.py"
    preset.write_text("import bpy\nbpy.context.scene.ferrule.recipe.brim_mm = 2.5\n")
    assert bpy.ops.ferrule.load_recipe(filepath=str(preset)) == {"FINISHED"}
    assert ferrule.recipe.lip_mm == 2.5


def test_appending_into_another_file_leaves_an_ordinary_object(scene: bpy.types.Scene, tmp_path: Path) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    name = next(iter(placed(scene).values())).name
    path = str(tmp_path / "from.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_homefile(use_empty=True)
    with bpy.data.libraries.load(path) as (inside, wanted):
        assert name in inside.objects
        wanted.objects = [name]
    scene = scene_now()
    item = wanted.objects[0]
    scene.collection.objects.link(item)
    assert not placed(scene) and updating.finish(scene) is None
    put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    fit()
    assert len(placed(scene)) == 2 and item.name in scene.objects
    bpy.context.view_layer.objects.active = item
    assert bpy.ops.ferrule.review_object() == {"FINISHED"}


def test_switching_on_and_off_a_hundred_times_leaves_nothing_behind() -> None:
    bpy.ops.wm.read_factory_settings(use_empty=True)

    def traces() -> tuple:
        return (
            sorted(name for name in dir(bpy.types) if "ferrule" in name.lower()),
            [hasattr(cls, "ferrule") for cls in (bpy.types.Scene, bpy.types.Object, bpy.types.Mesh)],
            [len(getattr(bpy.app.handlers, name)) for name in dir(bpy.app.handlers) if name.endswith(("pre", "post"))],
            len(bpy.types.TOPBAR_MT_file_export._dyn_ui_initialize()),
            len(bpy.types.VIEW3D_MT_mesh_add._dyn_ui_initialize()),
        )  # fmt: skip

    before = traces()
    for _ in range(100):
        addon.register()
        addon.unregister()
    assert traces() == before
    assert not hasattr(bpy.context.scene, "ferrule")


def test_a_file_with_fittings_survives_without_the_add_on(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    names = [item.name for item in placed(scene).values()]
    addon.unregister()
    try:
        assert all(len(bpy.data.objects[name].data.polygons) > 100 for name in names)
    finally:
        addon.register()
    assert updating.finish(scene_now()) is not None
    assert sorted(item.name for item in placed(scene_now()).values()) == sorted(names)


# By hand


def select_rim(item: bpy.types.Object, top: float, edges: bool = False) -> None:
    """The faces, or the edges, that lie at the top of a mesh."""
    import bmesh  # there once bpy is

    bpy.context.view_layer.objects.active = item
    bpy.ops.object.mode_set(mode="EDIT")
    work = bmesh.from_edit_mesh(item.data)
    work.select_mode = {"EDGE"} if edges else {"FACE"}
    for face in work.faces:
        face.select_set(not edges and all(abs(vert.co.z - top) < 1e-7 for vert in face.verts))
    if edges:
        for edge in work.edges:
            on_top = all(abs(vert.co.z - top) < 1e-7 for vert in edge.verts)
            edge.select_set(on_top and sum(abs(face.normal.z) > 0.9 for face in edge.link_faces) == 1)
    bmesh.update_edit_mesh(item.data)


@pytest.mark.parametrize("edges", [False, True], ids=["faces", "edge loops"])
@pytest.mark.parametrize("section", [ROUND, SQUARE], ids=["round", "square"])
def test_a_rim_picked_in_edit_mode_takes_a_fitting(scene: bpy.types.Scene, section: Section, edges: bool) -> None:
    item = put(scene, tube(section, 300, "Post"), Matrix.Translation((0, 0, 1)) @ Matrix.Rotation(0.5, 4, "X"))
    bpy.context.view_layer.update()
    select_rim(item, 0.3, edges)
    assert bpy.ops.ferrule.pick_end() == {"FINISHED"}
    bpy.ops.object.mode_set(mode="OBJECT")
    end = records.end_from(scene.ferrule.ends[0].record)
    assert end.section.like(section, 0.02)
    top = item.matrix_world @ Matrix.Translation((0, 0, 0.3)).translation
    np.testing.assert_allclose(end.frame.origin / 1000, top, atol=1e-6)
    np.testing.assert_allclose(end.frame.z, item.matrix_world.to_3x3().col[2], atol=1e-6)
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    assert len(placed(scene)) == 1
    item.location.x = 2
    bpy.context.view_layer.update()
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    hand = [line for line in scene.ferrule.ends if line.by_hand]
    assert len(hand) == 1 and records.end_from(hand[0].record).frame.origin[0] == pytest.approx(2000, abs=1e-3)


def test_a_selection_that_is_no_rim_is_refused(scene: bpy.types.Scene) -> None:
    item = put(scene, tube(ROUND, 300, "Post"))
    bpy.context.view_layer.objects.active = item
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="DESELECT")
    with pytest.raises(RuntimeError, match="no closed outline"):
        bpy.ops.ferrule.pick_end()
    bpy.ops.object.mode_set(mode="OBJECT")


def test_a_fitting_from_the_size_tables(scene: bpy.types.Scene) -> None:
    scene.cursor.location = (1, 2, 3)
    assert bpy.ops.ferrule.add_fitting(family="Pipe", size="NPS 2 Sch 40", crown="flat", spigot_mm=15) == {"FINISHED"}
    items = list(placed(scene).values())
    assert len(items) == 1
    size = np.ptp(corners(items[0]), axis=0) * 1000
    np.testing.assert_allclose(size[:2], (60.3, 60.3), atol=0.1)  # NPS 2: 60.3 mm outside (ASME B36.10M)
    assert tuple(round(x, 6) for x in items[0].location) == (1, 2, 3)
    fit_again = bpy.ops.ferrule.fit()
    assert fit_again == {"FINISHED"} and len(placed(scene)) == 1


def test_the_size_chooser_finds_names_by_their_parts() -> None:
    every = adding._matching("Square tube, metric", "")
    assert len(every) > 300 and adding._matching("Square tube, metric", "40 × 40 × 3") == every
    for typed in ("40x40 3", "40 3", "× 40 3"):
        found = [name for name, _ in adding._matching("Square tube, metric", typed)]
        assert "40 × 40 × 3" in found and len(found) < len(every) / 5
    assert adding._matching("Square tube, metric", "nps") == []
    start = time.perf_counter()
    for family, _, _ in adding._families():
        adding._matching(family, "25")
    assert time.perf_counter() - start < 1


def test_the_family_decides_the_corners_of_an_added_size(scene: bpy.types.Scene) -> None:
    assert bpy.ops.ferrule.add_fitting(family="Square tube, metric", size="40 x 40 x 3") == {"FINISHED"}
    scene.cursor.location = (1, 0, 0)
    extruded = "Aluminium square and rectangular tube, metric"
    assert bpy.ops.ferrule.add_fitting(family=extruded, size="40 × 40 × 3") == {"FINISHED"}
    ends = [records.end_from(line.record) for line in scene.ferrule.ends]
    assert [end.section.outer.corner_radius for end in ends] == [6, 0]
    assert [scene_ends._sized(end).metal for end in ends] == ["carbon steel", "aluminium"]
    scene.cursor.location = (2, 0, 0)
    assert bpy.ops.ferrule.add_fitting(family="Pipe") == {"FINISHED"}
    assert scene.ferrule.ends[2].name == "NPS ⅛ Sch 10"
    with pytest.raises(RuntimeError, match=r"no tube size is called '40 × 40 × 3.3'; nearest: '40 × 40"):
        bpy.ops.ferrule.add_fitting(size="40 × 40 × 3.3")


# Recipes, processes, the user's own meshes


def test_recipes_are_saved_and_loaded_as_presets(scene: bpy.types.Scene, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("BLENDER_USER_SCRIPTS", str(tmp_path))
    recipe = scene.ferrule.recipe
    recipe.crown, recipe.rise_mm_auto, recipe.rise_mm = "peaked", False, 9.5
    assert bpy.ops.ferrule.save_recipe(name="Our cap") == {"FINISHED"}
    file = next(Path(bpy.utils.user_resource("SCRIPTS", path="presets/ferrule/recipe")).glob("Our_cap.py"))
    assert bpy.ops.ferrule.reset_recipe() == {"FINISHED"}
    assert jobs.recipe_of(recipe) == Recipe()
    assert bpy.ops.ferrule.load_recipe(filepath=str(file)) == {"FINISHED"}
    assert jobs.recipe_of(recipe) == Recipe(crown="peaked", rise_mm=9.5)
    file.unlink()


def test_a_process_is_kept_in_the_shop_book(scene: bpy.types.Scene, tmp_path: Path, monkeypatch) -> None:
    from addon.ui import shop

    monkeypatch.setattr(shop, "book_path", lambda: tmp_path / "book.toml")
    scene.ferrule.process.layer_mm = 0.17
    assert bpy.ops.ferrule.save_process(name="Seventeen") == {"FINISHED"}
    bpy.ops.ferrule.use_process(name="Everyday, 0.2 mm layers")
    assert scene.ferrule.process.layer_mm == pytest.approx(0.2)
    assert bpy.ops.ferrule.use_process(name="Seventeen") == {"FINISHED"}
    assert scene.ferrule.process.layer_mm == pytest.approx(0.17)
    with pytest.raises(RuntimeError, match="name of a table process"):
        bpy.ops.ferrule.save_process(name="Everyday, 0.2 mm layers")


def test_a_mesh_of_the_users_own_is_reviewed_and_exported(scene: bpy.types.Scene, tmp_path: Path) -> None:
    trimesh = pytest.importorskip("trimesh")
    scene.unit_settings.scale_length = 0.001
    bpy.ops.mesh.primitive_cube_add(size=20, location=(5, 5, 50))
    assert bpy.ops.ferrule.review_object() == {"FINISHED"}
    subject = looking.subject_of(bpy.context)
    assert subject is not None and subject.review is not None and subject.review.printed is not None
    np.testing.assert_allclose(subject.review.mesh.size, (20, 20, 20), atol=1e-5)
    np.testing.assert_allclose(subject.matrix @ (0, 0, 0, 1), (5, 5, 40, 1), atol=1e-5)
    scene.ferrule.output.folder = str(tmp_path)
    scene.ferrule.output.write_stl = True
    assert bpy.ops.ferrule.export_object() == {"FINISHED"}
    assert trimesh.load(next(tmp_path.glob("*.stl"))).volume == pytest.approx(8000, rel=1e-6)
    assert next(tmp_path.glob("*.3mf"))


def test_a_review_does_not_outlast_its_mesh(scene: bpy.types.Scene) -> None:
    scene.unit_settings.scale_length = 0.001
    bpy.ops.mesh.primitive_cube_add(size=20)
    item = bpy.context.active_object
    bpy.ops.ferrule.review_object()
    item.select_set(False)
    bpy.context.view_layer.update()
    assert looking.subject_of(bpy.context) is not None and listing.findings
    item.data.vertices[0].co.x -= 5
    item.data.update()
    bpy.context.view_layer.update()
    assert looking.subject_of(bpy.context) is None and not listing.findings


def test_undoing_something_else_leaves_results_usable(scene: bpy.types.Scene) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    fit()
    push("Fit")
    post.location.x = 3
    push("Move")
    bpy.ops.ed.undo()
    scene = scene_now()
    updating.finish(scene)
    scene.ferrule.recipe.spigot_mm = 12
    item = next(iter(placed(scene).values()))
    assert np.ptp(corners(item)[:, 2]) == pytest.approx(0.0126 + 0.012, abs=1e-6)  # on layers of 0.2 mm


def test_findings_lead_to_their_fitting_and_layer(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    fit()
    assert len(bpy.context.window_manager.ferrule.findings) == len(listing.findings) > 0
    index = next(i for i, finding in enumerate(listing.findings) if finding.layer and finding.fitting == "F2")
    assert bpy.ops.ferrule.go_to_finding(index=index) == {"FINISHED"}
    assert scene.ferrule.view.layer == listing.findings[index].layer
    assert active_fitted(scene, updating.desk_of(scene)).batch.id == "F2"


def test_fittings_are_checked_in_their_tubes(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    scene.ferrule.recipe.gap_mm_auto = False
    scene.ferrule.recipe.gap_mm = 0.2
    fit()
    before = len(listing.findings)
    assert bpy.ops.ferrule.check_in_place() == {"FINISHED"}
    desk = updating.desk_of(scene)
    assert desk is not None
    assert len(listing.findings) == before + len(desk.fittings[0].in_place)


def test_the_plate_is_laid_out_and_forgotten_when_the_recipe_changes(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    scene.ferrule.output.spares = 2
    fit()
    assert bpy.ops.ferrule.lay_out() == {"FINISHED"}
    desk = updating.desk_of(scene)
    assert desk is not None and desk.laid_out is not None and len(desk.laid_out.plates.placements) == 4
    scene.ferrule.recipe.spigot_mm = 9
    assert updating.desk_of(scene).laid_out is None


def test_every_operator_explains_itself_and_undoes_what_it_changes(scene: bpy.types.Scene) -> None:
    operators = [cls for cls in bpy.types.Operator.__subclasses__() if cls.__module__.startswith("addon.ui.operators")]
    assert len(operators) > 15
    for cls in operators:
        told = cls.__doc__ or cls.bl_rna.description
        assert told and not told.strip().endswith("."), cls
        assert "REGISTER" in cls.bl_options, cls


def test_the_shop_book_counts_where_it_is_asked_for(scene: bpy.types.Scene, tmp_path: Path, monkeypatch) -> None:
    from addon.bench.shop_entries import FitReading
    from addon.bench.shop_file import update_book
    from addon.ui import shop

    monkeypatch.setattr(shop, "book_path", lambda: tmp_path / "book.toml")
    process = scene.ferrule.process.called
    reading = FitReading("first", process, "round", "1 in x 1/8 in", 0.2, 0.26)
    update_book(shop.book_path(), lambda book: book.with_entry(reading))
    put(scene, tube(ROUND, 300, "Post"))
    fit()

    def spigot() -> float:
        return updating.finish(scene).fittings[0].fitting.profile.spigot_outline.width

    before = spigot()
    scene.ferrule.use_shop_book = True
    assert spigot() == pytest.approx(before - 2 * 0.06, abs=1e-6)  # 0.06 mm a side, by hand
    scene.ferrule.process.called = "Another"
    assert spigot() == pytest.approx(before, abs=1e-6)


def test_a_process_that_cannot_be_is_told_and_not_exported(scene: bpy.types.Scene, tmp_path: Path) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    scene.ferrule.output.folder = str(tmp_path)
    scene.ferrule.process.bead_max_mm = 0.2
    assert "bead_mm is 0.48 mm" in updating.desk_of(scene).problem
    with pytest.raises(RuntimeError, match=r"Bead is 0\.48 mm"):
        bpy.ops.ferrule.export()
    assert not list(tmp_path.iterdir())
    scene.ferrule.process.bead_max_mm = 0.6
    scene.ferrule.tube.coldest_c = 90
    assert "swap" in updating.desk_of(scene).problem


def test_a_plastic_of_no_table_is_said_beside_the_fitting(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    scene.ferrule.process.material = "Unobtainium"
    desk = updating.finish(scene)
    assert desk is not None and "Unobtainium" in desk.fittings[0].problem
    scene.ferrule.process.material = "PETG"
    assert updating.finish(scene).fittings[0].made is not None


def test_a_fit_ladder_is_printed_where_it_is_asked_for(scene: bpy.types.Scene, tmp_path: Path) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    scene.ferrule.groups[0].fit_ladder = True
    scene.ferrule.output.folder = str(tmp_path)
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    assert any("ladder" in file.name for file in tmp_path.iterdir())


def test_the_script_of_the_page_on_python_runs_as_printed(
    scene: bpy.types.Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a scene that was never saved."""
    (script,) = re.findall(r"```python\n(.*?)```", PYTHON_PAGE.read_text(encoding="utf-8"), re.DOTALL)
    monkeypatch.chdir(tmp_path)
    write_stl(tmp_path / "frame", Part("Post", tube(ROUND, 300, "Post")))
    (tmp_path / "frame_mm.stl").rename("frame.stl")
    assert not bpy.data.filepath
    exec(compile(script, PYTHON_PAGE.name, "exec"), {})
    desk = updating.desk_of(scene)
    assert desk is not None and desk.result is not None and desk.result.files
    result = json.loads((tmp_path / "caps" / "result.json").read_text("utf-8"))
    assert [end["section"]["size_name"] for end in result["ends"]] == 2 * ["1 in × 1/8 in"]
    assert list((tmp_path / "caps").glob("*.3mf"))


def test_the_page_on_python_names_every_operator_and_its_arguments(scene: bpy.types.Scene) -> None:
    page = PYTHON_PAGE.read_text(encoding="utf-8")
    rows = re.findall(r"^\| (`.*?) \|", page, re.MULTILINE)
    named = dict(re.findall(r"`(\w+)\((.*?)\)`", " ".join(rows)))
    operators = {name for name in dir(bpy.ops.ferrule) if not name.startswith("_")}
    assert len(operators) > 20
    assert set(named) == operators
    for name, arguments in named.items():
        known = getattr(bpy.ops.ferrule, name).get_rna_type().properties
        for argument in filter(None, arguments.split(", ")):
            argument, _, default = argument.partition("=")
            assert argument == "…" or argument in known, (name, argument)
            assert not default or known[argument].default == ast.literal_eval(default), (name, argument)


def test_findings_are_listed_of_what_is_looked_at(scene: bpy.types.Scene) -> None:
    """Of the user's own mesh while it is selected, else of the fittings."""

    def listed() -> set[str]:
        bpy.context.view_layer.update()
        return {row.fitting for row in bpy.context.window_manager.ferrule.findings}

    put(scene, tube(ROUND, 300, "Post"))
    fit()
    assert updating.finish(scene) is not None and listed() == {"F1"}
    bpy.ops.mesh.primitive_cone_add(radius1=0.03, radius2=0.004, depth=0.06, location=(0.3, 0, 0))
    item = bpy.context.object
    item.name = "Own"
    assert bpy.ops.ferrule.review_object() == {"FINISHED"}
    assert listed() == {"Own"}
    updating.changed(updating.desk_of(scene))
    assert listed() == {"Own"}
    bpy.ops.ferrule.go_to_end(index=0)
    assert listed() == {"F1"}
    bpy.context.view_layer.objects.active = item
    item.select_set(True)
    assert listed() == {"Own"}
    bpy.data.objects.remove(item)
    assert listed() == {"F1"}
