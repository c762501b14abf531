# SPDX-License-Identifier: GPL-3.0-or-later
"""Joiners: in their tubes as the kernel cuts them, against closed forms, and from a job file to the files."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
import trimesh
from fitting_cases import assert_sound
from manifold3d import Manifold

from addon.families.circumstances import Circumstances
from addon.families.gap_band import fit_band
from addon.families.joiner import JOINER, Joiner, JoinerRecipe, JointPlace, JointSite, design
from addon.families.joiner.putting_together import said_holes
from addon.fields.declared import with_values
from addon.fields.refusals import RecipeError
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.mitres import shear
from addon.geometry.sections import Section
from addon.geometry.units import say_mm
from addon.job.asked import JobError
from addon.job.jobfile import parse_job
from addon.job.judging import verdict_of
from addon.job.results import JobResult
from addon.job.running import run
from addon.job.screen import table
from addon.review.fittings import review_fitting
from addon.takeoff import Takeoff
from addon.takeoff.ends import EndHole
from addon.takeoff.given_joints import GivenJoint
from addon.trade.processes import DEFAULT_PROCESS, process_named

SQUARE, ROUND, FLAT = Section.rectangular(40, 40, 3), Section.round(42.4, 3.2), Section.rectangular(60, 30, 2)
PROCESS = process_named(DEFAULT_PROCESS)


@dataclass(frozen=True)
class InUse:
    metal: str = "carbon steel"
    seam_height_mm: float | None = None
    coldest_c: float = -10.0
    hottest_c: float = 40.0


KNOWN = Circumstances(PROCESS, None, InUse())


def placed(first: Section, second: Section | None = None, **joint: float) -> JointPlace:
    """A joint of such tubes, as a job gives it without a model."""
    given = GivenJoint("40 × 40 × 3", **joint)
    (found,) = given.added(Takeoff(()), "carbon steel").joints
    ends = replace(found.ends[0], section=first), replace(found.ends[1], section=second or first)
    site = JointSite.of(replace(found, ends=ends))
    return JOINER.place(site, site.section)


PLACES = {
    "in line": placed(SQUARE),
    "in line, collar": placed(SQUARE, gap_mm=4),
    "round": placed(ROUND),
    "round, collar": placed(ROUND, gap_mm=5),
    "round, nearly together": placed(ROUND, gap_mm=0.5),
    "two sections": placed(SQUARE, ROUND),
    "two sections, collar": placed(FLAT, ROUND, gap_mm=3),
    "corner": placed(SQUARE, angle_deg=90),
    "corner, collar": placed(SQUARE, angle_deg=90, gap_mm=3),
    "round corner": placed(ROUND, angle_deg=90),
    "flat corner": placed(FLAT, angle_deg=120, towards_deg=90),
}
SKEWED = placed(FLAT, angle_deg=135, towards_deg=30)
RECIPES = {
    "as it is": {},
    "push": {"fit": "push"},
    "hollow": {"hollow_wall_mm": 3.0, "seam_relief": "none"},
    "screwed": {"screws": "through", "screw_count": 2},
    "insert": {"screws": "insert", "screw_thread": "M4", "fit": "press"},
}


def made(place: JointPlace, known: Circumstances | None = KNOWN, facets: int | None = 64, **recipe: object) -> Joiner:
    return design(with_values(JoinerRecipe(), recipe), place, known, facets)


def tubes(joiner: Joiner, length: float = 150.0) -> list[Manifold]:
    """The two tubes in the joiner's frame, each from its rim on."""
    solids = []
    for side in joiner.sides:
        end, section = side.end, side.end.section
        wall = section.outer.cross_section(256) - section.bore.cross_section(256)
        upright = wall.extrude(length).translate([0, 0, -length])
        to_joint = side.frame.matrix @ shear(end.mitre_deg, end.mitre_direction_deg)
        solids.append(upright.transform(to_joint[:3]))
    return solids


@pytest.mark.parametrize(
    ("place", "recipe"),
    [(place, recipe) for i, place in enumerate(PLACES) for j, recipe in enumerate(RECIPES) if (i + j) % 5 < 3],
)
def test_a_joiner_is_sound_and_shares_nothing_with_its_tubes(place: str, recipe: str) -> None:
    """By the kernel's boolean with each tube: nothing but the ribs, which are crushed, and a press fit's bite."""
    joiner = made(PLACES[place], **RECIPES[recipe])
    assert_sound(joiner, genus=len(joiner.screws) if joiner.recipe.screw.kind == "through" else 0)
    first, second = tubes(joiner)
    assert (first ^ second).volume() < 1e-3
    rigid = joiner.rigid.to_manifold()
    for tube in (first, second):
        # A press fit is larger than its bore by its bite.
        bite = max(-joiner.sides[0].seat.gap_mm, 0.0)
        assert (rigid ^ tube).volume() < 1e-3 + bite * joiner.mesh.area / 2
    assert rigid.volume() <= joiner.solid.volume() + 1e-6


