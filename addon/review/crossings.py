# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a mesh's surface passes through itself.

A tree of boxes over the triangles, in the order of a space-filling curve, gives the pairs whose boxes overlap; of those
a pair crosses where each has corners on both sides of the other and the two share more than a point. Triangles that
share an edge are left out, and so are faces that only touch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..geometry.boxes import BoxTree
from ..geometry.frames import Floats
from ..geometry.mesh import Mesh, cross_rows, triangle_normals
from ..geometry.topology import Indices
from .findings import Place

MOST_TRIANGLES = 300_000
"""Larger meshes are not looked through: memory, and the seconds that it takes."""
_MOST_PAIRS = 6_000_000
_TOUCHING = 1e-6
"""Share of the mesh's size by which surfaces may pass each other and still only touch: what single precision leaves."""


@dataclass(frozen=True, eq=False)
class Crossings:
    pairs: Indices
    """(k, 2): triangles that pass through each other."""
    place: Place | None
    """Where they do so furthest, in mm."""


def crossings(mesh: Mesh) -> Crossings | None:
    """Triangles that pass through each other; None if there are too many to look."""
    count = len(mesh.triangles)
    if count > MOST_TRIANGLES:
        return None
    corners = mesh.corners
    pairs = BoxTree.of(corners.min(axis=1), corners.max(axis=1)).overlapping(_MOST_PAIRS)
    if pairs is None:
        return None
    first, second = pairs
    columns = np.ascontiguousarray(mesh.triangles.T)
    shared = np.zeros(len(first), np.int8)
    for a in columns:
        corner = a[first]
        for b in columns:
            shared += corner == b[second]
    first, second = first[shared < 2], second[shared < 2]
    tolerance = _TOUCHING * float(mesh.size.max())
    normals = triangle_normals(*corners.swapaxes(0, 1))[0]
    for _ in range(2):
        above = _heights(corners[second], corners[first, 0], normals[first])
        through = (above.max(axis=1) > tolerance) & (above.min(axis=1) < -tolerance)
        first, second = second[through], first[through]
    lengths, places = _common(corners, normals, first, second)
    crossed = lengths > tolerance
    crossing = np.column_stack([first, second])[crossed]
    if not len(crossing):
        return Crossings(crossing, None)
    x, y, z = places[crossed][np.argmax(lengths[crossed])].tolist()
    return Crossings(crossing, (x, y, z))


def _heights(triangles: Floats, points: Floats, normals: Floats) -> Floats:
    """(k, 3): how far the corners of triangles (k, 3, 3) lie above planes."""
    return np.einsum("ikj,ij->ik", triangles - points[:, None], normals)


def _common(corners: Floats, normals: Floats, first: Indices, second: Indices) -> tuple[Floats, Floats]:
    """How long the line is that pairs of triangles have in common (k,), and its middle (k, 3).

    Each triangle cuts the line in which the two planes meet in a stretch; common is where the stretches overlap.
    """
    ways = cross_rows(normals[first], normals[second])
    ways /= np.maximum(np.sqrt(np.einsum("ij,ij->i", ways, ways)), 1e-300)[:, None]
    low, high = np.full(len(first), -np.inf), np.full(len(first), np.inf)
    origin = np.zeros((len(first), 3))
    for mine, other in ((first, second), (second, first)):
        triangles = corners[mine]
        heights = _heights(triangles, corners[other, 0], normals[other])
        along = np.einsum("ikj,ij->ik", triangles, ways)
        ends = []
        for side in range(3):
            h, g = heights[:, side], heights[:, (side + 1) % 3]
            crosses = (h > 0) != (g > 0)
            share = h / np.where(crosses, h - g, 1.0)
            ends.append(np.where(crosses, along[:, side] + share * (along[:, (side + 1) % 3] - along[:, side]), np.nan))
            point = triangles[:, side] + share[:, None] * (triangles[:, (side + 1) % 3] - triangles[:, side])
            origin[crosses] = point[crosses]
        low = np.maximum(low, np.nanmin(ends, axis=0)) if len(first) else low
        high = np.minimum(high, np.nanmax(ends, axis=0)) if len(first) else high
    middle = (low + high) / 2 - np.einsum("ij,ij->i", origin, ways)
    return high - low, origin + middle[:, None] * ways
