# SPDX-License-Identifier: GPL-3.0-or-later
"""What operators and properties make of input that makes no sense: one sentence, and nothing lost."""

from __future__ import annotations

import copy
import errno
import json
import math
import os
import re
from collections.abc import Iterator
from pathlib import Path

import bpy
import pytest
from panel_words import panel_words
from test_ui_job import ROUND, fit, put, tube

from addon.files.atomic import UNFINISHED
from addon.ui import listing, looking, updating
from addon.ui.placing import all_fittings


@pytest.fixture
def post(scene: bpy.types.Scene) -> bpy.types.Object:
    """A tube with its fittings."""
    item = put(scene, tube(ROUND, 300, "Post"))
    fit()
    return item


def refused(operator: str, /, *words: str, **arguments: object) -> None:
    """That the operator refuses with one sentence that has these words, and no traceback."""
    with pytest.raises(RuntimeError) as error:
        getattr(bpy.ops.ferrule, operator)(**arguments)
    said = str(error.value)
    assert "Traceback" not in said and said.strip().count("\n") <= 1, said
    assert all(word in said for word in words), said


def test_an_angle_is_set_in_degrees(scene: bpy.types.Scene, post: bpy.types.Object) -> None:
    """As the button beside a refused angle does; 360° are 2π."""
    recipe = scene.ferrule.recipe
    recipe.seam_relief, recipe.seam_angle = "flat", math.radians(400)
    refusal = updating.desk_of(scene).fittings[0].refusal
    assert refusal.field == "seam_angle_deg" and refusal.works == 360
    bpy.ops.ferrule.set_number(field=refusal.field, value=str(refusal.works))
    assert recipe.seam_angle == pytest.approx(2 * math.pi)
    assert updating.desk_of(scene).fittings[0].refusal is None


@pytest.mark.parametrize("value", ["inf", "-inf", "nan", "1e400", "1e30", "many", ""])
def test_numbers_that_are_none_are_not_set(scene: bpy.types.Scene, value: str) -> None:
    before = scene.ferrule.recipe.groove_count
    refused("set_number", "Grooves cannot be", field="groove_count", value=value)
    assert scene.ferrule.recipe.groove_count == before
    if value != "1e30":
        refused("set_number", "Rise cannot be", field="rise_mm", value=value)
        assert scene.ferrule.recipe.rise_mm_auto


def test_exporting_to_a_folder_that_cannot_be(scene: bpy.types.Scene, post: bpy.types.Object, tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    refused("export", "a part of the path is a file", directory=str(tmp_path / "file" / "caps"))
    scene.ferrule.output.folder = ""
    refused("export", "No folder is chosen")
    assert bpy.ops.ferrule.export(directory=str(tmp_path)) == {"FINISHED"}
    assert list(tmp_path.glob("*.3mf"))


def test_a_preset_that_cannot_be_loaded(scene: bpy.types.Scene, tmp_path: Path) -> None:
    refused("load_recipe", "does not exist", filepath=str(tmp_path / f"{300 * 'x'}.py"))
    text = tmp_path / "preset.txt"
    text.touch()
    refused("load_recipe", "cannot be loaded", "preset.txt", filepath=str(text))
    half = tmp_path / "half.py"
    half.write_text("import bpy\nrecipe = bpy.context.scene.ferrule.recipe\nrecipe.spigot_mm = 11\nrecipe.crown = 1\n")
    refused("load_recipe", "completely", filepath=str(half))


def test_a_preset_that_cannot_be_saved(scene: bpy.types.Scene, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("BLENDER_USER_SCRIPTS", str(tmp_path))

    def locked(path: object, *how: object, **more: object) -> None:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), path)

    with monkeypatch.context() as patched:
        patched.setattr("builtins.open", locked)
        refused("save_recipe", "was not saved", "Permission denied", name="Ours")


