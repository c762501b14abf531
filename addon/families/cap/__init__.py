# SPDX-License-Identifier: GPL-3.0-or-later
"""Caps, feet and plugs for open tube ends: a recipe and a section in, a closed solid out."""

from ..family import EndPlace, Family
from .bounds import resolve
from .cap import Cap
from .design import at_place, design, passes
from .ladder import ladder_slice
from .recipe import Recipe

CAP = Family(
    name=Cap.family,
    table="fitting",
    recipe=Recipe,
    label="Cap",
    plural="caps",
    sites=lambda takeoff: [end for end in takeoff.ends if end.open],
    place=EndPlace.of,
    design=at_place,
    frees_holes=lambda recipe: bool(recipe.cross.kind == "free"),
    passes=passes,
    depth_mm=lambda recipe: float(recipe.spigot_mm),
    slice=ladder_slice,
    chief=("crown", "rise_mm", "lip_mm", "spigot_mm", "fit", "gap_mm", "groove_count"),
    beside={"Vent": "vent", "Hole and Hollow": "hole"},
)

__all__ = ["CAP", "Cap", "Recipe", "design", "resolve"]
