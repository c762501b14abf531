# SPDX-License-Identifier: GPL-3.0-or-later
"""Sharper axes for tubes whose walls are many small triangles.

A triangle of three corners on a curved wall leans a little from it, so normals alone tell the axis to a degree or so.
The corners themselves lie on the true wall: the axis is turned until all of them lie on one outline.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..geometry import polygons
from ..geometry.fits import fit_outline
from ..geometry.frames import Floats, Frame
from .rims import Rims
from .surface import Surface
from .walls import WallIndex

_REACHES = (1.0, 4.0, 16.0, np.inf)
"""How far down the wall to look, in widths: far corners sharpen the axis once it is nearly right."""
_NEAR = 2e-3
_ROUNDS = 2


def sharpened(surface: Surface, index: WallIndex, rims: Rims) -> Rims:
    """The rims, with the axes of those that are not exact read from the corners of their bores' walls."""
    axes = rims.axes.copy()
    for rim in np.flatnonzero(~rims.exact).tolist():
        part = rims.bore.part(rim)
        loop = surface.vertices[rims.bore.vertices[part]]
        across = rims.bore.across[part]
        triangles = index.triangles_of(np.unique(surface.walls[across[across >= 0]]))
        triangles = triangles[np.abs(surface.normals[triangles] @ axes[rim]) < 0.1]
        corners = surface.vertices[np.unique(surface.triangles[triangles])]
        axes[rim] = _sharper(loop, corners, axes[rim], float(surface.noise[triangles].max(initial=0.0)))
    return replace(rims, axes=axes)


def _sharper(loop: Floats, corners: Floats, axis: Floats, noise: float) -> Floats:
    for reach in _REACHES:
        for _ in range(_ROUNDS):
            frame = Frame.along(loop.mean(axis=0), axis)
            fit = fit_outline(frame.to_local(loop)[:, :2], noise)
            width = fit.outline.width
            ideal = fit.polygon(chord_error=1e-4 * width)
            local = frame.to_local(corners)
            local = local[np.abs(local[:, 2]) <= reach * width]
            distance, edge = polygons.nearest(ideal, local[:, :2])
            on_wall = distance < _NEAR * width * (4 if reach == _REACHES[0] else 1)
            if on_wall.sum() < 8:
                return axis
            outward = polygons.outward_normals(ideal)[edge[on_wall]]
            off = np.einsum("ij,ij->i", local[on_wall, :2] - ideal[edge[on_wall]], outward)
            height = local[on_wall, 2:]
            # The wall drifts sideways by tilt x height; the outline itself may sit or be sized a little off.
            unknowns = np.column_stack([outward * height, outward, np.ones(len(off))])
            tilt = np.linalg.lstsq(unknowns, off, rcond=None)[0][:2]
            axis = frame.axes.T @ np.array([*tilt, 1.0])
            axis /= np.linalg.norm(axis)
    return axis
