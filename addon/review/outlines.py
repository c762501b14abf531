# SPDX-License-Identifier: GPL-3.0-or-later
"""What the checks ask of outlines: how far a bead can go inward, where they are narrow, how far apart they lie."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from manifold3d import CrossSection, JoinType, OpType
from numpy.typing import NDArray

from ..geometry.boxes import BoxTree
from ..geometry.frames import Floats
from ..geometry.polygons import AT_ONCE, edge_distances
from ..geometry.topology import Indices, in_runs

CLOSE_MM = 1e-3
"""Widths are found to this, far below what a process can lay."""

_ARC_FACETS = 32
"""Facets of a whole circle in offsets: half a percent of the distance."""
_SAGITTA_MM = 0.05
"""Of an arc's chords, where half a percent of the distance is more than that and counts."""
_FEW_EDGES, _EDGES_AT_ONCE = 200, 20_000
"""Of an outline up to so many edges are held each against each, which is quicker then."""
_FACING = -0.49
"""The dot product of the ways of two edges that face each other, or away: a little under 120 degrees apart."""
_SAME_MM = 1e-6
"""Edges of outlines that follow each other are the same where their corners are nearer."""
_SLIVER_MM = 0.04
"""A corner with a shorter side than this holds nothing that a process lays."""
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
    # Moved back, an arc's chords would cut into the outline by their sagitta.
    facets = max(_ARC_FACETS, math.ceil(math.pi * math.sqrt(distance / (2 * _SAGITTA_MM))))
    return outline.offset(distance, JoinType.Round, 2.0, facets).offset(-distance - CLOSE_MM, JoinType.Miter, 4.0)


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


def inradius(outline: CrossSection, low: float = 0.0, high: float = math.inf) -> float:
    """Radius of the largest circle inside an outline: how far inward it moves before nothing is left. It is at least
    ``low``; sought no further than ``high``."""
    if outline.is_empty():
        return 0.0
    left, front, right, back = outline.bounds()
    most = min(right - left, back - front) / 2 if outline.num_contour() == 1 else math.inf
    most = min(most, math.sqrt(outline.area() / math.pi))

    def fits(radius: float) -> bool:
        return not offset(outline, -radius).is_empty()

    return high if high < most and fits(high) else greatest(fits, min(high, most), low)


def greatest(holds: Callable[[float], bool], high: float, low: float = 0.0) -> float:
    """The greatest number from ``low`` to ``high`` for which ``holds``, where it holds below and fails above."""
    step = max(high * 1e-5, min(CLOSE_MM, high * 1e-2))
    while high - low > step:
        middle = (low + high) / 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return (low + high) / 2


@dataclass(frozen=True, eq=False)
class _Contours:
    """Facts of (k,) contours, holes looked at as if they were filled."""

    outer: NDArray[np.bool_]
    """Not a hole."""
    centre: Floats
    """(k, 2): centroid."""
    far: Floats
    """From the centroid to the farthest corner."""
    convex: NDArray[np.bool_]
    blunt: NDArray[np.bool_]
    """Convex without a corner sharper than 60 degrees."""
    low: Floats
    """Of a convex one, what the largest inner circle's radius is at least; else 0.

    The circle about the centroid that touches the nearest side fits, and none is wider than half the contour's width
    across that side; for contours alike about their centre the two are the same.
    """
    high: Floats
    """What it is at most; infinite if not convex."""

    @classmethod
    def of(cls, contours: Sequence[Floats]) -> _Contours:
        points = np.concatenate(contours)
        sizes = np.array([len(contour) for contour in contours])
        starts = np.cumsum(sizes) - sizes
        of = np.repeat(np.arange(len(sizes)), sizes)
        after = np.arange(1, len(points) + 1)
        after[starts + sizes - 1] = starts
        x, y = (points - points[starts][of]).T
        x2, y2 = x[after], y[after]
        dx, dy = x2 - x, y2 - y
        length = np.hypot(dx, dy)
        cross = x * y2 - x2 * y
        doubles = np.add.reduceat(cross, starts)
        way = np.sign(doubles)[of]
        turn = way * (dx * dy[after] - dy * dx[after])
        convex = np.minimum.reduceat(turn + 1e-9 * length * length[after], starts) >= 0
        ahead = dx * dx[after] + dy * dy[after]
        blunt = convex & (np.minimum.reduceat(ahead + 0.5 * length * length[after], starts) >= 0)
        centre_x = np.add.reduceat((x + x2) * cross, starts) / (3 * doubles)
        centre_y = np.add.reduceat((y + y2) * cross, starts) / (3 * doubles)
        from_x, from_y = x - centre_x[of], y - centre_y[of]
        distance = way * (dy * from_x - dx * from_y) / np.maximum(length, 1e-12)
        least = np.minimum.reduceat(distance, starts)
        nearest = np.flatnonzero(distance == least[of])
        nearest = nearest[np.unique(of[nearest], return_index=True)[1]]
        nx, ny = -dy[nearest] / length[nearest], dx[nearest] / length[nearest]
        across = x * nx[of] + y * ny[of]
        width = np.maximum.reduceat(across, starts) - np.minimum.reduceat(across, starts)
        return cls(
            outer=doubles > 0,
            centre=np.column_stack([centre_x, centre_y]) + points[starts],
            far=np.maximum.reduceat(np.hypot(from_x, from_y), starts),
            convex=convex,
            blunt=blunt,
            low=np.where(convex, least, 0.0),
            high=np.where(convex, width / 2, np.inf),
        )


