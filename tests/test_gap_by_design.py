# SPDX-License-Identifier: GPL-3.0-or-later
"""Fittings go in by design: gap, ribs and seam relief against tubes drawn at random and tubes at their worst."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from fitting_cases import assert_sound
from manifold3d import CrossSection, Manifold
from recipes import recipe_of

from addon.families.cap import Cap, Recipe, design, resolve
from addon.families.circumstances import Circumstances
from addon.families.gap_band import ENTERS, GapBand, causes, fit_band, gap_by_design
from addon.families.spigot_limits import spigot_contour
from addon.fields.refusals import RecipeError
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.mitres import shear
from addon.geometry.sections import Outline, Section
from addon.review.fittings import review_fitting
from addon.review.gap import gap_findings
from addon.review.in_place import PlacedBody, Trial
from addon.shaping.contours import Fineness
from addon.takeoff.ends import mitre_normal
from addon.trade.fits import adhesive, fit_named, tube_tolerance
from addon.trade.processes import DEFAULT_PROCESS, material_named, process_named, processes
from addon.trade.sizes import TubeSize, tube_sizes

PROCESS = process_named(DEFAULT_PROCESS)
GLUE = fit_named("glue")


@dataclass(frozen=True)
class InUse:
    metal: str = "carbon steel"
    seam_height_mm: float | None = None
    coldest_c: float = -10.0
    hottest_c: float = 40.0


KNOWN = Circumstances(PROCESS, None, InUse())
ROUND, SQUARE, RECTANGLE = Section.round(25.4, 3.175), Section.rectangular(40, 40, 3), Section.rectangular(60, 40, 3)
TUBES = {
    "round": (ROUND, 0.0, KNOWN),
    "thin": (Section.round(25.4, 1.2), 0.0, KNOWN),
    "narrow": (Section.round(10, 1), 0.0, KNOWN),
    "pipe": (Section.round(48.3, 3.68), 0.0, KNOWN),
    "square": (SQUARE, 0.0, KNOWN),
    "rectangle": (RECTANGLE, 0.0, KNOWN),
    "small square": (Section.rectangular(12.7, 12.7, 1.65), 0.0, KNOWN),
    "flat": (Section.rectangular(50, 15, 1.5), 0.0, KNOWN),
    "mitred": (ROUND, 30.0, KNOWN),
    "mitred rectangle": (RECTANGLE, 45.0, KNOWN),
    "aluminium": (Section.rectangular(40, 20, 2, 0.0), 0.0, replace(KNOWN, tube=InUse("aluminium"))),
    "oval": (Section(Outline("obround", 40, 20), Outline("obround", 37, 17)), 0.0, KNOWN),
    "ellipse": (Section(Outline("ellipse", 40, 24), Outline("ellipse", 37, 21)), 0.0, KNOWN),
}


def made(name: str, facets: int | None = 64, **recipe: object) -> Cap:
    section, mitre, known = TUBES[name]
    return design(recipe_of(**recipe), section, mitre_deg=mitre, circumstances=known, facets=facets)


# -- drawn at random ------------------------------------------------------------------------------------------------

DRAWN = 10_000


@dataclass(frozen=True, eq=False)
class Draw:
    """Of each dimension so many numbers of the standard normal distribution."""

    outside: np.ndarray
    wall: np.ndarray
    corner: np.ndarray
    prints: np.ndarray

    @classmethod
    def of(cls, seed: int) -> Draw:
        draw = np.random.default_rng(seed).standard_normal
        return cls(draw((DRAWN, 2)), draw(DRAWN), draw(DRAWN), draw((DRAWN, 2)))


def gaps(section: Section, recipe: Recipe, draw: Draw, process_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """(n, k): the gap a side of each tube with its print across each of its widths, and (n,): what a rectangle's
    corner leaves. Each dimension is normal, its tolerance three standard deviations: common practice, no source."""
    tolerance, bore = tube_tolerance(section, "carbon steel"), section.bore
    spigot = spigot_contour(section, float(recipe.gap_mm), float(recipe.corner_mm), Fineness(None, 0.01)).outline
    widths = np.array([bore.width, bore.depth])[: 1 if bore.shape == "circle" else 2]
    ways = len(widths)
    wall = tolerance.wall_mm / 3 * draw.wall[:, None]
    bores = widths + tolerance.outside_mm / 3 * draw.outside[:, :ways] - 2 * wall
    spigots = np.array([spigot.width, spigot.depth])[:ways] + 2 * process_mm / 3 * draw.prints[:, :ways]
    sides = (bores - spigots) / 2
    if bore.shape == "circle":
        return sides, np.full(DRAWN, np.inf)
    # A spigot's corner of radius r, its centre d past that of the bore's of radius R, needs d + r no more than R.
    # No corner of a bore is rounder than half of its lesser width.
    radius = np.maximum(bore.corner_radius + tolerance.corner_mm / 3 * draw.corner - wall[:, 0], 0.0)
    radius = np.minimum(radius, bores.min(axis=1) / 2)
    past = np.maximum((radius - spigot.corner_radius)[:, None] - sides, 0.0)
    return sides, np.where((past > 0).all(axis=1), radius - spigot.corner_radius - np.hypot(*past.T), np.inf)


def seam_left(section: Section, recipe: Recipe, seam: float) -> float:
    """How high the usual seam stands over what the relief takes."""
    relief = recipe.seam.room_mm
    return max(seam - relief, 0.0)


@pytest.mark.once
def test_of_10_000_tubes_of_every_size_99_in_100_take_the_default_fitting_and_none_rattles() -> None:
    """Or the bore is so narrow that no spigot would be left of it, and then it has to be measured, and is asked for.
    Usual seam: a quarter of the wall, at most 1 mm (common practice, no source)."""
    draw, refused, pasted = Draw.of(20261127), [], 0
    sizes: dict[Section, TubeSize] = {size.section: size for size in tube_sizes()}
    for section, size in sizes.items():
        try:
            recipe = resolve(recipe_of(), section, circumstances=KNOWN)
        except RecipeError as refusal:
            assert refusal.field == "gap_mm" and "look for the weld seam and measure the bore" in str(refusal)
            assert resolve(recipe_of(gap_mm=refusal.works), section, circumstances=KNOWN)
            seamless = replace(KNOWN, tube=InUse(seam_height_mm=0.0), bore_off_mm=0.05)
            assert resolve(recipe_of(), section, circumstances=seamless)
            refused.append(size.name)
            continue
        sides, corner = gaps(section, recipe, draw, PROCESS.tolerance_mm)
        across = sides.min(axis=1) - seam_left(section, recipe, min(section.wall / 4, 1.0)) / 2
        assert float((np.minimum(across, corner) >= 0).mean()) >= ENTERS, size.name
        rattles = sides.max() - recipe.rib.height_mm if recipe.rib.count else sides.max() - recipe.gap_mm
        assert rattles <= GLUE.holds_up_to(recipe.gap_mm), size.name
        pasted += GLUE.takes_paste(recipe.gap_mm)
    assert refused == ["3/8 in × 10 SWG"]
    assert pasted < 0.1 * len(sizes)


@pytest.mark.parametrize("name", ["round", "thin", "narrow", "pipe", "square", "rectangle", "small square", "flat"])
@pytest.mark.parametrize("gap", [None, 0.2, 0.3])
def test_the_share_that_is_said_is_that_of_tubes_drawn_at_random(name: str, gap: float | None) -> None:
    section, _, known = TUBES[name]
    fitting = made(name, gap_mm=gap, facets=16)
    sides, corner = gaps(section, fitting.recipe, Draw.of(7), PROCESS.tolerance_mm)
    drawn = float((sides.min(axis=1) >= seam_left(section, fitting.recipe, min(section.wall / 4, 1.0)) / 2).mean())
    # The wall is off the same way across both widths, which are taken to know nothing of each other.
    assert fit_band(fitting.seat, known).share_that_enters == pytest.approx(drawn, abs=0.03 if drawn > 0.5 else 0.1)
    if gap is None:
        assert float((np.minimum(sides.min(axis=1), corner) >= 0).mean()) > ENTERS


@pytest.mark.parametrize("name", ["round", "thin", "narrow", "pipe", "square", "rectangle", "flat"])
def test_ribs_touch_in_every_other_tube_drawn_at_random(name: str) -> None:
    """So a spigot sits tight in half of the tubes and still goes in by hand: common practice, no source."""
    recipe = made(name, facets=16).recipe
    sides, _ = gaps(TUBES[name][0], recipe, Draw.of(7), PROCESS.tolerance_mm)
    assert float((sides < recipe.rib.height_mm).mean()) == pytest.approx(0.5, abs=0.03)


# -- at the worst ---------------------------------------------------------------------------------------------------


def worst_tube(section: Section, fitting: Cap, known: Circumstances, mitre: float, at: str = "relief") -> Manifold:
    """A tube whose bore is narrower by all that the band takes, its corners as round as they may be, with the usual
    seam: a bead that stands its height into the bore."""
    band = fit_band(fitting.seat, known)
    seam = min(section.wall / 4, 1.0) if known.tube.metal == "carbon steel" else 0.0
    takes = band.nominal - band.root_sum_square[0] - sum(c.takes for c in band.contributions if c.kind == "seam")
    bore = section.bore.offset(-takes)
    if bore.shape == "rectangle" and section.outer.corner_radius:
        off = tube_tolerance(section, known.tube.metal).corner_mm
        bore = replace(bore, corner_radius=section.bore.corner_radius + off)
    wall = section.outer.offset(1.0).cross_section() - bore.cross_section()
    wide, length = max(section.wall, 1.0), 4 * (section.outer.width + section.outer.depth)
    bead = CrossSection([np.array([(-seam, -wide / 2), (2.0, -wide / 2), (2.0, wide / 2), (-seam, wide / 2)])])
    turn = {"relief": 0.0, "side": 90.0}[at]
    bead = bead.translate((bore.across(turn) / 2, 0.0)).rotate(turn)
    tube = (wall + bead if seam else wall).extrude(length).translate((0, 0, -length))
    return tube.transform(shear(mitre, 0.0)[:3])


@pytest.mark.parametrize("name", TUBES)
@pytest.mark.parametrize("at", ["relief", "side"])
def test_it_goes_into_the_worst_tube_with_a_seam(name: str, at: str) -> None:
    """The kernel's boolean. A round one is turned to the seam; where a seam has no relief it moves aside by half of the
    seam's height. What is in the way then are ribs alone, and of them no more than they may be crushed."""
    section, mitre, known = TUBES[name]
    fitting = made(name, facets=None)
    relieved = fitting.recipe.seam.kind
    if relieved == "notch" and at != "relief":
        pytest.skip("a round one is turned to the seam")
    tube = worst_tube(section, fitting, known, mitre, at)
    aside = 0.0 if relieved != "none" or known.tube.metal != "carbon steel" else min(section.wall / 4, 1.0) / 2
    direction = np.radians({"relief": 180.0, "side": 270.0}[at])
    shift = (aside * np.cos(direction), aside * np.sin(direction), 0.0)
    # A hundredth less, for facets; below the shoulder, which lies on the rim.
    body = fitting.rigid.to_manifold()
    lower = -np.tan(np.radians(mitre)) * shift[0]
    met = body.translate(shift).translate((0, 0, lower)) ^ tube.translate((0, 0, -0.05))
    assert met.volume() < 1e-3, name
    if fitting.recipe.rib.count:
        crushed = fitting.solid.translate(shift).translate((0, 0, lower)) ^ tube.translate((0, 0, -0.05))
        lengths = fitting.recipe.rib.count * fitting.recipe.spigot_mm * fitting.recipe.rib.width_mm
        assert 0 < crushed.volume() < lengths * (fitting.recipe.rib.height_mm + aside)


