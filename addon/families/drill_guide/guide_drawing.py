# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensioned drawing of a drill guide: cut along the tube through hole 1, and across it there."""

from __future__ import annotations

import math

import numpy as np
from manifold3d import Manifold

from ...geometry.frames import Floats
from ..dimensioned import UV, Dimension, Note, View, across, cut_along, span
from .bounds import Bush, Plan
from .sides import Entry, first_entries, say_numbers

_TUBE_SHOWN_MM = 15.0
"""How much of the tube is drawn past the guide."""


def along_view(plan: Plan, solid: Manifold, top: float, bottom: float, stop: float) -> View:
    """Through the tube's axis; hole 1 is at the right."""
    first, place = plan.bushes[0], plan.place
    degrees = math.degrees(first.entry.angle)
    cut = cut_along(solid, degrees)
    towards = math.radians(place.mitre_direction_deg - degrees)
    lean = math.tan(math.radians(place.mitre_deg)) * math.cos(towards)
    low, high = bottom - _TUBE_SHOWN_MM, 0.0 if stop else top + _TUBE_SHOWN_MM
    sides = zip(across(place.section.outer, degrees), across(place.section.bore, degrees), strict=True)

    def rim(u: float) -> UV:
        return u, high - u * lean if stop else high

    tube = tuple(np.array([rim(outside), (outside, low), (inside, low), rim(inside)]) for outside, inside in sides)
    right = span(np.concatenate(cut), 0)[1]
    start = top - stop if stop else first.entry.point[2]
    dimensions = [Dimension((right, top), (right, bottom), "left", "length", (top - bottom,))]
    rows: dict[float, list[Entry]] = {}
    for entry in first_entries(place.entries):
        rows.setdefault(round(entry.point[2], 2), []).append(entry)
    for row, holes in enumerate(rows.values()):
        down = start - holes[0].point[2]
        if down > 0.005:
            which = say_numbers([entry.hole for entry in holes])
            name, end = f"{which} from {'the stop' if stop else 'hole 1'}", (right, holes[0].point[2])
            dimensions.append(Dimension((right, start), end, "right", name, (down,), row=row, at_end=True))
    return View(
        cut=cut,
        tube=tube,
        axis=True,
        dimensions=dimensions,
        notes=[*_in_plane(first, degrees), *([Note((0.0, top), "stop {}", (stop,))] if stop else [])],
        caption=f"Section through hole 1; holes from {'the stop' if stop else 'hole 1'}",
    )


def _in_plane(bush: Bush, degrees: float) -> list[Note]:
    """What of a bush the section through it shows."""
    way = math.radians(degrees)
    along = np.array([[math.cos(way), math.sin(way), 0.0], [0.0, 0.0, 1.0]])

    def at(height: float) -> UV:
        u, v = along @ bush.at(height)
        return float(u), float(v)

    return [
        Note(at(bush.reach_mm), "bush ⌀ {} × {}", (bush.bore_mm, bush.length_mm)),
        Note(at(bush.chip_mm / 2), "chip room {}", (bush.chip_mm,)),
    ]


def across_view(plan: Plan, solid: Manifold, top: float, bottom: float) -> View:
    """Square to the axis at hole 1, seen from the end that the arrow points to."""
    section, first = plan.place.section, plan.bushes[0]
    cut = solid.slice(first.entry.point[2]).to_polygons()
    (left, right), (front, back) = (span(section.outer.polygon(), axis) for axis in (0, 1))
    (far_left, _), (low, _) = (span(np.concatenate(cut), axis) for axis in (0, 1))
    round_tube = section.outer.shape == "circle"
    dimensions = [Dimension((left, low), (right, low), "below", "tube", (right - left,), "⌀" if round_tube else "")]
    if not round_tube:
        dimensions.append(Dimension((far_left, front), (far_left, back), "left", "tube", (back - front,)))
    place = _seen(plan)
    notes = [Note((float(place[0]), float(place[1])), "wall {}, gap {}", (plan.thickness_mm, plan.gap_mm))]
    for bush in plan.bushes:
        if abs(bush.entry.point[2] - first.entry.point[2]) < bush.bore_mm / 2:
            u, v, _ = bush.at(bush.reach_mm).tolist()
            said = f"hole {bush.entry.hole}, drill ⌀ {{}}"
            notes.append(Note((u, v), said, (bush.drill_mm,), "left" if u < 0 else "right", fractions=True))
    tube: tuple[Floats, ...] = (section.outer.polygon(), section.bore.polygon()[::-1])
    return View(cut=cut, tube=tube, dimensions=dimensions, notes=notes, caption="Across hole 1")


def _seen(plan: Plan) -> Floats:
    """(2,): a place of the wall away from hole 1."""
    outline = plan.bore.offset(plan.thickness_mm / 2).polygon()
    side = np.array(plan.side if plan.side is not None else (1.0, 0.0))
    first = np.array(plan.bushes[0].entry.axis[:2])
    worth = outline @ side - 2 * np.abs(outline @ first)
    return outline[int(worth.argmax())]
