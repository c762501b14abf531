# SPDX-License-Identifier: GPL-3.0-or-later
"""Ends picked by hand in Edit Mode: they follow their tubes, and a job file without a window comes to the same files.

Where an end has to be is checked against the construction of its tube; what a job file comes to is checked against the
window's own export, its files byte for byte.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator
from pathlib import Path

import bpy
import numpy as np
import pytest
from manifold3d import Manifold
from mathutils import Matrix
from test_ui_job import ROUND, SQUARE, corners, put, tube
from test_ui_life import push, scene_now, select_rim

import addon
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.jobfile import read_job
from addon.takeoff import TubeEnd
from addon.ui import records, scene_ends
from addon.ui.command_line import main
from addon.ui.placing import placed

import bmesh  # isort: skip  (there once bpy is)

pytestmark = pytest.mark.usefixtures("read_here")

SMALL = Section.round(38.1, 1.65)


def pick(item: bpy.types.Object, top: float, **settings: float) -> None:
    bpy.context.view_layer.update()
    select_rim(item, top)
    finish_pick(**settings)


def pick_outline(item: bpy.types.Object, top: float, **settings: float) -> None:
    """The edges at the top of a mesh that has nothing else there."""
    bpy.context.view_layer.objects.active = item
    bpy.ops.object.mode_set(mode="EDIT")
    work = bmesh.from_edit_mesh(item.data)
    work.select_mode = {"EDGE"}
    for face in work.faces:
        face.select_set(False)
    for edge in work.edges:
        edge.select_set(all(vert.co.z > top - 1e-7 for vert in edge.verts))
    bmesh.update_edit_mesh(item.data)
    finish_pick(**settings)


def pick_all_above(item: bpy.types.Object, z: float) -> None:
    bpy.context.view_layer.objects.active = item
    bpy.ops.object.mode_set(mode="EDIT")
    work = bmesh.from_edit_mesh(item.data)
    for face in work.faces:
        face.select_set(all(vert.co.z > z for vert in face.verts))
    bmesh.update_edit_mesh(item.data)
    finish_pick()


def finish_pick(**settings: float) -> None:
    try:
        assert bpy.ops.ferrule.pick_end(**settings) == {"FINISHED"}
    finally:
        bpy.ops.object.mode_set(mode="OBJECT")


def refit() -> None:
    bpy.context.view_layer.update()
    assert bpy.ops.ferrule.refit() == {"FINISHED"}


def read() -> None:
    bpy.context.view_layer.update()
    assert bpy.ops.ferrule.read_ends(whole_scene=True) == {"FINISHED"}


def by_hand() -> list[TubeEnd]:
    return [records.end_from(line.record) for line in scene_now().ferrule.ends if line.by_hand]


def alone(scene: bpy.types.Scene) -> None:
    """Nothing is read but what was picked."""
    scene.ferrule.whole_scene = False
    scene.ferrule.sources.clear()


def read_again(scene: bpy.types.Scene) -> None:
    bpy.context.view_layer.update()
    for _ in scene_ends.read(scene, bpy.context.evaluated_depsgraph_get, iter):
        pass


def outside() -> Mesh:
    """Only the outer surface of a tube, without ends."""
    solid = Mesh.from_manifold(Manifold.cylinder(300, 19.05, 19.05, 48), "Skin")
    normals = np.cross(*(solid.vertices[solid.triangles[:, i]] - solid.vertices[solid.triangles[:, 0]] for i in (1, 2)))
    return Mesh(solid.vertices, solid.triangles[np.abs(normals[:, 2]) < 1e-6], "Skin")


def edit(item: bpy.types.Object) -> Iterator[bmesh.types.BMesh]:
    work = bmesh.new()
    work.from_mesh(item.data)
    yield work
    work.to_mesh(item.data)
    work.free()


# Following the tube


@pytest.mark.parametrize(
    ("matrix", "section"),
    [
        (Matrix.Translation((1, 2, 3)) @ Matrix.Rotation(0.7, 4, (1, 1, 0)), ROUND),
        (Matrix.Diagonal((-1, 1, 1, 1)) @ Matrix.Rotation(0.4, 4, "X"), ROUND),
        (Matrix.Translation((0, 0, 1)) @ Matrix.Diagonal((1.5, 1.5, 2, 1)), Section.round(1.5 * 25.4, 1.5 * 3.175)),
    ],
    ids=["moved and turned", "mirrored", "scaled"],
)
def test_a_picked_end_follows_its_tube_and_is_read_again(scene: bpy.types.Scene, matrix: Matrix, section) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    pick(post, 0.3)
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    key, item = next(iter(placed(scene).items()))
    item.name = "My cap"
    post.matrix_world = matrix
    refit()
    assert {key: item} == placed(scene) and item.name == "My cap"
    (end,) = by_hand()
    assert end.section.like(section, 0.001)
    np.testing.assert_allclose(
        end.frame.origin / 1000, (matrix @ Matrix.Translation((0, 0, 0.3))).translation, atol=1e-6
    )
    np.testing.assert_allclose(end.frame.z, (matrix.to_3x3().col[2]).normalized(), atol=1e-6)
    # The crown stands outside the tube: half its width beyond the rim, the spigot 8 mm inside.
    along = (corners(item) * 1000 - end.frame.origin) @ end.frame.z
    assert along.max() == pytest.approx(section.outer.width / 2, abs=0.1 + 1e-3)  # the nearest layer of 0.2 mm
    assert along.min() == pytest.approx(-8, abs=1e-3)


def test_a_tube_scaled_out_of_round_is_no_round_tube_any_more(scene: bpy.types.Scene) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    pick(post, 0.3)
    post.scale = (1.5, 1, 1)
    alone(scene)
    refit()
    end = by_hand()[0]
    assert end.section.outer.shape == "ellipse"
    assert sorted((end.section.outer.width, end.section.outer.depth)) == pytest.approx([25.4, 38.1], abs=0.01)


def test_the_wall_that_was_given_stays_when_the_tube_is_scaled(scene: bpy.types.Scene) -> None:
    item = put(scene, outside())
    pick_outline(item, 0.3)
    item.scale = (2, 2, 1)
    alone(scene)
    refit()
    assert by_hand()[0].section.like(Section.round(2 * 38.1, 2), 0.001)


def test_a_rim_that_was_edited_is_read_as_it_is_now(scene: bpy.types.Scene) -> None:
    """Longer, wider, and cut at 30°: its corners were moved, and the mesh has the same edges."""
    post = put(scene, tube(ROUND, 300, "Post"))
    pick(post, 0.3)
    for vertex in post.data.vertices:
        vertex.co.x *= 2
        vertex.co.y *= 2
        if vertex.co.z > 0.1:
            vertex.co.z = 0.5 + np.tan(np.radians(30)) * vertex.co.x
    refit()
    (end,) = by_hand()
    assert end.section.like(Section.round(50.8, 6.35), 0.001)
    assert end.mitre_deg == pytest.approx(30, abs=1e-3)
    np.testing.assert_allclose(end.frame.origin, (0, 0, 500), atol=1e-3)


def test_a_rim_is_found_again_where_its_mesh_has_other_vertices(scene: bpy.types.Scene) -> None:
    """A second tube, which lies first in the mesh, is joined and deleted: every number is another."""
    post = put(scene, tube(ROUND, 300, "Post"))
    pick(post, 0.3)
    for work in edit(post):
        bmesh.ops.delete(work, geom=[vert for vert in work.verts if vert.co.z < 0.1], context="VERTS")
        work.verts.index_update()
        work.verts.sort(key=lambda vert: -vert.index)
    alone(scene)
    refit()
    (end,) = by_hand()
    assert end.open and end.section.like(ROUND, 0.001)
    np.testing.assert_allclose(end.frame.origin, (0, 0, 300), atol=1e-3)


@pytest.mark.parametrize("how", ["cut off", "subdivided", "moved and cut"])
def test_a_rim_that_is_gone_is_told_and_never_fitted(scene: bpy.types.Scene, how: str) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    pick(post, 0.3)
    assert bpy.ops.ferrule.fit() == {"FINISHED"} and len(placed(scene)) == 1
    for work in edit(post):
        if how == "cut off":
            everything = [*work.verts, *work.edges, *work.faces]
            bmesh.ops.bisect_plane(work, geom=everything, plane_co=(0, 0, 0.2), plane_no=(0, 0, 1), clear_outer=True)
        elif how == "subdivided":
            rim = [edge for edge in work.edges if all(vert.co.z > 0.29 for vert in edge.verts)]
            bmesh.ops.subdivide_edges(work, edges=rim, cuts=1)
        else:
            bmesh.ops.delete(work, geom=[work.verts[:][0]], context="VERTS")
            for vert in work.verts:
                vert.co.z *= 1.1
    alone(scene)
    read_again(scene)
    line = scene.ferrule.ends[0]
    assert line.group == -1 and line.cut == "lost"
    assert line.reason == 'The mesh of "Post" was edited and this rim is not in it any more; pick it again'
    assert not bpy.ops.ferrule.fit.poll()


def test_what_became_of_a_tube_is_told_and_the_end_comes_back_with_it(scene: bpy.types.Scene) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    pick(post, 0.3)
    alone(scene)
    post.hide_set(True)
    read_again(scene)
    assert scene.ferrule.ends[0].reason == '"Post" is hidden; show it and read the ends again'
    post.hide_set(False)
    scene.collection.objects.unlink(post)
    read_again(scene)
    assert scene.ferrule.ends[0].reason == '"Post" is no longer in the scene; bring it back, or drop this end'
    scene.collection.objects.link(post)
    read_again(scene)
    assert by_hand()[0].open and scene.ferrule.groups[0].count == 1
    bpy.data.objects.remove(post)
    read_again(scene)
    assert not by_hand()[0].open and "Its tube is no longer" in scene.ferrule.ends[0].reason
    scene.ferrule.end_index = 0
    assert bpy.ops.ferrule.drop_end() == {"FINISHED"} and not scene.ferrule.ends


def test_copies_of_a_tube_have_their_own_ends(scene: bpy.types.Scene) -> None:
    """A linked copy shares the mesh; a mesh made single-user, or put in place of it, is as good as the first."""
    post = put(scene, tube(ROUND, 300, "Post"))
    twin = post.copy()
    scene.collection.objects.link(twin)
    twin.location.x = 1
    pick(post, 0.3)
    pick(twin, 0.3)
    post.data = post.data.copy()
    post.data.transform(Matrix.Diagonal((1, 1, 2, 1)))
    alone(scene)
    refit()
    origins = [end.frame.origin for end in by_hand()]
    np.testing.assert_allclose(origins, [(0, 0, 600), (1000, 0, 300)], atol=1e-3)
    assert [end.source for end in by_hand()] == ["Post", "Post.001"]


def test_modifiers_that_move_the_rim_are_followed_and_others_must_leave_it(scene: bpy.types.Scene) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    longer = post.modifiers.new("Longer", "SIMPLE_DEFORM")
    longer.deform_method, longer.factor, longer.deform_axis = "STRETCH", 0.5, "Z"
    pick(post, 0.3)
    shown = post.evaluated_get(bpy.context.evaluated_depsgraph_get()).data
    top = max(vertex.co.z for vertex in shown.vertices)
    assert top > 0.35
    assert by_hand()[0].frame.origin[2] == pytest.approx(1000 * top, abs=0.01)
    post.modifiers.remove(longer)
    post.modifiers.new("Mirror", "MIRROR").use_axis = (False, False, True)
    alone(scene)
    refit()
    assert by_hand()[0].frame.origin[2] == pytest.approx(300, abs=0.01)
    post.modifiers.clear()
    post.modifiers.new("Round", "SUBSURF").levels = 1
    read_again(scene)
    assert scene.ferrule.ends[0].reason == 'Modifiers of "Post" change the rim; apply them and pick it again'


def test_a_picked_end_outlasts_undo_saving_and_reloading(scene: bpy.types.Scene, tmp_path: Path) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    push("Tube")
    pick(post, 0.3)
    push("Pick")
    bpy.data.objects["Post"].scale = (2, 2, 2)
    refit()
    push("Scale")
    assert by_hand()[0].section.outer.width == pytest.approx(50.8, abs=1e-3)
    bpy.ops.ed.undo()
    assert by_hand()[0].section.outer.width == pytest.approx(25.4, abs=1e-3)
    bpy.ops.ed.redo()
    path = str(tmp_path / "job.blend")
    bpy.ops.wm.save_as_mainfile(filepath=path)
    bpy.ops.wm.read_homefile(use_empty=True)
    bpy.ops.wm.open_mainfile(filepath=path)
    bpy.data.objects["Post"].scale = (3, 3, 3)
    alone(scene_now())
    refit()
    assert by_hand()[0].section.outer.width == pytest.approx(76.2, abs=1e-3)


def test_a_rim_without_a_tube_looks_where_its_faces_look(scene: bpy.types.Scene) -> None:
    """A ring of faces alone: which side is outside is told by its faces, turned over or mirrored as well."""
    whole = tube(ROUND, 300, "Ring")
    top = (whole.vertices[whole.triangles][:, :, 2] > 299).all(axis=1)
    ring = put(scene, Mesh(whole.vertices, whole.triangles[top], "Ring"))
    pick(ring, 0.3)
    np.testing.assert_allclose(by_hand()[0].frame.z, (0, 0, 1), atol=1e-6)
    alone(scene)
    for matrix in (Matrix.Rotation(np.pi, 4, "X"), Matrix.Diagonal((1, 1, -1, 1))):
        ring.matrix_world = matrix
        refit()
        np.testing.assert_allclose(by_hand()[0].frame.z, (0, 0, -1), atol=1e-6)
    ring.matrix_world = Matrix.Diagonal((-1, 1, 1, 1))
    refit()
    np.testing.assert_allclose(by_hand()[0].frame.z, (0, 0, 1), atol=1e-6)


# Ends that are there twice


def test_an_end_that_is_read_and_picked_is_fitted_once(scene: bpy.types.Scene) -> None:
    post = put(scene, tube(ROUND, 300, "Post"))
    pick(post, 0.3)
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    item = next(iter(placed(scene).values()))
    item.name = "My cap"
    read()
    assert len(scene.ferrule.ends) == 2 and not by_hand()
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    assert len(placed(scene)) == 2 and item in placed(scene).values()
    for _ in range(2):
        pick(post, 0.3)
        assert len(scene.ferrule.ends) == 2
    assert scene.ferrule.ends[scene.ferrule.end_index].name == "Post"


def test_a_pick_again_takes_the_place_of_the_first(scene: bpy.types.Scene) -> None:
    item = put(scene, outside())
    for wall in (2.0, 3.0):
        pick_outline(item, 0.3, wall_mm=wall)
    (end,) = by_hand()
    assert end.section.like(Section.round(38.1, 3), 0.001) and len(scene.ferrule.ends) == 1


def test_a_pick_takes_the_place_of_an_end_that_was_found_closed(scene: bpy.types.Scene) -> None:
    """Only the outside is modelled: the takeoff has no wall for it, and who picks it gives one."""
    item = put(scene, outside())
    read()
    assert [line.cut for line in scene.ferrule.ends] == ["no wall", "no wall"]
    pick_outline(item, 0.3)
    assert [line.cut for line in scene.ferrule.ends] == ["no wall", "cut straight"]
    read()
    assert [line.cut for line in scene.ferrule.ends] == ["no wall", "cut straight"]


# Job files


def same_files(here: Path, there: Path, name: str) -> None:
    """Both folders hold the same result and the same meshes; names and metadata carry the job's name."""
    ours, theirs = (json.loads((folder / "result.json").read_text()) for folder in (here, there))
    for result in (ours, theirs):
        for fitting in result["fittings"]:
            del fitting["files"]
    for key in ("ends", "fittings", "findings", "plates", "quantities"):
        assert theirs[key] == ours[key], key
    ours_3mf, theirs_3mf = (sorted(folder.glob("*.3mf")) for folder in (here, there))
    assert len(ours_3mf) == len(theirs_3mf) > 0
    for our_file, their_file in zip(ours_3mf, theirs_3mf, strict=True):
        meshes = [
            part.partition(b"<vertices")[2]
            for part in (zipfile.ZipFile(path).read("3D/3dmodel.model") for path in (our_file, their_file))
        ]
        assert len(meshes[0]) > 10_000 and meshes[0] == meshes[1]