@pytest.mark.parametrize("gap", [0.0, 4.0])
def test_in_line_a_joiner_is_two_prisms_and_a_collar(gap: float) -> None:
    """Prisms by hand: a rounded square is a² − (4 − π) r², and each lead-in takes a frustum's worth off."""
    joiner = made(
        placed(SQUARE, gap_mm=gap),
        None,
        None,
        gap_mm=0.2,
        groove_count=0,
        lead_in_mm=0.0,
        spigot_mm=50,
        seam_relief="none",
        up="standing",
    )
    bore, outer = SQUARE.bore, SQUARE.outer

    def rounded(width: float, radius: float) -> float:
        return width**2 - (4 - math.pi) * radius**2

    side = joiner.sides[0].outline
    exact = 2 * 50 * rounded(bore.width - 0.4, side.corner_radius) + gap * rounded(40, outer.corner_radius)
    assert joiner.solid.volume() == pytest.approx(exact, rel=1e-4)


@pytest.mark.parametrize("angle", [90.0, 120.0])
def test_at_a_corner_each_spigot_goes_on_to_the_mitre(angle: float) -> None:
    """Cavalieri's principle: a prism cut off askew is as large as one cut off square, through its middle."""
    asked = {"gap_mm": 0.3, "groove_count": 0, "lead_in_mm": 0.0, "spigot_mm": 60, "seam_relief": "none"}
    corner, line = (made(placed(SQUARE, angle_deg=turn), None, None, **asked) for turn in (angle, 180.0))
    bore = SQUARE.bore.offset(-0.3)
    shift = bore.width / 2 / math.tan(math.radians(angle / 2))
    exact = (bore.width**2 - (4 - math.pi) * bore.corner_radius**2) * 2 * 60
    assert line.solid.volume() == pytest.approx(exact, rel=1e-4)
    assert corner.solid.volume() == pytest.approx(exact * (60 + shift) / 60, rel=1e-4)


def test_a_round_one_lies_on_a_flat_beside_which_it_leans_45_degrees() -> None:
    """Area of a circle's segment, any geometry handbook: r² (α − sin α cos α), half its angle α being 45°."""
    joiner = made(placed(ROUND), None, None, gap_mm=0.3, groove_count=0, lead_in_mm=0.0, spigot_mm=60)
    radius, half = ROUND.bore.width / 2 - 0.3, math.pi / 4
    circle = math.pi * radius**2 - radius**2 * (half - math.sin(half) * math.cos(half))
    assert joiner.solid.volume() == pytest.approx(2 * 60 * circle, rel=5e-4)
    standing = joiner.standing()
    foot = standing.vertices[standing.vertices[:, 2] < 1e-6]
    assert np.ptp(foot[:, 1]) == pytest.approx(2 * radius * math.sin(half), abs=0.02)


def test_a_corner_joiner_lies_with_both_axes_along_the_plate() -> None:
    for name, place in PLACES.items():
        joiner = made(place, up="lying")
        lean = [joiner.print_axes[2] @ side.frame.z for side in joiner.sides]
        assert np.abs(lean).max() < 1e-9, name
        assert joiner.print_axes @ joiner.print_axes.T == pytest.approx(np.eye(3), abs=1e-9)
        assert np.linalg.det(joiner.print_axes) == pytest.approx(1)
        assert joiner.way_up.startswith("lying")


@pytest.mark.parametrize("fit", ["slide", "push"])
@pytest.mark.parametrize("name", ["in line", "in line, collar", "round", "corner, collar"])
def test_joiners_of_two_fits_print_clean(name: str, fit: str) -> None:
    found = review_fitting(made(PLACES[name], facets=None, second_fit=fit), PROCESS, "F1").findings
    assert [finding for finding in found if finding.severity != "good to know"] == []


@pytest.mark.parametrize("recipe", ["as it is", "push", "screwed"])
@pytest.mark.parametrize("name", ["in line", "in line, collar", "round, collar", "corner", "round corner"])
def test_usual_joiners_print_clean(name: str, recipe: str) -> None:
    """Nothing in the air, nothing thinner than a bead, nothing that tips over, no hole that needs support inside."""
    found = review_fitting(made(PLACES[name], facets=None, **RECIPES[recipe]), PROCESS, "F1").findings
    assert [finding for finding in found if finding.severity != "good to know"] == []


@pytest.mark.parametrize("depth", [27.0, 28.0, 30.0])
def test_one_of_unlike_tubes_prints_clean_where_its_flat_passes_a_rib_or_a_land(depth: float) -> None:
    """The deeper spigot is cut flat so that it lies on the plate with the other one; no thin part of a rib on a side,
    or of a land beside what stands back for the seam, is left beside the flat."""
    first, second = Section.rectangular(60, 40, 2), Section.rectangular(50, depth, 2)
    joiner = made(placed(first, second), facets=None)
    assert joiner.sides[0].flat_mm == pytest.approx(depth / 2 - 2)
    found = review_fitting(joiner, PROCESS, "F1").findings
    assert [finding for finding in found if finding.severity != "good to know"] == []


def test_narrow_ones_print_clean_too() -> None:
    found = review_fitting(made(placed(Section.rectangular(15, 15, 1.5)), facets=None), PROCESS, "F1").findings
    assert [finding for finding in found if finding.severity != "good to know"] == []


def test_a_hole_from_above_opens_in_a_flat() -> None:
    joiner = made(PLACES["round corner"], screws="through")
    heights = joiner.rigid.vertices @ joiner.up
    assert np.abs(heights).max() == pytest.approx(joiner.sides[0].flat_mm, abs=1e-6)


