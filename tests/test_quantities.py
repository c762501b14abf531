# SPDX-License-Identifier: GPL-3.0-or-later
"""Material, time and glue against formulas of geometry, hand sums, and shapely."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold
from random_cases import examples
from recipes import recipe_of, recipe_with
from shapely.geometry import Polygon, box

from addon.bench.quantities import (
    MATERIAL_BAND,
    TIME_BAND,
    Estimate,
    Work,
    parse_duration,
    quantities,
    work_of,
    work_of_print,
)
from addon.bench.shop_entries import Prices, PrintRun
from addon.bench.statistic import Statistic
from addon.families.cap import Recipe, design
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Outline, Section
from addon.review import review, review_fitting
from addon.review.facets import Facets
from addon.review.laid import Laid, laid
from addon.review.layers import Layers, cut_layers
from addon.trade.processes import Material, Process, process_named

FACETS = 1440
PROCESS = Process(
    name="test", material="ABS", layer_mm=0.25, first_layer_mm=0.25, bead_mm=0.5, bead_min_mm=0.45, bead_max_mm=0.8,
    rings=3, fill=0.2, full_layers=4, overhang_deg=45, bridge_mm=5, tolerance_mm=0.1, plate_mm=(240, 190, 170),
    margin_mm=5, spacing_mm=3, speed_mm_s=40, layer_change_s=6, start_s=300, support_fill=0.25,
)  # fmt: skip
ABS = Material("ABS", density=1.04, expansion=90e-6, hottest_c=80, glue="", source="")


def stack(solid: Manifold, process: Process = PROCESS) -> Layers:
    return cut_layers(solid, Facets.of(Mesh.from_manifold(solid)), process)


def beads_of(layers: Layers, process: Process, rings: Sequence[tuple[int, float]] | None = None) -> Laid:
    return laid(layers, process, rings or [(process.rings, process.bead_mm)] * len(layers))


def cylinder(radius: float, height: float) -> Manifold:
    return CrossSection.circle(radius, FACETS).extrude(height)


# -- plastic ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("rings", [0, 1, 3, 20])
def test_a_solid_cylinder_takes_its_own_volume(rings):
    """Source: V = π r² h. However many of its beads are rings."""
    process = replace(PROCESS, fill=1.0)
    layers = stack(cylinder(10, 8), process)
    work = beads_of(layers, process, [(rings, 0.5)] * len(layers))
    assert work.plastic_mm3 == pytest.approx(math.pi * 100 * 8, rel=1e-3)
    assert work.path_mm == pytest.approx(math.pi * 100 * 8 / (0.5 * 0.25), rel=1e-3)


@pytest.mark.parametrize(("fill", "solid"), [(0.0, 0), (0.2, 4), (0.5, 16), (0.2, 40)])
def test_rings_open_fill_and_full_layers(fill, solid):
    """Source: areas of rings and circles: 32 layers, of which the lowest and the highest are filled."""
    process = replace(PROCESS, fill=fill, full_layers=solid)
    work = beads_of(stack(cylinder(10, 8)), process)
    ring_area, inside = math.pi * (10**2 - 8.5**2), math.pi * 8.5**2
    filled = min(2 * solid, 32)
    volume = 0.25 * (32 * ring_area + inside * (filled + fill * (32 - filled)))
    assert work.plastic_mm3 == pytest.approx(volume, rel=1e-3)


@pytest.mark.parametrize("upside_down", [False, True])
def test_a_ledge_is_solid_below_its_top_and_an_overhang_above_its_bottom(upside_down):
    """Source: areas of circles: radius 10 to 5 mm height, radius 6 above it; the ledge is filled for 4 layers."""
    solid = cylinder(10, 5) + cylinder(6, 10)
    layers = stack(solid.rotate([180, 0, 0]).translate([0, 0, 10]) if upside_down else solid)
    work = beads_of(layers, PROCESS)
    inside, ring_area = math.pi * 8.5**2, math.pi * (10**2 - 8.5**2)
    ledge = math.pi * (8.5**2 - 6**2)
    lower = 20 * ring_area + inside * 4 + (ledge + 0.2 * (inside - ledge)) * 4 + 0.2 * inside * 12
    small, small_rings = math.pi * 4.5**2, math.pi * (6**2 - 4.5**2)
    upper = 20 * small_rings + small * 4 + 0.2 * small * 16
    assert work.plastic_mm3 == pytest.approx(0.25 * (lower + upper), rel=1e-3)


def test_a_hole_gets_rings_of_its_own():
    """Source: areas of circles: a tube's wall 3 mm thick is all beads of 0.5 mm, three from each side."""
    layers = stack(cylinder(10, 4) - CrossSection.circle(7, FACETS).extrude(4))
    work = beads_of(layers, PROCESS)
    assert work.plastic_mm3 == pytest.approx(math.pi * (100 - 49) * 4, rel=1e-3)


