# SPDX-License-Identifier: GPL-3.0-or-later
"""Which of two tubes gives way where both are drawn into each other.

Sources: what two solids share, by gmsh's B-rep kernel; of overlapping braces the narrower one lies on the wider one and
the one of thinner wall on the other, EN 1993-1-8, 7.1.2 (from memory); that a post which stands square stays and a
leaning brace is cut, common practice, no source.
"""

from __future__ import annotations

import math
from itertools import combinations, permutations

import numpy as np
import pytest
from weldments import Shape, cylinder, fuse, tessellated, tube

from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.takeoff import Takeoff, take_off

RAIL = Section.rectangular(80, 40, 3)
CHORD, WIDE, NARROW = Section.round(60.3, 3), Section.round(38.1, 3.175), Section.round(25.4, 3.175)


def bar(section: Section, start, end, name: str, x=None) -> Mesh:
    """A tube whose axis runs from one point to another, its width along ``x``."""
    start, along = np.array(start, float), np.subtract(end, start)
    raw = section.outer.cross_section(96) - section.bore.cross_section(96)
    mesh = Mesh.from_manifold(raw.extrude(float(np.linalg.norm(along))), name)
    return Mesh(Frame.along(start, along, x).to_world(mesh.vertices), mesh.triangles, name)


def trestle(post: Section, top: float, brace_from, brace_to) -> list[Mesh]:
    """A rail along x whose underside is at 680, a post that stands under it, and a brace beside that."""
    return [
        bar(RAIL, (-600, 0, 700), (600, 0, 700), "rail", (0, 1, 0)),
        bar(post, (150, 0, 210), (150, 0, top), "post"),
        bar(NARROW, brace_from, brace_to, "brace"),
    ]


def lying(takeoff: Takeoff) -> dict[str, set[str]]:
    """The names of the tubes that each coped end lies on, by its own."""
    return {cope.tube.source: {tube.source for tube in cope.tubes_under} for cope in takeoff.copes}


def said_of(takeoff: Takeoff, name: str) -> str:
    return next(str(end.reason) for end in takeoff.ends if end.source == name and not end.open)


@pytest.mark.parametrize(
    ("post", "top", "brace_from", "brace_to"),
    [
        (WIDE, 681.5, (330, 0, 209), (163, 0, 686)),
        (WIDE, 681.5, (-30, 0, 209), (137, 0, 686)),
        (NARROW, 681.5, (330, 0, 209), (163, 0, 686)),
        (NARROW, 681.5, (-30, 0, 209), (141, 0, 686)),
        (NARROW, 681.5, (-30, 0, 209), (137, 0, 676)),
        (NARROW, 680.0, (-30, 0, 209), (137, 0, 676)),
    ],
    ids=["wide", "wide, left", "alike", "alike, deep", "brace ends in the post's side", "post touches the rail"],
)
def test_a_brace_beside_a_post_is_coped_and_the_post_is_not(post, top, brace_from, brace_to):
    """Both are drawn into the rail and into each other, or the brace's rim into the post alone."""
    takeoff = take_off(trestle(post, top, brace_from, brace_to), 8.0)
    assert lying(takeoff) == {"brace": {"post", "rail"}}
    assert "post" not in said_of(takeoff, "brace") or said_of(takeoff, "brace").endswith("lies on both")
    if top > 680:
        assert said_of(takeoff, "post") == 'Runs 1.5 mm into "rail": it has to be cut square'


def node(*braces: tuple[str, Section, tuple[float, float, float]]) -> list[Mesh]:
    """A chord along x, and braces to the middle of its axis from where they begin."""
    return [bar(CHORD, (-400, 0, 0), (400, 0, 0), "chord")] + [
        bar(section, start, (0, 0, 0), name) for name, section, start in braces
    ]


@pytest.mark.parametrize(
    ("first", "second"),
    [(WIDE, Section.round(48.3, 3)), (Section.round(48.3, 2), Section.round(48.3, 4))],
    ids=["narrower", "thinner"],
)
@pytest.mark.parametrize("names", [("a", "b"), ("b", "a")])
def test_the_narrower_of_two_braces_gives_way_and_then_the_one_of_thinner_wall(first, second, names):
    takeoff = take_off(node((names[0], first, (-173, 0, 300)), (names[1], second, (173, 0, 300))), 8.0)
    assert lying(takeoff) == {names[0]: {"chord", names[1]}, names[1]: {"chord"}}
    assert "instead" not in said_of(takeoff, names[0])


