# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo's whole job: calm, short, and with the same numbers wherever it says them."""

from __future__ import annotations

import pytest
from on_paper import needs_browser, printed_pages

from addon.bench.job_sheet import job_sheet_html
from addon.job.jobfile import read_job
from addon.job.judging import verdict_of
from addon.job.papers import job_sheet_of
from addon.job.results import JobResult
from addon.job.running import run
from addon.job.screen import table
from addon.trade.cautions import cautions_for
from demo_assembly import market_stall, write_demo


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> JobResult:
    job = read_job(write_demo(tmp_path_factory.mktemp("demo")))
    return run(job, market_stall(), True, lambda what, share: None)


def test_the_demo_is_calm_and_fits_on_a_screen(result: JobResult) -> None:
    verdict = verdict_of(result)
    assert verdict.headline.startswith("29 of 30 ends, 8 holes, 2 copes, 1 joint, 11 kinds, 1 end left out: 2 plates, ")
    assert verdict.must_fix == () and len(verdict.look_at) <= 2
    # By design: 99 of 100, which other tests hold against tubes drawn at random.
    assert 0.99 <= verdict.share_that_enters <= 1 and verdict.goes_in in " ".join(table(result).split())
    assert [entry.said for entry in verdict.closed] == ["38 closed by another part", "8 cut to lie on another tube"]
    for width in (80, 110):
        lines = table(result, width=width).splitlines()
        assert max(map(len, lines[:-1])) <= width
        assert width == 80 or len(lines) <= 30
    assert len(table(result, everything=True).splitlines()) > 60


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
