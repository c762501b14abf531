# SPDX-License-Identifier: GPL-3.0-or-later
"""How loosely a spigot sits in a bore, and how far tubes may be off their size."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from ..fields.messages import Length, say
from ..geometry.sections import Section
from .sizes import nearest_size
from .tables import DATA, Sourced, cited, find_row, read_rows


@dataclass(frozen=True)
class FitClass(Sourced):
    """A fit class. Gaps in mm a side; negative if the spigot is larger than the bore."""

    name: str
    gap_mm: float
    least_gap_mm: float
    most_gap_mm: float


@dataclass(frozen=True)
class ToleranceRule(Sourced):
    """A tube standard's tolerances, as shares of the size within bounds."""

    name: str
    outside_percent: float
    outside_least_mm: float
    outside_most_mm: float
    wall_percent: float
    wall_least_mm: float
    wall_most_mm: float
    seam_share: float
    """Usual height of the weld seam inside, as a share of the wall."""
    seam_most_mm: float
    seam_source: str = "common practice, no source"
    """Where ``seam_most_mm`` is from."""


@dataclass(frozen=True)
class ToleranceBand:
    """How far one tube may be off, all in mm."""

    outside_mm: float
    """± on the outside diameter, or on the larger side."""
    wall_mm: float
    """± on the wall."""
    seam_mm: float
    """Usual height of the weld seam inside, if there is one."""
    seam_most_mm: float
    """The highest that it may be."""
    source: str
    """The standard's name, and that its values are from memory where they are."""
    seam_source: str

    @property
    def bore_mm(self) -> float:
        """± on the bore's width at worst: the outside and both walls off the same way."""
        return self.outside_mm + 2 * self.wall_mm


WITHOUT_STANDARD = "EN 10219-2"
"""Whose tolerances count for a tube of no table size: the widest of the usual ones for hollow sections."""


@cache
def fits() -> tuple[FitClass, ...]:
    """The fit classes. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "fits.toml", "fit", FitClass)


def fit_named(name: str) -> FitClass:
    """The fit class of that name. Raises ``UnknownNameError`` with the nearest names."""
    return find_row(fits(), name, "fit class")


@cache
def tolerance_rules() -> tuple[ToleranceRule, ...]:
    """The tube standards' tolerances. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "tolerances.toml", "tolerance", ToleranceRule)


def tube_tolerance(section: Section) -> ToleranceBand:
    """How far a tube of this section may be off, by the standard of its nearest table size, else the widest."""
    size = nearest_size(section)
    rule = find_row(tolerance_rules(), size.tolerance if size else WITHOUT_STANDARD, "tube standard")
    across, wall = max(section.outer.width, section.outer.depth), max(section.walls)
    return ToleranceBand(
        outside_mm=_within(rule.outside_percent / 100 * across, rule.outside_least_mm, rule.outside_most_mm),
        wall_mm=_within(rule.wall_percent / 100 * wall, rule.wall_least_mm, rule.wall_most_mm),
        seam_mm=min(rule.seam_share * wall, rule.seam_most_mm),
        seam_most_mm=min(wall, rule.seam_most_mm),
        source=cited(rule),
        seam_source=rule.seam_source,
    )


def with_reading(section: Section, width: float | None, depth: float | None = None) -> Section:
    """``Section.with_bore``. Raises ``ValueError`` also for a reading that is further off the model than such a tube
    may be: then the calipers slipped, or the tube is another one."""
    measured, allowed = section.with_bore(width, depth), tube_tolerance(section)
    for reading, given in zip(section.bore.readings, (width, depth), strict=False):
        if given is None:
            continue
        model, read = section.bore.across(reading.across_deg), measured.bore.across(reading.across_deg)
        off = allowed.bore_mm / 2 * section.bore.per_inset(reading)
        if abs(model - read) > off:
            problem = say(
                "the bore was read as {read} and is modelled as {model} ({where}): further apart than the {off} that "
                "such a tube may be off: {source}",
                read=Length(read),
                model=Length(model),
                where=reading.where,
                off=Length(off),
                source=allowed.source,
            )
            raise ValueError(problem)
    return measured


def _within(value: float, least: float, most: float) -> float:
    return min(max(value, least), most)
