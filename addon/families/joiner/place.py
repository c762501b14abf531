# SPDX-License-Identifier: GPL-3.0-or-later
"""A joint as a joiner goes into it.

Its frame has its origin midway between the two rims, z square to them from the first tube to the second, x along the
first section's width, leant into the rim's plane.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from ...fields.messages import Message, Name, say
from ...geometry.frames import Floats, Frame
from ...geometry.mitres import lean
from ...geometry.sections import Section
from ...geometry.units import say_three
from ...takeoff import Joint, Takeoff, TubeEnd
from ...takeoff.end_holes import order
from ...takeoff.ends import EndHole
from ...takeoff.rim_sections import folds
from ...takeoff.sites import IN_LINE_DEG, angle_between
from ..family import ALIKE_DEG, ALIKE_MM, EndPlace

Holes = tuple[tuple[EndHole, ...], tuple[EndHole, ...]]

_LEVEL = 1e-6
_DIGITS = 2
"""Of a millimetre and a degree in how the ends lie to each other: a model's noise is smaller."""
_TOUCHING_MM = 0.005
"""Rims nearer to each other have nothing between them."""


@dataclass(frozen=True)
class JointPlace:
    """Two ends that face each other, and how the second lies to the first."""

    first: EndPlace
    second: EndPlace
    gap_mm: float = 0.0
    """Square to the rims."""
    turn_deg: float = 0.0
    """From the first's x to the second's, in the rims' plane, counter-clockwise seen against z."""
    aside_mm: tuple[float, float] = (0.0, 0.0)
    """From the first's axis to the second's, in the rims' plane."""

    @property
    def section(self) -> Section:
        return self.first.section

    @property
    def ends(self) -> tuple[EndPlace, EndPlace]:
        return self.first, self.second

    @property
    def key(self) -> tuple[Any, ...]:
        return self.first.key, self.second.key, self.gap_mm, self.turn_deg, self.aside_mm

    @property
    def angle_deg(self) -> float:
        """Between the tubes: 180 in line."""
        first, second = self.frames
        return angle_between(first.z, second.z)

    @property
    def words(self) -> str:
        other = "" if self.second.section.like(self.section, ALIKE_MM) else "two sections, "
        return f"{other}{said_angle(self.angle_deg)}"

    @property
    def frames(self) -> tuple[Frame, Frame]:
        """Of the two ends in the joint's frame: the origin where the axis meets the rim, z along it out of the tube."""
        turn, half = math.radians(self.turn_deg), self.gap_mm / 2
        over = np.array([[math.cos(turn), math.sin(turn), 0], [math.sin(turn), -math.cos(turn), 0], [0, 0, -1]])
        return (
            Frame(np.array([0, 0, -half]), _lean(self.first)),
            Frame(np.array([*self.aside_mm, half]), _lean(self.second) @ over),
        )

    def screws_deg(self, first_deg: float) -> tuple[float, float]:
        """Where around each tube screws lie that are all in line, from where they lie around the first."""
        return first_deg, self.turn_deg - first_deg

    def up(self, screw_deg: float) -> Floats:
        """(3,): what points up when both tubes' axes lie along the plate, in line on their wider sides, in the joint's
        frame. Screws that go in at this angle around the first tube do not go in from below, and into round ones in
        line from the side."""
        first, second = self.frames
        screw = first.turned(screw_deg)
        up = np.cross(first.z, second.z)
        if self.angle_deg > IN_LINE_DEG:
            outer = self.section.outer
            up = screw.y if outer.shape == "circle" else first.y if outer.width >= outer.depth else first.x
        below = up @ screw.x < -_LEVEL
        return (-up if below else up) / np.linalg.norm(up)

    def like(self, other: JointPlace) -> bool:
        off = abs(self.turn_deg - other.turn_deg), math.dist(self.aside_mm, other.aside_mm)
        alike = self.first.like(other.first) and self.second.like(other.second)
        return alike and off[0] <= ALIKE_DEG and max(off[1], abs(self.gap_mm - other.gap_mm)) <= ALIKE_MM

    def tighter(self, other: JointPlace) -> JointPlace:
        first, second = self.first.tighter(other.first), self.second.tighter(other.second)
        return replace(self, first=first, second=second, gap_mm=min(self.gap_mm, other.gap_mm))

    @classmethod
    def of(cls, site: JointSite, section: Section) -> JointPlace:
        first, second = site.joint.ends
        same = second.section.like(first.section, ALIKE_MM)
        sections = section, section if same else second.section
        first_place, second_place = (
            EndPlace(own, end.mitre_deg, end.mitre_direction_deg, depth, holes)
            for own, end, depth, holes in zip(
                sections, site.joint.ends, site.joint.clear_depths_mm, site.joint.holes, strict=True
            )
        )
        return cls(
            first_place,
            second_place,
            site.gap_mm,
            site.turn_deg,
            site.aside_mm,
        )


