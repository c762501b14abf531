# SPDX-License-Identifier: GPL-3.0-or-later
"""Which ends are open, and what is in the way of those that are not, on weldments that gmsh's B-rep kernel built.

Where a number is expected it follows from how the weldment was drawn.
"""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from manifold3d import CrossSection
from weldments import CHORD_ERROR, Cut, Shape, cut, cylinder, fuse, moved, rotation, tessellated, tube

from addon.geometry.mesh import Mesh
from addon.geometry.sections import Outline, Section
from addon.takeoff import Takeoff, TubeEnd, take_off
from addon.takeoff.clearance import nearest_levels

SQUARE = Shape("rectangle", 40, 40, 6), Shape("rectangle", 34, 34, 3)
ROUND = Shape("circle", 25.4, 25.4), Shape("circle", 19.05, 19.05)


@pytest.fixture
def post(gmsh) -> Mesh:
    """A square tube along z, from 0 to 300."""
    return tessellated(gmsh, lambda: tube(gmsh, *SQUARE, 300.0), "long", "post")


def box(gmsh, low, size, name="plate") -> Mesh:
    return tessellated(gmsh, lambda: gmsh.model.occ.addBox(*low, *size), "long", name)


def drawn(section: Section, length: float) -> Mesh:
    outer, bore = (line.cross_section(chord_error=CHORD_ERROR) for line in (section.outer, section.bore))
    return Mesh.from_manifold((outer - bore).extrude(length), "tube")


def end_at(takeoff: Takeoff, *place: float) -> TubeEnd:
    near = [end for end in takeoff.ends if np.linalg.norm(end.frame.origin - place) < 0.05]
    assert len(near) == 1, [(end.source, end.frame.origin) for end in takeoff.ends]
    return near[0]


def test_a_plate_at_the_rim_blocks_and_is_named(gmsh, post):
    takeoff = take_off([post, box(gmsh, (-60, -60, -6), (120, 120, 6))], 8.0)
    bottom = end_at(takeoff, 0, 0, 0)
    assert (bottom.cause, bottom.open, bottom.clear_depth_mm) == ("blocked", False, 0.0)
    assert bottom.explained.startswith('Blocked at the rim by "plate";')
    assert end_at(takeoff, 0, 0, 300).open


@pytest.mark.parametrize("first", [True, False])
def test_of_two_at_the_rim_the_one_that_covers_more_is_named(gmsh, post, first):
    """A small cube left over at the origin stands in a post on its base plate."""
    plate, cube = box(gmsh, (-60, -60, -6), (120, 120, 6)), box(gmsh, (-1, -1, -1), (2, 2, 2), "cube")
    bottom = end_at(take_off([cube, post, plate] if first else [plate, post, cube], 8.0), 0, 0, 0)
    assert bottom.explained.startswith('Blocked at the rim by "plate";')


@pytest.mark.parametrize(("gap", "cause"), [(0.1, "blocked"), (5.0, "blocked"), (7.9, "blocked"), (8.1, "open")])
def test_a_plate_in_front_blocks_as_far_as_the_spigot_is_long(gmsh, post, gap, cause):
    bottom = end_at(take_off([post, box(gmsh, (-60, -60, -6 - gap), (120, 120, 6))], 8.0), 0, 0, 0)
    assert bottom.cause == cause
    if cause == "blocked" and gap > 0.1:
        assert f"{gap:g} mm in front of the end" in bottom.explained


@pytest.mark.parametrize(("hole", "cause"), [(5.0, "blocked"), (16.0, "blocked"), (30.0, "open")])
def test_a_plate_with_a_hole_blocks_unless_the_whole_bore_is_free(gmsh, post, hole, cause):
    def build():
        cut(gmsh, gmsh.model.occ.addBox(-60, -60, -6, 120, 120, 6), cylinder(gmsh, (0, 0, -10), (0, 0, 20), hole))

    assert end_at(take_off([post, tessellated(gmsh, build, "long", "plate")], 8.0), 0, 0, 0).cause == cause


