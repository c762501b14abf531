# SPDX-License-Identifier: GPL-3.0-or-later
"""Ends that run into other tubes, what they need, and which one gives way where two run into each other."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np

from ..fields.messages import NOTHING, Length, Message, Name, say, say_each
from ..geometry.developments import TOUCH_MM, Cut, LowestCut, TubeCut
from ..geometry.frames import Floats
from ..geometry.names import name_order
from ..geometry.outline_fit import off_outline
from ..geometry.topology import components
from .ends import TubeEnd
from .sites import ClosedEnd, Tube

SLACK = 0.02
"""Share of its width by which a tube reaches into another one at least; less only touches it."""
_SHORT = 0.1
"""Share of its width by which its axis may end before the other one, where part of its rim lies in that."""
_THROUGH = 0.5
"""Share of its width by which it may stand out at the other side; what goes on further is there on purpose."""
_APART_MM = 0.1
"""By how much it meets one tube before another one at least."""
_SQUARE_MM = 0.05
"""A cut that is as level as this is square."""
_LEAST_FLAT = 0.25
"""Share of its way around that lies on flat sides at least, where it is cut square beside rounded corners."""
_ALIKE = 0.02
"""In mm, or as a cosine: what differs by less does not decide which of two ends gives way."""


Need = Literal["cope", "square cut", "mitre", "cap", "room", "none"]
"""The cut that an end needs, or the cap or the room that it gets once others are cut; none where no cope goes all
around."""


@dataclass(frozen=True)
class Met:
    """What an end runs into."""

    under: tuple[int, ...]
    """The tubes, by their places, the chief one first."""
    cut: Cut
    """That lies on all of them, in the end's frame."""
    reason: Message
    """A sentence: that the end runs into them, and what it needs."""
    needs: Need
    remedy: Message = NOTHING


