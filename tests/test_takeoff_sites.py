# SPDX-License-Identifier: GPL-3.0-or-later
"""Tubes, holes, copes and joints on weldments that gmsh's B-rep kernel built.

Where a number is expected it follows from how the weldment was drawn. Diameters and places are asked for within
0.02 mm, axes within 0.05°.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from manifold3d import Manifold
from weldments import Cut, Shape, cut, cylinder, fuse, moved, rotation, tessellated, tube

from addon.fields.messages import say
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.takeoff import ClosedEnd, Hole, Takeoff, Tube, take_off
from addon.takeoff.hole_words import said_hole
from addon.takeoff.survey import joints_of

SQUARE = Shape("rectangle", 40, 40, 6), Shape("rectangle", 34, 34, 3)
SHARP = Shape("rectangle", 60, 30), Shape("rectangle", 56, 26)
ROUND = Shape("circle", 25.4, 25.4), Shape("circle", 19.05, 19.05)
THIN = Shape("circle", 25.4, 25.4), Shape("circle", 22.4, 22.4)
POST = Shape("circle", 48.3, 48.3), Shape("circle", 42.3, 42.3)
RADIUS = 3.3


def drilled(gmsh, shapes, lean_deg=0.0, walls=1, aside=0.0, height=60.0):
    """A tube along z, 200 long, with a hole whose axis passes through (aside, 0, height) and leans from y to z."""
    lean = math.radians(lean_deg)
    axis = np.array([0.0, math.cos(lean), math.sin(lean)])
    start = np.array([aside, 0.0, height]) - (100 * axis if walls == 2 else 0)
    return cut(gmsh, tube(gmsh, *shapes, 200.0), cylinder(gmsh, tuple(start), tuple(axis * 100 * walls), RADIUS))


def only_hole(takeoff: Takeoff) -> Hole:
    assert len(takeoff.holes) == 1 and not any("cut-out" in note for note in takeoff.notes), takeoff.notes
    return takeoff.holes[0]


def check_hole(hole: Hole, point, axis, diameter=2 * RADIUS) -> None:
    """``axis`` may point either way."""
    axis = np.asarray(axis, float) / np.linalg.norm(axis)
    assert hole.diameter_mm == pytest.approx(diameter, abs=0.02)
    assert np.degrees(np.arccos(min(abs(float(hole.axis @ axis)), 1.0))) < 0.05
    assert np.linalg.norm(np.cross(hole.position - point, axis)) < 0.02


@pytest.mark.once
@pytest.mark.parametrize(
    ("shapes", "how", "facets", "lean_deg", "walls"),
    [
        (SQUARE, "long", 8, 0.0, 1),
        (SQUARE, "long", 8, 30.0, 2),
        (SQUARE, "long", 64, 30.0, 1),
        (SHARP, "long", 12, 0.0, 2),
        (SHARP, "even", 24, 30.0, 1),
        (ROUND, "long", 24, 0.0, 1),
        (ROUND, "long", 24, 30.0, 2),
        (ROUND, "even", 24, 0.0, 2),
        (ROUND, "even", 24, 30.0, 1),
        (THIN, "long", 16, 0.0, 1),
        (THIN, "long", 16, 30.0, 2),
        (THIN, "long", 48, 30.0, 1),
    ],
    ids=lambda value: f"{value[0].kind} {value[1].width:g}" if isinstance(value, tuple) else str(value),
)
def test_a_hole_is_where_it_was_drilled(gmsh, shapes, how, facets, lean_deg, walls):
    aside = 4.0 if shapes[0].kind == "rectangle" or lean_deg else 0.0
    mesh = tessellated(gmsh, lambda: drilled(gmsh, shapes, lean_deg, walls, aside), how, "post", facets)
    hole = only_hole(take_off([mesh], 8.0))
    lean = math.radians(lean_deg)
    check_hole(hole, (aside, 0, 60), (0, math.cos(lean), math.sin(lean)))
    assert (hole.source, hole.walls, hole.countersink_mm) == ("post", walls, 0.0)
    # On round tube the way straight out turns with the place; source: the angle between two unit vectors.
    turn = math.asin(aside / (shapes[0].width / 2)) if shapes[0].kind == "circle" else 0.0
    assert hole.lean_deg == pytest.approx(math.degrees(math.acos(math.cos(lean) * math.cos(turn))), abs=0.05)
    assert hole.square == (not hole.lean_deg > 1)
    # The hole's axis meets the tube's outside at y = half the depth, on round tube where the circle is.
    half = math.sqrt((shapes[0].depth / 2) ** 2 - (aside**2 if shapes[0].kind == "circle" else 0.0))
    outside = hole.position * np.sign(hole.axis[1])
    assert outside[1] == pytest.approx(half, abs=0.02)
    assert abs(hole.position[2] - 60) == pytest.approx(half * math.tan(lean), abs=0.03)
    last = hole.distances_mm[1]
    assert last is not None and sum((hole.distances_mm[0], last)) == pytest.approx(200, abs=0.01)
    z = hole.position[2]
    assert hole.distances_mm[0] == pytest.approx(z if hole.tube.axis[2] > 0 else 200 - z, abs=0.01)
    assert (hole.side is None) == (shapes[0].kind == "circle")
    assert walls == 1 or hole.angle_deg < 180
    if walls == 2:  # the axis goes through (aside, 0, 60) and leaves the tube as high below it as above
        here, opposite = hole.mouths
        assert opposite.position == pytest.approx(here.position * (1, -1, -1) + (0, 0, 120), abs=0.04)
        assert opposite.axis == pytest.approx(-here.axis)


@pytest.mark.parametrize("facets", [8, 11, 32, 64])
@pytest.mark.parametrize("around", [12, 48])
@pytest.mark.parametrize("section", [Section.round(25.4, 3.175), Section.round(25.4, 1.5)], ids=["thick", "thin"])
def test_holes_cut_out_of_meshes_are_as_large_as_their_corners_say(section, around, facets):
    """Where a flat facet of the tube ends, facets of the hole have corners on their chords, inside the true circle."""
    outer, bore = (line.cross_section(around) for line in (section.outer, section.bore))
    drill = Manifold.cylinder(160, RADIUS, circular_segments=facets).translate((0, 0, -80)).rotate((-60, 0, 0))
    mesh = Mesh.from_manifold((outer - bore).extrude(200) - drill.translate((2, 0, 60)), "tube")
    single = np.add(mesh.vertices, (1000, 0, 0)).astype(np.float32).astype(float)
    hole = only_hole(take_off([Mesh(single, mesh.triangles, "tube")], 8.0))
    check_hole(hole, (1002, 0, 60), (0, math.cos(math.radians(30)), math.sin(math.radians(30))))
    assert hole.walls == 2


@pytest.mark.parametrize("mirrored", [False, True])
def test_holes_are_found_wherever_the_tube_lies(gmsh, mirrored):
    turn, shift = rotation(np.random.default_rng(7)), np.array([900.0, -400.0, 250.0])
    mesh = tessellated(gmsh, lambda: drilled(gmsh, SQUARE, 20.0, 2, 5.0), name="post")
    hole = only_hole(take_off([moved(mesh, turn, shift, mirrored)], 8.0))
    side = np.array([-1 if mirrored else 1, 1, 1])
    axis = np.array([0, math.cos(math.radians(20)), math.sin(math.radians(20))])
    check_hole(hole, turn @ ((5, 0, 60) * side) + shift, turn @ axis)
    place, out = hole.tube.frame.to_local(hole.position), hole.tube.frame.axes @ hole.axis
    angle = math.degrees(math.atan2(place[1], place[0]))
    assert hole.angle_deg == pytest.approx(angle % 360)
    assert hole.side in ("+x", "+y")
    across = 1 if hole.side == "+x" else 0
    assert place[1 - across] == pytest.approx(20) and out[1 - across] > 0.9
    assert hole.offset_mm == pytest.approx(place[across]) and abs(place[across]) == pytest.approx(5, abs=0.01)


def test_rounding_does_not_swap_the_mouths_of_a_hole_at_no_angle():
    """A point at 0° may lie at 359.99…°, and its other mouth at 179.99…°."""
    closed = ClosedEnd(say("closed"))
    tube = Tube("leg", Section.round(40, 2), Frame(np.zeros(3), np.eye(3)), 100.0, (closed, closed), (0.0, 0.0))
    for wrong in (-1e-12, 0.0, 1e-12):
        assert not tube.from_half_turn(np.array([20.0, wrong, -50.0]))
        assert tube.from_half_turn(np.array([-20.0, wrong, -50.0]))
    assert not tube.from_half_turn(np.array([0.0, 20.0, -50.0])) and tube.from_half_turn(np.array([0.0, -20.0, -50.0]))


@pytest.mark.parametrize(("y", "angle"), [(0.0, 0.0), (-0.0, 0.0), (-1e-17, 0.0), (-1.0, 360 - math.degrees(1 / 12.7))])
def test_how_far_around_a_place_is_stays_below_a_whole_turn(y, angle):
    frame = Frame(np.zeros(3), np.eye(3))
    bar = Tube("bar", Section.round(25.4, 3), frame, 100.0, (ClosedEnd(say("")), ClosedEnd(say(""))), (0.0, 0.0))
    assert bar.around_deg(np.array([12.7, y, 0.0])) == pytest.approx(angle, abs=0.02)


def test_a_row_of_holes_is_listed_along_the_tube(gmsh):
    def build():
        drills = [cylinder(gmsh, (x, -60, z), (0, 120, 0), 3.0) for x in (-10, 10) for z in (40, 90)]
        one_wall = cylinder(gmsh, (0, 0, 150), (-60, 0, 0), 5.25)
        cut(gmsh, tube(gmsh, *SHARP, 300.0, top=Cut(30, 20)), *drills, one_wall)

    takeoff = take_off([tessellated(gmsh, build)], 8.0)
    assert len(takeoff.tubes) == 1 and takeoff.tubes[0].length_mm == pytest.approx(300)
    holes = [(hole.diameter_mm, hole.walls, hole.distances_mm[0], hole.offset_mm) for hole in takeoff.holes]
    expected = [(6, 2, 40, 10), (6, 2, 40, -10), (6, 2, 90, 10), (6, 2, 90, -10), (10.5, 1, 150, 0)]
    assert np.array(holes) == pytest.approx(np.array(expected), abs=0.01)
    assert [hole.side for hole in takeoff.holes] == ["+y"] * 4 + ["-x"]


def test_holes_in_line_but_for_their_sizes_are_two(gmsh):
    def build():
        body = tube(gmsh, *SQUARE, 200.0)
        cut(gmsh, body, cylinder(gmsh, (0, 0, 60), (0, 60, 0), 3.3), cylinder(gmsh, (0, 0, 60), (0, -60, 0), 6.5))

    holes = take_off([tessellated(gmsh, build)], 8.0).holes
    assert sorted((round(hole.diameter_mm, 2), hole.walls) for hole in holes) == [(6.6, 1), (13.0, 1)]


@pytest.mark.once
@pytest.mark.parametrize(
    ("shapes", "deep", "how"),
    [
        (SQUARE, 0.5, "long"),
        (SQUARE, 1.0, "even"),
        (SQUARE, 3.5, "long"),
        (ROUND, 1.5, "long"),
    ],
)
def test_a_countersink_is_told_from_the_hole(gmsh, shapes, how, deep):
    """90° from 3 mm of radius at ``deep`` mm below the outside: 3 mm is the square tube's whole wall."""

    def build():
        body, top = tube(gmsh, *shapes, 200.0), shapes[0].depth / 2
        cone = gmsh.model.occ.addCone(0, top + 1, 60, 0, -(deep + 1), 0, 3 + deep + 1, 3.0)
        cut(gmsh, body, cylinder(gmsh, (0, 0, 60), (0, 60, 0), 3.0), cone)

    hole = only_hole(take_off([tessellated(gmsh, build, how, facets=24)], 8.0))
    check_hole(hole, (0, 0, 60), (0, 1, 0), diameter=6 + 2 * max(deep - 3, 0))
    # On round tube it is widest along the tube, where the outside is highest.
    assert hole.countersink_mm == pytest.approx(6 + 2 * deep, abs=0.05)
    assert [mouth.countersink_deg for mouth in hole.mouths] == pytest.approx([90], abs=0.5)


