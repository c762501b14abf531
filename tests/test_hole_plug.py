# SPDX-License-Identifier: GPL-3.0-or-later
"""Hole plugs on tubes that gmsh's B-rep kernel drilled: seats against the true cylinder and plane, nothing shared with
the tube but ribs, barbs behind the wall, and a job from its file to result.json."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
import trimesh
from manifold3d import CrossSection, Manifold
from weldments import Shape, cut, cylinder, tessellated, tube

from addon.families.circumstances import Circumstances
from addon.families.hole_plug import HOLE_PLUG, HolePlace, HolePlug, PlugRecipe, design, mouths_of
from addon.families.hole_plug.wall import HoleMouth
from addon.fields.refusals import RecipeError
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Outline
from addon.job.asked import TubeFacts
from addon.job.jobfile import parse_job
from addon.job.running import run
from addon.review import review
from addon.takeoff import take_off
from addon.takeoff.bodies import split_bodies
from addon.trade.processes import process_named, processes
from addon.trade.tolerances import standard_tolerance

SQUARE = Shape("rectangle", 40, 40, 6), Shape("rectangle", 34, 34, 3)
ROUND = Shape("circle", 25.4, 25.4), Shape("circle", 19.05, 19.05)
PIPE = Shape("circle", 48.3, 48.3), Shape("circle", 41.9, 41.9)
PROCESS = process_named("Everyday, 0.2 mm layers")
KNOWN = Circumstances(PROCESS, None, TubeFacts())
DRILL = 4.5


@lru_cache
def mouths(
    gmsh, shapes, diameter=2 * DRILL, walls=1, lean=0.0, aside=0.0, cone=None, facets=24, towards=0.0
) -> tuple[Mesh, list]:
    """A tube along z with a hole along y, its mesh and the mouths that the takeoff finds. It leans by ``lean`` degrees
    in a plane turned by ``towards`` from that of the tube's axis. ``cone`` is the radius of a countersink of 90°
    where its axis leaves the tube."""

    def build():
        axis = leaning(lean, towards)
        start = np.array([aside, 0.0, 100.0]) - (100 * axis if walls == 2 else 0)
        tools = [cylinder(gmsh, tuple(start), tuple(axis * 100 * walls), diameter / 2)]
        if cone:
            out, deep = np.array([0.0, shapes[0].depth / 2, 100.0]), cone - diameter / 2
            tools[0] = cylinder(gmsh, tuple(out - 20 * axis), tuple(40 * axis), diameter / 2)
            bottom, high = out - deep * axis, (deep + 6) * axis
            tools.append(gmsh.model.occ.addCone(*bottom, *high, diameter / 2, cone + 6))
        return cut(gmsh, tube(gmsh, *shapes, 200.0), *tools)

    mesh = tessellated(gmsh, build, "long", "post", facets)
    return mesh, list(mouths_of(take_off([mesh], 8.0)))


def leaning(lean: float, towards: float) -> np.ndarray:
    """(3,): the axis of such a hole; angles in degrees."""
    lean, towards = math.radians(lean), math.radians(towards)
    return np.array([math.sin(lean) * math.sin(towards), math.cos(lean), math.sin(lean) * math.cos(towards)])


def outside(shapes, points: np.ndarray) -> np.ndarray:
    """(...): how far points (..., 3) are from a tube along z; a round one is all corner."""
    half, corner = shapes[0].width / 2, 6.0 if shapes is SQUARE else shapes[0].width / 2
    past = np.abs(points[..., :2]) - (half - corner)
    return np.hypot(*np.moveaxis(np.maximum(past, 0), -1, 0)) + np.minimum(past.max(axis=-1), 0) - corner


def made(site: HoleMouth, **asked) -> HolePlug:
    return design(PlugRecipe(**asked), HolePlace.of(site, site.section), KNOWN)


def true_tube(shapes, diameter: float, cone: float | None = None) -> Manifold:
    """The wall around the hole in the plug's frame, of 512 facets: the tube along x, the hole along z."""
    outer, bore = (
        Manifold.cylinder(400, shape.width / 2, circular_segments=512, center=True).rotate((0, 90, 0))
        if shape.kind == "circle"
        else Manifold.cube((400, shape.width, shape.depth), center=True)
        for shape in shapes
    )
    drill = Manifold.cylinder(shapes[0].depth, diameter / 2, circular_segments=512)
    wall = (outer - bore - drill).translate((0, 0, -shapes[0].depth / 2))
    if cone:
        deep = cone - diameter / 2
        wall -= Manifold.cylinder(deep + 2, diameter / 2, cone + 2, 512).translate((0, 0, -deep))
    return wall


