# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube ends, and a doubt about the file's unit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ..fields.messages import NOTHING, Message, say
from ..geometry.developments import PlaneCut
from ..geometry.frames import Floats, Frame
from ..geometry.sections import Section

Cause = Literal["open", "blocked", "corner", "coped", "crossed", "too short", "no wall", "solid", "profile", "lost"]
"""At a corner an end is closed by a tube that has to be cut. Only in the window can an end be lost: its rim, picked by
hand, is not there any more, or the file is damaged."""
ByHand = Literal["", "picked by hand", "given by size"]
OPEN = say("open")
"""The reason of ends that are."""


@dataclass(frozen=True)
class EndHole:
    """A round hole through the walls of a tube near its end, square to the tube, in the frame of that end."""

    diameter_mm: float
    distance_mm: float
    """Along the tube's axis, from the origin of the end's frame to the hole's axis."""
    angle_deg: float
    """Where it comes out, counter-clockwise from x seen from outside: 0 to under 360, to under 180 where it goes
    through two walls."""
    offset_mm: float
    """How far its axis passes by the tube's, counter-clockwise from that direction."""
    through: bool
    """Whether it goes through two walls."""

    def turned(self, degrees: float) -> EndHole:
        """As it is after a turn about the tube's axis."""
        angle, offset = (self.angle_deg + degrees) % 360, self.offset_mm
        if angle > 359.995:
            angle = 0.0
        if self.through and angle > 179.995:
            angle, offset = max(angle - 180, 0.0), -offset
        return replace(self, angle_deg=angle, offset_mm=offset)

    def like(self, other: EndHole) -> bool:
        """Whether a bolt that passes one passes the other: within a tenth of a millimetre and a degree."""
        return (
            self.through == other.through
            and abs(self.diameter_mm - other.diameter_mm) < 0.1
            and abs(self.distance_mm - other.distance_mm) < 0.1
            and abs(self.offset_mm - other.offset_mm) < 0.1
            and abs((self.angle_deg - other.angle_deg + 180) % 360 - 180) < 1
        )

    def begins_mm(self, section: Section, mitre_deg: float) -> float:
        """How far down the bore it is met at the earliest."""
        lean = float(np.tan(np.radians(mitre_deg)))
        return self.distance_mm - self.diameter_mm / 2 - lean * max(section.bore.width, section.bore.depth) / 2

    @property
    def direction(self) -> Floats:
        """(3,): out of the tube."""
        angle = np.radians(self.angle_deg)
        return np.array([np.cos(angle), np.sin(angle), 0.0])

    @property
    def place(self) -> Floats:
        """(3,): the point of its axis that is nearest to the tube's."""
        x, y, _ = self.direction
        return np.array([-y * self.offset_mm, x * self.offset_mm, -self.distance_mm])

    def across(self, points: Floats) -> Floats:
        """(n,): how far points (n, 3) lie from its axis."""
        return np.linalg.norm(np.cross(points - self.place, self.direction), axis=1)