@pytest.mark.once
@pytest.mark.parametrize("how", ["long", "even"])
def test_a_countersink_all_through_a_round_wall_is_a_hole_as_wide_as_what_passes(gmsh, how):
    """90° from 3 mm of radius at 4 mm below the outside. At right angles to the tube the bore cuts the cone deepest:
    there r = 3 + 4 - (12.7 - √(9.525² - r²)), which gives r = 3.2525."""

    def build():
        body, top = tube(gmsh, *ROUND, 200.0), ROUND[0].depth / 2
        cone = gmsh.model.occ.addCone(0, top + 1, 60, 0, -5.0, 0, 8.0, 3.0)
        cut(gmsh, body, cylinder(gmsh, (0, 0, 60), (0, 60, 0), 3.0), cone)

    hole = only_hole(take_off([tessellated(gmsh, build, how, facets=24)], 8.0))
    check_hole(hole, (0, 0, 60), (0, 1, 0), diameter=2 * 3.2525)
    assert hole.countersink_mm == pytest.approx(14, abs=0.05)
    assert [mouth.countersink_deg for mouth in hole.mouths] == pytest.approx([90], abs=0.5)


def test_of_two_walls_the_one_that_is_countersunk_is(gmsh):
    """90° from 3 mm of radius at 1.5 mm below the outside."""

    def build():
        cone = gmsh.model.occ.addCone(0, -21, 60, 0, 2.5, 0, 5.5, 3.0)
        cut(gmsh, tube(gmsh, *SQUARE, 200.0), cylinder(gmsh, (0, -60, 60), (0, 120, 0), 3.0), cone)

    hole = only_hole(take_off([tessellated(gmsh, build)], 8.0))
    sunk = {round(mouth.position[1]): (mouth.countersink_mm, mouth.countersink_deg) for mouth in hole.mouths}
    assert sunk == {20: (0, 0), -20: pytest.approx((9, 90), abs=0.1)}


