# SPDX-License-Identifier: GPL-3.0-or-later
"""Drill guides against the holes as gmsh's B-rep kernel drilled them: axes within 0.02 mm and 0.05°, nothing shared
with the tube, walls as thick as asked for. Inside and outside are told apart by trimesh."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from functools import cache, reduce
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
import trimesh
from manifold3d import Manifold
from shapely import MultiPoint
from test_sleeves import KNOWN
from weldments import Floats, Shape, cut, cylinder, moved, rotation, tessellated, tube

from addon.bench.section_drawing import section_drawing
from addon.families.drill_guide import DrillGuide, GuidePlace, GuideRecipe, Pattern, design, patterns
from addon.families.drill_guide.bounds import LEAD_IN_MM, said_drill
from addon.families.drill_guide.sides import Blocker, Entry, Room, Side, usual_span
from addon.fields.refusals import RecipeError
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.asked import JobError
from addon.job.jobfile import job_text, parse_job
from addon.job.running import run
from addon.review import review_fitting
from addon.takeoff import Takeoff, take_off
from addon.takeoff.given_holes import GivenHole
from addon.trade.processes import Process

SQUARE = Shape("rectangle", 40, 40, 6), Shape("rectangle", 34, 34, 3)
FLAT = Shape("rectangle", 60, 30, 4), Shape("rectangle", 56, 26, 2)
ROUND = Shape("circle", 25.4, 25.4), Shape("circle", 19.05, 19.05)
PIPE = Shape("circle", 48.3, 48.3), Shape("circle", 42.3, 42.3)
LEAN = math.radians(25)
Drilled = list[tuple[tuple[float, float, float], tuple[float, float, float], float, int]]
"""Points on axes, directions, diameters, and through how many walls."""
NEAR_END: Drilled = [((0, 0, 30), (0, 1, 0), 6.6, 2), ((0, 0, 70), (0, 1, 0), 6.6, 2), ((0, 0, 70), (1, 0, 0), 4.0, 1)]
FAR: Drilled = [((0, 0, 250), (1, 0, 0), 6.6, 2), ((0, 0, 290), (1, 0, 0), 9.0, 1)]
LEANING: Drilled = [((0, 0, 60), (0, math.cos(LEAN), math.sin(LEAN)), 5.0, 2)]
CASES = {
    "square sleeve": (SQUARE, NEAR_END),
    "round sleeve": (ROUND, NEAR_END),
    "square saddle": (SQUARE, FAR),
    "round saddle": (ROUND, FAR),
    "flat saddle": (FLAT, [((-20, 0, 250), (0, 1, 0), 8.0, 1), ((18, 0, 270), (0, 1, 0), 8.0, 1)]),
    "leaning": (PIPE, LEANING),
}


def drilled(gmsh, shapes, holes: Drilled, length: float = 500.0, name: str = "post", seed: int | None = 3):
    """The mesh of a tube, and its holes' axes as gmsh has them: (point, direction, diameter) of each hole's wall."""

    def build():
        tools = []
        for point, axis, wide, walls in holes:
            way = 100 * np.array(axis)
            start = np.array(point) - (way if walls == 2 else 0)
            tools.append(cylinder(gmsh, tuple(start), tuple(way * walls), wide / 2))
        cut(gmsh, tube(gmsh, *shapes, length), *tools)

    mesh = tessellated(gmsh, build, name=name, facets=24)  # far fewer triangles where a round wall has a hole
    axes = kernel_axes(gmsh, {wide for *_, wide, _ in holes})
    if seed is None:
        return mesh, axes
    turn, shift = rotation(np.random.default_rng(seed)), np.array([700.0, 2000.0 * seed, 200.0])
    return moved(mesh, turn, shift), [(turn @ point + shift, turn @ way, wide) for point, way, wide in axes]


@cache
def of_case(gmsh, name: str) -> tuple[Mesh, list[tuple[Floats, Floats, float]], Takeoff]:
    """The mesh of one of the CASES, its holes' axes and what the takeoff finds in it."""
    mesh, axes = drilled(gmsh, *CASES[name])
    return mesh, axes, take_off([mesh], 8.0)


def kernel_axes(gmsh, diameters: set[float]) -> list[tuple[Floats, Floats, float]]:
    """Of the cylinders of these diameters in gmsh's model, by the normals and curvatures of its surfaces."""
    axes = []
    for _, face in gmsh.model.getEntities(2):
        if gmsh.model.getType(2, face) != "Cylinder":
            continue
        low, high = gmsh.model.getParametrizationBounds(2, face)
        middle = (low[1] + high[1]) / 2
        uv = [low[0] + 0.1, middle, low[0] + 1.3, middle]
        points = np.array(gmsh.model.getValue(2, face, uv)).reshape(-1, 3)
        normals = np.array(gmsh.model.getNormal(face, uv)).reshape(-1, 3)
        curved = max(gmsh.model.getPrincipalCurvatures(face, uv[:2])[:2], key=lambda pair: abs(pair[0]))
        radius = 1 / abs(float(curved[0]))
        if round(2 * radius, 6) not in diameters:
            continue
        way = np.cross(*normals)
        centres = [points[0] - side * radius * normals[0] for side in (1, -1)]
        centre = min(
            centres,
            key=lambda middle: abs(np.linalg.norm(np.cross(points[1] - middle, way)) / np.linalg.norm(way) - radius),
        )
        axes.append((centre, way / np.linalg.norm(way), 2 * radius))
    return axes


