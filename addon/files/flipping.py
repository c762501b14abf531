# SPDX-License-Identifier: GPL-3.0-or-later
"""Facets that run across a surface turned to run along it, by flipping the edges between them.

On long faces the STEP kernel leaves edges that cut deep below the surface between corners that lie on it, and needles
whose planes cross it: with three corners nearly in line a facet faces anywhere. Corners stay where they are, and so
does the count of facets.
"""

from __future__ import annotations

import numpy as np

from ..geometry import topology
from ..geometry.frames import Floats
from ..geometry.mesh import Ints, triangle_normals
from ..geometry.topology import Indices

_ALONG = np.cos(np.radians(20.0))
"""A facet that leans no further from the surface at its corners faces along it."""
_LEAN_GAIN = 1e-6
_DEPTH_GAIN_MM = 0.1
_MOST_ROUNDS = 100


def flipped(points: Floats, normals: Floats, facets: Ints) -> Ints:
    """Facets (m, 3) over corners (n, 3), of which ``normals`` (n, 3) are the surface's, with the edges within faces
    flipped: first where of the two facets beside them the one that leans further from the surface then leans less, then
    where the other edge cuts less deep below the surface.

    Faces have corners of their own, so that edges between them stay.
    """
    triangles = facets.astype(np.int64)
    _flip(points, normals, triangles, for_depth=False)
    _flip(points, normals, triangles, for_depth=True)
    return triangles.astype(np.int32)


def _flip(points: Floats, normals: Floats, triangles: Indices, for_depth: bool) -> None:
    """Flips edges of ``triangles`` (m, 3) in place as long as that gains enough, for one of the two reasons."""
    facing = _facing(points, normals, triangles)
    deepest = _deepest(points, normals, triangles) if for_depth else np.zeros(0)
    for _ in range(_MOST_ROUNDS):
        if for_depth:
            near = np.flatnonzero(deepest > _DEPTH_GAIN_MM)
        else:
            at_corners = np.zeros(len(points), bool)
            at_corners[triangles[facing < _ALONG]] = True
            near = np.flatnonzero(at_corners[triangles].sum(axis=1) > 1)
        if not near.size:
            break
        part, leans = triangles[near], facing[near]
        twins = topology.twins(topology.edges(part, len(points)), part, points)
        half = np.flatnonzero(twins > np.arange(len(twins)))
        corner, worse = part.ravel(), np.minimum(leans[half // 3], leans[twins[half] // 3])
        ends = np.stack([corner[half], corner[topology.next_in_triangle(half)]])
        tips = np.stack(
            [corner[topology.next_in_triangle(topology.next_in_triangle(side))] for side in (half, twins[half])]
        )
        gain = _depth(points, normals, *ends) - _depth(points, normals, *tips)
        hopeful = gain > _DEPTH_GAIN_MM if for_depth else worse < _ALONG
        half, worse, gain, ends, tips = half[hopeful], worse[hopeful], gain[hopeful], ends[:, hopeful], tips[:, hopeful]
        pairs = [np.stack([tips[side], ends[side], tips[1 - side]], axis=1) for side in (0, 1)]
        turned = [_facing(points, normals, pair) for pair in pairs]
        if for_depth:
            able = np.flatnonzero(np.minimum(*turned) >= np.minimum(worse, _ALONG))
        else:
            gain = np.minimum(*turned) - worse
            able = np.flatnonzero(gain > _LEAN_GAIN)
        # Each facet takes part in the flip that gains most of the three that it could.
        beside, best = (half // 3, twins[half] // 3), np.zeros(len(part))
        for side in beside:
            np.maximum.at(best, side[able], gain[able])
        chosen = able[(gain[able] >= best[beside[0][able]]) & (gain[able] >= best[beside[1][able]])]
        _, first = np.unique(np.stack([side[chosen] for side in beside], axis=1).ravel(), return_index=True)
        chosen = chosen[np.bincount(first // 2, minlength=len(chosen)) == 2]
        if not chosen.size:
            break
        for side, pair, lean in zip(beside, pairs, turned, strict=True):
            flips = near[side[chosen]]
            triangles[flips], facing[flips] = pair[chosen], lean[chosen]
            if for_depth:
                deepest[flips] = _deepest(points, normals, pair[chosen])


def _depth(points: Floats, normals: Floats, some: Indices, others: Indices) -> Floats:
    """(k,): how deep lines between corners cut below the surface, as chords of a circle that turns as much do."""
    return np.abs(np.einsum("ij,ij->i", points[some] - points[others], normals[some] - normals[others])) / 8


def _deepest(points: Floats, normals: Floats, triangles: Indices) -> Floats:
    """(m,): how deep each triangle's sides cut below the surface at most."""
    around = [_depth(points, normals, triangles[:, side], triangles[:, side - 1]) for side in range(3)]
    deepest: Floats = np.max(around, axis=0)
    return deepest


def _facing(points: Floats, normals: Floats, triangles: Indices) -> Floats:
    """(m,): cosine of how far each triangle leans from the surface at the corner where it leans most; -1 if it has no
    area."""
    facets, areas = triangle_normals(*points[triangles.T])
    return np.where(areas > 0, np.einsum("ij,ikj->ik", facets, normals[triangles]).min(axis=1), -1.0)