def seat_triangles(plug: HolePlug) -> np.ndarray:
    return plug.mesh.corners[plug.has("seat")]


@pytest.mark.parametrize(
    ("shapes", "head", "stem"),
    [
        (ROUND, "flat", "ribs"),
        (ROUND, "domed", "barbs"),
        (PIPE, "flat", "barbs"),
        (PIPE, "domed", "ribs"),
        (SQUARE, "flat", "ribs"),
        (SQUARE, "domed", "barbs"),
    ],
)
def test_a_plug_shares_nothing_with_its_tube_but_what_ribs_crush(gmsh, shapes, head, stem):
    _, (site,) = mouths(gmsh, shapes)
    plug = made(site, head=head, stem=stem)
    wall = true_tube(shapes, 2 * DRILL)
    assert len(plug.solid.decompose()) == 1 and plug.solid.status().name == "NoError"
    assert (plug.bare ^ wall).volume() < 0.01  # of some 500 mm³
    crushed = (plug.solid ^ wall).volume()
    if stem == "barbs":
        assert crushed < 0.01
    else:
        recipe = plug.recipe
        # Three ribs three quarters to all of their width wide, that stand so far past the hole, along the wall.
        past = recipe.rib_height_mm - recipe.gap_mm
        most = 3 * recipe.rib_width_mm * past * 5.5
        assert 0.2 * most < crushed < most


@pytest.mark.parametrize("shapes", [ROUND, PIPE], ids=["round", "pipe"])
def test_the_seat_follows_the_tube(gmsh, shapes):
    """Its distance from the tube's axis, against the radius; and its area, seen along the hole, against the head's."""
    _, (site,) = mouths(gmsh, shapes)
    plug = made(site)
    radius = shapes[0].width / 2
    corners = seat_triangles(plug)
    out = np.hypot(corners[..., 1], corners[..., 2] + radius)
    assert out.min() > radius - 1e-6
    on_tube = (out < radius + 0.005).all(axis=1)
    sides = corners[on_tube][..., :2]
    seen = abs(trimesh.triangles.cross(np.dstack([sides, np.zeros(sides.shape[:2])]))[:, 2]).sum() / 2
    # All but what no two beads reach past: the strips along the tube, and the room around the stem.
    half, edge = DRILL + plug.recipe.overlap_mm, 2.2 * PROCESS.bead_mm
    room = DRILL - plug.recipe.gap_mm + plug.recipe.rib_height_mm + 1.02 * PROCESS.bead_mm
    corner = (4 - math.pi) * 1.5**2
    assert seen == pytest.approx(4 * half * (half - edge) - math.pi * room**2, abs=corner + 0.3)


def test_on_a_flat_side_the_seat_is_flat(gmsh):
    _, (site,) = mouths(gmsh, SQUARE)
    plug = made(site)
    seat = seat_triangles(plug)
    assert np.abs(seat[..., 2]).max() < 1e-6
    area = trimesh.Trimesh(plug.mesh.vertices, plug.mesh.triangles[plug.has("seat")], process=False).area
    recipe, stem = plug.recipe, math.pi * (DRILL - plug.recipe.gap_mm) ** 2
    ribs = 3 * recipe.rib_height_mm * recipe.rib_width_mm * 0.875
    assert area == pytest.approx(math.pi * (DRILL + recipe.overlap_mm) ** 2 - stem - ribs, rel=2e-3)
    levels = {level.name: level.z_mm for level in plug.levels()}
    assert levels["seat"] == plug.recipe.head_mm and plug.way_up == "head down"


