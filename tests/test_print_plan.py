# SPDX-License-Identifier: GPL-3.0-or-later
"""The print plan against closed forms, and against beads and bare areas worked out by shapely alone."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st
from manifold3d import Manifold
from random_cases import examples
from recipes import recipe_of
from review_shapes import PROCESS, common_cap, cylinder, hemisphere, layers_of, turned
from shapely_shapes import shapely_beads, shapely_of

from addon.bench.quantities import work_of_print
from addon.families.cap import Recipe, design
from addon.families.fitting import Fitting
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.review import Review, review, review_fitting
from addon.review.laid import laid
from addon.review.outlines import Shapes
from addon.review.print_plan import exposed
from addon.review.steps import LayerSpan, steps_of
from addon.trade.processes import DEFAULT_PROCESS, Process, material_named, process_named
from demo_assembly import BEARER, RAIL, RIB, SLEEVE

SETTABLE = replace(PROCESS, bead_min_mm=0.4, bead_max_mm=0.75)
FINE = replace(SETTABLE, layer_mm=0.2, first_layer_mm=0.2, bead_mm=0.45)


def fine(section: Section, **numbers: float | str) -> Fitting:
    """A cap whose facets lie so near its curves that closed forms hold."""
    return design(recipe_of(spigot_mm=8.0, **numbers), section, chord_error_mm=0.001)


def radii(rise: float, half: float, process: Process, first: int, count: int) -> np.ndarray:
    """Inner radii of the layers of an elliptic dome, which begins at layer ``first``: half √(1 - (z / rise)²)."""
    z = (np.arange(count) + 0.5) * process.layer_mm
    assert process.first_layer_mm * first == pytest.approx(8.0)
    return half * np.sqrt(1 - (z / rise) ** 2)


@pytest.mark.parametrize(
    ("section", "crown", "process", "layers", "ranges", "throughout"),
    [
        (Section.round(25.4, 3.175), {}, SETTABLE, 83, [(82, 83, 4, 0.5)], 4),
        (Section.round(25.4, 3.175), {}, FINE, 103, [(103, 103, 5, 0.45)], 5),
        (Section.round(25.4, 3.175), {"crown": "low dome", "rise_mm": 10.0}, SETTABLE, 72, [(71, 72, 4, 0.5)], 4),
        (Section.rectangular(60, 40, 3), {"crown": "low dome", "rise_mm": 10}, SETTABLE, 72, [(70, 72, 6, 0.52)], None),
    ],
    ids=["hemisphere", "thin layers", "low dome", "rectangular low dome"],
)  # fmt: skip
def test_plans_of_domes_are_those_of_the_closed_form(section, crown, process, layers, ranges, throughout):
    result = review_fitting(fine(section, **crown), process)
    plan, half = result.printed.plan, section.outer.half_width
    assert len(result.printed.layers) == layers
    said = [(span.first + 1, span.last + 1, span.rings, span.bead_mm) for span in plan.ranges]
    assert said == ranges and plan.throughout == throughout and not plan.full
    # source: geometry of concentric rings. As set is right below the first range, and no longer in its first layer.
    first = round(8.0 / process.layer_mm)
    inner = radii(crown.get("rise_mm", half), half, process, first, layers - first)
    needs = inner[:-1] - inner[1:] + process.bead_mm / 2
    place, reach = plan.ranges[0].first - first, process.rings * process.bead_mm
    assert (needs[:place] <= reach).all()
    assert place == len(needs) or needs[place] > reach
    rings, bead = ranges[0][2:]
    assert (needs[place:] - process.bead_mm / 2 + bead / 2 <= rings * bead).all()
    count = math.floor(inner[-1] / bead + 0.5)
    assert inner[-1] / (count + 1 / 8) <= bead <= inner[-1] / (count - 1 / 4) and count <= rings


def uncovered_mm(result: Review, layer: int, count: int, bead: float) -> float:
    """By shapely: the widest circle in what lies bare of a layer under so many beads."""
    layers = result.printed.layers
    left = shapely_of(layers.outline(layer)).difference(shapely_beads(layers.outline(layer), count, bead))
    if layer + 1 < len(layers):
        left = left.difference(shapely_of(layers.outline(layer + 1)))
    parts = [part for part in getattr(left, "geoms", [left]) if part.area > 1e-3]
    return max((2 * shapely.maximum_inscribed_circle(part, tolerance=1e-3).length for part in parts), default=0.0)


def rest(result: Review, layer: int, count: int, bead: float, upper_bead: float) -> float:
    """By shapely: the share of the next layer's outer bead that lies on so many beads of this one."""
    layers = result.printed.layers
    above = shapely_of(layers.outline(layer + 1))
    outer = above.difference(above.buffer(-upper_bead, quad_segs=64))
    return outer.intersection(shapely_beads(layers.outline(layer), count, bead)).area / outer.area


