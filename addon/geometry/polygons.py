# SPDX-License-Identifier: GPL-3.0-or-later
"""Closed polygons in a plane, as arrays of corners (n, 2)."""

from __future__ import annotations

import numpy as np
from manifold3d import CrossSection
from numpy.typing import NDArray

from .frames import Floats

_AT_ONCE = 512
_CORNER = np.radians(35.0)
"""Polygons that bend this much have a real corner there."""


def cross(a: Floats, b: Floats) -> Floats:
    """The z of the cross products of vectors (..., 2)."""
    return a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]


def signed_area(polygon: Floats) -> float:
    """Area in mm²; negative where the polygon runs clockwise."""
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
    return nearest_edges(polygon, np.roll(polygon, -1, axis=0), points)


def nearest_edges(starts: Floats, ends: Floats, points: Floats) -> tuple[Floats, NDArray[np.intp]]:
    """For points (m, 2) the distances (m,) to the nearest of the edges, and which that is."""
    distances, chosen = np.empty(len(points)), np.empty(len(points), np.intp)
    along = ends - starts
    squares = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
    for begin in range(0, len(points), _AT_ONCE):
        some = slice(begin, begin + _AT_ONCE)
        arms = points[some, None] - starts
        share = np.clip(np.einsum("mij,ij->mi", arms, along) / squares, 0.0, 1.0)
        gaps = arms - share[..., None] * along
        squared = np.einsum("mij,mij->mi", gaps, gaps)
        chosen[some] = squared.argmin(axis=1)
        distances[some] = np.sqrt(squared.min(axis=1))
    return distances, chosen


def outward_normals(polygon: Floats) -> Floats:
    """(n, 2): unit normals of the edges of a counter-clockwise polygon."""
    edges = np.roll(polygon, -1, axis=0) - polygon
    return np.column_stack([edges[:, 1], -edges[:, 0]]) / np.maximum(np.hypot(*edges.T), 1e-300)[:, None]


def sagitta(polygon: Floats) -> float:
    """How far the arcs that a polygon may stand for bulge past its edges: from the bends at the ends of each edge,
    where they are too blunt for real corners."""
    edges = np.roll(polygon, -1, axis=0) - polygon
    bends = np.abs(np.arctan2(cross(np.roll(edges, 1, axis=0), edges), (np.roll(edges, 1, axis=0) * edges).sum(axis=1)))
    bends = np.where(bends < _CORNER, bends, 0.0)
    turn = (bends + np.roll(bends, -1)) / 2
    return float((np.hypot(*edges.T) / 2 * np.tan(turn / 4)).max())


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
