# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading 3MF and STL again and comparing them with what was meant.

Shares no code with the writers, so that one mistake cannot hide in both, and trusts nothing it reads. It reads what
Ferrule writes; anything else in a file is a mismatch. Source: 3MF Core Specification; de facto description of STL.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar
from xml.parsers import expat

import numpy as np
from manifold3d import CrossSection

from ..geometry.frames import Floats
from ..geometry.mesh import Ints, Mesh, triangle_normals
from ..geometry.names import quoted
from ..geometry.placement import Placement
from ..geometry.topology import in_runs
from ..geometry.units import say_three
from .errors import VerificationError
from .parts import FileUnit, Part, Shrink

TOLERANCE_MM = 1e-4
"""How far a coordinate may be off for the digits that a file keeps."""
MOST_BYTES = 2**31
"""Of a model part, unpacked."""

_MM = {"micron": 0.001, "millimeter": 1.0, "centimeter": 10.0, "inch": 25.4, "foot": 304.8, "meter": 1000.0}
_SAME_UNIT: dict[FileUnit, str] = {"mm": "millimeter", "in": "inch"}
_PARTS = {"[Content_Types].xml", "_rels/.rels", "3D/3dmodel.model"}
_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_OURS = "urn:x-ferrule:fitting"
_INSIDE = {
    "": {"model"},
    "model": {"metadata", "resources", "build"},
    "resources": {"object"},
    "object": {"metadatagroup", "mesh"},
    "metadatagroup": {"metadata"},
    "mesh": {"vertices", "triangles"},
    "vertices": {"vertex"},
    "triangles": {"triangle"},
    "build": {"item"},
}
Read = TypeVar("Read")

_BROKEN = (
    zipfile.BadZipFile,
    zlib.error,
    expat.ExpatError,
    struct.error,
    NotImplementedError,
    RuntimeError,
    EOFError,
    OSError,
    ValueError,
    KeyError,
)


@dataclass(frozen=True, eq=False)
class Solid:
    """A solid as a file has it, in mm."""

    name: str
    metadata: Mapping[str, str]
    vertices: Floats
    triangles: Ints


@dataclass(frozen=True, eq=False)
class Item:
    """One build item: the number of its object, and (4, 3) that takes points in rows to the plate, in mm."""

    number: str
    matrix: Floats


@dataclass(frozen=True, eq=False)
class Package:
    """All that a 3MF says, in mm."""

    unit: str
    shrink_percent: tuple[float, ...]
    metadata: Mapping[str, str]
    solids: Mapping[str, Solid]
    items: Sequence[Item]


@dataclass(frozen=True, eq=False)
class StlFacets:
    """All that an STL says, in mm: corners (n, 3, 3) and normals (n, 3)."""

    unit: str
    shrink_percent: tuple[float, ...]
    corners: Floats
    normals: Floats


@dataclass(frozen=True)
class Found:
    """What a file that holds what was meant holds."""

    triangles: int
    volume_mm3: float


