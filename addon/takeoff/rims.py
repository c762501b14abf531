# SPDX-License-Identifier: GPL-3.0-or-later
"""Rims: where the wall of a tube ends in a plane, found from the loops around planar faces and open edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry import topology
from ..geometry.frames import Floats, taken
from ..geometry.topology import Indices
from .surface import Surface

STEEPEST = np.cos(np.radians(65.0))
"""A ring that leans further from square is not a rim; mitres are made up to 60°."""
LEAST_LENGTH = 1.0
"""A ring whose bore is shorter than this share of its smaller side may be a washer, a nut or a hole in a plate."""
SHORTEST = 0.25
"""Such a ring whose two edges run alike is a tube down to this share, if it is also longer than two walls."""
WALL_TILT = 0.1
"""How far, as a cosine (rms by area), the small triangles of a curved wall may lean from the axis."""
_LEAST_SPREAD = 0.02
"""Share of a wall's skin that looks the second way square to the axis; a flat has none."""
_EXACT = 4e-8
_TIPPED = 0.5
"""How far noise across a rim tips triangles of long flat facets: they still give the axis better than corners do."""
_LEAST_FACE = 6
"""Triangles that a face with a hole has at least."""
FLATNESS = 1e-3


@dataclass(frozen=True, eq=False)
class Loops:
    """k closed chains of half-edges, one after the other."""

    half_edges: Indices
    begins: Indices
    """(k + 1,): where each loop begins among ``half_edges``."""
    vertices: Indices
    """The vertex each half-edge starts from."""
    across: Indices
    """The triangle of the wall beside each half-edge, -1 if the mesh has a gap."""

    @property
    def counts(self) -> Indices:
        return np.diff(self.begins)

    @property
    def owner(self) -> Indices:
        """For each half-edge the loop it belongs to."""
        return np.repeat(np.arange(len(self.begins) - 1), self.counts)

    def sums(self, values: Floats) -> Floats:
        """Sums over each loop of values given for each half-edge."""
        return np.add.reduceat(values, self.begins[:-1], axis=0) if len(self.begins) > 1 else values[:0]

    def part(self, loop: int) -> slice:
        return slice(self.begins[loop], self.begins[loop + 1])

    def taken(self, chosen: Indices) -> Loops:
        """The loops ``chosen``, in that order."""
        counts = self.counts[chosen]
        begins = np.concatenate([[0], np.cumsum(counts)])
        places = np.repeat(self.begins[:-1][chosen] - begins[:-1], counts) + np.arange(begins[-1])
        return Loops(self.half_edges.take(places), begins, self.vertices.take(places), self.across.take(places))


@dataclass(frozen=True, eq=False)
class Rims:
    """k rims. Where a rim has one loop only, both ``outer`` and ``bore`` are that loop."""

    outer: Loops
    bore: Loops
    axes: Floats
    """(k, 3): along the tube and out of it."""
    normals: Floats
    """(k, 3): square to the rim's plane and out of the tube."""
    face: Indices
    """(k,): label of the planar face between the loops, -1 if there is none."""
    single: NDArray[np.bool_]
    """(k,): the mesh holds the outer surface only."""
    shared: NDArray[np.bool_]
    """(k,): the face goes on into other parts, so that only the bore's loop is the tube's own."""
    exact: NDArray[np.bool_]
    """(k,): all triangles beside the bore's loop are square to one axis."""

    def taken(self, chosen: Indices) -> Rims:
        return Rims(
            outer=self.outer.taken(chosen),
            bore=self.bore.taken(chosen),
            axes=self.axes[chosen],
            normals=self.normals[chosen],
            face=self.face[chosen],
            single=self.single[chosen],
            shared=self.shared[chosen],
            exact=self.exact[chosen],
        )


