# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensioned section drawing of one fitting, in both units."""

from __future__ import annotations

import numpy as np

from ..families.fitting import Fitting
from ..geometry.frames import Floats
from ..geometry.units import MM_PER_INCH, say_inches, say_mm
from .section_drawing import Dimension, Note, View, section_drawing

_SHARP_MM = 0.005
"""Corner radii below this are not worth a note."""


def fitting_drawing(fitting: Fitting, title: str) -> str:
    """An SVG of the fitting cut through its width, or in the plane in which its rim leans where it is mitred.

    Fittings that are not round are drawn from the tube's side too.
    """
    views = [_mitred_view(fitting) if fitting.mitre_deg else _square_view(fitting)]
    if fitting.section.kind != "round":
        views.append(_end_view(fitting))
    return section_drawing(views, title)


def both_units(mm: float) -> str:
    """``"25.4 mm (1 in)"``, ``"18.75 mm (0.738 in)"``: a whole sixteenth of an inch, else thousandths."""
    return f"{say_mm(mm)} ({say_inches(mm, 16) or f'{mm / MM_PER_INCH:.3f} in'})"


def cut_open(fitting: Fitting) -> list[Floats]:
    """The outlines that a knife along the axis leaves: towards the mitre (for square ends along the width), and up."""
    return list(fitting.solid.rotate([0, 0, -fitting.mitre_direction_deg]).rotate([-90, 0, 0]).slice(0).to_polygons())


def _square_view(fitting: Fitting) -> View:
    recipe, sign = fitting.recipe, "⌀ " if fitting.section.kind == "round" else ""
    rise, length, lead_in = float(recipe.rise_mm or 0), recipe.spigot_mm, recipe.lead_in_mm
    (left, right), (crown_left, crown_right) = (
        _span(outline.polygon(), 0) for outline in (fitting.profile.spigot_outline, fitting.profile.crown_outline)
    )
    foot = lead_in - length
    dimensions = [
        Dimension((crown_left, 0), (crown_right, 0), "above", sign + both_units(crown_right - crown_left)),
        Dimension((left, foot), (right, foot), "below", sign + both_units(right - left)),
        Dimension((crown_left, 0), (0, rise), "left", both_units(rise)),
        Dimension((crown_right, 0), (right - lead_in, -length), "right", both_units(length)),
    ]
    if cut := recipe.spigot.grooves:
        top, depth = cut[-1], recipe.groove.depth_mm
        floor = both_units(right - left - 2 * depth)
        width = (f"{len(cut)} × " if len(cut) > 1 else "") + both_units(recipe.groove.width_mm)
        dimensions += [
            Dimension((left, 0), (left, top.top), "left", both_units(-top.top)),
            Dimension((left, top.top), (left, top.bottom), "left", width),
            Dimension((left + depth, top.bottom), (right - depth, top.bottom), "below", sign + floor, row=1),
        ]
    chamfer = Note((right - lead_in / 2, foot - lead_in / 2), f"lead-in {say_mm(lead_in)} × 45°")
    return View(
        cut=cut_open(fitting),
        axis=True,
        dimensions=dimensions,
        notes=[chamfer] if lead_in else [],
        caption="Section" if sign else "Section through the width",
    )


def _mitred_view(fitting: Fitting) -> View:
    """What a mitred fitting is checked by: its spigot across and along the axis, its height in all, and its angle."""
    loops = cut_open(fitting)
    low, high = (float(end) for end in _span(np.concatenate(loops), 1))
    angle, lean = np.radians([fitting.mitre_direction_deg, fitting.mitre_deg])
    towards = fitting.profile.spigot_outline.polygon() @ np.array([[np.cos(angle)], [np.sin(angle)]])
    left, right = _span(towards, 0)
    rim = -right * float(np.tan(lean))
    length = fitting.recipe.spigot_mm
    dimensions = [
        Dimension((left, low), (right, low), "below", both_units(right - left)),
        Dimension((left, low), (left, high), "left", both_units(high - low)),
        Dimension((right, rim), (right, rim - length), "right", both_units(length)),
    ]
    note = Note((right, rim), f"rim {fitting.mitre_deg:.4g}° off square")
    return View(cut=loops, axis=True, dimensions=dimensions, notes=[note], caption="Section in the plane of the mitre")


def _end_view(fitting: Fitting) -> View:
    """From the tube's side, along the axis: the crown's outline and the spigot's."""
    mirror = np.array([-1.0, 1.0])
    crown = [loop * mirror for loop in fitting.solid.project().to_polygons()]
    outline = fitting.profile.spigot_outline
    spigot = outline.polygon() * mirror
    (left, right), (front, back) = _span(spigot, 0), _span(spigot, 1)
    (crown_left, crown_right), (crown_front, crown_back) = (_span(np.concatenate(crown), axis) for axis in (0, 1))
    dimensions = [
        Dimension((crown_left, crown_back), (crown_right, crown_back), "above", both_units(crown_right - crown_left)),
        Dimension((left, front), (right, front), "below", both_units(right - left)),
        Dimension((crown_left, crown_front), (crown_left, crown_back), "left", both_units(crown_back - crown_front)),
        Dimension((right, front), (right, back), "right", both_units(back - front)),
    ]
    notes = []
    if outline.shape == "rectangle" and outline.corner_radius > _SHARP_MM:
        inset = outline.corner_radius * (1 - np.sqrt(0.5))
        notes.append(Note((right - inset, back - inset), f"R {say_mm(outline.corner_radius)}"))
    return View(seen=[*crown, spigot], dimensions=dimensions, notes=notes, caption="Seen from the tube")


def _span(points: Floats, axis: int) -> tuple[float, float]:
    return float(points[:, axis].min()), float(points[:, axis].max())
