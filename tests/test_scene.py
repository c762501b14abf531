# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading files and scenes into millimetres, and leaving the open session as it was.

STL, OBJ, PLY and glTF files are written by trimesh, so that reading is checked against another program's files;
sizes and volumes are those of boxes and regular prisms, by hand.
"""

from __future__ import annotations

import math
import os
import re
import struct
import sys
from collections.abc import Iterator
from pathlib import Path

import bpy
import numpy as np
import pytest
import trimesh

from addon.geometry.mesh import Mesh
from addon.takeoff import take_off
from addon.ui.scene import SceneError, meshes_of, put_mesh, read_assembly, unit_scale_of

LOW, HIGH = np.array([5.0, -7.0, 100.0]), np.array([15.0, 13.0, 130.0])
"""Corners of the test box: no two sides alike and off every axis, so that a turned or mirrored axis shows."""


@pytest.fixture(autouse=True)
def session() -> Iterator[None]:
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    yield
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)


def box(low: np.ndarray = LOW, high: np.ndarray = HIGH) -> trimesh.Trimesh:
    return trimesh.creation.box(bounds=[low, high])


def write(path: Path, shape: trimesh.Trimesh | trimesh.Scene) -> Path:
    path.write_bytes(
        data if isinstance(data := shape.export(file_type=path.suffix[1:].lower()), bytes) else data.encode()
    )
    return path


def add_box(name: str, low: tuple[float, ...] = (-1, -1, -1), high: tuple[float, ...] = (1, 1, 1)) -> bpy.types.Object:
    """An object with a box, put together from quads by Blender's own means."""
    data = bpy.data.meshes.new(name)
    shape = box(np.array(low), np.array(high))
    data.from_pydata(shape.vertices.tolist(), [], shape.faces.tolist())
    item = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(item)
    return item


def shown(*items: bpy.types.Object, unit_scale: float = 0.001) -> tuple[dict[str, Mesh], tuple[str, ...]]:
    """``meshes_of`` by name; a Blender unit is a millimetre unless a test says otherwise."""
    meshes, notes = meshes_of(items, bpy.context.evaluated_depsgraph_get(), unit_scale)
    return {mesh.name: mesh for mesh in meshes}, notes


def save(path: Path) -> Path:
    """Save the open session as a .blend, then empty it."""
    bpy.ops.wm.save_as_mainfile(filepath=os.fspath(path), copy=True)
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    return path


def state() -> dict[str, object]:
    """What a user would notice: every datablock, and the scene, mode, active object and selection."""
    return {
        "data": {kind: [block.name_full for block in getattr(bpy.data, kind)] for kind in collections()},
        "scene": bpy.context.scene.name,
        "mode": bpy.context.mode,
        "active": bpy.context.view_layer.objects.active,
        "selected": [item.name for item in bpy.context.selected_objects],
    }


def collections() -> list[str]:
    return [prop.identifier for prop in bpy.data.bl_rna.properties if prop.type == "COLLECTION"]


# Files without a unit


@pytest.mark.parametrize(
    ("suffix", "unit", "scale"),
    [
        *((suffix, None, 1) for suffix in (".stl", ".ply", ".obj")),
        *((suffix, "in", 25.4) for suffix in (".ply", ".obj", ".STL", ".Ply")),
        *((".stl", unit, scale) for unit, scale in (("mm", 1), ("cm", 10), ("m", 1000))),
    ],
)
def test_files_without_unit_keep_axes_and_take_the_unit_named(
    tmp_path: Path, suffix: str, unit: str | None, scale: float
) -> None:
    assembly = read_assembly([write(tmp_path / f"Box{suffix}", box())], unit)
    (mesh,) = assembly.meshes
    np.testing.assert_allclose(mesh.bounds, np.array([LOW, HIGH]) * scale, rtol=1e-7)
    assert mesh.volume == pytest.approx(10 * 20 * 30 * scale**3, rel=1e-6)
    assert mesh.vertices.dtype == np.float64
    assert mesh.name == "Box"
    assert assembly.unit_given == (unit is not None)


