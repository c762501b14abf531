# SPDX-License-Identifier: GPL-3.0-or-later
"""3MF: one object a fitting, and as many build items as are to be printed.

Source: 3MF Core Specification (ISO/IEC 25422): package parts, content types, units, metadata, objects, build.
"""

from __future__ import annotations

import io
import math
import re
import zipfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Unpack

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Floats
from ..geometry.placement import Placement
from ..geometry.units import MM_PER_UNIT
from ..trade.shrink import shrink_scale
from .atomic import FileSet
from .parts import NO_SHRINK, FileScale, FileUnit, Part, PreparedFile, Shrink, WrittenFile, check_part
from .readback import check_3mf

NAMESPACE = "urn:x-ferrule:fitting"
"""Of the metadata that the specification does not name."""

_WELL_KNOWN = (
    "Title",
    "Designer",
    "Description",
    "Copyright",
    "LicenseTerms",
    "Rating",
    "CreationDate",
    "ModificationDate",
    "Application",
)
_UNITS = {"mm": "millimeter", "in": "inch"}
_NAME = re.compile(r"[A-Za-z_][A-Za-z0-9_.-]*")
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_ESCAPES = {ord("&"): "&amp;", ord("<"): "&lt;", ord(">"): "&gt;", ord('"'): "&quot;"}
_MODEL = "3D/3dmodel.model"
_PACKAGE = {
    "[Content_Types].xml": '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
    '<Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
    '<Default Extension="model" ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>'
    "</Types>",
    "_rels/.rels": '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    f'<Relationship Id="rel0" Target="/{_MODEL}"'
    ' Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    "</Relationships>",
}
_ROWS_AT_ONCE = 50_000
_LEVEL = 4
"""How hard the zip tries: 6, which is usual, takes two and a half times as long for files 4 % smaller."""


def write_3mf(
    path: Path,
    parts: Sequence[Part],
    placements: Sequence[Placement],
    *,
    metadata: Mapping[str, str] | None = None,
    files: FileSet | None = None,
    **scale: Unpack[FileScale],
) -> WrittenFile:
    """Writes the parts that ``placements`` (of one plate) put down, as ``prepared_3mf`` makes the file.

    With ``files`` the file takes its name when the set is complete. Raises ``FileError`` or ``ValueError``.
    """
    return prepared_3mf(path, parts, placements, metadata=metadata, **scale).write(files)


def prepared_3mf(
    path: Path,
    parts: Sequence[Part],
    placements: Sequence[Placement],
    *,
    unit: FileUnit = "mm",
    metadata: Mapping[str, str] | None = None,
    shrink_percent: Shrink = NO_SHRINK,
) -> PreparedFile:
    """The file, read again and compared with the parts.

    ``metadata`` is of the whole file; names that the specification does not know go into a namespace of our own.
    Parts are larger by what they will shrink along the plate's axes. Equal input gives equal bytes. Raises
    ``FileError`` or ``ValueError``.
    """
    if not placements:
        raise ValueError(f"nothing to write into {path}; put at least one fitting on the plate")
    for placement in placements:
        if not 0 <= placement.part < len(parts):
            raise ValueError(f"a placement asks for part {placement.part}, but there are only {len(parts)}")
        if not all(map(math.isfinite, (placement.x, placement.y, placement.turn_deg))):
            raise ValueError(f"{parts[placement.part].name!r} has no place on the plate: {placement}")
    there = sorted({placement.part for placement in placements})
    for index in there:
        check_part(parts[index])
    names = tuple(parts[index].name for index in there)
    path = Path(path)
    if path.suffix.lower() != ".3mf":
        path = path.with_name(path.name + ".3mf")
    known = {"Application": "Ferrule", **(metadata or {}), "shrink_percent": _percent(shrink_percent)}
    content = _package("".join(_model(parts, placements, unit, known, shrink_percent)))
    read = check_3mf(content, parts, placements, unit=unit, shrink_percent=shrink_percent, where=str(path))
    written = WrittenFile(path, "3mf", unit, names, read.triangles, read.volume_mm3, len(placements))
    return PreparedFile(written, content)


