# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections: their least wall against shapely, and their bores as calipers read them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import assume, given
from hypothesis import strategies as st

from addon.families.cap import Recipe
from addon.geometry.polygons import least_width, turned
from addon.geometry.sections import Outline, Section
from addon.job.asked import Match
from addon.trade.fits import tube_tolerance, with_reading
from addon.trade.sizes import section_name
from tests.test_jobfile import job


def regular(corners: int, inradius: float) -> Outline:
    """A regular polygon; its corners lie at the inradius over cos(pi / n)."""
    turn = 2 * np.pi * np.arange(corners) / corners
    return Outline.free(np.column_stack([np.cos(turn), np.sin(turn)]) * inradius / math.cos(math.pi / corners))


HEXAGON = Section(regular(6, 16), regular(6, 14))
"""32 mm across flats, a wall of 2 mm."""


@pytest.mark.parametrize(("corners", "wall"), [(3, 2.0), (5, 3.0), (6, 2.0)])
def test_the_wall_of_a_regular_tube_is_that_of_its_flats(corners, wall):
    section = Section(regular(corners, 16), regular(corners, 16 - wall))
    assert section.wall == pytest.approx(wall, abs=1e-9)
    assert section_name(section).endswith(f" × {wall:g} outline")
    assert tube_tolerance(section).seam_mm == pytest.approx(wall / 4)
    assert Match(wall_mm=wall, within_mm=0.01).fits(section)


@given(
    shapes=st.tuples(*[st.sampled_from(["circle", "rectangle", "obround", "ellipse", "free"])] * 2),
    sizes=st.tuples(*[st.floats(10, 60)] * 4),
    radii=st.tuples(*[st.floats(0, 5)] * 2),
    centre=st.tuples(*[st.floats(-3, 3)] * 2),
)
def test_the_wall_is_the_smallest_distance_between_the_outlines(shapes, sizes, radii, centre):
    """Against shapely's distance between two rings on finer polygons; beside an ellipse or a polygon curves have 360
    facets."""
    outer, bore = (
        regular(7, width / 2)
        if shape == "free"
        else Outline(shape, width, width if shape == "circle" else depth, radius)
        for shape, width, depth, radius in zip(shapes, sizes[::2], sizes[1::2], radii, strict=True)
    )
    if bore.points is None:
        bore = replace(bore, centre=centre)
    outside, inside = (shapely.Polygon(outline.polygon(chord_error=1e-4)) for outline in (outer, bore))
    within = outside.contains(inside)
    assume(within or not outside.buffer(0.02).contains(inside))
    expected = outside.exterior.distance(inside.exterior) if within else 0.0
    assert Section(outer, bore).wall == pytest.approx(
        expected, abs=3e-4 if not {"ellipse", "free"} & set(shapes) else 3e-3
    )


@given(points=st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=3, max_size=12))
def test_the_least_width_is_the_shorter_side_of_the_narrowest_box(points):
    """Against every direction in steps of 0.1 degrees over shapely's hull: none is narrower."""
    hull = shapely.MultiPoint(points).convex_hull
    assume(hull.geom_type == "Polygon" and hull.area > 1)
    corners = np.array(shapely.geometry.polygon.orient(hull).exterior.coords)[:-1]
    degrees, _ = least_width(corners)
    narrowest = float(np.ptp(turned(corners, -math.radians(degrees))[:, 0]))
    others = [float(np.ptp(turned(corners, -angle)[:, 0])) for angle in np.radians(np.arange(0, 180, 0.1))]
    assert narrowest <= min(others) + 1e-6 * max(others)


def test_calipers_read_a_hexagon_across_its_flats():
    (reading,) = HEXAGON.bore.readings
    assert reading.where == "least width, flat to flat, at 90° to the width"
    measured = with_reading(HEXAGON, 28.0)
    assert measured.bore.points == pytest.approx(HEXAGON.bore.points)
    assert measured.wall == pytest.approx(2.0)
    assert with_reading(HEXAGON, 27.8).wall == pytest.approx(2.1)


def test_calipers_read_a_triangle_from_a_flat_to_a_corner():
    triangle = Section(regular(3, 16), regular(3, 14))
    (reading,) = triangle.bore.readings
    # An equilateral triangle is three times as high as its inradius.
    assert triangle.bore.across(reading.across_deg) == pytest.approx(42.0)
    assert reading.name == "least width, flat to corner"
    assert triangle.bore.per_inset(reading) == pytest.approx(3.0)
    assert with_reading(triangle, 41.4).wall == pytest.approx(2.2)


@pytest.mark.parametrize("read", [30.0, 24.25])
def test_a_reading_that_no_tolerance_explains_is_refused(read):
    with pytest.raises(
        ValueError, match=r"modelled as 28 mm .least width, flat to flat, at 90° to the width.*EN 10219-2"
    ):
        with_reading(HEXAGON, read)


def test_one_number_tells_a_hexagon():
    with pytest.raises(ValueError, match="calipers read one width of this bore, its least width, flat to flat"):
        with_reading(HEXAGON, 28.0, 32.3)


def test_a_job_reads_a_hexagon_across_its_flats_whichever_way_round_it_is_called():
    outer = HEXAGON.outer
    for sides in ((outer.width, outer.depth), (outer.depth, outer.width)):
        entry = {
            "kind": "other",
            "width_mm": sides[0],
            "depth_mm": sides[1],
            "wall_mm": 2,
            "bore_width_mm": [28.1, 27.9],
        }
        measured = job(measured=[entry]).measured_section(HEXAGON)
        assert measured.bore.across(90.0) == pytest.approx(27.9)
    asked = job(fitting={"for": [{"wall_mm": 2, "within_mm": 0.1, "spigot_mm": 9}]})
    assert asked.wishes[0].recipe_for(HEXAGON) == Recipe(spigot_mm=9)
