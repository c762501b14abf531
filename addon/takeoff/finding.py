# SPDX-License-Identifier: GPL-3.0-or-later
"""Rims of tubes with their sections, and what else ends on each body."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..geometry.topology import Indices
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
    chunks = Chunks.of(surface, index.order, index.begins)
    rims = find_rims(surface, rings)
    rims = sharpened(surface, index, rims)
    read = read_rim_sections(surface, rims, rings)
    profiles = [profile for profile in read if profile is not None]
    if len(profiles) < len(read):
        rims = rims.taken(np.array([rim for rim, profile in enumerate(read) if profile is not None], np.int64))
    runs = trace(surface, index, chunks, rims, profiles)
    tubes = _long(profiles, runs, rims)
    if len(tubes) < len(profiles):
        rims, runs, profiles = rims.taken(tubes), runs.taken(tubes), [profiles[rim] for rim in tubes.tolist()]
    bodies = surface.bodies[rims.outer.half_edges[rims.outer.begins[:-1]] // 3].tolist()
    plain, unread, endless = plain_ends(surface, profiles, bodies)
    more = between(surface, index, profiles, bodies, runs, plain)
    return FoundEnds(
        surface, deburred, index, chunks, rims, profiles, runs, bodies, more, [*plain, *more.ends], unread, endless
    )


def _long(profiles: Sequence[RimSection], runs: WallRuns, rims: Rims) -> Indices:
    """Which rings are long enough to be tubes, and their outer walls to tell the tube from a collar on it. A single
    loop may be no more than a gap in a surface, so it has to go down further."""
    sections = [profile.section for profile in profiles]
    sizes = np.array([(section.outer.width, section.outer.depth, section.wall) for section in sections])
    width, depth, wall = sizes.reshape(-1, 3).T
    side, ring = np.minimum(width, depth), np.array([profile.ring for profile in profiles], bool)
    least = np.where(ring, np.maximum(SHORTEST * side, 2 * wall), LEAST_LENGTH * side)
    long = (runs.bends | (runs.reach >= least)) & (runs.outer_reach >= wall)
    return np.flatnonzero(np.where(rims.single, runs.reach >= np.maximum(width, depth), long))