def test_a_scene_that_is_linked_is_left_alone(
    scene: bpy.types.Scene, post: bpy.types.Object, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """Writing to the mesh of a fitting in it would crash Blender."""
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "post.blend"))
    bpy.ops.wm.read_homefile(use_empty=True)
    with bpy.data.libraries.load(str(tmp_path / "post.blend"), link=True) as (inside, wanted):
        wanted.scenes = list(inside.scenes)
    linked = bpy.context.window.scene = wanted.scenes[0]
    meshes = {mesh.name: len(mesh.vertices) for mesh in bpy.data.meshes}
    linked.ferrule.recipe.crown = "peaked"
    assert updating.finish(linked).fittings[0].made is not None
    for operator in ("read_ends", "fit", "refit", "add_fitting"):
        refused(operator, "linked from another file")
    assert meshes == {mesh.name: len(mesh.vertices) for mesh in bpy.data.meshes}
    assert "Traceback" not in capfd.readouterr().err


def test_a_job_file_that_cannot_be_written_leaves_the_one_before(
    scene: bpy.types.Scene, post: bpy.types.Object, tmp_path: Path
) -> None:
    refused("write_job", "No file is chosen")
    path = tmp_path / "job.toml"
    bpy.ops.ferrule.write_job(filepath=str(path))
    before = path.read_bytes()
    (tmp_path / "job assembly.blend").unlink()
    (tmp_path / "job assembly.blend").mkdir()
    refused("write_job", "was not written", filepath=str(path))
    assert path.read_bytes() == before and not list(tmp_path.glob(UNFINISHED))
    refused("write_job", "a folder has that name", filepath=str(tmp_path))


@pytest.mark.parametrize("name", ["layer_mm", "bead_mm", "tolerance_mm", "overhang"])
def test_a_process_that_cannot_be_is_not_reviewed_with(
    scene: bpy.types.Scene, post: bpy.types.Object, tmp_path: Path, name: str, capfd: pytest.CaptureFixture[str]
) -> None:
    scene.ferrule.output.folder = str(tmp_path)
    before = getattr(scene.ferrule.process, name)
    setattr(scene.ferrule.process, name, math.nan)
    desk = updating.finish(scene)
    assert "is not valid" in desk.fittings[0].problem and not desk.waiting and not listing.findings
    shown = " ".join(word for panel in ("verdict", "review") for word in panel_words()[f"FERRULE_PT_{panel}"])
    assert "Not reviewed. The process is not valid" in shown and "No findings" not in shown
    bpy.context.view_layer.objects.active = post
    for operator in ("review_object", "export_object", "export"):
        refused(operator, "nan")
    assert not list(tmp_path.iterdir()) and "Traceback" not in capfd.readouterr().err
    setattr(scene.ferrule.process, name, before)
    assert updating.finish(scene).fittings[0].made is not None and listing.findings


def test_names_of_all_kinds_stay_as_they_are(scene: bpy.types.Scene, tmp_path: Path) -> None:
    put(scene, tube(ROUND, 300, 'a/b\\c "0.2 mm" “1 in” {x} 🍕'))
    fit()
    assert bpy.ops.ferrule.export(directory=str(tmp_path)) == {"FINISHED"}
    assert all(not re.search(r'[<>:"/\\|?*]', file.name) for file in tmp_path.iterdir())


# What is listed is never of something else


def rows() -> int:
    """How many findings the window's list shows."""
    bpy.context.view_layer.update()
    shown = len(listing.listed(bpy.context))
    assert shown == len(bpy.context.window_manager.ferrule.findings)
    return shown


def test_a_scene_without_ends_lists_no_findings_of_another(scene: bpy.types.Scene, post: bpy.types.Object) -> None:
    updating.finish(scene)
    assert rows()
    bpy.context.window.scene = bpy.data.scenes.new("Other")
    assert not rows()
    bpy.context.window.scene = scene
    assert rows()
    post.scale = (1e-3, 1e-3, 1e-3)
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert scene.ferrule.doubt and not scene.ferrule.ends and not rows()


