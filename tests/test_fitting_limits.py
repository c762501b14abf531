# SPDX-License-Identifier: GPL-3.0-or-later
"""What is refused, in which words, and that what is offered instead works."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import get_args

import numpy as np
import pytest
from fitting_cases import CROWNS, SECTIONS, assert_sound, free, half_round, surface
from recipes import recipe_of, recipe_with

from addon.families.cap import Recipe, design, resolve
from addon.families.spigot_limits import FitName
from addon.fields.declared import declared_in, values_of
from addon.fields.refusals import RecipeError
from addon.geometry.sections import Outline, Section
from addon.trade.fits import fit_named
from addon.trade.hardware import thread_named

TUBE = Section.round(25.4, 3.175)  # bore 19.05, spigot 18.65 with the glue fit's gap
NUMBERS = [field.name for field in fields(Recipe) if field.name.rsplit("_")[-1] in ("mm", "deg", "count")]


def refusal(recipe: Recipe, section: Section = TUBE, **end) -> RecipeError:
    with pytest.raises(RecipeError) as caught:
        resolve(recipe, section, **end)
    return caught.value


def cured(recipe: Recipe, section: Section, **end) -> Recipe:
    """The recipe after taking every cure that is offered."""
    for _ in fields(Recipe):
        try:
            resolve(recipe, section, **end)
            return recipe
        except RecipeError as error:
            assert values_of(recipe)[error.field] != error.works
            recipe = recipe_with(recipe, **{error.field: error.works})
    raise AssertionError("the cures go round in circles")


def test_an_empty_recipe_makes_a_hemisphere_with_the_glue_fit():
    recipe = resolve(Recipe(), TUBE)
    assert recipe == recipe_of(
        rise_mm=12.7, gap_mm=0.2, edge_mm=0.0, up="crown up", corner_mm=0.0, seam_relief="none", seam_depth_mm=0.8,
        rib_count=0, rib_height_mm=0.3, rib_width_mm=1.0, groove_count=1,
    )  # fmt: skip


def test_only_a_glued_spigot_has_a_groove_unless_one_is_asked_for():
    counts = {fit: resolve(Recipe(fit=fit), TUBE).groove.count for fit in get_args(FitName)}
    assert counts == {"glue": 1, "push": 0, "press": 0}
    assert (
        resolve(recipe_of(fit="press", groove_count=2, groove_width_mm=1.0, groove_depth_mm=0.5), TUBE).groove.count
        == 2
    )


@pytest.mark.parametrize("section", SECTIONS.values(), ids=SECTIONS)
@pytest.mark.parametrize("crown", ["dome", "low dome", "flat", "peaked"])
def test_defaults_suit_every_section(section: Section, crown: str):
    recipe = resolve(recipe_of(crown=crown, groove_depth_mm=0.8), section, mitre_deg=30)
    assert None not in (recipe.rise_mm, recipe.edge_mm, recipe.gap_mm)
    assert resolve(recipe, section, mitre_deg=30) == recipe


@pytest.mark.parametrize("fit", get_args(FitName))
def test_gap_comes_from_the_fit_class(fit):
    assert resolve(Recipe(fit=fit), TUBE).gap_mm == fit_named(fit).gap_mm


@pytest.mark.parametrize(
    "wrong, field, works, words",
    [
        # Groove: the spigot is 9.325 from its middle to its side and keeps 1 mm there.
        (recipe_of(groove_depth_mm=9.0, groove_roof="square"), "groove_depth_mm", 8.32, "cut too thin"),
        # A roof of 45° is as high as the groove is deep, and leaves 0.3 mm of its floor.
        (recipe_of(groove_depth_mm=9.0), "groove_depth_mm", 2.7, "its roof slopes by 45°"),
        # Hollow: the groove leaves 0.8 mm of the wall.
        (recipe_of(hollow_wall_mm=2.0, groove_depth_mm=1.5), "groove_depth_mm", 1.2, "cut too thin"),
        # M6 needs 6.6: 9.325 − 3.3 − 0.8.
        (
            recipe_of(hole="through", thread="M6", groove_depth_mm=6.0, groove_roof="square"),
            "groove_depth_mm",
            5.22,
            "cut too thin",
        ),
        # Lands of 0.9 (lead-in 0.5 and 0.4): (8 − 3 × 0.9) / 2.
        (recipe_of(groove_count=2), "groove_width_mm", 2.65, "lands"),
        (recipe_of(groove_count=6), "groove_count", 5, "has to stay beside every groove"),
        (Recipe(lead_in_mm=7.8), "lead_in_mm", 7.5, "tip would come to an edge"),
        (Recipe(rise_mm=0.0), "rise_mm", 0.5, "needs some height"),
        (Recipe(rise_mm=13.0), "rise_mm", 12.7, "hemisphere"),
        (Recipe(crown="low dome", rise_mm=20.0), "rise_mm", 12.7, "half the crown's width is 12.7 mm"),
        (Recipe(gap_mm=-0.1), "gap_mm", 0.05, "glue fit needs 0.05 mm per side"),
        (Recipe(gap_mm=4.0), "gap_mm", 3.0, "glue fit holds up to 3 mm"),
        (Recipe(crown="flat", rise_mm=2.0, edge_mm=3.0), "edge_mm", 2.0, "all of the rise"),
        (Recipe(lip_mm=-3.0), "lip_mm", -2.77, "keep 0.4 mm of the rim"),
        (Recipe(spigot_mm=0.5), "spigot_mm", 1.0, "holds nothing"),
        (recipe_of(fit="push", rib_count=3), "fit", "press", "ribs would be crushed"),
        (recipe_of(fit="press", gap_mm=0.1, rib_count=3, rib_height_mm=0.1), "rib_height_mm", 0.15, "to be crushed"),
        (recipe_of(fit="press", rib_count=30), "rib_count", 15, "no room for so many ribs"),
        (
            recipe_of(hole="through", thread="M12", hollow_wall_mm=9),
            "hollow_wall_mm",
            2.37,
            "too narrow for such a wall",
        ),
        (recipe_of(seam_relief="notch", seam_depth_mm=9.0), "seam_depth_mm", 8.32, "cut too thin"),
        (recipe_of(seam_relief="flat", hollow_wall_mm=2.0, seam_depth_mm=1.5), "seam_depth_mm", 1.2, "cut too thin"),
        (recipe_of(vent="channel", vent_width_mm=12.0), "vent_width_mm", 9.32, "too narrow"),
        (recipe_of(vent="channel", vent_depth_mm=0.2), "vent_depth_mm", 0.3, "closes up"),
        (recipe_of(vent="hole", hole="through", thread="M5"), "vent", "none", "fall into the hole"),
        (Recipe(hollow_wall_mm=0.3), "hollow_wall_mm", 0.9, "0 keeps the spigot solid"),
        (recipe_of(hole="nut pocket", thread="M5", hollow_wall_mm=2.0), "hollow_wall_mm", 0.0, "has to be solid"),
        (recipe_of(hole="insert", thread="M12"), "thread", "M10", "no insert is known for M12"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_impossible_recipes_are_refused_with_the_number_that_works(wrong, field, works, words):
    error = refusal(wrong)
    assert error.field == field
    assert error.works == pytest.approx(works) if isinstance(works, float) else error.works == works
    assert words in str(error)
    assert (works if isinstance(works, str) else f"{works:g}") in str(error)
    assert_cure_works(wrong)


def assert_cure_works(wrong: Recipe, section: Section = TUBE, **end) -> None:
    recipe = cured(wrong, section, **end)
    fitting = design(recipe, section, facets=32, **end)
    through = recipe.hole.kind in ("through", "nut pocket") or recipe.vent.kind == "hole"
    assert_sound(fitting, genus=int(through))


def test_the_value_offered_is_the_last_that_works():
    offered = refusal(recipe_of(groove_depth_mm=9.0)).works
    resolve(recipe_of(groove_depth_mm=offered), TUBE)
    assert refusal(recipe_of(groove_depth_mm=offered + 0.011)).field == "groove_depth_mm"


RIBBED = recipe_of(fit="press", rib_count=3, rib_height_mm=0.9, gap_mm=0.0)


@pytest.mark.parametrize(
    "wrong, section, end, works",
    [
        (Recipe(rise_mm=50, lip_mm=-1.6), SECTIONS["sharp square"], {"mitre_deg": 20}, 13.4),
        (Recipe(rise_mm=50, lip_mm=0.3), SECTIONS["obround"], {"mitre_deg": 20}, 10.3),
        (Recipe(rise_mm=50, lip_mm=-0.09), Section.rectangular(20, 20, 0.5), {"mitre_deg": 45}, 9.91),
        (
            Recipe(lip_mm=-5, fit="press"),
            SECTIONS["angle"],
            {"mitre_deg": 45, "mitre_direction_deg": 90},
            -1.55,
        ),
        (replace(RIBBED, lip_mm=-2.05), SECTIONS["hexagon"], {}, 0.25),
        (replace(RIBBED, lip_mm=-1.05), free(half_round(), 1.5), {}, 0.25),
    ],
    ids=["square", "obround", "thin square", "angle", "hexagon", "half round"],
)
def test_what_is_offered_is_not_refused_for_the_rounding_of_the_limit_behind_it(wrong, section, end, works):
    """Each limit lies some 1e-9 mm off the whole hundredth: the kernel's whole numbers, or the sum's last digit."""
    error = refusal(wrong, section, **end)
    assert error.works == works
    settled = resolve(recipe_with(wrong, **{error.field: works}), section, **end)
    assert values_of(settled)[error.field] == works


def test_exact_limits_are_allowed_even_where_they_are_no_hundredths():
    tube = Section.round(33.3375, 3)  # 1 5/16 in
    assert resolve(Recipe(), tube).rise_mm == 33.3375 / 2
    assert resolve(Recipe(rise_mm=33.3375 / 2), tube).rise_mm == 33.3375 / 2


def test_a_spigot_longer_than_the_clear_bore_is_refused_with_the_clear_depth():
    error = refusal(Recipe(spigot_mm=12), clear_depth_mm=9.5)
    assert (error.field, error.works) == ("spigot_mm", 9.5)
    assert "not clear any deeper" in str(error)
    assert_cure_works(Recipe(spigot_mm=12), clear_depth_mm=9.5)


@pytest.mark.parametrize("clear", [None, 700.0])
def test_a_spigot_that_is_too_long_for_any_tube_does_not_blame_the_bore(clear: float | None):
    error = refusal(Recipe(spigot_mm=400), clear_depth_mm=clear)
    assert error.works == 250
    assert "longer spigots are not made" in str(error)


@pytest.mark.parametrize("clear", [0.4, -1.0, math.nan])
def test_where_no_spigot_goes_in_nothing_is_offered(clear: float):
    error = refusal(Recipe(), clear_depth_mm=clear)
    assert error.field == "spigot_mm"
    assert error.works is None
    assert "leave this end open" in error.instead


def test_a_thread_too_large_is_refused_with_the_largest_that_fits():
    small = Section.round(16, 1.5)
    error = refusal(recipe_of(hole="through", thread="M12", groove_count=0), small)
    assert (error.field, error.works) == ("thread", "M8")
    most = small.bore.width - 2 * (0.2 + 1.0)  # 1 mm stays around the hole
    assert thread_named("M8").clearance_mm <= most < thread_named("M10").clearance_mm
    assert_cure_works(recipe_of(hole="through", thread="M12"), small)


def test_where_no_thread_fits_the_hole_is_given_up():
    error = refusal(recipe_of(hole="nut pocket", groove_count=0), Section.round(9, 1))
    assert (error.field, error.works) == ("hole", "none")


@pytest.mark.parametrize(
    "wrong, field, works",
    [
        # Bore 8, gap 0.2, M5's hole 5.5 (ISO 273, medium): 3.8 − 2.75 − 0.4.
        (recipe_of(hole="through", thread="M5", lead_in_mm=2.0, groove_count=0), "lead_in_mm", 0.65),
        # The vent keeps 0.8 mm from the lead-in: 2 × (3.8 − 2 − 0.8).
        (recipe_of(vent="hole", vent_width_mm=5.0, lead_in_mm=2.0, groove_count=0), "vent_width_mm", 2.0),
    ],
    ids=["foot", "vent"],
)
def test_lead_in_and_holes_leave_the_tip_a_face_between_them(wrong: Recipe, field: str, works: float):
    small = Section.round(10, 1)
    error = refusal(wrong, small)
    assert (error.field, error.works) == (field, pytest.approx(works))
    assert_cure_works(wrong, small)
    fitting = design(cured(wrong, small), small)
    assert np.ptp(surface(fitting, "tip")[..., 2]) == 0
    assert surface(fitting, "tip")[..., 2].min() == pytest.approx(-8)


def test_a_nut_that_is_too_high_asks_for_a_longer_spigot():
    wide = Section.round(60.3, 3.9)
    error = refusal(recipe_of(crown="flat", rise_mm=2.0, hole="nut pocket", thread="M12"), wide)
    assert error.field == "spigot_mm"
    # Nut 10.8, 0.5 room, 2 to bear on, less the crown's 2.
    assert error.works == pytest.approx(11.3)
    shallow = refusal(recipe_of(crown="flat", rise_mm=2.0, hole="nut pocket", thread="M12"), wide, clear_depth_mm=10)
    assert (shallow.field, shallow.works) == ("hole", "through")


def test_pockets_are_for_square_ends():
    error = refusal(recipe_of(hole="nut pocket"), mitre_deg=20)
    assert (error.field, error.works) == ("hole", "through")


def test_a_flat_would_cut_through_the_arms_of_a_spigot():
    error = refusal(recipe_of(seam_relief="flat", groove_depth_mm=0.5), SECTIONS["angle"])
    assert (error.field, error.works) == ("seam_relief", "notch")


@pytest.mark.parametrize(
    "field, wrong, near",
    [("crown", "domed", {"dome"}), ("crown", "Flat", {"flat"}), ("edge", "round", {"rounded"}),
     ("fit", "glued", {"glue"}), ("vent", "chanel", {"channel"}), ("seam_relief", "noch", {"notch"}),
     ("hole", "nutpocket", {"nut pocket"}), ("thread", "M7", {"M6", "M8"}), ("crown", 3, set(CROWNS))],
)  # fmt: skip
def test_unknown_words_name_the_choices_and_the_nearest(field, wrong, near):
    error = refusal(recipe_with(Recipe(), **{field: wrong}))
    assert error.field == field
    assert repr(wrong) in str(error)
    assert error.works in near
    assert str(error.works) in str(error)
    assert_cure_works(recipe_with(Recipe(), **{field: wrong}))


@pytest.mark.parametrize("field", NUMBERS)
@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf, "8", True, [1]], ids=str)
def test_what_is_no_number_is_refused_in_every_field_used_or_not(field: str, wrong):
    error = refusal(recipe_with(Recipe(), **{field: wrong}))
    assert error.field == field
    assert "is not a number" in str(error)
    assert math.isfinite(error.works)
    resolve(recipe_with(Recipe(), **{field: error.works}), TUBE)


@pytest.mark.parametrize("field", [name for name in NUMBERS if name not in ("lip_mm", "seam_angle_deg")])
def test_lengths_below_nothing_are_refused_used_or_not(field: str):
    error = refusal(recipe_with(Recipe(), **{field: -7}))
    assert error.field == field
    assert error.works >= 0
    assert_cure_works(recipe_with(Recipe(), **{field: -7}))


@pytest.mark.parametrize("field", ["spigot_mm", "lead_in_mm", "groove_depth_mm", "lip_mm", "seam_angle_deg"])
def test_none_is_only_for_what_can_be_decided(field: str):
    assert refusal(recipe_with(Recipe(), **{field: None})).field == field


@pytest.mark.parametrize("field", ["groove_count", "rib_count"])
def test_counts_are_whole(field: str):
    error = refusal(recipe_with(Recipe(fit="press"), **{field: 1.5}))
    assert (error.field, error.works) == (field, 1)
    assert "not a whole number" in str(error)


@pytest.mark.parametrize("mitre", [61, -5, math.nan])
def test_mitres_out_of_range_are_refused(mitre: float):
    error = refusal(Recipe(), mitre_deg=mitre)
    assert (error.field, error.works) == ("mitre_deg", None)
    assert "0° to 60°" in str(error)


@pytest.mark.parametrize(
    "section",
    [
        Section(Outline.circle(20), Outline.circle(20)),
        Section(Outline.circle(20), Outline.circle(25)),
        Section(Outline.circle(20), replace(Outline.circle(18), centre=(3, 0))),
        Section.round(4, 1.2),
    ],
    ids=["no wall", "bore outside", "bore across the wall", "bore too narrow"],
)
def test_sections_that_take_no_spigot_are_refused_without_a_cure(section: Section):
    error = refusal(Recipe(), section)
    assert (error.field, error.works) == ("section", None)


def test_unused_fields_are_left_alone():
    idle = recipe_of(
        groove_count=0, groove_depth_mm=99, vent_width_mm=99, seam_depth_mm=99, rib_height_mm=99, edge_mm=99
    )
    assert design(idle, TUBE, facets=16).recipe.groove.depth_mm == 99


PLAIN_RANGE = recipe_of(groove_depth_mm=0.5)
HOLLOW_RANGE = recipe_of(
    crown="flat", spigot_mm=20, groove_count=2, hollow_wall_mm=2.0, groove_depth_mm=0.5, vent="channel"
)
PRESS_RANGE = recipe_of(
    crown="peaked", fit="press", rib_count=4, seam_relief="notch", groove_count=1, groove_depth_mm=0.5
)


@pytest.mark.filterwarnings("error::RuntimeWarning")
@pytest.mark.parametrize(
    ("name", "recipe"),
    [
        ("round", PLAIN_RANGE),
        ("rectangular", PLAIN_RANGE),
        ("rectangular", HOLLOW_RANGE),
        ("angle", HOLLOW_RANGE),
        ("angle", PRESS_RANGE),
        ("round", PRESS_RANGE),
    ],
)
@pytest.mark.parametrize("field", ["rise_mm", "lip_mm", "gap_mm", "lead_in_mm", "groove_depth_mm", "groove_width_mm"])
@pytest.mark.parametrize("far", [-500.0, 500.0])
def test_both_ends_of_every_range_can_be_made(name: str, recipe: Recipe, field: str, far: float):
    section = SECTIONS[name]
    error = refusal(recipe_with(cured(recipe, section), **{field: far}), section)
    assert error.field == field
    wanted = cured(recipe_with(cured(recipe, section), **{field: error.works}), section)
    assert values_of(wanted)[field] == error.works
    fitting = design(wanted, section, facets=32)
    # Across a groove that leaves a thin core, ribs may pass beside it.
    across = field == "groove_depth_mm" and recipe.rib.count
    assert_sound(fitting, genus=fitting.solid.genus() if across else 0)


@pytest.mark.filterwarnings("error::RuntimeWarning")
@pytest.mark.parametrize("seed", range(24))
def test_a_tip_narrower_than_its_ribs_and_relief_is_sound(seed: int, monkeypatch):
    """Lead-ins that leave little of the tip. The kernel's booleans make the same body as the loft does."""
    random = np.random.default_rng(seed)
    diameter = float(random.uniform(10, 40))
    section = Section.round(diameter, 1.6) if seed % 2 else Section.rectangular(diameter, 1.2 * diameter, 1.6)
    wanted = recipe_of(
        fit=("press", "glue")[seed // 2 % 2], rib_count=(4, 6, 8)[seed % 3] if seed % 2 else 8, groove_count=0,
        seam_relief=("none", "notch" if seed % 2 else "sides")[seed // 4 % 2],
        spigot_mm=round(diameter / 2, 2), lead_in_mm=round(diameter / 2 - 1.6 - float(random.uniform(0.5, 2.5)), 2),
    )  # fmt: skip
    recipe = cured(wanted, section)
    fitting = design(recipe, section, facets=64)
    assert_sound(fitting)
    monkeypatch.setattr("addon.shaping.spigots.Spigot._ribbed", lambda spigot, contour: None)
    assert fitting.solid.volume() == pytest.approx(design(recipe, section, facets=64).solid.volume(), rel=1e-3)


SQUARE = np.array([(-20, -15), (20, -15), (20, 15), (-20, 15)], float)


@pytest.mark.parametrize(
    "points",
    [
        SQUARE * (np.nan, 1),
        SQUARE[:2],
        SQUARE[[0, 2, 1, 3]],
        np.insert(SQUARE, 2, [(60, -15.001), (20, -14.999)], axis=0)[[0, 1, 2, 3, 4, 5]],
    ],
    ids=["not a number", "a line", "crossing", "a spike"],
)
def test_an_outline_that_cannot_be_used_is_refused_without_a_cure(points: np.ndarray):
    section = Section(Outline("free", 40, 30, points=points), Outline.free(SQUARE * 0.8))
    with pytest.raises(RecipeError) as caught:
        design(recipe_of(groove_depth_mm=0.5), section)
    assert (caught.value.field, caught.value.works) == ("section", None)


def test_points_that_say_nothing_change_nothing():
    plain, busy = (Section(Outline.free(points), Outline.free(points * 0.8)) for points in (SQUARE, doubled(SQUARE)))
    fittings = [design(recipe_of(groove_depth_mm=0.5), section) for section in (plain, busy)]
    assert fittings[1].mesh.volume == pytest.approx(fittings[0].mesh.volume, rel=1e-9)
    assert_sound(fittings[1])


def doubled(points: np.ndarray) -> np.ndarray:
    """Every corner twice, and a point in the middle of every side."""
    return np.stack([points, points, (points + np.roll(points, -1, axis=0)) / 2], axis=1).reshape(-1, 2)


@pytest.mark.parametrize("error", [0, -1, 1e-9, math.nan, 5])
def test_chord_errors_that_make_no_sense_are_refused(error: float):
    with pytest.raises(ValueError, match=r"choose 0\.0005 to 1 mm"):
        design(Recipe(), TUBE, chord_error_mm=error)


def test_the_window_takes_as_many_grooves_as_the_recipe():
    most = int(declared_in(Recipe)["groove_count"].field.most)
    many = recipe_of(spigot_mm=200, groove_count=most, groove_width_mm=1.0, groove_depth_mm=0.5)
    assert resolve(many, TUBE).groove.count == most == 40
    assert refusal(recipe_with(many, groove_count=most + 1)).works == most
