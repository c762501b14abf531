# SPDX-License-Identifier: GPL-3.0-or-later
"""What to put the calipers on at a bore and the spigot that goes into it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ..geometry.units import say_mm
from ..shaping.spigots import Spigot
from ..trade.fits import fit_named
from ..trade.processes import Process
from .fitting import Caliper, Seat

_ACROSS = 0.8


def seat_calipers(
    seat: Seat,
    spigot: Spigot,
    process: Process,
    added_mm: float = 0.0,
    excess_mm: float = 0.0,
    beside: Sequence[Caliper] = (),
    tube: str = "Tube",
    part: str = "",
    flat_deg: float | None = None,
) -> tuple[Caliper, ...]:
    """As ``Fitting.calipers``. ``beside`` are more of the fitting's own, ``tube`` what rows call the tube, and ``part``
    which of several spigots goes into it. Nothing is measured over a flat at ``flat_deg`` around
    it; a diameter can be taken beside."""
    fit, bore, outline = fit_named(seat.fit), seat.room, seat.outline
    excess, off, layer = 2 * excess_mm, 2 * process.tolerance_mm, max(process.layer_mm, process.tolerance_mm)
    gap = round(seat.gap_mm - added_mm, 4)
    holds = fit.holds_up_to(gap)
    spigot_name, own = part or "spigot", f"{part}, " * bool(part)
    bores, spigots = [], []
    clear = {
        "notch": ", clear of the relief",
        "flat": ", clear of the relief",
        "sides": ", beside the corners",
    }.get(spigot.seam.kind, "")
    clear += ", clear of the flat" * (flat_deg is not None)
    for reading in bore.readings:
        over_flat = flat_deg is not None and abs(math.cos(math.radians(reading.across_deg - flat_deg))) > _ACROSS
        if over_flat and bore.shape != "circle":
            continue
        where, per_gap = reading.where, bore.per_inset(reading)
        inner, outer = (shape.across(reading.across_deg) for shape in (outline, bore))
        least, most = (inner + per_gap * (added_mm + side) for side in (fit.least_gap_mm, holds))
        bores.append(Caliper(f"{tube}: bore, {where}", outer, least, most))
        spigots.append(Caliper.around(f"Fitting: {spigot_name}, {where}{clear}", inner, off, excess))
    rows = [Caliper.around(f"Fitting: {spigot_name}, length", seat.length_mm, layer)]
    if rib := seat.rib_mm:
        ribs_met = spigot.ribs_across(outline)
        for reading, ribs in zip(outline.readings, ribs_met, strict=True):
            if ribs:
                over = outline.across(reading.across_deg) + ribs * rib
                where = f"{own}over {'one rib' if ribs == 1 else 'the ribs'}, {reading.where}"
                rows.append(Caliper.around(f"Fitting: {where}", over, off, excess))
        if not any(ribs_met):
            rows.append(Caliper.around(f"Fitting: {own}rib, height", rib, process.tolerance_mm))
    if relief := seat.relief_mm:
        rows.append(Caliper.around(f"Fitting: {own}seam relief, depth", relief, process.tolerance_mm))
    drawn = f" (drawn {say_mm(seat.gap_mm)})" if added_mm else ""
    share = "half of bore less spigot" if per_gap == 2 else f"bore less spigot, divided by {per_gap:.3g}"
    of = f", {tube[0].lower()}{tube[1:]}" * bool(part and tube != "Tubes")
    seam = max(gap, 0.0) + seat.relief_mm  # A press fit bites beside the seam as well.
    return (
        *(row for pair in zip(bores, spigots, strict=True) for row in pair),
        Caliper(f"{tube}: weld seam, height", None, 0.0, seam),
        *rows,
        *beside,
        Caliper(f"Gap per side{of}: {share}{drawn}", gap, fit.least_gap_mm, holds),
    )
