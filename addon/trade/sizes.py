# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube and pipe sizes of the trade, and which of them a measured section is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache, lru_cache
from itertools import product
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from ..fields.coercion import plain
from ..fields.messages import Length, Message, say, say_all
from ..geometry.frames import Floats
from ..geometry.sections import Section
from ..geometry.units import NOISE_MM, bare_mm, parse_length, say_inches
from .standards import TubeStandard, of_metal, standard_named
from .tables import DATA, Sourced, TableError, UnknownNameError, find_row, read_table, rows_of

Kind = Literal["round", "rect"]
KINDS: tuple[Kind, ...] = get_args(Kind)

FILE = DATA / "sizes.toml"
PIPE, PIPE_STANDARDS = "Pipe", ("ASTM A53", "ASTM A312", "ASTM B429")
"""The family of pipe, and whose tolerances pipe of each metal has."""
CONDUIT, CONDUIT_STANDARDS = "Conduit", ("ANSI C80.3",)

OUTSIDE_NEAR_MM, OUTSIDE_NEAR_PERCENT = 0.5, 1.0
"""A section takes a size's name while its outside differs by no more than the larger of these: the ±1 %, at least
±0.5 mm, that EN 10219-2 allows a hollow section, the widest of the usual tube standards (from memory)."""
WALL_NEAR_MM, WALL_NEAR_PERCENT = 0.15, 12.5
"""The same for the wall: the 12.5 % that ASTM A53 allows pipe; 0.15 mm keeps thin walls from being refused for what
a tessellation or a caliper is off (from memory)."""
SAME_MM = 0.01
"""Tables are rounded to this much; sizes that are no further apart are one size."""
SHOWN_MM = 0.005
"""Smaller differences, which round to zero hundredths of a millimetre, are not shown."""


@dataclass(frozen=True)
class Gauge(Sourced):
    """A wall that is known by its number."""

    name: str
    wall_mm: float
    also: str = ""
    """What it was called in older job files."""


@dataclass(frozen=True)
class Series(Sourced):
    """Outsides or walls as they are said, smallest first, of which rows take runs: "2 to 6.3 of EN 10220"."""

    name: str
    steps: tuple[str, ...]


@dataclass(frozen=True)
class SizeFamily(Sourced):
    """Outsides that each come in each of the walls, as they are said, and sizes that are listed whole."""

    family: str
    standards: tuple[str, ...]
    """Rows of the tube standards."""
    outside: tuple[str, ...] = ()
    walls: tuple[str, ...] = ()
    sizes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Pipe(Sourced):
    """A nominal pipe size and its walls, in the order of its schedules."""

    name: str
    outside_mm: float
    schedules: tuple[str, ...]
    walls_mm: tuple[float, ...]


@dataclass(frozen=True)
class Conduit(Sourced):
    """A trade size of conduit."""

    name: str
    outside_mm: float
    wall_mm: float


@dataclass(frozen=True)
class Listing(Sourced):
    """Where a size is listed."""

    family: str
    standard: str

    @property
    def metals(self) -> tuple[str, ...]:
        return standard_named(self.standard).metals


@dataclass(frozen=True)
class TubeSize(Sourced):
    """One size that a tube merchant sells, in mm; the larger side is the width. Its source is its first listing's."""

    name: str
    """As people call it: "1 in × 1/8 in", "1 1/2 in × 16 ga", "NPS 1½ Sch 40", "40 × 40 × 3"."""
    kind: Kind
    width_mm: float
    depth_mm: float
    wall_mm: float
    inches: bool
    """Whether it is said, and drawn, in inches: by its outside, its nominal pipe size or its trade size."""
    listings: tuple[Listing, ...]

    @property
    def family(self) -> str:
        return self.listings[0].family

    @property
    def standards(self) -> tuple[TubeStandard, ...]:
        return tuple(standard_named(listing.standard) for listing in self.listings)

    @property
    def metals(self) -> tuple[str, ...]:
        """What it is made of, the usual one first."""
        return tuple(dict.fromkeys(metal for standard in self.standards for metal in standard.metals))

    @property
    def section(self) -> Section:
        return self.section_in(None)

    def section_in(self, metal: str | None) -> Section:
        """With the corners of the first standard that lists it in this metal, else of its first standard."""
        if self.kind == "round":
            return Section.round(self.width_mm, self.wall_mm)
        corner_mm = of_metal(self.standards, metal)[0].corner_mm(self.wall_mm)
        return Section.rectangular(self.width_mm, self.depth_mm, self.wall_mm, corner_mm)