def test_a_head_as_wide_as_the_flat_is_not_called_hollow(gmsh):
    """7 mm off the middle of a side that is flat up to 14 mm: a head of up to 14 mm across lies on the flat, and is
    round, so that it does not matter how it is turned."""
    _, (site, _) = mouths(gmsh, SQUARE, aside=7.0, walls=2)
    narrow, wide = made(site), made(site, overlap_mm=3.0)
    assert not narrow.place.flat
    assert "Turn along the tube" not in [step.name for step in HolePlug.steps({"P1": narrow})]
    head = narrow.mesh.vertices[narrow.mesh.vertices[:, 2] > 0.1]
    assert np.hypot(head[:, 0], head[:, 1]).max() == pytest.approx(DRILL + 1.8, abs=0.01)
    assert np.abs(seat_triangles(narrow)[..., 2]).max() < 1e-6
    assert [level.name for level in narrow.levels()] == ["seat", "tip"] and len(narrow.drawing()) == 1
    (step,) = [step.said for step in HolePlug.steps({"P2": wide}) if step.name == "Turn along the tube"]
    assert "hollow" in step


def test_near_a_corner_the_head_follows_the_tube_or_stays_narrow(gmsh):
    """12 mm off the middle of a side that is flat up to 14 mm."""
    _, (site,) = mouths(gmsh, SQUARE, aside=12.0)
    plug = made(site, overlap_mm=1.8)
    seat = seat_triangles(plug).reshape(-1, 3)
    assert seat[:, 2].min() < -0.5  # it goes around the corner
    rounded = Outline.rectangle(40, 40, 6).cross_section(512).translate((-12.0, -20.0))
    body = Manifold.extrude(rounded, 100).translate((0, 0, -50))
    across = body.transform(np.array([[0, 0, 1, 0], [site.frame.y @ (1, 0, 0), 0, 0, 0], [0, 1, 0, 0.0]]))
    head = plug.bare.trim_by_plane((0, 0, -1), 0.0) - Manifold.cylinder(80, DRILL, center=True, circular_segments=512)
    assert head.volume() > 10 and (head ^ across).volume() < 0.05


@pytest.mark.parametrize("shapes", [ROUND, SQUARE], ids=["round", "square"])
def test_ribs_bite_in_every_hole_and_the_stem_goes_into_every_hole(gmsh, shapes):
    """A 9 mm drill makes holes up to 0.15 mm larger: IT12 for 6 to 10 mm, ISO 286-1 table 1, from memory."""
    _, (site,) = mouths(gmsh, shapes)
    plug = made(site)
    recipe, off = plug.recipe, PROCESS.tolerance_mm
    stem = DRILL - recipe.gap_mm
    assert stem + off <= DRILL - 0.1  # so large a print, with a coat of 0.1 mm in the hole
    assert stem + recipe.rib_height_mm - math.hypot(off, 0.15 / 2) >= DRILL
    ribs = plug.mesh.vertices[np.unique(plug.mesh.triangles[plug.has("rib")])]
    assert np.hypot(ribs[:, 0], ribs[:, 1]).max() == pytest.approx(stem + recipe.rib_height_mm, abs=0.02)


def test_drilled_holes_follow_the_standard():
    """ISO 286-1, table 1: IT12 and IT13, from memory; the table is rounded up from the formula."""
    for size, grade12, grade13 in ((4, 0.12, 0.18), (9, 0.15, 0.22), (12, 0.18, 0.27), (25, 0.21, 0.33)):
        assert standard_tolerance(size, 12) == pytest.approx(grade12, rel=0.06)
        assert standard_tolerance(size, 13) == pytest.approx(grade13, rel=0.06)


