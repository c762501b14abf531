# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes as files hold them, made fit to be read: checked, welded, gaps closed, doubles dropped, wound alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..fields.messages import Length, Message, Name, count_of, say, say_all
from ..geometry import topology
from ..geometry.boxes import BoxTree
from ..geometry.frames import Floats, taken
from ..geometry.mesh import Mesh, cross_rows
from ..geometry.names import quoted
from ..geometry.topology import Indices
from .bridging import Bridges, bridged
from .rounding import rounding

_FLOAT32_STEP = 2.0**-23
_FARTHEST_MM = 4e10
"""Across; the kernel draws no larger outlines."""
_MOST_SPLITS = 10
_REACH = 4
"""Corners this many times as far apart as they may be off were one."""
_BACK = -0.9999
_PLACES = 4
"""Named in one sentence at most."""


class TakeoffError(ValueError):
    """Meshes that cannot be read at all, with the mesh at fault and what to do."""


@dataclass(frozen=True, eq=False)
class Clean:
    """n vertices and m triangles, with the mesh that each triangle comes from."""

    vertices: Floats
    triangles: Indices
    twins: Indices
    """(3m,) as ``topology.twins`` gives them; twins always run opposite ways."""
    mesh_of: Indices
    noise: Floats
    """(m,): how far coordinates may be off, by the float32 that most files hold or by the digits of a text file."""
    notes: list[str]


def cleaned(meshes: Sequence[Mesh]) -> Clean:
    """The triangles of all ``meshes``, fit to be read. Raises ``TakeoffError`` if a mesh's arrays make none."""
    notes: list[str] = []
    vertices, triangles, mesh_of, largest, rounded = _joined(meshes, notes)
    noise = 2 * _FLOAT32_STEP * largest
    vertices, triangles, mesh_of, edges = _welded(vertices, triangles, mesh_of, noise)
    if edges.non_manifold.size or edges.same_way:
        triangles, mesh_of = _without_doubles(triangles, mesh_of, meshes, notes)
        triangles = _rewound(triangles, topology.edges(triangles, len(vertices)).twins, vertices, mesh_of, notes)
        edges = topology.edges(triangles, len(vertices))
    twins = _opposite(edges, triangles, vertices)
    bridges = bridged(vertices, triangles, twins, mesh_of) if (twins < 0).any() else None
    if bridges and len(bridges.triangles):
        notes += _notes_of_bridges(bridges, mesh_of, meshes)
        triangles = np.concatenate([triangles, bridges.triangles])
        mesh_of = np.append(mesh_of, mesh_of[bridges.beside])
        twins = _opposite(topology.edges(triangles, len(vertices)), triangles, vertices)
    return Clean(vertices, triangles, twins, mesh_of, np.maximum(noise, rounded)[mesh_of], notes)


def _opposite(edges: topology.Edges, triangles: Indices, vertices: Floats) -> Indices:
    """(3m,): the twins of half-edges, but for those that run the same way."""
    twins = topology.twins(edges, triangles, vertices)
    if edges.same_way:
        start = triangles.ravel()
        twins[(twins >= 0) & (start == start[twins])] = -1
    return twins


def _notes_of_bridges(bridges: Bridges, mesh_of: Indices, meshes: Sequence[Mesh]) -> list[Message]:
    """The holes that were bridged, in a sentence for each mesh."""
    owners = mesh_of[bridges.holders]
    notes = []
    for number in np.unique(owners).tolist():
        name, places = Name(name_of(meshes, number)), bridges.places[owners == number]
        said = "The mesh of {} has a small hole; it was read as if closed. It is at {}."
        if len(places) > 1:
            said = f"The mesh of {{}} has {len(places)} small holes; they were read as if closed. They are at {{}}."
        notes.append(say(said, name, said_places(places)))
    return notes


def said_places(points: Floats) -> Message:
    """Where points (n, 3) are, the first few of them."""
    few = [say("{}", Length(*point, between=", ")) for point in points[:_PLACES].tolist()]
    more = count_of(len(points) - len(few), "more place", "more places")
    return say_all([say_all(few, "; "), *(["and", more] if len(points) > len(few) else [])])


def sewn(mesh: Mesh, reach_mm: float) -> Mesh:
    """The mesh with vertices shared between its faces, the edges of faces that end within ``reach_mm`` of each other
    joined, and wound alike. For surfaces that a kernel cut into facets one by one."""
    points, corners = _checked(mesh, quoted(mesh.name))
    mesh_of, noise = np.zeros(len(corners), np.int64), np.array([reach_mm / _REACH])
    vertices, triangles, mesh_of, edges = _joined_at_corners(points, corners, mesh_of, noise)
    slid = _slid(vertices, triangles, edges, reach_mm)
    if slid is not None:
        triangles, mesh_of = _without_collapsed(slid[triangles], mesh_of)
        edges = topology.edges(triangles, len(vertices))
    triangles, mesh_of, edges = _joined_at_edges(vertices, triangles, mesh_of, edges, noise, gaps_only=False)
    if edges.same_way:
        triangles = _rewound(triangles, edges.twins, vertices, mesh_of, [])
    used, places = np.unique(triangles, return_inverse=True)
    return Mesh(vertices[used], places.reshape(-1, 3).astype(np.int32), mesh.name)


