# SPDX-License-Identifier: GPL-3.0-or-later
"""Which holes one guide serves, and what of them its design depends on.

Holes near an open end whose outside is free are served by a sleeve over that end; all others by saddles, each for
holes near each other that can be reached from one side.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, reduce
from typing import Any, Literal, NamedTuple

import numpy as np

from ...fields.messages import AND, NOTHING, Length, Message, say, say_all
from ...geometry.frames import Floats, Frame
from ...geometry.sections import Section
from ...geometry.units import say_mm
from ...takeoff import ClosedEnd, Hole, NeededHole, Takeoff, Tube
from ...takeoff.hole_words import nearer_end, said_around, said_end
from ...takeoff.surface import Surface
from ..family import ALIKE_DEG, ALIKE_MM
from .sides import (
    USUAL_WALL_MM,
    Entry,
    Room,
    Side,
    Surroundings,
    first_entries,
    say_numbers,
    served_from,
    usual_span,
    ways_of,
)

Hand = Literal["", "L", "R"]
SLEEVE_MM, SADDLE_MM = 120.0, 80.0
"""How far from its end a sleeve reaches, and how long a row of holes a saddle serves: both stand on plates of usual
height. Common practice, no source."""
_ROOM_MM = 150.0


class NoRoom(NamedTuple):
    """What leaves a sleeve too little free tube from an open end."""

    needed_mm: float
    free_mm: float
    body: str


@dataclass(frozen=True)
class GuidePlace:
    """Everything about a pattern of holes that a guide depends on. Its frame has z along the tube's axis, to one of its
    ends; for a sleeve it is that end's."""

    section: Section
    entries: tuple[Entry, ...]
    over: bool
    """Whether a sleeve goes over the end."""
    mitre_deg: float = 0.0
    mitre_direction_deg: float = 0.0
    hand: Hand = ""
    mark: str = ""
    """What is raised on the guide to tell it from others."""
    partial: bool = False
    """Whether there are sites at which only some of the holes are drilled."""
    room: Room = Room()
    """For a sleeve."""
    sides: tuple[Side, ...] = ()
    """From which a saddle could be put on, in the order in which they are tried."""
    no_sleeve: NoRoom | None = None
    """Why none goes over the open end nearby, where something stands in its way."""

    @property
    def key(self) -> tuple[Any, ...]:
        outlines = [outline.key for outline in (self.section.outer, self.section.bore)]
        mitre = self.mitre_deg, self.mitre_direction_deg
        rooms = self.room, self.sides, self.no_sleeve
        return *outlines, self.entries, self.over, *mitre, self.hand, self.mark, self.partial, *rooms

    @property
    def words(self) -> str:
        return say_holes([entry.diameter_mm for entry in first_entries(self.entries)])

    def like(self, other: GuidePlace) -> bool:
        """Whether one guide serves both, and neither costs the other its guide or a better place for it."""
        return (
            self.same_holes(other)
            and self.has_room == other.has_room
            and self.tighter(other).tries <= max(self.tries, other.tries)
        )

    def same_holes(self, other: GuidePlace) -> bool:
        return (
            self.section.like(other.section, ALIKE_MM)
            and (self.over, self.hand) == (other.over, other.hand)
            and abs(self.mitre_deg - other.mitre_deg) <= ALIKE_DEG
            and abs(self.mitre_direction_deg - other.mitre_direction_deg) <= ALIKE_DEG
            and alike(self.entries, other.entries)
        )

    def tighter(self, other: GuidePlace) -> GuidePlace:
        return replace(
            self,
            partial=self.partial or other.partial,
            room=self.room.both(other.room),
            sides=tuple(side.narrowed(other.sides) for side in self.sides),
            no_sleeve=self.no_sleeve or other.no_sleeve,
        )

    @property
    def tries(self) -> int:
        """How many ways of putting it on come before one that leaves the usual guide room."""
        ways: list[tuple[Room, Sequence[Entry]]] = [(self.room, self.entries)] if self.over else []
        ways += [(side.room, served_from(self.section, self.entries, side.way)) for side in self.sides]
        roomy = (room.holds(*usual_span(entries)) for room, entries in ways)
        return next((place for place, holds in enumerate(roomy) if holds), len(ways))

    @property
    def sleeve_has_room(self) -> bool:
        return self.room.holds(*usual_span(self.entries))

    @property
    def has_room(self) -> bool:
        return self.tries < self.over + len(self.sides)

    @property
    def mirrored(self) -> GuidePlace:
        """The same seen in a mirror."""
        entries = tuple(
            replace(entry, point=_mirrored(entry.point), axis=_mirrored(entry.axis)) for entry in self.entries
        )
        direction = -self.mitre_direction_deg % 360.0
        return replace(self, entries=entries, mitre_direction_deg=direction, room=Room(), sides=())


