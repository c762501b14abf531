# SPDX-License-Identifier: GPL-3.0-or-later
"""The wall that a plug sits in: each mouth of a hole as a site, and the tube's surfaces as the plug's frame sees them.

That frame has its origin where the hole's axis meets the tube's outside, z straight out of the tube there, x along the
tube: the section lies in the plane of y and z. Where the hole leans, x is the way that it leans in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from manifold3d import CrossSection, Manifold

from ...geometry.frames import Floats, Frame
from ...geometry.outline_fit import off_outline
from ...geometry.sections import Outline, Section
from ...geometry.units import say_both
from ...takeoff import Hole, Mouth, Takeoff
from ...takeoff.hole_words import said_mouth
from ..family import ALIKE_DEG, ALIKE_MM

MOST_LEAN_DEG = 1.0
"""A hole that leans no further counts as square to the wall: a head's edge then lifts by half a layer."""
FLAT_BEYOND_MM = 4.0
"""A side that is flat so far past the hole counts as flat; nearer to a corner the head follows that."""
ALIKE_CONE_DEG = 1.0
"""Countersinks nearer to each other than this take the same head."""
_CHORD_MM = 0.002
"""Of the outlines that a head follows."""
MOST_CORNER_MM = 1.5
"""Radius of a head's corners."""
_RIM_FACETS = 64
_AROUND = np.radians(np.arange(0.0, 360.0, 5.0))


@dataclass(frozen=True, eq=False)
class HoleMouth:
    """One mouth of a hole, which takes a plug."""

    hole: Hole
    mouth: Mouth

    @property
    def source(self) -> str:
        return self.hole.source

    @property
    def sources(self) -> tuple[str, ...]:
        return (self.source,)

    @property
    def section(self) -> Section:
        return self.hole.tube.section

    @property
    def records(self) -> tuple[Hole, ...]:
        return (self.hole,)

    @property
    def count(self) -> int:
        return 1

    @property
    def position(self) -> Floats:
        return self.mouth.position

    @cached_property
    def frame(self) -> Frame:
        tube = self.hole.tube
        place = tube.frame.to_local(self.mouth.position[None])[:, :2]
        out = off_outline(tube.section.outer, place)[1][0] @ tube.frame.axes[:2]
        return Frame.along(self.mouth.position, out, self.mouth.axis if _leans(self.hole) else tube.axis)

    @property
    def where(self) -> str:
        return f"hole {say_both(self.hole.diameter_mm)}, {said_mouth(self.hole, self.mouth)}"


