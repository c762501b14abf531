# SPDX-License-Identifier: GPL-3.0-or-later
"""From ends and walls to the records of what was found: tubes, holes, copes, joints."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..fields.messages import NOTHING, Length, Name, say, say_all
from ..geometry import polygons
from ..geometry.frames import Floats, Frame
from ..geometry.outline_fit import off_outline
from ..geometry.sections import Outline
from ..geometry.topology import Indices
from .chunks import Chunks
from .ends import TubeEnd
from .holes import Bore, in_line, read_holes
from .legs import Leg, Skins, paired, uneven
from .outside import free_lengths
from .rim_sections import RimSection
from .sites import ClosedEnd, Cope, Hole, Joint, Mouth, Tube, TubeSide, angle_between
from .surface import Surface
from .walls import WallIndex, WallRuns

_FITS_CUT = 0.1
"""Share of a tube's width by which its cope may stand off the tube that it lies on: a gap for the weld."""
_ALIKE_CUT = 0.02
"""Share of its width by which the corners of a cope may lie unlike far off the tube that it lies on."""
_HALF_TURN_DEG = 179.99
_FLAT = np.cos(np.radians(1.0))


@dataclass(frozen=True, eq=False)
class Survey:
    ends: tuple[TubeEnd, ...]
    """As given, those that lie on another tube with its name."""
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
) -> Survey:
    """The tubes with their holes and copes. ``ends``, with their ``profiles`` and ``bodies``, are the rims that
    ``runs`` belong to and after these the copes; ``shared`` are the rims whose outer wall is not known by the rim."""
    legs = paired(profiles, bodies, runs)
    skins = Skins.of(surface, chunks, legs, uneven(surface, index, runs, legs, shared))
    cuts = _cuts(surface, legs, skins, len(runs.straight))
    legs = [_to_tips(leg, cuts) for leg in legs]
    free = free_lengths(surface, chunks, runs, profiles, legs)
    tubes = [
        Tube(
            surface.body_names[leg.body],
            leg.section,
            leg.frame,
            leg.length,
            (ends[leg.first], ends[leg.last] if leg.last >= 0 else ClosedEnd(leg.why)),
            lengths,
        )
        for leg, lengths in zip(legs, free, strict=True)
    ]
    bores, unread = read_holes(surface, legs, skins)
    tube_of = {end: place for place, leg in enumerate(legs) for end in (leg.first, leg.last)}
    under = {end: _lies_on(tube_of[end], cut[0], tubes) for end, cut in cuts.items()}
    ends = [
        end if (place := under.get(number)) is None else _closed_by(end, tubes[place])
        for number, end in enumerate(ends)
    ]
    tubes = [
        replace(tube, ends=(ends[leg.first], ends[leg.last] if leg.last >= 0 else tube.ends[1]))
        for tube, leg in zip(tubes, legs, strict=True)
    ]
    holes = [(pair[0].leg, _hole(tubes[pair[0].leg], *pair)) for pair in in_line(bores)]
    holes.sort(key=lambda hole: (hole[0], round(hole[1].distances_mm[0], 3), hole[1].angle_deg))
    copes = [
        Cope(ends[end], tubes[tube_of[end]], *cut, None if (place := under[end]) is None else tubes[place])
        for end, cut in cuts.items()
    ]
    notes = _said(surface, legs, unread)
    return Survey(
        tuple(ends),
        tuple(tubes),
        tuple(hole for _, hole in holes),
        tuple(copes),
        tuple(loop for _, loop in unread),
        notes,
    )


def joints_of(
    ends: Sequence[TubeEnd], facing: Mapping[int, tuple[int, float]], depth: Callable[[int, int], float]
) -> tuple[Joint, ...]:
    """The joints between ends, by which other end each faces and how far away that is; ``depth`` is how deep an end is
    clear of all but another. Of several ends that face the same one, the nearest is joined to it."""
    joints, joined = [], set[int]()
    for end, (other, gap) in sorted(facing.items(), key=lambda pair: (pair[1][1], pair[0])):
        if {end, other} & joined:
            continue
        joined |= {end, other}
        first, second = ends[end], ends[other]
        angle = angle_between(first.frame.z, second.frame.z)
        joints.append((end, Joint((first, second), gap, angle, (depth(end, other), depth(other, end)))))
    return tuple(joint for _, joint in sorted(joints, key=lambda pair: pair[0]))


def _cuts(surface: Surface, legs: Sequence[Leg], skins: Skins, rims: int) -> dict[int, tuple[Floats, Floats]]:
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