@dataclass(frozen=True, eq=False)
class FlatRings:
    """The loops around planar faces, and k holes in such faces as bores."""

    loops: Loops
    faces: Indices
    """For each loop the label of its face."""
    areas: Floats
    """(loops, 3): area along the normal."""
    outer: Indices
    """(k,): which loop is the face's outermost one."""
    bore: Indices
    """(k,): which loop is the hole's."""
    shared: NDArray[np.bool_]
    """(k,): the face has more than these two loops."""

    @classmethod
    def of(cls, surface: Surface) -> FlatRings:
        loops, faces = _loops_of_faces(surface)
        areas = topology.vector_areas(surface.points(loops.vertices), loops.begins)
        order = np.lexsort((-np.linalg.norm(areas, axis=1), faces))
        begins = np.flatnonzero(np.diff(faces[order], prepend=-1))
        counts = np.diff(np.append(begins, len(order)))
        inner = np.ones(len(order), bool)
        inner[begins] = False
        outermost = np.repeat(order[begins], counts)
        return cls(loops, faces, areas, outermost[inner], order[inner], np.repeat(counts > 2, counts)[inner])

    @property
    def face(self) -> Indices:
        """(k,): label of the face."""
        return self.faces[self.bore]


def find_rims(surface: Surface, rings: FlatRings) -> Rims:
    """Every rim candidate: planar, with walls that run square to the bore's loop along one axis."""
    outer, bore, face, shared = rings.outer, rings.bore, rings.face, rings.shared
    gaps = open_loops(surface)
    pairs, singles = _nested(surface, gaps)
    # One list of loops, the open ones after those of faces.
    loops = _joined(rings.loops, gaps)
    past = len(rings.faces)
    outer = np.concatenate([outer, pairs[:, 0] + past, singles + past])
    bore = np.concatenate([bore, pairs[:, 1] + past, singles + past])
    face = np.concatenate([face, np.full(len(pairs) + len(singles), -1)])
    single = np.arange(len(outer)) >= len(outer) - len(singles)
    shared = np.concatenate([shared, np.zeros(len(pairs) + len(singles), bool)])
    return _with_axes(surface, loops, outer, bore, face, single, shared)


def axis_of_walls(normals: Floats, weights: Floats, begins: Indices) -> tuple[Floats, Floats]:
    """The direction most nearly square to the normals (p, 3) of each of k groups, and (k, 3) how much of their
    weight points along the three principal directions, least first."""
    x, y, z = normals.T
    products = np.column_stack([x * x, x * y, x * z, y * y, y * z, z * z]) * weights[:, None]
    sums = np.add.reduceat(products, begins, axis=0)[:, [0, 1, 2, 1, 3, 4, 2, 4, 5]].reshape(-1, 3, 3)
    shares, directions = np.linalg.eigh(sums)
    total = np.maximum(shares.sum(axis=1, keepdims=True), 1e-300)
    return directions[:, :, 0], np.maximum(shares, 0.0) / total


def are_walls(shares: Floats) -> NDArray[np.bool_]:
    """(k,): which groups of triangles run along one axis, by the shares (k, 3) that ``axis_of_walls`` gives."""
    return (shares[:, 0] < WALL_TILT**2) & (shares[:, 1] > _LEAST_SPREAD)


def are_exact(shares: Floats) -> NDArray[np.bool_]:
    """(k,): as ``are_walls``, for triangles of flat facets, which give the axis."""
    return shares[:, 0] < _EXACT


