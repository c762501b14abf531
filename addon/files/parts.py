# SPDX-License-Identifier: GPL-3.0-or-later
"""What goes into a file, and what is known of it afterwards."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, TypedDict

import numpy as np

from ..geometry.mesh import Mesh
from .atomic import FileSet, write_checked

FileUnit = Literal["mm", "in"]
Shrink = tuple[float, float, float]
NO_SHRINK: Shrink = (0.0, 0.0, 0.0)


class FileScale(TypedDict, total=False):
    """What the numbers in a file are in, millimetres as a rule, and how much prints of it shrink along the plate's
    axes."""

    unit: FileUnit
    shrink_percent: Shrink


@dataclass(frozen=True, eq=False)
class Part:
    """A fitting as it is to be printed: closed mesh in mm, standing the way it prints, and what to say of it."""

    name: str
    mesh: Mesh
    metadata: Mapping[str, str] = field(default_factory=dict)
    """Recipe and process as text. Keys are plain words such as ``rise_mm``."""


@dataclass(frozen=True)
class WrittenFile:
    """A file that was written, read back and found right; where it is not, the writer raises and there is none."""

    path: Path
    format: Literal["3mf", "stl"]
    unit: FileUnit
    parts: tuple[str, ...]
    """What is in it, by name, each once."""
    triangles: int
    """Of every solid in the file, each counted once."""
    volume_mm3: float
    """Of every solid in the file, each counted once, with what was added for shrink."""
    items: int
    """How many are to be printed."""


@dataclass(frozen=True, eq=False)
class PreparedFile:
    """A file that was found right and is not written yet."""

    written: WrittenFile
    """What it is then."""
    content: bytes

    def write(self, files: FileSet | None = None) -> WrittenFile:
        """Adds it to ``files``, or writes it on its own where that is None; either way the disk has to give back what
        was found right."""
        return write_checked(self.written.path, self.content, lambda _: self.written, files)


def check_part(part: Part) -> None:
    """Raises ``ValueError`` if a part's arrays are not a mesh."""
    vertices, triangles = part.mesh.vertices, part.mesh.triangles
    if vertices.ndim != 2 or vertices.shape[1] != 3 or triangles.ndim != 2 or triangles.shape[1] != 3:
        raise ValueError(f"{part.name!r}: vertices and triangles have to be (n, 3) arrays")
    if not len(triangles):
        raise ValueError(f"{part.name!r} has no triangles; build the fitting first")
    if not np.isfinite(vertices).all():
        raise ValueError(f"{part.name!r} has vertices that are not finite numbers; build the fitting again")
    if triangles.min() < 0 or triangles.max() >= len(vertices):
        raise ValueError(f"{part.name!r} has triangles of vertices that are not there; build the fitting again")