def test_both_ascii_and_binary_stl_and_several_solids_in_one(tmp_path: Path) -> None:
    first, second = (trimesh.exchange.stl.export_stl_ascii(box(LOW + shift, HIGH + shift)) for shift in (0, 50))
    path = tmp_path / "two.stl"
    path.write_bytes((first + "\n" + second).replace("\n", "\r\n").encode())
    (mesh,) = read_assembly([path], "mm").meshes
    assert mesh.volume == pytest.approx(2 * 6000)
    assert mesh.bounds[1] == pytest.approx(HIGH + 50)


def test_a_body_that_is_in_an_stl_twice_is_counted_once_and_said_to_be(tmp_path: Path) -> None:
    """Blender's importer drops the second without a word."""
    other = box(LOW + 50, HIGH + 50)
    for bodies, said in (
        ([box(), box()], ["twice.stl: every body is there twice, in the same place, and was counted once."]),
        (
            [box(), box(), other],
            ["twice.stl: 12 faces are there twice, as where a body is there twice in one place; it was counted once."],
        ),
        ([box(), other], []),
    ):
        assembly = read_assembly([write(tmp_path / "twice.stl", trimesh.util.concatenate(bodies))], "mm")
        assert list(assembly.notes) == said and len(assembly.meshes[0].triangles) in (12, 24)


@pytest.mark.parametrize("kind", ["stl", "stl_ascii"])
def test_bodies_that_touch_in_an_stl_keep_both_faces(tmp_path: Path, kind: str) -> None:
    """Blender's importer drops one of each two, which leaves a body open. What the boxes hold is known."""
    other = box(np.array([*LOW[:2], HIGH[2]]), HIGH + np.array([0.0, 0.0, 30.0]))
    path = tmp_path / "touching.stl"
    for bodies, notes in (([box(), other], 0), ([box(), other, box()], 1)):
        data = trimesh.util.concatenate(bodies).export(file_type=kind)
        path.write_bytes(data if isinstance(data, bytes) else data.encode())
        assembly = read_assembly([path], "mm")
        assert len(assembly.notes) == notes and all("12 faces are there twice" in note for note in assembly.notes)
        (mesh,) = assembly.meshes
        assert len(mesh.triangles) == 24
        assert mesh.volume == pytest.approx(box().volume + other.volume)
        assert mesh.vertices[mesh.triangles[:12]].reshape(-1, 3).max(axis=0) == pytest.approx(
            HIGH
        )  # in the file's order
        assert not any("open" in str(note) or "closed" in str(note) for note in take_off([mesh], 8.0).notes)


@pytest.mark.parametrize("kind", ["stl", "stl_ascii", "ply", "ply_ascii", "glb", "gltf", "obj"])
@pytest.mark.parametrize("again", [lambda faces: faces, lambda faces: np.roll(faces[:, ::-1], 1, axis=1)])
def test_whatever_the_format_a_body_that_is_in_a_file_twice_is_said_to_be(tmp_path: Path, kind: str, again) -> None:
    """Most of Blender's importers drop faces with the corners of others without a word, inside out or not."""
    once = box()
    twice = trimesh.Trimesh(once.vertices, np.concatenate([once.faces, again(once.faces)]), process=False)
    suffix, ascii_too = kind.partition("_")[::2]
    for shape, notes in ((once, 0), (twice, 1)):
        path = tmp_path / f"{notes}.{suffix}"
        if suffix == "gltf":
            for name, data in trimesh.exchange.gltf.export_gltf(trimesh.Scene(shape)).items():
                (tmp_path / name).write_bytes(data)
            path = (tmp_path / "model.gltf").rename(path)
        else:
            options = {"encoding": "ascii"} if kind == "ply_ascii" else {}
            data = shape.export(file_type="stl_ascii" if ascii_too and suffix == "stl" else suffix, **options)
            path.write_bytes(data if isinstance(data, bytes) else data.encode())
        assembly = read_assembly([path], None)
        said = [*assembly.notes, *take_off(assembly.meshes, 8.0).notes]
        assert sum(bool(re.search("there twice|lie twice|lies exactly where", str(note))) for note in said) == notes, (
            said
        )


