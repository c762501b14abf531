# SPDX-License-Identifier: GPL-3.0-or-later
"""Where drills go into a tube, the sides that a saddle can be put on from, and how much of the tube is free there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from ...fields.messages import NOTHING, Message
from ...geometry.frames import Floats, Frame
from ...geometry.names import in_words
from ...geometry.outline_fit import off_outline
from ...geometry.sections import Section
from ...geometry.topology import Indices
from ...takeoff import Tube
from ...takeoff.clearance import split_at_rim
from ...takeoff.surface import Surface
from ..family import ALIKE_DEG, ALIKE_MM
from .recipe import MOST_DRILL_MM

USUAL_WALL_MM = 4.0
USUAL_LAND_MM = 16.0
"""Of a guide past its bushes, for a hose clamp."""
CLEAR_MM = 1.0
"""What a guide keeps from what is beside its tube; nearer to the tube than this is the tube."""
_AROUND_MM = 6.0
"""Of a guide's wall, its gap and what is raised on it."""
_SEEN = 0.5
"""How nearly, as a cosine, a mouth faces the side that a saddle is put on from."""
_CHEEK = -0.1
"""The same on tube with flat sides, where a saddle has cheeks."""
_COVERED = 0.8
"""Of half a tube with flat sides, past its axis."""


@dataclass(frozen=True)
class Entry:
    """Where a drill goes in, in the guide's frame."""

    hole: int
    """Number of the hole, from 1; the two mouths of a hole through both walls have the same."""
    diameter_mm: float
    point: tuple[float, float, float]
    """Where the hole's axis meets the tube's outside."""
    axis: tuple[float, float, float]
    """Unit direction, out of the tube."""

    @property
    def angle(self) -> float:
        """Around the tube's axis, in radians."""
        return math.atan2(self.point[1], self.point[0])

    def like(self, other: Entry) -> bool:
        lean = np.linalg.norm(np.subtract(self.axis, other.axis))
        return bool(
            abs(self.diameter_mm - other.diameter_mm) <= ALIKE_MM
            and math.dist(self.point, other.point) <= ALIKE_MM
            and lean <= math.radians(ALIKE_DEG)
        )

    @property
    def _bush(self) -> tuple[float, float]:
        """Reach and radius of the usual one."""
        drill = min(self.diameter_mm, MOST_DRILL_MM)
        return 2.5 * drill + 1.0, drill / 2 + USUAL_WALL_MM

    @property
    def usual_span(self) -> tuple[float, float]:
        """How far down and up along z the usual guide for it reaches, with what carries its bush."""
        (reach, radius), (*across, lean), z = self._bush, self.axis, self.point[2]
        carried = max(reach * (math.hypot(*across) + lean), 0.0)
        return z - radius + min(reach * lean, 0.0) - USUAL_LAND_MM, z + radius + carried + USUAL_LAND_MM

    @property
    def tip(self) -> tuple[Floats, float]:
        """(2,): where the usual bush ends across the tube, and its radius."""
        reach, radius = self._bush
        return np.array(self.point[:2]) + reach * np.array(self.axis[:2]), radius


def first_entries(entries: Sequence[Entry]) -> list[Entry]:
    """One for each hole."""
    return list({entry.hole: entry for entry in reversed(entries)}.values())[::-1]


def say_numbers(holes: Sequence[int]) -> str:
    """``"hole 1"``, ``"holes 1 and 3"``."""
    return f"hole{'s' * (len(holes) > 1)} {in_words(map(str, holes))}"


def usual_span(entries: Sequence[Entry]) -> tuple[float, float]:
    """How far along z the usual guide for all of them reaches."""
    spans = [entry.usual_span for entry in entries]
    return min(low for low, _ in spans), max(high for _, high in spans)


def served_from(section: Section, entries: Sequence[Entry], way: Sequence[float]) -> list[Entry]:
    """Where a saddle that is put on from a side guides the drill."""
    flat = section.outer.shape == "rectangle"
    outward = [entry.axis[:2] if flat else (math.cos(entry.angle), math.sin(entry.angle)) for entry in entries]
    least = _CHEEK if flat else _SEEN
    return [entry for entry, out in zip(entries, outward, strict=True) if np.dot(out, way) > least]


def ways_of(section: Section, entries: Sequence[Entry]) -> list[tuple[float, float]]:
    """The sides, as unit directions, from which a saddle serves the most holes; those first from which it guides the
    drill through the most walls, then those that look straightest at the holes."""
    ways = [(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)]
    if section.outer.shape != "rectangle":
        angles = [entry.angle for entry in entries]
        middles = [math.atan2(math.sin(a) + math.sin(b), math.cos(a) + math.cos(b)) for a in angles for b in angles]
        ways = [(math.cos(angle), math.sin(angle)) for angle in dict.fromkeys((*angles, *middles))]

    def worth(way: tuple[float, float]) -> tuple[int, int, float]:
        seen = served_from(section, entries, way)
        straight = sum(float(np.dot(entry.axis[:2], way)) for entry in seen)
        return len({entry.hole for entry in seen}), len(seen), round(straight, 6)

    ranked = sorted(ways, key=worth, reverse=True)
    return [way for way in ranked if worth(way)[0] == worth(ranked[0])[0]]


class Blocker(NamedTuple):
    """What stands beside a tube."""

    body: str = ""
    tube: str = ""
    hole: Message = NOTHING
    """Where on the tube the hole next to it is: ``"127 mm (5 in) from the back end"``."""


