# SPDX-License-Identifier: GPL-3.0-or-later
"""The true outline behind a polygon, against scipy's least squares and outlines that shapely draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import assume, example, given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import least_squares

from addon.geometry import polygons
from addon.geometry.outline_fit import fit_outline, fit_outlines, off_known_outline, off_outline
from addon.geometry.sections import Outline

Floats = NDArray[np.float64]

turns = st.floats(0.0, 360.0)
places = st.floats(-500.0, 500.0)


def ring(shape: shapely.Polygon) -> Floats:
    return np.asarray(shape.exterior.coords)[:-1]


def rounded(width: float, depth: float, radius: float, quarter: int) -> Floats:
    """A rounded rectangle as shapely draws it: ``quarter`` facets to each corner, their ends on the arc."""
    core = shapely.box(-width / 2 + radius, -depth / 2 + radius, width / 2 - radius, depth / 2 - radius)
    return ring(core.buffer(radius, quad_segs=quarter))


def ellipse(width: float, depth: float, quarter: int) -> Floats:
    return ring(shapely.affinity.scale(shapely.Point(0, 0).buffer(1, quad_segs=quarter), width / 2, depth / 2))


def moved(points: Floats, degrees: float, x: float, y: float) -> Floats:
    return polygons.turned(points, math.radians(degrees)) + np.array([x, y])


def regular(diameter: float, corners: int) -> Floats:
    angles = np.arange(corners) * 2 * np.pi / corners
    return diameter / 2 * np.column_stack([np.cos(angles), np.sin(angles)])


@pytest.mark.parametrize("corners", [12, 35, 64, 500])
def test_a_circle_through_corners_is_read_at_its_true_diameter(corners):
    # source: a regular polygon's corners lie on its circumscribed circle; across the flats it measures cos(pi / n) less
    fit = fit_outline(regular(25.4, corners) + np.array([7.0, -3.0]))
    assert fit.outline.shape == "circle"
    assert fit.outline.width == pytest.approx(25.4, abs=1e-9)
    assert fit.centre == pytest.approx([7.0, -3.0], abs=1e-9)


def test_corners_that_a_mesher_put_on_chords_do_not_shrink_the_circle():
    corners = regular(25.4, 36)
    middles = (corners + np.roll(corners, -1, axis=0)) / 2
    assert np.linalg.norm(middles[0]) < 12.7 - 0.04
    fit = fit_outline(np.stack([corners, middles], axis=1).reshape(-1, 2))
    assert fit.outline.width == pytest.approx(25.4, abs=1e-9)


@given(st.integers(0, 2**32 - 1), st.integers(12, 80), st.floats(3.0, 300.0))
def test_noisy_circles_agree_with_scipy(seed, corners, diameter):
    # source: scipy.optimize.least_squares on the distances to the circle
    rng = np.random.default_rng(seed)
    points = regular(diameter, corners) + rng.normal(scale=5e-5 * diameter, size=(corners, 2)) + rng.uniform(-50, 50, 2)
    expected = least_squares(
        lambda circle: np.hypot(*(points - circle[:2]).T) - circle[2],
        [*points.mean(axis=0), diameter / 2],
        xtol=1e-15, ftol=1e-15, gtol=1e-15,
    ).x  # fmt: skip
    fit = fit_outline(points)
    assert fit.outline.shape == "circle"
    assert fit.outline.width == pytest.approx(2 * expected[2], abs=1e-7 * diameter)
    assert fit.centre == pytest.approx(expected[:2], abs=1e-7 * diameter)


@given(st.floats(5, 300), st.floats(0.2, 1.0), st.floats(0.05, 0.48), st.integers(2, 20), turns, places, places)
def test_rounded_rectangles_are_read_as_drawn(width, aspect, share, quarter, degrees, x, y):
    # source: shapely's buffer, whose corner arcs start and end on the straight sides
    assume(quarter > 2 or share < 0.35)  # two facets to nearly half circles make an octagon
    depth = aspect * width
    radius = share * depth
    fit = fit_outline(moved(rounded(width, depth, radius, quarter), degrees, x, y))
    assert fit.outline.shape == "rectangle"
    assert (fit.outline.width, fit.outline.depth) == pytest.approx((width, depth), abs=1e-6 * width)
    assert fit.outline.corner_radius == pytest.approx(radius, abs=1e-5 * width)
    assert fit.centre == pytest.approx([x, y], abs=1e-6 * width)
    if aspect < 0.99:
        assert (fit.turn_deg - degrees + 90) % 180 - 90 == pytest.approx(0, abs=1e-4)


@given(st.floats(5, 300), st.floats(0.2, 1.0), turns, places, places)
def test_sharp_rectangles_are_read_as_drawn(width, aspect, degrees, x, y):
    fit = fit_outline(
        moved(ring(shapely.box(-width / 2, -aspect * width / 2, width / 2, aspect * width / 2)), degrees, x, y)
    )
    assert (fit.outline.shape, fit.outline.corner_radius) == ("rectangle", 0.0)
    assert (fit.outline.width, fit.outline.depth) == pytest.approx((width, aspect * width), abs=1e-6 * width)


@given(st.floats(5, 300), st.floats(0.2, 0.97), st.integers(3, 20), turns, places, places)
@example(5.0, 0.875, 3, 0.0, 0.0, 0.0)
def test_obrounds_are_read_as_drawn(width, aspect, quarter, degrees, x, y):
    depth = aspect * width
    fit = fit_outline(moved(rounded(width, depth, depth / 2 * (1 - 1e-9), quarter), degrees, x, y))
    assert fit.outline.shape == "obround"
    assert (fit.outline.width, fit.outline.depth) == pytest.approx((width, depth), abs=1e-5 * width)


@given(st.floats(5, 300), st.floats(0.25, 0.9), st.integers(4, 20), turns, places, places)
def test_ellipses_are_read_as_drawn(width, aspect, quarter, degrees, x, y):
    fit = fit_outline(moved(ellipse(width, aspect * width, quarter), degrees, x, y))
    assert fit.outline.shape == "ellipse"
    assert (fit.outline.width, fit.outline.depth) == pytest.approx((width, aspect * width), abs=1e-6 * width)
    assert (fit.turn_deg - degrees + 90) % 180 - 90 == pytest.approx(0, abs=1e-4)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("radius", [0.0, 5.0])
def test_uneven_rectangles_agree_with_scipy(seed, radius):
    """source: scipy.optimize.least_squares over middle, turn, sides and radius, of distances from shapely's outline; a
    sharp corner counts for both of its sides, which makes each side the mean of its corners."""
    rng = np.random.default_rng(seed)
    corners = Outline.rectangle(40, 25, radius).polygon(32)
    corners = corners + rng.normal(0, 0.01, corners.shape)

    def off(unknowns):
        x, y, turn, width, depth, *rounding = unknowns
        cos, sin = np.cos(turn), np.sin(turn)
        local = np.abs((corners - (x, y)) @ [[cos, -sin], [sin, cos]]) - np.array([width, depth]) / 2
        if not radius:
            return local.ravel()
        inner = local + rounding
        return np.hypot(*np.maximum(inner, 0).T) + np.minimum(inner.max(axis=1), 0) - rounding

    solved = least_squares(off, [0, 0, 0, 40, 25, *[radius] * (radius > 0)], xtol=1e-14, ftol=1e-14).x
    fit = fit_outline(corners, 0.01)
    assert fit.outline.shape == "rectangle"
    assert (*fit.centre, fit.outline.width, fit.outline.depth) == pytest.approx(solved[[0, 1, 3, 4]], abs=1e-4)
    assert fit.outline.corner_radius == pytest.approx(solved[5] if radius else 0.0, abs=1e-3)


@pytest.mark.parametrize("corners", [3, 5, 6, 8, 11])
def test_few_equal_sides_are_a_polygon_and_no_coarse_circle(corners):
    fit = fit_outline(regular(30, corners))
    assert fit.outline.shape == "free"
    assert len(fit.outline.points) == corners


UNEVEN = {
    "coarse half": np.concatenate([np.linspace(0, np.pi, 12, False), np.linspace(np.pi, 2 * np.pi, 60, False)]),
    "at random": np.sort(np.random.default_rng(1).uniform(0, 2 * np.pi, 48)),
}


@pytest.mark.parametrize("how", UNEVEN)
@pytest.mark.parametrize("diameter", [22.098, 25.4])
def test_corners_on_a_circle_make_one_however_far_apart_they_are(how, diameter):
    angles = UNEVEN[how]
    fit = fit_outline(np.column_stack([np.cos(angles), np.sin(angles)]) * diameter / 2)
    assert fit.outline.shape == "circle"
    assert fit.outline.width == pytest.approx(diameter, abs=1e-6)


@pytest.mark.parametrize(("radius", "shape"), [(3.0, "rectangle"), (10.0, "obround")])
@pytest.mark.parametrize("quarter", [6, 8])
def test_corners_left_on_arcs_alone_still_say_how_wide_it_is(radius, shape, quarter):
    # source: shapely's rounded rectangle, of which the first corner of each arc was merged with the next one
    drawn = rounded(40, 20, radius, quarter)
    on_sides = (np.abs(drawn[:, 0]) > 20 - 1e-9) | (np.abs(drawn[:, 1]) > 10 - 1e-9)
    fit = fit_outline(drawn[~on_sides])
    assert fit.outline.shape == shape
    assert (fit.outline.width, fit.outline.depth) == (pytest.approx(40, abs=0.02), pytest.approx(20, abs=0.02))


def test_corners_on_arcs_that_are_off_say_nothing_of_sides():
    drawn = rounded(40, 20, 3, 8)
    on_sides = (np.abs(drawn[:, 0]) > 20 - 1e-9) | (np.abs(drawn[:, 1]) > 10 - 1e-9)
    off = np.random.default_rng(1).normal(0, 0.015, drawn.shape)
    assert fit_outline((drawn + off)[~on_sides]).outline.shape == "free"


@pytest.mark.parametrize("flats", [1, 2, 4])
def test_arcs_between_flats_make_no_circle(flats):
    angles = np.linspace(0, 2 * np.pi, 128, False)
    on_arcs = np.abs((angles * flats / (2 * np.pi) + 0.5) % 1 - 0.5) * 2 * np.pi / flats > np.radians(14)
    assert fit_outline(np.column_stack([np.cos(angles), np.sin(angles)])[on_arcs] * 12.7).outline.shape != "circle"


def test_a_circle_with_a_flat_is_no_circle():
    circle = regular(40, 90)
    fit = fit_outline(circle[circle[:, 0] < 17])
    assert fit.outline.shape == "free"
    assert fit.outline.width == pytest.approx(20 + 17, abs=0.9)


def test_outlines_that_are_none_of_these_keep_their_points():
    d_shape = np.array([(-10, -10), (0, -10), (6, -8), (10, 0), (6, 8), (0, 10), (-10, 10)], float)
    fit = fit_outline(d_shape + np.array([3, 4]))
    assert fit.outline.shape == "free"
    assert fit.polygon() == pytest.approx(d_shape + np.array([3, 4]))
    assert fit.centre == pytest.approx([3, 4])


def test_many_polygons_are_fitted_in_one_go_whichever_way_they_run():
    drawn = [regular(20, 40), rounded(40, 20, 3, 4)[::-1], ellipse(60, 30, 9), regular(30, 6), rounded(40, 40, 6, 5)]
    fits = fit_outlines(drawn)
    assert [fit.outline.shape for fit in fits] == ["circle", "rectangle", "ellipse", "free", "rectangle"]
    assert [fit.outline.width for fit in fits] == pytest.approx([20, 40, 60, 30, 40], abs=1e-6)


def test_an_outline_needs_three_corners():
    with pytest.raises(ValueError, match="three corners"):
        fit_outline(np.zeros((2, 2)))
    assert fit_outlines([]) == []


SHAPES = [
    Outline.circle(30),
    Outline.rectangle(40, 20, 4),
    Outline.rectangle(40, 20),
    Outline("obround", 40, 20),
    Outline.free(np.array([(0, 0), (10, 0), (10, 4), (4, 4), (4, 10), (0, 10)], float)),
]


@pytest.mark.parametrize("outline", SHAPES, ids=lambda outline: outline.shape)
def test_distances_from_an_outline_agree_with_shapely(outline):
    # source: shapely's distance to the boundary, on a polygon much finer than the tolerance
    shape = shapely.Polygon(outline.polygon(chord_error=1e-6))
    points = np.random.default_rng(1).uniform(-28, 28, (400, 2))
    off, outward = off_outline(outline, points)
    expected = shapely.distance(shape.boundary, shapely.points(points))
    outside = ~shapely.contains(shape, shapely.points(points))
    signed = np.where(outside, expected, -expected)
    if outline.shape == "free":
        # Beside an edge the distance is square to it; past a corner of the outline it is not.
        assert (np.abs(off) <= expected + 1e-6).all()
        assert (np.abs(off - signed) < 2e-6)[expected < 3].mean() > 0.6
    else:
        assert off == pytest.approx(signed, abs=2e-6)
    assert np.linalg.norm(outward, axis=1) == pytest.approx(1)
    step = 1e-4
    further, _ = off_outline(outline, points + step * outward)
    assert (further > off).mean() > 0.99


def test_distance_from_an_ellipse_is_right_near_it():
    outline = Outline("ellipse", 60, 30)
    shape = shapely.Polygon(outline.polygon(chord_error=1e-6)).boundary
    points = outline.polygon(40) * 1.001
    assert off_outline(outline, points)[0] == pytest.approx(shapely.distance(shape, shapely.points(points)), rel=0.02)


@given(st.integers(0, 2**32 - 1))
def test_polygon_sums_agree_with_shapely(seed):
    # source: shapely
    rng = np.random.default_rng(seed)
    angles = np.sort(rng.uniform(0, 2 * np.pi, rng.integers(4, 20)))
    assume(np.diff(angles, append=angles[0] + 2 * np.pi).max() <= 3)
    polygon = np.column_stack([np.cos(angles), np.sin(angles)]) * rng.uniform(3, 10, (len(angles), 1)) + np.array(
        [5, -7]
    )
    shape, points = shapely.Polygon(polygon), rng.uniform(-10, 20, (100, 2)) + np.array([0, -7])
    assert polygons.signed_area(polygon) == pytest.approx(shape.area)
    assert polygons.signed_area(polygon[::-1]) == pytest.approx(-shape.area)
    assert polygons.centroid(polygon) == pytest.approx(np.array(shape.centroid.coords[0]))
    assert (polygons.contains(polygon, points) == shapely.contains(shape, shapely.points(points))).all()
    assert polygons.nearest(polygon, points)[0] == pytest.approx(
        shapely.distance(shape.boundary, shapely.points(points))
    )
    box = shapely.oriented_envelope(shape)
    turned = polygons.turned(polygon, -polygons.least_box_turn(polygon))
    assert np.ptp(turned, axis=0).prod() == pytest.approx(box.area, rel=1e-6)


@pytest.mark.parametrize(("polygon", "folds"), [(regular(10, 6), 6), (regular(10, 5), 5), (rounded(40, 20, 3, 4), 2)])
def test_symmetry_counts_the_turns_that_change_nothing(polygon, folds):
    assert polygons.symmetry(polygon, np.zeros(2), 1e-6) == folds
    assert polygons.symmetry(polygon + np.array([0.5, 0]), np.zeros(2), 1e-3) == 1


def off_a_circle(points: Floats) -> float:
    """The largest distance from scipy's least-squares circle."""

    def residuals(circle: Floats) -> Floats:
        return np.hypot(points[:, 0] - circle[0], points[:, 1] - circle[1]) - circle[2]

    return float(np.abs(residuals(least_squares(residuals, [0.0, 0.0, 12.0]).x)).max())


