# SPDX-License-Identifier: GPL-3.0-or-later
"""Closed polygons in a plane, as arrays of corners (n, 2)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from manifold3d import CrossSection
from numpy.typing import NDArray

from .frames import Floats

AT_ONCE = 100_000
"""Most point-to-edge distances worked out at once: what the processor's own memory holds."""
_FLAT = 0.1
"""An edge this long, as a share of the width across it, is a flat to calipers."""
_CORNER = np.radians(35.0)
"""Polygons that bend this much have a real corner there."""


def cross(a: Floats, b: Floats) -> Floats:
    """The z of the cross products of vectors (..., 2)."""
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def signed_area(polygon: Floats) -> float:
    """Area in mm²; negative if the polygon runs clockwise."""
    x, y = (polygon - polygon[0]).T
    return float(x[:-1] @ y[1:] - y[:-1] @ x[1:]) / 2


def edge_lengths(polygon: Floats) -> Floats:
    """(n,): length of the edge that begins at each corner."""
    return np.hypot(*(np.roll(polygon, -1, axis=0) - polygon).T)


def contains(polygon: Floats, points: Floats) -> NDArray[np.bool_]:
    """Which of the points (m, 2) lie inside, by the even-odd rule."""
    above = points[:, None, 1] >= polygon[:, 1]
    which, edge = np.nonzero(above != np.roll(above, -1, axis=1))
    start, end = polygon[edge], np.roll(polygon, -1, axis=0)[edge]
    passed = (cross(end - start, points[which] - start) > 0) == (end[:, 1] > start[:, 1])
    return np.bincount(which[passed], minlength=len(points)) % 2 == 1


