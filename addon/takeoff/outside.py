# SPDX-License-Identifier: GPL-3.0-or-later
"""How far the outside of a tube is free from each of its ends, before something touches it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry.frames import Floats, taken
from ..geometry.outline_fit import off_outline
from .chunks import Chunks
from .clearance import crosses_box, nearest_levels, split_at_rim
from .legs import Leg, of_ends
from .rim_sections import RimSection
from .surface import Surface
from .walls import WallRuns

_NEAR = 0.05
"""Share of the width within which something is near a tube's outside."""
_AT_RIM = 2e-3
_FACETS = 32


def free_lengths(
    surface: Surface, chunks: Chunks, runs: WallRuns, profiles: Sequence[RimSection], legs: Sequence[Leg]
) -> list[tuple[float, float]]:
    """For each leg how far from its first and its last end nothing but itself is near its outside."""
    if not legs:
        return []
    rim, wall = np.divmod(runs.own, max(runs.walls, 1))
    leg_of = of_ends(legs)
    owner = np.full(max(runs.walls, 1), -1)
    owner[wall] = leg_of[rim]
    sides = np.array([(leg.section.outer.width, leg.section.outer.depth) for leg in legs])
    reach = sides / 2 + _NEAR * sides.max(axis=1, keepdims=True)
    mitred = 2 * np.hypot(*sides.T)
    low = np.column_stack([-reach, -np.array([leg.length for leg in legs]) - mitred])
    high = np.column_stack([reach, mitred])
    origins, axes = np.array([leg.frame.origin for leg in legs]), np.array([leg.frame.axes for leg in legs])
    query, chunk = chunks.tree.near(origins, axes, low, high)
    others = owner[surface.walls[chunks.firsts(chunk)]] != query
    query, chunk = query[others], chunk[others]
    member, triangles = chunks.triangles(chunk)
    query = query[member]
    arms = surface.corners(triangles) - taken(origins, query)[:, None]
    corners = np.einsum("kij,kcj->kci", taken(axes, query), arms)
    inside = ((corners.min(axis=1) <= taken(high, query)) & (corners.max(axis=1) >= taken(low, query))).all(axis=1)
    query, corners = query[inside], corners[inside]
    inside = crosses_box(corners[..., :2], low[query, :2], high[query, :2])
    query, corners = query[inside], corners[inside]
    free = [(leg.length, leg.length) for leg in legs]
    order = np.argsort(query, kind="stable")
    query, corners = query[order], corners[order]
    begins = np.flatnonzero(np.diff(query, prepend=-1))
    for place, around in zip(query[begins].tolist(), np.split(corners, begins[1:]), strict=False):
        free[place] = _free(profiles, legs[place], around)
    return free


def _free(profiles: Sequence[RimSection], leg: Leg, corners: Floats) -> tuple[float, float]:
    """How far one leg is free of triangles (n, 3, 3) in its frame, from either end."""
    outline = leg.section.outer
    out = off_outline(outline, corners[..., :2].reshape(-1, 2))[0].reshape(-1, 3) > leg.tolerance(outline)
    corners = corners[out.any(axis=1)]
    prism = outline.cross_section(_FACETS).offset(_NEAR * outline.width, miter_limit=2.0)
    distances = []
    for end, up in ((leg.first, 1), (leg.last, -1)):
        sheared = corners.copy()
        depths = _depths(profiles, leg, end, up, corners.reshape(-1, 3)).reshape(-1, 3)
        at_rim = _AT_RIM * outline.width
        sheared[..., 2] = np.where(np.abs(depths) < at_rim, 0.0, depths)
        below = split_at_rim(sheared)[0]
        below = below[below[..., 2].max(axis=1, initial=0.0) > at_rim]
        nearest = nearest_levels(prism, below[..., :2], below[..., 2], 0.0).min(initial=np.inf)
        distances.append(float(min(max(nearest, 0.0), leg.length)))
    return distances[0], distances[1]


def _depths(profiles: Sequence[RimSection], leg: Leg, end: int, up: int, points: Floats) -> Floats:
    """How far points (n, 3) of the leg's frame lie from its first end, ``up`` 1, or its last, along the axis."""
    level = 0.0 if up > 0 else -leg.length
    depths = up * (level - points[:, 2])
    if end < 0 or not profiles[end].mitre_deg:
        return depths
    normal = profiles[end].rim_normal @ leg.frame.axes.T
    return depths - points[:, :2] @ normal[:2] / (normal[2] * up)
