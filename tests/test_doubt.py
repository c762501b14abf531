# SPDX-License-Identifier: GPL-3.0-or-later
"""Files without a unit: every size of the trade's tables, written in another unit, has to be seen for what it is."""

import numpy as np
import pytest

from addon.geometry.sections import Outline, Section
from addon.takeoff.doubt import doubt_unit
from addon.trade.sizes import size_fit, tube_sizes


def shrunk(size, factor):
    if size.kind == "round":
        return Section.round(size.width_mm / factor, size.wall_mm / factor)
    return Section.rectangular(size.width_mm / factor, size.depth_mm / factor, size.wall_mm / factor)


SOME_SIZES = [tube_sizes()[row] for row in np.random.default_rng(6).choice(len(tube_sizes()), 300, replace=False)]


@pytest.mark.once
@pytest.mark.parametrize(
    ("factor", "widest", "share"), [(10, 90, 0.97), (10, 400, 0.85), (1000, 400, 1), (25.4, 400, 0.95)]
)
def test_sizes_in_another_unit_are_doubted_with_that_unit(factor, widest, share):
    """A tube of 200 × 200 × 10 that was written in centimetres is one of 20 × 20 × 1, and an inch size may lie nearer
    to a metric one in centimetres: a tube end alone does not always tell."""
    sizes = [size for size in SOME_SIZES if size.width_mm <= widest]
    doubts = [doubt_unit([shrunk(size, factor)], size_fit) for size in sizes]
    right = sum(doubt is not None and doubt.factor == factor for doubt in doubts)
    assert right >= share * len(doubts) and len(sizes) > 100


@pytest.mark.parametrize(
    ("sections", "said", "end"),
    [
        (
            1,
            "The tube end is not of a size in the tables; times 25.4, it would be 40 mm across instead of 1.57 mm",
            "that is such a size",
        ),
        (
            6,
            "None of the 6 tube ends is of a size in the tables; times 25.4, the widest would be 40 mm across",
            "all 6 would be of such a size",
        ),
        (2, "None of the 2 tube ends", "both would be of such a size"),
    ],
)
def test_the_doubt_counts_the_tube_ends(sections, said, end):
    inch = doubt_unit([Section.rectangular(40 / 25.4, 40 / 25.4, 3 / 25.4)] * sections, size_fit)
    assert inch.found.startswith(said) and "%" not in inch.found
    assert inch.found.endswith(f", and {end}.")


def test_the_doubt_counts_those_that_fit_as_they_are_too():
    inches = [Section.rectangular(40 / 25.4, 40 / 25.4, 3 / 25.4)] * 5
    words = doubt_unit([*inches, Section.round(25.4, 3.175)], size_fit).found
    assert words.startswith("Only 1 of the 6 tube ends is of a size in the tables") and "5 of them would be" in words


def test_no_size_is_doubted_in_millimetres():
    assert not any(doubt_unit([size.section], size_fit) for size in SOME_SIZES)


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("cm", 10.0), ("in", 25.4)])
def test_files_taken_for_metres_are_doubted(unit, mm):
    sections = [Section.rectangular(side, side, 2.108) for side in (38.1, 50.8, 63.5)]
    taken = [
        Section.rectangular(*(1000 / mm * size for size in (one.outer.width, one.outer.depth, one.wall)))
        for one in sections
    ]
    doubt = doubt_unit(taken, size_fit)
    assert doubt.beyond and doubt.factor == pytest.approx(mm / 1000)


def hexagon(across_flats):
    around = np.radians(np.arange(6) * 60)
    ring = np.column_stack([np.cos(around), np.sin(around)]) / np.sqrt(3)
    return Section(Outline.free(ring * across_flats), Outline.free(ring * across_flats * 0.85))


@pytest.mark.parametrize(
    ("sides", "factor", "said"),
    [
        ([32_000] * 4, 1 / 1000, "The widest tube is 36950.42 mm across; divided by 1000, it would be 36.95 mm."),
        ([38_100 / 25.4] * 3, 25.4 / 1000, "The widest tube is 1732.05 mm across; divided by 39.37, it would be"),
        ([32 / 25.4] * 3, 25.4, "The narrowest tube is 1.45 mm across; times 25.4, it would be 36.95 mm."),
        ([32, 32, 32, 900], 1.0, "The widest tube is 1039.23 mm across."),
        ([32, 32, 32, 2], 1.0, "The narrowest tube is 2.31 mm across."),
    ],
)
def test_outlines_of_no_table_size_are_doubted_by_their_width(sides, factor, said):
    """No tube that is welded is wider than 1 m or narrower than 3 mm: common practice, no source."""
    doubt = doubt_unit([hexagon(across) for across in sides], size_fit)
    assert doubt.beyond and doubt.factor == pytest.approx(factor) and doubt.found.startswith(said)
    assert doubt_unit([hexagon(32)] * 4, size_fit) is None


def test_an_end_that_takes_no_fitting_raises_no_doubt_alone():
    sections = [hexagon(32), hexagon(32), hexagon(32), hexagon(900)]
    assert doubt_unit(sections, size_fit, sections[:3]) is None


def test_outlines_of_no_kind_vote_only_where_no_tube_is_that_size():
    square = Outline.rectangle(38.1, 38.1).polygon(), Outline.rectangle(33.9, 33.9).polygon()
    assert doubt_unit([Section(*map(Outline.free, square))], size_fit) is None
    tiny = Section(*(Outline.free(points / 1000) for points in square))
    assert doubt_unit([tiny], size_fit).factor == 1000
    rod = Section(*(Outline.free(points / 25.4) for points in square))
    assert doubt_unit([rod], size_fit).factor == 25.4
