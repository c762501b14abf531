# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes in, from files and from scenes, and out to a scene.

With ``files`` this is the only room that converts units: a Blender unit times the scene's unit scale is metres,
inside the house everything is millimetres. Blender keeps coordinates and matrices in single precision; all
arithmetic on them here is in double precision.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from operator import attrgetter
from pathlib import Path

import bpy
import numpy as np

from ..fields.messages import count_of
from ..files import brep
from ..files.copies import copies_in, with_touching_faces
from ..files.incoming import DamagedFileError, check_whole
from ..geometry.frames import Floats
from ..geometry.mesh import Ints, Mesh
from ..geometry.names import quoted, unique_names
from ..geometry.units import MM_PER_UNIT

NameOf = Callable[[bpy.types.Object], str]

FITTING_MARK = "ferrule_fitting"
"""Custom property of the fittings that the window puts into a scene: they are not part of the assembly."""

FILE_UNIT_MARK = "ferrule_file_unit"
"""Custom property of objects from a file with its unit inside: the scene's unit scale when they were put in."""

_MM_PER_METRE = MM_PER_UNIT["m"]
_SHAPES = {"MESH", "CURVE", "FONT", "SURFACE", "META", "CURVES"}

# Axes are named so that coordinates stay as they are in the file. Blender's check of the mesh is left out if it
# can be, because it turns coordinates that are not numbers into zeros; ``meshes_of`` refuses those instead.
_UNITLESS = {
    ".stl": lambda path: bpy.ops.wm.stl_import(
        filepath=path, forward_axis="Y", up_axis="Z", global_scale=1.0, use_scene_unit=False, use_mesh_validate=False
    ),
    ".obj": lambda path: bpy.ops.wm.obj_import(
        filepath=path, forward_axis="Y", up_axis="Z", global_scale=1.0, clamp_size=0.0, validate_meshes=False
    ),
    ".ply": lambda path: bpy.ops.wm.ply_import(
        filepath=path, forward_axis="Y", up_axis="Z", global_scale=1.0, use_scene_unit=False
    ),
}
# glTF is in metres with y up by its standard; Blender turns it to z up.
_METRES = dict.fromkeys((".gltf", ".glb"), lambda path: bpy.ops.import_scene.gltf(filepath=path))
_IMPORTERS = {**_UNITLESS, **_METRES}
SUFFIXES = (*brep.SUFFIXES, *_IMPORTERS, ".blend")
"""What ``read_assembly`` reads; upper case counts too."""


class SceneError(ValueError):
    """A file or an object that cannot be read: names it, and says what to do."""


@dataclass(frozen=True, eq=False)
class SceneAssembly:
    """Bodies placed in the world, in mm, each under a name of its own."""

    meshes: tuple[Mesh, ...]
    unit_given: bool
    """False if a file carries no unit and none was named: it was then read as millimetres."""
    notes: tuple[str, ...] = ()
    """What was left out and why, and what of the caller's was not used."""


def read_assembly(files: Sequence[Path], unit: str | None) -> SceneAssembly:
    """Every body in ``files`` (STEP, IGES, STL, OBJ, PLY, glTF, .blend), modifiers applied and instances made real.

    ``unit`` ("mm", "cm", "m", "in" or None) is that of files which carry none; STEP and IGES have theirs, glTF is in
    metres by its standard, a .blend has its scenes' unit scale. Nothing of what is read stays in the open session, and
    its scenes, selection and mode are left as they are. Raises ``SceneError`` that names the file.
    """
    meshes: list[Mesh] = []
    notes: list[str] = []
    unit_given = True
    for path in files:
        suffix = _suffix_of(path)
        if suffix in brep.SUFFIXES:
            part = _read_brep(path, unit)
        else:
            with _leaving_no_trace():
                part = _read_blend(path, unit) if suffix == ".blend" else _read_with_importer(path, suffix, unit)
        if not part.meshes:
            why = " ".join(part.notes)
            raise SceneError(f"{path} holds no surface to read. {why}".rstrip() + " Export the solid bodies again.")
        meshes += part.meshes
        notes += [f"{path.name}: {note}" for note in part.notes]
        unit_given &= part.unit_given
    return SceneAssembly(_under_unique_names(meshes), unit_given, tuple(notes))


def parts_of(path: Path) -> Generator[float, None, brep.Parts]:
    """The parts of a STEP or IGES file; yields how much is done, 0 to 1, and stops when closed. Raises ``SceneError``
    that names the file."""
    if _suffix_of(path) not in brep.SUFFIXES:
        raise SceneError(f"{path} is neither STEP nor IGES; use Blender's own import for it.")
    try:
        parts = yield from brep.reading(path, _python())
    except (brep.BrepError, OSError) as error:
        raise SceneError(f"{path} {error}") from None
    if not parts.placed:
        raise SceneError(f"{path} holds no surface to read. Export the solid bodies again.")
    return parts


