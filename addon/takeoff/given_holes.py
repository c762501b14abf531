# SPDX-License-Identifier: GPL-3.0-or-later
"""Holes that a job gives by size and place, without an assembly."""

from __future__ import annotations

import math
from dataclasses import MISSING, dataclass, replace
from typing import ClassVar, Literal, Self

import numpy as np

from ..fields.declared import declared
from ..fields.messages import Given, Length, say
from ..geometry.frames import Floats, Frame
from ..geometry.sections import Section
from .ends import Cause, TubeEnd
from .given import MOST_ALIKE, NOT_GIVEN, section_of
from .sites import SIDES, Hole, Mouth, Takeoff, Tube, TubeSide


@dataclass(frozen=True)
class GivenHole:
    """A round hole drilled straight into a tube."""

    table: ClassVar[str] = "hole"

    size: str = declared(MISSING, meaning="name of the tube's table size, as in `[[tube_end]]`")
    diameter_mm: float = declared(MISSING, meaning="diameter of the hole", least=0.5, most=200.0)
    distance_mm: float = declared(MISSING, meaning="along the tube from its end to the middle of the hole", least=0.1)
    angle_deg: float = declared(
        0.0, least=-360.0, most=360.0, meaning="around a round tube, counter-clockwise seen from the end"
    )
    side: TubeSide = declared(
        "+y", meaning="side of a rectangular tube that it is in: `x` runs along the tube's width, and the end is seen "
        "from outside"
    )  # fmt: skip
    offset_mm: float = declared(
        0.0, meaning="how far off the middle of that side, along the tube's width or depth; negative the other way"
    )
    walls: Literal["one", "both"] = declared("one", meaning="whether it goes on through the far wall")
    end: Literal["open", "closed"] = declared(
        "open", meaning="whether a guide can slide over the end that the distance counts from"
    )
    tube: str = declared("tube", meaning="what lists call the tube; holes with the same name are in the same tube")
    metal: str | None = declared(None, meaning="as in `[[tube_end]]`")
    count: int = declared(1, least=1, most=MOST_ALIKE, meaning="how many tubes have it, each as this one")

    def each(self) -> list[Self]:
        """Each in a tube of its own."""
        names = [self.tube, *(f"{self.tube} {number}" for number in range(2, self.count + 1))]
        return [replace(self, tube=name) for name in names]

    def added(self, takeoff: Takeoff, metal: str) -> Takeoff:
        section = section_of(self.size, self.metal, metal)
        named = next((tube for tube in takeoff.tubes if _is_given(tube) and tube.source == self.tube), None)
        tube = named or self._tube(section)
        if tube.section != section or (tube.free_mm[0] > 0) != (self.end == "open"):
            raise ValueError(
                say("another hole has {} of another size or end; give this tube another name", Given(self.tube))
            )
        place, way = self._mouth(section)
        mouths = [Mouth(np.append(place, -self.distance_mm), np.append(way, 0.0))]
        if self.walls == "both":
            far = place - 2 * float(place @ way) * way
            mouths.append(Mouth(np.append(far, -self.distance_mm), np.append(-way, 0.0)))
            mouths.sort(key=lambda mouth: tube.from_half_turn(mouth.position))
        hole = Hole.at(tube, self.diameter_mm, mouths, mouths[0].axis[:2])
        tubes = takeoff.tubes if named else (*takeoff.tubes, tube)
        return replace(takeoff, tubes=tubes, holes=(*takeoff.holes, hole))

    def _tube(self, section: Section) -> Tube:
        """As long as anyone needs. Its end takes no fitting."""
        frame, length = Frame(np.zeros(3), np.eye(3)), 10_000.0
        cause: Cause = "open" if self.end == "open" else "blocked"
        free = length if cause == "open" else 0.0
        end = TubeEnd(self.tube, section, frame, 0.0, 0.0, length, cause, say(cause), "given by size")
        return Tube(self.tube, section, frame, length, (end, NOT_GIVEN), (free, free))

    def _mouth(self, section: Section) -> tuple[Floats, Floats]:
        """(2,) and (2,): where the hole's axis meets the tube's outside, and which way it goes out there."""
        outer = section.outer
        if outer.shape == "rectangle":
            way = np.array(SIDES[self.side], float)
            across, half = (outer.depth, outer.width) if way[0] else (outer.width, outer.depth)
            room = across / 2 - outer.corner_radius - self.diameter_mm / 2
            if abs(self.offset_mm) > room:
                problem = say("a hole of {} there runs into the tube's corner", Length(self.diameter_mm))
                raise ValueError(
                    say("{}; give an offset of at most {}", problem, Length(room)) if room >= 0 else problem
                )
            return half / 2 * way + self.offset_mm * np.abs(way[::-1]), way
        if self.diameter_mm > section.bore.width:
            raise ValueError(
                say(
                    "a hole of {} is wider than the tube's bore, {}; give a smaller one",
                    Length(self.diameter_mm),
                    Length(section.bore.width),
                )
            )
        angle = math.radians(self.angle_deg)
        way = np.array([math.cos(angle), math.sin(angle)])
        return outer.width / 2 * way, way


def _is_given(tube: Tube) -> bool:
    end = tube.ends[0]
    return isinstance(end, TubeEnd) and end.by_hand == "given by size"
