# SPDX-License-Identifier: GPL-3.0-or-later
"""What stands in the way of a spigot: everything that reaches into the bore or lies in front of it, exactly.

Around each end the mesh is sheared so that the third coordinate is the depth below the rim along the axis: then the
rim is level whatever its mitre, and the bore is an upright prism. A triangle cut by the prism is highest or lowest at
one of its own corners, where one of its edges meets the prism's side, or under one of the prism's edges.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from manifold3d import CrossSection, FillRule
from numpy.typing import NDArray

from ..geometry import polygons
from ..geometry.frames import Floats, taken
from ..geometry.sections import Outline
from ..geometry.topology import Indices
from .chunks import Chunks
from .rim_sections import RimSection, rim_corners
from .surface import Surface
from .walls import WallRuns

_MARGIN_MM_PER_MM = 0.006
"""Share of its width by which the prism stays inside the bore's wall: what only grazes the wall is not in the way."""
_AT_RIM = 2e-3
"""Share of the width within which something is at the rim."""
_BEYOND = 50
"""How far past the end of the bore's wall to look, in such shares: for the bolt in the hole that ends it."""
_FACING = 0.05


@dataclass(frozen=True, eq=False)
class Obstacle:
    """The first thing on one side of the rim."""

    body: int
    distance: float
    """From the rim along the axis, in mm; 0 at the rim."""
    cover: float
    """Share of the bore that the body takes up, seen along the axis."""
    through_wall: bool
    """The body reaches into the tube's wall or past it."""


@dataclass(frozen=True, eq=False)
class Clearance:
    inside: Obstacle | None
    in_front: Obstacle | None


def clearances(
    surface: Surface, chunks: Chunks, profiles: Sequence[RimSection], runs: WallRuns, needed: Floats
) -> list[Clearance]:
    """For each end what is in its bore, down to where the wall ends, and within ``needed`` (k,) mm in front of it."""
    results = [Clearance(None, None) for _ in profiles]
    if not profiles:
        return results
    query, triangle = _candidates(surface, chunks, profiles, runs, needed)
    order = np.argsort(query, kind="stable")
    query, triangle = query[order], triangle[order]
    begins = np.append(np.flatnonzero(np.diff(query, prepend=-1)), len(query))
    for begin, stop in pairwise(begins.tolist()):
        end, candidates = int(query[begin]), triangle[begin:stop]
        if end in runs.pieces:
            candidates = np.setdiff1d(candidates, runs.pieces[end])
        around = _Around.of(surface, profiles[end], candidates)
        results[end] = around.clearance(float(runs.straight[end]), float(needed[end]))
    return results


def _candidates(
    surface: Surface, chunks: Chunks, profiles: Sequence[RimSection], runs: WallRuns, needed: Floats
) -> tuple[Indices, Indices]:
    """Pairs of end and triangle whose boxes overlap around the end, but for the tube's own walls."""
    origins = np.array([profile.frame.origin for profile in profiles])
    axes = np.array([profile.frame.axes for profile in profiles])
    low, high = _prism_boxes(profiles, runs.straight, needed)
    query, chunk = chunks.tree.near(origins, axes, low, high)

    keys = query * runs.walls + surface.walls[chunks.firsts(chunk)]
    of_tube = np.zeros(len(keys), bool)
    if len(runs.own):
        of_tube = runs.own[np.minimum(np.searchsorted(runs.own, keys), len(runs.own) - 1)] == keys
    query, chunk = query[~of_tube], chunk[~of_tube]
    owner, triangle = chunks.triangles(chunk)
    query = query[owner]
    arms = surface.corners(triangle) - taken(origins, query)[:, None]
    local = np.einsum("kij,kcj->kci", taken(axes, query), arms)
    near = ((local.min(axis=1) <= taken(high, query)) & (local.max(axis=1) >= taken(low, query))).all(axis=1)
    query, triangle, local = query[near], triangle[near], local[near]
    near = crosses_box(local[..., :2], low[query, :2], high[query, :2])
    return query[near], triangle[near]


def crosses_box(corners: Floats, low: Floats, high: Floats) -> NDArray[np.bool_]:
    """Which triangles (n, 3, 2) are not parted from their boxes (n, 2) by the line of one of their own edges."""
    middle, half = (low + high) / 2, (high - low) / 2
    apart = np.zeros(len(corners), bool)
    for corner in range(3):
        start, along = corners[:, corner], corners[:, (corner + 1) % 3] - corners[:, corner]
        apex = polygons.cross(along, corners[:, (corner + 2) % 3] - start)
        box = polygons.cross(along, middle - start)
        reach = np.abs(along[:, 0]) * half[:, 1] + np.abs(along[:, 1]) * half[:, 0]
        apart |= (np.maximum(apex, 0.0) < box - reach) | (np.minimum(apex, 0.0) > box + reach)
    return ~apart


