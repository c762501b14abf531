# SPDX-License-Identifier: GPL-3.0-or-later
"""What the checks ask of outlines: how far a bead can go inward, where they are narrow, how far apart they lie."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from manifold3d import CrossSection, JoinType, OpType
from numpy.typing import NDArray

from ..geometry.frames import Floats
from ..geometry.polygons import AT_ONCE, contains, nearest_edges

CLOSE_MM = 1e-3
"""Widths are found to this, far below what a process can lay."""

_ARC_FACETS = 32
"""Facets of a whole circle in offsets: half a percent of the distance."""
_SAMPLES = 32
"""Points of an outline at which its distance to another is taken."""


def offset(outline: CrossSection, distance: float) -> CrossSection:
    """The outline moved outward all around (inward where negative): what lies within ``distance`` of it."""
    return outline.offset(distance, JoinType.Round, 2.0, _ARC_FACETS)


def opened(outline: CrossSection, distance: float) -> CrossSection:
    """The outline without the parts narrower than twice ``distance``. Corners stay sharp down to about 30 degrees."""
    return offset(outline, -distance).offset(distance + CLOSE_MM, JoinType.Miter, 4.0)


def closed(outline: CrossSection, distance: float) -> CrossSection:
    """The outline with the gaps narrower than twice ``distance`` filled."""
    return offset(outline, distance).offset(-distance - CLOSE_MM, JoinType.Miter, 4.0)


def without_specks(region: CrossSection, least_mm2: float, least_width: float) -> CrossSection:
    """The parts of a region that are not slivers of rounding: at least this large, and somewhere at least this wide.

    Slivers must not be offset: the kernel grows even a line.
    """
    if region.area() < least_mm2:
        return CrossSection()
    parts = [part for part in region.decompose() if part.area() >= least_mm2]
    parts = [part for part in parts if not offset(part, -least_width / 2).is_empty()]
    return CrossSection.batch_boolean(parts, OpType.Add) if parts else CrossSection()


def centre_of(outline: CrossSection) -> tuple[float, float]:
    """Centre of the box around an outline."""
    left, front, right, back = outline.bounds()
    return (left + right) / 2, (front + back) / 2


def inradius(outline: CrossSection, high: float | None = None) -> float:
    """Radius of the largest circle inside an outline: how far inward it moves before nothing is left."""
    if outline.is_empty():
        return 0.0
    left, front, right, back = outline.bounds()
    most = min(right - left, back - front) / 2 if outline.num_contour() == 1 else math.inf
    most = min(most, math.sqrt(outline.area() / math.pi), math.inf if high is None else high)
    return greatest(lambda distance: not offset(outline, -distance).is_empty(), most)


def greatest(holds: Callable[[float], bool], high: float) -> float:
    """The greatest number up to ``high`` for which ``holds``, where it holds below and fails above."""
    low, step = 0.0, max(high * 1e-5, min(CLOSE_MM, high * 1e-2))
    while high - low > step:
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return (low + high) / 2


@dataclass(frozen=True, eq=False)
class Shapes:
    """Facts of many outlines, worked out together."""

    outlines: Sequence[CrossSection]

    @cached_property
    def polygons(self) -> list[list[Floats]]:
        return [outline.to_polygons() for outline in self.outlines]

    @property
    def convex(self) -> NDArray[np.bool_]:
        """(m,): one contour that only ever turns left."""
        return self._facts[0]

    @property
    def blunt(self) -> NDArray[np.bool_]:
        """(m,): convex without a corner sharper than 60 degrees."""
        return self._facts[1]

    @cached_property
    def inradii(self) -> Floats:
        """(m,): radius of the largest circle inside each outline, 0 for an empty one."""
        _, _, low, high = self._facts
        widths = low.copy()
        for index in np.flatnonzero(high - low > CLOSE_MM).tolist():
            widths[index] = inradius(self.outlines[index], float(high[index]))
        return widths

    @cached_property
    def _facts(self) -> tuple[NDArray[np.bool_], NDArray[np.bool_], Floats, Floats]:
        """Convex, blunt, and what the largest inner circle's radius is at least and at most.

        In a convex outline the circle about the centroid that touches the nearest side fits, and none is wider than
        half the outline's width across that side; for outlines alike about their centre the two are the same.
        """
        count = len(self.outlines)
        convex, blunt = np.zeros(count, bool), np.zeros(count, bool)
        low, high = np.zeros(count), np.full(count, np.inf)
        single = np.array([index for index, loops in enumerate(self.polygons) if len(loops) == 1], int)
        empty = [index for index, loops in enumerate(self.polygons) if not loops]
        high[empty] = 0.0
        if not len(single):
            return convex, blunt, low, high
        points = np.concatenate([self.polygons[index][0] for index in single])
        sizes = np.array([len(self.polygons[index][0]) for index in single])
        starts = np.cumsum(sizes) - sizes
        of = np.repeat(np.arange(len(single)), sizes)
        after = np.arange(1, len(points) + 1)
        after[starts + sizes - 1] = starts
        x, y = (points - points[starts][of]).T
        x2, y2 = x[after], y[after]
        dx, dy = x2 - x, y2 - y
        length = np.hypot(dx, dy)
        turn = dx * dy[after] - dy * dx[after]
        convex[single] = np.minimum.reduceat(turn + 1e-9 * length * length[after], starts) >= 0
        ahead = dx * dx[after] + dy * dy[after]
        blunt[single] = np.minimum.reduceat(ahead + 0.5 * length * length[after], starts) >= 0
        blunt &= convex
        cross = x * y2 - x2 * y
        doubles = np.add.reduceat(cross, starts)
        centre_x = np.add.reduceat((x + x2) * cross, starts) / (3 * doubles)
        centre_y = np.add.reduceat((y + y2) * cross, starts) / (3 * doubles)
        distance = (dx * (centre_y[of] - y) - dy * (centre_x[of] - x)) / np.maximum(length, 1e-12)
        least = np.minimum.reduceat(distance, starts)
        nearest = np.flatnonzero(distance == least[of])
        nearest = nearest[np.unique(of[nearest], return_index=True)[1]]
        nx, ny = -dy[nearest] / length[nearest], dx[nearest] / length[nearest]
        across = x * nx[of] + y * ny[of]
        width = np.maximum.reduceat(across, starts) - np.minimum.reduceat(across, starts)
        round_ones = convex[single]
        low[single[round_ones]] = least[round_ones]
        high[single[round_ones]] = width[round_ones] / 2
        return convex, blunt, low, high


def samples(polygons: Sequence[Floats]) -> Floats:
    """About ``_SAMPLES`` points (k, 2) of an outline: half of them corners, half middles of edges, long edges first."""
    points = polygons[0] if len(polygons) == 1 else np.concatenate(polygons)
    edges = _following(polygons) - points
    half = _SAMPLES // 2
    if len(points) <= half:
        return np.concatenate([points, points + edges / 2])
    lengths = np.cumsum(np.abs(edges[:, 0]) + np.abs(edges[:, 1]))
    longest = np.searchsorted(lengths, lengths[-1] * (np.arange(half) + 0.5) / half)
    return np.concatenate([points[np.arange(half) * len(points) // half], points[longest] + edges[longest] / 2])


def _following(polygons: Sequence[Floats]) -> Floats:
    """(n, 2): for each corner of an outline the next one."""
    return np.concatenate([part for loop in polygons for part in (loop[1:], loop[:1])])


def contained(points: Floats, loops: Sequence[Floats]) -> NDArray[np.bool_]:
    """(k,): whether points (k, 2) lie inside an outline, holes left out."""
    return np.logical_xor.reduce([contains(loop, points) for loop in loops])


def distances(points: Sequence[Floats], polygons: Sequence[Sequence[Floats]]) -> list[Floats]:
    """For each set of points (k, 2), their distances (k,) in mm to the outline at the same place in ``polygons``."""
    starts = [np.concatenate(loops) for loops in polygons]
    ends = [_following(loops) for loops in polygons]
    most_points, most_edges = max(map(len, points)), max(map(len, starts))
    batch = max(1, AT_ONCE // (most_points * most_edges))
    rows: list[Floats] = []
    for at in range(0, len(points), batch):
        some = slice(at, at + batch)
        p, a, b = (
            _stack(arrays[some], most)
            for arrays, most in ((points, most_points), (starts, most_edges), (ends, most_edges))
        )
        rows += [row[: len(inside)] for row, inside in zip(nearest_edges(p, a, b)[0], points[some], strict=True)]
    return rows


def _stack(arrays: Sequence[Floats], count: int) -> Floats:
    """(len, count, 2): each array made as long by repeating its last row."""
    stacked = np.empty((len(arrays), count, 2))
    for row, array in zip(stacked, arrays, strict=True):
        row[: len(array)] = array
        row[len(array) :] = array[-1]
    return stacked
