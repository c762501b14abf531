# SPDX-License-Identifier: GPL-3.0-or-later
"""The sizes that stockists sell, series by series: each is called by its own name, on paper and out of a CAD kernel."""

from __future__ import annotations

import time
from itertools import product

import numpy as np
import pytest
from fluids.piping import schedule_lookup
from weldments import Shape, tessellated, tube

from addon.geometry.sections import Section
from addon.takeoff import take_off
from addon.trade.sizes import (
    in_inches as goes_by_inches,
)
from addon.trade.sizes import (
    nearest_size,
    section_name,
    section_words,
    size_families,
    size_fit,
    size_named,
    tube_sizes,
)

INCH = 25.4
SERIES_1 = ["10.2", "13.5", "17.2", "21.3", "26.9", "33.7", "42.4", "48.3", "60.3", "76.1", "88.9", "114.3", "139.7",
            "168.3", "219.1"]  # fmt: skip
"""EN 10220, outside diameters of series 1 (from memory)."""
WALLS = ["2", "2.3", "2.6", "2.9", "3.2", "3.6", "4", "4.5", "5", "5.6", "6.3", "7.1", "8", "10"]
"""EN 10220 (from memory)."""

METRIC = {
    # EN 10219-2 and EN 10210-2, squares and rectangles, from memory
    "50 60 70 80 90 100": "3 4 5 6", "60 70 80 90 100 120 140 150": "6.3", "80 90 100 120 140 150 160 180": "8",
    "100 120 140 150 160 200 250 300": "10", "160 180 200 220 250": "5 6.3 8 10", "300": "12.5",
    "60×40 80×40 90×50 100×50 100×60 120×60 120×80 140×80 150×100 160×80": "3 4 5 6 6.3",
    "200×80 200×100 200×120 250×100 250×150 300×100 300×200": "5 6.3 8", "80×40 100×60": "8",
    # EN 10305-5, from memory
    "15 20 25 30 40": "1 1.5 2", "20×10 20×15 25×15 30×10 30×15 40×10 40×15 50×10 50×15": "1 1.5 2",
    # AS/NZS 1163, from memory
    "65 75 89 100": "2 2.5 3 3.5 4 5 6", "20 25 30 35 40 50": "1.6", "100": "9", "65×35 75×25": "2 2.5 3",
    "75×50 100×50 125×75": "2 3 4 5 6",
    # EN 755-9 and usual stock, from memory
    "10 12": "1 1.5", "80×20 100×20 100×25 100×30 180×45": "2.5", "120×40 150×40": "2 3 4",
}  # fmt: skip
ROUND_METRIC = {
    # EN 10305-3, from memory
    "6 8": "1 1.5", "13 14 17.2 19 26": "1 1.5 2", "48 51 57 63.5 76 89 101.6 108 120 127 133 159": "1 1.5 2 3",
    # EN 10296-2, EN 10357 and usual stock of stainless tube, from memory
    "43 50.8 52 53 54 76.2 84 104": "1.5", "33.7 42.4 48.3": "1.6 2 2.6", "60.3 88.9 114.3": "1.6 2 2.6 3.2",
    # EN 755-8, from memory
    "8 10": "1", "20 25": "3", "30 50 100 150": "5",
    # EN 10255, heavy, and R 6, from memory
    "114.3 139.7 165.1": "5.4", "165.1": "5",
}  # fmt: skip
GAUGES = {"20 ga": 0.035, "18 ga": 0.049, "17 ga": 0.058, "16 ga": 0.065, "14 ga": 0.083, "13 ga": 0.095,
          "12 ga": 0.109, "11 ga": 0.12, "18 SWG": 0.048, "16 SWG": 0.064, "14 SWG": 0.08, "12 SWG": 0.104,
          "10 SWG": 0.128, "1/16 in": 1 / 16, "1/8 in": 1 / 8, "3/16 in": 3 / 16, "1/4 in": 1 / 4, "5/16 in": 5 / 16,
          "3/8 in": 3 / 8, "1/2 in": 1 / 2}  # fmt: skip
