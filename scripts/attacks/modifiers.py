# SPDX-License-Identifier: GPL-3.0-or-later
"""Tubes reworked as users' programs do it: decimated, remeshed, merged, joined, fused, moved far away.

Each end is read as it was meant, or a note names its mesh, or it is listed as not open for a reason.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from importlib import import_module
from typing import Literal

import bpy
import numpy as np
from manifold3d import Manifold

from addon.geometry.frames import Floats
from addon.geometry.mesh import Mesh
from addon.geometry.outline_fit import off_outline
from addon.geometry.sections import Outline, Section
from addon.takeoff import ClosedEnd, Takeoff, TubeEnd, take_off

CHUNK, LIMIT_S = 1, 120.0
_RIGHT_MM = 0.05
_PLACED_MM = 0.2
_MM = 1e-3
_SPARE = 200.0
WRONG = "wrong without a note"
_LOST = "lost without a word"
_FEWEST = 4
"""Corners that are left of a rounded rectangle: nothing in them says that there were more."""
_WELDMENTS = import_module("weldments")

Meshes = list[Mesh]
Way = Callable[[np.random.Generator, Meshes], Meshes]
_Modifier = tuple[Literal["DECIMATE", "REMESH", "SUBSURF", "TRIANGULATE", "WELD"], dict[str, object]]


@dataclass(frozen=True, eq=False)
class _End:
    tube: str
    section: Section
    position: Floats
    axis: Floats


def attack(seed: int, count: int) -> Counter[str]:
    return attack_by(_WAYS, {WRONG, _LOST}, seed, count)


def attack_by(ways: dict[str, Way], failures: set[str], seed: int, count: int) -> Counter[str]:
    tally: Counter[str] = Counter()
    for number in range(seed, seed + count):
        rng = np.random.default_rng(number)
        way = str(rng.choice(list(ways)))
        tubes, ends = _welded(rng) if way.startswith("fused") else _row(rng, short=way == "remeshed")
        meshes = [mesh for mesh in ways[way](rng, tubes) if len(mesh.triangles)]
        if not meshes:
            tally["left without a face"] += len(ends)
            continue
        takeoff = take_off(meshes, 8.0)
        names = {mesh.name for mesh in meshes}
        points = np.concatenate([mesh.vertices for mesh in meshes])
        outcomes = [_outcome(takeoff, names, end, points) for end in ends]
        assert not failures & set(outcomes), (number, way, outcomes)
        tally.update(outcomes)
    return tally


def _is_so(end: TubeEnd, points: Floats) -> bool:
    """Whether the mesh itself is a tube of the size that was read: its corners at the end lie on these outlines."""
    local = end.frame.to_local(points)
    near = local[np.linalg.norm(local, axis=1) < end.section.outer.width]
    lines = end.section.outer, end.section.bore
    off = np.min([np.abs(off_outline(line, near[:, :2])[0]) for line in lines], axis=0)
    plain = all(line.points is None or len(line.points) <= _FEWEST for line in lines)
    return bool(plain and np.median(off) < _RIGHT_MM / 2)


def _outcome(takeoff: Takeoff, names: set[str], meant: _End, points: Floats) -> str:
    name = meant.tube if meant.tube in names else next(iter(names))
    noted = any(f'"{name}' in note for note in takeoff.notes)
    for end in takeoff.ends:
        arm = end.frame.origin - meant.position
        if end.frame.z @ meant.axis > 0.9 and np.linalg.norm(arm) < 0.3 * meant.section.outer.width:
            if not end.open:
                return f"listed as {end.cause}"
            right = np.abs(_sizes(end.section) - _sizes(meant.section)).max() < _RIGHT_MM
            right &= abs(arm @ meant.axis) < _PLACED_MM
            if not right and not noted and _is_so(end, points):
                return "as the mesh has it"
            return f"{'right' if right else 'wrong'} {'with' if noted else 'without'} a note"
    if noted or not takeoff.ends:
        return "lost with a note" if noted else "nothing read at all"
    closed = [tube for tube in takeoff.tubes if any(isinstance(end, ClosedEnd) for end in tube.ends)]
    along = any(abs(tube.frame.z @ meant.axis) > 0.9 for tube in closed)
    return "listed as closed" if along else _LOST


def _sizes(section: Section) -> Floats:
    return np.array([sorted((line.width, line.depth)) for line in (section.outer, section.bore)])


def _section(rng: np.random.Generator) -> Section:
    width, wall = float(rng.choice([21.3, 25.4, 30, 40, 50, 60.3])), float(rng.choice([1.5, 2, 2.6, 3.2]))
    kind = rng.integers(6)
    if kind == 0:
        return Section.rectangular(width, width, wall, 0)
    if kind < 3:
        depth = width * float(rng.choice([0.5, 0.75, 1.0]))
        return Section.rectangular(width, depth, wall, min(2 * wall, depth / 2))
    if kind == 3:
        return Section(Outline("obround", width, width / 2), Outline("obround", width - 2 * wall, width / 2 - 2 * wall))
    return Section.round(width, wall)


def _row(rng: np.random.Generator, short: bool) -> tuple[Meshes, list[_End]]:
    """One to three tubes side by side, their ends square or mitred."""
    meshes, ends = [], []
    for number in range(1 if short else int(rng.integers(1, 4))):
        section, length = _section(rng), rng.uniform(40, 80) if short else rng.uniform(150, 900)
        solid = _solid(section, length, rng)
        for up in (1, -1):
            lean = math.radians(rng.choice([0, 0, 0, 22.5, 30, 45]))
            normal = np.array([math.sin(lean), 0, -up * math.cos(lean)])
            solid = solid.trim_by_plane(normal.tolist(), float(normal[2] * length * (up > 0)))
        turn, shift = _WELDMENTS.rotation(rng), np.array([0, 1500.0 * number, rng.uniform(0, 500)])
        mesh = _WELDMENTS.moved(Mesh.from_manifold(solid, f"tube {number}"), turn, shift)
        meshes.append(mesh)
        for height, up in ((0.0, -1), (length, 1)):
            ends.append(_End(mesh.name, section, turn @ (0, 0, height) + shift, turn[:, 2] * up))
    return meshes, ends


def _welded(rng: np.random.Generator) -> tuple[Meshes, list[_End]]:
    """A tube with others standing on it, and the ends that stay free."""
    main, length = _section(rng), rng.uniform(500, 900)
    frame = _solid(main, length, rng).trim_by_plane((0, 0, 1), 0).trim_by_plane((0, 0, -1), -length)
    ends = [
        _End("frame", main, np.array([0, 0, height]), np.array([0, 0, up])) for height, up in ((0, -1), (length, 1))
    ]
    through = main.outer.cross_section(chord_error=0.05).extrude(length)
    for number in range(int(rng.integers(1, 4))):
        section = _section(rng)
        if section.outer.width > 0.9 * main.outer.half_width * 2:
            section = Section.round(min(12.0, main.outer.half_width), 1.5)
        reach, lean = rng.uniform(150, 300), math.radians(rng.uniform(50, 90))
        around, height = float(rng.choice([0, 90, 180, 270])), length * (number + 1) / 4
        branch = _solid(section, reach, rng).trim_by_plane((0, 0, 1), 0).trim_by_plane((0, 0, -1), -reach)
        turn = _turn_z(math.radians(around)) @ _turn_y(lean)
        placement = np.column_stack([turn, (0, 0, height)])
        frame += branch.transform(placement) - through
        ends.append(_End("frame", section, turn @ (0, 0, reach) + (0, 0, height), turn[:, 2]))
    return [Mesh.from_manifold(frame, "frame")], ends


def _solid(section: Section, length: float, rng: np.random.Generator) -> Manifold:
    chord = float(rng.choice([0.02, 0.05, 0.15]))
    outer, bore = (line.cross_section(chord_error=chord) for line in (section.outer, section.bore))
    return (outer - bore).extrude(length + 2 * _SPARE).translate((0, 0, -_SPARE))


def _turn_y(radians: float) -> Floats:
    cos, sin = math.cos(radians), math.sin(radians)
    return np.array([[cos, 0, sin], [0, 1, 0], [-sin, 0, cos]])


def _turn_z(radians: float) -> Floats:
    cos, sin = math.cos(radians), math.sin(radians)
    return np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1]])


def modified(mesh: Mesh, *modifiers: _Modifier) -> Mesh:
    """The mesh as Blender hands it over with these modifiers."""
    data = bpy.data.meshes.new(mesh.name)
    data.from_pydata(mesh.vertices * _MM, [], mesh.triangles.tolist())
    item = bpy.data.objects.new(mesh.name, data)
    scene = bpy.context.scene
    assert scene is not None
    scene.collection.objects.link(item)
    for kind, settings in modifiers:
        modifier = item.modifiers.new(kind, kind)
        for key, value in settings.items():
            setattr(modifier, key, value)
    result = item.evaluated_get(bpy.context.evaluated_depsgraph_get()).to_mesh()
    assert result is not None
    vertices, triangles = np.empty(3 * len(result.vertices)), np.empty(3 * len(result.loop_triangles), np.int32)
    result.vertices.foreach_get("co", vertices)
    result.loop_triangles.foreach_get("vertices", triangles)
    bpy.data.objects.remove(item)
    bpy.data.meshes.remove(data)
    return Mesh(vertices.reshape(-1, 3) / _MM, triangles.reshape(-1, 3), mesh.name)


def _by(*kinds: Callable[[np.random.Generator], _Modifier]) -> Way:
    def way(rng: np.random.Generator, meshes: Meshes) -> Meshes:
        modifiers = [kind(rng) for kind in kinds]
        return [modified(mesh, *modifiers) for mesh in meshes]

    return way


def _then(*ways: Way) -> Way:
    def way(rng: np.random.Generator, meshes: Meshes) -> Meshes:
        for each in ways:
            meshes = each(rng, meshes)
        return meshes

    return way


def _decimate(rng: np.random.Generator) -> _Modifier:
    return "DECIMATE", {"decimate_type": "COLLAPSE", "ratio": rng.uniform(0.2, 0.9)}


def _dissolve(rng: np.random.Generator) -> _Modifier:
    return "DECIMATE", {"decimate_type": "DISSOLVE", "angle_limit": math.radians(rng.uniform(1, 5))}


def _unsubdivide(rng: np.random.Generator) -> _Modifier:
    return "DECIMATE", {"decimate_type": "UNSUBDIV", "iterations": int(rng.integers(1, 3))}


def _merge(rng: np.random.Generator) -> _Modifier:
    return "WELD", {"merge_threshold": rng.uniform(0.01, 0.5) * _MM}


def _subdivide(_: np.random.Generator) -> _Modifier:
    return "SUBSURF", {"subdivision_type": "SIMPLE", "levels": 1}


def _triangulate(_: np.random.Generator) -> _Modifier:
    return "TRIANGULATE", {"quad_method": "BEAUTY"}


def _voxels(rng: np.random.Generator) -> _Modifier:
    """Of a third to two thirds of a wall."""
    return "REMESH", {"mode": "VOXEL", "voxel_size": rng.uniform(0.9, 1.1) * _MM}


def _joined(_: np.random.Generator, meshes: Meshes) -> Meshes:
    begins = np.cumsum([0] + [len(mesh.vertices) for mesh in meshes[:-1]])
    faces = [mesh.triangles + begin for mesh, begin in zip(meshes, begins.tolist(), strict=True)]
    return [Mesh(np.concatenate([mesh.vertices for mesh in meshes]), np.concatenate(faces), "frame")]


def _flipped(rng: np.random.Generator, meshes: Meshes) -> Meshes:
    share = rng.choice([0.1, 0.5, 1.0])
    wound = [
        np.where((rng.random(len(mesh.triangles)) < share)[:, None], mesh.triangles[:, ::-1], mesh.triangles)
        for mesh in meshes
    ]
    return [Mesh(mesh.vertices, triangles, mesh.name) for mesh, triangles in zip(meshes, wound, strict=True)]


def _stretched(rng: np.random.Generator, meshes: Meshes) -> Meshes:
    scale = 1 + rng.uniform(-1e-6, 1e-6, 3)
    return [replace(mesh, vertices=mesh.vertices * scale) for mesh in meshes]


def _soup(_: np.random.Generator, meshes: Meshes) -> Meshes:
    """As a binary STL file has them."""
    faults = import_module("test_takeoff_faults")
    return [faults.soup([mesh], mesh.name) for mesh in meshes]


def _far(rng: np.random.Generator, meshes: Meshes) -> Meshes:
    """In single precision 10 to 100 m from the origin, and back."""
    far = rng.normal(size=3)
    far *= rng.uniform(1e4, 1e5) / np.linalg.norm(far)
    return [replace(mesh, vertices=(mesh.vertices + far).astype(np.float32) - far) for mesh in meshes]


_WAYS: dict[str, Way] = {
    "decimated": _by(_decimate),
    "subdivided and decimated": _by(_subdivide, _triangulate, _decimate),
    "decimated, joined, as STL": _then(_by(_decimate), _joined, _soup),
    "dissolved": _by(_dissolve, _triangulate),
    "dissolved and merged": _by(_dissolve, _merge),
    "subdivided": _by(_subdivide),
    "subdivided and back": _by(_subdivide, _unsubdivide),
    "unsubdivided": _by(_unsubdivide),
    "merged": _by(_merge),
    "remeshed": _by(_voxels),
    "joined": _joined,
    "flipped": _flipped,
    "stretched": _stretched,
    "as STL": _soup,
    "far away": _far,
    "far away, joined, as STL": _then(_far, _joined, _soup),
    "fused": lambda _, meshes: meshes,
    "fused and dissolved": _by(_dissolve, _triangulate),
    "fused and merged": _by(_merge),
    "fused, far away, as STL": _then(_far, _soup),
    "fused and decimated": _by(_decimate),
}
