# SPDX-License-Identifier: GPL-3.0-or-later
"""Plugs for the round holes in tubes: a recipe and a hole in, a closed solid out."""

from ..family import Family
from .design import design
from .plug import HolePlug
from .recipe import PlugRecipe
from .settle import resolve
from .wall import HoleMouth, HolePlace, mouths_of

HOLE_PLUG = Family(
    name=HolePlug.family,
    table="hole_plug",
    recipe=PlugRecipe,
    label="Hole Plug",
    plural="hole plugs",
    sites=mouths_of,
    place=HolePlace.of,
    design=design,
    serves="hole",
    chief=("head", "overlap_mm", "head_mm", "stem", "gap_mm"),
)

__all__ = ["HOLE_PLUG", "HoleMouth", "HolePlace", "HolePlug", "PlugRecipe", "design", "mouths_of", "resolve"]