@dataclass(frozen=True)
class HolePlace:
    """Everything about a hole's mouth that a design depends on."""

    section: Section
    """Of the tube, with the measured bore if there is one."""
    diameter_mm: float
    wall_mm: float
    """Square to the outside, from where the axis meets it."""
    reach_mm: float
    """How deep a stem may go, square to the outside."""
    lean_deg: float = 0.0
    """How far the axis leans from the straight way out of the wall; 0 up to ``MOST_LEAN_DEG``."""
    countersink_mm: float = 0.0
    countersink_deg: float = 0.0
    """Largest diameter and whole angle; 0 if it is plain."""
    room_mm: float = math.inf
    """On a flat side, how far that goes past the axis to the nearer corner; no limit elsewhere."""
    lean_across_deg: float = 0.0
    """Between the way that the axis leans in and the tube."""
    outer: Outline | None = None
    bore: Outline | None = None
    """The tube's outlines, seen along it, across and out from where the axis meets the outside; none if the wall is
    flat around the hole."""

    @classmethod
    def of(cls, site: HoleMouth, section: Section) -> HolePlace:
        hole, tube = site.hole, site.hole.tube.frame
        along = float(site.frame.x @ hole.tube.axis)
        plane = Frame.along(site.position, site.frame.z, math.copysign(1.0, along) * hole.tube.axis).axes[1:]
        lean = hole.lean_deg if _leans(hole) else 0.0
        turn, middle = plane @ tube.axes[:2].T, plane @ (tube.origin - site.position)
        if section.outer.shape == "circle":
            middle[0] = 0.0
        outer, bore = (_seen(outline, turn, middle) for outline in (section.outer, section.bore))
        radius = hole.diameter_mm / 2
        wall = -_span(bore, np.zeros(1))[1][0]
        clear = -np.nanmax(_span(bore, np.array([-radius, 0.0, radius]))[0])
        place = cls(
            section,
            hole.diameter_mm,
            float(wall),
            float((wall + clear) / 2 if hole.walls == 2 else clear),
            lean,
            site.mouth.countersink_mm,
            site.mouth.countersink_deg,
            _room_on_side(hole) or math.inf,
            math.degrees(math.acos(min(abs(along), 1.0))) if lean else 0.0,
            outer,
            bore,
        )
        flat = math.isfinite(place.room_mm) and place.room_mm >= place.widest_mm + FLAT_BEYOND_MM
        return replace(place, outer=None, bore=None) if flat else place

    @property
    def radius(self) -> float:
        return self.diameter_mm / 2

    @property
    def widest_mm(self) -> float:
        """Half of what the head has to cover."""
        return max(self.diameter_mm / math.cos(math.radians(self.lean_deg)), self.countersink_mm) / 2

    @property
    def lean(self) -> Floats:
        """(3, 3): leans what is round about z so that it is round about the hole's axis; heights stay as they are."""
        lean = math.radians(self.lean_deg)
        return np.array([(1 / math.cos(lean), 0, math.tan(lean)), (0, 1, 0), (0, 0, 1)], float)

    def leaning(self, solid: Manifold) -> Manifold:
        """What is round about z, about the hole's axis."""
        return _sheared(solid, self.lean) if self.lean_deg else solid

    def upright(self, solid: Manifold) -> Manifold:
        """What is round about the hole's axis, about z."""
        return _sheared(solid, np.linalg.inv(self.lean)) if self.lean_deg else solid

    @property
    def sunk_mm(self) -> float:
        """How deep the countersink goes along the axis."""
        if self.countersink_mm <= self.diameter_mm:
            return 0.0
        return (self.countersink_mm - self.diameter_mm) / 2 / math.tan(math.radians(self.countersink_deg / 2))

    @property
    def flat(self) -> bool:
        return self.outer is None

    @property
    def key(self) -> tuple[Any, ...]:
        sizes = self.diameter_mm, self.wall_mm, self.reach_mm, self.room_mm, self.countersink_mm, self.countersink_deg
        lines = self.section.outer, self.section.bore, self.outer, self.bore
        return self.lean_deg, self.lean_across_deg, *sizes, *(line and line.key for line in lines)

    @property
    def words(self) -> str:
        said = f"hole {say_both(self.diameter_mm)}"
        if self.countersink_mm:
            said += f", countersunk {say_both(self.countersink_mm)}"
        return said + (f", leaning {self.lean_deg:.1f}°" if self.lean_deg else "")

    def like(self, other: HolePlace) -> bool:
        def apart(name: str) -> float:
            return abs(float(getattr(self, name)) - float(getattr(other, name)))

        sizes = ("diameter_mm", "wall_mm", "countersink_mm")
        turned = max(apart("lean_deg"), apart("lean_across_deg")) > ALIKE_DEG
        turned |= apart("countersink_deg") > ALIKE_CONE_DEG
        if turned or max(map(apart, sizes)) > ALIKE_MM:
            return False
        pairs = zip((self.outer, self.bore), (other.outer, other.bore), strict=True)
        return self.section.like(other.section, ALIKE_MM) and all(_alike(mine, theirs) for mine, theirs in pairs)

    def tighter(self, other: HolePlace) -> HolePlace:
        """The smaller hole, with the room that both have."""
        smaller = min(self, other, key=lambda place: place.diameter_mm)
        reach, room = (min(getattr(place, name) for place in (self, other)) for name in ("reach_mm", "room_mm"))
        return replace(smaller, reach_mm=reach, room_mm=room)

    def outside(self, points: Floats) -> Floats:
        """(n,): heights of the tube's outside over points (n, 2) of the plug's x and y; not a number where it is not
        below them."""
        return np.zeros(len(points)) if self.outer is None else _span(self.outer, points[:, 1])[1]

    def inside(self, points: Floats) -> Floats:
        """The same of the wall's inside."""
        return np.full(len(points), -self.wall_mm) if self.bore is None else _span(self.bore, points[:, 1])[1]

    def around(self, radius: float) -> Floats:
        """(n, 2): points on a circle about the axis."""
        return radius * np.column_stack([np.cos(_AROUND), np.sin(_AROUND)])

    def head(self, half_mm: float) -> Outline:
        """A head so wide to each side: round where the wall is flat. Elsewhere its sides lie along the tube and across,
        since what reaches down beside a round tube would end in tips too thin to print."""
        if self.flat:
            return Outline.circle(2 * half_mm)
        return Outline.rectangle(2 * half_mm, 2 * half_mm, min(MOST_CORNER_MM, half_mm / 2))

    def below(self, half_mm: float) -> Floats:
        """(n,): heights of the tube's outside under a head's edge."""
        return self.outside(self.head(half_mm).polygon(_RIM_FACETS))

    def tube(self, outline: Outline | None, size_mm: float, facets: int, below_mm: float = 0.0) -> Manifold:
        """All that lies inside one of the tube's surfaces, ``outline`` of its own or a flat one ``below_mm`` the
        outside, for ``size_mm`` around the hole. Facets lie around a circle, none within it."""
        if outline is None:
            section = CrossSection([np.array([(-1, -2), (1, -2), (1, 0), (-1, 0)]) * size_mm - (0.0, below_mm)])
        elif outline.shape == "circle":
            around = Outline.circle(outline.width / math.cos(math.pi / facets), outline.centre)
            section = around.cross_section(facets)
        else:
            section = outline.cross_section()
        along = Manifold.extrude(section, 2 * size_mm).translate((0.0, 0.0, -size_mm))
        return along.transform(np.array([(0.0, 0.0, 1.0, 0.0), (1.0, 0.0, 0.0, 0.0), (0.0, 1.0, 0.0, 0.0)]))