@pytest.mark.parametrize("gap_mm", [0.2, 0.25, 0.3, 0.35, 0.4])
@pytest.mark.parametrize("name", ["Everyday, 0.2 mm layers", "Soft feet, 0.25 mm layers"])
def test_support_under_a_corner_joiner_comes_off_whatever_its_gap(name: str, gap_mm: float) -> None:
    """The roofs of its grooves, 3 mm wide, are bridged: both processes span that."""
    known = replace(KNOWN, process=process_named(name))
    joiner = made(placed(SQUARE, angle_deg=90), known, None, gap_mm=gap_mm)
    assert review_fitting(joiner, known.process, "F1").findings == ()


def test_one_that_is_longer_than_the_plate_stands() -> None:
    process = replace(PROCESS, plate_mm=(120.0, 120.0, 200.0))
    known = replace(KNOWN, process=process)
    assert made(PLACES["in line"], known).recipe.up == "standing"
    assert made(PLACES["corner"], known).recipe.up == "lying"
    assert made(PLACES["in line"], up="standing").print_axes == pytest.approx(np.eye(3))
    with pytest.raises(RecipeError, match="lies on the plate") as refusal:
        made(PLACES["corner"], up="standing")
    assert refusal.value.works == "lying"


@pytest.mark.parametrize("place", PLACES)
def test_screws_go_through_wall_and_joiner_where_they_are_listed(place: str) -> None:
    """Each hole, drilled into its tube at its listed distance and angle, meets the joiner's own in line: a pin of the
    screw's size shares nothing with either."""
    joiner = made(PLACES[place], screws="through", screw_count=2)
    solids = tubes(joiner)
    assert [hole.tube for hole in joiner.screws] == [0, 0, 1, 1]
    for hole in joiner.screws:
        side = joiner.sides[hole.tube]
        local = side.frame.to_local(hole.mouths[0].position)
        lean = math.tan(math.radians(side.end.mitre_deg)) * math.cos(math.radians(side.end.mitre_direction_deg))
        sideways = math.tan(math.radians(side.end.mitre_deg)) * math.sin(math.radians(side.end.mitre_direction_deg))
        rim = -local[0] * lean - local[1] * sideways
        assert rim - local[2] == pytest.approx(hole.distance_mm)
        assert math.degrees(math.atan2(local[1], local[0])) % 360 == pytest.approx(hole.angle_deg % 360)
        pin = Manifold.cylinder(200, 2.4, circular_segments=48, center=True)
        pin = pin.transform(Frame.along(hole.mouths[0].position, hole.mouths[0].axis).matrix[:3])
        assert (pin ^ joiner.solid).volume() < 1e-6
        wall = (pin ^ solids[hole.tube]).volume()
        assert wall > 2 * math.pi * 2.4**2 * side.end.section.wall * 0.99


def test_screws_of_both_tubes_lie_in_line() -> None:
    for name in ("in line", "round", "corner", "two sections, collar"):
        holes = made(PLACES[name], screws="insert", screw_thread="M4").screws
        assert holes[0].mouths[0].axis == pytest.approx(holes[1].mouths[0].axis, abs=1e-9), name


@pytest.mark.parametrize(
    ("place", "recipe", "field"),
    [
        ("in line", {"between": "collar"}, "between"),
        ("in line", {"between": "stop"}, "between"),
        ("in line", {"between": "bead"}, "between"),
        ("in line", {"spigot_mm": 2000.0}, "spigot_mm"),
        ("round", {"gap_mm": 9.0}, "gap_mm"),
        ("in line", {"screws": "insert", "screw_thread": "M12"}, "screw_thread"),
        ("flat corner", {"screws": "insert", "screw_thread": "M12"}, "screw_thread"),
        ("in line", {"screws": "through", "screw_count": 6, "spigot_mm": 20.0}, "screw_count"),
        ("in line", {"screws": "insert", "hollow_wall_mm": 3.0}, "hollow_wall_mm"),
        ("in line, collar", {"lip_mm": -9.0}, "lip_mm"),
        ("in line", {"groove_depth_mm": 99.0}, "groove_depth_mm"),
        ("round", {"fit": "push", "rib_count": 3}, "fit"),
        ("corner", {"second_fit": "slide"}, "second_fit"),
    ],
)
def test_what_cannot_be_made_is_refused_with_what_works(place: str, recipe: dict[str, object], field: str) -> None:
    with pytest.raises(RecipeError) as refusal:
        made(PLACES[place], **recipe)
    assert refusal.value.field == field
    asked = dict(recipe)
    for _ in range(4):
        try:
            joiner = made(PLACES[place], **asked)
        except RecipeError as error:
            assert error.works is not None, error
            asked[error.field] = error.works
        else:
            assert joiner.solid.volume() > 0
            return
    pytest.fail(f"offers do not lead on: {asked}")


def test_a_corner_that_bends_askew_to_its_sides_is_refused_with_what_to_do() -> None:
    """60 x 30 tubes that bend 30° off their width would lie 30° off a side; round ones have no sides."""
    with pytest.raises(RecipeError, match="bends 30° askew to the tube's sides") as refusal:
        made(SKEWED)
    assert refusal.value.works is None and "take round tube" in refusal.value.instead
    assert made(placed(ROUND, angle_deg=135, towards_deg=30)).sides and made(
        placed(FLAT, angle_deg=135, towards_deg=0.5)
    )


