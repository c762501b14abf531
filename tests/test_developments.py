# SPDX-License-Identifier: GPL-3.0-or-later
"""Developments of cuts, against the curves of gmsh's B-rep kernel and closed forms.

Sources: the development of a cylinder that meets a cylinder, and of one cut by a plane: descriptive geometry, any
pattern-drafting handbook (docs/sums.md derives them).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from shapely import LineString, Point, Polygon
from weldments import Cut, Shape, cylinder, fuse, tube

from addon.geometry.developments import Development, LowestCut, PlaneCut, ReadCut, TubeCut, develop
from addon.geometry.frames import Floats, Frame
from addon.geometry.sections import Outline, Section

WITHIN_MM = 0.02
ROUND, SQUARE, SHARP = Section.round(25.4, 3.0), Section.rectangular(40, 40, 3), Section.rectangular(30, 20, 2, 0)


def shape_of(outline: Outline) -> Shape:
    kind = "circle" if outline.shape == "circle" else "rectangle"
    return Shape(kind, outline.width, outline.depth, outline.corner_radius)


def curves_of_cut(gmsh, outline: Outline, build_tool) -> Floats:
    """(n, 3): points of the kernel's curves where a bar along z, down from the origin, is cut by a tool."""
    occ = gmsh.model.occ
    bar = tube(gmsh, shape_of(outline), None, 400.0)
    occ.translate([(3, bar)], 0, 0, -300)
    pieces, _ = occ.cut([(3, bar)], [(3, build_tool())])
    occ.synchronize()
    low = min((tag for _, tag in pieces), key=lambda tag: gmsh.model.occ.getCenterOfMass(3, tag)[2])
    points, rim = [], Polygon(outline.polygon(chord_error=1e-4)).exterior
    for _, curve in gmsh.model.getBoundary(gmsh.model.getBoundary([(3, low)], oriented=False), False, False):
        (begin,), (end,) = gmsh.model.getParametrizationBounds(1, curve)
        line = np.reshape(gmsh.model.getValue(1, curve, np.linspace(begin, end, 101).tolist()), (-1, 3))
        if line[:, 2].min() > -299 and max(rim.distance(Point(*point)) for point in line[:, :2]) < 1e-3:
            points.append(line)
    return np.concatenate(points)


def unrolled(development: Development, points: Floats) -> Floats:
    """(n, 2): points of the tube's outside on paper."""
    ring = LineString(development.points)
    share = np.array([ring.project(Point(*point), normalized=True) for point in points[:, :2]])
    return np.column_stack([share * development.length, points[:, 2]])


def check(gmsh, cut, section: Section, build_tool) -> None:
    development = develop(cut, section)
    assert development.length == pytest.approx(section.outer.length)
    on_outside = curves_of_cut(gmsh, section.outer, build_tool)
    line = LineString(np.column_stack([development.around, development.outside]))
    assert max(line.distance(Point(*point)) for point in unrolled(development, on_outside)) < WITHIN_MM
    gmsh.clear()
    on_bore = curves_of_cut(gmsh, section.bore, build_tool)
    assert cut.heights(on_bore[:, :2]) == pytest.approx(on_bore[:, 2], abs=WITHIN_MM)


@pytest.mark.once
@pytest.mark.parametrize("angle_deg", [90.0, 60.0, 35.0])
@pytest.mark.parametrize(
    ("section", "large", "offset"),
    [(ROUND, 48.3, 0.0), (ROUND, 48.3, 8.0), (ROUND, 25.4, 0.0), (SQUARE, 60.3, 5.0), (SHARP, 33.7, 0.0)],
    ids=["round", "offset", "one size", "square", "rectangular"],
)
def test_the_cut_on_a_round_tube_is_the_kernels(gmsh, section, large, offset, angle_deg):
    cut, angle = TubeCut.at(Outline.circle(large), angle_deg, offset), math.radians(angle_deg)
    along = np.array([math.sin(angle), 0.0, -math.cos(angle)])

    def build_tool():
        return cylinder(gmsh, tuple(-300 * along - (0, offset, 0)), tuple(600 * along), large / 2)

    check(gmsh, cut, section, build_tool)
    assert (cut.angle_deg, cut.offset_mm) == (pytest.approx(angle_deg), pytest.approx(offset))


