# SPDX-License-Identifier: GPL-3.0-or-later
"""What stands out of a guide's side, and what is cut from it: drill bushes and clamping screws.

A guide is printed with its frame's z down. Bores have a ridge for a roof, and bosses are carried by the wall under
them, so that none needs support.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from manifold3d import CrossSection, Manifold

from ...geometry.frames import Floats, Frame
from ...shaping.contours import Fineness
from ...shaping.marks import Layering
from ...trade.hardware import NUT_POCKET_GAP_MM, Thread
from .bounds import FAR_MM, LEAD_IN_MM, LEAST_WALL_MM, Bush

UP = (0.0, 0.0, -1.0)
"""As it is printed."""
SEAT_MM, POCKET_ROOM_MM = 3.0, 0.5
"""Plastic that a nut bears on, and how much deeper than the nut its pocket is."""
_LEAST_FACETS = 48
_UPRIGHT = 0.5
_FOOT_MM = 1.0
_FLAT_MM = 0.06
"""What is taken off the top of a boss, which would come to a line as it is printed."""


@dataclass(frozen=True)
class Workshop:
    """How the parts of one guide are cut. ``root_mm`` is how deep bosses go into its wall."""

    printed: Layering
    fineness: Fineness
    root_mm: float

    def circle(self, radius: float) -> CrossSection:
        return CrossSection.circle(radius, self.fineness.around(radius, _LEAST_FACETS))

    def cylinder(self, bush: Bush, radius: float, low: float, high: float, wall: float = 0.0) -> Manifold:
        """Along a bush's axis between two heights over the tube: a bore, or a bore with its wall. Round but for its
        roof, which is a ridge with sides of 45°; roof and floor are a bead wide, since narrower ones close up."""
        upright = math.hypot(*bush.entry.axis[:2]) > _UPRIGHT
        section = self._ridged(radius, wall) if upright else self.circle(radius + wall)
        return along(Frame.along(bush.at(low), bush.entry.axis, UP), section, high - low)

    def _ridged(self, radius: float, wall: float = 0.0) -> CrossSection:
        section, ridge, flat = self.circle(radius + wall), math.sqrt(2) * radius, 1.1 * self.printed.bead_mm
        if wall:
            return CrossSection.batch_hull([section, self.circle(wall).translate((ridge, 0.0))])
        edge = CrossSection.square((1e-3, flat), True)
        return CrossSection.batch_hull([section, *(edge.translate((x, 0.0)) for x in (-radius, ridge - flat / 2))])

    def bush(self, bush: Bush) -> Manifold:
        solid = self.cylinder(bush, bush.bore_mm / 2, -self.root_mm, bush.reach_mm, bush.wall_mm + _FLAT_MM)
        return self.carried(solid, bush.at(0.0), np.array(bush.entry.axis), bush.reach_mm, bush.radius_mm)

    def bore(self, bush: Bush) -> Manifold:
        """Room for chips, narrowing to a printed bush, or to a ledge under a steel one; the bush; and its lead-in."""
        radius, narrower = bush.bore_mm / 2, max((bush.chip_width_mm - bush.bore_mm) / 2, 0.0)
        low, mouth, far = -bush.chip_width_mm, bush.reach_mm - LEAD_IN_MM, 2 * self.root_mm
        room = self.cylinder(bush, bush.chip_width_mm / 2, low, bush.chip_mm - narrower)
        if narrower:
            room = Manifold.batch_hull([room, self.cylinder(bush, radius, low, bush.chip_mm)])
        wide = self.cylinder(bush, radius + LEAD_IN_MM + far, bush.reach_mm + far, bush.reach_mm + 2 * far)
        lead_in = Manifold.batch_hull([self.cylinder(bush, radius, mouth, mouth + _FOOT_MM), wide])
        return room + self.cylinder(bush, radius, bush.chip_mm - 1e-3, mouth + _FOOT_MM) + lead_in

    def carried(self, solid: Manifold, point: Floats, axis: Floats, reach: float, radius: float) -> Manifold:
        """With what carries it: it leans outward from a foot on the wall below, no further than the process carries.
        One that leans up is filled up to its top, over which no edge then stands out."""
        rise = reach * float(axis[2])
        drop = max(math.hypot(axis[0], axis[1]) * reach * self.printed.rise + rise, 0.0)
        foot = along(Frame.along(point - _FOOT_MM * axis, axis, UP), self.circle(radius), _FOOT_MM)
        hull = Manifold.batch_hull([solid, *(foot.translate((0.0, 0.0, down)) for down in (drop, min(rise, 0.0)))])
        return hull.trim_by_plane((0.0, 0.0, 1.0), hull.bounding_box()[2] + _FLAT_MM)

    def screw(self, point: Floats, axis: Floats, gap_mm: float, thread: Thread) -> tuple[Manifold, Manifold]:
        """The boss of a clamping screw, and what is cut from it: a nut's pocket on the tube's side, so that the nut
        bears on plastic as the screw presses on the tube."""
        pocket = gap_mm + thread.nut_height_mm + POCKET_ROOM_MM
        reach, half, corner = pocket + SEAT_MM, screw_radius(thread), _nut_radius(thread)
        start = point - self.root_mm * axis
        solid = along(Frame.along(start, axis, UP), self.circle(half + _FLAT_MM), self.root_mm + reach)
        turn, flat = (np.arange(6) + 0.5) * np.pi / 3, 0.55 * self.printed.bead_mm
        ridge = corner * (math.sqrt(0.75) + 0.5) - flat
        corners = np.vstack([corner * np.column_stack([np.cos(turn), np.sin(turn)]), (ridge, flat), (ridge, -flat)])
        frame = Frame.along(point - axis, axis, UP)
        cut = along(frame, CrossSection.hull_points(corners), 1 + pocket)
        cut += along(frame, self._ridged(thread.clearance_mm / 2), FAR_MM)
        return self.carried(solid, point, axis, reach, half), cut


def screw_radius(thread: Thread) -> float:
    """Of a screw's boss."""
    return _nut_radius(thread) + 2 * LEAST_WALL_MM


def _nut_radius(thread: Thread) -> float:
    """Of its pocket, to the corners."""
    return (thread.nut_across_flats_mm + 2 * NUT_POCKET_GAP_MM) / math.sqrt(3)


def along(frame: Frame, section: CrossSection, length: float, lean: Floats | None = None) -> Manifold:
    """A section in a frame's x and y, extruded along its z, or along another way."""
    way = frame.z if lean is None else lean
    return Manifold.extrude(section, length).transform(np.column_stack([frame.x, frame.y, way, frame.origin]))