@pytest.mark.parametrize("shapes", [ROUND, PIPE, SQUARE], ids=["round", "pipe", "square"])
def test_barbs_reach_behind_the_wall_at_hand(gmsh, shapes):
    _, (site,) = mouths(gmsh, shapes)
    plug = made(site, stem="barbs")
    recipe, wall = plug.recipe, (shapes[0].width - shapes[1].width) / 2
    solid = trimesh.Trimesh(plug.mesh.vertices, plug.mesh.triangles)
    within = solid.section((0, 0, 1), (0, 0, -wall / 2))
    assert np.hypot(*within.vertices[:, :2].T).max() < DRILL
    barbs = plug.mesh.vertices[np.unique(plug.mesh.triangles[plug.has("barb")])]
    wide = barbs[np.hypot(barbs[:, 0], barbs[:, 1]) > DRILL]
    assert np.hypot(wide[:, 0], wide[:, 1]).max() == pytest.approx(DRILL + recipe.barb_mm, abs=0.02)
    # Behind the wall where the barb is, and no more than the play deeper where its catching face begins.
    inside = np.array([0.0]) if shapes[0].kind == "rectangle" else np.sqrt((shapes[1].width / 2) ** 2 - wide[:, 1] ** 2)
    depth = wall if shapes[0].kind == "rectangle" else shapes[0].width / 2 - inside
    assert (-wide[:, 2] >= depth - 1e-6).all()
    assert (-wide[:, 2]).min() < np.max(depth) + 0.1 + 1.2 * recipe.barb_mm + 0.02
    assert {np.sign(x) for x in wide[:, 0]} == {-1.0, 1.0}
    # A cantilever's largest strain, 3 t d / 2 L² (any handbook of beams), from the legs' roots to the wall's inside.
    root = recipe.head_mm - 0.8 * recipe.leg_mm
    # Printed plastic bears 3 % across its layers once: common practice, no source; the rest is what rounding adds.
    assert 1.5 * recipe.leg_mm * recipe.barb_mm / (root + wall) ** 2 <= 0.0315


@pytest.mark.parametrize("shapes", [ROUND, SQUARE], ids=["round", "square"])
def test_a_countersunk_hole_gets_a_flush_head(gmsh, shapes):
    _, (site,) = mouths(gmsh, shapes, 6.0, cone=4.5)
    plug = made(site)
    assert (plug.recipe.head, plug.title) == ("flush", "flush plug")
    wall = true_tube(shapes, 6.0, 4.5)
    assert (plug.bare ^ wall).volume() < 0.02
    vertices, radius = plug.mesh.vertices, shapes[0].width / 2
    if shapes[0].kind == "circle":
        assert np.hypot(vertices[:, 1], vertices[:, 2] + radius).max() < radius + 0.005
        assert plug.way_up == "head up"
    else:
        assert vertices[:, 2].max() == pytest.approx(0, abs=1e-9)
        assert plug.way_up == "head down"
    # The cone lies on the countersink: seen along the axis all of it, from the stem outward.
    seat = seat_triangles(plug)
    out = np.hypot(seat[..., 0], seat[..., 1])
    assert np.abs(out - seat[..., 2] - 4.5)[out > 3.0].max() < 0.05
    plain = made(site, head="flat")
    assert plain.recipe.overlap_mm and np.ptp(plain.mesh.vertices[:, 0]) / 2 > 4.5 + 1.5


def test_a_hole_through_both_walls_takes_two_plugs(gmsh):
    _, sites = mouths(gmsh, ROUND, walls=2)
    assert len(sites) == 2 and sites[0].hole is sites[1].hole
    assert sites[1].frame.z == pytest.approx(-sites[0].frame.z, abs=1e-5)
    first_side, second_side = (site.where.rsplit(", ", 1)[1] for site in sites)
    assert {first_side, second_side} <= {"top", "bottom", "front", "back", "left", "right"} or "°" in first_side
    assert first_side != second_side
    first, second = (HolePlace.of(site, site.section) for site in sites)
    assert first.like(second)
    with pytest.raises(RecipeError, match="it would meet what is opposite") as refused:
        made(sites[0], stem_mm=30.0)
    deepest = made(sites[0], stem_mm=refused.value.works)
    placed = [Mesh(site.frame.to_world(deepest.mesh.vertices), deepest.mesh.triangles).to_manifold() for site in sites]
    assert (placed[0] ^ placed[1]).is_empty()


def test_plugs_are_alike_wherever_round_tube_is_drilled_and_on_all_flat_sides(gmsh):
    places = [
        HolePlace.of(site, site.section)
        for aside in (0.0, 3.0)
        for site in mouths(gmsh, SQUARE, aside=aside, walls=2)[1]
    ]
    assert all(place.flat and place.like(places[0]) for place in places)
    larger = replace(places[0], diameter_mm=9.04)
    assert larger.like(places[0]) and larger.tighter(places[0]).diameter_mm == places[0].diameter_mm
    assert not replace(places[0], diameter_mm=9.2).like(places[0])


