# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections, axes and mitres read from tubes that gmsh's B-rep kernel built and that other programs tessellated.

The bounds are common practice, no source: sizes to 0.02 mm and angles to 0.05° at a chord error of 0.05 mm.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely
from manifold3d import CrossSection
from weldments import CHORD_ERROR, Cut, Shape, moved, rotation, tessellated, tube

from addon.geometry.mesh import Mesh
from addon.geometry.sections import Outline
from addon.takeoff import TubeEnd, mitre_normal, take_off

SIZE_MM = 0.02
ANGLE_DEG = 0.05
LENGTH = 90.0


def hexagon(across_flats: float) -> Shape:
    corners = [(math.cos(a), math.sin(a)) for a in np.arange(6) * math.pi / 3]
    radius = across_flats / math.sqrt(3)
    points = tuple((radius * x, radius * y) for x, y in corners)
    return Shape("polygon", 2 * radius, across_flats, points=points)


SECTIONS = {
    "round": (Shape("circle", 25.4, 25.4), Shape("circle", 19.05, 19.05)),
    "pipe": (Shape("circle", 48.3, 48.3), Shape("circle", 40.94, 40.94)),
    "square": (Shape("rectangle", 40, 40, 6), Shape("rectangle", 34, 34, 3)),
    "rectangular": (Shape("rectangle", 80, 40, 6), Shape("rectangle", 74, 34, 3)),
    "sharp": (Shape("rectangle", 50, 25), Shape("rectangle", 46, 21)),
    "obround": (Shape("obround", 60, 30), Shape("obround", 56, 26)),
    "ellipse": (Shape("ellipse", 60, 30), Shape("ellipse", 56, 26)),
    "hexagon": (hexagon(30), hexagon(26)),
    "d": (Shape("d", 40, 40), Shape("d", 36, 36)),
    "eccentric": (Shape("circle", 40, 40), Shape("circle", 33, 33, centre=(0.6, 0.3))),
}
KIND = {
    "round": "round",
    "pipe": "round",
    "eccentric": "round",
    "square": "rect",
    "rectangular": "rect",
    "sharp": "rect",
}
MITRES = {name: ((15.0, 45.0), (30.0, 60.0))[number % 2] for number, name in enumerate(SECTIONS)}
READ_AS = {"circle": "circle", "rectangle": "rectangle", "obround": "obround", "ellipse": "ellipse"}


def single(mesh: Mesh) -> Mesh:
    """The mesh as a binary STL would hold it: in single precision."""
    return replace(mesh, vertices=mesh.vertices.astype(np.float32).astype(float))


def angle(a, b) -> float:
    return math.degrees(math.atan2(float(np.linalg.norm(np.cross(a, b))), float(a @ b)))


def check_outline(read, drawn: Shape) -> None:
    assert read.shape == READ_AS.get(drawn.kind, "free")
    sizes = (read.width, read.depth)
    assert sizes == pytest.approx((drawn.width, drawn.depth), abs=SIZE_MM if read.shape != "free" else CHORD_ERROR)
    if drawn.kind == "rectangle":
        assert read.corner_radius == pytest.approx(drawn.radius, abs=SIZE_MM)


def checked(ends: tuple[TubeEnd, ...], name: str, cut: Cut, turn, shift, mirrored: bool) -> TubeEnd:
    """Both ends against the truth, and the mitred one."""
    outer, bore = SECTIONS[name]
    mitre, direction = cut.mitre_deg, cut.direction_deg
    flip = np.array([-1 if mirrored else 1, 1, 1])
    assert len(ends) == 2
    top = min(ends, key=lambda end: np.linalg.norm(end.frame.origin - (turn @ (0, 0, LENGTH) + shift)))
    for end in ends:
        is_top = end is top
        assert end.cause == "open", end.reason
        assert end.section.kind == KIND.get(name, "other")
        check_outline(end.section.outer, outer)
        check_outline(end.section.bore, bore)
        out = turn @ np.array([0, 0, 1.0 if is_top else -1.0])
        assert angle(end.frame.z, out) < ANGLE_DEG
        normal = turn @ (mitre_normal(mitre, direction) * flip) if is_top else out
        assert angle(end.rim_normal, normal) < ANGLE_DEG
        assert end.mitre_deg == pytest.approx(mitre if is_top else 0.0, abs=ANGLE_DEG)
        assert np.linalg.det(end.frame.axes) == pytest.approx(1)
        if name not in ("d", "eccentric"):  # their boxes are not centred on the axis that they were drawn about
            at = turn @ np.array([0, 0, LENGTH if is_top else 0.0]) + shift
            assert end.frame.origin == pytest.approx(at, abs=SIZE_MM)
        # The bore is shortest on one side: by the mitre's rise over half its width, or its half diagonal at most.
        rise = math.tan(math.radians(mitre))
        assert LENGTH - rise * math.hypot(bore.width, bore.depth) / 2 - 1 < end.clear_depth_mm <= LENGTH + 0.01
        if name in ("round", "pipe"):
            assert end.clear_depth_mm == pytest.approx(LENGTH - rise * bore.width / 2, abs=0.1 + CHORD_ERROR * rise)
    return top


