# SPDX-License-Identifier: GPL-3.0-or-later
"""Features from nothing to 0.2 mm, over every kind of section and mitre: made, or refused with a value that is made.

Volumes are shapely's, layer by layer, or the kernel's own areas of what is cut off or put on, times its length.
"""

from __future__ import annotations

import math
from itertools import cycle

import pytest
from fitting_cases import SECTIONS, assert_sound
from recipes import recipe_of, recipe_with
from test_fitting_random import FINE, expected_volume

from addon.families.cap import Recipe, design
from addon.families.fitting import Fitting
from addon.fields.refusals import RecipeError
from addon.geometry.sections import Section
from addon.shaping.contours import Contour, Fineness
from addon.shaping.cutters import seam_strip

STEPS = {name: ((0.0, 0.02, 0.1), (0.01, 0.05, 0.15, 0.2))[number % 2] for number, name in enumerate(SECTIONS)}
MITRES = (0.0, 1.0, 45.0)
FLAT = {"crown": "flat", "rise_mm": 3.0, "groove_count": 0}
FEATURES = {
    "rounded edge": lambda step: {**FLAT, "edge": "rounded", "edge_mm": step},
    "chamfered edge": lambda step: {**FLAT, "edge": "chamfered", "edge_mm": step},
    "groove's depth": lambda step: {"groove_depth_mm": step},
    "groove's width": lambda step: {"groove_width_mm": 0.4 + step, "groove_depth_mm": 0.3},
    "lead-in": lambda step: {"lead_in_mm": step},
    "lip": lambda step: {"lip_mm": step},
}
PLAIN = {"crown": "flat", "rise_mm": 3.0, "groove_count": 0, "lead_in_mm": 0.0, "rib_count": 0}
CUT = {
    "notch": lambda step: {"seam_relief": "notch", "seam_width_mm": 0.4 + step, "seam_depth_mm": step + 0.1},
    "vent": lambda step: {"vent": "hole", "vent_width_mm": step + 0.4},
    "channel": lambda step: {"vent": "channel", "vent_width_mm": step + 0.4, "vent_depth_mm": step + 0.2},
    "ribs": lambda step: {"fit": "press", "rib_count": 3, "rib_height_mm": step, "gap_mm": 0.0},
}


def made(recipe: Recipe, section: Section, mitre: float) -> Fitting:
    """The fitting, with every value taken that is offered."""
    for _ in range(10):
        try:
            return design(recipe, section, mitre_deg=mitre, mitre_direction_deg=30.0, facets=FINE)
        except RecipeError as refusal:
            assert refusal.works is not None, refusal
            recipe = recipe_with(recipe, **{refusal.field: refusal.works})
    raise AssertionError("the values offered go round in circles")


@pytest.mark.once
@pytest.mark.parametrize("feature", FEATURES)
@pytest.mark.parametrize(("name", "steps"), STEPS.items())
def test_small_features_of_the_plain_shape(name: str, steps: tuple[float, ...], feature: str):
    for mitre, step in zip(cycle(MITRES), steps, strict=False):
        fitting = made(recipe_of(rib_count=0, **FEATURES[feature](step)), SECTIONS[name], mitre)
        assert_sound(fitting)
        near = (
            6e-5 if fitting.recipe.crown != "flat" or name == "rectangular" else 1e-6
        )  # domes and corners have facets
        assert fitting.mesh.volume == pytest.approx(expected_volume(fitting), rel=near), (mitre, step)


@pytest.mark.once
@pytest.mark.parametrize("feature", CUT)
@pytest.mark.parametrize(("name", "steps"), STEPS.items())
def test_small_features_that_are_cut_off_or_put_on(name: str, steps: tuple[float, ...], feature: str):
    for mitre, step in zip(cycle(MITRES), steps, strict=False):
        fitting = made(recipe_of(**{**PLAIN, **CUT[feature](step)}), SECTIONS[name], mitre)
        recipe = fitting.recipe
        assert_sound(fitting, int(recipe.vent.kind == "hole"))
        plain = made(recipe_with(recipe, vent="none", seam_relief="none", rib_count=0), SECTIONS[name], mitre)
        contour = Contour(fitting.profile.spigot_outline, Fineness(FINE, 0.01))
        changed = fitting.mesh.volume - plain.mesh.volume
        expected = -(contour.grown(0.0) ^ seam_strip(recipe.seam, contour)).area() * recipe.spigot_mm
        if recipe.rib.count:
            # At its tip a rib grows from nothing over twice its height.
            long = recipe.spigot_mm - recipe.rib.height_mm
            expected += (fitting.spigot.section(contour) - contour.grown(0.0)).area() * long
        if recipe.vent.kind == "hole":
            facet = math.pi / FINE
            expected -= (
                FINE
                * recipe.vent.width_mm**2
                / 4
                * math.sin(facet)
                * math.cos(facet)
                * (recipe.spigot_mm + recipe.rise_mm / math.cos(math.radians(mitre)))
            )
        if recipe.vent.kind == "channel":
            assert -0.01 * plain.mesh.volume < changed < 0
        else:
            assert changed == pytest.approx(expected, rel=0.02), (mitre, step)
