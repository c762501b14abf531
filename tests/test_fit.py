# SPDX-License-Identifier: GPL-3.0-or-later
"""The gap's band, against sums by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest
from recipes import recipe_of

from addon.families.cap import design
from addon.families.gap_band import Contribution, GapBand, differential_expansion, fit_band
from addon.geometry.sections import Section
from addon.trade.fits import tube_tolerance
from addon.trade.processes import process_named, processes
from addon.trade.tables import UnknownNameError

TUBE = Section.round(60.3, 3.91)


@dataclass(frozen=True)
class InUse:
    metal: str = "carbon steel"
    seam_height_mm: float | None = 0.0
    coldest_c: float = 20.0
    hottest_c: float = 20.0


def made(**recipe):
    return design(recipe_of(gap_mm=0.2, **recipe), TUBE, facets=16)


def pa12():
    """A process with a known plastic and tolerance, whatever the table's own are."""
    return replace(processes()[0], material="PA12", tolerance_mm=0.15)


def part(band: GapBand, name: str) -> Contribution:
    return next(contribution for contribution in band.contributions if contribution.name == name)


def test_worst_case_adds_and_root_sum_square_does_so_at_right_angles():
    # Source: any handbook of tolerance stacks; 3, 4 and 12 make 5 and 13.
    band = GapBand(
        0.2, (Contribution("a", 0.03, 0.03, ""), Contribution("b", 0.04, 0.0, ""), Contribution("c", 0, 0.12, ""))
    )
    assert band.worst_case == pytest.approx((0.13, 0.35))
    assert band.root_sum_square == pytest.approx((0.15, 0.2 + math.hypot(0.03, 0.12)))
    assert band.nominal == 0.2


def test_a_warm_plastic_spigot_grows_more_than_its_steel_tube():
    # Source: linear expansion, ΔL = L·α·ΔT; by hand 26.24 × (11.7 − 100)e-6 × 20 = −0.0463.
    assert differential_expansion(26.24, 11.7e-6, 100e-6, 20) == pytest.approx(-0.046339, abs=1e-5)
    band = fit_band(made(), pa12(), InUse(coldest_c=-10, hottest_c=40))
    assert part(band, "temperature").takes == pytest.approx(0.0463, abs=2e-4)
    assert part(band, "temperature").adds == pytest.approx(0.0463 * 30 / 20, abs=2e-4)


def test_a_range_that_lies_all_above_room_takes_only():
    band = fit_band(made(), pa12(), InUse(coldest_c=30, hottest_c=60))
    assert part(band, "temperature").adds == 0
    assert part(band, "temperature").takes == pytest.approx(26.24 * 88.3e-6 * 40, rel=1e-3)


def test_the_tube_takes_half_of_its_outside_and_all_of_its_wall():
    tolerance = tube_tolerance(TUBE, InUse().metal)
    band = fit_band(made(), pa12(), InUse())
    assert part(band, "tube outside").takes == pytest.approx(tolerance.outside_mm / 2)
    assert part(band, "tube wall").adds == pytest.approx(tolerance.wall_mm)
    assert band.least == pytest.approx(0.2 - tolerance.bore_mm / 2 - 0.15)
    assert band.most == pytest.approx(0.2 + tolerance.bore_mm / 2 + 0.15)


def test_a_measured_bore_takes_the_place_of_the_standard():
    band = fit_band(made(), pa12(), InUse(), bore_tolerance_mm=0.1)
    assert band.worst_case == pytest.approx((0.2 - 0.05 - 0.15, 0.2 + 0.05 + 0.15))
    assert band.root_sum_square[0] == pytest.approx(0.2 - math.sqrt(0.05**2 + 0.15**2))


def test_a_weld_seam_only_takes_and_its_relief_gives_back():
    plain = fit_band(made(), pa12(), InUse(seam_height_mm=1.0))
    assert (part(plain, "weld seam").takes, part(plain, "weld seam").adds) == (1.0, 0.0)
    relieved = fit_band(made(seam_relief="notch", seam_depth_mm=0.7), pa12(), InUse(seam_height_mm=1.0))
    assert part(relieved, "weld seam").takes == pytest.approx(0.3)
    deep = fit_band(made(seam_relief="flat", seam_depth_mm=1.2), pa12(), InUse(seam_height_mm=1.0))
    assert part(deep, "weld seam").takes == 0


def test_a_seam_that_nobody_has_looked_for_counts_as_usual():
    """A quarter of the wall (common practice, no source), and none in extruded tube."""
    unknown = part(fit_band(made(), pa12(), InUse(seam_height_mm=None)), "weld seam")
    assert (unknown.takes, unknown.adds) == (pytest.approx(TUBE.wall / 4), 0.0)
    assert unknown.why.startswith("usually stands") and tube_tolerance(TUBE, InUse().metal).seam_source in unknown.why
    assert part(fit_band(made(), pa12(), InUse(seam_height_mm=0.0)), "weld seam").takes == 0
    assert part(fit_band(made(), pa12(), InUse(metal="aluminium", seam_height_mm=None)), "weld seam").takes == 0
    relieved = fit_band(made(seam_relief="notch", seam_depth_mm=TUBE.wall), pa12(), InUse(seam_height_mm=None))
    assert part(relieved, "weld seam").takes == 0


def test_every_cause_says_why():
    band = fit_band(made(), pa12(), InUse(seam_height_mm=0.4, coldest_c=-10, hottest_c=40))
    assert "-10 °C to 40 °C" in part(band, "temperature").why
    assert '"PA12" in carbon steel' in part(band, "temperature").why
    assert part(band, "tube wall").why.endswith(": ASTM A53, welded and seamless pipe (from memory)")
    assert "0.4 mm" in part(band, "weld seam").why


def test_unknown_metal_is_refused_by_name():
    with pytest.raises(UnknownNameError, match="unobtainium"):
        fit_band(made(), pa12(), InUse(metal="unobtainium"))


def test_every_process_of_the_table_gives_a_band():
    for process in processes():
        band = fit_band(made(), process_named(process.name), InUse(coldest_c=-20, hottest_c=50))
        assert band.least < band.root_sum_square[0] < band.nominal < band.root_sum_square[1] < band.most