def read_3mf(content: bytes) -> Package:
    """Raises ``VerificationError`` where the bytes are not a 3MF as Ferrule writes it."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            entries = archive.infolist()
            if len(entries) != len(_PARTS) or {entry.filename for entry in entries} != _PARTS:
                raise ValueError("the package's parts are not the three of a 3MF")
            texts = {entry.filename: _unpacked(archive, entry) for entry in entries}
        _check_frame(texts)
        return _ModelReader().read(texts["3D/3dmodel.model"])
    except _BROKEN as error:
        raise VerificationError(f"not a sound 3MF: {error}") from error


def read_stl(content: bytes) -> StlFacets:
    """Raises ``VerificationError`` where the bytes are not a binary STL as Ferrule writes it."""
    header = re.match(rb"Unit: (mm|in)(?:; enlarged for shrink of x (\S+) y (\S+) z (\S+) %)?; ", content[:80])
    if header is None:
        raise VerificationError("not a sound STL: its header does not state the unit")
    if len(content) < 84 or len(content) != 84 + 50 * int.from_bytes(content[80:84], "little"):
        raise VerificationError("not a sound STL: its length does not fit its count of facets")
    try:
        shrink = tuple(float(text or 0) for text in header.groups()[1:])
    except ValueError:
        raise VerificationError("not a sound STL: the shrink in its header is not a number") from None
    facets = np.frombuffer(content, np.uint8, offset=84).reshape(-1, 50)
    if facets[:, 48:].any():
        raise VerificationError("not a sound STL: there are marks behind its facets")
    numbers = facets[:, :48].copy().view("<f4").reshape(-1, 4, 3).astype(float)
    if not np.isfinite(numbers).all():
        raise VerificationError("not a sound STL: a coordinate is not a finite number")
    unit = header[1].decode()
    return StlFacets(unit, shrink, numbers[:, 1:] * _MM[_SAME_UNIT["in" if unit == "in" else "mm"]], numbers[:, 0])


def check_3mf(
    content: bytes,
    parts: Sequence[Part],
    placements: Sequence[Placement],
    *,
    unit: FileUnit,
    metadata: Mapping[str, str],
    shrink_percent: Shrink,
    where: str,
) -> Found:
    """Compares a 3MF with the parts and their places; raises ``VerificationError`` that says what differs."""
    package = _at(where, read_3mf, content)
    _agree(where, package.unit == _SAME_UNIT[unit], f"its unit is {package.unit}, not {_SAME_UNIT[unit]}")
    _check_shrink(where, package.shrink_percent, shrink_percent)
    _check_texts(where, "the file", package.metadata, metadata)
    _agree(where, len(package.items) == len(placements), f"{len(package.items)} build items, not {len(placements)}")
    checked: set[tuple[str, int, float]] = set()
    for item, placement in zip(package.items, placements, strict=True):
        part, solid = parts[placement.part], package.solids.get(item.number)
        _agree(where, solid is not None, f"an item asks for object {item.number}, which is not there")
        assert solid is not None
        _check_place(where, part.name, item.matrix, solid.vertices, placement)
        key = (item.number, placement.part, placement.turn_deg)
        if key not in checked:
            checked.add(key)
            _agree(where, _same_text(solid.name, part.name), f"an object is called {solid.name!r}, not {part.name!r}")
            _check_texts(where, repr(part.name), solid.metadata, part.metadata)
            _check_closed(where, part)
            _check_solid(where, part, _shrunk(solid.vertices, placement.turn_deg, shrink_percent), solid.triangles)
    _agree(where, {item.number for item in package.items} == set(package.solids), "an object is never printed")
    _check_apart(where, package, [parts[placement.part].name for placement in placements])
    solids = [Mesh(solid.vertices, solid.triangles) for solid in package.solids.values()]
    return Found(sum(len(solid.triangles) for solid in solids), sum(solid.volume for solid in solids))


def check_stl(content: bytes, part: Part, *, unit: FileUnit, shrink_percent: Shrink, where: str) -> Found:
    """Compares an STL with a part; raises ``VerificationError`` that says what differs."""
    facets = _at(where, read_stl, content)
    _agree(where, facets.unit == unit, f"its unit is {facets.unit}, not {unit}")
    _check_shrink(where, facets.shrink_percent, shrink_percent)
    _agree(
        where,
        len(facets.corners) == len(part.mesh.triangles),
        f"{len(facets.corners)} triangles, not {len(part.mesh.triangles)}",
    )
    numbers = np.arange(3 * len(facets.corners), dtype=np.int32).reshape(-1, 3)
    soup = Mesh(facets.corners.reshape(-1, 3), numbers)
    meant = Part(part.name, Mesh(part.mesh.corners.reshape(-1, 3), numbers))
    _check_closed(where, part)
    _check_solid(where, meant, _shrunk(soup.vertices, 0.0, shrink_percent), numbers)
    _check_welded(where, part, facets.corners)
    normals, areas = triangle_normals(*facets.corners.swapaxes(0, 1))
    wide = 2 * areas > np.sqrt(TOLERANCE_MM) * facets.corners.max(initial=1.0)
    facing = np.einsum("ij,ij->i", normals[wide], facets.normals[wide])
    _agree(where, bool((np.abs(facing - 1) < 0.01).all()), "a facet's normal does not fit its corners")
    return Found(len(facets.corners), soup.volume)


def _unpacked(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED) or entry.file_size > MOST_BYTES:
        raise ValueError(f"{entry.filename} is packed in an unknown way or too large")
    with archive.open(entry) as stream:
        text = stream.read(entry.file_size + 1)
    if len(text) != entry.file_size:
        raise ValueError(f"{entry.filename} is not as long as the package says")
    return text


def _check_frame(texts: Mapping[str, bytes]) -> None:
    """The content types and the one relationship that lead a reader to the model."""
    types = {
        attributes["Extension"]: attributes["ContentType"]
        for name, attributes in _elements(texts["[Content_Types].xml"])
        if name.endswith("/content-types Default")
    }
    if types != {
        "rels": "application/vnd.openxmlformats-package.relationships+xml",
        "model": "application/vnd.ms-package.3dmanufacturing-3dmodel+xml",
    }:
        raise ValueError("the content types are not those of a 3MF")
    targets = [
        (attributes["Target"], attributes["Type"])
        for name, attributes in _elements(texts["_rels/.rels"])
        if name.endswith("/relationships Relationship")
    ]
    if targets != [("/3D/3dmodel.model", "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel")]:
        raise ValueError("no relationship leads to the model")


def _elements(text: bytes) -> list[tuple[str, dict[str, str]]]:
    found: list[tuple[str, dict[str, str]]] = []
    parser = _parser()
    parser.StartElementHandler = lambda name, attributes: found.append((name, attributes))
    parser.Parse(text, True)
    return found


def _parser() -> expat.XMLParserType:
    """Refuses document types, and with them entities of any kind."""
    parser = expat.ParserCreate(namespace_separator=" ")

    def refuse(*_: object) -> None:
        raise ValueError("a document type has no place in a package")

    parser.StartDoctypeDeclHandler = refuse
    parser.buffer_text = True
    return parser


class _ModelReader:
    """Reads the model part; every element in its place, or ``ValueError``."""

    def __init__(self) -> None:
        self._open = [""]
        self._unit = ""
        self._number = ""
        self._object: dict[str, str] = {}
        self._text: list[str] = []
        self._naming: dict[str, str] = {}
        self._metadata: dict[str, str] = {}
        self._object_metadata: dict[str, str] = {}
        self._vertices: list[float] = []
        self._triangles: list[int] = []
        self._solids: dict[str, Solid] = {}
        self._items: list[Item] = []

    def read(self, text: bytes) -> Package:
        parser = _parser()
        parser.StartNamespaceDeclHandler = self._namespace
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._characters
        parser.Parse(text, True)
        shrink = tuple(map(float, self._metadata["ferrule:shrink_percent"].split()))
        return Package(self._unit, shrink, self._metadata, self._solids, self._items)

    def _namespace(self, prefix: str | None, uri: str) -> None:
        if {None: _CORE, "ferrule": _OURS}.get(prefix) != uri:
            raise ValueError(f"the namespace {uri!r} is not one of a 3MF of ours")

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        local = name.removeprefix(_CORE + " ")
        if local not in _INSIDE.get(self._open[-1], ()):
            raise ValueError(f"an element {local!r} inside {self._open[-1]!r}")
        self._open.append(local)
        if local == "vertex":
            self._vertices += (float(attributes["x"]), float(attributes["y"]), float(attributes["z"]))
        elif local == "triangle":
            self._triangles += (int(attributes["v1"]), int(attributes["v2"]), int(attributes["v3"]))
        elif local == "metadata":
            self._naming, self._text = attributes, []
        elif local == "item":
            self._items.append(self._item(attributes))
        elif local == "object":
            self._object, self._object_metadata, self._vertices, self._triangles = attributes, {}, [], []
        elif local == "model":
            self._unit = attributes["unit"]
            if self._unit not in _MM:
                raise ValueError(f"the unit {self._unit!r} is not one of the specification's")

    def _end(self, _: str) -> None:
        local = self._open.pop()
        if local == "metadata":
            known = self._metadata if self._open[-1] == "model" else self._object_metadata
            if self._naming["name"] in known:
                raise ValueError(f"metadata {self._naming['name']!r} is there twice")
            known[self._naming["name"]] = "".join(self._text)
        elif local == "object":
            self._solids[self._new_number()] = self._solid()

    def _characters(self, text: str) -> None:
        if self._open[-1] == "metadata":
            self._text.append(text)
        elif text.strip():
            raise ValueError(f"text inside {self._open[-1]!r}")

    def _new_number(self) -> str:
        number = self._object["id"]
        if not 0 < int(number) < 2**31 or number in self._solids or self._object.get("type", "model") != "model":
            raise ValueError(f"object {number!r} has no number of its own or is no solid")
        return number

    def _solid(self) -> Solid:
        vertices = np.array(self._vertices, float).reshape(-1, 3) * _MM[self._unit]
        triangles = np.array(self._triangles, np.int64).reshape(-1, 3)
        if not len(triangles) or not np.isfinite(vertices).all():
            raise ValueError("an object without triangles, or with coordinates that are not finite numbers")
        if triangles.min() < 0 or triangles.max() >= len(vertices):
            raise ValueError("a triangle of vertices that are not there")
        return Solid(self._object.get("name", ""), self._object_metadata, vertices, triangles.astype(np.int32))

    def _item(self, attributes: dict[str, str]) -> Item:
        matrix = np.array([float(number) for number in attributes["transform"].split()]).reshape(4, 3)
        if not np.isfinite(matrix).all():
            raise ValueError("a build item without a place")
        matrix[3] *= _MM[self._unit]
        return Item(attributes["objectid"], matrix)


def _at(where: str, read: Callable[[bytes], Read], content: bytes) -> Read:
    try:
        return read(content)
    except VerificationError as error:
        raise VerificationError(f"{quoted(where)}: {error}") from error


def _agree(where: str, agrees: bool, difference: str) -> None:
    if not agrees:
        raise VerificationError(
            f"{quoted(where)} does not hold what was meant: {difference}. It was not written; try again."
        )


def _check_shrink(where: str, recorded: tuple[float, ...], meant: Shrink) -> None:
    same = len(recorded) == 3 and np.allclose(recorded, meant, rtol=1e-6, atol=1e-6)
    _agree(where, bool(same), f"it records a shrink of {recorded} %, not {meant}")


def _shrunk(vertices: Floats, turn_deg: float, shrink_percent: Shrink) -> Floats:
    """Vertices as they come out of the printer: smaller along the plate's axes, seen from the part again."""
    turn = _turn(turn_deg)
    return vertices @ turn * (1 - np.array(shrink_percent) / 100) @ turn.T


