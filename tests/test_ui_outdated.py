# SPDX-License-Identifier: GPL-3.0-or-later
"""What the panel says once the scene is not as it was read any more."""

from __future__ import annotations

from pathlib import Path

import bpy
import pytest
from mathutils import Matrix
from panel_words import panel_words
from test_ui_job import ROUND, SQUARE, fit, put, tube

from addon.fields.messages import message_from
from addon.ui import updating
from addon.ui.outdated import outdated
from addon.ui.placing import placed
from addon.ui.records import end_of, notes_from


def words() -> str:
    bpy.context.view_layer.update()
    return " ".join(panel_words()["FERRULE_PT_verdict"])


@pytest.fixture
def post(scene: bpy.types.Scene) -> bpy.types.Object:
    item = put(scene, tube(ROUND, 300, "Post"), Matrix.Translation((3, 0, 0)))
    put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((40, 0, 0)))
    bpy.context.view_layer.update()
    fit()
    return item


def test_moved_tubes_are_said_with_refit_beside_them(scene: bpy.types.Scene, post: bpy.types.Object) -> None:
    assert "moved" not in words()
    post.location.z += 0.0002
    assert "2 ends have moved with the tubes since they were read." in words()
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    assert "moved" not in words()
    post.location.z += 2e-5
    assert "moved" not in words()


def test_tubes_that_are_gone_are_said(scene: bpy.types.Scene, post: bpy.types.Object) -> None:
    scene.collection.objects.unlink(post)
    assert "The tubes of 2 ends are gone since they were read." in words()


def test_a_deleted_fitting_is_said_and_can_be_left_out(scene: bpy.types.Scene, post: bpy.types.Object) -> None:
    item = scene.ferrule.ends[0].fitting
    scene.collection.children["Fittings"].objects.unlink(item)
    assert "1 fitting was deleted from the scene" in words() and len(outdated(scene).deleted) == 1
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    assert "deleted" not in words() and len(placed(scene)) == 4
    scene.collection.children["Fittings"].objects.unlink(scene.ferrule.ends[0].fitting)
    words()
    assert bpy.ops.ferrule.drop_deleted() == {"FINISHED"}
    assert "deleted" not in words()
    assert len(scene.ferrule.ends) == 3 and updating.finish(scene).copies == 3
    assert not bpy.ops.ferrule.drop_deleted.poll()


def test_a_hidden_assembly_is_said_to_be_hidden(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post")).hide_render = True
    with pytest.raises(RuntimeError, match=r'hidden: "Post"\. Show it and read again'):
        bpy.ops.ferrule.read_ends(whole_scene=True)


def test_a_stretched_tube_is_said_to_be_stretched(scene: bpy.types.Scene) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    rail = put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    post.scale, rail.scale = (2, 1, 1), (2, 2, 2)
    bpy.context.view_layer.update()
    bpy.ops.ferrule.read_ends(whole_scene=True)
    (said,) = [note for note in notes_from(scene.ferrule.notes) if "stretched" in note]
    assert said.startswith('"Post" is stretched, 2 × 1 × 1 in x, y and z, and was read so')
    ends = [end_of(line).section.outer for line in scene.ferrule.ends]
    assert sorted(round(outline.width, 1) for outline in ends) == [50.8, 50.8, 80.0, 80.0]
    assert all(message_from(line.reason) == "" for line in scene.ferrule.ends)


def test_an_edited_mesh_is_said_with_refit_beside_it(scene: bpy.types.Scene, post: bpy.types.Object) -> None:
    bpy.context.view_layer.objects.active = post
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.object.mode_set(mode="OBJECT")
    assert "edited" not in words() and not outdated(scene).said
    for vertex in post.data.vertices:
        vertex.co.z *= 1.5
    post.data.update()
    assert '"Post" was edited since the ends were read.' in words()
    assert "Refit" in panel_words()["FERRULE_PT_verdict"]
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    assert "edited" not in words()
    assert sorted({round(end_of(line).frame.origin[2]) for line in scene.ferrule.ends}) == [0, 300, 450]
    post.data.vertices[0].co.z += 1
    post.data.update()
    assert "edited" in words()
    post.data.vertices[0].co.z -= 1
    post.data.update()
    assert "edited" not in words()


def test_an_edited_mesh_is_still_said_to_be_edited_after_the_file_was_loaded(
    scene: bpy.types.Scene, post: bpy.types.Object, tmp_path: Path
) -> None:
    post.data.vertices[0].co.z += 1
    post.data.update()
    assert "edited" in words()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "posts.blend"))
    updating.finish(load(tmp_path))
    assert '"Post" was edited since the ends were read.' in words()
    bpy.ops.wm.save_mainfile()
    updating.finish(load(tmp_path))
    assert "edited" in words()
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    assert "edited" not in words()
    bpy.ops.wm.save_mainfile()
    updating.finish(load(tmp_path))
    assert "edited" not in words()


def load(folder: Path) -> bpy.types.Scene:
    bpy.ops.wm.open_mainfile(filepath=str(folder / "posts.blend"))
    return bpy.context.scene