def test_big_endian_double_ply(tmp_path: Path) -> None:
    header = "ply\nformat binary_big_endian 1.0\nelement vertex 3\n" + "".join(
        f"property double {axis}\n" for axis in "xyz"
    )
    header += "element face 1\nproperty list uchar int vertex_indices\nend_header\n"
    path = tmp_path / "triangle.ply"
    path.write_bytes(header.encode() + struct.pack(">9d", 0, 0, 0, 3, 0, 0, 0, 4, 0) + struct.pack(">B3i", 3, 0, 1, 2))
    (mesh,) = read_assembly([path], "mm").meshes
    assert mesh.area == pytest.approx(6)


def test_objects_of_an_obj_stay_apart_and_n_gons_are_filled_right(tmp_path: Path) -> None:
    # An L of three unit squares: a fan from its first corner would cover more than the face.
    points = [(1, 2), (0, 2), (0, 0), (2, 0), (2, 1), (1, 1)]
    vertices = "".join(f"v {x} {y} 0\n" for x, y in points)
    path = tmp_path / "two.obj"
    path.write_text(f"o ell\n{vertices}f 1 2 3 4 5 6\no again\n{vertices}f 7 8 9 10 11 12\n")
    meshes = read_assembly([path], "mm").meshes
    assert {mesh.name for mesh in meshes} == {"ell", "again"}
    for mesh in meshes:
        assert mesh.area == pytest.approx(3)
        assert (
            np.cross(mesh.corners[:, 1] - mesh.corners[:, 0], mesh.corners[:, 2] - mesh.corners[:, 0])[:, 2].min() > 0
        )


def test_a_size_is_read_to_single_precision_only_once(tmp_path: Path) -> None:
    """38.1 mm tube five metres out: the file's own float steps there are 0.0005 mm, and no more is lost."""
    far = np.array([5000.0, 5000.0, 0])
    (mesh,) = read_assembly([write(tmp_path / "far.stl", box(far, far + np.array((38.1, 38.1, 900))))], None).meshes
    assert mesh.size == pytest.approx([38.1, 38.1, 900], abs=0.0006)


# glTF


def test_gltf_is_in_metres_with_y_up(tmp_path: Path) -> None:
    scene = trimesh.Scene()
    scene.add_geometry(box(), node_name="Post")
    mirror = np.diag([-2.0, 1.0, 1.0, 1.0])
    scene.add_geometry(box(), node_name="Mirrored", transform=mirror)
    assembly = read_assembly([write(tmp_path / "two.glb", scene)], "in")
    meshes = {mesh.name: mesh for mesh in assembly.meshes}
    # glTF's y is up and its z towards the viewer: (x, y, z) becomes (x, -z, y).
    np.testing.assert_allclose(meshes["Post"].bounds, np.array([[5, -130, -7], [15, -100, 13]]) * 1000)
    assert meshes["Mirrored"].volume == pytest.approx(2 * 6000e9)
    assert meshes["Mirrored"].bounds[0][0] == pytest.approx(-30_000)
    assert assembly.unit_given
    assert 'the unit "in" is not used' in assembly.notes[0]


def test_gltf_in_text_with_its_buffer_beside_it(tmp_path: Path) -> None:
    for name, content in trimesh.exchange.gltf.export_gltf(trimesh.Scene({"Post": box()})).items():
        (tmp_path / name).write_bytes(content)
    (mesh,) = read_assembly([tmp_path / "model.gltf"], None).meshes
    assert mesh.volume == pytest.approx(6000e9)