@dataclass(frozen=True, eq=False)
class JointSite:
    """A joint, the wider tube first, turned so that alike joints are placed alike."""

    joint: Joint
    """Its holes in the frames that the joiner is designed in."""
    frame: Frame
    gap_mm: float
    turn_deg: float
    aside_mm: tuple[float, float]
    found: Joint
    """As the takeoff has it, whichever way round."""

    count = 1

    @classmethod
    def of(cls, found: Joint) -> JointSite:
        joint = found
        sizes = [
            (end.section.outer.width, end.section.outer.depth, -end.mitre_direction_deg, len(holes))
            for end, holes in zip(joint.ends, joint.holes, strict=True)
        ]
        if sizes[0] < sizes[1]:
            joint = joint.turned_round
        first, second = joint.ends
        axes = _rim_axes(first)
        gap = float((second.frame.origin - first.frame.origin) @ axes[2])
        x, y, _ = axes @ _rim_axes(second)[0]
        turn = math.degrees(math.atan2(y, x))
        turned, left = _least_turn(turn, _folds(first), _folds(second))
        further, holes = _holes_turned(joint, turned, turn - turned - left)
        frame = Frame(first.frame.origin + gap / 2 * axes[2], axes).turned(turned + further)
        u, v, _ = frame.to_local(second.frame.origin)
        joint = replace(joint, holes=holes)
        gap = 0.0 if abs(gap) < _TOUCHING_MM else gap
        return cls(joint, frame, gap, _rounded(left), (_rounded(float(u)), _rounded(float(v))), found)

    @property
    def source(self) -> str:
        return self.joint.ends[0].source

    @property
    def sources(self) -> tuple[str, ...]:
        return tuple(end.source for end in self.joint.ends)

    @property
    def section(self) -> Section:
        return self.joint.ends[0].section

    @property
    def where(self) -> Message:
        return say("joined to {}", Name(self.sources[1])) if self.sources[1] else say("joint")

    @property
    def position(self) -> Floats:
        return self.frame.origin

    @property
    def records(self) -> tuple[object, ...]:
        return (self.found, *self.joint.ends)


def joint_sites(takeoff: Takeoff) -> list[JointSite]:
    return [JointSite.of(joint) for joint in takeoff.joints]


def said_angle(angle_deg: float) -> str:
    return "in line" if angle_deg > IN_LINE_DEG else f"corner {say_three(angle_deg)}°"


def _lean(end: EndPlace) -> Floats:
    return lean(end.mitre_deg, end.mitre_direction_deg)


def _rim_axes(end: TubeEnd) -> Floats:
    """(3, 3): of the rim's plane in the world, z out of the tube."""
    return lean(end.mitre_deg, end.mitre_direction_deg).T @ end.frame.axes


def _folds(end: TubeEnd) -> int:
    """In how many directions the end looks the same; 0 for all."""
    return 1 if end.mitre_deg else folds(end.section)


def _least_turn(turn_deg: float, first: int, second: int) -> tuple[float, float]:
    """How far the first end may be turned, which looks the same in so many directions, and what is then left of the
    turn from it to the second."""
    if 0 in (first, second):
        return (turn_deg if first == 0 else 0.0), 0.0
    step = 360 / max(first, second)
    whole = step * round(turn_deg / step)
    return (whole if first >= second else 0.0), turn_deg - whole


def _holes_turned(joint: Joint, first_deg: float, second_deg: float) -> tuple[float, Holes]:
    """The holes in the frames that a joiner is designed in: the first end's turned so far, the second's turned so far
    to look the same, and both by so much more that alike joints get alike holes."""
    first, second = _turned(joint.holes, first_deg, second_deg)
    folds = math.gcd(*map(_folds, joint.ends))
    turns = [360 / folds * step for step in range(folds)]
    if not folds:
        turns = [hole.angle_deg for hole in first] or [-hole.angle_deg for hole in second] or [0.0]
    ways = [(turn, _turned((first, second), turn, -turn)) for turn in turns]
    return min(ways, key=lambda way: [list(map(order, holes)) for holes in way[1]])


def _turned(holes: Holes, first_deg: float, second_deg: float) -> Holes:
    """As they are in frames that are turned so far."""
    first, second = (
        tuple(sorted((hole.turned(-turn) for hole in own), key=order))
        for own, turn in zip(holes, (first_deg, second_deg), strict=True)
    )
    return first, second


def _rounded(number: float) -> float:
    return round(number, _DIGITS) + 0.0
