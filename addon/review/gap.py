# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether the spigot will go in and stay in, over everything that tube, print and temperature may do to the gap."""

from __future__ import annotations

from dataclasses import replace

from ..families.gap_band import ENTERS, GapBand
from ..fields.messages import Length, say
from ..trade.fits import fit_named
from .findings import Finding


def gap_findings(name: str, fit_class: str, band: GapBand) -> list[Finding]:
    """What gap, relief and ribs cannot make good, so that a person has to: fewer fittings go in than ``ENTERS``, or
    they sit looser than the fit class, or the adhesive for the gap, allows."""
    holds = fit_named(fit_class).holds_up_to(band.nominal)
    least, most = band.root_sum_square
    largest = max(band.contributions, key=lambda cause: max(cause.takes, cause.adds), default=None)
    said = say("The gap may come out anywhere from {} to {} per side.", Length(least), Length(most))
    if largest:
        said += say(" Most of it comes from the {} ({}).", largest.name, largest.why)
    if not band.enters:
        seam = replace(band, contributions=tuple(cause for cause in band.contributions if cause.kind != "seam"))
        return [
            Finding(
                fitting=name,
                check="gap",
                severity="look at",
                meaning=say("Of 100 tubes, about {} will take it. {}", f"{100 * band.share_that_enters:.0f}", said),
                advice=say(
                    "File the weld seam inside the tube's end, as deep as the spigot goes; or look at it and enter its "
                    "height, 0 if there is none."
                )
                if seam.enters
                else say("Measure the bores and enter the readings, or print a fit ladder, before printing the rest."),
                value=round(band.share_that_enters, 4),
                limit=ENTERS,
                unit="of all tubes",
            )
        ]
    if band.play > holds:
        return [
            Finding(
                fitting=name,
                check="gap",
                severity="look at",
                meaning=say("Some fittings may sit loose: a {} fit allows {}. {}", fit_class, Length(holds), said),
                advice=say("Measure the bores and enter the readings, or choose a smaller gap."),
                value=round(band.play, 3),
                limit=holds,
                unit="mm",
            )
        ]
    return []
