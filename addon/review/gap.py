# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the spigot will go in and stay in, over everything that tube, print and weather may do to the gap."""

from __future__ import annotations

from ..families.cap import Recipe
from ..families.gap_band import GapBand
from ..geometry.units import say_mm
from ..trade.fits import fit_named
from .findings import Finding


def gap_findings(name: str, recipe: Recipe, band: GapBand) -> list[Finding]:
    """Compares the gap per side with what the fit class allows. ``recipe`` is a resolved one.

    A spigot goes in while there is a gap, or, of a press fit, while it bites no more than the class allows, and sits
    tight up to the class's largest gap. The band compared is the root-sum-square one, because causes that know nothing
    of each other nearly never add up; the worst case is told beside it.
    """
    fit = fit_named(recipe.fit)
    least, most = band.root_sum_square
    worst = f"; at worst {say_mm(band.least)} to {say_mm(band.most)}" if band.contributions else ""
    largest = max(band.contributions, key=lambda one: max(one.takes, one.adds), default=None)
    cause = f" Most of it comes from the {largest.name} ({largest.why})." if largest else ""
    seam = largest is not None and largest.name == "weld seam"
    said = f"The gap may come out anywhere from {say_mm(least)} to {say_mm(most)} per side{worst}.{cause}"
    needed = min(fit.least_gap_mm, 0.0)
    if least < needed:
        return [
            Finding(
                fitting=name,
                check="gap",
                severity="look at",
                meaning=f"Some fittings may not go in. {said}",
                advice="Look into the tubes and enter how high the weld seam is, 0 where there is none, or relieve the "
                "spigot there."
                if seam
                else "Measure the bores and enter the readings, or print a fit ladder, before printing the rest.",
                value=round(least, 3),
                limit=needed,
                unit="mm",
            )
        ]
    if most > fit.most_gap_mm:
        return [
            Finding(
                fitting=name,
                check="gap",
                severity="look at",
                meaning=f"Some fittings may sit loose: a {recipe.fit} fit allows {say_mm(fit.most_gap_mm)}. {said}",
                advice="Measure the bores and enter the readings, or choose a smaller gap.",
                value=round(most, 3),
                limit=fit.most_gap_mm,
                unit="mm",
            )
        ]
    return []