def guides(takeoff: Takeoff, recipe: GuideRecipe) -> list[tuple[Pattern, DrillGuide]]:
    return [(pattern, design(recipe, pattern.place(pattern.section), KNOWN)) for pattern in patterns(takeoff)]


def axis_of(points: Floats, near: Floats, way: Floats, radius: float) -> tuple[Floats, Floats]:
    """The axis of the round part of a bore: least squares of circles through its corners at both ends."""
    along = (points - near) @ way
    across = points - near - along[:, None] * way
    round_part = np.abs(np.linalg.norm(across, axis=1) - radius) < 0.05
    points, along = points[round_part], along[round_part]
    centres = []
    for end in (along.min(), along.max()):
        ring = points[np.abs(along - end) < 0.05]
        x = np.cross(way, [0.3, 0.5, 0.8])
        x /= np.linalg.norm(x)
        y = np.cross(way, x)
        u, v = (ring - near) @ x, (ring - near) @ y
        a, b, _ = np.linalg.lstsq(np.column_stack([2 * u, 2 * v, np.ones(len(u))]), u * u + v * v, rcond=None)[0]
        centres.append(near + a * x + b * y + end * way)
    return centres[0], (centres[1] - centres[0]) / np.linalg.norm(centres[1] - centres[0])


@pytest.mark.once
@pytest.mark.parametrize(
    ("case", "bush"),
    [*((case, "printed") for case in CASES), ("square sleeve", "steel"), ("round saddle", "steel")],
)
def test_bushes_lie_in_line_with_the_holes(gmsh, case, bush):
    _, axes, takeoff = of_case(gmsh, case)
    met = 0
    made = guides(takeoff, GuideRecipe(bush=bush))
    assert sum(pattern.count for pattern, _ in made) == len(CASES[case][1])
    for pattern, guide in made:
        assert ("sleeve" in case or case == "leaning") == (guide.recipe.style == "sleeve")
        placed = guide.mesh.placed(pattern.frame)
        points = placed.vertices[np.unique(placed.triangles[guide.has("bush")])]
        for entry in guide.plan.bushes:
            point, way = (
                pattern.frame.to_world(np.array(entry.entry.point)),
                np.array(entry.entry.axis) @ pattern.frame.axes,
            )
            mine = points[(points - point) @ way > entry.chip_mm - 0.01]
            (centre, along) = axis_of(mine, point, way, entry.bore_mm / 2)
            near = min(
                axes,
                key=lambda axis: (
                    np.linalg.norm(np.cross(axis[0] - point, axis[1])) + abs(axis[2] - entry.entry.diameter_mm)
                ),
            )
            assert np.linalg.norm(np.cross(near[0] - centre, near[1])) < 0.02
            assert np.degrees(np.arccos(min(abs(float(along @ near[1])), 1.0))) < 0.05
            met += 1
    assert met >= len(CASES[case][1])


@pytest.mark.once
@pytest.mark.parametrize(
    ("case", "clamp"),
    [
        *((case, "hose clamp") for case in ("square sleeve", "round sleeve", "flat saddle", "round saddle")),
        *((case, "screws") for case in ("square sleeve", "flat saddle", "round saddle")),
    ],
)
def test_a_guide_and_its_tube_share_nothing_and_it_prints(gmsh, case, clamp):
    mesh, _, takeoff = of_case(gmsh, case)
    welded = trimesh.Trimesh(mesh.vertices, mesh.triangles)
    body = Mesh(np.array(welded.vertices), np.array(welded.faces, np.int32)).to_manifold()
    for pattern in patterns(takeoff):
        place = pattern.place(pattern.section)
        if clamp == "screws" and case == "round saddle":
            with pytest.raises(RecipeError) as refused:
                design(GuideRecipe(clamp=clamp), place, KNOWN)
            assert (refused.value.field, refused.value.works) == ("clamp", "hose clamp")
            continue
        guide = design(GuideRecipe(clamp=clamp), place, KNOWN)
        # The stop lies on the rim, to the last digits.
        assert (guide.mesh.placed(pattern.frame).to_manifold() ^ body).volume() < 1e-5
        solid = trimesh.Trimesh(guide.mesh.vertices, guide.mesh.triangles, process=False)
        assert solid.is_watertight and solid.volume == pytest.approx(guide.solid.volume(), rel=1e-6)
        findings = review_fitting(guide, KNOWN.process, "F1", KNOWN.plastic).at_once
        assert not [finding for finding in findings if finding.severity == "must fix"]


@pytest.mark.parametrize(
    ("section", "lean"),
    [(Section.rectangular(40, 40, 3), 15), (Section.rectangular(40, 40, 3), 45), (Section.round(42.4, 3.2), 30)],
    ids=["square", "square, far", "round"],
)
def test_a_guide_for_a_hole_that_leans_prints_with_nothing_said(section, lean):
    """Its bores end in edges that run out, which nobody has to do anything about."""
    wall = (section.outer.cross_section(96) - section.bore.cross_section(96)).extrude(300)
    pin = Manifold.cylinder(60, 4.0, circular_segments=48).rotate([lean - 90, 0, 0]).translate([0, 0, 60])
    takeoff = take_off([Mesh.from_manifold(wall - pin, "rail")], 8.0)
    assert [hole.lean_deg for hole in takeoff.holes] == pytest.approx([lean], abs=0.1)
    ((_, guide),) = guides(takeoff, GuideRecipe())
    findings = review_fitting(guide, KNOWN.process, "F1", KNOWN.plastic).findings
    assert not [finding for finding in findings if finding.severity != "good to know"]


