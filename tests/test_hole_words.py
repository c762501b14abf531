# SPDX-License-Identifier: GPL-3.0-or-later
"""Where lists say that holes are, against places worked out by hand from the directions of the assembly's picture."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
from manifold3d import Manifold

from addon.bench.assembly_picture import VIEW
from addon.families.drill_guide.patterns import patterns
from addon.fields.messages import Units
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.jobfile import parse_job
from addon.job.running import run
from addon.takeoff import Takeoff, take_off
from addon.takeoff.given_holes import GivenHole
from addon.takeoff.hole_words import facing, said_hole, said_mouth

FLAT, SQUARE, ROUND = Section.rectangular(80, 40, 3), Section.rectangular(40, 40, 3), Section.round(42.4, 3.2)
ALONG_X = Frame.along((0, 0, 0), (1, 0, 0), (0, 1, 0))
"""Lying, its width along y."""
UPRIGHT = Frame(np.zeros(3), np.eye(3))


def drilled(section: Section, frame: Frame, at: tuple[float, float, float], way: tuple[float, float, float]) -> Takeoff:
    return take_off([drilled_mesh(section, frame, at, way)], 8.0)


def drilled_mesh(
    section: Section, frame: Frame, at: tuple[float, float, float], way: tuple[float, float, float]
) -> Mesh:
    """A tube 500 mm long in a place, with a hole of 8 mm from that point of the model on."""
    wall = section.outer.cross_section(96) - section.bore.cross_section(96)
    tube = wall.extrude(500).transform(frame.matrix[:3])
    bit = Manifold.cylinder(100, 4, circular_segments=32).transform(Frame.along(at, way).matrix[:3])
    return Mesh.from_manifold(tube - bit, "tube")


@pytest.mark.parametrize(
    ("section", "frame", "at", "way", "said"),
    [
        (FLAT, ALONG_X, (60, 0, 0), (0, 0, 1), "60 mm from the left end, through one wall, top (80 mm wide), "
         "on the middle line"),
        (FLAT, ALONG_X, (60, 12, 0), (0, 0, -1), "60 mm from the left end, through one wall, bottom (80 mm wide), "
         "12 mm off the middle line towards the back"),
        (FLAT, ALONG_X, (460, 0, 5), (0, -1, 0), "40 mm from the right end, through one wall, front (40 mm wide), "
         "5 mm off the middle line towards the top"),
        (SQUARE, ALONG_X, (60, -50, 0), (0, 1, 0), "60 mm from the left end, through both walls, back and front, "
         "on the middle line"),
        (SQUARE, UPRIGHT, (0, 0, 60), (-1, 0, 0), "60 mm from the bottom end, through one wall, left, "
         "on the middle line"),
        (ROUND, ALONG_X, (60, 0, 0), (0, 0, -1), "60 mm from the left end, through one wall, bottom"),
        (ROUND, UPRIGHT, (0, 50, 60), (0, -1, 0), "60 mm from the bottom end, through both walls, back and front"),
        # The end at x = 0 is seen along x: front (-y) is on the right there, a quarter turn clockwise from the top.
        (ROUND, ALONG_X, (60, 0, 0), (0, np.sin(np.pi / 6), np.cos(np.pi / 6)), "60 mm from the left end, through "
         "one wall, 30° from the top, counter-clockwise seen from that end"),
        (ROUND, UPRIGHT, (0, 0, 440), (np.sin(np.pi / 4), -np.cos(np.pi / 4), 0), "60 mm from the top end, through "
         "one wall, 45° from the front, counter-clockwise seen from that end"),
    ],
)  # fmt: skip
def test_a_hole_is_listed_by_the_sides_of_the_assembly(section, frame, at, way, said) -> None:
    (hole,) = drilled(section, frame, at, way).holes
    words = said_hole(hole)
    assert words in (said, said.replace("back and front", "front and back")), words


@pytest.mark.parametrize(
    ("way", "walls"), [((0, 0, 1), "through one wall, top"), ((0, 0, -1), "through both walls, top and bottom")]
)
def test_a_countersink_is_listed_with_the_wall_that_it_is_in(way, walls) -> None:
    """A cone of 90° from the top, 12 mm wide on the tube's outside."""
    at = (60, 0, 0) if way[2] > 0 else (60, 0, 50)
    cone = Manifold.cylinder(10, 0, 10, circular_segments=32).translate((60, 0, 14))
    tube = Mesh.from_manifold(drilled_mesh(SQUARE, ALONG_X, at, way).to_manifold() - cone, "tube")
    (hole,) = take_off([tube], 8.0).holes
    where = " at the top" if "both" in walls else ""
    words = said_hole(hole).replace("bottom and top", "top and bottom")
    assert words == f"60 mm from the left end, {walls}, on the middle line, countersunk 12 mm{where}"


