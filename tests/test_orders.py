# SPDX-License-Identifier: GPL-3.0-or-later
"""Orders of several frames and of several assemblies: counts, lists, papers and the time that they take."""

from __future__ import annotations

import csv
import json
import tomllib
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.asked import Job, JobError, Output
from addon.job.jobfile import job_text, parse_job
from addon.job.judging import verdict_of
from addon.job.results import JobResult
from addon.job.running import run_order

ROUND, SQUARE = Section.round(25.4, 3.175), Section.rectangular(40, 40, 3)


def posts(*sections: Section) -> tuple[Mesh, ...]:
    """Tubes that stand apart."""
    return tuple(post(section, 200.0 * number) for number, section in enumerate(sections))


def post(section: Section, x: float = 0.0) -> Mesh:
    outer, bore = (outline.cross_section(chord_error=0.05) for outline in (section.outer, section.bore))
    solid = Mesh.from_manifold((outer - bore).extrude(300), f"post {x:g}")
    return solid.placed(Frame.along((x, 0, 0), (0, 0, 1)))


def job_of(folder: Path, assemblies: Any, **output: object) -> Job:
    return parse_job({"assembly": assemblies, "fitting": {"crown": "flat"}, "output": output}, folder, "order")


def do(job: Job, *meshes: tuple[Mesh, ...]) -> tuple[JobResult, list[str]]:
    said: list[str] = []
    result = run_order(job, [(some, True) for some in meshes], lambda what, share: said.append(what))
    return result, said


def record(result: JobResult) -> Mapping[str, Any]:
    return json.loads((result.job.output.folder / "result.json").read_text("utf-8"))


def test_five_frames_take_five_times_the_fittings_and_the_spares_once(tmp_path: Path) -> None:
    result, _ = do(job_of(tmp_path, {"files": ["a.stl"], "frames": 5}, spares=2), posts(ROUND, SQUARE))
    assert [(len(made.batch.sites), made.batch.needed, made.count) for made in result.made] == [
        (2, 10, 12),
        (2, 10, 12),
    ]
    assert Counter(spot.part for spot in result.plates.placements) == {0: 12, 1: 12}
    assert verdict_of(result).headline.startswith("5 frames, 20 ends, 2 kinds")
    told = record(result)
    assert [end["frames"] for end in told["ends"]] == [5, 5, 5, 5]
    assert [(fitting["ends"], fitting["needed"], fitting["count"]) for fitting in told["fittings"]] == [(2, 10, 12)] * 2
    sheet = (tmp_path / "ferrule_out" / "order job sheet.html").read_text("utf-8")
    assert "5 frames" in sheet


def test_assemblies_share_their_kinds(tmp_path: Path) -> None:
    tables = [
        {"name": "stall", "files": ["a.stl"], "count": 3},
        {"name": "rack", "files": ["b.stl"]},
    ]
    result, said = do(job_of(tmp_path, tables), posts(ROUND), posts(ROUND, SQUARE))
    assert [(len(made.batch.sites), made.count) for made in result.made] == [(4, 8), (2, 2)]
    assert {end.source.partition(" / ")[0] for end in result.ends} == {"stall", "rack"}
    assert "Reading the tube ends of rack, 2 of 2" in said
    told = record(result)
    assert told["assemblies"] == [
        {"name": "stall", "frames": 3, "files": ["a.stl"]},
        {"name": "rack", "frames": 1, "files": ["b.stl"]},
    ]
    assert Counter(end["assembly"] for end in told["ends"]) == {"stall": 2, "rack": 4}
    rows = list(csv.DictReader((tmp_path / "ferrule_out" / "order ends.csv").read_text("utf-8-sig").splitlines()))
    assert [(row["assembly"], row["frames"]) for row in rows] == [("stall", "3")] * 2 + [("rack", "1")] * 4
    assert sum(int(row["frames"]) for row in rows) == sum(made.batch.needed for made in result.made)


def test_files_are_named_as_they_are_written(tmp_path: Path) -> None:
    steps: list[tuple[str, float]] = []
    job = job_of(tmp_path, {"files": ["a.stl"], "frames": 200}, formats=["3mf", "stl"])
    result = run_order(job, [(posts(ROUND), True)], lambda *step: steps.append(step))
    written = [what for what, _ in steps if what.startswith("Writing and reading back")]
    assert len(written) == len(result.files) > 2
    assert f"of {result.plates.count}" in written[0]
    assert written[-1].endswith(result.files[-1].parts[0])
    shares = [share for _, share in steps]
    assert shares == sorted(shares) and shares[-1] == 1.0


def test_fittings_are_tried_among_the_parts_of_their_own_assembly(tmp_path: Path) -> None:
    """The tubes of two assemblies stand in the same place, as each was drawn at its own origin; in one assembly they
    would run into each other."""
    tables = [{"name": name, "files": [f"{name}.stl"]} for name in ("stall", "rack")]
    apart, _ = do(job_of(tmp_path, tables), posts(ROUND), posts(SQUARE))
    together, _ = do(job_of(tmp_path, {"files": ["a.stl"]}), (post(ROUND), post(SQUARE)))
    assert len(apart.made) == 2 and not any(finding.check == "interference" for finding in apart.findings)
    assert not all(end.open for end in together.ends)


@pytest.mark.parametrize(("percent", "needed", "spares"), [(10.0, 25, 3), (10.0, 20, 2), (0.0, 20, 1), (3.0, 20, 1)])
def test_spares_by_percent_are_rounded_up_and_the_larger_number_counts(
    percent: float, needed: int, spares: int
) -> None:
    # source: the share's ceiling, by hand
    assert Output(spares=1, spares_percent=percent).spares_for(needed) == spares


def test_the_text_of_an_order_reads_as_the_same_order(tmp_path: Path) -> None:
    tables = [{"name": "stall", "files": ["a.stl"], "frames": 3}, {"name": "rack", "files": ["b.stl"], "unit": "in"}]
    job = job_of(tmp_path, tables, spares_percent=5.0)
    assert parse_job(tomllib.loads(job_text(job)), tmp_path, "order").assemblies == job.assemblies


@pytest.mark.parametrize(
    ("assembly", "said"),
    [
        ([], "empty list"),
        ([{"files": ["a.stl"]}, {"files": ["b/a.stl"]}], 'both called "a"'),
        ({"files": ["a.stl"], "frames": 2, "count": 2}, "mean the same"),
        ([{"name": "x"}], r"assembly\[1\].files is missing"),
        ({"files": ["a.stl"], "frames": 0}, "frames"),
        ([{"name": "x", "files": ["a.stl"], "framse": 2}], "frames"),
        ("a.stl", "assembly"),
    ],
)
def test_what_is_no_order_is_refused(tmp_path: Path, assembly: object, said: str) -> None:
    with pytest.raises(JobError, match=said):
        job_of(tmp_path, assembly)