def meshes_of(
    objects: Iterable[bpy.types.Object],
    depsgraph: bpy.types.Depsgraph,
    unit_scale: float,
    name_of: NameOf = attrgetter("name"),
) -> tuple[tuple[Mesh, ...], tuple[str, ...]]:
    """What ``objects`` show in the world, in mm, and notes on what was left out.

    ``objects`` are originals of the scene that ``depsgraph`` was evaluated for; ``unit_scale`` is metres per Blender
    unit (``unit_scale_of``). Modifiers are applied, curves and text converted, every instance is a mesh of its own
    under "instancer / object"; particles are not tubes and stay out, as do fittings and what is hidden in the view or
    in renders.
    ``name_of`` says what an object is called. Raises ``SceneError`` for an object with invalid coordinates.
    """
    wanted = {item.session_uid: item for item in objects}
    assert depsgraph.view_layer is not None
    in_renders = {item.session_uid for item in rendered(depsgraph.view_layer.layer_collection)}
    shown: set[int] = set()
    arrays: dict[int, tuple[Floats, Ints]] = {}
    meshes: list[Mesh] = []
    bare: list[str] = []
    for instance in depsgraph.object_instances:
        item = instance.object
        assert item is not None and item.original is not None
        owner = (instance.parent or item).original
        assert owner is not None
        if owner.session_uid not in wanted or owner.session_uid not in in_renders or owner.hide_render:
            continue
        shown.add(owner.session_uid)
        if FITTING_MARK in owner or FITTING_MARK in item.original:
            continue
        if item.type != "MESH" or item.original.hide_render or not instance.show_self or instance.particle_system:
            continue
        name = name_of(owner) if item.original == owner else f"{name_of(owner)} / {name_of(item.original)}"
        # Instances share evaluated data, which stays where it is until the dependency graph is evaluated again.
        assert item.data is not None
        key = item.data.as_pointer()
        if key not in arrays:
            arrays[key] = _arrays_of(item, name)
        points, triangles = arrays[key]
        if len(triangles):
            meshes.append(_in_world(points, triangles, np.array(instance.matrix_world, float), unit_scale, name))
        else:
            bare.append(name)
    hidden = [name_of(item) for uid, item in wanted.items() if uid not in shown and _shows_something(item)]
    # An object whose modifiers make instances only has no faces of its own and is not left out.
    bare = sorted(set(bare) - {mesh.name for mesh in meshes})
    return _under_unique_names(meshes), _left_out(hidden, "hidden") + _left_out(bare, "without faces")


def mesh_of(item: bpy.types.Object, depsgraph: bpy.types.Depsgraph, unit_scale: float) -> Mesh:
    """One object as it shows, modifiers applied, in mm in the world. Raises ``SceneError`` as ``meshes_of`` does."""
    shown = item.evaluated_get(depsgraph)
    points, triangles = _arrays_of(shown, item.name)
    return _in_world(points, triangles, np.array(shown.matrix_world, float), unit_scale, item.name)


def put_mesh(mesh: Mesh, name: str, collection: bpy.types.Collection, unit_scale: float) -> bpy.types.Object:
    """A new object in ``collection`` with the mesh, its coordinates in Blender units of ``unit_scale`` metres."""
    data = bpy.data.meshes.new(name)
    fill_mesh(data, mesh, unit_scale)
    item = bpy.data.objects.new(name, data)
    collection.objects.link(item)
    return item


def fill_mesh(data: bpy.types.Mesh, mesh: Mesh, unit_scale: float) -> None:
    """Gives a datablock the mesh in place of what it holds; its materials stay."""
    data.clear_geometry()
    data.vertices.add(len(mesh.vertices))
    data.vertices.foreach_set("co", (mesh.vertices / (_MM_PER_METRE * unit_scale)).astype(np.float32).ravel())
    data.loops.add(mesh.triangles.size)
    data.loops.foreach_set("vertex_index", np.ascontiguousarray(mesh.triangles, np.int32).ravel())
    data.polygons.add(len(mesh.triangles))
    data.polygons.foreach_set("loop_start", np.arange(0, mesh.triangles.size, 3, dtype=np.int32))
    data.update(calc_edges=True)


