# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading 3MF and STL again and comparing them with what was to be written: unit, sizes, counts, volumes and places.

That the disk gives back the bytes that were written is checked where they are written (``atomic``); this finds what a
writer got wrong, so it shares no code with the writers. Source: 3MF Core Specification; de facto description of STL.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from xml.parsers import expat

import numpy as np
from manifold3d import CrossSection

from ..geometry.frames import Floats
from ..geometry.mesh import Ints, Mesh
from ..geometry.names import quoted
from ..geometry.placement import Placement
from ..geometry.topology import in_runs, weld
from ..geometry.units import say_three
from .errors import VerificationError
from .parts import FileUnit, Part, Shrink

TOLERANCE_MM = 1e-4
"""How far a coordinate may be off for the digits that a file keeps."""
_MM = {"micron": 0.001, "millimeter": 1.0, "centimeter": 10.0, "inch": 25.4, "foot": 304.8, "meter": 1000.0}
_SAME_UNIT: dict[FileUnit, str] = {"mm": "millimeter", "in": "inch"}
_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_ROW_TAG = re.compile(rb"(</?(?:vertices|triangles)>)")
_VERTEX = [b"/>\n<vertex x=", b" y=", b" z="]
_TRIANGLE = [b"/>\n<triangle v1=", b" v2=", b" v3="]
"""What stands between the numbers of rows."""


@dataclass(frozen=True, eq=False)
class Solid:
    """A solid as a file has it, in mm."""

    vertices: Floats
    triangles: Ints


@dataclass(frozen=True, eq=False)
class Item:
    """One build item: the number of its object, and (4, 3) that takes points in rows to the plate, in mm."""

    number: str
    matrix: Floats


@dataclass(frozen=True, eq=False)
class Package:
    """What a 3MF has, in mm."""

    unit: str
    solids: Mapping[str, Solid]
    items: Sequence[Item]


@dataclass(frozen=True, eq=False)
class StlFacets:
    """What an STL has, in mm: corners (n, 3, 3)."""

    unit: str
    corners: Floats


@dataclass(frozen=True)
class Found:
    """What a file that was read back and is right holds."""

    triangles: int
    volume_mm3: float


def read_3mf(content: bytes) -> Package:
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return _ModelReader().read(archive.read("3D/3dmodel.model"))


def read_stl(content: bytes) -> StlFacets:
    """Raises ``VerificationError`` if the length does not fit the count of facets."""
    if len(content) != 84 + 50 * int.from_bytes(content[80:84], "little"):
        raise VerificationError("not a sound STL: its length does not fit its count of facets")
    facets = np.frombuffer(content, np.uint8, offset=84).reshape(-1, 50)
    numbers = facets[:, :48].copy().view("<f4").reshape(-1, 4, 3).astype(float)
    unit = content[:80].decode("ascii").removeprefix("Unit: ")[:2]
    return StlFacets(unit, numbers[:, 1:] * (_MM["inch"] if unit == "in" else 1.0))


def check_3mf(
    content: bytes,
    parts: Sequence[Part],
    placements: Sequence[Placement],
    *,
    unit: FileUnit,
    shrink_percent: Shrink,
    where: str,
) -> Found:
    """Compares a 3MF with the parts and their places; raises ``VerificationError`` that says what differs."""
    package = read_3mf(content)
    _agree(where, package.unit == _SAME_UNIT[unit], f"its unit is {package.unit}, not {_SAME_UNIT[unit]}")
    _agree(where, len(package.items) == len(placements), f"{len(package.items)} build items, not {len(placements)}")
    solids = {number: Mesh(solid.vertices, solid.triangles) for number, solid in package.solids.items()}
    checked: set[tuple[str, int, float]] = set()
    for item, placement in zip(package.items, placements, strict=True):
        part, solid = parts[placement.part], package.solids.get(item.number)
        _agree(where, solid is not None, f"an item asks for object {item.number}, which is not there")
        assert solid is not None
        _check_place(where, part.name, item.matrix, solid.vertices, placement)
        key = (item.number, placement.part, placement.turn_deg)
        if key not in checked:
            checked.add(key)
            _check_closed(where, part)
            same = np.array_equal(solid.triangles, part.mesh.triangles)
            _agree(where, same, f"{part.name!r} has different triangles")
            _check_solid(where, part, _shrunk(solids[item.number], placement.turn_deg, shrink_percent))
    _agree(where, {item.number for item in package.items} == set(package.solids), "an object is never printed")
    _check_apart(where, package, [parts[placement.part].name for placement in placements])
    return Found(sum(len(mesh.triangles) for mesh in solids.values()), sum(mesh.volume for mesh in solids.values()))


def check_stl(content: bytes, part: Part, *, unit: FileUnit, shrink_percent: Shrink, where: str) -> Found:
    """Compares an STL with a part; raises ``VerificationError`` that says what differs."""
    facets = read_stl(content)
    _agree(where, facets.unit == unit, f"its unit is {facets.unit}, not {unit}")
    _agree(
        where,
        len(facets.corners) == len(part.mesh.triangles),
        f"{len(facets.corners)} triangles, not {len(part.mesh.triangles)}",
    )
    soup = Mesh(facets.corners.reshape(-1, 3), np.arange(3 * len(facets.corners), dtype=np.int32).reshape(-1, 3))
    _check_closed(where, part)
    _check_solid(where, part, _shrunk(soup, 0.0, shrink_percent))
    _check_welded(where, part, facets.corners)
    return Found(len(facets.corners), soup.volume)


