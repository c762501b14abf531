# SPDX-License-Identifier: GPL-3.0-or-later
"""Caps that are not round, and mitred ones: against gmsh, shapely, closed forms and the true surface."""

from __future__ import annotations

import math
from dataclasses import replace

import gmsh
import numpy as np
import pytest
import shapely
from fitting_cases import CROWNS, SECTIONS, assert_sound, free, hexagon, surface
from recipes import recipe_of, recipe_with

from addon.families.cap import Recipe, design
from addon.families.fitting import Fitting
from addon.geometry.sections import Outline, Section
from addon.shaping.roofs import roof
from addon.takeoff.ends import mitre_normal

PLAIN = recipe_of(gap_mm=0.2, groove_depth_mm=0.8, groove_width_mm=2.0)


def polygon(outline: Outline) -> shapely.Polygon:
    """With a chord error far below what is measured."""
    return shapely.Polygon(outline.polygon(chord_error=1e-4))


def moved(outline: shapely.Polygon, distance: float) -> shapely.Geometry:
    return outline.buffer(distance, join_style="mitre", mitre_limit=10)


@pytest.mark.parametrize("crown", CROWNS)
@pytest.mark.parametrize("section", SECTIONS.values(), ids=SECTIONS)
@pytest.mark.parametrize("mitre, direction, facets", [(0, 0, 64), (30, 0, 64), (60, 25, 64), (45, 90, None)])
def test_every_crown_on_every_section_is_sound(section, crown, mitre, direction, facets):
    recipe = replace(PLAIN, crown=crown)
    assert_sound(design(recipe, section, mitre_deg=mitre, mitre_direction_deg=direction, facets=facets))


def rounded_box(occ, width: float, depth: float, bottom: float, top: float, radius: float) -> int:
    box = occ.addBox(-width / 2, -depth / 2, bottom, width, depth, top - bottom)
    occ.synchronize()
    upright = []
    for _, edge in gmsh.model.getBoundary([(3, box)], combined=False, recursive=False, oriented=False):
        for _, line in gmsh.model.getBoundary([(2, edge)], oriented=False):
            low, high = gmsh.model.getBoundingBox(1, line)[2], gmsh.model.getBoundingBox(1, line)[5]
            if high - low > (top - bottom) / 2:
                upright.append(abs(line))
    return occ.fillet([box], sorted(set(upright)), [radius])[0][1]


@pytest.mark.parametrize("edge", ["square", "rounded", "chamfered"])
def test_flat_cap_of_rectangular_tube_against_gmsh(edge: str):
    """Boxes with filleted corners, the groove cut by a boolean, the crown's edge by the kernel's fillet or chamfer."""
    section = Section.rectangular(40, 30, 3)  # corners 6 outside, 3 inside
    recipe = replace(
        PLAIN, crown="flat", rise_mm=5.0, edge=edge, edge_mm=0.0 if edge == "square" else 1.5, lead_in_mm=0.0
    )
    recipe = recipe_with(recipe, groove_roof="square")
    fitting = design(recipe, section)
    assert_sound(fitting)
    gmsh.initialize(interruptible=False)
    try:
        gmsh.option.setNumber("General.Terminal", 0)
        occ = gmsh.model.occ
        crown = rounded_box(occ, 40, 30, 0, 5, 6)
        occ.synchronize()
        if edge != "square":
            faces = gmsh.model.getBoundary([(3, crown)], oriented=False)
            top = next(tag for _, tag in faces if gmsh.model.getBoundingBox(2, tag)[2] > 4.9)
            rim = [abs(tag) for _, tag in gmsh.model.getBoundary([(2, top)], oriented=False)]
            if edge == "rounded":
                crown = occ.fillet([crown], rim, [1.5])[0][1]
            else:
                crown = occ.chamfer([crown], rim, [top] * len(rim), [1.5])[0][1]
        spigot = rounded_box(occ, 34 - 0.4, 24 - 0.4, -8, 0, 3 - 0.2)
        core = rounded_box(occ, 34 - 2, 24 - 2, -5, -3, 3 - 1)
        slab = occ.addBox(-30, -30, -5, 60, 60, 2)
        groove = occ.cut([(3, slab)], [(3, core)])[0]
        whole = occ.fuse([(3, crown)], occ.cut([(3, spigot)], groove)[0])[0]
        occ.synchronize()
        volume = sum(occ.getMass(3, tag) for _, tag in whole)
        area = sum(occ.getMass(2, tag) for _, tag in gmsh.model.getBoundary(whole, oriented=False))
    finally:
        gmsh.finalize()
    assert fitting.mesh.volume == pytest.approx(volume, rel=1e-3)
    assert fitting.mesh.area == pytest.approx(area, rel=1e-3)