def test_a_print_plan_counts_layer_by_layer():
    """Source: areas of rings: without fill, 10 layers of one bead 0.6 mm wide and 22 of two beads 0.4 mm wide."""
    process = replace(PROCESS, fill=0.0, full_layers=0)
    work = beads_of(stack(cylinder(10, 8)), process, [(1, 0.6)] * 10 + [(2, 0.4)] * 22)
    area = 10 * math.pi * (10**2 - 9.4**2) + 22 * math.pi * (10**2 - 9.2**2)
    assert work.plastic_mm3 == pytest.approx(area * 0.25, rel=1e-3)


@pytest.mark.parametrize("count", [1, 2, 3, 12, 37])
@pytest.mark.parametrize("shape", ["rounded", "ellipse", "pierced", "dumbbell"])
def test_many_rings_are_as_long_as_one_by_one(shape, count):
    """Source: shapely, which offsets every ring and measures it."""
    outline = {
        "rounded": Outline("rectangle", 40, 25, corner_radius=6).cross_section(),
        "ellipse": Outline("ellipse", 40, 24).cross_section(),
        "pierced": CrossSection.square([40, 30], True) - CrossSection.circle(4, 96).translate([6, 2]),
        "dumbbell": CrossSection.circle(10, 128) + CrossSection.circle(7, 96).translate([20, 0])
        + CrossSection.square([20, 4]).translate([0, -2]),
    }[shape]  # fmt: skip
    process = replace(PROCESS, fill=0.0, full_layers=0)
    work = beads_of(stack(outline.extrude(0.25), process), process, [(count, 0.5)])
    shell, *holes = sorted(outline.to_polygons(), key=len, reverse=shape != "pierced")
    theirs = Polygon(shell, holes)
    rings = [theirs.buffer(-(ring + 0.5) * 0.5, quad_segs=16) for ring in range(count)]
    assert work.path_mm == pytest.approx(sum(ring.length for ring in rings), rel=2e-3)


@examples(40)
@given(
    radius=st.floats(3, 12),
    height=st.floats(1, 6),
    rings=st.integers(1, 5),
    fill=st.floats(0, 1),
    solid=st.integers(0, 6),
)
def test_never_more_than_the_solid_and_more_where_more_is_filled(radius, height, rings, fill, solid):
    process = replace(PROCESS, rings=rings, fill=fill, full_layers=solid)
    ball = Manifold.sphere(radius, 64).translate([0, 0, height - radius]).trim_by_plane([0, 0, 1], 0)
    layers = stack(ball, process)
    plastic = beads_of(layers, process).plastic_mm3
    # Where a layer is narrower than its rings, they overlap: by at most half a bead all along the innermost.
    assert plastic <= layers.volume * 1.001 + sum(math.pi * 0.5**2 * h for h in layers.heights())
    assert plastic <= beads_of(layers, replace(process, full_layers=solid + 2)).plastic_mm3 * (1 + 1e-9)


# -- time ------------------------------------------------------------------------------------------------------------


def test_time_of_a_known_path():
    """Source: hand sums, in docs/bench.md. A block 20 x 20 x 1 mm: four layers of 0.25 mm, one ring, all filled."""
    process = replace(PROCESS, rings=1, full_layers=4)
    work = work_of(beads_of(stack(CrossSection.square([20, 20]).extrude(1.0), process), process), 4, process)
    ring, rows = 4 * 19.5, 19 * 19 / 0.5
    assert (ring, rows) == (78, 722)
    assert work.path_mm == pytest.approx(4 * 800)
    result = quantities([[(work, 1)]], process, ABS)
    assert result.time_s.raw == pytest.approx(300 + 3200 / 40 + 4 * 6)
    assert result.plastic_cm3.raw == pytest.approx(0.4)