def test_an_end_sunk_into_a_solid_is_blocked_at_once(gmsh, post):
    """Overlapping bodies, never joined: the plate's far face is 20 mm down the bore, but the rim is inside it."""
    bottom = end_at(take_off([post, box(gmsh, (-60, -60, -10), (120, 120, 30))], 8.0), 0, 0, 0)
    assert (bottom.cause, bottom.clear_depth_mm) == ("blocked", 0.0)


def test_an_edge_that_points_at_the_rim_leaves_the_depth_above_it(post):
    """A wedge driven through the wall: beside its edge, 60 mm down the bore, one face looks away from the rim."""
    profile = CrossSection([[(-5.0, 60.0), (30.0, 70.0), (30.0, 100.0)]])
    wedge = Mesh.from_manifold(profile.extrude(20.0).rotate((90, 0, 0)).translate((0, 10, 0)), "wedge")
    bottom = end_at(take_off([post, wedge], 80.0), 0, 0, 0)
    assert (bottom.cause, bottom.clear_depth_mm) == ("crossed", pytest.approx(60, abs=0.01))
    assert end_at(take_off([post, wedge], 50.0), 0, 0, 0).open


def test_a_plug_down_the_bore_leaves_the_depth_above_it(gmsh, post):
    bottom = end_at(take_off([post, box(gmsh, (-17, -17, 22.5), (34, 34, 5), "plug")], 30.0), 0, 0, 0)
    assert (bottom.cause, bottom.clear_depth_mm) == ("blocked", pytest.approx(22.5, abs=0.01))
    assert '"plug", 22.5 mm down the bore; shorten the spigot to 22 mm' in bottom.explained
    assert end_at(take_off([post, box(gmsh, (-17, -17, 22.5), (34, 34, 5))], 20.0), 0, 0, 0).open


@pytest.mark.parametrize("angle", [0.0, 10.0, 30.0])
def test_the_depth_above_a_slanting_face_is_that_of_its_highest_point(gmsh, post, angle):
    """A block whose upper face leans about y through (0, 0, 60): highest at the bore's edge, 17 mm from the axis."""

    def build():
        occ = gmsh.model.occ
        block = occ.addBox(-200, -200, 60, 400, 400, 40)
        occ.rotate([(3, block)], 0, 0, 60, 0, 1, 0, math.radians(angle))

    bottom = end_at(take_off([post, tessellated(gmsh, build, "long", "block")], 8.0), 0, 0, 0)
    # The prism keeps 0.6 % of the bore's width away from the wall.
    assert bottom.clear_depth_mm == pytest.approx(60 - (17 - 0.006 * 34) * math.tan(math.radians(angle)), abs=0.01)


@pytest.mark.parametrize(("shapes", "walls"), [(SQUARE, 1), (ROUND, 2)], ids=["square", "round"])
def test_a_bolt_hole_crosses_and_its_depth_is_measured(gmsh, shapes, walls):
    def build():
        body = tube(gmsh, *shapes, 200.0)
        cut(gmsh, body, cylinder(gmsh, (0, -60 if walls == 2 else 0, 15), (0, 120 if walls == 2 else 60, 0), 4.5))

    takeoff = take_off([tessellated(gmsh, build, "long", "tube")], 20.0)
    bottom = end_at(takeoff, 0, 0, 0)
    assert bottom.cause == "crossed"
    assert bottom.clear_depth_mm == pytest.approx(15 - 4.5, abs=CHORD_ERROR + 0.02)
    assert re.match(r"Crossed by a hole 10\.5\d? mm down the bore; shorten the spigot to 10 mm", bottom.explained)
    top = end_at(takeoff, 0, 0, 200)
    assert (top.cause, top.clear_depth_mm) == ("open", pytest.approx(185 - 4.5, abs=CHORD_ERROR + 0.02))


