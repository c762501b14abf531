# SPDX-License-Identifier: GPL-3.0-or-later
"""Copes as sites, and what of them a sleeve depends on."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, ClassVar

import numpy as np

from ...fields.messages import NOTHING, Length, Message, say, say_each
from ...geometry.developments import Cut, LowestCut, PlaneCut, ReadCut, TubeCut, traced
from ...geometry.frames import Floats, Frame
from ...geometry.sections import Outline, Section
from ...geometry.units import bare_mm, inches_beside, say_three
from ...takeoff import Cope, Takeoff, Tube, TubeEnd
from ...takeoff.hole_words import nearer_end, said_from_end
from ..family import ALIKE_MM

_AROUND, _BETWEEN = 72, 8
"""Where cuts are compared: corners of an outline, and places from one to the next."""
_MIDWAY = 0.499
_OFF_MM = 0.05
"""Axes nearer to each other than this cross."""


@dataclass(frozen=True, eq=False)
class CutEnd:
    """The end of a tube with its cut, in a frame that depends on nothing but the cut: z along the tube and out of it,
    the origin level with the cut's farthest point; x where the cut is shorter, as far as the section allows."""

    end: TubeEnd
    tube: Tube
    cut: Cut
    """In the tube end's frame."""

    @cached_property
    def _own(self) -> Frame:
        outer, bore = self.end.section.outer, self.end.section.bore
        top = max(float(np.nanmax(traced(self.cut, outline)[:, 2])) for outline in (outer, bore))
        turn, step = self.cut.direction_deg, _same_after(outer)
        # Midway between two of its turns, as on a corner, noise is not to decide.
        turn = step * math.floor(turn / step + _MIDWAY) if step else turn
        return Frame(np.array([0.0, 0.0, top]), np.eye(3)).turned(turn)

    @property
    def frame(self) -> Frame:
        own, end = self._own, self.end.frame
        return Frame(end.to_world(own.origin), own.axes @ end.axes)

    @property
    def place(self) -> CutPlace:
        return CutPlace(self.end.section, self.cut.seen_from(self._own))


@dataclass(frozen=True, eq=False)
class CopeSite:
    cope: Cope
    at: CutEnd
    far: CutEnd | None
    """The tube's other end; None if it was not read."""
    count: ClassVar[int] = 1

    @property
    def source(self) -> str:
        return self.cope.end.source

    @property
    def sources(self) -> tuple[str, ...]:
        return (self.source,)

    @property
    def section(self) -> Section:
        return self.cope.end.section

    @property
    def frame(self) -> Frame:
        return self.at.frame

    @property
    def where(self) -> Message:
        cope, cut = self.cope, said_cut(self.cope.cut)
        under = list(filter(None, (tube.source for tube in cope.tubes_under)))
        if not under or cope.other is None:
            return say("cope, {}", cut)
        on = say("cope on {}", say_each(under))
        if met := cope.met_mm:
            at = said_from_end(cope.other, met, nearer_end(cope.other, met), cope.other.source)
            on = say("{}, centre line {}", on, at)
        return say("{}, {}", on, cut)

    @property
    def position(self) -> Floats:
        return self.at.frame.origin

    @property
    def records(self) -> tuple[Cope, ...]:
        return (self.cope,)


@dataclass(frozen=True, eq=False)
class CutPlace:
    section: Section
    cut: Cut
    mark: str = ""
    """The fitting's id, which is raised on it."""

    @cached_property
    def profile(self) -> Floats:
        """(n,): heights of the cut around the outside."""
        corners = self.section.outer.polygon(_AROUND)
        share = (np.arange(_BETWEEN) / _BETWEEN)[:, None]
        points = corners[:, None] + share * (np.roll(corners, -1, axis=0) - corners)[:, None]
        return self.cut.heights(points.reshape(-1, 2))

    @property
    def key(self) -> tuple[Any, ...]:
        return self.mark, self.section.outer.key, self.section.bore.key, np.round(self.profile, 3).tobytes()

    @property
    def words(self) -> Message:
        return said_cut(self.cut, brief=True)

    def like(self, other: CutPlace) -> bool:
        if not self.section.like(other.section, ALIKE_MM) or len(self.profile) != len(other.profile):
            return False
        # Two meshes of one curve have their corners elsewhere.
        chords = sum(2 * place.cut.sagitta_mm for place in (self, other) if isinstance(place.cut, ReadCut))
        return bool(np.abs(self.profile - other.profile).max() <= ALIKE_MM + chords)

    def tighter(self, other: CutPlace) -> CutPlace:
        return self

    def __eq__(self, other: object) -> bool:
        return isinstance(other, CutPlace) and self.key == other.key

    def __hash__(self) -> int:
        return hash(self.key)


def cope_sites(takeoff: Takeoff) -> list[CopeSite]:
    ends = cut_ends(takeoff)
    return [
        CopeSite(cope, CutEnd(cope.end, cope.tube, cope.cut), far_end(cope.end, cope.tube, ends))
        for cope in takeoff.copes
    ]


def cut_ends(takeoff: Takeoff) -> dict[int, CutEnd]:
    """Every end of a tube with its cut, by its ``id``, if that is known."""
    return {
        id(end): CutEnd(end, tube, cut)
        for tube in takeoff.tubes
        for end, cut in zip(tube.ends, tube.cuts, strict=True)
        if isinstance(end, TubeEnd) and cut is not None
    }


def far_end(end: TubeEnd, tube: Tube, ends: dict[int, CutEnd]) -> CutEnd | None:
    return next((ends[id(other)] for other in tube.ends if other is not end and id(other) in ends), None)


def said_cut(cut: Cut, brief: bool = False) -> Message:
    """``"60° on 48.3 mm round, 6 mm off"``; where it is ``brief``, an inch size without its millimetres."""
    if isinstance(cut, LowestCut):
        return say_each(said_cut(part, brief) for part in cut.cuts)
    if isinstance(cut, PlaneCut):
        return say(f"mitre {say_three(cut.mitre_deg)}°")
    if not isinstance(cut, TubeCut):
        return say("as modelled")
    off = say(", {} off", Length(cut.offset_mm)) if cut.offset_mm > _OFF_MM else NOTHING
    return say(f"{say_three(cut.angle_deg)}° on {{}}{{}}", _said_outline(cut.outline, brief), off)


def _said_outline(outline: Outline, brief: bool) -> Message:
    """``"48.3 mm round"``, ``"1 1/2 in (38.1 mm) round"``, ``"60 × 40 mm"``."""
    sides = (outline.width,) if outline.shape == "circle" else (outline.width, outline.depth)
    said, inches = say("{}", Length(*sides)), [inches_beside(side) for side in sides]
    if all(inches):
        said = say(" × ".join(filter(None, inches)) + ("" if brief else f" ({' × '.join(map(bare_mm, sides))} mm)"))
    return say("{} round", said) if outline.shape == "circle" else said


def _same_after(outline: Outline) -> float:
    """By how many degrees an outline may be turned and is the same; 0 for any angle."""
    if outline.shape == "circle":
        return 0.0
    square = outline.shape == "rectangle" and abs(outline.width - outline.depth) <= ALIKE_MM
    return 360.0 if outline.shape == "free" else 90.0 if square else 180.0
