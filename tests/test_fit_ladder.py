# SPDX-License-Identifier: GPL-3.0-or-later
"""The fit ladder: one printable solid, slices of the right size, labels that can be read, readings for the book."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from manifold3d import CrossSection
from random_cases import examples
from recipes import recipe_of
from scipy import stats

from addon.bench.fit_ladder import LadderError, fit_ladder, gaps_around, ladder_reading, say_correction
from addon.bench.shop_book import ShopBook
from addon.bench.shop_entries import FitReading, gap_correction, print_excess
from addon.bench.statistic import Statistic
from addon.families.cap import CAP, Recipe, resolve
from addon.geometry.sections import Outline, Section
from addon.shaping.strokes import written, written_size
from addon.trade.processes import process_named
from addon.trade.sizes import section_name

PROCESS = process_named("Everyday, 0.2 mm layers")
WHEN = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)
BASE = 2.0

TUBES = {
    "round": (Section.round(25.4, 3.175), recipe_of(groove_width_mm=3.0, groove_depth_mm=2.0)),
    "small": (Section.round(10, 1), recipe_of(groove_count=0)),
    "rectangular": (Section.rectangular(40, 20, 2), recipe_of(spigot_mm=14, seam_relief="notch", vent="channel")),
    "oval": (Section(Outline("obround", 40, 20), Outline("obround", 36, 16)), Recipe(crown="flat")),
    "press": (Section.rectangular(30, 30, 2.5), recipe_of(fit="press", rib_count=8)),
}


def ladder_for(name: str, process=PROCESS):
    section, recipe = TUBES[name]
    return fit_ladder(CAP, resolve(recipe, section), section, process)


def read(ladder, label: str, width: float | None = None) -> FitReading:
    about = (PROCESS.name, ladder.section.kind, section_name(ladder.section), ladder.wanted_gap_mm)
    return ladder_reading(
        about, {step.label: (step.gap_mm, step.drawn_mm) for step in ladder.steps}, label, WHEN, width
    )


@pytest.mark.parametrize("name", TUBES)
def test_one_closed_body_on_the_plate(name):
    """Closed and one body by trimesh, which is not the kernel that made it."""
    ladder = ladder_for(name)
    theirs = trimesh.Trimesh(ladder.mesh.vertices, ladder.mesh.triangles, process=False)
    assert theirs.is_watertight and theirs.is_winding_consistent and theirs.volume > 0
    assert theirs.body_count == 1
    assert ladder.mesh.bounds[0, 2] == pytest.approx(0, abs=1e-9)
    room = np.array(PROCESS.plate_mm) - (2 * PROCESS.margin_mm, 2 * PROCESS.margin_mm, 0)
    assert (ladder.mesh.size <= room).all()


@pytest.mark.parametrize("name", ["round", "small", "rectangular", "oval"])
def test_each_spigot_is_the_bore_less_twice_its_gap(name):
    """Source: geometry; measured by cutting the mesh half way up each spigot."""
    ladder, bore = ladder_for(name), TUBES[name][0].bore
    cut = ladder.mesh.to_manifold().slice(BASE + 3.0)
    assert len({step.label for step in ladder.steps}) == 7
    for step in ladder.steps:
        x, y = step.centre_mm
        spigot = cut ^ CrossSection.square([bore.width, bore.depth], True).translate([x, y])
        left, front, right, back = spigot.bounds()
        assert right - left == pytest.approx(bore.width - 2 * step.gap_mm, abs=0.02)
        assert back - front == pytest.approx(bore.depth - 2 * step.gap_mm, abs=0.02)
        assert step.drawn_mm == pytest.approx(bore.width - 2 * step.gap_mm)


@pytest.mark.parametrize("name", ["round", "small", "rectangular", "oval"])
def test_a_tube_goes_over_every_slice_down_to_its_pad(name):
    """Neighbours, labels and necks leave room for the tube's wall."""
    ladder, section = ladder_for(name), TUBES[name][0]
    solid = ladder.mesh.to_manifold()
    tube = (section.outer.cross_section(360) - section.bore.cross_section(360)).extrude(50)
    if name == "rectangular":
        tube = tube.rotate([180, 0, 0]).translate([0, 0, 50])
    for step in ladder.steps:
        placed = tube.translate([*step.centre_mm, BASE + 1e-3])
        assert (placed ^ solid).volume() < 1e-3
        # It rests on the pad all round.
        sunk = placed.translate([0, 0, -0.1]) ^ solid
        assert sunk.volume() == pytest.approx((section.outer.area - section.bore.area) * 0.099, rel=0.02)


@pytest.mark.parametrize("name", ["round", "small", "press"])
def test_labels_stand_out_on_their_tabs(name):
    ladder = ladder_for(name)
    # Just over the tabs nothing but labels, spigots and the sample is left: labels lie in front of the spigots.
    cut = ladder.mesh.to_manifold().slice(BASE + 0.3)
    depth = TUBES[name][0].outer.depth / 2 + 1.0
    for step in ladder.steps:
        x, y = step.centre_mm
        width, height = written_size(step.label, PROCESS.bead_mm)
        tab = CrossSection.square([width + 2, height + 2]).translate([x - width / 2 - 1, y - depth - height - 2])
        here = cut ^ tab
        assert here.area() == pytest.approx(written(step.label, PROCESS.bead_mm).area(), rel=1e-3)
        assert here.bounds()[3] - here.bounds()[1] == pytest.approx(height)


