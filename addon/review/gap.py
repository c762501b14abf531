# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the spigot will go in and stay in, over everything that tube, print and weather may do to the gap."""

from __future__ import annotations

from ..families.gap_band import GapBand
from ..fields.messages import NOTHING, Length, say
from ..trade.fits import fit_named
from .findings import Finding


def gap_findings(name: str, fit_class: str, band: GapBand) -> list[Finding]:
    """Compares the gap per side with what the fit class allows.

    A spigot goes in while there is a gap, or, of a press fit, while it bites no more than the class allows, and sits
    tight up to the class's largest gap. The band compared is the root-sum-square one, because causes that know nothing
    of each other nearly never add up; the worst case is given beside it.
    """
    fit = fit_named(fit_class)
    least, most = band.root_sum_square
    worst = (
        say("; at worst {least} to {most}", least=Length(band.least), most=Length(band.most))
        if band.contributions
        else NOTHING
    )
    largest = max(band.contributions, key=lambda contribution: max(contribution.takes, contribution.adds), default=None)
    cause = (
        say(" Most of it comes from the {largest} ({why}).", largest=largest.name, why=largest.why)
        if largest
        else NOTHING
    )
    seam = largest is not None and largest.name == "weld seam"
    said = say(
        "The gap may come out anywhere from {least} to {most} per side{worst}.{cause}",
        least=Length(least),
        most=Length(most),
        worst=worst,
        cause=cause,
    )
    needed = min(fit.least_gap_mm, 0.0)
    if least < needed:
        return [
            Finding(
                fitting=name,
                check="gap",
                severity="look at",
                meaning=say("Some fittings may not go in. {}", said),
                advice=say(
                    "Look into the tubes and enter how high the weld seam is, 0 if there is none, or relieve "
                    "the spigot there."
                )
                if seam
                else say("Measure the bores and enter the readings, or print a fit ladder, before printing the rest."),
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
                meaning=say(
                    "Some fittings may sit loose: a {fit} fit allows {most_gap}. {said}",
                    fit=fit_class,
                    most_gap=Length(fit.most_gap_mm),
                    said=said,
                ),
                advice=say("Measure the bores and enter the readings, or choose a smaller gap."),
                value=round(most, 3),
                limit=fit.most_gap_mm,
                unit="mm",
            )
        ]
    return []
