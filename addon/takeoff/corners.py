# SPDX-License-Identifier: GPL-3.0-or-later
"""Corners that are drawn to the crossing of the tubes' axes, so that each end lies inside the other tube."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ..fields.messages import IT, ByNumber, Length, Name, say
from ..geometry.developments import PlaneCut
from ..geometry.frames import Floats
from ..geometry.outline_fit import off_outline
from ..geometry.units import say_three
from .ends import TubeEnd
from .running_into import SLACK, Met, Running, met_by

_NEAR = 0.1
"""Share of its width by which a tube's axis may end before or past the crossing that it is drawn to."""
_STEEPEST_DEG = 60.01
"""Of mitres that are read."""
_SEEN_MM = 0.05
_OPPOSITE = -0.999
_THIS_TUBE, _THIS_END_TAKES = ByNumber("this tube", "these tubes"), ByNumber("this end takes", "these ends take")


def met_at_corners(running: Mapping[int, Running]) -> dict[int, Met]:
    """What ends need that run into tubes, or into each other at a corner, by their numbers. Two of a corner that are
    alike are mitred; of others one goes through, by the rule of those that run into each other, and takes a cap."""
    partners, continued = _partners(running)
    mitred = {}
    for number, others in partners.items():
        if len(others) == 1 and partners.get(other := next(iter(others))) == {number}:
            cut = _mitre(running[number], running[other])
            if cut and not any(running[end].met for end in (number, other)):
                mitred[number] = _said_mitred(running[number], running[other], cut)
    cornered = {
        number: replace(end, going_on={running[other].place for other in partners.get(number, ())})
        for number, end in running.items()
        if number not in mitred
    }
    met = met_by(cornered)
    past = _past_ends(cornered, met)
    staying = {
        number: _said_staying(cornered[number], how_far)
        for number, how_far in past.items()
        if number not in met and number not in continued
    }
    return mitred | met | {number: what for number, what in staying.items() if what}


def _partners(running: Mapping[int, Running]) -> tuple[dict[int, set[int]], set[int]]:
    """The ends that each one meets at a corner, and those that a tube in line with them goes on from. These meet none:
    they are as the middle of a tube."""
    number_of = {id(end.end): number for number, end in running.items()}
    across = {
        number: {number_of[id(end)] for end in _ends_met(each) if id(end) in number_of}
        for number, each in running.items()
    }
    mutual = {number: {other for other in others if number in across[other]} for number, others in across.items()}
    continued = {
        other
        for others in mutual.values()
        for other in others
        if any(_face_in_line(running[other].end, running[each].end) for each in others)
    }
    return {number: others for number, others in mutual.items() if others and number not in continued}, continued


def _ends_met(running: Running) -> list[TubeEnd]:
    """Those of other tubes which it runs into beside them, and would go on to beyond them."""
    met = []
    for place in running.near:
        if not running.reaches_into(cut := running.cut_on(place)):
            continue
        line = running.line_of(cut)
        line = line[np.isfinite(line[:, 2])]
        drawn = running.end.rim.heights(line[:, :2]) > line[:, 2]
        points, slack = running.end.frame.to_world(line), SLACK * running.end.section.outer.width
        for end in running.tubes[place].ends:
            if isinstance(end, TubeEnd):
                past = _past(end, points)
                if past.max() > slack and (past[drawn] < -slack).any():
                    met.append(end)
    return met


def _past(end: TubeEnd, points: Floats) -> Floats:
    """(n,): how far past an end's rim points (n, 3) lie, along its axis."""
    local = end.frame.to_local(points)
    return np.asarray(local[:, 2] - end.rim.heights(local[:, :2]))


def _face_in_line(end: TubeEnd, other: TubeEnd) -> bool:
    apart = np.linalg.norm(end.position - other.position)
    return bool(apart < end.section.outer.half_width and end.frame.z @ other.frame.z < _OPPOSITE)