def test_the_rounded_edge_of_a_hole_is_no_part_of_its_diameter(gmsh):
    def build():
        body, occ = drilled(gmsh, SQUARE), gmsh.model.occ
        occ.synchronize()
        girth = 2 * math.pi * RADIUS
        edges = [edge for _, edge in occ.getEntities(1) if abs(occ.getMass(1, edge) - girth) < 0.01]
        occ.fillet([body], edges, [0.5])

    check_hole(only_hole(take_off([tessellated(gmsh, build)], 8.0)), (0, 0, 60), (0, 1, 0))


@pytest.mark.parametrize("what", ["slot", "square", "hexagon", "blind"])
def test_what_is_no_round_hole_is_listed_as_not_read(gmsh, what):
    def build():
        occ = gmsh.model.occ
        if what == "slot":
            ends = [cylinder(gmsh, (0, 0, z), (0, 60, 0), 4.0) for z in (60, 80)]
            tools = [*ends, occ.addBox(-4, 0, 60, 8, 60, 20)]
        elif what == "square":
            tools = [occ.addBox(-5, 0, 65, 10, 60, 10)]
        elif what == "hexagon":
            corners = [(6 * math.cos(turn), 6 * math.sin(turn)) for turn in np.radians(range(0, 360, 60))]
            points = [occ.addPoint(x, 0, 70 + z) for x, z in corners]
            lines = [occ.addLine(a, b) for a, b in zip(points, points[1:] + points[:1], strict=True)]
            entities = occ.extrude([(2, occ.addPlaneSurface([occ.addCurveLoop(lines)]))], 0, 60, 0)
            tools = [next(tag for dim, tag in entities if dim == 3)]
        else:
            tools = [cylinder(gmsh, (0, 18.5, 70), (0, 60, 0), 4.0)]
        cut(gmsh, tube(gmsh, *SQUARE, 200.0), *tools)

    takeoff = take_off([tessellated(gmsh, build, name="post")], 8.0)
    assert not takeoff.holes and len(takeoff.notes) == 1
    assert takeoff.notes[0].startswith('A cut-out of "post" is not a round hole through its wall; it was not read.')
    x, y, z = (float(word) for word in takeoff.notes[0].split(" at ")[1].removesuffix(" mm.").split(", "))
    assert (x, y, z) == pytest.approx((0, 20, 70), abs=1.0)


