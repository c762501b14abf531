# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo's whole job: calm, short, and with the same numbers wherever it says them."""

from __future__ import annotations

import json
import re
import sys
from functools import cache
from pathlib import Path
from xml.etree.ElementTree import Element

import html5lib
import pytest
from on_paper import needs_browser, printed_pages
from test_workers import leave_all_to

from addon.bench.job_sheet import job_sheet_html
from addon.bench.verdict import about_grams, about_time
from addon.job.jobfile import read_job
from addon.job.judging import verdict_of
from addon.job.papers import job_sheet_of
from addon.job.report import result_json
from addon.job.results import JobResult
from addon.job.running import run, run_order
from addon.job.screen import table
from addon.job.workers import Workers
from addon.trade.cautions import cautions_for
from demo_assembly import market_stall, write_demo


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> JobResult:
    job = read_job(write_demo(tmp_path_factory.mktemp("demo")))
    return run(job, market_stall(), True, lambda what, share: None)


def test_the_demo_is_calm_and_fits_on_a_screen(result: JobResult) -> None:
    verdict = verdict_of(result)
    assert verdict.headline.startswith(
        "29 of 30 ends, 8 holes, 2 copes, 1 joint, 11 kinds; left out: 1 end. 2 plates, "
    )
    assert verdict.must_fix == () and len(verdict.look_at) <= 2
    # By design: 99 of 100, which other tests hold against tubes drawn at random.
    assert 0.99 <= verdict.share_that_enters <= 1 and verdict.goes_in in " ".join(table(result).split())
    assert [entry.said for entry in verdict.closed] == ["38 closed by another part", "8 cut to lie on another tube"]
    for width in (80, 110):
        lines = table(result, width=width).splitlines()
        assert max(map(len, lines[:-1])) <= width
        assert width == 80 or len(lines) <= 30
    assert len(table(result, everything=True).splitlines()) > 60


@pytest.mark.once
def test_processes_beside_make_the_same_files(
    result: JobResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All families' fittings are sent from one process to another."""
    job = read_job(write_demo(tmp_path))
    with Workers(1, [sys.executable, "-P"]) as workers:
        leave_all_to(workers, monkeypatch)
        run_order(job, [(market_stall(), True)], lambda what, share: None, workers.shared_out)
    folders = (some.output.folder for some in (job, result.job))
    beside, alone = ({path.name: path.read_bytes() for path in folder.iterdir()} for folder in folders)
    assert len(alone) > 20 and [name for name in alone | beside if alone.get(name) != beside.get(name)] == []


def test_every_caution_that_applies_is_on_the_screen(result: JobResult) -> None:
    """In brief, and with everything in a line; on the sheet in full, as another test has it."""
    short, full = (" ".join(table(result, everything).split()) for everything in (False, True))
    applying = cautions_for(result.facts)
    assert len(applying) > 20
    assert [caution.name for caution in applying if caution.brief not in short or caution.name not in full] == []


@needs_browser
@pytest.mark.once
@pytest.mark.parametrize("size", ["A4", "letter"])
def test_the_demo_prints_on_seven_pages(result: JobResult, size: str) -> None:
    assert printed_pages(job_sheet_html(job_sheet_of(result)), size) <= 7


def test_screen_sheet_and_record_say_the_same_of_the_whole_job(result: JobResult) -> None:
    """The window's lines are those of the same verdict."""
    verdict, record = verdict_of(result), json.loads(result_json(result))
    screen, sheet = " ".join(table(result).split()), words(parsed_sheet(result))
    assert record["verdict"]["headline"] == verdict.headline
    for said in (verdict.headline, verdict.goes_in, verdict.closed_ends, *verdict.in_the_way, *verdict.before_printing):
        assert said and said in screen and said in sheet
    served = {"end": "ends", "hole": "holes", "cope": "copes", "joint": "joints"}
    assert {key: record["verdict"][served[key]] for key in verdict.served} == verdict.served
    assert {f"{entry['ends']} {entry['reason']}" for entry in record["verdict"]["closed"]} == {
        entry.said for entry in verdict.closed
    }
    assert about_grams(record["quantities"]["grams"]["value"]) in verdict.headline
    assert about_time(record["quantities"]["time_s"]["value"]) in verdict.headline
    assert record["verdict"]["fittings"] == sum(row[4] for row in printed_by(result).values())


def printed_by(result: JobResult) -> dict[str, tuple[str, str, str, str, int]]:
    """The rows of the sheet's first table, by their ids."""
    rows = tables_of(parsed_sheet(result))["Fitting", "For tube"]
    return {row[0]: (row[0], row[1], row[2], row[3], int(row[4])) for row in rows}


def test_screen_sheet_and_record_say_the_same_of_every_fitting(result: JobResult) -> None:
    record = json.loads(result_json(result))
    tables, on_sheet = tables_of(parsed_sheet(result)), printed_by(result)
    lines = {line.split()[0]: line for line in table(result).splitlines() if re.match(r"F\d+ ", line)}
    goes = {row[0]: row[1] for row in tables["Fitting", "Serves"]}
    plan = [(row[0], row[1], int(row[3]), float(row[4])) for row in tables["Fitting", "Layers"]]
    gaps = {heading.partition(":")[0]: rows for heading, rows in caliper_rows(result).items()}
    assert lines.keys() == on_sheet.keys() == goes.keys() == gaps.keys() == {f["id"] for f in record["fittings"]}
    for fitting in record["fittings"]:
        id = fitting["id"]
        cells = re.split(r"\s{2,}", lines[id])
        serves, prints, way_up = cells[3:6]
        assert int(prints) == fitting["count"] == on_sheet[id][4]
        assert way_up == fitting["up"].partition(",")[0] == on_sheet[id][3]
        assert serves == goes[id]
        assert int(serves.split()[0]) == fitting[f"{serves.split()[1].removesuffix('s')}s"]
        if fitting["spigot_gap_mm"] is not None:
            gap = next(cell for on, cell in gaps[id] if on.startswith("Gap per side"))
            assert float(cells[6].removesuffix(" mm")) == fitting["spigot_gap_mm"] == float(gap.split()[0])
        assert [row[1:] for row in plan if row[0] == id] == [
            (f"{part['first_layer']} to {part['last_layer']}", part["rings"], part["bead_mm"])
            for part in fitting["print_plan"]["ranges"]
        ]


@cache
def parsed_sheet(result: JobResult) -> Element:
    text = job_sheet_html(job_sheet_of(result))
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)


def words(node: Element) -> str:
    return " ".join("".join(node.itertext()).split())


def tables_of(node: Element) -> dict[tuple[str, ...], list[list[str]]]:
    """The rows of each table by its first two heads; of tables that are alike those of the last."""
    return {
        tuple(words(head) for head in table.findall(".//thead//th")[:2]): [
            [words(cell) for cell in row] for row in table.findall("./tbody/tr")
        ]
        for table in node.findall(".//table")
    }


def caliper_rows(result: JobResult) -> dict[str, list[tuple[str, str]]]:
    """What is measured on each kind, and what is drawn there, by the heading of its block."""
    blocks = parsed_sheet(result).findall(".//section")
    return {
        words(block.find("h2")): [(row[0], row[1]) for row in tables_of(block)["Calipers on", "Drawn, mm"]]
        for block in blocks
    }