def crosses(first: Floats, second: Floats, third: Floats) -> Floats:
    """(m, 3): normals of triangles, as long as twice the area, from their corners (m, 3)."""
    return cross_rows(second - first, third - first)


def name_of(meshes: Sequence[Mesh], number: int) -> str:
    """The name of one of the meshes, or its number if it has none."""
    return meshes[number].name or f"mesh {number + 1}"


def _joined(meshes: Sequence[Mesh], notes: list[str]) -> tuple[Floats, Indices, Indices, Floats, Floats]:
    """All vertices, all triangles, the mesh of each triangle, and for each mesh its largest coordinate and how far
    rounding may have moved it."""
    largest, rounded = np.zeros(len(meshes)), np.zeros(len(meshes))
    parts, base = [(np.empty((3, 0)), np.empty((0, 3), np.int64), np.empty(0, np.int64))], 0
    for number, mesh in enumerate(meshes):
        name = quoted(name_of(meshes, number))
        points, corners = _checked(mesh, name)
        if len(points) and not points.max() - points.min() < _FARTHEST_MM:
            finite = (np.abs(points) < _FARTHEST_MM / 2).all(axis=1)
            sound = finite[corners].all(axis=1)
            lost = count_of(int((~sound).sum()), "face was", "faces were")
            notes.append(f"{lost} left out of {name}: their corners are not numbers, or too far away.")
            corners, points = corners[sound], np.where(finite[:, None], points, 0.0)
        if not len(corners):
            notes.append(f"{name} holds no faces.")
        largest[number] = max(points.max(), -points.min()) if len(points) else 0.0
        rounded[number] = rounding(points)
        parts.append((points.T, corners + base if base else corners, np.full(len(corners), number)))
        base += len(points)
    vertices, triangles, mesh_of = zip(*parts, strict=True)
    return np.concatenate(vertices, axis=1).T, np.concatenate(triangles), np.concatenate(mesh_of), largest, rounded


def _checked(mesh: Mesh, name: str) -> tuple[Floats, Indices]:
    points, corners = np.asarray(mesh.vertices, float), np.asarray(mesh.triangles, np.int64)
    if points.size == 0 or corners.size == 0:
        return np.empty((0, 3)), np.empty((0, 3), np.int64)
    if points.ndim != 2 or points.shape[1] != 3 or corners.ndim != 2 or corners.shape[1] != 3:
        raise TakeoffError(
            f"{name}: vertices {points.shape} and triangles {corners.shape} were given; both need three columns"
        )
    if corners.min() < 0 or corners.max() >= len(points):
        raise TakeoffError(f"{name}: a triangle names a vertex that is not there; export the file again")
    return points, corners


def _welded(
    vertices: Floats, triangles: Indices, mesh_of: Indices, mesh_noise: Floats
) -> tuple[Floats, Indices, Indices, topology.Edges]:
    """Equal vertices merged, then those along open edges that noise has torn apart, then open edges split at the
    vertices that lie on them. Collapsed triangles go."""
    vertices, triangles, mesh_of, edges = _joined_at_corners(vertices, triangles, mesh_of, mesh_noise)
    return vertices, *_joined_at_edges(vertices, triangles, mesh_of, edges, mesh_noise, gaps_only=True)


def _joined_at_corners(
    vertices: Floats, triangles: Indices, mesh_of: Indices, mesh_noise: Floats
) -> tuple[Floats, Indices, Indices, topology.Edges]:
    used = triangles.ravel()
    if len(used) != len(vertices) or (used != np.arange(len(used))).any():  # else each triangle has its own
        vertices = taken(vertices, used)
    group = np.repeat(mesh_of, 3) if len(mesh_noise) > 1 else np.broadcast_to(np.int64(0), len(used))
    remaining, index = topology.weld(vertices, group)
    vertices, group = taken(vertices, remaining), group[remaining]
    triangles, mesh_of = _without_collapsed(index.reshape(-1, 3), mesh_of)
    edges = topology.edges(triangles, len(vertices))
    half = edges.single
    if not half.size:
        return vertices, triangles, mesh_of, edges
    rim = np.unique(np.concatenate([triangles.ravel()[half], triangles.ravel()[topology.next_in_triangle(half)]]))
    a, b = topology.close_pairs(vertices[rim], group[rim], _REACH * mesh_noise[group[rim]])
    if a.size:
        merged = topology.components(len(vertices), rim[a], rim[b])
        triangles, mesh_of = _without_collapsed(merged[triangles], mesh_of)
        edges = topology.edges(triangles, len(vertices))
    return vertices, triangles, mesh_of, edges