def test_another_file_lists_its_own_findings(scene: bpy.types.Scene, post: bpy.types.Object, tmp_path: Path) -> None:
    updating.finish(scene)
    before = rows()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "post.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "post.blend"))
    assert not rows()
    updating.finish(bpy.context.scene)
    assert rows() == before
    bpy.ops.wm.read_homefile(use_empty=True)
    assert not rows()


@pytest.mark.parametrize("change", ["process", "unit", "undo"])
def test_a_review_of_a_mesh_does_not_outlast_its_process_and_unit(scene: bpy.types.Scene, change: str) -> None:
    bpy.context.view_layer.objects.active = put(scene, tube(ROUND, 300, "Post"))
    bpy.ops.ed.undo_push(message="Post")
    if change == "undo":
        scene.ferrule.process.overhang = math.radians(20)
        bpy.ops.ed.undo_push(message="Overhang")
    bpy.ops.ferrule.review_object()
    assert rows()
    if change == "process":
        scene.ferrule.process.overhang = math.radians(20)
    elif change == "unit":
        scene.unit_settings.scale_length = 0.001
        bpy.context.view_layer.objects.active.update_tag(refresh={"TIME"})
    else:
        bpy.ops.ed.undo()
    assert not rows() and looking.subject_of(bpy.context) is None


def test_a_section_that_is_not_there_is_not_chosen(scene: bpy.types.Scene, post: bpy.types.Object) -> None:
    for index in (-7, 7):
        scene.ferrule.group_index = index
        assert scene.ferrule.group_index == 0 and panel_words()


def test_refit_where_no_end_is_left(scene: bpy.types.Scene, post: bpy.types.Object) -> None:
    post.scale = (0, 0, 0)
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    assert not all_fittings(scene) and not scene.ferrule.ends


# What was written before, and is damaged now


def places(record: object, path: tuple = ()) -> Iterator[tuple]:
    """The way to everything in a record; of a list to its first entry."""
    yield path
    if isinstance(record, dict):
        for key, value in record.items():
            yield from places(value, (*path, key))
    elif isinstance(record, list) and record:
        yield from places(record[0], (*path, 0))


def test_a_damaged_result_is_refused(
    scene: bpy.types.Scene, post: bpy.types.Object, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever of it is gone or of another kind, operators take it or say so in a sentence."""
    from addon.ui import shop
    from addon.ui.operators.learning import ladders_written

    monkeypatch.setattr(shop, "book_path", lambda: tmp_path / "book.toml")
    scene.ferrule.output.folder = str(tmp_path)
    scene.ferrule.groups[0].fit_ladder = True
    bpy.ops.ferrule.export()
    (ladder,) = ladders_written(scene)
    path = tmp_path / "result.json"
    sound = json.loads(path.read_text("utf-8"))
    read = {key: sound[key] for key in ("format", "process", "quantities", "fit_ladders")}
    damaged = [100_000 * "["]
    for way in places(read):
        for value in (None, "x", [], [None]):
            record = {"whole": copy.deepcopy(read)}
            holder = record
            for key in ("whole", *way)[:-1]:
                holder = holder[key]
            holder[("whole", *way)[-1]] = value
            damaged.append(json.dumps(record["whole"]))
    for text in damaged:
        path.write_text(text, "utf-8")
        (tmp_path / "book.toml").unlink(missing_ok=True)
        for operator, reading in (("enter_fit", {"ladder": ladder, "step": "0.20"}), ("enter_print", {"used_g": 5.0})):
            try:
                getattr(bpy.ops.ferrule, operator)(**reading)
            except RuntimeError as error:
                assert "Traceback" not in str(error), (text, error)
    path.write_text(json.dumps(sound), "utf-8")
    assert bpy.ops.ferrule.enter_fit(ladder=ladder, step="0.20") == {"FINISHED"}