def test_a_hole_of_an_inch_drill_is_listed_with_its_fraction(gmsh):
    """3/8 in is 9.525 mm by definition."""
    (site,) = mouths(gmsh, SQUARE, diameter=9.525)[1]
    plug = made(site)
    assert site.where.startswith("hole 9.53 mm (3/8 in), ")
    assert plug.place.words == "hole 9.53 mm (3/8 in)" and "for a hole of 9.53 mm (3/8 in), head" in plug.words


def _middle(solid: Manifold, height: float) -> tuple[np.ndarray, np.ndarray]:
    """The middle (2,) of a slice of the stem, and its greatest and least width (2,): second moments of its area."""
    lines = [CrossSection([line]) for line in solid.slice(height).to_polygons()]
    line = min(lines, key=lambda part: abs(part.area() - math.pi * (DRILL - 0.25) ** 2))
    x, y = line.to_polygons()[0].T
    x2, y2 = np.roll(x, -1), np.roll(y, -1)
    cross = x * y2 - x2 * y
    area = cross.sum() / 2
    middle = np.array([((x + x2) * cross).sum(), ((y + y2) * cross).sum()]) / (6 * area)
    xx, yy = (
        (a * a + a * b + b * b) @ cross / 12 / area - m * m for a, b, m in ((x, x2, middle[0]), (y, y2, middle[1]))
    )
    xy = (x * y2 + 2 * x * y + 2 * x2 * y2 + x2 * y) @ cross / 24 / area - middle[0] * middle[1]
    least, most = np.linalg.eigvalsh([[xx, xy], [xy, yy]])
    return middle, 4 * np.sqrt([most, least])


@pytest.mark.parametrize(
    ("shapes", "lean", "drilled", "alike"),
    [
        (ROUND, 5.0, {}, True),
        (ROUND, 44.0, {}, True),
        (PIPE, 20.0, {}, True),
        (SQUARE, 44.0, {}, True),
        (ROUND, 0.0, {"aside": 4.0}, True),
        (PIPE, 0.0, {"aside": 12.0}, True),
        (PIPE, 35.0, {"aside": 8.0}, True),
        (SQUARE, 20.0, {"towards": 90.0}, True),
        (SQUARE, 30.0, {"towards": -125.0}, False),
    ],
)
def test_the_stem_of_a_plug_follows_a_hole_whichever_way_it_leans(gmsh, shapes, lean, drilled, alike):
    """In the tube as gmsh drilled it, along the tube, across it, or off its centre: nothing shared but what ribs crush,
    the stem lies along the hole, and the head on the tube. Aslant near a corner, the two mouths of a hole are
    mirror images."""
    mesh, sites = mouths(gmsh, shapes, walls=2, lean=lean, facets=48, **drilled)
    tube = split_bodies([mesh])[0].to_manifold()
    first, second = (HolePlace.of(site, site.section) for site in sites)
    assert first.like(second) is alike
    plugs = [made(site) for site in sites]
    for site, plug in zip(sites, plugs, strict=True):
        x, y, _ = site.position
        out = np.array([x, y, 0]) if shapes is not SQUARE else np.array([0, y, 0])
        leans = math.degrees(math.acos(site.mouth.axis @ out / np.linalg.norm(out)))
        assert plug.place.lean_deg == pytest.approx(leans, abs=0.01) and leans > 4
        placed = [solid.transform(site.frame.matrix[:3]) for solid in (plug.bare, plug.rigid.to_manifold(), plug.solid)]
        bare, rigid, whole = (float((solid ^ tube).volume()) for solid in placed)
        assert bare < 0.05 and rigid < 0.05 < 0.5 < whole
        assert len(plug.solid.decompose()) == 1
        # The seat, which the room around the stem goes through, against the tube's true outside.
        corners = site.frame.to_world(seat_triangles(plug).reshape(-1, 3))
        off = outside(shapes, corners)
        assert off.min() > -0.003 and np.sum(np.abs(off) < 0.005) > 20
        tip, below = (_middle(plug.bare, height) for height in (-4.0, -3.0))
        along = np.append(below[0] - tip[0], 1.0) @ site.frame.axes
        assert np.linalg.norm(np.cross(along, site.mouth.axis)) < 1e-4 * np.linalg.norm(along)
        wide, deep = tip[1]
        assert wide * math.cos(math.radians(leans)) == pytest.approx(deep, rel=2e-3)  # a circle, cut aslant
    assert (
        plugs[0].solid.transform(sites[0].frame.matrix[:3]) ^ plugs[1].solid.transform(sites[1].frame.matrix[:3])
    ).is_empty()


