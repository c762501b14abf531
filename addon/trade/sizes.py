# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube and pipe sizes of the trade, and which of them a measured section is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from ..fields.messages import Length, Message, say, say_all
from ..geometry.frames import Floats
from ..geometry.sections import Section
from ..geometry.units import bare_mm, parse_length
from .tables import DATA, Sourced, TableError, find_row, read_rows

Kind = Literal["round", "rect"]
KINDS: tuple[Kind, ...] = get_args(Kind)

FILE = DATA / "sizes.toml"
PIPE_TOLERANCE = "ASTM A53"

OUTSIDE_NEAR_MM, OUTSIDE_NEAR_PERCENT = 0.5, 1.0
"""A section takes a size's name while its outside differs by no more than the larger of these: the ±1 %, at least
±0.5 mm, that EN 10219-2 allows a hollow section, the widest of the usual tube standards (from memory)."""
WALL_NEAR_MM, WALL_NEAR_PERCENT = 0.15, 12.5
"""The same for the wall: the 12.5 % that ASTM A53 allows pipe; 0.15 mm keeps thin walls from being refused for what
a tessellation or a caliper is off (from memory)."""
SHOWN_MM = 0.005
"""Smaller differences, which round to zero hundredths of a millimetre, are not shown."""


@dataclass(frozen=True)
class Gauge(Sourced):
    """A wall that is known by its number."""

    name: str
    wall_mm: float


@dataclass(frozen=True)
class SizeFamily(Sourced):
    """Outsides that each come in each of the walls, as they are said."""

    family: str
    outside: tuple[str, ...]
    walls: tuple[str, ...]
    tolerance: str
    """A tube standard in the table of tolerances."""


@dataclass(frozen=True)
class Pipe(Sourced):
    """A nominal pipe size and its walls, in the order of its schedules."""

    name: str
    outside_mm: float
    schedules: tuple[int, ...]
    walls_mm: tuple[float, ...]


@dataclass(frozen=True)
class TubeSize(Sourced):
    """One size that a tube merchant sells, in mm; the larger side is the width."""

    name: str
    """As people call it: "1 in × 1/8 in", "1 1/2 in × 16 BWG", "NPS 1½ Sch 40", "40 × 40 × 3"."""
    family: str
    kind: Kind
    width_mm: float
    depth_mm: float
    wall_mm: float
    tolerance: str

    @property
    def section(self) -> Section:
        if self.kind == "round":
            return Section.round(self.width_mm, self.wall_mm)
        return Section.rectangular(self.width_mm, self.depth_mm, self.wall_mm)


@dataclass(frozen=True)
class SizeMatch:
    """The table size that a section is nearest to. Width and depth lie as the section's do; differences are the
    section's less the table's, in mm."""

    name: str
    kind: Kind
    width_mm: float
    depth_mm: float
    wall_mm: float
    width_off_mm: float
    depth_off_mm: float
    wall_off_mm: tuple[float, float]
    """Across the width and across the depth."""
    tolerance: str
    source: str

    def describe(self) -> Message:
        """``"1 in × 1/8 in (to size)"`` or ``"1 in × 1/8 in, outside +0.04 mm, wall −0.02 mm"``."""
        if self.kind == "round" or abs(self.width_off_mm - self.depth_off_mm) < SHOWN_MM:
            offs = {"outside": self.width_off_mm}
        else:
            offs = {"width": self.width_off_mm, "depth": self.depth_off_mm}
        if abs(self.wall_off_mm[0] - self.wall_off_mm[1]) < SHOWN_MM:
            offs["wall"] = self.wall_off_mm[0]
        else:
            offs |= dict(zip(("wall across the width", "wall across the depth"), self.wall_off_mm, strict=True))
        shown = [say("{} {:+}", what, Length(off)) for what, off in offs.items() if abs(off) >= SHOWN_MM]
        return say_all([self.name, *shown], ", ") if shown else say("{} (to size)", self.name)


