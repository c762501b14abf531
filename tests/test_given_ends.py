# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube ends that a job file gives: by their rim or by their size, without any window."""

from __future__ import annotations

import csv
import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from addon.geometry import polygons
from addon.geometry.frames import Frame
from addon.geometry.sections import Section
from addon.job.asked import Job, JobError
from addon.job.jobfile import job_text, parse_job, read_job
from addon.job.judging import verdict_of
from addon.job.running import run
from addon.takeoff import Takeoff, TubeEnd
from addon.takeoff.given import SizedEnd, ends_of, joined, leaving_out, stand_ins
from addon.takeoff.picked import PickedEnd
from addon.trade.sizes import tube_sizes
from addon.trade.tables import UnknownNameError

SQUARE = [[0, 0, 100], [30, 0, 100], [30, 30, 100], [0, 30, 100]]
BORE = [[2, 2, 100], [28, 2, 100], [28, 28, 100], [2, 28, 100]]


def rim(*corners: tuple[float, float]) -> list[list[float]]:
    return [[x, y, 100.0] for x, y in corners]


def job(*entries: dict, **tables: dict) -> Job:
    return parse_job({"tube_end": list(entries), **tables}, Path("shop"), "stall")


def nothing(work: str, share: float) -> None:
    pass


# A rim


def test_a_rim_is_read_as_it_is_written_by_hand() -> None:
    """Lengths with units; the outside alone with its wall; the axis of a mitre of 45°, by construction."""
    text = """
    [[tube_end]]
    source = "Frame leg"
    rim_mm = [["0 in", 0, 100], ["1 in", 0, 100], ["1 in", "1 in", 100], [0, "1 in", 100]]
    wall_mm = "1/16 in"
    [[tube_end]]
    rim_mm = [[0, 0, 0], [30, 0, 30], [30, 20, 30], [0, 20, 0]]
    bore_mm = [[2, 2, 2], [28, 2, 28], [28, 18, 28], [2, 18, 2]]
    axis = [0, 0, 2]
    """
    leg, mitred = (end.tube_end() for end in parse_job(tomllib.loads(text), Path("shop")).tube_ends)
    assert leg.source == "Frame leg" and leg.by_hand == "picked by hand" and leg.open
    assert leg.section.like(Section.rectangular(25.4, 25.4, 25.4 / 16, 0), 1e-6)
    np.testing.assert_allclose(leg.frame.origin, (12.7, 12.7, 100), atol=1e-9)
    np.testing.assert_allclose(leg.frame.z, (0, 0, 1), atol=1e-12)  # counter-clockwise seen from above
    assert mitred.mitre_deg == pytest.approx(45, abs=1e-9)
    assert mitred.section.like(Section.rectangular(30, 20, 2, 0), 1e-6)
    np.testing.assert_allclose(mitred.rim_normal, (-(0.5**0.5), 0, 0.5**0.5), atol=1e-9)


def test_without_an_axis_the_order_of_the_corners_tells_which_side_is_outside() -> None:
    down = PickedEnd(tuple(map(tuple, SQUARE[::-1])), wall_mm=2.0).tube_end()
    np.testing.assert_allclose(down.frame.z, (0, 0, -1), atol=1e-12)
    told = PickedEnd(tuple(map(tuple, SQUARE[::-1])), axis=(0.0, 0.0, 1.0), wall_mm=2.0).tube_end()
    np.testing.assert_allclose(told.frame.z, (0, 0, 1), atol=1e-12)


