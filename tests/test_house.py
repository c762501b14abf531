# SPDX-License-Identifier: GPL-3.0-or-later
"""What "How to add" in DEVELOPERS.md promises: each test adds the thing at the places named there, and at no other."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
import trimesh
from manifold3d import Manifold

from addon.families import table
from addon.families.cap import CAP, Recipe, design
from addon.families.cap import profiles as cap_profiles
from addon.families.circumstances import Circumstances
from addon.families.dimensioned import Dimension, View
from addon.families.family import EndPlace, Family
from addon.families.fitting import BenchStep, Caliper, Fitting, Level, Seat
from addon.fields.declared import declared, declared_in
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.asked import Job, JobError
from addon.job.jobfile import job_text, parse_job
from addon.job.results import JobResult
from addon.job.running import run
from addon.shaping.shells import surface_indices, tool, unlabelled
from addon.takeoff.ends import TubeEnd

ROUND = Section.round(25.4, 3.175)


# -- a family: its own folder and one line of the table --------------------------------------------------------------


@dataclass(frozen=True)
class StopperRecipe:
    plug_mm: float = declared(6.0, "Plug", "How far the stopper goes into the tube", least=1.0, most=50.0)

    fit: ClassVar[str] = "push"
    gap_mm: ClassVar[float] = 0.2
    conditions: ClassVar[frozenset[str]] = frozenset()


class Stopper(Fitting):
    """A flange 2 mm thick, as wide as the tube, on a plain plug."""

    family = "stopper"
    surface_names = ("flange", "plug")
    seen = ("flange",)
    seen_name = "flange"
    title = "stopper"
    way_up = "flange down"
    print_axes = np.diag([1.0, -1.0, -1.0])

    @property
    def words(self) -> str:
        return f"stopper {self.recipe.plug_mm:g} mm deep"

    @property
    def seat(self) -> Seat:
        bore = self.section.bore
        return Seat("push", 0.2, 0.0, bore.offset(-0.2), bore, self.recipe.plug_mm, 0.0)

    def levels(self) -> tuple[Level, ...]:
        return (Level("flange", 2.0), Level("tip", 2.0 + self.recipe.plug_mm))

    def calipers(self, process: Any, added_mm: float = 0.0, excess_mm: float = 0.0) -> tuple[Caliper, ...]:
        depth = self.recipe.plug_mm
        return (Caliper("Stopper: depth", depth, depth - 0.2, depth + 0.2),)

    def drawing(self) -> tuple[View, ...]:
        cut = self.solid.rotate([-90, 0, 0]).slice(0).to_polygons()
        depth = self.recipe.plug_mm
        return (View(cut=cut, dimensions=[Dimension((0, -depth), (0, 0), "right", "depth", (depth,))]),)

    def listed(self) -> Mapping[str, float]:
        return {"plug_mm": self.recipe.plug_mm}

    @classmethod
    def steps(cls, fittings: Mapping[str, Any]) -> list[BenchStep]:
        return [BenchStep("Push in", f"By hand: {', '.join(fittings)}.")]


def stopper(
    recipe: StopperRecipe, place: EndPlace, circumstances: Circumstances | None = None, facets: int | None = None
) -> Stopper:
    outer, plug = place.section.outer, place.section.bore.offset(-0.2)
    flange = tool(Manifold.extrude(outer.cross_section(), 2.0), "flange")
    inside = Manifold.extrude(plug.cross_section(), recipe.plug_mm + 1.0).translate([0, 0, -recipe.plug_mm])
    shell = unlabelled(flange + tool(inside, "plug"))
    surfaces = surface_indices(shell.surfaces, Stopper.surface_names)
    return Stopper(recipe, place.section, Mesh(shell.vertices, shell.triangles), surfaces)


STOPPER = Family(
    name="stopper",
    table="stopper",
    recipe=StopperRecipe,
    serves=TubeEnd,
    place=EndPlace.of,
    design=stopper,
    depth_mm=lambda recipe: recipe.plug_mm,
)


def rail() -> list[Mesh]:
    """One tube with two open ends."""
    solid = (ROUND.outer.cross_section() - ROUND.bore.cross_section()).extrude(300)
    return [Mesh.from_manifold(solid, "rail").placed(Frame.along((0, 0, 0), (1, 0, 0)))]


def job(folder: Path, **tables: Any) -> Job:
    return parse_job({"assembly": {"files": ["rail.stl"]}, **tables}, folder, "rail")


def do(folder: Path, **tables: Any) -> JobResult:
    return run(job(folder, **tables), rail(), True, lambda what, share: None)


@pytest.fixture
def stoppers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table, "FAMILIES", (CAP, STOPPER))


def test_a_family_goes_from_the_job_file_to_the_sheet(stoppers: None, tmp_path: Path) -> None:
    """Volume: two cylinders by hand. Files read by trimesh, lists by the standard library."""
    asked = {"stopper": {"make": True, "plug_mm": "1/2 in"}, "fitting": {"make": False}}
    result = do(tmp_path, output={"formats": ["3mf", "stl"]}, **asked)
    (fitting,) = result.made
    assert (len(fitting.batch.ends), result.plates.count, fitting.review.watertight) == (2, 1, True)
    assert not [finding for finding in result.findings if finding.severity == "must fix"]
    (stl,) = (file.path for file in result.files if file.path.suffix == ".stl")
    assert stl.stem.startswith("rail F1 stopper for")
    exact = math.pi * (12.7**2 * 2.0 + (9.525 - 0.2) ** 2 * 12.7)
    assert trimesh.load_mesh(stl).volume == pytest.approx(exact, rel=2e-3)
    said = json.loads((tmp_path / "ferrule_out" / "result.json").read_text("utf-8"))["fittings"][0]
    assert (said["family"], said["up"], said["spigot_gap_mm"]) == ("stopper", "flange down", 0.2)
    listed = (tmp_path / "ferrule_out" / "rail fittings.csv").read_text("utf-8-sig")
    (row,) = csv.DictReader(io.StringIO(listed, newline=""))
    assert (row["family"], row["plug_mm"], row["fit"]) == ("stopper", "12.7", "push")
    sheet = (tmp_path / "ferrule_out" / "rail job sheet.html").read_text("utf-8")
    for words in ("stopper 12.7 mm deep", "Stopper: depth", "Push in.", "By hand: F1.", "flange down"):
        assert words in sheet


def test_a_jobs_families_are_asked_for_one_by_one(stoppers: None, tmp_path: Path) -> None:
    assert [wish.family.name for wish in job(tmp_path).wishes] == ["cap"]
    both = job(tmp_path, stopper={"make": True, "for": [{"wall_mm": 3.175, "plug_mm": 9}]})
    assert [wish.family.name for wish in both.wishes] == ["cap", "stopper"]
    assert both.wishes[1].recipe_for(ROUND).plug_mm == 9
    again = tmp_path / "again.toml"
    again.write_text(job_text(both), "utf-8")
    assert "[stopper]" in again.read_text("utf-8")
    fittings = do(tmp_path, stopper={"make": True}).made
    assert [(fitting.batch.family.name, len(fitting.batch.ends)) for fitting in fittings] == [
        ("cap", 2),
        ("stopper", 2),
    ]
    with pytest.raises(JobError, match=r"stopper\.plog_mm is not a known key; did you mean plug_mm"):
        job(tmp_path, stopper={"plog_mm": 3})
    with pytest.raises(JobError, match="expected true or false"):
        job(tmp_path, stopper={"make": "yes"})


# -- a recipe's number: its declaration, and the code that uses it ---------------------------------------------------


@dataclass(frozen=True)
class TaggedRecipe(Recipe):
    tag_mm: float = declared(0.0, "Tag", "Height of the raised tag", least=0.0, most=5.0, group="Tag")


def test_a_number_is_declared_once(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Job files, their limits and units, what is written back, and print files' metadata follow the declaration."""
    monkeypatch.setattr(table, "FAMILIES", (replace(CAP, recipe=TaggedRecipe),))
    asked = job(tmp_path, fitting={"tag_mm": "1/8 in"})
    assert asked.wishes[0].recipe.tag_mm == 3.175
    assert "tag_mm = 3.175" in job_text(asked)
    assert declared_in(TaggedRecipe)["tag_mm"].unit == "mm"
    with pytest.raises(JobError, match=r"fitting\.tag_mm is 6 mm; allowed is 0 to 5 mm"):
        job(tmp_path, fitting={"tag_mm": 6})
    (fitting,) = do(tmp_path, fitting={"tag_mm": 2}).made
    assert fitting.fitting.recipe.tag_mm == 2


# -- a crown: its word, and its profile ------------------------------------------------------------------------------


def test_a_crown_is_a_word_and_a_profile(monkeypatch: pytest.MonkeyPatch) -> None:
    """Volume over the spigot: a frustum by the handbook's formula."""

    def cut_cone(recipe: Recipe, reach: float, fineness: Any) -> np.ndarray:
        return np.array([(0.0, 0.0), (reach / 2, float(recipe.rise_mm or 0))])

    shape = cap_profiles.CrownShape(cut_cone, lambda reach: reach / 3)
    monkeypatch.setitem(cap_profiles.CROWN_SHAPES, "cut cone", shape)
    fitting = design(Recipe(crown="cut cone"), ROUND)  # type: ignore[arg-type]
    rise = 12.7 / 3
    assert fitting.recipe.rise_mm == pytest.approx(rise)
    above = fitting.solid.trim_by_plane((0, 0, 1), 0.0).volume()
    assert above == pytest.approx(math.pi * rise / 3 * (12.7**2 + 12.7 * 6.35 + 6.35**2), rel=1e-3)
    assert fitting.words.startswith("cut cone")