@pytest.mark.parametrize(
    ("towards", "aside", "captions"),
    [
        (90.0, 0.0, ["Section the way the hole leans"]),
        (55.0, 5.0, ["Section the way the hole leans"]),
        (55.0, 7.0, ["Section the way the hole leans", "Section across the tube"]),
        (90.0, 7.0, ["Section across the tube", "Section along the tube"]),
    ],
)
def test_the_drawing_of_a_leaning_plug_has_its_head_once(gmsh, towards, aside, captions):
    """On a flat side, beside a corner, and over one, where the hole leans aslant to the head's sides."""
    _, (site,) = mouths(gmsh, SQUARE, 6.0, lean=12.0, towards=towards, aside=aside)
    plug = made(site)
    views = plug.drawing()
    assert [view.caption for view in views] == captions
    across, high = (dimension for view in views for dimension in view.dimensions if dimension.name == "head")
    assert (across.margin, across.sign == "⌀", high.margin) == ("above", plug.on_flat, "left")
    assert across.mm[0] == pytest.approx(np.ptp(plug.mesh.vertices[:, 0]), abs=0.02)
    assert high.mm[0] == pytest.approx(plug.mesh.vertices[:, 2].max(), abs=1e-6)


@pytest.mark.parametrize(
    ("shapes", "towards", "lean"), [(PIPE, 0.0, 20.0), (PIPE, 90.0, 15.0), (PIPE, 50.0, 8.0), (SQUARE, 30.0, 20.0)]
)
def test_a_leaning_countersunk_hole_gets_a_head_over_its_rim(gmsh, shapes, towards, lean):
    """Against the rim of the countersink that gmsh cut: the head reaches past all of it, and ribs bite below it."""
    mesh, (site,) = mouths(gmsh, shapes, 6.0, lean=lean, towards=towards, cone=3.8)
    plug = made(site)
    assert (plug.recipe.head, plug.recipe.stem, site.mouth.countersink_deg) == (
        "flat",
        "ribs",
        pytest.approx(90, abs=0.5),
    )
    tube = split_bodies([mesh])[0].to_manifold()
    bare, whole = (solid.transform(site.frame.matrix[:3]) for solid in (plug.bare, plug.solid))
    assert float((bare ^ tube).volume()) < 0.05 < 0.3 < float((whole ^ tube).volume())
    # Points of the cone's surface near the hole's mouth that lie on the tube's outside.
    turns, heights = np.meshgrid(np.radians(np.arange(0, 360, 3.0)), np.linspace(-1.0, 8.0, 4000))
    radius = 3.8 + heights
    local = np.stack([radius * np.cos(turns), radius * np.sin(turns), heights], axis=-1)
    axis = leaning(lean, towards)
    first = np.cross(axis, (0, 0, 1)) / np.linalg.norm(np.cross(axis, (0, 0, 1)))
    world = local @ np.array([first, np.cross(axis, first), axis]) + (0.0, shapes[0].depth / 2, 100.0)
    rim = world[np.abs(outside(shapes, world)).argmin(axis=0), np.arange(turns.shape[1])]
    arms = np.cross(rim - (0.0, shapes[0].depth / 2, 100.0), axis)
    assert site.mouth.countersink_mm == pytest.approx(2 * np.linalg.norm(arms, axis=1).max(), abs=0.1)
    aside = np.abs(site.frame.to_local(rim)[:, :2])
    most = np.hypot(*aside.T).max() if plug.on_flat else aside.max()
    head = np.ptp(plug.mesh.vertices[:, 0]) / 2
    assert 1.5 < head - most < 3.5
    with pytest.raises(RecipeError, match="too thin to print; choose flat") as refused:
        made(site, head="flush")
    assert refused.value.works == "flat"


