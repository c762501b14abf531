# SPDX-License-Identifier: GPL-3.0-or-later
"""Vent, seam relief, ribs, holes and hollow: what each does, measured on the solid by cuts through it."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import shapely
from fitting_cases import SECTIONS, assert_sound, free, surface
from manifold3d import Manifold, OpType
from recipes import recipe_of, recipe_with

from addon.families.cap import Recipe, design
from addon.families.fitting import Fitting
from addon.fields.refusals import RecipeError
from addon.geometry.sections import Section
from addon.shaping.contours import Contour, Fineness
from addon.shaping.shells import in_one_piece, surface_id, surface_indices
from addon.trade.hardware import NUT_POCKET_GAP_MM, thread_named

PLAIN = recipe_of(gap_mm=0.2, groove_depth_mm=0.8)
INCH = Section.round(25.4, 3.175)
SPIGOT_RADIUS = 25.4 / 2 - 3.175 - 0.2


def layer(fitting: Fitting, z: float) -> shapely.Geometry:
    """The cut through a square-cut end's fitting at a height."""
    loops = [shapely.Polygon(loop) for loop in fitting.solid.slice(z).to_polygons()]
    whole = shapely.Polygon()
    for loop in sorted(loops, key=lambda loop: -loop.area):
        whole = whole.symmetric_difference(loop)
    return whole


def pipe(points: np.ndarray, width: float) -> Manifold:
    """A square rod along a way, to see whether air gets through."""
    rods = []
    for start, end in pairwise(points):
        corners = np.array([(x, y, z) for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)]) * width / 2
        rods.append(Manifold.hull_points(np.concatenate([start + corners, end + corners])))
    return Manifold.batch_boolean(rods, OpType.Add)


@pytest.mark.parametrize("name", SECTIONS)
@pytest.mark.parametrize("mitre", [0, 40])
@pytest.mark.parametrize("crown", ["dome", "flat"])
def test_air_gets_out_through_the_channel_and_not_without(name: str, mitre: int, crown: str):
    """A rod from under the tip up the spigot's side, through the shoulder's underside to the outside."""
    section = SECTIONS[name]
    recipe = recipe_with(PLAIN, crown=crown, vent="channel", vent_width_mm=2.0, vent_depth_mm=1.0, seam_angle_deg=90)
    fitting = design(recipe, section, mitre_deg=mitre, facets=64)
    assert_sound(fitting)
    # Opposite the seam: the ray from the spigot's middle along -y.
    bore = shapely.Polygon(section.bore.polygon())
    middle = Contour(section.bore, Fineness(None, 0.01)).moved(-0.2).deepest
    ray = shapely.LineString([middle, middle - (0, 100)]).intersection(bore)
    side = np.array(ray.coords)[-1] + (0, 0.2)
    slope = -math.tan(math.radians(mitre)) * side[0]
    inside, outside = side + np.array([0, 0.5]), side - np.array([0, 60])
    way = np.array([(*inside, slope - 12), (*inside, slope + 0.25), (*outside, slope + 0.25)])
    rod = pipe(way, 0.3)
    assert (fitting.solid ^ rod).volume() < 1e-6
    closed = design(recipe_with(recipe, vent="none"), section, mitre_deg=mitre, facets=64)
    assert (closed.solid ^ rod).volume() > 0.1


@pytest.mark.parametrize("crown, rise", [("dome", None), ("peaked", 4.0), ("low dome", 2.0), ("flat", 1.0)])
def test_channel_does_not_come_out_on_top(crown: str, rise: float | None):
    """Above the spigot's edge the crown stays closed, seen from above."""
    vented = design(recipe_with(PLAIN, crown=crown, rise_mm=rise, vent="channel", vent_depth_mm=1.5), INCH)
    covered = shapely.union_all([shapely.Polygon(loop) for loop in vented.solid.project().to_polygons()])
    for z in (vented.recipe.rise_mm * 0.3, 0.05):
        assert covered.contains(layer(vented, z).buffer(-1e-6))
    slot = surface(vented, "vent")
    inner = slot[np.hypot(*slot[..., :2].reshape(-1, 2).T).reshape(-1, 3).max(axis=1) < 25.4 / 2 - 3.175]
    # Over the spigot's edge the channel's roof is at most half way up the crown there.
    profile = vented.profile.crown
    above_edge = np.interp(3.175 + 0.2, profile[:, 0], profile[:, 1])
    assert inner[..., 2].max() <= above_edge / 2 + 1e-6


