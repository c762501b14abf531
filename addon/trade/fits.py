# SPDX-License-Identifier: GPL-3.0-or-later
"""How loosely a spigot sits in a bore, and how far tubes may be off their size."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache

from ..fields.messages import Length, say
from ..geometry.sections import Section
from .metals import metal_named
from .processes import Material
from .sizes import nearest_size
from .standards import TubeStandard, of_metal, tube_standards
from .tables import DATA, Sourced, cited, find_row, read_rows


@dataclass(frozen=True)
class FitClass(Sourced):
    """A fit class. Gaps in mm a side; negative if the spigot is larger than the bore."""

    name: str
    gap_mm: float
    least_gap_mm: float
    most_gap_mm: float
    paste_gap_mm: float = 0.0
    """As ``most_gap_mm``, where the adhesive is a filled paste; 0 where none is."""

    def takes_paste(self, gap_mm: float) -> bool:
        """Whether such a gap is wider than other adhesives fill."""
        return gap_mm > self.most_gap_mm and self.paste_gap_mm > 0

    def holds_up_to(self, gap_mm: float) -> float:
        """How wide a gap may come out that is to be so wide: what the adhesive for it fills."""
        return self.paste_gap_mm if self.takes_paste(gap_mm) else self.most_gap_mm


@dataclass(frozen=True)
class ToleranceBand:
    """How far one tube may be off, all in mm."""

    outside_mm: float
    """± on the outside diameter, or on the larger side."""
    wall_mm: float
    """± on the wall."""
    corner_mm: float
    """± on the radius of the outside corners."""
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


SEAM_SHARE, USUAL_SEAM_MOST_MM = 0.25, 1.0
"""Usual height of the weld seam inside, as a share of the wall, and at most: common practice, no source."""
CORNER_SHARE = 0.2
"""± on the radius of an outside corner, as a share of it: 1.6 to 2.4 × wall where 2.0 is nominal (EN 10219-2, from
memory)."""


@cache
def fits() -> tuple[FitClass, ...]:
    """The fit classes. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "fits.toml", "fit", FitClass)


def fit_named(name: str) -> FitClass:
    """The fit class of that name. Raises ``UnknownNameError`` with the nearest names."""
    return find_row(fits(), name, "fit class")


def adhesive(material: Material, gap_mm: float) -> str:
    """What holds the plastic in a gap so wide, in words."""
    return material.paste if fit_named("glue").takes_paste(gap_mm) and material.paste else material.glue


def tube_tolerance(section: Section, metal: str | None = None) -> ToleranceBand:
    """How far a tube of this section and metal may be off: by the standard that lists its nearest table size in this
    metal, the widest where several do, and the widest for such tubes of it where none does. Without a metal those of
    all count."""
    standards = _standards_of(section, metal)
    across, wall = max(section.outer.width, section.outer.depth), max(section.walls)
    widest = max(standards, key=lambda standard: round(standard.bore_off_mm(across, wall), 4))
    seamed = [standard for standard in standards if standard.welded]
    seam = max(seamed, key=lambda standard: standard.seam_most_mm, default=None)
    most = min(wall, seam.seam_most_mm) if seam else 0.0
    return ToleranceBand(
        outside_mm=widest.outside_off_mm(across),
        wall_mm=widest.wall_off_mm(wall),
        corner_mm=CORNER_SHARE * section.outer.corner_radius,
        seam_mm=min(SEAM_SHARE * wall, USUAL_SEAM_MOST_MM, most),
        seam_most_mm=most,
        source=cited(widest),
        seam_source=seam.seam_source if seam else cited(widest),
    )


def has_weld_seam(section: Section, metal: str) -> bool:
    """Whether a tube of this section and metal usually has a weld seam inside: by the standards that list its nearest
    table size in this metal, else by all for such tubes of it. Raises ``UnknownNameError`` for a metal that is in no
    table."""
    return any(standard.welded for standard in _standards_of(section, metal_named(metal).name))


def with_reading(
    section: Section, width: float | None, depth: float | None = None, metal: str | None = None
) -> Section:
    """``Section.with_bore``. Raises ``ValueError`` also for a reading that is further off the model than such a tube
    may be: then the calipers slipped, or the tube is another one."""
    measured, allowed = section.with_bore(width, depth), tube_tolerance(section, metal)
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


@lru_cache(1000)
def _standards_of(section: Section, metal: str | None) -> tuple[TubeStandard, ...]:
    """Those that list the section's nearest table size in this metal, else all for such tubes of this metal."""
    size = nearest_size(section)
    if size and (metal is None or any(metal in standard.metals for standard in size.standards)):
        return of_metal(size.standards, metal)
    kind = "round" if section.kind == "round" else "rect"
    return of_metal([standard for standard in tube_standards() if kind in standard.kinds], metal)