@dataclass(frozen=True)
class SizeMatch:
    """The table size that a section is nearest to. Width and depth lie as the section's do; differences are the
    section's less the table's, in mm."""

    name: str
    kind: Kind
    width_mm: float
    depth_mm: float
    wall_mm: float
    inches: bool
    """As the table's size."""
    width_off_mm: float
    depth_off_mm: float
    wall_off_mm: tuple[float, float]
    """Across the width and across the depth."""
    standards: tuple[TubeStandard, ...]
    """Those that list it."""

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
def _file() -> dict[str, Any]:
    return read_table(FILE)


@cache
def gauges() -> tuple[Gauge, ...]:
    """The wall gauges. Raises ``TableError`` if the file is damaged."""
    return rows_of(_file(), FILE, "gauge", Gauge)


@cache
def tube_sizes() -> tuple[TubeSize, ...]:
    """Every size, in the file's order. Raises ``TableError`` if the file is damaged."""
    return expand(
        gauges(),
        rows_of(_file(), FILE, "series", Series),
        rows_of(_file(), FILE, "family", SizeFamily),
        rows_of(_file(), FILE, "pipe", Pipe),
        rows_of(_file(), FILE, "conduit", Conduit),
    )


@cache
def size_families() -> dict[str, tuple[TubeSize, ...]]:
    """The sizes of each family, in the file's order."""
    families: dict[str, dict[str, TubeSize]] = {}
    for size in tube_sizes():
        for listing in size.listings:
            families.setdefault(listing.family, {})[size.name] = size
    return {family: tuple(sizes.values()) for family, sizes in families.items()}


def size_named(name: str) -> TubeSize:
    """The size of that name, whatever its case and spaces. Raises ``UnknownNameError`` with the nearest names."""
    wanted = plain(name)
    for gauge in gauges():
        if gauge.also and wanted.endswith(f"x{plain(gauge.also)}"):
            wanted = wanted.removesuffix(plain(gauge.also)) + plain(gauge.name)
    return _by_plain_name().get(wanted) or find_row(tube_sizes(), name, "tube size")


