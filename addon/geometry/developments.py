# SPDX-License-Identifier: GPL-3.0-or-later
"""Cuts across a tube, and their developments: the lines of a cut unrolled flat.

All in the frame of the tube's end: z along its axis and out of it. A cut is where the tube, followed along its axis,
meets the other tube's outside or a plane. docs/sums.md derives the heights.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Protocol

import numpy as np

from .frames import Floats, Frame, around_deg
from .outline_fit import off_outline
from .polygons import cross, nearest_edges
from .sections import Outline, Section
from .topology import in_runs

TOUCH_MM = 0.02
"""What passes by no further than this touches: tubes of one size do, and their coordinates are rounded."""
_FINE_MM = 3e-3
"""How far a development's line may lie from the true curve."""
_ROUNDED = 1e-9
"""Share of a side, or of a square, by which a line along its edge may pass by for rounding."""
_ROUNDS = 14
_SQUARE = 1e-3
"""Cosine of an angle that counts as a right one: one side is shorter by no more than is seen."""
_LEVEL_MM = 0.01
_PROBES, _FAR_OUT = 16, 0.9
_SEEN_MM = 0.1
"""What one side has to be shorter by to be called so."""
_CHORD = 0.04
"""Share of a tube's width by which chords lie inside it at most: those of eight facets."""
_STEPS = 180
_SIGNS = np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)])


class Cut(Protocol):
    """How a tube is cut, in the frame of its end."""

    @property
    def direction_deg(self) -> float:
        """Where around the tube, counter-clockwise from x, it lies in the plane of both axes, on the shorter side."""

    def heights(self, points: Floats) -> Floats:
        """(n,): z of the cut where lines along the tube's axis through points (n, 2) meet it; NaN where they pass by
        the other tube."""

    def seen_from(self, frame: Frame) -> Cut:
        """The same cut in another frame, given in this one, whose z runs the same way on the same axis."""


@dataclass(frozen=True)
class PlaneCut:
    """A mitre, as tube ends have it: the plane's normal leans towards ``towards_deg``."""

    mitre_deg: float
    towards_deg: float
    height_mm: float = 0.0
    """Where the axis meets it."""

    @property
    def direction_deg(self) -> float:
        return self.towards_deg

    def heights(self, points: Floats) -> Floats:
        towards = math.radians(self.towards_deg)
        fall = points @ (math.cos(towards), math.sin(towards))
        return self.height_mm - math.tan(math.radians(self.mitre_deg)) * fall

    def seen_from(self, frame: Frame) -> PlaneCut:
        turn = math.degrees(math.atan2(frame.x[1], frame.x[0]))
        return PlaneCut(self.mitre_deg, (self.towards_deg - turn) % 360.0, self.height_mm - float(frame.origin[2]))


