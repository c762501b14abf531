# SPDX-License-Identifier: GPL-3.0-or-later
"""Holes through a tube's walls that go on through the spigot: where they are, what they take off, and who is told.

Tubes are gmsh's, drilled where the tests say, and what a hole takes off a spigot is what gmsh's B-rep kernel says.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from manifold3d import Manifold
from weldments import CHORD_ERROR, Shape, cut, cylinder, tessellated, tube

from addon.families.cap import Recipe, design
from addon.families.cap.design import at_place
from addon.families.circumstances import Circumstances
from addon.families.family import EndPlace
from addon.fields.refusals import RecipeError
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.asked import TubeFacts
from addon.job.jobfile import parse_job
from addon.job.results import JobResult
from addon.job.running import run
from addon.review.fittings import review_fitting
from addon.shaping.features import CrossHoles, Grooves, Ribs, SeamRelief
from addon.takeoff import TubeEnd, take_off
from addon.takeoff.ends import EndHole
from addon.trade.processes import DEFAULT_PROCESS, process_named

ROUND = Shape("circle", 33.7, 33.7), Shape("circle", 27.3, 27.3)
SQUARE = Shape("rectangle", 40, 40, 6), Shape("rectangle", 34, 34, 3)
RECTANGLE = Shape("rectangle", 60, 30, 5), Shape("rectangle", 54, 24, 2)
SPIGOT = 20.0
FREE = CrossHoles("free", 0.5)
PLAIN = Recipe(
    crown="flat", rise_mm=4.0, edge="square", spigot_mm=SPIGOT, gap_mm=0.2, lead_in_mm=0.0, groove=Grooves(count=0),
    seam=SeamRelief("none"), rib=Ribs(count=0), cross=FREE,
)  # fmt: skip


def drilled(gmsh: ModuleType, shapes: Any, *holes: dict[str, float], how: Any = "long") -> Mesh:
    """A tube 200 mm long up from z = 0; each hole at a height, an angle around and an offset, through both walls."""

    def build() -> None:
        body = tube(gmsh, *shapes, 200.0)
        for hole in holes:
            angle, offset, walls = math.radians(hole.get("angle", 0.0)), hole.get("offset", 0.0), hole.get("walls", 2)
            x, y = math.cos(angle), math.sin(angle)
            start = np.array([-y * offset, x * offset, hole["up"]]) - (60 * (walls - 1)) * np.array([x, y, 0])
            cut(gmsh, body, cylinder(gmsh, tuple(start), (60 * walls * x, 60 * walls * y, 0), hole["across"] / 2))

    return tessellated(gmsh, build, how, "post", facets=24)


def lower_end(mesh: Mesh, free: bool = True) -> TubeEnd:
    return min(take_off([mesh], SPIGOT, frees_holes=lambda section: free).ends, key=lambda end: end.position[2])


def at_hole(end: TubeEnd, number: int = 0) -> tuple[np.ndarray, np.ndarray]:
    """A point of the hole's axis and its direction in the world."""
    hole = end.holes[number]
    return end.frame.to_world(hole.place), hole.direction @ end.frame.axes


@pytest.mark.parametrize(
    ("shapes", "angle"),
    [(ROUND, 0.0), (ROUND, 270.0), (SQUARE, 90.0), (RECTANGLE, 0.0), (RECTANGLE, 90.0), (RECTANGLE, 180.0)],
    ids=["round", "round, back", "square", "wide side", "narrow side", "other wide side"],
)
def test_an_end_with_a_hole_is_taken_with_it(gmsh: ModuleType, shapes: Any, angle: float) -> None:
    mesh = drilled(gmsh, shapes, {"up": 12.0, "angle": angle, "offset": 2.0, "across": 8.0})
    end = lower_end(mesh)
    assert (end.cause, str(end.reason), len(end.holes)) == ("open", "open", 1)
    assert end.clear_depth_mm == pytest.approx(200.0, abs=0.01)
    point, direction = at_hole(end)
    turn = math.radians(angle)
    along = np.array([math.cos(turn), math.sin(turn), 0.0])
    drilled_at = np.array([-along[1], along[0], 0.0]) * 2.0 + (0, 0, 12.0)
    assert np.linalg.norm(np.cross(direction, along)) < 1e-3
    assert np.linalg.norm(np.cross(point - drilled_at, along)) < 0.02
    assert end.holes[0].diameter_mm == pytest.approx(8.0, abs=0.02) and end.holes[0].through


