# SPDX-License-Identifier: GPL-3.0-or-later
"""Roofs of slope one over any polygon, convex or not, and profiles raised over them.

A roof's height at every point is how far the outline has to move inward to reach it. Its faces are cut along the
profile's levels, and each level lifted to the height that the profile gives it. Between two levels every facet is
plane, so nothing lies off the profile but by its own chord error.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from manifold3d import Manifold, triangulate

from ..geometry.frames import Floats
from ..geometry.polygons import cross, nearest, outward_normals
from ..geometry.topology import Indices, in_runs
from .shells import RIM, TOGETHER, Shell, band, bridged, compact, merged, opened, sound, surface_id, without_repeats
from .straight_skeleton import hips

_SAME = 1e-8
"""Corners nearer to each other than this share of a roof's size are one that rounding has parted."""


@dataclass(frozen=True, eq=False)
class Roof:
    """Corners (n, 3), and the edges of convex faces, each going round its face counter-clockwise seen from above."""

    corners: Floats
    face: Indices
    """(e,): which face each edge goes round."""
    order: Floats
    """(e,): grows along each face from the polygon's side under it."""
    start: Indices
    end: Indices
    foot: Indices
    """The corners of the polygon, counter-clockwise."""

    @property
    def together(self) -> float:
        return TOGETHER * float(np.ptp(self.corners[:, :2], axis=0).max())

    @property
    def reach(self) -> float:
        """How far the polygon can move inward, its corners mitred."""
        return float(self.corners[:, 2].max())

    @property
    def deepest(self) -> Floats:
        """(2,): the point farthest inside; of several the middle, where that is as far inside, or the nearest to it."""
        deepest = self.corners[self.corners[:, 2] > self.reach - self.together, :2]
        middle = deepest.mean(axis=0)
        if nearest(self.corners[self.foot, :2], middle[None])[0][0] > self.reach - self.together:
            return middle
        return deepest[np.linalg.norm(deepest - middle, axis=1).argmin()]


def roof(polygon: Floats) -> Roof:
    """The roof over a simple counter-clockwise polygon (n, 2). Raises ``ValueError`` if it crosses itself."""
    return _roof(np.ascontiguousarray(polygon, float).tobytes())


@lru_cache(maxsize=64)  # a recipe's numbers change far more often than the outlines that they are for
def _roof(corners: bytes) -> Roof:
    polygon = np.frombuffer(corners).reshape(-1, 2)
    return _convex_roof(polygon) if is_convex(polygon) else _mitred_roof(polygon)


def is_convex(polygon: Floats, within: float = 1e-9) -> bool:
    """Whether no corner turns inward by more than ``within`` radians."""
    along = np.roll(polygon, -1, axis=0) - polygon
    after = np.roll(along, -1, axis=0)
    return bool((cross(along, after) > -within * np.linalg.norm(along, axis=1) * np.linalg.norm(after, axis=1)).all())


def raised(over: Roof, profile: Floats, upright: str, slope: str, top: str | None) -> Shell:
    """The shell of a profile raised over a roof's polygon, open at its foot, z = 0.

    ``profile`` (k, 2) holds insets and heights from (0, 0), neither ever falling; it may begin upright, and ends in a
    level top where its last inset leaves one. The names are those of the upright side, the rest of the side, the top;
    without the last the top stays open.
    """
    insets, heights = profile.T
    levels, from_end = np.unique(insets[::-1], return_index=True)
    heights = heights[len(insets) - 1 - from_end]  # the upper one where the profile goes straight up
    vertices, triangles = _cut(over, levels)
    inset = vertices[:, 2]
    vertices = np.column_stack([vertices[:, :2], np.interp(inset, levels, heights)])
    # Whatever lies past the last level is the top, until that is filled anew.
    past = inset[triangles]
    is_top = (past.min(axis=1) >= levels[-1]) & (past.max(axis=1) > levels[-1])
    surfaces = np.where(is_top, surface_id(RIM), surface_id(slope)).astype(np.int32)
    foot = over.foot
    if heights[0] > 0:
        low = len(vertices) + np.arange(len(foot))
        vertices = np.concatenate([vertices, np.column_stack([vertices[foot, :2], np.zeros(len(foot))])])
        inset = np.append(inset, np.zeros(len(foot)))
        walls = band(low, foot)
        triangles = np.concatenate([triangles, walls])
        surfaces = np.append(surfaces, np.full(len(walls), surface_id(upright), np.int32))
        foot = low
    # Of corners that ``sound`` merges the first stays where it is: those of foot and top, then those on a level.
    order = np.lexsort([~np.isin(inset, levels), inset < levels[-1], vertices[:, 2] > 0])
    place = np.argsort(order)
    shell = sound(compact(Shell(vertices[order], place[triangles].astype(np.int32), surfaces, (place[foot],))))
    is_top = shell.surfaces == surface_id(RIM)
    if not is_top.any():
        return shell
    shell = opened(shell, is_top)
    return bridged(shell, shell.vertices[:, :2], top, keep=1) if top else shell