def _turn(degrees: float) -> Floats:
    angle = np.deg2rad(degrees)
    return np.array([[np.cos(angle), np.sin(angle), 0], [-np.sin(angle), np.cos(angle), 0], [0, 0, 1]])


def _check_solid(where: str, part: Part, vertices: Floats, triangles: Ints) -> None:
    """Size, triangles, closedness, volume, and then every single corner."""
    found, meant = Mesh(vertices, triangles), part.mesh
    allowed = TOLERANCE_MM + 1e-7 * float(np.abs(meant.vertices).max())
    sizes = [" x ".join(f"{side:.6g}" for side in mesh.size) for mesh in (found, meant)]
    same_size = bool((np.abs(found.size - meant.size) <= 2 * allowed).all())
    _agree(where, same_size, f"{part.name!r} is {sizes[0]} mm, not {sizes[1]} mm")
    _agree(where, np.array_equal(triangles, meant.triangles), f"{part.name!r} has other triangles than the solid")
    _agree(
        where,
        found.volume > 0 and abs(found.volume - meant.volume) <= allowed * meant.area,
        f"{part.name!r} has {found.volume:.6g} mm³ inside, not {meant.volume:.6g} mm³",
    )
    off = float(np.abs(vertices - meant.vertices).max())
    _agree(where, off <= allowed, f"a corner of {part.name!r} is {say_three(off)} mm off")


