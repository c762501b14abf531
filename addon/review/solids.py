# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes of any make handed to the kernel safely."""

from __future__ import annotations

import numpy as np
from manifold3d import Manifold

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