@pytest.mark.parametrize("rail", [ROUND, SQUARE], ids=["round", "flush"])
def test_a_fused_weldment_has_its_holes_and_no_others(gmsh, rail):
    """Where a rail of the same size is fused on, its sides go on in the post's plane."""

    def build():
        occ, post, across = gmsh.model.occ, tube(gmsh, *SQUARE, 300.0), tube(gmsh, *rail, 200.0)
        occ.rotate([(3, across)], 0, 0, 0, 0, 1, 0, math.pi / 2)
        occ.translate([(3, across)], 20, 0, 150)
        in_post = cylinder(gmsh, (0, -60, 60), (0, 120, 0), 4.5), cylinder(gmsh, (-60, 0, 220), (120, 0, 0), 4.5)
        cut(gmsh, fuse(gmsh, post, across), *in_post, cylinder(gmsh, (120, 0, 150), (0, 60, 0), RADIUS))

    takeoff = take_off([tessellated(gmsh, build, name="frame")], 8.0)
    post, across = takeoff.tubes
    assert not takeoff.notes
    assert sorted((hole.tube is across, round(hole.diameter_mm, 2), hole.walls) for hole in takeoff.holes) == [
        (False, 9.0, 2),
        (False, 9.0, 2),
        (True, 6.6, 1),
    ]
    assert post.length_mm == pytest.approx(300) and across.length_mm == pytest.approx(200, abs=0.1)
    assert isinstance(across.ends[1], ClosedEnd) and across.ends[1].reason
    assert post.free_mm == pytest.approx([150 - rail[0].depth / 2] * 2, abs=0.3)
    check_hole(next(hole for hole in takeoff.holes if hole.tube is across), (120, 0, 150), (0, 1, 0))


def coped(gmsh, angle_deg=90.0, offset=0.0, radius=POST[0].width / 2):
    """A brace down z onto a post through the origin, whose axis stands ``angle_deg`` to it in the plane of y and z and
    ``offset`` beside it along x."""
    lean = math.radians(angle_deg)
    axis = np.array([0, math.sin(lean), math.cos(lean)])
    start = np.array([offset, 0, 0]) - 200 * axis
    return cut(gmsh, tube(gmsh, *ROUND, 300.0), cylinder(gmsh, tuple(start), tuple(400 * axis), radius))


def post_along(gmsh, angle_deg=90.0, offset=0.0) -> Mesh:
    mesh = tessellated(gmsh, lambda: tube(gmsh, *POST, 400.0), name="post")
    lean = math.radians(angle_deg)
    turn = np.array([[1, 0, 0], [0, math.cos(lean), math.sin(lean)], [0, -math.sin(lean), math.cos(lean)]])
    return moved(Mesh(mesh.vertices - (0, 0, 200), mesh.triangles, "post"), turn, np.array([offset, 0, 0]))


@pytest.mark.parametrize("shapes", [ROUND, SQUARE], ids=["round", "square"])
def test_a_coped_end_has_the_section_of_the_tubes_other_end(gmsh, shapes):
    """A slice through long triangles shows it worse."""

    def build():
        cut(gmsh, tube(gmsh, *shapes, 300.0), cylinder(gmsh, (0, -200, 0), (0, 400, 0), 30.15))

    (cope,) = take_off([tessellated(gmsh, build, facets=48)], 8.0).copes
    for outline, shape in zip((cope.end.section.outer, cope.end.section.bore), shapes, strict=True):
        assert (outline.shape, outline.width) == (shape.kind, pytest.approx(shape.width, abs=0.001))
    assert abs(cope.end.frame.x @ cope.tube.frame.x) == pytest.approx(1)


