# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensioned drawing of a cap: cut through the tube's width, or in the plane in which its rim leans."""

from __future__ import annotations

import numpy as np
from manifold3d import Manifold

from ...geometry.frames import Floats
from ...geometry.sections import Section
from ...shaping.spigots import Spigot
from ..dimensioned import UV, Dimension, Note, View, across, span
from .profiles import CapProfile
from .recipe import Recipe

_SHARP_MM = 0.005
"""Corner radii below this are not worth a note."""
_TUBE_SHOWN = 1.25
"""How much of the tube is drawn, in lengths of the spigot."""


def section_view(
    recipe: Recipe,
    spigot: Spigot,
    section: Section,
    profile: CapProfile,
    solid: Manifold,
    mitre_deg: float,
    direction_deg: float,
) -> View:
    """Through the axis; ``recipe`` is a resolved one."""
    rise, length, lead_in = float(recipe.rise_mm or 0.0), recipe.spigot_mm, recipe.lead_in_mm
    lean, gap = float(np.tan(np.radians(mitre_deg))), float(recipe.gap_mm or 0.0)
    sign = "⌀" if section.kind == "round" else ""
    left, right = across(profile.spigot_outline, direction_deg)
    bore_left, bore_right = across(section.bore, direction_deg)
    tube_left, tube_right = across(section.outer, direction_deg)
    crown_left, crown_right = across(profile.crown_outline, direction_deg)
    cut = solid.rotate([0, 0, -direction_deg]).rotate([-90, 0, 0]).slice(0).to_polygons()

    def at(u: float, v: float) -> UV:
        """A place along the axis from the rim, which leans."""
        return u, v - u * lean

    grooves, depth, foot = spigot.grooves, spigot.groove_depth_mm, lead_in - length
    land = -min((-groove.top for groove in grooves), default=length) / 2
    dimensions = [
        Dimension(at(left, foot), at(right, foot), "below", "spigot", (right - left,), sign),
        Dimension(at(right, 0.0), at(right, -length), "right", "spigot", (length,)),
    ]
    notes = [Note(at((right + bore_right) / 2, land), "bites {}" if gap < 0 else "gap {}", (abs(gap),), in_place=True)]
    if lead_in:
        notes.append(Note(at(right - lead_in / 2, -length + lead_in / 2), "lead-in {} × 45°", (lead_in,)))
    for groove in grooves[-1:]:
        floor = left + depth, right - depth
        count = f"{len(grooves)} ×" if len(grooves) > 1 else ""
        dimensions += [
            Dimension(
                at(left, groove.top), at(left, groove.bottom), "left", "groove", (recipe.groove.width_mm,), count
            ),
            Dimension(at(left, 0.0), at(left, groove.top), "left", "land", (-groove.top,), detail=True),
            Dimension(
                at(floor[0], groove.floor_bottom),
                at(floor[1], groove.floor_bottom),
                "below",
                "floor",
                (floor[1] - floor[0],),
                sign,
                row=1,
                detail=True,
            ),
        ]
        notes.append(Note(at(left + depth / 2, groove.bottom), "{} deep", (depth,), "left", in_place=True))
        sloped = groove.top - groove.floor_top or groove.bottom - groove.floor_bottom
        if sloped:
            middle = (groove.top + groove.floor_top if sloped > 0 else groove.bottom + groove.floor_bottom) / 2
            angle = float(np.degrees(np.arctan2(depth, abs(sloped))))
            notes.append(Note(at(left + depth / 2, middle), f"roof {angle:.3g}°", margin="left", in_place=True))
    if recipe.lip_mm:
        notes.append(Note(at(tube_right, 0.0), "lip {}", (recipe.lip_mm,), in_place=True))
    if lean:
        towards, (low, high) = np.radians(mitre_deg), span(np.concatenate(cut), 1)
        notes.append(Note((rise * float(np.sin(towards)), rise * float(np.cos(towards))), "rise {}", (rise,)))
        notes.append(Note(at(left, 0.0), f"mitre {mitre_deg:.4g}°", margin="left"))
        dimensions.append(Dimension((left, low), (left, high), "left", "height", (high - low,), row=1, detail=True))
    else:
        width = (crown_right - crown_left,)
        dimensions.append(Dimension((crown_left, 0.0), (crown_right, 0.0), "above", "crown", width, sign))
        dimensions.append(Dimension((crown_left, 0.0), (0.0, rise), "left", "rise", (rise,)))
    end = min(-tube_right * lean, -tube_left * lean) - _TUBE_SHOWN * length
    tube = (
        np.array([at(tube_left, 0.0), (tube_left, end), (bore_left, end), at(bore_left, 0.0)]),
        np.array([at(bore_right, 0.0), (bore_right, end), (tube_right, end), at(tube_right, 0.0)]),
    )
    captions = "Section in the plane of the mitre" if lean else "Section" if sign else "Section through the width"
    return View(cut=cut, tube=tube, axis=True, dimensions=dimensions, notes=notes, caption=captions)


def end_view(profile: CapProfile, solid: Manifold) -> View:
    """From the tube's side, along the axis: the crown's outline and the spigot's."""
    mirror = np.array([-1.0, 1.0])
    crown: list[Floats] = [loop * mirror for loop in solid.project().to_polygons()]
    outline = profile.spigot_outline
    spigot = outline.polygon() * mirror
    (left, right), (front, back) = span(spigot, 0), span(spigot, 1)
    (crown_left, crown_right), (crown_front, crown_back) = (span(np.concatenate(crown), axis) for axis in (0, 1))
    corner = crown_left, crown_back
    dimensions = [
        Dimension(corner, (crown_right, crown_back), "above", "crown", (crown_right - crown_left,)),
        Dimension((left, front), (right, front), "below", "spigot", (right - left,)),
        Dimension((crown_left, crown_front), corner, "left", "crown", (crown_back - crown_front,)),
        Dimension((right, front), (right, back), "right", "spigot", (back - front,)),
    ]
    notes = []
    if outline.shape == "rectangle" and outline.corner_radius > _SHARP_MM:
        inset = outline.corner_radius * (1 - np.sqrt(0.5))
        notes.append(Note((right - inset, back - inset), "R {}", (outline.corner_radius,)))
    return View(seen=[*crown, spigot], dimensions=dimensions, notes=notes, caption="From the tube's side")