@pytest.mark.once
@pytest.mark.parametrize("angle_deg", [90.0, 50.0])
@pytest.mark.parametrize("turn_deg", [0.0, 25.0])
@pytest.mark.parametrize("section", [ROUND, SHARP], ids=["round", "rectangular"])
def test_the_cut_on_a_rectangular_tube_is_the_kernels(gmsh, section, angle_deg, turn_deg):
    """Turned, the branch lies on the rounded edge of the other tube."""
    outline = Outline.rectangle(50, 40, 8)
    cut = TubeCut.at(outline, angle_deg, 2.0, turn_deg)

    def build_tool():
        occ = gmsh.model.occ
        bar = tube(gmsh, shape_of(outline), None, 600.0)
        occ.translate([(3, bar)], 0, 0, -300)
        matrix = np.eye(4)
        matrix[:3] = cut.frame.matrix[:3]
        occ.affineTransform([(3, bar)], matrix.ravel().tolist())
        return bar

    check(gmsh, cut, section, build_tool)


@pytest.mark.once
@pytest.mark.parametrize("section", [ROUND, SQUARE, SHARP], ids=["round", "square", "sharp"])
@pytest.mark.parametrize(("turn_deg", "up"), [(180.0, 0.0), (100.0, 6.0)])
def test_the_cut_on_two_tubes_at_once_is_the_kernels(gmsh, section, turn_deg, up):
    """The curve of what is left where both are cut off together."""
    turned = Frame(np.array([0.0, 0.0, -up]), np.eye(3)).turned(-turn_deg)
    cuts = [TubeCut.at(Outline.circle(60.3), 60.0, 2.0), TubeCut.at(Outline.circle(60.3), 50.0).seen_from(turned)]

    def build_tool():
        bars = []
        for cut in cuts:
            origin, along = cut.frame.origin, cut.frame.z
            bars.append(cylinder(gmsh, tuple(origin - 300 * along), tuple(600 * along), 60.3 / 2))
        return fuse(gmsh, *bars)

    lowest = LowestCut.of(cuts, section.outer)
    points = section.outer.polygon()
    heights = np.array([cut.heights(points) for cut in (*cuts, lowest)])
    assert (heights[0] < heights[1]).any() and (heights[1] < heights[0]).any()
    check(gmsh, lowest, section, build_tool)
    seen = lowest.seen_from(turned)
    assert seen.heights(turned.to_local(np.column_stack([points, 0 * points[:, 0]]))[:, :2]) == pytest.approx(
        lowest.heights(points) + up
    )
    assert seen.direction_deg == pytest.approx((lowest.direction_deg + turn_deg) % 360)


@pytest.mark.parametrize("section", [ROUND, SQUARE], ids=["round", "square"])
def test_a_mitre_is_the_kernels(gmsh, section):
    def build_tool():
        # The tool's lower face looks against the rim's normal, and leans the other way.
        return tube(gmsh, Shape("rectangle", 200, 200), None, 200.0, bottom=Cut(30.0, 200.0))

    check(gmsh, PlaneCut(30.0, 20.0), section, build_tool)


@pytest.mark.parametrize("angle_deg", [90.0, 45.0])
@pytest.mark.parametrize("offset", [0.0, -7.0])
def test_the_handbooks_formula(angle_deg, offset):
    small, large, angle = 12.7, 30.0, math.radians(angle_deg)
    development = develop(TubeCut.at(Outline.circle(2 * large), angle_deg, offset), Section.round(2 * small, 2.0))
    turn = np.arctan2(development.points[:, 1], development.points[:, 0])
    for radius, heights in ((small, development.outside), (small - 2.0, development.inside)):
        across = np.sqrt(large**2 - (offset + radius * np.sin(turn)) ** 2)
        assert -heights == pytest.approx(
            (across + radius * np.cos(turn) * math.cos(angle)) / math.sin(angle), abs=WITHIN_MM / 2
        )