@dataclass(frozen=True)
class Room:
    """How much of a tube is free around its holes, between two heights along a frame's z, and what it ends at."""

    low_mm: float = -math.inf
    high_mm: float = math.inf
    below: Blocker = Blocker()
    above: Blocker = Blocker()

    def both(self, other: Room) -> Room:
        """What is free here and there."""
        low, high = max(self, other, key=lambda room: room.low_mm), min(self, other, key=lambda room: room.high_mm)
        return Room(low.low_mm, high.high_mm, low.below, high.above)

    def holds(self, low: float, high: float) -> bool:
        return self.low_mm + CLEAR_MM <= low and high <= self.high_mm - CLEAR_MM


@dataclass(frozen=True)
class Side:
    """A side that a saddle could be put on from."""

    way: tuple[float, float]
    """Unit direction from the tube's axis."""
    room: Room

    def narrowed(self, others: Sequence[Side]) -> Side:
        """With the room that the same side of another tube leaves too."""
        other = max(others, key=lambda side: float(np.dot(side.way, self.way)), default=self)
        return replace(self, room=self.room.both(other.room))


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What is beside a tube: triangles (n, 3, 3) in its frame, and the body that each is of."""

    section: Section
    corners: Floats
    bodies: tuple[str, ...]
    most_mm: float = math.inf
    """How high a guide may be, as it stands on the plate."""

    @classmethod
    def of(cls, tube: Tube, surface: Surface | None, without: set[str], most_mm: float) -> Surroundings:
        """``without`` are bodies that are not there yet."""
        if surface is None:
            return cls(tube.section, np.empty((0, 3, 3)), (), most_mm)
        outer, reach = tube.section.outer, 2.5 * MOST_DRILL_MM + _AROUND_MM
        points = tube.frame.to_local(surface.vertices)[:, :2]
        half = np.hypot(outer.width, outer.depth) / 2 + reach
        low, high = (how.reduce([points[column] for column in surface.triangles.T]) for how in (np.minimum, np.maximum))
        near = np.flatnonzero(((low < half) & (high > -half)).all(axis=1))
        corners = tube.frame.to_local(surface.vertices[surface.triangles[near].ravel()]).reshape(-1, 3, 3)
        off = off_outline(outer, corners[..., :2].reshape(-1, 2))[0].reshape(-1, 3).max(axis=1, initial=-np.inf)
        names = [surface.body_names[body] for body in surface.bodies[near].tolist()]
        kept = [place for place, name in enumerate(names) if off[place] > CLEAR_MM and name not in without]
        return cls(tube.section, corners[kept], tuple(names[place] for place in kept), most_mm)

    def room(self, tube: Tube, frame: Frame, entries: Sequence[Entry], way: Sequence[float] | None = None) -> Room:
        """Around the ``entries`` in a guide's frame, for a sleeve or for a saddle that is put on from a side: no
        triangle there comes into the box around the usual guide."""
        if not self.bodies:
            return Room()
        outline = self.section.outer.polygon()
        turn = np.array([[1.0, 0.0], [0.0, 1.0]]) if way is None else np.array([way, (-way[1], way[0])])
        across = outline @ turn.T
        low, high = across.min(axis=0) - _AROUND_MM, across.max(axis=0) + _AROUND_MM
        if way is not None:
            flat = self.section.outer.shape == "rectangle"
            low[0] = -_COVERED * across[:, 0].max() if flat else 0.0
        for place, radius in (entry.tip for entry in entries):
            low, high = np.minimum(low, turn @ place - radius), np.maximum(high, turn @ place + radius)
        to_guide = frame.axes @ tube.frame.axes.T
        corners = (self.corners - tube.frame.to_local(frame.origin)) @ to_guide.T
        corners[..., :2] = corners[..., :2] @ turn.T
        owners = np.arange(len(corners))
        for axis in (0, 1):
            for sign, limit in ((1, low[axis]), (-1, high[axis])):
                corners, kept = _beyond(corners, axis, sign, limit)
                owners = owners[kept]
        corners[..., :2] = corners[..., :2] @ turn
        outside = off_outline(self.section.outer, corners[..., :2].reshape(-1, 2))[0].reshape(-1, 3) > CLEAR_MM
        heights, owners = corners[outside.any(axis=1)][..., 2], owners[outside.any(axis=1)]
        first = max(entry.point[2] for entry in entries)
        bottom, top = heights.min(axis=1), np.minimum(heights.max(axis=1), first)
        over = bottom > first
        room = Room()
        if over.any():
            nearest = np.where(over, bottom, np.inf).argmin()
            room = replace(
                room, high_mm=float(bottom[nearest]), above=Blocker(self.bodies[owners[nearest]], tube.source)
            )
        if not over.all():
            nearest = np.where(over, -np.inf, top).argmax()
            room = replace(room, low_mm=float(top[nearest]), below=Blocker(self.bodies[owners[nearest]], tube.source))
        return room


def _beyond(corners: Floats, axis: int, sign: int, limit: float) -> tuple[Floats, Indices]:
    """What of triangles lies beyond a limit along an axis, and which ones it is of."""
    order = [place for place in (0, 1, 2) if place != axis] + [axis]
    moved = corners[..., order].copy()
    moved[..., 2] = sign * (moved[..., 2] - limit)
    parts, owners, *_ = split_at_rim(moved)
    parts[..., 2] = sign * parts[..., 2] + limit
    return parts[..., np.argsort(order)], owners
