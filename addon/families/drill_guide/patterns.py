# SPDX-License-Identifier: GPL-3.0-or-later
"""Which holes one guide serves, and what of them its design depends on.

Holes near an open end whose outside is free are served by a sleeve over that end; all others by saddles, each for
holes near each other that can be reached from one side.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal, NamedTuple

import numpy as np

from ...geometry.frames import Floats, Frame
from ...geometry.outline_fit import off_outline
from ...geometry.sections import Section
from ...geometry.units import say_mm
from ...takeoff import ClosedEnd, Hole, NeededHole, Takeoff, Tube
from ...takeoff.hole_words import said_around, said_end
from ...takeoff.surface import Surface
from ..family import ALIKE_DEG, ALIKE_MM

Hand = Literal["", "L", "R"]
SLEEVE_MM, SADDLE_MM = 120.0, 80.0
"""How far from its end a sleeve reaches, and how long a row of holes a saddle serves: both stand on plates of usual
height. Common practice, no source."""
_PAST_MM = 40.0
"""What a sleeve takes of the tube past its last hole."""
_ROOM_MM, _BESIDE_MM, _ATTACHED_MM = 150.0, 25.0, 1.0
"""Along the tube, more than a saddle's foot is ever from hole 1; and beside it, what is in a saddle's way."""
_COVERED = 0.8
"""Of half a tube with flat sides, past its axis."""
_SEEN = 0.5
"""How nearly, as a cosine, a mouth faces the side that a saddle is put on from."""
_CHEEK = -0.1
"""The same on tube with flat sides, where a saddle has cheeks."""


@dataclass(frozen=True)
class Entry:
    """Where a drill goes in, in the guide's frame."""

    hole: int
    """Number of the hole, from 1; the two mouths of a hole through both walls have the same."""
    diameter_mm: float
    point: tuple[float, float, float]
    """Where the hole's axis meets the tube's outside."""
    axis: tuple[float, float, float]
    """Unit direction, out of the tube."""

    @property
    def angle(self) -> float:
        """Around the tube's axis, in radians."""
        return math.atan2(self.point[1], self.point[0])

    def like(self, other: Entry) -> bool:
        lean = np.linalg.norm(np.subtract(self.axis, other.axis))
        return bool(
            abs(self.diameter_mm - other.diameter_mm) <= ALIKE_MM
            and math.dist(self.point, other.point) <= ALIKE_MM
            and lean <= math.radians(ALIKE_DEG)
        )


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
    sleeve_room_mm: tuple[float, float] | None = None
    """How much free tube a sleeve over the open end nearby would need, and how much there is; only where that is too
    little."""

    @property
    def key(self) -> tuple[Any, ...]:
        outlines = [outline.key for outline in (self.section.outer, self.section.bore)]
        mitre = self.mitre_deg, self.mitre_direction_deg
        return *outlines, self.entries, self.over, *mitre, self.hand, self.mark, self.sleeve_room_mm

    @property
    def words(self) -> str:
        return say_holes([entry.diameter_mm for entry in first_entries(self.entries)])

    def like(self, other: GuidePlace) -> bool:
        return (
            self.section.like(other.section, ALIKE_MM)
            and (self.over, self.hand) == (other.over, other.hand)
            and abs(self.mitre_deg - other.mitre_deg) <= ALIKE_DEG
            and abs(self.mitre_direction_deg - other.mitre_direction_deg) <= ALIKE_DEG
            and alike(self.entries, other.entries)
        )

    def tighter(self, other: GuidePlace) -> GuidePlace:
        return self

    @property
    def mirrored(self) -> GuidePlace:
        """The same seen in a mirror."""
        entries = tuple(
            replace(entry, point=_mirrored(entry.point), axis=_mirrored(entry.axis)) for entry in self.entries
        )
        return replace(self, entries=entries, mitre_direction_deg=-self.mitre_direction_deg % 360.0)


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
    hand: Hand = ""

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
    def where(self) -> str:
        """With the distances from one of the tube's ends, hole 1's first, and where around each hole is; a saddle's
        arrow may point the other way."""
        first = self.holes[0]
        measured = [end for end in (0, 1) if not isinstance(self.tube.ends[end], ClosedEnd)]
        end = self.end if self.over else min(measured, key=lambda end: _distance(first, end))
        distances = dict.fromkeys(say_mm(_distance(hole, end)).removesuffix(" mm") for hole in self.holes)
        arrow = "" if self.over else ", arrow to it" if end == self.end else ", arrow away from it"
        hand = f", {self.hand}" if self.hand else ""
        holes = say_holes([hole.diameter_mm for hole in self.holes])
        return f"{holes}, {_listed(distances)} mm from the {said_end(first, end)}, {self._around(end)}{arrow}{hand}"

    def _around(self, end: int) -> str:
        """Through which walls each hole goes and where around, those alike together."""
        alike: dict[str, list[int]] = {}
        for number, hole in {entry.hole: hole for entry, hole in self.numbered}.items():
            alike.setdefault(said_around(hole, hole.mouths, end), []).append(number)
        if len(alike) == 1:
            return next(iter(alike))
        names = {
            said: f"hole{'s' * (len(numbers) > 1)} {_listed(dict.fromkeys(map(str, numbers)))}"
            for said, numbers in alike.items()
        }
        return ", ".join(f"{which} {said}" for said, which in names.items())

    def place(self, section: Section) -> GuidePlace:
        end = self.tube.ends[self.end]
        mitre = (0.0, 0.0)
        if self.over and not isinstance(end, ClosedEnd):
            mitre = end.mitre_deg, end.mitre_direction_deg
        return GuidePlace(section, self.entries, self.over, *mitre, self.hand, sleeve_room_mm=self._sleeve_room)

    @property
    def _sleeve_room(self) -> tuple[float, float] | None:
        """See ``GuidePlace``."""
        if self.over:
            return None
        reaches = [max(_distance(hole, end) for hole in self.holes) for end in (0, 1)]
        near = [end for end in (0, 1) if _slides_over(self.tube, end) and reaches[end] <= SLEEVE_MM]
        rooms = [(reaches[end] + _PAST_MM, self.tube.free_mm[end]) for end in near]
        return min((room for room in rooms if room[0] > room[1]), default=None)

    @cached_property
    def own_place(self) -> GuidePlace:
        return self.place(self.section)

    @property
    def entries(self) -> tuple[Entry, ...]:
        return tuple(entry for entry, _ in self.numbered)

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
        return [(row.entry(numbers[id(hole)]), hole) for row, hole in rows]

    @property
    def turned(self) -> Iterator[Pattern]:
        """The same pattern, itself first, in every frame in which the tube is the same."""
        for pattern in [self] if self.over else [self, _saddled(self.tube, self.holes, 1 - self.end)]:
            for degrees in _turns(pattern):
                yield replace(pattern, frame=pattern.frame.turned(degrees)) if degrees else pattern