@pytest.mark.parametrize(
    ("entry", "parts"),
    [
        ({}, ["tube_end[1]", "rim_mm", 'size = "']),
        ({"source": "Leg", "bore_mm": BORE}, ["tube_end[1]", "rim_mm"]),
        ({"rim_mm": SQUARE}, ["tube_end[1]", "bore", "wall"]),
        ({"rim_mm": SQUARE[:2], "wall_mm": 2}, ["tube_end[1]", "three corners"]),
        ({"rim_mm": SQUARE, "bore_mm": BORE[:1]}, ["tube_end[1]", "three corners"]),
        ({"rim_mm": [], "wall_mm": 2}, ["tube_end[1]", "three corners"]),
        ({"rim_mm": [SQUARE[0]] * 4, "wall_mm": 2}, ["tube_end[1]", "no area"]),
        ({"rim_mm": [[i, 2 * i, 3] for i in range(9)], "wall_mm": 2}, ["tube_end[1]", "no area"]),
        ({"rim_mm": [SQUARE[i] for i in (0, 2, 1, 3)], "wall_mm": 2}, ["tube_end[1]", "order"]),
        (
            {"rim_mm": rim((0, 0), (30, 30), (30, 0), (0, 20)), "wall_mm": 2},
            ["rim", "itself at x 12 mm, y 12 mm, z 100 mm"],
        ),
        (
            {"rim_mm": rim((0, 0), (30, 0), (30, 30), (15, 0), (0, 30)), "wall_mm": 2},
            ["rim", "at x 15 mm, y 0 mm, z 100 mm"],
        ),
        (
            {"rim_mm": rim((0, 0), (35, 0), (30, 0), (30, 30), (0, 30)), "wall_mm": 2},
            ["rim", "at x 30 mm, y 0 mm, z 100 mm"],
        ),
        ({"rim_mm": SQUARE, "bore_mm": rim((2, 2), (28, 2), (28, 28), (9, 2), (2, 28))}, ["bore", "at x 9 mm, y 2 mm"]),
        (
            {"rim_mm": SQUARE, "bore_mm": rim((2, 2), (28, 2), (28, 28), (2, 28), (2, 9), (3, 9), (1, 11))},
            ["bore", "itself at x 2 mm, y 10 mm"],
        ),
        (
            {"rim_mm": SQUARE, "bore_mm": rim((2, 2), (28, 2), (30, 15), (28, 28), (2, 28))},
            ["not inside", "at x 30 mm, y 15 mm"],
        ),
        (
            {"rim_mm": SQUARE, "bore_mm": rim((2, 2), (28, 2), (31, 15), (28, 28), (2, 28))},
            ["not inside", "at x 30 mm"],
        ),
        ({"rim_mm": [[0, 0, 0], [30, 0, 0], [30, 30, 9], [0, 30, 0]], "wall_mm": 2}, ["not flat", "mm off a plane"]),
        ({"rim_mm": SQUARE, "bore_mm": [[x, y, 90] for x, y, _ in BORE]}, ["tube_end[1]", "not flat"]),
        ({"rim_mm": BORE, "bore_mm": SQUARE}, ["tube_end[1]", "not inside"]),
        ({"rim_mm": SQUARE, "bore_mm": SQUARE}, ["tube_end[1]", "not inside"]),
        ({"rim_mm": SQUARE, "wall_mm": 16}, ["tube_end[1]", "too thick"]),
        ({"rim_mm": SQUARE, "wall_mm": -1}, ["tube_end[1].wall_mm", "0.05 to"]),
        ({"rim_mm": SQUARE, "wall_mm": 2, "axis": [0, 0, 0]}, ["tube_end[1]", "no length"]),
        ({"rim_mm": SQUARE, "wall_mm": 2, "axis": [1, 0, 0.1]}, ["tube_end[1]", "84°", "66°"]),
        ({"rim_mm": SQUARE, "wall_mm": 2, "axis": [0, 0, float("nan")]}, ["tube_end[1].axis[2]", "number"]),
        ({"rim_mm": SQUARE, "wall_mm": 2, "axis": [0, 0]}, ["tube_end[1].axis", "list of 3"]),
        ({"rim_mm": [*SQUARE, [0, float("inf"), 1]], "wall_mm": 2}, ["tube_end[1].rim_mm[4][1]", "finite"]),
        ({"rim_mm": [*SQUARE, [0, 1]], "wall_mm": 2}, ["tube_end[1].rim_mm[4]", "list of 3"]),
        ({"rim_mm": [*SQUARE, 5], "wall_mm": 2}, ["tube_end[1].rim_mm[4]", "list of 3"]),
        ({"rim_mm": [[x * 1e9, y, z] for x, y, z in SQUARE], "wall_mm": 2}, ["tube_end[1]", "10 km", "unit"]),
        ({"rim_mm": SQUARE, "wal_mm": 2}, ["tube_end[1].wal_mm", "wall_mm"]),
        ({"size": "1 in × 1/8"}, ["tube_end[1]", "1 in × 1/8 in"]),
        ({"size": "1 in × 1/8 in", "axis": [0, 0, 0]}, ["tube_end[1]", "length"]),
        ({"size": "1 in × 1/8 in", "rim_mm": SQUARE}, ["tube_end[1].rim_mm", "tube_end[1].size", "keep one"]),
    ],
)
def test_mistakes_are_named_by_their_key(entry: dict, parts: list[str]) -> None:
    with pytest.raises(JobError) as refused:
        job(entry)
    for part in parts:
        assert part in str(refused.value)


