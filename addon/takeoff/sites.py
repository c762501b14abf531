# SPDX-License-Identifier: GPL-3.0-or-later
"""What the takeoff finds on an assembly: tubes, and the sites on them that take a printed part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal, Self

import numpy as np

from ..fields.messages import Message
from ..geometry.developments import Cut, TubeCut, traced
from ..geometry.frames import Floats, Frame, around_deg
from ..geometry.sections import Section
from .ends import EndHole, TubeEnd, UnitDoubt
from .surface import Surface

TubeSide = Literal["+x", "-x", "+y", "-y"]
"""A flat side of a tube, by where it faces in the tube's frame."""
SIDES: dict[TubeSide, tuple[int, int]] = {"+x": (1, 0), "-x": (-1, 0), "+y": (0, 1), "-y": (0, -1)}
_HALF_TURN_DEG = 179.99
IN_LINE_DEG = 179.9
_SQUARE_DEG = 0.1
_FLAT = np.cos(np.radians(1.0))


@dataclass(frozen=True)
class ClosedEnd:
    """An end of a straight length of tube that is not a ``TubeEnd``."""

    reason: Message
    """A sentence for people: why nothing was read there."""


@dataclass(frozen=True, eq=False)
class Tube:
    """A straight length of tube. A bent tube is two of them, one from each of its ends."""

    source: str
    """Name of the object or body that the tube belongs to."""
    section: Section
    frame: Frame
    """Of its first end: the origin where the axis meets the rim's plane, z along the axis and out of the tube there,
    x along the section's width."""
    length_mm: float
    """Along the axis from the first end to the last one, to the farthest point of an end that is coped."""
    ends: tuple[TubeEnd | ClosedEnd, TubeEnd | ClosedEnd]
    """The first one is always a ``TubeEnd``."""
    free_mm: tuple[float, float]
    """How far from each end, along the axis, nothing else is near its outside; 0 if that is not known."""
    from_twin: Floats | None = None
    """(3,): unit direction square to the axis from the other leg of a U-bend, or of two on one body
    whose only ends face one way."""
    cuts: tuple[Cut | None, Cut | None] = (None, None)
    """How each end is cut, or has to be, in its own frame; none where that is not known."""

    @cached_property
    def past_mm(self) -> tuple[float, float]:
        """How far the longest point of each end, once it is cut, lies past where the tube is drawn to, along the axis;
        below 0 where it is cut back."""
        return self._past(0), self._past(1)

    def _past(self, number: int) -> float:
        end, cut = self.ends[number], self.cuts[number]
        if cut is None or isinstance(end, ClosedEnd):
            return 0.0
        tip = float(np.nanmax(traced(cut, end.section.outer)[:, 2]))
        drawn = self.point_at(self.length_mm if number else 0.0)
        return float((end.frame.origin - drawn) @ end.frame.z) + tip

    @property
    def axis(self) -> Floats:
        """(3,): unit direction along the tube, from its first end to the last one."""
        return -self.frame.z

    def point_at(self, distance_mm: float) -> Floats:
        """(3,): the point of the axis so far from the first end."""
        return self.frame.origin + distance_mm * self.axis

    def distance_mm(self, point: Floats) -> float:
        """How far along the axis a point (3,) lies from the first end."""
        return -float(self.frame.to_local(point)[2])

    def measured_mm(self, distance_mm: float) -> tuple[float, float | None]:
        """How far what lies so far from the first end is from the longest point of each end once that is cut, where a
        tape is hooked; none from a ``ClosedEnd``."""
        past = self.past_mm
        last = None if isinstance(self.ends[1], ClosedEnd) else self.length_mm - distance_mm + past[1]
        return distance_mm + past[0], last

    def around_deg(self, point: Floats) -> float:
        """How far around the axis a point (3,) is, counter-clockwise from x seen from the first end: 0 to under 360."""
        x, y, _ = self.frame.to_local(point)
        return around_deg(x, y)

    def from_half_turn(self, point: Floats) -> bool:
        """Whether a point (3,) lies half a turn around the axis or further, whatever rounding makes of 0 and 180."""
        return _HALF_TURN_DEG <= self.around_deg(point) < 2 * _HALF_TURN_DEG


@dataclass(frozen=True, eq=False)
class Mouth:
    """Where a hole comes out of a tube's wall."""

    position: Floats
    """(3,): where its axis meets the tube's outside."""
    axis: Floats
    """(3,): unit direction, out of the tube."""
    countersink_mm: float = 0.0
    """Largest diameter of its countersink, 0 if it is plain."""
    countersink_deg: float = 0.0
    """Whole angle of the countersink's cone, 0 if it is plain."""