def test_a_hole_nearly_as_wide_as_the_bore_still_crosses(gmsh):
    def build():
        cut(gmsh, tube(gmsh, *ROUND, 200.0), cylinder(gmsh, (0, -60, 22), (0, 120, 0), 9.0))

    bottom = end_at(take_off([tessellated(gmsh, build, "long", "tube")], 20.0), 0, 0, 0)
    assert (bottom.cause, bottom.clear_depth_mm) == ("crossed", pytest.approx(13, abs=0.2))


@pytest.mark.parametrize("drilled", [False, True])
def test_a_bolt_that_crosses_is_named(gmsh, drilled):
    def build():
        body = tube(gmsh, *SQUARE, 200.0)
        if drilled:
            cut(gmsh, body, cylinder(gmsh, (0, -60, 15), (0, 120, 0), 4.1))

    bolt = tessellated(gmsh, lambda: cylinder(gmsh, (0, -30, 15), (0, 60, 0), 4.0), "long", "M8 bolt")
    bottom = end_at(take_off([tessellated(gmsh, build, "long", "post"), bolt], 20.0), 0, 0, 0)
    assert bottom.cause == "crossed"
    assert bottom.explained.startswith('Crossed by "M8 bolt"')
    assert bottom.clear_depth_mm == pytest.approx(11, abs=0.15)


def test_a_weld_bead_around_the_rim_is_not_in_the_way(gmsh, post):
    # A ring of 3 mm wire, resting on the outside at the rim.
    bead = tessellated(gmsh, lambda: gmsh.model.occ.addTorus(0, 0, 0, 26.5, 1.5), "even", "weld")
    assert end_at(take_off([post, bead], 8.0), 0, 0, 0).open


def test_a_coped_end_is_told_with_how_far_it_departs_from_flat(gmsh):
    """A tube fitted to the round of another: its rim follows the other's cylinder, from R - sqrt(R² - r²) to 0."""
    radius, brace_radius = 24.15, 12.7

    def build():
        cut(gmsh, tube(gmsh, *ROUND, 200.0), cylinder(gmsh, (0, -60, 0), (0, 120, 0), radius))

    takeoff = take_off([tessellated(gmsh, build, "long", "brace")], 8.0)
    coped = next(end for end in takeoff.ends if end.cause == "coped")
    departure = radius - math.sqrt(radius**2 - brace_radius**2)
    assert f"departs {departure:.2f}".rstrip("0")[:11] in coped.explained
    assert coped.section.outer.width == pytest.approx(25.4, abs=0.02)
    assert coped.frame.z == pytest.approx([0, 0, -1], abs=1e-4)
    assert coped.clear_depth_mm == 0
    assert end_at(takeoff, 0, 0, 200).open
    assert len(takeoff.ends) == 2


def test_a_tube_coped_at_both_ends_shows_both(gmsh):
    def build():
        body = tube(gmsh, *SQUARE, 200.0)
        cut(
            gmsh, body, cylinder(gmsh, (0, -60, 0), (0, 120, 0), 30.0), cylinder(gmsh, (0, -60, 200), (0, 120, 0), 30.0)
        )

    ends = take_off([tessellated(gmsh, build, "long", "brace")], 8.0).ends
    assert [end.cause for end in ends] == ["coped", "coped"]
    assert {round(float(end.frame.z[2])) for end in ends} == {-1, 1}
    assert [end.section.outer.shape for end in ends] == ["rectangle"] * 2