def test_a_plates_layers_change_once_for_all_its_fittings():
    low, high = Work(1000, 4000, layers=10), Work(3000, 8000, layers=30)
    single = quantities([[(low, 5), (high, 2)]], PROCESS, ABS)
    assert single.time_s.raw == pytest.approx(300 + (5 * 4000 + 2 * 8000) / 40 + 30 * 6)
    two = quantities([[(low, 5)], [(high, 2)]], PROCESS, ABS)
    assert two.time_s.raw == pytest.approx(600 + (5 * 4000 + 2 * 8000) / 40 + 40 * 6)
    assert two.plate_times_s == pytest.approx((300 + 500 + 60, 300 + 400 + 180))
    assert single.plastic_cm3.raw == two.plastic_cm3.raw == pytest.approx(11.0)


def test_support_and_purge():
    """Source: hand sums: 800 mm³ of support a fitting, a quarter of it plastic, and 30 mm³ purged in 12 layers."""
    process = replace(PROCESS, support="dissolved in a bath", bath="water", purge_mm3=30.0)
    work = work_of(beads_of(stack(cylinder(10, 8)), process), 32, process, support_mm3=800.0, support_layers=12)
    result = quantities([[(work, 4)]], process, ABS)
    assert result.support_cm3 == pytest.approx(4 * 0.2)
    assert result.purge_cm3 == pytest.approx(0.36)
    assert work.support_path_mm == pytest.approx(200 / 0.125)
    assert result.plastic_cm3.raw == pytest.approx(result.part_cm3 + 0.8 + 0.36)
    broken_off = quantities([[(work, 4)]], PROCESS, ABS)
    assert broken_off.purge_cm3 == 0


def test_a_base_lies_under_part_and_support():
    """Source: areas of circles. A plate 2 mm thick and 10 mm in radius on a stem of 5: under it a base 1.5 mm wider,
    three layers of 0.25 mm without a void; the support of another material makes its layers change."""
    process = replace(
        PROCESS, base_layers=3, base_margin_mm=1.5, support="dissolved in a bath", bath="water", purge_mm3=50.0,
        material_change_s=9.0,
    )  # fmt: skip
    solid = cylinder(5, 4) + cylinder(10, 2).translate([0, 0, 4])
    printed = review(Mesh.from_manifold(solid), process).printed
    work = work_of_print(printed, process)
    base = math.pi * 11.5**2 * 0.75
    assert work.support_mm3 == pytest.approx(base + 0.25 * math.pi * (10**2 - 5**2) * 4, rel=2e-3)
    assert (work.layers, work.support_layers) == (24 + 3, 16)
    needed = quantities([[(work, 2)]], process, ABS)
    assert needed.purge_cm3 == pytest.approx(16 * 0.05)
    assert needed.time_s.raw == pytest.approx(
        300 + 2 * (work.path_mm + work.support_mm3 / 0.125) / 40 + 27 * 6 + 16 * 9
    )


@pytest.mark.parametrize("roof", ["square", "sloped"])
def test_ten_caps_take_what_they_take_in_practice(roof):
    """Source: common practice, no source: ten hemispherical caps for 1 in x 1/8 in tube, open inside, in layers of 0.25
    mm with dissolved support: 47 to 47.5 cm³ of model plastic, 15 cm³ of support, a little over two and a half hours.
    """
    process = process_named("Dissolved support, 0.25 mm layers")
    groove = {"groove_width_mm": 3.175, "groove_depth_mm": 2.0, "groove_roof": roof}
    recipe = recipe_of(crown="dome", spigot_mm=8.0, gap_mm=0.2, **groove)
    printed = review_fitting(design(recipe, Section.round(25.4, 3.175)), process).printed
    needed = quantities([[(work_of_print(printed, process), 10)]], process, ABS)
    purged = needed.purge_cm3 / 2  # of either plastic
    assert pytest.approx(needed.part_cm3 + purged, rel=MATERIAL_BAND) == 47.5
    assert pytest.approx(needed.support_cm3 + purged, rel=MATERIAL_BAND) == 15
    assert needed.plastic_cm3.low < 47 + 15 < needed.plastic_cm3.high
    assert needed.time_s.low < 2.6 * 3600 < needed.time_s.high