@pytest.mark.once
@pytest.mark.parametrize(
    ("size", "sides", "bush"),
    [("40 × 40 × 3", ("+y", "+y"), "steel"), ("NPS 1 1/2 Sch 40", (10.0, 40.0), "printed")],
)
def test_walls_around_bushes_are_as_thick_as_asked_for(size, sides, bush):
    """From points all over each bore straight into the plastic."""
    takeoff = Takeoff(())
    for distance, side in zip((25.0, 50.0), sides, strict=True):
        where = {"side": side} if isinstance(side, str) else {"angle_deg": side}
        takeoff = GivenHole(size, 7.0, distance, **where).added(takeoff, "carbon steel")
    (pattern,) = patterns(takeoff)
    guide = design(GuideRecipe(bush=bush, thickness_mm=3.5), pattern.place(pattern.section), KNOWN)
    corners = guide.mesh.vertices[guide.mesh.triangles[guide.has("bush")]]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    solid, tried = trimesh.Trimesh(guide.mesh.vertices, guide.mesh.triangles, process=False), 0
    for one in guide.plan.bushes:
        axis = np.array(one.entry.axis)
        height = (corners - np.array(one.entry.point)) @ axis
        beside = np.linalg.norm(np.cross(corners.mean(axis=1) - np.array(one.entry.point), axis), axis=1) < one.bore_mm
        side = (np.abs(normals @ axis) < 1e-6) & beside & (height.max(axis=1) > one.chip_mm + 0.1)
        for share in (0.05, 0.5, 0.95):
            mouth = one.reach_mm - LEAD_IN_MM
            along = (one.chip_mm + share * (mouth - one.chip_mm) - height[side].mean(axis=1))[:, None] * axis
            points = corners[side].mean(axis=1) + along - 3.49 * normals[side]
            assert solid.contains(points).all()
            tried += len(points)
    assert tried > 300


def test_equal_patterns_share_a_guide_and_mirrored_ones_are_left_and_right(gmsh):
    chiral: Drilled = [((0, 0, 30), (0, 1, 0), 6.6, 1), ((8, 0, 60), (0, 1, 0), 6.6, 1)]
    left, _ = drilled(gmsh, SQUARE, chiral, name="a")
    again, _ = drilled(gmsh, SQUARE, chiral, name="b", seed=8)
    right = moved(
        drilled(gmsh, SQUARE, chiral, name="c", seed=None)[0],
        rotation(np.random.default_rng(5)),
        np.array([0, -900.0, 0]),
        True,
    )
    plain, _ = drilled(gmsh, SQUARE, [((0, 0, 30), (0, 1, 0), 5.0, 1)], name="d", seed=11)
    found = patterns(take_off([left, again, right, plain], 8.0))
    assert {pattern.source: pattern.hand for pattern in found} == {"a": "L", "b": "L", "c": "R", "d": ""}
    first, second, third, fourth = (pattern.place(pattern.section) for pattern in found)
    assert first.like(second) and not first.like(third) and not first.like(fourth)
    guide = design(GuideRecipe(), replace(first, mark="F2"), KNOWN)
    assert guide.words.endswith(", L") and guide.has("mark").any()
    assert re.match(r"2 holes 6\.6 mm, 30 and 60 mm from the [a-z ]+ end, hole 1 through one wall, ", found[0].where)
    assert "on the middle line, hole 2 through one wall" in found[0].where and "8 mm off the" in found[0].where
    assert found[0].where.endswith(", L")


def test_a_pattern_is_found_again_from_the_tubes_other_end(gmsh):
    holes: Drilled = [((0, 0, 200), (0, 1, 0), 6.6, 1), ((0, 0, 240), (1, 0, 0), 9.0, 1)]
    mesh, _ = drilled(gmsh, ROUND, holes, 600.0)
    turned = moved(mesh, np.diag([1.0, -1.0, -1.0]), np.array([0.0, 500.0, 0.0]))
    first, second = patterns(take_off([mesh, Mesh(turned.vertices, turned.triangles, "other")], 8.0))
    assert not first.over and first.place(first.section).like(second.place(second.section))


@pytest.mark.parametrize("beyond", [False, True])
def test_a_saddles_foot_stands_where_nothing_is_attached(gmsh, beyond):
    """A rail crosses the tube 40 mm to one side of the hole."""
    mesh, _ = drilled(gmsh, SQUARE, [((0, 0, 245), (0, 1, 0), 6.6, 1)], seed=None)
    across = Mesh.from_manifold(Manifold.cube((400, 20, 20), True).translate((0, 30, 285 if beyond else 205)), "rail")
    (pattern,) = patterns(take_off([mesh, across], 8.0))
    assert (pattern.frame.z[2] < 0) == beyond and pattern.where.endswith("arrow to it" if beyond else "away from it")
    guide = design(GuideRecipe(), pattern.place(pattern.section), KNOWN)
    assert (guide.mesh.placed(pattern.frame).to_manifold() ^ across.to_manifold()).volume() == 0.0


