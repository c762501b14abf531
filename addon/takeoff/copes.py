# SPDX-License-Identifier: GPL-3.0-or-later
"""Copes: ends that are cut to lie on another tube, and ends that run into one and have to be."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..fields.messages import NOTHING, Length, Message, Name, say, say_all
from ..geometry.boxes import BoxTree
from ..geometry.developments import TOUCH_MM, Cut, LowestCut, PlaneCut, ReadCut, TubeCut, traced
from ..geometry.frames import Floats, Frame
from ..geometry.outline_fit import off_outline
from .ends import TubeEnd
from .legs import Leg, Skins
from .sites import Cope, Tube
from .surface import Surface

_FITS_CUT = 0.1
"""Share of a tube's width by which its cope may stand off the tube that it lies on: a gap for the weld."""
_ALIKE_CUT = 0.02
"""Share of its width by which the corners of a cope may lie unlike far off the tube that it lies on."""
_TRUE_CUT_MM = 0.1
"""Corners no less alike than this are those of the true curve, or lie on its chords."""
_INTO = 0.02
"""Share of its width by which a tube reaches into another one at least; less only touches it."""
_THROUGH = 0.5
"""Share of its width by which it may stand out at the other side; what goes on further is there on purpose."""
_MOST_ALONG = np.cos(np.radians(15.0))
_SQUARE_MM = 0.05
"""A cut that is as level as this is square."""


def cuts_read(surface: Surface, legs: Sequence[Leg], skins: Skins, rims: int) -> dict[int, tuple[Floats, Floats]]:
    """The outside and inside corners, (n, 3) and (m, 3), of each end that is not a rim, after the first ``rims``."""
    cuts = {}
    for place, leg in enumerate(legs):
        for end, up in ((leg.first, 1), (leg.last, -1)):
            if end < rims:
                continue
            lines = [_line_around(surface, leg, skins, label, up) for label in (2 * place, 2 * place + 1)]
            if lines[0] is not None and lines[1] is not None:
                cuts[end] = lines[0], lines[1]
    return cuts


def copes_of(
    ends: Sequence[TubeEnd],
    cuts: Mapping[int, tuple[Floats, Floats]],
    tube_of: Mapping[int, int],
    tubes: Sequence[Tube],
) -> tuple[list[TubeEnd], dict[int, tuple[Cut, list[int]]]]:
    """The ends, with what they run into or lie on as their reason; and by an end's number the cut of each cope, read or
    needed, and the places of the tubes that it lies on. ``tube_of`` has the place of each end's tube."""
    explained, near = list(ends), _near(ends, cuts, tube_of, tubes)
    copes: dict[int, tuple[Cut, list[int]]] = {}
    for number, end in enumerate(ends):
        if number in cuts:
            end = explained[number] = _sized_by(end, tubes[tube_of[number]])
            under = _lies_on(tube_of[number], cuts[number][0], tubes, near[number])
            lying = [] if under is None else [under]
            copes[number] = _cut_read(end, cuts[number], None if under is None else tubes[under]), lying
            if under is not None:
                lies = say("{}, to lie on {}", end.reason, Name(tubes[under].source))
                explained[number] = replace(end, reason=lies, remedy=NOTHING)
        elif number in tube_of and end.cause in ("open", "blocked", "crossed", "too short"):
            tube, places = tubes[tube_of[number]], near[number]
            candidates = [
                (under, TubeCut(tubes[under].section.outer, tubes[under].frame).seen_from(end.frame))
                for under in places
            ]
            for under, cut in candidates:
                if (met := _runs_into(end, tube, cut, tubes[under])) is None:
                    continue
                several = _all_met(end, under, cut, candidates, tubes)
                lowest: Cut = cut
                if len(several) > 1:
                    lowest = LowestCut.of([each for _, each in several], end.section.outer)
                    met = _runs_into_several(end, lowest, [tubes[place] for place, _ in several])
                reason, needs_cope = met
                explained[number] = replace(end, cause="blocked", clear_depth_mm=0.0, reason=reason, remedy=NOTHING)
                if needs_cope:
                    copes[number] = lowest, [place for place, _ in several]
                break
    return explained, copes


