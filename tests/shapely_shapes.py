# SPDX-License-Identifier: GPL-3.0-or-later
"""Outlines and beads as shapely has them, for tests that check the review against it."""

from __future__ import annotations

import shapely
from manifold3d import CrossSection


def shapely_of(outline: CrossSection) -> shapely.Polygon | shapely.MultiPolygon:
    """An outline as shapely has it, holes by the direction of their loops."""
    loops = [shapely.LinearRing(loop) for loop in outline.to_polygons()]
    outer = shapely.union_all([shapely.Polygon(loop) for loop in loops if loop.is_ccw])
    return outer.difference(shapely.union_all([shapely.Polygon(loop) for loop in loops if not loop.is_ccw]))


def shapely_beads(outline: CrossSection, count: int, bead: float) -> shapely.Geometry:
    """What the rings cover, worked out by shapely alone: lines moved inward, then made as wide as a bead."""
    polygon = shapely_of(outline)
    lines = [polygon.buffer(-(ring + 0.5) * bead, quad_segs=64).boundary for ring in range(count)]
    return shapely.union_all([line.buffer(bead / 2, quad_segs=64) for line in lines if not line.is_empty])
