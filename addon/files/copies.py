# SPDX-License-Identifier: GPL-3.0-or-later
"""Faces that lie twice in a file, which Blender's importers drop without a word."""

from __future__ import annotations

import json
import re
from base64 import b64decode
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
from numpy.typing import NDArray

from ..fields.messages import DAMAGES
from ..geometry.topology import Indices
from .incoming import CORNERS, gltf_parts, is_plain, ply_rows, read_ply

Floats32 = NDArray[np.float32]

_STL_FACET = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("more", "<u2")])
_STL_VERTEX = re.compile(rb"vertex\s+(\S+)\s+(\S+)\s+(\S+)")
_GLTF_INDICES = {5121: "u1", 5123: "<u2", 5125: "<u4"}
_GLTF_TRIANGLES = 4


def copies_in(path: Path, read: int) -> tuple[int, int]:
    """How many faces of a whole file that the importer took ``read`` faces of lie on others of it, and how many faces
    it holds in all; those without area are not counted. Nought twice if it took them all, or keeps copies itself."""
    if path.suffix.lower() not in _KINDS:
        return 0, 0
    most, faces_in = _KINDS[path.suffix.lower()]
    try:
        faces = list(faces_in(path)) if most(path) > read else []
    except DAMAGES:  # the importer made sense of it all the same
        return 0, 0
    if sum(map(len, faces)) <= read:
        return 0, 0
    copies = count = 0
    for corners in faces:
        sorted_corners = np.sort(corners, axis=1)
        with_area = sorted_corners[(np.diff(sorted_corners, axis=1) > 0).all(axis=1)]
        count += len(with_area)
        copies += len(with_area) - len(np.unique(with_area, axis=0))
    return copies, count


def with_touching_faces(path: Path) -> tuple[Floats32, Indices, int] | None:
    """The points (n, 3) and faces (m, 3) of an STL file, those where bodies touch included, and how many others of its
    faces, which lie on these the same way round, are not among them; None where no bodies touch. Blender's importer
    keeps one face of the two in such a place, which leaves a body open."""
    try:
        points, corners = _stl(path)
    except DAMAGES:
        return None
    least = corners.argmin(axis=1)
    corners = np.take_along_axis(corners, (least[:, None] + np.arange(3)) % 3, axis=1)
    corners = corners[(np.diff(np.sort(corners, axis=1), axis=1) > 0).all(axis=1)]
    faces = corners[np.sort(np.unique(corners, axis=0, return_index=True)[1])]  # bodies are numbered in this order
    first = np.unique(np.sort(faces, axis=1), axis=0, return_index=True)[1]
    if len(first) == len(faces) or _open_edges(faces) >= _open_edges(faces[first]):
        return None  # a body that is there twice, once of them inside out, is closed without the other one
    return points, faces, len(corners) - len(faces)


def _open_edges(faces: Indices) -> int:
    """How many edges have an odd number of faces."""
    edges = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    return int(np.count_nonzero(np.unique(edges, axis=0, return_counts=True)[1] % 2))


def _most_in_stl(path: Path) -> int:
    """How many faces it has at most."""
    if is_plain(path):
        return (path.stat().st_size - 84) // _STL_FACET.itemsize
    return path.read_bytes().count(b"vertex") // 3


def _stl_faces(path: Path) -> Iterator[Indices]:
    yield _stl(path)[1]


def _stl(path: Path) -> tuple[Floats32, Indices]:
    """Its points (n, 3), and (m, 3): their numbers at the corners of each face."""
    if is_plain(path):
        points = np.fromfile(path, _STL_FACET, offset=84)["corners"].reshape(-1, 3)
    else:
        points = np.array(_STL_VERTEX.findall(path.read_bytes())).astype(np.float32).reshape(-1, 3)
    points, numbers = np.unique(points + np.float32(0.0), axis=0, return_inverse=True)
    return points, numbers.ravel()[: numbers.size // 3 * 3].reshape(-1, 3)


def _most_in_ply(path: Path) -> int:
    return sum(element.count for element in read_ply(path)[3] if element.name == "face")


def _ply_faces(path: Path) -> Iterator[Indices]:
    """(n, k): the corners of the faces with k of them, for each k."""
    data, begin, order, elements = read_ply(path)
    by_length: dict[int, list[Indices]] = defaultdict(list)
    if order:
        for element, rows in ply_rows(data, begin, order, elements):
            for name in CORNERS if element.name == "face" else ():
                if name in (rows.dtype.names or ()):
                    by_length[rows[name].shape[1]].append(rows[name].astype(np.int64))
    else:
        lines = (line.split() for line in data[begin:].splitlines() if line.strip())
        for element in elements:
            for _, words in zip(range(element.count), lines, strict=False):
                at = 0
                for entry in element.properties:
                    length = int(words[at]) if entry.counted_by else 1
                    at += bool(entry.counted_by)
                    if element.name == "face" and entry.name in CORNERS:
                        by_length[length].append(np.array([words[at : at + length]]).astype(np.int64))
                    at += length
    for faces in by_length.values():
        yield np.concatenate(faces)


def _most_in_gltf(path: Path) -> int:
    return sum(map(len, _gltf_faces(path)))


def _gltf_faces(path: Path) -> Iterator[Indices]:
    """(n, 3): the corners of the triangles that have their points in one list, for each such list of a mesh."""
    text, inside = gltf_parts(path)
    table = json.loads(text)
    for mesh in table.get("meshes", []):
        by_points: dict[int, list[Indices]] = defaultdict(list)
        for part in mesh["primitives"]:
            corners = table["accessors"][part["indices"]] if "indices" in part else {}
            if part.get("mode", _GLTF_TRIANGLES) == _GLTF_TRIANGLES and "bufferView" in corners:
                by_points[part["attributes"]["POSITION"]].append(_gltf_corners(table, corners, path.parent, inside))
        for faces in by_points.values():
            yield np.concatenate(faces)


def _gltf_corners(table: dict[str, Any], accessor: dict[str, Any], folder: Path, inside: bytes | None) -> Indices:
    view = table["bufferViews"][accessor["bufferView"]]
    uri = table["buffers"][view["buffer"]].get("uri")
    if uri is None:
        data = inside or b""
    else:
        data = b64decode(uri.partition(",")[2]) if uri.startswith("data:") else (folder / unquote(uri)).read_bytes()
    begin = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
    numbers = np.frombuffer(data, _GLTF_INDICES[accessor["componentType"]], accessor["count"] // 3 * 3, begin)
    return numbers.astype(np.int64).reshape(-1, 3)


_KINDS: dict[str, tuple[Callable[[Path], int], Callable[[Path], Iterator[Indices]]]] = {
    ".stl": (_most_in_stl, _stl_faces),
    ".ply": (_most_in_ply, _ply_faces),
    ".glb": (_most_in_gltf, _gltf_faces),
    ".gltf": (_most_in_gltf, _gltf_faces),
}
"""How many faces a file of a kind has at most, by what is seen at once, and these faces."""
