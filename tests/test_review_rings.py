# SPDX-License-Identifier: GPL-3.0-or-later
"""Rings by area sums and shapely, steps and rest by closed forms, and the ring plan checked spot by spot."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold
from recipes import recipe_of
from review_shapes import PROCESS, common_cap, cylinder, hemisphere, layers_of, turned

from addon.families.cap import Recipe, design
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.review import Review, review, review_fitting
from addon.review.facets import Facets
from addon.review.outlines import Shapes
from addon.review.rings import rings_of, widest
from addon.review.steps import seen_span, stair, steps_of

QUARTER_BEAD = PROCESS.bead_mm / 4


def shapely_of(outline: CrossSection) -> shapely.Polygon | shapely.MultiPolygon:
    """An outline as shapely has it, holes by the direction of their loops."""
    loops = [shapely.LinearRing(loop) for loop in outline.to_polygons()]
    outer = shapely.union_all([shapely.Polygon(loop) for loop in loops if loop.is_ccw])
    return outer.difference(shapely.union_all([shapely.Polygon(loop) for loop in loops if not loop.is_ccw]))


def shapely_beads(outline: CrossSection, count: int, bead: float) -> shapely.Geometry:
    """What the rings cover, worked out by shapely alone: lines moved inward, then made as wide as a bead."""
    polygon = shapely_of(outline)
    lines = [polygon.buffer(-(ring + 0.5) * bead, quad_segs=64).boundary for ring in range(count)]
    return shapely.union_all([line.buffer(bead / 2, quad_segs=64) for line in lines if not line.is_empty])


def test_rings_of_a_circle_cover_their_share() -> None:
    # source: area of an annulus
    rings = rings_of(CrossSection.circle(10, 512), 3, 0.5)
    assert rings.count == 3
    assert rings.covered.area() == pytest.approx(math.pi * (10**2 - 8.5**2), rel=1e-3)
    assert rings.middle.area() == pytest.approx(math.pi * 8.5**2, rel=1e-3)
    assert rings.gaps.is_empty() and rings.overfilled_mm == 0


@pytest.mark.parametrize(
    "outline",
    [
        CrossSection.circle(6, 96) - CrossSection.circle(2.2, 48),
        CrossSection.square((12.3, 7.1)),
        CrossSection.square((20, 4)) + CrossSection.square((4, 20)),
        CrossSection.square((20, 10))
        - CrossSection.circle(2, 32).translate((6, 5))
        - CrossSection.square((4, 1)).translate((12, 4)),
        CrossSection([np.array([(0, 0), (14, 0), (3, 9)], float)]),
    ],
    ids=["ring", "rectangle", "cross", "plate with holes", "triangle"],
)
@pytest.mark.parametrize("count", [1, 3, 30])
def test_rings_cover_what_shapely_says(outline: CrossSection, count: int) -> None:
    bead = 0.5
    rings = rings_of(outline, count, bead)
    covered = shapely_beads(outline, count, bead)
    assert rings.covered.area() == pytest.approx(covered.area, rel=2e-3)
    left = shapely_of(outline).difference(covered)
    assert rings.uncovered.area() == pytest.approx(left.area, abs=2e-3 * outline.area())
    # The parts add up to the layer: covered, left to the fill, and open.
    total = rings.covered.area() + rings.middle.area() + rings.gaps.area()
    assert total == pytest.approx(outline.area(), rel=1e-3)


def test_a_corner_leaves_the_spot_that_geometry_says() -> None:
    # source: circle between a right angle and an arc of radius w / 2 about a point on its bisector:
    # w (1 - sin 45°) / (1 + sin 45°) across
    rings = rings_of(CrossSection.square((10, 10)), 10, 0.5)
    expected = 0.5 * (1 - math.sin(math.pi / 4)) / (1 + math.sin(math.pi / 4))
    assert rings.widest_gap.width_mm == pytest.approx(expected, rel=0.03)
    assert expected < QUARTER_BEAD


def test_the_spot_in_the_middle_is_open_or_overfilled_by_twice_the_difference() -> None:
    # source: N rings of width w reach N w inward
    open_one = rings_of(CrossSection.circle(2.6, 256), 5, 0.5)
    assert widest(open_one.uncovered).width_mm == pytest.approx(0.2, abs=0.01)
    assert widest(open_one.uncovered).centre == pytest.approx((0, 0), abs=0.01)
    tight = rings_of(CrossSection.circle(2.4, 256), 5, 0.5)
    assert tight.overfilled_mm == pytest.approx(0.2, abs=0.01)


def test_steps_on_a_hemisphere_follow_the_closed_form() -> None:
    # source: r = sqrt(R² - z²)
    radius = 10.0
    layers = layers_of(hemisphere(radius, 512))
    steps = steps_of(layers, Shapes(layers.outlines), PROCESS)
    radii = np.sqrt(radius**2 - layers.cuts**2)
    np.testing.assert_allclose(steps.inradii, radii, rtol=2e-4)
    np.testing.assert_allclose(steps.most[1:], -np.diff(radii), rtol=5e-3, atol=1e-3)
    np.testing.assert_allclose(steps.least[1:], -np.diff(radii), rtol=5e-3, atol=1.5e-3)
    np.testing.assert_allclose(steps.open_middle, 2 * np.maximum(radii - 1.5, 0), rtol=1e-3, atol=1e-3)


def test_rest_on_a_hemisphere_follows_the_closed_form() -> None:
    # source: areas of annuli: of the bead r - w to r, the part outside R - N w, of the rings below
    radius, bead, count = 12.7, 0.5, 3
    layers = layers_of(hemisphere(radius, 512))
    rest = steps_of(layers, Shapes(layers.outlines), PROCESS).rest
    radii = np.sqrt(radius**2 - layers.cuts**2)
    low, high = radii[:-1], radii[1:]
    inside = np.maximum(high - bead, 0)
    band = np.clip(low - count * bead, inside, high)
    expected = (high**2 - band**2) / (high**2 - inside**2)
    np.testing.assert_allclose(rest[1:], expected, atol=0.01)
    assert expected[-1] < 0.7 and (expected[:-2] == 1).all()


def test_the_first_jump_is_where_the_closed_form_has_it() -> None:
    # source: a step larger than the band of rings, sqrt(R² - z²), leaves less than half of the bead on it
    found = review(hemisphere(30.0, 192), replace(PROCESS, rings=2))
    assert found.printed is not None
    radii = np.sqrt(30.0**2 - found.printed.layers.cuts**2)
    low, high = radii[:-1], radii[1:]
    rest = (high**2 - np.clip(low - 1.0, high - 0.5, high) ** 2) / (high**2 - (high - 0.5) ** 2)
    first = int(np.flatnonzero(rest < 0.5)[0]) + 1
    (finding,) = (finding for finding in found.findings if finding.check == "jump between layers")
    assert finding.layer == first + 1
    assert finding.value == pytest.approx(rest[first - 1], abs=0.02)
    # The number of rings that the finding names cures it.
    cured = review(hemisphere(30.0, 192), replace(PROCESS, rings=int(finding.cure["rings"])))
    assert not [finding for finding in cured.findings if finding.check == "jump between layers"]


@pytest.mark.parametrize(("full_layers", "severity"), [(0, "must fix"), (4, "look at")])
def test_a_bead_on_nothing_must_be_fixed_where_no_full_layer_is_under_it(full_layers: int, severity: str) -> None:
    process = replace(PROCESS, rings=1, full_layers=full_layers)
    steps_up = turned([(0, 0), (10, 0), (10, 2), (6, 2), (6, 4), (0, 4)], 64)
    (finding,) = (one for one in review(steps_up, process).findings if one.check == "jump between layers")
    # source: rings of 0.5 mm end 9.5 mm out; the next layer's begin 6 mm out
    assert finding.layer == 9 and finding.value == 0 and finding.severity == severity


def test_an_outline_that_grows_steps_outward() -> None:
    layers = layers_of(turned([(0, 0), (5, 0), (7.5, 5), (0, 5)], 256))
    steps = steps_of(layers, Shapes(layers.outlines), PROCESS)
    np.testing.assert_allclose(steps.most[1:], -0.125, rtol=2e-3)


def test_stair_on_a_hemisphere_and_a_cone() -> None:
    # source: layer height x abs(normal . up) (Dolenc and Mäkelä, Computer-Aided Design 26(2), 1994); its mean over a
    # hemisphere is half the layer height, as its projection is half its area (any geometry handbook)
    dome = Facets.of(hemisphere(10.0, 256))
    found = stair(dome, np.full(len(dome.areas), 0.25), (0.0, 10.0))
    assert found.mean_mm == pytest.approx(0.125, rel=1e-3)
    assert found.largest_mm == pytest.approx(0.25, rel=1e-3)
    cone = Facets.of(turned([(0, 0), (10, 0), (0, 5)], 256))
    found = stair(cone, np.full(len(cone.areas), 0.2), (0.0, 5.0))
    assert found.mean_mm == pytest.approx(0.2 * math.cos(math.atan2(5, 10)), rel=1e-3)


def test_the_crown_is_what_lies_above_the_last_widening() -> None:
    layers = layers_of(common_cap().standing())
    crown = seen_span(layers, None)
    assert (crown.first, crown.last) == (32, 82)
    assert seen_span(layers, (8.0, 20.7)) == crown


def plan_is_true(found: Review, every: int = 1) -> None:
    """The first and last layer of every row (or every second, ...) laid ring by ring by shapely and measured: no spot
    wider than a quarter bead."""
    assert found.printed is not None
    plan, layers = found.printed.plan, found.printed.layers
    covered_layers = [layer for row in plan.rows for layer in range(row.first, row.last + 1)]
    assert covered_layers == list(range(found.printed.crown.first, found.printed.crown.last + 1))
    worst = 0.0
    for row in plan.rows[::every]:
        assert PROCESS.bead_min_mm <= row.bead_mm <= PROCESS.bead_max_mm
        for layer in {row.first, row.last} - set(plan.unclosed):
            outline = layers.outline(layer)
            left = shapely_of(outline).difference(shapely_beads(outline, row.rings, row.bead_mm))
            for part in getattr(left, "geoms", [left]):
                if part.area > 1e-4:
                    worst = max(worst, 2 * shapely.maximum_inscribed_circle(part, tolerance=1e-3).length)
    assert worst <= QUARTER_BEAD + 0.005
    assert plan.after.open_mm <= QUARTER_BEAD + 1e-6


def test_the_common_cap_before_and_after_the_plan() -> None:
    """The cap of common practice (no source): 51 crown layers, which three rings close nowhere but on the last."""
    found = review_fitting(common_cap(), PROCESS, "cap")
    assert found.printed is not None
    (open_middle,) = (finding for finding in found.findings if finding.check == "open middle")
    # source: the crown's first layer is a circle of radius sqrt(12.7² - 0.125²), three rings are 1.5 mm
    assert open_middle.value == pytest.approx(2 * (math.sqrt(12.7**2 - 0.125**2) - 1.5), abs=0.05)
    assert open_middle.layer == 82 and "layers 33 to 82 of 83" in open_middle.where
    plan = found.printed.plan
    assert plan.before.open_mm == pytest.approx(open_middle.value, abs=0.01)
    assert plan.closes and plan.after.open_mm <= QUARTER_BEAD
    assert len(plan.rows) <= 22
    plan_is_true(found, every=2)


@pytest.mark.parametrize(
    ("section", "recipe"),
    [
        (Section.rectangular(40, 40, 3), Recipe()),
        (Section.rectangular(50, 30, 2), Recipe(crown="flat")),
        (Section.rectangular(50, 30, 2), Recipe(crown="peaked")),
        (Section.round(48.3, 3.68), Recipe(crown="low dome", rise_mm=9)),
        (Section.round(33.4, 3.38), recipe_of(crown="flat", hole="through", thread="M8")),
    ],
    ids=["square dome", "flat", "peaked", "low dome", "with a hole"],
)
def test_plans_of_other_crowns_hold_what_they_say(section: Section, recipe: Recipe) -> None:
    plan_is_true(review_fitting(design(recipe, section, facets=32), PROCESS), every=4)


@pytest.mark.parametrize("layer", [0.15, 0.2, 0.25, 0.3])
def test_layers_that_are_alike_share_a_row_of_the_plan(layer: float) -> None:
    """The sides of a flat crown are upright, so that all its layers but those of the edge are alike; heights that are
    summed layer by layer differ in their last digits."""
    process = replace(PROCESS, layer_mm=layer, first_layer_mm=layer)
    flat = design(Recipe(crown="flat", rise_mm=8.0, edge="square"), Section.round(38.1, 1.65), facets=64)
    printed = review_fitting(flat, process).printed
    assert printed is not None and printed.crown.last - printed.crown.first > 20
    assert len(printed.plan.rows) == 1


@given(st.floats(4, 20), st.floats(0.1, 1.0), st.floats(0.3, 0.6), st.floats(1.3, 2.0))
@settings(max_examples=12)
def test_any_dome_gets_a_plan_within_its_limits(radius: float, flatness: float, bead: float, spread: float) -> None:
    process = replace(PROCESS, bead_mm=bead, bead_min_mm=bead / math.sqrt(spread), bead_max_mm=bead * math.sqrt(spread))
    rise = radius * flatness
    assume(rise > 1)
    angles = np.linspace(0, np.pi / 2, 33)
    profile = [(0.0, 0.0), *((radius * float(np.cos(a)), rise * float(np.sin(a))) for a in angles[:-1]), (0.0, rise)]
    found = review(turned(profile, 48), process)
    assert found.printed is not None
    plan, steps = found.printed.plan, found.printed.steps
    for row in plan.rows:
        for layer in sorted({*range(row.first, row.last + 1)} - {*plan.unclosed}):
            inner = steps.inradii[layer]
            laid = min(row.rings, math.floor(inner / row.bead_mm + 0.5))
            # source: N rings of width w reach N w inward
            assert 2 * (inner - laid * row.bead_mm) <= min(row.bead_mm, bead) / 4 + 1e-5
            assert row.fewest_rings <= max(laid, 1) <= row.rings


def test_thinner_layers_are_offered_only_where_they_pay() -> None:
    dome = review(hemisphere(12.7, 64), PROCESS).printed
    assert dome is not None and dome.finer_plan is not None
    assert dome.finer_plan.stair_after.mean_mm < 0.95 * dome.plan.stair_after.mean_mm
    heights = [row.layer_mm for row in dome.finer_plan.rows]
    assert heights == sorted(heights, reverse=True) and heights[-1] == 0.125
    # The rows follow each other without a gap in height.
    for low, high in zip(dome.finer_plan.rows, dome.finer_plan.rows[1:], strict=False):
        assert low.top_mm == pytest.approx(high.bottom_mm) and high.first == low.last + 1
    steep = review(turned([(0, 0), (6, 0), (5, 20), (0, 20)], 64), PROCESS).printed
    assert steep is not None and steep.finer_plan is None
    coarse = review(hemisphere(12.7, 64), replace(PROCESS, bead_mm=1.1, bead_min_mm=1.0, bead_max_mm=1.2)).printed
    assert coarse is not None and coarse.finer_plan is None


def test_a_plan_that_cannot_close_says_so() -> None:
    pin = Mesh.from_manifold(cylinder(0.7, 10))
    found = review(pin, replace(PROCESS, bead_mm=0.5, bead_min_mm=0.5, bead_max_mm=0.5))
    assert found.printed is not None and found.printed.plan.unclosed == tuple(range(40))
    (finding,) = (finding for finding in found.findings if finding.check == "ring plan")
    assert finding.severity == "look at" and "No ring" in finding.advice


def test_rings_of_a_layer_are_worked_out_once() -> None:
    found = review_fitting(common_cap(), PROCESS)
    assert found.rings(40) is found.rings(40)
    assert found.rings(3) is found.rings(4)  # same outline
    assert found.rings(40).count == 3
    planned = found.rings(40, planned=True)
    radius = math.sqrt(12.7**2 - (40.5 * 0.25 - 8) ** 2)  # of the sphere, half way up the layer
    assert planned.count * planned.bead_mm == pytest.approx(radius, abs=planned.bead_mm / 2)
    assert planned.middle.area() < 0.02
    with pytest.raises(IndexError, match="has 83"):
        found.rings(83)
    flat = Mesh(np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0.0)]), np.array([(0, 1, 2)], np.int32))
    with pytest.raises(ValueError, match="no layers"):
        review(flat, PROCESS).rings(0)


def test_open_middles_show_where_nothing_covers_them() -> None:
    # source: area of a circle
    found = review(Mesh.from_manifold(cylinder(10, 5)), replace(PROCESS, full_layers=0))
    assert found.printed is not None
    assert found.printed.steps.open_top_mm2[-1] == pytest.approx(math.pi * 8.5**2, rel=2e-3)
    (finding,) = (finding for finding in found.findings if finding.check == "open middle")
    assert finding.severity == "must fix"
    covered = review(Mesh.from_manifold(cylinder(10, 5)), PROCESS)
    (finding,) = (finding for finding in covered.findings if finding.check == "open middle")
    assert finding.severity == "look at"


def test_a_slanted_solid_steps_one_way_on_one_side() -> None:
    # source: similar triangles
    slanted = Manifold.extrude(CrossSection.square((10, 10), True), 5).transform(
        np.array([(1, 0, 0.2, 0), (0, 1, 0, 0), (0, 0, 1, 0)], float)
    )
    layers = layers_of(Mesh.from_manifold(slanted))
    steps = steps_of(layers, Shapes(layers.outlines), PROCESS)
    np.testing.assert_allclose(steps.most[1:], 0.05, atol=1e-6)
    np.testing.assert_allclose(steps.least[1:], -0.05, atol=1e-6)