@pytest.mark.parametrize(("angle_deg", "offset"), [(90.0, 0.0), (60.0, 0.0), (45.0, 6.0)])
def test_a_cope_is_read_as_cut_with_the_tube_that_it_lies_on(gmsh, angle_deg, offset):
    mesh = tessellated(gmsh, lambda: coped(gmsh, angle_deg, offset), name="brace")
    takeoff = take_off([mesh, post_along(gmsh, angle_deg, offset)], 8.0)
    assert len(takeoff.copes) == 1
    cope = takeoff.copes[0]
    assert cope.end.cause == "coped" and cope.tube.source == "brace"
    assert cope.other is not None and cope.other.source == "post"
    large, phi = POST[0].width / 2, math.radians(angle_deg)
    for line, small in ((cope.outside, 12.7), (cope.inside, 9.525)):
        assert len(line) >= 12
        around = np.arctan2(line[:, 1], line[:, 0])
        assert np.hypot(line[:, 0], line[:, 1]) == pytest.approx(small, abs=0.02)
        # source: descriptive geometry, a cylinder met by another: the post's surface is where a point's distance from
        # its axis is R, so along the brace z = (sqrt(R² - (x - e)²) + y cos φ) / sin φ.
        aside, ahead = small * np.cos(around) - offset, small * np.sin(around)
        heights = (np.sqrt(large**2 - aside**2) + ahead * math.cos(phi)) / math.sin(phi)
        assert line[:, 2] == pytest.approx(heights, abs=0.02)
        # Counter-clockwise seen against the end's z, which points down.
        assert np.sign(np.unwrap(around)[-1] - np.unwrap(around)[0]) == np.sign(cope.end.frame.z[2])
    lowest = min(line[:, 2].min() for line in (cope.outside, cope.inside))
    assert cope.tube.length_mm == pytest.approx(300 - lowest, abs=0.01)


def test_holes_in_a_coped_tube_are_measured_to_its_tip(gmsh):
    def build():
        cut(gmsh, coped(gmsh), cylinder(gmsh, (0, -60, 120), (0, 120, 0), RADIUS))

    takeoff = take_off([tessellated(gmsh, build)], 8.0)
    hole = only_hole(takeoff)
    check_hole(hole, (0, 0, 120), (0, 1, 0))
    tip = float(takeoff.copes[0].outside[:, 2].min())
    assert tip == pytest.approx(math.sqrt((POST[0].width / 2) ** 2 - 12.7**2), abs=0.01)
    assert sorted(distance for distance in hole.distances_mm if distance) == pytest.approx([120 - tip, 180], abs=0.01)


def test_square_cuts_and_mitres_are_no_copes(gmsh):
    """The square end only touches the post."""
    brace = tessellated(gmsh, lambda: tube(gmsh, *ROUND, 200.0, top=Cut(45.0)), name="a")
    beside = Mesh(np.add(brace.vertices, (0, 0, POST[0].width / 2)), brace.triangles, "a")
    assert not take_off([beside, post_along(gmsh)], 8.0).copes


def brace_to(gmsh, end, shapes=ROUND, aside=0.0) -> Mesh:
    """A brace from 300 up the z axis down to a square end at this height."""
    mesh = tessellated(gmsh, lambda: tube(gmsh, *shapes, 300.0 - end), name="brace")
    return Mesh(np.add(mesh.vertices, (aside, 0, end)), mesh.triangles, "brace")


@pytest.mark.parametrize(
    ("angle_deg", "offset", "end"), [(90.0, 0.0, 20.0), (90.0, 0.0, -26.0), (55.0, 5.0, 0.0), (55.0, 5.0, -26.0)]
)
def test_an_end_that_runs_into_a_tube_needs_its_cope(gmsh, angle_deg, offset, end):
    """Drawn to within the post's wall, to its axis, or a little past its other side; not one of them takes a cap."""
    takeoff = take_off([brace_to(gmsh, end), post_along(gmsh, angle_deg, offset)], 8.0)
    (cope,) = takeoff.copes
    assert cope.needed and cope.other is not None and cope.other.source == "post"
    assert (cope.end.cause, cope.end.clear_depth_mm, str(cope.end.reason)) == (
        "blocked",
        0.0,
        'Runs into "post": it needs a cope',
    )
    assert any(cope.end is there for tube in takeoff.tubes for there in tube.ends)
    large, phi = POST[0].width / 2, math.radians(angle_deg)
    for line, small in ((cope.outside, 12.7), (cope.inside, 9.525)):
        around = np.arctan2(line[:, 1], line[:, 0])
        # source: as for a cope that is cut
        aside, ahead = small * np.cos(around) - offset, small * np.sin(around)
        heights = (np.sqrt(large**2 - aside**2) + ahead * math.cos(phi)) / math.sin(phi)
        assert line[:, 2] == pytest.approx(heights, abs=0.02)
        assert np.sign(np.unwrap(around)[-1] - np.unwrap(around)[0]) == np.sign(cope.end.frame.z[2])