@pytest.mark.parametrize("as_one", [False, True], ids=["bodies", "one soup"])
def test_mitres_that_meet_are_joined(gmsh, as_one):
    """A corner of two tubes whose mitred rims coincide point for point."""
    leg = tessellated(gmsh, lambda: tube(gmsh, *SQUARE, 200.0, top=Cut(45.0, 0.0)), "long", "left")
    mirror = np.eye(3) - 2 * np.outer(*[np.array([1, 0, 1]) / math.sqrt(2)] * 2)
    other = Mesh((leg.vertices - (0, 0, 200)) @ mirror + (0, 0, 200), leg.triangles[:, ::-1], "right")
    meshes = [leg, other]
    if as_one:
        corners = np.concatenate([leg.corners, other.corners])
        meshes = [Mesh(corners.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3).astype(np.int32), "frame")]
    ends = take_off(meshes, 8.0).ends
    joined = [end for end in ends if not end.open]
    assert len(ends) == 4 and len(joined) == 2
    names = ["frame / body 2", "frame / body 1"] if as_one else ["right", "left"]
    assert [end.explained.split(";")[0] for end in joined] == [f'Joined to "{name}"' for name in names]
    assert all(end.mitre_deg == pytest.approx(45, abs=0.01) for end in joined)


@pytest.mark.parametrize(
    ("gap", "says"), [(0.0, 'Joined to "b"'), (2.0, 'Faces the end of "b", 2 mm away'), (20.0, "open")]
)
def test_tubes_in_line_close_each_other(gmsh, gap, says):
    a = tessellated(gmsh, lambda: tube(gmsh, *ROUND, 100.0), "long", "a")
    b = Mesh(a.vertices + np.array([0, 0, 100 + gap]), a.triangles, "b")
    top = min(take_off([a, b], 8.0).ends, key=lambda end: abs(end.frame.origin[2] - 100) + (end.source == "b"))
    assert top.explained.startswith(says)


def test_a_rail_that_ends_inside_a_posts_wall_is_blocked_by_the_post(gmsh, post):
    rail = tessellated(gmsh, lambda: tube(gmsh, *ROUND, 200.0), "long", "rail")
    turn = np.array([[0, 0, 1], [0, 1, 0], [-1, 0, 0]], float)
    takeoff = take_off([post, moved(rail, turn, np.array([18.5, 0, 150]))], 8.0)
    inner = end_at(takeoff, 18.5, 0, 150)
    assert (inner.cause, inner.clear_depth_mm) == ("blocked", 0.0)
    assert "post" in inner.explained
    assert end_at(takeoff, 218.5, 0, 150).open


@pytest.mark.parametrize("rails", [1, 2, 3])
def test_a_rim_flush_with_rails_fused_to_it_is_still_read(gmsh, rails):
    """The post's rim lies in the rails' upper faces: one planar face for all, and little of the outline its own."""

    def build():
        occ = gmsh.model.occ
        arms = []
        for turn in range(rails):
            arm = tube(gmsh, *SQUARE, 250.0)
            occ.rotate([(3, arm)], 0, 0, 0, 0, 1, 0, math.pi / 2)
            occ.translate([(3, arm)], 20, 0, 280)
            occ.rotate([(3, arm)], 0, 0, 0, 0, 0, 1, turn * math.pi / 2)
            arms.append(arm)
        fuse(gmsh, tube(gmsh, *SQUARE, 300.0), *arms)

    takeoff = take_off([tessellated(gmsh, build, "long", "frame")], 8.0)
    top = end_at(takeoff, 0, 0, 300)
    assert top.open
    assert top.section.kind == "rect"
    assert top.section.outer.width == pytest.approx(40, abs=0.02)
    assert top.section.wall == pytest.approx(3, abs=0.02)
    assert top.section.outer.corner_radius == pytest.approx(6, abs=0.05)
    assert len(takeoff.ends) == 2 + rails and all(end.open for end in takeoff.ends)


def test_in_a_fused_weldment_another_part_of_it_is_named(gmsh):
    def build():
        occ = gmsh.model.occ
        plate, upright = occ.addBox(-60, -60, -14, 120, 120, 8), occ.addBox(-60, 20, -14, 120, 10, 60)
        fuse(gmsh, tube(gmsh, *SQUARE, 200.0), upright, plate)

    bottom = end_at(take_off([tessellated(gmsh, build, "long", "base")], 8.0), 0, 0, 0)
    assert bottom.cause == "blocked"
    assert bottom.explained.startswith('Blocked by another part of "base", 6 mm in front of the end')


