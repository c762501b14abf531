# SPDX-License-Identifier: GPL-3.0-or-later
"""Triangle meshes as plain arrays, in millimetres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from manifold3d import Manifold, Mesh64
from numpy.typing import NDArray

from .frames import Floats, Frame

Ints = NDArray[np.int32]


def cross_rows(first: Floats, second: Floats) -> Floats:
    """(m, 3): the cross products of vectors (m, 3), row by row, in a fraction of numpy's own time."""
    (ux, uy, uz), (vx, vy, vz) = first.T, second.T
    return np.stack([uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx]).T


def triangle_normals(first: Floats, second: Floats, third: Floats) -> tuple[Floats, Floats]:
    """Of triangles with corners (m, 3) each: unit normals (m, 3), zero if there is no area, and areas (m,)."""
    doubled = cross_rows(second - first, third - first)
    lengths = np.sqrt(np.einsum("ij,ij->i", doubled, doubled))
    return doubled / np.where(lengths > 0, lengths, 1.0)[:, None], lengths / 2


@dataclass(frozen=True, eq=False)
class Mesh:
    """Vertices (n, 3) in mm and triangles (m, 3), counter-clockwise seen from outside."""

    vertices: Floats
    triangles: Ints
    name: str = ""

    @property
    def corners(self) -> Floats:
        """(m, 3, 3): the three corners of each triangle."""
        return self.vertices[self.triangles]

    @cached_property
    def bounds(self) -> Floats:
        """(2, 3): the least and the greatest coordinates."""
        return np.array([self.vertices.min(axis=0), self.vertices.max(axis=0)])

    @property
    def size(self) -> Floats:
        """(3,): the box that holds the mesh."""
        return np.asarray(self.bounds[1] - self.bounds[0])

    @cached_property
    def volume(self) -> float:
        """Enclosed volume in mm³ by the divergence theorem; negative if the mesh is inside out."""
        corners = self.corners - self.vertices[:1]
        return float(np.einsum("ij,ij->", corners[:, 0], cross_rows(corners[:, 1], corners[:, 2])) / 6)

    @property
    def centre_of_mass(self) -> Floats:
        """(3,): of a closed mesh filled evenly, by tetrahedra from its first vertex."""
        base = self.vertices[0]
        corners = self.corners - base
        six_volumes = np.einsum("ij,ij->i", corners[:, 0], cross_rows(corners[:, 1], corners[:, 2]))
        return base + np.einsum("i,ij->j", six_volumes, corners.sum(axis=1)) / (4 * six_volumes.sum())

    @cached_property
    def area(self) -> float:
        """Surface area in mm²."""
        return float(triangle_normals(*self.vertices[self.triangles.T])[1].sum())

    @classmethod
    def from_manifold(cls, solid: Manifold, name: str = "") -> Mesh:
        raw = solid.to_mesh64()
        return cls(np.array(raw.vert_properties)[:, :3], np.asarray(raw.tri_verts).astype(np.int32), name)

    def to_manifold(self) -> Manifold:
        """The kernel's solid. Its ``status()`` says whether the mesh really is closed and manifold."""
        # The kernel takes writable arrays in C order only, so it gets copies.
        return Manifold(
            Mesh64(np.array(self.vertices, float, order="C"), np.array(self.triangles, np.uint64, order="C"))
        )

    def placed(self, frame: Frame) -> Mesh:
        """The mesh carried from ``frame`` to the world."""
        return Mesh(frame.to_world(self.vertices), self.triangles, self.name)


class WithSolid:
    """What has a mesh, and the kernel's solid with it, which stays in its process: in another one it is made anew."""

    mesh: Mesh
    kernel: Manifold | None = None
    """Where the mesh was read from it; it takes as long to make as to cut."""

    @cached_property
    def solid(self) -> Manifold:
        """The kernel's, where the mesh is."""
        return self.mesh.to_manifold() if self.kernel is None else self.kernel

    def __getstate__(self) -> dict[str, Any]:
        return {name: value for name, value in vars(self).items() if name not in ("kernel", "solid")}


def together(meshes: Sequence[Mesh], name: str = "") -> Mesh:
    """Several meshes as one, their vertices one after another."""
    begins = np.cumsum([0, *(len(mesh.vertices) for mesh in meshes)]).tolist()
    triangles = [mesh.triangles + begin for mesh, begin in zip(meshes, begins, strict=False)]
    return Mesh(
        np.concatenate([np.empty((0, 3)), *(mesh.vertices for mesh in meshes)]),
        np.concatenate([np.empty((0, 3), np.int32), *triangles]).astype(np.int32),
        name,
    )
