# SPDX-License-Identifier: GPL-3.0-or-later
"""The results of the steps of a job, each made from those before it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

from ..bench.fit_ladder import FitLadder
from ..bench.plate import Footprint, Plates
from ..bench.quantities import Quantities
from ..families.circumstances import Circumstances
from ..families.family import Counted, Family, ScrewPlace, Site, counted_as
from ..families.fitting import Fitting
from ..families.gap_band import GapBand
from ..families.template import Template
from ..fields.messages import NOTHING, Message, Name, say
from ..fields.refusals import RecipeError
from ..files.parts import Part, WrittenFile
from ..geometry.frames import Floats
from ..geometry.mesh import Mesh
from ..geometry.sections import Section
from ..review import Finding, Review
from ..takeoff import Takeoff, TubeEnd
from ..trade.cautions import Facts
from ..trade.metals import metal_named
from ..trade.sizes import section_name
from .asked import Assembly, Job, Output
from .resolved import Checked, Shape

Found = TypeVar("Found")


@dataclass(frozen=True, eq=False)
class Batch:
    """The sites that take the same fitting."""

    id: str
    family: Family
    recipe: Any
    place: Any
    """What serves all of its sites: the family's ``SitePlace``."""
    sites: tuple[Site, ...]
    frames: tuple[int, ...]
    """How many frames are built that have each of the sites."""
    assemblies: tuple[int, ...]
    """Of which of the job's assemblies each of the sites is."""
    circumstances: Circumstances

    def alike(self, other: Batch) -> bool:
        """Whether the same fitting serves both."""
        these, others = ((batch.family, batch.recipe, batch.circumstances) for batch in (self, other))
        return these == others and self.place.like(other.place)

    @property
    def needed(self) -> int:
        """How many fittings the order takes, without spares: of a tool one."""
        return sum(self.frames) if self.family.stays else 1

    @property
    def frames_served(self) -> dict[Counted, dict[int, int]]:
        """How many frames have each of the ends, holes, copes or joints that it is for, by the record's ``id``."""
        served: dict[Counted, dict[int, int]] = {}
        for site, frames in zip(self.sites, self.frames, strict=True):
            for record in site.records[: site.count]:
                served.setdefault(counted_as(record, self.family.serves), {})[id(record)] = frames
        return served

    @property
    def amounts(self) -> dict[Counted, int]:
        """How many of each it is for, over all frames."""
        return {counted: sum(frames.values()) for counted, frames in self.frames_served.items()}

    @property
    def served(self) -> int:
        """How many they are all together."""
        return sum(self.amounts.values())

    def sites_of(self, assembly: int) -> list[Site]:
        """Those in one of the job's assemblies."""
        return [site for site, number in zip(self.sites, self.assemblies, strict=True) if number == assembly]

    def spares(self, output: Output) -> int:
        """How many are printed beyond that: of a tool none."""
        return output.spares_for(self.needed) if self.family.stays else 0

    @property
    def section(self) -> Section:
        """The one with the tightest bore, as measured where it was."""
        return self.place.section

    @property
    def added_mm(self) -> float:
        """What the shop book adds to a gap a side that is wanted."""
        return self.circumstances.added_mm

    @property
    def shape(self) -> Shape:
        """What its fitting's solid comes from."""
        return Shape(self.family, self.recipe, self.place, self.circumstances)

    @cached_property
    def screws(self) -> tuple[ScrewPlace, ...]:
        """Where tubes are drilled for its screws."""
        return self._if_made(self.family.screws)

    @cached_property
    def passes(self) -> tuple[tuple[Floats, Floats], ...]:
        """The axes of the holes through it, in its frame."""
        return self._if_made(self.family.passes)

    def _if_made(self, places: Callable[[Any, Any, Circumstances], Iterable[Found]]) -> tuple[Found, ...]:
        """None for a fitting that cannot be made."""
        try:
            return tuple(places(self.recipe, self.place, self.circumstances))
        except RecipeError:
            return ()


@dataclass(frozen=True, eq=False)
class Made:
    """A fitting that can be made, with its gaps and review."""

    batch: Batch
    fitting: Fitting
    checked: Checked
    spares: int

    @property
    def gaps(self) -> tuple[GapBand, ...]:
        """Of each of its seats."""
        return self.checked.gaps

    @property
    def share_that_enters(self) -> float | None:
        """0 to 1: of all tubes and prints, with all seats; None if it goes into no bore."""
        return math.prod(gap.share_that_enters for gap in self.gaps) if self.gaps else None

    @property
    def review(self) -> Review:
        return self.checked.review

    @property
    def fit_findings(self) -> tuple[Finding, ...]:
        return self.checked.fit_findings

    @property
    def id(self) -> str:
        return self.batch.id

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of the fit and the review; asking for them runs the review's slower checks."""
        return (*self.fit_findings, *self.review.findings)

    @property
    def known(self) -> tuple[Finding, ...]:
        """The findings so far, without running any check."""
        return (*self.fit_findings, *self.review.known)

    @property
    def name(self) -> str:
        return f"{self.id} {self.fitting.title} for {section_name(self.fitting.section)}"

    @property
    def count(self) -> int:
        return self.batch.needed + self.spares