def test_a_tube_inside_a_wider_one_is_not_joined_to_it(gmsh):
    """The wider one's mouth lies in the same plane and faces the other way, but its wall is out of the way."""
    inner = tessellated(gmsh, lambda: tube(gmsh, *ROUND, 100.0), "long", "inner")
    wide = Shape("circle", 88.9, 88.9), Shape("circle", 80.0, 80.0)
    outer = tessellated(gmsh, lambda: tube(gmsh, *wide, 100.0), "long", "outer")
    above = Mesh(outer.vertices + np.array([0, 0, 100]), outer.triangles, "outer")
    assert end_at(take_off([inner], 8.0), 0, 0, 100).open
    ends = take_off([inner, above], 8.0).ends
    assert [end.cause for end in ends if end.source == "inner"] == ["open", "open"]


def bent(gmsh, straight: float) -> None:
    """A tube that runs straight from the rim at (0, 0, 0) down to -straight, then bends by 90° at a radius of 80."""
    occ = gmsh.model.occ
    ring = [shape.face(gmsh) for shape in ROUND]
    flat, _ = occ.cut([(2, ring[0])], [(2, ring[1])])
    occ.translate(flat, 0, 0, -straight)
    run = [tag for dim, tag in occ.extrude(flat, 0, 0, straight) if dim == 3]
    bend = [tag for dim, tag in occ.revolve(flat, 80, 0, -straight, 0, 1, 0, -math.pi / 2) if dim == 3]
    fuse(gmsh, *run, *bend)


@pytest.mark.parametrize(("straight", "cause"), [(5.0, "too short"), (60.0, "open")])
def test_a_bend_ends_the_straight_bore(gmsh, straight, cause):
    end = end_at(take_off([tessellated(gmsh, lambda: bent(gmsh, straight), "long", "bend")], 8.0), 0, 0, 0)
    assert end.cause == cause
    # The bend may carry on straight for its first facet, within the tolerance of the outline.
    assert straight - 0.1 < end.clear_depth_mm < straight + 7
    assert ("runs straight for" in end.explained) == (cause == "too short")


def shell(outline: Outline, length: float, name: str = "shell") -> Mesh:
    ring = outline.polygon(chord_error=CHORD_ERROR)
    count = len(ring)
    low, high = (np.column_stack([ring, np.full(count, z)]) for z in (0.0, length))
    a, b = np.arange(count), (np.arange(count) + 1) % count
    sides = np.concatenate([np.column_stack([a, b, b + count]), np.column_stack([a, b + count, a + count])])
    return Mesh(np.concatenate([low, high]), sides.astype(np.int32), name)


def test_a_thin_shell_asks_for_its_wall_and_takes_it():
    mesh = shell(Outline.rectangle(40, 20, 4), 200)
    bare = take_off([mesh], 8.0).ends
    assert [end.cause for end in bare] == ["no wall", "no wall"]
    assert all("wall_mm" in end.explained and end.section.bore.width == end.section.outer.width for end in bare)
    walled = take_off([mesh], 8.0, wall_mm=2.0).ends
    assert [end.cause for end in walled] == ["open", "open"]
    assert all(
        end.section.wall == pytest.approx(2) and end.section.bore.corner_radius == pytest.approx(2) for end in walled
    )
    thick = take_off([mesh], 8.0, wall_mm=12.0).ends
    assert [end.cause for end in thick] == ["no wall", "no wall"]
    assert "12 mm, leaves no bore" in thick[0].explained


def test_a_shell_inside_a_shell_makes_a_tube():
    pair = [shell(Outline.circle(25.4), 200, "outside"), shell(Outline.circle(19.05), 200, "inside")]
    ends = take_off(pair, 8.0).ends
    assert [(end.source, end.cause) for end in ends] == [("outside", "open")] * 2
    assert ends[0].section.wall == pytest.approx(3.175, abs=1e-6)