def test_a_hole_in_the_way_keeps_its_end_closed_and_both_cures_are_named(gmsh: ModuleType) -> None:
    end = lower_end(drilled(gmsh, ROUND, {"up": 12.0, "across": 8.0}), free=False)
    assert end.cause == "crossed" and len(end.holes) == 1
    assert end.clear_depth_mm == pytest.approx(8.0, abs=CHORD_ERROR + 0.02)
    assert end.explained.endswith("shorten the spigot to 8 mm or let the hole go on through it")


@pytest.mark.parametrize("shapes", [ROUND, SQUARE], ids=["round", "square"])
def test_equal_ends_are_equal_however_they_are_turned(gmsh: ModuleType, shapes: Any) -> None:
    """The other one is the first turned about its axis, holes and all."""
    angles = (0.0, 37.0) if shapes is ROUND else (0.0, 90.0)
    first, second = (
        lower_end(
            drilled(
                gmsh,
                shapes,
                {"up": 8.0, "angle": angle, "offset": 1.5, "across": 6.0},
                {"up": 14.0, "angle": angle + 90.0, "across": 5.0, "walls": 1},
            )
        )
        for angle in angles
    )
    places = [EndPlace.of(end, end.section) for end in (first, second)]
    assert places[0].like(places[1]) and len(first.holes) == 2
    other = lower_end(drilled(gmsh, shapes, {"up": 9.0, "across": 6.0}))
    assert not places[0].like(EndPlace.of(other, other.section))


@pytest.mark.parametrize("shapes", [ROUND, SQUARE], ids=["round", "square"])
def test_a_mitred_end_is_taken_with_a_hole_that_is_level_on_the_plate(gmsh: ModuleType, shapes: Any) -> None:
    """The mitre leans towards x; as the fitting stands on the rim a hole along y is level, one along x leans."""

    def mitred(angle: float, free: bool = True) -> TubeEnd:
        def build() -> None:
            occ, along = gmsh.model.occ, (math.cos(angle), math.sin(angle), 0.0)
            body = tube(gmsh, *shapes, 200.0)
            waste = occ.addBox(-100, -100, -200, 200, 200, 200)
            occ.rotate([(3, waste)], 0, 0, 0, 0, 1, 0, -math.radians(30))
            occ.translate([(3, waste)], 0, 0, 25)
            cut(gmsh, body, waste)
            cut(gmsh, body, cylinder(gmsh, (-60 * along[0], -60 * along[1], 40), tuple(120 * np.array(along)), 4.0))

        return lower_end(tessellated(gmsh, build, "long", "post", facets=24), free)

    level = mitred(math.pi / 2)
    assert level.mitre_deg == pytest.approx(30.0, abs=0.01)
    assert (level.cause, len(level.holes)) == ("open", 1) and level.clear_depth_mm > SPIGOT
    cap = at_place(replace(PLAIN, spigot_mm=SPIGOT), EndPlace.of(level, level.section))
    point, direction = at_hole(level)
    bolt = Manifold.cylinder(200, 4.0, circular_segments=64, center=True)
    turn = np.column_stack(
        [np.roll(np.eye(3), 1, 0) @ direction, np.roll(np.eye(3), 2, 0) @ direction, direction, point]
    )
    assert (cap.solid.transform(level.frame.matrix[:3]) ^ bolt.transform(turn)).volume() < 1e-6
    offered = mitred(math.pi / 2, free=False)
    assert offered.cause == "crossed" and offered.explained.endswith("or let the hole go on through it")
    leaning = mitred(0.0)
    assert leaning.cause == "crossed" and not leaning.holes
    assert "its hole lies in the plane of the mitre" in leaning.explained


