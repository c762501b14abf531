# SPDX-License-Identifier: GPL-3.0-or-later
"""Putting rounded rectangles on a rectangle of ground so that none comes too near another.

Circles, rectangles and obrounds are all rounded rectangles: a core box and a radius around it. Seen from the middle
of a shape that is to be put down, every shape on the ground is again one (their Minkowski sum), so one formula gives
every distance, and the places where a shape touches two others at once are where two such outlines cross.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Floats

Bools = NDArray[np.bool_]
Rule = Literal["rows", "columns", "corner"]

_SLACK = 1e-9
_SHARP = 0.25
"""A corner whose radius is a smaller share of the core's sides than this is not rolled around."""
_AT_ONCE = 48
_MOST_PAIRS = 30_000
_CORNERS = np.array([[(1, -1, -1, 1)], [(1, 1, -1, -1)]])


@dataclass(frozen=True)
class RoundedBox:
    """A rounded rectangle: a core 2 half_x by 2 half_y, grown by a radius."""

    half_x: float
    half_y: float
    radius: float

    @property
    def width(self) -> float:
        return 2 * (self.half_x + self.radius)

    @property
    def depth(self) -> float:
        return 2 * (self.half_y + self.radius)

    @property
    def area(self) -> float:
        return self.width * self.depth - (4 - math.pi) * self.radius**2

    def grown(self, distance: float) -> RoundedBox:
        return RoundedBox(self.half_x, self.half_y, self.radius + distance)


@dataclass(frozen=True)
class Ground:
    """Where shapes may lie: a rectangle from (0, 0), less a rectangle at that corner, and the distance to keep."""

    width: float
    depth: float
    spacing: float
    keep_out: tuple[float, float] = (0.0, 0.0)

    @property
    def blocked(self) -> bool:
        return min(self.keep_out) > 0


@dataclass(frozen=True)
class Spot:
    """The middle of a shape on the ground; ``variant`` says which of the ways to turn it."""

    variant: int
    x: float
    y: float


@dataclass(eq=False)
class Layout:
    """Shapes on a ground, and where more of them would fit."""

    ground: Ground
    _count: int = 0
    _rows: Floats = field(default_factory=lambda: np.empty((64, 5)))
    _known: dict[RoundedBox, tuple[int, Floats, _Sides]] = field(default_factory=dict)
    """How many shapes lay here when the places for a shape were last looked for, these places, and the sides that it
    may touch."""

    def __post_init__(self) -> None:
        if self.ground.blocked:
            width, depth = self.ground.keep_out
            # The keep-out corner is not a fitting: only the shape itself has to stay out of it, not the spacing too.
            self._add(width / 2, depth / 2, RoundedBox(width / 2, depth / 2, -self.ground.spacing))

    def put(self, shapes: Sequence[RoundedBox], spots: Sequence[Spot]) -> list[Spot]:
        """Puts shapes down at those of the spots that are free, and returns these.

        The spots have to lie on the ground and clear of each other.
        """
        points = np.array([(spot.x, spot.y) for spot in spots]).reshape(-1, 2)
        free = np.zeros(len(spots), bool)
        for variant, shape in enumerate(shapes):
            mine = np.array([spot.variant == variant for spot in spots], bool)
            free[mine] = self._free(points[mine], shape, self._placed)
        taken = [spot for spot, clear in zip(spots, free, strict=True) if clear]
        for spot in taken:
            self._add(spot.x, spot.y, shapes[spot.variant])
        return taken

    def fill(self, shapes: Sequence[RoundedBox], count: int, rule: Rule) -> list[Spot]:
        """Puts down up to ``count`` more of a shape, turned as suits, each where it touches what is there.

        ``rule`` says which of the places comes first: the nearest to the front, to the left, or to the corner.
        """
        spots: list[Spot] = []
        while len(spots) < count:
            best = _first([self._places(shape) for shape in shapes], shapes, rule)
            if best is None:
                break
            self._add(best.x, best.y, shapes[best.variant])
            spots.append(best)
        return spots

    @property
    def _placed(self) -> Floats:
        """(n, 5): x, y and the three numbers of each shape."""
        return self._rows[: self._count]

    def _add(self, x: float, y: float, shape: RoundedBox) -> None:
        if self._count == len(self._rows):
            self._rows = np.concatenate([self._rows, np.empty_like(self._rows)])
        self._rows[self._count] = x, y, shape.half_x, shape.half_y, shape.radius
        self._count += 1

    def _places(self, shape: RoundedBox) -> Floats:
        """(m, 2): every free place where the shape touches two sides of what is there."""
        walls = _walls(self.ground, shape)
        if walls is None:
            return np.empty((0, 2))
        corners = np.array([(x, y) for x in walls[0] for y in walls[1]])
        before, known, sides = self._known.get(shape, (0, corners, _Sides.of_walls(walls)))
        fresh = self._placed[before:]
        places = [known[self._free(known, shape, fresh)]]
        order = np.argsort(fresh[:, 1], kind="stable")
        for start in range(0, len(order), _AT_ONCE):
            these = _Sides.of(fresh[order[start : start + _AT_ONCE]], shape, self.ground)
            sides = sides.and_those(these)
            points = _crossings(these, sides)
            points = points[_inside(self.ground, shape, points)]
            places.append(points[self._free(points, shape, self._placed)])
        self._known[shape] = self._count, np.concatenate(places), sides
        return self._known[shape][1]

    def _near(self, shape: RoundedBox, points: Floats, among: Floats) -> Floats:
        """What of ``among`` the shape may come too near to with its middle in the box of the points."""
        reach = _reach(among, shape, self.ground)
        low, high = points.min(axis=0), points.max(axis=0)
        hit: Floats = among[((among[:, :2] + reach > low) & (among[:, :2] - reach < high)).all(axis=1)]
        return hit

    def _free(self, points: Floats, shape: RoundedBox, among: Floats) -> Bools:
        """Whether the shape at each point keeps its distance from all of ``among``."""
        if len(points) * len(among) > _MOST_PAIRS and len(points) > 1:
            return self._free_in_halves(points, shape, among)
        over_x, over_y = (
            np.maximum(np.abs(points[:, axis, None] - among[:, axis]) - (among[:, 2 + axis] + half), 0.0)
            for axis, half in enumerate((shape.half_x, shape.half_y))
        )
        # A place inside another's core is at distance 0, which is not allowed even if no distance has to be kept.
        least = np.maximum(among[:, 4] + shape.radius + self.ground.spacing - _SLACK, _SLACK)
        free: Bools = (over_x * over_x + over_y * over_y >= least * least).all(axis=1)
        return free

    def _free_in_halves(self, points: Floats, shape: RoundedBox, among: Floats) -> Bools:
        """Each half of the points has fewer neighbours."""
        order = np.argsort(points[:, np.argmax(np.ptp(points, axis=0))], kind="stable")
        free = np.empty(len(points), bool)
        for half in np.array_split(order, 2):
            free[half] = self._free(points[half], shape, self._near(shape, points[half], among))
        return free


