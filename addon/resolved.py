# SPDX-License-Identifier: GPL-3.0-or-later
"""All that a fitting and its review come from, decided: one record a batch, equal where the results are the same."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace

from .families.cap import Recipe
from .geometry.sections import Section
from .jobfile import Tube
from .trade.fits import fit_named
from .trade.processes import Material, Process


@dataclass(frozen=True)
class Shape:
    """What a fitting's solid comes from."""

    recipe: Recipe
    """As it is wanted: with the gap that the print is to have."""
    section: Section
    """With the measured bore where there is one."""
    mitre_deg: float
    mitre_direction_deg: float
    clear_depth_mm: float
    added_mm: float = 0.0
    """What the shop book adds to the gap a side."""

    @property
    def drawn(self) -> Recipe:
        """The recipe with the gap that comes out as the one that is wanted."""
        if not self.added_mm:
            return self.recipe
        wanted = fit_named(self.recipe.fit).gap_mm if self.recipe.gap_mm is None else self.recipe.gap_mm
        return replace(self.recipe, gap_mm=round(wanted + self.added_mm, 4))

    def digest(self, *more: float) -> str:
        """The same for the same shape, in another session too."""
        outlines = [outline.key for outline in (self.section.outer, self.section.bore)]
        numbers = (self.mitre_deg, self.mitre_direction_deg, self.clear_depth_mm, *more)
        return hashlib.blake2b(repr((self.drawn, outlines, numbers)).encode(), digest_size=12).hexdigest()


@dataclass(frozen=True)
class Resolved:
    """What a fitting's gap and review come from."""

    id: str
    shape: Shape
    tube: Tube
    """With the weld seam that counts, the job's own or the shop book's."""
    bore_off_mm: float | None
    """± on the bore's width where it was measured."""
    process: Process
    material: Material