def test_vent_hole_goes_right_through_at_its_width():
    fitting = design(recipe_with(PLAIN, vent="hole", vent_width_mm=2.0), INCH)
    assert_sound(fitting, genus=1)
    for z in (-7.8, -4.0, 5.0):
        (hole,) = layer(fitting, z).interiors
        assert shapely.Polygon(hole).area == pytest.approx(math.pi, rel=0.01)
        assert hole.centroid.distance(shapely.Point(0, 0)) < 1e-6


@pytest.mark.parametrize("seam", [0.0, 37.0, -120.0])
def test_flat_lies_its_depth_inside_the_spigot_at_its_angle(seam: float):
    fitting = design(recipe_with(PLAIN, seam_relief="flat", seam_angle_deg=seam, seam_depth_mm=0.7), INCH)
    assert_sound(fitting)
    direction = np.array([math.cos(math.radians(seam)), math.sin(math.radians(seam))])
    for z in (-7.0, -1.0):
        points = np.array(layer(fitting, z).exterior.coords)
        assert (points @ direction).max() == pytest.approx(SPIGOT_RADIUS - 0.7, abs=1e-3)
        assert (points @ -direction).max() == pytest.approx(SPIGOT_RADIUS, abs=2e-3)
    # Source: a chord's segment has the area R²·acos((R − h)/R) − (R − h)·√(2Rh − h²), any geometry handbook.
    r, h = SPIGOT_RADIUS, 0.7
    segment = r**2 * math.acos((r - h) / r) - (r - h) * math.sqrt(2 * r * h - h**2)
    assert layer(fitting, -1.0).area == pytest.approx(math.pi * r**2 - segment, rel=1e-3)


def test_notch_is_as_wide_and_deep_as_asked_and_runs_from_tip_to_rim():
    fitting = design(
        recipe_with(PLAIN, seam_relief="notch", seam_angle_deg=90, seam_width_mm=4, seam_depth_mm=1.5), INCH
    )
    assert_sound(fitting)
    for z in (-7.4, -4.0, -0.01):
        cut = shapely.box(-1.99, SPIGOT_RADIUS - 1.49, 1.99, SPIGOT_RADIUS + 1)
        assert layer(fitting, z).intersection(cut).area < 1e-6
    lost = layer(design(PLAIN, INCH), -1.0).area - layer(fitting, -1.0).area
    sagitta = 5.5**3 / 12 / SPIGOT_RADIUS / 2
    # A trapezium, 4 mm wide at its floor and half a mm wider on each side for each mm out, less the arc's sagitta.
    assert lost == pytest.approx((4 + 5.5) / 2 * 1.5 - sagitta, rel=0.03)
    assert layer(fitting, 0.01).area == pytest.approx(layer(design(PLAIN, INCH), 0.01).area, rel=1e-6)


@pytest.mark.parametrize("name", ["round", "rectangular", "hexagon", "angle", "ellipse"])
@pytest.mark.parametrize("count", [3, 6])
def test_ribs_stand_their_height_past_the_spigot_all_along(name: str, count: int):
    recipe = recipe_with(
        PLAIN, fit="press", gap_mm=0.1, groove_count=1, rib_count=count, rib_height_mm=0.4, rib_width_mm=1.2
    )
    fitting = design(recipe, SECTIONS[name])
    assert_sound(fitting)
    spigot = shapely.Polygon(SECTIONS[name].bore.polygon()).buffer(-0.1, join_style="mitre")
    for z in (-0.3, -2.0, -5.8):
        past = layer(fitting, z).difference(spigot.buffer(0.02, join_style="mitre"))
        ribs = [part for part in getattr(past, "geoms", [past]) if part.area > 0.05]
        assert len(ribs) == count
        reached = [max(spigot.exterior.distance(shapely.Point(point)) for point in rib.exterior.coords) for rib in ribs]
        assert min(reached) == pytest.approx(0.4, abs=0.025)
        assert max(reached) <= 0.4 * math.sqrt(2) + 0.03  # at a corner, measured along its mitre
    # They cross the groove on its floor, so that nothing of them hangs.
    across = layer(fitting, -4.0)
    assert across.geom_type == "Polygon"
    outside = across.difference(spigot.buffer(-0.75, join_style="mitre"))
    assert outside.area == pytest.approx(count * (0.75 * 1.2 + 0.4 * 1.2 * 0.875), rel=0.1)
    # At the tip they begin with nothing, so that they find their way in.
    assert layer(fitting, -7.45).difference(spigot.buffer(0.02, join_style="mitre")).area < 0.01 * count


