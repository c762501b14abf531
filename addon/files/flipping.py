# SPDX-License-Identifier: GPL-3.0-or-later
"""Facets that run across a surface turned to run along it, by flipping the edges between them.

On long thin faces the STEP kernel leaves needles whose corners lie on the surface and whose planes cross it: with three
corners nearly in line a facet faces anywhere. Corners stay where they are, and so does the count of facets.
"""

from __future__ import annotations

import numpy as np

from ..geometry import topology
from ..geometry.frames import Floats
from ..geometry.mesh import Ints, triangle_normals
from ..geometry.topology import Indices

_ALONG = np.cos(np.radians(20.0))
"""A facet that leans no further from the surface at its corners is left alone."""
_GAIN = 1e-6
_MOST_ROUNDS = 100


def flipped(points: Floats, normals: Floats, facets: Ints) -> Ints:
    """Facets (m, 3) over corners (n, 3), of which ``normals`` (n, 3) are the surface's, with the edges within faces
    flipped where of the two facets beside them the one that leans further from the surface then leans less.

    Faces have corners of their own, so that edges between them stay.
    """
    triangles = facets.astype(np.int64)
    facing = _facing(points, normals, triangles)
    for _ in range(_MOST_ROUNDS):
        at_corners = np.zeros(len(points), bool)
        at_corners[triangles[facing < _ALONG]] = True
        near = np.flatnonzero(at_corners[triangles].sum(axis=1) > 1)
        if not near.size:
            break
        part, leans = triangles[near], facing[near]
        twins = topology.twins(topology.edges(part, len(points)), part, points)
        half = np.flatnonzero(twins > np.arange(len(twins)))
        worse = np.minimum(leans[half // 3], leans[twins[half] // 3])
        half, worse = half[worse < _ALONG], worse[worse < _ALONG]
        twin, ahead = twins[half], topology.next_in_triangle(half)
        corner, before = part.ravel(), topology.next_in_triangle(ahead)
        apex, other = corner[before], corner[topology.next_in_triangle(topology.next_in_triangle(twin))]
        pairs = np.stack([apex, corner[half], other], axis=1), np.stack([other, corner[ahead], apex], axis=1)
        turned = [_facing(points, normals, pair) for pair in pairs]
        gain = np.minimum(*turned) - worse
        # Each facet takes part in the flip that gains most of the three that it could.
        beside, able = (half // 3, twin // 3), np.flatnonzero(gain > _GAIN)
        best = np.zeros(len(part))
        for side in beside:
            np.maximum.at(best, side[able], gain[able])
        chosen = able[(gain[able] >= best[beside[0][able]]) & (gain[able] >= best[beside[1][able]])]
        _, first = np.unique(np.stack([side[chosen] for side in beside], axis=1).ravel(), return_index=True)
        alone = np.bincount(first // 2, minlength=len(chosen)) == 2
        chosen = chosen[alone]
        if not chosen.size:
            break
        for side, pair, leaning in zip(beside, pairs, turned, strict=True):
            flips = near[side[chosen]]
            triangles[flips], facing[flips] = pair[chosen], leaning[chosen]
    return triangles.astype(np.int32)


def _facing(points: Floats, normals: Floats, triangles: Indices) -> Floats:
    """(m,): cosine of how far each triangle leans from the surface at the corner where it leans most; -1 if it has no
    area."""
    facets, areas = triangle_normals(*points[triangles.T])
    return np.where(areas > 0, np.einsum("ij,ikj->ik", facets, normals[triangles]).min(axis=1), -1.0)
