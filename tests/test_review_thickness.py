# SPDX-License-Identifier: GPL-3.0-or-later
"""Thin walls and narrow gaps on solids of known thickness, and against trimesh."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold
from random_cases import examples
from review_shapes import PROCESS, common_cap, cylinder, layers_of, turned
from test_review_overhangs import box, mesh_of, named, printed

from addon.geometry.mesh import Mesh
from addon.review import review, review_fitting
from addon.review.facets import Facets
from addon.review.outlines import Shapes
from addon.review.thickness import narrow_gaps, surface_points, thickness_at, thin_walls, thinnest_place


def tube(outer: float, wall: float, height: float = 10.0, facets: int = 256) -> Manifold:
    return cylinder(outer, height, facets) - cylinder(outer - wall, height, facets)


@given(st.floats(0.05, 1.5), st.floats(4, 12))
@examples(25)
def test_tubes_of_known_wall_in_the_layers(wall: float, outer: float) -> None:
    # source: definition
    layers = layers_of(mesh_of(tube(outer, wall)))
    walls = thin_walls(layers, Shapes(layers.outlines), 0.5)
    if wall < 0.98:
        (part,) = walls
        assert part.width_mm == pytest.approx(wall, rel=0.01, abs=1e-3)
        assert (part.first, part.last) == (0, 39)
    elif wall > 1.0:
        assert walls == ()


@given(st.floats(0.05, 3), st.floats(4, 12), st.tuples(st.floats(-90, 90), st.floats(-90, 90)))
@examples(25)
def test_tubes_of_known_wall_by_rays(wall: float, outer: float, turn: tuple[float, float]) -> None:
    # source: definition; the facets' own distance, which the chords make smaller by cos(180° / n)
    solid = tube(outer, wall).rotate((*turn, 0))
    mesh = mesh_of(solid)
    points, inward = surface_points(mesh, Facets.of(mesh), 400)
    thickness = thickness_at(solid, points, inward)
    assert thickness.least_mm == pytest.approx(wall, rel=0.01)
    assert thinnest_place(solid, points, inward, 0.5).least_mm == pytest.approx(thickness.least_mm, rel=1e-6)


@pytest.mark.parametrize("angle", [2.0, 5.0, 10.0, 15.0])
def test_wedges_of_known_thickness(angle: float) -> None:
    # source: a wedge is x tan(angle) thick, measured square to one face, x from its edge
    slope = math.tan(math.radians(angle))
    profile = CrossSection([np.array([(2, 0), (30, 0), (30, 30 * slope), (2, 2 * slope)])])
    solid = Manifold.extrude(profile, 10)
    # The lower face lies at y = 0; rays go up from it.
    points = np.column_stack([np.linspace(3, 29, 14), np.zeros(14), np.full(14, 5.0)])
    measured = thickness_at(solid, points, np.tile((0.0, 1.0, 0.0), (14, 1)))
    np.testing.assert_allclose(measured.thickness, points[:, 0] * slope, rtol=0.01)
    mesh = mesh_of(solid)
    least = thinnest_place(solid, *surface_points(mesh, Facets.of(mesh), 2000), 1.0)
    assert least.least_mm == pytest.approx(2 * slope, rel=0.1)
    assert least.thinnest is not None and least.thinnest[0] < 3


def test_a_wedge_is_thin_in_the_layers_up_to_two_beads() -> None:
    # source: a wedge is narrower than 1 mm up to x = 1 / (2 tan(angle / 2)) from its edge
    half = math.radians(5)
    profile = CrossSection([np.array([(0, 0), (30, -30 * math.tan(half)), (30, 30 * math.tan(half))])])
    layers = layers_of(mesh_of(Manifold.extrude(profile, 5)))
    (part,) = thin_walls(layers, Shapes(layers.outlines), 0.5)
    reach = 0.99 / (2 * math.tan(half))
    assert part.regions[0].bounds()[2] == pytest.approx(reach, rel=0.1)


def test_thickness_matches_trimesh() -> None:
    """source: trimesh's ray thickness on a mesh not ours"""
    foreign = trimesh.creation.torus(9, 2.5, major_sections=48, minor_sections=24)
    mesh = Mesh(np.array(foreign.vertices), np.array(foreign.faces, np.int32))
    facets = Facets.of(mesh)
    points, inward = facets.centres[::24], -facets.normals[::24]
    ours = thickness_at(mesh.to_manifold(), points, inward).thickness
    theirs = trimesh.proximity.thickness(foreign, points, exterior=False, normals=-inward, method="ray")
    both = np.isfinite(ours)
    assert both.mean() > 0.9
    np.testing.assert_allclose(ours[both], theirs[both], rtol=1e-4)