def test_joints_that_are_alike_share_a_joiner_whichever_way_round_they_were_found() -> None:
    given = GivenJoint("60 × 40 × 3", other_size="40 × 40 × 3", gap_mm=2)
    (joint,) = given.added(Takeoff(()), "carbon steel").joints
    back = replace(joint, ends=joint.ends[::-1], clear_depths_mm=joint.clear_depths_mm[::-1])
    one, other = JointSite.of(joint), JointSite.of(back)
    assert JOINER.place(one, one.section).like(JOINER.place(other, other.section))
    turned = tuple(replace(end, frame=end.frame.turned(180)) for end in joint.ends)
    third = JointSite.of(replace(joint, ends=turned))
    assert JOINER.place(one, one.section).like(JOINER.place(third, third.section))


@pytest.mark.parametrize(
    ("place", "recipe", "first", "second"),
    [
        (placed(FLAT), {}, "through both 60 mm sides, on the middle line", "2 × M5 × 40"),
        (placed(FLAT), {"screw_angle_deg": 0}, "through both 30 mm sides, on the middle line", "2 × M5 × 70"),
        (placed(SQUARE), {"screw_thread": "M8"}, "through two opposite sides, on the middle line", "2 × M8 × 55"),
        (
            placed(SQUARE),
            {"screw_thread": "1/4-20"},
            "through two opposite sides, on the middle line",
            "2 × 1/4-20 × 2 in",
        ),
        (placed(ROUND), {"screw_count": 2}, "through both walls, in line with those of the other tube", "4 × M5 × 55"),
        (placed(FLAT, ROUND), {}, "through both 60 mm sides, on the middle line", "1 × M5 × 40, 1 × M5 × 55"),
        (PLACES["corner"], {}, "through the front and the back of the corner, on the middle line", "2 × M5 × 50"),
        (
            PLACES["corner"],
            {"screw_angle_deg": 180, "screws": "insert", "screw_thread": "M4"},
            "in the outside of the corner, on the middle line",
            "2 × M4 × 10",
        ),
        (
            PLACES["round corner"],
            {"screw_angle_deg": 45},
            "through both walls, 45° counter-clockwise from the inside of the corner, seen from the tube's end",
            "2 × M5 × 55",
        ),
    ],
)
def test_screws_are_listed_by_the_sides_of_their_tubes_and_their_lengths(
    place: JointPlace, recipe: dict[str, object], first: str, second: str
) -> None:
    """A bolt holds the tube, its nut (ISO 4032, 4.7 mm of M5) and washers: 30 + 4.7 + 3.6 mm, so that 40 mm is the next
    of ISO 888's lengths, which are from memory. A screw ends within its insert, 8 mm deep for M4 under 3 mm of wall."""
    joiner = made(place, **{"screws": "through", **recipe})
    assert joiner.screws[0].around == first
    assert joiner.listed()["bolts"] == second
    steps = {step.name: step.said for step in Joiner.steps({"F1": joiner})}
    assert first in steps["Drill"] and f"F1 {second}" in steps.get("Bolt", steps.get("Screw", ""))


def test_the_inside_of_a_corner_is_where_its_tubes_are_shortest() -> None:
    joiner = made(PLACES["corner"], screws="insert", screw_thread="M4", screw_angle_deg=0)
    assert joiner.screws[0].around == "in the inside of the corner, on the middle line"
    position = joiner.screws[0].mouths[0].position
    first, second = (side.frame for side in joiner.sides)
    assert (position - first.origin) @ -second.z > 0


@pytest.mark.parametrize(("place", "angle", "works"), [(placed(FLAT), 30, 0), (placed(FLAT, ROUND), 100, 90)])
def test_screws_go_square_into_the_sides_of_rectangular_tube(place: JointPlace, angle: float, works: float) -> None:
    with pytest.raises(RecipeError, match="askew into the sides") as refusal:
        made(place, screws="through", screw_angle_deg=angle)
    assert refusal.value.works == works
    assert made(place, screws="through", screw_angle_deg=works).screws
    assert made(placed(ROUND), screws="through", screw_angle_deg=angle).screws


def test_screws_between_tubes_turned_to_each_other_are_refused_with_what_works() -> None:
    """By 30° on an axis: square to one square tube they are askew to the other."""
    place = replace(PLACES["in line, collar"], turn_deg=30.0)
    for angle in (0.0, 30.0):
        with pytest.raises(RecipeError, match="turned to each other") as refusal:
            made(place, screws="through", screw_angle_deg=angle)
        assert (refusal.value.field, refusal.value.works) == ("screws", "none")
    assert not made(place, screws="none").screws


def test_a_gap_of_its_own_is_refused_where_the_spigots_meet() -> None:
    with pytest.raises(RecipeError, match="of two gaps they would not meet edge to edge") as refusal:
        made(PLACES["corner"], gap_mm=0.6, second_gap_mm=0.3)
    assert (refusal.value.field, refusal.value.works) == ("second_gap_mm", 0.6)
    assert made(PLACES["corner"], gap_mm=0.6, second_gap_mm=0.6).recipe.second_gap_mm == 0.6
    assert made(PLACES["in line"], gap_mm=0.6, second_gap_mm=0.3).sides[1].seat.gap_mm == 0.3