def right(result: Review, layer: int, planned: bool = True, spots: float = 0.25) -> bool:
    """Whether what lies bare is all beads but for spots so many beads wide, and the next layer's outer bead rests."""
    plan, last = result.printed.plan, len(result.printed.layers) - 1
    count, bead = plan.at(layer) if planned else (plan.rings, plan.bead_mm)
    upper = (plan.at(layer + 1) if planned else (plan.rings, plan.bead_mm))[1]
    open_mm = uncovered_mm(result, layer, count, bead)
    return open_mm <= spots * bead + 0.01 and (layer == last or rest(result, layer, count, bead, upper) >= 0.49)


@pytest.mark.parametrize(
    ("fitting", "spots"),
    [
        (common_cap(), 0.25),
        (design(Recipe(), Section.rectangular(40, 40, 3), facets=32), 0.25),
        (design(recipe_of(crown="low dome", rise_mm=10.0), Section.rectangular(60, 40, 3), facets=32), 0.25),
        (design(recipe_of(crown="low dome", rise_mm=9.0), Section.round(48.3, 3.68), facets=48), 0.25),
        (design(recipe_of(crown="low dome", hole="through", thread="M8"), Section.round(33.4, 3.38), facets=48), 0.25),
        # An ellipse narrows along its middle line: where ring after ring ends there, spots stay, whatever the plan.
        (design(Recipe(crown="low dome"), Section.round(33.4, 3.38), facets=48, mitre_deg=45.0), 1.0),
        (design(recipe_of(crown="peaked", rise_mm=6.0), Section.rectangular(50, 30, 2), facets=32), 0.25),
    ],
    ids=["common cap", "square dome", "rectangle", "low dome", "with a hole", "mitred", "peaked"],
)
def test_planned_layers_close_and_carry_by_shapely(fitting, spots):
    result = review_fitting(fitting, SETTABLE)
    plan, crown = result.printed.plan, result.printed.seen
    assert len(plan.ranges) <= 1
    lowest = plan.ranges[0].first if plan.ranges else crown.last - 4
    for layer in {*range(crown.first, lowest, 9), *range(lowest - 1, crown.last + 1)} - {*plan.full}:
        assert right(result, layer, spots=spots), layer + 1
    # The least change: without it the range's first layer is not right.
    assert not plan.ranges or not right(result, lowest, planned=False)


@pytest.mark.parametrize(
    ("section", "mitre_deg"), [(SLEEVE, 0), (SLEEVE, 45), (RAIL, 0), (RIB, 30), (BEARER, 20), (BEARER, 0)]
)
def test_crowns_of_the_demo_take_one_range_each(section, mitre_deg):
    process = process_named(DEFAULT_PROCESS)
    result = review_fitting(design(Recipe(crown="low dome"), section, mitre_deg=mitre_deg), process)
    plan, last = result.printed.plan, len(result.printed.layers) - 1
    (part,) = plan.ranges
    assert part.last == last and len(range(part.first, last + 1)) <= 4
    for layer in {*range(part.first - 1, last + 1)} - {*plan.full}:
        assert right(result, layer, spots=1.0 if mitre_deg else 0.25), layer + 1


@given(st.floats(4, 20), st.floats(0.1, 1.0), st.floats(0.3, 0.6), st.floats(1.3, 2.0))
@examples(12)
def test_any_dome_gets_at_most_one_range_that_closes_it(radius, flatness, bead, spread):
    process = replace(PROCESS, bead_mm=bead, bead_min_mm=bead / math.sqrt(spread), bead_max_mm=bead * math.sqrt(spread))
    rise = radius * flatness
    assume(rise > 1)
    angles = np.linspace(0, np.pi / 2, 33)
    profile = [(0.0, 0.0), *((radius * float(np.cos(a)), rise * float(np.sin(a))) for a in angles[:-1]), (0.0, rise)]
    result = review(turned(profile, 48), process)
    plan, last = result.printed.plan, len(result.printed.layers) - 1
    assert len(plan.ranges) <= 1
    for part in plan.ranges:
        assert part.last == last and part.rings >= process.rings
        assert process.bead_min_mm <= part.bead_mm <= process.bead_max_mm
        assert part.bead_mm == round(part.bead_mm, 2) or part.bead_mm == bead
    if last not in plan.full and shapely_of(result.printed.layers.outline(last)).buffer(-bead / 2).area > 0.01:
        count, width = plan.at(last)
        assert uncovered_mm(result, last, count, width) <= width / 4 + 0.01


