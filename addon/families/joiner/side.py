# SPDX-License-Identifier: GPL-3.0-or-later
"""One of a joiner's two spigots."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from manifold3d import CrossSection, JoinType, Manifold, OpType

from ...geometry.frames import Floats, Frame
from ...geometry.mitres import lean
from ...geometry.sections import Outline
from ...shaping.cutters import LEAST_LAND_MM, PAST_MM, OutlinePoint, prism, sides_of
from ...shaping.features import Vent
from ...shaping.spigots import Spigot
from ...takeoff.ends import EndHole
from ..family import EndPlace
from ..fitting import Seat
from .recipe import JoinerRecipe

_UPRIGHT = 0.1
"""Cosine up to which a side stands up from the plate."""
_NEAR_MM = 0.05
"""How far past where a land begins its edge still leans."""


@dataclass(frozen=True, eq=False)
class JoinerSide:
    """A spigot is square to its tube's axis; at a mitre it goes on to the rim's plane from the height at which that
    plane first meets it."""

    recipe: JoinerRecipe
    """Resolved for its tube."""
    end: EndPlace
    outline: Outline
    """Square to the tube's axis."""
    spigot: Spigot
    frame: Frame
    """Of the tube's end, in the joiner's."""
    down: Floats
    """(2,): where the plate is, square to the tube's axis in its frame; nought where it stands."""
    flat_above: bool = False
    """Whether it is cut flat on the other side too."""
    stopped_by: EndHole | None = None
    """The hole through the tube's wall that it would be longer without."""
    short: bool = False
    """It is as long as the bore is clear, which is less than usual."""

    @property
    def flat_mm(self) -> float:
        """How far from the axis it is cut flat towards the plate; no limit where it is not."""
        return self.spigot.flat[2] if self.spigot.flat else math.inf

    @property
    def rim_z(self) -> float:
        """Where its rim lies in the joiner's frame."""
        return float(self.frame.origin[2])

    @property
    def out(self) -> int:
        """Which way along the joiner's z its rim faces."""
        return 1 if self.frame.z[2] > 0 else -1

    @cached_property
    def shift_mm(self) -> float:
        """How far from the rim, along the axis, it begins to be whole."""
        return mitre_shift(self.outline, self.end)

    @cached_property
    def holes(self) -> tuple[EndHole, ...]:
        """Those through the tube's walls that go on through it."""
        return holes_passed(self.recipe, self.end, self.shift_mm)

    @cached_property
    def to_joiner(self) -> Floats:
        """(3, 4): takes the spigot, whole from z = 0 down, to its place."""
        return np.column_stack([self.frame.axes.T, self.frame.to_world((0.0, 0.0, -self.shift_mm))])

    def in_rim_plane(self, plan: Floats) -> Floats:
        """(n, 3): points (n, 2) of the rim's plane, seen square to it from outside, in the joiner's frame."""
        axes = lean(self.end.mitre_deg, self.end.mitre_direction_deg).T @ self.frame.axes
        points = plan @ axes[:2] + self.frame.origin
        points[:, 2] = self.rim_z
        return points

    @property
    def seat(self) -> Seat:
        recipe = self.recipe
        return Seat(
            self.end.section,
            recipe.fit,
            float(recipe.gap_mm or 0.0),
            recipe.seam.room_mm,
            self.outline,
            self.end.section.bore,
            self.spigot.length_mm,
            recipe.lead_in_mm,
            self.spigot.rib_mm,
        )

    def up_to_rim(self, section: CrossSection, bottom: float) -> Manifold:
        """A prism along the tube, from below the whole spigot's end to the rim's plane, in the joiner's frame."""
        upright = prism(section, bottom, 2 * self.shift_mm + PAST_MM).transform(self.to_joiner)
        return upright.trim_by_plane((0.0, 0.0, -self.out), -self.out * self.rim_z)

    @property
    def lowest_mm(self) -> float:
        """How far from the axis it reaches towards the plate, its ribs included."""
        reach = float((self.outline.polygon() @ self.down).max()) + self.spigot.rib_mm
        return min(self.flat_mm, reach)

    def glue_mm3(self, wider_mm: float) -> float:
        """What fills the room beside it where its gap comes out so much wider than drawn."""
        bore, outline = self.end.section.bore, self.outline.offset(-wider_mm)
        beside = self.spigot.room_in(bore, outline, Vent()) + (bore.area - outline.area) * self.shift_mm
        return beside + (self.flat ^ self.outline.cross_section()).area() * (self.spigot.length_mm + self.shift_mm)

    def crushed(self) -> Manifold | None:
        """Where its ribs stand past its outline, in the joiner's frame."""
        if not self.spigot.rib_mm:
            return None
        outline = self.outline.cross_section()
        around = outline.offset(2 * self.spigot.rib_mm, JoinType.Miter, 4.0) - outline
        return self.up_to_rim(around, -self.spigot.length_mm - PAST_MM)

    @property
    def flat_deg(self) -> float | None:
        """Where around it the flat is; None if it has none."""
        return math.degrees(math.atan2(self.down[1], self.down[0])) if math.isfinite(self.flat_mm) else None

    @property
    def flat(self) -> CrossSection:
        """What is cut off it, square to the axis, so that it lies on the plate."""
        if not math.isfinite(self.flat_mm):
            return CrossSection()
        far = 2 * (self.outline.width + self.outline.depth)
        ways = self.down, -self.down
        under, above = (OutlinePoint(self.flat_mm * way, way).strip(0.0, far, 2 * far) for way in ways)
        return CrossSection.batch_boolean(
            [under, *([above] if self.flat_above else []), *self._narrow_lands], OpType.Add
        )

    @property
    def _narrow_lands(self) -> list[CrossSection]:
        """What the flat would leave of a land beside a seam relief, where it is too narrow to print."""
        seam, spigot, lands = self.spigot.seam, self.spigot, []
        if seam.kind != "sides" or self.outline.shape != "rectangle":
            return []
        for side in sides_of(self.outline):
            land, (place, outward) = side.land_mm(spigot.rib.width_mm or 0.0), side.place
            begins = float(place @ self.down) + side.length_mm / 2 - land
            if land and abs(outward @ self.down) < _UPRIGHT and -_NEAR_MM < self.flat_mm - begins < LEAST_LAND_MM:
                middle = place + self.down * (begins + LEAST_LAND_MM / 2 - place @ self.down)
                lands.append(OutlinePoint(middle, outward).strip(-seam.room_mm, PAST_MM, LEAST_LAND_MM + _NEAR_MM))
        return lands


def cut_flat(side: JoinerSide, flat_mm: float) -> JoinerSide:
    """The side with a flat so far from its axis towards the plate, if that is not infinite."""
    if math.isinf(flat_mm):
        return side
    x, y = side.down.tolist()
    return replace(side, spigot=replace(side.spigot, flat=(x, y, flat_mm)))


def holes_passed(recipe: JoinerRecipe, end: EndPlace, shift_mm: float) -> tuple[EndHole, ...]:
    """The holes through a tube's walls that go on through a spigot, whole from ``shift_mm`` below the rim on."""
    tip = float(recipe.spigot_mm or 0.0) + shift_mm
    return end.reached(tip) if recipe.cross.kind == "free" else ()


def mitre_shift(outline: Outline, end: EndPlace) -> float:
    """How far along its axis a mitre reaches back from where the axis meets it."""
    if not end.mitre_deg:
        return 0.0
    towards = math.radians(end.mitre_direction_deg)
    reach = np.abs(outline.polygon() @ (math.cos(towards), math.sin(towards))).max()
    return float(reach) * math.tan(math.radians(end.mitre_deg))