def test_solid_bars_of_tube_like_size_are_told(gmsh):
    bar = tessellated(gmsh, lambda: tube(gmsh, Shape("rectangle", 20, 20), None, 300.0, top=Cut(30, 90)), "long", "bar")
    ends = take_off([bar], 8.0).ends
    assert [end.cause for end in ends] == ["solid", "solid"]
    assert sorted(end.mitre_deg for end in ends) == pytest.approx([0, 30], abs=0.01)
    assert {tuple(end.frame.origin.round(3)) for end in ends} == {(0.0, 0.0, 0.0), (0.0, 0.0, 300.0)}


ANGLE = [(0, 0), (50, 0), (50, 5), (5, 5), (5, 50), (0, 50)]
CHANNEL = [(0, 0), (50, 0), (50, 5), (5, 5), (5, 45), (50, 45), (50, 50), (0, 50)]
SLOTTED = CrossSection.circle(12.7, 64) - CrossSection.circle(9.5, 64) - CrossSection.square((20, 2))


@pytest.mark.parametrize(
    "section", [CrossSection([ANGLE]), CrossSection([CHANNEL]), SLOTTED], ids=["angle", "channel", "slotted"]
)
def test_an_open_section_is_not_called_a_solid_bar(section):
    ends = take_off([Mesh.from_manifold(section.extrude(400.0), "part")], 8.0).ends
    assert [end.cause for end in ends] == ["profile", "profile"]
    assert all("open section" in end.reason for end in ends)


# source of the pipe: ASME B36.10M, NPS 1/2 XXS, 21.3 mm with a wall of 7.47 mm; the others are inches exactly
@pytest.mark.parametrize(
    ("width", "wall"), [(21.3, 7.47), (25.4, 25.4 * 5 / 16), (25.4 * 19 / 16, 25.4 * 3 / 8)], ids=str
)
def test_thick_walls_are_tubes(width, wall):
    ends = take_off([drawn(Section.round(width, wall), 100.0)], 8.0).ends
    assert [end.cause for end in ends] == ["open", "open"]
    assert all(end.section.wall == pytest.approx(wall, abs=0.01) for end in ends)


def test_a_thick_wall_that_is_even_all_around_is_a_tubes_whatever_its_shape():
    # source: a regular hexagon measures 2 / sqrt(3) as much across its corners as across its flats
    outside, inside = (CrossSection.circle(flats / math.sqrt(3), 6) for flats in (30.0, 10.0))
    ends = take_off([Mesh.from_manifold((outside - inside).extrude(200.0), "hexagon")], 8.0).ends
    assert [end.cause for end in ends] == ["open", "open"]
    assert all(end.section.wall == pytest.approx(10.0, abs=1e-6) for end in ends)


@pytest.mark.parametrize(
    ("section", "length", "cause"),
    [
        (Section.round(25.4, 3.175), 20.0, "open"),
        (Section.rectangular(80, 40, 3), 12.0, "open"),
        (Section.round(25.4, 3.175), 7.0, "too short"),
    ],
    ids=str,
)
def test_a_tube_shorter_than_it_is_wide_has_two_ends(section, length, cause):
    ends = take_off([drawn(section, length)], 8.0).ends
    assert [end.cause for end in ends] == [cause, cause]


