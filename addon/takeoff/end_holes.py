# SPDX-License-Identifier: GPL-3.0-or-later
"""Round holes through a tube's walls that a spigot would cover: an end that nothing else is in the way of can be taken
if they go on through the spigot."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from ..fields.messages import NOTHING, THE_HOLE, THIS_END, ByNumber, Length, say
from ..geometry import polygons
from ..geometry.frames import Floats, around_deg
from ..geometry.sections import Section
from ..geometry.topology import Indices
from .ends import OPEN, EndHole, TubeEnd, longest_spigot, mitre_normal
from .sites import Hole
from .surface import Surface

_SQUARE = math.sin(math.radians(0.5))
"""How far, as a sine, a hole may lean from square to the tube."""
_LEVEL = math.sin(math.radians(1.0))
"""How far, as a sine, a hole across a spigot may lean as it is printed."""
_ON_HOLE = 0.05
"""Share of its radius, and mm, by which corners of a hole's edge may lie off it."""
_AT_RIM = 2e-3
"""Share of the width within which something is at the rim."""
_TURNS = {"circle": (), "rectangle": (0.0, 180.0), "obround": (0.0, 180.0), "ellipse": (0.0, 180.0)}


@dataclass(frozen=True)
class BoreBorder:
    """A line around which the straight wall of a bore ends."""

    points: Floats
    """(n, 3) in the end's frame."""
    depths: Floats
    """(n,): down from the rim along the axis."""
    round: bool
    """Whether it goes round the bore, not around a spot in its wall."""


def borders_of(surface: Surface, end: TubeEnd, border: Indices, begins: Indices) -> list[BoreBorder]:
    """All but the rim's own of the straight bore of an end, whose half-edges are ``border`` and begin at ``begins``."""
    normal, found = mitre_normal(end.mitre_deg, end.mitre_direction_deg), []
    for first, last in pairwise(begins.tolist()):
        points = end.frame.to_local(surface.points(surface.starts[border[first:last]]))
        depths = -(points @ normal) / normal[2]
        goes_round = polygons.goes_round(points[:, :2])
        if not goes_round or depths.max() > _AT_RIM * end.section.outer.width:
            found.append(BoreBorder(points, depths, goes_round))
    return found


def past_holes(
    end: TubeEnd, borders: Sequence[BoreBorder], holes: Sequence[Hole], needed: float
) -> tuple[tuple[EndHole, ...], float]:
    """The holes that a spigot ``needed`` mm long would cover, and how deep the bore's wall then lets it go; none if
    anything else is in its way."""
    depths, clear = _explained(end, borders, holes)
    covered = [hole for hole, depth in depths.items() if depth < needed]
    clear = min([clear, *(depth for depth in depths.values() if depth >= needed)])
    return (tuple(covered), clear) if clear >= needed else ((), 0.0)


def holes_beside(
    end: TubeEnd, borders: Sequence[BoreBorder], holes: Sequence[Hole]
) -> tuple[tuple[EndHole, ...], float]:
    """All holes as far as the bore's wall then lets a spigot go, and how far that is."""
    depths, clear = _explained(end, borders, holes)
    return tuple(hole for hole, depth in sorted(depths.items(), key=lambda pair: pair[1]) if depth < clear), clear


def _explained(
    end: TubeEnd, borders: Sequence[BoreBorder], holes: Sequence[Hole]
) -> tuple[dict[EndHole, float], float]:
    """The depths at which holes begin in a bore's wall, and that at which anything else does."""
    known = [(hole, _in_end(end, hole)) for hole in holes]
    depths: dict[EndHole, float] = {}
    clear = math.inf
    for border in borders:
        depth = float(border.depths.min())
        explained = (
            None if border.round else next((own for hole, own in known if own and _is_edge(border, own, hole)), None)
        )
        if explained is None:
            clear = min(clear, depth)
        else:
            depths[explained] = min(depth, depths.get(explained, math.inf))
    return depths, clear