@pytest.mark.once
@pytest.mark.parametrize("name", SECTIONS)
@pytest.mark.parametrize("how", ["long", "even"])
def test_sections_axes_and_mitres_are_read_whatever_the_mesh(gmsh, name, how):
    """At two mitred ends in long triangles and one in even ones, and at the square end of each of these tubes."""
    rng = np.random.default_rng(sum(map(ord, name + how)))
    outer, bore = SECTIONS[name]
    for mitre in MITRES[name] if how == "long" else MITRES[name][1:]:
        cut = Cut(mitre, rng.uniform(0, 360))
        mesh = tessellated(gmsh, lambda: tube(gmsh, outer, bore, LENGTH, top=cut), how)  # noqa: B023
        turn, shift, mirrored = rotation(rng), rng.uniform(-2000, 2000, 3), bool(rng.random() < 0.5)
        ends = take_off([single(moved(mesh, turn, shift, mirrored))], 8.0).ends
        top = checked(ends, name, cut, turn, shift, mirrored)
        if name == "eccentric":
            assert top.section.bore.centre == pytest.approx((math.hypot(0.6, 0.3), 0), abs=SIZE_MM)
        if name == "d":
            assert top.section.outer.width > 37  # the flat back lies square to the width


PERIODS = {"round": 0, "square": 90, "rectangular": 180, "obround": 180, "hexagon": 60}


@pytest.mark.parametrize("name", PERIODS)
def test_equal_fittings_get_equal_directions(gmsh, name):
    """The same cut, drawn in each of the directions in which the section repeats itself, is the same fitting."""
    outer, bore = SECTIONS[name]
    period = PERIODS[name]
    step = period or 50
    directions = []
    for times in range(2):
        cut = Cut(25.0, 20.0 + times * step)
        mesh = tessellated(gmsh, lambda: tube(gmsh, outer, bore, LENGTH, top=cut), "long")  # noqa: B023
        end = max(take_off([mesh], 8.0).ends, key=lambda end: end.mitre_deg)
        assert 0 <= end.mitre_direction_deg < (period or 1)
        directions.append(end.mitre_direction_deg)
    assert directions == pytest.approx([directions[0]] * 2, abs=ANGLE_DEG)
    assert not period or directions[0] % min(period, 90) > 1


def test_a_weldment_cut_anywhere_round_gives_the_width_along_x(gmsh):
    outer, bore = SECTIONS["rectangular"]
    mesh = tessellated(gmsh, lambda: tube(gmsh, outer, bore, LENGTH), "long")
    for end in take_off([mesh], 8.0).ends:
        assert abs(end.frame.x @ (1, 0, 0)) == pytest.approx(1, abs=1e-6)
        assert end.section.outer.width > end.section.outer.depth


def few_sided(diameter: float, wall: float, corners: int, inner_corners: int) -> Mesh:
    def ring(radius: float, count: int) -> CrossSection:
        angles = np.arange(count) * 2 * math.pi / count
        return CrossSection([radius * np.column_stack([np.cos(angles), np.sin(angles)])])

    section = ring(diameter / 2, corners) - ring(diameter / 2 - wall, inner_corners)
    return Mesh.from_manifold(section.extrude(LENGTH), "tube")


@pytest.mark.parametrize(("corners", "inner_corners"), [*((count, count) for count in range(6, 12)), (11, 9), (13, 10)])
def test_a_tube_of_few_facets_is_read_as_round_and_said_to_be_coarse(corners, inner_corners):
    takeoff = take_off([few_sided(25.4, 3.175, corners, inner_corners)], 8.0)
    assert [end.section.kind for end in takeoff.ends] == ["round", "round"]
    assert all(end.open and end.section.outer.width == pytest.approx(25.4, abs=1e-3) for end in takeoff.ends)
    assert all(end.section.wall == pytest.approx(3.175, abs=1e-3) for end in takeoff.ends)
    assert takeoff.notes == (
        f'"tube" has 2 tube ends with only {corners} facets, read as round, through their corners, 25.4 mm across.',
    )


@pytest.mark.parametrize(
    ("diameter", "wall", "corners"),
    [(25.4, 3.175, 3), (25.4, 3.175, 4), (25.4, 3.175, 5), (40 / math.cos(math.pi / 6), 3.3, 6)],
    ids=str,
)
def test_a_polygon_that_may_stand_for_a_round_tube_is_named(diameter, wall, corners):
    takeoff = take_off([few_sided(diameter, wall, corners, corners)], 8.0)
    assert [end.section.kind for end in takeoff.ends] == ["rect" if corners == 4 else "other"] * 2
    (note,) = takeoff.notes
    assert f"only {corners} facets, read as a polygon" in note and f"{diameter:.4g} mm" in note


@pytest.mark.parametrize(("side", "wall"), [(50, 3), (30, 2.2)], ids=str)
def test_a_square_tube_with_sharp_corners_is_not_doubted(side, wall):
    """Across its corners, one of 30 mm is nearly as wide as a pipe of 42.4 mm."""
    assert take_off([few_sided(side * math.sqrt(2), wall * math.sqrt(2), 4, 4)], 8.0).notes == ()


@pytest.mark.parametrize("leg", [0.6, 1.78, 5.0])
def test_a_rectangular_bore_stays_inside_chamfered_corners(leg):
    """Shapely: the bore as read does not reach past the drawn one, so that a spigot goes in, and fills nearly all."""
    drawn = Outline.rectangle(34, 30, leg).polygon(4)
    outer = Outline.rectangle(38, 34, leg + 2).polygon(64)
    mesh = Mesh.from_manifold((CrossSection([outer]) - CrossSection([drawn])).extrude(200.0), "tube")
    end = take_off([mesh], 8.0).ends[0]
    assert end.section.kind == "rect" and end.open
    read, true = shapely.Polygon(end.section.bore.polygon()), shapely.Polygon(drawn)
    assert read.difference(true).area < 1e-3
    assert true.difference(read).area < 0.7 * leg**2