def cope(
    end: TubeEnd, tube: Tube, cut: Cut, under: Sequence[Tube] = (), read: tuple[Floats, Floats] | None = None
) -> Cope:
    """The record of a cope that lies on tubes, the chief one first; one that was not ``read`` is needed."""
    outside, inside = read or (
        end.frame.to_world(traced(cut, outline)) for outline in (end.section.outer, end.section.bore)
    )
    other = under[0] if under else None
    return Cope(end, tube, outside, inside, other, cut, needed=read is None, also=tuple(under[1:]))


def _sized_by(end: TubeEnd, tube: Tube) -> TubeEnd:
    """A coped end with its tube's section, which a flat rim at the other end shows best."""
    if "free" in (tube.section.outer.shape, tube.section.bore.shape):
        return end  # seen from the other side it is another one
    return replace(end, section=tube.section, frame=Frame.along(end.frame.origin, end.frame.z, tube.frame.x))


def _line_around(surface: Surface, leg: Leg, skins: Skins, label: int, up: int) -> Floats | None:
    """The corners (n, 3) of the loop around a wall that is farthest along the leg's axis, ``up`` 1, or against it."""
    loops = np.flatnonzero((skins.owners == label) & (skins.turns != 0)).tolist()
    if not loops:
        return None
    lines = [surface.points(surface.starts[skins.loop(loop)]) for loop in loops]
    chosen = max(range(len(loops)), key=lambda number: float(lines[number].mean(axis=0) @ leg.frame.z) * up)
    return lines[chosen][:: int(skins.turns[loops[chosen]]) * up]


def _lies_on(coped: int, cut: Floats, tubes: Sequence[Tube], places: Sequence[int]) -> int | None:
    """The tube, by its place, of those at some ``places``, on whose outside the corners (n, 3) of a cut at the end of
    another one lie best."""
    middle, width = cut.mean(axis=0), tubes[coped].section.outer.width
    nearest, least = None, _ALIKE_CUT * width
    for place in places:
        tube = tubes[place]
        arm = middle - tube.frame.origin
        along = float(arm @ tube.axis)
        near = (width + math.hypot(tube.section.outer.width, tube.section.outer.depth)) / 2
        if not -width < along < tube.length_mm + width:
            continue
        if np.linalg.norm(arm - along * tube.axis) > near + _FITS_CUT * width:
            continue
        off = _off(tube, cut)
        if float(np.ptp(off)) < least and abs(float(off.mean())) < _FITS_CUT * width:
            nearest, least = place, float(np.ptp(off))
    return nearest


def _off(tube: Tube, points: Floats) -> Floats:
    return off_outline(tube.section.outer, tube.frame.to_local(points)[:, :2])[0]


def _cut_read(end: TubeEnd, lines: tuple[Floats, Floats], other: Tube | None) -> Cut:
    """The true curve where the corners lie on one, else as they are."""
    if other is not None and np.ptp(off := _off(other, lines[0])) < _TRUE_CUT_MM:
        cut = TubeCut(other.section.outer.offset(float(off.max())), other.frame).seen_from(end.frame)
        if cut.past_mm(end.section.outer.polygon()) <= TOUCH_MM:
            return cut
    return ReadCut(*(end.frame.to_local(line) for line in lines))


def _near(
    ends: Sequence[TubeEnd],
    cuts: Mapping[int, tuple[Floats, Floats]],
    tube_of: Mapping[int, int],
    tubes: Sequence[Tube],
) -> dict[int, list[int]]:
    """The tubes, by their places, that each end may lie on, if it is cut, or run into, those first whose axes it is
    nearest to."""
    near: dict[int, list[int]] = {number: [] for number in tube_of}
    if not near:
        return near
    numbers = np.array(list(tube_of))
    points = np.array([cuts[end][0].mean(axis=0) if end in cuts else ends[end].frame.origin for end in tube_of])
    ways = np.array([ends[number].frame.z for number in tube_of])
    widths = np.array([max(ends[number].section.outer.width, ends[number].section.outer.depth) for number in tube_of])
    origins, frames = np.array([tube.frame.origin for tube in tubes]), np.array([tube.frame.axes for tube in tubes])
    lengths = np.array([tube.length_mm for tube in tubes])
    sizes = np.array([math.hypot(tube.section.outer.width, tube.section.outer.depth) for tube in tubes])
    low, high = (np.column_stack([side, side, side]) for side in (-sizes, sizes))
    low[:, 2] -= lengths
    tube, end = BoxTree.of(points - widths[:, None], points + widths[:, None]).near(origins, frames, low, high)
    axes, arms, width, size = -frames[tube, 2], points[end] - origins[tube], widths[end], sizes[tube]
    along = np.einsum("ij,ij->i", arms, axes)
    apart = np.linalg.norm(arms - along[:, None] * axes, axis=1)
    steep = np.abs(np.einsum("ij,ij->i", axes, ways[end])) < _MOST_ALONG
    beside = (apart < size / 2 + width) & (steep | np.isin(numbers, list(cuts))[end])
    beside &= (along > -width - size) & (along < lengths[tube] + width + size)
    beside &= np.array(list(tube_of.values()))[end] != tube
    tube, end, apart = tube[beside], end[beside], apart[beside]
    order = np.lexsort((tube, apart))
    for number, place in zip(numbers[end[order]].tolist(), tube[order].tolist(), strict=True):
        near[number].append(place)
    return near


