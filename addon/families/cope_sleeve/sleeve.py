# SPDX-License-Identifier: GPL-3.0-or-later
"""A cope sleeve: it slides over a tube's end, and its edge is the line to cut along."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ...geometry.developments import Development, TubeCut
from ...geometry.frames import Floats
from ...geometry.sections import Outline
from ...trade.processes import Process
from ..bench_steps import BenchSteps
from ..dimensioned import Dimension, Margin, Note, View, across, cut_along
from ..fitting import BenchStep, Caliper, Fitting, Level
from ..over_tube import sliding_calipers
from ..template import Template
from .cut_ends import CopeSite, CutPlace, said_cut
from .recipe import CopeRecipe
from .wrapping import development_of, measured_by, template_for


@dataclass(frozen=True, eq=False)
class CopeSleeve(Fitting):
    recipe: CopeRecipe
    place: CutPlace
    bore: Outline
    edge: Floats
    """(n,): its heights at the places of the cut's development."""
    tube_off_mm: float
    """By how much a tube may be smaller across than modelled."""

    family = "cope sleeve"
    surface_names = ("bore", "outside", "edge", "stop", "witness", "mark")
    seen = ()
    title = "cope sleeve"

    @property
    def development(self) -> Development:
        return development_of(self.place)

    @property
    def has_stop(self) -> bool:
        return self.recipe.locate == "stop"

    @property
    def end_mm(self) -> float:
        """Height of the stop's face, or of the foot that goes on the line, from the cut's farthest point."""
        return end_of(self.recipe, self.development)

    @property
    def words(self) -> str:
        return f"cope sleeve, {said_cut(self.place.cut)}, {'with a stop' if self.has_stop else 'on a line'}"

    @property
    def print_axes(self) -> Floats:
        return np.diag([1.0, -1.0, -1.0]) if self.has_stop else np.eye(3)

    @property
    def way_up(self) -> str:
        return "stop down" if self.has_stop else "edge up"

    def levels(self) -> tuple[Level, ...]:
        return (Level("stop", self.recipe.stop_mm),) if self.has_stop else ()

    def calipers(self, process: Process, added_mm: float = 0.0, excess_mm: float = 0.0) -> tuple[Caliper, ...]:
        rows = sliding_calipers(self.section.outer, self.tube_off_mm, self.bore, "Sleeve", process)
        start = "stop" if self.has_stop else "foot"
        heights = np.abs(self.edge - self.end_mm)
        for name, height in (("shortest", float(heights.min())), ("longest", float(heights.max()))):
            rows.append(Caliper.around(f"Sleeve: {start} to edge, {name}", height, 2 * process.tolerance_mm))
        return tuple(rows)

    def drawing(self) -> tuple[View, ...]:
        """Cut through the long notch."""
        line = self.development.chief_line
        chief = self.development.points[int(np.abs(self.development.around - line.around_mm).argmin())]
        direction = float(np.degrees(np.arctan2(chief[1], chief[0])))
        left, right = across(self.bore, direction)
        walls = left - self.recipe.thickness_mm, right + self.recipe.thickness_mm
        start, end = "stop" if self.has_stop else "foot", self.end_mm
        near, far = (self._edge_at(direction + turn) for turn in (0.0, 180.0))
        sign = "⌀" if self.section.outer.shape == "circle" else ""
        beside: Margin = "above" if self.has_stop else "below"
        dimensions = [
            Dimension((left, end), (right, end), beside, "inside", (right - left,), sign),
            Dimension((walls[0], end), (walls[0], far), "left", f"{start} to edge", (abs(end - far),)),
            Dimension((walls[1], end), (walls[1], near), "right", f"{start} to edge", (abs(end - near),)),
        ]
        notes = [
            Note(
                (right + self.recipe.thickness_mm / 2, (end + near) / 2),
                "wall {}, gap {}",
                (self.recipe.thickness_mm, float(self.recipe.gap_mm or 0.0)),
            )
        ]
        if self.has_stop:
            notes.append(Note((walls[1], end + self.recipe.stop_mm / 2), "stop {}", (self.recipe.stop_mm,)))
        outer_left, outer_right = across(self.section.outer, direction)
        bore_left, bore_right = across(self.section.bore, direction)
        foot = self.development.bottom - 10
        tube = [
            np.array([(a, foot), (b, foot), (b, max(end, 0)), (a, max(end, 0))])
            for a, b in ((outer_left, bore_left), (bore_right, outer_right))
        ]
        return (
            View(
                cut=cut_along(self.solid, direction),
                seen=self.solid.rotate([0, 0, -direction]).rotate([-90, 0, 0]).project().to_polygons(),
                tube=tube,
                axis=True,
                dimensions=dimensions,
                notes=notes,
                caption="Section where the long notch is",
            ),
        )

    def _edge_at(self, degrees: float) -> float:
        turn = np.radians(degrees)
        return float(self.edge[int((self.development.points @ (np.cos(turn), np.sin(turn))).argmax())])

    def papers(self, sites: Sequence[CopeSite]) -> tuple[Template, ...]:
        return (template_for(self.place, [(site.at, site.far) for site in sites]),)

    def listed(self) -> Mapping[str, str | int | float]:
        recipe, cut = self.recipe, self.place.cut
        return {
            "located_by": recipe.locate,
            "cope": self.place.words,
            "cope_angle_deg": round(cut.angle_deg, 2) if isinstance(cut, TubeCut) else "",
            "cope_offset_mm": round(cut.offset_mm, 2) if isinstance(cut, TubeCut) else "",
            "waste_mm": recipe.waste_mm if self.has_stop else 0.0,
            "grip_mm": 0.0 if self.has_stop else float(recipe.grip_mm or 0.0),
            "scriber_mm": recipe.scriber_mm,
            "sleeve_gap_mm": float(recipe.gap_mm or 0.0),
        }

    @classmethod
    def steps(cls, fittings: Mapping[str, CopeSleeve]) -> list[BenchStep]:
        stopped = [id for id, sleeve in fittings.items() if sleeve.has_stop]
        lined = [id for id, sleeve in fittings.items() if not sleeve.has_stop]

        def measured(id: str) -> str:
            sleeve = fittings[id]
            length = sleeve.recipe.waste_mm if sleeve.has_stop else sleeve.development.top - sleeve.end_mm
            return f"{id} {measured_by(sleeve.section)(length)}"

        steps = BenchSteps(fittings)
        steps.add(
            "Lines",
            "Scribe a line along each tube where the short side or the axis line of its cope goes, or the middle of "
            "side 1. The wrap templates have these, the lengths from the far end, and how both ends of a tube are "
            "turned to each other",
        )
        if stopped:
            said = (
                f"Saw the tube square, this far past its longest point: {', '.join(map(measured, stopped))}. Deburr it"
            )
            steps.add("Cut to length", said)
        steps.add(
            "Draw the line",
            "Draw a line square around the tube, this far short of its longest point",
            map(measured, lined),
        )
        where = " and ".join(["until the stop meets the tube's end"] * bool(stopped) + ["to the line"] * bool(lined))
        steps.add(
            "Slide on",
            f"Push the sleeve on {where}, its long notch over the line along the tube and the raised "
            "arrow towards the end",
        )
        steps.add("Mark", "Hold it, and run the scriber along the edge all around")
        steps.add("Take it off", "Cut only once the sleeve is off: plastic stands up to neither torch nor grinder")
        steps.add(
            "Deburr",
            "Copes have sharp points: file the edge, and bevel it to the inside line where it has to fit close",
        )
        return steps


def end_of(recipe: CopeRecipe, development: Development) -> float:
    """Height of the face of a sleeve's stop, or of the foot that goes on the line."""
    if recipe.locate == "stop":
        return development.top + recipe.waste_mm
    return development.bottom - recipe.scriber_mm - float(recipe.grip_mm or 0.0)