@dataclass(frozen=True, eq=False)
class TubeCut:
    """To lie on another tube."""

    outline: Outline
    """The other tube's outside."""
    frame: Frame
    """Of the other tube: z along its axis, x along its width."""

    @classmethod
    def at(cls, outline: Outline, angle_deg: float, offset_mm: float = 0.0, turn_deg: float = 0.0) -> TubeCut:
        """The axes at this angle in the plane of x and z, and ``offset_mm`` apart along y; level with z = 0 where they
        pass each other. The other outline is turned about its own axis by ``turn_deg``."""
        angle = math.radians(angle_deg)
        along = (math.sin(angle), 0.0, -math.cos(angle))
        return cls(outline, Frame.along((0.0, -offset_mm, 0.0), along, (0.0, -1.0, 0.0)).turned(turn_deg))

    def seen_from(self, frame: Frame) -> TubeCut:
        return TubeCut(self.outline, Frame(frame.to_local(self.frame.origin), self.frame.axes @ frame.axes.T))

    @property
    def angle_deg(self) -> float:
        """Between the axes, up to 90."""
        return math.degrees(math.atan2(math.hypot(*self._along), abs(float(self.frame.z[2]))))

    @property
    def offset_mm(self) -> float:
        """Between the axes where they pass each other."""
        return abs(float(cross(self._unit, -self.frame.to_local([(0.0, 0.0, 0.0)])[0, :2])))

    @property
    def direction_deg(self) -> float:
        x, y, z = self.frame.z
        # At a right angle no side along the other tube is shorter: then the one to the right across it is.
        back = z > _SQUARE or (abs(z) <= _SQUARE and self._falls_left)
        return around_deg(-x, -y) if back else around_deg(x, y)

    @property
    def _falls_left(self) -> bool:
        """Whether the cut is shorter to the left than to the right, as near the axis as it differs, seen along the
        other tube with the end of this one up."""
        left = np.array([-self.frame.z[1], self.frame.z[0]])
        aside = cross(self._unit, self._seen(np.zeros((1, 2))))[0]
        low, high = self._reach
        out = np.linspace(0.0, _FAR_OUT * min(aside - low, high - aside), _PROBES)[1:, None]
        lower = self.heights(out * left) - self.heights(-out * left)
        return bool((lower[np.abs(lower) > _LEVEL_MM][:1] < 0).any())

    @property
    def axis_height(self) -> float:
        """z where the axes pass each other."""
        return float(self.middles(np.zeros((1, 2)))[0])

    def middles(self, points: Floats) -> Floats:
        """(n,): z where lines through points (n, 2) pass the other tube's axis, midway through it."""
        return -(self._seen(points) @ self._unit) / math.hypot(*self._along)

    def heights(self, points: Floats) -> Floats:
        starts, slope = self._seen(points), math.hypot(*self._along)
        aside, ahead = cross(self._unit, starts), starts @ self._unit
        low, high = self._reach
        touching = (aside >= low - TOUCH_MM) & (aside <= high + TOUCH_MM)
        return np.where(touching, self._first_met(np.clip(aside, low, high)) - ahead, np.nan) / slope

    @property
    def reach_mm(self) -> float:
        """How wide the other tube is as seen along this one."""
        return self._reach[1] - self._reach[0]

    def past_mm(self, points: Floats) -> float:
        """How far lines through points (n, 2) pass by beside the other tube; negative if all meet it."""
        aside = cross(self._unit, self._seen(points))
        low, high = self._reach
        return float(max(low - aside.min(), aside.max() - high))

    def overlap_mm(self, points: Floats) -> float:
        """How wide the part of an outline with points (n, 2) is that meets the other tube; negative if all of it passes
        by."""
        aside = cross(self._unit, self._seen(points))
        low, high = self._reach
        return float(min(high, aside.max()) - max(low, aside.min()))

    @property
    def _along(self) -> Floats:
        """(2,): the tube's axis as seen along the other one's."""
        return self.frame.axes[:2, 2]

    @property
    def _unit(self) -> Floats:
        return self._along / math.hypot(*self._along)

    def _seen(self, points: Floats) -> Floats:
        return self.frame.to_local(np.column_stack([points, np.zeros(len(points))]))[:, :2]

    @cached_property
    def _pieces(self) -> tuple[Floats, Floats, float]:
        """The other outline as seen along the tube, aside and ahead: the corners (n, 2) of a polygon, and centres
        (m, 2) and radius of the circles that round it."""
        outline = self.outline
        turn = np.column_stack([(-self._unit[1], self._unit[0]), self._unit])
        if outline.shape in ("ellipse", "free"):
            return outline.polygon(chord_error=_FINE_MM / 10) @ turn, np.empty((0, 2)), 0.0
        half = np.array([outline.width, outline.depth]) / 2 - outline.rounding
        return outline.polygon(facets=4) @ turn, (_SIGNS * half + outline.centre) @ turn, outline.rounding

    @cached_property
    def _reach(self) -> tuple[float, float]:
        corners, centres, radius = self._pieces
        sides = np.concatenate([corners[:, 0], centres[:, 0] - radius, centres[:, 0] + radius])
        return float(sides.min()), float(sides.max())

    def _first_met(self, aside: Floats) -> Floats:
        """(n,): how far ahead lines so far ``aside`` (n,) first meet the outline."""
        corners, centres, radius = self._pieces
        start, end = corners, np.roll(corners, -1, axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            share = (aside[:, None] - start[:, 0]) / (end - start)[:, 0]
            sides = np.where(np.abs(share - 0.5) <= 0.5 + _ROUNDED, start[:, 1] + share * (end - start)[:, 1], np.inf)
        square = radius**2 - (aside[:, None] - centres[:, 0]) ** 2
        arcs = np.where(square >= -_ROUNDED * radius**2, centres[:, 1] - np.sqrt(np.maximum(square, 0.0)), np.inf)
        return np.concatenate([sides, arcs], axis=1).min(axis=1)


@dataclass(frozen=True, eq=False)
class LowestCut:
    """To lie on several tubes: each line along the tube ends where it first meets one of them."""

    cuts: tuple[TubeCut, ...]
    direction_deg: float

    @classmethod
    def of(cls, cuts: Sequence[TubeCut], outline: Outline) -> LowestCut:
        """Of a tube with this outside. It is shorter to where its heights, as a first harmonic, fall."""
        points = outline.polygon(_STEPS)
        turn = np.arctan2(points[:, 1], points[:, 0])
        x, y = np.nan_to_num(_lowest(cuts, points)) @ np.column_stack([np.cos(turn), np.sin(turn)]) / len(points)
        level = math.hypot(x, y) < TOUCH_MM
        return cls(tuple(cuts), cuts[0].direction_deg if level else around_deg(-x, -y))

    def heights(self, points: Floats) -> Floats:
        return _lowest(self.cuts, points)

    def seen_from(self, frame: Frame) -> LowestCut:
        turn = math.degrees(math.atan2(frame.x[1], frame.x[0]))
        return LowestCut(tuple(cut.seen_from(frame) for cut in self.cuts), (self.direction_deg - turn) % 360.0)


def _lowest(cuts: Sequence[TubeCut], points: Floats) -> Floats:
    return np.fmin.reduce([cut.heights(points) for cut in cuts])


_LOPSIDED = 0.01
"""Share of its height by which a cut is shorter on one side; less is noise."""


@dataclass(frozen=True, eq=False)
class ReadCut:
    """A cut as it was read, corner by corner: where it meets the tube's outside (n, 3) and its bore (m, 3).

    It has no heights where corners are missing.
    """

    outside: Floats
    inside: Floats

    @property
    def direction_deg(self) -> float:
        """By the whole line, not by the one corner that is lowest: at a right angle two places are."""
        x, y, z = self.outside.T
        turns = np.radians(np.arange(360.0))
        heights = np.interp(turns, np.arctan2(y, x), z, period=2 * math.pi)
        once, twice = (np.mean(heights * np.exp(-1j * times * turns)) for times in (1, 2))
        if abs(once) > _LOPSIDED * np.ptp(z):
            return (180.0 - math.degrees(np.angle(once))) % 360.0
        return (90.0 - math.degrees(np.angle(twice)) / 2) % 180.0

    @property
    def sagitta_mm(self) -> float:
        """How far its chords mostly lie off the curve that was meant."""
        ends = np.roll(self.outside, -1, axis=0), np.roll(self.outside, 1, axis=0)
        chord, arm = ends[0] - ends[1], self.outside - ends[1]
        lengths = np.maximum(np.linalg.norm(chord, axis=1), 1e-12)
        # A corner lies four times as far off the chord over two sides as the middle of one side lies off the curve.
        return float(np.median(np.linalg.norm(np.cross(chord, arm), axis=1) / lengths)) / 4

    def seen_from(self, frame: Frame) -> ReadCut:
        return ReadCut(frame.to_local(self.outside), frame.to_local(self.inside))

    def heights(self, points: Floats) -> Floats:
        starts = np.concatenate([self.outside, self.inside])
        ends = np.concatenate([np.roll(line, -1, axis=0) for line in (self.outside, self.inside)])
        apart, edges = nearest_edges(points[None], starts[None, :, :2], ends[None, :, :2])
        start, way = starts[edges[0]], (ends - starts)[edges[0]]
        flat = way[:, :2]
        square = np.maximum(np.einsum("ij,ij->i", flat, flat), 1e-12)
        share = np.clip(np.einsum("ij,ij->i", points - start[:, :2], flat) / square, 0.0, 1.0)
        known = apart[0] <= _CHORD * np.ptp(self.outside[:, 0])
        return np.where(known, start[:, 2] + share * way[:, 2], np.nan)


def traced(cut: Cut, outline: Outline) -> Floats:
    """(n, 3): the line of a cut on an outline, counter-clockwise seen against z; z is NaN where the tube passes by."""
    points = places_around(outline)
    return np.column_stack([points, cut.heights(points)])


@lru_cache(64)  # an assembly has many tubes of few sections
def places_around(outline: Outline) -> Floats:
    """(n, 2): where ``traced`` looks for a cut, counter-clockwise."""
    girth = _Girth.of(outline, 0.0)
    places = girth.at(girth.stops(_STEPS // 2)[:-1])[0]
    places.flags.writeable = False
    return places


@dataclass(frozen=True)
class Line:
    """A line along the tube, ``around_mm`` from where a development begins."""

    around_mm: float
    name: str
    fold: bool = False
    """In the middle of a rectangular tube's corner."""
    chief: bool = False
    """The one that the tube is turned by: the shorter axis line, or side 1."""


@dataclass(frozen=True, eq=False)
class Development:
    """The line of a cut unrolled: n places around a tube's outside, the last one the first again, counter-clockwise
    seen from outside the end."""

    around: Floats
    """(n,): mm from the first."""
    points: Floats
    """(n, 2): where they lie on the tube's outside."""
    outward: Floats
    """(n, 2): straight out there."""
    outside: Floats
    """(n,): z of the cut on the outside."""
    inside: Floats
    """(n,): on the bore, straight inward of each place."""
    lines: tuple[Line, ...]
    """The axis and quarter lines, or the sides' middles, and the folds."""

    @property
    def chief_line(self) -> Line:
        return next(line for line in self.lines if line.chief)

    @property
    def length(self) -> float:
        """Of the way around."""
        return float(self.around[-1])

    @property
    def top(self) -> float:
        """z of the farthest point of the cut."""
        return float(max(self.outside.max(), self.inside.max()))

    @property
    def bottom(self) -> float:
        return float(min(self.outside.min(), self.inside.min()))


def develop(cut: Cut, section: Section) -> Development:
    """The development of a cut that meets the tube all around. A rectangular tube is unrolled from a corner, others
    from the longer side. Raises ``ValueError`` for a cut that does not."""
    girth = _Girth.of(section.outer, cut.direction_deg)

    def heights(around: Floats) -> Floats:
        points = girth.at(around)[0]
        return np.array([cut.heights(points), cut.heights(_inward(section.bore, points))])

    around = np.unique(girth.stops(_STEPS))
    for _ in range(_ROUNDS):
        middles, lines = (around[1:] + around[:-1]) / 2, heights(around)
        steepness = np.hypot(1.0, np.diff(lines) / np.diff(around))
        off = np.abs(heights(middles) - (lines[:, 1:] + lines[:, :-1]) / 2) / steepness
        bent = (off > _FINE_MM).any(axis=0)
        if not bent.any():
            break
        around = np.sort(np.concatenate([around, middles[bent]]))
    outside, inside = heights(around)
    if not np.isfinite(outside).all():
        raise ValueError("its cut does not go all around the tube")
    return Development(around, *girth.at(around), outside, inside, girth.lines(cut))


def _inward(bore: Outline, points: Floats) -> Floats:
    """(n, 2): the places of a bore that are nearest to points (n, 2) around it."""
    if bore.shape not in ("ellipse", "free"):
        return _onto(bore, points)[0]
    corners = bore.polygon(chord_error=_FINE_MM)
    ends = np.roll(corners, -1, axis=0)
    edge = nearest_edges(points[None], corners[None], ends[None])[1][0]
    start, way = corners[edge], (ends - corners)[edge]
    share = np.einsum("ij,ij->i", points - start, way) / np.einsum("ij,ij->i", way, way)
    return start + np.clip(share, 0.0, 1.0)[:, None] * way


def _onto(outline: Outline, points: Floats) -> tuple[Floats, Floats]:
    """Points (n, 2) near an outline moved onto it, and which way is straight out there."""
    off, outward = off_outline(outline, points)
    return points - off[:, None] * outward, outward


@dataclass(frozen=True, eq=False)
class _Girth:
    """The way around an outline, from the corner or the place at ``start_deg``."""

    outline: Outline
    direction_deg: float
    corners: Floats
    """(n, 2), the last one the first again."""
    ends: Floats
    """(n,): the way to each corner."""

    @classmethod
    def of(cls, outline: Outline, direction_deg: float) -> _Girth:
        corners = outline.polygon(chord_error=_FINE_MM)
        corners = np.concatenate([corners, corners[:1]])
        ends = np.append(0.0, np.cumsum(np.hypot(*np.diff(corners, axis=0).T)))
        girth = cls(outline, direction_deg, corners, ends * outline.length / ends[-1])
        begin = girth._way_to(-45.0 if outline.shape == "rectangle" else direction_deg + 180.0)
        ways = np.unique(np.append(girth.ends[:-1], begin))
        first = int(np.searchsorted(ways, begin))
        ways = np.roll(ways, -first)
        corners = girth.at(np.append(ways, begin))[0]
        return replace(girth, corners=corners, ends=np.append((ways - begin) % outline.length, outline.length))

    def at(self, around: Floats) -> tuple[Floats, Floats]:
        """The points (n, 2) so far around, on the true outline, and which way is straight out."""
        points = np.column_stack([np.interp(around, self.ends, column) for column in self.corners.T])
        return _onto(self.outline, points)

    def stops(self, steps: int) -> Floats:
        """The corners and what lies between them, no further apart than a share of the way around."""
        counts = np.maximum(np.ceil(np.diff(self.ends) / self.outline.length * steps - 1e-9), 1).astype(int)
        corner, step = in_runs(counts)
        return np.append(self.ends[corner] + step / counts[corner] * np.diff(self.ends)[corner], self.ends[-1])

    def lines(self, cut: Cut) -> tuple[Line, ...]:
        rectangle = self.outline.shape == "rectangle"
        turns = np.arange(0.0, 360.0, 90.0) + (0.0 if rectangle else self.direction_deg)
        ways = [self._way_to(float(turn)) for turn in turns]
        heights = cut.heights(self.at(np.array(ways))[0])
        lines = []
        for place, way in enumerate(ways):
            apart = float(heights[place] - heights[place - 2])
            level = not abs(apart) > _SEEN_MM
            if rectangle:
                name = f"side {place + 1}" + ("" if level else ", longer" if apart > 0 else ", shorter")
            elif place % 2:
                name = "quarter line"
            elif level:
                name = "opposite line" if place else "axis line"
            else:
                name = "long side" if apart > 0 else "short side"
            lines.append(Line(way, name, chief=not place))
        if rectangle:
            lines += [Line(self._way_to(turn), "", fold=True) for turn in (45.0, 135.0, 225.0)]
        return tuple(sorted(lines, key=lambda line: line.around_mm))

    def _way_to(self, degrees: float) -> float:
        """How far around the place is that a line from the middle at this angle meets; at 45° and so on the middle of
        a rectangle's corner."""
        points = self.corners - self.outline.centre
        if self.outline.shape == "rectangle" and degrees % 90:
            angle = math.radians(degrees)
            return float(self.ends[int((points @ np.sign((math.cos(angle), math.sin(angle)))).argmax())])
        turns = np.unwrap(np.arctan2(points[:, 1], points[:, 0]))
        turn = turns[0] + (math.radians(degrees) - turns[0]) % (2 * np.pi)
        return float(np.interp(turn, np.maximum.accumulate(turns), self.ends))