def drilled_box(name: str, *holes: tuple[float, str], length: float = 500.0) -> Mesh:
    """A square tube along z with holes of 6.6 mm through both walls, so far from its first end, along x or y."""
    section = Section.rectangular(40, 40, 3)
    wall = (section.outer.cross_section(96) - section.bore.cross_section(96)).extrude(length)
    for height, axis in holes:
        pin = Manifold.cylinder(80, 3.3, circular_segments=32, center=True)
        wall -= pin.rotate((90, 0, 0) if axis == "y" else (0, 90, 0)).translate((0, 0, height))
    return Mesh.from_manifold(wall, name)


def block(low: tuple[float, float, float], size: tuple[float, float, float], name: str) -> Mesh:
    return Mesh.from_manifold(Manifold.cube(size).translate(low), name)


TOP, BOTTOM, RIGHT, LEFT = (
    block((-20, 20, 0), (40, 200, 500), "top"),
    block((-20, -220, 0), (40, 200, 500), "bottom"),
    block((20, -20, 0), (200, 40, 500), "right"),
    block((-220, -20, 0), (200, 40, 500), "left"),
)
CLOSED = [block((-20, -20, -5), (40, 40, 5), "foot"), block((-20, -20, 500), (40, 40, 5), "lid")]


@pytest.mark.parametrize(
    ("tube", "beside", "style", "bushes"),
    [
        (drilled_box("rail", (25, "y"), (50, "y")), [block((-20, 20, 60), (40, 300, 40), "post")], "saddle", 2),
        (drilled_box("rail", (25, "y"), (50, "y")), [block((-20, 20, 78), (40, 300, 40), "post")], "sleeve", 4),
        (drilled_box("rail", (60, "y"), length=150), [block((-20, 20, 20), (40, 200, 9), "gusset")], "sleeve", 2),
        (drilled_box("rail", (250, "y")), [*CLOSED, TOP], "saddle", 1),
        (drilled_box("rail", (250, "y")), [*CLOSED, BOTTOM], "saddle", 1),
        (drilled_box("rail", (250, "y")), [*CLOSED, LEFT], "saddle", 2),
        (drilled_box("rail", (250, "y")), [*CLOSED, RIGHT], "saddle", 2),
    ],
    ids=["one wall", "shorter", "other end", "below", "above", "right", "left"],
)
def test_a_guide_goes_on_where_nothing_is_in_its_way(tube, beside, style, bushes):
    """Nothing is shared with what is welded on beside the tube, by manifold3d."""
    for pattern, guide in guides(take_off([tube, *beside], 8.0), GuideRecipe()):
        placed = guide.mesh.placed(pattern.frame).to_manifold()
        assert sum((placed ^ body.to_manifold()).volume() for body in (tube, *beside)) < 1e-5
        assert (guide.recipe.style, len(guide.plan.bushes)) == (style, bushes)


def test_a_saddle_goes_on_round_tube_from_the_free_side():
    section = Section.round(42.4, 3.2)
    wall = (section.outer.cross_section(96) - section.bore.cross_section(96)).extrude(500)
    pin = Manifold.cylinder(80, 3.3, circular_segments=32, center=True).rotate((90, 0, 0)).translate((0, 0, 250))
    for side in (1, -1):
        rail = Mesh.from_manifold(Manifold.cube((400, 20, 500), True).translate((0, side * 40, 250)), "rail")
        ((pattern, guide),) = guides(take_off([Mesh.from_manifold(wall - pin, "post"), rail], 8.0), GuideRecipe())
        assert (guide.mesh.placed(pattern.frame).to_manifold() ^ rail.to_manifold()).volume() == 0.0
        assert guide.recipe.style == "saddle" and len(guide.plan.bushes) == 1


def test_where_no_guide_goes_on_the_part_in_the_way_is_named():
    """Posts stand on each side, 33 mm from a hole: a pilot's guide goes between them, not that for 6.6 mm; 15 mm from
    it, none does."""
    for near, works in ((33.0, "pilot"), (15.0, None)):
        posts = [
            block((x, y, z), size, f"post {z:g}")
            for z in (250 - near - 20, 250 + near)
            for x, y, size in ((-20, -220, (40, 440, 20)), (-220, -20, (440, 40, 20)))
        ]
        solid = Manifold.cube((40, 40, 500)).translate((-20, -20, 0))
        posts = [Mesh.from_manifold(post.to_manifold() - solid, post.name) for post in posts]
        takeoff = take_off([drilled_box("rail", (250, "y")), *CLOSED, *posts], 8.0)
        (pattern,) = patterns(takeoff)
        said = rf'"post .*" stands beside "rail" {near:g} mm past hole 1, which is 250 mm from the [a-z]+ end, and'
        with pytest.raises(RecipeError, match=said) as refused:
            design(GuideRecipe(), pattern.place(pattern.section), KNOWN)
        assert refused.value.works == works
        if works:
            guide = design(GuideRecipe(drill="pilot"), pattern.place(pattern.section), KNOWN)
            placed = guide.mesh.placed(pattern.frame).to_manifold()
            assert sum((placed ^ post.to_manifold()).volume() for post in posts) == 0.0
        else:
            assert "before what stands there is welded on" in str(refused.value.instead)