TEE_SLOT = np.array(
    [(-20, -20), (20, -20), (20, 20), (4, 20), (4, 14), (10, 14), (10, 2), (-10, 2), (-10, 14), (-4, 14), (-4, 20),
     (-20, 20)]
)  # fmt: skip


@pytest.mark.parametrize("facets", [48, None])
def test_a_notch_as_deep_as_a_groove_leaves_nothing_that_a_file_would_lose(facets: int | None):
    """Both floors fall into one plane."""
    recipe = recipe_of(gap_mm=0.3, groove_width_mm=1.9, groove_depth_mm=0.7, seam_relief="notch", seam_depth_mm=0.7)
    assert_sound(design(recipe, free(TEE_SLOT, 1.5), mitre_deg=45, mitre_direction_deg=37, facets=facets))


@pytest.mark.parametrize(
    "recipe, section",
    [
        (recipe_of(fit="press", seam_relief="notch", seam_width_mm=8, rib_count=4), INCH),
        (
            recipe_of(
                crown="flat", spigot_mm=20, fit="press", rib_count=4, rib_width_mm=0.5,
                seam_relief="notch", seam_angle_deg=137, seam_width_mm=2.8,
            ),
            Section.round(8, 1),
        ),
    ],
    ids=["one inch", "8 mm"],
)  # fmt: skip
def test_crumbs_of_ribs_beside_a_notch_are_not_printed(recipe: Recipe, section: Section):
    assert_sound(design(recipe, section))


def test_what_falls_into_pieces_is_refused():
    pair = Manifold.cube((1, 1, 1)) + Manifold.cube((1, 1, 0.5)).translate((3, 0, 0))
    with pytest.raises(RecipeError, match="seam relief the fitting would fall into pieces; choose none") as no:
        in_one_piece(pair, "seam_relief", "none")
    assert (no.value.field, no.value.works) == ("seam_relief", "none")


def test_through_hole_passes_its_bolt():
    fitting = design(recipe_with(PLAIN, crown="flat", hole="through", thread="M8"), INCH)
    assert_sound(fitting, genus=1)
    for z in (-7.8, -4.0, 2.0):
        (hole,) = layer(fitting, z).interiors
        assert shapely.Polygon(hole).area == pytest.approx(math.pi / 4 * 9**2, rel=3e-3)  # M8: 9 mm, ISO 273 medium
        assert hole.distance(shapely.Point(0, 0)) == pytest.approx(4.5, abs=0.01)


@pytest.mark.parametrize("crown, spigot", [("flat", 8.0), ("dome", 8.0)])
def test_nut_pocket_takes_the_nut_from_outside_and_leaves_it_something_to_bear_on(crown: str, spigot: float):
    """The foot presses up, the nut onto the pocket's floor."""
    recipe = recipe_with(PLAIN, crown=crown, hole="nut pocket", thread="M6", groove_count=0, spigot_mm=spigot)
    fitting = design(recipe, INCH)
    assert_sound(fitting, genus=1)
    nut = thread_named("M6")
    turn = np.arange(6) * np.pi / 3
    hexagon = shapely.Polygon(np.column_stack([np.cos(turn), np.sin(turn)]) * nut.nut_across_flats_mm / math.sqrt(3))
    walls = surface(fitting, "hole")
    floor = walls[np.hypot(*walls[..., :2].transpose(2, 0, 1)).max(axis=1) > nut.clearance_mm / 2 + 0.1][..., 2].min()
    for z in (floor + 0.05, floor + nut.nut_height_mm):
        (pocket,) = layer(fitting, z).interiors
        assert shapely.Polygon(pocket).contains(hexagon)
        assert shapely.Polygon(pocket).buffer(-0.25).within(hexagon)
    (below,) = layer(fitting, floor - 0.05).interiors
    assert shapely.Polygon(below).area == pytest.approx(math.pi / 4 * nut.clearance_mm**2, rel=3e-3)
    assert floor - -spigot >= 2.0