@given(st.integers(0, 2**32 - 1))
def test_outlines_meet_where_shapely_finds_them_to(seed: int) -> None:
    """On a coarse grid, where crossings, corners on edges, folded edges and sound outlines are about as frequent."""
    rng = np.random.default_rng(seed)
    drawn = [rng.integers(0, 7, (int(rng.integers(3, 7)), 2)).astype(float) + at for at in (0, rng.integers(0, 7))]
    lines = [line for loop in drawn if len(line := loop[polygons.distinct(loop, 1e-9)]) >= 3]
    rings = [shapely.LinearRing(line) for line in lines]
    simple = all(ring.is_simple for ring in rings)
    meet = polygons.meeting(lines, 1e-9) if lines else None
    assert (meet is None) == (simple and not (len(rings) == 2 and rings[0].intersects(rings[1])))
    if meet is not None:
        line, corner, share = lines[meet[0]], meet[1], meet[2]
        place = shapely.Point(line[corner] + share * (line[(corner + 1) % len(line)] - line[corner]))
        assert sum(ring.distance(place) < 1e-9 for ring in rings) == 2 or not rings[meet[0]].is_simple


def test_a_rim_whose_corners_are_doubled_is_read() -> None:
    """Whoever closes an outline writes its first corner again."""
    closed = PickedEnd(tuple(map(tuple, [*SQUARE, SQUARE[0]])), tuple(map(tuple, [*BORE[:2], *BORE[1:]]))).tube_end()
    assert closed.section.like(Section.rectangular(30, 30, 2, 0), 1e-6)


def test_entries_are_tables() -> None:
    with pytest.raises(JobError, match=r"\[\[tube_end\]\]"):
        parse_job({"tube_end": "Leg"}, Path("shop"))
    with pytest.raises(JobError, match=r"assembly\.files"):
        parse_job({"tube_end": [], "assembly": {"files": []}}, Path("shop"))


def test_what_a_mesh_gives_is_written_to_the_last_digit() -> None:
    """The job file has the very numbers that were read, so that what comes of them is the same."""
    random = np.random.default_rng(4)
    for _ in range(20):
        frame = Frame.along(random.normal(size=3) * 1000, random.normal(size=3), random.normal(size=3))
        outer, bore = (outline.polygon(40) for outline in (Section.round(38.1, 2).outer, Section.round(38.1, 2).bore))
        loops = [np.float32(frame.to_world(np.column_stack([loop, 0.3 * loop[:, 0]]))) for loop in (bore, outer)]
        end = PickedEnd.of_mesh("Leg", [loop.astype(float) for loop in loops], -80 * frame.z[None], 9.0)
        sized = SizedEnd("1 in × 1/8 in", *(tuple(row) for row in (frame.origin.tolist(), *frame.axes[::-2].tolist())))
        written = replace(job({"size": "1 in × 1/8 in"}), tube_ends=(end, sized))
        again = parse_job(tomllib.loads(job_text(written)), Path("shop"), "stall").tube_ends
        assert again == (end, sized)
        picked, other = end.tube_end(), again[0].tube_end()
        assert picked.section.like(other.section, 0) and picked.mitre_deg == other.mitre_deg
        np.testing.assert_array_equal(picked.frame.matrix, other.frame.matrix)
        assert picked.mitre_deg == pytest.approx(np.degrees(np.arctan(0.3)), abs=1e-3)


# Ends that are there twice


def ends(*kinds: str, widths: tuple[float, ...] = (), places: tuple[float, ...] = ()) -> list[TubeEnd]:
    tube_ends = []
    for number, kind in enumerate(kinds):
        width = widths[number] if widths else 25.4
        frame = Frame.along((places[number] if places else 0.0, 0, 0), (0, 0, -1) if "down" in kind else (0, 0, 1))
        by_hand = "picked by hand" if "picked" in kind else "given by size" if "sized" in kind else ""
        cause = "blocked" if "closed" in kind else "lost" if "lost" in kind else "open"
        tube_ends.append(TubeEnd("Leg", Section.round(width, 2), frame, 0, 0, 50, cause, cause, by_hand))
    return tube_ends


