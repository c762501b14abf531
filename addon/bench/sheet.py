# SPDX-License-Identifier: GPL-3.0-or-later
"""What the job sheet and the order lists are written from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from ..fitting import Fitting
from ..geometry.mesh import Mesh
from ..geometry.units import say_both
from ..review.findings import Finding
from ..review.plan import PlanRow
from ..review.review import Review
from ..takeoff.ends import TubeEnd
from ..trade.processes import Material, Process
from ..trade.sizes import section_name
from .glue import GlueJoint, glue_joint
from .plate import Footprint, Plates
from .quantities import Quantities


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
    standing: str = "crown up"
    """How it lies on the plate, in words."""
    plan: tuple[PlanRow, ...] = ()
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
    ) -> SheetFitting:
        """With the ring plan, the support and the findings of its review, standing crown up."""
        printed = review.printed
        plan = printed.plan.rows if printed else ()
        support = printed.support.volume_mm3 if printed else 0.0
        numbers = tuple(ends)
        return cls(id, fitting, numbers, spares, gap_mm, plan=plan, support_mm3=support, findings=review.findings)

    @property
    def count(self) -> int:
        return len(self.ends) + self.spares

    @property
    def section_name(self) -> str:
        return section_name(self.fitting.section)

    @property
    def what(self) -> str:
        """``"dome 12.7 mm (1/2 in) high, glue fit, mitre 30°"``."""
        recipe, mitre = self.fitting.recipe, self.fitting.mitre_deg
        said = f"{recipe.crown} {say_both(recipe.rise_mm or 0.0)} high, {recipe.fit} fit"
        return f"{said}, mitre {mitre:.3g}°" if mitre else said

    @property
    def glue(self) -> GlueJoint | None:
        return glue_joint(self.fitting.recipe, self.fitting.section)


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
    quantities: Quantities | None = None
    findings: tuple[Finding, ...] = ()
    """Those that belong to no single fitting, or to one that was refused."""
    notes: tuple[str, ...] = ()
    """Sentences about the whole job: what the takeoff left out, what the shop book has corrected."""


def say_ranges(numbers: Sequence[int]) -> str:
    """``"1–4, 7, 9"``."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    return ", ".join(f"{first}" if first == last else f"{first}–{last}" for first, last in runs)