def test_screws_that_do_not_go_in_are_no_way_out_where_there_is_no_room():
    """Four holes all around: no saddle reaches them, and their bushes leave no side free for screws."""
    ways = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (-1.0, 0.0, 0.0), (0.0, -1.0, 0.0))
    entries = tuple(Entry(n, 6.6, (20 * x, 20 * y, -60.0), (x, y, 0.0)) for n, (x, y, _) in enumerate(ways, 1))
    side = Side((1.0, 0.0), Room())
    place = GuidePlace(
        Section.rectangular(40, 40, 3), entries, True, room=Room(-61.0, below=Blocker("post")), sides=(side,)
    )
    with pytest.raises(RecipeError, match='"post" stands beside the tube 1 mm past hole 1') as refused:
        design(GuideRecipe(), place, KNOWN)
    assert refused.value.field == "style" and "before what stands there is welded on" in str(refused.value.instead)
    with pytest.raises(RecipeError, match="leave no side free for screws") as refused:
        design(GuideRecipe(clamp="screws"), place, KNOWN)
    assert refused.value.works == "hose clamp"


def aside(body: Mesh, far: float) -> Mesh:
    return Mesh.from_manifold(body.to_manifold().translate((far, 0, 0)), f"{body.name} at {far:g}")


def said(pattern: Pattern) -> tuple[str, str]:
    """Up to the end that distances are measured from, and the arrow."""
    return pattern.where.split(" from ")[0], pattern.where.rsplit(", ", 1)[1]


def test_a_hole_that_no_guide_reaches_costs_the_others_none():
    """Posts all around one tube stand 25 mm to both sides of a hole; 75 mm on there is one more. The same two in the
    other tube are free."""
    ring = [
        block((x, y, z), size, f"post {x:g} {y:g} {z:g}")
        for z in (205, 275)
        for x, y, size in ((-20, 20, (40, 99, 20)), (-20, -119, (40, 99, 20)), (20, -20, (99, 40, 20)))
    ]
    ring += [block((-119, -20, z), (99, 40, 20), f"post {z:g}") for z in (205, 275)]
    tube = drilled_box("rail", (250, "y"), (325, "y"))
    bodies = [tube, *CLOSED, *ring, *(aside(body, 999.0) for body in (tube, *CLOSED))]
    blocked, beside, both = patterns(take_off(bodies, 8.0))
    assert [said(pattern)[0] for pattern in (blocked, beside)] == ["hole 6.6 mm, 250 mm", "hole 6.6 mm, 175 mm"]
    assert both.count == 2 and both.source != "rail"
    places = [pattern.place(pattern.section) for pattern in (blocked, beside, both)]
    assert not any(one.like(other) for one, other in combinations(places, 2))
    with pytest.raises(RecipeError, match='beside "rail" 25 mm past hole 1, which is 250 mm from the bottom end,'):
        design(GuideRecipe(), places[0], KNOWN)
    for pattern, place in zip((beside, both), places[1:], strict=True):
        placed = design(GuideRecipe(), place, KNOWN).mesh.placed(pattern.frame).to_manifold()
        assert sum((placed ^ body.to_manifold()).volume() for body in bodies) < 1e-5


def test_a_guide_for_more_holes_serves_fewer_only_where_it_goes_on():
    """Bearers on posts: one guide, turned so that its other bush is not where the post stands, serves all."""
    section = Section.rectangular(25.4, 50.8, 3.05)
    wall = (section.outer.cross_section(96) - section.bore.cross_section(96)).extrude(609.6)
    across = Manifold.cylinder(80, 4.76, circular_segments=32, center=True).rotate((90, 0, 0))
    into = Manifold.cylinder(40, 3.175, circular_segments=32).rotate((0, 90, 0))
    for pin, inches in ((across, (5, 13, 19)), (into, (2, 9, 16))):
        for height in inches:
            wall -= pin.translate((0, 0, 25.4 * height))
    posts = [block((-50.8, -300, 25.4 * height), (38.1, 600, 38.1), f"post {height}") for height in (3.25, 21.25)]
    bodies = [Mesh.from_manifold(wall, "bearer"), *posts]
    found = patterns(take_off(bodies, 8.0))
    assert sorted(pattern.count for pattern in found) == [1, 1, 2, 2]
    for pattern in found:
        place = reduce(GuidePlace.tighter, (one.own_place for one in found if one.own_place.like(pattern.own_place)))
        guide = design(GuideRecipe(), place, KNOWN)
        low, high = usual_span(place.entries)
        assert guide.top_mm - guide.bottom_mm < high - low + 3, "marks stand between the bushes"
        placed = guide.mesh.placed(pattern.frame).to_manifold()
        assert sum((placed ^ body.to_manifold()).volume() for body in bodies) < 1e-5


@pytest.mark.parametrize("order", [1, -1])
def test_one_direction_is_used_where_it_serves_all(order):
    """Below the holes of two posts stands a hook on different sides: the first one's guide has its foot away from it,
    and the other's too."""
    post, ways = drilled_box("post", (350, "x"), (426, "x")), [-170, 20][::order]
    hooks = [block((far, -10, 300), (150, 20, 20), f"hook {far:g}") for far in ways]
    bodies = [post, hooks[0], aside(post, 999.0), aside(hooks[1], 999.0)]
    first, second = patterns(take_off(bodies, 8.0))
    assert said(first) == said(second) == ("2 holes 6.6 mm, 74 and 150 mm", "arrow to it")
    assert first.own_place.like(second.own_place)