@pytest.mark.parametrize(
    ("kinds", "expected"),
    [
        (("read", "picked"), [0, 0]),
        (("closed", "picked"), [1, 1]),
        (("picked", "picked"), [1, 1]),
        (("closed", "picked", "picked"), [2, 2, 2]),
        (("picked", "read"), [1, 1]),
        (("closed", "picked", "read", "picked"), [2, 2, 2, 2]),
        (("lost picked", "picked"), [1, 1]),
        (("read", "lost picked"), [0, 1]),
        (("read", "down picked"), [0, 1]),
        (("sized", "picked"), [0, 1]),
        (("sized", "sized"), [0, 1]),
        (("read", "sized"), [0, 1]),
        (("read", "read"), [0, 1]),
    ],
)
def test_each_end_counts_once(kinds: tuple[str, ...], expected: list[int]) -> None:
    assert stand_ins(ends(*kinds)) == expected


def test_a_tube_inside_another_and_one_beside_it_are_ends_of_their_own() -> None:
    assert stand_ins(ends("read", "picked", widths=(25.4, 21.4))) == [0, 1]
    assert stand_ins(ends("read", "picked", places=(0.0, 0.3))) == [0, 1]
    assert stand_ins(ends("read", "picked", places=(0.0, 0.2))) == [0, 0]


def test_ends_are_left_out_by_their_place() -> None:
    takeoff = Takeoff(tuple(ends("read", "closed", "read", places=(0.0, 100.0, 200.0))), None, ())
    left, missed = leaving_out(takeoff, [(200.2, 0.0, 0.0), (100.0, 0.0, 0.0), (0.0, 0.3, 0.0)])
    assert left.ends == takeoff.ends[:1] and missed == [(0.0, 0.3, 0.0)]
    assert leaving_out(takeoff, ()) == (takeoff, [])


def test_ends_that_are_given_come_after_those_of_the_takeoff_in_their_order() -> None:
    read, first, closed, again, sized = ends(
        "read", "picked", "closed", "picked", "sized", places=(0.0, 0.0, 9.0, 9.0, 50.0)
    )
    both = joined(Takeoff((closed, read), None, ("A note.",)), [sized, first, again])
    assert both.ends == (read, sized, again)
    assert both.notes[0] == "A note." and "1 picked tube end was found in the assembly" in both.notes[1]
    only = Takeoff((read,), None, ())
    assert joined(only, []) is only


# By size


@pytest.mark.parametrize("name", ["1 in × 1/8 in", "40 × 40 × 3", "NPS 2 Sch 40"])
def test_a_size_of_the_tables_is_an_end(name: str) -> None:
    size = next(size for size in tube_sizes() if size.name == name)
    end = SizedEnd(name, (1.0, 2.0, 3.0), (0.0, 2.0, 0.0), (0.0, 0.0, 1.0)).tube_end()
    assert end.section.like(size.section, 0) and end.open and end.mitre_deg == 0
    np.testing.assert_allclose(end.frame.axes, [(0, 0, 1), (1, 0, 0), (0, 1, 0)], atol=1e-12)


def test_the_metal_decides_the_corners_of_a_size() -> None:
    """Source of the corners: EN 10219-2 and EN 755-9, from memory; see test_trade."""
    for own, job, radius in [
        (None, "carbon steel", 6), (None, "aluminium", 0),
        ("aluminium", "carbon steel", 0), ("carbon steel", "aluminium", 6),
    ]:  # fmt: skip
        (end,) = ends_of(SizedEnd("40 × 40 × 3", metal=own), job)
        assert end.section.outer.corner_radius == radius
    with pytest.raises(UnknownNameError, match="no tube metal is called 'tin'"):
        SizedEnd("40 × 40 × 3", metal="tin").tube_end()


@pytest.mark.parametrize(
    ("name", "towards", "direction"),
    [("1 in × 1/8 in", 70.0, 0.0), ("40 × 40 × 3", 100.0, 10.0), ("50 × 25 × 2", 270.0, 90.0)],
)
def test_a_mitre_of_a_size_faces_as_it_is_given(name: str, towards: float, direction: float) -> None:
    """As picked ends have it: what a section looks the same by is turned away."""
    end = SizedEnd(name, mitre_deg=30, towards_deg=towards).tube_end()
    lean, turn = np.radians([30, towards])
    faced = [np.sin(lean) * np.cos(turn), np.sin(lean) * np.sin(turn), np.cos(lean)]
    np.testing.assert_allclose(end.rim_normal, faced, atol=1e-12)
    assert (end.mitre_deg, end.mitre_direction_deg) == pytest.approx((30, direction))
    across = end.frame.axes @ (1.0, 0.0, 0.0)
    assert end.section.outer.width == pytest.approx(next(s for s in tube_sizes() if s.name == name).section.outer.width)
    assert abs(across[0]) > 0.99 or name != "50 × 25 × 2"


# The whole way


