# SPDX-License-Identifier: GPL-3.0-or-later
"""Weldments fused to one body: tubes both of whose ends lie on other tubes, and what cannot be read.

Sources: the cut of a cylinder on a cylinder at an angle, y(θ) = (√(R² − (r·sin θ)²) + r·cos θ·cos φ) / sin φ
(descriptive geometry, any pattern-drafting handbook).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from importlib import import_module

import numpy as np
import pytest
from manifold3d import Manifold, OpType

from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Outline, Section
from addon.takeoff import Takeoff, take_off

POST, RAIL = Section.round(48.3, 3.2), Section.round(33.7, 3.0)
BOX, STRUT = Section.rectangular(60, 40, 3), Section.rectangular(30, 20, 2)

Bar = tuple[Section, Sequence[float], Sequence[float]]


def bar(outline: Outline, start: Sequence[float], end: Sequence[float]) -> Manifold:
    along = np.subtract(end, start)
    frame = Frame.along(start, along, (0, 1, 0))
    return outline.cross_section(48).extrude(float(np.linalg.norm(along))).transform(frame.matrix[:3])


def posts(section: Section, count: int = 2) -> list[Bar]:
    return [(section, (400 * place, 0, 0), (400 * place, 0, 600)) for place in range(count)]


def fused(posts: Sequence[Bar], rails: Sequence[Bar], how: str = "coped") -> list[Mesh]:
    """One body: rails coped on the posts, drawn to the posts' axes, or with bores that open into those of the posts."""
    outsides, bores = (
        [bar(getattr(section, line), start, end) for section, start, end in [*posts, *rails]]
        for line in ("outer", "bore")
    )
    if how == "open":
        body = Manifold.batch_boolean(outsides, OpType.Add) - Manifold.batch_boolean(bores, OpType.Add)
    else:
        tubes = [outside - bore for outside, bore in zip(outsides, bores, strict=True)]
        if how == "coped":
            solid = Manifold.batch_boolean(outsides[: len(posts)], OpType.Add)
            tubes[len(posts) :] = [tube - solid for tube in tubes[len(posts) :]]
        body = Manifold.batch_boolean(tubes, OpType.Add)
    return [Mesh.from_manifold(body, "frame")]


def tubes_of(takeoff: Takeoff, section: Section) -> list[float]:
    """The lengths of the tubes of a section."""
    return [tube.length_mm for tube in takeoff.tubes if abs(tube.section.outer.width - section.outer.width) < 0.01]


@pytest.mark.parametrize("how", ["coped", "open"])
@pytest.mark.parametrize("rise", [0.0, 200.0], ids=["square", "leaning"])
def test_a_rail_between_two_posts_has_its_two_copes(how, rise):
    takeoff = take_off(fused(posts(POST), [(RAIL, (0, 0, 150), (400, 0, 150 + rise))], how), 8.0)
    assert not takeoff.notes
    assert [(cope.needed, cope.end.cause) for cope in takeoff.copes] == [(False, "coped")] * 2
    large, small, phi = 48.3 / 2, 33.7 / 2, math.atan2(400, rise)
    for cope in takeoff.copes:
        (post,) = cope.tubes_under
        assert post.section.outer.width == pytest.approx(48.3, abs=0.01)
        assert "another part" in str(cope.end.reason)
        axis = cope.end.frame.z
        foot = np.array([400.0, 0, 150 + rise]) if axis[0] > 0 else np.array([0.0, 0, 150])
        up = np.array([0.0, 0, 1]) - axis[2] * axis
        up /= np.linalg.norm(up)
        arms = cope.outside - foot
        cos, sin = arms @ up / small, arms[:, 1] / small
        slope = math.cos(phi) * np.sign(axis[0])
        expected = (np.sqrt(large**2 - (small * sin) ** 2) + small * cos * -slope) / math.sin(phi)
        assert -arms @ axis == pytest.approx(expected, abs=0.1)  # chords of 48 facets
        inside = cope.end.frame.to_local(cope.inside)
        assert inside[:, 2].max() < cope.end.frame.to_local(cope.outside)[:, 2].max()
    along = np.ptp([foot_of(cope) for cope in takeoff.copes], axis=0)
    assert tubes_of(takeoff, RAIL) == [pytest.approx(float(np.linalg.norm(along)), abs=0.1)]