def _line_around(surface: Surface, leg: Leg, skins: Skins, label: int, up: int) -> Floats | None:
    """The corners (n, 3) of the loop around a wall that is farthest along the leg's axis, ``up`` 1, or against it."""
    loops = np.flatnonzero((skins.owners == label) & (skins.turns != 0)).tolist()
    if not loops:
        return None
    lines = [surface.points(surface.starts[skins.loop(loop)]) for loop in loops]
    chosen = max(range(len(loops)), key=lambda number: float(lines[number].mean(axis=0) @ leg.frame.z) * up)
    return lines[chosen][:: int(skins.turns[loops[chosen]]) * up]


def _to_tips(leg: Leg, cuts: Mapping[int, tuple[Floats, Floats]]) -> Leg:
    """The leg with its length up to the farthest points of its copes."""
    past = [
        float(((np.concatenate(cuts[end]) - leg.frame.origin) @ (leg.frame.z * up)).max()) if end in cuts else None
        for end, up in ((leg.first, 1), (leg.last, -1))
    ]
    length = past[1] if past[1] is not None else leg.length
    if past[0] is None:
        return replace(leg, length=length)
    return replace(leg, length=length + past[0], frame=Frame(leg.frame.origin + past[0] * leg.frame.z, leg.frame.axes))


def _closed_by(end: TubeEnd, other: Tube) -> TubeEnd:
    """A coped end with the tube that it lies on, where nothing is to be done about it."""
    return replace(end, reason=say("{}, to lie on {}", end.reason, Name(other.source)), remedy=NOTHING)


def _lies_on(coped: int, cut: Floats, tubes: Sequence[Tube]) -> int | None:
    """The tube, by its place, on whose outside the corners (n, 3) of a cut at the end of another one lie best."""
    middle, width = cut.mean(axis=0), tubes[coped].section.outer.width
    nearest, least = None, _ALIKE_CUT * width
    for place, tube in enumerate(tubes):
        arm = middle - tube.frame.origin
        along = float(arm @ tube.axis)
        near = (width + math.hypot(tube.section.outer.width, tube.section.outer.depth)) / 2
        if place == coped or not -width < along < tube.length_mm + width:
            continue
        if np.linalg.norm(arm - along * tube.axis) > near + _FITS_CUT * width:
            continue
        off, _ = off_outline(tube.section.outer, tube.frame.to_local(cut)[:, :2])
        if float(np.ptp(off)) < least and abs(float(off.mean())) < _FITS_CUT * width:
            nearest, least = place, float(np.ptp(off))
    return nearest


def _hole(tube: Tube, bore: Bore, opposite: Bore | None) -> Hole:
    bores, axis, diameter = [bore], bore.axis, bore.diameter
    if opposite is not None:
        axis = bore.centre - opposite.centre
        axis = axis / np.linalg.norm(axis)
        bores, diameter = [bore, opposite], (diameter + opposite.diameter) / 2
        if _angle(tube, _out_of(tube, bore.centre, axis)[0]) >= _HALF_TURN_DEG:
            bores, axis = bores[::-1], -axis
    mouths, outward = [], []
    for one_wall, out in zip(bores, (axis, -axis), strict=False):
        position, straight = _out_of(tube, one_wall.centre, out)
        mouths.append(Mouth(position, out, one_wall.countersink, one_wall.cone_deg))
        outward.append(straight)
    local = tube.frame.to_local(mouths[0].position)
    first = -float(local[2])
    last = None if isinstance(tube.ends[1], ClosedEnd) else tube.length_mm - first
    side, offset = _side(tube, local, outward[0])
    lean = angle_between(axis, outward[0] @ tube.frame.axes[:2])
    return Hole(tube, diameter, tuple(mouths), (first, last), _angle(tube, mouths[0].position), side, offset, lean)


def _angle(tube: Tube, point: Floats) -> float:
    x, y, _ = tube.frame.to_local(point)
    return math.degrees(math.atan2(y, x)) % 360.0


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


def _side(tube: Tube, local: Floats, outward: Floats) -> tuple[TubeSide | None, float | None]:
    """The flat side that a point lies in, and how far off that side's middle."""
    if tube.section.outer.shape != "rectangle":
        return None, None
    sides: tuple[tuple[TubeSide, tuple[int, int], int], ...] = (
        ("+x", (1, 0), 1),
        ("-x", (-1, 0), 1),
        ("+y", (0, 1), 0),
        ("-y", (0, -1), 0),
    )
    for side, way, across in sides:
        if float(outward @ way) > _FLAT:
            return side, float(local[across])
    return None, None


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