@dataclass(frozen=True, eq=False)
class Shapes:
    """Facts of many outlines, worked out together."""

    outlines: Sequence[CrossSection]
    near_mm: float = math.inf
    """How near to each other edges matter that face each other."""

    def __getstate__(self) -> dict[str, Any]:
        """Facts are worked out sooner than sent to another process."""
        return {"outlines": self.outlines, "near_mm": self.near_mm}

    @cached_property
    def polygons(self) -> list[list[Floats]]:
        return [outline.to_polygons() for outline in self.outlines]

    @cached_property
    def edges(self) -> OutlineEdges:
        return OutlineEdges.of(self.polygons)

    @property
    def convex(self) -> NDArray[np.bool_]:
        """(m,): one contour that only ever turns left."""
        return self._facts.convex

    @cached_property
    def walls(self) -> Floats:
        """(m,): of a convex contour with a convex hole, how far they are apart at least; 0 of all else."""
        return np.where(np.isinf(self._facts.apart), 0.0, np.maximum(self._facts.apart, 0.0))

    def inradius(self, index: int, most: float = math.inf) -> float:
        """Radius of the largest circle inside an outline, 0 if it is empty; if it is more than ``most``, a number from
        ``most`` up to the radius."""
        low, high = float(self._facts.low[index]), min(float(self._facts.high[index]), most)
        return inradius(self.outlines[index], low, high) if high - low > CLOSE_MM else low

    def inradii(self, most: float | Floats = math.inf) -> Floats:
        """(m,): the same of each outline."""
        low, high = self._facts.low, np.minimum(self._facts.high, most)
        radii = low.copy()
        for index in np.flatnonzero(high - low > CLOSE_MM).tolist():
            radii[index] = self.inradius(index, float(high[index]))
        return radii

    def perhaps_thin(self, width: float) -> list[int]:
        """The outlines that may be narrower than ``width`` somewhere.

        Moved inward and out again, a wide enough convex contour without a sharp corner comes back as it was. It does so
        around a convex hole, too, that keeps as far away from it, and so does any outline whose edges face away from
        each other nowhere nearer.
        """
        facts = self._facts
        wide = facts.blunt & (facts.apart >= width) & (facts.low >= width / 2)
        return np.flatnonzero(~wide & (self._facing < width)).tolist()

    def perhaps_gapped(self, width: float) -> list[int]:
        """The outlines that may have a gap narrower than ``width``: the same for a hole, for all around, and for
        edges that face each other."""
        facts = self._facts
        clear = facts.convex | (facts.blunt_hole & (facts.hole_low >= width / 2))
        return np.flatnonzero(~clear & (self._facing < width)).tolist()

    @cached_property
    def _facing(self) -> Floats:
        """(m,): of an outline that is neither convex nor convex with a convex hole, how near to each other its edges
        face; 0 of all else."""
        facing = np.zeros(len(self.outlines))
        around_hole = (self._facts.apart >= 0) & np.isfinite(self._facts.apart)
        others = np.flatnonzero(~self.convex & ~around_hole)
        facing[others] = self.edges.facing(others, self.near_mm)
        return facing

    @cached_property
    def _facts(self) -> _Facts:
        facts = _Facts.unknown(len(self.outlines))
        loops = np.array([len(polygon) for polygon in self.polygons], int)
        facts.high[loops == 0] = 0.0
        contours = [contour for polygon in self.polygons for contour in polygon]
        if not contours:
            return facts
        each, first = _Contours.of(contours), np.cumsum(loops) - loops
        at = np.flatnonzero(loops == 1)
        contour = first[at]
        facts.convex[at], facts.blunt[at], facts.apart[at] = each.convex[contour], each.blunt[contour], np.inf
        facts.low[at], facts.high[at] = each.low[contour], each.high[contour]
        at = np.flatnonzero(loops == 2)
        swapped = ~each.outer[first[at]]
        outer, hole = first[at] + swapped, first[at] + ~swapped
        ringed = each.outer[outer] & ~each.outer[hole] & each.convex[outer] & each.convex[hole]
        at, outer, hole = at[ringed], outer[ringed], hole[ringed]
        if len(at):
            facts.blunt[at], facts.blunt_hole[at], facts.hole_low[at] = (
                each.blunt[outer],
                each.blunt[hole],
                each.low[hole],
            )
            centres, around = each.centre[hole], [contours[index] for index in outer]
            edges = OutlineEdges.of([[contour] for contour in around])
            near = edges.distances(centres[:, None], np.arange(len(at)))[:, 0]
            corners = edges._padded(np.arange(len(at)))[0] - centres[:, None]
            far = np.sqrt(np.einsum("lni,lni->ln", corners, corners).max(axis=1))
            # No circle beside the hole reaches past the far side, nor over the circle that the hole holds.
            facts.apart[at] = near - each.far[hole]
            facts.low[at] = np.maximum(facts.apart[at] / 2, 0.0)
            facts.high[at] = np.minimum(each.high[outer], (far - each.low[hole]) / 2)
        return facts