def _joined_at_edges(
    vertices: Floats,
    triangles: Indices,
    mesh_of: Indices,
    edges: topology.Edges,
    mesh_noise: Floats,
    gaps_only: bool,
) -> tuple[Indices, Indices, topology.Edges]:
    """Open edges split at the vertices that lie on them; if ``gaps_only``, where a border runs back along itself."""
    for _ in range(_MOST_SPLITS):
        split = _split(vertices, triangles, edges, _REACH * mesh_noise[mesh_of], gaps_only)
        if split is None:
            break
        triangles, mesh_of = _without_collapsed(split[0], mesh_of[split[1]])
        edges = topology.edges(triangles, len(vertices))
    return triangles, mesh_of, edges


def _slid(vertices: Floats, triangles: Indices, edges: topology.Edges, reach: float) -> Indices | None:
    """Which vertex each becomes where two borders follow one curve with corners in different places: those nearest to
    each other become one, so that no slivers arise between them. None if there are none.

    Corners at which borders meet already stay.
    """
    half = edges.single
    if not half.size:
        return None
    start, end = triangles.ravel()[half], triangles.ravel()[topology.next_in_triangle(half)]
    lengths = np.linalg.norm(vertices[end] - vertices[start], axis=1)
    edge, vertex = _on_open_edges(vertices, triangles, half, np.full(len(half), reach))
    shortest = np.full(len(vertices), np.inf)
    np.minimum.at(shortest, np.concatenate([start, end]), np.tile(lengths, 2))
    along = np.einsum("ij,ij->i", vertices[vertex] - vertices[start[edge]], vertices[end[edge]] - vertices[start[edge]])
    other = np.where(along < lengths[edge] ** 2 / 2, start[edge], end[edge])
    apart = np.linalg.norm(vertices[vertex] - vertices[other], axis=1)
    met = np.bincount(np.concatenate([start, end]), minlength=len(vertices)) != 2
    able = (apart <= np.minimum(shortest[vertex], shortest[other]) / 2) & ~met[vertex] & ~met[other]
    vertex, other, apart = vertex[able], other[able], apart[able]
    order = np.argsort(apart, kind="stable")
    vertex, other = vertex[order], other[order]
    nearest = np.full(len(vertices), -1)
    nearest[vertex[::-1]] = other[::-1]
    pair = np.flatnonzero((nearest >= 0) & (nearest[nearest] == np.arange(len(vertices))))
    return topology.components(len(vertices), pair, nearest[pair]) if pair.size else None