@pytest.mark.parametrize("width, depth", [(30, 30), (40, 30), (60, 20)])
def test_hip_crown_over_a_sharp_rectangle(width: float, depth: float):
    # Source: a hip roof of one slope is a prism between two half pyramids: V = h·b·(3l − b) / 6, b the shorter side.
    section = Section.rectangular(width, depth, 2, 0)
    bare = recipe_of(crown="peaked", rise_mm=7.0, groove_count=0, lead_in_mm=0.0, gap_mm=0.2)
    short, long = sorted((width, depth))
    spigot = (width - 4.4) * (depth - 4.4) * 8
    assert design(bare, section).mesh.volume == pytest.approx(7 * short * (3 * long - short) / 6 + spigot, rel=1e-9)


def test_peaked_crown_over_a_hexagon_is_a_pyramid():
    section = free(hexagon(40), 2.5)
    bare = recipe_of(crown="peaked", rise_mm=9.0, groove_count=0, lead_in_mm=0.0, gap_mm=0.2)
    base = 3 * math.sqrt(3) / 2 * 20**2  # area of a regular hexagon
    inner = 3 * math.sqrt(3) / 2 * ((20 * math.sqrt(3) / 2 - 2.7) * 2 / math.sqrt(3)) ** 2
    assert design(bare, section).mesh.volume == pytest.approx(base * 9 / 3 + inner * 8, rel=1e-5)


def crown_height(recipe: Recipe, reach: float, inset: float) -> float:
    """The profile's formula, not its polyline. Source: circle and ellipse."""
    rise = recipe.rise_mm
    if recipe.crown == "dome":
        ball = (reach**2 + rise**2) / (2 * rise)
        return math.sqrt(max(ball**2 - (reach - inset) ** 2, 0)) - (ball - rise)
    if recipe.crown == "low dome":
        return rise * math.sqrt(max(1 - ((reach - inset) / reach) ** 2, 0))
    if recipe.crown == "peaked":
        return rise * inset / reach
    edge = recipe.edge_mm
    return rise if inset >= edge else rise - edge + math.sqrt(edge**2 - (edge - inset) ** 2)


@pytest.mark.once
@pytest.mark.parametrize(
    ("name", "crown", "mitre"),
    [(name, crown, 40 * ((i + j) % 2)) for i, name in enumerate(SECTIONS) for j, crown in enumerate(CROWNS)],
)
def test_crown_volume_is_the_sum_of_its_layers(name: str, crown: str, mitre: int):
    """Cavalieri: ∫ A(inset) dh, the areas by shapely's offsets, the height by the profile's formula."""
    section = SECTIONS[name]
    fitting = design(
        recipe_with(PLAIN, crown=crown, edge="rounded", groove_count=0, lead_in_mm=0.0), section, mitre_deg=mitre
    )
    stretched = section.outer.polygon(chord_error=2e-4) / (math.cos(math.radians(mitre)), 1)
    whole, reach = shapely.Polygon(stretched), roof(stretched).reach
    steps = reach * (1 - np.cos(np.linspace(0, np.pi / 2, 200)))  # close where the dome is steep
    heights = np.array([crown_height(fitting.recipe, reach, inset) for inset in steps])
    areas = np.array([moved(whole, -inset).area for inset in steps])
    layers = np.sum(np.diff(heights) * (areas[1:] + areas[:-1]) / 2) + heights[0] * areas[0]
    spigot = moved(polygon(section.bore), -0.2).area * fitting.recipe.spigot_mm
    assert fitting.mesh.volume == pytest.approx(layers + spigot, rel=1e-3)


@pytest.mark.parametrize("name", ["rectangular", "obround", "ellipse", "hexagon", "angle", "tee"])
@pytest.mark.parametrize("mitre", [0, 45])
def test_every_layer_is_the_outline_moved_inward_by_the_same_all_around(name: str, mitre: int):
    """The rule of concentric rings, against shapely."""
    section = SECTIONS[name]
    fitting = design(replace(PLAIN, rise_mm=5.0), section, mitre_deg=mitre, mitre_direction_deg=20 if mitre else 0)
    level = fitting.rim_frame.to_local(fitting.mesh.vertices)
    solid = replace(fitting.mesh, vertices=level).to_manifold()
    whole = shapely.Polygon(np.array(fitting.profile.crown_outline.polygon(chord_error=1e-4)))
    insets, heights = fitting.profile.crown.T
    for inset, height in list(zip(insets, heights, strict=True))[3::7]:
        layer = shapely.union_all([shapely.Polygon(loop) for loop in solid.slice(height).to_polygons()])
        expected = moved(whole, -inset)
        assert layer.symmetric_difference(expected).area < 0.02 * expected.length