def unit_scale_of(scene: bpy.types.Scene) -> float:
    """Metres per Blender unit. A scene whose unit system is None counts in millimetres, as files without units do."""
    if scene.unit_settings.system == "NONE":
        return 1 / _MM_PER_METRE
    # Stored in single precision: seven digits give back the number that the user set.
    return float(f"{scene.unit_settings.scale_length:.7g}")


def _suffix_of(path: Path) -> str:
    """The suffix in lower case, once it is sure that something can be read."""
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise SceneError(f"{path} is not a readable kind of file; export the assembly as one of {', '.join(SUFFIXES)}.")
    if not os.path.isfile(path):  # Path.is_file stumbles over names that are too long.
        raise SceneError(f"{path} does not exist or is not a file; check its name and folder.")
    try:
        with path.open("rb") as file:
            start = file.read(1)
    except OSError as error:
        raise SceneError(f"{path} cannot be opened ({error.strerror}); check who may read it.") from error
    if not start:
        raise SceneError(f"{path} is empty; export the assembly again.")
    try:
        check_whole(path)
    except DamagedFileError as damage:
        raise SceneError(f"{path} is damaged: {damage}. Export or copy it again.") from None
    return suffix


def _python() -> list[str]:
    """The command that runs a Python program in a file."""
    return own_python() or [bpy.app.binary_path, "--background", "--factory-startup", "--python"]


def own_python() -> list[str]:
    """The same without Blender, which brings a Python along; nothing in the few builds that do not."""
    return [sys.executable, "-P"] if Path(sys.executable).stem.startswith("python") else []


def _read_brep(path: Path, unit: str | None) -> SceneAssembly:
    reading = parts_of(path)
    while True:
        try:
            next(reading)
        except StopIteration as end:
            notes = (f'the unit "{unit}" is not used, because the file states its own.',)
            return SceneAssembly(tuple(end.value.meshes()), True, notes if unit else ())


def _read_with_importer(path: Path, suffix: str, unit: str | None) -> SceneAssembly:
    taken = {item.name for item in bpy.data.objects}
    scene = bpy.data.scenes.new("Ferrule")
    with bpy.context.temp_override(scene=scene, view_layer=scene.view_layers[0]):
        try:
            _IMPORTERS[suffix](os.fspath(path))
        except RuntimeError as error:
            if "KeyboardInterrupt" in str(error):
                raise KeyboardInterrupt from None
            raise SceneError(f"{path} cannot be read ({last_line(error)}). Export or copy it again.") from error
        except AttributeError as error:  # the importer comes with an add-on that can be switched off
            raise SceneError(f"{path} cannot be read: switch on Blender's glTF add-on in the preferences.") from error
    unit_scale = 1.0 if suffix in _METRES else _metres_per(unit)
    copies = _without_copies(path, scene.objects)
    meshes, notes = _bodies_of(path, scene, scene.objects, unit_scale, lambda item: _name_in_file(item.name, taken))
    if copies:
        notes = (*notes, copies)
    if suffix in _METRES and unit not in (None, "m"):
        notes = (*notes, f'glTF is in metres by its standard, so the unit "{unit}" is not used for it.')
    return SceneAssembly(meshes, suffix in _METRES or unit is not None, notes)


def _without_copies(path: Path, items: Iterable[bpy.types.Object]) -> str:
    """A note on faces that lie twice in a file, if Blender's importer dropped the second ones. Those that it dropped
    where bodies touch are put back."""
    read = {item.data for item in items if isinstance(item.data, bpy.types.Mesh)}
    copies, count = copies_in(path, sum(len(data.polygons) for data in read))
    if copies and path.suffix.lower() == ".stl" and len(read) == 1 and (whole := with_touching_faces(path)):
        points, faces, copies = whole
        (data,) = read
        data.clear_geometry()
        data.from_pydata(points.tolist(), [], faces.tolist())
    if not copies:
        return ""
    if 2 * copies == count:
        return "every body is there twice, in the same place, and was counted once."
    faces_are = count_of(copies, "face is", "faces are")
    return f"{faces_are} there twice, as where a body is there twice in one place; it was counted once."


def _read_blend(path: Path, unit: str | None) -> SceneAssembly:
    meshes: list[Mesh] = []
    notes: list[str] = []
    unit_given = True
    scenes = _scenes_of(path)
    read: set[int] = set()
    for scene in scenes:
        unitless = scene.unit_settings.system == "NONE"
        unit_given &= unit is not None or not unitless
        fresh = [item for item in scene.objects if item.session_uid not in read]
        read.update(item.session_uid for item in fresh)
        unit_scale = _metres_per(unit) if unitless else unit_scale_of(scene)
        bodies, bodies_notes = _bodies_of(path, scene, fresh, unit_scale)
        meshes += bodies
        notes += bodies_notes
        missing = sorted(item.name for item in fresh if item.is_missing or (item.data and item.data.is_missing))
        notes += _left_out(missing, "the linked file is not found")
    return SceneAssembly(tuple(meshes), unit_given, tuple(notes))


