# SPDX-License-Identifier: GPL-3.0-or-later
"""Glue: how much surface it holds by, and how much of it a joint takes. docs/bench.md has the sums."""

from __future__ import annotations

from dataclasses import dataclass

from ..families.cap.recipe import Recipe
from ..geometry.polygons import edge_lengths
from ..geometry.sections import Outline, Section

_FACETS = 720
"""Of a whole circle: an outline's length is then right to 0.001 %."""


@dataclass(frozen=True)
class GlueJoint:
    gap_mm: float
    """Per side."""
    bond_area_mm2: float
    """Side of the spigot from the shoulder to the lead-in, without groove openings, vent channel and seam relief."""
    volume_mm3: float
    """What fills the gap along that length, and the grooves."""


def glue_joint(recipe: Recipe, section: Section) -> GlueJoint | None:
    """The joint between a spigot and its bore; None where the fit class is not "glue".

    ``recipe`` has its gap decided. The volume goes by Pappus's theorem, written for any outline: area between two
    outlines times length.
    """
    if recipe.fit != "glue":
        return None
    if recipe.gap_mm is None:
        raise ValueError("the recipe's gap is not decided yet; resolve it for the section first")
    # All three outlines as polygons of the same facets, so that what a facet takes away cancels in the differences.
    bore = Outline.free(section.bore.polygon(_FACETS))
    spigot = bore.offset(-recipe.gap_mm)
    length = recipe.spigot_mm - recipe.lead_in_mm
    grooves = recipe.groove_count * recipe.groove_width_mm
    around = float(edge_lengths(spigot.polygon()).sum())
    if recipe.vent == "channel":
        around -= recipe.vent_width_mm
    if recipe.seam_relief != "none":
        around -= recipe.seam_width_mm
    volume = (bore.area - spigot.area) * length
    if recipe.groove_count:
        volume += (spigot.area - spigot.offset(-recipe.groove_depth_mm).area) * grooves
    return GlueJoint(recipe.gap_mm, around * (length - grooves), volume)