def foot_of(cope) -> np.ndarray:
    """The farthest point of a cope along its tube."""
    tip = float(((cope.outside - cope.end.frame.origin) @ cope.end.frame.z).max())
    return cope.end.frame.origin + tip * cope.end.frame.z


def test_rails_in_line_are_tubes_of_their_own():
    rails = [(RAIL, (0, 0, 150), (400, 0, 150)), (RAIL, (400, 0, 150), (800, 0, 150))]
    takeoff = take_off(fused(posts(POST, 3), rails), 8.0)
    assert len(takeoff.copes) == 4 and not takeoff.notes
    assert tubes_of(takeoff, RAIL) == [pytest.approx(365.4, abs=0.2)] * 2


def test_a_rail_with_one_open_end_has_the_cope_at_its_other_one():
    takeoff = take_off(fused(posts(POST, 1), [(RAIL, (0, 0, 150), (400, 0, 150))]), 8.0)
    (cope,) = takeoff.copes
    assert not cope.needed and cope.tubes_under[0].section.outer.width == pytest.approx(48.3, abs=0.01)
    assert sorted(end.open for end in cope.tube.ends) == [False, True]


def test_a_rail_drawn_to_the_axes_of_both_posts_is_one_tube():
    """The posts' walls part its bore twice."""
    takeoff = take_off(fused(posts(POST), [(RAIL, (0, 0, 150), (400, 0, 150))], "axes"), 8.0)
    assert [cope.needed for cope in takeoff.copes] == [True, True]
    assert tubes_of(takeoff, RAIL) == [pytest.approx(400, abs=0.1)]


def test_a_strut_that_ends_flat_is_a_tube_without_copes():
    takeoff = take_off(fused(posts(BOX), [(STRUT, (0, 0, 150), (400, 0, 150))]), 8.0)
    assert not takeoff.copes and not takeoff.notes
    assert tubes_of(takeoff, STRUT) == [pytest.approx(400 - 2 * 20, abs=0.01)]
    ends = [end for end in takeoff.ends if end.section.outer.width == pytest.approx(30, abs=0.01)]
    assert [str(end.reason) for end in ends] == ['Ends on another part of "frame"'] * 2


def test_a_rail_cut_square_that_shows_its_rim_at_rounded_corners_is_not_coped():
    rail = Section.rectangular(56, 40, 2), (19, 0, 150), (400, 0, 150)
    takeoff = take_off(fused(posts(BOX, 1), [rail], "axes"), 8.0)
    assert not takeoff.copes
    assert [end.cause for end in takeoff.ends] == ["open"] * 3


def test_bars_fused_without_bores_are_named():
    bars = [
        bar(section.outer, start, end) for section, start, end in [*posts(POST), (RAIL, (0, 0, 150), (400, 0, 150))]
    ]
    takeoff = take_off([Mesh.from_manifold(Manifold.batch_boolean(bars, OpType.Add), "frame")], 8.0)
    assert not takeoff.ends
    (note,) = takeoff.notes
    assert note.startswith('"frame" is several bars in one body without bores: nothing was read. Model the tubes')


def test_flat_bars_welded_to_an_angle_are_not_named():
    """No tubes were meant."""
    # Edges in one plane would be one wall, and all of them one bar that runs one way.
    for width in (40, 30):
        legs = Manifold.cube((200, 40, 6)) + Manifold.cube((6, width, 200)).translate((0, 20 - width / 2, 0))
        assert not take_off([Mesh.from_manifold(legs, "bracket")], 8.0).notes


@pytest.mark.usefixtures("scene")
def test_a_remeshed_tube_is_read_though_no_wall_runs_along_its_axis():
    # One that Blender's voxels made of a mitred tube of 40 mm: a length without walls stopped the takeoff.
    outcomes = import_module("attacks.modifiers").attack(2064, 1)
    assert outcomes.total() == 2


SHARP = Section(Outline("rectangle", 40.0, 40.0, 0.0), Outline("rectangle", 34.0, 34.0, 0.0))
ROUNDED = Section.rectangular(40, 40, 3)


def flush(section: Section, height: float, *heights: float) -> Takeoff:
    """Two posts and rails of one size from axis to axis, with bores that open into each other."""
    rails = [(section, (0, 0, z), (400, 0, z)) for z in heights]
    posts = [(section, (x, 0, 0), (x, 0, height)) for x in (0, 400)]
    return take_off(fused(posts, rails, "open"), 25.0)


