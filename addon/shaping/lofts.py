# SPDX-License-Identifier: GPL-3.0-or-later
"""Rings of equal count over circles, rounded rectangles and obrounds, and the shell through a stack of them.

Each of these outlines is a rectangle (a point for the circle, a line for the obround) grown by a radius. Moved inward
the radius shrinks first, then the rectangle, so every ring is the exact offset and its corners face the same way as
those of the ring before.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from manifold3d import triangulate

from ..geometry.frames import Floats
from ..geometry.mesh import Ints
from ..geometry.sections import Outline
from .shells import Shell, band, compact, surface_id

_CORNERS = np.array([(1, 1), (-1, 1), (-1, -1), (1, -1)])
_TOGETHER_MM = 1e-7
SHARP_MM = 2e-3
"""A radius or a side below this is none: the error is smaller still, and 32-bit files keep its corners apart."""


def has_rings(outline: Outline) -> bool:
    return outline.shape in ("circle", "rectangle", "obround")


def rings(outline: Outline, insets: Floats, facets: int) -> Floats:
    """The outline moved inward by each of ``insets`` (k,), as polygons (k, m, 2) whose points may fall together.

    ``facets`` counts those of a whole circle, a multiple of four.
    """
    insets = np.asarray(insets, float)
    radii = outline.rounding - insets
    radii[(radii < SHARP_MM) | (outline.rounding == 0)] = 0.0
    halves = np.array([outline.width, outline.depth]) / 2 - insets[:, None] - radii[:, None]
    quarter = facets // 4
    angles = (np.arange(4)[:, None] * quarter + np.arange(quarter + 1)).ravel() * (2 * np.pi / facets)
    corners = np.repeat(_CORNERS, quarter + 1, axis=0)
    around = np.column_stack([np.cos(angles), np.sin(angles)])
    halves[halves < SHARP_MM / 2] = 0.0
    return halves[:, None] * corners + radii[:, None, None] * around + outline.centre


def loft(
    stack: Floats, heights: Floats, surfaces: Sequence[str] | Ints, first: str | None = None, last: str | None = None
) -> Shell:
    """The shell through rings ``stack`` (k, m, 2) at ``heights`` (k,), inside to the left of the way from the first
    to the last. ``surfaces`` names the k - 1 bands, or holds the ids (k - 1, m) of what their corners begin; ``first``
    and ``last`` name caps, None leaves that end open."""
    count, around = stack.shape[:2]
    points = np.concatenate([stack, np.broadcast_to(np.reshape(heights, (-1, 1, 1)), (count, around, 1))], axis=2)
    apart = np.linalg.norm(stack - np.roll(stack, 1, axis=1), axis=2) > _TOGETHER_MM
    apart[:, 0] |= ~apart.any(axis=1)  # a ring that is one point
    # Every ring starts at its first point of its own, so that the count of those before is its place.
    place = np.cumsum(apart, axis=1) - 1
    sizes = apart.sum(axis=1)
    place = np.where(place < 0, sizes[:, None] - 1, place) + (np.cumsum(sizes) - sizes)[:, None]
    target = np.arange(sizes.sum())
    for level in np.flatnonzero(np.diff(heights) == 0):  # what stays where it is in a level face is one
        same = np.linalg.norm(stack[level + 1] - stack[level], axis=1) < _TOGETHER_MM
        target[place[level + 1, same]] = target[place[level, same]]
    place = target[place]

    quads = band(place[:-1], place[1:])
    ids = surfaces if isinstance(surfaces, np.ndarray) else np.array([[surface_id(name)] for name in surfaces])
    bands = np.repeat(np.broadcast_to(ids, (count - 1, around)), 2)
    solid = (quads[:, 0] != quads[:, 1]) & (quads[:, 1] != quads[:, 2]) & (quads[:, 2] != quads[:, 0])
    triangles, bands = quads[solid], bands[solid]
    vertices = points[apart]

    loops = []
    for ring, cap, way in ((0, first, 1), (count - 1, last, -1)):
        loop = target[np.arange(sizes[ring]) + sizes[:ring].sum()]
        if cap is not None and len(loop) > 2:
            faces = loop[triangulate([np.ascontiguousarray(vertices[loop, :2])])][:, ::-way]
            triangles = np.concatenate([triangles, faces])
            bands = np.append(bands, np.full(len(faces), surface_id(cap)))
        elif cap is None:
            loops.append(loop[::way])
    shell = Shell(vertices, triangles.astype(np.int32), bands.astype(np.int32), tuple(loops))
    return shell if (target == np.arange(len(target))).all() else compact(shell)