def arm(gmsh, name, angle_deg, start=-200.0) -> Mesh:
    """A post's tube through the origin, or from ``start`` on, at this angle to z in the plane of y and z."""
    mesh = tessellated(gmsh, lambda: tube(gmsh, *POST, 200.0 - start), name=name)
    lean = math.radians(angle_deg)
    turn = np.array([[1, 0, 0], [0, math.cos(lean), math.sin(lean)], [0, -math.sin(lean), math.cos(lean)]])
    return moved(Mesh(np.add(mesh.vertices, (0, 0, start)), mesh.triangles, name), turn, np.zeros(3))


@pytest.mark.parametrize("end", [10.0, -15.0])
def test_an_end_that_runs_into_the_corner_of_two_tubes_needs_a_cope_on_both(gmsh, end):
    """Source: what is left of a bar that gmsh's kernel cuts off with both tubes."""
    takeoff = take_off([brace_to(gmsh, end), arm(gmsh, "post", 45.0), arm(gmsh, "rail", -45.0, 24.0)], 8.0)
    (cope,) = (cope for cope in takeoff.copes if cope.tube.source == "brace")
    assert cope.needed and {tube.source for tube in cope.tubes_under} == {"post", "rail"}
    assert str(cope.end.reason).endswith("it needs a cope that lies on both")
    large, along = POST[0].width / 2, math.sqrt(0.5)
    for line, small in ((cope.outside, 12.7), (cope.inside, 9.525)):
        gmsh.clear()
        bar = cylinder(gmsh, (0, 0, -100), (0, 0, 400), small)
        arms = [cylinder(gmsh, (0, -s, -200 * along), (0, 2 * s, 400 * along), large) for s in (200 * along,)]
        arms += [cylinder(gmsh, (0, s, -200 * along), (0, -2 * s, 400 * along), large) for s in (200 * along,)]
        pieces, _ = gmsh.model.occ.cut([(3, bar)], [(3, tool) for tool in arms])
        gmsh.model.occ.synchronize()
        _, top = max(pieces, key=lambda piece: gmsh.model.occ.getCenterOfMass(*piece)[2])
        points = []
        for _, curve in gmsh.model.getBoundary(gmsh.model.getBoundary([(3, top)], oriented=False), False, False):
            (begin,), (last,) = gmsh.model.getParametrizationBounds(1, curve)
            curve_points = np.reshape(gmsh.model.getValue(1, curve, np.linspace(begin, last, 61).tolist()), (-1, 3))
            if curve_points[:, 2].max() < 200:  # neither the far end nor the seam along the bar
                points.append(curve_points)
        local = cope.end.frame.to_local(np.concatenate(points))
        assert cope.cut.heights(local[:, :2]) == pytest.approx(local[:, 2], abs=0.02)
        # Each corner of the line lies on one of the two and in neither.
        off = [np.linalg.norm(np.cross(line, (0, side * along, along)), axis=1) - large for side in (1, -1)]
        assert np.minimum(*off) == pytest.approx(0, abs=0.02)


def test_a_tube_beyond_the_first_or_beside_it_takes_no_part_in_the_cope(gmsh):
    behind = moved(arm(gmsh, "behind", 90.0), np.eye(3), np.array([0, 0, -60.0]))
    beside = moved(arm(gmsh, "beside", 90.0), np.eye(3), np.array([12.7 + 24.15, 0, 30.0]))
    across = moved(arm(gmsh, "across", 90.0), np.eye(3), np.array([0, 0, 150.0]))
    for other in (behind, beside, across):
        takeoff = take_off([brace_to(gmsh, 0.0), arm(gmsh, "post", 90.0), other], 8.0)
        (cope,) = (cope for cope in takeoff.copes if cope.tube.source == "brace")
        assert [tube.source for tube in cope.tubes_under] == ["post"], other.name


def test_a_cope_read_and_the_same_one_needed_are_one_curve(gmsh):
    post = post_along(gmsh, 60.0)
    read = take_off([tessellated(gmsh, lambda: coped(gmsh, 60.0), name="brace"), post], 8.0).copes[0]
    needed = take_off([brace_to(gmsh, 10.0), post], 8.0).copes[0]
    assert not read.needed and needed.needed
    places = read.end.frame.to_local(read.outside)
    # The read one lies on corners and chords of the post.
    assert read.cut.heights(places[:, :2]) == pytest.approx(places[:, 2], abs=0.1)
    places = needed.end.frame.to_local(read.outside)
    assert needed.cut.heights(places[:, :2]) == pytest.approx(places[:, 2], abs=0.1)


WIDE = Shape("circle", 60.3, 60.3), Shape("circle", 54, 54)