class _Sides(NamedTuple):
    """The outlines around shapes on the ground that the middle of a shape to be put down may not cross.

    All come twice: as they are, and with x and y exchanged, so that what is level then stands upright.
    """

    lines: Floats
    """(2, n, 3): at which x upright lines stand, and from where to where they run."""
    arcs: Floats
    """(2, m, 3): x and y of their middles, and radii."""

    @classmethod
    def of(cls, placed: Floats, shape: RoundedBox, ground: Ground) -> _Sides:
        middle, core = placed[:, :2].T, (placed[:, 2:4] + (shape.half_x, shape.half_y)).T
        radius = placed[:, 4] + shape.radius + ground.spacing
        across, reach = core[0] + core[1], core + radius
        rolled = radius > _SHARP * across
        along, half = middle[::-1], core[::-1] + np.where(rolled, 0.0, radius)
        lines = np.empty((2, 2, len(placed), 3))
        lines[:, 0, :, 0], lines[:, 1, :, 0] = middle - reach, middle + reach
        lines[..., 1], lines[..., 2] = (along - half)[:, None], (along + half)[:, None]
        whole, rest = rolled & (across < _SLACK), rolled & (across >= _SLACK)
        corners = middle[:, rest, None] + core[:, rest, None] * _CORNERS
        middles = np.concatenate([middle[:, whole], corners.reshape(2, -1)], axis=1)
        arcs = np.empty((2, middles.shape[1], 3))
        arcs[0, :, :2], arcs[1, :, :2] = middles.T, middles[::-1].T
        arcs[:, :, 2] = np.append(radius[whole], np.repeat(radius[rest], 4))
        return cls(lines.reshape(2, -1, 3), arcs)

    @classmethod
    def of_walls(cls, walls: tuple[Floats, Floats]) -> _Sides:
        """Lines without ends at these x and y."""
        return cls(np.array([[(at, -np.inf, np.inf) for at in wall] for wall in walls]), np.empty((2, 0, 3)))

    def and_those(self, others: _Sides) -> _Sides:
        return _Sides(*(np.concatenate(pair, axis=1) for pair in zip(self, others, strict=True)))


def _crossings(ours: _Sides, theirs: _Sides) -> Floats:
    """(m, 2): where the outlines of some shapes cross those of others."""
    points = [
        _lines_with_lines(ours.lines, theirs.lines),
        _lines_with_arcs(ours.lines, theirs.arcs),
        _lines_with_arcs(theirs.lines, ours.arcs),
        _arcs_with_arcs(ours.arcs[0], theirs.arcs[0]),
    ]
    return np.concatenate(points)


