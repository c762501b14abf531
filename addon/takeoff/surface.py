# SPDX-License-Identifier: GPL-3.0-or-later
"""All meshes of an assembly as one cleaned, welded surface whose triangles know their neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry import topology
from ..geometry.frames import Floats
from ..geometry.mesh import Mesh
from ..geometry.topology import Indices

_FLOAT32_STEP = 2.0**-23
_FLAT = np.sin(np.radians(1.0))
_SMOOTH = np.cos(np.radians(25.0))
"""Neighbours that turn less than this belong to one curved wall; a rim mitred 60° turns 30° from its tube."""


class TakeoffError(ValueError):
    """Meshes that cannot be read at all, with the mesh at fault and what to do."""


@dataclass(frozen=True, eq=False)
class Surface:
    """n vertices in mm, m triangles of consistent winding within each body."""

    vertices: Floats
    triangles: Indices
    mates: Indices
    """(3m,) as ``topology.mates`` gives them."""
    normals: Floats
    """(m, 3) unit normals, out of the material where the body is closed; nought for triangles without area."""
    areas: Floats
    noise: Floats
    """(m,): how far the triangle's coordinates may be off, by the float32 that most files hold."""
    faces: Indices
    """(m,): labels of planar faces: neighbouring triangles in one plane."""
    walls: Indices
    """(m,): labels of smooth walls: neighbouring triangles that turn little; each holds whole faces."""
    bodies: Indices
    """(m,): 0, 1, ... of the body that the triangle belongs to."""
    body_names: tuple[str, ...]
    body_meshes: Indices
    body_closed: NDArray[np.bool_]
    notes: tuple[str, ...]

    @property
    def starts(self) -> Indices:
        """(3m,): the vertex that each half-edge starts from."""
        return self.triangles.ravel()

    def ends_of(self, half_edges: Indices) -> Indices:
        """The vertices at which half-edges end."""
        return self.triangles.ravel()[half_edges - half_edges % 3 + (half_edges + 1) % 3]


def read_surface(meshes: Sequence[Mesh]) -> Surface:
    """Weld, clean and label ``meshes``. Vertices of different meshes are never welded to each other.

    Raises ``TakeoffError`` where a mesh's arrays make no triangles.
    """
    notes: list[str] = []
    vertices, triangles, mesh_of = _joined(meshes, notes)
    mesh_noise = np.array([2 * _FLOAT32_STEP * _largest(mesh.vertices) for mesh in meshes])
    vertices, triangles, mesh_of, edges = _welded(vertices, triangles, mesh_of, mesh_noise)
    if edges.crowded.size or edges.same_way:
        triangles, mesh_of = _without_doubles(triangles, mesh_of, meshes, notes)
        triangles = _rewound(triangles, topology.edges(triangles, len(vertices)).mates, vertices, mesh_of, notes)
        edges = topology.edges(triangles, len(vertices))
    mates = topology.mates(edges, triangles, vertices)
    if edges.same_way:
        start = triangles.ravel()
        mates[(mates >= 0) & (start == start[mates])] = -1
    crosses = _crosses(vertices, triangles)
    lengths = np.sqrt(np.einsum("ij,ij->i", crosses, crosses))
    normals = crosses / np.maximum(lengths, 1e-300)[:, None]
    noise = mesh_noise[mesh_of]
    faces, walls, bodies = _labels(triangles, vertices, mates, normals, lengths, noise)
    volumes = np.einsum("ij,ij->i", vertices[triangles[:, 0]], crosses)
    bodies, inside_out = _with_cavities(bodies, mesh_of, vertices[triangles], volumes)
    names, body_meshes = _body_names(bodies, mesh_of, meshes)
    closed = np.bincount(bodies, weights=(mates.reshape(-1, 3) < 0).any(axis=1), minlength=len(names)) == 0
    inside_out &= closed
    if inside_out.any():
        normals = np.where(inside_out[bodies, None], -normals, normals)
        number = _count(int(inside_out.sum()), "body was", "bodies were")
        notes.append(f"{number} inside out and read as if turned.")
    return Surface(
        vertices,
        triangles,
        mates,
        normals,
        lengths / 2,
        noise,
        faces,
        walls,
        bodies,
        names,
        body_meshes,
        closed,
        tuple(notes),
    )


