# SPDX-License-Identifier: GPL-3.0-or-later
"""A job written as its file and read again is the same job."""

from __future__ import annotations

import tomllib
from dataclasses import fields, replace
from pathlib import Path
from typing import get_args, get_type_hints

from hypothesis import given
from hypothesis import strategies as st
from recipes import recipe_of

from addon.families.cap import CAP
from addon.families.cap.recipe import Crown, FitName, Recipe
from addon.job.asked import Assembly, Job, Match, Measured, Output, Override, Pointing, SiteMatch, TubeFacts, Wish
from addon.job.jobfile import job_text, parse_job
from addon.shaping.features import HoleKind
from addon.takeoff.given import SizedEnd
from addon.takeoff.picked import PickedEnd
from addon.trade.processes import Process, process_named, processes
from addon.trade.sizes import tube_sizes

FOLDER = Path("/jobs").absolute()

lengths = st.floats(0.5, 20).map(lambda number: float(f"{number:.7g}"))
recipes = st.builds(
    recipe_of,
    crown=st.sampled_from(get_args(Crown)),
    rise_mm=st.none() | lengths,
    gap_mm=st.none() | lengths,
    spigot_mm=lengths,
    fit=st.sampled_from(get_args(FitName)),
    hole=st.sampled_from(get_args(HoleKind)),
    groove_count=st.integers(0, 9),
)
matches = st.builds(
    Match, kind=st.none() | st.sampled_from(["round", "rect"]), width_mm=st.none() | lengths, within_mm=lengths
)
site_matches = st.builds(
    SiteMatch, width_mm=st.none() | lengths, points=st.none() | st.sampled_from(get_args(Pointing))
)
changes = st.fixed_dictionaries({"crown": st.sampled_from(get_args(Crown))}, optional={"rise_mm": st.none() | lengths})
names = st.text(st.characters(codec="utf-8", exclude_characters="\0"), min_size=1).filter(str.strip)


places = st.floats(-1e6, 1e6).map(lambda number: round(number, 9))
ways = st.sampled_from([(0.0, 0.0, 1.0), (0.1, -0.0, -0.9), (1 / 3, 2 / 3, 2 / 3)])


def picked(x: float, name: str, axis: tuple[float, float, float] | None, bored: bool) -> PickedEnd:
    rim, bore = (
        tuple((x + u * half, u * v * half, 7.0) for u, v in ((-1, 1), (1, -1), (1, 1), (-1, -1))) for half in (20, 17)
    )
    return PickedEnd(rim, bore, axis, None, name) if bored else PickedEnd(rim, (), axis, 3.0, name)


tube_ends = st.builds(picked, places, st.text(), st.none() | st.just((0.1, 0.2, 0.9)), st.booleans()) | st.builds(
    SizedEnd, st.sampled_from(tube_sizes()).map(lambda size: size.name), st.tuples(places, places, places), ways
)


def own(name: str) -> Process:
    """A process that is in no table."""
    return replace(process_named(processes()[0].name), name=f"own {name}", layer_mm=0.13, source="", from_memory=())


jobs = st.builds(
    Job,
    name=st.just("job"),
    assemblies=st.builds(
        Assembly,
        frames=st.integers(1, 50),
        files=st.just((FOLDER / "a “b” \\ c.stl",)),
        unit=st.none() | st.just("in"),
        wall_mm=st.none() | lengths,
        leave_out_mm=st.lists(st.tuples(places, places, places), max_size=2).map(tuple),
    ).flatmap(
        lambda only: st.sampled_from([(only,), tuple(replace(only, name=name) for name in ("stall", "rack “2”", "c"))])
    ),
    wishes=st.tuples(
        st.builds(
            Wish, st.just(CAP), recipes, st.lists(st.builds(Override, site_matches, changes), max_size=3).map(tuple)
        )
    ),
    measured=st.lists(
        st.builds(Measured, matches, st.lists(lengths, min_size=1, max_size=3).map(tuple)), max_size=2
    ).map(tuple),
    tube=st.builds(TubeFacts, seam_height_mm=lengths),
    process=st.sampled_from(processes()) | names.map(own),
    output=st.just(Output(FOLDER / "out", ("3mf", "stl"), "in", 2)),
    tube_ends=st.lists(tube_ends, max_size=3).map(tuple),
)


@given(jobs)
def test_a_job_reads_back_as_it_was_written(job: Job) -> None:
    assert parse_job(tomllib.loads(job_text(job)), FOLDER, "job") == job


def test_every_number_that_may_be_left_out_can_be_set_back_to_automatic() -> None:
    hints = get_type_hints(Recipe)
    free = [field.name for field in fields(Recipe) if type(None) in get_args(hints[field.name])]
    assert free
    entry = {"kind": "round", **dict.fromkeys(free, "auto")}
    job = parse_job({"assembly": {"files": ["a.stl"]}, "fitting": {**dict.fromkeys(free, 3), "for": [entry]}}, FOLDER)
    assert dict(job.wishes[0].overrides[0].changes) == dict.fromkeys(free)
