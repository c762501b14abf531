# SPDX-License-Identifier: GPL-3.0-or-later
"""What "How to add" in DEVELOPERS.md promises: each test adds the thing at the places named there, and at no other."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, ClassVar, Self

import numpy as np
import pytest
import tomlkit
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
from addon.geometry.frames import Floats, Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.asked import Job, JobError
from addon.job.batches import sort_into_batches
from addon.job.jobfile import job_text, parse_job
from addon.job.judging import verdict_of
from addon.job.results import JobResult
from addon.job.running import read_assembly, run, tube_ends_of
from addon.job.screen import table as screen
from addon.shaping.shells import surface_indices, tool, unlabelled
from addon.takeoff import Hole, Takeoff, Tube, given_sites
from addon.takeoff.given import SizedEnd
from addon.takeoff.sites import Mouth

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
    def seats(self) -> tuple[Seat, ...]:
        bore = self.section.bore
        return (Seat(self.section, "push", 0.2, 0.0, bore.offset(-0.2), bore, self.recipe.plug_mm, 0.0),)

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
    label="Stopper",
    plural="stoppers",
    sites=lambda takeoff: [end for end in takeoff.ends if end.open],
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


def rows_of(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8-sig"), newline="")))


@pytest.fixture
def stoppers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table, "FAMILIES", (CAP, STOPPER))


def test_a_family_goes_from_the_job_file_to_the_sheet(stoppers: None, tmp_path: Path) -> None:
    """Volume: two cylinders by hand. Files read by trimesh, lists by the standard library."""
    asked = {"stopper": {"make": True, "plug_mm": "1/2 in"}, "fitting": {"make": False}}
    result = do(tmp_path, output={"formats": ["3mf", "stl"]}, **asked)
    (fitting,) = result.made
    assert (len(fitting.batch.sites), result.plates.count, fitting.review.watertight) == (2, 1, True)
    assert not [finding for finding in result.findings if finding.severity == "must fix"]
    (stl,) = (file.path for file in result.files if file.path.suffix == ".stl")
    assert stl.stem.startswith("rail F1 stopper for")
    exact = math.pi * (12.7**2 * 2.0 + (9.525 - 0.2) ** 2 * 12.7)
    assert trimesh.load_mesh(stl).volume == pytest.approx(exact, rel=2e-3)
    said = json.loads((tmp_path / "ferrule_out" / "result.json").read_text("utf-8"))["fittings"][0]
    assert (said["family"], said["up"], said["spigot_gap_mm"]) == ("stopper", "flange down", 0.2)
    (row,) = rows_of(tmp_path / "ferrule_out" / "rail fittings.csv")
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
    (fitting,) = do(tmp_path, stopper={"make": True}).made  # an end takes one, of the last family that is asked for
    assert (fitting.batch.family.name, len(fitting.batch.sites)) == ("stopper", 2)
    only = job(tmp_path, stopper={"make": False, "for": [{"kind": "round", "make": True}]}, fitting={"make": False})
    assert parse_job(tomllib.loads(job_text(only)), tmp_path, "rail").wishes == only.wishes
    (wish,) = only.wishes
    assert wish.makes_for(ROUND) and not wish.makes_for(Section.rectangular(40, 40, 3))
    with pytest.raises(JobError, match=r"stopper\.plog_mm is not a known key; did you mean plug_mm"):
        job(tmp_path, stopper={"plog_mm": 3})
    for table_of in ({"make": "yes"}, {"for": [{"make": 1}]}):
        with pytest.raises(JobError, match="expected true or false"):
            job(tmp_path, stopper=table_of)


# -- a family for sites of another kind, given with or without a model ------------------------------------------------


@dataclass(frozen=True)
class RosetteRecipe:
    thick_mm: float = declared(2.0, "Thickness", "How thick the rosette is", least=1.0, most=5.0)
    sunk_mm: float = declared(0.0, "Sunk", "How far it is let into the tube", least=0.0, most=2.0)

    fit: ClassVar[str] = "push"
    gap_mm: ClassVar[None] = None
    conditions: ClassVar[frozenset[str]] = frozenset()


@dataclass(frozen=True, eq=False)
class RosetteSite:
    hole: Hole
    count: ClassVar[int] = 1

    @property
    def source(self) -> str:
        return self.hole.source

    @property
    def sources(self) -> tuple[str, ...]:
        return (self.source,)

    @property
    def section(self) -> Section:
        return self.hole.tube.section

    @property
    def frame(self) -> Frame:
        return Frame.along(self.hole.position, self.hole.axis, self.hole.tube.axis)

    @property
    def where(self) -> str:
        return f"hole {self.hole.diameter_mm:.1f} mm"

    @property
    def position(self) -> Floats:
        return self.hole.position

    @property
    def records(self) -> tuple[Hole, ...]:
        return (self.hole,)


@dataclass(frozen=True)
class RosettePlace:
    section: Section
    hole_mm: float

    @property
    def key(self) -> tuple[Any, ...]:
        return (self.section.outer.key, self.hole_mm)

    @property
    def words(self) -> str:
        return f"hole {self.hole_mm:.1f} mm"

    def like(self, other: RosettePlace) -> bool:
        return self.section.like(other.section, 0.05) and abs(self.hole_mm - other.hole_mm) < 0.05

    def tighter(self, other: RosettePlace) -> RosettePlace:
        return min(self, other, key=lambda place: place.hole_mm)


class Rosette(Fitting):
    """A flat ring around a hole: it goes into nothing, and nobody looks at it."""

    family = "rosette"
    surface_names = ("ring",)
    seen = ()
    title = "rosette"
    words = "flat rosette"
    way_up = "as it lies"
    print_axes = np.eye(3)

    def levels(self) -> tuple[Level, ...]:
        return ()

    def calipers(self, process: Any, added_mm: float = 0.0, excess_mm: float = 0.0) -> tuple[Caliper, ...]:
        return (Caliper("Rosette: thickness", self.recipe.thick_mm, 0.0, 9.0),)

    def drawing(self) -> tuple[View, ...]:
        return (View(cut=self.solid.slice(self.recipe.thick_mm / 2 - self.recipe.sunk_mm).to_polygons()),)

    def listed(self) -> Mapping[str, float]:
        return {"thick_mm": self.recipe.thick_mm}

    @classmethod
    def steps(cls, fittings: Mapping[str, Any]) -> list[BenchStep]:
        return [BenchStep("Lay on", f"Over the hole: {', '.join(fittings)}.")]


def rosette(
    recipe: RosetteRecipe, place: RosettePlace, circumstances: Circumstances | None = None, facets: int | None = None
) -> Rosette:
    height, radius = recipe.thick_mm, place.hole_mm / 2
    ring = Manifold.cylinder(height, radius + 4, circular_segments=64) - Manifold.cylinder(
        3 * height, radius + 0.5, circular_segments=64
    ).translate([0, 0, -height])
    shell = unlabelled(tool(ring.translate([0, 0, -recipe.sunk_mm]), "ring"))
    surfaces = surface_indices(shell.surfaces, Rosette.surface_names)
    return Rosette(recipe, place.section, Mesh(shell.vertices, shell.triangles), surfaces)


ROSETTE = Family(
    name="rosette",
    table="rosette",
    recipe=RosetteRecipe,
    label="Rosette",
    plural="rosettes",
    serves="hole",
    sites=lambda takeoff: [RosetteSite(hole) for hole in takeoff.holes],
    place=lambda site, section: RosettePlace(section, round(site.hole.diameter_mm, 2)),
    design=rosette,
)


def drilled(meshes: list[Mesh]) -> list[Mesh]:
    """A hole of 8 mm straight through both walls, 60 and 150 mm along the rail."""
    tools = [
        Manifold.cylinder(60, 4, circular_segments=32).translate([0, 0, -30]).rotate([90, 0, 0]).translate([x, 0, 0])
        for x in (60, 150)
    ]
    return [Mesh.from_manifold(mesh.to_manifold() - tools[0] - tools[1], mesh.name) for mesh in meshes]


@pytest.fixture
def rosettes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table, "FAMILIES", (CAP, ROSETTE))


def test_a_family_for_holes_goes_from_the_job_file_to_the_sheet(rosettes: None, tmp_path: Path) -> None:
    """Volume: a ring by hand. File read by trimesh, lists by the standard library."""
    asked = job(tmp_path, rosette={"make": True}, output={"formats": ["stl"]})
    result = run(asked, drilled(rail()), True, lambda what, share: None)
    _, ring = result.made
    assert (ring.batch.served, ring.count, ring.gaps, ring.share_that_enters) == (2, 2, (), None)
    assert not [finding for finding in result.findings if finding.severity == "must fix"]
    verdict = verdict_of(result)
    assert verdict.headline.startswith("2 ends, 2 holes, 2 kinds, ready to print")
    assert verdict.before_printing == ("Try one fitting in a real tube end and one in a hole.",)
    exact = math.pi * (8**2 - 4.5**2) * 2.0
    path = next(file.path for file in result.files if "rosette" in file.path.name)
    assert trimesh.load_mesh(path).volume == pytest.approx(exact, rel=2e-3)
    out = tmp_path / "ferrule_out"
    said = json.loads((out / "result.json").read_text("utf-8"))
    assert [hole["fitting"] for hole in said["holes"]] == ["F2", "F2"]
    assert (said["verdict"]["ends"], said["verdict"]["holes"]) == (2, 2)
    assert (said["fittings"][1]["holes"], said["fittings"][1]["spigot_gap_mm"]) == (2, None)
    (row,) = [row for row in rows_of(out / "rail fittings.csv") if row["family"] == "rosette"]
    assert (row["thick_mm"], row["fit"], row["gap_mm"], row["ends"]) == ("2", "", "", "3–4")
    sites = rows_of(out / "rail sites.csv")
    assert [(row["site"], row["where"], row["fitting"]) for row in sites] == [
        ("3", "hole 8.0 mm", "F2"),
        ("4", "hole 8.0 mm", "F2"),
    ]
    sheet = (out / "rail job sheet.html").read_text("utf-8")
    for words in ("rail: hole 8.0 mm", "Rosette: thickness", "Lay on.", "Over the hole: F2."):
        assert words in sheet
    assert re.search(r"F2 .*hole 8\.0 mm +rosette +2 holes +2 +as it lies$", screen(result), re.MULTILINE)


def test_a_fitting_is_tried_where_it_goes(rosettes: None, tmp_path: Path) -> None:
    """Let 1 mm into a tube it shares metal with it. A tool is printed once, and tried against no fitting."""
    asked = job(tmp_path, fitting={"make": False}, rosette={"make": True, "sunk_mm": 1})
    result = run(asked, drilled(rail()), True, lambda what, share: None)
    clashes = [finding for finding in result.findings if finding.check == "interference"]
    assert [finding.fitting for finding in clashes] == ["F1", "F1"]
    assert all(
        finding.severity == "must fix" and finding.where.startswith('"rail", hole 8.0 mm, x ') for finding in clashes
    )
    assert "ends take no fitting" not in screen(result) and "No tube ends" not in screen(result)
    left = replace(asked.assembly, leave_out_mm=(tuple(clashes[0].position_mm or ()), (60.0, 12.7, 0.0)))
    sites = tube_ends_of(replace(asked, assemblies=(left,)), left, drilled(rail()), True)
    assert len(sites.holes) == 1 and "nothing is there" in sites.notes[0]


def test_tools_are_printed_once_and_take_nothing_up(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(table, "FAMILIES", (CAP, ROSETTE, replace(ROSETTE, name="gauge", table="gauge", stays=False)))
    asked = job(tmp_path, rosette={"make": True}, gauge={"make": True}, output={"spares": 3})
    batches = sort_into_batches(asked, read_assembly(asked, asked.assembly, drilled(rail()), True))
    counts = [(batch.family.name, batch.served, batch.needed, batch.spares(asked.output)) for batch in batches]
    assert counts == [("cap", 2, 2, 3), ("rosette", 2, 2, 3), ("gauge", 2, 1, 0)]


@dataclass(frozen=True)
class GivenRivet:
    table: ClassVar[str] = "rivet"
    hole_mm: float = declared(5.0, "Hole", "Its diameter", least=1.0, most=20.0)

    def each(self) -> list[Self]:
        return [self]

    def added(self, takeoff: Takeoff, metal: str) -> Takeoff:
        if self.hole_mm > 15:
            raise ValueError("the hole is wider than the tube's wall is flat; give a smaller one")
        end = SizedEnd("1 in × 1/8 in").tube_end(metal)
        tube = Tube("", end.section, end.frame, 300.0, (end, end), (0.0, 0.0))
        out = np.array([1.0, 0.0, 0.0])
        hole = Hole(tube, self.hole_mm, (Mouth(12.7 * out, out, 0.0),), (50.0, 250.0), 0.0, None, None, 0.0)
        return replace(takeoff, tubes=(*takeoff.tubes, tube), holes=(*takeoff.holes, hole))


def test_a_site_is_given_without_a_model(rosettes: None, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(given_sites, "GIVEN_SITES", (GivenRivet,))
    tables = {"rivet": [{"hole_mm": "1/4 in"}], "rosette": {"make": True}, "fitting": {"make": False}}
    asked = parse_job(tables, tmp_path, "rail")
    again = parse_job(tomllib.loads(job_text(asked)), tmp_path, "rail")
    assert (again.sites, again.wishes) == (asked.sites, asked.wishes) == ((GivenRivet(6.35),), asked.wishes)
    result = run(asked, [], True, lambda what, share: None)
    assert [(fitting.batch.served, fitting.batch.place.hole_mm) for fitting in result.made] == [(1, 6.35)]
    monkeypatch.setattr(table, "FAMILIES", (CAP, replace(ROSETTE, stays=False)))
    assert len(run(parse_job(tables, tmp_path, "tools"), [], True, lambda what, share: None).made) == 1
    with pytest.raises(JobError, match=r"rivet\[1\]: the hole is wider than"):
        parse_job({**tables, "rivet": {"hole_mm": 16}}, tmp_path, "rail")


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


def test_a_family_leaves_out_sites_that_nothing_is_wanted_for(rosettes: None, tmp_path: Path) -> None:
    def served(**asked: Any) -> list[int]:
        made = run(job(tmp_path, **asked), drilled(rail()), True, lambda what, share: None).made
        return [fitting.batch.served for fitting in made if fitting.batch.family is ROSETTE]

    assert served(rosette={"make": True, "for": [{"hole_mm": 8, "make": False}]}) == []
    assert served(rosette={"make": True, "for": [{"hole_mm": 6, "make": False}]}) == [2]
    both = [{"width_mm": 25.4, "make": False}, {"hole_mm": 8, "make": True, "thick_mm": 3}]
    assert served(rosette={"make": True, "for": both}) == [2]
    asked = job(tmp_path, rosette={"make": True, "for": both})
    assert parse_job(tomlkit.parse(job_text(asked)).unwrap(), tmp_path, "rail").wishes == asked.wishes
    capless = job(tmp_path, fitting={"for": [{"kind": "round", "make": False}]})
    assert run(capless, rail(), True, lambda what, share: None).made == ()
    with pytest.raises(JobError, match="hole_mm is for fittings of holes"):
        job(tmp_path, fitting={"for": [{"hole_mm": 8, "make": False}]})
    with pytest.raises(JobError, match="expected true or false"):
        job(tmp_path, rosette={"for": [{"make": 1}]})