def _check_closed(where: str, part: Part) -> None:
    closed = _is_closed(part.mesh.triangles, len(part.mesh.vertices))
    _agree(where, closed, f"{part.name!r} is not closed; check the fitting before it is exported")


def _check_welded(where: str, part: Part, corners: Floats) -> None:
    """STL has no vertices: a reader makes them of corners that are equal, and edges must still have two facets each.
    StlFacets that lose a corner by that are nothing."""
    place = np.zeros(3 * len(corners), np.int64)
    for coordinates in corners.reshape(-1, 3).T:
        ranks = np.unique(coordinates, return_inverse=True)[1]
        place = np.unique(place * (ranks.max() + 1) + ranks, return_inverse=True)[1]
    triangles = place.reshape(-1, 3)
    whole = (triangles != np.roll(triangles, 1, axis=1)).all(axis=1)
    closed = _is_closed(triangles[whole], len(place))
    advice = "make one of its depths or widths 0.1 mm larger or smaller"
    _agree(where, closed, f"{part.name!r} meets itself along an edge once its corners are 32-bit numbers; {advice}")


def _is_closed(triangles: Ints, count: int) -> bool:
    """Whether every edge is run through once in each direction."""
    triangles = triangles.astype(np.int64)
    starts, ends = triangles.ravel(), np.roll(triangles, -1, axis=1).ravel()
    there, back = np.sort(starts * count + ends), np.sort(ends * count + starts)
    return bool((there[1:] != there[:-1]).all()) and np.array_equal(there, back)