# .blend


@pytest.mark.parametrize(
    ("system", "scale_length", "unit", "mm"),
    [
        ("METRIC", 1.0, None, 1000.0),
        ("METRIC", 0.01, None, 10.0),
        ("METRIC", 0.001, "in", 1.0),
        ("IMPERIAL", 0.0254, None, 25.4),
        ("NONE", 1.0, "in", 25.4),
        ("NONE", 1.0, None, 1.0),
    ],
)
def test_a_blend_is_read_in_its_own_unit(
    tmp_path: Path, system: str, scale_length: float, unit: str | None, mm: float
) -> None:
    bpy.context.scene.unit_settings.system = system
    bpy.context.scene.unit_settings.scale_length = scale_length
    add_box("Post", (0, 0, 0), (1, 2, 3))
    assembly = read_assembly([save(tmp_path / "unit.blend")], unit)
    assert assembly.meshes[0].size == pytest.approx(np.array([1, 2, 3]) * mm, rel=1e-12)
    assert assembly.unit_given == (system != "NONE" or unit is not None)


def test_a_blend_keeps_its_names_beside_the_same_names_in_the_session(tmp_path: Path) -> None:
    add_box("Post")
    add_box("Post.001")
    path = save(tmp_path / "names.blend")
    add_box("Post")
    assert {mesh.name for mesh in read_assembly([path], None).meshes} == {"Post", "Post.001"}


def test_every_scene_of_a_blend_is_read_and_what_they_share_once(tmp_path: Path) -> None:
    shared = add_box("Shared")
    other = bpy.data.scenes.new("Other")
    other.unit_settings.scale_length = 0.001
    other.collection.objects.link(shared)
    other.collection.objects.link(bpy.data.objects.new("Small", shared.data))
    meshes = {mesh.name: mesh for mesh in read_assembly([save(tmp_path / "scenes.blend")], None).meshes}
    assert {name: round(mesh.size[0], 6) for name, mesh in meshes.items()} == {"Shared": 2000, "Small": 2}


def test_the_open_file_is_read_as_it_stands(tmp_path: Path) -> None:
    item = add_box("Post")
    path = tmp_path / "open.blend"
    bpy.ops.wm.save_as_mainfile(filepath=os.fspath(path))
    item.location.x = 1
    before = state()
    (mesh,) = read_assembly([path], None).meshes
    assert mesh.bounds[1][0] == pytest.approx(2000)
    assert state() == before


def test_a_blend_whose_linked_file_is_gone_says_what_is_missing(tmp_path: Path) -> None:
    add_box("Linked")
    library = save(tmp_path / "library.blend")
    add_box("Own")
    with bpy.data.libraries.load(os.fspath(library), link=True) as (_, wanted):
        wanted.objects = ["Linked"]
    bpy.context.scene.collection.objects.link(wanted.objects[0])
    path = save(tmp_path / "main.blend")
    library.unlink()
    assembly = read_assembly([path], None)
    assert [mesh.name for mesh in assembly.meshes] == ["Own"]
    assert any("Linked" in note and "not found" in note for note in assembly.notes)


# What a scene can hold


def test_parented_scaled_turned_and_mirrored() -> None:
    parent = add_box("Parent")
    parent.location, parent.rotation_euler, parent.scale = (10, 0, 0), (0, 0, math.pi / 2), (2, 1, 1)
    child = add_box("Child", (0, 0, 0), (1, 2, 3))
    child.parent, child.scale = parent, (1, 1, -1)
    meshes, _ = shown(parent, child)
    # The child's x (1 long, doubled by the parent) lies along y, its y along -x, its z is turned over.
    np.testing.assert_allclose(meshes["Child"].bounds, [[8, 0, -3], [10, 2, 0]], atol=1e-5)
    assert meshes["Child"].volume == pytest.approx(12, rel=1e-5)
    assert meshes["Parent"].volume == pytest.approx(16, rel=1e-5)


