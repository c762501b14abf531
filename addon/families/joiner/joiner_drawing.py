# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensioned drawings of a joiner: in its two tubes, cut in the plane of their axes, and across a spigot.

The first tube's axis runs up, so that the second one runs on upward, or off to the side at a corner.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from manifold3d import Manifold

from ...geometry.frames import Floats, Frame
from ...geometry.polygons import nearest
from ...shaping.contours import Contour, Fineness
from ...takeoff.sites import IN_LINE_DEG
from ..dimensioned import UV, Dimension, Margin, Note, View, across, span
from .place import JointPlace
from .screws import ScrewHole
from .side import JoinerSide

_TUBE_SHOWN = 1.15
"""How much of each tube is drawn, in lengths of its spigot."""
_SHARP_MM = 0.005
_STRAIGHT = 1e-3
_FINENESS = Fineness(None, 0.01)


def section_view(sides: Sequence[JoinerSide], solid: Manifold, place: JointPlace) -> View:
    """In the plane of both axes, or through the first tube's width."""
    first, corner = sides[0], place.angle_deg < IN_LINE_DEG
    turned = first.frame.turned(first.end.mitre_direction_deg if corner else 0.0)
    plane = Frame(first.frame.origin, np.array([turned.x, turned.z, -turned.y]))
    cut = solid.transform(np.column_stack([plane.axes, -plane.axes @ plane.origin])).slice(0.0).to_polygons()
    drawn = [_Drawn(side, plane) for side in sides]
    dimensions = [dimension for side in drawn for dimension in side.dimensions()]
    alike = sides[1].recipe == sides[0].recipe and sides[1].end.section == first.end.section
    notes = [note for side in drawn for note in side.notes(said=side is drawn[0] or not alike)]
    if first.recipe.between != "web":
        points = np.concatenate(cut)
        u, v = points[points[:, 0].argmin()].tolist()
        notes.append(Note((u, v), f"{first.recipe.between} {{}}", (place.gap_mm,), "left"))
    caption = "Section" if first.end.section.kind == "round" else "Section through the width"
    if corner:
        notes.append(Note((0.0, 0.0), f"{place.angle_deg:.4g}° between the tubes", margin="left"))
        caption = "Section in the plane of both tubes"
    tube = [wall for side in drawn for wall in side.walls()]
    return View(cut=cut, tube=tube, dimensions=dimensions, notes=notes, caption=caption)