class _Local(NamedTuple):
    """A mouth in a guide's frame."""

    diameter: float
    point: Floats
    axis: Floats

    @property
    def order(self) -> tuple[int, int]:
        """From the end, then counter-clockwise."""
        x, y, z = self.point.tolist()
        return _rough(-z), _rough(math.degrees(math.atan2(y, x)) % 360.0)

    def entry(self, hole: int) -> Entry:
        (x, y, z), (u, v, w) = self.point.tolist(), self.axis.tolist()
        return Entry(hole, round(self.diameter, 3), (x, y, z), (u, v, w))


@dataclass(frozen=True, eq=False)
class Pattern:
    """Holes in a tube that one guide serves."""

    tube: Tube
    holes: tuple[Hole, ...]
    end: int
    """That its frame's z points to: 0 the tube's first, 1 its last."""
    over: bool
    frame: Frame
    around: Surroundings
    hand: Hand = ""
    drilled: tuple[Entry, ...] = ()
    """What its guide serves elsewhere, where that is more than its holes."""
    room: Room = Room()
    sides: tuple[Side, ...] = ()
    no_sleeve: NoRoom | None = None

    @property
    def source(self) -> str:
        return self.tube.source

    @property
    def sources(self) -> tuple[str, ...]:
        return (self.source,)

    @property
    def section(self) -> Section:
        return self.tube.section

    @property
    def records(self) -> tuple[Hole, ...]:
        return self.holes

    @property
    def count(self) -> int:
        return len(self.holes)

    @property
    def position(self) -> Floats:
        return self.holes[0].position

    @property
    def _end(self) -> int:
        """That distances are measured from: the one nearer to hole 1, or a sleeve's."""
        return self.end if self.over else nearer_end(self.tube, self.holes[0].measured_mm)

    @property
    def is_printable(self) -> bool:
        """Whether the usual guide is low enough for the plate."""
        low, high = usual_span(self.entries)
        return (USUAL_WALL_MM if self.over else high) - low <= self.around.most_mm

    @property
    def points_to_it(self) -> bool:
        """Whether its arrow points to the end that distances are measured from."""
        return self._end == self.end

    @property
    def where(self) -> Message:
        """With the distances from one of the tube's ends, hole 1's first, and where around each hole is; a saddle's
        arrow may point the other way. Diameters that differ stand in the order of the distances, each with its own."""
        end = self._end
        diameters, along = zip(*((hole.diameter_mm, _measured(hole, end)) for hole in self.holes), strict=True)
        alike = len(set(map(say_mm, diameters))) == 1
        distances = _lengths(along, once=alike)
        arrow = "" if self.over else ", arrow to it" if self.points_to_it else ", arrow away from it"
        hand = f", {self.hand}" if self.hand else ""
        if self.drilled:
            numbers = sorted({entry.hole for entry, _ in self.numbered})
            hand += f", only {say_numbers(numbers)} of the guide"
        holes = say_holes(diameters, once=alike)
        from_end = say("{} from the {}", distances, self._said_end)
        return say("{}, {}, {}{}", holes, from_end, self._around(end), arrow + hand)

    @property
    def _said_end(self) -> str:
        return said_end(self.tube, self._end, nearer_end(self.tube, self.holes[0].measured_mm))

    def _around(self, end: int) -> Message:
        """Through which walls each hole goes and where around, those alike together."""
        alike: dict[Message, list[int]] = {}
        for number, hole in {entry.hole: hole for entry, hole in self.numbered}.items():
            alike.setdefault(said_around(hole, hole.mouths, end), []).append(number)
        if len(alike) == 1:
            return next(iter(alike))
        return say_all([say("{} {}", say_numbers(numbers), said) for said, numbers in alike.items()], ", ")

    def place(self, section: Section) -> GuidePlace:
        end = self.tube.ends[self.end]
        mitre = (0.0, 0.0)
        if self.over and not isinstance(end, ClosedEnd):
            mitre = end.mitre_deg, end.mitre_direction_deg
        return GuidePlace(
            section,
            self.entries,
            self.over,
            *mitre,
            self.hand,
            partial=bool(self.drilled),
            room=self.room,
            sides=self.sides,
            no_sleeve=self.no_sleeve,
        )

    @property
    def obstacle(self) -> NoRoom | None:
        """To a sleeve."""
        obstacles = []
        for end in (end for end in (0, 1) if _slides_over(self.tube, end)):
            sleeve = _sleeve(self.tube, self.holes, end, self.around)
            needed = -usual_span(sleeve.entries)[0]
            if max(_distance(hole, end) for hole in self.holes) <= SLEEVE_MM and not sleeve.own_place.sleeve_has_room:
                obstacles.append(NoRoom(needed, -sleeve.room.low_mm, sleeve.room.below.body))
        return min(obstacles, default=None)

    @cached_property
    def own_place(self) -> GuidePlace:
        return self.place(self.section)

    @property
    def entries(self) -> tuple[Entry, ...]:
        return self.drilled or tuple(entry for entry, _ in self.numbered)

    @cached_property
    def numbered(self) -> list[tuple[Entry, Hole]]:
        """Hole 1 is the one farthest along z, the first counter-clockwise of those as far."""
        rows = [
            (_Local(hole.diameter_mm, self.frame.to_local(mouth.position), self.frame.axes @ mouth.axis), hole)
            for hole in self.holes
            for mouth in hole.mouths
        ]
        rows.sort(key=lambda row: row[0].order)
        numbers = {hole: number for number, hole in enumerate(dict.fromkeys(id(hole) for _, hole in rows), 1)}
        entries = [(row.entry(numbers[id(hole)]), hole) for row, hole in rows]
        if not self.drilled:
            return entries
        return [(next(filter(entry.like, self.drilled), entry), hole) for entry, hole in entries]

    @property
    def turned(self) -> Iterator[Pattern]:
        """The same pattern, itself first, in every frame in which the tube is the same."""
        for pattern in [self] if self.over else [self, self.flipped]:
            for degrees in _turns(pattern):
                yield pattern.turned_by(degrees) if degrees else pattern

    @property
    def flipped(self) -> Pattern:
        """A saddle's, with its arrow to the other end."""
        return replace(_saddled(self.tube, self.holes, 1 - self.end, self.around), no_sleeve=self.no_sleeve)

    def turned_by(self, degrees: float) -> Pattern:
        cosine, sine = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
        sides = (
            replace(side, way=(cosine * side.way[0] + sine * side.way[1], cosine * side.way[1] - sine * side.way[0]))
            for side in self.sides
        )
        return replace(self, frame=self.frame.turned(degrees), sides=tuple(sides))

    @property
    def ahead(self) -> float:
        """How much of the tube is free past hole 1, where a saddle has its foot; more than it ever needs counts as
        much."""
        return min(self.sides[0].room.high_mm, _ROOM_MM)

    @property
    def measured(self) -> Pattern:
        """With the room that there is around it."""
        room, entries = Room(), self.entries
        if self.over:
            room = self._room(entries)
            room = Room(max(-self.tube.free_mm[self.end], room.low_mm), below=room.below)
        sides = []
        for way in ways_of(self.section, entries):
            sides.append(Side(way, self._room(served_from(self.section, entries, way), way)))
        return replace(self, room=room, sides=tuple(sides))

    def _room(self, entries: Sequence[Entry], way: Sequence[float] | None = None) -> Room:
        room = self.around.room(self.tube, self.frame, entries, way)
        first, last = (pick(entries, key=lambda entry: entry.point[2]).hole for pick in (max, min))
        below, above = room.below._replace(hole=self._said_of(last)), room.above._replace(hole=self._said_of(first))
        return replace(
            room, below=below if room.below.body else room.below, above=above if room.above.body else room.above
        )

    def _said_of(self, number: int) -> Message:
        """Where a hole is, by its number; nothing where its guide drills it elsewhere only."""
        hole = next((hole for entry, hole in self.numbered if entry.hole == number), None)
        if hole is None:
            return NOTHING
        return say("{} from the {}", Length(_measured(hole, self._end), both=True), self._said_end)

    def within(self, other: Pattern) -> Pattern | None:
        """This pattern, drilled with the guide of another one that has these holes and more; None where that one does
        not go on."""
        wanted = other.own_place
        for pattern in self.turned:
            turns = {0.0}
            if pattern.section.kind == "round" and not wanted.mitre_deg:
                turns = {
                    round(math.degrees(mine.angle - its.angle), 6) for mine in pattern.entries for its in other.entries
                }
            for degrees in sorted(turns):
                turned = pattern.turned_by(degrees)
                matched = [next(filter(entry.like, other.entries), None) for entry in turned.entries]
                # A saddle is set by hole 1.
                if None in matched or not (self.over or any(entry and entry.hole == 1 for entry in matched)):
                    continue
                partial = replace(turned, drilled=other.entries).measured
                if partial.own_place.has_room and partial.own_place.like(wanted):
                    return partial
        return None

    def turned_like(self, lead: Pattern, place: GuidePlace, to_end: bool) -> Pattern | None:
        """In the frame nearest to that of another pattern in which one guide, for the place, serves both with its arrow
        to the end or away from it; None where there is none."""
        fits = (one for one in self.turned if one.points_to_it == to_end and one.own_place.like(place))
        return max(fits, key=lambda one: round(float(np.sum(one.frame.axes * lead.frame.axes)), 6), default=None)