def test_modifiers_are_applied_and_the_object_is_left_alone() -> None:
    item = add_box("Row")
    modifier = item.modifiers.new("row", "ARRAY")
    modifier.count, modifier.relative_offset_displace = 3, (2, 0, 0)
    meshes, _ = shown(item)
    assert meshes["Row"].volume == pytest.approx(3 * 8)
    assert len(item.data.vertices) == 8


def test_collection_instances_are_real_bodies() -> None:
    tube = add_box("Tube")
    frame = bpy.data.collections.new("Frame")
    frame.objects.link(tube)
    bpy.context.scene.collection.objects.unlink(tube)
    places = []
    for x in (0, 100):
        place = bpy.data.objects.new("Bay", None)
        place.instance_type, place.instance_collection = "COLLECTION", frame
        place.location.x, place.scale.x = x, -1
        bpy.context.scene.collection.objects.link(place)
        places.append(place)
    meshes, _ = shown(*places)
    assert set(meshes) == {"Bay / Tube", "Bay.001 / Tube"}
    assert meshes["Bay.001 / Tube"].bounds[0][0] == pytest.approx(99)
    assert all(mesh.volume == pytest.approx(8) for mesh in meshes.values())


def test_instances_from_geometry_nodes() -> None:
    tree = bpy.data.node_groups.new("Row", "GeometryNodeTree")
    tree.interface.new_socket("Geometry", in_out="OUTPUT", socket_type="NodeSocketGeometry")
    points, cube, instances, result = (
        tree.nodes.new(kind)
        for kind in ("GeometryNodeMeshLine", "GeometryNodeMeshCube", "GeometryNodeInstanceOnPoints", "NodeGroupOutput")
    )
    points.inputs["Count"].default_value = 4
    tree.links.new(points.outputs[0], instances.inputs["Points"])
    tree.links.new(cube.outputs[0], instances.inputs["Instance"])
    tree.links.new(instances.outputs[0], result.inputs[0])
    item = add_box("Row")
    item.modifiers.new("row", "NODES").node_group = tree
    meshes, notes = shown(item)
    assert sorted(meshes) == ["Row", "Row 2", "Row 3", "Row 4"]
    assert sorted(round(mesh.bounds[0][2], 4) for mesh in meshes.values()) == [-0.5, 0.5, 1.5, 2.5]
    assert notes == ()


def test_curves_and_text_that_have_a_surface() -> None:
    curve = bpy.data.curves.new("Pipe", "CURVE")
    curve.dimensions, curve.bevel_depth, curve.bevel_resolution, curve.use_fill_caps = "3D", 1, 6, True
    spline = curve.splines.new("POLY")
    spline.points.add(1)
    spline.points[1].co = (0, 0, 10, 1)
    text = bpy.data.curves.new("Sign", "FONT")
    text.body, text.extrude = "I", 0.5
    items = [bpy.data.objects.new(data.name, data) for data in (curve, text)]
    for item in items:
        bpy.context.scene.collection.objects.link(item)
    meshes, _ = shown(*items)
    # A pipe with bevel resolution 6 has 2 * (6 + 2) = 16 sides: a regular prism, area n/2 r² sin(360°/n).
    assert meshes["Pipe"].volume == pytest.approx(10 * 8 * math.sin(2 * math.pi / 16), rel=1e-5)
    assert meshes["Sign"].size[2] == pytest.approx(1)


def test_a_mesh_while_it_is_edited() -> None:
    item = add_box("Post")
    bpy.context.view_layer.objects.active = item
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.mesh.select_all(action="SELECT")
    bpy.ops.transform.translate(value=(5, 0, 0))
    meshes, _ = shown(item)
    assert meshes["Post"].bounds[0][0] == pytest.approx(4)
    assert meshes["Post"].volume == pytest.approx(8)