def _lines_with_lines(ours: Floats, theirs: Floats) -> Floats:
    x, y = ours[:, :, None], theirs[::-1, None]
    hit = (y[..., 0] >= x[..., 1] - _SLACK) & (y[..., 0] <= x[..., 2] + _SLACK)
    hit &= (x[..., 0] >= y[..., 1] - _SLACK) & (x[..., 0] <= y[..., 2] + _SLACK)
    turned, first, second = np.nonzero(hit)
    return _turned_back(turned, ours[turned, first, 0], theirs[1 - turned, second, 0])


def _lines_with_arcs(lines: Floats, arcs: Floats) -> Floats:
    away = lines[:, :, None, 0] - arcs[:, None, :, 0]
    turned, first, second = np.nonzero(np.abs(away) < arcs[:, None, :, 2])
    radius, middle = arcs[turned, second, 2], arcs[turned, second, 1]
    rise = np.sqrt(np.maximum(radius**2 - away[turned, first, second] ** 2, 0.0))
    x, low, high = lines[turned, first].T
    y = np.stack([middle - rise, middle + rise])
    side, hit = np.nonzero((y >= low - _SLACK) & (y <= high + _SLACK))
    return _turned_back(turned[hit], x[hit], y[side, hit])


def _turned_back(turned: NDArray[np.intp], x: Floats, y: Floats) -> Floats:
    return np.where(turned, (y, x), (x, y)).T


def _arcs_with_arcs(ours: Floats, theirs: Floats) -> Floats:
    step = theirs[None, :, :2] - ours[:, None, :2]
    apart = np.hypot(step[..., 0], step[..., 1])
    sums = ours[:, None, 2] + theirs[None, :, 2]
    differences = np.abs(ours[:, None, 2] - theirs[None, :, 2])
    first, second = np.nonzero((apart < sums) & (apart > differences + _SLACK))
    length, radius = apart[first, second], ours[first, 2]
    along = (length**2 + radius**2 - theirs[second, 2] ** 2) / (2 * length)
    side = np.sqrt(np.maximum(radius**2 - along**2, 0.0))
    unit = step[first, second] / length[:, None]
    middle = ours[first, :2] + unit * along[:, None]
    across = unit[:, ::-1] * (-1.0, 1.0) * side[:, None]
    return np.concatenate([middle + across, middle - across])


def _reach(placed: Floats, shape: RoundedBox, ground: Ground) -> Floats:
    """(n, 2): how far from the middle of each the middle of the shape may be while they touch."""
    return placed[:, 2:4] + placed[:, 4:] + (shape.half_x, shape.half_y) + (shape.radius + ground.spacing + _SLACK)


def _walls(ground: Ground, shape: RoundedBox) -> tuple[Floats, Floats] | None:
    """Least and greatest x and y of the shape's middle; None if the ground is too small."""
    if shape.width > ground.width + _SLACK or shape.depth > ground.depth + _SLACK:
        return None
    return tuple(np.array([side / 2, length - side / 2]) for side, length in _sizes(ground, shape))  # type: ignore[return-value]


def _inside(ground: Ground, shape: RoundedBox, points: Floats) -> Bools:
    inside = np.ones(len(points), bool)
    for axis, (side, length) in enumerate(_sizes(ground, shape)):
        inside &= (points[:, axis] >= side / 2 - _SLACK) & (points[:, axis] <= length - side / 2 + _SLACK)
    return inside


def _sizes(ground: Ground, shape: RoundedBox) -> tuple[tuple[float, float], tuple[float, float]]:
    return (shape.width, ground.width), (shape.depth, ground.depth)


def _first(places: Sequence[Floats], shapes: Sequence[RoundedBox], rule: Rule) -> Spot | None:
    """The place that the rule puts first: by the far edges of the shape, so that what grows stays low."""
    best: tuple[tuple[float, float], Spot] | None = None
    for variant, (points, shape) in enumerate(zip(places, shapes, strict=True)):
        if not len(points):
            continue
        right, top = points[:, 0] + shape.width / 2, points[:, 1] + shape.depth / 2
        main, tie = {"rows": (top, right), "columns": (right, top), "corner": (top + right, right)}[rule]
        least = float(main.min())
        level = np.flatnonzero(main <= least + 1e-6)
        chosen = level[np.argmin(tie[level])]
        key = (round(least, 6), float(tie[chosen]))
        if best is None or key < best[0]:
            best = key, Spot(variant, float(points[chosen, 0]), float(points[chosen, 1]))
    return best[1] if best else None