def patterns(takeoff: Takeoff, most_mm: float = math.inf) -> list[Pattern]:
    """The holes of an assembly by the guide that serves them, in the frames in which those that are the same are equal.
    Those that are each other's mirror image are marked left and right. No guide of usual sizes is higher than
    ``most_mm``."""
    tubes: dict[int, list[Hole]] = {}
    for hole in takeoff.holes:
        tubes.setdefault(id(hole.tube), []).append(hole)
    found = [pattern for holes in tubes.values() for pattern in _of_tube(holes, takeoff.surface, most_mm)]
    kinds: list[list[int]] = []
    for number, pattern in enumerate(found):
        turned = list(pattern.turned)
        candidates = [one for one in turned if one.own_place.has_room] or turned
        for kind in kinds:
            wanted = _tightest(found[other].own_place for other in kind)
            match = next((one for one in candidates if one.own_place.like(wanted)), None)
            if match is not None:
                found[number] = match
                kind.append(number)
                break
        else:
            found[number] = min(candidates, key=lambda one: (one.own_place.tries, -one.ahead, _rough_key(one)))
            kinds.append([number])
    for kind in kinds:
        _point_alike(found, kind)
    kinds = _fewest(found, kinds)
    for place, kind in enumerate(kinds):
        for other in kinds[:place]:
            left, places = found[other[0]], [one.own_place for one in found[kind[0]].turned]
            mirrored = any(one.mirrored.same_holes(left.own_place) for one in places)
            if left.hand or not mirrored or any(one.same_holes(left.own_place) for one in places):
                continue
            sides: tuple[tuple[Hand, list[int]], ...] = (("L", other), ("R", kind))
            for hand, numbers in sides:
                for number in numbers:
                    found[number] = replace(found[number], hand=hand)
            break
    return found


