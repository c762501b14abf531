# SPDX-License-Identifier: GPL-3.0-or-later
"""The wall that a plug sits in: each mouth of a hole as a site, and the tube's surfaces as the plug's frame sees them.

That frame has its origin where the hole's axis meets the tube's outside, z straight out of the tube there, x along the
tube: the section lies in the plane of y and z. On a flat wall x is the way that the hole leans in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from manifold3d import CrossSection, Manifold

from ...fields.messages import Length, Message, say
from ...geometry.frames import Floats, Frame
from ...geometry.outline_fit import off_outline
from ...geometry.sections import Outline, Section
from ...geometry.units import say_both
from ...takeoff import Hole, Mouth, Takeoff
from ...takeoff.hole_words import said_mouth
from ...takeoff.sites import angle_between
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
    def out(self) -> Floats:
        """(3,): straight out of the tube's wall."""
        tube = self.hole.tube
        place = tube.frame.to_local(self.mouth.position[None])[:, :2]
        return off_outline(tube.section.outer, place)[1][0] @ tube.frame.axes[:2]

    @cached_property
    def lean_deg(self) -> float:
        """0 up to ``MOST_LEAN_DEG``."""
        lean = angle_between(self.mouth.axis, self.out)
        return lean if lean > MOST_LEAN_DEG else 0.0

    @cached_property
    def along(self) -> Frame:
        """With x along the tube, the way that the hole leans there."""
        frame = Frame.along(self.mouth.position, self.out, self.hole.tube.axis)
        x, y = frame.axes[:2] @ self.mouth.axis
        across = abs(x) <= math.sin(math.radians(ALIKE_DEG)) * abs(y)
        return frame.turned(180.0) if self.lean_deg and (y if across else x) < 0 else frame

    @cached_property
    def lean_towards_deg(self) -> float:
        """Which way it leans, from the tube's direction."""
        x, y = self.along.axes[:2] @ self.mouth.axis
        return math.degrees(math.atan2(y, x)) if self.lean_deg else 0.0

    @property
    def flat(self) -> bool:
        """Whether the side is flat so far around it that no head comes near to a corner."""
        widest = max(self.hole.diameter_mm, self.mouth.countersink_mm) / 2
        return _room_on_side(self.hole) >= widest / math.cos(math.radians(self.lean_deg)) + FLAT_BEYOND_MM

    @cached_property
    def frame(self) -> Frame:
        return self.along.turned(self.lean_towards_deg) if self.flat else self.along

    @property
    def where(self) -> Message:
        return say("hole {}, {}", Length(self.hole.diameter_mm, both=True), said_mouth(self.hole, self.mouth))


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
    lean_towards_deg: float = 0.0
    """Which way it leans, about z from x, -90 to 90."""
    outer: Outline | None = None
    bore: Outline | None = None
    """The tube's outlines, seen along it, across and out from where the axis meets the outside; none if the wall is
    flat around the hole."""

    @classmethod
    def of(cls, site: HoleMouth, section: Section) -> HolePlace:
        hole, tube = site.hole, site.hole.tube.frame
        plane = site.along.axes[1:]
        turn, middle = plane @ tube.axes[:2].T, plane @ (tube.origin - site.position)
        if section.outer.shape == "circle":
            middle[0] = 0.0
        outer, bore = (_seen(outline, turn, middle) for outline in (section.outer, section.bore))
        place = cls(
            section,
            hole.diameter_mm,
            float(-_span(bore, np.zeros(1))[1][0]),
            math.inf,
            site.lean_deg,
            site.mouth.countersink_mm,
            site.mouth.countersink_deg,
            _room_on_side(hole) or math.inf,
            site.lean_towards_deg,
            outer,
            bore,
        )
        place = replace(place, reach_mm=place.reach_in(bore, hole.walls == 2))
        return replace(place, lean_towards_deg=0.0, outer=None, bore=None) if site.flat else place

    @property
    def radius(self) -> float:
        return self.diameter_mm / 2

    @cached_property
    def widest_mm(self) -> float:
        """Half of what the head has to cover; not a number where the tube is too narrow for it."""
        widest = max(self.diameter_mm, self.countersink_mm) / 2
        return float(np.hypot(*self.rim(widest)[:, :2].T).max()) if self.lean_deg else widest

    @property
    def axis(self) -> Floats:
        """(3,): unit direction, out of the tube."""
        lean, towards = np.radians([self.lean_deg, self.lean_towards_deg])
        return np.array([np.sin(lean) * np.cos(towards), np.sin(lean) * np.sin(towards), np.cos(lean)])

    @property
    def lean(self) -> Floats:
        """(3, 3): leans what is round about z so that it is round about the hole's axis; heights stay as they are."""
        lean, towards = np.radians([self.lean_deg, self.lean_towards_deg])
        turn = np.array([(np.cos(towards), -np.sin(towards), 0), (np.sin(towards), np.cos(towards), 0), (0, 0, 1)])
        return turn @ np.array([(1 / np.cos(lean), 0, np.tan(lean)), (0, 1, 0), (0, 0, 1)]) @ turn.T

    def leaning(self, solid: Manifold) -> Manifold:
        """What is round about z, about the hole's axis."""
        return _sheared(solid, self.lean) if self.lean_deg else solid

    def upright(self, solid: Manifold) -> Manifold:
        """What is round about the hole's axis, about z."""
        return _sheared(solid, np.linalg.inv(self.lean)) if self.lean_deg else solid

    @property
    def sunk_mm(self) -> float:
        """How long the countersink is along the axis."""
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
        return self.lean_deg, self.lean_towards_deg, *sizes, *(line and line.key for line in lines)

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
        turned = max(apart("lean_deg"), apart("lean_towards_deg")) > ALIKE_DEG
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
        """(n,): heights at which lines along the hole's axis come out of the wall's inside; ``points`` (n, 2) are
        where they would be if it stood upright."""
        return np.full(len(points), -self.wall_mm) if self.bore is None else self._along_axis(self.bore, points)[1]

    def rim(self, radius: float) -> Floats:
        """(n, 3): points where a hole of such a radius meets the tube's outside."""
        upright = self.around(radius)
        heights = np.zeros(len(upright)) if self.outer is None else self._along_axis(self.outer, upright)[1]
        return np.column_stack([upright, heights]) @ self.lean.T

    @property
    def cone_end_mm(self) -> float:
        """Where the countersink ends along the axis."""
        return float((self.rim(self.countersink_mm / 2) @ self.axis).max()) - self.sunk_mm

    def cone_end(self) -> Floats:
        """(n,): heights at which the countersink ends in the hole, around its axis."""
        return (self.cone_end_mm - (self.around(self.radius) @ self.axis[:2]) / self.axis[2]) * self.axis[2]

    def reach_in(self, bore: Outline, plug_opposite: bool) -> float:
        """How deep a stem may go, square to the outside: to the far wall, or halfway to a plug in that."""
        clear = -float(np.nanmax(self._along_axis(bore, self.around(self.radius))[0]))
        if not plug_opposite:
            return clear
        # Their tips are parallel unless the hole leans across the tube; then each stays on its side of the middle.
        middle = (self.wall_mm + clear) / 2
        across = abs(self.axis[1]) > math.sin(math.radians(ALIKE_DEG))
        return middle - self.radius * math.sin(math.radians(self.lean_deg)) if across else middle

    def _along_axis(self, outline: Outline, points: Floats) -> tuple[Floats, Floats]:
        return _span(outline, points @ self.lean[1, :2], float(self.lean[1, 2]))

    def around(self, radius: float) -> Floats:
        """(n, 2): points on a circle about the axis."""
        return radius * np.column_stack([np.cos(_AROUND), np.sin(_AROUND)])

    def lies_flat(self, half_mm: float) -> bool:
        """Whether a head so wide to each side lies on a flat side of the tube."""
        return self.flat or (math.isfinite(self.room_mm) and half_mm <= self.room_mm)

    def head(self, half_mm: float) -> Outline:
        """A head so wide to each side: round on a flat. Elsewhere its sides lie along the tube and across, since what
        reaches down beside a round tube would end in tips too thin to print."""
        if self.lies_flat(half_mm):
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


def _span(outline: Outline, across: Floats, slope: float = 0.0) -> tuple[Floats, Floats]:
    """The lowest and the highest point of an outline on lines through ``across`` (n,) at height 0, which go across by
    ``slope`` for each millimetre up; not a number past it."""
    if outline.shape == "circle":
        x, y = outline.centre
        aside, square = across - x, 1 + slope**2
        middle = (y - slope * aside) / square
        with np.errstate(invalid="ignore"):
            half = np.sqrt(middle**2 - (aside**2 + y**2 - (outline.width / 2) ** 2) / square)
        return middle - half, middle + half
    start = outline.polygon() @ np.array([(1.0, 0.0), (-slope, 1.0)])
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