@pytest.mark.parametrize("length", [500.0, 800.0])
def test_the_guide_for_more_holes_serves_an_end_that_has_some_of_them(length):
    tube = drilled_box("stile", (60, "y"), (100, "y"), (length - 60, "y"), length=length)
    found = patterns(take_off([tube], 8.0))
    assert [pattern.count for pattern in found] == [2, 1]
    both, one = (pattern.place(pattern.section) for pattern in found)
    assert both.like(one) and one.like(both) and both.tighter(one).partial
    assert found[1].where.endswith(", only hole 1 of the guide") and "only" not in found[0].where
    guide = design(GuideRecipe(), both.tighter(one), KNOWN)
    body = tube.to_manifold()
    for pattern in found:
        assert (guide.mesh.placed(pattern.frame).to_manifold() ^ body).volume() < 1e-5
        points = [pattern.frame.to_world(np.array(entry.point)) for entry, _ in pattern.numbered]
        assert sorted({round(float(point[2])) for point in points}) in ([60, 100], [round(length) - 60])
    (step,) = (step for step in DrillGuide.steps({"F1": guide}) if step.name == "Some holes")
    assert "only hole" in step.said


def low_plate(height: float) -> Process:
    return replace(KNOWN.process, plate_mm=(240.0, 190.0, height))


@pytest.mark.parametrize(
    ("height", "holes", "drilled"),
    [
        (170.0, (30, 60, 115), [3]),
        (120.0, (30, 60, 115), [2, 1]),
        (80.0, (30, 60, 115), [1, 1, 1]),
        (110.0, (230, 260, 300), [2, 1]),
    ],
)
def test_a_guide_too_high_for_the_plate_is_made_as_two(tmp_path, height, holes, drilled):
    """One guide for as many holes as have room on the plate: from the end, or from one end of a row to the other."""
    tube = drilled_box("post", *((hole, "y") for hole in holes))
    tables = {"assembly": {"files": ["post.stl"]}, "fitting": {"make": False}, "drill_guide": {"make": True}}
    job = replace(parse_job(tables, tmp_path, "post"), process=low_plate(height))
    result = run(job, [tube], True, lambda what, share: None)
    assert [finding.check for finding in result.findings if finding.severity != "good to know"] == []
    assert sorted((site.count for made in result.made for site in made.batch.sites), reverse=True) == drilled
    assert all(np.ptp(made.fitting.standing().vertices[:, 2]) <= height for made in result.made)


def test_a_sleeve_too_high_for_the_plate_says_how_far_one_would_reach():
    known = replace(KNOWN, process=low_plate(110.0))
    place = place_of(replace(HOLE, distance_mm=115.0))
    assert design(GuideRecipe(), place, known).plan.recipe.style == "saddle"
    with pytest.raises(
        RecipeError, match=r"the plate has room for 110 mm, for holes up to [\d.]+ mm from the"
    ) as refused:
        design(GuideRecipe(style="sleeve"), place, known)
    assert (refused.value.field, refused.value.works) == ("style", "saddle")
    reach = float(re.search(r"up to ([\d.]+) mm from", str(refused.value))[1])
    within = design(GuideRecipe(style="sleeve"), place_of(replace(HOLE, distance_mm=reach - 0.2)), known)
    assert 109.0 < np.ptp(within.mesh.vertices[:, 2]) <= 110.0
    with pytest.raises(RecipeError, match="high; the plate has room for 25 mm") as refused:
        design(GuideRecipe(), place, replace(KNOWN, process=low_plate(25.0)))
    assert "choose a process whose plate has room for" in refused.value.instead


def test_holes_all_around_far_from_the_ends_take_several_saddles(gmsh):
    mesh, _ = drilled(gmsh, ROUND, [((0, 0, 250), (0, 1, 0), 6.0, 1), ((0, 0, 260), (0, -1, 0), 6.0, 1)])
    assert [pattern.count for pattern in patterns(take_off([mesh], 8.0))] == [1, 1]


def place_of(*holes: GivenHole):
    takeoff = Takeoff(())
    for hole in holes:
        takeoff = hole.added(takeoff, "carbon steel")
    (pattern,) = patterns(takeoff)
    return pattern.place(pattern.section)


@pytest.mark.once
@pytest.mark.parametrize("aside", [60.0, 500.0])
def test_a_sleeve_is_refused_for_what_stands_in_its_way(gmsh, aside):
    """A post beside the tube from 60 mm on, with the holes between it and the open end."""
    mesh, _ = drilled(gmsh, SQUARE, [((0, 0, z), (0, 1, 0), 6.6, 2) for z in (25, 50)], seed=None)
    post = Mesh.from_manifold(Manifold.cube((40, 40, 200)).translate((20, -20, aside)), "post")
    (pattern,) = patterns(take_off([mesh, post], 8.0))
    place = pattern.place(pattern.section)
    if aside > 400:
        assert design(GuideRecipe(style="sleeve"), place, KNOWN).recipe.style == "sleeve"
        return
    with pytest.raises(RecipeError, match='"post" stands beside the tube from 60 mm on') as refused:
        design(GuideRecipe(style="sleeve"), place, KNOWN)
    assert refused.value.works == "saddle"