def _package(model: str) -> bytes:
    """The zip, with the earliest date that zips know, so that equal models make equal bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as package:
        for name, text in {**_PACKAGE, _MODEL: model}.items():
            entry = zipfile.ZipInfo(name)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            entry.external_attr = 0o644 << 16
            package.writestr(entry, text.encode("utf-8"), compresslevel=_LEVEL)
    return buffer.getvalue()


def _model(
    parts: Sequence[Part],
    placements: Sequence[Placement],
    unit: FileUnit,
    metadata: Mapping[str, str],
    shrink_percent: Shrink,
) -> Iterator[str]:
    scale = shrink_scale(shrink_percent)
    objects = _objects(placements, scale)
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield f'<model unit="{_UNITS[unit]}" xml:lang="en-US"'
    yield ' xmlns="http://schemas.microsoft.com/3dmanufacturing/core/2015/02"'
    yield f' xmlns:ferrule="{NAMESPACE}">\n'
    yield from _metadata(metadata)
    yield "<resources>\n"
    for (index, turn), number in objects.items():
        part = parts[index]
        name = _escaped(" ".join(part.name.split()))
        yield f'<object id="{number}" type="model" name="{name}">\n'
        if part.metadata:
            yield "<metadatagroup>\n"
            yield from _metadata(part.metadata)
            yield "</metadatagroup>\n"
        yield "<mesh>\n<vertices>\n"
        yield from _rows('<vertex x="%.9g" y="%.9g" z="%.9g"/>\n', _enlarged(part, scale, turn) / MM_PER_UNIT[unit])
        yield "</vertices>\n<triangles>\n"
        yield from _rows('<triangle v1="%d" v2="%d" v3="%d"/>\n', part.mesh.triangles)
        yield "</triangles>\n</mesh>\n</object>\n"
    yield "</resources>\n<build>\n"
    for placement in placements:
        number = objects[_object(placement, scale)]
        lowest = float(parts[placement.part].mesh.vertices[:, 2].min() * scale[2])
        transform = _transform(placement, lowest, MM_PER_UNIT[unit])
        yield f'<item objectid="{number}" transform="{transform}"/>\n'
    yield "</build>\n</model>\n"


def _objects(placements: Iterable[Placement], scale: Floats) -> dict[tuple[int, float], int]:
    """The number of each object in the file, by part and by the turn it is enlarged for."""
    keys = dict.fromkeys(_object(placement, scale) for placement in placements)
    return {key: number for number, key in enumerate(sorted(keys), 1)}


def _object(placement: Placement, scale: Floats) -> tuple[int, float]:
    """Where x and y shrink alike a part is enlarged the same way however it is turned."""
    return placement.part, 0.0 if scale[0] == scale[1] else placement.turn_deg % 360


def _enlarged(part: Part, scale: Floats, turn_deg: float) -> Floats:
    """Vertices (n, 3) in mm that, turned, are larger along the plate's axes."""
    turn = np.eye(3)
    turn[:2, :2] = _turn(turn_deg)
    return part.mesh.vertices @ (turn @ np.diag(scale) @ turn.T) + 0.0


def _turn(degrees: float) -> Floats:
    """(2, 2), for points in rows; quarter turns come out in whole numbers."""
    angle = math.radians(degrees)
    cos, sin = round(math.cos(angle), 15), round(math.sin(angle), 15)
    return np.array([[cos, sin], [-sin, cos]]) + 0.0


def _transform(placement: Placement, lowest: float, mm_per_unit: float) -> str:
    """The specification's 4 x 3 matrix for points in rows; the part ends up standing on the plate."""
    (xx, xy), (yx, yy) = _turn(placement.turn_deg)
    x, y, z = np.array([placement.x, placement.y, -lowest]) / mm_per_unit + 0.0
    return f"{xx:.12g} {xy:.12g} 0 {yx:.12g} {yy:.12g} 0 0 0 1 {x:.9g} {y:.9g} {z:.9g}"


def _rows(row: str, numbers: Floats | NDArray[np.int32]) -> Iterator[str]:
    for start in range(0, len(numbers), _ROWS_AT_ONCE):
        some = numbers[start : start + _ROWS_AT_ONCE]
        yield (row * len(some)) % tuple(some.ravel().tolist())


def _metadata(metadata: Mapping[str, str]) -> Iterator[str]:
    for name, text in metadata.items():
        if not _NAME.fullmatch(name):
            raise ValueError(f"{name!r} cannot name metadata; use letters, digits and underscores, such as 'rise_mm'")
        qualified = name if name in _WELL_KNOWN else f"ferrule:{name}"
        yield f'<metadata name="{qualified}">{_escaped(text)}</metadata>\n'


def _percent(shrink_percent: Shrink) -> str:
    return " ".join(f"{percent:.7g}" for percent in shrink_percent)


def _escaped(text: str) -> str:
    """Text for XML; what XML cannot carry becomes U+FFFD, and every line end the plain one.

    No character is written by its number: not every reader of 3MF knows how to read that.
    """
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    return _NOT_XML.sub("\ufffd", text).translate(_ESCAPES)