def do_again(folder: Path) -> int:
    """Writes the job file, and does the job in it without the window."""
    assert bpy.ops.ferrule.write_job(filepath=str(folder / "again.toml")) == {"FINISHED"}
    addon.unregister()
    try:
        return main([str(folder / "again.toml"), "--quiet", "--all"])
    finally:
        addon.register()


def test_a_job_file_with_picked_ends_comes_to_the_same_files(scene: bpy.types.Scene, tmp_path: Path, capfd) -> None:
    put(scene, tube(ROUND, 300, "Post"), Matrix.Rotation(0.3, 4, "X"))
    # A lattice of its own, whose ends the takeoff does not read: it is no source.
    rail = put(scene, tube(SMALL, 300, "Rail"), Matrix.Translation((1, 0.2, 0.1)) @ Matrix.Rotation(0.9, 4, (1, 2, 3)))
    beam = put(scene, tube(SQUARE, 300, "Beam"), Matrix.Translation((2, 0, 0)) @ Matrix.Diagonal((-1.01, 1.01, 1, 1)))
    skin = put(scene, outside(), Matrix.Translation((3, 0, 0)))
    for vertex in rail.data.vertices:
        if vertex.co.z > 0.1:
            vertex.co.z += 0.7 * vertex.co.y
    bpy.context.view_layer.update()
    for item in scene.objects:
        item.select_set(item.name in ("Post", "Skin"))
    assert bpy.ops.ferrule.read_ends() == {"FINISHED"}
    pick(beam, 0.3)
    pick_all_above(rail, 0.2)
    scene.cursor.matrix = Matrix.Translation((0.1, 0.2, 0.3)) @ Matrix.Rotation(0.4, 4, (3, 1, 2))
    assert bpy.ops.ferrule.add_fitting(family="Pipe", size="NPS 2 Sch 40", crown="flat", spigot_mm=15) == {"FINISHED"}
    pick_outline(skin, 0.3)
    scene.ferrule.recipe.spigot_mm = 10
    scene.ferrule.output.folder = str(tmp_path / "window")
    assert [end.by_hand for end in by_hand()] == [
        "picked by hand", "picked by hand", "given by size", "picked by hand",
    ]  # fmt: skip
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    # The job is done, and an end is left out: that of the skin which was not picked has no wall.
    assert do_again(tmp_path) == 1
    same_files(tmp_path / "window", tmp_path / "ferrule_out", "again")
    told = capfd.readouterr().out
    assert "picked by hand" in told and "given by size" in told
    ends = next((tmp_path / "ferrule_out").glob("*ends.csv")).read_text("utf-8-sig")
    assert ends.count("picked by hand") == 3 and ends.count("given by size") == 1
    assert "Beam, picked by hand" in next((tmp_path / "ferrule_out").glob("*sheet.html")).read_text("utf-8")


