# SPDX-License-Identifier: GPL-3.0-or-later
"""Right-handed frames: where a tube end, a fitting or a copy on the plate sits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def by_column(rows: Floats) -> Floats:
    """Points (..., d) column after column in memory. Along many points numpy is several times as fast as along the two
    or three coordinates of each."""
    return np.moveaxis(np.ascontiguousarray(np.moveaxis(rows, -1, 0)), 0, -1)


def taken(rows: Floats, chosen: NDArray[np.int64]) -> Floats:
    """``rows[chosen]``, for rows that lie column after column, or few; the result does so too."""
    return rows.T.take(chosen.T, axis=-1).T


def around_deg(x: float, y: float) -> float:
    """Where a direction is, counter-clockwise from x: 0 to under 360."""
    # What is hardly below 0 comes to 360 at first.
    return math.degrees(math.atan2(y, x)) % 360.0 % 360.0


@dataclass(frozen=True, eq=False)
class Frame:
    """An origin (3,) in mm and three unit axes, the rows of ``axes`` (3, 3), right-handed."""

    origin: Floats
    axes: Floats

    @classmethod
    def along(cls, origin: ArrayLike, z: ArrayLike, x: ArrayLike | None = None) -> Frame:
        """The frame at ``origin`` whose z is ``z`` and whose x is ``x`` made square to it.

        Without ``x`` a direction square to z is chosen that is the same for the same z.
        Raises ``ValueError`` if ``z`` has no length.
        """
        up = _unit(z)
        hint = np.eye(3)[int(np.argmin(np.abs(up)))] if x is None else np.asarray(x, float)
        side = hint - up * (hint @ up)
        if np.linalg.norm(side) < 1e-9:
            return cls.along(origin, up)
        side = _unit(side)
        (x, y, z), (side_x, side_y, side_z) = up.tolist(), side.tolist()
        # Three numbers at a time, numpy's own cross product takes as long as all the rest.
        across = (y * side_z - z * side_y, z * side_x - x * side_z, x * side_y - y * side_x)
        return cls(np.asarray(origin, float), np.array([side, across, up]))

    @property
    def x(self) -> Floats:
        return self.axes[0]

    @property
    def y(self) -> Floats:
        return self.axes[1]

    @property
    def z(self) -> Floats:
        return self.axes[2]

    @property
    def matrix(self) -> Floats:
        """(4, 4) that takes points of this frame to the world."""
        matrix = np.eye(4)
        matrix[:3, :3] = self.axes.T
        matrix[:3, 3] = self.origin
        return matrix

    def to_local(self, points: ArrayLike) -> Floats:
        """World points (n, 3) in this frame."""
        return (np.asarray(points, float) - self.origin) @ self.axes.T

    def to_world(self, points: ArrayLike) -> Floats:
        """Points (n, 3) of this frame in the world."""
        return np.asarray(points, float) @ self.axes + self.origin

    def turned(self, degrees: float) -> Frame:
        """This frame turned about its own z, counter-clockwise seen against z."""
        angle = np.radians(degrees)
        x = self.x * np.cos(angle) + self.y * np.sin(angle)
        return Frame(self.origin, np.array([x, np.cross(self.z, x), self.z]))


def _unit(vector: ArrayLike) -> Floats:
    array = np.asarray(vector, float)
    length = np.linalg.norm(array)
    if not np.isfinite(length) or length < 1e-12:
        raise ValueError("a direction needs a length")
    return array / length