@pytest.mark.parametrize("name", ["rectangular", "sharp square", "obround", "ellipse"])
@pytest.mark.parametrize("mitre, lip", [(0, 0.0), (0, 2.0), (40, 1.0)])
def test_no_facet_of_a_dome_lies_farther_from_the_true_surface_than_the_chord_error(name: str, mitre: int, lip: float):
    """Over any outline a dome's distance from the true surface is the distance from the arc in the plane of inset and
    height; the inset is the distance from the true outline, by shapely."""
    section = SECTIONS[name]
    fitting = design(replace(PLAIN, rise_mm=6.0, lip_mm=lip), section, mitre_deg=mitre)
    sharp = section.outer.polygon(chord_error=1e-4) / (math.cos(math.radians(mitre)), 1)
    outline = shapely.Polygon(sharp).buffer(lip, join_style="mitre", mitre_limit=10)
    reach = min(section.outer.width, section.outer.depth) / 2 + lip
    ball = (reach**2 + 6**2) / 12
    corners = fitting.rim_frame.to_local(surface(fitting, "crown").reshape(-1, 3)).reshape(-1, 3, 3)
    middles = np.concatenate([corners.mean(axis=1), (corners + np.roll(corners, 1, axis=1)).reshape(-1, 3) / 2])
    insets = shapely.distance(outline.exterior, shapely.points(middles[:, :2]))
    away = np.hypot(reach - insets, middles[:, 2] + ball - 6) - ball
    assert np.abs(away).max() <= 0.0101


@pytest.mark.parametrize("name", SECTIONS)
@pytest.mark.parametrize("mitre, direction", [(0, 0), (30, 0), (55, 70)])
def test_gap_is_the_same_all_around_square_to_the_axis(name: str, mitre: int, direction: int):
    """Against shapely's distance from the bore, on mitred ends too."""
    section = SECTIONS[name]
    fitting = design(replace(PLAIN, gap_mm=0.35), section, mitre_deg=mitre, mitre_direction_deg=direction)
    side = surface(fitting, "spigot").reshape(-1, 3)
    middles = surface(fitting, "spigot").mean(axis=1)
    bore = polygon(section.bore).exterior
    # At corners that stay sharp inward the mitred corner is farther from the bore's corner than from its sides.
    gaps = shapely.distance(bore, shapely.points(np.concatenate([side, middles])[:, :2]))
    assert gaps.min() == pytest.approx(0.35, abs=2e-3)
    assert gaps.max() <= 0.35 + 0.011 + (0.35 * (math.sqrt(2) - 1) if name in ("angle", "tee") else 0)


@pytest.mark.parametrize("name", SECTIONS)
@pytest.mark.parametrize("mitre, direction", [(30, 0), (45, 130), (60, 270)])
def test_mitred_spigot_is_as_much_plastic_as_the_square_one(name: str, mitre: int, direction: int):
    """A shear keeps volumes (Cavalieri); what lies inside the tube, cut off by the kernel at the rim's plane."""
    square, mitred = (
        design(
            recipe_with(PLAIN, crown="flat", groove_roof="square"),
            SECTIONS[name],
            mitre_deg=degrees,
            mitre_direction_deg=direction,
        )
        for degrees in (0, mitre)
    )
    inside = [
        fitting.solid.trim_by_plane(tuple(-mitre_normal(fitting.mitre_deg, direction)), 0.0).volume()
        for fitting in (square, mitred)
    ]
    assert inside[1] == pytest.approx(inside[0], rel=1e-6)


@pytest.mark.parametrize("name", SECTIONS)
def test_mitred_crown_stands_on_the_rim_and_the_spigot_reaches_its_length_everywhere(name: str):
    normal = mitre_normal(50, 35)
    fitting = design(PLAIN, SECTIONS[name], mitre_deg=50, mitre_direction_deg=35)
    assert np.abs(surface(fitting, "shoulder") @ normal).max() < 1e-9
    assert (surface(fitting, "crown") @ normal).min() > -1e-9
    assert (surface(fitting, "crown") @ normal).max() == pytest.approx(fitting.recipe.rise_mm, abs=1e-3)
    assert (surface(fitting, "spigot") @ normal).max() < 1e-9
    tip = surface(fitting, "tip").reshape(-1, 3)
    along_axis = (tip @ normal) / normal[2]
    assert along_axis == pytest.approx(-8, abs=1e-5)