def test_a_job_of_picked_ends_alone_comes_to_the_same_files(scene: bpy.types.Scene, tmp_path: Path) -> None:
    post = put(scene, tube(ROUND, 300, "Post"), Matrix.Rotation(0.3, 4, "X"))
    pick(post, 0.3)
    assert bpy.ops.ferrule.add_fitting(family="Pipe", size="NPS 2 Sch 40") == {"FINISHED"}
    scene.ferrule.output.folder = str(tmp_path / "window")
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    assert do_again(tmp_path) == 0
    assert not list(tmp_path.glob("*.blend"))
    same_files(tmp_path / "window", tmp_path / "ferrule_out", "again")


def test_a_dropped_end_stays_off_the_list_and_out_of_the_job_file(scene: bpy.types.Scene, tmp_path: Path) -> None:
    post = put(scene, tube(ROUND, 300, "Post"), Matrix.Rotation(0.3, 4, "X"))
    put(scene, tube(SMALL, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    read()
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    tops = [records.end_from(line.record).frame.z[2] > 0 and line.name == "Post" for line in scene.ferrule.ends]
    scene.ferrule.end_index = tops.index(True)
    assert bpy.ops.ferrule.drop_end() == {"FINISHED"}
    post.location = (0, 3, 1)
    refit()
    assert len(scene.ferrule.ends) == len(placed(scene)) == 3
    scene.ferrule.output.folder = str(tmp_path / "window")
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    assert do_again(tmp_path) == 0
    same_files(tmp_path / "window", tmp_path / "ferrule_out", "again")
    for item in scene_now().objects:
        item.select_set(False)
    read()
    assert len(scene_now().ferrule.ends) == 4


def test_a_unit_that_the_user_keeps_is_kept_in_the_job_file(scene: bpy.types.Scene, tmp_path: Path) -> None:
    scene.unit_settings.system = "NONE"
    put(scene, tube(Section.round(25400, 3175), 300_000, "Post"), scale=0.001)
    assert bpy.ops.ferrule.read_ends(whole_scene=True) == {"FINISHED"}
    assert scene.ferrule.doubt and bpy.ops.ferrule.set_unit(unit="SCENE") == {"FINISHED"}
    assert bpy.ops.ferrule.write_job(filepath=str(tmp_path / "again.toml")) == {"FINISHED"}
    assert read_job(tmp_path / "again.toml").assembly.unit == "mm"


def test_an_end_that_is_lost_is_told_and_left_out_of_both(scene: bpy.types.Scene, tmp_path: Path, capfd) -> None:
    put(scene, tube(SMALL, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    post = put(scene, tube(ROUND, 300, "Post"))
    read()
    skin = put(scene, outside(), Matrix.Translation((2, 0, 0)))
    pick_outline(skin, 0.3)
    bpy.data.objects.remove(skin)
    refit()
    scene.ferrule.output.folder = str(tmp_path / "window")
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    assert do_again(tmp_path) == 0
    assert "It lacks an end that was picked by hand: Its tube is no longer" in capfd.readouterr().out
    same_files(tmp_path / "window", tmp_path / "ferrule_out", "again")
    notes = json.loads((tmp_path / "window" / "result.json").read_text())["notes"]
    assert any("An end that was picked by hand was left out. Its tube" in note for note in notes)
    assert post.name in scene.objects
