# SPDX-License-Identifier: GPL-3.0-or-later
"""Rings by area sums and shapely, steps and rest by closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from manifold3d import CrossSection, Manifold
from review_shapes import PROCESS, common_cap, hemisphere, layers_of, turned
from shapely_shapes import shapely_beads, shapely_of

from addon.geometry.mesh import Mesh
from addon.review.facets import Facets
from addon.review.outlines import Shapes
from addon.review.rings import rings_of, widest
from addon.review.steps import LayerSpan, seen_span, stair, steps_of

QUARTER_BEAD = PROCESS.bead_mm / 4


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
    assert widest(rings.gaps).width_mm == pytest.approx(expected, rel=0.03)
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
    shapes = Shapes(layers.outlines)
    steps = steps_of(layers, shapes, PROCESS)
    radii = np.sqrt(radius**2 - layers.cuts**2)
    np.testing.assert_allclose(shapes.inradii()[layers.which], radii, rtol=2e-4)
    np.testing.assert_allclose(steps.most[1:], -np.diff(radii), rtol=5e-3, atol=1e-3)
    np.testing.assert_allclose(steps.least[1:], -np.diff(radii), rtol=5e-3, atol=1.5e-3)


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


def test_steps_are_those_of_a_span_and_of_none_where_it_is_empty() -> None:
    layers = layers_of(hemisphere(10.0, 64))
    every, some, none = (
        steps_of(layers, Shapes(layers.outlines), PROCESS, span).most
        for span in (None, LayerSpan(10, 19), LayerSpan(0, -1))
    )
    assert (some[10:21] == every[10:21]).all() and not some[21:].any() and every[21:].all() and not none.any()


def test_an_outline_that_grows_steps_outward() -> None:
    layers = layers_of(turned([(0, 0), (5, 0), (7.5, 5), (0, 5)], 256))
    steps = steps_of(layers, Shapes(layers.outlines), PROCESS)
    np.testing.assert_allclose(steps.most[1:], -0.125, rtol=2e-3)


def test_stair_on_a_hemisphere_and_a_cone() -> None:
    # source: layer height x abs(normal . up) (Dolenc and Mäkelä, Computer-Aided Design 26(2), 1994); its mean over a
    # hemisphere is half the layer height, as its projection is half its area (any geometry handbook)
    dome = Facets.of(hemisphere(10.0, 256))
    steps = stair(dome, np.full(len(dome.areas), 0.25), (0.0, 10.0))
    assert steps.mean_mm == pytest.approx(0.125, rel=1e-3)
    assert steps.largest_mm == pytest.approx(0.25, rel=1e-3)
    cone = Facets.of(turned([(0, 0), (10, 0), (0, 5)], 256))
    steps = stair(cone, np.full(len(cone.areas), 0.2), (0.0, 5.0))
    assert steps.mean_mm == pytest.approx(0.2 * math.cos(math.atan2(5, 10)), rel=1e-3)


def test_the_crown_is_what_lies_above_the_last_widening() -> None:
    layers = layers_of(common_cap().standing())
    crown = seen_span(layers, None)
    assert (crown.first, crown.last) == (32, 82)
    assert seen_span(layers, (8.0, 20.7)) == crown


def test_a_slanted_solid_steps_one_way_on_one_side() -> None:
    # source: similar triangles
    slanted = Manifold.extrude(CrossSection.square((10, 10), True), 5).transform(
        np.array([(1, 0, 0.2, 0), (0, 1, 0, 0), (0, 0, 1, 0)], float)
    )
    layers = layers_of(Mesh.from_manifold(slanted))
    steps = steps_of(layers, Shapes(layers.outlines), PROCESS)
    np.testing.assert_allclose(steps.most[1:], 0.05, atol=1e-6)
    np.testing.assert_allclose(steps.least[1:], -0.05, atol=1e-6)