@pytest.mark.parametrize(
    ("shapes", "aside", "said"),
    [
        (WIDE, 0.0, 'Runs into "post", which is narrower: no cope goes all around'),
        (ROUND, 15.0, 'Runs into "post" and passes by 3.55 mm beside it: no cope goes all around'),
    ],
)
def test_an_end_that_is_too_wide_for_a_cope_says_so(gmsh, shapes, aside, said):
    takeoff = take_off([brace_to(gmsh, 0.0, shapes, aside), post_along(gmsh)], 8.0)
    assert not takeoff.copes
    assert said in [str(end.reason) for end in takeoff.ends]


def test_an_end_that_runs_square_into_a_flat_side_is_cut_square(gmsh):
    post = tessellated(gmsh, lambda: tube(gmsh, *SQUARE, 300.0), name="post")
    rail = tessellated(gmsh, lambda: tube(gmsh, *THIN, 300.0), name="rail")
    across = moved(rail, np.array([[0, 0, 1], [0, 1, 0], [-1, 0, 0]]), np.array([5.0, 0, 150]))
    takeoff = take_off([post, across], 8.0)
    assert not takeoff.copes
    assert 'Runs 15 mm into "post": it has to be cut square' in [str(end.reason) for end in takeoff.ends]
    assert sum(end.open for end in takeoff.ends) == 3


def test_a_tube_that_goes_on_past_another_one_keeps_its_open_end(gmsh):
    takeoff = take_off([brace_to(gmsh, -60.0), post_along(gmsh)], 8.0)
    assert not takeoff.copes and all(end.open for end in takeoff.ends)


@pytest.mark.parametrize("mitre_deg", [22.5, 45.0])
def test_a_mitred_corner_is_a_joint(gmsh, mitre_deg):
    leg = tessellated(gmsh, lambda: tube(gmsh, *SQUARE, 200.0, top=Cut(mitre_deg, 0.0)), name="left")
    lean = math.radians(mitre_deg)
    mirror = np.eye(3) - 2 * np.outer(*[np.array([math.sin(lean), 0, math.cos(lean)])] * 2)
    other = Mesh((leg.vertices - (0, 0, 200)) @ mirror + (0, 0, 200), leg.triangles[:, ::-1], "right")
    (joint,) = take_off([leg, other], 8.0).joints
    assert {end.source for end in joint.ends} == {"left", "right"}
    assert joint.gap_mm == 0 and joint.angle_deg == pytest.approx(180 - 2 * mitre_deg, abs=0.01)


@pytest.mark.parametrize("other", [ROUND, SQUARE], ids=["alike", "unlike"])
@pytest.mark.parametrize("gap", [0.0, 3.0])
def test_tubes_in_line_are_a_joint(gmsh, other, gap):
    below = tessellated(gmsh, lambda: tube(gmsh, *ROUND, 100.0), name="below")
    above = tessellated(gmsh, lambda: tube(gmsh, *other, 100.0), name="above")
    above = Mesh(np.add(above.vertices, (0, 0, 100 + gap)), above.triangles, "above")
    (joint,) = take_off([below, above], 8.0).joints
    assert (joint.gap_mm, joint.angle_deg) == (pytest.approx(gap, abs=0.01), pytest.approx(180, abs=0.01))
    assert [round(end.frame.origin[2]) for end in joint.ends] == [100, 100 + gap]
    assert joint.clear_depths_mm == pytest.approx((100, 100), abs=0.01)


def test_a_joint_knows_how_deep_its_bores_are_clear(gmsh):
    """A pin through the lower tube, 30 below its end, and an upper one that faces it 2 away."""
    below = tessellated(gmsh, lambda: tube(gmsh, *ROUND, 100.0), name="below")
    pin = tessellated(gmsh, lambda: cylinder(gmsh, (0, -20, 66), (0, 40, 0), 4.0), name="pin")
    above = Mesh(np.add(below.vertices, (0, 0, 102)), below.triangles, "above")
    (joint,) = take_off([below, pin, above], 8.0).joints
    assert dict(zip([end.source for end in joint.ends], joint.clear_depths_mm, strict=True)) == pytest.approx(
        {"below": 30, "above": 100}, abs=0.02
    )


def test_an_end_is_joined_to_the_nearest_that_it_faces_alone(gmsh):
    below = tessellated(gmsh, lambda: tube(gmsh, *ROUND, 100.0), name="below")
    ends = take_off([below], 8.0).ends * 2
    (joint,) = joints_of(ends[:3], {0: (1, 3.0), 1: (2, 1.0), 2: (1, 1.0)}, lambda end, other: ((), 10.0 * end + other))
    assert (joint.ends, joint.gap_mm, joint.clear_depths_mm) == ((ends[1], ends[2]), 1.0, (12.0, 21.0))


def test_a_mitred_corner_with_a_gap_for_a_collar_is_a_joint(gmsh):
    leg = tessellated(gmsh, lambda: tube(gmsh, *SQUARE, 200.0, top=Cut(45.0, 0.0)), name="left")
    normal = np.array([1.0, 0, 1.0]) / math.sqrt(2)
    mirror = np.eye(3) - 2 * np.outer(normal, normal)
    other = Mesh((leg.vertices - (0, 0, 200)) @ mirror + (0, 0, 200) + 4 * normal, leg.triangles[:, ::-1], "right")
    (joint,) = take_off([leg, other], 8.0).joints
    assert joint.gap_mm == pytest.approx(4 * math.sqrt(2), abs=0.01)
    assert joint.angle_deg == pytest.approx(90, abs=0.01)