@dataclass(frozen=True, eq=False)
class TubeEnd:
    """One end of one tube.

    ``frame`` has its origin where the tube's axis meets the plane of the rim, z along the tube's axis and out of
    the tube, x along the section's width. A mitre leans the rim's normal ``mitre_deg`` away from z, towards
    ``mitre_direction_deg`` counter-clockwise from x (0 if the end is square); the frame is chosen so that equal
    fittings get equal directions: 0 for round tube, 0 to under 90 for square, 0 to under 180 for other symmetric
    sections, 0 to under 360 for outlines without symmetry.
    """

    source: str
    """Name of the object or body that the end belongs to."""
    section: Section
    """Read square to the axis. For ``cause`` "no wall" the bore is a placeholder equal to the outer outline."""
    frame: Frame
    mitre_deg: float
    mitre_direction_deg: float
    clear_depth_mm: float
    """How far down the bore, along the axis, a spigot could go; at most the tube's straight length."""
    cause: Cause
    reason: Message
    """For people: "open", or what is in the way, and where."""
    by_hand: ByHand = ""
    """In words, how the end was given; empty if the takeoff found it."""
    remedy: Message = NOTHING
    """What to do about it, in lower case."""
    holes: tuple[EndHole, ...] = ()
    """Those that the spigot would cover, where nothing else is in its way: the end is open if they go on through it."""
    to_cut: PlaneCut | None = None
    """The flat cut that it needs, in its frame, where it is drawn otherwise: into another tube's flat side, or to a
    corner; None elsewhere."""

    # What makes it a site of a family of fittings.
    where, count = NOTHING, 1

    @property
    def position(self) -> Floats:
        return self.frame.origin

    @property
    def sources(self) -> tuple[str, ...]:
        return (self.source,)

    @property
    def records(self) -> tuple[TubeEnd, ...]:
        return (self,)

    @property
    def open(self) -> bool:
        return self.cause == "open"

    @property
    def longest_mm(self) -> int | None:
        """The longest spigot in whole millimetres that could go in where one as long as is wanted could not; None if
        it would be too short to hold."""
        whole = longest_spigot(self.clear_depth_mm)
        return whole if self.cause in ("crossed", "too short", "blocked") else None

    @property
    def can_be_taken(self) -> bool:
        """Whether it is closed to the spigot that is wanted, but not to a shorter one or one with its holes in it."""
        return not self.open and bool(self.longest_mm or self.holes)

    @property
    def explained(self) -> Message:
        """What is in the way and what to do, in one sentence without a stop."""
        return say("{}; {}", self.reason, self.remedy) if self.remedy else self.reason

    @property
    def cut(self) -> str:
        """``"cut straight"``, or ``"mitred 22.5°"``."""
        return said_mitre(self.mitre_deg) or "cut straight"

    @property
    def rim(self) -> PlaneCut:
        """The plane of its rim as it is drawn, in its frame."""
        return PlaneCut(self.mitre_deg, self.mitre_direction_deg)

    @property
    def flat_cut(self) -> PlaneCut:
        """How it is sawn, in its frame: as it is drawn, or as it has to be."""
        return self.to_cut or self.rim

    @property
    def rim_normal(self) -> Floats:
        """(3,) in the world, out of the tube."""
        return self.frame.to_world(mitre_normal(self.mitre_deg, self.mitre_direction_deg)) - self.frame.origin


def said_mitre(mitre_deg: float) -> str:
    """``"mitred 22.5°"``; empty if there is none."""
    return f"mitred {mitre_deg:.1f}°".replace(".0°", "°") if mitre_deg else ""


def longest_spigot(depth: float) -> int | None:
    """In whole millimetres; None if it would be too short to hold: less than 2 mm, common practice, no source."""
    return int(depth) if depth >= 2 else None


def mitre_normal(mitre_deg: float, mitre_direction_deg: float) -> Floats:
    """(3,): the unit normal of a rim's plane in the end's frame."""
    lean, towards = np.radians([mitre_deg, mitre_direction_deg])
    return np.array([np.sin(lean) * np.cos(towards), np.sin(lean) * np.sin(towards), np.cos(lean)])


@dataclass(frozen=True)
class UnitDoubt:
    """The sections make no tube sizes as read, but they do at another scale; or they are too wide or too narrow."""

    factor: float
    """What the file's lengths have to be multiplied by: 25.4, 1 / 25.4, 1000 ...; 1 if no scale is better."""
    found: Message
    """What was read, and what it would be."""
    cure: Message
    """The one change that fixes it, in a file that was read in millimetres."""
    beyond: bool = False
    """Whether tubes are wider or narrower than any that are welded, so that a unit inside the file is in doubt too."""

    @property
    def explanation(self) -> Message:
        return say("{} {}", self.found, self.cure)
