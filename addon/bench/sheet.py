# SPDX-License-Identifier: GPL-3.0-or-later
"""What the job sheet and the order lists are written from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

from ..families.family import Family, Site
from ..families.fitting import Fitting, GlueJoint
from ..families.table import family_named
from ..fields.messages import Message, Units
from ..geometry.mesh import Mesh
from ..geometry.names import in_words
from ..review.review import Print
from ..takeoff import NeededHole, TubeEnd
from ..trade.cautions import Facts
from ..trade.metals import TubeMetal, metal_named
from ..trade.processes import Material, Process
from ..trade.sizes import section_name, section_words
from .fit_ladder import FitLadder
from .plate import Footprint, Plates
from .quantities import Quantities
from .verdict import JobVerdict


@dataclass(frozen=True, eq=False)
class SheetFitting:
    id: str
    """Short and unique in the job: "F1"."""
    fitting: Fitting
    sites: tuple[int, ...]
    """The numbers of the sites that take it, which count from 1 in the order of ``JobSheet.sites``."""
    needed: int
    """How many go in, over all the frames that are built; one of a tool."""
    spares: int = 0
    added_mm: float = 0.0
    """What the shop book adds to the gap a side that is wanted, and the fitting is drawn with."""
    excess_mm: float = 0.0
    """How much the spigot comes out larger than drawn, a side, by the shop book's readings."""
    printed: Print | None = None
    """None if it was not reviewed, or has no layers."""

    @property
    def count(self) -> int:
        return self.needed + self.spares

    @property
    def family(self) -> Family:
        return family_named(self.fitting.family)

    @property
    def section_name(self) -> str:
        return section_name(self.fitting.section)

    @property
    def section_words(self) -> str:
        return section_words(self.fitting.section)

    @property
    def way_up(self) -> str:
        """In a word or two, without why."""
        return self.fitting.way_up.partition(",")[0]

    @property
    def supported(self) -> bool:
        return self.printed is not None and self.printed.support.needed

    @property
    def supported_inside(self) -> bool:
        """Whether support stands in a bore."""
        return self.printed is not None and self.printed.support_inside_mm3 > 0

    @property
    def supported_outside(self) -> bool:
        """Whether support stands anywhere else; a hundredth of it is rounding."""
        return self.printed is not None and self.printed.support.volume_mm3 > 1.01 * self.printed.support_inside_mm3

    @cached_property
    def glue(self) -> GlueJoint | None:
        seats = self.fitting.seats
        return self.fitting.glue(round(seats[0].gap_mm - self.added_mm, 4)) if seats else None


@dataclass(frozen=True, eq=False)
class SheetLadder:
    fittings: tuple[str, ...]
    """Ids of the fittings whose tube and gap it is for."""
    ladder: FitLadder
    files: tuple[str, ...]
    """Names of its print files."""


@dataclass(frozen=True, eq=False)
class SheetAssembly:
    """An assembly whose sites follow those of the one before in ``JobSheet.sites``."""

    name: str
    """Empty for the only one of a job."""
    frames: int
    sites: int
    bodies: Sequence[Mesh] = ()
    """In mm."""


@dataclass(frozen=True, eq=False)
class JobSheet:
    title: str
    date: str
    process: Process
    material: Material
    fittings: tuple[SheetFitting, ...]
    sites: tuple[Site, ...] = ()
    """Of each assembly its ends, open or not, then the others that take a fitting."""
    assemblies: tuple[SheetAssembly, ...] = ()
    footprints: tuple[Footprint, ...] = ()
    """One for each fitting, in the same order, as laid on the plates."""
    plates: Plates = field(default_factory=lambda: Plates((), 0))
    ladders: tuple[SheetLadder, ...] = ()
    quantities: Quantities | None = None
    """Without the ladders."""
    metal: TubeMetal = field(default_factory=lambda: metal_named("carbon steel"))
    """Of the tubes."""
    verdict: JobVerdict | None = None
    """What the job comes to; None for a sheet of fittings without a job."""
    notes: tuple[str, ...] = ()
    """Sentences about the whole job: what the takeoff left out, what the shop book has corrected."""
    labels: Mapping[str, str] = field(default_factory=dict)
    """What fields are called on paper, by their keys in a job file."""

    @property
    def numbered(self) -> Iterator[tuple[SheetAssembly, range]]:
        """The assemblies and the numbers of their sites."""
        first = 1
        for assembly in self.assemblies:
            yield assembly, range(first, first + assembly.sites)
            first += assembly.sites

    @property
    def ends(self) -> list[tuple[int, TubeEnd]]:
        """With their numbers."""
        return [(number, site) for number, site in enumerate(self.sites, 1) if isinstance(site, TubeEnd)]

    @cached_property
    def fitting_of(self) -> dict[int, SheetFitting]:
        """What goes to each of the takeoff's records, by the record's ``id``."""
        return {
            id(record): fitting
            for fitting in sorted(self.fittings, key=lambda fitting: fitting.family.stays)
            for number in fitting.sites
            for record in self.sites[number - 1].records
        }

    def where(self, site: Site) -> str:
        """Where a site is, with the fittings whose screws its holes are for."""
        needed = [record for record in site.records if isinstance(record, NeededHole)]
        fittings = (self.fitting_of.get(id(hole.joint)) for hole in needed)
        ids = in_words(dict.fromkeys(fitting.id for fitting in fittings if fitting))
        which = f"{len(needed)} of them " if len(needed) < site.count else ""
        return f"{site.where}, {which}for the screws of {ids}" if ids else site.where

    @property
    def facts(self) -> Facts:
        recipes = tuple(fitting.fitting.recipe for fitting in self.fittings)
        puts_in = not self.fittings or any(fitting.family.stays for fitting in self.fittings)
        return Facts(self.process, self.material, self.metal, recipes, puts_in)

    def said(self, words: str) -> str:
        """A message as papers have it."""
        return words.text(Units(labels=self.labels)) if isinstance(words, Message) else words


def say_ranges(numbers: Sequence[int]) -> str:
    """``"1–4, 7, 9"``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{first}" if first == last else f"{first}–{last}" for first, last in runs)
