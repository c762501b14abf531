# SPDX-License-Identifier: GPL-3.0-or-later
"""Rims of tubes with their sections, and what else ends on each body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .axes import sharpened
from .chunks import Chunks
from .deburring import Deburred, made_sharp
from .fused import BetweenTubes, between
from .prisms import Prism, plain_ends
from .rim_sections import RimSection, read_rim_sections
from .rims import LEAST_LENGTH, SHORTEST, FlatRings, Rims, find_rims
from .surface import Surface
from .walls import WallIndex, WallRuns, trace


@dataclass(frozen=True, eq=False)
class FoundEnds:
    """k rims of tubes, and ends without a rim."""

    surface: Surface
    """With the edges of its rims made sharp."""
    deburred: Sequence[Deburred]
    index: WallIndex
    chunks: Chunks
    rims: Rims
    profiles: Sequence[RimSection]
    runs: WallRuns
    bodies: Sequence[int]
    """The body of each rim, by its outer edge."""
    between: BetweenTubes
    """What fused bodies have besides."""
    plain: Sequence[Prism]
    """Those of ``between`` too."""
    unread: Sequence[int]
    """Bodies that are a single tube of which one end could not be read."""
    endless: Sequence[int]
    """Bodies that look like a tube without any end."""


def find(surface: Surface) -> FoundEnds:
    """The ends of tubes in a surface."""
    index, rings = WallIndex.of(surface), FlatRings.of(surface)
    surface, deburred = made_sharp(surface, index, rings)
    if deburred:
        index, rings = WallIndex.of(surface), FlatRings.of(surface)
    chunks = Chunks.of(surface)
    rims = find_rims(surface, rings)
    rims = sharpened(surface, index, rims)
    read = read_rim_sections(surface, rims, rings)
    rims = rims.taken(np.array([rim for rim, profile in enumerate(read) if profile is not None], np.int64))
    profiles = [profile for profile in read if profile is not None]
    runs = trace(surface, index, chunks, rims, profiles)
    tubes = [rim for rim, profile in enumerate(profiles) if _is_long(profile, runs, rim, bool(rims.single[rim]))]
    rims, runs = rims.taken(np.array(tubes, np.int64)), runs.taken(np.array(tubes, np.int64))
    profiles = [profiles[rim] for rim in tubes]
    bodies = surface.bodies[rims.outer.half_edges[rims.outer.begins[:-1]] // 3].tolist()
    plain, unread, endless = plain_ends(surface, profiles, bodies)
    more = between(surface, index, profiles, bodies, runs, plain)
    return FoundEnds(
        surface, deburred, index, chunks, rims, profiles, runs, bodies, more, [*plain, *more.ends], unread, endless
    )


def _is_long(profile: RimSection, runs: WallRuns, end: int, single: bool) -> bool:
    """Whether a ring is long enough to be a tube, and its outer wall to tell the tube from a collar on it. A single
    loop may be no more than a gap in a surface, so it has to go down further."""
    section = profile.section
    if single:
        return bool(runs.reach[end] >= max(section.outer.width, section.outer.depth))
    side = 2 * section.outer.half_width
    least = max(SHORTEST * side, 2 * section.wall) if profile.ring else LEAST_LENGTH * side
    long = runs.bends[end] or runs.reach[end] >= least
    return bool(long and runs.outer_reach[end] >= section.wall)