@pytest.mark.parametrize("corners", [12, 16, 24, 60])
def test_corners_moved_by_less_than_their_chords_are_off_a_known_outline(corners):
    # source: scipy's least squares; a chord is r * (1 - cos(pi / n)) off its circle
    rng = np.random.default_rng(corners)
    chord = 12.7 * (1 - math.cos(math.pi / corners))
    moved_by = rng.uniform(-0.5, 0.5, (corners, 1)) * min(chord, 0.4)
    points = regular(25.4, corners) * (1 + moved_by / 12.7)
    off = off_a_circle(points)
    assert off_known_outline(points) == (pytest.approx(off, abs=0.01), pytest.approx(chord, rel=0.5))


def test_corners_now_outside_and_now_inside_a_known_outline_are_off_it():
    points = regular(25.4, 100) * (1 + np.random.default_rng(1).normal(0, 0.05 / 12.7, (100, 1)))
    assert off_known_outline(points)[0] == pytest.approx(off_a_circle(points), abs=0.01)


def test_what_is_drawn_on_purpose_is_not_off_a_known_outline():
    angles = np.arange(64) * math.pi / 32
    across = np.column_stack([np.cos(angles), np.sin(angles)])
    bulged = (20, 12) * np.sign(across) * np.abs(across) ** (2 / 2.2)
    seamed = regular(25.4, 100)
    seamed[7] *= 12.4 / 12.7
    for points in (regular(25.4, 40), bulged, seamed, ring(shapely.box(-20, -15, 20, 15))):
        assert off_known_outline(points)[0] == pytest.approx(0, abs=1e-9)


def test_no_points_have_no_distances():
    distances, edges = polygons.nearest(regular(25.4, 12), np.empty((0, 2)))
    assert distances.shape == edges.shape == (0,)