def test_hidden_things_stay_out_and_are_named() -> None:
    visible, eye, view, render, dull = (add_box(name) for name in ("Visible", "Eye", "View", "Render", "Dull"))
    eye.hide_set(True)
    view.hide_viewport = True
    render.hide_render = True
    collection = bpy.data.collections.new("Helpers")
    bpy.context.scene.collection.children.link(collection)
    collection.hide_render = True
    collection.objects.link(dull)
    bpy.context.scene.collection.objects.unlink(dull)
    meshes, notes = shown(visible, eye, view, render, dull)
    assert set(meshes) == {"Visible"}
    assert notes == ('Left out because hidden: "Eye", "View", "Render", "Dull".',)


def test_faceless_meshes_are_named_and_other_objects_are_not() -> None:
    bare = bpy.data.objects.new("Bare", bpy.data.meshes.new("Bare"))
    light = bpy.data.objects.new("Light", bpy.data.lights.new("Light", "SUN"))
    empty = bpy.data.objects.new("Empty", None)
    for item in (bare, light, empty):
        bpy.context.scene.collection.objects.link(item)
    meshes, notes = shown(add_box("Post"), bare, light, empty)
    assert set(meshes) == {"Post"}
    assert notes == ('Left out because without faces: "Bare".',)


def test_only_what_was_asked_for() -> None:
    add_box("Other")
    assert set(shown(add_box("Post"))[0]) == {"Post"}


@pytest.mark.parametrize(
    ("system", "scale_length", "metres"),
    [("METRIC", 1.0, 1.0), ("METRIC", 0.001, 0.001), ("IMPERIAL", 0.3048, 0.3048), ("NONE", 1.0, 0.001)],
)
def test_a_mesh_goes_into_a_scene_and_comes_back(system: str, scale_length: float, metres: float) -> None:
    scene = bpy.context.scene
    scene.unit_settings.system, scene.unit_settings.scale_length = system, scale_length
    shape = box()
    mesh = Mesh(np.array(shape.vertices), np.array(shape.faces, np.int32), "cap")
    item = put_mesh(mesh, "Cap 1", scene.collection, unit_scale_of(scene))
    assert unit_scale_of(scene) == metres
    assert np.array(item.bound_box).max(axis=0) * metres * 1000 == pytest.approx(HIGH, rel=1e-6)
    assert not item.data.validate(verbose=True)  # True where something had to be repaired
    assert (len(item.data.vertices), len(item.data.edges), len(item.data.polygons)) == (8, 18, 12)
    meshes, _ = shown(item, unit_scale=unit_scale_of(scene))
    assert meshes["Cap 1"].volume == pytest.approx(6000, rel=1e-5)


# The open session


@pytest.mark.parametrize("suffix", [".stl", ".obj", ".ply", ".glb", ".blend"])
@pytest.mark.parametrize("whole", [True, False])
def test_the_session_is_left_as_it_was(tmp_path: Path, suffix: str, whole: bool) -> None:
    path = tmp_path / f"Post{suffix}"
    if suffix == ".blend":
        add_box("Post")
        save(path)
    else:
        write(path, trimesh.Scene({"Post": box()}) if suffix == ".glb" else box())
    if not whole:
        path.write_bytes(path.read_bytes()[:300])
    user = add_box("Post")
    user.data.materials.append(bpy.data.materials.new("Paint"))
    user.select_set(True)
    bpy.context.view_layer.objects.active = user
    bpy.ops.object.mode_set(mode="EDIT")
    before = state()
    if whole:
        (mesh, again) = read_assembly([path, path], "mm").meshes
        assert (mesh.name, again.name) == ("Post", "Post 2")
    else:
        assert "Post.001" not in refused(path)
    assert state() == before