def test_a_plane_cut_is_a_cosine():
    development = develop(PlaneCut(22.5, 0.0), Section.round(40.0, 2.0))
    turn = development.around / 20.0  # from the longer side
    assert development.outside == pytest.approx(20.0 * math.tan(math.radians(22.5)) * np.cos(turn), abs=1e-4)
    assert [line.name for line in development.lines] == [
        "long side",
        "quarter line",
        "short side",
        "quarter line",
    ]


def test_paper_printed_side_out_is_not_mirrored():
    """Looking along -x at a tube whose end points up, along z, y is to the right: the way that the paper runs. The
    other tube lies to the left, and the cut is lower there, on its crest."""
    development = develop(TubeCut.at(Outline.circle(60.0), 90.0, 5.0), Section.round(25.4, 3.0))
    (facing,) = (line.around_mm for line in development.lines if abs(line.around_mm - development.length / 2) < 1e-6)
    quarter = development.length / 4
    x, y = (np.interp([facing, facing + quarter], development.around, column) for column in development.points.T)
    assert (x[0], y[0], x[1], y[1]) == pytest.approx((12.7, 0, 0, 12.7), abs=0.01)
    left, right = np.interp([facing - quarter, facing + quarter], development.around, development.outside)
    # source: height of a circle at 12.7 mm from its middle, moved by 5 mm
    assert (-left, -right) == pytest.approx((math.sqrt(900 - 7.7**2), math.sqrt(900 - 17.7**2)), abs=0.01)


def test_a_tube_that_is_wider_or_passes_by_does_not_meet_the_other():
    wide, aside = TubeCut.at(Outline.circle(25.0), 90.0), TubeCut.at(Outline.circle(60.0), 60.0, 22.0)
    points = ROUND.outer.polygon()
    assert wide.past_mm(points) == pytest.approx(0.2, abs=0.01) and aside.past_mm(points) == pytest.approx(4.7)
    for cut in (wide, aside):
        with pytest.raises(ValueError, match="does not go all around"):
            develop(cut, ROUND)


def test_a_cut_as_read_is_the_one_that_it_was_read_from():
    cut = TubeCut.at(Outline.circle(48.3), 60.0)
    lines = [
        np.column_stack([points, cut.heights(points)])
        for points in (outline.polygon(96) for outline in (ROUND.outer, ROUND.bore))
    ]
    read, drawn = develop(ReadCut(*lines), ROUND), develop(cut, ROUND)
    assert np.interp(drawn.around, read.around, read.outside) == pytest.approx(drawn.outside, abs=0.02)
    with pytest.raises(ValueError, match="does not go all around"):
        develop(ReadCut(lines[0][20:], lines[1][20:]), ROUND)
    assert (read.top, read.bottom) == (pytest.approx(drawn.top, abs=0.01), pytest.approx(drawn.bottom, abs=0.01))


@pytest.mark.parametrize("corner", [6.0, 0.0])
def test_both_sides_of_a_tube_as_wide_as_the_other_one_are_cut_alike(corner):
    """The plane of both axes halves them: the sides that lie flush with the other tube's are mirror images."""
    for seed in range(20):
        turned = Frame(np.zeros(3), np.eye(3)).turned(float(np.random.default_rng(seed).uniform(0, 360)))
        cut = TubeCut.at(Section.rectangular(60, 40, 3, corner).outer, 45.0, 0.0, 90.0).seen_from(turned)
        x = np.linspace(-19.0, 19.0, 39)
        sides = [np.column_stack([x, np.full(39, side)]) @ turned.axes[:2, :2].T for side in (20.0, -20.0)]
        assert cut.heights(sides[0]) == pytest.approx(cut.heights(sides[1]), abs=1e-3)
