# SPDX-License-Identifier: GPL-3.0-or-later
"""Copes: ends that are cut to lie on another tube, and ends that run into one and have to be."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from ..fields.messages import NOTHING, Name, say, say_each
from ..geometry.boxes import BoxTree
from ..geometry.developments import Cut, LowestCut, PlaneCut, ReadCut, TubeCut, places_around, traced
from ..geometry.frames import Floats, Frame
from ..geometry.outline_fit import off_outline
from .corners import met_at_corners
from .ends import TubeEnd
from .legs import Leg, Skins
from .running_into import Running
from .sites import Cope, Tube
from .surface import Surface

_FITS_CUT = 0.1
"""Share of a tube's width by which its cope may stand off the tube that it lies on: a gap for the weld."""
_ALIKE_CUT = 0.02
"""Share of its width by which the corners of a cope may lie unlike far off the tube that it lies on."""
_TRUE_CUT_MM = 0.1
"""Corners no less alike than this are those of the true curve, or lie on its chords."""
_MOST_ALONG = np.cos(np.radians(15.0))


def cuts_read(
    surface: Surface, legs: Sequence[Leg], skins: Skins, coped: Sequence[bool]
) -> dict[int, tuple[Floats, Floats]]:
    """The outside and inside corners, (n, 3) and (m, 3), of each end that is ``coped``."""
    cuts = {}
    for place, leg in enumerate(legs):
        for end, up in ((leg.first, 1), (leg.last, -1)):
            if end < 0 or not coped[end]:
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
) -> tuple[list[TubeEnd], dict[int, tuple[Cut, list[int]]], set[int]]:
    """The ends, with what they run into or lie on as their reason; by an end's number the cut of each cope, read or
    needed, and the places of the tubes that it lies on; and the ends that no known cut fits. ``tube_of`` has the place
    of each end's tube."""
    explained, near = list(ends), _near(ends, cuts, tube_of, tubes)
    copes: dict[int, tuple[Cut, list[int]]] = {}
    lying: set[tuple[int, int]] = set()
    for number in cuts:
        end = explained[number] = _sized_by(ends[number], tubes[tube_of[number]])
        under = _lies_on(tube_of[number], cuts[number][0], tubes, near[number])
        copes[number] = _cut_read(end, cuts[number], [tubes[place] for place in under]), under
        lying |= {(tube_of[number], place) for place in under}
        if under:
            names = {tubes[place].source: say("{}", Name(tubes[place].source)) for place in under}
            if end.source in names:
                names[end.source] = say("another part of {}", Name(end.source))
            lies_on = say("{}, to lie on {}", end.reason, say_each([*names.values()]))
            explained[number] = replace(end, reason=lies_on, remedy=NOTHING)
    running, uncut = {}, set()
    for number, end in enumerate(ends):
        places = tuple(place for place in near.get(number, ()) if (place, tube_of[number]) not in lying)
        if places and number not in cuts and end.cause in ("open", "blocked", "crossed", "too short"):
            running[number] = Running(end, tube_of[number], places, tubes, places_around(end.section.outer))
    for number, met in met_at_corners(running).items():
        if met.needs == "room":
            explained[number] = replace(ends[number], remedy=met.remedy)
            continue
        to_cut = met.cut if isinstance(met.cut, PlaneCut) and met.cut != ends[number].rim else None
        if met.needs == "square cut":
            to_cut = PlaneCut(0.0, 0.0, float(met.cut.heights(running[number].around).min()))
        closed = replace(ends[number], clear_depth_mm=0.0, reason=met.reason, remedy=met.remedy, to_cut=to_cut)
        explained[number] = replace(closed, cause="corner" if met.needs == "cap" else "blocked")
        if met.needs == "cope":
            copes[number] = met.cut, list(met.under)
        elif met.needs == "none":
            uncut.add(number)
    return explained, dict(sorted(copes.items())), uncut


def cope(
    end: TubeEnd, tube: Tube, cut: Cut, under: Sequence[Tube] = (), read: tuple[Floats, Floats] | None = None
) -> Cope:
    """The record of a cope that lies on tubes, the chief one first; one that was not ``read`` is needed."""
    # In a fused body a bore may open into that of the other tube, farther than any cope goes.
    as_modelled = read if isinstance(cut, ReadCut) else None
    outside, inside = as_modelled or (
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


def _lies_on(coped: int, cut: Floats, tubes: Sequence[Tube], places: Sequence[int]) -> list[int]:
    """The tube, by its place, of those at some ``places``, on whose outside the corners (n, 3) of a cut at the end of
    another one lie best; those on which they lie together, that with most of them first; or none."""
    middle, width = cut.mean(axis=0), tubes[coped].section.outer.width
    nearest, least, some = None, _ALIKE_CUT * width, {}
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
        some[place] = np.abs(off) < _ALIKE_CUT * width
        if float(np.ptp(off)) < least and abs(float(off.mean())) < _FITS_CUT * width:
            nearest, least = place, float(np.ptp(off))
    if nearest is not None:
        return [nearest]
    left, together = np.ones(len(cut), bool), []
    while some and left.any():
        place = max(some, key=lambda place: int((some[place] & left).sum()))
        if not (some[place] & left).any():
            return []
        left &= ~some.pop(place)
        together.append(place)
    return [] if left.any() else together


def _off(tube: Tube, points: Floats) -> Floats:
    return off_outline(tube.section.outer, tube.frame.to_local(points)[:, :2])[0]


def _cut_read(end: TubeEnd, lines: tuple[Floats, Floats], under: Sequence[Tube]) -> Cut:
    """The true curve where the corners lie on one, else as they are."""
    if under and np.ptp(off := np.min([_off(tube, lines[0]) for tube in under], axis=0)) < _TRUE_CUT_MM:
        gap = float(off.max())
        cuts = [TubeCut(tube.section.outer.offset(gap), tube.frame).seen_from(end.frame) for tube in under]
        cut = cuts[0] if len(cuts) == 1 else LowestCut.of(cuts, end.section.outer)
        if np.isfinite(traced(cut, end.section.outer)[:, 2]).all():
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