@lru_cache(20_000)  # a job's papers ask several times for each of its ends
def nearest_size(section: Section) -> SizeMatch | None:
    """The size nearest to a section of either way round, by the sum of the differences of sides and wall in mm, or None
    if none is near enough (``OUTSIDE_NEAR_MM`` and what follows it) or the section is neither round nor rectangular.

    Of sizes that differ by no more than ``SAME_MM``, the one with the shortest name counts.
    """
    if section.kind == "other" or not section.wall > 0:
        return None
    turned = section.outer.depth > section.outer.width
    table = _tables()[section.kind]
    measured = _measured([section])
    near = _near(measured, table)[0]
    if not near.size:
        return None
    apart = np.abs(measured - table.rows[near]) @ (1.0, 1.0, 0.5, 0.5)
    nearest = near[apart <= apart.min() + SAME_MM]
    size = min((table.sizes[row] for row in nearest), key=lambda size: len(size.name))
    sides = (size.depth_mm, size.width_mm) if turned else (size.width_mm, size.depth_mm)
    return SizeMatch(
        name=size.name,
        kind=size.kind,
        width_mm=sides[0],
        depth_mm=sides[1],
        wall_mm=size.wall_mm,
        inches=size.inches,
        width_off_mm=section.outer.width - sides[0],
        depth_off_mm=section.outer.depth - sides[1],
        wall_off_mm=(section.walls[0] - size.wall_mm, section.walls[1] - size.wall_mm),
        standards=size.standards,
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


def in_inches(section: Section) -> bool:
    """Whether the size that it is nearest to goes by inches."""
    match = nearest_size(section)
    return match is not None and match.inches


def section_words(section: Section) -> str:
    """The section's name, and its millimetres where it goes by inches: ``"1 in × 1/8 in (25.4 × 3.18 mm)"``."""
    name, match = section_name(section), nearest_size(section)
    if match is None or not match.inches:
        return name
    sides = (match.width_mm,) if match.kind == "round" else (match.width_mm, match.depth_mm)
    return f"{name} ({say('{}', Length(*sides, match.wall_mm))})"


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
        fitting += int(counts[[near.size > 0 for near in _near(distinct, _tables()[kind])]].sum())
        total += len(alike)
    return fitting / total if total else 0.0


def expand(
    gauges: Sequence[Gauge],
    series: Sequence[Series],
    families: Sequence[SizeFamily],
    pipes: Sequence[Pipe],
    conduits: Sequence[Conduit],
) -> tuple[TubeSize, ...]:
    """The sizes that the rows stand for, each once with all its listings.

    Raises ``TableError`` that names the row and the field at fault.
    """
    walls = {gauge.name: gauge.wall_mm for gauge in gauges}
    sizes: dict[str, TubeSize] = {}
    for size in [*_of_families(families, {row.name: row.steps for row in series}, walls), *_of_pipes(pipes, conduits)]:
        where = f"{FILE.name}: {size.family}: {size.name}"
        if not 0 < 2 * size.wall_mm < size.depth_mm:
            raise TableError(f"{where}: walls: leaves no bore")
        for standard in size.standards if size.kind == "rect" else ():
            if 2 * standard.corner_mm(size.wall_mm) >= size.depth_mm:
                raise TableError(f"{where}: walls: the corners of {standard.name} leave no flat side")
        if size.name in sizes:
            earlier = sizes[size.name]
            if {(listing.family, listing.standard) for listing in earlier.listings} & {
                (listing.family, listing.standard) for listing in size.listings
            }:
                raise TableError(f"{where}: is listed twice")
            size = replace(earlier, listings=(*earlier.listings, *size.listings))
        sizes[size.name] = size
    return tuple(sizes.values())


def _of_families(
    families: Sequence[SizeFamily], series: Mapping[str, tuple[str, ...]], gauge_walls: Mapping[str, float]
) -> Iterator[TubeSize]:
    lengths: dict[str, float] = dict(gauge_walls)

    def length(text: str, field: str) -> float:
        if text not in lengths:
            lengths[text] = _length(text, where, field)
        return lengths[text]

    for number, row in enumerate(families, 1):
        where = f"{FILE.name}: [[family]] row {number} ({row.family})"
        listings = _listings(row, row.family, row.standards, where)
        outsides, walls = (
            [step for entry in entries for step in _run(entry, series, where, field)]
            for field, entries in (("outside", row.outside), ("walls", row.walls))
        )
        for outside, wall in [*product(outsides, walls), *(_apart(size, where) for size in row.sizes)]:
            sides = [length(side, "outside") for side in outside.split(" × ")]
            if len(sides) > 2 or sides != sorted(sides, reverse=True):
                raise TableError(f"{where}: outside: {outside!r}: write one number, or two with the larger first")
            kind: Kind = "round" if len(sides) == 1 else "rect"
            inches = outside.endswith("in")
            yield TubeSize(
                f"{outside} × {wall}", kind, sides[0], sides[-1], length(wall, "walls"), inches, listings,
                source=row.source, from_memory=row.from_memory,
            )  # fmt: skip


def _of_pipes(pipes: Sequence[Pipe], conduits: Sequence[Conduit]) -> Iterator[TubeSize]:
    for row in pipes:
        where = f"{FILE.name}: [[pipe]] {row.name}"
        if len(row.schedules) != len(row.walls_mm):
            counts = f"{len(row.walls_mm)} walls for {len(row.schedules)} schedules"
            raise TableError(f"{where}: walls_mm: {counts}")
        listings = _listings(row, PIPE, PIPE_STANDARDS, where)
        for schedule, wall in zip(row.schedules, row.walls_mm, strict=True):
            called = f"Sch {schedule}" if schedule.isdecimal() else schedule
            yield TubeSize(
                f"{row.name} {called}", "round", row.outside_mm, row.outside_mm, wall, True, listings,
                source=row.source, from_memory=row.from_memory,
            )  # fmt: skip
    for tube in conduits:
        listings = _listings(tube, CONDUIT, CONDUIT_STANDARDS, f"{FILE.name}: [[conduit]] {tube.name}")
        yield TubeSize(
            tube.name, "round", tube.outside_mm, tube.outside_mm, tube.wall_mm, True, listings,
            source=tube.source, from_memory=tube.from_memory,
        )  # fmt: skip


def _listings(row: Sourced, family: str, standards: Sequence[str], where: str) -> tuple[Listing, ...]:
    try:
        names = [standard_named(standard).name for standard in standards]
    except UnknownNameError as error:
        raise TableError(f"{where}: standards: {error}") from None
    return tuple(Listing(family, name, source=row.source, from_memory=row.from_memory) for name in names)


def _apart(size: str, where: str) -> tuple[str, str]:
    outside, times, wall = size.rpartition(" × ")
    if not times:
        raise TableError(f"{where}: sizes: {size!r}: write an outside and a wall, with × between")
    return outside, wall


def _run(entry: str, series: Mapping[str, tuple[str, ...]], where: str, field: str) -> tuple[str, ...]:
    """What an entry stands for: itself, or a run, "2 to 6.3 of EN 10220" or "1/4 in to 2 in by 1/16 in"."""
    if " to " not in entry:
        return (entry,)
    first, rest = entry.split(" to ", 1)
    if " by " in rest:
        start, last, step = (_length(text, where, field) for text in (first, *rest.split(" by ", 1)))
        steps = [say_inches(start + place * step) for place in range(round((last - start) / step) + 1)]
        return tuple(text for text in steps if text)
    last_step, _, name = rest.partition(" of ")
    steps_of = series.get(name, ())
    if first not in steps_of or last_step not in steps_of:
        raise TableError(f"{where}: {field}: {entry!r}: write 'A to B of SERIES', both in the series, or 'A to B by C'")
    return steps_of[steps_of.index(first) : steps_of.index(last_step) + 1]


def _length(text: str, where: str, field: str) -> float:
    try:
        return parse_length(text)
    except ValueError as error:
        raise TableError(f"{where}: {field}: {error}") from None


@cache
def _by_plain_name() -> dict[str, TubeSize]:
    return {plain(size.name): size for size in tube_sizes()}


@dataclass(frozen=True)
class _Table:
    """The sizes of a kind, narrow ones first, and (n, 4): their width, depth and wall, the wall twice."""

    sizes: tuple[TubeSize, ...]
    rows: Floats


@cache
def _tables() -> dict[Kind, _Table]:
    tables = {}
    for kind in KINDS:
        sizes = sorted((size for size in tube_sizes() if size.kind == kind), key=lambda size: size.width_mm)
        rows = [(size.width_mm, size.depth_mm, size.wall_mm, size.wall_mm) for size in sizes]
        tables[kind] = _Table(tuple(sizes), np.array(rows))
    return tables


def _measured(sections: Sequence[Section]) -> Floats:
    """(n, 4): larger side, smaller side, and the walls across them."""
    rows = np.array([(section.outer.width, section.outer.depth, *section.walls) for section in sections])
    upright = rows[:, 1] > rows[:, 0]
    rows[upright] = rows[upright][:, [1, 0, 3, 2]]
    return rows


def _near(measured: Floats, table: _Table) -> list[NDArray[np.intp]]:
    """For each row of ``measured`` (k, 4) the table's rows that are near enough for it to take their name.

    Without a wall, only the sides count.
    """
    share, wide = OUTSIDE_NEAR_PERCENT / 100, measured[:, 0]
    first = np.searchsorted(table.rows[:, 0], np.minimum(wide - OUTSIDE_NEAR_MM, wide / (1 + share)) - NOISE_MM)
    past = np.searchsorted(table.rows[:, 0], np.maximum(wide + OUTSIDE_NEAR_MM, wide / (1 - share)) + NOISE_MM)
    near = []
    for row, start, end in zip(measured, first, past, strict=True):
        there = table.rows[start:end]
        allowed = np.maximum(_LEAST_NEAR, there * _NEAR_SHARE) + NOISE_MM
        is_near = (np.abs(row - there) <= allowed) | ([False, False, *(row[2:] <= 0)])
        near.append(start + np.flatnonzero(is_near.all(axis=1)))
    return near


_LEAST_NEAR = np.array([OUTSIDE_NEAR_MM, OUTSIDE_NEAR_MM, WALL_NEAR_MM, WALL_NEAR_MM])
_NEAR_SHARE = np.array([OUTSIDE_NEAR_PERCENT, OUTSIDE_NEAR_PERCENT, WALL_NEAR_PERCENT, WALL_NEAR_PERCENT]) / 100
