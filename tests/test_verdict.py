# SPDX-License-Identifier: GPL-3.0-or-later
"""The verdict on a job: calm where nobody has to act, and first in saying what stands in the way."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from manifold3d import Manifold

from addon.bench.verdict import about_grams, about_time
from addon.fields.messages import THE_HOLE, THIS_END, Units, message_from, say
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.jobfile import parse_job
from addon.job.judging import verdict_of
from addon.job.results import JobResult
from addon.job.running import run
from addon.job.screen import table

ONE_INCH = Section.round(25.4, 3.175)
SQUARE = Section.rectangular(40, 40, 3)


def tube(section: Section, name: str, length: float = 300.0, x: float = 0.0) -> Mesh:
    solid = (section.outer.cross_section() - section.bore.cross_section()).extrude(length)
    return Mesh.from_manifold(solid, name).placed(Frame.along((x, 0, 0), (0, 0, 1)))


def less(mesh: Mesh, tool: Manifold) -> Mesh:
    return Mesh.from_manifold(mesh.to_manifold() - tool, mesh.name)


def do(folder: Path, meshes: Sequence[Mesh], **tables: Any) -> JobResult:
    job = parse_job({"assembly": {"files": ["rack.stl"]}, **tables}, folder, "rack")
    return run(job, meshes, True, lambda what, share: None)


@pytest.mark.parametrize(
    ("grams", "said"), [(0.2, "1 g"), (7.4, "7 g"), (43, "45 g"), (194.6, "190 g"), (996, "1000 g"), (1240, "1.2 kg")]
)
def test_grams_as_one_says_them(grams: float, said: str) -> None:
    assert about_grams(grams) == said


@pytest.mark.parametrize(
    ("minutes", "said"),
    [(1, "5 min"), (43, "45 min"), (57, "55 min"), (62, "1 h"), (160, "2 1/2 h"), (299, "5 h"), (545, "9 h")],
)
def test_time_as_one_says_it(minutes: float, said: str) -> None:
    assert about_time(60 * minutes) == said


def test_what_was_made_and_what_was_not(tmp_path: Path) -> None:
    """A hole through both walls 6.5 mm down leaves 6.5 mm for a spigot of 8."""
    bolt = Manifold.cylinder(100, 3.5, circular_segments=48).translate((0, 0, -50)).rotate((0, 90, 0))
    crossed = less(tube(ONE_INCH, "crossed"), bolt.translate((0, 0, 10)))
    large = tube(SQUARE, "large", x=100)
    result = do(tmp_path, [crossed, large], process={"plate_mm": [60, 60, 100], "margin_mm": 15})
    verdict = verdict_of(result)
    assert (verdict.served["end"], verdict.kinds, verdict.fittings, verdict.plates) == (1, 1, 1, 1)
    assert verdict.ready and not verdict.complete
    assert verdict.headline.startswith("1 of 4 ends, 1 kind; left out: 3 ends. 1 plate, ")
    too_large, too_deep = verdict.left_out
    assert (too_large.number, too_large.fitting, too_large.sources) == (2, "F2", ("large", "large"))
    assert "plate_mm" in too_large.remedy
    assert (too_deep.number, too_deep.fitting, too_deep.sources) == (1, "", ("crossed",))
    assert too_deep.reason == "Crossed by a hole 6.5 mm down the bore."
    assert too_deep.remedy.startswith("Shorten the spigot to 6 mm")
    written = json.loads((tmp_path / "ferrule_out" / "result.json").read_text("utf-8"))["verdict"]
    assert (written["headline"], written["complete"]) == (verdict.headline, False)
    assert [entry["fitting"] for entry in written["left_out"]] == ["F2", None]


def test_ends_that_the_weldment_closes_are_not_left_out(tmp_path: Path) -> None:
    """A plate across the foot; the other end is open."""
    plate = Mesh.from_manifold(Manifold.cube((60, 60, 5), True).translate((0, 0, -2.5)), "plate")
    verdict = verdict_of(do(tmp_path, [tube(ONE_INCH, "post"), plate]))
    assert verdict.complete and verdict.headline.startswith("1 end, 1 kind, ready to print")


def test_a_cope_that_lies_on_nothing_is_left_out(tmp_path: Path) -> None:
    round_cut = Manifold.cylinder(100, 20, circular_segments=128).translate((0, 0, -50)).rotate((0, 90, 0))
    verdict = verdict_of(do(tmp_path, [less(tube(ONE_INCH, "strut"), round_cut)]))
    (coped,) = verdict.left_out
    assert coped.reason.startswith("Coped") and coped.remedy.startswith("Cut it flat")
    assert verdict.headline.startswith("1 of 2 ends")


def test_what_is_not_made_on_purpose_is_not_left_out(tmp_path: Path) -> None:
    bolt = Manifold.cylinder(100, 3.5, circular_segments=48).translate((0, 0, -50)).rotate((0, 90, 0))
    crossed = less(tube(ONE_INCH, "crossed"), bolt.translate((0, 0, 10)))
    verdict = verdict_of(do(tmp_path, [crossed], fitting={"make": False}))
    assert verdict.complete and not verdict.ready
    assert verdict.headline == "Nothing to print: the job asks for no fittings"


# What must be fixed comes first, and a good weldment is calm


def first_lines(result: JobResult) -> str:
    """The first paragraph on the screen, on one line."""
    return " ".join(table(result).partition("\n\n")[0].split())


@pytest.mark.parametrize(
    ("fitting", "left"),
    [
        ({"make": False, "for": [{"points": "up", "make": True}]}, ["up"]),
        ({"for": [{"points": "up", "make": False}]}, ["down"]),
    ],
)
def test_of_ends_that_point_one_way_those_without_a_fitting_are_left_out(
    tmp_path: Path, fitting: dict[str, Any], left: list[str]
) -> None:
    bolt = Manifold.cylinder(100, 3.5, circular_segments=48).translate((0, 0, -50)).rotate((0, 90, 0))
    crossed = {name: less(tube(ONE_INCH, name), bolt.translate((0, 0, z))) for name, z in (("down", 10), ("up", 290))}
    meshes = [crossed["down"], crossed["up"].placed(Frame.along((100, 0, 0), (0, 0, 1)))]
    result = do(tmp_path, meshes, fitting=fitting)
    assert [entry.sources for entry in verdict_of(result).left_out] == [tuple(left)]


def test_support_that_does_not_come_out_comes_first(tmp_path: Path) -> None:
    """A hollow spigot 60 mm long and 15 mm wide inside, with tools that need a mouth of 16."""
    fitting = {"spigot_mm": 60, "hollow_wall_mm": 2, "up": "crown up"}
    result = do(tmp_path, [tube(ONE_INCH, "post")], fitting=fitting, process={"pocket_mouth_mm": 16, "bridge_mm": 1})
    verdict = verdict_of(result)
    assert not verdict.ready and not verdict.complete
    assert verdict.headline == "2 ends, 1 kind, not to be printed yet: trapped support"
    said = first_lines(result)
    assert said.startswith(f"{verdict.headline}. Must fix: trapped support, F1. A tool does not get at ")
    assert "Before printing" not in said


def test_a_tube_that_is_too_large_for_the_plate_comes_first(tmp_path: Path) -> None:
    large = Section.rectangular(80, 80, 3)
    result = do(tmp_path, [tube(large, "mast")], process={"plate_mm": [60, 60, 100]})
    assert verdict_of(result).headline == "Nothing to print: 2 ends are left out"
    assert "Left out, 2 ends (F1): No fitting was made for 80 × 80 × 3" in first_lines(result)


def test_a_bore_that_is_too_short_comes_first(tmp_path: Path) -> None:
    """A plug 5 mm down, for a spigot of 8."""
    plug = Mesh.from_manifold(Manifold.cylinder(10, 9.5, circular_segments=96).translate((0, 0, 5)), "plug")
    result = do(tmp_path, [tube(ONE_INCH, "post"), plug])
    said = first_lines(result)
    assert said.startswith("1 of 2 ends, 1 kind; left out: 1 end. 1 plate, ")
    assert 'Left out, 1 end: Blocked by "plug", 5 mm down the bore. Shorten the spigot to ' in said
    assert ' without a fitting. ("post")' in " ".join(said.split())


def test_ends_that_run_into_a_tube_are_to_be_coped(tmp_path: Path) -> None:
    """A rail between the middles of two posts, not cut yet."""
    rail = Mesh(
        tube(ONE_INCH, "rail", 300).vertices[:, [2, 1, 0]] + (0, 0, 150),
        tube(ONE_INCH, "rail").triangles[:, ::-1],
        "rail",
    )
    result = do(tmp_path, [tube(ONE_INCH, "left"), tube(ONE_INCH, "right", x=300), rail])
    verdict = verdict_of(result)
    assert [entry.said for entry in verdict.closed] == ["2 to be coped"]
    screen = table(result, everything=True)
    assert "2 ends take no fitting: 2 to be coped." in screen
    sheet = (tmp_path / "ferrule_out" / "rack job sheet.html").read_text("utf-8")
    assert "2 ends take no fitting: 2 to be coped." in sheet


def test_ends_drawn_into_a_flat_side_are_to_be_cut_square(tmp_path: Path) -> None:
    """A rail between the middles of two square posts."""
    rail = Mesh.from_manifold(
        tube(ONE_INCH, "rail", 300).to_manifold().rotate((0, 90, 0)).translate((0, 0, 150)), "rail"
    )
    result = do(tmp_path, [tube(SQUARE, "left"), tube(SQUARE, "right", x=300), rail])
    closed = "2 ends take no fitting: 2 to be cut square against another part."
    assert verdict_of(result).closed_ends == closed and closed in " ".join(table(result, everything=True).split())
    sheet = (tmp_path / "ferrule_out" / "rack job sheet.html").read_text("utf-8")
    assert f"{closed} The list of ends (CSV) names each." in sheet
    record = json.loads((tmp_path / "ferrule_out" / "result.json").read_text("utf-8"))
    assert sorted((end["to_cut"] or {"back_mm": 0})["back_mm"] for end in record["ends"]) == pytest.approx(
        [0] * 4 + [20] * 2
    )


def test_what_to_do_about_several_ends_is_in_the_plural(tmp_path: Path) -> None:
    plates = [
        Mesh.from_manifold(Manifold.cube((60, 60, 5), True).translate((0, 0, z)), f"plate {z}") for z in (-2.5, 302.5)
    ]
    several = table(do(tmp_path, [tube(ONE_INCH, "post"), *plates]), everything=True)
    assert "  Leave these ends without a fitting or move what is there:" in several
    one = table(do(tmp_path, [tube(ONE_INCH, "post"), plates[0]]), everything=True)
    assert "  Leave this end without a fitting or move what is there:" in one


def test_what_is_left_out_is_in_the_plural_if_it_is_several() -> None:
    cure = say("let {} go on through the spigot or leave {} without a fitting", THE_HOLE, THIS_END)
    assert cure == "let the hole go on through the spigot or leave this end without a fitting"
    several = say("{}.", say("Blocked; {}", cure)).of(2)
    assert several == "Blocked; let the holes go on through the spigot or leave these ends without a fitting."
    assert message_from(several.stored()) == several


@pytest.mark.parametrize(("wall_mm", "checks"), [(0.3, ["thin tube"]), (0.5, [])])
def test_a_wall_that_no_tube_has_is_looked_at(tmp_path: Path, wall_mm: float, checks: list[str]) -> None:
    """The thinnest common tube is about 0.5 mm thick: common practice, no source."""
    verdict = verdict_of(do(tmp_path, [tube(Section.rectangular(38.1, 38.1, wall_mm, 4.0), "post")]))
    assert [concern.check for concern in verdict.look_at if concern.check == "thin tube"] == checks


def test_a_doubted_unit_comes_first(tmp_path: Path) -> None:
    """A tube of 1 1/2 in that is drawn in millimetres and read as inches."""
    result = do(tmp_path, [tube(Section.rectangular(38.1 * 25.4, 38.1 * 25.4, 2.1 * 25.4), "post", 12700)])
    assert first_lines(result).startswith("Is the unit right? ") and table(result).count("Is the unit right?") == 1


@pytest.mark.parametrize("count", [1, 2, 4, 5])
def test_what_was_refused_names_the_first_of_its_tubes(tmp_path: Path, count: int) -> None:
    posts = [tube(ONE_INCH, f"Post {number}", x=100.0 * number) for number in range(count)]
    result = do(tmp_path, posts, fitting={"gap_mm": 5.0})
    (left,) = verdict_of(result).left_out
    named = {
        1: '("Post 0")',
        2: '("Post 0" and "Post 1")',
        4: '("Post 0", "Post 1", "Post 2" and "Post 3")',
        5: '("Post 0", "Post 1", "Post 2" and 2 more)',
    }
    assert left.number == 2 * count and left.said.endswith(named[count])


@pytest.mark.parametrize(("section", "inches"), [(ONE_INCH, True), (SQUARE, False)])
def test_limits_of_a_refusal_are_in_inches_too(tmp_path: Path, section: Section, inches: bool) -> None:
    (refused,) = do(tmp_path, [tube(section, "Post")], fitting={"gap_mm": 0.001}).refusals
    least = re.search(r"at least ([\d.]+) mm( \(([\d.]+) in\))?", refused.meaning)
    assert least and bool(least[2]) is inches
    if inches:
        assert float(least[3]) == pytest.approx(float(least[1]) / 25.4, abs=0.0005)
        assert " mm" not in refused.meaning.text(Units(imperial=True, labels={}))
    assert message_from(refused.meaning.stored()) == refused.meaning