@pytest.mark.parametrize("name", TUBES)
@pytest.mark.parametrize("aside_mm", [0.0, 0.3, 1.0])
def test_ribs_count_neither_in_the_quick_look_nor_in_the_whole_trial(name: str, aside_mm: float) -> None:
    """Beside a trial of the solid that has none."""
    section, mitre, known = TUBES[name]
    fitting, normal = made(name), mitre_normal(mitre, 0.0)
    tube = Mesh.from_manifold(worst_tube(section, fitting, known, mitre).translate((aside_mm, 0.0, 0.0)), "tube")
    outline = fitting.seat.outline.polygon() if fitting.seat.rib_mm else None
    trial = Trial(fitting.mesh, normal, rigid=lambda: fitting.rigid, outline=outline)
    bare, there = Trial(fitting.rigid, normal), Frame.along((0, 0, 0), (0, 0, 1))
    assert bare.clears(there, tube) or not trial.clears(there, tube)  # coarse facets are further in
    met, alone = (each.met(there, PlacedBody(tube)) for each in (trial, bare))
    assert [finding.check for finding in met] == [finding.check for finding in alone]
    assert [finding.value for finding in met] == pytest.approx([finding.value for finding in alone], rel=1e-6)
    assert met or aside_mm < 1.0


@pytest.mark.parametrize("name", TUBES)
def test_default_fittings_are_sound_and_have_nothing_for_a_person_to_do_about_the_gap(name: str) -> None:
    section, _, known = TUBES[name]
    fitting = made(name)
    assert_sound(fitting)
    band = fit_band(fitting.seat, known)
    assert not gap_findings(name, "glue", band)
    assert band.share_that_enters >= ENTERS and band.play <= GLUE.most_gap_mm
    again = resolve(fitting.recipe, section, mitre_deg=TUBES[name][1], circumstances=known)
    assert again == fitting.recipe