@pytest.mark.parametrize("names", [("left", "right"), ("right", "left")])
def test_of_two_braces_that_are_alike_names_decide_and_the_list_says_so(names):
    section = Section.round(48.3, 3)
    takeoff = take_off(node((names[0], section, (-173, 0, 300)), (names[1], section, (173, 0, 300))), 8.0)
    assert lying(takeoff) == {"right": {"chord", "left"}, "left": {"chord"}}
    assert said_of(takeoff, "right").endswith('; "left" could give way instead, but comes first by name')
    assert said_of(takeoff, "left") == 'Runs into "chord": it needs a cope'


@pytest.mark.parametrize("name", ["left", "right"])
def test_a_brace_that_is_drawn_to_end_in_the_other_ones_side_gives_way(name):
    """They cross above the chord; both go on to it, or one no farther than into the other one."""
    section, starts = Section.round(48.3, 3), {"left": (-173, 0, 340), "right": (173, 0, 340)}
    chord = bar(CHORD, (-400, 0, 0), (400, 0, 0), "chord")
    both = {key: np.array([-0.133, 1, 0]) * start for key, start in starts.items()}
    takeoff = take_off([chord, *(bar(section, starts[key], end, key) for key, end in both.items())], 8.0)
    assert lying(takeoff) == {"right": {"left"}, "left": {"chord"}}
    ends = both | {name: np.array([0.06, 1, 0]) * starts[name] + (0, 0, 57)}
    takeoff = take_off([chord, *(bar(section, starts[key], end, key) for key, end in ends.items())], 8.0)
    stays = {"left": "right", "right": "left"}[name]
    assert lying(takeoff) == {name: {stays}, stays: {"chord"}}
    assert "instead" not in said_of(takeoff, name)


def test_ends_of_one_body_are_told_apart_by_their_order():
    section = Section.round(48.3, 3)
    takeoff = take_off(node(("brace", section, (-173, 0, 300)), ("brace", section, (173, 0, 300))), 8.0)
    under = [{tube.source for tube in cope.tubes_under} for cope in takeoff.copes]
    assert sorted(under, key=len) == [{"chord"}, {"chord", "brace"}]
    assert any("the other end could give way instead" in str(end.reason) for end in takeoff.ends)


def test_three_tubes_each_of_which_ends_in_the_next_ones_side_are_all_coped():
    turns = [np.radians(120 * place) for place in range(3)]
    corners = [np.array([60 * math.cos(turn), 60 * math.sin(turn), 0]) for turn in turns]
    meshes = []
    for place, corner in enumerate(corners):
        way = corners[(place + 1) % 3] - corner
        way = way / np.linalg.norm(way)
        meshes.append(
            bar(WIDE, corner - 300 * way, corner + (np.linalg.norm(corners[1] - corners[0])) * way, "abc"[place])
        )
    assert lying(take_off(meshes, 8.0)) == {"a": {"b"}, "b": {"c"}, "c": {"a"}}


def test_a_cope_that_the_model_has_is_not_asked_of_the_other_tube():
    """The left brace is cut off at the chord and at the right one, which only has to lie on the chord."""
    section = Section.round(48.3, 3)
    chord, left, right = node(("left", section, (-173, 0, 300)), ("right", section, (173, 0, 300)))
    for start, end, outer in ((-400, 0, 0), (400, 0, 0), CHORD.outer), ((173, 0, 300), (-20, 0, -34), section.outer):
        frame, length = Frame.along(start, np.subtract(end, start)), float(np.linalg.norm(np.subtract(end, start)))
        solid = outer.cross_section(96).extrude(length).transform(frame.matrix[:3])
        left = Mesh.from_manifold(max((left.to_manifold() - solid).decompose(), key=lambda part: part.volume()), "left")
    takeoff = take_off([chord, left, right], 8.0)
    assert lying(takeoff) == {"left": {"chord", "right"}, "right": {"chord"}}
    assert [cope.needed for cope in takeoff.copes if cope.tube.source == "left"] == [False]
    assert said_of(takeoff, "left").endswith(', to lie on "chord" and "right"')


POST = Shape("circle", 88.9, 88.9), Shape("circle", 82.5, 82.5)
SIDE = Shape("rectangle", 60, 40, 6), Shape("rectangle", 54, 34, 3)