def _convex_roof(polygon: Floats) -> Roof:
    """The half-spaces under its faces intersected, by way of the hull of their poles about a point inside."""
    outward = outward_normals(polygon)
    reach = np.einsum("ij,ij->i", outward, polygon)
    middle = polygon.mean(axis=0)
    inside = np.append(middle, (reach - outward @ middle).min() / 4)
    normals = np.concatenate([np.column_stack([outward, np.ones(len(outward))]), [(0.0, 0.0, -1.0)]])
    poles = normals / (np.append(reach, 0.0) - normals @ inside)[:, None]
    raw = Manifold.hull_points(poles).to_mesh64()
    # Each corner of the hull is the pole of a face, each of its triangles stands for a corner of the roof, and each of
    # its edges for an edge of the roof.
    hull_corners, triangles = np.array(raw.vert_properties), np.asarray(raw.tri_verts).astype(np.int64)
    a, b, c = hull_corners[triangles].transpose(1, 0, 2)
    across = np.cross(b - a, c - a)
    corners = across / np.einsum("ij,ij->i", across, a)[:, None] + inside
    pole = np.linalg.norm(hull_corners[:, None] - poles, axis=2).argmin(axis=1)[triangles]
    base = len(polygon)
    corners[(pole == base).any(axis=1), 2] = 0.0

    heads, tails = np.roll(pole, -1, axis=1).ravel(), pole.ravel()
    corner = np.repeat(np.arange(len(triangles)), 3)
    there, back = np.argsort(tails * (base + 1) + heads), np.argsort(heads * (base + 1) + tails)
    beyond = np.empty(len(corner), np.int64)
    beyond[there] = corner[back]
    under = heads == base

    # Where more than three faces meet, the hull has several triangles and the roof a corner in so many parts.
    size = float(np.ptp(polygon, axis=0).max())
    target = merged(corners, corner, beyond, _SAME * size)
    corner, beyond = target[corner], target[beyond]
    foot = without_repeats(_chain(beyond[under], corner[under]))
    roof_edges = ~under & (corner != beyond)
    face, start, end = heads[roof_edges], corner[roof_edges], beyond[roof_edges]
    # Along a convex face the edges turn steadily.
    way = (corners[end] - corners[start])[:, :2]
    ahead, inward = cross(outward[face], way), -np.einsum("ij,ij->i", outward[face], way)
    return Roof(corners, face, (np.arctan2(inward, ahead) + _SAME) % (2 * np.pi), start, end, foot)


def _mitred_roof(polygon: Floats) -> Roof:
    corners, faces = hips(polygon)
    # Faces that do not go up on one side and down on the other fall into triangles.
    parts = [
        part
        for face in faces
        for part in ([face] if _goes_up_once(corners[face]) else face[triangulate([corners[face, :2]])])
    ]
    sizes = np.array([len(part) for part in parts])
    face, order = in_runs(sizes)
    start = np.concatenate(parts)
    end = np.concatenate([np.roll(part, -1) for part in parts])
    return Roof(corners, face, order.astype(float), start, end, np.arange(len(polygon)))