@pytest.mark.parametrize("mitre, direction", [(0, 0), (45, 200)])
def test_mitred_crown_covers_the_rim_as_the_tube_is_cut(mitre: int, direction: int):
    """The shoulder's outer edge, along the axis, is the tube's outside: as the plane cuts the tube."""
    fitting = design(PLAIN, SECTIONS["rectangular"], mitre_deg=mitre, mitre_direction_deg=direction)
    outside = polygon(SECTIONS["rectangular"].outer).exterior
    points = surface(fitting, "shoulder").reshape(-1, 3)[:, :2]
    on_edge = shapely.distance(outside, shapely.points(points)) < 1e-3
    edge = shapely.convex_hull(shapely.multipoints(points[on_edge]))
    assert edge.symmetric_difference(shapely.Polygon(outside)).area < 0.02 * outside.length


@pytest.mark.parametrize("lip", [-1.5, 3.0])
def test_lip_moves_the_crown_in_the_plane_of_the_rim(lip: float):
    fitting = design(replace(PLAIN, lip_mm=lip), Section.round(50, 3), mitre_deg=60)
    size = np.ptp(fitting.rim_frame.to_local(surface(fitting, "crown").reshape(-1, 3)), axis=0)
    assert size[:2] == pytest.approx([50 / math.cos(math.radians(60)) + 2 * lip, 50 + 2 * lip], abs=0.01)


@pytest.mark.parametrize("mitre", [0, 45])
def test_standing_has_the_shoulder_level_the_crown_up_and_the_tip_on_the_plate(mitre: int):
    fitting = design(PLAIN, SECTIONS["rectangular"], mitre_deg=mitre, mitre_direction_deg=30)
    standing = fitting.standing()
    shoulder = standing.corners[fitting.surfaces == fitting.surface_names.index("shoulder"), :, 2]
    assert np.ptp(shoulder) < 1e-9
    assert standing.bounds[0, 2] == 0
    assert standing.bounds[1, 2] == pytest.approx(shoulder.mean() + fitting.recipe.rise_mm, abs=1e-3)
    assert standing.volume == pytest.approx(fitting.mesh.volume, rel=1e-12)
    square = design(PLAIN, SECTIONS["rectangular"]).standing()
    assert square.size[2] == pytest.approx(8 + 15)


def test_bore_off_the_middle_takes_the_spigot_with_it():
    outer, bore = Outline.circle(40), replace(Outline.circle(34), centre=(0.8, -0.5))
    fitting = design(PLAIN, Section(outer, bore))
    assert_sound(fitting)
    tip = surface(fitting, "tip").reshape(-1, 3)
    assert (tip.min(axis=0) + tip.max(axis=0))[:2] / 2 == pytest.approx([0.8, -0.5], abs=1e-9)
    crown = surface(fitting, "crown").reshape(-1, 3)
    assert (crown.min(axis=0) + crown.max(axis=0))[:2] == pytest.approx([0, 0], abs=1e-9)


@pytest.mark.parametrize("mitre, direction", [(0, 0), (30, 0), (55, 70)])
def test_points_of_the_upright_spigot_are_found_where_the_fitting_stands(mitre: int, direction: int):
    """A length along the axis is its cosine high, a section is longer by it along the lean: closed forms."""
    fitting = design(PLAIN, SECTIONS["rectangular"], mitre_deg=mitre, mitre_direction_deg=direction, facets=32)
    cosine = math.cos(math.radians(mitre))
    assert fitting.shoulder_mm == pytest.approx(8 * cosine)
    assert fitting.standing().bounds[0, 2] == 0
    towards = np.array([math.cos(math.radians(direction)), math.sin(math.radians(direction))])
    plan = np.stack([-5 * towards, 5 * towards, 5 * towards[::-1] * (-1, 1)])
    rim = fitting.standing_points(np.column_stack([plan, np.zeros(3)]))
    tip = fitting.standing_points(np.column_stack([plan, np.full(3, -8.0)]))
    assert rim[:, 2] == pytest.approx(fitting.shoulder_mm)
    assert tip[:, 2] == pytest.approx(0, abs=1e-9)
    assert np.linalg.norm(rim[1] - rim[0]) == pytest.approx(10 / cosine)
    assert np.linalg.norm(rim[2]) ** 2 == pytest.approx(5**2 + fitting.shoulder_mm**2)
    outline = shapely.Polygon(fitting.standing_points(bore_rim(fitting))[:, :2])
    shoulder = fitting.rim_frame.to_local(surface(fitting, "shoulder").reshape(-1, 3))[:, :2]
    away = shapely.distance(outline.exterior, shapely.points(shoulder))
    assert (away < 1e-6).sum() >= len(outline.exterior.coords) - 1


def bore_rim(fitting: Fitting) -> np.ndarray:
    """(n, 3): the spigot's outline at the rim, as for a square-cut end."""
    outline = fitting.profile.spigot_outline.polygon(32)
    return np.column_stack([outline, np.zeros(len(outline))])
