# SPDX-License-Identifier: GPL-3.0-or-later
"""Binary STL: 80 bytes of text, a count, 50 bytes a facet, little endian (source: the de facto description).

The format has no unit, so the header and the file's name state it.
"""

from __future__ import annotations

import unicodedata
from pathlib import Path
from typing import Unpack

import numpy as np

from ..geometry.mesh import triangle_normals
from ..geometry.units import MM_PER_UNIT
from ..trade.shrink import shrink_scale
from .atomic import FileSet
from .parts import NO_SHRINK, FileScale, FileUnit, Part, PreparedFile, Shrink, WrittenFile, check_part
from .readback import check_stl

_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])


def write_stl(path: Path, part: Part, *, files: FileSet | None = None, **scale: Unpack[FileScale]) -> WrittenFile:
    """Writes one part, as ``prepared_stl`` makes the file.

    With ``files`` it takes its name when the set is complete. Raises ``FileError`` or ``ValueError``.
    """
    return prepared_stl(path, part, **scale).write(files)


def prepared_stl(path: Path, part: Part, *, unit: FileUnit = "mm", shrink_percent: Shrink = NO_SHRINK) -> PreparedFile:
    """The file of one part, larger by what it will shrink, read again and compared.

    The name gets the unit and the ending (``cap.stl`` becomes ``cap_mm.stl``). Raises ``FileError`` or ``ValueError``.
    """
    check_part(part)
    content = _stl(part, unit, shrink_percent)
    path = _with_unit(Path(path), unit)
    read = check_stl(content, part, unit=unit, shrink_percent=shrink_percent, where=str(path))
    return PreparedFile(WrittenFile(path, "stl", unit, (part.name,), read.triangles, read.volume_mm3, 1), content)


def _stl(part: Part, unit: FileUnit, shrink_percent: Shrink) -> bytes:
    corners = part.mesh.corners * (shrink_scale(shrink_percent) / MM_PER_UNIT[unit])
    facets = np.zeros(len(corners), _FACET)
    facets["corners"] = corners
    facets["normal"] = triangle_normals(*corners.swapaxes(0, 1))[0]
    return _header(part.name, unit, shrink_percent) + np.uint32(len(facets)).tobytes() + facets.tobytes()


def _header(name: str, unit: FileUnit, shrink_percent: Shrink) -> bytes:
    """Never begins with "solid", the mark of the other kind of STL."""
    shrink = ""
    if any(shrink_percent):
        shrink = "; enlarged for shrink of x {:.7g} y {:.7g} z {:.7g} %".format(*shrink_percent)
    plain = unicodedata.normalize("NFKD", name.replace("×", "x")).encode("ascii", "ignore").decode()
    text = f"Unit: {unit}{shrink}; " + "".join(c if c.isprintable() else " " for c in plain)
    return text.encode("ascii")[:80].ljust(80)


def _with_unit(path: Path, unit: FileUnit) -> Path:
    stem = path.name[:-4] if path.name.lower().endswith(".stl") else path.name
    for known in ("_mm", "_in"):
        stem = stem.removesuffix(known)
    return path.with_name(f"{stem}_{unit}.stl")