def _joined(meshes: Sequence[Mesh], notes: list[str]) -> tuple[Floats, Indices, Indices]:
    vertices, triangles, mesh_of, base = [np.empty((0, 3))], [np.empty((0, 3), np.int64)], [np.empty(0, np.int64)], 0
    for number, mesh in enumerate(meshes):
        name = mesh.name or f"mesh {number + 1}"
        points, corners = _checked(mesh, name)
        finite = np.isfinite(points).all(axis=1)
        if not finite.all():
            sound = finite[corners].all(axis=1)
            lost = _count(int((~sound).sum()), "face was", "faces were")
            notes.append(f"{lost} left out of {name}: their corners are not numbers.")
            corners, points = corners[sound], np.where(finite[:, None], points, 0.0)
        if not len(corners):
            notes.append(f"{name} holds no faces.")
        vertices.append(points)
        triangles.append(corners + base)
        mesh_of.append(np.full(len(corners), number))
        base += len(points)
    return np.concatenate(vertices), np.concatenate(triangles), np.concatenate(mesh_of)


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
    """Equal vertices merged, then those along open edges that noise has torn apart. Collapsed triangles go."""
    used = triangles.ravel()
    group = np.repeat(mesh_of, 3)
    kept, index = topology.weld(vertices[used], group)
    vertices, group = vertices[used[kept]], group[kept]
    triangles, mesh_of = _without_collapsed(index.reshape(-1, 3), mesh_of)
    edges = topology.edges(triangles, len(vertices))
    single = edges.mates < 0
    single[edges.crowded] = False
    if single.any():
        half = np.flatnonzero(single)
        flat = triangles.ravel()
        rim = np.unique(np.concatenate([flat[half], flat[half - half % 3 + (half + 1) % 3]]))
        a, b = topology.close_pairs(vertices[rim], group[rim], 4 * mesh_noise[group[rim]])
        if a.size:
            merged = topology.components(len(vertices), rim[a], rim[b])
            triangles, mesh_of = _without_collapsed(merged[triangles], mesh_of)
            edges = topology.edges(triangles, len(vertices))
    return vertices, triangles, mesh_of, edges


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
    kept, _ = topology.weld(turned.astype(float), np.zeros(len(turned), np.int64))
    if len(kept) == len(triangles):
        return triangles, mesh_of
    kept = np.sort(kept)
    doubles = np.bincount(mesh_of, minlength=len(meshes)) - np.bincount(mesh_of[kept], minlength=len(meshes))
    for number in np.flatnonzero(doubles).tolist():
        name = meshes[number].name or f"mesh {number + 1}"
        notes.append(f"{_count(int(doubles[number]), 'face lies', 'faces lie')} twice in {name}; read once.")
    return triangles[kept], mesh_of[kept]


def _rewound(triangles: Indices, mates: Indices, vertices: Floats, mesh_of: Indices, notes: list[str]) -> Indices:
    """Triangles turned so that neighbours agree, and so that each mesh as a whole is right side out.

    Each triangle has two states, as it is and turned. Linking the states that agree makes two mirrored components
    of every surface with two sides; the one that leaves its least triangle as it is is taken.
    """
    count = len(triangles)
    half = np.flatnonzero(mates >= 0)
    a, b = half // 3, mates[half] // 3
    start = triangles.ravel()
    crossed = (start[half] == start[mates[half]]) * count
    links = np.concatenate([a, a + count]), np.concatenate([b + crossed, (b + count + crossed) % (2 * count)])
    labels = topology.components(2 * count, *links)
    turned = labels[:count] > labels[count:]
    if turned.any():
        notes.append(
            f"{_count(int(turned.sum()), 'face was', 'faces were')} wound against the neighbours and read as if turned."
        )
    if (labels[:count] == labels[count:]).any():
        notes.append("A surface that joins its own back was cut open there; check the mesh for a twisted face.")
    triangles = np.where(turned[:, None], triangles[:, [0, 2, 1]], triangles)
    volumes = np.einsum("ij,ij->i", vertices[triangles[:, 0]], _crosses(vertices, triangles))
    inside_out = np.bincount(mesh_of, weights=volumes) < 0
    return np.where(inside_out[mesh_of, None], triangles[:, [0, 2, 1]], triangles)


def _crosses(vertices: Floats, triangles: Indices) -> Floats:
    """(m, 3): normals as long as twice the area."""
    a, b, c = vertices[triangles[:, 0]], vertices[triangles[:, 1]], vertices[triangles[:, 2]]
    (ux, uy, uz), (vx, vy, vz) = (b - a).T, (c - a).T
    return np.column_stack([uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx])