def nearest(polygon: Floats, points: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """For points (m, 2) their distances (m,) from the polygon, and the corner that begins its nearest edge."""
    distances, edges = nearest_edges(points[None], polygon[None], np.roll(polygon, -1, axis=0)[None])
    return distances[0], edges[0]


def nearest_edges(points: Floats, starts: Floats, ends: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """For sets of points (L, k, 2) the distances (L, k) in mm to the nearest of the edges (L, n, 2) of the same set,
    and which (L, k) that is, the first of several."""
    distances, chosen = np.empty(points.shape[:2]), np.empty(points.shape[:2], np.intp)
    step = max(1, AT_ONCE // max(starts.shape[0] * starts.shape[1], 1))
    spans = (float(np.ptp(places, axis=1).max()) for places in (points, starts) if places.size)
    noise = 1e-13 * max(spans, default=0.0) ** 2
    for begin in range(0, points.shape[1], step):
        some = slice(begin, begin + step)
        squares = _squares(points[:, some], starts, ends)
        least = squares.min(axis=2, keepdims=True)
        distances[:, some] = np.sqrt(least[:, :, 0])
        chosen[:, some] = (squares <= least + noise).argmax(axis=2)
    return distances, chosen


def edge_distances(points: Floats, starts: Floats, ends: Floats) -> Floats:
    """The distances of ``nearest_edges``, all at once."""
    return np.sqrt(_squares(points, starts, ends).min(axis=2))


def _squares(points: Floats, starts: Floats, ends: Floats) -> Floats:
    """(L, k, n): the square of each point's distance from each edge: square to its line, and along it past its ends.
    What lies along and square to lines are products of matrices."""
    middle = starts.mean(axis=1, keepdims=True)
    points, starts, ends = points - middle, starts - middle, ends - middle
    edges = ends - starts
    lengths = np.sqrt(np.einsum("lni,lni->ln", edges, edges))
    ways = edges / np.maximum(lengths, 1e-300)[:, :, None]
    ways[lengths == 0] = (1.0, 0.0)
    normals = np.stack([-ways[:, :, 1], ways[:, :, 0]], axis=2)
    along = points @ ways.transpose(0, 2, 1)
    along -= np.einsum("lni,lni->ln", starts, ways)[:, None]
    across = points @ normals.transpose(0, 2, 1)
    across -= np.einsum("lni,lni->ln", starts, normals)[:, None]
    on_edge = np.minimum(along, lengths[:, None])
    along -= np.maximum(on_edge, 0.0, out=on_edge)
    along *= along
    across *= across
    along += across
    return along


def least_width(polygon: Floats) -> tuple[float, str]:
    """In which direction a polygon is narrowest, in degrees from 0 to 180, counter-clockwise from x, and between what:
    "flat to flat", "flat to corner" or "side to side". Of several as narrow it is the one nearest to y.

    It lies square to an edge of the hull (rotating calipers; Shamos, 1978).
    """
    hull = np.asarray(CrossSection([polygon]).hull().to_polygons()[0])
    normals, lengths = outward_normals(hull), edge_lengths(hull)
    heights = hull @ normals.T
    widths = np.ptp(heights, axis=0)
    narrow = np.flatnonzero(widths <= widths.min() * (1 + 1e-6))
    edge = int(narrow[np.round(np.abs(normals[narrow, 1]), 6).argmax()])
    across, least = normals[edge], widths[edge]
    opposite = lengths[(normals @ across < -1 + 1e-6) & (heights[:, edge] <= heights[:, edge].min() + 1e-6 * least)]
    degrees = float(np.degrees(np.arctan2(across[1], across[0])) % 180.0)
    if lengths[edge] < _FLAT * least:
        return degrees, "side to side"
    return degrees, "flat to flat" if opposite.size and opposite[0] >= _FLAT * least else "flat to corner"


def goes_round(polygon: Floats) -> bool:
    """Whether a closed polygon (n, 2) goes around the origin."""
    ahead = np.roll(polygon, -1, axis=0)
    turns = np.arctan2(cross(polygon, ahead), np.einsum("ij,ij->i", polygon, ahead))
    return abs(float(turns.sum())) > np.pi


def outward_normals(polygon: Floats) -> Floats:
    """(n, 2): unit normals of the edges of a counter-clockwise polygon."""
    edges = np.roll(polygon, -1, axis=0) - polygon
    return np.column_stack([edges[:, 1], -edges[:, 0]]) / np.maximum(np.hypot(*edges.T), 1e-300)[:, None]


def sagitta(polygon: Floats) -> float:
    """How far the arcs that a polygon may stand for bulge past its edges at most."""
    return float(sagittas(polygon).max())


def sagittas(polygon: Floats) -> Floats:
    """(n,): how far the arc that each edge of a polygon may stand for bulges past it: from the bends at its ends, where
    they are too blunt for real corners."""
    edges, bends = _bends(polygon)
    return _bulges(edges, (bends + np.roll(bends, -1)) / 2)


def flattest(polygon: Floats) -> float:
    """As ``sagitta``, by the lesser of the bends at the ends of each edge: no arc ends in a straight side."""
    edges, bends = _bends(polygon)
    return float(_bulges(edges, np.minimum(bends, np.roll(bends, -1))).max())


def _bends(polygon: Floats) -> tuple[Floats, Floats]:
    """The edges (n, 2) of a polygon, and the bends (n,) where they begin, in radians; 0 at real corners."""
    edges = np.roll(polygon, -1, axis=0) - polygon
    bends = np.abs(np.arctan2(cross(np.roll(edges, 1, axis=0), edges), (np.roll(edges, 1, axis=0) * edges).sum(axis=1)))
    return edges, np.where(bends < _CORNER, bends, 0.0)


def _bulges(edges: Floats, turns: Floats) -> Floats:
    return np.hypot(*edges.T) / 2 * np.tan(turns / 4)


def least_box_turn(polygon: Floats) -> float:
    """How far, in radians, the x of the smallest box around the polygon is turned; its longer side lies along x."""
    hull = np.asarray(CrossSection([polygon]).hull().to_polygons()[0])
    edges = np.roll(hull, -1, axis=0) - hull
    angles = np.arctan2(edges[:, 1], edges[:, 0])
    cos, sin = np.cos(angles)[:, None], np.sin(angles)[:, None]
    x, y = hull[:, 0] * cos + hull[:, 1] * sin, hull[:, 1] * cos - hull[:, 0] * sin
    widths, depths = np.ptp(x, axis=1), np.ptp(y, axis=1)
    areas = widths * depths
    best = int(np.flatnonzero(areas <= areas.min() * (1 + 1e-6))[0])
    return float(angles[best] + (np.pi / 2 if depths[best] > widths[best] * (1 + 1e-6) else 0.0))


def centroid(polygon: Floats) -> Floats:
    """(2,): the centre of area."""
    origin = polygon[0]
    start = polygon - origin
    end = np.roll(start, -1, axis=0)
    weights = cross(start, end)
    return origin + ((start + end) * weights[:, None]).sum(axis=0) / (3 * weights.sum())


def turned(points: Floats, radians: float) -> Floats:
    """Points (..., 2) turned counter-clockwise about the origin."""
    cos, sin = np.cos(radians), np.sin(radians)
    return points @ np.array([[cos, sin], [-sin, cos]])


def symmetry(polygon: Floats, centre: Floats, tolerance: float) -> int:
    """Into how many equal turns about ``centre`` the polygon repeats itself: 1 for none, 4 for a square."""
    about = polygon - centre
    for folds in (12, 10, 9, 8, 7, 6, 5, 4, 3, 2):
        if nearest(about, turned(about, 2 * np.pi / folds))[0].max() <= tolerance:
            return folds
    return 1


def distinct(polygon: Floats, tolerance: float) -> NDArray[np.intp]:
    """Which corners are left where those that lie within ``tolerance`` of the one before them go."""
    corners = [0]
    for corner in range(1, len(polygon)):
        if np.abs(polygon[corner] - polygon[corners[-1]]).max() > tolerance:
            corners.append(corner)
    while len(corners) > 1 and np.abs(polygon[corners[-1]] - polygon[0]).max() <= tolerance:
        corners.pop()
    return np.array(corners)


def meeting(polygons: Sequence[Floats], tolerance: float) -> tuple[int, int, float] | None:
    """Where edges of polygons without doubled corners cross, or touch to within ``tolerance``: the polygon, the corner
    that begins the edge and the share of the edge; None if they do neither, but for neighbours at their corner."""
    starts = np.concatenate(polygons)
    along = np.concatenate([np.roll(polygon, -1, axis=0) - polygon for polygon in polygons])
    counts = np.array([len(polygon) for polygon in polygons])
    owner = np.repeat(np.arange(len(polygons)), counts)
    place = np.arange(len(starts)) - np.repeat(np.cumsum(counts) - counts, counts)
    before = np.where(place == 0, np.arange(len(starts)) + counts[owner] - 1, np.arange(len(starts)) - 1)
    squares = np.einsum("ij,ij->i", along, along)
    for edge, (start, way) in enumerate(zip(starts, along, strict=True)):
        arms = start - starts
        shares = np.clip(np.einsum("ij,ij->i", arms, along) / squares, 0.0, 1.0)
        touched = np.hypot(*(arms - shares[:, None] * along).T) <= tolerance
        touched[[edge, before[edge]]] = False
        if touched.any():
            return int(owner[edge]), int(place[edge]), 0.0
        bend = cross(way, along)
        bend[bend == 0] = np.nan  # parallel edges meet at a corner of one of them, if at all
        mine, theirs = cross(along, arms) / bend, cross(way, arms) / bend
        crossed = np.flatnonzero((mine > 0) & (mine < 1) & (theirs > 0) & (theirs < 1))
        if crossed.size:
            return int(owner[edge]), int(place[edge]), float(mine[crossed[0]])
    return None