def test_walls_between_two_surfaces_of_one_layer() -> None:
    # source: 0.7 mm between a hole and the edge
    plate = box(20, 20, 4) - cylinder(3, 4, 64).translate((3.7, 10, 0))
    result = review(mesh_of(plate), PROCESS)
    (finding,) = named(result, "thin wall")
    assert finding.value == pytest.approx(0.7, rel=0.04) and finding.severity == "look at"
    assert finding.position_mm is not None and finding.position_mm[0] < 1
    assert named(result, "wall thickness")[0].value == pytest.approx(0.7, rel=0.01)


def test_walls_thinner_than_a_bead_must_be_fixed() -> None:
    (finding,) = named(review(mesh_of(box(20, 0.3, 10)), PROCESS), "thin wall")
    assert finding.severity == "must fix" and finding.value == pytest.approx(0.3, rel=0.01)
    assert not named(review(mesh_of(box(20, 1.0, 10)), PROCESS), "thin wall")
    assert not named(review(mesh_of(box(20, 1.0, 10)), PROCESS), "wall thickness")


def test_thin_floors_are_found_by_rays() -> None:
    """Layers cannot see a floor 0.6 mm thick; rays do."""
    result = review(mesh_of(box(20, 20, 10) - box(16, 16, 10, 2, 2, 0.6)), PROCESS)
    assert not named(result, "thin wall")
    (finding,) = named(result, "wall thickness")
    assert finding.value == pytest.approx(0.6, rel=0.01)


def test_a_pointed_top_is_a_tip_and_no_wall() -> None:
    (finding,) = named(review(turned([(0, 0), (10, 0), (0, 8)], 64), PROCESS), "thin wall")
    assert finding.severity == "good to know" and "tip" in finding.meaning
    needle = named(review(turned([(0, 0), (2, 0), (0, 30)], 64), PROCESS), "thin wall")
    assert needle and needle[0].severity != "good to know"


@pytest.mark.parametrize(("gap", "narrow"), [(0.2, True), (0.45, True), (0.52, False), (2.0, False)])
def test_gaps_too_small_for_a_bead(gap: float, narrow: bool) -> None:
    # source: definition
    block = box(20, 20, 4) - box(gap, 12, 4, 10 - gap / 2, 4)
    layers = layers_of(mesh_of(block))
    gaps = narrow_gaps(layers, Shapes(layers.outlines), 0.5)
    assert bool(gaps) == narrow
    if narrow:
        assert gaps[0].width_mm == pytest.approx(gap, rel=0.01, abs=1e-3)
    pin = box(20, 20, 4) - cylinder(gap / 2, 4, 64).translate((10, 10, 0))
    layers = layers_of(mesh_of(pin))
    assert bool(narrow_gaps(layers, Shapes(layers.outlines), 0.5)) == narrow


def test_the_common_cap_has_no_thin_wall() -> None:
    result = review_fitting(common_cap(), PROCESS)
    assert not named(result, "thin wall") and not named(result, "wall thickness") and not named(result, "narrow gap")
    # source: from its groove's lower face, 2.4125 mm up, the spigot's tip is that thick
    assert printed(result).thickness.least_mm == pytest.approx(2.0, abs=0.5)


def test_places_are_spread_over_the_whole_surface() -> None:
    mesh = common_cap().standing()
    points, inward = surface_points(mesh, Facets.of(mesh), 600)
    assert 500 <= len(points) <= 1500
    np.testing.assert_allclose(np.linalg.norm(inward, axis=1), 1.0)
    heights = np.unique(points[:, 2].round(1))
    assert heights.min() == 0 and heights.max() > 20.5 and len(heights) > 30


def test_an_edge_that_runs_out_is_no_thin_wall() -> None:
    """A roof of 45° beside a tower, upright and as the ceiling of a hole; a fin that stands there is one."""
    roof = Manifold.extrude(CrossSection([np.array([(-4, 0), (4, 0), (0, 4)])]), 20).rotate([90, 0, 0])
    block = box(30, 30, 10) + box(5, 30, 20, x=25)
    for solid in (
        block + roof.translate([12, 25, 10]),
        box(30, 30, 20) - roof.rotate([180, 0, 0]).translate([12, 5, 12]),
    ):
        assert {finding.severity for finding in named(review(mesh_of(solid), PROCESS), "thin wall")} <= {"good to know"}
    (fin,) = named(review(mesh_of(block + box(0.3, 20, 3, x=10, y=5, z=10)), PROCESS), "thin wall")
    assert fin.severity == "must fix"
