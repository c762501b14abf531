# SPDX-License-Identifier: GPL-3.0-or-later
"""Long tubes and weldments fused to one body, made anew of cells by each mode of Blender's Remesh modifier.

No end is read at a wrong size without a note. Cells are often wider than walls, so that ends may be lost; those lost
without a word are counted, and no failure.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import Literal

import numpy as np

from addon.geometry.mesh import Mesh

from .modifiers import CHUNK, LIMIT_S, WRONG, Meshes, Way, attack_by, modified

__all__ = ["CHUNK", "LIMIT_S", "attack"]

_Mode = Literal["BLOCKS", "SMOOTH", "SHARP", "VOXEL"]

_MM = 1e-3
_MOST_CELLS = 30_000
_WIDEST_SHARE = 0.99
"""Of the cells along an object's longest side that it may fill."""


def attack(seed: int, count: int) -> Counter[str]:
    return attack_by(_WAYS, {WRONG}, seed, count)


def _remesh(mode: _Mode) -> Way:
    """In cells of 0.5 to 2.5 mm, or larger ones if there were too many of them."""

    def way(rng: np.random.Generator, meshes: Meshes) -> Meshes:
        wanted, whole = rng.uniform(0.5, 2.5), bool(rng.integers(2))
        return [_remeshed(mesh, mode, max(wanted, math.sqrt(mesh.area / _MOST_CELLS)), whole) for mesh in meshes]

    return way


def _remeshed(mesh: Mesh, mode: _Mode, cell: float, whole: bool) -> Mesh:
    if mode == "VOXEL":
        return modified(mesh, ("REMESH", {"mode": mode, "voxel_size": cell * _MM}))
    size = float(np.ptp(mesh.vertices, axis=0).max())
    depth = math.ceil(math.log2(size / (_WIDEST_SHARE * cell)))
    scale = size / (cell * 2**depth)
    kept = {"octree_depth": depth, "scale": scale, "use_remove_disconnected": not whole}
    return modified(mesh, ("REMESH", {"mode": mode, **kept}))


_WAYS: dict[str, Way] = {
    "in voxels": _remesh("VOXEL"),
    "in blocks": _remesh("BLOCKS"),
    "smooth": _remesh("SMOOTH"),
    "sharp": _remesh("SHARP"),
    "fused, in voxels": _remesh("VOXEL"),
    "fused, in blocks": _remesh("BLOCKS"),
    "fused, smooth": _remesh("SMOOTH"),
    "fused, sharp": _remesh("SHARP"),
}