def _runs_into(end: TubeEnd, tube: Tube, cut: TubeCut, other: Tube) -> tuple[Message, bool] | None:
    """That an end runs into another tube and what it needs, in a sentence, and whether that is a cope; None if it does
    not."""
    width, name = end.section.outer.width, Name(other.source)
    middle = float(cut.heights(np.zeros((1, 2)))[0])
    if not -tube.length_mm < middle < -_INTO * width or 2 * cut.axis_height - middle < -_THROUGH * width:
        return None
    line = traced(cut, end.section.outer)
    met = line[np.isfinite(line[:, 2])]
    along = (end.frame.to_world(met) - other.frame.origin) @ other.axis
    if along.min() < -_INTO * width or along.max() > other.length_mm + _INTO * width:
        return None
    if (past := cut.past_mm(line[:, :2])) > TOUCH_MM:
        if cut.reach_mm < width:
            return say("Runs into {}, which is narrower: no cope goes all around", name), False
        return say("Runs into {} and passes by {} beside it: no cope goes all around", name, Length(past)), False
    if np.ptp(line[:, 2]) < _SQUARE_MM:
        return say("Runs {} into {}: it has to be cut square", Length(-middle), name), False
    return say("Runs into {}: it needs a cope", name), True


def _all_met(
    end: TubeEnd, chief: int, cut: TubeCut, candidates: Sequence[tuple[int, TubeCut]], tubes: Sequence[Tube]
) -> list[tuple[int, TubeCut]]:
    """The chief tube and those that part of the end runs into before it, or beside it; each with its cut."""
    met = [(chief, cut)]
    for place, other in candidates:
        if place != chief and _met_first(end, other, [known for _, known in met], tubes[place]):
            met.append((place, other))
    return met


def _met_first(end: TubeEnd, cut: TubeCut, known: Sequence[TubeCut], tube: Tube) -> bool:
    """Whether part of an end runs into a tube, there and not farther down, before it meets those that are known."""
    width, line = end.section.outer.width, traced(cut, end.section.outer)
    points, heights = line[:, :2], line[:, 2]
    if cut.overlap_mm(points) < _INTO * width:
        return False
    others = np.fmin.reduce([other.heights(points) for other in known])
    first = np.isfinite(heights) & ~(heights >= others - _TRUE_CUT_MM)
    if not first.any():
        return False
    rim = PlaneCut(end.mitre_deg, end.mitre_direction_deg).heights(points)
    into, past = (rim - heights)[first], (rim - 2 * cut.middles(points) + heights)[first]
    along = (end.frame.to_world(line[first]) - tube.frame.origin) @ tube.axis
    # Where it meets the chief one, its own end may not be drawn up to that.
    short = min(tube.section.outer.width, tube.section.outer.depth) / 2
    there = along.min() > -short and along.max() < tube.length_mm + short
    return bool(there and into.max() > _INTO * width and past.max() < _THROUGH * width)


def _runs_into_several(end: TubeEnd, cut: Cut, tubes: Sequence[Tube]) -> tuple[Message, bool]:
    """What an end that runs into several tubes needs, in a sentence, and whether that is a cope."""
    names = say_all([say("{}", Name(tube.source)) for tube in tubes], " and ")
    line = traced(cut, end.section.outer)
    if not np.isfinite(line).all():
        return say("Runs into {} and passes by beside them: no cope goes all around", names), False
    return say(f"Runs into {{}}: it needs a cope that lies on {'both' if len(tubes) == 2 else 'all'}", names), True