# -- what is chosen -------------------------------------------------------------------------------------------------


def test_the_gap_is_the_least_that_leaves_what_glue_needs() -> None:
    for name in ("round", "square", "thin"):
        section, _, known = TUBES[name]
        band = fit_band(made(name).seat, known)
        assert GLUE.least_gap_mm <= band.root_sum_square[0] < GLUE.least_gap_mm + 0.011
        assert gap_by_design(GLUE, GapBand(0.0, causes(section, 9.0, known))) == band.nominal


def test_a_paste_fills_what_epoxy_does_not_where_it_sticks_and_elsewhere_the_bore_is_measured() -> None:
    huge = Section.rectangular(300, 200, 10)
    epoxy, paste = (
        adhesive(KNOWN.plastic, resolve(Recipe(), section, circumstances=KNOWN).gap_mm) for section in (SQUARE, huge)
    )
    assert (epoxy, paste) == ("two-part epoxy or structural acrylic", "filled epoxy paste")
    pasted = design(Recipe(), huge, circumstances=KNOWN, facets=32)
    assert GLUE.most_gap_mm < pasted.recipe.gap_mm <= GLUE.paste_gap_mm and "paste" in pasted.recipe.conditions
    assert not gap_findings("", "glue", fit_band(pasted.seat, KNOWN))
    unstuck = replace(KNOWN, material=material_named("PP"))
    fitting = design(Recipe(), huge, circumstances=unstuck, facets=32)
    assert fitting.recipe.gap_mm == GLUE.most_gap_mm
    (finding,) = gap_findings("", "glue", fit_band(fitting.seat, unstuck))
    assert finding.advice.startswith("Measure the bores")
    measured = replace(unstuck, bore_off_mm=0.1)
    assert fit_band(design(Recipe(), huge, circumstances=measured, facets=32).seat, measured).enters
    with pytest.raises(RecipeError, match="holds up to 1 mm"):
        resolve(Recipe(gap_mm=2.0), huge, circumstances=unstuck)


