# SPDX-License-Identifier: GPL-3.0-or-later
"""All meshes of an assembly as one cleaned, welded surface whose triangles know their neighbours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ..fields.messages import count_of
from ..geometry import topology
from ..geometry.frames import Floats, by_column, taken
from ..geometry.mesh import Mesh
from ..geometry.names import quoted
from ..geometry.topology import Indices
from .cleaning import cleaned, crosses, name_of

_FLAT = np.sin(np.radians(1.0))
_SMOOTH = np.cos(np.radians(25.0))
"""Neighbours that turn less than this belong to one curved wall; a rim mitred 60° turns 30° from its tube."""
_BLOCK = 1 << 14
_COPY_SHARE = 1e-4
"""Bodies whose corners are this share of the root of their area apart are one body, there twice."""


@dataclass(frozen=True, eq=False)
class Surface:
    """n vertices in mm, m triangles of consistent winding within each body. Coordinates lie column after column."""

    vertices: Floats
    triangles: Indices
    twins: Indices
    """(3m,) as ``topology.twins`` gives them."""
    normals: Floats
    """(m, 3) unit normals, out of the material where the body is closed; nought for triangles without area."""
    areas: Floats
    lows: Floats
    """(m, 3): least coordinates of each triangle's corners."""
    highs: Floats
    noise: Floats
    """(m,): how far the triangle's coordinates may be off, by the float32 or the few digits that files hold."""
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
        return self.starts.take(topology.next_in_triangle(half_edges))

    def points(self, vertices: Indices) -> Floats:
        """The coordinates (..., 3) of vertices."""
        return taken(self.vertices, vertices)

    def corners(self, triangles: Indices) -> Floats:
        """The coordinates (..., 3, 3) of the corners of triangles."""
        return self.points(self.triangles.take(triangles, axis=0))