@pytest.mark.parametrize("section", [SHARP, ROUNDED], ids=["sharp", "rounded"])
def test_a_rail_that_is_flush_with_its_posts_ends_on_them(section):
    """Its sides and theirs are one wall, of its bore too; by where they were drawn."""
    takeoff = flush(section, 600.0, 300.0)
    assert sorted(tube.length_mm for tube in takeoff.tubes) == pytest.approx([360, 600, 600], abs=0.05)
    caps = [end for end in takeoff.ends if end.open]
    assert [abs(end.position[2] - 300) for end in caps] == pytest.approx([300] * 4)
    assert [end.clear_depth_mm for end in caps] == pytest.approx([300 - 17] * 4, abs=0.05)
    rail = [end for end in takeoff.ends if not end.open]
    assert sorted(end.position[0] for end in rail) == pytest.approx([20, 380], abs=0.05)
    assert {str(end.reason) for end in rail} == {'Ends on another part of "frame"'}
    assert not takeoff.notes


@pytest.mark.parametrize("section", [SHARP, ROUNDED], ids=["sharp", "rounded"])
def test_a_rail_across_the_tops_of_posts_of_its_size_is_read(section):
    takeoff = flush(section, 600.0, 600.0)
    rail = [end for end in takeoff.ends if not end.open]
    assert sorted(end.position[0] for end in rail) == pytest.approx([20, 380], abs=0.05)
    assert [end.position[2] for end in takeoff.ends if end.open] == pytest.approx([0, 0])


def test_a_rail_flush_with_one_side_of_its_posts_is_one_tube():
    """A wall beside it that is cut across the rail is no tube across the frame."""
    rail = Section(Outline("rectangle", 40.0, 20.0, 0.0), Outline("rectangle", 36.0, 16.0, 0.0))
    posts = [(SHARP, (x, 0, 0), (x, 0, 600)) for x in (0, 400)]
    takeoff = take_off(fused(posts, [(rail, (0, 10, 300), (400, 10, 300))], "open"), 25.0)
    assert (
        sorted(max(tube.section.outer.width, tube.section.outer.depth) for tube in takeoff.tubes)
        == [pytest.approx(40, abs=0.01)] * 3
    )


def test_flush_rails_in_line_are_two_where_a_post_parts_them():
    three = [(SHARP, (x, 0, 0), (x, 0, 600)) for x in (0, 400, 800)]
    takeoff = take_off(fused(three, [(SHARP, (0, 0, 300), (800, 0, 300))], "open"), 25.0)
    assert sorted(tube.length_mm for tube in takeoff.tubes) == pytest.approx([360, 360, 600, 600, 600], abs=0.05)


def test_the_gap_between_two_flush_rails_is_no_tube():
    """20 mm apart, their sides face each other all along, as those of a flat tube across the frame would."""
    takeoff = flush(SHARP, 600.0, 300.0, 360.0)
    assert sorted(tube.length_mm for tube in takeoff.tubes) == pytest.approx([360, 360, 600, 600], abs=0.05)
    assert not takeoff.notes


def test_open_ends_in_one_plane_with_a_rails_side_are_named():
    takeoff = flush(SHARP, 600.0, 20.0, 580.0)
    assert [end.cause for end in takeoff.ends] == ["blocked"] * 4
    (note,) = takeoff.notes
    assert note.startswith('Open ends were not read on "frame", at ')
    assert all(place in note for place in ("0, 0, 0 mm", "0, 0, 600 mm", "400, 0, 0 mm", "400, 0, 600 mm"))


def test_a_bent_tube_has_no_ends_but_its_own():
    """A handrail of square tube that is bent twice: what lies between its bends is no tube of its own."""
    shapes = [outline.cross_section(48) for outline in (ROUNDED.outer, ROUNDED.bore)]
    ring = shapes[0] - shapes[1]
    bend = ring.translate((100, 0)).revolve(64, 90.0)
    leg = ring.extrude(300)
    middle = ring.extrude(3000).rotate((0, 90, 0))
    first = leg.translate((0, 0, -300)) + bend.rotate((90, 0, 180)).translate((100, 0, 0))
    whole = first + middle.translate((100, 0, 100)) + first.mirror((1, 0, 0)).translate((3200, 0, 0))
    assert len(whole.decompose()) == 1
    takeoff = take_off([Mesh.from_manifold(whole, "handrail")], 25.0)
    assert [end.position[2] for end in takeoff.ends] == pytest.approx([-300, -300])
    assert not any(note.startswith("Open ends") for note in takeoff.notes)
