# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo's market stall is what it says: closed bodies that touch and do not overlap, and ends that are as told."""

from __future__ import annotations

import itertools
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
import trimesh
from manifold3d import Manifold

import demo_assembly
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.job.jobfile import read_job
from addon.takeoff import take_off
from demo_assembly import ExpectedEnd, expected_ends, market_stall, write_demo


@pytest.fixture(scope="module")
def bodies() -> list[Mesh]:
    return market_stall()


@pytest.fixture(scope="module")
def solids(bodies: list[Mesh]) -> list[Manifold]:
    return [body.to_manifold() for body in bodies]


def test_every_body_is_one_closed_solid_with_a_name_of_its_own(bodies: list[Mesh], solids: list[Manifold]) -> None:
    assert len({body.name for body in bodies}) == len(bodies) == 41
    for body in bodies:
        outside = trimesh.Trimesh(body.vertices, body.triangles, process=False)
        assert outside.is_watertight, body.name
        assert outside.is_winding_consistent, body.name
        assert outside.volume > 0, body.name
    assert all(len(solid.decompose()) == 1 for solid in solids)


def test_no_two_bodies_overlap(bodies: list[Mesh], solids: list[Manifold]) -> None:
    for (body, first), (other, second) in itertools.combinations(zip(bodies, solids, strict=True), 2):
        assert (first ^ second).volume() < 1e-3, f"{body.name} in {other.name}"


def test_the_frame_hangs_together(solids: list[Manifold]) -> None:
    """From each body one can walk to each other one over gaps of no more than twice the chord error."""
    reached, front = {0}, [0]
    while front:
        here = front.pop()
        for there in set(range(len(solids))) - reached:
            if solids[here].min_gap(solids[there], 1.0) <= 2 * demo_assembly.CHORD_ERROR_MM:
                reached.add(there)
                front.append(there)
    assert len(reached) == len(solids)


def test_volumes_of_plane_cut_tubes(bodies: list[Mesh]) -> None:
    """A prism cut by planes has the volume of its cross-section times the length of its centroid's line between them
    (source: any geometry handbook, truncated prism)."""
    ends: dict[str, list[ExpectedEnd]] = {}
    for end in expected_ends():
        ends.setdefault(end.tube, []).append(end)
    checked = 0
    for body in bodies:
        pair = ends.get(body.name, [])
        if len(pair) == 2 and all(end.cause in ("open", "blocked") for end in pair):
            section = pair[0].section
            length = np.linalg.norm(np.subtract(pair[0].position_mm, pair[1].position_mm))
            # Two polygons inside their curves; a 0.05 mm chord error takes at most 1 % off a wall's area.
            assert body.volume == pytest.approx((section.outer.area - section.bore.area) * length, rel=0.01), body.name
            checked += 1
    assert checked == 31


def test_curves_keep_within_the_chord_error(bodies: list[Mesh]) -> None:
    post = next(body for body in bodies if body.name == "rear left post")
    corners = post.corners[:, :, :2] - [0, demo_assembly.DEPTH]
    chords = np.concatenate([(corners[:, i] + corners[:, (i + 1) % 3]) / 2 for i in range(3)])
    upright = np.abs(np.linalg.norm(corners, axis=2) - 38.1 / 2).max(axis=1) < 1e-6
    sag = 38.1 / 2 - np.linalg.norm(chords.reshape(3, -1, 2)[:, upright], axis=2)
    assert 0.03 < sag.max() <= demo_assembly.CHORD_ERROR_MM


def test_there_is_something_of_everything() -> None:
    ends = expected_ends()
    assert Counter(end.cause for end in ends) == {"open": 29, "blocked": 40, "coped": 8, "crossed": 1}
    open_ends = Counter(
        (round(end.section.outer.width, 1), round(end.mitre_deg)) for end in ends if end.cause == "open"
    )
    assert open_ends == {
        (38.1, 0): 2,
        (40, 0): 5,
        (25.4, 30): 10,
        (50, 20): 4,
        (50, 0): 4,
        (33.4, 45): 2,
        (33.4, 0): 2,
    }


@pytest.mark.parametrize("end", expected_ends(), ids=lambda end: f"{end.tube}-{end.cause}")
def test_the_truth_about_each_end(end: ExpectedEnd, bodies: list[Mesh], solids: list[Manifold]) -> None:
    """Push a rod half as wide as the bore through the rim: it comes out free where the end is open."""
    bore = end.section.bore
    # Ends that face each other have only their walls in each other's way.
    facing = end.tube.startswith("ridge") and end.cause == "blocked"
    rod = Manifold.cylinder(40, end.section.outer.half_width if facing else bore.half_width / 2).translate((0, 0, -10))
    rod = rod.transform(Frame.along(end.position_mm, end.axis).matrix[:3])
    met = {
        body.name
        for body, solid in zip(bodies, solids, strict=True)
        if body.name != end.tube and (rod ^ solid).volume() > 0
    }
    assert bool(met) == (end.cause in ("blocked", "coped")), met
    if end.cause != "coped":
        # Every mitre here is of round tube or leans along the width: the tip stands so far past the axis.
        (body,) = (body for body in bodies if body.name == end.tube)
        tip = ((body.vertices - end.position_mm) @ end.axis).max()
        assert tip == pytest.approx(end.section.outer.width / 2 * np.tan(np.radians(end.mitre_deg)), abs=1e-3)