HOLE = GivenHole("40 × 40 × 3", 6.6, 30.0)


@pytest.mark.parametrize(
    ("recipe", "holes", "field"),
    [
        (GuideRecipe(bush_mm=10.0), [HOLE], "bush_mm"),
        (GuideRecipe(bush="steel", bush_mm=12.0), [HOLE], "bush_mm"),
        (GuideRecipe(bush="steel", bush_outside_mm=7.0), [HOLE], "bush_outside_mm"),
        (GuideRecipe(bush="steel", pilot_mm=13.0), [replace(HOLE, diameter_mm=12.5)], ""),
        (GuideRecipe(chip_mm=40.0), [HOLE], "chip_mm"),
        (GuideRecipe(gap_mm=3.0), [HOLE], "gap_mm"),
        (GuideRecipe(thickness_mm=4.0), [HOLE, replace(HOLE, distance_mm=40.0)], "thickness_mm"),
        (GuideRecipe(), [HOLE, replace(HOLE, distance_mm=37.5)], "drill"),
        (GuideRecipe(style="sleeve"), [replace(HOLE, end="closed")], "style"),
        (GuideRecipe(style="saddle"), [replace(HOLE, side=side) for side in ("+y", "-y")], "style"),
        (GuideRecipe(clamp="screw"), [HOLE], "clamp"),  # type: ignore[arg-type]
        (GuideRecipe(clamp="screws"), [replace(HOLE, side=side) for side in ("+x", "-x", "+y", "-y")], "clamp"),
        (GuideRecipe(thread="M7", clamp="screws"), [HOLE], "thread"),
    ],
)
def test_what_is_refused_comes_with_what_works(recipe, holes, field):
    place = place_of(*holes)
    for _ in range(3):
        try:
            guide = design(recipe, place, KNOWN)
            break
        except RecipeError as refused:
            assert refused.field == field and refused.works is not None
            recipe = replace(recipe, **{refused.field: refused.works})
    assert guide.solid.volume() > 0


def test_steel_bushes_have_the_tables_size_or_their_own():
    # source: ISO 4247, from memory: 12 mm outside for 6.6 mm, 10, 16 or 20 mm long; at least twice the drill
    place = place_of(HOLE)
    (bush,) = design(GuideRecipe(bush="steel"), place, KNOWN).plan.bushes
    assert (bush.bore_mm, bush.length_mm) == (pytest.approx(11.9), 16.0)
    (bush,) = design(GuideRecipe(bush="steel", bush_outside_mm=12.7, bush_mm=14.0), place, KNOWN).plan.bushes
    assert (bush.bore_mm, bush.length_mm) == (pytest.approx(12.6), 14.0)


@pytest.mark.parametrize("style", ["sleeve", "saddle"])
@pytest.mark.parametrize("size", ["40 × 40 × 3", "60 × 40 × 3", "48.3 × 3.2"])
def test_the_hose_clamps_to_buy_go_around_guide_and_tube(size, style):
    """A band is as long as the hull of what it goes around in its groove, by trimesh and shapely."""
    guide = design(GuideRecipe(style=style), place_of(replace(HOLE, size=size)), KNOWN)
    heights = [guide.bottom_mm + 6.0, *([guide.top_mm - 6.0] if style == "saddle" else [])]
    assert guide.plan.clamps == len(heights)
    solid = trimesh.Trimesh(guide.mesh.vertices, guide.mesh.triangles, process=False)
    least, most = guide.plan.clamp_mm
    for height in heights:
        cut = trimesh.intersections.mesh_plane(solid, (0, 0, 1), (0, 0, height))[..., :2].reshape(-1, 2)
        around = MultiPoint(np.concatenate([cut, guide.section.outer.polygon()])).convex_hull
        assert around.length / math.pi == pytest.approx(most, abs=0.1)
    assert least == pytest.approx(most - 2 * guide.plan.gap_mm)
    (said,) = (step.said for step in DrillGuide.steps({"F1": guide}) if step.name == "Clamp")
    millimetres, inches = re.search(r"for (\d+) to (\d+) mm, ([\d.]+) to", said), re.search(r"([\d.]+) in, band", said)
    assert int(millimetres[1]) <= least and most <= int(millimetres[2]) < most + 1
    assert 25.4 * float(inches[1]) == pytest.approx(int(millimetres[2]), abs=0.15)
    assert "band 9 mm)" in said and f"({len(heights)} for" in said