def test_a_measured_bore_narrows_gap_and_band_and_needs_no_ribs() -> None:
    measured = replace(KNOWN, bore_off_mm=0.05)
    fitting = design(Recipe(), ROUND, circumstances=measured, facets=32)
    assert fitting.recipe.gap_mm < made("round").recipe.gap_mm - 0.1
    # 0.05 more than √(0.025² + 0.15² + temperature²), temperature by hand 9.525 × (11.7 − 95)e-6 × 20 = 0.0159.
    assert fitting.recipe.gap_mm == pytest.approx(0.05 + math.hypot(0.025, 0.15, 0.0159), abs=0.011)
    assert fitting.recipe.rib.count == 0
    assert fit_band(fitting.seat, measured).share_that_enters > 0.999


def test_a_number_is_a_number() -> None:
    fitting = made("round", gap_mm=0.2, seam_relief="none")
    assert (fitting.recipe.gap_mm, fitting.recipe.rib.count, fitting.recipe.seam.kind) == (0.2, 0, "none")
    assert made("square", rib_count=4).recipe.rib.count == 4
    assert made("square", seam_depth_mm=1.2).recipe.seam.depth_mm == 1.2


@pytest.mark.parametrize("name", ["round", "square"])
def test_a_relief_takes_the_seam_that_it_is_made_for(name: str) -> None:
    fitting = made(name, fit="press")
    rows = {row.on: row for row in fitting.calipers(PROCESS)}
    assert rows["Tube: weld seam, height"].most_mm == pytest.approx(fitting.recipe.seam.depth_mm)


