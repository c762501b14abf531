# SPDX-License-Identifier: GPL-3.0-or-later
"""The takeoff from end to end: meshes in, tube ends out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from ..geometry.mesh import Mesh
from ..geometry.sections import Section
from ..trade.sizes import size_fit
from .axes import sharpened
from .boxes import Chunks
from .clearance import clearances
from .doubt import SizeFit, doubt_unit
from .ends import Takeoff, TubeEnd
from .profiles import Profile, read_profiles
from .rims import find_rims
from .surface import read_surface
from .verdicts import Verdict, joints, judge
from .walls import WallIndex, trace

LEAST_LENGTH = 0.75
"""A ring whose outer wall is shorter than this share of its smaller side is a washer, a nut or a hole in a plate."""


def take_off(
    meshes: Sequence[Mesh],
    needed_depth_mm: float | Callable[[Section], float],
    *,
    wall_mm: float | None = None,
    unit_given: bool = True,
    size_fit: SizeFit = size_fit,
) -> Takeoff:
    """Every tube end in ``meshes``, open or not, with the reason where it is not.

    An end is open if a spigot ``needed_depth_mm`` long could go in: one length for all, or what a section needs.
    ``wall_mm`` is the wall of tubes of which only the outer surface is modelled. Where the file gave no unit
    (``unit_given`` false), sections that make tube sizes only at another scale raise a doubt;
    ``size_fit(sections, factor)`` says what share of them are in the tables.

    Raises ``TakeoffError`` for arrays that make no mesh, and ``ValueError`` for lengths that make no sense.
    """
    if wall_mm is not None:
        _check_length(wall_mm, "wall")
    surface = read_surface(meshes)
    index = WallIndex.of(surface)
    rims, face_loops, faces = find_rims(surface)
    rims = sharpened(surface, index, rims)
    read = read_profiles(surface, rims, face_loops, faces)
    kept = np.array([rim for rim, profile in enumerate(read) if profile is not None], np.int64)
    rims, profiles = rims.taken(kept), [profile for profile in read if profile is not None]
    chunks = Chunks.of(surface)
    runs = trace(surface, index, chunks, rims, profiles)
    tubes = [
        runs.bends[end] or runs.reach[end] >= LEAST_LENGTH * 2 * profile.section.outer.half_width
        for end, profile in enumerate(profiles)
    ]
    needed = np.array([_depth_for(profile.section, needed_depth_mm) for profile in profiles])
    cleared = clearances(surface, chunks, profiles, runs, needed)
    bodies = surface.bodies[rims.bore.half_edges[rims.bore.begins[:-1]] // 3].tolist()
    met = joints(profiles, needed)
    ends = []
    for end, profile in enumerate(profiles):
        if not tubes[end]:
            continue
        name = surface.body_names[bodies[end]]
        joint = met.get(end)
        partner = (surface.body_names[bodies[joint.other]], joint.distance) if joint else None
        verdict = judge(surface, profile, bodies[end], runs, end, cleared[end], partner, float(needed[end]))
        if rims.single[end]:
            profile, verdict = _with_wall(profile, verdict, wall_mm)
        ends.append(
            TubeEnd(
                source=name,
                section=profile.section,
                frame=profile.frame,
                mitre_deg=profile.mitre_deg,
                mitre_direction_deg=profile.mitre_direction_deg,
                clear_depth_mm=verdict.clear_depth,
                cause=verdict.cause,
                reason=verdict.reason,
            )
        )
    doubt = None if unit_given else doubt_unit([end.section for end in ends], size_fit)
    return Takeoff(tuple(ends), doubt, surface.notes)


def _check_length(value: float, words: str) -> float:
    if not (np.isfinite(value) and value > 0):
        raise ValueError(f"the {words} has to be a length above 0 mm, not {value:g}")
    return float(value)


def _depth_for(section: Section, needed: float | Callable[[Section], float]) -> float:
    return _check_length(needed(section) if callable(needed) else needed, "spigot's depth")


def _with_wall(profile: Profile, verdict: Verdict, wall_mm: float | None) -> tuple[Profile, Verdict]:
    """A tube of which only the outer surface is there, with the wall that was given."""
    outer = profile.section.outer
    if wall_mm is None:
        if verdict.cause == "open":
            verdict = replace(
                verdict, cause="no wall", reason="Only the outer surface is modelled; give the wall of the tube"
            )
        return profile, verdict
    try:
        bore = outer.offset(-wall_mm)
    except ValueError:
        reason = f"The wall given, {wall_mm:g} mm, leaves no bore in this tube; give a thinner one"
        return profile, replace(verdict, cause="no wall", reason=reason)
    return replace(profile, section=Section(outer, bore)), verdict