def patterns(takeoff: Takeoff) -> list[Pattern]:
    """The holes of an assembly by the guide that serves them, in the frames in which those that are the same are equal.
    Those that are each other's mirror image are marked left and right."""
    tubes: dict[int, list[Hole]] = {}
    for hole in takeoff.holes:
        tubes.setdefault(id(hole.tube), []).append(hole)
    found = [pattern for holes in tubes.values() for pattern in _of_tube(holes[0].tube, holes)]
    kinds: list[list[int]] = []
    for number, pattern in enumerate(found):
        candidates = _with_room(list(pattern.turned), takeoff.surface)
        for kind in kinds:
            wanted = found[kind[0]].own_place
            match = next((one for one in candidates if one.own_place.like(wanted)), None)
            if match is not None:
                found[number] = match
                kind.append(number)
                break
        else:
            found[number] = min(candidates, key=_rough_key)
            kinds.append([number])
    for place, kind in enumerate(kinds):
        for other in kinds[:place]:
            left = found[other[0]]
            if left.hand or not any(one.own_place.mirrored.like(left.own_place) for one in found[kind[0]].turned):
                continue
            sides: tuple[tuple[Hand, list[int]], ...] = (("L", other), ("R", kind))
            for hand, numbers in sides:
                for number in numbers:
                    found[number] = replace(found[number], hand=hand)
            break
    return found


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