@pytest.mark.parametrize("section", [Section.round(33.7, 2.6), SECTIONS["rectangular"]], ids=["round", "rectangular"])
def test_nut_pocket_opens_at_the_crown_and_only_the_bolts_hole_reaches_the_tip(section: Section):
    """A foot that is loaded presses its nut towards the tip. Areas: M8's nut is 13 mm across flats and 6.8 high
    (ISO 4032), its hole 9 mm (ISO 273, medium); a hexagon s across flats has the area s²·√3/2."""
    recipe = recipe_with(
        PLAIN, crown="flat", rise_mm=4.0, edge="square", hole="nut pocket", spigot_mm=12, groove_count=0
    )
    fitting = design(recipe_with(recipe, thread="M8"), section)
    bolt = math.pi / 4 * 9**2
    hexagon = (13 + 2 * NUT_POCKET_GAP_MM) ** 2 * math.sqrt(3) / 2
    heights = np.arange(-11.99, 4, 0.02)
    areas = np.array([shapely.Polygon(layer(fitting, z).interiors[0]).area for z in heights])
    assert areas[heights > 4 - 6.8] == pytest.approx(hexagon, rel=1e-3)
    floor = heights[areas > (bolt + hexagon) / 2][0]
    assert 6.8 <= 4 - floor <= 6.8 + 1
    assert areas[heights < floor] == pytest.approx(bolt, rel=3e-3)
    assert floor - -12 >= 2


@pytest.mark.parametrize("crown", ["flat", "dome"])
def test_insert_bore_is_blind_and_as_deep_as_the_insert_all_around(crown: str):
    recipe = recipe_with(PLAIN, crown=crown, hole="insert", thread="M6", groove_count=0, spigot_mm=14)
    fitting = design(recipe, INCH)
    assert_sound(fitting, genus=0)
    insert = thread_named("M6")
    bore = surface(fitting, "hole")
    floor = bore[..., 2].min()
    side = bore[np.ptp(bore[..., 2], axis=1) > 1e-6]
    mouth = side[..., 2].max()
    assert mouth - floor >= insert.insert_depth_mm
    assert floor - -14 >= 1.0
    radii = np.hypot(*side[..., :2].reshape(-1, 2).T)
    assert radii == pytest.approx(insert.insert_bore_mm / 2, abs=0.01)


@pytest.mark.parametrize("name", SECTIONS)
def test_hollow_has_its_wall_and_a_floor_under_the_crown(name: str):
    recipe = replace(PLAIN, hollow_wall_mm=2.0)
    fitting = design(recipe, SECTIONS[name])
    assert_sound(fitting)
    spigot = shapely.Polygon(SECTIONS[name].bore.polygon()).buffer(-0.2, join_style="mitre")
    low = layer(fitting, -1.05)
    hollow = shapely.union_all([shapely.Polygon(ring) for ring in low.interiors])
    assert hollow.symmetric_difference(spigot.buffer(-2.0, join_style="mitre")).area < 0.02 * spigot.length
    assert not layer(fitting, -0.95).interiors
    ends = surface(fitting, "hollow")[..., 2]
    assert (ends.min(), ends.max()) == pytest.approx((-8, -1))


@pytest.mark.parametrize("mitre", [0, 35])
def test_everything_at_once(mitre: int):
    recipe = recipe_with(
        PLAIN, crown="flat", spigot_mm=20, groove_count=2, fit="press", gap_mm=0.1, rib_count=5, vent="channel",
        seam_relief="notch", hole="through", thread="M6", hollow_wall_mm=3.0,
    )  # fmt: skip
    fitting = design(recipe, Section.round(48.3, 3.68), mitre_deg=mitre, mitre_direction_deg=50)
    assert_sound(fitting, genus=1)
    assert set(np.unique(fitting.surfaces)) == set(range(len(fitting.surface_names)))


def test_a_surface_bears_its_name_whoever_else_names_surfaces():
    ids = np.array([surface_id(name) for name in ("bush", "strap", "bush")], np.int32)
    assert surface_indices(ids, ("strap", "saddle", "bush")).tolist() == [2, 0, 2]
    with pytest.raises(ValueError, match="none of strap, saddle"):
        surface_indices(ids, ("strap", "saddle"))


def test_surfaces_name_every_triangle_for_what_it_is():
    fitting = design(replace(PLAIN, hollow_wall_mm=2.0), INCH)
    normals = np.cross(
        fitting.mesh.corners[:, 1] - fitting.mesh.corners[:, 0], fitting.mesh.corners[:, 2] - fitting.mesh.corners[:, 0]
    )
    up = normals[:, 2] / np.linalg.norm(normals, axis=1)
    of = {name: fitting.surfaces == index for index, name in enumerate(fitting.surface_names)}
    assert (up[of["crown"]] > 0).all()
    assert up[of["shoulder"]] == pytest.approx(-1)
    assert up[of["tip"]] == pytest.approx(-1)
    assert up[of["spigot"]] == pytest.approx(0)
    assert up[of["lead-in"]] == pytest.approx(-math.sqrt(0.5), abs=1e-3)
    assert set(up[of["groove"]].round(3)) == {-0.707, 0.0, 1.0}
    assert set(up[of["hollow"]].round(6)) == {-1.0, 0.0}


