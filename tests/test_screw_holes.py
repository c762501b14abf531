# SPDX-License-Identifier: GPL-3.0-or-later
"""Holes that tubes get for joiners' screws: from the joint to the guide that they are drilled by."""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from manifold3d import Manifold

from addon.families.family import Site
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.batches import sort_into_batches
from addon.job.jobfile import parse_job
from addon.job.resolved import designed
from addon.job.results import Batch
from addon.job.running import run
from addon.takeoff import NeededHole, Takeoff

SQUARE = Section.rectangular(40, 40, 3)
ASKED: dict[str, Any] = {
    "fitting": {"make": False},
    "drill_guide": {"make": True},
    "joiner": {"make": True, "screws": "through", "screw_count": 2},
}


def placed(batch: Batch, site: Site) -> Manifold:
    return designed(batch.shape, 64).solid.transform(site.frame.matrix[:3])


def rails() -> list[Mesh]:
    """Two in line along x that meet."""
    wall = (SQUARE.outer.cross_section() - SQUARE.bore.cross_section()).extrude(300)
    along = Frame.along((0, 0, 0), (1, 0, 0), (0, 1, 0))
    starts = (Frame(np.array([start, 0, 0]), along.axes) for start in (0.0, 300.0))
    return [Mesh.from_manifold(wall, f"rail {number}").placed(frame) for number, frame in enumerate(starts, 1)]


@pytest.mark.parametrize(
    ("joint", "screws"),
    [
        ({"size": "40 × 40 × 3", "gap_mm": 4}, "insert"),
        ({"size": "40 × 40 × 3", "angle_deg": 90}, "through"),
        ({"size": "NPS 1 1/2 Sch 40", "other_size": "40 × 40 × 3"}, "through"),
        ({"size": "NPS 1 1/2 Sch 40", "angle_deg": 120, "towards_deg": 20}, "through"),
    ],
)
def test_bushes_lie_in_line_with_the_joiners_own_holes(joint: dict[str, Any], screws: str, tmp_path: Path) -> None:
    """By the kernel: guide and joiner in their places, a pin of the screw's size through each bush meets neither, and
    one that is a mm thicker is held by the bush."""
    job = parse_job({**ASKED, "joiner": {**ASKED["joiner"], "screws": screws}, "joint": [joint]}, tmp_path)
    *guides, joiner = sort_into_batches(job, job.sites[0].added(Takeoff(()), "carbon steel"))
    (site,) = joiner.sites
    solid, found = placed(joiner, site), 0
    for batch in guides:
        assert batch.family.name == "drill guide" and set(batch.amounts) == {"screw hole"}
        for guide_site in batch.sites:
            guide = placed(batch, guide_site)
            for hole in (hole for hole in guide_site.records if isinstance(hole, NeededHole)):
                found += 1
                for mouth in hole.mouths:
                    frame = Frame.along(mouth.position, mouth.axis).matrix[:3]
                    # An insert's bore is as wide as the insert, and ends inside.
                    down = 20.0 if screws == "through" else 3.0
                    pin = Manifold.cylinder(60 + down, 2.7, circular_segments=64).translate([0, 0, -down])
                    assert (pin.transform(frame) ^ guide).volume() < 1e-6
                    assert (pin.transform(frame) ^ solid).volume() < 1e-6
                    thick = Manifold.cylinder(60, 3.25, circular_segments=64).transform(frame)
                    assert (thick ^ guide).volume() > 11.0 * math.pi * (3.25**2 - 2.9**2) * 0.9
    assert found == 4


@pytest.mark.once
def test_rails_that_come_apart_are_drilled_over_their_joined_ends(tmp_path: Path) -> None:
    asked = {"assembly": {"files": ["rails.stl"]}, **ASKED}
    result = run(parse_job(asked, tmp_path, "rails"), rails(), True, lambda what, share: None)
    guide, joiner = result.made
    assert guide.fitting.recipe.style == "sleeve"
    assert (guide.batch.amounts, guide.count) == ({"screw hole": 4}, 1)
    assert not [finding for finding in result.findings if finding.severity in ("must fix", "look at")]
    out = tmp_path / "ferrule_out"
    said = json.loads((out / "result.json").read_text("utf-8"))
    assert said["holes"] == [] and said["verdict"]["screw_holes"] == 4 and "holes" not in said["verdict"]
    assert [(hole["fitting"], hole["screws_of"], hole["walls"]) for hole in said["screw_holes"]] == [
        (guide.id, joiner.id, 2)
    ] * 4
    assert (said["fittings"][0]["holes"], said["fittings"][0]["screw_holes"]) == (0, 4)
    # As the joiner lists them.
    listed = [float(at) for at in said["fittings"][1]["drill_at_mm"].split("; ")]
    assert sorted(min(hole["distances_mm"]) for hole in said["screw_holes"]) == pytest.approx(sorted(listed))
    rows = list(csv.DictReader(io.StringIO((out / "rails sites.csv").read_text("utf-8-sig"), newline="")))
    assert [row["where"].partition(", for ")[2] for row in rows] == [f"the screws of {joiner.id}"] * 2 + [""]
    assert "4 screw holes" in (out / "rails job sheet.html").read_text("utf-8")


@pytest.mark.parametrize(
    ("asked", "families"),
    [
        ({}, ["drill guide", "joiner"]),
        ({"hole_plug": {"make": True}}, ["drill guide", "joiner"]),
        ({"drill_guide": {}}, ["joiner"]),
        ({"drill_guide": {"make": True, "for": [{"hole_mm": 5.5, "make": False}]}}, ["joiner"]),
        ({"joiner": {"make": True}}, ["joiner"]),
        ({"joiner": {"make": True, "screws": "through", "screw_count": 6, "spigot_mm": 20}}, ["joiner"]),
    ],
)
def test_guides_and_no_plugs_are_made_where_there_are_screws(
    asked: dict[str, Any], families: list[str], tmp_path: Path
) -> None:
    job = parse_job({**ASKED, **asked, "joint": [{"size": "40 × 40 × 3"}]}, tmp_path)
    batches = sort_into_batches(job, job.sites[0].added(Takeoff(()), "carbon steel"))
    assert [batch.family.name for batch in batches] == families
