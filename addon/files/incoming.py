# SPDX-License-Identifier: GPL-3.0-or-later
"""Files of other programs, checked before they are read: what they announce against what they hold.

Importers trust the numbers in a file: one that is damaged may take down the program that reads it, or half a tube pass
for a whole one. An OBJ file announces nothing.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
from numpy.typing import NDArray

from ..fields.messages import DAMAGES
from ..geometry.names import quoted

_LONGEST_HEADER = 100_000
_PLY_TYPES = {
    **dict.fromkeys(("char", "int8"), "i1"),
    **dict.fromkeys(("uchar", "uint8"), "u1"),
    **dict.fromkeys(("short", "int16"), "i2"),
    **dict.fromkeys(("ushort", "uint16"), "u2"),
    **dict.fromkeys(("int", "int32"), "i4"),
    **dict.fromkeys(("uint", "uint32"), "u4"),
    **dict.fromkeys(("float", "float32"), "f4"),
    **dict.fromkeys(("double", "float64"), "f8"),
}
_PLY_COUNTERS = {name: kind for name, kind in _PLY_TYPES.items() if kind[0] != "f"}
_PLY_ORDERS = {"ascii": "", "binary_little_endian": "<", "binary_big_endian": ">"}
CORNERS = ("vertex_indices", "vertex_index")
_GLTF_BYTES = {5120: 1, 5121: 1, 5122: 2, 5123: 2, 5125: 4, 5126: 4}
_GLTF_NUMBERS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}


class DamagedFileError(ValueError):
    """What a file announces and does not hold."""


def check_whole(path: Path) -> None:
    """Raises ``DamagedFileError`` if a file of a known kind is cut short or its numbers contradict each other, and
    ``OSError`` if it cannot be read."""
    checks = {
        ".stl": _check_stl,
        ".ply": _check_ply,
        **dict.fromkeys((".glb", ".gltf"), _check_gltf),
        **dict.fromkeys((".step", ".stp"), _check_step),
        **dict.fromkeys((".iges", ".igs"), _check_iges),
    }
    check = checks.get(path.suffix.lower())
    if check:
        check(path)


def is_plain(path: Path) -> bool:
    """Whether a file is a binary STL file of just the bytes that its triangles take: nothing is left in it that could
    lead an importer astray. False for one that cannot be read."""
    try:
        with path.open("rb") as file:
            count = int.from_bytes(file.read(84)[80:84], "little")
        return path.suffix.lower() == ".stl" and path.stat().st_size == 84 + 50 * count
    except OSError:
        return False


def _check_stl(path: Path) -> None:
    if is_plain(path):
        return
    size = path.stat().st_size
    with path.open("rb") as file:
        start = file.read(84)
        count = int.from_bytes(start[80:84], "little")
        if start.lstrip().startswith(b"solid"):
            file.seek(max(0, size - 1000))
            if b"endsolid" in file.read():
                return
            raise DamagedFileError("it is cut short: its last solid has no end")
    raise DamagedFileError(f"it announces {count} triangles, which take {84 + 50 * count} bytes, but has {size} bytes")


def _check_step(path: Path) -> None:
    """Its first and last words (ISO 10303-21)."""
    start, end = _ends_of(path)
    if not start.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(b"ISO-10303-21"):
        raise DamagedFileError("it is not a STEP file, which would begin with ISO-10303-21")
    if b"END-ISO-10303-21" not in end:
        raise DamagedFileError("it is cut short: its last line, END-ISO-10303-21, is missing")


def _check_iges(path: Path) -> None:
    """The letters of its sections, in column 73 of the first and the last line (IGES 5.3, chapter 2.2)."""
    start, end = _ends_of(path)
    first, last = start.lstrip(b"\r\n").splitlines()[:1], end.rstrip().splitlines()[-1:]
    if not first or first[0][72:73] != b"S":
        raise DamagedFileError("it is not an IGES file, which would have an S in column 73 of its first line")
    if last[0][72:73] != b"T":
        raise DamagedFileError("it is cut short: its last line, with a T in column 73, is missing")


def _ends_of(path: Path) -> tuple[bytes, bytes]:
    """The first and the last of a file's bytes."""
    with path.open("rb") as file:
        start = file.read(_LONGEST_HEADER)
        file.seek(max(0, path.stat().st_size - _LONGEST_HEADER))
        return start, file.read()


