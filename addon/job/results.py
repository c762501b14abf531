# SPDX-License-Identifier: GPL-3.0-or-later
"""What the steps of a job come to, each from those before it."""

from __future__ import annotations

from dataclasses import dataclass

from ..bench.plate import Footprint, Plates
from ..bench.quantities import Quantities
from ..bench.sheet import SheetLadder
from ..bench.statistic import Statistic
from ..families.cap.recipe import Recipe
from ..families.fitting import Fitting
from ..families.gap_band import GapBand
from ..files.parts import WrittenFile
from ..geometry.mesh import Mesh
from ..geometry.sections import Section
from ..review import Finding, Review
from ..takeoff import Takeoff, TubeEnd
from ..trade.cautions import Facts
from ..trade.metals import metal_named
from ..trade.sizes import section_name
from .asked import Job
from .resolved import Checked, Shape


@dataclass(frozen=True, eq=False)
class Batch:
    """The tube ends that take the same fitting."""

    id: str
    recipe: Recipe
    section: Section
    """With the measured bore where there is one. Of the batch's sections it is the one with the tightest bore."""
    ends: tuple[TubeEnd, ...]
    correction: Statistic | None = None
    """What the shop book adds to a gap a side that is wanted, in mm."""

    @property
    def added_mm(self) -> float:
        return round(self.correction.mean, 4) if self.correction else 0.0

    @property
    def shape(self) -> Shape:
        """What its fitting's solid comes from."""
        end, clear = self.ends[0], min(end.clear_depth_mm for end in self.ends)
        return Shape(self.recipe, self.section, end.mitre_deg, end.mitre_direction_deg, clear, self.added_mm)


@dataclass(frozen=True, eq=False)
class Made:
    """A fitting that can be made, and what there is to know of it."""

    batch: Batch
    fitting: Fitting
    checked: Checked
    spares: int
    files: tuple[str, ...] = ()

    @property
    def gap(self) -> GapBand:
        return self.checked.gap

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
        return f"{self.id} {self.fitting.recipe.crown} for {section_name(self.fitting.section)}"

    @property
    def count(self) -> int:
        return len(self.batch.ends) + self.spares


@dataclass(frozen=True, eq=False)
class JobResult:
    job: Job
    bodies: tuple[Mesh, ...]
    ends: tuple[TubeEnd, ...]
    made: tuple[Made, ...]
    findings: tuple[Finding, ...]
    """Of every fitting, those that were refused included."""
    footprints: tuple[Footprint, ...]
    """One for each of ``made``, in the same order."""
    plates: Plates
    files: tuple[WrittenFile, ...]
    notes: tuple[str, ...]
    quantities: Quantities | None = None
    """Of all plates, without the fit ladders; None where nothing is printed."""
    ladders: tuple[SheetLadder, ...] = ()
    takeoff: Takeoff = Takeoff(())
    """Its tubes, holes, copes and joints are those of the assembly, its ends those of this result."""

    @property
    def facts(self) -> Facts:
        """What cautions rest on."""
        job = self.job
        recipes = tuple(one.fitting.recipe for one in self.made)
        return Facts(job.process, job.material, metal_named(job.tube.metal), recipes)

    @property
    def complete(self) -> bool:
        """Whether every open end got its fitting, and there was one."""
        return bool(self.made) and not any(finding.check == "recipe" for finding in self.findings)