@dataclass(frozen=True, eq=False)
class Attempt:
    """A batch's fitting, or why it cannot be made."""

    made: Made | None
    """None if the recipe is impossible for it, or no plate can hold it; then the finding says so."""
    findings: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class LaidOut:
    """The fittings as they are printed, and where."""

    parts: tuple[Part, ...] = ()
    footprints: tuple[Footprint, ...] = ()
    """One for each of ``parts``, in the same order."""
    plates: Plates = Plates((), 0)


@dataclass(frozen=True, eq=False)
class JobLadder:
    """A fit ladder of the job."""

    fittings: tuple[str, ...]
    """Ids of the fittings whose tube and gap it is for."""
    ladder: FitLadder
    plates: Plates
    """Where it stands on its own plate."""

    @property
    def name(self) -> str:
        return f"fit ladder {self.fittings[0]} {section_name(self.ladder.section)}"


@dataclass(frozen=True, eq=False)
class Taken:
    """An assembly of the job as it was read."""

    assembly: Assembly
    takeoff: Takeoff
    """Its tubes, holes, copes and joints are those of the assembly; its ends are those that the job is about."""
    bodies: tuple[Mesh, ...] = ()
    unit_question: Message = NOTHING
    """Asks whether the unit that was given for it is right; empty where nothing speaks against that."""


def note_of(each: Taken, taken: Sequence[Taken], note: str) -> str:
    """A note on an assembly, with its name where there are several."""
    return say("{}: {}", Name(each.assembly.name), note) if len(taken) > 1 else note


@dataclass(frozen=True, eq=False, kw_only=True)
class JobResult:
    job: Job
    taken: tuple[Taken, ...] = ()
    batches: tuple[Batch, ...] = ()
    made: tuple[Made, ...] = ()
    """The fittings of ``batches`` that can be made."""
    findings: tuple[Finding, ...] = ()
    """Of every fitting, those that were refused included."""
    laid_out: LaidOut = LaidOut()
    """The fittings of ``made``, in the same order."""
    quantities: Quantities | None = None
    """Of all plates, without the fit ladders; None if nothing is printed."""
    ladders: tuple[JobLadder, ...] = ()
    files: tuple[WrittenFile, ...] = ()
    open_for: Mapping[int, str] = field(default_factory=dict)
    """By the ``id`` of a hole that a fitting leaves open for a bolt or a pin, the fitting's id."""
    notes: tuple[str, ...] = ()

    @property
    def unit_doubts(self) -> tuple[str, ...]:
        """Those of the notes that ask whether a unit is right, which all else hangs on."""
        return tuple(note_of(each, self.taken, each.unit_question) for each in self.taken if each.unit_question)

    @cached_property
    def ends(self) -> tuple[TubeEnd, ...]:
        """Of all assemblies, in their order."""
        return tuple(end for taken in self.taken for end in taken.takeoff.ends)

    @cached_property
    def sites(self) -> tuple[tuple[Site, ...], ...]:
        """Of each assembly, as sheets number them: its ends, then the other sites that take a fitting."""
        every = []
        for number, taken in enumerate(self.taken):
            ends = {id(end) for end in taken.takeoff.ends}
            others = (site for batch in self.batches for site in batch.sites_of(number) if id(site) not in ends)
            every.append((*taken.takeoff.ends, *others))
        return tuple(every)

    @cached_property
    def frames_of(self) -> dict[int, int]:
        """How many frames are built that have an end, by its ``id``."""
        return {id(end): taken.assembly.frames for taken in self.taken for end in taken.takeoff.ends}

    @cached_property
    def fitting_of(self) -> dict[int, str]:
        """The id of the fitting that goes to a record of the takeoff, by the record's ``id``: of one that stays, else
        of the tool that is made for it."""
        stay_last = sorted(self.made, key=lambda fitting: fitting.batch.family.stays)
        return {
            id(record): fitting.id for fitting in stay_last for site in fitting.batch.sites for record in site.records
        }

    @cached_property
    def templates(self) -> dict[str, Template]:
        """By the ids of the fittings that they go with, or numbers of their own: ``"T1"``."""
        templates = {
            fitting.id: template for fitting in self.made for template in fitting.fitting.papers(fitting.batch.sites)
        }
        asked = (wish.family for wish in self.job.wishes if wish.make)
        families = dict.fromkeys((*asked, *(fitting.batch.family for fitting in self.made)))
        others = [paper for family in families for taken in self.taken for paper in family.papers(taken.takeoff)]
        return templates | {f"T{number}": template for number, template in enumerate(others, 1)}

    @property
    def plates(self) -> Plates:
        return self.laid_out.plates

    def files_of(self, part: str) -> tuple[str, ...]:
        """Names of the print files that hold a part, by its name: a fitting's or a fit ladder's."""
        return tuple(file.path.name for file in self.files if part in file.parts)

    @property
    def facts(self) -> Facts:
        """What cautions rest on."""
        job = self.job
        recipes = tuple(fitting.fitting.recipe for fitting in self.made)
        puts_in = not self.made or any(fitting.batch.family.stays for fitting in self.made)
        return Facts(job.process, job.material, metal_named(job.tube.metal), recipes, puts_in)

    @property
    def refusals(self) -> tuple[Finding, ...]:
        """Why fittings were not made."""
        made_ids = {fitting.id for fitting in self.made}
        return tuple(finding for finding in self.findings if finding.fitting not in made_ids)
