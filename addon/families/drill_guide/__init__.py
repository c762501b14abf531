# SPDX-License-Identifier: GPL-3.0-or-later
"""Drill guides for the holes in tubes: a recipe and a pattern of holes in, a closed solid out."""

from dataclasses import replace

from ..family import Family
from .design import design
from .guide import DrillGuide
from .patterns import GuidePlace, Pattern, patterns
from .recipe import GuideRecipe

DRILL_GUIDE = Family(
    name=DrillGuide.family,
    table="drill_guide",
    recipe=GuideRecipe,
    label="Drill Guide",
    plural="drill guides",
    sites=patterns,
    low_sites=patterns,
    place=Pattern.place,
    design=design,
    serves="hole",
    stays=False,
    marked=lambda place, id: replace(place, mark=id),
    beside={"Drill Bushes": "drill"},
)

__all__ = ["DRILL_GUIDE", "DrillGuide", "GuidePlace", "GuideRecipe", "Pattern", "design", "patterns"]
