# SPDX-License-Identifier: GPL-3.0-or-later
"""From ends and walls to the records of what was found: tubes, holes, copes, joints."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..fields.messages import Length, Name, say, say_all
from ..geometry import polygons
from ..geometry.developments import Cut
from ..geometry.frames import Floats, Frame
from ..geometry.outline_fit import off_outline
from ..geometry.sections import Outline
from ..geometry.topology import Indices
from .chunks import Chunks
from .copes import cope, copes_of, cuts_read
from .ends import EndHole, TubeEnd
from .holes import Bore, in_line, read_holes
from .legs import Leg, Skins, paired, uneven
from .outside import free_lengths
from .rim_sections import RimSection
from .sites import ClosedEnd, Cope, Hole, Joint, Mouth, Tube, angle_between
from .surface import Surface
from .walls import WallIndex, WallRuns

_ONE_WAY = math.cos(math.radians(22.5))
"""Ends that face so nearly the same way have one name."""


@dataclass(frozen=True, eq=False)
class Survey:
    ends: tuple[TubeEnd, ...]
    """As given, those that lie on another tube or run into one with its name, and those that holes cross as ``past``
    has them."""
    met: frozenset[int]
    """Which of the ends those are that lie on another tube or run into one."""
    tubes: tuple[Tube, ...]
    holes: tuple[Hole, ...]
    copes: tuple[Cope, ...]
    cut_outs: tuple[Indices, ...]
    """The loop of half-edges around each cut-out that was not read."""
    notes: tuple[str, ...]


def surveyed(
    surface: Surface,
    index: WallIndex,
    chunks: Chunks,
    runs: WallRuns,
    shared: Indices,
    profiles: Sequence[RimSection],
    bodies: Sequence[int],
    ends: Sequence[TubeEnd],
    past: Callable[[int, TubeEnd, Sequence[Hole]], TubeEnd],
) -> Survey:
    """The tubes with their holes and copes. ``ends``, with their ``profiles`` and ``bodies``, are the rims that
    ``runs`` belong to and after these the copes; ``shared`` are the rims whose outer wall is not known by the rim.
    ``past`` gives a rim's end that a hole crosses as it is with all holes of its tube."""
    legs = paired(profiles, bodies, runs)
    skins = Skins.of(surface, chunks, legs, uneven(surface, index, runs, legs, shared))
    cuts = cuts_read(surface, legs, skins, [end.cause == "coped" for end in ends])
    legs = [_to_tips(leg, cuts) for leg in legs]
    free = free_lengths(surface, chunks, runs, profiles, legs)
    twins = _twins(legs)
    tubes = [
        Tube(
            surface.body_names[leg.body],
            leg.section,
            leg.frame,
            leg.length,
            (ends[leg.first], ends[leg.last] if leg.last >= 0 else ClosedEnd(leg.why)),
            lengths,
            twins.get(place),
        )
        for place, (leg, lengths) in enumerate(zip(legs, free, strict=True))
    ]
    bores, unread = read_holes(surface, legs, skins)
    tube_of = {end: place for place, leg in enumerate(legs) for end in (leg.first, leg.last) if end >= 0}
    explained, cope_cuts, uncut = copes_of(ends, cuts, tube_of, tubes)
    met = frozenset(number for number, (old, new) in enumerate(zip(ends, explained, strict=True)) if new is not old)
    ends = explained
    holes = [(pair[0].leg, _hole(tubes[pair[0].leg], *pair)) for pair in in_line(bores)]
    holes.sort(key=lambda hole: (hole[0], round(hole[1].distances_mm[0], 3), hole[1].angle_deg))
    by_leg: dict[int, list[Hole]] = defaultdict(list)
    for leg, hole in holes:
        by_leg[leg].append(hole)
    for end in range(len(runs.straight)):
        if ends[end].cause == "crossed" and end in tube_of:
            ends[end] = past(end, ends[end], by_leg[tube_of[end]])

    def cut(end: int) -> Cut | None:
        return None if end < 0 or end in uncut else cope_cuts[end][0] if end in cope_cuts else ends[end].flat_cut

    tubes = [
        replace(
            tube,
            ends=(ends[leg.first], ends[leg.last] if leg.last >= 0 else tube.ends[1]),
            cuts=(cut(leg.first), cut(leg.last)),
        )
        for tube, leg in zip(tubes, legs, strict=True)
    ]
    copes = [
        cope(ends[end], tubes[tube_of[end]], read, [tubes[place] for place in under], cuts.get(end))
        for end, (read, under) in cope_cuts.items()
    ]
    notes = _said(surface, legs, unread)
    return Survey(
        tuple(ends),
        met,
        tuple(tubes),
        tuple(replace(hole, tube=tubes[leg]) for leg, hole in holes),
        tuple(copes),
        tuple(loop for _, loop in unread),
        notes,
    )