def read_surface(meshes: Sequence[Mesh]) -> Surface:
    """Weld, clean and label ``meshes``. Vertices of different meshes are never welded to each other.

    Raises ``TakeoffError`` if a mesh's arrays make no triangles.
    """
    clean = cleaned(meshes)
    vertices, triangles, twins, noise, notes = clean.vertices, clean.triangles, clean.twins, clean.noise, clean.notes
    mesh_of = clean.mesh_of
    normals, lengths, volumes, lows, highs = _measured(vertices, triangles)
    faces, walls, bodies = _labels(triangles, vertices, twins, normals, lengths, lows, highs, noise)
    mask = _without_copies(vertices, triangles, bodies, mesh_of, lows, highs, lengths, volumes, meshes, notes)
    if mask is not None:
        twins = _twins_among(twins, mask)
        triangles, mesh_of, noise = triangles[mask], mesh_of[mask], noise[mask]
        normals, lows, highs = (by_column(rows[mask]) for rows in (normals, lows, highs))
        lengths, volumes = lengths[mask], volumes[mask]
        faces, walls, bodies = (np.unique(labels[mask], return_inverse=True)[1] for labels in (faces, walls, bodies))
    bodies, inside_out = _with_cavities(bodies, mesh_of, lows, highs, volumes)
    names, body_meshes = _body_names(bodies, mesh_of, meshes)
    closed = np.ones(len(names), bool)
    closed[bodies[np.flatnonzero(twins < 0) // 3]] = False
    inside_out &= closed
    if inside_out.any():
        normals = np.where(inside_out[bodies, None], -normals, normals)
        number = count_of(int(inside_out.sum()), "body was", "bodies were")
        notes.append(f"{number} inside out and read as if turned.")
    return Surface(
        vertices,
        triangles,
        twins,
        normals,
        lengths / 2,
        lows,
        highs,
        noise,
        faces,
        walls,
        bodies,
        names,
        body_meshes,
        closed,
        tuple(notes),
    )


def reshaped(surface: Surface, vertices: Floats, given: Floats) -> Surface:
    """The surface with its vertices moved. Triangles whose normal is ``given`` (m, 3), not nought, have that one, and
    those that turn over keep theirs: what is pressed flat may fold a little, and so may what slides along a wall."""
    normals, lengths, _, lows, highs = _measured(vertices, surface.triangles)
    before = _measured(surface.vertices, surface.triangles)[0]
    # Bodies that wind inside out have normals against their winding.
    along = np.einsum("ij,ij->i", before, surface.normals) * surface.areas
    against = np.bincount(surface.bodies, along) < 0
    normals = np.where(against[surface.bodies, None], -normals, normals)
    settled = given.any(axis=1)
    over = ~settled & (np.einsum("ij,ij->i", normals, surface.normals) < 0)
    normals = np.where(settled[:, None], given, np.where(over[:, None], surface.normals, normals))
    faces, walls, _ = _labels(
        surface.triangles, vertices, surface.twins, normals, lengths, lows, highs, surface.noise, settled
    )
    return replace(
        surface,
        vertices=vertices,
        normals=normals,
        areas=lengths / 2,
        lows=lows,
        highs=highs,
        faces=faces,
        walls=walls,
    )


def roughened(surface: Surface, noise: Floats) -> Surface:
    """The surface with its coordinates taken to be off by ``noise`` (m,)."""
    faces, walls, _ = _labels(
        surface.triangles,
        surface.vertices,
        surface.twins,
        surface.normals,
        2 * surface.areas,
        surface.lows,
        surface.highs,
        noise,
    )
    return replace(surface, noise=noise, faces=faces, walls=walls)


def part(surface: Surface, bodies: Indices) -> Surface:
    """Some bodies of a surface, in ascending order, numbered anew."""
    mask = np.isin(surface.bodies, bodies)
    return replace(
        surface,
        triangles=surface.triangles[mask],
        twins=_twins_among(surface.twins, mask),
        normals=by_column(surface.normals[mask]),
        areas=surface.areas[mask],
        lows=by_column(surface.lows[mask]),
        highs=by_column(surface.highs[mask]),
        noise=surface.noise[mask],
        faces=np.unique(surface.faces[mask], return_inverse=True)[1],
        walls=np.unique(surface.walls[mask], return_inverse=True)[1],
        bodies=np.searchsorted(bodies, surface.bodies[mask]),
        body_names=tuple(surface.body_names[body] for body in bodies.tolist()),
        body_meshes=surface.body_meshes[bodies],
        body_closed=surface.body_closed[bodies],
    )


def _twins_among(twins: Indices, mask: NDArray[np.bool_]) -> Indices:
    """The twins of the triangles in a ``mask`` (m,) of whole bodies, numbered anew."""
    twins, places = twins.reshape(-1, 3)[mask].ravel(), np.cumsum(mask) - 1
    return np.where(twins < 0, -1, 3 * places[twins // 3] + twins % 3)


def _measured(vertices: Floats, triangles: Indices) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Of each triangle: its unit normal, twice its area, six times the volume between it and the origin, and the least
    and greatest coordinates. By blocks, as the system takes long to hand out memory for long lists."""
    count = len(triangles)
    normals, lows, highs = np.empty((3, 3, count)).transpose(0, 2, 1)
    lengths, volumes = np.empty((2, count))
    for start in range(0, count, _BLOCK):
        block = slice(start, start + _BLOCK)
        first, second, third = (taken(vertices, corner) for corner in triangles[block].T)
        np.minimum(np.minimum(first, second), third, out=lows[block])
        np.maximum(np.maximum(first, second), third, out=highs[block])
        doubled = crosses(first, second, third)
        np.sqrt(np.einsum("ij,ij->i", doubled, doubled), out=lengths[block])
        np.einsum("ij,ij->i", first, doubled, out=volumes[block])
        np.divide(doubled, np.maximum(lengths[block], 1e-300)[:, None], out=normals[block])
    return normals, lengths, volumes, lows, highs


def _labels(
    triangles: Indices,
    vertices: Floats,
    twins: Indices,
    normals: Floats,
    doubled: Floats,
    lows: Floats,
    highs: Floats,
    noise: Floats,
    settled: NDArray[np.bool_] | None = None,
) -> tuple[Indices, Indices, Indices]:
    """Labels (m,) of planar faces, of smooth walls and of bodies, in the order of their first triangles.

    ``doubled`` is twice the area of each triangle. Noise has not tipped the normals of those that are ``settled``.
    """
    count = len(triangles)
    extents = np.sqrt(np.einsum("ij,ij->i", highs - lows, highs - lows))
    half = np.flatnonzero(twins > np.arange(len(twins)))
    a, b = half // 3, twins.take(half) // 3
    cosine = _cosines(normals, a, b)
    smooth = cosine > _SMOOTH
    flat = cosine > np.sqrt(1 - _FLAT**2)
    # Noise tips the normals of slivers. They are flat if noise explains how far off their far corner is.
    sliver = doubled * _FLAT < 8 * noise * extents
    bent = np.flatnonzero(~flat & (sliver.take(a) | sliver.take(b))) if sliver.any() else np.empty(0, np.int64)
    if settled is not None:
        bent = bent[~(settled[a[bent]] | settled[b[bent]])]
    start, end = (taken(vertices, triangles.ravel()[side]) for side in (half[bent], twins[half[bent]]))
    squares = np.einsum("ij,ij->i", end - start, end - start)
    smaller = np.minimum(doubled[a[bent]], doubled[b[bent]])
    off = smaller**2 * (1 - cosine[bent] ** 2)
    thin = bent[off < (8 * noise[a[bent]]) ** 2 * squares]
    if thin.size:
        # A triangle without height would join whatever meets at it; it goes with the neighbour at its longest edge.
        sides = vertices[triangles[:, [1, 2, 0]]] - vertices[triangles]
        longest = np.linalg.norm(sides, axis=2).argmax(axis=1)
        side = np.where(doubled[a[thin]] < doubled[b[thin]], half[thin], twins[half[thin]])
        tall = doubled[side // 3] > 4 * noise[side // 3] * extents[side // 3]
        flat[thin] = (longest[side // 3] == side % 3) | (tall & smooth[thin])
    flat, smooth = np.flatnonzero(flat), np.flatnonzero(smooth)
    faces = topology.components(count, a.take(flat), b.take(flat))
    walls = _merged(faces, a.take(smooth), b.take(smooth))
    return _numbered(faces), _numbered(walls), _numbered(_merged(walls, a, b))


def _cosines(normals: Floats, a: Indices, b: Indices) -> Floats:
    """The cosines between normals."""
    cosines = np.empty(len(a))
    for start in range(0, len(a), _BLOCK):
        block = slice(start, start + _BLOCK)
        first, second = taken(normals, a[block]), taken(normals, b[block])
        np.einsum("ij,ij->i", first, second, out=cosines[block])
    return cosines


def _without_copies(
    vertices: Floats,
    triangles: Indices,
    bodies: Indices,
    mesh_of: Indices,
    lows: Floats,
    highs: Floats,
    doubled: Floats,
    volumes: Floats,
    meshes: Sequence[Mesh],
    notes: list[str],
) -> NDArray[np.bool_] | None:
    """Which triangles are left (m,) where a body lies in the place of an equal one; None if all are.

    Of a body and its inside out the one right side out stays, else the first.
    """
    sizes = np.bincount(bodies)
    if len(sizes) < 2:
        return None
    area = np.bincount(bodies, doubled / 2)
    middles = np.column_stack([np.bincount(bodies, column) for column in (lows + highs).T]) / (2 * sizes[:, None])
    reach = _COPY_SHARE * np.sqrt(area)
    first, second = topology.close_pairs(middles, sizes, reach)
    alike = np.abs(area[first] - area[second]) < _COPY_SHARE * 10 * area[first]
    first, second = np.minimum(first, second)[alike], np.maximum(first, second)[alike]
    if not first.size:
        return None
    inside_out = np.bincount(bodies, volumes) < 0
    owners = np.empty(len(sizes), np.int64)
    owners[bodies] = mesh_of
    dropped: set[int] = set()
    for first_body, other in sorted(zip(first.tolist(), second.tolist(), strict=True)):
        corners, others = (np.unique(triangles[bodies == body]) for body in (first_body, other))
        if dropped & {first_body, other} or not _same_place(vertices, corners, others, float(reach[first_body])):
            continue
        copy, original = (
            (first_body, other) if inside_out[first_body] and not inside_out[other] else (other, first_body)
        )
        dropped.add(copy)
        names = [quoted(name_of(meshes, owners[body])) for body in (copy, original)]
        other_name = "another of its own" if names[0] == names[1] else f"one of {names[1]}"
        notes.append(f"A body of {names[0]} lies exactly where {other_name} lies; read once.")
    return ~np.isin(bodies, sorted(dropped)) if dropped else None


def _same_place(vertices: Floats, corners: Indices, others: Indices, reach: float) -> bool:
    """Whether the corners of two bodies lie in the same places, to within ``reach`` mm."""
    both = np.concatenate([corners, others])
    a, b = topology.close_pairs(vertices[both], np.zeros(len(both), np.int64), np.full(len(both), reach))
    across = (a < len(corners)) != (b < len(corners))
    met = np.zeros(len(both), bool)
    met[a[across]] = met[b[across]] = True
    return bool(met.all())


def _merged(labels: Indices, a: Indices, b: Indices) -> Indices:
    """Labels merged further by the pairs ``a``, ``b``."""
    a, b = labels.take(a), labels.take(b)
    apart = np.flatnonzero(a != b)
    return topology.components(len(labels), a.take(apart), b.take(apart)).take(labels)


def _numbered(labels: Indices) -> Indices:
    """Labels that each name their least member, as 0, 1, ..."""
    leads = labels == np.arange(len(labels))
    return (np.cumsum(leads) - 1).take(labels)


def _with_cavities(
    bodies: Indices, mesh_of: Indices, lows: Floats, highs: Floats, volumes: Floats
) -> tuple[Indices, NDArray[np.bool_]]:
    """Bodies whose cavities, which wind the other way round, count as theirs, and which bodies are inside out."""
    if not len(bodies):
        return bodies, np.zeros(0, bool)
    count = int(bodies.max()) + 1
    negative = np.bincount(bodies, weights=volumes, minlength=count) < 0
    if not negative.any():
        return bodies, negative
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(low, bodies, lows)
    np.maximum.at(high, bodies, highs)
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
    holders, renumbered = np.unique(holder, return_inverse=True)
    return renumbered[bodies], negative[holders]


def _body_names(bodies: Indices, mesh_of: Indices, meshes: Sequence[Mesh]) -> tuple[tuple[str, ...], Indices]:
    """The name of each body, and the mesh it comes from."""
    count = int(bodies.max()) + 1 if len(bodies) else 0
    owners = np.empty(count, np.int64)
    owners[bodies] = mesh_of
    several = np.bincount(owners, minlength=len(meshes)) > 1
    place = np.arange(count) - np.searchsorted(owners, owners)
    names = []
    for owner, number in zip(owners.tolist(), place.tolist(), strict=True):
        name = name_of(meshes, owner)
        names.append(f"{name} / body {number + 1}" if several[owner] else name)
    return tuple(names), owners