def first_entries(entries: Sequence[Entry]) -> list[Entry]:
    """One for each hole."""
    return list({entry.hole: entry for entry in reversed(entries)}.values())[::-1]


def side_of(section: Section, entries: Sequence[Entry]) -> tuple[Floats, list[Entry]]:
    """The side (2,) from which a saddle serves most of the holes, and where it then guides the drill."""
    ways = [np.array(way, float) for way in ((1, 0), (0, 1), (-1, 0), (0, -1))]
    flat = section.outer.shape == "rectangle"
    if not flat:
        angles = [entry.angle for entry in entries]
        middles = [math.atan2(math.sin(a) + math.sin(b), math.cos(a) + math.cos(b)) for a in angles for b in angles]
        ways = [np.array([math.cos(angle), math.sin(angle)]) for angle in (*angles, *middles)]

    def served(way: Floats) -> list[Entry]:
        outward = [
            np.array(entry.axis[:2] if flat else (math.cos(entry.angle), math.sin(entry.angle))) for entry in entries
        ]
        return [entry for entry, out in zip(entries, outward, strict=True) if out @ way > (_CHEEK if flat else _SEEN)]

    def worth(way: Floats) -> tuple[int, int, float]:
        seen = served(way)
        straight = sum(float(np.dot(entry.axis[:2], way)) for entry in seen)
        return len({entry.hole for entry in seen}), len(seen), round(straight, 6)

    best = max(ways, key=worth)
    return best, served(best)


def say_holes(diameters: Sequence[float]) -> str:
    """``"2 holes 6.6 mm"``, ``"3 holes 6.6 and 9 mm"``."""
    sizes = dict.fromkeys(say_mm(diameter).removesuffix(" mm") for diameter in sorted(diameters))
    noun = "hole" if len(diameters) == 1 else f"{len(diameters)} holes"
    return f"{noun} {_listed(sizes)} mm"


def _listed(words: dict[str, None]) -> str:
    *first, last = words
    return f"{', '.join(first)} and {last}" if first else last


def _of_tube(tube: Tube, holes: Sequence[Hole]) -> Iterator[Pattern]:
    left = sorted(holes, key=lambda hole: hole.distances_mm[0])
    loose = {hole.end for hole in holes if isinstance(hole, NeededHole)}
    over = [end for end in (0, 1) if end in loose or _slides_over(tube, end)]
    for end in over:
        near = [hole for hole in left if _under_sleeve(hole, end, over)]
        if near:
            near.sort(key=lambda hole: _distance(hole, end))
            yield Pattern(tube, tuple(near), end, True, _end_frame(tube, end))
            left = [hole for hole in left if hole not in near]
    while left:
        start = left[0].distances_mm[0]
        pattern = _saddled(tube, [hole for hole in left if hole.distances_mm[0] <= start + SADDLE_MM], 0)
        _, seen = side_of(tube.section, pattern.entries)
        served = list({id(hole): hole for entry, hole in pattern.numbered if entry in seen}.values())
        yield _saddled(tube, served, 0)
        left = [hole for hole in left if hole not in served]