def test_heights_are_whole_layers():
    process = replace(PROCESS, layer_mm=0.25, first_layer_mm=0.3, bead_mm=0.5)
    heights = np.unique(np.round(ladder_for("round", process).mesh.vertices[:, 2], 6))
    # The pad, the label's relief, and the slices' tips; the sample's groove and lead-in are as the recipe has them.
    for wanted in (2.05, 2.85, 2.05 + 5.55):
        assert np.abs(heights - wanted).min() < 1e-6


@pytest.mark.parametrize("bead", [0.4, 0.5, 0.65])
def test_digits_can_be_laid_and_read(bead):
    """Every stroke takes two beads side by side; every counter and the space between digits stays open by two."""
    label = "0123456789.-"
    area = written(label, bead)
    pieces = area.decompose()
    assert len(pieces) == len(label)
    for piece in pieces:
        assert not piece.offset(-0.98 * bead).is_empty()
    closed = area.offset(bead).offset(-bead)
    assert len(closed.decompose()) == len(label)
    # 0, 6, 9 have one counter and 8 two; 4 is open at the top.
    assert area.num_contour() - len(label) == closed.num_contour() - len(label) == 5
    width, height = written_size("8", bead)
    assert (width, height) == pytest.approx((7 * bead, 12 * bead))


def test_no_two_digits_look_alike():
    digits = {digit: written(digit, 0.5) for digit in "0123456789"}
    for a, b in itertools.combinations(digits.values(), 2):
        differ = (a - b) + (b - a)
        # At least most of one stroke between two corners of the grid: 2.5 mm long, 1 mm wide.
        assert differ.area() > 1.4


def test_what_has_no_strokes_is_not_written():
    with pytest.raises(ValueError, match="'x'"):
        written("0.1x", 0.5)


@examples(50)
@given(st.floats(-0.1, 0.4), st.sampled_from([0.02, 0.05, 0.1]), st.integers(3, 9))
def test_gaps_step_evenly_around_the_wanted_one(wanted, step, count):
    gaps = gaps_around(wanted, step, count)
    assert len(gaps) == count
    assert gaps[count // 2] == pytest.approx(wanted, abs=0.0051)
    assert np.diff(gaps) == pytest.approx(np.full(count - 1, step), abs=0.0101)
    assert "-0.00" not in [f"{gap:.2f}" for gap in gaps]


def test_more_slices_than_fit_in_a_row_make_rows_and_too_many_are_refused():
    process = replace(PROCESS, plate_mm=(205, 195, 170), margin_mm=5)
    ladder = ladder_for("round", process)
    assert len({y for _, y in (step.centre_mm for step in ladder.steps)}) == 2
    section = Section.rectangular(80, 80, 4)
    with pytest.raises(LadderError, match="choose at most 3 gaps"):
        fit_ladder(CAP, resolve(Recipe(), section), section, process)
    fitting = fit_ladder(CAP, resolve(Recipe(), section), section, process, gaps=(0.1, 0.2, 0.3))
    assert len(fitting.steps) == 3
    huge = Section.round(219.1, 6.3)
    with pytest.raises(LadderError, match="larger plate"):
        fit_ladder(CAP, resolve(Recipe(crown="flat"), huge), huge, process)


@pytest.mark.parametrize(
    ("gaps", "said"),
    [((0.1,), "two or more"), ((0.101, 0.102), "0.01 mm"), ((0.1, 9.0), "9 mm"), ((0.1, -5.0), "-5 mm")],
)
def test_gaps_that_make_no_ladder(gaps, said):
    section, recipe = TUBES["round"]
    with pytest.raises(LadderError, match=said):
        fit_ladder(CAP, resolve(recipe, section), section, PROCESS, gaps)
    with pytest.raises(LadderError, match="has no gap yet"):
        fit_ladder(CAP, recipe, section, PROCESS)


def test_readings_go_through_the_shop_book_to_a_correction():
    """Source of n, mean and spread: scipy."""
    ladder = ladder_for("round")
    book, chosen = ShopBook(), ["0.25", "0.30", "0.25", "0.20"]
    measured = [18.70, 18.62, 18.66, 18.75]
    for label, width in zip(chosen, measured, strict=True):
        book = book.with_entry(read(ladder, label, width))
    book = book.with_entry(read(ladder_for("rectangular"), "0.35"))
    correction = gap_correction(book.all(FitReading), PROCESS.name, "round")
    shifts = [float(label) - 0.2 for label in chosen]
    theirs = stats.describe(shifts)
    assert correction.n == theirs.nobs == 4
    assert correction.mean == pytest.approx(theirs.mean) and correction.spread == pytest.approx(
        math.sqrt(theirs.variance)
    )
    excess = print_excess(book.all(FitReading), PROCESS.name, "round")
    drawn = [19.05 - 2 * float(label) for label in chosen]
    assert excess.mean == pytest.approx(np.mean(np.subtract(measured, drawn)) / 2)
    assert say_correction(correction) == (
        "Gaps are made 0.05 mm per side larger than requested: mean of 4 readings, spread 0.04 mm."
    )
    assert gap_correction(book.all(FitReading), PROCESS.name, "other") is None


def test_a_single_reading_and_none_say_so():
    assert "single reading" in say_correction(Statistic.of([-0.05])) and "smaller" in say_correction(
        Statistic.of([-0.05])
    )
    assert "No fit ladder" in say_correction(None)


def test_a_step_that_the_ladder_does_not_have():
    with pytest.raises(LadderError, match=r"0\.99.*0\.05, 0\.10"):
        read(ladder_for("round"), "0.99")