def test_holes_at_opposite_ends_are_measured_from_ends_with_different_names() -> None:
    """Both lie 3 in from an end; read as text, each has its own."""
    said = [said_hole(drilled(SQUARE, UPRIGHT, (0, 0, z), (0, 1, 0)).holes[0]) for z in (76.2, 500 - 76.2)]
    assert [words.partition(",")[0] for words in said] == [
        "76.2 mm (3 in) from the bottom end",
        "76.2 mm (3 in) from the top end",
    ]


@pytest.mark.parametrize(
    ("section", "post", "said"),
    [
        (SQUARE, Section.rectangular(60, 60, 3), "left end as it has to be cut"),
        (ROUND, Section.round(60.3, 3), "longest point of the left end"),
    ],
    ids=["square cut", "cope"],
)
def test_a_hole_is_measured_from_the_end_as_it_will_be_cut(section, post, said) -> None:
    """The tube is drawn to the axis of a post at its left end; by what is left of it once the post is taken away."""
    post = Mesh.from_manifold(
        (post.outer.cross_section(256) - post.bore.cross_section(256)).extrude(600).translate((0, 0, -300)), "post"
    )
    tube = drilled_mesh(section, ALONG_X, (120, 0, 0), (0, 1, 0))
    (hole,) = take_off([tube, post], 8.0).holes
    left = max((tube.to_manifold() - post.to_manifold().hull()).decompose(), key=lambda piece: piece.volume())
    begins = left.bounding_box()[0]
    words = f"{120 - begins:.2f}".rstrip("0").rstrip(".")
    assert said_hole(hole).startswith(f"{words} mm from the {said}, ")
    assert hole.measured_mm[0 if hole.tube.frame.z[0] < 0 else 1] == pytest.approx(120 - begins, abs=0.02)
    assert said_mouth(hole, hole.mouths[0]).startswith(f"{words} mm from the {said}, ")


def test_no_hole_is_measured_from_an_end_whose_cut_is_not_known() -> None:
    """The left end runs into a tube that is narrower."""
    thin = Section.round(12, 1)
    wall = (thin.outer.cross_section() - thin.bore.cross_section()).extrude(600).translate((0, 0, -300))
    tube = drilled_mesh(ROUND, ALONG_X, (120, 0, 0), (0, 1, 0))
    (hole,) = take_off([tube, Mesh.from_manifold(wall, "post")], 8.0).holes
    assert said_hole(hole).startswith("380 mm from the right end, ")


def test_a_hole_near_a_mitre_is_measured_from_its_longest_point() -> None:
    """Modelled mitred, or drawn to the crossing of two axes where both have to be: 20 mm past the axis at 45°."""
    post = Mesh.from_manifold((SQUARE.outer.cross_section() - SQUARE.bore.cross_section()).extrude(600), "post")
    tube = drilled_mesh(SQUARE, ALONG_X, (120, 0, 0), (0, 1, 0))
    (hole,) = take_off([tube, post], 8.0).holes
    assert said_hole(hole).startswith("140 mm from the longest point of the left end, ")
    mitred = tube.to_manifold().trim_by_plane((np.sqrt(0.5), 0, np.sqrt(0.5)), 40 * np.sqrt(0.5))
    (hole,) = take_off([Mesh.from_manifold(mitred, "tube")], 8.0).holes
    assert said_hole(hole).startswith("100 mm from the longest point of the left end, ")


def test_a_hole_that_leans_comes_out_further_along() -> None:
    """Through a tube 40 mm wide at 20°: 40 tan 20° further."""
    lean = np.radians(20)
    at = (200 - 50 * np.sin(lean), 0, -50 * np.cos(lean))
    (hole,) = drilled(SQUARE, ALONG_X, at, (np.sin(lean), 0, np.cos(lean))).holes
    assert "through both walls" in said_hole(hole) and said_hole(hole).endswith("leaning 20°")
    said = {said_mouth(hole, mouth) for mouth in hole.mouths}
    assert said == {
        "207.28 mm from the left end, top, on the middle line",
        "192.72 mm from the left end, bottom, on the middle line",
    }