def _point_alike(found: list[Pattern], kind: list[int]) -> None:
    """All the arrows of one guide to the end, or all away from it, where one of both serves all: they are turned in
    ``found``."""
    lead, place = found[kind[0]], _tightest(found[number].own_place for number in kind)
    for to_end in (lead.points_to_it, not lead.points_to_it) if len(kind) > 1 else ():
        patterns = [found[number].turned_like(lead, place, to_end) for number in kind]
        fits = [pattern for pattern in patterns if pattern is not None]
        if len(fits) == len(kind) and _tightest(pattern.own_place for pattern in fits).tries <= place.tries:
            for number, pattern in zip(kind, fits, strict=True):
                found[number] = pattern
            return


def _fewest(found: list[Pattern], kinds: list[list[int]]) -> list[list[int]]:
    """The kinds that are needed where the guide for more holes serves the patterns that have some of them, too: those
    are changed in ``found``."""
    needed: list[list[int]] = []
    for kind in sorted(kinds, key=lambda kind: -len(found[kind[0]].entries)):
        for larger in needed:
            its = [found[number].within(found[larger[0]]) for number in kind]
            partial = [pattern for pattern in its if pattern is not None]
            place = _tightest(found[number].own_place for number in larger)
            if len(partial) == len(its) and all(pattern.own_place.like(place) for pattern in partial):
                for number, pattern in zip(kind, partial, strict=True):
                    found[number] = pattern
                larger += kind
                break
        else:
            needed.append(kind)
    return sorted(needed)