@dataclass(frozen=True)
class PlyProperty:
    name: str
    kind: str
    counted_by: str
    """The type of the number before a list; empty if it is not a list."""


@dataclass(frozen=True)
class PlyElement:
    name: str
    count: int
    properties: list[PlyProperty]


def _check_ply(path: Path) -> None:
    data, begin, order, elements = read_ply(path)
    if order:
        _check_ply_bytes(data, begin, order, elements)
    else:
        _check_ply_lines(data[begin:], elements)


def read_ply(path: Path) -> tuple[bytes, int, str, list[PlyElement]]:
    """A PLY file's bytes, where its header ends among them, their order (empty for text), and what it announces.
    Raises ``DamagedFileError`` if that is not a header."""
    data = path.read_bytes()
    ending = data.find(b"end_header", 0, _LONGEST_HEADER)
    begin = data.find(b"\n", ending) + 1
    if not data.startswith(b"ply") or ending < 0 or not begin:
        raise DamagedFileError("its header has no end")
    try:
        return data, begin, *_ply_header(data[:ending].decode("ascii", "replace"))
    except (IndexError, KeyError, ValueError):
        raise DamagedFileError("its header is not that of a PLY file") from None


def _ply_header(header: str) -> tuple[str, list[PlyElement]]:
    """The byte order, empty for text, and what the file announces. Raises ``ValueError``, ``KeyError`` and
    ``IndexError`` if it is not a header."""
    order: str | None = None
    elements: list[PlyElement] = []
    for line in header.splitlines()[1:]:
        words = line.split()
        if not words or words[0] in ("comment", "obj_info"):
            continue
        if words[0] == "format":
            order = _PLY_ORDERS[words[1]]
        elif words[0] == "element":
            elements.append(PlyElement(words[1], int(words[2]), []))
        elif words[0] == "property":
            counted_by, kind = (_PLY_COUNTERS[words[2]], words[3]) if words[1] == "list" else ("", words[1])
            elements[-1].properties.append(PlyProperty(words[-1], _PLY_TYPES[kind], counted_by))
        else:
            raise ValueError(words[0])
    if order is None or min((element.count for element in elements), default=-1) < 0:
        raise ValueError(header)
    return order, elements


def _check_ply_lines(text: bytes, elements: list[PlyElement]) -> None:
    lines = sum(bool(line.strip()) for line in text.splitlines())
    announced = sum(element.count for element in elements)
    if lines < announced:
        raise DamagedFileError(f"it announces {announced} lines of numbers, but has {lines}")


def _check_ply_bytes(data: bytes, begin: int, order: str, elements: list[PlyElement]) -> None:
    vertices = sum(element.count for element in elements if element.name == "vertex")
    for _, rows in ply_rows(data, begin, order, elements):
        for name in CORNERS:
            named = rows[name] if name in (rows.dtype.names or ()) else np.empty(0)
            if named.size and not 0 <= named.min() <= named.max() < vertices:
                raise DamagedFileError(f"its faces name corners that are not among its {vertices} vertices")


