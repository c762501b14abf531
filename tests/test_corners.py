# SPDX-License-Identifier: GPL-3.0-or-later
"""Corners that are drawn to the crossing of the tubes' axes, so that each end lies inside the other tube.

Outside truths: what two solids share, and what they make together, by gmsh's B-rep kernel; the angle of a mitre and how
far its long point goes past the axes, by trigonometry. That a tube cut square is welded over the rounded corners of the
one that it stands on: common practice, no source.
"""

from __future__ import annotations

import math
from itertools import combinations, product

import numpy as np
import pytest
from manifold3d import Manifold
from test_running_into import bar, lying, said_of
from weldments import Cut, Shape, fuse, tube

from addon.families.cope_sleeve.wrapping import mitre_templates
from addon.geometry.frames import Frame
from addon.geometry.sections import Section
from addon.job.jobfile import parse_job
from addon.job.running import run
from addon.takeoff import Takeoff, Tube, TubeEnd, mitre_normal, take_off

SQUARE, FLAT, ROUND = Section.rectangular(40, 40, 3), Section.rectangular(40, 20, 2), Section.round(33.7, 3)
SHAPES = {
    SQUARE: (Shape("rectangle", 40, 40, SQUARE.outer.corner_radius), Shape("rectangle", 34, 34, 3)),
    FLAT: (Shape("rectangle", 40, 20, FLAT.outer.corner_radius), Shape("rectangle", 36, 16, 2)),
    ROUND: (Shape("circle", 33.7, 33.7), Shape("circle", 27.7, 27.7)),
}
CORNER = np.array([0.0, 0.0, 600.0])


def corner(post: Section, rail: Section, angle_deg: float = 90.0) -> Takeoff:
    """A post that stands up to (0, 0, 600), and a rail from there at an angle to it, 500 long; both with their widths
    along y."""
    angle = math.radians(angle_deg)
    far = CORNER + 500 * np.array([math.sin(angle), 0, -math.cos(angle)])
    return take_off([bar(post, (0, 0, 0), CORNER, "post", (0, 1, 0)), bar(rail, CORNER, far, "rail", (0, 1, 0))], 25.0)


def end_of(takeoff: Takeoff, name: str) -> TubeEnd:
    return next(end for end in takeoff.ends if end.source == name and not end.open)


def as_said(gmsh, takeoff: Takeoff, sections: tuple[Section, Section], angle_deg: float) -> list[int]:
    """Post and rail as solids, cut as their ends say."""
    angle, solids = math.radians(angle_deg), []
    turned = np.array([[math.cos(angle), 0, -math.sin(angle)], [0, 1, 0], [math.sin(angle), 0, math.cos(angle)]])
    gmsh.clear()
    for name, section, length, turn in (("post", sections[0], 600, np.eye(3)), ("rail", sections[1], 500, turned)):
        end = end_of(takeoff, name)
        normal = end.frame.axes.T @ mitre_normal(end.to_cut.mitre_deg, end.to_cut.towards_deg) @ turn
        cut = Cut(end.to_cut.mitre_deg, math.degrees(math.atan2(normal[1], normal[0])))
        solid = tube(gmsh, *SHAPES[section], length + end.to_cut.height_mm, top=cut)
        if section is FLAT:
            gmsh.model.occ.rotate([(3, solid)], 0, 0, 0, 0, 0, 1, math.pi / 2)
        if name == "rail":
            far = CORNER + 500 * np.array([math.sin(angle), 0, -math.cos(angle)])
            gmsh.model.occ.rotate([(3, solid)], 0, 0, 0, 0, 1, 0, -angle)
            gmsh.model.occ.translate([(3, solid)], *far)
        solids.append(solid)
    gmsh.model.occ.synchronize()
    return solids


def shared(gmsh, solids: list[int]) -> float:
    pieces, _ = gmsh.model.occ.intersect([(3, solids[0])], [(3, solids[1])], removeObject=False, removeTool=False)
    return sum(gmsh.model.occ.getMass(*piece) for piece in pieces if piece[0] == 3)


@pytest.mark.once
@pytest.mark.parametrize(("section", "angle_deg"), [(SQUARE, 90.0), (ROUND, 90.0), (SQUARE, 120.0), (ROUND, 60.0)])
def test_a_corner_of_two_alike_is_mitred(gmsh, section, angle_deg):
    takeoff = corner(section, section, angle_deg)
    lean = 90 - angle_deg / 2
    past = section.outer.width / 2 * math.tan(math.radians(lean))
    for name in ("post", "rail"):
        end = end_of(takeoff, name)
        assert (end.to_cut.mitre_deg, end.to_cut.height_mm) == pytest.approx((lean, 0.0), abs=1e-3)
        assert f"mitred {lean:.3g}°, the longest point {past:.2f}".rstrip("0").rstrip(".") in str(end.reason)
    solids = as_said(gmsh, takeoff, (section, section), angle_deg)
    area = sum(gmsh.model.occ.getMass(3, solid) for solid in solids) / 1100
    assert area == pytest.approx(section.outer.area - section.bore.area, rel=1e-3)
    assert shared(gmsh, solids) < 1e-3
    fuse(gmsh, *solids)  # into one: the rims lie on each other
    (template,) = mitre_templates(takeoff)
    assert f"longest point {600 + past:.2f}".rstrip("0").rstrip(".") in " ".join(template.said)