def test_profile_is_what_was_designed():
    fitting = design(replace(PLAIN, lip_mm=1.0, rise_mm=6.0), INCH)
    assert fitting.profile.crown_outline.width == pytest.approx(27.4)
    assert fitting.profile.spigot_outline.width == pytest.approx(2 * SPIGOT_RADIUS)
    assert fitting.profile.crown[0] == pytest.approx((0, 0))
    assert fitting.profile.crown[-1] == pytest.approx((13.7, 6.0))
    assert fitting.profile.spigot[0] == pytest.approx((0.5, -8))
    assert fitting.profile.spigot[-1] == pytest.approx((0, 0))
    assert [tuple(point) for point in fitting.profile.spigot.round(6)] == [
        (0.5, -8), (0, -7.5), (0, -5.5), (0.8, -5.5), (0.8, -3.3), (0, -2.5), (0, 0),
    ]  # fmt: skip


def test_a_fitting_of_free_outlines_may_be_cut_like_any_other():
    section = SECTIONS["tee"]
    fitting = design(recipe_with(PLAIN, vent="channel", seam_relief="notch", seam_angle_deg=100), section)
    assert_sound(fitting)
    assert fitting.mesh.volume < design(PLAIN, section).mesh.volume
    assert layer(fitting, -1.0).area < layer(design(PLAIN, section), -1.0).area - 1


THIN_HOLE = {"vent": "hole", "vent_width_mm": 0.5}


@pytest.mark.parametrize(
    ("width", "holes", "radius"),
    [(150.0, THIN_HOLE, 0.25), (700.0, {"hole": "through"}, 2.25), (1000.0, THIN_HOLE, 0.25)],
)
def test_a_hole_goes_through_a_dome_however_wide(width: float, holes: dict, radius: float):
    """Its facets are narrower than what counts as one place in a solid so large. The hole's volume is that of a
    cylinder, less what its own 24 facets or more miss, as for a polygon inscribed in its circle."""
    section, rest = Section.round(width, 5.0), {"crown": "low dome", "groove_count": 0, "thread": "M4"}
    whole = design(recipe_of(**rest), section)
    holed = design(recipe_of(**rest, **holes), section)
    assert holed.solid.genus() == 1
    height = whole.recipe.spigot_mm + whole.recipe.rise_mm
    volume = math.pi * radius**2 * height
    inscribed = math.sin(2 * math.pi / 24) / (2 * math.pi / 24)
    assert inscribed * 0.999 < (whole.mesh.volume - holed.mesh.volume) / volume < 1.0


@pytest.mark.parametrize(
    ("width", "wall", "numbers"),
    [
        (
            59.34,
            2.98,
            {"spigot_mm": 20.85, "seam_depth_mm": 10.91, "seam_angle_deg": 9.5, "rib_count": 6, "lead_in_mm": 20.25},
        ),
        (
            11.5,
            2.6,
            {
                "spigot_mm": 8.5,
                "seam_depth_mm": 1.01,
                "seam_angle_deg": 218.2,
                "seam_width_mm": 3.2,
                "rib_count": 4,
                "lead_in_mm": 0.23,
            },
        ),
    ],
)
def test_no_corners_fall_together_where_a_deep_notch_meets_a_ring(width: float, wall: float, numbers: dict) -> None:
    recipe = recipe_of(fit="press", groove_count=0, seam_relief="notch", **numbers)
    fitting = design(recipe, Section.round(width, wall))
    assert_sound(fitting)
    vertices = fitting.mesh.vertices.astype(np.float32)
    assert len(np.unique(vertices, axis=0)) == len(vertices)


def test_the_step_for_nuts_names_their_threads_where_every_cap_has_one():
    recipe = recipe_with(PLAIN, crown="flat", hole="nut pocket", groove_count=0, spigot_mm=15.0)
    caps = {f"F{size}": design(recipe_with(recipe, thread=f"M{size}"), SECTIONS["round"]) for size in (5, 6)}
    said = {step.name: step.said for step in type(caps["F5"]).steps(caps)}
    assert said["Nuts"].endswith(": F5 (M5), F6 (M6).")