def _labels(
    triangles: Indices, vertices: Floats, mates: Indices, normals: Floats, doubled: Floats, noise: Floats
) -> tuple[Indices, Indices, Indices]:
    """Labels (m,) of planar faces, of smooth walls and of bodies, in the order of their first triangles."""
    count = len(triangles)
    half = np.flatnonzero(mates > np.arange(len(mates)))
    a, b = half // 3, mates[half] // 3
    cosine = np.einsum("ij,ij->i", normals[a], normals[b])
    smooth = cosine > _SMOOTH
    flat = cosine > np.sqrt(1 - _FLAT**2)
    # Noise tips the normals of slivers. They lie flat if their far corner is no further off than noise explains.
    edges = vertices[triangles.ravel()[half]] - vertices[triangles.ravel()[mates[half]]]
    height = np.minimum(doubled[a], doubled[b]) / np.maximum(np.linalg.norm(edges, axis=1), 1e-300)
    thin = ~flat & (height * np.sqrt(np.clip(1 - cosine**2, 0, 1)) < 8 * noise[a])
    if thin.any():
        # A triangle without height would join whatever meets at it; it goes with the neighbour at its longest edge.
        sides = vertices[triangles[:, [1, 2, 0]]] - vertices[triangles]
        longest = np.linalg.norm(sides, axis=2).argmax(axis=1)
        smaller = np.where(doubled[a] < doubled[b], half, mates[half])
        flat |= thin & (longest[smaller // 3] == smaller % 3)
    faces = topology.components(count, a[flat], b[flat])
    walls = _merged(faces, a[smooth], b[smooth])
    return _numbered(faces), _numbered(walls), _numbered(_merged(walls, a, b))


def _merged(labels: Indices, a: Indices, b: Indices) -> Indices:
    """Labels merged further by the pairs ``a``, ``b``."""
    a, b = labels[a], labels[b]
    apart = a != b
    return topology.components(len(labels), a[apart], b[apart])[labels]


def _numbered(labels: Indices) -> Indices:
    """Labels that each name their least member, as 0, 1, ..."""
    leads = labels == np.arange(len(labels))
    return (np.cumsum(leads) - 1)[labels]


def _with_cavities(
    bodies: Indices, mesh_of: Indices, corners: Floats, volumes: Floats
) -> tuple[Indices, NDArray[np.bool_]]:
    """Bodies whose cavities, which wind the other way round, count as theirs, and which bodies are inside out."""
    if not len(bodies):
        return bodies, np.zeros(0, bool)
    count = int(bodies.max()) + 1
    negative = np.bincount(bodies, weights=volumes, minlength=count) < 0
    if not negative.any():
        return bodies, negative
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, bodies, corners.min(axis=1))
    np.maximum.at(high, bodies, corners.max(axis=1))
    meshes = np.empty(count, np.int64)
    meshes[bodies] = mesh_of
    holder = np.arange(count)
    for cavity in np.flatnonzero(negative).tolist():
        around = (
            ~negative & (meshes == meshes[cavity]) & (low < low[cavity]).all(axis=1) & (high > high[cavity]).all(axis=1)
        )
        if around.any():
            sizes = np.where(around, (high - low).prod(axis=1), np.inf)
            holder[cavity] = int(sizes.argmin())
    negative &= holder == np.arange(count)
    kept, renumbered = np.unique(holder, return_inverse=True)
    return renumbered[bodies], negative[kept]


def _body_names(bodies: Indices, mesh_of: Indices, meshes: Sequence[Mesh]) -> tuple[tuple[str, ...], Indices]:
    """The name of each body, and the mesh it comes from."""
    count = int(bodies.max()) + 1 if len(bodies) else 0
    owners = np.empty(count, np.int64)
    owners[bodies] = mesh_of
    several = np.bincount(owners, minlength=len(meshes)) > 1
    place = np.arange(count) - np.searchsorted(owners, owners)
    names = []
    for owner, number in zip(owners.tolist(), place.tolist(), strict=True):
        name = meshes[owner].name or f"mesh {owner + 1}"
        names.append(f"{name} / body {number + 1}" if several[owner] else name)
    return tuple(names), owners


def _largest(points: Floats) -> float:
    points = np.abs(np.asarray(points, float))
    points = points[np.isfinite(points)]
    return float(points.max()) if points.size else 0.0


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