@dataclass(frozen=True, eq=False)
class Hole:
    """A round hole through one wall of a tube, or in line through two."""

    tube: Tube
    diameter_mm: float
    """Of the circle that the corners of its facets lie on; where it is countersunk, of its smallest part."""
    mouths: tuple[Mouth, ...]
    """One for each wall that it goes through. Of two, the first is where the angle around is below 180°."""
    distances_mm: tuple[float, float | None]
    """Along the tube's axis from its first and its last end to ``position``; none from a ``ClosedEnd``."""
    angle_deg: float
    """Of ``position`` around the tube's axis, 0 to under 360, counter-clockwise from x seen against z of its frame."""
    side: TubeSide | None
    """The flat side that it is in; none on round tube and at corners."""
    offset_mm: float | None
    """On a flat side, how far off its middle line, along x or y of the tube's frame."""
    lean_deg: float
    """Between its axis and the straight way out of the tube's wall at ``position``."""

    @classmethod
    def at(cls, tube: Tube, diameter_mm: float, mouths: Sequence[Mouth], outward: Floats, **more: Any) -> Self:
        """Where its mouths say; ``outward`` (2,) is the straight way out of the wall at the first one, in the tube's
        frame; ``more`` are what else it has."""
        position = mouths[0].position
        local, first = tube.frame.to_local(position), tube.distance_mm(position)
        last = None if isinstance(tube.ends[1], ClosedEnd) else tube.length_mm - first
        side, offset = _side(tube, local, outward)
        lean = angle_between(mouths[0].axis, outward @ tube.frame.axes[:2])
        around = tube.around_deg(position)
        return cls(tube, diameter_mm, tuple(mouths), (first, last), around, side, offset, lean, **more)

    @property
    def source(self) -> str:
        return self.tube.source

    @property
    def measured_mm(self) -> tuple[float, float | None]:
        """As ``distances_mm``, but from the longest points of the ends once these are cut: where a tape is hooked."""
        return self.tube.measured_mm(self.distances_mm[0])

    @property
    def position(self) -> Floats:
        """(3,): where its axis meets the tube's outside at its first mouth."""
        return self.mouths[0].position

    @property
    def axis(self) -> Floats:
        """(3,): unit direction, out of the tube at ``position``."""
        return self.mouths[0].axis

    @property
    def walls(self) -> int:
        return len(self.mouths)

    @property
    def countersink_mm(self) -> float:
        """Largest diameter of a countersunk hole, 0 if it is plain."""
        return max(mouth.countersink_mm for mouth in self.mouths)

    @property
    def square(self) -> bool:
        """Whether it is drilled straight through the wall."""
        return self.lean_deg < _SQUARE_DEG


@dataclass(frozen=True, eq=False)
class Joint:
    """Two tube ends that face each other, in line or at a mitred corner."""

    ends: tuple[TubeEnd, TubeEnd]
    gap_mm: float
    """Along the axis of the first one; 0 if the rims touch."""
    angle_deg: float
    """Between the tubes: 180 in line, 90 at a square corner."""
    clear_depths_mm: tuple[float, float]
    """How far down each bore, along its axis, a spigot could go before the other tube is put on, if ``holes`` go on
    through it."""
    holes: tuple[tuple[EndHole, ...], tuple[EndHole, ...]] = ((), ())
    """Those through each tube's walls that it would pass, in the frames of the ends."""

    @property
    def in_line(self) -> bool:
        return self.angle_deg > IN_LINE_DEG

    @property
    def turned_round(self) -> Joint:
        """The same, the second end first."""
        return replace(self, ends=self.ends[::-1], clear_depths_mm=self.clear_depths_mm[::-1], holes=self.holes[::-1])


@dataclass(frozen=True, eq=False)
class NeededHole(Hole):
    """A hole that no model has: the tube gets it for a screw, before its end is joined to another one."""

    joint: Joint
    """Whose fitting the screw holds."""
    end: int
    """Of the tube: 0 its first, 1 its last."""


@dataclass(frozen=True, eq=False)
class Cope:
    """An end that is cut to lie on another tube, or runs into one and has to be."""

    end: TubeEnd
    tube: Tube
    outside: Floats
    """(n, 3): where the cut meets the tube's outside, corner by corner, counter-clockwise seen against the end's z."""
    inside: Floats
    """(m, 3): where it meets the bore."""
    other: Tube | None
    """The tube that it lies on; none if no tube's outside fits the cut."""
    cut: Cut
    """In the end's frame."""
    needed: bool = False
    """Whether the end is not cut yet: the lines are then those that it needs."""
    also: tuple[Tube, ...] = ()
    """Those that it lies on besides ``other``."""

    @property
    def met_mm(self) -> tuple[float, float | None] | None:
        """Where along ``other`` its own axis meets that one's outside, from its ends as holes are measured; none where
        the axis passes by, or no tube is known."""
        if self.other is None:
            return None
        height = TubeCut(self.other.section.outer, self.other.frame).seen_from(self.end.frame).heights(np.zeros((1, 2)))
        if not np.isfinite(height[0]):
            return None
        point = self.end.frame.to_world((0.0, 0.0, float(height[0])))
        return self.other.measured_mm(self.other.distance_mm(point))

    @property
    def tubes_under(self) -> tuple[Tube, ...]:
        """All that it lies on."""
        return (self.other, *self.also) if self.other else ()


@dataclass(frozen=True, eq=False)
class Takeoff:
    ends: tuple[TubeEnd, ...]
    unit_doubt: UnitDoubt | None = None
    notes: tuple[str, ...] = ()
    """What was left out and why, in sentences: open meshes, zero-area faces, bodies that are not tubes, slots."""
    surface: Surface | None = None
    """What the ends were read from, for ``split_bodies``."""
    tubes: tuple[Tube, ...] = ()
    holes: tuple[Hole, ...] = ()
    copes: tuple[Cope, ...] = ()
    joints: tuple[Joint, ...] = ()


def _side(tube: Tube, local: Floats, outward: Floats) -> tuple[TubeSide | None, float | None]:
    """The flat side that a point lies in, and how far off that side's middle."""
    if tube.section.outer.shape == "rectangle":
        for side, way in SIDES.items():
            if float(outward @ way) > _FLAT:
                return side, float(local[1 if way[0] else 0])
    return None, None


def angle_between(a: Floats, b: Floats) -> float:
    """Degrees between two directions (3,), exact for small angles too."""
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(a, b)), a @ b)))