def _prism_boxes(profiles: Sequence[RimSection], straight: Floats, needed: Floats) -> tuple[Floats, Floats]:
    """The boxes, in each end's frame, around the bore and what is in front of it."""
    points, begins = rim_corners(profiles)
    low, high = np.minimum.reduceat(points, begins), np.maximum.reduceat(points, begins)
    margins = np.array([_margin(profile.section.bore) for profile in profiles])
    low[:, :2] += margins[:, None]
    high[:, :2] -= margins[:, None]
    widths = np.array([profile.section.outer.width for profile in profiles])
    low[:, 2] -= straight + _BEYOND * _AT_RIM * widths
    high[:, 2] += needed
    return low, high


def _margin(bore: Outline) -> float:
    return _MARGIN_MM_PER_MM * min(bore.width, bore.depth)


@dataclass(frozen=True, eq=False)
class _Around:
    """The triangles around one end, sheared so that the third coordinate is the depth below the rim."""

    surface: Surface
    triangles: Indices
    corners: Floats
    """(n, 3, 3)."""
    facing: Floats
    """(n,): how far each triangle's normal points out of the tube, as a cosine."""
    bore: Floats
    prism: CrossSection
    at_rim: float
    """How near the rim something is at it, in mm."""

    @classmethod
    def of(cls, surface: Surface, profile: RimSection, triangles: Indices) -> _Around:
        corners = profile.frame.to_local(surface.corners(triangles).reshape(-1, 3))
        corners[:, 2] = corners[:, :2] @ profile.rim_slope - corners[:, 2]
        at_rim = _AT_RIM * profile.section.outer.width
        corners[np.abs(corners[:, 2]) < at_rim / 4, 2] = 0.0
        whole = CrossSection([profile.bore], FillRule.EvenOdd)
        prism = whole.offset(-_margin(profile.section.bore), miter_limit=4.0).simplify(1e-6)
        facing = surface.normals[triangles] @ profile.frame.z
        return cls(surface, triangles, corners.reshape(-1, 3, 3), facing, profile.bore, prism, at_rim)

    def clearance(self, straight: float, needed: float) -> Clearance:
        if self.prism.is_empty():
            return Clearance(None, None)
        below, owners_below, above, owners_above = split_at_rim(self.corners)
        inside = self._first(below, owners_below, 1.0, straight, straight + _BEYOND * self.at_rim)
        return Clearance(inside, self._first(above, owners_above, -1.0, needed, needed))

    def _first(self, parts: Floats, owners: Indices, down: float, sight: float, limit: float) -> Obstacle | None:
        """The nearest body on one side of the rim, ``down`` 1 below it and -1 above, within ``limit`` mm."""
        distances = nearest_levels(self.prism, parts[..., :2], parts[..., 2] * down, self.at_rim / 4)
        distance = float(distances.min(initial=np.inf))
        if distance > limit:
            return None
        nearest = owners[distances <= distance + self.at_rim / 4]
        bodies = self.surface.bodies[self.triangles]
        # The nearest face of a solid looks away from the rim: then the rim is inside that solid, unless it is the far
        # side of an edge that points at the rim.
        closed, facing = self.surface.body_closed[bodies[nearest]], self.facing[nearest] * down
        away, towards = (bodies[nearest[closed & side]] for side in (facing < -_FACING, facing > _FACING))
        if distance <= self.at_rim or (distance < sight and np.setdiff1d(away, towards).size):
            distance = 0.0
        # Of bodies that are equally near, the one that covers most of the bore is in the way.
        alike = np.unique(bodies[nearest]).tolist()
        covers = {body: _cover(self.corners[bodies == body, :, :2], self.prism) for body in alike}
        body = max(alike, key=lambda candidate: covers[candidate])
        corners = self.corners[bodies == body, :, :2]
        past = corners.min(axis=(0, 1)) < self.bore.min(axis=0) - self.at_rim
        past |= corners.max(axis=(0, 1)) > self.bore.max(axis=0) + self.at_rim
        return Obstacle(body, distance, covers[body], bool(past.any()))


def _cover(triangles: Floats, prism: CrossSection) -> float:
    """Share of the prism that triangles (n, 3, 2) cover."""
    areas = polygons.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    wound = np.where(areas[:, None, None] < 0, triangles[:, ::-1], triangles)[np.abs(areas) > 1e-9]
    return float((CrossSection(list(wound), FillRule.Positive) ^ prism).area() / prism.area()) if len(wound) else 0.0


