# SPDX-License-Identifier: GPL-3.0-or-later
"""What the job sheet and the order lists are written from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

from ..families.fitting import Fitting, GlueJoint
from ..geometry.mesh import Mesh
from ..review.findings import Finding
from ..review.print_plan import PrintPlan
from ..review.review import Review
from ..takeoff.ends import TubeEnd
from ..trade.cautions import Facts
from ..trade.metals import TubeMetal, metal_named
from ..trade.processes import Material, Process
from ..trade.sizes import section_name
from .fit_ladder import FitLadder
from .plate import Footprint, Plates
from .quantities import Quantities
from .verdict import JobVerdict


@dataclass(frozen=True, eq=False)
class SheetFitting:
    id: str
    """Short and unique in the job: "F1"."""
    fitting: Fitting
    ends: tuple[int, ...]
    """The numbers of the tube ends that take it, which count from 1 in the order of ``JobSheet.ends``."""
    spares: int = 0
    gap_mm: tuple[float, float] | None = None
    """Least and greatest gap per side that tube, print and weather may leave."""
    added_mm: float = 0.0
    """What the shop book adds to the gap a side that is wanted, and the fitting is drawn with."""
    excess_mm: float = 0.0
    """How much the spigot comes out larger than drawn, a side, by the shop book's readings."""
    plan: PrintPlan | None = None
    support_mm3: float = 0.0
    findings: tuple[Finding, ...] = ()

    @classmethod
    def reviewed(
        cls,
        id: str,
        fitting: Fitting,
        review: Review,
        ends: Sequence[int],
        spares: int = 0,
        gap_mm: tuple[float, float] | None = None,
        added_mm: float = 0.0,
        excess_mm: float = 0.0,
        findings: Sequence[Finding] = (),
    ) -> SheetFitting:
        """With the print plan, the support and the findings of its review beside those given."""
        printed = review.printed
        plan = printed.plan if printed else None
        support = printed.support.volume_mm3 if printed else 0.0
        all_findings = (*findings, *review.findings)
        learned = (gap_mm, added_mm, excess_mm)
        return cls(id, fitting, tuple(ends), spares, *learned, plan=plan, support_mm3=support, findings=all_findings)

    @property
    def count(self) -> int:
        return len(self.ends) + self.spares

    @property
    def section_name(self) -> str:
        return section_name(self.fitting.section)

    @cached_property
    def glue(self) -> GlueJoint | None:
        return self.fitting.glue(round(self.fitting.seat.gap_mm - self.added_mm, 4))


@dataclass(frozen=True, eq=False)
class SheetLadder:
    fittings: tuple[str, ...]
    """Ids of the fittings whose tube and gap it is for."""
    ladder: FitLadder
    files: tuple[str, ...]
    """Names of its print files."""


@dataclass(frozen=True, eq=False)
class JobSheet:
    title: str
    date: str
    process: Process
    material: Material
    fittings: tuple[SheetFitting, ...]
    ends: tuple[TubeEnd, ...] = ()
    bodies: Sequence[Mesh] = ()
    """The assembly, in mm."""
    footprints: tuple[Footprint, ...] = ()
    """One for each fitting, in the same order, as laid on the plates."""
    plates: Plates = field(default_factory=lambda: Plates((), 0))
    ladders: tuple[SheetLadder, ...] = ()
    quantities: Quantities | None = None
    """Without the ladders."""
    findings: tuple[Finding, ...] = ()
    """Those that belong to no single fitting, or to one that was refused."""
    metal: TubeMetal = field(default_factory=lambda: metal_named("carbon steel"))
    """Of the tubes."""
    verdict: JobVerdict | None = None
    """What the job comes to; None for a sheet of fittings without a job."""
    notes: tuple[str, ...] = ()
    """Sentences about the whole job: what the takeoff left out, what the shop book has corrected."""

    @property
    def facts(self) -> Facts:
        recipes = tuple(fitting.fitting.recipe for fitting in self.fittings)
        return Facts(self.process, self.material, self.metal, recipes)


def say_ranges(numbers: Sequence[int]) -> str:
    """``"1–4, 7, 9"``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{first}" if first == last else f"{first}–{last}" for first, last in runs)
