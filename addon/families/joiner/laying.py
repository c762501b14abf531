# SPDX-License-Identifier: GPL-3.0-or-later
"""How a joiner lies or stands to be printed, and what its spigots get for it.

It lies so that no layer runs across a tube's axis. Then its two spigots lie on the plate together: a curved one on a
flat, and of two that differ the lower one is cut flat too, if that does not take too much of it. In line it stands
where that cannot be.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from ...geometry.frames import Floats, Frame
from ...shaping.contours import Contour
from ...shaping.spigots import Spigot, even_grooves
from ...takeoff.sites import IN_LINE_DEG
from ...trade.processes import Process
from ..family import EndPlace
from ..spigot_limits import LEAST_FLOOR_MM
from .place import JointPlace
from .recipe import JoinerRecipe, JoinerUp
from .side import JoinerSide, cut_flat

LEANS_DEG = 45.0
"""How far the sides of a curved spigot that lies on the plate lean out at most beside its flat; common practice, no
source."""
_RIBS_LYING_DEG = (90.0, 180.0, 270.0)
"""Where three ribs of a curved spigot stand, from the plate's side on: lower ones would begin in the air."""
_RIBS_STANDING_DEG = (90.0, 210.0, 330.0)
"""The same for one that stands, clear of the screws."""
_UPRIGHT = 0.7
"""Cosine from which on a hole counts as upright."""
_MOST_CUT = 0.25
"""Share of a spigot's height that is cut off at most, so that it lies on the plate with the other one."""
_CLOSE_MM = 1e-6
_CURVED = ("circle", "ellipse")


def laid(
    recipes: tuple[JoinerRecipe, JoinerRecipe],
    place: JointPlace,
    contours: Sequence[Contour],
    up: Floats,
    process: Process | None,
) -> tuple[JoinerSide, JoinerSide]:
    """Both spigots with what the way they are printed asks for. ``up`` (3,) points up where they lie."""
    asked = recipes[0].up
    sides = _sides(recipes, place, contours, up, "lying" if asked == "auto" else asked)
    if asked != "auto" or place.angle_deg < IN_LINE_DEG:
        return sides
    length = sum(side.spigot.length_mm for side in sides) + place.gap_mm
    fits = process is None or length <= max(process.plate_mm[:2]) - 2 * process.margin_mm
    too_high = process is not None and length > process.plate_mm[2]
    first, second = _levels(sides, up)
    if too_high or (fits and abs(first - second) < _CLOSE_MM):
        return sides
    return _sides(recipes, place, contours, up, "standing")


def _sides(
    recipes: Sequence[JoinerRecipe], place: JointPlace, contours: Sequence[Contour], up: Floats, way: JoinerUp
) -> tuple[JoinerSide, JoinerSide]:
    ends = zip(recipes, place.ends, contours, place.frames, (False, True), strict=True)
    sides = [
        _side(replace(recipe, up=way), end, contour, frame, above, up) for recipe, end, contour, frame, above in ends
    ]
    screw = recipes[0].screw
    if screw.kind != "none" and abs(place.frames[0].turned(screw.angle_deg).x @ up) > _UPRIGHT:
        # A hole from above leaves no slivers beside it where a curved side is flat.
        sides = [replace(side, flat_above=math.isfinite(side.flat_mm)) for side in sides]
    levels = _levels(sides, up)
    first, second = (
        cut_flat(side, side.lowest_mm - (level - min(levels)))
        if way == "lying" and _CLOSE_MM < level - min(levels) <= 2 * _MOST_CUT * side.lowest_mm
        else side
        for side, level in zip(sides, levels, strict=True)
    )
    return first, second


def _levels(sides: Sequence[JoinerSide], up: Floats) -> list[float]:
    """How far below the joint's middle each spigot ends."""
    return [side.lowest_mm - float(up @ side.frame.origin) for side in sides]


def _side(recipe: JoinerRecipe, end: EndPlace, contour: Contour, frame: Frame, above: bool, up: Floats) -> JoinerSide:
    """Faces of grooves that are ceilings when it stands slope; lying down, none of them is one."""
    length, roof, standing = float(recipe.spigot_mm or 0), 0.0, recipe.up == "standing"
    if standing and recipe.groove.roof == "sloped" and recipe.groove.count:
        roof = min(recipe.groove.depth_mm, recipe.groove.width_mm - LEAST_FLOOR_MM)
    grooves = even_grooves(length, recipe.groove, roof, roof_down=above)
    depth = recipe.groove.depth_mm if grooves else 0.0
    spigot = Spigot(length, recipe.lead_in_mm, recipe.hollow_wall_mm, grooves, depth, recipe.seam, recipe.rib)
    down, flat = -(frame.axes @ up)[:2], math.inf
    if contour.outline.shape in _CURVED:
        if not standing:
            flat = float((contour.polygon @ down).max()) * math.cos(math.radians(LEANS_DEG))
        if recipe.rib.count == 3 and recipe.seam.kind == "none":
            towards = round(math.degrees(math.atan2(down[1], down[0])), 6)
            turns = _RIBS_STANDING_DEG if standing else _RIBS_LYING_DEG
            spigot = replace(spigot, ribs_at_deg=tuple((towards + turn) % 360 for turn in turns))
    return cut_flat(JoinerSide(recipe, end, contour.outline, spigot, frame, down), flat)
