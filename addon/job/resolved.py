# SPDX-License-Identifier: GPL-3.0-or-later
"""All that a fitting and its review come from, decided: one record a batch, equal where the results are the same."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from typing import Any

from ..families.family import EndPlace, Family
from ..families.fitting import Fitting
from ..families.gap_band import GapBand, fit_band
from ..fields.messages import Length, say
from ..fields.refusals import RecipeError
from ..review import Finding, Review, review_fitting
from ..review.gap import gap_findings
from ..review.heat import heat_findings
from ..trade.fits import fit_named
from ..trade.processes import Material, Process
from ..trade.tables import UnknownNameError
from .asked import JobError, TubeFacts


@dataclass(frozen=True)
class Shape:
    """What a fitting's solid comes from."""

    family: Family
    recipe: Any
    """With the gap that the print is to have."""
    place: EndPlace
    added_mm: float = 0.0
    """What the shop book adds to the gap a side."""

    @property
    def drawn(self) -> Any:
        """The recipe with the gap that comes out as the one that is wanted."""
        if not self.added_mm:
            return self.recipe
        wanted = fit_named(self.recipe.fit).gap_mm if self.recipe.gap_mm is None else self.recipe.gap_mm
        return replace(self.recipe, gap_mm=round(wanted + self.added_mm, 4))

    def digest(self, *more: float) -> str:
        """The same for the same shape, in another session too."""
        return hashlib.blake2b(
            repr((self.family.name, self.drawn, self.place.key, more)).encode(), digest_size=12
        ).hexdigest()


@dataclass(frozen=True)
class Resolved:
    """What a fitting's gap and review come from."""

    id: str
    shape: Shape
    tube: TubeFacts
    """With the weld seam that counts, the job's own or the shop book's."""
    bore_off_mm: float | None
    """± on the bore's width where it was measured."""
    process: Process
    material: Material


@dataclass(frozen=True, eq=False)
class Checked:
    """A fitting's gap and review."""

    gap: GapBand
    """Of the print, after the shop book's correction if there is one."""
    review: Review
    fit_findings: tuple[Finding, ...]
    """Of the gap, and the heat that the tube gets."""


def designed(shape: Shape, facets: int | None = None) -> Fitting:
    """The fitting of a batch's shape. Raises ``RecipeError``."""
    try:
        return shape.family.design(shape.drawn, shape.place, facets)
    except RecipeError as refusal:
        if refusal.field != "gap_mm" or not shape.added_mm or not isinstance(refusal.works, float):
            raise
        said = say("{}, and the shop book adds {} to the gap that was chosen", refusal, Length(shape.added_mm))
        raise RecipeError("gap_mm", said, round(refusal.works - shape.added_mm, 4)) from None


def reviewed(of: Resolved, fitting: Fitting) -> Checked:
    """The gap and the review of the fitting that was designed from ``of.shape``. Raises ``JobError`` for a metal that
    is in no table."""
    try:
        gap = fit_band(fitting, of.process, of.tube, bore_tolerance_mm=of.bore_off_mm, material=of.material)
    except UnknownNameError as error:
        raise JobError(str(error)) from error
    gap = replace(gap, nominal=round(gap.nominal - of.shape.added_mm, 4))
    findings = (
        *gap_findings(of.id, fitting.seat.fit, gap),
        *heat_findings(of.id, of.material, of.tube.hottest_c),
    )
    return Checked(gap, review_fitting(fitting, of.process, of.id, of.material), findings)