def test_covered_interior_is_not_filled_with_rings():
    printed = review_fitting(common_cap(), PROCESS).printed
    as_set = laid(printed.layers, PROCESS, [(3, 0.5)] * len(printed.layers))
    # The ranges lie where the full layers fill the inside anyway.
    assert printed.laid.plastic_mm3 == pytest.approx(as_set.plastic_mm3, rel=1e-4)
    hollow = replace(PROCESS, full_layers=0, fill=0.0)
    printed = review_fitting(fine(Section.round(25.4, 3.175)), hollow).printed
    # source: areas of annuli: only the fourth ring of layer 82 is more, for the last layer takes no more than three
    fourth = math.pi * ((2.855 - 1.5) ** 2 - (2.855 - 2.0) ** 2) * 0.25
    more = printed.laid.plastic_mm3 - laid(printed.layers, hollow, [(3, 0.5)] * len(printed.layers)).plastic_mm3
    assert more == pytest.approx(fourth, rel=0.03)


@pytest.mark.once
def test_tops_of_unlike_widths_get_ranges_of_their_own_and_never_more_than_three():
    """By the closed form rings of 0.472 to 0.536 mm close posts of 1.475 mm radius, and those of 1.6 mm only rings of
    0.427 mm at most, 0.512 to 0.582 mm, or 0.753 mm at least."""
    process = replace(SETTABLE, bead_mm=0.6)
    base = Manifold.cube((60, 12, 2))
    posts = [(1.475, 6.0), (1.6, 10.0), (1.475, 14.0), (1.6, 18.0), (1.475, 22.0)]
    solid = base
    for place, (radius, height) in enumerate(posts):
        solid += cylinder(radius, height, 128).translate((6 + 12 * place, 6, 1.0))
    result = review(Mesh.from_manifold(solid), process, seen_mm=(2.0, 23.0))
    plan = result.printed.plan
    assert len(plan.ranges) == 3 and [span.first for span in plan.ranges] == [span.last for span in plan.ranges]
    # Two tops are left over; full layers have them.
    assert len(plan.full) == 2 and max(plan.full) < plan.ranges[0].first
    for part in plan.ranges:
        assert right(result, part.first)


def test_wide_flat_tops_are_left_to_full_layers_without_a_finding():
    block = Mesh.from_manifold(cylinder(10, 5))
    result = review(block, PROCESS)
    assert result.printed.plan.full == (19,) and not result.printed.plan.ranges
    assert not [finding for finding in result.findings if "top" in finding.check]
    bare = replace(PROCESS, full_layers=0)
    (finding,) = (finding for finding in review(block, bare).findings if finding.check == "open top")
    assert finding.severity == "must fix" and finding.layer == 20
    cured = review(block, replace(bare, full_layers=int(finding.cure["full_layers"])))
    assert not [finding for finding in cured.findings if finding.check == "open top"]


def test_a_ledge_within_the_crown_gets_rings_and_its_top_full_layers():
    stepped = turned([(0, 0), (10, 0), (10, 2), (7.6, 2), (7.6, 4), (0, 4)], 256)
    plan = review(stepped, PROCESS).printed.plan
    # source: a step of 2.4 mm and half a bead take 5.3 beads of 0.5 mm
    assert [(span.first + 1, span.last + 1, span.rings, span.bead_mm) for span in plan.ranges] == [(8, 8, 6, 0.5)]
    assert plan.full == (15,)


def test_a_top_that_no_bead_closes_is_left_to_full_layers():
    pin = Mesh.from_manifold(cylinder(0.7, 10))
    fixed = replace(PROCESS, bead_mm=0.5, bead_min_mm=0.5, bead_max_mm=0.5)
    assert review(pin, fixed).printed.plan.full == (39,)