def _scenes_of(path: Path) -> list[bpy.types.Scene]:
    opened = Path(bpy.data.filepath)
    if opened.is_file() and opened.samefile(path):
        return list(bpy.data.scenes)  # Blender links nothing out of the file that is open.
    try:
        # Linked, not appended: linked data keep their names.
        with bpy.data.libraries.load(os.fspath(path), link=True) as (inside, wanted):  # type: ignore[func-returns-value]
            wanted.scenes = list(inside.scenes)
    except OSError as error:
        raise SceneError(
            f"{path} is not a complete .blend file, or comes from a newer Blender. Save or copy it again."
        ) from error
    return [scene for scene in wanted.scenes if scene is not None]


@contextmanager
def _leaving_no_trace() -> Iterator[None]:
    """Remove every datablock that came into the session meanwhile."""
    before = {block.session_uid for block in _datablocks()}
    try:
        yield
    finally:
        bpy.data.batch_remove([block for block in _datablocks() if block.session_uid not in before])


def _datablocks() -> set[bpy.types.ID]:
    return {*bpy.data.user_map(), *bpy.data.libraries}


def _bodies_of(
    path: Path,
    scene: bpy.types.Scene,
    objects: Iterable[bpy.types.Object],
    unit_scale: float,
    name_of: NameOf = attrgetter("name"),
) -> tuple[tuple[Mesh, ...], tuple[str, ...]]:
    layer = scene.view_layers[0]
    layer.update()
    assert layer.depsgraph is not None
    try:
        return meshes_of(objects, layer.depsgraph, unit_scale, name_of)
    except SceneError as error:
        raise SceneError(f"{path}: {error}") from None


def rendered(layer: bpy.types.LayerCollection) -> Iterator[bpy.types.Object]:
    """Objects in collections that are not hidden in renders."""
    if layer.exclude or layer.collection.hide_render:
        return
    yield from layer.collection.objects
    for child in layer.children:
        yield from rendered(child)


def _left_out(names: Sequence[str], reason: str) -> tuple[str, ...]:
    return (f"Left out because {reason}: {', '.join(map(quoted, names))}.",) if names else ()


def _shows_something(item: bpy.types.Object) -> bool:
    return item.type in _SHAPES or item.instance_type != "NONE"


def _arrays_of(item: bpy.types.Object, name: str) -> tuple[Floats, Ints]:
    data = item.to_mesh()  # Not item.data, which is empty while a mesh is edited.
    assert data is not None
    points = np.empty(len(data.vertices) * 3, np.float32)
    data.vertices.foreach_get("co", points)
    triangles = np.empty(len(data.loop_triangles) * 3, np.int32)
    data.loop_triangles.foreach_get("vertices", triangles)
    item.to_mesh_clear()
    if not np.isfinite(points).all():
        raise SceneError(f"{quoted(name)} has coordinates that are not numbers; repair that mesh or export it again.")
    return points.reshape(-1, 3).astype(float), triangles.reshape(-1, 3)


def _in_world(points: Floats, triangles: Ints, matrix: Floats, unit_scale: float, name: str) -> Mesh:
    placed = (points @ matrix[:3, :3].T + matrix[:3, 3]) * (_MM_PER_METRE * unit_scale)
    mirrored = np.linalg.det(matrix[:3, :3]) < 0
    return Mesh(placed, np.ascontiguousarray(triangles[:, ::-1]) if mirrored else triangles, name)


def _metres_per(unit: str | None) -> float:
    return MM_PER_UNIT[unit or "mm"] / _MM_PER_METRE


def _name_in_file(name: str, taken: set[str]) -> str:
    """The name without the number that Blender adds where the open session already has the name."""
    numbered = re.fullmatch(r"(.+)\.\d{3,}", name)
    return numbered[1] if numbered and numbered[1] in taken else name


def _under_unique_names(meshes: Sequence[Mesh]) -> tuple[Mesh, ...]:
    names = unique_names([mesh.name for mesh in meshes])
    return tuple(replace(mesh, name=name) for mesh, name in zip(meshes, names, strict=True))


def last_line(error: Exception) -> str:
    """What one of Blender's own operators says of its failure."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    return lines[-1].removeprefix("Error: ") if lines else "Blender gives no reason"