def test_the_crossed_end_has_a_hole_within_the_spigot_and_the_others_have_none(bodies: list[Mesh]) -> None:
    """By volume: the hole takes a disc out of each of two walls."""
    whole, holed = (next(body for body in bodies if body.name == name) for name in ("front rail", "rear rail"))
    radius, wall = 3.5, 3.0
    assert holed.volume - whole.volume == pytest.approx(-2 * np.pi * radius**2 * wall, rel=0.05)
    near = holed.vertices[np.abs(holed.vertices[:, 1] - demo_assembly.DEPTH) < 3.6]
    from_end = holed.bounds[1][0] - near[:, 0]
    assert from_end[from_end > 1e-6].min() == pytest.approx(6.5, abs=0.05)


def test_the_files(tmp_path: Path, bodies: list[Mesh]) -> None:
    job_file = write_demo(tmp_path / "new" / "folder")
    job = read_job(job_file)
    (mesh_file,) = job.assembly.files
    assert job.assembly.unit == "mm"
    assert job.wishes[0].recipe_for(demo_assembly.POST).crown == "flat"
    assert job.wishes[0].recipe_for(demo_assembly.RIB).crown == "low dome"
    read = trimesh.load_mesh(mesh_file, file_type="stl")
    assert len(read.faces) == sum(len(body.triangles) for body in bodies)
    assert read.volume == pytest.approx(sum(body.volume for body in bodies), rel=1e-5)
    assert read.extents == pytest.approx([3400, 2700, 2849.5], abs=0.1)
    assert not mesh_file.read_bytes()[:80].lstrip().startswith(b"solid")


def test_the_facets_are_those_of_a_cad_export(bodies: list[Mesh]) -> None:
    """Two triangles in five are more than a hundred times as long as they are high."""
    corners = np.concatenate([body.corners for body in bodies])
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    areas = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1) / 2
    assert np.mean(sides**2 / (2 * areas) > 100) > 0.4


@pytest.mark.parametrize("as_soup", [True, False])
def test_the_takeoff_finds_every_end_and_tells_what_it_is(tmp_path: Path, bodies: list[Mesh], as_soup: bool) -> None:
    """As bodies with names, and as the file's triangles with no two of them joined."""
    meshes = bodies
    if as_soup:
        soup = trimesh.load_mesh(read_job(write_demo(tmp_path)).assembly.files[0], process=False)
        meshes = [Mesh(np.array(soup.vertices), np.array(soup.faces, np.int32), "market_stall")]
    ends = list(take_off(meshes, 8.0).ends)
    for expected in expected_ends():
        # A coped end has no rim plane: its place on the axis is anywhere between the post's axis and its own tip.
        near = 2 * expected.section.outer.width if expected.cause == "coped" else 0.1
        matches = [
            end
            for end in ends
            if end.frame.z @ expected.axis > 0.9999
            and np.linalg.norm(end.frame.origin - expected.position_mm) < near
            and end.section.outer.width == pytest.approx(expected.section.outer.width, abs=0.02)
        ]
        assert len(matches) == 1, expected
        (end,) = matches
        ends.remove(end)
        assert end.cause == expected.cause, (expected, end.reason)
        assert end.section.kind == expected.section.kind
        for read, true in ((end.section.outer, expected.section.outer), (end.section.bore, expected.section.bore)):
            sizes = (true.width, true.depth, true.corner_radius)
            assert (read.width, read.depth, read.corner_radius) == pytest.approx(sizes, abs=0.02), expected
        if expected.cause != "coped":
            assert end.mitre_deg == pytest.approx(expected.mitre_deg, abs=0.05)
        if not as_soup:
            assert end.source == expected.tube
    assert ends == []


def test_the_takeoff_finds_the_holes_and_the_joint(bodies: list[Mesh]) -> None:
    takeoff = take_off(bodies, 8.0)
    holes = [(hole.source, round(hole.diameter_mm, 2), hole.walls) for hole in takeoff.holes]
    posts = [(f"rear {side} post", 8.5, 2) for side in ("left", "left", "right", "right")]
    assert holes == [*posts, ("rear rail", 7.0, 2), *[("counter front rail", 12.0, 1)] * 4]
    heights = [hole.position[2] - demo_assembly.PLATE for hole in takeoff.holes[:4]]
    assert heights == pytest.approx([*demo_assembly.GUY_HOLES] * 2, abs=0.01)
    assert [hole.position[0] for hole in takeoff.holes[5:]] == pytest.approx(demo_assembly.BANNER_HOLES, abs=0.01)
    (joint,) = takeoff.joints
    assert {end.source for end in joint.ends} == {"ridge left", "ridge right"}
    assert (joint.gap_mm, joint.angle_deg) == pytest.approx((3, 180), abs=0.01)