def test_each_spigot_may_have_a_fit_of_its_own() -> None:
    """A frame that comes apart is glued into one tube and slides in the other: gap, ribs, grooves, calipers and glue
    follow for each."""
    joiner = made(placed(FLAT), second_fit="slide")
    both = made(placed(FLAT))
    first, second = joiner.sides
    assert (first.seat.fit, second.seat.fit) == ("glue", "slide")
    assert first.recipe.rib.count and first.spigot.grooves
    assert not (second.recipe.rib.count or second.spigot.grooves)
    assert all(fit_band(side.seat, KNOWN).enters for side in joiner.sides)
    rows = [row.on for row in joiner.calipers(PROCESS)]
    for tube in ("first", "second"):
        assert f"{tube.capitalize()} tube: bore, width" in rows
        assert f"Fitting: spigot for the {tube} tube, length" in rows
    glue, all_glued = (made(placed(FLAT), rib_count=0, **fits).glue() for fits in ({"second_fit": "slide"}, {}))
    assert glue and all_glued
    assert glue.bond_area_mm2 == pytest.approx(all_glued.bond_area_mm2 / 2, rel=0.01)
    assert glue.volume_mm3 == pytest.approx(all_glued.volume_mm3 / 2, rel=0.01)
    assert "glue fit in the first tube, slide fit in the second" in joiner.words
    steps = {step.name: step.said for step in Joiner.steps({"F1": joiner, "F2": both})}
    assert steps["Glue"].endswith(": F1 (first tube), F2.")
    assert made(placed(FLAT), fit="slide").glue() is None
    with pytest.raises(RecipeError) as refusal:
        made(placed(FLAT), second_fit="push", second_gap_mm=3.0)
    assert refusal.value.field == "second_gap_mm"
    assert made(placed(FLAT), second_fit="push", second_gap_mm=refusal.value.works).sides


def test_a_joiner_goes_in_by_design_as_caps_do() -> None:
    """Tubes drawn at random within the standard's tolerances, by the same causes as a cap's gap."""
    rng = np.random.default_rng(7)
    for section in (SQUARE, ROUND, FLAT):
        joiner = made(placed(section))
        for side in joiner.sides:
            gap, band = side.seat.gap_mm, fit_band(side.seat, KNOWN)
            assert band.enters
            scatter = [cause.takes / 3 for cause in band.contributions if cause.kind == "scatter"]
            seam = sum(cause.takes for cause in band.contributions if cause.kind == "seam")
            left = gap - seam + sum(rng.normal(0, spread, 20_000) for spread in scatter)
            share = float((left > band.needed).mean()) ** band.ways
            assert share == pytest.approx(band.share_that_enters, abs=0.01)


# -- from the assembly to the files ----------------------------------------------------------------------------------


def rails(gap: float = 0.0) -> list[Mesh]:
    """Two rails in line along x."""
    wall = SQUARE.outer.cross_section() - SQUARE.bore.cross_section()
    upright = wall.extrude(300)
    along = Frame.along((0, 0, 0), (1, 0, 0), (0, 1, 0))
    first = Mesh.from_manifold(upright, "rail 1").placed(along)
    second = Mesh.from_manifold(upright, "rail 2").placed(Frame(np.array([300 + gap, 0, 0]), along.axes))
    return [first, second]


def drilled(diameter: float = 11.0, distance: float = 29.0) -> list[Mesh]:
    """The rails, the first one drilled through both walls so far from where they meet, as for a bolt."""
    first, second = rails()
    bolt = Manifold.cylinder(100, diameter / 2, circular_segments=48, center=True)
    hole = bolt.translate([300 - distance, 0, 0])
    return [Mesh.from_manifold(first.to_manifold() - hole, first.name), second]


def test_a_spigot_that_a_hole_stops_is_listed_with_how_to_have_it_longer(tmp_path: Path) -> None:
    """A hole 11 mm wide, 29 mm from the end, begins after 23.5 mm; usual are 60 mm, one and a half widths."""
    tables = {"joiner": {"make": True}, "output": {"formats": ["stl"]}}
    result = do(tmp_path, drilled(), **tables)
    joiner = next(made for made in result.made if made.batch.family is JOINER)
    lengths = [side.spigot.length_mm for side in joiner.fitting.sides]
    assert lengths == pytest.approx([23.5, 60], abs=0.05)
    assert "23.5 mm and 60 mm long, the first stopped by a hole 29 mm from its tube's end" in joiner.fitting.words
    (finding,) = (finding for finding in result.findings if finding.check == "short spigot")
    assert finding.cure == {"cross_holes": "free"} and "23.5 mm long, where 60 mm is usual" in finding.meaning
    rows = [row for row in joiner.fitting.calipers(PROCESS) if row.on.endswith("length")]
    assert [row.drawn_mm for row in rows] == pytest.approx(lengths)
    asked = {"make": True, "spigot_mm": 20}
    assert not [f for f in do(tmp_path, drilled(), joiner=asked).findings if f.check == "short spigot"]


