# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube ends that a person gave, by size or by picking them, and how they go together with those of the takeoff."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import MISSING, dataclass, replace
from typing import TypeVar

import numpy as np

from ..fields.declared import declared
from ..fields.messages import say
from ..geometry.frames import Floats, Frame
from ..geometry.sections import Section
from ..trade.metals import metal_named
from ..trade.sizes import size_named
from .ends import TubeEnd, mitre_normal
from .picked import MOST_MITRE_DEG, PickedEnd, Point
from .rim_sections import placed
from .sites import ClosedEnd, Takeoff

Record = TypeVar("Record")
CLEAR_MM = 1000.0
"""Without a tube nothing stands in the bore's way."""
NOT_GIVEN = ClosedEnd(say("The other end was not given"))
MOST_ALIKE = 1000
SAME_SHARE = 0.01
"""Ends no further apart than this share of the tube's width, whose outsides differ by no more, are the same end."""
_SAME_DEG = 5.0


@dataclass(frozen=True)
class SizedEnd:
    """Ends of tubes of the size tables that are all alike, without an assembly."""

    size: str = declared(
        MISSING, meaning='name of a table size, such as `"1 in × 1/8 in"`, `"40 × 40 × 3"`, `"NPS 2 Sch 40"`'
    )
    position_mm: Point = declared((0.0, 0.0, 0.0), meaning="where the tube's axis meets the rim")
    axis: Point = declared((0.0, 0.0, 1.0), meaning="direction along the tube, pointing out of it")
    width_axis: Point = declared((1.0, 0.0, 0.0), meaning="direction along the section's width")
    metal: str | None = declared(
        None,
        meaning="what the tube is made of, which decides its corners: cold-formed steel has round ones, extruded "
        "aluminium sharp ones. Without it, `metal` in `[tube]` counts",
    )
    mitre_deg: float = declared(0.0, least=0.0, most=MOST_MITRE_DEG, meaning="how far the cut is off square")
    towards_deg: float = declared(
        0.0, least=-360.0, most=360.0, meaning="which way a mitred cut faces: 0 along the section's width, 90 along "
        "its depth"
    )  # fmt: skip
    name: str = declared("", meaning="what lists call the tube")
    count: int = declared(1, least=1, most=MOST_ALIKE, meaning="how many such ends there are")

    def tube_end(self, metal: str | None = None) -> TubeEnd:
        """``metal`` is the job's. Raises ``trade.tables.UnknownNameError``, and ``ValueError`` for an axis without
        length."""
        try:
            frame = Frame.along(self.position_mm, self.axis, self.width_axis)
        except ValueError:
            raise ValueError("the axis has no length; give the direction along the tube and out of it") from None
        section = section_of(self.size, self.metal, metal)
        rim = placed(section, np.zeros(2), 0.0, frame, self._normal(frame), section.bore.polygon())
        return rim.tube_end(self.name, CLEAR_MM, "given by size")

    def _normal(self, frame: Frame) -> Floats:
        return frame.to_world(mitre_normal(self.mitre_deg, self.towards_deg)) - frame.origin


def section_of(size: str, metal: str | None, usual: str | None) -> Section:
    """Of a tube of this table size in this metal, without one in the job's ``usual`` one. Raises
    ``trade.tables.UnknownNameError``."""
    return size_named(size).section_in(metal_named(metal).name if metal else usual)


GivenEnd = PickedEnd | SizedEnd


def ends_of(given: GivenEnd, metal: str) -> list[TubeEnd]:
    """The tube ends, in a job with tubes of this metal. Raises like its ``tube_end``."""
    if isinstance(given, SizedEnd):
        return [given.tube_end(metal) for _ in range(given.count)]
    return [given.tube_end()]


def joined(takeoff: Takeoff, given: Sequence[TubeEnd]) -> Takeoff:
    """The takeoff with ends that were given after its own, each end once."""
    if not given:
        return takeoff
    ends = (*takeoff.ends, *given)
    places = stand_ins(ends)
    twice = sum(end is not ends[place] for end, place in zip(given, places[len(takeoff.ends) :], strict=True))
    notes = takeoff.notes
    if twice:
        are = "tube end was" if twice == 1 else "tube ends were"
        notes += (f"{twice} picked {are} found in the assembly, or picked, at the same place; each takes one fitting.",)
    standing = tuple(end for place, end in enumerate(ends) if places[place] == place)
    return replace(takeoff, ends=standing, notes=notes)


def leaving_out(takeoff: Takeoff, places_mm: Sequence[Point]) -> tuple[Takeoff, list[Point]]:
    """The takeoff without the ends, holes, copes and joints at these places, by what result.json calls their positions;
    and the places where none is."""
    at: list[tuple[object, Floats, Section]] = [
        *((end, end.frame.origin, end.section) for end in takeoff.ends),
        *((hole, mouth.position, hole.tube.section) for hole in takeoff.holes for mouth in hole.mouths),
        *((cope, cope.end.frame.origin, cope.end.section) for cope in takeoff.copes),
        *((joint, end.frame.origin, end.section) for joint in takeoff.joints for end in joint.ends),
    ]
    origins = np.array([origin for _, origin, _ in at]).reshape(-1, 3)
    reach = SAME_SHARE * np.array([section.outer.width for _, _, section in at])
    gone: set[int] = set()
    missed = []
    for place in places_mm:
        here = np.flatnonzero(np.linalg.norm(origins - place, axis=1) <= reach).tolist()
        gone.update(id(at[number][0]) for number in here)
        if not here:
            missed.append(place)
    if not gone:
        return takeoff, missed

    def left(records: Sequence[Record]) -> tuple[Record, ...]:
        return tuple(record for record in records if id(record) not in gone)

    kept = replace(
        takeoff,
        ends=left(takeoff.ends),
        holes=left(takeoff.holes),
        copes=left(takeoff.copes),
        joints=left(takeoff.joints),
    )
    return kept, missed


def stand_ins(ends: Sequence[TubeEnd]) -> list[int]:
    """For each end the place in the list of the one that counts for it; its own where it counts itself.

    An end picked by hand gives way to an open one that was found in the same place. It takes the place of one that was
    found to be closed, since the user knows better, and of one that was picked earlier.
    """
    places = list(range(len(ends)))
    origins = np.array([end.frame.origin for end in ends]).reshape(-1, 3)
    for place, picked in enumerate(ends):
        if picked.by_hand != "picked by hand" or not picked.open:
            continue
        reach = SAME_SHARE * picked.section.outer.width
        near = np.flatnonzero(np.linalg.norm(origins - picked.frame.origin, axis=1) <= reach)
        for other in near.tolist():
            if places[other] != other or other == place or not _same(picked, ends[other]):
                continue
            if ends[other].by_hand == "" and ends[other].open:
                places[place] = other
                break
            if ends[other].by_hand == "" or other < place:
                places[other] = place
    return [_last(places, place) for place in places]


def _same(first: TubeEnd, second: TubeEnd) -> bool:
    """Whether two ends at the same place look the same way and are as large; a tube may stand inside another."""
    if second.by_hand == "given by size" or first.frame.z @ second.frame.z < np.cos(np.radians(_SAME_DEG)):
        return False
    mine, theirs = (np.sort([end.section.outer.width, end.section.outer.depth]) for end in (first, second))
    return bool(np.abs(mine - theirs).max() <= SAME_SHARE * first.section.outer.width)


def _last(places: Sequence[int], place: int) -> int:
    while places[place] != place:
        place = places[place]
    return place
