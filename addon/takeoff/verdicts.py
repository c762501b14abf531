# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a spigot could go into an end, and the sentence that says what to do where it could not."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry import polygons, topology
from ..geometry.frames import Floats
from ..geometry.names import quoted
from ..geometry.units import say_mm
from .clearance import Clearance, Obstacle
from .ends import Cause
from .rim_sections import RimSection
from .surface import Surface
from .walls import WallRuns

_BARS_ALL = 0.9
"""Share of the bore that a plate or plug covers at least; less is a bolt or pin that crosses it."""
_OPPOSITE = -0.999
_AT_RIM = 2e-3
"""Share of the width within which something is at the rim."""


@dataclass(frozen=True)
class Verdict:
    cause: Cause
    clear_depth: float
    reason: str


def judged(
    surface: Surface,
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
            verdicts.append(Verdict("blocked", 0.0, _joined(surface.body_names[bodies[other]], distance)))
        else:
            verdicts.append(_judge(surface, profile, bodies[end], runs, end, clearances[end], float(needed[end])))
    return verdicts


def unfit(departure: float) -> Verdict:
    """The verdict on a cope, whose rim departs from a plane, or on the flat end of a solid bar."""
    if departure <= 0:
        return Verdict("solid", 0.0, "A solid bar has no bore; leave this end without a fitting")
    reason = f"Coped: the rim departs {say_mm(departure)} from a plane; cut it flat or leave it without a fitting"
    return Verdict("coped", 0.0, reason)


def closed_in(name: str) -> Verdict:
    """The verdict on an end that lies inside ``name``."""
    reason = (
        f"Inside {quoted(name)}: a spigot could not be brought to it; leave this end without a fitting or move the tube"
    )
    return Verdict("blocked", 0.0, reason)


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
    found: dict[int, tuple[int, float]] = {}
    for one, other in zip(a[facing].tolist(), b[facing].tolist(), strict=True):
        for own, against in ((one, other), (other, one)):
            gap = _gap(profiles[own], profiles[against], reach[own])
            if gap is not None and (own not in found or gap < found[own][1]):
                found[own] = against, gap
    return found


def _gap(profile: RimSection, other: RimSection, reach: float) -> float | None:
    """How far in front of the rim, along the axis, the rim of another tube lies; None where it is not in the way."""
    width = profile.section.outer.width
    arm = other.frame.origin - profile.frame.origin
    distance = float(arm @ profile.rim_normal) / float(profile.rim_normal @ profile.frame.z)
    aside = float(np.linalg.norm(arm - distance * profile.frame.z))
    around = other.section.bore.half_width > math.hypot(width, profile.section.outer.depth) / 2
    if around or aside >= 0.5 * width or not -10 * _AT_RIM * width < distance <= reach:
        return None
    return distance if distance > _AT_RIM * width else 0.0


def _judge(
    surface: Surface, profile: RimSection, body: int, runs: WallRuns, end: int, clearance: Clearance, needed: float
) -> Verdict:
    at_rim = _AT_RIM * profile.section.outer.width
    straight = float(runs.straight[end])
    if clearance.in_front is not None:
        name = _named(surface, clearance.in_front, body)
        return Verdict("blocked", 0.0, _in_front(name, clearance.in_front.distance))
    inside = clearance.inside
    if inside is not None and inside.distance <= at_rim:
        return Verdict("blocked", 0.0, _in_front(_named(surface, inside, body), 0.0))
    depth = min(straight, inside.distance) if inside is not None else straight
    if depth >= needed:
        return Verdict("open", depth, "open")
    if inside is not None and inside.distance < straight + 0.1 * profile.section.outer.width:
        name = _named(surface, inside, body)
        if inside.through_wall and inside.cover < _BARS_ALL:
            return Verdict("crossed", depth, f"Crossed by {name} {say_mm(depth)} down the bore; {_shorter(depth)}")
        return Verdict("blocked", depth, f"Blocked by {name}, {say_mm(depth)} down the bore; {_shorter(depth)}")
    return _wall_ends(surface, profile, runs, end, depth)


def _wall_ends(surface: Surface, profile: RimSection, runs: WallRuns, end: int, depth: float) -> Verdict:
    """The verdict where the bore's own wall ends too soon, by what lies across its border there."""
    stop = int(runs.stop[end])
    if stop >= 0 and not _goes_round(surface, profile, stop, runs.piece(surface, end)):
        return Verdict("crossed", depth, f"Crossed by a hole {say_mm(depth)} down the bore; {_shorter(depth)}")
    if runs.bends[end]:
        reason = f"The tube runs straight for {say_mm(depth)} only, then it bends; {_shorter(depth)}"
        return Verdict("too short", depth, reason)
    return Verdict("too short", depth, f"The bore is {say_mm(depth)} deep only; {_shorter(depth)}")


def _goes_round(surface: Surface, profile: RimSection, stop: int, piece: NDArray[np.bool_]) -> bool:
    """Whether the border of a piece of wall at the half-edge ``stop`` runs around the bore, not around a spot in it."""
    half = (3 * np.flatnonzero(piece)[:, None] + np.arange(3)).ravel()
    twins = surface.twins[half]
    border, begins = topology.borders(surface.twins, half[(twins < 0) | ~piece[twins // 3]])
    loop = int(np.searchsorted(begins, np.flatnonzero(border == stop)[0], side="right")) - 1
    border = border[begins[loop] : begins[loop + 1]]
    around = profile.frame.to_local(surface.points(surface.starts[border]))[:, :2]
    ahead = np.roll(around, -1, axis=0)
    turns = np.arctan2(polygons.cross(around, ahead), np.einsum("ij,ij->i", around, ahead))
    return abs(float(turns.sum())) > np.pi


def _named(surface: Surface, obstacle: Obstacle, body: int) -> str:
    name = quoted(surface.body_names[obstacle.body])
    return f"another part of {name}" if obstacle.body == body else name


def _in_front(name: str, distance: float) -> str:
    if distance > 0:
        return (
            f"Blocked by {name}, {say_mm(distance)} in front of the end; leave this end without a fitting or make room"
        )
    return f"Blocked by {name}, at the rim; leave this end without a fitting or move what is there"


def _joined(name: str, distance: float) -> str:
    if distance > 0:
        return f"Faces the end of {quoted(name)}, {say_mm(distance)} away; leave this end without a fitting"
    return f"Joined to {quoted(name)}; leave this end without a fitting"


def _shorter(depth: float) -> str:
    """What to do where a spigot would have to be shorter."""
    whole = int(depth)
    if whole >= 2:
        return f"shorten the spigot to {whole} mm or leave this end without a fitting"
    return "leave this end without a fitting"
