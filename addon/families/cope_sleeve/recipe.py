# SPDX-License-Identifier: GPL-3.0-or-later
"""The numbers a fabricator chooses for a cope sleeve."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from ...fields.declared import declared
from ...trade.cautions import Condition
from ..over_tube import SLIDE

Locate = Literal["stop", "line"]


@dataclass(frozen=True)
class CopeRecipe:
    """Every number in mm. None means: what suits tube and print, decided by ``settle``."""

    locate: Locate = declared(
        "stop", "Located By", "A stop on the end of the tube, or a line that is drawn around it",
        meaning="what says how far the sleeve goes on: a stop on the tube's end, which is cut square and longer than "
        "needed, so that the sleeve lies on the waste; or a line drawn around the tube, so that it lies on the side "
        "that is kept",
    )  # fmt: skip
    waste_mm: float = declared(
        10.0, "Waste", "How much longer than its longest point the tube is cut for a sleeve with a stop", least=5.0,
        most=200.0, shown=lambda recipe: recipe.locate == "stop",
        meaning="how much longer than its longest point the tube is cut square first, for a sleeve with a stop",
    )  # fmt: skip
    grip_mm: float | None = declared(
        None, "Grip", "How far a sleeve without a stop reaches along the tube, below the lowest place of its edge",
        least=5.0, most=300.0, automatic="by section", shown=lambda recipe: recipe.locate == "line",
        meaning="how far a sleeve without a stop reaches along the tube, below the lowest place of its edge: "
        "automatic, as far as the tube is wide, at least 25 mm",
    )  # fmt: skip
    scriber_mm: float = declared(
        0.3, "Scriber", "How far off the edge the line is marked: half the width of the scriber or marker",
        least=0.0, most=5.0,
        meaning="how far off the edge the line is marked, half the width of the scriber's or marker's point: the "
        "edge stands back by it, so that the line itself is the cut",
    )  # fmt: skip
    thickness_mm: float = declared(3.0, "Wall", "Plastic around the tube", least=1.2, most=20.0)
    stop_mm: float = declared(
        3.0, "Stop", "Thickness of the stop", least=1.0, most=20.0, shown=lambda recipe: recipe.locate == "stop"
    )
    gap_mm: float | None = declared(
        None, "Gap", "Gap between tube and sleeve on each side", automatic="by tolerance",
        meaning="gap between tube and sleeve, per side: automatic, the sleeve clears paint and weld spatter within the "
        "tube's and the print's tolerances",
    )  # fmt: skip

    fit: ClassVar[str] = SLIDE
    conditions: ClassVar[frozenset[Condition]] = frozenset({"cope"})