def test_a_side_is_flat_around_a_leaning_countersink_only_if_it_goes_past_all_of_the_rim(gmsh):
    """8 mm / cos 44° is 11.1 mm, nearer than 4 mm to the end of a flat of 14 mm."""
    _, (site,) = mouths(gmsh, SQUARE, 6.0, lean=44.0)
    wide = replace(site, mouth=replace(site.mouth, countersink_mm=16.0, countersink_deg=90.0))
    assert site.flat and not wide.flat


def test_a_countersink_that_leaves_no_hole_for_ribs_is_said(gmsh):
    _, (site,) = mouths(gmsh, SQUARE, 6.0, lean=15.0, towards=30.0, cone=3.8)
    thin = replace(HolePlace.of(site, site.section), wall_mm=2.2)
    with pytest.raises(
        RecipeError, match=r"the countersink leaves [\d.]+ mm of the hole for ribs, and they need 0\.8 mm"
    ):
        design(PlugRecipe(), thin, KNOWN)


def test_a_stem_leans_further_where_its_support_dissolves(gmsh):
    """45° is common practice, no source; the steeper one follows its hole within 0.01°."""
    _, (site, _) = mouths(gmsh, SQUARE, lean=55.0, walls=2)
    with pytest.raises(RecipeError, match="more than 45° needs support") as refused:
        made(site)
    assert "up to 60°" in refused.value.instead
    dissolved = next(process for process in processes() if process.support == "dissolved in a bath")
    plug = design(PlugRecipe(), HolePlace.of(site, site.section), replace(KNOWN, process=dissolved))
    tip, below = (_middle(plug.bare, height) for height in (-4.0, -3.0))
    along = np.append(below[0] - tip[0], 1.0) @ site.frame.axes
    assert np.linalg.norm(np.cross(along, site.mouth.axis)) < 1e-4 * np.linalg.norm(along)
    _, (steep, _) = mouths(gmsh, SQUARE, lean=62.0, walls=2)
    with pytest.raises(RecipeError, match="lean by up to 60°"):
        design(PlugRecipe(), HolePlace.of(steep, steep.section), replace(KNOWN, process=dissolved))


@pytest.mark.parametrize(
    ("shapes", "drilled", "said"),
    [
        (SQUARE, {"lean": 50.0}, "the hole leans by 50.0°; a stem that leans by more than 45°"),
        (ROUND, {"aside": 8.0}, "cuts the tube's sides away|falls away too steeply"),
        (ROUND, {"diameter": 19.2}, "cuts the tube's sides away|falls away too steeply"),
        (SQUARE, {"diameter": 1.9}, "too narrow for a printed stem"),
    ],
)
def test_holes_that_no_plug_suits_are_refused(gmsh, shapes, drilled, said):
    _, (site, *_) = mouths(gmsh, shapes, **drilled)
    with pytest.raises(RecipeError, match=said) as refused:
        made(site)
    assert (refused.value.field, refused.value.works) == ("section", None)
    assert "rubber plug" in refused.value.instead


