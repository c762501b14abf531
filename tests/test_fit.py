# SPDX-License-Identifier: GPL-3.0-or-later
"""The gap's band, against sums by hand."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pytest
from recipes import recipe_of

from addon.families.cap import design
from addon.families.circumstances import Circumstances
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


def band_of(fitting, process, tube, bore_off_mm=None) -> GapBand:
    return fit_band(fitting.seat, Circumstances(process, None, tube, bore_off_mm))


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
    band = band_of(made(), pa12(), InUse(coldest_c=-10, hottest_c=40))
    assert part(band, "temperature").takes == pytest.approx(0.0463, abs=2e-4)
    assert part(band, "temperature").adds == pytest.approx(0.0463 * 30 / 20, abs=2e-4)


def test_a_range_that_lies_all_above_room_takes_only():
    band = band_of(made(), pa12(), InUse(coldest_c=30, hottest_c=60))
    assert part(band, "temperature").adds == 0
    assert part(band, "temperature").takes == pytest.approx(26.24 * 88.3e-6 * 40, rel=1e-3)


def test_the_tube_takes_half_of_its_outside_and_all_of_its_wall():
    tolerance = tube_tolerance(TUBE, InUse().metal)
    band = band_of(made(), pa12(), InUse())
    assert part(band, "tube outside").takes == pytest.approx(tolerance.outside_mm / 2)
    assert part(band, "tube wall").adds == pytest.approx(tolerance.wall_mm)
    assert band.least == pytest.approx(0.2 - tolerance.bore_mm / 2 - 0.15)
    assert band.most == pytest.approx(0.2 + tolerance.bore_mm / 2 + 0.15)


def test_a_measured_bore_takes_the_place_of_the_standard():
    band = band_of(made(), pa12(), InUse(), 0.1)
    assert band.worst_case == pytest.approx((0.2 - 0.05 - 0.15, 0.2 + 0.05 + 0.15))
    assert band.root_sum_square[0] == pytest.approx(0.2 - math.sqrt(0.05**2 + 0.15**2))


def test_a_weld_seam_only_takes_and_its_relief_gives_back():
    """It narrows the bore on one side, so a side of the gap loses half of its height: geometry."""
    plain = band_of(made(), pa12(), InUse(seam_height_mm=1.0))
    assert (part(plain, "weld seam").takes, part(plain, "weld seam").adds) == (0.5, 0.0)
    relieved = band_of(made(seam_relief="notch", seam_depth_mm=0.7), pa12(), InUse(seam_height_mm=1.0))
    assert part(relieved, "weld seam").takes == pytest.approx(0.15)
    deep = band_of(made(seam_relief="flat", seam_depth_mm=1.2), pa12(), InUse(seam_height_mm=1.0))
    assert part(deep, "weld seam").takes == 0


def test_a_seam_that_nobody_has_looked_for_counts_as_usual():
    """A quarter of the wall (common practice, no source), and none in extruded tube."""
    unknown = part(band_of(made(), pa12(), InUse(seam_height_mm=None)), "weld seam")
    assert (unknown.takes, unknown.adds) == (pytest.approx(TUBE.wall / 8), 0.0)
    assert unknown.why.startswith("usually stands") and tube_tolerance(TUBE, InUse().metal).seam_source in unknown.why
    assert part(band_of(made(), pa12(), InUse(seam_height_mm=0.0)), "weld seam").takes == 0
    assert part(band_of(made(), pa12(), InUse(metal="aluminium", seam_height_mm=None)), "weld seam").takes == 0
    relieved = band_of(made(seam_relief="notch", seam_depth_mm=TUBE.wall), pa12(), InUse(seam_height_mm=None))
    assert part(relieved, "weld seam").takes == 0
    thick = design(recipe_of(gap_mm=0.2), Section.round(60.3, 8.74), facets=16)
    assert part(band_of(thick, pa12(), InUse(seam_height_mm=None)), "weld seam").takes == 1.0 / 2


def test_the_share_that_enters_is_the_normal_distributions():
    """Source: tables of the normal distribution: 0.8413 within one standard deviation above, 0.9772 within two."""
    band = GapBand(0.1, (Contribution("a", 0.18, 0.18, ""), Contribution("b", 0.24, 0.24, "")))  # σ 0.1
    assert band.share_that_enters == pytest.approx(0.8413, abs=1e-4)
    assert replace(band, ways=2).share_that_enters == pytest.approx(0.8413**2, abs=1e-4)
    assert replace(band, needed=-0.1).share_that_enters == pytest.approx(0.9772, abs=1e-4)
    seam = Contribution("weld seam", 0.1, 0.0, "", "seam")
    assert replace(band, contributions=(*band.contributions, seam)).share_that_enters == pytest.approx(0.5)
    weather = Contribution("temperature", 0.3, 0.3, "", "weather")
    assert replace(band, contributions=(*band.contributions, weather)).share_that_enters == band.share_that_enters
    assert (GapBand(0.0, ()).share_that_enters, GapBand(-0.1, ()).share_that_enters) == (1.0, 0.0)


def test_every_cause_says_why():
    band = band_of(made(), pa12(), InUse(seam_height_mm=0.4, coldest_c=-10, hottest_c=40))
    assert "-10 °C to 40 °C" in part(band, "temperature").why
    assert '"PA12" in carbon steel' in part(band, "temperature").why
    assert part(band, "tube wall").why.endswith(": ASTM A53, welded and seamless pipe (from memory)")
    assert "0.4 mm" in part(band, "weld seam").why


def test_unknown_metal_is_refused_by_name():
    with pytest.raises(UnknownNameError, match="unobtainium"):
        band_of(made(), pa12(), InUse(metal="unobtainium"))


def test_every_process_of_the_table_gives_a_band():
    for process in processes():
        band = band_of(made(), process_named(process.name), InUse(coldest_c=-20, hottest_c=50))
        assert band.least < band.root_sum_square[0] < band.nominal < band.root_sum_square[1] < band.most
