# SPDX-License-Identifier: GPL-3.0-or-later
"""A cap, a foot or a plug: a crown outside the tube, a spigot inside."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from manifold3d import JoinType

from ...fields.messages import FieldName
from ...geometry.frames import Floats, Frame
from ...geometry.mesh import Mesh
from ...geometry.mitres import lean, shear
from ...geometry.units import say_both, say_three
from ...shaping.cutters import PAST_MM, prism
from ...shaping.spigots import SPIGOT_SURFACES, Spigot
from ...takeoff.ends import EndHole
from ...trade.processes import Process
from ..dimensioned import View
from ..fitting import BenchStep, Caliper, Fitting, GlueJoint, Level, Seat
from ..seat_calipers import seat_calipers
from .cap_drawing import end_view, section_view
from .profiles import CapProfile
from .putting_in import putting_in
from .recipe import Recipe


@dataclass(frozen=True, eq=False)
class Cap(Fitting):
    recipe: Recipe
    mitre_deg: float
    mitre_direction_deg: float
    profile: CapProfile
    spigot: Spigot
    holes: tuple[EndHole, ...] = field(default=(), kw_only=True)
    """Those through the tube's walls that go on through it."""

    family = "cap"
    surface_names = ("crown", "shoulder", *SPIGOT_SURFACES, "vent", "hole")
    seen = ("crown",)
    seen_name = "crown"
    depth_key = "spigot_mm"

    @cached_property
    def rim_frame(self) -> Frame:
        """In the tube end's frame: the origin is shared, z is the rim's normal, out of the tube."""
        return Frame(np.zeros(3), lean(self.mitre_deg, self.mitre_direction_deg).T)

    @property
    def lip(self) -> FieldName:
        return FieldName("lip_mm", self.recipe.lip_mm, "fitting")

    @property
    def crown_down(self) -> bool:
        """Whether it is printed on its crown."""
        return self.recipe.up == "crown down"

    @cached_property
    def rigid(self) -> Mesh:
        """Without ribs: all that stands past the spigot's outline, cut away below the rim."""
        if not self.seat.rib_mm:
            return self.mesh
        outline = self.profile.spigot_outline.cross_section()
        around = outline.offset(2 * self.seat.rib_mm, JoinType.Miter, 4.0) - outline
        sleeve = prism(around, -self.recipe.spigot_mm - PAST_MM, 0.0)
        return Mesh.from_manifold(self.solid - sleeve.transform(shear(self.mitre_deg, self.mitre_direction_deg)[:3]))

    @property
    def print_axes(self) -> Floats:
        axes = self.rim_frame.axes
        return axes * np.array([[1.0], [-1.0], [-1.0]]) if self.crown_down else axes

    @cached_property
    def shoulder_mm(self) -> float:
        """Height of the shoulder over the plate when the fitting stands to be printed."""
        return -float(self.print_frame.axes[2] @ self.print_frame.origin)

    def standing_points(self, points: Floats) -> Floats:
        return self.print_frame.to_local(points @ shear(self.mitre_deg, self.mitre_direction_deg)[:3, :3].T)

    @property
    def title(self) -> str:
        return self.recipe.crown

    @property
    def words(self) -> str:
        recipe, hole = self.recipe, self.recipe.hole
        said = f"{recipe.crown} {say_both(self.profile.crown[-1, 1])} high, {recipe.fit} fit"
        if hole.kind != "none":
            said += f", {hole.thread} {'through hole' if hole.kind == 'through' else hole.kind}"
        for across in self.holes:
            said += f", hole {say_both(across.diameter_mm + 2 * recipe.cross.room_mm)} across"
        return f"{said}, mitre {say_three(self.mitre_deg)}°" if self.mitre_deg else said

    @property
    def way_up(self) -> str:
        return self.recipe.up

    @property
    def seat(self) -> Seat:
        recipe = self.recipe
        return Seat(
            self.section,
            recipe.fit,
            float(recipe.gap_mm or 0.0),
            recipe.seam.room_mm,
            self.profile.spigot_outline,
            self.section.bore,
            recipe.spigot_mm,
            recipe.lead_in_mm,
            self.spigot.rib_mm,
        )

    @property
    def seats(self) -> tuple[Seat, ...]:
        return (self.seat,)

    def levels(self) -> tuple[Level, ...]:
        recipe, shoulder, sign = self.recipe, self.shoulder_mm, -1.0 if self.crown_down else 1.0
        upright = math.cos(math.radians(self.mitre_deg))
        top = recipe.spigot_mm * upright if self.crown_down else float(self.profile.crown[-1, 1])
        levels = [Level("shoulder", shoulder), Level("top", shoulder + top)]
        for groove in self.spigot.grooves:
            low, high = sorted(shoulder + sign * z * upright for z in (groove.bottom, groove.top))
            levels += [Level("groove's lower face", low), Level("groove's upper face", high)]
        return tuple(sorted(levels, key=lambda level: level.z_mm))

    def calipers(self, process: Process, added_mm: float = 0.0, excess_mm: float = 0.0) -> tuple[Caliper, ...]:
        crown, rows = self.profile.crown_outline, []
        if not self.mitre_deg:
            width = crown.across(crown.readings[0].across_deg)
            off = 2 * process.tolerance_mm
            rows.append(Caliper.around(f"Fitting: crown, {crown.readings[0].where}", width, off))
        return seat_calipers(self.seat, self.spigot, process, added_mm, excess_mm, rows)

    def drawing(self) -> tuple[View, ...]:
        """The section, and the view from the tube's side where there is more to see from there."""
        part = section_view(
            self.recipe,
            self.spigot,
            self.section,
            self.profile,
            self.solid,
            self.mitre_deg,
            self.mitre_direction_deg,
            self.asked_for,
            self.holes,
        )
        end = end_view(self.recipe, self.spigot, self.section, self.profile, self.solid, self.rim_frame.axes[2])
        return (part, end) if end else (part,)

    def glue(self, gap_mm: float | None = None) -> GlueJoint | None:
        """The bond area is that of the solid's own surface, as much larger as the outline is longer where the print is
        to come out with another gap than is drawn. docs/bench.md has the sums."""
        if self.recipe.fit != "glue":
            return None
        gap_mm = self.seat.gap_mm if gap_mm is None else gap_mm
        side = Mesh(self.mesh.vertices, self.mesh.triangles[self.has("spigot")])
        drawn, printed = self.profile.spigot_outline, self.profile.spigot_outline.offset(self.seat.gap_mm - gap_mm)
        area = side.area * printed.length / drawn.length
        return GlueJoint(gap_mm, area, self.spigot.room_in(self.section.bore, printed, self.recipe.vent))

    def listed(self) -> Mapping[str, str | int | float]:
        recipe, hole = self.recipe, self.recipe.hole
        return {
            "crown": recipe.crown,
            "rise_mm": recipe.rise_mm or 0.0,
            "lip_mm": recipe.lip_mm,
            "spigot_mm": recipe.spigot_mm,
            "grooves": recipe.groove.count or 0,
            "hole": hole.kind,
            "thread": hole.thread if hole.kind != "none" else "",
            "mitre_deg": self.mitre_deg,
        }

    @classmethod
    def steps(cls, fittings: Mapping[str, Cap]) -> list[BenchStep]:
        holed = [id for id, cap in fittings.items() if cap.holes]
        return putting_in({id: (cap.recipe, cap.mitre_deg) for id, cap in fittings.items()}, holed)