def _loops_of_faces(surface: Surface) -> tuple[Loops, Indices]:
    """The loops around planar faces, and the face of each."""
    sizes = np.bincount(surface.faces, minlength=len(surface.faces))
    large = np.flatnonzero(sizes.take(surface.faces) >= _LEAST_FACE)
    half = (3 * large[:, None] + np.arange(3)).ravel()
    twin = surface.twins.take(half)
    edge = half[(twin < 0) | (surface.faces.take(twin // 3) != surface.faces.take(half // 3))]
    loops = _chained(surface, edge)
    twins = surface.twins.take(loops.half_edges)
    loops = Loops(loops.half_edges, loops.begins, loops.vertices, np.where(twins < 0, -1, twins // 3))
    return loops, surface.faces[loops.half_edges[loops.begins[:-1]] // 3]


def open_loops(surface: Surface) -> Loops:
    """The loops along open edges, where a mesh is a thin shell."""
    return _chained(surface, np.flatnonzero(surface.twins < 0))


def _chained(surface: Surface, border: Indices) -> Loops:
    half, begins = topology.borders(surface.twins, border)
    return Loops(half, begins, surface.starts[half], half // 3)


def _nested(surface: Surface, loops: Loops) -> tuple[Indices, Indices]:
    """Open loops of which one lies around the other in one plane, (n, 2) outer first, and those that are alone."""
    areas = topology.vector_areas(surface.points(loops.vertices), loops.begins)
    sizes = np.linalg.norm(areas, axis=1)
    normals = areas / np.maximum(sizes, 1e-300)[:, None]
    middles = loops.sums(surface.points(loops.vertices)) / np.maximum(loops.counts, 1)[:, None]
    reach = 0.2 * np.sqrt(sizes)
    a, b = topology.close_pairs(middles, np.zeros(len(sizes), np.int64), reach)
    a, b = np.where(sizes[a] > sizes[b], a, b), np.where(sizes[a] > sizes[b], b, a)
    apart = np.abs(np.einsum("ij,ij->i", middles[a] - middles[b], normals[a]))
    parallel = np.abs(np.einsum("ij,ij->i", normals[a], normals[b])) > 1 - FLATNESS**2
    fits = (
        parallel & (apart < FLATNESS * np.sqrt(sizes[a])) & (sizes[b] > 0.15 * sizes[a]) & (sizes[b] < 0.999 * sizes[a])
    )
    taken: set[int] = set()
    pairs = []
    for outer, bore in zip(a[fits].tolist(), b[fits].tolist(), strict=True):
        if outer not in taken and bore not in taken:
            taken |= {outer, bore}
            pairs.append((outer, bore))
    alone = np.array([loop for loop in range(len(sizes)) if loop not in taken], np.int64)
    return np.array(pairs, np.int64).reshape(-1, 2), alone


def _joined(a: Loops, b: Loops) -> Loops:
    return Loops(
        np.concatenate([a.half_edges, b.half_edges]),
        np.concatenate([a.begins, b.begins[1:] + a.begins[-1]]),
        np.concatenate([a.vertices, b.vertices]),
        np.concatenate([a.across, b.across]),
    )


def _with_axes(
    surface: Surface,
    loops: Loops,
    outer: Indices,
    bore: Indices,
    face: Indices,
    single: NDArray[np.bool_],
    shared: NDArray[np.bool_],
) -> Rims:
    """Rims with their axes and planes; those whose bore is not a prism or whose loop is not flat are dropped."""
    around = loops.taken(bore)
    if not len(bore):
        nothing = np.empty((0, 3))
        return Rims(loops.taken(outer), around, nothing, nothing, face, single, shared, single)
    wall = np.where(around.across < 0, 0, around.across)
    known = around.across >= 0
    weights = np.where(known, surface.areas[wall], 0.0)
    axes, shares = axis_of_walls(taken(surface.normals, wall), weights, around.begins[:-1])
    owner = around.owner

    normals = topology.vector_areas(surface.points(around.vertices), around.begins)
    sizes = np.sqrt(np.linalg.norm(normals, axis=1))
    normals /= np.maximum(sizes, 1e-150)[:, None] ** 2
    points = surface.points(around.vertices)
    middles = around.sums(points) / around.counts[:, None]
    heights = np.einsum("ij,ij->i", points - taken(middles, owner), taken(normals, owner))
    bumps = np.maximum.reduceat(np.abs(heights), around.begins[:-1])
    to_corners = surface.corners(wall) - taken(middles, owner)[:, None]
    into_wall = np.einsum("icj,ij->i", to_corners, taken(normals, owner))
    below = around.sums(np.where(known, into_wall, 0.0))
    normals = np.where(below[:, None] > 0, -normals, normals)
    lean = np.einsum("ij,ij->i", axes, normals)
    axes = np.where(lean[:, None] < 0, -axes, axes)
    noise = surface.noise[wall[around.begins[:-1]]]

    sound = are_walls(shares) & (np.abs(lean) > STEEPEST)
    sound &= (bumps < FLATNESS * sizes + 4 * noise) & (sizes > 0)
    exact = are_exact(shares) | (shares[:, 0] < (_TIPPED * noise / np.maximum(sizes, 1e-150)) ** 2)
    rims = Rims(loops.taken(outer), around, axes, normals, face, single, shared, exact)
    return rims.taken(np.flatnonzero(sound))
