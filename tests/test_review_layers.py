# SPDX-License-Identifier: GPL-3.0-or-later
"""Layers against formulas and trimesh's sections, offsets against shapely."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh
from hypothesis import assume, given
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold
from random_cases import examples
from review_shapes import PROCESS, common_cap, cylinder, hemisphere, joined, layers_of, sphere, turned
from shapely_shapes import shapely_of

from addon.geometry.mesh import Mesh
from addon.review.facets import Facets
from addon.review.layers import Layers, LayersError, flat_levels, layer_edges, level_findings
from addon.review.outlines import OutlineEdges, Shapes, inradius, offset


def test_layer_areas_of_a_sphere() -> None:
    # source: circle at height z of a sphere, pi (2 R z - z²); any geometry handbook
    layers = layers_of(sphere(8.0, 512))
    expected = np.pi * (16.0 * layers.cuts - layers.cuts**2)
    assert len(layers) == 64
    np.testing.assert_allclose(layers.areas, expected, rtol=1.3e-3)


def test_layer_areas_of_a_cone() -> None:
    # source: similar triangles
    layers = layers_of(turned([(0, 0), (10, 0), (0, 20)], 512))
    np.testing.assert_allclose(layers.areas, np.pi * (10 - layers.cuts / 2) ** 2, rtol=5e-5, atol=1e-6)


def test_a_stepped_cylinder_has_three_outlines() -> None:
    # source: area of a circle; the steps lie on layers
    mesh = turned([(0, 0), (10, 0), (10, 5), (6, 5), (6, 8), (3, 8), (3, 10), (0, 10)], 512)
    layers = layers_of(mesh)
    assert len(layers) == 40
    assert len(layers.outlines) == 3
    radii = np.where(layers.cuts < 5, 10, np.where(layers.cuts < 8, 6, 3))
    np.testing.assert_allclose(layers.areas, np.pi * radii**2, rtol=3e-5)
    assert layers.changes() == [20, 32]


def test_equal_layers_are_found_once_and_no_others() -> None:
    """Against cutting every layer by itself."""
    mesh = common_cap().standing()
    solid = mesh.to_manifold()
    layers = layers_of(mesh)
    alone = np.array([solid.slice(float(z)).area() for z in layers.cuts])
    np.testing.assert_allclose(layers.areas, alone, rtol=1e-9)
    # The spigot is upright but for its lead-in: 2 outlines there, and body, groove and body above it.
    assert layers.which[32] == 5
    assert len(set(layers.which[32:].tolist())) == 51


def test_volume_by_layers_converges_at_second_order() -> None:
    # source: midpoint rule, error of order h² (any numerics handbook)
    mesh = hemisphere(10.0, 256)
    errors = []
    for layer in (0.5, 0.25, 0.125):
        layers = layers_of(mesh, replace(PROCESS, layer_mm=layer, first_layer_mm=layer))
        errors.append(abs(layers.volume - mesh.volume))
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert (orders > 1.8).all() and (orders < 2.2).all(), orders


def test_outlines_match_trimesh_sections_of_foreign_meshes() -> None:
    for foreign in (
        trimesh.creation.torus(8, 3, major_sections=48, minor_sections=24),
        trimesh.creation.annulus(4, 9, 12),
        trimesh.creation.icosphere(3, 7),
        trimesh.creation.capsule(10, 4),
    ):
        foreign.apply_translation([1.7, -2.3, -foreign.bounds[0, 2]])
        layers = layers_of(Mesh(np.array(foreign.vertices), np.array(foreign.faces, np.int32)))
        sections = foreign.section_multiplane([0, 0, 0], [0, 0, 1], layers.cuts)
        areas = np.array([section.area if section is not None else 0.0 for section in sections])
        np.testing.assert_allclose(layers.areas, areas, rtol=1e-5, atol=1e-6)


@given(
    st.lists(st.tuples(st.floats(-20, 20), st.floats(-20, 20)), min_size=3, max_size=9),
    st.floats(0.1, 3.0),
)
@examples(60)
def test_offsets_match_shapely(points: list[tuple[float, float]], distance: float) -> None:
    hull = CrossSection.hull_points(np.array(points))
    assume(hull.area() >= 1.0)
    polygon = shapely.Polygon(hull.to_polygons()[0])
    grown = polygon.buffer(distance, quad_segs=64)
    shrunk = polygon.buffer(-distance)
    assert offset(hull, distance).area() == pytest.approx(grown.area, rel=3e-3)
    assert offset(hull, -distance).area() == pytest.approx(shrunk.area, rel=1e-3, abs=1e-3 * polygon.length)


def test_half_width_of_a_ring_a_rectangle_and_a_triangle() -> None:
    # source: radius of the inscribed circle, area over half the perimeter for a triangle (any geometry handbook)
    ring = CrossSection.circle(10, 256) - CrossSection.circle(6, 256)
    assert inradius(ring) == pytest.approx(2.0, rel=2e-3)
    shapes = Shapes([CrossSection.square((30, 8)), CrossSection([np.array([(0, 0), (3, 0), (0, 4)], float)]), ring])
    np.testing.assert_allclose(shapes.inradii(), [4.0, 1.0, 2.0], atol=4e-3)
    assert shapes.convex.tolist() == [True, True, False]
    assert [shapes.perhaps_thin(3.9), shapes.perhaps_thin(4.1), shapes.perhaps_gapped(11.9)] == [[1], [1, 2], []]
    assert shapes.perhaps_gapped(12.1) == [2]
    least = shapes.inradii(1.5)
    assert ((least >= [1.499, 0.999, 1.499]) & (least <= [4.001, 1.001, 2.001])).all()


@given(st.floats(0.3, 4), st.floats(0.3, 4), st.floats(0, 360))
@examples(30)
def test_legs_and_slot_of_a_u_are_looked_at_below_their_widths(leg: float, slot: float, turn: float) -> None:
    """The widths are those drawn; an L of the same legs has no gap at all."""
    u = CrossSection.square((2 * leg + slot, 9)) - CrossSection.square((slot, 9)).translate((leg, leg))
    l_shaped = CrossSection.square((9, 9)) - CrossSection.square((9, 9)).translate((leg, leg))
    shapes, least = Shapes([u.rotate(turn), l_shaped.rotate(turn)]), min(leg, slot)
    assert shapes.perhaps_thin(0.99 * least) == shapes.perhaps_gapped(0.99 * least) == []
    assert shapes.perhaps_thin(1.01 * leg) == [0, 1]
    assert 0 in shapes.perhaps_gapped(1.01 * slot)


@given(st.floats(0.05, 50), st.floats(0.05, 50), st.integers(3, 40), st.floats(0, 360))
@examples(60)
def test_half_width_is_that_of_shapelys_inscribed_circle(a: float, b: float, sides: int, turn: float) -> None:
    """Symmetric outlines by the quick bounds, odd ones by search."""
    angles = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    outline = CrossSection([np.column_stack([a * np.cos(angles), b * np.sin(angles)])]).rotate(turn)
    width = float(Shapes([outline]).inradii()[0])
    polygon = shapely.Polygon(outline.to_polygons()[0])
    expected = shapely.maximum_inscribed_circle(polygon, tolerance=min(a, b) * 1e-4).length
    assert width == pytest.approx(expected, abs=2.5e-3, rel=2e-3)


@given(st.integers(0, 2**32 - 1), st.floats(0.2, 6.0))
@examples(60)
def test_a_wall_around_a_hole_is_judged_as_shapely_measures_it(seed: int, width: float) -> None:
    random = np.random.default_rng(seed)
    hull = CrossSection.hull_points(random.uniform(-10, 10, (random.integers(4, 40), 2)))
    hole = CrossSection.hull_points(random.uniform(-2, 2, 2) + random.uniform(-3, 3, (random.integers(3, 20), 2)))
    outline = hull - hole
    assume(outline.num_contour() == 2 and len(outline.decompose()) == 1)
    shapes = Shapes([outline, outline])
    polygon = shapely_of(outline)
    radius = shapely.maximum_inscribed_circle(polygon, tolerance=1e-4).length
    # Offsets round corners with so many facets that they are half a percent short.
    assert shapes.inradii()[0] == pytest.approx(radius, abs=2.5e-3, rel=5e-3)
    assert min(width, radius) - 2.5e-3 <= shapes.inradii(width)[0] <= radius * 1.005 + 2.5e-3
    if not shapes.perhaps_thin(width):
        assert polygon.exterior.distance(polygon.interiors[0]) >= width - 1e-6
    if not shapes.perhaps_gapped(width):
        inside = shapely.Polygon(polygon.interiors[0])
        assert shapely.maximum_inscribed_circle(inside, tolerance=1e-4).length >= width / 2 - 1e-6


@given(st.integers(0, 1000))
@examples(30)
def test_distances_match_shapely(seed: int) -> None:
    random = np.random.default_rng(seed)
    polygons = [random.uniform(-10, 10, (random.integers(3, 12), 2)) for _ in range(3)]
    points = random.uniform(-15, 15, (3, random.integers(1, 9), 2))
    edges = OutlineEdges.of([[polygon] for polygon in polygons])
    for reaches, places, polygon in zip(edges.distances(points, np.arange(3)), points, polygons, strict=True):
        ring = shapely.LinearRing(polygon)
        np.testing.assert_allclose(reaches, [ring.distance(shapely.Point(p)) for p in places], atol=1e-6)


@given(st.integers(0, 1000))
@examples(30)
def test_samples_lie_on_outlines_and_what_is_inside_is_what_shapely_says(seed: int) -> None:
    """Outlines of unlike numbers of edges, one of them with a hole and one empty."""
    random = np.random.default_rng(seed)
    turns = [np.sort(random.uniform(0, 2 * np.pi, count)) for count in random.integers(5, 40, 3)]
    loops = [random.uniform(5, 9) * np.column_stack([np.cos(turn), np.sin(turn)]) for turn in turns]
    polygons = [[loops[0]], [], [loops[1], loops[1][::-1] / 3], [loops[2]]]
    edges, which = OutlineEdges.of(polygons), np.array([0, 2, 3])
    samples, points = edges.samples(which), random.uniform(-9, 9, (3, 20, 2))
    for index, here, places, inside in zip(which, samples, points, edges.contain(points, which), strict=True):
        shell, *holes = polygons[index]
        theirs = shapely.Polygon(shell, holes)
        assert shapely.distance(theirs.boundary, shapely.points(here)).max() < 1e-9
        assert inside.tolist() == shapely.contains(theirs, shapely.points(places)).tolist()


def test_layer_edges() -> None:
    np.testing.assert_allclose(layer_edges(1.0, 0.3, 0.2), [0, 0.3, 0.5, 0.7, 0.9])
    # The last layer is laid where its middle lies in the solid.
    assert layer_edges(1.01, 0.3, 0.2)[-1] == pytest.approx(1.1)
    assert len(layer_edges(20.7, 0.25, 0.25)) == 84
    with pytest.raises(LayersError, match="nothing would be printed"):
        layer_edges(0.1, 0.3, 0.2)
    with pytest.raises(LayersError, match="check the unit"):
        layer_edges(1e6, 0.3, 0.2)
    with pytest.raises(LayersError):
        layer_edges(float("nan"), 0.3, 0.2)


def test_heights_inside_a_layer_are_named_with_the_change() -> None:
    mesh = turned([(0, 0), (10, 0), (10, 5.1), (6, 5.1), (6, 8), (0, 8)])
    layers = layers_of(mesh)
    levels = flat_levels(Facets.of(mesh))
    assert [(level.name, level.z_mm) for level in levels] == [("upper face", 5.1), ("upper face", 8.0)]
    (finding,) = level_findings(layers, levels, "part")
    assert finding.layer == 21 and finding.value == pytest.approx(0.1) and "lower, at 5 mm" in finding.advice


@pytest.mark.parametrize("bodies", [1, 2])
def test_overlapping_and_nested_bodies_are_cut_as_one(bodies: int) -> None:
    # source: inclusion and exclusion of areas
    block = Mesh.from_manifold(Manifold.cube((10, 10, 10)))
    other = Mesh.from_manifold(
        Manifold.cube((10, 10, 10)).translate((5, 5, 0)) if bodies == 2 else Manifold.cube((4, 4, 10))
    )
    layers: Layers = layers_of(joined(block, other))
    np.testing.assert_allclose(layers.areas, 175.0 if bodies == 2 else 100.0)


def test_places_are_said_as_a_person_counts() -> None:
    layers = layers_of(Mesh.from_manifold(cylinder(5, 20.5)))
    assert layers.place(13) == "layer 14 of 82, z 3.25 mm"
    assert layers.places(0, 3) == "layers 1 to 4 of 82, z 0 mm to 1 mm"
    assert layers.layer_at(3.3) == 13