@dataclass(frozen=True, eq=False)
class _Facts:
    """Facts of (m,) outlines: of one contour, or of a convex one with a convex hole."""

    convex: NDArray[np.bool_]
    """One convex contour."""
    blunt: NDArray[np.bool_]
    """The contour is convex without a corner sharper than 60 degrees."""
    blunt_hole: NDArray[np.bool_]
    """The hole is, and there is one."""
    hole_low: Floats
    """What the radius of the largest circle in the hole is at least."""
    apart: Floats
    """How far contour and hole are apart at least; infinite without a hole, negative if nothing is known."""
    low: Floats
    """What the largest inner circle's radius is at least."""
    high: Floats
    """What it is at most."""

    @classmethod
    def unknown(cls, count: int) -> _Facts:
        no, nothing = np.zeros(count, bool), np.zeros(count)
        return cls(no, no.copy(), no.copy(), nothing, np.full(count, -1.0), nothing.copy(), np.full(count, np.inf))


@dataclass(frozen=True, eq=False)
class OutlineEdges:
    """The edges of (m,) outlines, one after another, holes among them."""

    starts: Floats
    """(p, 2) in mm."""
    ends: Floats
    first: Indices
    """(m,): where those of each outline begin."""
    counts: Indices
    """(m,)"""

    @classmethod
    def of(cls, polygons: Sequence[Sequence[Floats]]) -> OutlineEdges:
        loops = [loop for polygon in polygons for loop in polygon]
        starts = np.concatenate(loops) if loops else np.empty((0, 2))
        lasts = np.cumsum([len(loop) for loop in loops], dtype=int) - 1
        after = np.arange(1, len(starts) + 1)
        after[lasts] = np.append(0, lasts[:-1] + 1)[: len(lasts)]
        counts = np.array([sum(map(len, polygon)) for polygon in polygons], int)
        return cls(starts, starts[after], np.cumsum(counts) - counts, counts)

    def samples(self, which: Indices) -> Floats:
        """(k, _SAMPLES, 2): points of these outlines, none of them empty: half of them corners, half middles of edges,
        long edges first."""
        half, first, counts = _SAMPLES // 2, self.first[which, None], self.counts[which, None]
        edges = self.ends - self.starts
        lengths = np.append(0.0, np.cumsum(np.abs(edges[:, 0]) + np.abs(edges[:, 1])))
        before, around = lengths[first], lengths[first + counts] - lengths[first]
        even = first + np.arange(half) * counts // half
        longest = np.searchsorted(lengths, before + around * (np.arange(half) + 0.5) / half) - 1
        longest = np.where(counts <= half, even, np.clip(longest, first, first + counts - 1))
        return np.concatenate([self.starts[even], self.starts[longest] + edges[longest] / 2], axis=1)

    def distances(self, points: Floats, which: Indices) -> Floats:
        """(k, s): how far in mm points (k, s, 2) lie from these outlines."""
        return self._batched(lambda points, starts, ends, _: edge_distances(points, starts, ends), points, which)

    def contain(self, points: Floats, which: Indices) -> NDArray[np.bool_]:
        """(k, s): whether points (k, s, 2) lie inside these outlines, by the even-odd rule, holes left out."""

        def inside(points: Floats, starts: Floats, ends: Floats, counts: Indices) -> NDArray[np.bool_]:
            (x, y), (x1, y1), (x2, y2) = (
                np.moveaxis(array, -1, 0) for array in (points[:, :, None], starts[:, None], ends[:, None])
            )
            passed = ((y >= y1) != (y >= y2)) & (np.arange(starts.shape[1]) < counts[:, None, None])
            passed &= ((x2 - x1) * (y - y1) - (y2 - y1) * (x - x1) > 0) == (y2 > y1)
            return passed.sum(axis=2) % 2 == 1

        return self._batched(inside, points, which)

    def facing(self, which: Indices, most: float = math.inf) -> Floats:
        """(k,): how near in mm edges of these outlines lie that face each other or away from each other, within 60
        degrees; more than ``most``, or infinite, where none are as near as that. Two that meet in a corner do not count
        where one is shorter than ``_SLIVER_MM``."""
        nearest, counts = np.full(len(which), np.inf), self.counts[which]
        few, many = np.flatnonzero((counts > 0) & (counts <= _FEW_EDGES)), np.flatnonzero(counts > _FEW_EDGES)
        for chosen, pairs_of, rooms in (
            (few, self._pairs_of_few, counts**2 * _EDGES_AT_ONCE // AT_ONCE + 1),
            (many, self._pairs_of_many, counts),
        ):
            parts = np.cumsum(rooms[chosen]) // _EDGES_AT_ONCE
            for part in np.split(chosen, np.flatnonzero(np.diff(parts)) + 1) if len(chosen) else ():
                edge, opposite, outline, levels = pairs_of(which[part], most)
                pair, above = in_runs(levels)
                np.minimum.at(nearest, part[outline[pair] + above], self._between(edge, opposite)[pair])
        return nearest

    def _pairs_of_few(self, which: Indices, most: float) -> tuple[Indices, Indices, Indices, Indices]:
        """Pairs of edges of these outlines that face each other and may be as near as ``most``, by place in the arrays,
        the first outline that has them, by place in ``which``, and how many have: each edge against each."""
        starts, ends, counts = self._padded(which)
        edges, middles = ends - starts, (starts + ends) / 2
        lengths = np.hypot(edges[..., 0], edges[..., 1])
        ways = edges / np.maximum(lengths, 1e-300)[..., None]
        # No nearer than their middles less half of both, as a product of matrices.
        middles -= middles.mean(axis=1, keepdims=True)
        across = 4 * float(np.abs(middles).max())
        around = (lengths + min(most, across)) / 2
        rest = np.einsum("lni,lni->ln", middles, middles) - around**2
        ones = np.ones_like(rest)
        left = np.stack([-2 * middles[:, :, 0], -2 * middles[:, :, 1], -2 * around, rest, ones], axis=2)
        right = np.stack([middles[:, :, 0], middles[:, :, 1], around, ones, rest], axis=1)
        near = left @ right <= 1e-9 * (1 + across**2)
        near &= ways @ ways.transpose(0, 2, 1) < _FACING
        outline, pair = np.divmod(np.flatnonzero(near), near[0].size)
        edge, opposite = np.divmod(pair, near.shape[2])
        once = (edge < opposite) & (opposite < counts[outline])
        first = self.first[which[outline[once]]]
        return first + edge[once], first + opposite[once], outline[once], np.ones(len(first), int)

    def _pairs_of_many(self, which: Indices, most: float) -> tuple[Indices, Indices, Indices, Indices]:
        """The same by the edges' boxes, which reach through all the outlines, one at each level, that share an edge."""
        outline, place = in_runs(self.counts[which])
        rows = self.first[which][outline] + place
        rounded = np.round(np.hstack([self.starts[rows], self.ends[rows]]) / _SAME_MM)
        order = np.lexsort((outline, *rounded.T))
        fresh = (np.diff(rounded[order], axis=0) != 0).any(axis=1) | (np.diff(outline[order]) != 1)
        begins = np.append(0, np.flatnonzero(fresh) + 1)
        level, last = outline[order[begins]], outline[order[np.append(begins[1:], len(order)) - 1]]
        rows = rows[order[begins]]
        starts, ends = self.starts[rows], self.ends[rows]
        reach = min(most, float(np.ptp(starts, axis=0).max())) / 2 * (1 + 1e-9) + 1e-9
        low, high = np.minimum(starts, ends) - reach, np.maximum(starts, ends) + reach
        tree = BoxTree.of(np.column_stack([low, level]), np.column_stack([high, last]))
        edge, opposite = tree.overlapping(len(rows) ** 2) or (rows[:0], rows[:0])
        ways = (ends - starts) / np.maximum(np.hypot(*(ends - starts).T), 1e-300)[:, None]
        facing = np.einsum("ij,ij->i", ways[edge], ways[opposite]) < _FACING
        edge, opposite = edge[facing], opposite[facing]
        first = np.maximum(level[edge], level[opposite])
        return rows[edge], rows[opposite], first, np.minimum(last[edge], last[opposite]) - first + 1

    def _between(self, edge: Indices, opposite: Indices) -> Floats:
        """(p,): how far apart pairs of edges lie; infinite for two that meet in a corner with a sliver for a side."""
        (start, end), (other_start, other_end) = ((self.starts[rows], self.ends[rows]) for rows in (edge, opposite))
        meet = (end == other_start).all(axis=1) | (start == other_end).all(axis=1)
        lengths = (np.hypot(*(end - start).T), np.hypot(*(other_end - other_start).T))
        counted = ~meet | (np.minimum(*lengths) >= _SLIVER_MM)
        # Edges do not cross: they are nearest at an end.
        apart = np.full(len(edge), np.inf)
        for a, b, c, d in ((start, end, other_start, other_end), (other_start, other_end, start, end)):
            corners = np.stack([a[counted], b[counted]], axis=1)
            near = edge_distances(corners, c[counted, None], d[counted, None])
            apart[counted] = np.minimum(apart[counted], near.min(axis=1))
        return apart

    def _padded(self, which: Indices) -> tuple[Floats, Floats, Indices]:
        """Starts and ends (l, n, 2) of these outlines' edges, of outlines with fewer the last one again, and their
        counts (l,)."""
        counts = self.counts[which]
        rows = self.first[which, None] + np.minimum(np.arange(counts.max()), counts[:, None] - 1)
        return self.starts[rows], self.ends[rows], counts

    def _batched(self, work: Callable[..., NDArray[Any]], points: Floats, which: Indices) -> NDArray[Any]:
        """What ``work`` makes of points (l, s, 2), starts and ends of edges (l, n, 2), of outlines with fewer the last
        one again, and their counts (l,)."""
        most = int(self.counts[which].max(initial=1))
        batch = max(1, AT_ONCE // (points.shape[1] * most))
        results = [work(points[:0], points[:0], points[:0], which[:0])] if not len(which) else []
        for at in range(0, len(which), batch):
            results.append(work(points[at : at + batch], *self._padded(which[at : at + batch])))
        return np.concatenate(results)
