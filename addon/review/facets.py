# SPDX-License-Identifier: GPL-3.0-or-later
"""What the checks ask of a mesh's triangles, worked out once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ..geometry.frames import Floats
from ..geometry.mesh import Mesh, triangle_normals


@dataclass(frozen=True, eq=False)
class Slopes:
    """How each triangle lies towards the layers: one row a triangle."""

    upward: Floats
    """(m,): z of the unit normal, out of the solid."""
    low: Floats
    """(m,): least z in mm."""
    high: Floats
    """(m,): greatest z in mm."""


@dataclass(frozen=True, eq=False)
class Facets:
    """One row a triangle. A triangle without area has a zero normal."""

    normals: Floats
    """(m, 3), unit, out of the solid."""
    areas: Floats
    """(m,) in mm²."""
    centres: Floats
    """(m, 3) in mm."""
    low: Floats
    """(m,): least z in mm."""
    high: Floats
    """(m,): greatest z in mm."""

    @property
    def slopes(self) -> Slopes:
        return Slopes(self.normals[:, 2], self.low, self.high)

    @classmethod
    def of(cls, mesh: Mesh) -> Facets:
        a, b, c = mesh.vertices[mesh.triangles.T]
        normals, areas = triangle_normals(a, b, c)
        heights = np.stack([a[:, 2], b[:, 2], c[:, 2]])
        return cls(normals, areas, (a + b + c) / 3, heights.min(axis=0), heights.max(axis=0))


def along(points: Floats, way: ArrayLike) -> Floats:
    """(n,): how far points or vectors (n, 3) go along a direction.

    Like ``dot`` not by the matrix library: on long arrays that starts threads, which on a busy machine wait for each
    other many times longer than the sum takes.
    """
    x, y, z = np.asarray(way, float).tolist()
    return points[:, 0] * x + points[:, 1] * y + points[:, 2] * z


def dot(a: Floats, b: Floats) -> float:
    """The sum of the products of two long arrays (n,)."""
    return float(np.einsum("i,i->", a, b))