def test_cost_where_prices_are_given():
    work = Work(plastic_mm3=50_000, path_mm=72_000, layers=50)
    assert quantities([[(work, 1)]], PROCESS, ABS).costs is None
    prices = Prices("test", material_per_kg=40.0, machine_per_hour=6.0)
    result = quantities([[(work, 1)]], PROCESS, ABS, prices=prices)
    hours = (300 + 72_000 / 40 + 50 * 6) / 3600
    low, likely, high = result.costs
    assert likely == pytest.approx(50 * 1.04 / 1000 * 40 + hours * 6)
    assert low == pytest.approx(50 * 1.04 / 1000 * 40 * 0.85 + hours * 6 * 0.7)
    assert high == pytest.approx(50 * 1.04 / 1000 * 40 * 1.15 + hours * 6 * 1.3)
    supported = [[(replace(work, support_mm3=10_000), 1)]]
    dear = quantities(supported, PROCESS, ABS, prices=replace(prices, support_per_kg=100.0, machine_per_hour=0.0)).costs
    assert dear[1] == pytest.approx((50 * 40 + 10 * 100) * 1.04 / 1000)
    same = quantities(supported, PROCESS, ABS, prices=replace(prices, machine_per_hour=0.0)).costs
    assert same[1] == pytest.approx(60 * 40 * 1.04 / 1000)


def test_an_empty_plate_takes_its_start_only():
    assert quantities([[]], PROCESS, ABS).time_s.raw == 300
    assert quantities([], PROCESS, ABS).time_s.raw == 0


# -- what the shop book teaches --------------------------------------------------------------------------------------


def test_estimates_follow_the_shop_book():
    work = Work(plastic_mm3=100_000, path_mm=40_000, layers=10)
    ratios = [1.10, 1.14, 1.12, 1.08]
    runs = [PrintRun(f"run {i}", "test", 100.0, 100.0 * r, 1000.0, 1500.0) for i, r in enumerate(ratios)]
    runs.append(PrintRun("elsewhere", "another process", 1.0, 9.0))
    learned = quantities([[(work, 1)]], PROCESS, ABS, runs).plastic_cm3
    assert learned.raw == 100
    assert learned.value == pytest.approx(111)
    reach = 3.182 * np.std(ratios, ddof=1) * math.sqrt(1.25)
    assert (learned.low, learned.high) == pytest.approx((111 - 100 * reach, 111 + 100 * reach))
    assert "4 readings" in learned.basis
    single = quantities([[(work, 1)]], PROCESS, ABS, runs[:1])
    assert single.plastic_cm3.value == pytest.approx(110) and single.plastic_cm3.band == MATERIAL_BAND
    assert "single reading" in single.plastic_cm3.basis and "15%" in single.plastic_cm3.basis
    assert single.time_s.value == pytest.approx(1.5 * single.time_s.raw)
    untaught = quantities([[(work, 1)]], PROCESS, ABS)
    assert (untaught.plastic_cm3.value, untaught.time_s.band) == (100, TIME_BAND)


def test_nothing_takes_less_than_nothing():
    wild = Estimate.of(100.0, Statistic.of([0.1, 3.0, 0.5]), 0.1)
    assert wild.low == 0 and wild.high > wild.value


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("1.5 h", 5400), ("3 h 20 min", 12_000), ("45 min", 2700), ("5h20min", 19200), ("90 s", 90), (" 2 h ", 7200)],
)
def test_durations_as_they_are_written(text, seconds):
    assert parse_duration(text) == seconds


@pytest.mark.parametrize("text", ["", " ", "soon", "5", "20 min 5 h", "-3 h", "1,5 h", "h"])
def test_what_is_no_duration_is_refused(text):
    with pytest.raises(ValueError, match="5 h 20 min"):
        parse_duration(text)


# -- glue ------------------------------------------------------------------------------------------------------------


