# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a spigot could go into an end, and the sentence that says what to do where it could not."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from manifold3d import CrossSection

from ..fields.messages import IT, NOTHING, THIS_END, Length, Message, Name, say
from ..geometry import polygons, topology
from ..geometry.frames import Floats
from ..geometry.sections import Outline
from .clearance import Clearance, Obstacle
from .ends import OPEN, Cause, longest_spigot
from .prisms import Prism
from .rim_sections import RimSection
from .surface import Surface
from .walls import WallIndex, WallRuns

_BARS_ALL = 0.9
"""Share of the bore that a plate or plug covers at least; less is a bolt or pin that crosses it."""
_FULLEST_OPEN = 0.85
"""Share of its hull that an open section fills at most; bars with a keyway fill more."""
_OPPOSITE = -0.999
_AT_RIM = 2e-3
"""Share of the width within which something is at the rim."""
_LEAVE = say("leave {} without a fitting", THIS_END)


@dataclass(frozen=True)
class Verdict:
    cause: Cause
    clear_depth: float
    reason: Message
    remedy: Message = NOTHING


def judged(
    surface: Surface,
    index: WallIndex,
    profiles: Sequence[RimSection],
    bodies: Sequence[int],
    runs: WallRuns,
    clearances: Sequence[Clearance],
    needed: Floats,
    facing: Mapping[int, tuple[int, float]],
) -> list[Verdict]:
    """The verdict on each of k ends: whether a spigot ``needed`` (k,) mm long could go in; ``facing`` as
    ``facing_ends`` has it."""
    verdicts = []
    for end, profile in enumerate(profiles):
        other, distance = facing.get(end, (end, math.inf))
        if distance <= needed[end]:
            verdicts.append(_joined(surface.body_names[bodies[other]], distance))
        else:
            depth = float(needed[end])
            verdicts.append(_judge(surface, index, profile, bodies[end], runs, end, clearances[end], depth))
    return verdicts


def unfit(name: str, end: Prism) -> Verdict:
    """The verdict on an end without a rim, of the body called ``name``."""
    if not end.bar and not end.departure:
        return Verdict("blocked", 0.0, say("Ends on another part of {}", Name(name)), _LEAVE)
    if end.bar and _is_open_section(end.profile.section.outer):
        return Verdict("profile", 0.0, say("An open section, such as an angle or a channel, has no bore"), _LEAVE)
    if end.bar:
        return Verdict("solid", 0.0, say("A solid bar has no bore"), _LEAVE)
    reason = say("Coped or notched: the rim departs {} from a plane", Length(end.departure))
    return Verdict("coped", 0.0, reason, say("cut {it} flat or leave {it} without a fitting", it=IT))


def _is_open_section(outline: Outline) -> bool:
    """Whether an outline leaves much of its hull empty, as those of angles, channels, tees and slotted tubes do."""
    if outline.points is None:
        return False
    corners = CrossSection([outline.points])
    return corners.area() < _FULLEST_OPEN * corners.hull().area()


def closed_in(name: str) -> Verdict:
    """The verdict on an end that lies inside ``name``."""
    reason = say("Inside {}: a spigot could not be brought to it", Name(name))
    return Verdict("blocked", 0.0, reason, say("leave {} without a fitting or move the tube", THIS_END))


def facing_ends(profiles: Sequence[RimSection], needed: Floats) -> dict[int, tuple[int, float]]:
    """Ends that face another end, within ``needed`` (k,) mm or half their width: which that is and how far away. Two
    mitres of a corner, two tubes butted in line."""
    if not profiles:
        return {}
    origins = np.array([profile.frame.origin for profile in profiles])
    normals = np.array([profile.rim_normal for profile in profiles])
    widths = np.array([profile.section.outer.width for profile in profiles])
    reach = np.maximum(needed, 0.5 * widths)
    a, b = topology.close_pairs(origins, np.zeros(len(origins), np.int64), reach + 0.5 * widths)
    facing = np.einsum("ij,ij->i", normals[a], normals[b]) < _OPPOSITE
    nearest: dict[int, tuple[int, float]] = {}
    for first, second in zip(a[facing].tolist(), b[facing].tolist(), strict=True):
        for end, against in ((first, second), (second, first)):
            gap = _gap(profiles[end], profiles[against], reach[end])
            if gap is not None and (end not in nearest or gap < nearest[end][1]):
                nearest[end] = against, gap
    return nearest


def parted(facing: Mapping[int, tuple[int, float]], bodies: Sequence[int], clearances: Sequence[Clearance]) -> set[int]:
    """Those of the ends that face another end which have a third body between the two."""

    def hidden(end: int, other: int, gap: float) -> bool:
        nearest = clearances[end].in_front
        return nearest is not None and nearest.distance < gap and nearest.body not in (bodies[end], bodies[other])

    return {end for end, (other, gap) in facing.items() if hidden(end, other, gap) or hidden(other, end, gap)}