@pytest.mark.parametrize(
    "what", ["plate with holes", "washer", "nut", "flange", "lug", "block with deep holes", "flat bar", "two chambers"]
)
def test_what_is_no_tube_is_not_listed(gmsh, what):
    occ = gmsh.model.occ

    def holes(body, radius, depth, *places):
        cut(gmsh, body, *(cylinder(gmsh, (x, y, -1), (0, 0, depth + 2), radius) for x, y in places))

    def build():
        if what == "plate with holes":
            holes(occ.addBox(-100, -50, 0, 200, 100, 10), 9, 10, (-70, 0), (0, 0), (70, 0))
        elif what == "washer":
            holes(cylinder(gmsh, (0, 0, 0), (0, 0, 2.5), 12), 6.5, 2.5, (0, 0))
        elif what == "nut":
            points = tuple((10.39 * math.cos(a), 10.39 * math.sin(a)) for a in np.arange(6) * math.pi / 3)
            face = Shape("polygon", 18, 18, points=points).face(gmsh)
            holes(next(tag for dim, tag in occ.extrude([(2, face)], 0, 0, 10.8) if dim == 3), 5.1, 10.8, (0, 0))
        elif what == "flange":
            holes(cylinder(gmsh, (0, 0, 0), (0, 0, 12), 60), 25, 12, (0, 0))
        elif what == "lug":
            round_end = cylinder(gmsh, (0, 0, 0), (0, 0, 10), 20)
            holes(fuse(gmsh, round_end, occ.addBox(-20, -40, 0, 40, 40, 10)), 10, 10, (0, 0))
        elif what == "block with deep holes":
            holes(occ.addBox(-30, -30, 0, 60, 60, 100), 8, 100, (-15, -15), (15, -15), (-15, 15), (15, 15))
        elif what == "flat bar":
            occ.addBox(0, 0, 0, 40, 5, 600)
        else:
            cut(gmsh, occ.addBox(0, 0, 0, 80, 40, 300), *(occ.addBox(x, 3, -1, 35.5, 34, 302) for x in (3, 41.5)))

    assert take_off([tessellated(gmsh, build, "long", what)], 8.0).ends == ()


def test_each_section_can_ask_for_its_own_depth(gmsh, post):
    rod = tessellated(gmsh, lambda: tube(gmsh, *ROUND, 30.0), "long", "stub")
    far = Mesh(rod.vertices + np.array([500, 0, 0]), rod.triangles, "stub")

    def needed(section: Section) -> float:
        return 40.0 if section.kind == "round" else 8.0

    takeoff = take_off([post, far], needed)
    stubs = [end for end in takeoff.ends if end.source == "stub"]
    assert [end.cause for end in stubs] == ["too short"] * 2
    assert all("only 30 mm deep" in end.explained for end in stubs)
    assert all(end.open for end in takeoff.ends if end.source == "post")


def test_the_verdicts_do_not_depend_on_where_the_weldment_stands(gmsh, post):
    meshes = [post, box(gmsh, (-60, -60, -6), (120, 120, 6)), box(gmsh, (-17, -17, 282), (34, 34, 5), "plug")]
    rng = np.random.default_rng(3)
    for _ in range(4):
        turn, shift = rotation(rng), rng.uniform(-5000, 5000, 3)
        placed = [moved(mesh, turn, shift) for mesh in meshes]
        placed = [Mesh(mesh.vertices.astype(np.float32).astype(float), mesh.triangles, mesh.name) for mesh in placed]
        takeoff = take_off(placed, 15.0)
        tubes = [end for end in takeoff.ends if end.source == "post"]
        assert sorted(end.cause for end in tubes) == ["blocked", "blocked"]
        assert sorted(end.clear_depth_mm for end in tubes) == pytest.approx([0, 13], abs=0.01)


@given(st.integers(0, 2**32 - 1))
def test_the_nearest_point_inside_a_bore_is_that_of_shapely(seed):
    # source: shapely's intersection of the projected triangle with the bore; a linear level is least at its corners
    rng = np.random.default_rng(seed)
    bore = np.array([(-10, -6), (10, -6), (10, 6), (2, 6), (2, 1), (-4, 1), (-4, 6), (-10, 6)], float)
    corners = rng.uniform(-25, 25, (6, 3, 2)) * rng.choice([0.2, 1.0])
    slope, base = rng.normal(size=(6, 2)), rng.normal(size=6)
    levels = np.einsum("nci,ni->nc", corners, slope) + base[:, None]
    nearest = nearest_levels(CrossSection([bore]), corners, levels, math.inf)
    many = [np.tile(array, (40, *[1] * (array.ndim - 1))) for array in (corners, levels)]
    near = nearest_levels(CrossSection([bore]), *many, 0.5).reshape(40, -1)
    close = nearest <= nearest.min() + 0.5
    assert (near[:, close] == nearest[close]).all() and (near[:, ~close] >= nearest[~close]).all()
    for triangle, tilt, start, level in zip(corners, slope, base, nearest, strict=True):
        common = shapely.Polygon(triangle).intersection(shapely.Polygon(bore))
        if common.is_empty:
            assert level == math.inf
        elif common.area > 1e-6:
            expected = (shapely.get_coordinates(common) @ tilt + start).min()
            assert level == pytest.approx(expected, abs=1e-6)