class _ModelReader:
    """Reads the model part: its rows of vertices and triangles as tables, the rest element by element."""

    def __init__(self) -> None:
        self._unit = ""
        self._rows: Iterator[bytes] = iter(())
        self._objects: dict[str, dict[str, list[float]]] = {}
        self._numbers: dict[str, list[float]] = {}
        """Of the object that is being read."""
        self._items: list[Item] = []

    def read(self, text: bytes) -> Package:
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.StartElementHandler = self._start
        # Text, tag, rows, end tag, and text again.
        pieces = _ROW_TAG.split(text)
        self._rows = iter(pieces[2::4])
        del pieces[2::4]
        parser.Parse(b"".join(pieces), True)
        solids = {
            number: Solid(
                np.array(numbers["vertices"], float).reshape(-1, 3) * _MM[self._unit],
                np.array(numbers["triangles"], np.int32).reshape(-1, 3),
            )
            for number, numbers in self._objects.items()
        }
        return Package(self._unit, solids, self._items)

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        match name.removeprefix(_CORE + " "):
            case "vertices":
                self._numbers["vertices"] = list(map(float, _table(next(self._rows), _VERTEX)))
            case "triangles":
                self._numbers["triangles"] = list(map(int, _table(next(self._rows), _TRIANGLE)))
            case "object":
                self._numbers = self._objects[attributes["id"]] = {"vertices": [], "triangles": []}
            case "item":
                matrix = np.array([float(number) for number in attributes["transform"].split()]).reshape(4, 3)
                matrix[3] *= _MM[self._unit]
                self._items.append(Item(attributes["objectid"], matrix))
            case "model":
                self._unit = attributes["unit"]


def _table(rows: bytes, row: list[bytes]) -> list[bytes]:
    """The numbers of rows that are alike but for them, one after another."""
    pieces = (b"/>" + rows).split(b'"')
    if pieces[::2] != row * (len(pieces) // 6) + [b"/>\n"]:
        raise VerificationError(f"a row is not like <{row[0].decode()[4:]}...>. The file was not written; try again.")
    return pieces[1::2]


def _agree(where: str, agrees: bool, difference: str) -> None:
    if not agrees:
        raise VerificationError(f"{quoted(where)} differs from the solid: {difference}. It was not written; try again.")


def _shrunk(mesh: Mesh, turn_deg: float, shrink_percent: Shrink) -> Mesh:
    """The mesh as it comes out of the printer: smaller along the plate's axes, seen from the part again."""
    if not any(shrink_percent):
        return mesh
    turn = _turn(turn_deg)
    return Mesh(mesh.vertices @ turn * (1 - np.array(shrink_percent) / 100) @ turn.T, mesh.triangles)


def _turn(degrees: float) -> Floats:
    angle = np.deg2rad(degrees)
    return np.array([[np.cos(angle), np.sin(angle), 0], [-np.sin(angle), np.cos(angle), 0], [0, 0, 1]])


def _check_solid(where: str, part: Part, read: Mesh) -> None:
    """Size, volume, and then every single corner of every triangle."""
    meant = part.mesh
    allowed = TOLERANCE_MM + 1e-7 * float(np.abs(meant.vertices).max())
    sizes = [" x ".join(f"{side:.6g}" for side in mesh.size) for mesh in (read, meant)]
    same_size = bool((np.abs(read.size - meant.size) <= 2 * allowed).all())
    _agree(where, same_size, f"{part.name!r} is {sizes[0]} mm, not {sizes[1]} mm")
    _agree(
        where,
        read.volume > 0 and abs(read.volume - meant.volume) <= allowed * meant.area,
        f"{part.name!r} has {read.volume:.6g} mm³ inside, not {meant.volume:.6g} mm³",
    )
    off = float(np.abs(read.corners - meant.corners).max())
    _agree(where, off <= allowed, f"a corner of {part.name!r} is {say_three(off)} mm off")


def _check_closed(where: str, part: Part) -> None:
    closed = _is_closed(part.mesh.triangles, len(part.mesh.vertices))
    _agree(where, closed, f"{part.name!r} is not closed; check the fitting before it is exported")


def _check_welded(where: str, part: Part, corners: Floats) -> None:
    """STL has no vertices: a reader makes them of corners that are equal, and edges must still have two facets each.
    StlFacets that lose a corner by that are nothing."""
    place = weld(corners.reshape(-1, 3), np.zeros(3 * len(corners), np.int64))[1]
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
    for first, second in _near(low, high):
        apart = _clear(outlines[first], outlines[second])
        _agree(where, apart, f"build items {first + 1} ({names[first]!r}) and {second + 1} ({names[second]!r}) touch")


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


def _clear(first: Floats, second: Floats) -> bool:
    """Whether a line along an edge of either convex outline lies between them (separating axis theorem)."""
    for outline, rest in ((first, second), (second, first)):
        edges = np.roll(outline, -1, axis=0) - outline
        outward = np.column_stack([edges[:, 1], -edges[:, 0]])
        reach = np.einsum("ij,ij->i", outward, outline)
        if ((outward @ rest.T).min(axis=1) > reach).any():
            return True
    return False