@cache
def gauges() -> tuple[Gauge, ...]:
    """The wall gauges. Raises ``TableError`` if the file is damaged."""
    return read_rows(FILE, "gauge", Gauge)


@cache
def tube_sizes() -> tuple[TubeSize, ...]:
    """Every size, in the file's order. Raises ``TableError`` if the file is damaged."""
    return expand(gauges(), read_rows(FILE, "family", SizeFamily), read_rows(FILE, "pipe", Pipe))


def size_named(name: str) -> TubeSize:
    """The size of that name. Raises ``UnknownNameError`` with the nearest names."""
    return find_row(tube_sizes(), name, "tube size")


def nearest_size(section: Section) -> SizeMatch | None:
    """The size nearest to a section of either way round, by the sum of the differences of sides and wall in mm, or None
    if none is near enough (``OUTSIDE_NEAR_MM`` and what follows it) or the section is neither round nor rectangular.

    Of sizes that differ by less than 0.01 mm, the one with the shortest name counts.
    """
    if section.kind == "other" or not section.wall > 0:
        return None
    turned = section.outer.depth > section.outer.width
    sizes, table = _table(section.kind)
    measured = _measured([section])
    near = np.flatnonzero(_near(measured, table)[0])
    if not near.size:
        return None
    apart = np.abs(measured - table) @ (1.0, 1.0, 0.5, 0.5)
    size = sizes[min(near, key=lambda row: (round(float(apart[row]), 2), len(sizes[row].name), row))]
    sides = (size.depth_mm, size.width_mm) if turned else (size.width_mm, size.depth_mm)
    return SizeMatch(
        name=size.name,
        kind=size.kind,
        width_mm=sides[0],
        depth_mm=sides[1],
        wall_mm=size.wall_mm,
        width_off_mm=section.outer.width - sides[0],
        depth_off_mm=section.outer.depth - sides[1],
        wall_off_mm=(section.walls[0] - size.wall_mm, section.walls[1] - size.wall_mm),
        tolerance=size.tolerance,
        source=size.source,
    )


def section_name(section: Section) -> str:
    """What to call a section in a list: its nearest size's name, else its own numbers in mm: ``"38.3 × 1.7 round"``."""
    match = nearest_size(section)
    if match:
        return match.name
    outer = section.outer
    sides = (outer.width,) if section.kind == "round" else (outer.width, outer.depth)
    walls = sorted({bare_mm(wall): wall for wall in section.walls}.items(), key=lambda wall: wall[1])
    measured = " × ".join([*map(bare_mm, sides), *(["–".join(text for text, _ in walls)] if section.wall > 0 else [])])
    if section.kind != "other":
        return f"{measured} {'round' if section.kind == 'round' else 'rectangular'}"
    return f"{measured} {'oval' if outer.shape in ('obround', 'ellipse') else 'outline'}"


def size_fit(sections: Sequence[Section], factor: float = 1.0) -> float:
    """The share, 0 to 1, of the round and rectangular sections that are table sizes once scaled by ``factor``.

    Sections without a wall count by their outside alone. 0 if there is no round or rectangular section.
    """
    fitting = total = 0
    for kind in KINDS:
        alike = [section for section in sections if section.kind == kind]
        if not alike:
            continue
        distinct, counts = np.unique(np.round(_measured(alike) * factor, 3), axis=0, return_counts=True)
        fitting += int(counts[_near(distinct, _table(kind)[1]).any(axis=1)].sum())
        total += len(alike)
    return fitting / total if total else 0.0