def telescoped(wide: Section, narrow: Section, low: float, length: float) -> Takeoff:
    """A wide tube from 0 to 400 along z, and a narrow one in it that begins at ``low``."""
    meshes = []
    for name, section, start, run in (("wide", wide, 0.0, 400.0), ("narrow", narrow, low, length)):
        ring = section.outer.cross_section(chord_error=0.05) - section.bore.cross_section(chord_error=0.05)
        meshes.append(Mesh.from_manifold(ring.extrude(run).translate([0, 0, start]), name))
    return take_off(meshes, 8.0)


SLIDING = [
    (Section.round(42.4, 2), Section.round(38, 1.5)),
    (Section.round(60.3, 2.9), Section.round(25.4, 1.651)),
    (Section.rectangular(40, 40, 2), Section.rectangular(35, 35, 2)),
    (Section.rectangular(80, 40, 3), Section.rectangular(60, 30, 3)),
]


@pytest.mark.parametrize(("wide", "narrow"), SLIDING)
def test_an_end_deep_inside_another_tube_is_blocked_by_it(wide, narrow):
    takeoff = telescoped(wide, narrow, 100.0, 500.0)
    buried = end_at(takeoff, 0, 0, 100)
    assert (buried.cause, buried.clear_depth_mm) == ("blocked", 0.0)
    assert buried.explained.startswith('Inside "wide":')
    assert end_at(takeoff, 0, 0, 600).open
    assert end_at(takeoff, 0, 0, 0).open


@pytest.mark.parametrize(("wide", "narrow"), SLIDING)
def test_an_end_that_sticks_out_or_lies_flush_is_open(wide, narrow):
    assert end_at(telescoped(wide, narrow, -10.0, 500.0), 0, 0, -10).open
    flush = [end for end in telescoped(wide, narrow, 0.0, 500.0).ends if end.section.like(narrow, 0.05)]
    assert [end.open for end in flush] == [True, True]


def test_a_collar_open_on_one_side_does_not_close_an_end_in():
    """A half pipe stands in front of half the rim."""
    wide, narrow = SLIDING[1]
    ring = narrow.outer.cross_section(chord_error=0.05) - narrow.bore.cross_section(chord_error=0.05)
    shell = wide.outer.cross_section(chord_error=0.05) - wide.bore.cross_section(chord_error=0.05)
    half = shell ^ CrossSection.square([100, 100]).translate([-10, -50])
    meshes = [Mesh.from_manifold(ring.extrude(300.0), "narrow")]
    meshes.append(Mesh.from_manifold(half.extrude(200.0).translate([0, 0, -100]), "half"))
    assert end_at(take_off(meshes, 8.0), 0, 0, 0).open


@pytest.mark.parametrize(("mitre", "read"), [(0.08, 0.0), (0.2, 0.2)])
def test_a_cut_that_no_saw_makes_squarer_is_square(gmsh, mitre, read):
    """Common practice, no source."""
    mesh = tessellated(gmsh, lambda: tube(gmsh, *SQUARE, 200.0, top=Cut(mitre)), "long", "post")
    assert max(end.mitre_deg for end in take_off([mesh], 8.0).ends) == pytest.approx(read, abs=0.01)