@pytest.mark.parametrize("fit", ["push", "press"])
def test_other_fits_keep_their_classs_gap(fit: str) -> None:
    recipe = made("round", fit=fit).recipe
    assert (recipe.gap_mm, recipe.rib.count, recipe.seam.kind) == (fit_named(fit).gap_mm, 0, "notch")


@pytest.mark.parametrize(
    "name, height, kind, depth",
    [
        ("round", None, "notch", 0.8),  # a quarter of 3.175, in steps of 0.05
        ("round", 0.45, "notch", 0.45),
        ("round", 0.0, "none", None),
        ("square", None, "sides", 0.75),
        ("rectangle", 1.3, "sides", 1.3),
        ("mitred", None, "none", None),
        ("mitred rectangle", None, "sides", 0.75),
        ("oval", None, "none", None),
        ("aluminium", None, "none", None),
        ("aluminium", 0.4, "sides", 0.4),
    ],
)
def test_the_relief_follows_from_the_seam(name: str, height: float | None, kind: str, depth: float | None) -> None:
    section, mitre, known = TUBES[name]
    known = replace(known, tube=replace(known.tube, seam_height_mm=height))
    seam = resolve(Recipe(), section, mitre_deg=mitre, circumstances=known).seam
    assert seam.kind == kind
    if depth is not None:
        assert seam.depth_mm == pytest.approx(depth)


def test_where_a_seam_has_no_relief_the_gap_takes_it_up_and_beyond_that_it_is_filed() -> None:
    seamless = replace(KNOWN, tube=InUse(seam_height_mm=0.0))
    plain, mitred = (resolve(Recipe(), ROUND, mitre_deg=30, circumstances=known) for known in (seamless, KNOWN))
    assert mitred.gap_mm == pytest.approx(plain.gap_mm + 3.175 / 4 / 2, abs=0.011)
    high = replace(KNOWN, tube=InUse(seam_height_mm=6.5))
    fitting = design(Recipe(), ROUND, mitre_deg=30, circumstances=high, facets=32)
    (finding,) = gap_findings("", "glue", fit_band(fitting.seat, high))
    assert finding.advice.startswith("File the weld seam")