def _mitre(running: Running, other: Running) -> PlaneCut | None:
    """The cut of one end of a corner which the other one, cut likewise, closes; None where none does."""
    end, cut = running.end, running.cut_on(other.place)
    slack = SLACK * end.section.outer.width
    normal = end.frame.z - other.end.frame.z
    normal /= np.linalg.norm(normal)
    lean = math.degrees(math.acos(min(1.0, float(normal @ end.frame.z))))
    if cut.offset_mm > slack or abs(cut.axis_height) > _NEAR * end.section.outer.width or lean > _STEEPEST_DEG:
        return None
    # Mirrored in the plane of the cut the other one has to be this one.
    corners = other.end.section.outer.polygon(chord_error=slack / 10)
    points = other.end.frame.to_world(np.column_stack([corners, np.zeros(len(corners))]))
    middle = end.frame.to_world((0.0, 0.0, cut.axis_height))
    mirrored = points - 2 * np.outer((points - middle) @ normal, normal)
    if np.abs(off_outline(end.section.outer, end.frame.to_local(mirrored)[:, :2])[0]).max() > slack:
        return None
    x, y, _ = end.frame.axes @ normal
    return PlaneCut(round(lean, 9), round(math.degrees(math.atan2(y, x)), 9) % 360.0, round(cut.axis_height, 6) + 0.0)


def _said_mitred(running: Running, other: Running, cut: PlaneCut) -> Met:
    past = float(cut.heights(running.around).max() - running.end.rim.heights(running.around).max())
    both, where = f"both have to be mitred {say_three(cut.mitre_deg)}°", "past" if past > 0 else "short of"
    reason = say(
        f"Drawn into the end of {{}}: {both}, the longest point {{}} {where} this end",
        Name(other.tube.source),
        Length(abs(past)),
    )
    remedy = say("to have one run through and take a cap instead, draw it on to the outside of the other one")
    return Met((other.place,), cut, reason, "mitre", remedy)


def _past_ends(running: Mapping[int, Running], met: Mapping[int, Met]) -> dict[int, float]:
    """How far past each end, by its number, the tubes reach that are cut to lie on its own; below 0 where they all lie
    below it."""
    number_of = {id(end.end): number for number, end in running.items()}
    farthest: dict[int, float] = {}
    for number, what in met.items():
        for place in what.under if what.needs in ("cope", "square cut") else ():
            points = running[number].lying_on(place, what.cut)
            for end in running[number].tubes[place].ends:
                past = _past(end, points) if isinstance(end, TubeEnd) else np.zeros(1)
                if id(end) in number_of and past.min() < -_SEEN_MM:
                    stays = number_of[id(end)]
                    farthest[stays] = max(farthest.get(stays, -math.inf), float(past.max()))
    return farthest


def _said_staying(running: Running, past: float) -> Met | None:
    """What is said of an end where others are cut to lie on its tube; nothing where they are not in its way."""
    rim, end = running.end.rim, running.end
    # The rest of a corner may leave room for a cap, but there is no tube yet where that has to go.
    if end.open and past < SLACK * end.section.outer.width:
        return None
    if past < -_SEEN_MM:
        if abs(past + end.clear_depth_mm) > _NEAR * end.section.outer.width:
            return None
        return Met((), rim, end.reason, "room", say("{}, or cut that tube in the model as it has to be", end.remedy))
    if past < _SEEN_MM:
        reason = say("Closed by the end of a tube that has to be cut to lie on {}", _THIS_TUBE)
        remedy = say("cut that in the model too, and {} a cap", _THIS_END_TAKES)
        return Met((), rim, reason, "cap", remedy)
    reason = say("Drawn {} short of the corner's outside, where others have to be cut to lie on {}", Length(past), IT)
    remedy = say("draw {} on to there and cut the others in the model, and {} a cap", _THIS_TUBE, _THIS_END_TAKES)
    return Met((), replace(rim, height_mm=past), reason, "cap", remedy)
