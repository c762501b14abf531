# SPDX-License-Identifier: GPL-3.0-or-later
"""A cap's spigot on a pad, for the fit ladder."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

from ...fields.refusals import RecipeError
from ...geometry.sections import Section
from ...shaping.features import BoltHole, Grooves, Vent
from ..spigot_limits import FitName
from .cap import Cap
from .design import design
from .recipe import Recipe

_LIP_MM = 1.0


def ladder_slice(recipe: Recipe, section: Section, gap_mm: float, base_mm: float, grip_mm: float | None) -> Cap:
    """A spigot ``grip_mm`` long and without grooves, or the whole one, on a flat crown. Raises ``RecipeError``.

    A glued one has no ribs, which would hide the gap. Its fit class is any that allows the gap: a ladder also has to
    try gaps beside the right one.
    """
    ribs = replace(recipe.rib, count=0) if recipe.fit == "glue" else recipe.rib
    pad = replace(
        recipe, crown="flat", rise_mm=base_mm, edge="square", lip_mm=_LIP_MM, gap_mm=gap_mm, vent=Vent(),
        hole=BoltHole(), rib=ribs,
    )  # fmt: skip
    if grip_mm is not None:
        pad = replace(pad, spigot_mm=grip_mm, groove=Grooves(count=0))
    refusal: RecipeError | None = None
    for fit in sorted(get_args(FitName), key=lambda fit: fit != recipe.fit):
        try:
            return design(replace(pad, fit=fit), section)
        except RecipeError as error:
            refusal = refusal or error
    assert refusal is not None
    raise refusal