def ply_rows(
    data: bytes, begin: int, order: str, elements: list[PlyElement]
) -> Iterator[tuple[PlyElement, NDArray[np.void]]]:
    """Each element's rows that follow each other with lists of one length, from byte ``begin`` on."""
    for element in elements:
        left, piece = element.count, 1
        while left and element.properties:
            row = _ply_row(data, begin, order, element)
            piece = min(piece, left, (len(data) - begin) // row.itemsize)
            if not piece:
                raise _cut_short(element)
            rows = np.frombuffer(data, row, piece, begin)
            alike = np.ones(piece, bool)
            for name in row.names or ():
                if name.startswith("length"):
                    alike &= rows[name] == rows[name][0]
            # Most files have lists of one length only: as long as that holds, ever more rows are read at once.
            done = piece if alike.all() else int(alike.argmin())
            yield element, rows[:done]
            begin, left, piece = begin + done * row.itemsize, left - done, 2 * piece if alike.all() else 1


def _ply_row(data: bytes, begin: int, order: str, element: PlyElement) -> np.dtype:
    """The layout of rows whose lists are as long as in the one that begins there."""
    fields: list[Any] = []
    at = begin
    for place, entry in enumerate(element.properties):
        kind = np.dtype(order + entry.kind)
        length = 1
        if entry.counted_by:
            counter = np.dtype(order + entry.counted_by)
            if at + counter.itemsize > len(data):
                raise _cut_short(element)
            length = int(np.frombuffer(data, counter, 1, at)[0])
            at += counter.itemsize
            fields.append((f"length {place}", counter))
        if not 0 <= length * kind.itemsize <= len(data) - at:
            raise _cut_short(element)
        fields.append((entry.name if entry.name in CORNERS else f"value {place}", kind, (length,)))
        at += length * kind.itemsize
    return np.dtype(fields)


def _cut_short(element: PlyElement) -> DamagedFileError:
    return DamagedFileError(f'it announces {element.count} times "{element.name}", but ends before the last of them')


def _check_gltf(path: Path) -> None:
    text, inside = gltf_parts(path)
    try:
        table = json.loads(text)
        _check_gltf_table(table, path.parent, None if inside is None else len(inside))
    except DamagedFileError:
        raise
    except DAMAGES:
        raise DamagedFileError("the list of its contents is not that of a glTF file") from None


def gltf_parts(path: Path) -> tuple[bytes, bytes | None]:
    """The list of a glTF file's contents, as JSON, and the buffer inside the file, if there is one."""
    data = path.read_bytes()
    if path.suffix.lower() != ".glb":
        return data, None
    chunks = glb_chunks(data)
    if chunks[0][0] != b"JSON":
        raise DamagedFileError("its first part is not the list of its contents")
    return chunks[0][1], next((chunk for kind, chunk in chunks[1:] if kind == b"BIN\0"), None)


def glb_chunks(data: bytes) -> list[tuple[bytes, bytes]]:
    length = int.from_bytes(data[8:12], "little")
    if not data.startswith(b"glTF") or length < 20:
        raise DamagedFileError("its header is not that of a glTF file")
    if length > len(data):
        raise DamagedFileError(f"it announces {length} bytes, but has {len(data)}")
    chunks, at = [], 12
    while at + 8 <= length:
        size = int.from_bytes(data[at : at + 4], "little")
        if at + 8 + size > length:
            raise DamagedFileError(f"a part of it announces {size} bytes, and {length - at - 8} are left")
        chunks.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + size]))
        at += 8 + size
    return chunks


def _check_gltf_table(table: dict[str, Any], folder: Path, inside: int | None) -> None:
    """Every view lies in its buffer, and every accessor in its view (glTF 2.0, chapter 3.6)."""
    buffers = [_buffer_length(buffer, folder, inside) for buffer in table.get("buffers", [])]
    views = table.get("bufferViews", [])
    for number, view in enumerate(views):
        end = view.get("byteOffset", 0) + view["byteLength"]
        if not 0 <= end <= buffers[view["buffer"]]:
            raise DamagedFileError(f"its view {number} ends at byte {end} of {buffers[view['buffer']]}")
    for number, accessor in enumerate(table.get("accessors", [])):
        if "bufferView" not in accessor:
            continue
        view = views[accessor["bufferView"]]
        row = _GLTF_BYTES[accessor["componentType"]] * _GLTF_NUMBERS[accessor["type"]]
        rows = accessor["count"]
        needed = accessor.get("byteOffset", 0) + (rows - 1) * view.get("byteStride", row) + row
        if rows < 0 or needed > view["byteLength"]:
            raise DamagedFileError(f"its list {number} announces {rows} rows, and its view has no room for them")


def _buffer_length(buffer: dict[str, Any], folder: Path, inside: int | None) -> int:
    """How many bytes a buffer really has, no more than it announces."""
    announced = int(buffer["byteLength"])
    uri = buffer.get("uri")
    if uri is None:
        real = inside or 0
    elif uri.startswith("data:"):
        encoded = uri.partition(",")[2].rstrip("=")
        real = len(encoded) * 3 // 4 if ";base64," in uri else announced
    else:
        file = folder / unquote(uri)
        if not file.is_file():
            raise DamagedFileError(f"{quoted(uri)}, which it names, is not beside it")
        real = file.stat().st_size
    if announced > real:
        raise DamagedFileError(f"it announces {announced} bytes of numbers, but has {real}")
    return min(announced, real)