def test_more_rings_instead_are_offered_with_what_they_cost():
    result = review_fitting(common_cap(), PROCESS)
    (offer,) = (finding for finding in result.findings if finding.check == "more rings instead")
    assert offer.severity == "good to know" and offer.cure == {"rings": 4}
    # source: areas of circles. The fourth ring takes open fill's place where neither full layers nor rings lie.
    count = len(result.printed.layers)
    four = laid(result.printed.layers, PROCESS, [(4, 0.5)] * count)
    assert offer.value == pytest.approx(
        four.plastic_mm3 / work_of_print(result.printed, PROCESS).plastic_mm3 - 1, abs=1e-3
    )
    assert 0.02 < offer.value < 0.15
    assert not review_fitting(common_cap(), replace(PROCESS, rings=4)).printed.plan.ranges


def test_thinner_layers_are_offered_only_where_they_pay():
    (offer,) = (
        finding for finding in review(hemisphere(12.7, 64), PROCESS).findings if finding.check == "thinner layers"
    )
    # source: stair of a hemisphere over the height z of its facets, layer × z / R, by areas: a zone's is 2πR·height, so
    # the mean of z / R over the zone above z0 is (R² - z0²) / 2R² of it
    share = (12.7**2 - (float(offer.layer - 1) * 0.25) ** 2) / 12.7**2
    assert offer.value == pytest.approx(0.125 * (1 - share / 2), rel=0.02)
    steep = review(turned([(0, 0), (6, 0), (5, 20), (0, 20)], 64), PROCESS)
    coarse = review(hemisphere(12.7, 64), replace(PROCESS, bead_mm=1.1, bead_min_mm=1.0, bead_max_mm=1.2))
    assert not [
        finding for result in (steep, coarse) for finding in result.findings if finding.check == "thinner layers"
    ]


def test_bath_and_amounts_count_the_same_plastic():
    printed = review_fitting(common_cap(), PROCESS).printed
    plastic = work_of_print(printed, PROCESS).plastic_mm3
    assert printed.bath.density == pytest.approx(
        material_named(PROCESS.material).density * plastic / printed.layers.volume
    )


@given(st.integers(0, 2**32 - 1), st.integers(2, 4))
@examples(100)
def test_what_lies_bare_is_told_from_the_outlines_or_cut(seed, count):
    """Boxes on, over and beside each other, thin strips at an edge among them: the quick look at convex outlines says
    what shapely does."""
    random = np.random.default_rng(seed)
    sizes = np.exp(random.uniform(np.log(0.5), np.log(16), (count, 2)))
    solid = Manifold.cube((16, 16, 4))
    for number, size in enumerate(sizes, 1):
        corner = random.uniform(0, 16, 2) * random.integers(0, 2, 2)
        solid += Manifold.cube((*size, 4)).translate((*corner, 4.0 * number))
    layers = layers_of(Mesh.from_manifold(solid))
    shapes = Shapes(layers.outlines)
    bare = exposed(layers, shapes, steps_of(layers, shapes, PROCESS), LayerSpan(0, len(layers) - 1), PROCESS)
    for layer in range(len(layers) - 1):
        above = shapely_of(layers.outline(layer + 1))
        outline = shapely_of(layers.outline(layer))
        parts = [part for part in getattr(outline, "geoms", [outline]) if part.intersection(above).area > 2e-3]
        covered, reach = shapely.union_all(parts), max(bare.reach_mm[layer], (PROCESS.rings - 0.5) * PROCESS.bead_mm)
        # No further in is anything bare but slivers, and nearly as far in something is, unless the rings reach it.
        assert covered.buffer(-reach - 0.02).difference(above).buffer(-0.01).area < 0.01
        if bare.reach_mm[layer] > reach - 1e-9 and bare.reach_mm[layer] > (PROCESS.rings - 0.5) * PROCESS.bead_mm + 0.1:
            assert covered.buffer(-reach + 0.05).difference(above).area > 0


def test_rings_of_a_layer_are_worked_out_once():
    result = review_fitting(common_cap(), PROCESS)
    assert result.rings(40) is result.rings(40)
    assert result.rings(3) is result.rings(4)  # same outline
    assert result.rings(40, planned=True) is result.rings(40)
    assert result.rings(81).count == 3 and result.rings(81, planned=True).count == 4
    with pytest.raises(IndexError, match="has 83"):
        result.rings(83)
    flat = Mesh(np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0.0)]), np.array([(0, 1, 2)], np.int32))
    with pytest.raises(ValueError, match="no layers"):
        review(flat, PROCESS).rings(0)