@dataclass(frozen=True, eq=False)
class _Drawn:
    """A spigot in its tube as the section's plane cuts it."""

    side: JoinerSide
    plane: Frame
    """u, v and towards the eye, in the joiner's frame."""

    @cached_property
    def angle_deg(self) -> float:
        """In which direction, square to its axis, the plane cuts it."""
        aside = self.side.frame.axes @ np.cross(self.side.frame.z, self.plane.z)
        return math.degrees(math.atan2(aside[1], aside[0]))

    def at(self, aside: float, along: float) -> UV:
        """A place so far aside of its axis and, from where it begins to be whole, along it."""
        angle = math.radians(self.angle_deg)
        point = aside * math.cos(angle), aside * math.sin(angle), along - self.side.shift_mm
        u, v, _ = self.plane.to_local(self.side.frame.to_world(point)).tolist()
        return u, v

    def at_rim(self, aside: float) -> UV:
        end, angle = self.side.end, math.radians(self.angle_deg)
        lean = math.tan(math.radians(end.mitre_deg)) * math.cos(angle - math.radians(end.mitre_direction_deg))
        return self.at(aside, self.side.shift_mm - aside * lean)

    def walls(self) -> list[Floats]:
        """The tube's."""
        section, far = self.side.end.section, -_TUBE_SHOWN * self.side.spigot.length_mm
        (left, right), (bore_left, bore_right) = (
            across(outline, self.angle_deg) for outline in (section.outer, section.bore)
        )
        return [
            np.array([self.at_rim(a), self.at(a, far), self.at(b, far), self.at_rim(b)])
            for a, b in ((left, bore_left), (bore_right, right))
        ]

    def dimensions(self) -> list[Dimension]:
        """Those that run across or up on the drawing; a spigot that leans has notes in their place."""
        margins = self._margins()
        if margins is None:
            return []
        length, foot = self.side.spigot.length_mm, self.side.spigot.lead_in_mm - self.side.spigot.length_mm
        left, right = across(self.side.outline, self.angle_deg)
        sign = "⌀" if self.side.outline.shape == "circle" else ""
        beyond, beside = margins
        return [
            Dimension(self.at(left, foot), self.at(right, foot), beyond, "spigot", (right - left,), sign),
            Dimension(self.at(right, 0.0), self.at(right, -length), beside, "spigot", (length,)),
        ]

    def notes(self, said: bool) -> list[Note]:
        """``said`` is whether those that the other spigot has too are its own to say."""
        side, spigot = self.side, self.side.spigot
        left, right = across(side.outline, self.angle_deg)
        bore_right = across(side.end.section.bore, self.angle_deg)[1]
        gap = float(side.recipe.gap_mm or 0.0)
        half = -spigot.length_mm / 2
        words = "bites {}" if gap < 0 else "gap {}"
        notes = [Note(self.at((right + bore_right) / 2, half), words, (abs(gap),), in_place=True)]
        if self._margins() is None:
            notes.append(Note(self.at(right, half), "spigot {} × {} long", (right - left, spigot.length_mm)))
        if said:
            notes += self._told_once()
        for hole in side.holes:
            u, v, _ = self.plane.to_local(side.frame.to_world(hole.place)).tolist()
            wide = hole.diameter_mm + 2 * side.recipe.cross.room_mm
            notes.append(Note((u, v), "hole ⌀ {}, {} from the tube's end", (wide, hole.distance_mm)))
        return notes

    def _told_once(self) -> list[Note]:
        """Of the lead-in and the grooves."""
        side, spigot = self.side, self.side.spigot
        left, notes = across(side.outline, self.angle_deg)[0], []
        if spigot.lead_in_mm:
            tip = self.at(left + spigot.lead_in_mm / 2, spigot.lead_in_mm / 2 - spigot.length_mm)
            notes.append(Note(tip, "lead-in {} × 45°", (spigot.lead_in_mm,), "left"))
        for groove in spigot.grooves[-1:]:
            where = self.at(left + spigot.groove_depth_mm / 2, groove.bottom)
            count = f"{len(spigot.grooves)} × groove" if len(spigot.grooves) > 1 else "groove"
            size = groove.top - groove.bottom, spigot.groove_depth_mm
            notes.append(Note(where, f"{count} {{}} × {{}}", size, "left"))
        return notes

    def _margins(self) -> tuple[Margin, Margin] | None:
        """Where words stand past its tip and beside it; None if it leans."""
        u, v, _ = (self.plane.axes @ -self.side.frame.z).tolist()
        if abs(u) < _STRAIGHT:
            return ("above" if v > 0 else "below"), "right"
        if abs(v) < _STRAIGHT:
            return ("right" if u > 0 else "left"), "above"
        return None


def across_view(side: JoinerSide, screws: Sequence[ScrewHole]) -> View:
    """Square to a tube's axis, seen from its tip: the spigot in its tube, with what runs along it."""
    mirror, spigot = np.array([-1.0, 1.0]), side.spigot
    section, contour = side.end.section, Contour(side.outline, _FINENESS)
    cut = [loop * mirror for loop in spigot.section(contour).to_polygons()]
    (left, right), (front, back) = (span(side.outline.polygon() * mirror, axis) for axis in (0, 1))
    sign = "⌀" if side.outline.shape == "circle" else ""
    dimensions = [Dimension((left, 0.0), (right, 0.0), "below", "spigot", (right - left,), sign)]
    if not sign:
        dimensions.append(Dimension((right, front), (right, back), "right", "spigot", (back - front,)))
    notes = []
    if side.outline.shape == "rectangle" and side.outline.corner_radius > _SHARP_MM:
        inset = side.outline.corner_radius * (1 - math.sqrt(0.5))
        notes.append(Note((right - inset, back - inset), "R {}", (side.outline.corner_radius,)))
    if side.recipe.seam.kind == "sides":
        notes.append(Note((left + side.recipe.seam.room_mm, 0.0), "sides back {}", (side.recipe.seam.room_mm,), "left"))
    if spigot.rib_mm:
        points = np.concatenate(cut)
        crest = points[nearest(side.outline.polygon() * mirror, points)[0].argmax()]
        u, v = crest.tolist()
        notes.append(Note((u, v), "ribs {} high", (spigot.rib_mm,), "left" if u < 0 else "right"))
    for hole in screws[:1]:
        angle = math.radians(hole.angle_deg)
        out = across(section.outer, hole.angle_deg)[1]
        u, v = -out * math.cos(angle), out * math.sin(angle)
        words = f"{side.recipe.screw.thread}: tube ⌀ {{}}"
        notes.append(Note((u, v), words, (hole.diameter_mm,), "left" if u < 0 else "right"))
    wall = section.outer.cross_section() - section.bore.cross_section()
    tube = [loop * mirror for loop in wall.to_polygons()]
    return View(cut=cut, tube=tube, dimensions=dimensions, notes=notes, caption="Across the spigot, from its tip")