@dataclass(frozen=True, eq=False)
class Running:
    """An end that may run into other tubes."""

    end: TubeEnd
    place: int
    """Of its tube."""
    near: tuple[int, ...]
    """Places of the tubes that it may run into, those first whose axes it is nearest to."""
    tubes: Sequence[Tube]
    around: Floats
    """(n, 2): places around its outside."""
    going_on: Collection[int] = ()
    """Places of those of the tubes that it meets at a corner, taken to go on there."""

    @property
    def tube(self) -> Tube:
        return self.tubes[self.place]

    @cached_property
    def met(self) -> Met | None:
        for place in self.near:
            cut = self.cut_on(place)
            if not self.reaches_into(cut):
                continue
            under: list[int] = [place, *self._met_before(place, cut)]
            if len(under) == 1:
                lowest: Cut = cut
            else:
                lowest = LowestCut.of([self.cut_on(each) for each in under], self.end.section.outer)
            if self._is_there(place, lowest):
                said = self._said_of_one(place, cut) if len(under) == 1 else self._said_of_several(under, lowest)
                return Met(tuple(under), lowest, *said)
        return None

    @property
    def under(self) -> tuple[int, ...]:
        return self.met.under if self.met else ()

    @property
    def can_be_cut(self) -> bool:
        return self.met is not None and bool(np.isfinite(self.met.cut.heights(self.around)).all())

    def lean_on(self, places: Sequence[int]) -> float:
        """How far from square, as a cosine, it stands to the first of the tubes at some places."""
        return abs(float(self.end.frame.z @ self.tubes[places[0]].axis)) if places else 0.0

    def passing(self, places: Collection[int]) -> Running:
        """The same end, where it does not give way to the tubes at some places."""
        return replace(self, near=tuple(place for place in self.near if place not in places))

    def with_choice(self, met: Met, alike: Collection[int]) -> Met:
        """What it runs into, with those that could give way in its place: tubes that only names tell from its own."""
        names = sorted({self.tubes[place].source for place in alike if place in met.under}, key=name_order)
        if not names:
            return met
        if self.tube.source in names:
            said = say("{}; the other end could give way instead, but comes first in the model", met.reason)
        else:
            others = say_each([say("{}", Name(name)) for name in names])
            come = "comes" if len(names) == 1 else "come"
            said = say(f"{{}}; {{}} could give way instead, but {come} first by name", met.reason, others)
        return replace(met, reason=said)

    def cut_on(self, place: int, sharp: bool = False) -> TubeCut:
        """Its cut on a tube, or on that with ``sharp`` corners if it is rectangular."""
        other = self.tubes[place]
        outline = other.section.outer
        if sharp and outline.shape == "rectangle":
            outline = replace(outline, corner_radius=0.0)
        return TubeCut(outline, other.frame).seen_from(self.end.frame)

    def stops_in(self, other: Running, past: Sequence[int]) -> bool:
        """Whether its axis, which ends at the rim or where it comes to one of the tubes ``past`` the other one, ends
        inside that."""
        heights = [float(self.cut_on(place).heights(np.zeros((1, 2)))[0]) for place in past]
        stop = self.end.frame.to_world((0.0, 0.0, np.nanmin([0.0, *heights])))
        near = SLACK * self.end.section.outer.width
        x, y, z = other.tube.frame.to_local(stop)
        return bool(
            off_outline(other.tube.section.outer, np.array([(x, y)]))[0][0] < near
            and -near < -z < other.tube.length_mm + near
        )

    def line_of(self, cut: Cut) -> Floats:
        """(n, 3): a cut around its outside; z is NaN where it passes by."""
        return np.column_stack([self.around, cut.heights(self.around)])

    def lying_on(self, place: int, cut: Cut) -> Floats:
        """(n, 3): where in the world its cut lies on one of the tubes, not on another one before that."""
        line = self.line_of(self.cut_on(place))
        return self.end.frame.to_world(line[line[:, 2] <= cut.heights(line[:, :2]) + _APART_MM])

    def reaches_into(self, cut: TubeCut) -> bool:
        """Whether it reaches into a tube, not far past its other side; that may end before it comes to it."""
        width, line = self.end.section.outer.width, self.line_of(cut)
        middle = float(cut.heights(np.zeros((1, 2)))[0])
        # In one body the bore of a piece inside the other tube ends at that one's wall.
        length = self.tube.length_mm + (width if isinstance(self.tube.ends[1], ClosedEnd) else 0.0)
        if not -length < middle < _SHORT * width or 2 * cut.axis_height - middle < -_THROUGH * width:
            return False
        met = line[np.isfinite(line[:, 2])]
        return bool((self.end.rim.heights(met[:, :2]) - met[:, 2]).max() > SLACK * width)

    def _is_there(self, place: int, lowest: Cut) -> bool:
        """Whether the tube does not end before it is met, where nothing else is met before."""
        tube, first = self.tubes[place], self.lying_on(place, lowest)
        if place in self.going_on or not len(first):
            return bool(len(first))
        along = (first - tube.frame.origin) @ tube.axis
        spare = SLACK * self.end.section.outer.width
        return bool(along.min() > -spare and along.max() < tube.length_mm + spare)

    def _said_of_one(self, place: int, cut: TubeCut) -> tuple[Message, Need]:
        """What it needs, in a sentence and in a word."""
        width, name = self.end.section.outer.width, Name(self.tubes[place].source)
        line = self.line_of(cut)
        if (past := cut.past_mm(line[:, :2])) > TOUCH_MM:
            if cut.reach_mm < width:
                return say("Runs into {}, which is narrower: no cope goes all around", name), "none"
            return say("Runs into {} and passes by {} beside it: no cope goes all around", name, Length(past)), "none"
        if self._lies_flat([place], cut):
            return self._said_square(name, cut)
        return say("Runs into {}: it needs a cope", name), "cope"

    def _said_square(self, names: Name | Message, cut: Cut) -> tuple[Message, Need]:
        line = self.line_of(cut)
        reach = float(self.end.rim.heights(line[:, :2]).max() - line[:, 2].min())
        return say("Runs {} into {}: it has to be cut square", Length(reach), names), "square cut"

    def _lies_flat(self, under: Sequence[int], cut: Cut) -> bool:
        """Whether it lies square on the flat sides of the tubes, which may fall away below it at rounded corners: a
        square cut is welded over there."""
        heights = cut.heights(self.around)
        level = float(heights.min())
        if float(np.mean(heights < level + _SQUARE_MM)) < _LEAST_FLAT:
            return False
        sharp = LowestCut.of([self.cut_on(place, sharp=True) for place in under], self.end.section.outer)
        return bool((np.abs(sharp.heights(self.around) - level) < _SQUARE_MM).all())

    def _met_before(self, chief: int, cut: TubeCut) -> Iterator[int]:
        """The tubes that part of it runs into before the chief one, or beside it."""
        known = [cut]
        for place in self.near:
            if place != chief and self._meets_first(place, other := self.cut_on(place), known):
                known.append(other)
                yield place

    def _meets_first(self, place: int, cut: TubeCut, known: Sequence[TubeCut]) -> bool:
        """Whether part of it runs into a tube, there and not farther down, before it meets those that are known."""
        tube, width = self.tubes[place], self.end.section.outer.width
        line = self.line_of(cut)
        points, heights = line[:, :2], line[:, 2]
        if cut.overlap_mm(points) < SLACK * width:
            return False
        others = np.fmin.reduce([other.heights(points) for other in known])
        first = np.isfinite(heights) & ~(heights >= others - _APART_MM)
        if not first.any():
            return False
        # Its cut on the others may lie past its rim, where that is drawn short of them.
        rim = self.end.rim.heights(points)
        into = (np.fmax(rim, others) - heights)[first]
        past = (np.fmin(rim, others) - 2 * cut.middles(points) + heights)[first]
        along = (self.end.frame.to_world(line[first]) - tube.frame.origin) @ tube.axis
        # Where it meets the chief one, its own end may not be drawn up to that.
        short = min(tube.section.outer.width, tube.section.outer.depth) / 2
        there = place in self.going_on or (along.min() > -short and along.max() < tube.length_mm + short)
        return bool(there and into.max() > SLACK * width and np.median(past) < _THROUGH * width)

    def _said_of_several(self, under: Sequence[int], cut: Cut) -> tuple[Message, Need]:
        """What it needs where it runs into several tubes, in a sentence and in a word."""
        names = say_each([say("{}", Name(self.tubes[place].source)) for place in under])
        if not np.isfinite(self.line_of(cut)[:, 2]).all():
            return say("Runs into {} and passes by beside them: no cope goes all around", names), "none"
        if self._lies_flat(under, cut):
            return self._said_square(names, cut)
        return say(
            f"Runs into {{}}: it needs a cope that lies on {'both' if len(under) == 2 else 'all'}", names
        ), "cope"