@pytest.mark.parametrize(
    ("size", "measured", "drill", "mark", "said"),
    [  # Drills in 64ths of an inch: ASME B94.11M; by tenths of a millimetre: ISO 235; both from memory.
        ("1 1/2 in × 11 ga", 9.525, 9.525, "3/8", "9.53 mm (3/8 in)"),
        ("1 1/2 in × 11 ga", 6.771, 17 / 64 * 25.4, "17/64", "6.75 mm (17/64 in)"),
        ("1 1/2 in × 11 ga", 10.5, 10.5, "10.5", "10.5 mm"),
        ("40 × 40 × 3", 6.771, 6.8, "6.8", "6.8 mm"),
        ("40 × 40 × 3", 9.04, 9.0, "9", "9 mm"),
        ("40 × 40 × 3", 9.525, 9.525, "3/8", "9.53 mm (3/8 in)"),
    ],
)
def test_a_drill_is_one_that_is_stocked(size, measured, drill, mark, said):
    guide = design(GuideRecipe(), place_of(replace(HOLE, size=size, diameter_mm=measured)), KNOWN)
    assert guide.plan.bushes[0].drill_mm == pytest.approx(drill, abs=1e-6) and said_drill(drill) == mark
    assert guide.words.endswith(f"for drills of {said}") and f"{measured:.2f}".rstrip("0") in guide.words
    assert "Open up" not in {step.name for step in DrillGuide.steps({"F1": guide})}


def test_distances_of_close_holes_stand_at_the_holes_each_once():
    """On paper a line of words is 3.8 mm high; holes 15 mm apart are 7.5 mm apart at 1:2."""
    row = [replace(HOLE, distance_mm=distance) for distance in (20.0, 35.0, 50.0, 65.0, 80.0)]
    along, _ = design(GuideRecipe(), place_of(*row), KNOWN).drawing()
    ends = sorted(-dimension.end[1] for dimension in along.dimensions if dimension.at_end)
    assert np.diff(ends) == pytest.approx([15.0] * 4)
    around = [
        replace(HOLE, size="88.9 × 3.2", diameter_mm=5, side=None, angle_deg=angle) for angle in (0.0, 90.0, 180.0)
    ]
    along, _ = design(GuideRecipe(), place_of(*around), KNOWN).drawing()
    assert [dimension.name for dimension in along.dimensions] == ["length", "holes 1, 2 and 3 from the stop"]


def test_both_views_take_the_room_in_which_they_are_large():
    """The second one was left at 1:5 in the first room that was enough for the first."""
    views = design(GuideRecipe(style="saddle"), place_of(replace(HOLE, size="60 × 60 × 3")), KNOWN).drawing()
    rooms = [(104.0, 76.0), (104.0, 92.0), (112.0, 112.0)]
    drawn = [section_drawing(views, "guide", rooms[:count]) for count in (1, 3)]
    assert [re.findall(r"\((\d:\d)\)", drawing) for drawing in drawn] == [["1:2", "1:5"], ["1:2", "1:2"]]


def test_places_of_holes_in_inches_are_said_in_both_units():
    (pattern,) = patterns(replace(HOLE, size="1 1/2 in × 11 ga", distance_mm=63.5).added(Takeoff(()), "carbon steel"))
    assert pattern.where.startswith("hole 6.6 mm, 63.5 mm (2 1/2 in) from the end")


def test_holes_too_large_for_a_chuck_get_a_pilot():
    plan = design(GuideRecipe(), place_of(replace(HOLE, diameter_mm=16.0)), KNOWN).plan
    assert plan.bushes[0].drill_mm == 3.0
    steps = {step.name: step.said for step in DrillGuide.steps({"F1": design(GuideRecipe(), plan.place, KNOWN)})}
    assert "F1 (16 mm)" in steps["Open up"]


def test_a_job_drills_with_a_guide_from_given_holes(tmp_path: Path) -> None:
    table = {
        "fitting": {"make": False},
        "drill_guide": {"make": True},
        "hole": [
            {"size": "40 × 40 × 3", "diameter_mm": 6.6, "distance_mm": 30, "walls": "both"},
            {"size": "40 × 40 × 3", "diameter_mm": 9, "distance_mm": "2 1/2 in", "side": "+x"},
        ],
    }
    asked = parse_job(table, tmp_path, "rail")
    again = tmp_path / "again.toml"
    again.write_text(job_text(asked), "utf-8")
    assert "[[hole]]" in again.read_text("utf-8") and "[drill_guide]" in again.read_text("utf-8")
    result = run(asked, [], True, lambda what, share: None)
    (made,) = result.made
    assert (made.batch.served, made.count, made.fitting.recipe.style) == (2, 1, "sleeve")
    assert not [finding for finding in result.findings if finding.severity != "good to know"]
    assert made.fitting.plan.place.mark == made.id
    out = tmp_path / "ferrule_out"
    holes = json.loads((out / "result.json").read_text("utf-8"))["holes"]
    assert [(hole["diameter_mm"], hole["walls"], hole["fitting"]) for hole in holes] == [(6.6, 2, "F1"), (9.0, 1, "F1")]
    sheet = (out / "rail job sheet.html").read_text("utf-8")
    for words in ("never hold either by hand", "check the first hole", "Drill hole 1", "drill guides", "Deburr."):
        assert words in sheet


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"size": "40 x 40 x 99"}, "nearest"),
        ({"offset_mm": 12}, "give an offset of at most 10.7 mm"),
        ({"size": "1 in × 1/8 in", "diameter_mm": 22}, "wider than the tube's bore"),
        ({"side": "top"}, "side"),
    ],
)
def test_a_given_hole_that_cannot_be_is_refused(changes, said, tmp_path):
    hole = {"size": "40 × 40 × 3", "diameter_mm": 6.6, "distance_mm": 30, **changes}
    with pytest.raises(JobError, match=said):
        parse_job({"drill_guide": {"make": True}, "hole": [hole]}, tmp_path, "rail")
