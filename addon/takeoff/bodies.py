# SPDX-License-Identifier: GPL-3.0-or-later
"""The bodies of an assembly as meshes of their own, under the names that tube ends call them by."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry.mesh import Mesh
from .surface import Surface, read_surface


def split_bodies(meshes: Sequence[Mesh], surface: Surface | None = None) -> tuple[Mesh, ...]:
    """Every connected body, welded and wound outward; ``TubeEnd.source`` is one of their names.

    ``surface`` is that of a takeoff of the same meshes, if there was one: they need not be read again. Raises
    ``TakeoffError`` as ``take_off`` does.
    """
    if surface is None:
        surface = read_surface(meshes)
    if not surface.body_names:
        return ()
    order = np.argsort(surface.bodies, kind="stable")
    starts = np.searchsorted(surface.bodies[order], np.arange(1, len(surface.body_names)))
    bodies = []
    for name, rows in zip(surface.body_names, np.split(order, starts), strict=True):
        used, triangles = np.unique(surface.triangles[rows], return_inverse=True)
        body = Mesh(surface.vertices[used], triangles.reshape(-1, 3).astype(np.int32), name)
        bodies.append(Mesh(body.vertices, body.triangles[:, ::-1].copy(), name) if body.volume < 0 else body)
    return tuple(bodies)
