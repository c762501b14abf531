# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes of any make handed to the kernel safely."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from manifold3d import Error, Manifold, OpType

from ..geometry.mesh import Mesh

LARGEST_MM = 1e7
"""Ten kilometres: the kernel's 2-D arithmetic ends somewhat above."""

_LONE_FACE = Mesh(np.eye(3), np.array([(0, 1, 2)], np.int32))


def solid_of(mesh: Mesh) -> Manifold:
    """The kernel's solid, its ``status()`` no longer "no error" where the mesh is not closed.

    Edges that do not pair up are found here: for some such meshes the kernel itself reads past its arrays.
    """
    start = mesh.triangles.ravel().astype(np.int64)
    end = mesh.triangles[:, [1, 2, 0]].ravel().astype(np.int64)
    count = np.int64(len(mesh.vertices))
    paired = np.array_equal(np.sort(start * count + end), np.sort(end * count + start))
    return mesh.to_manifold() if paired else _LONE_FACE.to_manifold()


def closed_solid(mesh: Mesh) -> Manifold | None:
    """The mesh's solid, its bodies joined; None if it is not closed."""
    solid = solid_of(mesh)
    if solid.status() != Error.NoError or solid.is_empty() or mesh.volume <= 0:
        return None
    parts = solid.decompose()
    return solid if len(parts) == 1 else _joined(parts)


def _joined(parts: Sequence[Manifold]) -> Manifold:
    """Bodies as one; cavities, which the kernel gives as bodies of negative volume, stay cavities."""
    volumes = [Mesh.from_manifold(part).volume for part in parts]
    bodies = Manifold.batch_boolean(
        [part for part, volume in zip(parts, volumes, strict=True) if volume > 0], OpType.Add
    )
    for part, volume in zip(parts, volumes, strict=True):
        if volume < 0:
            inside_out = Mesh.from_manifold(part)
            bodies = bodies - Mesh(inside_out.vertices, inside_out.triangles[:, ::-1].copy()).to_manifold()
    return bodies