def _tightest(places: Iterable[GuidePlace]) -> GuidePlace:
    return reduce(GuidePlace.tighter, places)


def alike(entries: Sequence[Entry], others: Sequence[Entry]) -> bool:
    """Whether the same guide serves both, however they are numbered."""
    left = list(others)
    for entry in entries:
        match = next((other for other in left if entry.like(other)), None)
        if match is None:
            return False
        left.remove(match)
    return not left


def _mirrored(point: tuple[float, float, float]) -> tuple[float, float, float]:
    return point[0], -point[1], point[2]


def say_holes(diameters: Sequence[float], once: bool = True) -> Message:
    """``"2 holes 6.6 mm"``, ``"3 holes 6.6 and 9 mm"``, or with each hole's own ``"3 holes 9, 6.6 and 9 mm"``."""
    noun = "hole" if len(diameters) == 1 else f"{len(diameters)} holes"
    return say(f"{noun} {{}}", _lengths(sorted(diameters) if once else diameters, once))


def _lengths(lengths: Sequence[float], once: bool = True) -> Length:
    """Each ``once``: ``"6.6 and 9 mm"``, ``"63.5 mm (2 1/2 in) and 101.6 mm (4 in)"``; or as they come."""
    kept = {say_mm(length): length for length in lengths}.values() if once else lengths
    return Length(*kept, between=AND, both=True)


def _of_tube(holes: Sequence[Hole], surface: Surface | None, most_mm: float) -> Iterator[Pattern]:
    """Each hole under the sleeve over the nearest end where that has room, the others under saddles, each for as many
    holes in a row as leave it room, beside the tube and on the plate. Holes of a sleeve that such a saddle serves too
    do without the sleeve. Holes of a row that have no room alone are a pattern of their own."""
    tube = holes[0].tube
    joined = {end.source for hole in holes if isinstance(hole, NeededHole) for end in hole.joint.ends}
    around = Surroundings.of(tube, surface, joined - {tube.source}, most_mm)
    loose = {hole.end for hole in holes if isinstance(hole, NeededHole)}
    over = [end for end in (0, 1) if end in loose or _slides_over(tube, end)]
    left = sorted(holes, key=lambda hole: hole.distances_mm[0])
    ends = {id(hole): _sleeve_end(hole, over, around) for hole in holes}
    for end in over:
        near = [hole for hole in left if ends[id(hole)] == end]
        row = _in_reach(near, [hole for hole in left if ends[id(hole)] is None])
        saddle = _best_served(tube, row, around) if len(row) > len(near) else None
        if saddle and len(saddle.holes) == len(row) and _leaves_room(saddle):
            ends.update((id(hole), None) for hole in near)
        elif near:
            yield _sleeve(tube, near, end, around)
    left = [hole for hole in left if ends[id(hole)] is None]
    while left:
        row = _in_reach(left[:1], left[1:])
        rows = (_best_served(tube, row[:count], around) for count in range(len(row), 0, -1))
        pattern = next((pattern for pattern in rows if _leaves_room(pattern)), None)
        if pattern is None:
            blocked = [hole for hole in row if not _leaves_room(_saddled(tube, [hole], 0, around))]
            pattern = _best_served(tube, blocked, around)
        yield replace(pattern, no_sleeve=pattern.obstacle)
        left = [hole for hole in left if hole not in pattern.holes]