def split_at_rim(sheared: Floats) -> tuple[Floats, Indices, Floats, Indices]:
    """Triangles cut at the rim: those parts below it with the triangle they come from, and those above it."""
    depth = sheared[..., 2]
    below, above = (depth >= 0).all(axis=1), (depth <= 0).all(axis=1)
    cut = np.flatnonzero(~below & ~above)
    parts: dict[bool, list[Floats]] = {True: [sheared[below]], False: [sheared[above & ~below]]}
    owners: dict[bool, list[Indices]] = {True: [np.flatnonzero(below)], False: [np.flatnonzero(above & ~below)]}
    positive = depth[cut] > 0
    single = positive.sum(axis=1) == 1
    # Turn each so that its first corner is alone on its side.
    lone = np.where(single, positive.argmax(axis=1), (depth[cut] <= 0).argmax(axis=1))
    corners = sheared[cut][np.arange(len(cut))[:, None], (lone[:, None] + np.arange(3)) % 3]
    first, second, third = corners[:, 0], corners[:, 1], corners[:, 2]
    a, b = _at_level(first, second), _at_level(first, third)
    for side in (True, False):
        alone = single == side
        parts[side] += [np.stack([first, a, b], axis=1)[alone], np.stack([a, second, third], axis=1)[~alone]]
        parts[side] += [np.stack([a, third, b], axis=1)[~alone]]
        owners[side] += [cut[alone], cut[~alone], cut[~alone]]
    return (
        np.concatenate(parts[True]),
        np.concatenate(owners[True]),
        np.concatenate(parts[False]),
        np.concatenate(owners[False]),
    )


def _at_level(start: Floats, end: Floats) -> Floats:
    share = start[:, 2:] / (start[:, 2:] - end[:, 2:])
    point = start + share * (end - start)
    point[:, 2] = 0.0
    return point


def nearest_levels(prism: CrossSection, corners: Floats, levels: Floats, beyond: float) -> Floats:
    """For triangles with corners (n, 3, 2) and linear ``levels`` (n, 3) the least level inside the prism (n,);
    infinite for those that miss it, and for those that lie more than ``beyond`` above the least of all."""
    least, lowest = np.full(len(corners), np.inf), levels.min(axis=1)
    loops, order = prism.to_polygons(), lowest.argsort(kind="stable")
    begin, size = 0, 64
    while begin < len(order) and lowest[order[begin]] <= least.min() + beyond:
        some = order[begin : begin + size]
        for polygon in loops:
            least[some] = np.minimum(least[some], _least_in(np.asarray(polygon), corners[some], levels[some]))
        begin, size = begin + size, min(2 * size, 2048)
    return least


def _least_in(polygon: Floats, corners: Floats, levels: Floats) -> Floats:
    least = np.where(polygons.contains(polygon, corners.reshape(-1, 2)).reshape(-1, 3), levels, np.inf).min(axis=1)
    side = np.roll(polygon, -1, axis=0) - polygon
    for corner in range(3):
        start, along = corners[:, corner], corners[:, (corner + 1) % 3] - corners[:, corner]
        rise = levels[:, (corner + 1) % 3] - levels[:, corner]
        turn = polygons.cross(along[:, None], side)
        arm = polygon - start[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            share, across = polygons.cross(arm, side) / turn, polygons.cross(arm, along[:, None]) / turn
            meets = (share >= 0) & (share <= 1) & (across >= 0) & (across <= 1)
            crossing = np.where(meets, levels[:, corner, None] + share * rise[:, None], np.inf)
        least = np.minimum(least, crossing.min(axis=1))
    return np.minimum(least, _under_corners(polygon, corners, levels))


def _under_corners(polygon: Floats, corners: Floats, levels: Floats) -> Floats:
    """The least level of each triangle straight under or over one of the polygon's corners."""
    a, b, c = corners[:, 0, None], corners[:, 1, None], corners[:, 2, None]
    doubled = polygons.cross(b - a, c - a)
    upright = doubled == 0
    safe = np.where(upright, 1.0, doubled)
    second = polygons.cross(polygon - a, c - a) / safe
    third = polygons.cross(b - a, polygon - a) / safe
    inside = (second >= 0) & (third >= 0) & (second + third <= 1) & ~upright
    level = levels[:, :1] * (1 - second - third) + levels[:, 1:2] * second + levels[:, 2:] * third
    return np.where(inside, level, np.inf).min(axis=1)
