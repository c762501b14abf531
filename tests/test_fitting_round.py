# SPDX-License-Identifier: GPL-3.0-or-later
"""Round caps against closed forms, against the same cap revolved in gmsh's B-rep kernel, and against the sphere."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import gmsh
import numpy as np
import pytest
from fitting_cases import assert_sound, surface
from recipes import recipe_of, recipe_with

from addon.families.cap import Recipe, design
from addon.geometry.sections import Section

CAP = recipe_of(gap_mm=0.2, groove_width_mm=3.175, groove_depth_mm=2.0)
"""The cap of common practice (no source)."""
INCH = Section.round(25.4, 3.175)
TUBES = {"8 × 1": Section.round(8, 1), "1 in × 1/8 in": INCH, "219.1 × 6.3": Section.round(219.1, 6.3)}


def spigot_volume(radius: float, recipe: Recipe) -> float:
    """Cylinder less grooves less chamfer. Source: Pappus; a ring's section area times its centroid's way."""
    chamfer = recipe.lead_in_mm**2 / 2 * 2 * math.pi * (radius - recipe.lead_in_mm / 3)
    depth, roof = recipe.groove.depth_mm, recipe.groove_roof_mm(0.0)
    floor = depth * (recipe.groove.width_mm - roof) * 2 * math.pi * (radius - depth / 2)
    groove = floor + depth * roof / 2 * 2 * math.pi * (radius - depth / 3)
    hollow = math.pi * (radius - recipe.hollow_wall_mm) ** 2 * (recipe.spigot_mm - 1) if recipe.hollow_wall_mm else 0
    return math.pi * radius**2 * recipe.spigot_mm - chamfer - recipe.groove.count * groove - hollow


def spigot_area(radius: float, recipe: Recipe) -> float:
    """Side, lead-in, tip and groove. Source: Pappus; a line's length times its centroid's way."""
    lead, depth, roof = recipe.lead_in_mm, recipe.groove.depth_mm, recipe.groove_roof_mm(0.0)
    side = recipe.spigot_mm - lead - recipe.groove.count * recipe.groove.width_mm
    faces = depth + math.hypot(depth, roof)
    groove = (radius - depth) * (recipe.groove.width_mm - roof) + faces * (radius - depth / 2)
    cone = math.sqrt(2) * lead * (radius - lead / 2)
    return 2 * math.pi * (radius * side + cone + recipe.groove.count * groove) + math.pi * (radius - lead) ** 2


def crown_volume_and_area(radius: float, recipe: Recipe) -> tuple[float, float]:
    """Without the base. Sources: spherical cap V = πh²(3R − h)/3, A = 2πRh; half an oblate spheroid; cone; a cylinder
    whose edge a quarter circle or a chamfer takes away (Pappus); any geometry handbook."""
    rise, edge = recipe.rise_mm, recipe.edge_mm
    if recipe.crown == "dome":
        ball = (radius**2 + rise**2) / (2 * rise)
        return math.pi * rise**2 * (3 * ball - rise) / 3, 2 * math.pi * ball * rise
    if recipe.crown == "low dome":
        e = math.sqrt(1 - (rise / radius) ** 2)
        area = math.pi * radius**2 * (1 + (1 - e**2) / e * math.atanh(e))
        return 2 / 3 * math.pi * radius**2 * rise, area
    if recipe.crown == "peaked":
        return math.pi * radius**2 * rise / 3, math.pi * radius * math.hypot(radius, rise)
    plain = math.pi * radius**2 * rise
    side, top = 2 * math.pi * radius * (rise - edge), math.pi * (radius - edge) ** 2
    if recipe.edge == "chamfered":
        lost = edge**2 / 2 * 2 * math.pi * (radius - edge / 3)
        return plain - lost, side + top + math.sqrt(2) * edge * 2 * math.pi * (radius - edge / 2)
    # What a quarter circle leaves of its square: area (1 − π/4) e², centroid from the corner (10 − 3π) / (12 − 3π) e.
    lost = (1 - math.pi / 4) * edge**2 * 2 * math.pi * (radius - (10 - 3 * math.pi) / (12 - 3 * math.pi) * edge)
    arc = math.pi / 2 * edge * 2 * math.pi * (radius - edge + 2 * edge / math.pi)
    return plain - lost, side + top + arc


RECIPES = [
    CAP,
    replace(CAP, rise_mm=2.0),
    replace(CAP, crown="low dome", rise_mm=2.0),
    replace(CAP, crown="peaked", rise_mm=3.0),
    replace(CAP, crown="flat", edge="square"),
    recipe_with(CAP, rise_mm=4.0, groove_roof="square"),
    replace(CAP, crown="flat", edge="rounded", edge_mm=1.5),
    replace(CAP, crown="flat", edge="chamfered", edge_mm=1.2, lip_mm=2.0),
    recipe_with(CAP, lip_mm=-0.5, groove_count=0, lead_in_mm=0.0),
]


@pytest.mark.parametrize(
    ("recipe", "tube"),
    [
        pytest.param(recipe, TUBES[tube], id=f"{recipe.crown} {recipe.rise_mm} {recipe.edge}, {tube}")
        for i, recipe in enumerate(RECIPES)
        for j, tube in enumerate(TUBES)
        if (i + j) % 3
    ],
)
def test_volume_and_area_against_closed_forms(recipe: Recipe, tube: Section):
    small = tube.outer.width < 10
    if small:
        recipe = recipe_with(recipe, groove_depth_mm=1.0)
    fitting = design(recipe, tube)
    assert_sound(fitting)
    recipe = fitting.recipe
    inside, outside = tube.bore.width / 2 - 0.2, tube.outer.width / 2 + recipe.lip_mm
    crown_volume, crown_area = crown_volume_and_area(outside, recipe)
    volume = crown_volume + spigot_volume(inside, recipe)
    area = crown_area + spigot_area(inside, recipe) + math.pi * (outside**2 - inside**2)
    assert fitting.mesh.volume == pytest.approx(volume, rel=1e-3)
    assert fitting.mesh.volume < volume
    assert fitting.mesh.area == pytest.approx(area, rel=1e-3)


def test_hollow_spigot_loses_a_cylinder_and_gains_its_wall():
    solid, hollow = (design(recipe_with(CAP, hollow_wall_mm=wall, groove_depth_mm=1.0), INCH) for wall in (0, 2))
    assert_sound(hollow)
    bore = 25.4 / 2 - 3.175 - 0.2 - 2
    assert solid.mesh.volume - hollow.mesh.volume == pytest.approx(math.pi * bore**2 * 7, rel=1e-3)
    assert hollow.mesh.area - solid.mesh.area == pytest.approx(2 * math.pi * bore * 7, rel=1e-3)


def revolved_in_gmsh(recipe: Recipe, inside: float, outside: float) -> tuple[float, float]:
    """Volume and area of the cap as a B-rep of revolution: true arcs, no facets."""
    gmsh.initialize(interruptible=False)
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        occ = gmsh.model.occ
        length, lead, depth = recipe.spigot_mm, recipe.lead_in_mm, recipe.groove.depth_mm
        bottom, top = -(length + recipe.groove.width_mm) / 2, -(length - recipe.groove.width_mm) / 2
        steps = [(0, -length), (inside - lead, -length), (inside, lead - length), (inside, bottom)]
        slope = recipe.groove_roof_mm(0.0)
        low, high = (bottom + slope, top) if recipe.up == "crown down" else (bottom, top - slope)
        steps += [(inside - depth, low), (inside - depth, high), (inside, top), (inside, 0), (outside, 0)]
        points = [occ.addPoint(r, 0, z) for r, z in steps]
        lines = [occ.addLine(a, b) for a, b in pairwise(points)]
        rise = recipe.rise_mm
        apex = occ.addPoint(0, 0, rise)
        if recipe.crown == "dome":
            ball = (outside**2 + rise**2) / (2 * rise)
            lines.append(occ.addCircleArc(points[-1], occ.addPoint(0, 0, rise - ball), apex))
        elif recipe.crown == "low dome":
            lines.append(occ.addEllipseArc(points[-1], occ.addPoint(0, 0, 0), points[-1], apex))
        else:
            edge = recipe.edge_mm
            low, high = occ.addPoint(outside, 0, rise - edge), occ.addPoint(outside - edge, 0, rise)
            lines.append(occ.addLine(points[-1], low))
            lines.append(occ.addCircleArc(low, occ.addPoint(outside - edge, 0, rise - edge), high))
            lines.append(occ.addLine(high, apex))
        lines.append(occ.addLine(apex, points[0]))
        face = occ.addPlaneSurface([occ.addCurveLoop(lines)])
        entities = occ.revolve([(2, face)], 0, 0, 0, 0, 0, 1, 2 * math.pi)
        solids = [tag for dimension, tag in entities if dimension == 3]
        occ.synchronize()
        volume = sum(occ.getMass(3, tag) for tag in solids)
        boundary = gmsh.model.getBoundary([(3, tag) for tag in solids], oriented=False)
        return volume, sum(occ.getMass(2, tag) for _, tag in boundary)
    finally:
        gmsh.finalize()


@pytest.mark.parametrize("crown", ["dome", "low dome", "flat"])
def test_volume_and_area_against_the_same_cap_revolved_in_gmsh(crown: str):
    recipe = replace(CAP, crown=crown, edge="rounded", edge_mm=1.5 if crown == "flat" else None)
    fitting = design(recipe, INCH)
    volume, area = revolved_in_gmsh(fitting.recipe, 25.4 / 2 - 3.175 - 0.2, 12.7)
    assert fitting.mesh.volume == pytest.approx(volume, rel=1e-3)
    assert fitting.mesh.area == pytest.approx(area, rel=1e-3)


def inside_points(triangles: np.ndarray) -> np.ndarray:
    """Points spread over triangles, their corners and middles among them."""
    steps = np.array([(i, j, 6 - i - j) for i in range(7) for j in range(7 - i)]) / 6
    return np.einsum("sk,tkj->tsj", steps, triangles).reshape(-1, 3)


@pytest.mark.parametrize("rise", [None, 0.3], ids=["hemisphere", "flattened"])
@pytest.mark.parametrize(("outside", "error"), [(8.0, 0.01), (25.4, 0.1), (219.1, 0.01), (600.0, 0.1)])
def test_no_facet_lies_farther_from_the_sphere_than_the_chord_error(outside: float, rise: float | None, error: float):
    # Source: the sphere itself, R = (a² + h²) / 2h.
    recipe = recipe_of(rise_mm=rise and rise * outside, groove_depth_mm=0.5)
    fitting = design(recipe, Section.round(outside, outside / 10), chord_error_mm=error)
    rise = fitting.recipe.rise_mm
    ball = ((outside / 2) ** 2 + rise**2) / (2 * rise)
    crown = surface(fitting, "crown")
    away = ball - np.linalg.norm(inside_points(crown) - (0, 0, rise - ball), axis=1)
    assert away.min() > -1e-9
    assert away.max() <= error
    assert np.linalg.norm(crown.reshape(-1, 3) - (0, 0, rise - ball), axis=1) == pytest.approx(ball, abs=1e-9)


def test_facets_grow_with_size_so_that_the_chord_error_does_not():
    small, large = (len(design(Recipe(), Section.round(d, 3)).mesh.triangles) for d in (30, 300))
    assert 2 < large / small < 20


def test_half_the_width_makes_a_hemisphere():
    fitting = design(Recipe(), INCH)
    assert fitting.recipe.rise_mm == 12.7
    assert fitting.mesh.bounds[1, 2] == pytest.approx(12.7, abs=1e-12)


def test_groove_lies_in_the_middle_of_the_spigot_and_two_share_it_evenly():
    groove = surface(design(CAP, INCH), "groove")[..., 2]
    assert (groove.min(), groove.max()) == pytest.approx((-4 - 3.175 / 2, -4 + 3.175 / 2))
    two = design(recipe_with(CAP, spigot_mm=12, groove_count=2, groove_width_mm=2, groove_depth_mm=1.0), INCH)
    edges = np.unique(surface(two, "groove")[..., 2].round(6))
    edges = edges[[0, 2, 3, 5]]  # without the floors' upper edges
    land = (12 - 2 * 2) / 3
    assert edges == pytest.approx([-12 + land, -12 + land + 2, -land - 2, -land])


@pytest.mark.parametrize("up, nearest_rim", [("crown up", True), ("crown down", False)])
def test_a_grooves_roof_slopes_so_that_it_needs_no_support(up: str, nearest_rim: bool):
    """45° from upright is common practice, no source. The face that looks at the plate slopes, the other is level."""
    fitting = design(recipe_with(CAP, up=up), INCH)
    corners = surface(fitting, "groove")
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    upward = normals @ fitting.print_axes[2] / np.linalg.norm(normals, axis=1)
    assert upward.min() == pytest.approx(-math.sqrt(0.5), abs=1e-3)
    assert upward.max() == pytest.approx(1.0)
    level, sloping = (corners[..., 2][upward > 0.9], corners[..., 2][upward < -0.5])
    assert sloping.min() == pytest.approx(-4 + 3.175 / 2 - 2 if nearest_rim else -4 - 3.175 / 2)
    assert np.unique(level.round(4)) == pytest.approx([-4 - 3.175 / 2 if nearest_rim else -4 + 3.175 / 2], abs=1e-4)