def mouths_of(takeoff: Takeoff) -> Sequence[HoleMouth]:
    """The mouths of all holes: two of one that goes through both walls."""
    return [HoleMouth(hole, mouth) for hole in takeoff.holes for mouth in hole.mouths]


def _sheared(solid: Manifold, matrix: Floats) -> Manifold:
    return solid.transform(np.column_stack([matrix, np.zeros(3)]))


def _leans(hole: Hole) -> bool:
    return hole.lean_deg > MOST_LEAN_DEG


def _room_on_side(hole: Hole) -> float:
    """How far the flat side that a hole is in goes past its axis, to the nearer corner; 0 if it is in none."""
    outer = hole.tube.section.outer
    if hole.side is None or hole.offset_mm is None:
        return 0.0
    width = outer.depth if hole.side.endswith("x") else outer.width
    return width / 2 - outer.corner_radius - abs(hole.offset_mm)


def _seen(outline: Outline, turn: Floats, middle: Floats) -> Outline:
    """A tube's outline across and out, ``turn`` (2, 2) being its own axes there."""
    if outline.shape == "circle":
        x, y = turn @ outline.centre + middle
        return Outline.circle(outline.width, (float(x), float(y)))
    return Outline.free(outline.polygon(chord_error=_CHORD_MM) @ turn.T + middle)


def _span(outline: Outline, across: Floats) -> tuple[Floats, Floats]:
    """The lowest and the highest point of an outline at each of ``across`` (n,); not a number past it."""
    if outline.shape == "circle":
        x, y = outline.centre
        with np.errstate(invalid="ignore"):
            half = np.sqrt((outline.width / 2) ** 2 - (across - x) ** 2)
        return y - half, y + half
    start = outline.polygon()
    end = np.roll(start, -1, axis=0)
    crossed = (start[:, 0] > across[:, None]) != (end[:, 0] > across[:, None])
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (across[:, None] - start[:, 0]) / (end[:, 0] - start[:, 0])
        height = np.where(crossed, start[:, 1] + share * (end[:, 1] - start[:, 1]), np.nan)
    hit = crossed.any(axis=1)
    low, high = np.full(len(across), np.nan), np.full(len(across), np.nan)
    low[hit], high[hit] = np.nanmin(height[hit], axis=1), np.nanmax(height[hit], axis=1)
    return low, high


def _alike(mine: Outline | None, theirs: Outline | None) -> bool:
    if mine is None or theirs is None:
        return mine is theirs
    low, other = (outline.polygon().min(axis=0) for outline in (mine, theirs))
    return mine.like(theirs, ALIKE_MM) and bool(np.abs(low - other).max() <= ALIKE_MM)