def depth_beside(body: int, runs: WallRuns, clearances: Sequence[Clearance], end: int) -> float:
    """How far down the bore of an end a spigot could go if ``body``, which it faces, were not there."""
    inside, straight = clearances[end].inside, float(runs.straight[end])
    return straight if inside is None or inside.body == body else min(straight, inside.distance)


def _gap(profile: RimSection, other: RimSection, reach: float) -> float | None:
    """How far in front of the rim, along the axis, the rim of another tube lies; None if it is not in the way."""
    width = profile.section.outer.width
    arm = other.frame.origin - profile.frame.origin
    distance = float(arm @ profile.rim_normal) / float(profile.rim_normal @ profile.frame.z)
    aside = float(np.linalg.norm(arm - distance * profile.frame.z))
    around = other.section.bore.half_width > math.hypot(width, profile.section.outer.depth) / 2
    if around or aside >= 0.5 * width or not -10 * _AT_RIM * width < distance <= reach:
        return None
    return distance if distance > _AT_RIM * width else 0.0


def _judge(
    surface: Surface,
    index: WallIndex,
    profile: RimSection,
    body: int,
    runs: WallRuns,
    end: int,
    clearance: Clearance,
    needed: float,
) -> Verdict:
    at_rim = _AT_RIM * profile.section.outer.width
    straight = float(runs.straight[end])
    inside, in_front = clearance.inside, clearance.in_front
    touching = [near for near in (in_front, inside) if near is not None and near.distance <= at_rim]
    if touching:
        return _in_front(_named(surface, max(touching, key=lambda near: near.cover), body), 0.0)
    if in_front is not None:
        return _in_front(_named(surface, in_front, body), in_front.distance)
    depth = min(straight, inside.distance) if inside is not None else straight
    if depth >= needed:
        return Verdict("open", depth, OPEN)
    if inside is not None and inside.distance < straight + 0.1 * profile.section.outer.width:
        name = _named(surface, inside, body)
        if inside.through_wall and inside.cover < _BARS_ALL:
            reason = say("Crossed by {} {} down the bore", name, Length(depth))
            return Verdict("crossed", depth, reason, _shorter(depth))
        reason = say("Blocked by {}, {} down the bore", name, Length(depth))
        return Verdict("blocked", depth, reason, _shorter(depth))
    return _wall_ends(surface, index, profile, runs, end, depth)


def _wall_ends(
    surface: Surface, index: WallIndex, profile: RimSection, runs: WallRuns, end: int, depth: float
) -> Verdict:
    """The verdict where the bore's own wall ends too soon, by what lies across its border there."""
    width = profile.section.outer.width
    if depth <= _AT_RIM * width and runs.reach[end] > width:
        reason = say("The walls of the bore are too uneven to follow from the rim")
        return Verdict(
            "too short", depth, reason, say("export the model finer or leave {} without a fitting", THIS_END)
        )
    if runs.stop[end] >= 0 and not _goes_round(surface, index, profile, runs, end):
        reason = say("Crossed by a hole {} down the bore", Length(depth))
        return Verdict("crossed", depth, reason, _shorter(depth))
    if runs.bends[end]:
        reason = say("The tube runs straight for only {}, then it bends", Length(depth))
    else:
        reason = say("The bore is only {} deep", Length(depth))
    return Verdict("too short", depth, reason, _shorter(depth))


def _goes_round(surface: Surface, index: WallIndex, profile: RimSection, runs: WallRuns, end: int) -> bool:
    """Whether the border of a bore at which its wall first ends runs around the bore, not around a spot in it."""
    border, begins = runs.borders(surface, index, end)
    loop = int(np.searchsorted(begins, np.flatnonzero(border == runs.stop[end])[0], side="right")) - 1
    border = border[begins[loop] : begins[loop + 1]]
    return polygons.goes_round(profile.frame.to_local(surface.points(surface.starts[border]))[:, :2])


def _named(surface: Surface, obstacle: Obstacle, body: int) -> Message:
    name = Name(surface.body_names[obstacle.body])
    return say("another part of {}", name) if obstacle.body == body else say("{}", name)


def _in_front(name: Message, distance: float) -> Verdict:
    if distance > 0:
        reason = say("Blocked by {}, {} in front of the end", name, Length(distance))
        return Verdict("blocked", 0.0, reason, say("leave {} without a fitting or make room", THIS_END))
    remedy = say("leave {} without a fitting or move what is there", THIS_END)
    return Verdict("blocked", 0.0, say("Blocked at the rim by {}", name), remedy)


def _joined(name: str, distance: float) -> Verdict:
    if distance > 0:
        return Verdict("blocked", 0.0, say("Faces the end of {}, {} away", Name(name), Length(distance)), _LEAVE)
    return Verdict("blocked", 0.0, say("Joined to {}", Name(name)), _LEAVE)


def _shorter(depth: float) -> Message:
    """What to do where a spigot would have to be shorter."""
    whole = longest_spigot(depth)
    return say("shorten the spigot to {} or leave {} without a fitting", Length(whole), THIS_END) if whole else _LEAVE