@pytest.mark.once
@pytest.mark.parametrize(("post", "rail"), [(SQUARE, FLAT), (SQUARE, ROUND)])
def test_at_a_corner_of_two_unlike_the_wider_one_goes_through_and_takes_a_cap(gmsh, post, rail):
    takeoff = corner(post, rail)
    through, butts = end_of(takeoff, "post"), end_of(takeoff, "rail")
    assert through.cause == "corner"
    assert through.to_cut.height_mm == pytest.approx(rail.outer.depth / 2, abs=0.01)
    assert "takes a cap" in str(through.remedy)
    assert str(butts.reason) == 'Runs 20 mm into "post": it has to be cut square'
    solids = as_said(gmsh, takeoff, (post, rail), 90.0)
    assert shared(gmsh, solids) < 1e-3
    assert gmsh.model.occ.getDistance(3, solids[0], 3, solids[1])[0] == pytest.approx(0, abs=1e-6)
    tops = [gmsh.model.occ.getBoundingBox(3, solid)[5] for solid in solids]
    assert tops[0] == pytest.approx(tops[1], abs=1e-3)


def test_a_leaning_rail_that_is_narrower_is_coped_and_its_post_covers_all_of_the_cope():
    takeoff = corner(SQUARE, ROUND, 120.0)
    assert lying(takeoff) == {"rail": {"post"}}
    (cope,) = takeoff.copes
    through = end_of(takeoff, "post")
    assert 600 + through.to_cut.height_mm == pytest.approx(cope.outside[:, 2].max(), abs=0.01)


def test_mitres_that_a_corner_needs_get_their_template(tmp_path):
    """Though no sleeve is made."""
    post = bar(SQUARE, (0, 0, 0), CORNER, "post", (0, 1, 0))
    job = parse_job({"assembly": {"files": ["a.stl"]}, "cope_sleeve": {"make": True}}, tmp_path, "corner")
    result = run(job, [post, bar(SQUARE, CORNER, (500, 0, 600), "rail", (0, 1, 0))], True, lambda *_: None)
    (template,) = result.templates.values()
    assert "longest point 620 mm" in " ".join(template.said) and "longest point 520 mm" in " ".join(template.said)
    assert (tmp_path / "ferrule_out" / "corner wrap templates.html").exists()


@pytest.mark.parametrize("seed", range(4))
def test_a_frame_cut_as_listed_shares_nothing(seed):
    """Some edges of a box, of one section or several, drawn from corner to corner. The outsides of the tubes, cut as
    their ends say, by the solids' kernel: what two of them share is none."""
    rng = np.random.default_rng(seed)
    points = np.array(list(product((0.0, 300.0), repeat=3)))
    edges = [pair for pair in combinations(points, 2) if np.count_nonzero(pair[0] - pair[1]) == 1]
    chosen = rng.permutation(12)[:7].tolist()
    sections = [SQUARE if rng.random() < 0.6 else list(SHAPES)[rng.integers(3)] for _ in chosen]
    meshes = [bar(section, *edges[edge], f"tube {edge}") for section, edge in zip(sections, chosen, strict=True)]
    takeoff = take_off(meshes, 20.0)
    assert not any("no cope goes" in end.reason for end in takeoff.ends)
    solids = [as_cut(tube, takeoff) for tube in takeoff.tubes]
    assert len(solids) == 7
    assert max((a ^ b).volume() for a, b in combinations(solids, 2)) < 20.0  # chords of 48 facets


def as_cut(tube: Tube, takeoff: Takeoff) -> Manifold:
    def outside(tube: Tube, past: float) -> Manifold:
        bar = tube.section.outer.cross_section(48).extrude(tube.length_mm + 2 * past).translate((0, 0, -past))
        return bar.transform(Frame.along(tube.frame.origin, tube.axis, tube.frame.x).matrix[:3])

    solid = outside(tube, 80.0)
    for end in tube.ends:
        cope = next((cope for cope in takeoff.copes if cope.end is end), None)
        for other in cope.tubes_under if cope else ():
            solid -= outside(other, 300.0)
        if not cope:
            cut = end.flat_cut
            normal = end.frame.axes.T @ mitre_normal(cut.mitre_deg, cut.towards_deg)
            place = end.frame.to_world((0.0, 0.0, cut.height_mm))
            solid = solid.trim_by_plane((-normal).tolist(), float(-normal @ place))
    return max(solid.decompose(), key=lambda piece: piece.volume())


