# SPDX-License-Identifier: GPL-3.0-or-later
"""A joiner: two spigots in one part, each in a tube of its own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from manifold3d import Manifold, OpType

from ...fields.messages import FieldName, Length, say
from ...geometry.frames import Floats
from ...geometry.mesh import Mesh
from ...geometry.units import say_mm, say_three
from ...shaping.spigots import SPIGOT_SURFACES
from ...takeoff.sites import IN_LINE_DEG
from ...trade.processes import Process
from ...trade.sizes import section_name
from ..dimensioned import View
from ..fitting import BenchStep, Caliper, Fitting, GlueJoint, Level, Remark, Seat
from ..seat_calipers import seat_calipers
from .joiner_drawing import across_view, section_view
from .limits import usual_mm
from .place import JointPlace, said_angle
from .putting_together import TUBES, putting_together, said_screws
from .recipe import JoinerRecipe
from .screws import ScrewHole
from .side import JoinerSide


@dataclass(frozen=True, eq=False)
class Joiner(Fitting):
    recipe: JoinerRecipe
    """As it is for the first tube."""
    place: JointPlace
    sides: tuple[JoinerSide, JoinerSide]
    screws: tuple[ScrewHole, ...]
    up: Floats
    """(3,): what points up when it lies on the plate."""

    family = "joiner"
    surface_names = (*SPIGOT_SURFACES, "middle", "flat", "hole")
    seen = ()
    stands_by_load = True
    depth_key = "spigot_mm"

    @cached_property
    def rigid(self) -> Mesh:
        ribs = [crushed for side in self.sides if (crushed := side.crushed()) is not None]
        return Mesh.from_manifold(Manifold.batch_boolean([self.solid, *ribs], OpType.Subtract)) if ribs else self.mesh

    @property
    def in_line(self) -> bool:
        return self.place.angle_deg > IN_LINE_DEG

    @property
    def alike(self) -> bool:
        """Whether one spigot is like the other."""
        first, second = self.sides
        return first.end.section == second.end.section and first.recipe == second.recipe

    @property
    def print_axes(self) -> Floats:
        """Lying down, the axes of both tubes lie along the plate."""
        if self.recipe.up == "standing":
            return np.eye(3)
        first, second = (side.frame.z for side in self.sides)
        along = first if self.in_line else first - second
        along = along / np.linalg.norm(along)
        return np.array([along, np.cross(self.up, along), self.up])

    @property
    def way_up(self) -> str:
        if self.recipe.up == "standing":
            return "standing, layers across the tubes"
        return "lying, layers along the tubes"

    @property
    def title(self) -> str:
        return "joiner"

    @property
    def words(self) -> str:
        recipe, lengths = self.recipe, [say_mm(side.spigot.length_mm) for side in self.sides]
        said = f"joiner {said_angle(self.place.angle_deg)}, spigots {' and '.join(dict.fromkeys(lengths))} long"
        for which, side in zip(TUBES, self.sides, strict=True):
            if side.stopped_by:
                said += f", the {which} stopped by a hole {say_mm(side.stopped_by.distance_mm)} from its tube's end"
            elif side.short:
                said += f", the {which} as long as its bore is clear"
            for hole in side.holes:
                wide = say_mm(hole.diameter_mm + 2 * recipe.cross.room_mm)
                said += f", hole {wide} through the {which} {say_mm(hole.distance_mm)} from its tube's end"
        if recipe.between != "web":
            said += f", {recipe.between} {say_mm(self.place.gap_mm)}"
        (fit, _), (second, _) = recipe.fits
        said += f", {fit} fit" if fit == second else f", {fit} fit in the first tube, {second} fit in the second"
        if recipe.screw.kind != "none":
            said += f", {recipe.screw.count} × {recipe.screw.thread} a side"
        return said

    @property
    def remarks(self) -> tuple[Remark, ...]:
        return tuple(_short(which, side) for which, side in zip(TUBES, self.sides, strict=True) if side.short)

    @property
    def seats(self) -> tuple[Seat, ...]:
        return tuple(side.seat for side in self.sides)

    def levels(self) -> tuple[Level, ...]:
        return ()

    def calipers(self, process: Process, added_mm: float = 0.0, excess_mm: float = 0.0) -> tuple[Caliper, ...]:
        rows: list[Caliper] = []
        for number, side in enumerate(self.sides[:1] if self.alike else self.sides):
            which = "both tubes" if self.alike else ("first tube", "second tube")[number]
            part = "spigots" if self.alike else f"spigot for the {which}"
            tube = "Tubes" if self.alike else which.capitalize()
            rows += seat_calipers(side.seat, side.spigot, process, added_mm, excess_mm, (), tube, part, side.flat_deg)
        if self.in_line:
            length = sum(side.spigot.length_mm for side in self.sides) + self.place.gap_mm
            rows.append(Caliper.around("Fitting: length over all", length, process.tolerance_mm * 2))
        return tuple(rows)

    def drawing(self) -> tuple[View, ...]:
        """In its tubes, and across the first spigot."""
        across = across_view(self.sides[0], [hole for hole in self.screws if hole.tube == 0])
        return section_view(self.sides, self.solid, self.place), across

    def glue(self, gap_mm: float | None = None) -> GlueJoint | None:
        """Of the spigots that are glued, together; the gap is that of the first of them."""
        glued = [side for side in self.sides if side.recipe.fit == "glue"]
        if not glued:
            return None
        wider = 0.0 if gap_mm is None else gap_mm - self.sides[0].seat.gap_mm
        sides = self.mesh.triangles[self.has("spigot")]
        heights = self.mesh.vertices[sides].mean(axis=1)[:, 2]
        glues = np.any([side.out * (heights - side.rim_z) < 0 for side in glued], axis=0)
        area, volume = Mesh(self.mesh.vertices, sides[glues]).area, sum(side.glue_mm3(wider) for side in glued)
        first = glued[0].outline
        return GlueJoint(glued[0].seat.gap_mm + wider, area * first.offset(-wider).length / first.length, volume)

    def listed(self) -> Mapping[str, str | int | float]:
        recipe = self.recipe
        return {
            "between": recipe.between,
            "gap_between_mm": self.place.gap_mm,
            "angle_deg": round(self.place.angle_deg, 3),
            "spigot_mm": self.sides[0].spigot.length_mm,
            "second_spigot_mm": self.sides[1].spigot.length_mm,
            "second_fit": recipe.fits[1][0],
            "second_gap_mm": recipe.fits[1][1],
            "screws": recipe.screw.kind,
            "screw": recipe.screw.thread if recipe.screw.kind != "none" else "",
            "drill_at_mm": "; ".join(say_three(hole.distance_mm) for hole in self.screws),
            "drill_around": "; ".join(hole.around for hole in self.screws),
            "bolts": said_screws(self.screws),
        }

    @classmethod
    def steps(cls, fittings: Mapping[str, Joiner]) -> list[BenchStep]:
        return putting_together({id: (joiner.sides, joiner.screws) for id, joiner in fittings.items()})


def _short(which: str, side: JoinerSide) -> Remark:
    """That a spigot is shorter than usual, and why."""
    said = say(
        "The {} spigot is {} long, where {} is usual",
        which,
        Length(side.spigot.length_mm),
        Length(usual_mm(side.end.section)),
    )
    name, hole = section_name(side.end.section), side.stopped_by
    if hole is None:
        why = say("{}: {} is clear no farther.", said, name)
        advice = say("Clear the bore, or set {}: a length that you give is taken as wanted.", FieldName("spigot_mm"))
        return Remark("short spigot", why, advice, {})
    why = say(
        "{}: it stops before the hole of {} that is {} from the end of {}.",
        said,
        Length(hole.diameter_mm),
        Length(hole.distance_mm),
        name,
    )
    advice = say(
        "Set {}, so that the hole goes on through the spigot, or move the hole; a length that you give is taken as "
        "wanted.",
        FieldName("cross_holes", "free", "joiner"),
    )
    return Remark("short spigot", why, advice, {"cross_holes": "free"})