def _in_reach(holes: Sequence[Hole], others: Sequence[Hole]) -> list[Hole]:
    """The holes with those of others that one row has room for."""
    row = list(holes)
    for hole in others if holes else ():
        distances = [one.distances_mm[0] for one in (*row, hole)]
        if max(distances) - min(distances) <= SADDLE_MM:
            row.append(hole)
    return sorted(row, key=lambda hole: hole.distances_mm[0])


def _sleeve_end(hole: Hole, over: Sequence[int], around: Surroundings) -> int | None:
    """The nearest end over which a sleeve that serves the hole has room."""
    for end in sorted(over, key=lambda end: _distance(hole, end)):
        sleeve = _sleeve(hole.tube, [hole], end, around)
        if _distance(hole, end) <= SLEEVE_MM and sleeve.own_place.sleeve_has_room and sleeve.is_printable:
            return end
    return None


def _sleeve(tube: Tube, holes: Sequence[Hole], end: int, around: Surroundings) -> Pattern:
    near = sorted(holes, key=lambda hole: _distance(hole, end))
    return Pattern(tube, tuple(near), end, True, _end_frame(tube, end), around).measured


def _best_served(tube: Tube, holes: Sequence[Hole], around: Surroundings) -> Pattern:
    """A saddle for as many of the holes as can be reached from one side."""
    pattern = _saddled(tube, holes, 0, around)
    served = served_from(tube.section, pattern.entries, pattern.sides[0].way)
    reached = list({id(hole): hole for entry, hole in pattern.numbered if entry in served}.values())
    return pattern if len(reached) == len(holes) else _saddled(tube, reached, 0, around)


def _leaves_room(pattern: Pattern) -> bool:
    """Whichever way its arrow points, and on the plate."""
    return pattern.is_printable and (pattern.own_place.has_room or pattern.flipped.own_place.has_room)


def _slides_over(tube: Tube, end: int) -> bool:
    where = tube.ends[end]
    return not isinstance(where, ClosedEnd) and where.open


def _distance(hole: Hole, end: int) -> float:
    distance = hole.distances_mm[end]
    return hole.tube.length_mm - hole.distances_mm[0] if distance is None else distance


def _measured(hole: Hole, end: int) -> float:
    """As a tape has it, from the end as it is cut."""
    return _distance(hole, end) + hole.tube.past_mm[end]


def _end_frame(tube: Tube, end: int) -> Frame:
    where = tube.ends[end]
    assert not isinstance(where, ClosedEnd)
    return where.frame


def _saddled(tube: Tube, holes: Sequence[Hole], end: int, around: Surroundings) -> Pattern:
    """Its frame lies where the axis passes hole 1."""
    ordered = tuple(sorted(holes, key=lambda hole: _distance(hole, end)))
    z = tube.axis if end else -tube.axis
    frame = Frame.along(tube.point_at(ordered[0].distances_mm[0]), z, tube.frame.x)
    return Pattern(tube, ordered, end, False, frame, around).measured


def _turns(pattern: Pattern) -> Sequence[float]:
    """Turns about the tube's axis, in degrees, that leave the tube as it is."""
    outer, mitred = pattern.section.outer, pattern.own_place.mitre_deg
    if mitred or outer.shape == "free":
        return (0.0,)
    if pattern.section.kind == "round":
        return sorted({round(math.degrees(entry.angle), 9) for entry in pattern.entries})
    return (0.0, 90.0, 180.0, 270.0) if abs(outer.width - outer.depth) < ALIKE_MM else (0.0, 180.0)


def _rough_key(pattern: Pattern) -> tuple[tuple[int, int], ...]:
    """The same for the same pattern in the same frame, in another assembly too."""
    return tuple(_Local(0.0, np.array(entry.point), np.array(entry.axis)).order for entry in pattern.entries)


def _rough(value: float) -> int:
    """In tenths, rounded where few numbers lie that people choose."""
    return math.floor(10 * value + 0.637)