@pytest.mark.parametrize("behind", [False, True])
def test_a_spigot_that_something_in_the_bore_stops_is_listed(behind: bool, tmp_path: Path) -> None:
    """A pin across the first rail's bore, 8 mm wide and 29 mm from the end, leaves 25 mm; a hole in the wall ``behind``
    it stops nothing."""
    pin = Manifold.cylinder(33, 4, circular_segments=48, center=True).translate([300 - 29, 0, 0])
    meshes = drilled(distance=45.0) if behind else rails()
    result = do(tmp_path, [*meshes, Mesh.from_manifold(pin, "pin")], joiner={"make": True})
    joiner = next(made for made in result.made if made.batch.family is JOINER)
    (finding,) = (finding for finding in result.findings if finding.check == "short spigot")
    assert [side.spigot.length_mm for side in joiner.fitting.sides] == pytest.approx([25, 60], abs=0.6)
    assert finding.meaning.startswith("The first spigot is ") and "clear no farther" in finding.meaning
    assert not finding.cure and "the first as long as its bore is clear" in joiner.fitting.words


def test_a_finding_on_one_of_two_gaps_names_its_tube(tmp_path: Path) -> None:
    asked = {"make": True, "second_gap_mm": 0.1}
    (finding,) = (one for one in do(tmp_path, rails(5.0), joiner=asked).findings if one.check == "gap")
    assert finding.meaning.startswith("In the second tube, 40 × 40")
    alike = do(tmp_path, rails(5.0), joiner={"make": True, "gap_mm": 0.1}).findings
    assert ["tube, " in one.meaning for one in alike if one.check == "gap"] == [False]


@pytest.mark.parametrize("recipe", [{}, {"up": "standing"}, {"second_fit": "slide"}])
def test_holes_go_on_through_a_joiner_where_they_are_let(recipe: dict[str, object], tmp_path: Path) -> None:
    """By the kernel, in the assembly: a bolt as wide as the tube's hole passes, and the joiner is otherwise as long."""
    result = do(tmp_path, drilled(), joiner={"make": True, "cross_holes": "free", **recipe})
    joiner = next(made for made in result.made if made.batch.family is JOINER)
    found = {finding.check for finding in result.findings if finding.severity != "good to know"}
    assert found <= ({"tipping"} if recipe.get("up") == "standing" else set()), result.findings
    assert [side.spigot.length_mm for side in joiner.fitting.sides] == pytest.approx([60, 60])
    assert "hole 12 mm through the first 29 mm from its tube's end" in joiner.fitting.words
    solid = joiner.fitting.solid.transform(joiner.batch.sites[0].frame.matrix[:3])
    bolt = Manifold.cylinder(100, 5.5, circular_segments=48, center=True).translate([271, 0, 0])
    assert (bolt ^ solid).volume() < 1e-6
    wider = Manifold.cylinder(30, 6.3, circular_segments=48, center=True).translate([271, 0, 0])
    assert (wider ^ solid).volume() > 1
    assert "Turn to the holes" in [step.name for step in Joiner.steps({"F1": joiner.fitting})]


def test_joints_whose_holes_are_alike_share_a_joiner(tmp_path: Path) -> None:
    """However the tubes lie and whichever of the two has the hole."""
    first, second = drilled()
    back = Frame(np.array([0, 500.0, 0]), np.diag([-1.0, 1.0, -1.0]))
    meshes = [first, second, *(replace(mesh.placed(back), name=f"{mesh.name} b") for mesh in (first, second))]
    result = do(tmp_path, meshes, joiner={"make": True, "cross_holes": "free"})
    (joiner,) = (made for made in result.made if made.batch.family is JOINER)
    assert joiner.count == 2
    for site in joiner.batch.sites:
        solid = joiner.fitting.solid.transform(site.frame.matrix[:3])
        for frame in (Frame(np.zeros(3), np.eye(3)), back):
            bolt = Manifold.cylinder(100, 5.5, circular_segments=48, center=True).translate([271, 0, 0])
            assert (bolt.transform(frame.matrix[:3]) ^ solid).volume() < 1e-6


def do(folder: Path, meshes: list[Mesh], **tables: object) -> JobResult:
    job = parse_job({"assembly": {"files": ["rails.stl"]}, **tables}, folder, "rails")
    return run(job, meshes, True, lambda what, share: None)


