# SPDX-License-Identifier: GPL-3.0-or-later
"""Copes that a job gives by sizes, without an assembly."""

from __future__ import annotations

import math
from dataclasses import MISSING, dataclass, replace
from typing import ClassVar, Self

import numpy as np

from ..fields.declared import declared
from ..fields.messages import Given, Length, say
from ..geometry.developments import TOUCH_MM, Cut, TubeCut, traced
from ..geometry.frames import Frame
from ..geometry.sections import Section
from .copes import cope
from .ends import OPEN, TubeEnd
from .given import MOST_ALIKE, NOT_GIVEN, section_of
from .sites import ClosedEnd, Takeoff, Tube


@dataclass(frozen=True)
class GivenCope:
    """The end of a tube that is to lie on another tube."""

    table: ClassVar[str] = "cope"

    size: str = declared(MISSING, meaning="name of the tube's table size, as in `[[tube_end]]`")
    on: str = declared(MISSING, meaning="name of the other tube's table size")
    angle_deg: float = declared(90.0, meaning="between the tubes' axes", least=10.0, most=170.0)
    offset_mm: float = declared(
        0.0, meaning="how far the axes pass beside each other: seen from the shorter side, with the end up, the other "
        "tube lies to the left; negative to the right"
    )  # fmt: skip
    turn_deg: float = declared(
        0.0, least=-360.0, most=360.0, meaning="how far a rectangular tube is turned about its axis; without it its "
        "width lies in the plane of both axes"
    )  # fmt: skip
    on_turn_deg: float = declared(
        0.0, least=-360.0, most=360.0, meaning="how far the other tube is turned about its own; without it the tube "
        "lies on a side that is as wide as its width"
    )  # fmt: skip
    length_mm: float | None = declared(
        None, least=1.0, meaning="from the tube's other end, cut square, to its longest point; without it templates "
        "count from that point"
    )  # fmt: skip
    name: str = declared("", meaning="what lists and templates call the tube")
    metal: str | None = declared(None, meaning="as in `[[tube_end]]`")
    count: int = declared(1, least=1, most=MOST_ALIKE, meaning="how many such ends there are")

    def each(self) -> list[Self]:
        return [self] * self.count

    def added(self, takeoff: Takeoff, metal: str) -> Takeoff:
        section, other = (section_of(size, self.metal, metal) for size in (self.size, self.on))
        cut = self._cut(section, other)
        lines = [traced(cut, outline)[:, 2] for outline in (section.outer, section.bore)]
        cut = cut.seen_from(Frame(np.array([0.0, 0.0, np.concatenate(lines).max()]), np.eye(3)))
        frame, departure = Frame(np.zeros(3), np.eye(3)), float(np.ptp(lines[0]))
        reason = say("Coped: the rim departs {} from a plane", Length(departure))
        end = TubeEnd(self.name, section, frame, 0.0, 0.0, 0.0, "coped", reason, "given by size")
        length = self.length_mm or departure
        far: TubeEnd | ClosedEnd = NOT_GIVEN
        far_cut = None
        if self.length_mm:
            back = Frame.along((0.0, 0.0, -length), (0.0, 0.0, -1.0), (1.0, 0.0, 0.0))
            far = TubeEnd(self.name, section, back, 0.0, 0.0, length, "open", OPEN, "given by size")
            far_cut = far.flat_cut
        tube = Tube(self.name, section, frame, length, (end, far), (0.0, 0.0), cuts=(cut, far_cut))
        copes = (*takeoff.copes, cope(end, tube, cut))
        return replace(takeoff, tubes=(*takeoff.tubes, tube), copes=copes)

    def _cut(self, section: Section, other: Section) -> Cut:
        cut = TubeCut.at(other.outer, self.angle_deg, self.offset_mm, self.on_turn_deg)
        turned = Frame(np.zeros(3), np.eye(3)).turned(self.turn_deg)
        points = section.outer.polygon() @ turned.axes[:2, :2]
        past = cut.past_mm(points)
        if past > TOUCH_MM:
            across = float(np.ptp(points[:, 1]))
            if across > cut.reach_mm + 2 * TOUCH_MM:
                said = "the tube is {} wide across the other one, which is {} wide; choose a tube that is no wider"
                raise ValueError(say(said, Length(across), Length(cut.reach_mm)))
            works = math.copysign(math.floor((abs(self.offset_mm) - past) * 100) / 100, self.offset_mm)
            said = "with an offset of {} the tube passes by {} beside the other one; give at most {}"
            raise ValueError(say(said, Given(self.offset_mm), Length(past), Length(works)))
        return cut.seen_from(turned)