@pytest.mark.once
@pytest.mark.parametrize("beyond", [False, True], ids=["rail on one side", "rails on both sides"])
def test_a_rail_drawn_to_the_posts_axis_in_one_body_needs_its_cope(gmsh, beyond):
    """What lies inside the post is the end of the rail, not a tube of its own that takes a cap there."""

    def rail(turn: float) -> int:
        body = tube(gmsh, *SIDE, 900.0)
        gmsh.model.occ.rotate([(3, body)], 0, 0, 0, 0, 1, 0, math.radians(turn))
        gmsh.model.occ.translate([(3, body)], 0 if turn > 0 else -43, 0, 600)
        return body

    def build():
        fuse(gmsh, tube(gmsh, *POST, 1200.0), rail(90.0), *([rail(-90.0)] if beyond else []))

    takeoff = take_off([tessellated(gmsh, build, name="frame", facets=24)], 8.0)
    copes = [cope for cope in takeoff.copes if cope.tube.section.outer.shape == "rectangle"]
    # The rail on the other side begins in the post's wall, so that in one body it ends on the post as a cope does.
    assert sorted((cope.needed, cope.end.cause) for cope in copes) == [(False, "coped")] * beyond + [(True, "blocked")]
    copes.sort(key=lambda cope: not cope.needed)
    assert copes[0].tube.length_mm == pytest.approx(900.0, abs=0.1)
    assert copes[0].end.position == pytest.approx((0, 0, 600), abs=0.1)
    assert {tube.section.outer.shape for tube in copes[0].tubes_under} == {"circle"}
    assert {(0, 0, 0), (0, 0, 1200), (900, 0, 600)} <= {
        tuple(np.round(end.position).astype(int).tolist()) for end in takeoff.ends if end.open
    }


def tubes_cut(gmsh, takeoff: Takeoff, bars: dict[str, tuple[np.ndarray, np.ndarray, float]]) -> dict[str, int]:
    """Each bar, longer than drawn, cut off with the outsides of all that it lies on; what is left of its far side."""
    under = lying(takeoff)
    gmsh.clear()
    cut = {}
    for name, (start, end, radius) in bars.items():
        way = (end - start) / np.linalg.norm(end - start)
        solid = cylinder(gmsh, tuple(start), tuple(end - start + (80 * way if name in under else 0)), radius)
        if name not in under:
            cut[name] = solid
            continue
        tools = []
        for other in under[name]:
            a, b, wide = bars[other]
            far = 200 * (b - a) / np.linalg.norm(b - a)
            tools.append((3, cylinder(gmsh, tuple(a - far), tuple(b - a + 2 * far), wide)))
        pieces, _ = gmsh.model.occ.cut([(3, solid)], tools)
        centres = {piece: gmsh.model.occ.getCenterOfMass(*piece) for piece in pieces}
        cut[name] = min(
            pieces, key=lambda piece: float(np.linalg.norm(np.subtract(centres[piece], (start + end) / 2)))
        )[1]
    gmsh.model.occ.synchronize()
    return cut


@pytest.mark.once
@pytest.mark.parametrize("seed", range(3))
def test_tubes_cut_as_listed_share_nothing_and_none_waits_for_another(gmsh, seed):
    """Two to four braces at a node, drawn to the chord's axis; all cut off as their copes say."""
    rng = np.random.default_rng(seed)
    bars = {"chord": (np.array([-400.0, 0, 0]), np.array([400.0, 0, 0]), 30.15)}
    leans = rng.permutation([-55, -15, 20, 50])
    for name, lean in zip("abcd"[: 2 + seed % 3], leans, strict=False):
        across = math.radians(rng.uniform(-40, 40))
        up = np.array([math.tan(math.radians(lean + rng.uniform(-5, 5))), math.tan(across), 1.0])
        shift = np.array([rng.uniform(-12, 12), 0, 0])
        bars[name] = shift + 350 * up / np.linalg.norm(up), shift, rng.choice([25.4, 33.7, 42.4]) / 2
    meshes = [bar(Section.round(2 * radius, 3), start, end, name) for name, (start, end, radius) in bars.items()]
    takeoff = take_off(meshes, 8.0)
    under = lying(takeoff)
    assert set(under) == set(bars) - {"chord"}
    cut = tubes_cut(gmsh, takeoff, bars)
    for first, second in combinations(cut, 2):
        shared, _ = gmsh.model.occ.intersect(
            [(3, cut[first])], [(3, cut[second])], removeObject=False, removeTool=False
        )
        assert sum(gmsh.model.occ.getMass(*piece) for piece in shared) < 1.0, (first, second, under)
    assert any(
        all(other not in under[name] for place, name in enumerate(order) for other in order[place + 1 :])
        for order in permutations(under)
    )