@pytest.mark.parametrize("gap", [0.0, 3.0])
def test_a_knock_down_rail_gets_its_joiner_with_nothing_said_but_make(tmp_path: Path, gap: float) -> None:
    result = do(tmp_path, rails(gap), joiner={"make": True}, output={"formats": ["stl"]})
    cap, joiner = result.made
    assert (cap.batch.served, joiner.batch.served, joiner.count) == (2, 1, 1)
    assert not [finding for finding in result.findings if finding.severity == "must fix"], result.findings
    assert not [finding for finding in result.findings if finding.fitting == "F2" and finding.severity == "look at"]
    out = tmp_path / "ferrule_out"
    said = json.loads((out / "result.json").read_text("utf-8"))
    assert [joint["fitting"] for joint in said["joints"]] == ["F2"]
    assert said["fittings"][1]["family"] == "joiner"
    path = next(file.path for file in result.files if "joiner" in file.path.name)
    mesh = trimesh.load_mesh(path)
    assert mesh.is_watertight and mesh.volume == pytest.approx(joiner.fitting.solid.volume(), rel=1e-4)
    assert mesh.extents[2] < 45 and mesh.extents[:2].max() == pytest.approx(120 + gap, abs=0.1)
    rows = list(csv.DictReader(io.StringIO((out / "rails fittings.csv").read_text("utf-8-sig"), newline="")))
    assert [row["family"] for row in rows] == ["cap", "joiner"]
    ends = csv.DictReader(io.StringIO((out / "rails ends.csv").read_text("utf-8-sig"), newline=""))
    assert sorted((row["fitting"], row["remark"]) for row in ends) == [("F1", "")] * 2 + [("F2", "")] * 2
    assert "Tube ends without a fitting" not in table(result, everything=True)
    sheet = (out / "rails job sheet.html").read_text("utf-8")
    for words in (
        "joiner in line",
        "lying, layers along the tubes",
        "Push together.",
        "qualified person has checked tube",
    ):
        assert words in sheet, words


def test_a_joint_is_given_without_a_model(tmp_path: Path) -> None:
    tables = {
        "fitting": {"make": False},
        "joiner": {"make": True, "screws": "through"},
        "joint": [
            {"size": "40 × 40 × 3", "other_size": "1 in × 1/8 in", "gap_mm": 3},
            {"size": "40 × 40 × 3", "angle_deg": 90},
        ],
    }
    result = run(parse_job(tables, tmp_path, "rails"), [], True, lambda what, share: None)
    assert [made.fitting.in_line for made in result.made] == [True, False]
    assert not [finding for finding in result.findings if finding.severity == "must fix"], result.findings
    sheet = (tmp_path / "ferrule_out" / "rails job sheet.html").read_text("utf-8")
    (two, _) = json.loads((tmp_path / "ferrule_out" / "result.json").read_text("utf-8"))["fittings"]
    assert [seat["section"]["kind"] for seat in two["seats"]] == ["rect", "round"]
    assert [seat["length_mm"] for seat in two["seats"]] == [two["spigot_mm"], two["second_spigot_mm"]]
    assert all(two["seats"][0][key] == two[key] for key in ("spigot_gap_mm", "drawn_gap_mm", "gap_mm"))
    assert math.prod(seat["share_that_enters"] for seat in two["seats"]) == pytest.approx(
        two["share_that_enters"], abs=1e-4
    )
    assert "F1, first tube ⌀ 5.5 mm at 30 mm through two opposite sides, on the middle line; second" in sheet
    assert "at 19.05 mm through both walls, in line with those of the other tube" in sheet
    assert "at 46.53 mm through the front and the back of the corner, on the middle line" in sheet


@pytest.mark.parametrize("gap_mm", [3.0, 3.175, 3.1749])
def test_a_joiner_lies_in_the_middle_however_its_gap_is_rounded(gap_mm: float) -> None:
    """Screw holes as far from the one rim as from the other, and a collar or web just as thick as the gap: one drawn to
    a rounded gap went into the rims."""
    found = GivenJoint("1 in × 14 ga", gap_mm=gap_mm).added(Takeoff(()), "carbon steel").joints[0]
    site = JointSite.of(found)
    first, second = (float(site.frame.to_local(end.frame.origin)[2]) for end in found.ends)
    assert sorted((first, second)) == pytest.approx([-gap_mm / 2, gap_mm / 2], abs=1e-9)
    collar = made(JOINER.place(site, site.section)).mesh
    middle = collar.vertices[np.abs(collar.vertices[:, 0]) > site.section.outer.width / 2 - 0.3]
    assert (middle[:, 2].min(), middle[:, 2].max()) == pytest.approx((-gap_mm / 2, gap_mm / 2), abs=1e-4)


def test_tubes_that_are_drilled_alike_are_said_once(tmp_path: Path) -> None:
    tables = {
        "fitting": {"make": False},
        "joiner": {"make": True, "screws": "through"},
        "joint": [{"size": "1 in × 14 ga", "gap_mm": 3}],
    }
    (made,) = run(parse_job(tables, tmp_path, "rails"), [], True, lambda what, share: None).made
    first, second = made.fitting.screws
    drilled = f"tube ⌀ {say_mm(first.diameter_mm)} at {say_mm(first.distance_mm)} {first.around}"
    assert said_holes((first, second)) == f"each {drilled}"
    deeper = replace(second, distance_mm=35.0)
    assert said_holes((first, deeper)).startswith(f"first {drilled}; second tube ⌀ ")
    assert said_holes((second,)).startswith("second tube ⌀ ")


def test_welded_corners_are_left_out_by_how_their_tubes_lie(tmp_path: Path) -> None:
    """One joint of each kind; the recipe is chosen by it, too."""
    given = [{"size": "40 × 40 × 3", "angle_deg": angle} for angle in (180, 90)]
    corners = [{"joint": "corner", "make": False}, {"joint": "in line", "spigot_mm": 33}]
    job = parse_job({"joint": given, "joiner": {"make": True, "for": corners}}, tmp_path, "given")
    result = run(job, [], True, lambda what, share: None)
    (joiner,) = result.made
    assert joiner.fitting.in_line and joiner.fitting.sides[0].spigot.length_mm == pytest.approx(33)
    assert verdict_of(result).headline.startswith("1 joint, 1 kind, ")
    with pytest.raises(JobError, match="for fittings of joints; take it out"):
        parse_job({"joint": given, "fitting": {"for": [{"joint": "corner", "make": False}]}}, tmp_path, "given")