def test_what_is_given_without_a_model_is_counted(tmp_path: Path) -> None:
    """One entry stands for all that are alike: each takes a fitting, and holes are each in a tube of its own."""
    text = """
    [[tube_end]]
    size = "1 in × 1/8 in"
    name = "leg"
    count = 10
    [[hole]]
    size = "40 × 40 × 3"
    diameter_mm = 12
    distance_mm = 30
    walls = "both"
    tube = "post"
    count = 3
    [[cope]]
    size = "40 × 40 × 3"
    on = "NPS 2 Sch 40"
    count = 2
    [[joint]]
    size = "40 × 40 × 3"
    count = 4
    [hole_plug]
    make = true
    [cope_sleeve]
    make = true
    [joiner]
    make = true
    """
    path = tmp_path / "parts.toml"
    path.write_text(text, "utf-8")
    asked = read_job(path)
    result = run(asked, (), True, nothing)
    assert verdict_of(result).complete
    made = {each.batch.family.table: (len(each.batch.sites), each.batch.needed) for each in result.made}
    assert made == {"fitting": (10, 10), "hole_plug": (6, 6), "cope_sleeve": (2, 1), "joiner": (4, 4)}
    told = json.loads((tmp_path / "ferrule_out" / "result.json").read_text("utf-8"))
    assert {hole["source"] for hole in told["holes"]} == {"post", "post 2", "post 3"}
    assert [end["source"] for end in told["ends"]] == 10 * ["leg"]
    again = parse_job(tomllib.loads(job_text(asked)), tmp_path, "parts")
    assert (again.tube_ends, again.sites) == (asked.tube_ends, asked.sites)


def test_a_job_file_of_tube_ends_alone_is_done(tmp_path: Path) -> None:
    """Without a mesh file; the spigots by hand: bore less twice the gap of 0.2 mm."""
    rim = Section.round(38.1, 1.65)
    corners = [[*point, 50.0] for point in rim.outer.polygon(64).tolist()]
    text = f"""
    [[tube_end]]
    size = "1 in × 1/8 in"
    [[tube_end]]
    source = "Leg"
    rim_mm = {corners}
    wall_mm = 1.65
    [[tube_end]]
    size = "1 in × 1/8 in"
    position_mm = [100, 0, 0]
    [fitting]
    gap_mm = 0.2
    [output]
    formats = ["3mf", "stl"]
    """
    path = tmp_path / "caps.toml"
    path.write_text(text, "utf-8")
    result = run(read_job(path), (), True, nothing)
    assert verdict_of(result).complete
    assert [(fitting.id, len(fitting.batch.sites)) for fitting in result.made] == [("F1", 2), ("F2", 1)]
    spigots = [fitting.fitting.profile.spigot_outline.width for fitting in result.made]
    assert spigots == pytest.approx([25.4 - 2 * 3.175 - 0.4, 38.1 - 2 * 1.65 - 0.4], abs=1e-3)
    folder = tmp_path / "ferrule_out"
    assert sorted(file.path for file in result.files) == sorted([*folder.glob("*.3mf"), *folder.glob("*.stl")])
    assert len(list(folder.glob("*.stl"))) == 2
    told = json.loads((folder / "result.json").read_text("utf-8"))
    assert [end["by_hand"] for end in told["ends"]] == ["given by size", "picked by hand", "given by size"]
    rows = list(csv.DictReader((folder / "caps ends.csv").read_text("utf-8-sig").splitlines()))
    assert [row["remark"] for row in rows] == ["given by size", "picked by hand", "given by size"]
    sheet = (folder / "caps job sheet.html").read_text("utf-8")
    assert "Leg, picked by hand" in sheet and ">given by size<" in sheet


def test_feet_below_and_caps_above_on_the_same_tube_are_one_job(tmp_path: Path) -> None:
    ways = {"up": (0, 0.5, 1), "down": (0.1, 0, -1), "level": (1, 0, 0.9)}
    entry = '[[tube_end]]\nsize = "1 in × 1/8 in"\nposition_mm = [{}, 0, 0]\naxis = {}\n'
    ends = "".join(entry.format(100 * place, list(axis)) for place, axis in enumerate(ways.values()))
    wanted = '[fitting]\nfor = [{points = "down", crown = "flat"}, {points = "level", make = false}]\n'
    made = run(parse_job(tomllib.loads(ends + wanted), tmp_path), (), False, nothing).made
    assert [(fitting.fitting.recipe.crown, fitting.batch.needed) for fitting in made] == [("dome", 1), ("flat", 1)]