def _goes_up_once(face: Floats) -> bool:
    climbs = np.diff(face[:, 2], append=face[0, 2]) > 0
    return is_convex(face[:, :2], 1e-3) and int((climbs != np.roll(climbs, 1)).sum()) == 2


def _whole(triangles: Indices) -> Indices:
    return triangles[(triangles != np.roll(triangles, 1, axis=1)).all(axis=1)]


def _cut(over: Roof, levels: Floats) -> tuple[Floats, Indices]:
    """Vertices and triangles of the roof, every face cut along the levels that it crosses."""
    corners = over.corners.copy()
    closest = levels[np.abs(corners[:, 2:] - levels).argmin(axis=1)]
    near = np.abs(corners[:, 2] - closest) < over.together
    corners[near, 2] = closest[near]
    height = corners[:, 2]

    # Where every edge crosses the levels strictly between its ends: the same places for the faces on either side.
    low = np.where(height[over.start] <= height[over.end], over.start, over.end)
    high = over.start + over.end - low
    pairs, pair_of = np.unique(low * len(corners) + high, return_inverse=True)
    low_end, high_end = pairs // len(corners), pairs % len(corners)
    first = np.searchsorted(levels, height[low_end], "right")
    count = np.maximum(np.searchsorted(levels, height[high_end], "left") - first, 0)
    begin = len(corners) + np.cumsum(count) - count
    pair, step = in_runs(count)
    base, tip, level = corners[low_end[pair]], corners[high_end[pair]], levels[first[pair] + step]
    crossings = base + (tip - base) * ((level - base[:, 2]) / (tip[:, 2] - base[:, 2]))[:, None]
    crossings[:, 2] = level
    vertices = np.concatenate([corners, crossings])

    # Every edge's points, on the right of its face where it goes up (or level along the top), on the left where down.
    # A level step on the way up or down is on the side of that way.
    climb = height[over.end] - height[over.start]
    lowest, highest, turning = (np.full(over.face.max() + 1, start) for start in (np.inf, -np.inf, np.inf))
    np.minimum.at(lowest, over.face, height[low])
    np.maximum.at(highest, over.face, height[high])
    np.minimum.at(turning, over.face[climb < 0], over.order[climb < 0])
    downward = (climb < 0) | (climb == 0) & (height[low] < highest[over.face]) & (over.order > turning[over.face])
    edges = np.flatnonzero((climb != 0) | (height[low] > lowest[over.face]))
    crossed, step = in_runs(count[pair_of[edges]])
    vertex = np.concatenate([over.start[edges], over.end[edges], begin[pair_of[edges[crossed]]] + step])
    edge = np.concatenate([edges, edges, edges[crossed]])
    left = downward[edge]
    along = over.order[edge] + np.concatenate([np.zeros(len(edges)), np.full(len(edge) - len(edges), _SAME)])
    face = over.face[edge]
    order = np.lexsort([np.where(left, -along, along), vertices[vertex, 2], face])
    vertex, left, face = vertex[order], left[order], face[order]

    # Going up a convex face, each point makes a triangle with the last ones before it on either side.
    index = np.arange(len(vertex))
    last_left = _before(np.maximum.accumulate(np.where(left, index, -1)))
    last_right = _before(np.maximum.accumulate(np.where(left, -1, index)))
    within = np.minimum(last_left, last_right) >= np.searchsorted(face, face)
    triangles = np.stack([vertex, vertex[last_left], vertex[last_right]], axis=1)[within]

    # A triangle of three corners in a row along a ridge is flat and has no way up, but joins its neighbours.
    flat = np.bincount(over.face, climb != 0) == 0
    level_edges = np.flatnonzero(flat[over.face] & (np.bincount(over.face)[over.face] == 3))
    return vertices, _whole(np.concatenate([triangles, over.start[level_edges].reshape(-1, 3)]))


def _before(running: Indices) -> Indices:
    return np.append(-1, running[:-1])


def _chain(start: Indices, end: Indices) -> Indices:
    """The loop that edges make, which are in no order."""
    following = dict(zip(start.tolist(), end.tolist(), strict=True))
    loop = [int(start[0])]
    while (after := following[loop[-1]]) != loop[0]:
        loop.append(after)
    return np.array(loop)