def both_sides(mesh: Mesh) -> list[Mesh]:
    """A tube along z, and its mirror image below."""
    return [mesh, Mesh(mesh.vertices * (1, 1, -1), mesh.triangles[:, ::-1], "mirrored")]


@pytest.mark.parametrize("end", [0.0, 3.0])
def test_two_ends_that_run_into_one_tube_from_both_sides_make_no_joint(gmsh, end):
    """Two halves of a brace at the whole one that crosses them, drawn to its axis and nearly so."""
    takeoff = take_off([*both_sides(brace_to(gmsh, end)), post_along(gmsh, 40.0)], 8.0)
    assert len(takeoff.copes) == 2 and not takeoff.joints


@pytest.mark.parametrize("half", [3.0, 2.5], ids=["touching", "clear"])
def test_a_body_between_two_ends_parts_them(gmsh, half):
    """A plate between two tubes 6 mm apart, as a welded flange is; without it they are a joint."""
    ends = both_sides(brace_to(gmsh, 3.0))
    plate = Mesh.from_manifold(Manifold.cube([60, 60, 2 * half], center=True), "plate")
    assert len(take_off(ends, 8.0).joints) == 1
    takeoff = take_off([*ends, plate], 8.0)
    assert not takeoff.joints
    said = [str(end.reason) for end in takeoff.ends if not end.open]
    assert len(said) == 2 and all(reason.startswith("Blocked") and '"plate"' in reason for reason in said)


def test_tubes_side_by_side_and_far_apart_make_no_joint(gmsh):
    below = tessellated(gmsh, lambda: tube(gmsh, *ROUND, 100.0), name="below")
    beside = Mesh(np.add(below.vertices, (30, 0, 0)), below.triangles, "beside")
    above = Mesh(np.add(below.vertices, (0, 0, 120)), below.triangles, "above")
    assert not take_off([below, beside, above], 8.0).joints


def test_the_outside_is_free_up_to_what_touches_it(gmsh):
    """A rail against the side of a post from 100 to 140 up, and a post beside it that does not touch."""
    post = tessellated(gmsh, lambda: tube(gmsh, *SQUARE, 300.0), name="post")
    rail = tessellated(gmsh, lambda: gmsh.model.occ.addBox(20, -20, 100, 200, 40, 40), name="rail")
    beside = tessellated(gmsh, lambda: gmsh.model.occ.addBox(-60, -20, 0, 37, 40, 300), name="beside")
    takeoff = take_off([post, rail, beside], 8.0)
    assert sorted(takeoff.tubes[0].free_mm) == pytest.approx([100, 160], abs=0.01)
    assert take_off([post], 8.0).tubes[0].free_mm == pytest.approx([300, 300])


def test_the_two_ends_of_a_u_bend_are_told_apart(gmsh):
    """Both face down: one is on the left, the other on the right."""

    def build():
        occ, shapes = gmsh.model.occ, [shape.face(gmsh) for shape in ROUND]
        face = occ.cut([(2, shapes[0])], [(2, shapes[1])])[0]
        occ.translate(face, -60, 0, 0)
        up = occ.extrude(face, 0, 0, 150)
        top, other = occ.copy(face), occ.copy(face)
        occ.translate(top, 0, 0, 150)
        bend = occ.revolve(top, 0, 0, 150, 0, 1, 0, math.pi)
        occ.translate(other, 120, 0, 0)
        down = occ.extrude(other, 0, 0, 150)
        body = fuse(gmsh, *(tag for dim, tag in (*up, *bend, *down) if dim == 3))
        cut(gmsh, body, *(cylinder(gmsh, (x, -60, 40), (0, 120, 0), 3.0) for x in (-60, 60)))

    holes = take_off([tessellated(gmsh, build)], 8.0).holes
    assert sorted(said_hole(hole).split(", ")[0] for hole in holes) == [
        "40 mm from the left bottom end",
        "40 mm from the right bottom end",
    ]


def test_a_bent_tube_is_two_straight_ones(gmsh):
    def build():
        occ, shapes = gmsh.model.occ, [shape.face(gmsh) for shape in ROUND]
        face = occ.cut([(2, shapes[0])], [(2, shapes[1])])[0]
        up = occ.extrude(face, 0, 0, 150)
        bend = occ.revolve(occ.copy(face), 80, 0, 0, 0, 1, 0, -math.pi / 2)
        solids = [tag for dim, tag in (*up, *bend) if dim == 3]
        fuse(gmsh, *solids)

    tubes: tuple[Tube, ...] = take_off([tessellated(gmsh, build)], 8.0).tubes
    straight = max(tubes, key=lambda tube: tube.length_mm)
    assert straight.length_mm == pytest.approx(150, abs=6)
    assert isinstance(straight.ends[1], ClosedEnd) and "bends" in straight.ends[1].reason