"""Walls in inches. Source: the gauge tables, compared with fluids in test_trade."""
INCHES = {
    # ASTM A513, from memory
    "7/16 9/16 11/16 13/16 15/16": "20 ga, 18 ga, 16 ga", "1 5/16, 1 7/8, 2 1/8, 2 5/8, 3 3/4": "11 ga, 1/4 in",
    "1, 1 1/4, 1 1/2, 2": "17 ga, 13 ga, 12 ga, 1/4 in, 5/16 in", "2 3/8, 4 1/2": "13 ga, 3/16 in, 1/4 in",
    # ASTM A500, from memory
    "5, 6, 2 7/8, 6 5/8": "1/8 in, 3/16 in, 1/4 in",
    # BS 6323-5, from memory
    "3/4, 1, 1 1/4, 1 1/2, 2, 2 1/2, 3": "18 SWG, 16 SWG, 14 SWG, 12 SWG, 10 SWG", "3/8, 1/2, 5/8": "12 SWG, 10 SWG",
    # ASTM B210 and B221, from memory
    "1/4, 3/8": "20 ga", "1/2, 5/8, 3/4": "17 ga, 1/8 in", "5, 6": "1/8 in, 1/4 in",
}  # fmt: skip
INCH_SIDES = {
    # ASTM A500 and A513, from memory
    "7/8, 1, 1 1/2": "18 ga, 16 ga, 11 ga", "1 3/4": "3/16 in", "2, 2 1/2, 3, 4": "5/16 in",
    "3, 3 1/2, 4, 5, 6, 8": "3/8 in",
    "4, 6, 8": "1/2 in", "5, 6, 7, 8": "1/4 in", "1×1/2, 1×3/4, 1 1/4×3/4, 1 1/2×3/4, 2×1/2": "16 ga",
    "2 1/2×1, 2 1/2×1 1/2, 4×1, 4×3, 5×2, 5×3, 6×2, 6×3": "11 ga", "5×3, 6×4, 8×4": "3/16 in, 1/4 in, 3/8 in",
    "8×2, 8×3, 8×6, 10×2, 10×4, 12×4": "3/16 in, 1/4 in",
    # ASTM B221, from memory
    "1/2, 3/4, 1, 1 1/2, 2": "1/16 in", "1×1/2, 3×1 3/4, 4×1, 4×1 3/4, 5×2, 6×3": "1/8 in",
}  # fmt: skip


def measured(sides: list[float], wall: float, is_round: bool) -> Section:
    return Section.round(sides[0], wall) if is_round else Section.rectangular(sides[0], sides[-1], wall, 0.0)


def in_inches(text: str) -> float:
    return float(sum(np.divide(*map(float, part.split("/"))) if "/" in part else float(part) for part in text.split()))


def named() -> list[tuple[str, Section]]:
    """Names, and sections by the numbers in them."""
    cases = [
        (f"{outside} × {wall}", measured([float(outside)], float(wall), True))
        for outside, wall in product(SERIES_1, WALLS)
        if float(wall) < float(outside) / 6.6
    ]
    for table, is_round in ((METRIC, False), (ROUND_METRIC, True)):
        for outsides, walls in table.items():
            for outside, wall in product(outsides.split(), walls.split()):
                sides = outside.split("×") if "×" in outside else [outside] if is_round else [outside, outside]
                name = f"{' × '.join(sides)} × {wall}"
                cases.append((name, measured([float(side) for side in sides], float(wall), is_round)))
    for table, is_round in ((INCHES, True), (INCH_SIDES, False)):
        for outsides, walls in table.items():
            every = outsides.split(", ") if ", " in outsides else outsides.split() if is_round else [outsides]
            for outside, wall in product(every, walls.split(", ")):
                sides = outside.split("×") if "×" in outside else [outside] if is_round else [outside, outside]
                name = " × ".join([*(f"{side} in" for side in sides), wall])
                inches = [in_inches(side) * INCH for side in sides]
                cases.append((name, measured(inches, GAUGES[wall] * INCH, is_round)))
    return cases


def test_the_sizes_of_the_series_have_their_own_names():
    cases = named()
    wrong = {name: nearest_size(section) for name, section in cases if section_name(section) != name}
    assert not {name: match and match.name for name, match in wrong.items()}
    assert len(cases) > 600