@pytest.mark.parametrize(
    "asked",
    [
        {"head": "round"},
        {"head": "flush"},
        {"stem": "glue"},
        {"overlap_mm": 0.1},
        {"overlap_mm": 9.0},
        {"head_mm": 0.2},
        {"head_mm": 60.0},
        {"head": "domed", "head_mm": 0.7},
        {"edge_mm": 3.0},
        {"stem_mm": 0.5},
        {"stem_mm": 60.0},
        {"gap_mm": 4.0},
        {"lead_in_mm": 3.0},
        {"rib_count": 1},
        {"rib_count": 40},
        {"rib_height_mm": 0.1},
        {"rib_height_mm": 2.0},
        {"rib_width_mm": 0.1},
        {"rib_width_mm": 9.0},
        {"stem": "barbs", "overlap_mm": 0.6},
        {"stem": "barbs", "barb_mm": 0.05},
        {"stem": "barbs", "barb_mm": 2.0},
        {"stem": "barbs", "leg_mm": 0.2},
        {"stem": "barbs", "leg_mm": 4.0},
        {"stem": "barbs", "leg_mm": 2.4, "head_mm": 2.4},
        {"stem": "barbs", "stem_mm": 2.0},
    ],
    ids=str,
)
@pytest.mark.parametrize("shapes", [ROUND, SQUARE], ids=["round", "square"])
def test_a_refusal_names_a_value_that_works(gmsh, shapes, asked):
    _, (site,) = mouths(gmsh, shapes)
    recipe, tried = PlugRecipe(**asked), 0
    has_room = shapes is SQUARE and asked == {"overlap_mm": 9.0}
    while tried < 4:
        try:
            plug = design(recipe, HolePlace.of(site, site.section), KNOWN)
            break
        except RecipeError as error:
            assert error.works is not None and getattr(recipe, error.field) != error.works
            recipe, tried = replace(recipe, **{error.field: error.works}), tried + 1
    assert tried == (0 if has_room else 1) and plug.solid.volume() > 0


@pytest.mark.parametrize(
    ("shapes", "head", "stem"),
    [
        (ROUND, "flat", "ribs"),
        (ROUND, "domed", "barbs"),
        (ROUND, "flush", "ribs"),
        (PIPE, "flat", "barbs"),
        (PIPE, "domed", "ribs"),
        (SQUARE, "flat", "barbs"),
        (SQUARE, "domed", "ribs"),
        (SQUARE, "flush", "ribs"),
    ],
)
def test_a_plug_prints_as_it_stands(gmsh, shapes, head, stem):
    """The review has nothing to fix on it and nothing that calls for support."""
    flush = head == "flush"
    _, (site,) = mouths(gmsh, shapes, 6.0 if flush else 9.0, cone=4.5 if flush else None)
    plug = made(site, head=head, stem=stem)
    found = review(plug.standing(), PROCESS, levels=plug.levels(), seen_name="head").findings
    assert [finding.check for finding in found if finding.severity != "good to know"] == []
    assert not [finding for finding in found if finding.check in ("overhang", "bridge", "island")]


@pytest.mark.parametrize("facets", [8, 64])
def test_a_job_makes_plugs_for_every_hole(gmsh, tmp_path: Path, facets):
    """From the job file to the sheet, on a tube whose holes have few facets or many."""
    mesh, _ = mouths(gmsh, ROUND, walls=2, facets=facets)
    tables = {"assembly": {"files": ["post.stl"]}, "fitting": {"make": False}, "hole_plug": {"make": True}}
    job = parse_job(tables, tmp_path, "post")
    result = run(job, [mesh], True, lambda what, share: None)
    assert [finding.check for finding in result.findings if finding.severity != "good to know"] == []
    (plug,) = result.made
    assert (plug.batch.family, plug.count, len(plug.batch.sites)) == (HOLE_PLUG, 2, 2)
    out = tmp_path / "ferrule_out"
    said = json.loads((out / "result.json").read_text("utf-8"))
    fitting = said["fittings"][0]
    assert (fitting["family"], fitting["up"], fitting["head"], fitting["stem"]) == (
        "hole plug",
        "head down",
        "flat",
        "ribs",
    )
    assert [hole["fitting"] for hole in said["holes"]] == ["F1"]
    (row,) = csv.DictReader(io.StringIO((out / "post fittings.csv").read_text("utf-8-sig"), newline=""))
    assert (row["family"], row["hole_mm"], row["overlap_mm"], row["stem_gap_mm"]) == ("hole plug", "9", "1.8", "0.25")
    sheet = (out / "post job sheet.html").read_text("utf-8")
    for words in (
        "flat plug for a hole of 9 mm",
        "Hole, diameter",
        "8.8 to 9.1",
        "Deburr.",
        "find out what it is for before you plug it",
    ):
        assert words in sheet
    with pytest.raises(ValueError, match=r"hole_plug\.hed is not a known key; did you mean head"):
        parse_job({**tables, "hole_plug": {"hed": "flat"}}, tmp_path, "post")