def _split(
    vertices: Floats, triangles: Indices, edges: topology.Edges, tolerance: Floats, gaps_only: bool
) -> tuple[Indices, Indices] | None:
    """Triangles split where a vertex of another lies on their open edge, each on one edge, and which triangle each
    part comes from; None if there is nothing to split.
    """
    half = edges.single
    if gaps_only and half.size:
        half = half[_along_gaps(vertices, triangles, half)]
    if not half.size:
        return None
    edge, vertex = _on_open_edges(vertices, triangles, half, tolerance[half // 3])
    if not edge.size:
        return None
    # One edge of each triangle at a time.
    _, chosen = np.unique(half[edge] // 3, return_index=True)
    of_chosen = np.isin(edge, edge[chosen])
    edge, vertex = edge[of_chosen], vertex[of_chosen]
    start, end = triangles.ravel()[half], triangles.ravel()[topology.next_in_triangle(half)]
    distance = np.linalg.norm(vertices[vertex] - vertices[start[edge]], axis=1)
    order = np.lexsort((distance, edge))
    parts, origins = [], []
    for divided in np.unique(edge).tolist():
        chain = [int(start[divided]), *vertex[order][edge[order] == divided].tolist(), int(end[divided])]
        apex = int(triangles.ravel()[topology.next_in_triangle(topology.next_in_triangle(half[divided]))])
        parts += [(a, b, apex) for a, b in pairwise(chain)]
        origins += [int(half[divided]) // 3] * (len(chain) - 1)
    whole = np.setdiff1d(np.arange(len(triangles)), origins)
    return np.concatenate([triangles[whole], np.array(parts)]), np.concatenate([whole, np.array(origins)])


def _on_open_edges(vertices: Floats, triangles: Indices, half: Indices, tolerance: Floats) -> tuple[Indices, Indices]:
    """Which of the open edges ``half`` have a vertex of another within their ``tolerance``, and that vertex."""
    start, end = triangles.ravel()[half], triangles.ravel()[topology.next_in_triangle(half)]
    lengths = np.linalg.norm(vertices[end] - vertices[start], axis=1)
    along = (vertices[end] - vertices[start]) / lengths[:, None]
    points = np.unique(start)
    side = np.cross(along, np.eye(3)[np.abs(along).argmin(axis=1)])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    axes = np.stack([side, np.cross(along, side), along], axis=1)
    reach = np.repeat(tolerance[:, None], 3, axis=1) * (1, 1, -1)
    span = np.zeros((len(half), 3))
    span[:, 2] = lengths
    tree = BoxTree.of(vertices[points], vertices[points])
    edge, point = tree.near(vertices[start], axes, -reach, span + reach)
    vertex = points[point]
    inner = (vertex != start[edge]) & (vertex != end[edge])
    inner &= vertex != triangles.ravel()[topology.next_in_triangle(topology.next_in_triangle(half[edge]))]
    return edge[inner], vertex[inner]


def _along_gaps(vertices: Floats, triangles: Indices, half: Indices) -> NDArray[np.bool_]:
    """Which open edges belong to a chain that somewhere turns back on itself, as the two sides of a gap do."""
    count = len(vertices)
    start, end = triangles.ravel()[half], triangles.ravel()[topology.next_in_triangle(half)]
    along = vertices[end] - vertices[start]
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    leaving = np.argsort(start, kind="stable")
    begins = np.searchsorted(start[leaving], np.arange(count + 1))
    coming, place = topology.spans(begins, end)
    going = leaving[place]
    back = np.einsum("ij,ij->i", along[coming], along[going]) < _BACK
    chains = topology.components(count, start, end)
    folded = np.zeros(count, bool)
    folded[chains[end[coming[back]]]] = True
    return folded[chains[start]]


def _without_collapsed(triangles: Indices, mesh_of: Indices) -> tuple[Indices, Indices]:
    a, b, c = triangles.T
    whole = (a != b) & (b != c) & (c != a)
    return (triangles, mesh_of) if whole.all() else (triangles[whole], mesh_of[whole])


def _without_doubles(
    triangles: Indices, mesh_of: Indices, meshes: Sequence[Mesh], notes: list[str]
) -> tuple[Indices, Indices]:
    """Triangles that lie twice in the mesh the same way round are kept once. Faces of bodies that touch stay."""
    first = triangles.argmin(axis=1)
    turned = np.take_along_axis(triangles, (first[:, None] + np.arange(3)) % 3, axis=1)
    remaining, _ = topology.weld(turned.astype(float), np.zeros(len(turned), np.int64))
    if len(remaining) == len(triangles):
        return triangles, mesh_of
    remaining = np.sort(remaining)
    doubles = np.bincount(mesh_of, minlength=len(meshes)) - np.bincount(mesh_of[remaining], minlength=len(meshes))
    for number in np.flatnonzero(doubles).tolist():
        name = quoted(name_of(meshes, number))
        notes.append(f"{count_of(int(doubles[number]), 'face lies', 'faces lie')} twice in {name}; read once.")
    return triangles[remaining], mesh_of[remaining]


def _rewound(triangles: Indices, twins: Indices, vertices: Floats, mesh_of: Indices, notes: list[str]) -> Indices:
    """Triangles turned so that neighbours agree, and so that each mesh as a whole is right side out.

    Each triangle has two states, as it is and turned. Linking the states that agree makes two mirrored components
    of every surface with two sides; the one that leaves its least triangle as it is is taken.
    """
    count = len(triangles)
    half = np.flatnonzero(twins >= 0)
    a, b = half // 3, twins[half] // 3
    start = triangles.ravel()
    crossed = (start[half] == start[twins[half]]) * count
    links = np.concatenate([a, a + count]), np.concatenate([b + crossed, (b + count + crossed) % (2 * count)])
    labels = topology.components(2 * count, *links)
    turned = labels[:count] > labels[count:]
    if turned.any():
        number = count_of(int(turned.sum()), "face was", "faces were")
        notes.append(f"{number} wound against the neighbours and read as if turned.")
    if (labels[:count] == labels[count:]).any():
        notes.append("A surface that joins its own back was cut open there; check the mesh for a twisted face.")
    triangles = np.where(turned[:, None], triangles[:, [0, 2, 1]], triangles)
    first, second, third = (taken(vertices, corner) for corner in triangles.T)
    volumes = np.einsum("ij,ij->i", first, crosses(first, second, third))
    inside_out = np.bincount(mesh_of, weights=volumes) < 0
    return np.where(inside_out[mesh_of, None], triangles[:, [0, 2, 1]], triangles)