@pytest.mark.parametrize(
    ("name", "outside", "wall"),
    [
        # source: ANSI C80.3 (conduit), ASTM F1043 and usual stock (fence), ASME B36.10M (pipe): from memory
        ("EMT ½", 0.706, 0.042), ("EMT 1", 1.163, 0.057), ("EMT 2", 2.197, 0.065), ("EMT 3", 3.5, 0.072),
        ("1 3/8 in × 0.055 in", 1.375, 0.055), ("1.9 in × 0.09 in", 1.9, 0.09), ("2 7/8 in × 0.11 in", 2.875, 0.11),
        ("NPS ½ XXS", 0.84, 0.294), ("NPS 1 Sch 30", 1.315, 0.114), ("NPS 8 Sch 40", 8.625, 0.322),
("1.9 in × 3/16 in", 1.9, 0.1875),
    ],
)  # fmt: skip
def test_conduit_fence_and_pipe(name, outside, wall):
    match = nearest_size(Section.round(outside * INCH, wall * INCH))
    assert match.name == name and max(abs(match.width_off_mm), abs(match.wall_off_mm[0])) < 0.06


def test_threaded_tube_is_that_of_the_older_standard():
    """EN 10255 took over the medium and heavy tube of BS 1387, which fluids carries with its greatest outsides."""
    ours = sorted(
        (size.width_mm, size.wall_mm)
        for size in size_families()["Threaded tube, metric"]
        if any("medium" in listing.source for listing in size.listings)
    )
    nominal = [table[2:4] for table in (schedule_lookup["BS1387MEDIUM"], schedule_lookup["BS1387HEAVY"])]
    theirs = sorted((most, wall) for outsides, walls in nominal for most, wall in zip(outsides, walls, strict=True))
    ours = [size for size in ours if size[0] > 11]  # BS 1387 as carried begins at R 1/4
    assert len(ours) == len(theirs) == 26
    for (outside, wall), (most, their_wall) in zip(ours, theirs, strict=True):
        assert wall == their_wall and 0 <= most - outside <= 1.1


@pytest.mark.parametrize("kind", ["round", "rect"])
def test_rows_that_a_kernel_built_come_back_with_their_names(gmsh, kind):
    # A bore of less than 0.4 outsides is read as a hole in a bar.
    sizes = [size for size in tube_sizes() if size.kind == kind and size.wall_mm < 0.3 * size.depth_mm]
    rng = np.random.default_rng(13)
    for row in rng.choice(len(sizes), 4, replace=False):
        size = sizes[row]
        section = size.section_in(str(rng.choice(size.metals)))
        outer, bore = (
            Shape("circle" if kind == "round" else "rectangle", outline.width, outline.depth, outline.corner_radius)
            for outline in (section.outer, section.bore)
        )
        mesh = tessellated(gmsh, lambda: tube(gmsh, outer, bore, 400.0), "long")  # noqa: B023
        ends = take_off([mesh], 8.0).ends
        assert len(ends) == 2, size.name
        for end in ends:
            match = nearest_size(end.section)
            assert match.name == section_name(section)
            assert match.describe().endswith("(to size)")
            assert end.section.outer.corner_radius == pytest.approx(section.outer.corner_radius, abs=0.02)


def test_naming_takes_less_than_a_millisecond():
    sections = [size.section for size in tube_sizes()[:: len(tube_sizes()) // 300]]
    nearest_size(sections[0])
    spent = []
    for section in sections:
        start = time.perf_counter()
        section_name(section)
        spent.append(time.perf_counter() - start)
    assert np.median(spent) < 1e-3
    start = time.perf_counter()
    size_fit(sections, INCH)
    assert time.perf_counter() - start < 1e-3 * len(sections)


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("1 1/2 in × 16 ga", "1 1/2 in × 16 ga (38.1 × 1.65 mm)"),
        ("NPS 1 Sch 40", "NPS 1 Sch 40 (33.4 × 3.38 mm)"),
        ("EMT ½", "EMT ½ (17.93 × 1.07 mm)"),
        ("2 in × 1 in × 1/8 in", "2 in × 1 in × 1/8 in (50.8 × 25.4 × 3.18 mm)"),
        ("48.3 × 3.2", None),
        ("50 × 25 × 2", None),
    ],
)
def test_sizes_that_go_by_inches_have_their_millimetres_after_them(name, said):
    """By what the table says of them, not by what they are called: conduit's trade sizes go by inches. ASME B36.10M has
    NPS 1 with 33.4 × 3.38 mm; ANSI C80.3 has EMT ½ with 0.706 × 0.042 in (from memory)."""
    size = size_named(name)
    assert (size.inches, goes_by_inches(size.section)) == (said is not None,) * 2
    assert section_words(size.section) == (said or section_name(size.section))
