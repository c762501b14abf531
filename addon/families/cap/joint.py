# SPDX-License-Identifier: GPL-3.0-or-later
"""The room between a spigot and its bore."""

from __future__ import annotations

from ...geometry.sections import Section
from ...shaping.contours import Contour, Fineness
from .cutters import channel_strip, seam_strip
from .recipe import Recipe

_FINENESS = Fineness(720, 0.001)
"""Of a whole circle: areas between two outlines of the same facets are then right to 0.002 %."""


def room_for_glue(recipe: Recipe, section: Section) -> float:
    """What fills the gap from the shoulder to the lead-in, the grooves and the seam relief, in mm³; a vent channel
    stays free. ``recipe`` is a resolved one without ribs. By Pappus's theorem, written for any outline: area times
    length."""
    bore = Contour(section.bore, _FINENESS)
    spigot = bore.moved(-float(recipe.gap_mm or 0))
    room, relief = bore.grown(0.0) - channel_strip(recipe, spigot), seam_strip(recipe, spigot)
    length, grooves = recipe.spigot_mm - recipe.lead_in_mm, recipe.groove.count * recipe.groove.width_mm
    volume = (room - (spigot.grown(0.0) - relief)).area() * (length - grooves)
    if grooves:
        volume += (room - (spigot.grown(-recipe.groove.depth_mm) - relief)).area() * grooves
    return volume