OTHER = Outline.free(np.array([[-20, -15], [10, -15], [20, 5], [-20, 15]]))


def pappus(inner: float, outer: float, length: float) -> float:
    """Volume of a revolved rectangle: its area times the way of its centroid (Pappus; any geometry handbook)."""
    return (outer - inner) * length * 2 * math.pi * (inner + outer) / 2


@pytest.mark.parametrize("grooves", [0, 1, 2])
def test_a_round_joint_against_pappus(grooves):
    section = Section.round(25.4, 3.175)
    recipe = recipe_of(gap_mm=0.15, spigot_mm=12, lead_in_mm=0.5, groove_count=grooves, groove_width_mm=3.175,
                    groove_depth_mm=2.0)  # fmt: skip
    joint = design(recipe, section, chord_error_mm=0.001).glue()
    radius = 19.05 / 2 - 0.15
    # The roof of 45° takes 2 mm of the width; half a rectangle there, its centroid a third of the depth inside.
    groove = pappus(radius - 2, radius, 3.175 - 2) + 2 * 2 / 2 * 2 * math.pi * (radius - 2 / 3)
    expected = pappus(radius, 19.05 / 2, 11.5) + grooves * groove
    assert joint.volume_mm3 == pytest.approx(expected, rel=1e-4)
    assert joint.bond_area_mm2 == pytest.approx(2 * math.pi * radius * (11.5 - grooves * 3.175), rel=1e-4)
    assert joint.gap_mm == 0.15


@pytest.mark.parametrize(
    "section",
    [
        Section.rectangular(40, 20, 2),
        Section.rectangular(40, 40, 3, 0.0),
        Section(OTHER, Outline.free(OTHER.polygon() * 0.8)),
        Section(Outline("ellipse", 40, 20), Outline("ellipse", 36, 16)),
        Section(Outline("obround", 40, 20), Outline("obround", 36, 16)),
    ],
    ids=["rounded", "sharp", "free", "ellipse", "obround"],
)  # fmt: skip
def test_any_joint_against_shapely(section):
    recipe = recipe_of(
        gap_mm=0.2, spigot_mm=10, lead_in_mm=1.0, groove_count=2, groove_width_mm=1.5, groove_depth_mm=0.8
    )
    bore = Polygon(section.bore.polygon(2000))
    insets = [0.2, *np.linspace(0.2, 1.0, 81), 1.0]
    spigot, *roof, floor = (bore.buffer(-distance, join_style="mitre", mitre_limit=4) for distance in insets)
    areas = np.array([part.area for part in roof])
    groove = (spigot.area - floor.area) * 0.7 + (spigot.area - (areas[1:] + areas[:-1]).mean() / 2) * 0.8
    joint = design(recipe, section, chord_error_mm=0.001).glue()
    assert joint.volume_mm3 == pytest.approx((bore.area - spigot.area) * 9 + groove * 2, rel=2e-3)
    assert joint.bond_area_mm2 == pytest.approx(spigot.length * 6, rel=2e-3)


@pytest.mark.parametrize("mitre", [0.0, 30.0])
@pytest.mark.parametrize("section", [Section.round(25.4, 3.175), Section.rectangular(40, 20, 2)], ids=["round", "rect"])
def test_a_joint_against_the_fitting_itself(section, mitre):
    """Source: the solid: what of the bore's room its spigot leaves, and the area of its spigot's surface."""
    recipe = recipe_of(crown="flat", spigot_mm=12, groove_count=2, groove_width_mm=2.0, groove_depth_mm=1.5)
    fitting = design(recipe, section, mitre_deg=mitre, chord_error_mm=0.001)
    joint = fitting.glue()
    room = section.bore.cross_section(720).extrude(11.5).translate([0, 0, -11.5])
    lean = math.tan(math.radians(mitre))
    room = room.transform(np.array([[1, 0, 0, 0], [0, 1, 0, 0], [-lean, 0, 1, 0]]))
    assert joint.volume_mm3 == pytest.approx((room - fitting.solid).volume(), rel=5e-3)
    of_spigot = fitting.surfaces == fitting.surface_names.index("spigot")
    side = Mesh(fitting.mesh.vertices, fitting.mesh.triangles[of_spigot])
    assert joint.bond_area_mm2 == pytest.approx(side.area, rel=1e-3)