@pytest.mark.parametrize(
    ("name", "process"),
    [
        pytest.param(name, process, id=f"{name}, {process.name}")
        for number, name in enumerate(TUBES)
        for process in [*processes(), *processes()][number % len(processes()) :][:2]
    ],
)
def test_ribs_and_reliefs_print_clean(name: str, process) -> None:
    """No finding more than the same fitting has without them, and no rib narrower than a bead out and one back."""
    section, mitre, known = TUBES[name]
    known = replace(known, process=process)
    both = [
        design(recipe_of(**recipe), section, mitre_deg=mitre, circumstances=known)
        for recipe in ({}, {"rib_count": 0, "seam_relief": "none"})
    ]
    found = [
        {(finding.check, finding.severity) for finding in review_fitting(fitting, process).at_once} for fitting in both
    ]
    assert found[0] <= found[1]


@pytest.mark.parametrize("mitre, direction", [(45, 0), (45, 90), (50, 20), (60, 0), (60, 90)])
@pytest.mark.parametrize("section", [ROUND, Section.round(48.3, 3.68), Section.round(10, 1)])
def test_where_ribs_begin_on_steep_mitres_no_layer_is_thin(section: Section, mitre: float, direction: float) -> None:
    known = {"mitre_deg": mitre, "mitre_direction_deg": direction, "circumstances": KNOWN}
    ribbed, plain = (
        {finding.check for finding in review_fitting(design(recipe_of(**recipe), section, **known), PROCESS).at_once}
        for recipe in ({}, {"rib_count": 0})
    )
    assert ribbed <= plain


@pytest.mark.parametrize("name", ["round", "square", "rectangle", "aluminium", "oval"])
@pytest.mark.parametrize("vent", ["none", "channel"])
def test_glue_fills_what_the_solid_leaves_of_the_bore(name: str, vent: str) -> None:
    """The volume between the shoulder and the lead-in, by the kernel's boolean."""
    section, _, _ = TUBES[name]
    fitting = made(name, facets=None, vent=vent)
    length = fitting.recipe.spigot_mm - fitting.recipe.lead_in_mm
    bore = section.bore.cross_section().extrude(length).translate((0, 0, -length))
    room = (bore - fitting.solid).volume()
    if vent == "channel":  # it stays free
        width, depth = section.bore.width, fitting.recipe.vent.depth_mm + fitting.recipe.gap_mm
        depth += fitting.recipe.seam.room_mm if fitting.recipe.seam.kind == "sides" else 0.0
        channel = Manifold.cube((width, fitting.recipe.vent.width_mm, length), True)
        channel = channel.translate((depth - width, 0, -length / 2))
        room = (bore - fitting.solid - channel).volume()
    assert fitting.glue().volume_mm3 == pytest.approx(room, rel=0.03)


def test_calipers_meet_ribs_and_relief() -> None:
    fitting = made("round")
    rows = {row.on: row for row in fitting.calipers(PROCESS)}
    rib, width = fitting.recipe.rib.height_mm, fitting.profile.spigot_outline.width
    assert rows["Fitting: over one rib, diameter"].drawn_mm == pytest.approx(width + rib)
    assert rows["Fitting: seam relief, depth"].drawn_mm == pytest.approx(0.8)
    cut = fitting.solid.slice(-2.0)
    spread = [np.ptp(np.concatenate(cut.rotate(turn).to_polygons())[:, 0]) for turn in np.arange(0, 180, 1.0)]
    assert max(spread) == pytest.approx(width + rib, abs=0.05)
    square = {row.on: row for row in made("square").calipers(PROCESS)}
    outline = made("square").profile.spigot_outline
    assert square["Fitting: over the ribs, width"].drawn_mm == pytest.approx(
        outline.width + 2 * made("square").recipe.rib.height_mm
    )
    box = made("square").solid.slice(-2.0).bounds()
    assert box[2] - box[0] == pytest.approx(square["Fitting: over the ribs, width"].drawn_mm, abs=1e-6)