def test_of_three_alike_one_goes_through_and_takes_a_cap():
    bars = {"post": (0, 0, 0), "rail": (500, 0, 600), "side": (0, 500, 600)}
    takeoff = take_off(
        [bar(SQUARE, far, CORNER, name, (1, 0, 0) if far[1] else None) for name, far in bars.items()], 25.0
    )
    assert [end_of(takeoff, name).cause for name in bars] == ["corner", "blocked", "blocked"]
    assert end_of(takeoff, "post").to_cut.height_mm == pytest.approx(20, abs=0.01)
    assert [end_of(takeoff, name).to_cut.height_mm for name in ("rail", "side")] == pytest.approx([-20, -20], abs=0.01)


@pytest.mark.parametrize("depth", [8.0, 25.0])
def test_no_cap_goes_where_the_tube_that_goes_through_has_to_be_longer(depth):
    """The bore of the post is free down to the rails' lower walls, 17 mm below its end: a cap 8 mm long would have room
    there, inside the rails."""
    bars = {"body 2": (0, 0, 0), "body 9": (500, 0, 600), "body 10": (0, 500, 600)}
    takeoff = take_off(
        [bar(SQUARE, far, CORNER, name, (1, 0, 0) if far[1] else None) for name, far in bars.items()], depth
    )
    assert not any(end.open for end in takeoff.ends if np.allclose(end.position, CORNER))
    assert end_of(takeoff, "body 2").cause == "corner"
    assert "by name" in said_of(takeoff, "body 10") and "by name" in said_of(takeoff, "body 9")
    assert str(end_of(takeoff, "body 2").reason).startswith("Drawn 20 mm short of the corner's outside")


def test_a_tube_that_goes_on_in_line_is_not_a_corner():
    """Two rails meet end to end over a post that is drawn to their axis: it is cut, and they stay joined."""
    rails = [bar(SQUARE, (sign * 500, 0, 600), CORNER, name, (0, 1, 0)) for sign, name in ((-1, "right"), (1, "left"))]
    takeoff = take_off([*rails, bar(SQUARE, (0, 0, 0), CORNER, "a post", (0, 1, 0))], 25.0)
    assert said_of(takeoff, "a post") == 'Runs 20 mm into "right": it has to be cut square'
    assert {str(end_of(takeoff, name).reason)[:9] for name in ("left", "right")} == {"Joined to"}


def test_a_corner_that_is_drawn_as_it_is_cut_needs_nothing():
    """The rail ends at the post's side, and the post at the rail's top."""
    post = bar(SQUARE, (0, 0, 0), (0, 0, 620), "post", (0, 1, 0))
    takeoff = take_off([post, bar(SQUARE, (20, 0, 600), (500, 0, 600), "rail", (0, 1, 0))], 25.0)
    assert [(end.source, end.cause, end.to_cut) for end in takeoff.ends if not end.open] == [("rail", "blocked", None)]


def test_an_end_that_another_tube_closes_takes_a_cap_once_that_is_cut():
    rail = bar(SQUARE, (0, 0, 600), (500, 0, 600), "rail", (0, 1, 0))
    takeoff = take_off([bar(SQUARE, (0, 0, 0), (0, 0, 620), "post", (0, 1, 0)), rail], 25.0)
    assert said_of(takeoff, "rail") == 'Runs 20 mm into "post": it has to be cut square'
    closed = end_of(takeoff, "post")
    assert (closed.cause, closed.to_cut) == ("corner", None)
    assert str(closed.explained).endswith("cut that in the model too, and this end takes a cap")


@pytest.mark.parametrize("rail", [SQUARE, ROUND])
def test_an_end_that_a_rail_leaves_too_little_room_has_more_once_that_is_cut(rail):
    """It is drawn to the post's axis, its top 15 mm below the post's."""
    top = 600 + rail.outer.depth / 2 + 15
    post = bar(SQUARE, (0, 0, 0), (0, 0, top), "post", (0, 1, 0))
    takeoff = take_off([post, bar(rail, (0, 0, 600), (500, 0, 600), "rail", (0, 1, 0))], 25.0)
    end = next(end for end in takeoff.ends if end.source == "post" and not end.open)
    assert end.clear_depth_mm == pytest.approx(15, abs=0.01) and end.can_be_taken
    assert str(end.reason) == 'Crossed by "rail" 15 mm down the bore'
    assert str(end.remedy).endswith("without a fitting, or cut that tube in the model as it has to be")


@pytest.mark.parametrize("reach", [10.0, 20.0])
def test_a_rail_drawn_into_two_posts_side_by_side_is_cut_square(reach):
    """Their faces are in one plane, and the groove between their rounded corners is welded over."""
    posts = [bar(SQUARE, (0, y, 0), (0, y, 600), name, (1, 0, 0)) for y, name in ((0, "a"), (40, "b"))]
    rail = bar(Section.rectangular(60, 40, 3), (20 - reach, 20, 300), (500, 20, 300), "rail", (0, 1, 0))
    takeoff = take_off([*posts, rail], 25.0)
    assert not takeoff.copes
    assert said_of(takeoff, "rail") == f'Runs {reach:g} mm into "a" and "b": it has to be cut square'
    assert end_of(takeoff, "rail").to_cut.height_mm == pytest.approx(-reach, abs=0.01)