def expand(gauges: Sequence[Gauge], families: Sequence[SizeFamily], pipes: Sequence[Pipe]) -> tuple[TubeSize, ...]:
    """The sizes that the rows stand for. Raises ``TableError`` that names the row and the field at fault."""
    walls = {gauge.name: gauge.wall_mm for gauge in gauges}
    sizes: dict[str, TubeSize] = {}
    for size in [*_of_families(families, walls), *_of_pipes(pipes)]:
        if not 0 < 2 * size.wall_mm < size.depth_mm:
            raise TableError(f"{FILE.name}: {size.family}: {size.name}: walls: leaves no bore")
        if size.name in sizes:
            raise TableError(f"{FILE.name}: {size.family}: {size.name}: stands in the table twice")
        sizes[size.name] = size
    return tuple(sizes.values())


def _of_families(families: Sequence[SizeFamily], gauge_walls: dict[str, float]) -> Iterator[TubeSize]:
    for number, row in enumerate(families, 1):
        where = f"{FILE.name}: [[family]] row {number} ({row.family})"
        for outside in row.outside:
            sides = [_length(side, where, "outside") for side in outside.split("×")]
            if len(sides) > 2 or sides != sorted(sides, reverse=True):
                raise TableError(f"{where}: outside: {outside!r}: write one number, or two with the larger first")
            for wall in row.walls:
                thickness = gauge_walls[wall] if wall in gauge_walls else _length(wall, where, "walls")
                kind: Kind = "round" if len(sides) == 1 else "rect"
                yield TubeSize(
                    f"{outside} × {wall}", row.family, kind, sides[0], sides[-1], thickness,
                    row.tolerance, source=row.source, from_memory=row.from_memory,
                )  # fmt: skip


def _of_pipes(pipes: Sequence[Pipe]) -> Iterator[TubeSize]:
    for row in pipes:
        if len(row.schedules) != len(row.walls_mm):
            counts = f"{len(row.walls_mm)} walls for {len(row.schedules)} schedules"
            raise TableError(f"{FILE.name}: [[pipe]] {row.name}: walls_mm: {counts}")
        for schedule, wall in zip(row.schedules, row.walls_mm, strict=True):
            yield TubeSize(
                f"{row.name} Sch {schedule}", "Pipe", "round", row.outside_mm, row.outside_mm, wall,
                PIPE_TOLERANCE, source=row.source, from_memory=row.from_memory,
            )  # fmt: skip


def _length(text: str, where: str, field: str) -> float:
    try:
        return parse_length(text)
    except ValueError as error:
        raise TableError(f"{where}: {field}: {error}") from None


@cache
def _table(kind: Kind) -> tuple[tuple[TubeSize, ...], Floats]:
    """The sizes of a kind, and (n, 4): their width, depth and wall, the wall twice."""
    sizes = tuple(size for size in tube_sizes() if size.kind == kind)
    return sizes, np.array([(size.width_mm, size.depth_mm, size.wall_mm, size.wall_mm) for size in sizes])


def _measured(sections: Sequence[Section]) -> Floats:
    """(n, 4): larger side, smaller side, and the walls across them."""
    rows = np.array([(section.outer.width, section.outer.depth, *section.walls) for section in sections])
    upright = rows[:, 1] > rows[:, 0]
    rows[upright] = rows[upright][:, [1, 0, 3, 2]]
    return rows


def _near(measured: Floats, table: Floats) -> NDArray[np.bool_]:
    """(k, n): which rows of ``measured`` (k, 4) are near enough to which of ``table`` (n, 4) to take its name.

    Without a wall, only the sides count.
    """
    outside = np.maximum(OUTSIDE_NEAR_MM, table[:, :2] * OUTSIDE_NEAR_PERCENT / 100)
    wall = np.maximum(WALL_NEAR_MM, table[:, 2] * WALL_NEAR_PERCENT / 100)
    near = np.ones((len(measured), len(table)), bool)
    for side in (0, 1):
        near &= (np.abs(measured[:, 2 + side, None] - table[:, 2]) <= wall) | (measured[:, 2 + side, None] <= 0)
        near &= np.abs(measured[:, side, None] - table[:, side]) <= outside[:, side]
    return near