@pytest.mark.once
@pytest.mark.parametrize("section", [Section.round(25.4, 3.175), Section.rectangular(40, 20, 2)], ids=["round", "rect"])
@pytest.mark.parametrize(("groove_count", "vent"), [(0, "channel"), (2, "none"), (2, "channel")])
@pytest.mark.parametrize("relief", ["none", "flat", "notch"])
def test_what_vent_and_seam_relief_take_against_the_fitting_itself(section, groove_count, vent, relief):
    """Source: shapely's lengths and areas of the outline as it is cut, and the solid's own room."""
    cut = {"seam_relief": relief, "seam_width_mm": 5.0, "seam_depth_mm": 0.8, "vent": vent, "vent_depth_mm": 1.2}
    grooves = {"groove_count": groove_count, "groove_width_mm": 1.5, "groove_depth_mm": 0.6}
    fitting = design(recipe_of(crown="flat", spigot_mm=10, gap_mm=0.2, **cut, **grooves), section, chord_error_mm=0.001)
    joint = fitting.glue()
    bore = Polygon(section.bore.polygon(2000))
    spigot = bore.buffer(-0.2, join_style="mitre")
    half = spigot.bounds[2]
    side = spigot.exterior
    channel = box(-2 * half, -1, 1.2 - half, 1) if vent == "channel" else Polygon()
    wide = {"none": 0.0, "flat": 100.0, "notch": 2.5}[relief]
    far = wide + 0.5 * (half + 0.8) if relief == "notch" else wide  # a notch opens by half a millimetre a mm
    corners = [(half - 0.8, -wide), (2 * half, -far), (2 * half, far), (half - 0.8, wide)]
    seam = Polygon(corners) if wide else Polygon()
    held = side.difference(channel).difference(seam).length
    assert joint.bond_area_mm2 == pytest.approx(held * (9.5 - 1.5 * groove_count), rel=2e-3)
    room = section.bore.cross_section(2000).extrude(9.5).translate([0, 0, -9.5])
    free = channel.intersection(bore).area * 9.5
    assert joint.volume_mm3 == pytest.approx((room - fitting.solid).volume() - free, rel=1e-2)


def test_a_flat_relief_takes_what_it_takes_whatever_its_unused_width():
    section, recipe = Section.round(25.4, 3.175), recipe_of(seam_relief="flat")
    areas = {design(recipe_with(recipe, seam_width_mm=w), section).glue().bond_area_mm2 for w in (1.0, 6.0)}
    assert len(areas) == 1
    # What a flat t deep takes of a circle of radius r is the arc 2 r acos(1 - t / r) (any geometry handbook).
    resolved = design(recipe, section).recipe
    radius, length = 19.05 / 2 - resolved.gap_mm, resolved.spigot_mm - resolved.lead_in_mm - resolved.groove.width_mm
    around = 2 * math.pi * radius - 2 * radius * math.acos(1 - resolved.seam.depth_mm / radius)
    assert areas.pop() == pytest.approx(around * length, rel=2e-3)


def test_a_hole_for_air_takes_no_bond_and_other_fits_take_no_glue():
    section = Section.round(40, 3)
    plain, aired = (design(recipe_of(vent=vent), section).glue() for vent in ("none", "hole"))
    assert aired == plain
    assert design(Recipe(fit="push"), section).glue() is None


def test_a_reviewed_fitting_with_its_print_plan():
    """Against the outline stack: a fitting of rings and filled to the brim takes the stack's volume."""
    process = replace(PROCESS, fill=1.0)
    printed = review_fitting(design(Recipe(), Section.round(25.4, 3.175)), process).printed
    assert printed.plan.ranges
    work = work_of_print(printed, process)
    # Beads that lie over themselves where the middle closes: a few spots, each narrower than a bead.
    assert work.plastic_mm3 == pytest.approx(printed.layers.volume, rel=0.02)
    assert work.layers == len(printed.layers)
    assert work.support_mm3 == pytest.approx(printed.support.volume_mm3 * process.support_fill)
    assert 0 < work.support_layers < work.layers