def test_what_else_is_in_the_way_still_is(gmsh: ModuleType) -> None:
    hole = {"up": 12.0, "across": 8.0}
    bolt = tessellated(gmsh, lambda: cylinder(gmsh, (-60, 0, 12), (120, 0, 0), 3.9), "long", "bolt")
    plug = tessellated(gmsh, lambda: cylinder(gmsh, (0, 0, 18), (0, 0, 20), 13.6), "long", "plug")
    mesh = drilled(gmsh, ROUND, hole)
    for other, cause in ((bolt, "crossed"), (plug, "crossed")):
        ends = take_off([mesh, other], SPIGOT, frees_holes=lambda section: True).ends
        end = min((end for end in ends if end.source == "post"), key=lambda end: end.position[2])
        assert (end.cause, end.holes) == (cause, ())

    def slotted() -> None:
        body = tube(gmsh, *ROUND, 200.0)
        cut(gmsh, body, gmsh.model.occ.addBox(-60, -3, 8, 120, 6, 14))

    end = lower_end(tessellated(gmsh, slotted, "long", "post"))
    assert (end.cause, end.holes) == ("crossed", ())


@pytest.mark.parametrize("through", [True, False])
@pytest.mark.parametrize("offset", [0.0, 4.0])
def test_a_hole_takes_off_what_gmsh_says(gmsh: ModuleType, through: bool, offset: float) -> None:
    section = Section.rectangular(40, 40, 3)
    hole = EndHole(6.0, 10.0, 10.0, offset, through)
    whole, holed = (design(PLAIN, section, holes=holes, chord_error_mm=0.002) for holes in ((), (hole,)))
    outline, occ = whole.profile.spigot_outline, gmsh.model.occ
    face = Shape("rectangle", outline.width, outline.depth, outline.corner_radius).face(gmsh)
    ((_, spigot),) = [part for part in occ.extrude([(2, face)], 0, 0, -SPIGOT) if part[0] == 3]
    # A blind one ends 1 mm past the tube's axis.
    start, way = hole.place - (40 if through else 1) * hole.direction, (80 if through else 41) * hole.direction
    drill = occ.addCylinder(*start, *way, 3.5)
    # Its roof slopes by 45° on both sides, up to a ridge 0.8 mm wide. A flat crown lies on the plate: up is to the tip.
    touch, side = 3.5 * math.sqrt(0.5), np.cross(hole.direction, (0, 0, 1))
    roof = [(touch, -touch), (2 * touch - 0.4, -0.4), (2 * touch - 0.4, 0.4), (touch, touch)]
    corners = [occ.addPoint(*(start - (0, 0, up) + aside * side)) for up, aside in roof]
    lines = [occ.addLine(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
    prism = occ.extrude([(2, occ.addPlaneSurface([occ.addCurveLoop(lines)]))], *way)
    tool, _ = occ.fuse([(3, drill)], [part for part in prism if part[0] == 3])
    (common,), _ = occ.intersect([(3, spigot)], tool)
    assert whole.mesh.volume - holed.mesh.volume == pytest.approx(gmsh.model.occ.getMass(*common), rel=0.003)


@pytest.mark.parametrize("section", [Section.round(33.7, 3.2), Section.rectangular(60, 30, 3)], ids=["round", "flat"])
@pytest.mark.parametrize("mitre", [0.0, 30.0])
def test_a_bolt_as_wide_as_the_tubes_hole_passes_and_one_wider_than_its_room_does_not(
    section: Section, mitre: float
) -> None:
    hole = EndHole(8.0, 12.0, 90.0, 1.0, True)
    cap = design(PLAIN, section, mitre_deg=mitre, holes=(hole,))
    assert len(cap.solid.decompose()) == 1
    for radius, passes in ((4.0, True), (4.49, True), (4.6, False)):
        bolt = Manifold.cylinder(200, radius, circular_segments=256, center=True).rotate((90, 0, 0))
        met = (cap.solid ^ bolt.translate(tuple(hole.place))).volume()
        assert (met < 1e-6) == passes, (radius, met)


def test_little_left_towards_the_tip_is_opened_and_the_rim_stays_whole() -> None:
    """As a slot that is open at the tip, where less than 0.8 mm would be left; the shoulder is not cut into. Crown up,
    the hole's roof is towards the rim."""
    section, bolt = Section.round(33.7, 3.2), EndHole(6.0, 16.5, 0.0, 0.0, True)
    stands = replace(PLAIN, up="crown up")
    opened = design(stands, section, holes=(bolt,)).solid
    assert len(opened.slice(-SPIGOT + 0.05).decompose()) == 2 and opened.genus() == 0
    for recipe, deepest in ((stands, 15.6), (PLAIN, 14.2)):
        bridged = design(recipe, section, holes=(replace(bolt, distance_mm=deepest),)).solid
        assert len(bridged.slice(-SPIGOT + 0.05).decompose()) == 1 and bridged.genus() == 1
    high = design(stands, section, holes=(replace(bolt, distance_mm=3.2),)).solid
    assert high.slice(-0.2).area() == pytest.approx(design(stands, section).solid.slice(-0.2).area(), rel=1e-9)


def test_holes_that_leave_too_little_are_refused_with_what_works() -> None:
    section, wide = Section.round(33.7, 3.2), EndHole(20.0, 10.0, 0.0, 0.0, True)
    with pytest.raises(RecipeError) as refusal:
        design(replace(PLAIN, cross=CrossHoles("free", 4.0)), section, holes=(wide,))
    assert refusal.value.field == "cross_room_mm"
    design(replace(PLAIN, cross=CrossHoles("free", float(refusal.value.works))), section, holes=(wide,))
    with pytest.raises(RecipeError) as refusal:
        design(PLAIN, section, holes=(replace(wide, diameter_mm=26.0),))
    assert (refusal.value.field, refusal.value.works) == ("cross_holes", "in the way")


def test_a_recipe_that_no_longer_frees_holes_stops_before_them() -> None:
    """Until the ends are read again."""
    place = EndPlace(Section.round(33.7, 3.2), clear_depth_mm=200.0, holes=(EndHole(8.0, 12.0, 0.0, 0.0, True),))
    with pytest.raises(RecipeError) as refusal:
        at_place(replace(PLAIN, cross=CrossHoles()), place)
    assert (refusal.value.field, refusal.value.works) == ("spigot_mm", 8.0)
    assert len(at_place(PLAIN, place).holes) == 1


def test_the_drawing_and_the_bench_name_the_hole() -> None:
    hole = EndHole(8.0, 12.0, 40.0, 0.0, True)
    cap, plain = (design(PLAIN, Section.round(33.7, 3.2), holes=holes) for holes in ((hole,), ()))
    view = cap.drawing()[0]
    noted = {note.words: note.mm for note in view.notes}
    assert (noted["hole ⌀ {}"], noted["{} from rim"]) == ((9.0,), (12.0,)) and "hole 9 mm" in cap.words
    assert view.caption == "Section square to the hole"
    (step,) = [step for step in type(cap).steps({"F1": cap, "F2": plain}) if step.name == "Turn to the hole"]
    assert "F1" in str(step) and "F2" not in str(step)


@pytest.mark.parametrize(
    ("section", "through", "mitre"),
    [
        (Section.round(25.4, 3.175), True, 0.0),
        (Section.round(25.4, 3.175), False, 30.0),
        (Section.rectangular(60, 30, 3), True, 30.0),
        (Section.rectangular(60, 30, 3), False, 0.0),
    ],
)
def test_a_usual_cap_with_a_hole_has_nothing_to_fix_and_needs_no_more_support(
    section: Section, through: bool, mitre: float
) -> None:
    """Its ribs keep clear of the hole and no groove leads adhesive into it. Support by its volume."""
    known = Circumstances(process_named(DEFAULT_PROCESS), None, TubeFacts())
    reviews = []
    for holes in ((EndHole(7.0, 10.0, 90.0, 0.0, through),), ()):
        cap = design(Recipe(spigot_mm=14.0, cross=FREE), section, holes=holes, mitre_deg=mitre, circumstances=known)
        reviews.append(review_fitting(cap, known.process))
        assert bool(cap.recipe.groove.count) != bool(holes)
    found = [{finding.check for finding in review.findings if finding.severity != "good to know"} for review in reviews]
    assert found[0] <= (found[1] | {"tipping"} if mitre else set())  # on a mitre it leans, with a hole a little more
    assert reviews[0].printed.support.volume_mm3 < 1.1 * reviews[1].printed.support.volume_mm3


@pytest.mark.parametrize("of", ["cap", "joiner"])
def test_a_hole_that_a_fitting_leaves_open_gets_no_plug_unless_asked_for_by_its_size(of: str, tmp_path: Path) -> None:
    """A hole for a bolt through the cap or the joiner, another one far down the tube, which is plugged."""
    section = Section.rectangular(40, 40, 3)
    wall = (section.outer.cross_section() - section.bore.cross_section()).extrude(400)
    bit = Manifold.cylinder(100, 4, circular_segments=32, center=True).rotate([90, 0, 0])
    near = 6.0 if of == "cap" else 30.0
    solid = wall - bit.translate([0, 0, 400 - near]) - bit.scale([0.75, 1, 0.75]).translate([0, 0, 200])
    meshes = [Mesh.from_manifold(solid, "leg")]
    if of == "joiner":
        meshes.append(Mesh.from_manifold(wall.translate([0, 0, 402]), "post"))
    plugs: dict[str, Any] = {"make": True, "for": [{"hole_mm": 8.0, "head_mm": 3.0, "within_mm": 0.1}]}
    tables = {"fitting": {"cross_holes": "free"}, "joiner": {"make": of == "joiner", "cross_holes": "free"}}

    def do() -> tuple[JobResult, list[dict[str, Any]]]:
        job = parse_job({"assembly": {"files": ["a.stl"]}, **tables, "hole_plug": plugs}, tmp_path, "legs")
        result = run(job, meshes, True, lambda *_: None)
        return result, json.loads((tmp_path / "ferrule_out" / "result.json").read_text("utf-8"))["holes"]

    result, holes = do()
    plugged = [made for made in result.made if made.fitting.family == "hole plug"]
    assert [made.fitting.place.diameter_mm for made in plugged] == pytest.approx([6.0], abs=0.01)
    (opener,) = (made.id for made in result.made if made.fitting.words.count("hole 9 mm"))
    assert {round(hole["diameter_mm"]): hole["open_for"] for hole in holes} == {8: opener, 6: None}
    assert any(note.startswith(f"1 hole stays open for a bolt or a pin through {opener}") for note in result.notes)
    plugs["for"][0]["make"] = True
    result, _ = do()
    plugged = [made for made in result.made if made.fitting.family == "hole plug"]
    assert sorted(made.fitting.place.diameter_mm for made in plugged) == pytest.approx([6.0, 8.0], abs=0.01)
    assert not [note for note in result.notes if "stays open" in note]


def test_a_hole_that_the_spigot_does_not_reach_is_plugged(tmp_path: Path) -> None:
    """25 mm from an end with a spigot of 8 mm; the ends that point down have spigots of 35 mm."""
    section = Section.rectangular(40, 40, 3)
    wall = (section.outer.cross_section() - section.bore.cross_section()).extrude(400)
    bit = Manifold.cylinder(100, 4, circular_segments=32, center=True).rotate([90, 0, 0])
    mesh = Mesh.from_manifold(wall - bit.translate([0, 0, 375]), "leg")
    caps = {"cross_holes": "free", "spigot_mm": 35.0, "for": [{"points": "up", "spigot_mm": 8.0}]}
    tables = {"fitting": caps, "hole_plug": {"make": True}}
    result = run(
        parse_job({"assembly": {"files": ["a.stl"]}, **tables}, tmp_path, "legs"), [mesh], True, lambda *_: None
    )
    assert [made.fitting.words.count("hole") for made in result.made if made.fitting.family == "cap"] == [0, 0]
    assert [made.count for made in result.made if made.fitting.family == "hole plug"] == [2]
    (hole,) = json.loads((tmp_path / "ferrule_out" / "result.json").read_text("utf-8"))["holes"]
    assert hole["open_for"] is None