def met_by(running: Mapping[int, Running]) -> dict[int, Met]:
    """What ends run into, by their numbers. Of two that run into each other one gives way; the other one is left to
    what else it runs into. docs/families.md has the rule."""
    ends = {number: end for number, end in running.items() if end.met}
    passed, alike = defaultdict[int, set[int]](set), defaultdict[int, set[int]](set)
    for stays, gives_way, by_name in _Nodes.of(ends).settled():
        passed[stays].add(ends[gives_way].place)
        if by_name:
            alike[gives_way].add(ends[stays].place)
    met = {number: end.passing(passed[number]).met if number in passed else end.met for number, end in ends.items()}
    return {number: ends[number].with_choice(what, alike[number]) for number, what in met.items() if what}


@dataclass(frozen=True, eq=False)
class _Nodes:
    """Ends, by their numbers, that are near each other's tubes."""

    ends: Mapping[int, Running]
    partners: Mapping[int, set[int]]
    """Those near the tube of each end while it is near theirs."""
    alone: Mapping[int, Running]
    """Each as if it gave way to none of its partners."""

    @classmethod
    def of(cls, ends: Mapping[int, Running]) -> _Nodes:
        at = defaultdict[int, list[int]](list)
        for number, end in ends.items():
            at[end.place].append(number)
        partners = {
            number: near
            for number, end in ends.items()
            if (near := {other for place in end.near for other in at[place] if end.place in ends[other].near})
        }
        alone = {number: ends[number].passing({ends[other].place for other in partners[number]}) for number in partners}
        return cls(ends, partners, alone)

    def settled(self) -> Iterator[tuple[int, int, bool]]:
        """Of each two the one that stays, the one that gives way, and whether nothing but their names decided."""
        for left in self._apart():
            while left:
                stays, *by_name = self._first(left)
                left.remove(stays)
                for other in self.partners[stays] & left:
                    # Several each of which ends in the next one's side can all be cut.
                    swapped = (stays, other) in self._gives_way
                    yield (other, stays, False) if swapped else (stays, other, other in by_name)

    def _apart(self) -> Collection[set[int]]:
        numbers = list(self.partners)
        place_of = {number: place for place, number in enumerate(numbers)}
        linked = [(place_of[number], place_of[other]) for number in numbers for other in self.partners[number]]
        groups = components(len(numbers), *np.reshape(linked, (-1, 2)).astype(np.int64).T)
        apart = defaultdict[int, set[int]](set)
        for number, group in zip(numbers, groups.tolist(), strict=True):
            apart[group].add(number)
        return apart.values()

    def _first(self, left: set[int]) -> list[int]:
        """The one of these that stays for all others, and after it those that only their names tell from it."""
        ranks = {}
        for number in sorted(left, key=lambda number: (name_order(self.ends[number].tube.source), number)):
            end, section = self.ends[number], self.ends[number].end.section
            ends_in = sum((number, other) in self._gives_way for other in left)
            lean = end.lean_on(self.alone[number].under)
            ranks[number] = (float(ends_in), float(end.can_be_cut), -section.outer.width, -section.wall, lean)
        for rule in range(5):
            least = min(rank[rule] for rank in ranks.values())
            ranks = {number: rank for number, rank in ranks.items() if rank[rule] < least + _ALIKE}
        return list(ranks)

    @cached_property
    def _gives_way(self) -> set[tuple[int, int]]:
        """Pairs of which the first one can be cut and ends in the second one's side, but not the other way around."""
        pairs = {(number, other) for number, near in self.partners.items() for other in near}
        into = {pair for pair in pairs if self._runs_into(*pair)}
        ends_in = {pair for pair in into if self.ends[pair[0]].stops_in(self.ends[pair[1]], self.alone[pair[0]].under)}
        return {
            (number, other)
            for number, other in into
            if self.ends[number].can_be_cut
            and ((other, number) not in into or ((number, other) in ends_in and (other, number) not in ends_in))
        }

    def _runs_into(self, number: int, other: int) -> bool:
        """Whether one end runs into another one's tube, if none but that gave way to it."""
        place = self.ends[other].place
        others = {self.ends[each].place for each in self.partners[number]} - {place}
        return place in self.ends[number].passing(others).under
