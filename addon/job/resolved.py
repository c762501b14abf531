# SPDX-License-Identifier: GPL-3.0-or-later
"""All that a fitting and its review come from, decided: one record a batch, equal where the results are the same."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from ..families.circumstances import Circumstances
from ..families.family import Family
from ..families.fitting import Fitting, Seat
from ..families.gap_band import GapBand, fit_band
from ..fields.messages import Length, say
from ..review import Finding, Review, review_fitting
from ..review.gap import gap_findings
from ..review.heat import heat_findings
from ..trade.processes import Material
from ..trade.sizes import section_name
from ..trade.tables import UnknownNameError
from .asked import JobError

_THINNEST_MM = 0.5
"""About the wall of the thinnest tubes that are common; common practice, no source."""


@dataclass(frozen=True)
class Shape:
    """What a fitting's solid comes from."""

    family: Family
    recipe: Any
    """With the gap that the print is to have."""
    place: Any
    """The family's ``SitePlace``."""
    circumstances: Circumstances

    def digest(self, *more: float) -> str:
        """The same for the same shape, in another session too."""
        inputs = (self.family.name, self.recipe, self.place.key, self.circumstances, more)
        return hashlib.blake2b(repr(inputs).encode(), digest_size=12).hexdigest()


@dataclass(frozen=True)
class Resolved:
    """What a fitting's gap and review come from."""

    id: str
    shape: Shape
    material: Material


@dataclass(frozen=True, eq=False)
class Checked:
    """A fitting's gaps and review."""

    gaps: tuple[GapBand, ...]
    """Of each seat of the print, after the shop book's correction if there is one."""
    review: Review
    fit_findings: tuple[Finding, ...]
    """Of the gaps, the heat that the tube gets, and what the family remarks."""


def designed(shape: Shape, facets: int | None = None) -> Fitting:
    """The fitting of a batch's shape. Raises ``RecipeError``."""
    return shape.family.design(shape.recipe, shape.place, shape.circumstances, facets)


def reviewed(of: Resolved, fitting: Fitting) -> Checked:
    """The gap and the review of the fitting that was designed from ``of.shape``. Raises ``JobError`` for a metal that
    is in no table."""
    known = of.shape.circumstances
    try:
        gaps = tuple(fit_band(seat, known) for seat in fitting.seats)
    except UnknownNameError as error:
        raise JobError(str(error)) from error
    findings = _gap_findings(of.id, fitting.seats, gaps)
    if of.shape.family.stays:
        findings += heat_findings(of.id, of.material, known.tube.hottest_c)
    findings += _thin_tube(of.id, fitting.section.wall)
    findings += [
        Finding(of.id, remark.about, "look at", remark.said, remark.advice, cure=dict(remark.cure))
        for remark in fitting.remarks
    ]
    return Checked(gaps, review_fitting(fitting, known.process, of.id, of.material), tuple(findings))


def _gap_findings(name: str, seats: Sequence[Seat], gaps: Sequence[GapBand]) -> list[Finding]:
    """Of each seat; where they differ, with the tube that it is in."""
    of_seats = [gap_findings(name, seat.fit, gap) for seat, gap in zip(seats, gaps, strict=True)]
    if all(findings == of_seats[0] for findings in of_seats):
        return of_seats[0] if of_seats else []
    return [
        replace(finding, meaning=say("In the {} tube, {}: {}", which, section_name(seat.section), finding.meaning))
        for which, seat, findings in zip(("first", "second"), seats, of_seats, strict=True)
        for finding in findings
    ]


def _thin_tube(name: str, wall_mm: float) -> list[Finding]:
    if not 0 < wall_mm < _THINNEST_MM:
        return []
    return [
        Finding(
            fitting=name,
            check="thin tube",
            severity="look at",
            meaning=say("The tube's wall is {} thick, as drawn; no tube that is welded is so thin.", Length(wall_mm)),
            advice=say("Check the assembly's unit, then the wall in the model."),
            value=round(wall_mm, 3),
            limit=_THINNEST_MM,
            unit="mm",
        )
    ]
