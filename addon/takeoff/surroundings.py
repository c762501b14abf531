# SPDX-License-Identifier: GPL-3.0-or-later
"""Ends that nothing can be brought to: they lie inside something that closes them in all around."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry import polygons
from ..geometry.frames import Floats, taken
from ..geometry.topology import Indices, spans
from .chunks import Chunks
from .rim_sections import RimSection, rim_corners
from .surface import Surface

_RAYS = 32
_CROWN = 0.03
"""Room that a crown needs beside the tube, as a share of the width."""
_HAND = 1.5
"""Widths from the axis within which a wall all around keeps fingers with a fitting out."""


def surrounding(
    surface: Surface, chunks: Chunks, profiles: Sequence[RimSection], bodies: Sequence[int], needed: Floats
) -> Indices:
    """(k,): the body whose walls close each end in, -1 if there is none. ``bodies`` are the ends' own.

    A wall close around blocks from half the spigot's length (``needed``, (k,) mm) in front of the rim, a wider one
    where it goes on for as far as the tube is wide.
    """
    if not profiles:
        return np.empty(0, np.int64)
    widths = np.array([profile.section.outer.width for profile in profiles])
    round_ones = np.array([profile.section.outer.shape == "circle" for profile in profiles])
    depths = np.array([profile.section.outer.depth for profile in profiles])
    reach = np.where(round_ones, widths, np.hypot(widths, depths)) / 2
    corners, begins = rim_corners(profiles)
    tops = np.maximum.reduceat(corners[:, 2], begins)
    low, high = tops + needed / 2, tops + np.maximum(needed, widths)
    close_by, around = reach + _CROWN * widths, reach + (_HAND - 0.5) * widths
    without = np.where(_own_tops(surface, profiles, bodies) < low, np.asarray(bodies), -1)  # too low to close itself in
    closing = np.full(len(profiles), -1, np.int64)
    wide = _around(surface, chunks, profiles, without, low, around)
    some = np.flatnonzero(wide >= 0)  # what is closed in closely is so widely too, and hardly any end is
    if some.size:
        few = [profiles[end] for end in some.tolist()]
        close = _around(surface, chunks, few, without[some], low[some], close_by[some])
        above = _around(surface, chunks, few, without[some], high[some], around[some])
        closing[some] = np.where(close >= 0, close, np.where(above == wide[some], above, -1))
    return closing


def _own_tops(surface: Surface, profiles: Sequence[RimSection], bodies: Sequence[int]) -> Floats:
    """(k,): how far each end's own body reaches in front of the rim, along the axis."""
    corners, owners = surface.triangles.ravel(), np.repeat(surface.bodies, 3)
    body_of = np.full(len(surface.vertices), -1)
    body_of[corners] = owners
    others = np.flatnonzero(body_of.take(corners) != owners)  # bodies that touch may share corners
    vertices = np.concatenate([np.arange(len(body_of)), corners[others]])
    body_of = np.concatenate([body_of, owners[others]])
    order = np.argsort(body_of, kind="stable")
    begins = np.searchsorted(body_of[order], np.arange(len(surface.body_names) + 1))
    end, place = spans(begins, np.asarray(bodies, np.int64))
    origins = np.array([profile.frame.origin for profile in profiles])
    axes = np.array([profile.frame.z for profile in profiles])
    heights = np.einsum("ij,ij->i", surface.points(vertices[order.take(place)]), taken(axes, end))
    tops = np.maximum.reduceat(heights, np.searchsorted(end, np.arange(len(profiles))))
    return tops - np.einsum("ij,ij->i", origins, axes)


def _around(
    surface: Surface, chunks: Chunks, profiles: Sequence[RimSection], without: Indices, heights: Floats, reach: Floats
) -> Indices:
    """(k,): the body that most rays square to the axis at ``heights`` meet within ``reach``, if all meet something.

    The body ``without`` (k,) is not looked at.
    """
    count = len(profiles)
    origins = np.array([profile.frame.origin for profile in profiles])
    axes = np.array([profile.frame.axes for profile in profiles])
    low, high = np.column_stack([-reach, -reach, heights]), np.column_stack([reach, reach, heights])
    query, chunk = chunks.tree.near(origins, axes, low, high)
    other = surface.bodies[chunks.firsts(chunk)] != without[query]
    query, chunk = query[other], chunk[other]
    owner, triangle = chunks.triangles(chunk)
    query = query[owner]
    corners = surface.corners(triangle) - taken(origins, query)[:, None]
    levels = np.einsum("kj,kcj->kc", taken(axes[:, 2], query), corners) - heights[query, None]
    cut = np.flatnonzero((levels.min(axis=1) < 0) & (levels.max(axis=1) >= 0))
    query, triangle, levels = query[cut], triangle[cut], levels[cut]
    flat = np.einsum("kij,kcj->kci", axes[query, :2], corners[cut])
    start, end = _cut_lines(flat, levels)
    met = _met(start, end, reach[query])
    seen = np.zeros((count, _RAYS), bool)
    np.logical_or.at(seen, query, met)
    closing = np.full(count, -1, np.int64)
    for closed in np.flatnonzero(seen.all(axis=1)).tolist():
        here = query == closed
        closing[closed] = np.bincount(surface.bodies[triangle[here]], met[here].sum(axis=1)).argmax()
    return closing


def _cut_lines(corners: Floats, levels: Floats) -> tuple[Floats, Floats]:
    """Where triangles (n, 3, 2) whose corners lie at ``levels`` (n, 3) above and below nought pass through it."""
    above = levels >= 0
    single = above.sum(axis=1) == 1
    lone = np.where(single, above.argmax(axis=1), (~above).argmax(axis=1))
    turned = (lone[:, None] + np.arange(3)) % 3
    row = np.arange(len(corners))[:, None]
    corners, levels = corners[row, turned], levels[row, turned]
    share = levels[:, :1] / (levels[:, :1] - levels[:, 1:])
    points = corners[:, :1] + share[..., None] * (corners[:, 1:] - corners[:, :1])
    return points[:, 0], points[:, 1]


def _met(start: Floats, end: Floats, reach: Floats) -> np.ndarray:
    """(n, rays): which rays from the origin meet each line from ``start`` to ``end`` (n, 2) within ``reach`` (n,)."""
    # Turned a little, so that no ray runs along an edge drawn square.
    angles = (np.arange(_RAYS) + 0.37) * 2 * np.pi / _RAYS
    rays = np.column_stack([np.cos(angles), np.sin(angles)])
    before, after = polygons.cross(rays, start[:, None]), polygons.cross(rays, end[:, None])
    distance = polygons.cross(start, end)[:, None] / np.where(after == before, np.inf, after - before)
    return ((before < 0) != (after < 0)) & (distance > 0) & (distance <= reach[:, None])
