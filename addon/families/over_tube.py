# SPDX-License-Identifier: GPL-3.0-or-later
"""What slides over a tube's outside, over paint and weld spatter too: its gap, and what to measure there."""

from __future__ import annotations

from ..fields.messages import Length, Name, say
from ..geometry.sections import Outline, Section
from ..trade.fits import fit_named, tube_tolerance
from ..trade.processes import Process
from .circumstances import Circumstances
from .fitting import Caliper
from .gap_band import Contribution, GapBand, gap_by_design, ways_across

SLIDE = "slide"
"""The fit class."""
COAT_MM = 0.15
"""A side, of a coat of powder or two of paint, and of what a scraper leaves of weld spatter; common practice, no
source."""


def sliding_gap(section: Section, known: Circumstances | None) -> tuple[float, float]:
    """The gap per side, in mm, with which a sleeve goes over nearly all tubes of a section, and by how much the radius
    of such a tube's corners may be smaller than modelled. The fit class's own gap where the print is not known."""
    fit = fit_named(SLIDE)
    if known is None:
        return fit.gap_mm, tube_tolerance(section).corner_mm
    band = GapBand(0.0, sliding_causes(section, known), ways=ways_across(section))
    return gap_by_design(fit, band), tube_tolerance(section, known.tube.metal).corner_mm


def sliding_causes(section: Section, known: Circumstances) -> tuple[Contribution, ...]:
    """What may change the gap per side between a tube's outside and what slides over it."""
    tolerance, process = tube_tolerance(section, known.tube.metal), known.process
    half = tolerance.outside_mm / 2
    return (
        Contribution(
            "tube outside", half, half, say("± {} across: {}", Length(tolerance.outside_mm), tolerance.source)
        ),
        Contribution(
            "print",
            process.tolerance_mm,
            process.tolerance_mm,
            say("± {} a side on {}", Length(process.tolerance_mm), Name(process.name)),
        ),
        Contribution("coat", COAT_MM, 0.0, say("paint and spatter up to {} a side", Length(COAT_MM)), "seam"),
    )


def tube_off_mm(section: Section, known: Circumstances | None) -> float:
    """By how much a tube may be smaller or larger across than modelled."""
    return tube_tolerance(section, known.tube.metal if known else None).outside_mm


def sliding_calipers(outer: Outline, off_mm: float, bore: Outline, part: str, process: Process) -> list[Caliper]:
    """On a tube, which may be ``off_mm`` smaller across, and on the bore of the ``part`` that slides over it."""
    fit, rows = fit_named(SLIDE), []
    for reading in outer.readings:
        tube, inside = (outline.across(reading.across_deg) for outline in (outer, bore))
        loosest, tightest = (inside - outer.per_inset(reading) * gap for gap in (fit.most_gap_mm, fit.least_gap_mm))
        on = f"Tube: outside, {reading.where}, with its paint"
        rows.append(Caliper(on, tube, max(loosest, tube - off_mm), tightest))
        rows.append(Caliper.around(f"{part}: inside, {reading.where}", inside, 2 * process.tolerance_mm))
    return rows
