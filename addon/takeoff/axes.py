# SPDX-License-Identifier: GPL-3.0-or-later
"""Sharper axes for tubes whose walls are many small triangles.

A triangle on a curved wall leans a little from it, so normals alone give the axis only to a degree or so.
The corners themselves lie on the true wall: the axis is turned until all of them lie on one outline.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ..geometry import polygons
from ..geometry.frames import Floats, Frame
from ..geometry.outline_fit import fit_outline, off_outline
from ..geometry.topology import Indices
from .rims import LEAST_LENGTH, SHORTEST, Rims
from .surface import Surface
from .walls import WallIndex

_STAGES = ((1.0, 0.05), (1.0, 0.01), (4.0, 0.005), (16.0, 2e-3), (np.inf, 2e-3), (np.inf, 2e-3))
"""How far down the wall to look and how near the outline, both in widths: far corners sharpen the axis once it is
nearly right."""
_UPRIGHT = 0.1
_SHORT = 0.8
_ENOUGH = 1500
"""Corners to look at."""


def sharpened(surface: Surface, index: WallIndex, rims: Rims) -> Rims:
    """The rims, with the axes of those that are not exact read from the corners of their bores' walls. Of these, holes
    far too short to be a tube's bore are left out."""
    axes, is_bore = rims.axes.copy(), np.ones(len(rims.axes), bool)
    for rim in np.flatnonzero(~rims.exact).tolist():
        part = rims.bore.part(rim)
        loop = surface.points(rims.bore.vertices[part])
        across = rims.bore.across[part]
        triangles, upright = _of_walls(surface, index, across[across >= 0], axes[rim])
        corners = surface.points(np.unique(surface.triangles[triangles[upright]]))
        is_bore[rim] = (
            rims.single[rim]
            or not upright.all()
            or not _is_short(loop, corners, axes[rim], LEAST_LENGTH if rims.shared[rim] else SHORTEST)
        )
        if is_bore[rim]:
            axes[rim] = sharper(loop, corners, axes[rim], float(surface.noise[across].max(initial=0.0)))
    return replace(rims, axes=axes).taken(np.flatnonzero(is_bore))


def corners_of_walls(surface: Surface, index: WallIndex, beside: Indices, axis: Floats) -> Floats:
    """(m, 3): the corners of the walls along ``axis`` to which the triangles ``beside`` a loop belong."""
    triangles, upright = _of_walls(surface, index, beside, axis)
    return surface.points(np.unique(surface.triangles[triangles[upright]]))


def _of_walls(surface: Surface, index: WallIndex, beside: Indices, axis: Floats) -> tuple[Indices, NDArray[np.bool_]]:
    """The triangles of the walls to which those ``beside`` a loop belong, and which of them run along ``axis``."""
    triangles = index.triangles_of(np.unique(surface.walls[beside]))
    return triangles, np.abs(surface.normals[triangles] @ axis) < _UPRIGHT


def _is_short(loop: Floats, corners: Floats, axis: Floats, least: float) -> bool:
    """Whether a wall with these corners is surely shorter than this share of the width of the loop (n, 3) that it
    begins at."""
    frame = Frame.along(loop.mean(axis=0), axis)
    width = 2 * float(polygons.nearest(frame.to_local(loop)[:, :2], np.zeros((1, 2)))[0][0])
    return bool(-frame.to_local(corners)[:, 2].min() < _SHORT * least * width)


def sharper(loop: Floats, corners: Floats, axis: Floats, noise: float) -> Floats:
    """An axis near ``axis`` along which a loop (n, 3) and corners (m, 3) of its wall lie on one outline."""
    for reach, near in _STAGES:
        frame = Frame.along(loop.mean(axis=0), axis)
        fit = fit_outline(frame.to_local(loop)[:, :2], noise)
        width = fit.outline.width
        local = frame.to_local(corners)
        local = local[np.abs(local[:, 2]) <= reach * width]
        local = local[:: max(len(local) // _ENOUGH, 1)]
        points = polygons.turned(local[:, :2] - fit.centre, -np.radians(fit.turn_deg))
        off, outward = off_outline(fit.outline, points)
        on_wall = np.abs(off) < near * width
        if on_wall.sum() < 12:
            return axis
        off, outward, points, height = off[on_wall], outward[on_wall], points[on_wall], local[on_wall, 2:]
        # The wall drifts sideways by tilt x height. Drawn along a tilted axis, the loop of a mitre is also stretched.
        stretch = (outward[:, :, None] * points[:, None]).reshape(-1, 4) / width
        unknowns = np.column_stack([outward * height / width, outward, stretch])
        solved = np.linalg.lstsq(unknowns.T @ unknowns, unknowns.T @ off, rcond=1e-12)[0]
        tilt = polygons.turned(solved[:2] / width, np.radians(fit.turn_deg))
        axis = frame.axes.T @ np.array([*tilt, 1.0])
        axis /= np.linalg.norm(axis)
    return axis