def taken_with(end: TubeEnd, holes: Sequence[EndHole], clear_depth_mm: float) -> TubeEnd:
    """The end, open since its holes go on through the spigot. Its frame is turned so that equal ends get equal ones."""
    turn, ordered = min(
        ((turn, _turned(holes, turn)) for turn in _turns(end, holes)),
        key=lambda each: [order(hole) for hole in each[1]],
    )
    return replace(
        end,
        frame=end.frame.turned(turn) if turn else end.frame,
        holes=ordered,
        clear_depth_mm=clear_depth_mm,
        cause="open",
        reason=OPEN,
        remedy=NOTHING,
    )


def is_level(end: TubeEnd, hole: EndHole) -> bool:
    """Whether a hole is level while a fitting stands on the plane of a rim: on a mitred end it may lean, and its roof
    would hang over the mouth of another layer, too thin to print."""
    return abs(float(mitre_normal(end.mitre_deg, end.mitre_direction_deg) @ hole.direction)) <= _LEVEL


def leaning(end: TubeEnd) -> TubeEnd:
    """The end as it is, with why its holes cannot go on through the spigot."""
    why = ByNumber(
        "its hole lies in the plane of the mitre, would lean as it is printed, and cannot go on through the spigot",
        "their holes lie in the plane of the mitre, would lean as they are printed, and cannot go on through spigots",
    )
    whole = longest_spigot(end.clear_depth_mm)
    remedy = say("leave {} without a fitting: {}", THIS_END, why)
    if whole:
        remedy = say("shorten the spigot to {}: {}", Length(whole), why)
    return replace(end, remedy=remedy)


def offered(end: TubeEnd, holes: Sequence[EndHole]) -> TubeEnd:
    """The end as it is, with what can be done about its holes."""
    whole = longest_spigot(end.clear_depth_mm)
    remedy = say("let {} go on through the spigot or leave {} without a fitting", THE_HOLE, THIS_END)
    if whole:
        remedy = say("shorten the spigot to {} or let {} go on through it", Length(whole), THE_HOLE)
    return replace(end, holes=tuple(holes), remedy=remedy)


def _in_end(end: TubeEnd, hole: Hole) -> EndHole | None:
    """The hole in the frame of an end; None if it leans."""
    x, y, z = end.frame.axes @ hole.axis
    if abs(z) > _SQUARE:
        return None
    px, py, pz = end.frame.to_local(hole.position)
    own = EndHole(hole.diameter_mm, -float(pz), around_deg(x, y), float(x * py - y * px), hole.walls > 1)
    return own.turned(0.0)


def _is_edge(border: BoreBorder, own: EndHole, hole: Hole) -> bool:
    """Whether a border is the edge of a hole in the bore's wall."""
    across = own.across(border.points)
    least, most = own.diameter_mm / 2, max(own.diameter_mm, hole.countersink_mm) / 2
    slack = _ON_HOLE * (1 + least)
    return bool((across > least - slack).all() and (across < most + slack).all())


def _turns(end: TubeEnd, holes: Sequence[EndHole]) -> list[float]:
    """By how much the end's frame may be turned about its axis, and be that of an equal end."""
    outer, bore = end.section.outer, end.section.bore
    if end.mitre_deg or outer.shape not in _TURNS or bore.shape not in _TURNS:
        return [0.0]
    if outer.shape == bore.shape == "circle":
        return [hole.angle_deg + half for hole in holes for half in ((0.0, 180.0) if hole.through else (0.0,))]
    square = outer.shape == bore.shape == "rectangle" and _is_square(end.section)
    return [0.0, 90.0, 180.0, 270.0] if square else [0.0, 180.0]


def _is_square(section: Section) -> bool:
    return all(abs(outline.width - outline.depth) < 1e-3 * outline.width for outline in (section.outer, section.bore))


def _turned(holes: Sequence[EndHole], turn: float) -> tuple[EndHole, ...]:
    return tuple(sorted((hole.turned(-turn) for hole in holes), key=order))


def order(hole: EndHole) -> tuple[float, ...]:
    """By which equal holes of equal ends come in the same order."""
    return round(hole.distance_mm, 1), round(hole.angle_deg) % 360, round(hole.offset_mm, 1)