def _check_place(where: str, name: str, matrix: Floats, vertices: Floats, placement: Placement) -> None:
    turned = np.abs(matrix[:3] - _turn(placement.turn_deg)).max()
    off = np.abs(matrix[3, :2] - (placement.x, placement.y)).max()
    height = abs(vertices[:, 2].min() + matrix[3, 2])
    _agree(
        where,
        turned <= 1e-9 and off <= TOLERANCE_MM and height <= TOLERANCE_MM,
        f"{name!r} does not stand on the plate where it was put",
    )


def _check_apart(where: str, package: Package, names: Sequence[str]) -> None:
    """No two build items may touch, seen from above, where each is taken as large as its convex outline."""
    hulls = {number: _hull(solid.vertices[:, :2]) for number, solid in package.solids.items()}
    outlines = [hulls[item.number] @ item.matrix[:2, :2] + item.matrix[3, :2] for item in package.items]
    low = np.array([outline.min(axis=0) for outline in outlines])
    high = np.array([outline.max(axis=0) for outline in outlines])
    for one, other in _near(low, high):
        apart = _clear(outlines[one], outlines[other])
        _agree(where, apart, f"build items {one + 1} ({names[one]!r}) and {other + 1} ({names[other]!r}) touch")


def _hull(points: Floats) -> Floats:
    polygons = CrossSection.hull_points(points.tolist()).to_polygons()
    return np.asarray(polygons[0], float) if polygons else points


def _near(low: Floats, high: Floats) -> Ints:
    """Pairs of boxes that meet: swept along x, compared along y."""
    order = np.argsort(low[:, 0], kind="stable")
    ends = np.searchsorted(low[order, 0], high[order, 0], side="right")
    counts = ends - np.arange(len(order)) - 1
    first, after = in_runs(counts)
    second = first + 1 + after
    pairs: Ints = order[np.column_stack([first, second])].astype(np.int32)
    meet = (low[pairs[:, 0], 1] <= high[pairs[:, 1], 1]) & (low[pairs[:, 1], 1] <= high[pairs[:, 0], 1])
    return np.asarray(pairs[meet])


def _clear(one: Floats, other: Floats) -> bool:
    """Whether a line along an edge of either convex outline lies between them (separating axis theorem)."""
    for outline, rest in ((one, other), (other, one)):
        edges = np.roll(outline, -1, axis=0) - outline
        outward = np.column_stack([edges[:, 1], -edges[:, 0]])
        reach = np.einsum("ij,ij->i", outward, outline)
        if ((outward @ rest.T).min(axis=1) > reach).any():
            return True
    return False


def _check_texts(where: str, whose: str, found: Mapping[str, str], meant: Mapping[str, str]) -> None:
    for name, text in meant.items():
        read = found.get(f"ferrule:{name}", found.get(name, ""))
        _agree(where, _same_text(read, text), f"{name} of {whose} is {read!r}, not {text!r}")


def _same_text(found: str, meant: str) -> bool:
    """Whether two texts agree in every character that XML can carry, however they are spaced."""
    carried = [re.sub("[\ufffd\x00-\x20\ud800-\udfff\ufffe\uffff]|\\s", "", text) for text in (found, meant)]
    return carried[0] == carried[1]