def joints_of(
    ends: Sequence[TubeEnd],
    facing: Mapping[int, tuple[int, float]],
    beside: Callable[[int, int], tuple[tuple[EndHole, ...], float]],
) -> tuple[Joint, ...]:
    """The joints between ends, by which other end each faces and how far away that is; ``beside`` are the holes of an
    end, and how deep it is then clear of all but another. Of several ends that face the same one, the nearest is joined
    to it."""
    joints, joined = [], set[int]()
    for end, (other, gap) in sorted(facing.items(), key=lambda pair: (pair[1][1], pair[0])):
        if {end, other} & joined:
            continue
        joined |= {end, other}
        first, second = ends[end], ends[other]
        angle = angle_between(first.frame.z, second.frame.z)
        (holes, depth), (far_holes, far_depth) = beside(end, other), beside(other, end)
        joints.append((end, Joint((first, second), gap, angle, (depth, far_depth), (holes, far_holes))))
    return tuple(joint for _, joint in sorted(joints, key=lambda pair: pair[0]))


def _to_tips(leg: Leg, cuts: Mapping[int, tuple[Floats, Floats]]) -> Leg:
    """The leg with its length up to the farthest points of its copes."""
    if leg.first not in cuts and leg.last not in cuts:
        return leg
    past = [
        float(((cuts[end][0] - leg.frame.origin) @ (leg.frame.z * up)).max()) if end in cuts else None
        for end, up in ((leg.first, 1), (leg.last, -1))
    ]
    length = past[1] if past[1] is not None else leg.length
    if past[0] is None:
        return replace(leg, length=length)
    return replace(leg, length=length + past[0], frame=Frame(leg.frame.origin + past[0] * leg.frame.z, leg.frame.axes))


def _twins(legs: Sequence[Leg]) -> dict[int, Floats]:
    """For each leg of a U-bend, or of two on one body whose only ends face one way, which way (3,) it lies from the
    other one."""
    bent: dict[int, list[int]] = defaultdict(list)
    for place, leg in enumerate(legs):
        if leg.last < 0:
            bent[leg.body].append(place)
    twins = {}
    for pair in bent.values():
        if len(pair) != 2 or legs[pair[0]].frame.z @ legs[pair[1]].frame.z < _ONE_WAY:
            continue
        for place, other in (pair, pair[::-1]):
            frame = legs[place].frame
            arm = frame.origin - legs[other].frame.origin
            arm = arm - (arm @ frame.z) * frame.z
            if (apart := float(np.linalg.norm(arm))) > legs[place].section.outer.half_width:
                twins[place] = arm / apart
    return twins


def _hole(tube: Tube, bore: Bore, opposite: Bore | None) -> Hole:
    bores, axis, diameter = [bore], bore.axis, bore.diameter
    if opposite is not None:
        axis = bore.centre - opposite.centre
        axis = axis / np.linalg.norm(axis)
        bores, diameter = [bore, opposite], (diameter + opposite.diameter) / 2
        if tube.from_half_turn(_out_of(tube, bore.centre, axis)[0]):
            bores, axis = bores[::-1], -axis
    mouths, outward = [], []
    for one_wall, out in zip(bores, (axis, -axis), strict=False):
        position, straight = _out_of(tube, one_wall.centre, out)
        mouths.append(Mouth(position, out, one_wall.countersink, one_wall.cone_deg))
        outward.append(straight)
    return Hole.at(tube, diameter, mouths, outward[0])


def _out_of(tube: Tube, start: Floats, axis: Floats) -> tuple[Floats, Floats]:
    """Where a line from a point in the wall along ``axis`` meets the tube's outside (3,), and which way (2,) of the
    tube's frame is straight out there."""
    local, along = tube.frame.to_local(start), tube.frame.axes @ axis
    share = _crossing(tube.section.outer, local[:2], along[:2])
    point = local + share * along
    return tube.frame.to_world(point), off_outline(tube.section.outer, point[None, :2])[1][0]


def _crossing(outline: Outline, start: Floats, along: Floats) -> float:
    """How many times ``along`` from ``start``, (2,) both, the outline is nearest."""
    if outline.shape == "circle":
        square, mixed = float(along @ along), float(start @ along)
        root = math.sqrt(max(mixed**2 - square * (float(start @ start) - outline.width**2 / 4), 0.0))
        return min((-mixed + root) / square, (-mixed - root) / square, key=abs)
    corners = outline.polygon()
    sides = np.roll(corners, -1, axis=0) - corners
    turn = polygons.cross(along, sides)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = polygons.cross(corners - start, sides) / turn
        across = polygons.cross(corners - start, along) / turn
    share = share[(across >= 0) & (across <= 1)]
    return float(share[np.abs(share).argmin()]) if len(share) else 0.0


def _said(surface: Surface, legs: Sequence[Leg], unread: Sequence[tuple[int, Indices]]) -> tuple[str, ...]:
    """The cut-outs that were not read, in a sentence for each tube."""
    by_leg: dict[int, list[Floats]] = defaultdict(list)
    for leg, loop in unread:
        by_leg[leg].append(surface.points(surface.starts[loop]).mean(axis=0))
    notes = []
    for leg, points in sorted(by_leg.items()):
        name = Name(surface.body_names[legs[leg].body])
        places = say_all([say("{}", Length(*point, between=", ")) for point in points], "; ")
        if len(points) == 1:
            said = "A cut-out of {} is not a round hole through its wall; it was not read. It is at {}."
        else:
            said = f"{len(points)} cut-outs of {{}} are not round holes through its wall; they were not read."
            said += " They are at {}."
        notes.append(say(said, name, places))
    return tuple(notes)