def test_places_are_said_in_inches_where_the_scene_has_inches() -> None:
    """An inch is 25.4 mm exactly (international yard and pound, 1959)."""
    section = Section.rectangular(50.8, 38.1, 3)
    meshes = [drilled_mesh(section, ALONG_X, (at, 12.7, -50), (0, 0, 1)) for at in (76.2, 127.0)]
    both = meshes[0].to_manifold() ^ meshes[1].to_manifold()
    takeoff = take_off([Mesh.from_manifold(both, "tube")], 8.0)
    inches, wide = Units(imperial=True), "top (2 in wide), 1/2 in off the middle line towards the back"
    assert said_mouth(takeoff.holes[0], takeoff.holes[0].mouths[1]).text(inches) == f"3 in from the left end, {wide}"
    (pattern,) = patterns(takeoff)
    assert "3 and 5 in from the left end" in pattern.where.text(inches)
    assert "76.2 mm (3 in) and 127 mm (5 in) from the left end" in pattern.where


def test_the_picture_shows_the_sides_that_lists_name() -> None:
    """The eye is on the right, in front and above."""
    assert facing(VIEW) == "top front right"
    assert [facing(np.array(way, float)) for way in ((0, -1, 0), (-1, 0, 0), (0.1, 0, 0.99))] == [
        "front",
        "left",
        "top",
    ]


def test_a_given_hole_has_the_words_of_its_job_file() -> None:
    holes = [
        GivenHole("60 × 40 × 3", 7.0, 30.0, side="-x", offset_mm=-4.0, walls="both"),
        GivenHole("NPS 1 Sch 40", 7.0, 30.0, angle_deg=35.0, tube="pipe"),
    ]
    takeoff = Takeoff(())
    for hole in holes:
        takeoff = hole.added(takeoff, "carbon steel")
    flat, pipe = map(said_hole, takeoff.holes)
    assert "through both walls, side " in flat and "-x" in flat and flat.endswith("4 mm off the middle line towards -y")
    assert pipe == "30 mm from the end, through one wall, 35° around, counter-clockwise seen from the end"


def test_each_diameter_of_a_guide_stands_where_its_distance_does() -> None:
    """Counted from the left end: the largest hole first, and two of one size with another one between."""
    tube = drilled_mesh(SQUARE, ALONG_X, (30, 0, 0), (0, 0, 1)).to_manifold()
    for x, radius in ((60, 3), (85, 4)):
        tube -= Manifold.cylinder(100, radius, circular_segments=32).translate((x, 0, 0))
    (pattern,) = patterns(take_off([Mesh.from_manifold(tube, "tube")], 8.0))
    assert pattern.where.startswith("3 holes 8, 6 and 8 mm, 30, 60 and 85 mm from the left end, ")


def test_lists_and_sheet_say_where_each_hole_is(tmp_path: Path) -> None:
    wall = (FLAT.outer.cross_section() - FLAT.bore.cross_section()).extrude(500).transform(ALONG_X.matrix[:3])
    bit = Manifold.cylinder(200, 4, circular_segments=32, center=True)
    mesh = Mesh.from_manifold(wall - bit.translate([60, 12, 0]) - bit.translate([100, 12, 0]), "rail")
    tables = {"drill_guide": {"make": True}, "hole_plug": {"make": True}, "fitting": {"make": False}}
    run(parse_job({"assembly": {"files": ["a.stl"]}, **tables}, tmp_path, "rails"), [mesh], True, lambda *_: None)
    out = tmp_path / "ferrule_out"
    rows = csv.DictReader(io.StringIO((out / "rails sites.csv").read_text("utf-8-sig"), newline=""))
    where = [row["where"] for row in rows]
    around = "(80 mm wide), 12 mm off the middle line towards the back"
    assert where[0].startswith("2 holes 8 mm, 60 and 100 mm from the left end, through both walls, ")
    assert where[0].endswith(around)
    assert sorted(where[1:]) == [
        f"hole 8 mm, {at} mm from the left end, {side} {around}" for at in (100, 60) for side in ("bottom", "top")
    ]
    sheet = (out / "rails job sheet.html").read_text("utf-8")
    assert "Top, bottom, front, back, left and right are those of the picture" in sheet