def _with_room(patterns: list[Pattern], surface: Surface | None) -> list[Pattern]:
    """Of a pattern's frames those in which nothing is in the saddle's way past its holes, or the least; and of those
    the ones in which the most of the tube is free past hole 1, where a saddle has its foot."""
    if patterns[0].over or surface is None:
        return patterns
    beside: dict[tuple[float, ...], Floats] = {}

    def rooms(pattern: Pattern) -> tuple[float, float]:
        """On the side that the saddle is put on from in this frame: holes through both walls leave a choice."""
        side = _saddle_side(pattern)
        way = tuple(side.round(6).tolist())
        if way not in beside:
            beside[way] = _beside(pattern, side, surface)
        up = 1 if pattern.end else -1
        first, last = ((beside[way] - hole.distances_mm[0]) * up for hole in (pattern.holes[0], pattern.holes[-1]))
        ahead = float(first[first > 0].min(initial=_ROOM_MM))
        return min(ahead, _PAST_MM, float(-last[first <= 0].max(initial=-_PAST_MM))), ahead

    kept = [(pattern, rooms(pattern)) for pattern in patterns]
    for which in (0, 1):
        most = max(room[which] for _, room in kept)
        kept = [(pattern, room) for pattern, room in kept if room[which] > most - ALIKE_MM]
    return [pattern for pattern, _ in kept]


def _saddle_side(pattern: Pattern) -> Floats:
    """(2,): that a saddle is put on from, in the tube's frame."""
    return pattern.tube.frame.axes[:2] @ (side_of(pattern.section, pattern.entries)[0] @ pattern.frame.axes[:2])


def _beside(pattern: Pattern, side: Floats, surface: Surface) -> Floats:
    """(k,): where along its tube something else runs beside it, on one ``side`` (2,) in the tube's frame."""
    tube, outer = pattern.tube, pattern.section.outer
    local = tube.frame.to_local(surface.vertices)
    half = np.array([outer.width, outer.depth]) / 2 + _BESIDE_MM
    corners = surface.triangles
    low, high = (how.reduce([local[corners[:, corner], :2] for corner in range(3)]) for how in (np.minimum, np.maximum))
    near = corners[((low < half) & (high > -half)).all(axis=1)]
    start, end = local[near.ravel()], local[np.roll(near, -1, axis=1).ravel()]
    # The part of each edge that lies in the box around the tube.
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = np.stack([(sign * half - start[:, :2]) / (end - start)[:, :2] for sign in (-1, 1)])
    shares = np.where(np.isnan(shares), np.reshape([-np.inf, np.inf], (2, 1, 1)), shares)
    first, last = np.maximum(shares.min(axis=0).max(axis=1), 0.0), np.minimum(shares.max(axis=0).min(axis=1), 1.0)
    inside = first <= last
    start, way = start[inside], (end - start)[inside]
    points = np.concatenate([start + share[inside, None] * way for share in (first, last)])
    reach = float((outer.polygon() @ side).max())
    covered = points[:, :2] @ side > (-_COVERED * reach if outer.shape == "rectangle" else 0.0)
    return -points[covered & (off_outline(outer, points[:, :2])[0] > _ATTACHED_MM)][:, 2]


def _under_sleeve(hole: Hole, end: int, over: Sequence[int]) -> bool:
    """Whether a sleeve over this end serves the hole, and none is nearer that goes ``over`` the other one."""
    reach = [_distance(hole, side) if side in over else math.inf for side in (0, 1)]
    return reach[end] <= min(SLEEVE_MM, hole.tube.free_mm[end] - _PAST_MM) and reach[end] <= reach[1 - end]


def _slides_over(tube: Tube, end: int) -> bool:
    where = tube.ends[end]
    return not isinstance(where, ClosedEnd) and where.open


def _distance(hole: Hole, end: int) -> float:
    distance = hole.distances_mm[end]
    return hole.tube.length_mm - hole.distances_mm[0] if distance is None else distance


def _end_frame(tube: Tube, end: int) -> Frame:
    where = tube.ends[end]
    assert not isinstance(where, ClosedEnd)
    return where.frame


def _saddled(tube: Tube, holes: Sequence[Hole], end: int) -> Pattern:
    """Its frame lies where the axis passes hole 1."""
    ordered = tuple(sorted(holes, key=lambda hole: _distance(hole, end)))
    z = tube.axis if end else -tube.axis
    frame = Frame.along(tube.point_at(ordered[0].distances_mm[0]), z, tube.frame.x)
    return Pattern(tube, ordered, end, False, frame)


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
