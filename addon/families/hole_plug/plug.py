# SPDX-License-Identifier: GPL-3.0-or-later
"""A hole plug: a head on the tube, a stem in the hole."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from manifold3d import Manifold

from ...geometry.frames import Floats
from ...geometry.mesh import Mesh
from ...geometry.units import say_both, say_mm
from ...trade.processes import Process
from ...trade.tolerances import standard_tolerance
from ..bench_steps import BenchSteps
from ..dimensioned import View
from ..fitting import BenchStep, Caliper, Fitting, Level
from .plug_drawing import views
from .recipe import PlugRecipe
from .settle import DRILLED_GRADE, Legs, head_down, head_half, lies_flat, stem_radius
from .wall import HolePlace

_FACETS = 256
COARSEST = math.cos(math.pi / 8)
"""How near to the axis the facets of a hole come, as a share of its radius: no hole of fewer than eight is read."""


@dataclass(frozen=True, eq=False)
class HolePlug(Fitting):
    recipe: PlugRecipe
    place: HolePlace
    bare: Manifold
    """The solid without ribs."""

    family = "hole plug"
    surface_names = ("head", "seat", "stem", "rib", "barb", "slot")
    seen = ("head",)
    seen_name = "head"

    @cached_property
    def rigid(self) -> Mesh:
        """The head, and all that is in the hole so narrow that the facets of a coarse one do not stand into it."""
        size = 2 * float(np.abs(self.mesh.vertices).max())
        inside, head = self.bare.split(self.place.tube(self.place.outer, size, _FACETS))
        narrowed = self.place.upright(inside).scale((COARSEST, COARSEST, 1.0))
        return Mesh.from_manifold(head + self.place.leaning(narrowed))

    @property
    def head_down(self) -> bool:
        return head_down(self.recipe, self.place)

    @property
    def on_flat(self) -> bool:
        return lies_flat(self.recipe, self.place)

    @property
    def print_axes(self) -> Floats:
        return np.diag([1.0, -1.0, -1.0]) if self.head_down else np.eye(3)

    @property
    def way_up(self) -> str:
        return "head down" if self.head_down else "head up"

    @property
    def title(self) -> str:
        return f"{self.recipe.head} plug"

    @property
    def words(self) -> str:
        recipe = self.recipe
        held = f"{recipe.rib_count} ribs" if recipe.stem == "ribs" else "two legs with barbs"
        head = "" if recipe.head == "flush" else f", head {say_mm(2 * head_half(recipe, self.place))} wide"
        leaning = f" that leans by {self.place.lean_deg:.1f}°" if self.place.lean_deg else ""
        return f"{recipe.head} plug for a hole of {say_both(self.place.diameter_mm)}{leaning}{head}, {held}"

    def levels(self) -> tuple[Level, ...]:
        recipe, stem = self.recipe, float(self.recipe.stem_mm or 0.0)
        if recipe.head == "flush":
            return (Level("tip" if self.head_down else "seat", stem),)
        head = float(recipe.head_mm or 0.0)
        seat = (Level("seat", head),) if self.on_flat else ()
        return (*seat, Level("tip", head + stem))

    def calipers(self, process: Process, added_mm: float = 0.0, excess_mm: float = 0.0) -> tuple[Caliper, ...]:
        recipe, hole, stem = self.recipe, self.place.diameter_mm, 2 * stem_radius(self.recipe, self.place)
        off, excess, layer = 2 * process.tolerance_mm, 2 * excess_mm, max(process.layer_mm, process.tolerance_mm)
        rows = [
            Caliper(
                "Tube: hole, diameter",
                hole,
                stem + 2 * (added_mm + process.tolerance_mm),
                hole + standard_tolerance(hole, DRILLED_GRADE),
            ),
        ]
        if recipe.stem == "ribs":
            rib, count = float(recipe.rib_height_mm or 0.0), int(recipe.rib_count or 0)
            rows.append(Caliper.around("Fitting: stem, diameter between ribs", stem, off, excess))
            over = "over two ribs" if count % 2 == 0 else "over one rib"
            rows.append(Caliper.around(f"Fitting: stem, {over}", stem + (2 - count % 2) * rib, off, excess))
        else:
            legs = Legs.of(recipe, self.place)
            rows.append(Caliper.around("Fitting: legs, across above the barbs", stem, off, excess))
            rows.append(Caliper.around("Fitting: barbs, across", 2 * legs.crest_mm, off, excess))
        rows.append(Caliper.around("Fitting: head, across", 2 * head_half(recipe, self.place), off, excess))
        rows.append(Caliper.around("Fitting: length in all", float(np.ptp(self.mesh.vertices[:, 2])), layer))
        return tuple(rows)

    def drawing(self) -> tuple[View, ...]:
        return views(self.recipe, self.place, self.solid)

    def listed(self) -> Mapping[str, str | int | float]:
        recipe = self.recipe
        return {
            "hole_mm": round(self.place.diameter_mm, 3),
            "head": recipe.head,
            "overlap_mm": recipe.overlap_mm or 0.0,
            "head_mm": recipe.head_mm or 0.0,
            "stem": recipe.stem,
            "stem_mm": recipe.stem_mm or 0.0,
            "stem_gap_mm": recipe.gap_mm or 0.0,
        }

    @classmethod
    def steps(cls, fittings: Mapping[str, HolePlug]) -> list[BenchStep]:
        steps = BenchSteps(fittings)
        steps.add("Deburr", "The holes, outside and in: a burr lifts the head and cuts the ribs")
        steps.add("Try one", "Start a plug of each kind in its hole by hand; it has to stand straight and stay")
        steps.add(
            "Turn to the lean",
            "The stem leans as its hole does: turn the plug so that both lean the same way",
            (id for id, plug in fittings.items() if plug.place.lean_deg),
        )
        steps.add(
            "Turn along the tube",
            "The head is hollow one way only; lay that along the tube",
            (id for id, plug in fittings.items() if plug.recipe.head != "flush" and not plug.on_flat),
        )
        ribbed = {id: plug.place.lean_deg for id, plug in fittings.items() if plug.recipe.stem == "ribs"}
        steps.add(
            "Press in",
            "With the thumb, then a soft mallet, straight, until the head sits all round",
            (id for id, lean in ribbed.items() if not lean),
        )
        steps.add(
            "Press in",
            "With the thumb, then a soft mallet, along the hole, not square to the tube, until the head sits all round",
            (id for id, lean in ribbed.items() if lean),
        )
        steps.add(
            "Snap in",
            "Press until both legs spring out behind the wall",
            (id for id, plug in fittings.items() if plug.recipe.stem == "barbs"),
        )
        return steps
