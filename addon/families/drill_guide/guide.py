# SPDX-License-Identifier: GPL-3.0-or-later
"""A drill guide: a sleeve or a saddle around a tube, with drill bushes in line with its holes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ...geometry.frames import Floats
from ...geometry.names import in_words
from ...geometry.units import say_both
from ...trade.processes import Process
from ..dimensioned import View
from ..fitting import BenchStep, Caliper, Fitting, Level
from ..over_tube import sliding_calipers
from .bounds import Plan
from .drilling import drilling
from .guide_drawing import across_view, along_view
from .recipe import GuideRecipe


@dataclass(frozen=True, eq=False)
class DrillGuide(Fitting):
    recipe: GuideRecipe
    plan: Plan
    top_mm: float
    bottom_mm: float
    """Its ends along the tube's axis, from the origin of its frame."""
    stop_mm: float
    """Thickness of a sleeve's stop; 0 for a saddle."""
    tube_off_mm: float
    """By how much a tube may be smaller across than modelled."""

    family = "drill guide"
    surface_names = ("outside", "bore", "bush", "clamp", "mark")
    seen = ()

    @property
    def title(self) -> str:
        return "drill guide"

    @property
    def words(self) -> str:
        recipe, plan = self.recipe, self.plan
        drills = in_words(say_both(drill) for drill in sorted({bush.drill_mm for bush in plan.bushes}))
        said = f"{recipe.style} for {plan.place.words}, {recipe.bush} bushes for drills of {drills}"
        return f"{said}, {plan.place.hand}" if plan.place.hand else said

    @property
    def print_axes(self) -> Floats:
        return np.diag([1.0, -1.0, -1.0])

    @property
    def way_up(self) -> str:
        return "stop down" if self.stop_mm else "arrow down"

    def levels(self) -> tuple[Level, ...]:
        stop = (Level("stop", self.stop_mm),) if self.stop_mm else ()
        return (*stop, Level("upper end", self.top_mm - self.bottom_mm))

    def calipers(self, process: Process, added_mm: float = 0.0, excess_mm: float = 0.0) -> tuple[Caliper, ...]:
        plan, off = self.plan, 2 * process.tolerance_mm
        rows = sliding_calipers(self.section.outer, self.tube_off_mm, plan.bore, "Guide", process)
        for bush in {(bush.drill_mm, bush.bore_mm): bush for bush in plan.bushes}.values():
            if self.recipe.bush == "printed":
                on, least = f"Guide: bush for the drill of {say_both(bush.drill_mm)}", bush.drill_mm
            else:
                on, least = f"Guide: pocket of the steel bush for {say_both(bush.drill_mm)}", bush.bore_mm - off / 2
            rows.append(Caliper(on, bush.bore_mm, least, bush.bore_mm + off))
        if self.stop_mm:
            down = self.top_mm - self.stop_mm - plan.bushes[0].entry.point[2]
            rows.append(Caliper.around("Guide: stop to the middle of hole 1", down, off / 2))
        return tuple(rows)

    def drawing(self) -> tuple[View, ...]:
        shape = self.plan, self.solid, self.top_mm, self.bottom_mm
        return along_view(*shape, self.stop_mm), across_view(*shape)

    def listed(self) -> Mapping[str, str | int | float]:
        recipe, bushes = self.recipe, self.plan.bushes
        return {
            "style": recipe.style,
            "drilled": self.plan.place.words,
            "drills_mm": " ".join(f"{drill:.4g}" for drill in sorted({bush.drill_mm for bush in bushes})),
            "bushes": len(bushes),
            "bush": recipe.bush,
            "bush_mm": float(recipe.bush_mm or 0.0),
            "guide_gap_mm": self.plan.gap_mm,
            "clamp": recipe.clamp,
            "clamps": self.plan.clamps,
            "clamps_close_on_mm": " ".join(f"{mm:.1f}" for mm in self.plan.clamp_mm) if self.plan.clamps else "",
            "hand": self.plan.place.hand,
        }

    @classmethod
    def steps(cls, fittings: Mapping[str, DrillGuide]) -> list[BenchStep]:
        return drilling({id: guide.plan for id, guide in fittings.items()})
