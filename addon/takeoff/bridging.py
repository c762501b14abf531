# SPDX-License-Identifier: GPL-3.0-or-later
"""Holes of a few triangles in a surface, bridged so that what is around them can be read."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from ..geometry import topology
from ..geometry.frames import Floats
from ..geometry.mesh import triangle_normals
from ..geometry.topology import Indices

_MOST_EDGES = 8
"""Around a hole of six triangles; larger ones may be meant."""
_LONGEST_CHAIN = 3 * _MOST_EDGES
"""Around holes that touch."""
_MOST_MISSING = 0.08
"""Share of a mesh's triangles; the shape of a mesh that lacks more is anybody's guess."""
_SMOOTH = np.cos(np.radians(25.0))
"""Along a third of its border at least a bridge goes on into the surface beside it: a triangle of a side does. Across
the open end of a shell it would not: the wall of a rim mitred 60° turns 30° from it."""
_FOLDED = -0.95
"""Nor does it lie back on what is beside it, as the far side of a single sheet would."""


@dataclass(frozen=True, eq=False)
class Bridges:
    triangles: Indices
    """(k, 3), wound like their neighbours."""
    beside: Indices
    """(k,): a triangle of the surface that has an edge in common with the hole."""
    places: Floats
    """(h, 3): the middle of each hole."""
    holders: Indices
    """(h,): a triangle beside each hole."""


def bridged(vertices: Floats, triangles: Indices, twins: Indices, mesh_of: Indices) -> Bridges:
    """What closes the small holes in triangles (m, 3) whose ``twins`` (3m,) are -1 along them, but for meshes that are
    full of holes; ``mesh_of`` (m,) is the mesh of each."""
    rounds = _rounds(triangles.ravel(), *topology.borders(twins, np.flatnonzero(twins < 0)))
    nothing = np.empty(0, np.int64)
    fills, beside, places, holders = [np.empty((0, 3), np.int64)], [nothing], [np.empty((0, 3))], [nothing]
    for count in range(3, _MOST_EDGES + 1):
        around = np.array(rounds[count], np.int64).reshape(-1, count)
        corners, sides = triangles.ravel()[around], vertices[triangles[around // 3]]
        bends, pairs = _smoothest(vertices[corners], _unit_normals(sides))
        good = (3 * (pairs > _SMOOTH).sum(axis=1) >= count) & (pairs.min(axis=1) > _FOLDED)
        corners, around, bends = corners[good], around[good], bends[good]
        fills.append(np.take_along_axis(corners[:, None], bends[:, :, ::-1], axis=2).reshape(-1, 3))
        beside.append(np.repeat(around[:, 0] // 3, count - 2))
        places.append(vertices[corners].mean(axis=1))
        holders.append(around[:, 0] // 3)
    bridges = Bridges(np.concatenate(fills), np.concatenate(beside), np.concatenate(places), np.concatenate(holders))
    sizes = np.bincount(mesh_of)
    sound = np.bincount(mesh_of[bridges.beside], minlength=len(sizes)) <= _MOST_MISSING * sizes
    of_fills, of_holes = sound[mesh_of[bridges.beside]], sound[mesh_of[bridges.holders]]
    return Bridges(
        bridges.triangles[of_fills], bridges.beside[of_fills], bridges.places[of_holes], bridges.holders[of_holes]
    )


def _rounds(starts: Indices, half_edges: Indices, begins: Indices) -> dict[int, list[list[int]]]:
    """The short chains of half-edges around holes, by how many half-edges they have. Holes that touch at a corner make
    one chain, which is parted there."""
    rounds: dict[int, list[list[int]]] = defaultdict(list)
    counts = np.diff(begins)
    for chain in np.flatnonzero(counts <= _LONGEST_CHAIN).tolist():
        path: list[int] = []
        for half in half_edges[begins[chain] : begins[chain + 1]].tolist():
            met = next((place for place, other in enumerate(path) if starts[other] == starts[half]), len(path))
            rounds[len(path) - met].append(path[met:])
            path = [*path[:met], half]
        rounds[len(path)].append(path)
    return rounds


def _smoothest(points: Floats, normals: Floats) -> tuple[Indices, Floats]:
    """For holes (h, n, 3) between triangles with ``normals`` (h, n, 3): the corners (h, n - 2, 3) of the triangles that
    make the fewest sharp edges there, and (h, n) the cosines of the bends along the hole's border."""
    ways = _Ways.of(points.shape[1])
    fills = _unit_normals(points[:, ways.triangles[..., ::-1]])
    every = np.arange(len(ways.triangles))[:, None]
    along = np.einsum("hwei,hei->hwe", fills[:, every, ways.at_border], normals)
    across = np.einsum("hwei,hwei->hwe", fills[:, every, ways.inner[..., 0]], fills[:, every, ways.inner[..., 1]])
    # Many slight bends are worse than a few sharp ones: the edges of a rim are sharp, and nothing else is.
    sharpness = sum(np.sqrt(np.maximum(1 - bends, 0.0)).sum(axis=2) for bends in (along, across))
    best = np.argmin(sharpness, axis=1)
    return ways.triangles[best], along[np.arange(len(best)), best]


def _unit_normals(corners: Floats) -> Floats:
    """Unit normals (..., 3) of triangles (..., 3, 3); nought for those without area."""
    normals, _ = triangle_normals(*corners.reshape(-1, 3, 3).swapaxes(0, 1))
    return normals.reshape((*corners.shape[:-2], 3))


@dataclass(frozen=True, eq=False)
class _Ways:
    """The w ways to divide a polygon of n corners into triangles."""

    triangles: Indices
    """(w, n - 2, 3): corners, counted along the polygon."""
    at_border: NDArray[np.intp]
    """(w, n): which triangle has the side from each corner to the next."""
    inner: NDArray[np.intp]
    """(w, n - 3, 2): which two triangles meet at each diagonal."""

    @staticmethod
    @cache
    def of(count: int) -> _Ways:
        at_border, inner = [], []
        divisions = _divisions(0, count - 1)
        for division in divisions:
            holders: dict[tuple[int, int], list[int]] = {}
            for place, (a, b, c) in enumerate(division):
                for side in ((a, b), (b, c), (a, c)):
                    holders.setdefault(side, []).append(place)
            at_border.append([holders[min(a, b), max(a, b)][0] for a in range(count) for b in [(a + 1) % count]])
            inner.append([places for places in holders.values() if len(places) == 2])
        shape = len(divisions), count - 3, 2
        return _Ways(np.array(divisions), np.array(at_border), np.array(inner, np.intp).reshape(shape))


def _divisions(first: int, last: int) -> list[list[tuple[int, int, int]]]:
    """Every way to divide the corners from ``first`` to ``last`` of a convex polygon into triangles."""
    if last - first < 2:
        return [[]]
    return [
        [*before, (first, apex, last), *after]
        for apex in range(first + 1, last)
        for before in _divisions(first, apex)
        for after in _divisions(apex, last)
    ]