def test_a_refused_joiner_is_counted_once_everywhere(tmp_path: Path) -> None:
    """Of two rails, the outer ends are capped; the joiner asks for a collar where there is no room for one."""
    closed = Mesh.from_manifold(Manifold.cube([4, 80, 80], center=True).translate([0, 0, 0]), "plate")
    result = do(tmp_path, [*rails(), closed], joiner={"make": True, "between": "collar"})
    verdict = verdict_of(result)
    assert verdict.headline.startswith("1 end, 0 of 1 joint, 1 kind; left out: 1 joint. ") and not verdict.complete
    assert [(entry.ends, entry.reason) for entry in verdict.closed] == [(1, "closed by another part")]
    screen = table(result, everything=True)
    assert "Tube ends without a fitting: 1" in screen
    # The sheet's words for what it allows of a glued spigot's gap.
    assert "Gap per side in mm  Allowed" in screen and "0.05 to 1 " in screen
    sheet = (tmp_path / "ferrule_out" / "rails job sheet.html").read_text("utf-8")
    assert "1 end takes no fitting: 1 closed by another part. 2 more take none" in sheet
    (finding,) = result.refusals
    assert "unit" not in finding.advice


def test_a_refusal_says_one_thing_to_do(tmp_path: Path) -> None:
    """A bolt 0.4 mm down the bore, which no spigot passes."""
    bolt = Manifold.cylinder(100, 3, circular_segments=32, center=True).translate([296.6, 0, 0])
    result = do(tmp_path, [*rails(), Mesh.from_manifold(bolt, "bolt")], joiner={"make": True})
    (finding,) = (finding for finding in result.refusals if "bore is clear for only" in finding.meaning)
    assert finding.advice == "Clear the bore, or leave this end open."


@pytest.mark.parametrize(
    ("sits", "said"),
    [
        ("in line", "a spigot of 9 mm, and one shorter than 10 mm"),
        ("corner", "shorter than 10 mm does not hold this tube straight"),
    ],
)
def test_a_spigot_too_short_to_hold_its_tube_is_not_made(sits: str, said: str) -> None:
    """Shorter than a quarter of its tube's width: common practice, no source."""
    place = PLACES[sits]
    with pytest.raises(RecipeError, match=said) as refusal:
        made(replace(place, second=replace(place.second, clear_depth_mm=9.0)))
    assert refusal.value.works is None and "leave this joint without a joiner" in refusal.value.instead


def test_a_spigot_is_asked_for_as_long_as_holds_its_tube() -> None:
    """A quarter of the tube's width at least; a hole nearer than that has to go on through the spigot."""
    with pytest.raises(RecipeError) as refusal:
        made(PLACES["in line"], spigot_mm=9.0)
    assert (refusal.value.field, refusal.value.works) == ("spigot_mm", 10.0)
    hole = EndHole(6.0, 12.0, 90.0, 0.0, True)
    place = replace(PLACES["in line"], first=replace(PLACES["in line"].first, holes=(hole,)))
    with pytest.raises(RecipeError, match="too little room") as refusal:
        made(place)
    assert (refusal.value.field, refusal.value.works) == ("cross_holes", "free")


@pytest.mark.parametrize("distance", [20.0, 40.0, 60.0])
def test_a_hole_near_a_mitre_is_let_through_the_spigot_not_called_a_bore_to_clear(distance: float) -> None:
    corner = PLACES["corner"]
    hole = EndHole(8.0, distance, corner.first.mitre_direction_deg, 0.0, True)
    place = replace(corner, first=replace(corner.first, holes=(hole,)))
    with pytest.raises(RecipeError, match="too little room") as refusal:
        made(place)
    assert (refusal.value.field, refusal.value.works) == ("cross_holes", "free")
    assert made(place, cross_holes="free").sides[0].holes == (hole,)


def test_screws_move_aside_of_holes_that_go_on_through_a_spigot() -> None:
    """One in the middle of a spigot of 60 mm meets a hole of 9 mm, 1 mm wider in the spigot: 5 + 2 + 2.75 mm beside
    its axis at 33 is the nearest place. Where a hole leaves none, a bolt through that has to do."""
    place = placed(SQUARE)

    def crossed(*distances: float) -> JointPlace:
        holes = tuple(EndHole(9.0, distance, 90.0, 0.0, True) for distance in distances)
        return replace(place, first=replace(place.first, holes=holes))

    asked = {"screws": "through", "cross_holes": "free", "spigot_mm": 60.0}
    joiner = made(crossed(33.0), **asked)
    first, second = (hole.distance_mm for hole in joiner.screws)
    assert first == pytest.approx(33 - (4.5 + 0.5) - 2 - 2.75) and second == pytest.approx(30)
    assert_sound(joiner, genus=3)
    with pytest.raises(RecipeError, match="no room for M5") as refusal:
        made(crossed(12.0, 30.0, 48.0), **asked)
    assert (refusal.value.field, refusal.value.works) == ("screws", "none")