@pytest.mark.parametrize("name", ["späce Ünï 管.stl", "two  spaces and 'quotes\".stl", "x.y.stl"])
def test_names_in_any_script(tmp_path: Path, name: str) -> None:
    if os.name == "nt" and '"' in name:
        pytest.skip("no such names on Windows")
    folder = tmp_path / "ordner ß"
    folder.mkdir()
    (mesh,) = read_assembly([write(folder / name, box())], "mm").meshes
    assert mesh.name == Path(name).stem


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="file names are Unicode there")
@pytest.mark.parametrize("suffix", [".stl", ".obj", ".ply", ".glb", ".blend"])
def test_a_path_that_is_no_utf8(tmp_path: Path, suffix: str) -> None:
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/b\xffd" + suffix.encode()))
    if suffix == ".blend":
        add_box("Post")
        save(tmp_path / "plain.blend").rename(path)
    else:
        write(path, trimesh.Scene({"Post": box()}) if suffix == ".glb" else box())
    (mesh,) = read_assembly([path], "mm").meshes
    mesh.name.encode()
    assert mesh.volume > 0


# What cannot be read


def refused(path: Path) -> str:
    with pytest.raises(SceneError) as caught:
        read_assembly([path], "mm")
    message = str(caught.value)
    assert path.name in message
    assert "\n" not in message
    assert "Traceback" not in message
    return message


def test_no_file_no_kind_no_content(tmp_path: Path) -> None:
    assert "does not exist" in refused(tmp_path / "gone.stl")
    assert "does not exist" in refused(tmp_path / f"{300 * 'g'}.stl")
    (tmp_path / "folder.stl").mkdir()
    assert "not a file" in refused(tmp_path / "folder.stl")
    (tmp_path / "tubes.txt").write_text("data")
    assert ".glb" in refused(tmp_path / "tubes.txt")
    for suffix in (".stl", ".obj", ".ply", ".glb", ".gltf", ".blend"):
        empty = tmp_path / f"empty{suffix}"
        empty.touch()
        assert "is empty" in refused(empty)


@pytest.mark.parametrize("suffix", [".stl", ".obj", ".ply", ".glb", ".gltf", ".blend"])
def test_junk_is_refused(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"junk{suffix}"
    path.write_bytes(np.random.default_rng(1).bytes(700))
    refused(path)


def test_a_binary_stl_cut_short_says_by_how_much(tmp_path: Path) -> None:
    path = write(tmp_path / "short.stl", box())
    path.write_bytes(path.read_bytes()[:-60])
    assert "12 triangles, which take 684 bytes, but has 624" in refused(path)


def test_an_ascii_stl_cut_short(tmp_path: Path) -> None:
    path = tmp_path / "short.stl"
    path.write_text(trimesh.exchange.stl.export_stl_ascii(box())[:900])
    assert "cut short" in refused(path)


@pytest.mark.parametrize("suffix", [".obj", ".ply"])
def test_points_without_faces(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"points{suffix}"
    head = "ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\nend_header\n"
    path.write_text("v 1 2 3\n" if suffix == ".obj" else head + "1 2 3\n")
    assert "no surface" in refused(path)


def test_coordinates_that_are_no_numbers(tmp_path: Path) -> None:
    stl = write(tmp_path / "nan.stl", box())
    content = bytearray(stl.read_bytes())
    content[96:100] = struct.pack("<f", math.nan)
    stl.write_bytes(content)
    assert "not numbers" in refused(stl)
    obj = tmp_path / "inf.obj"
    obj.write_text("v 0 0 0\nv 1 0 0\nv 0 inf 0\nf 1 2 3\n")
    assert "not numbers" in refused(obj)


def test_a_blend_with_nothing_in_it_or_all_hidden(tmp_path: Path) -> None:
    assert "no surface" in refused(save(tmp_path / "nothing.blend"))
    add_box("Post").hide_render = True
    assert 'hidden: "Post"' in refused(save(tmp_path / "hidden.blend"))


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the administrator may read every file")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = write(tmp_path / "locked.stl", box())
    path.chmod(0)
    assert "cannot be opened" in refused(path)
