# SPDX-License-Identifier: GPL-3.0-or-later
"""The numbers a fabricator chooses for a drill guide."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from ...fields.declared import declared
from ...trade.cautions import Condition
from ...trade.hardware import threads
from ..over_tube import SLIDE

GuideStyle = Literal["auto", "sleeve", "saddle"]
Drill = Literal["full", "pilot"]
BushKind = Literal["printed", "steel"]
Clamp = Literal["hose clamp", "screws"]
Witness = Literal["line", "none"]

MOST_DRILL_MM = 13.0
"""What the chuck of a hand drill takes; larger holes get a pilot. Common practice, no source."""
_BUSHES, _CLAMPING = "Drill Bushes", "Clamping"


@dataclass(frozen=True)
class GuideRecipe:
    """Every number in mm. None means: what suits tube, holes and print, decided by ``settle``."""

    style: GuideStyle = declared(
        "auto", "Style", "Slides over an open end up to a stop, or is put on from the side",
        meaning="a sleeve slides over an open end until its stop meets the rim; a saddle is put on from the side: "
        "around three sides of a rectangular tube, less than half of a round one. Auto makes a sleeve where an open "
        "end is near enough and nothing is in its way",
    )  # fmt: skip
    thickness_mm: float | None = declared(
        None, "Wall", "Plastic around the tube, and around each drill bush", least=1.2, most=20.0,
        automatic="by holes",
        meaning="plastic around the tube and around each drill bush: 4 mm, or less where two holes are nearer",
    )  # fmt: skip
    gap_mm: float | None = declared(
        None, "Gap", "Gap between tube and guide on each side", automatic="by tolerance",
        meaning="gap between tube and guide, per side: automatic, the guide clears paint and weld spatter within the "
        "tube's and the print's tolerances",
    )  # fmt: skip
    drill: Drill = declared(
        "full", "Drill", "Whether holes are drilled to size through the guide, or started with a pilot drill",
        group=_BUSHES,
        meaning="whether holes are drilled to size through the guide, or started with a pilot drill and opened up "
        f"without it. Holes over {MOST_DRILL_MM:g} mm always get a pilot",
    )  # fmt: skip
    pilot_mm: float = declared(
        3.0, "Pilot Drill", "Diameter of the pilot drill", least=1.0, most=MOST_DRILL_MM, group=_BUSHES
    )
    bush: BushKind = declared(
        "printed", "Bush", "What the drill runs in: the plastic, or steel drill bushes pressed into it", group=_BUSHES
    )
    bush_mm: float | None = declared(
        None, "Bush Length", "Length of each drill bush", least=2.0, most=100.0, automatic="by drill", group=_BUSHES,
        meaning="length of each drill bush: at least twice the drill. Steel ones have the shortest such length in the "
        "table (ISO 4247, from memory)",
    )  # fmt: skip
    bush_outside_mm: float | None = declared(
        None, "Bush Outside", "Outside diameter of steel drill bushes", least=2.0, most=60.0, automatic="by table",
        twin="Outside", group=_BUSHES, shown=lambda recipe: recipe.bush == "steel",
        meaning="outside diameter of steel drill bushes, as measured; automatic, that of the table (ISO 4247, from "
        "memory)",
    )  # fmt: skip
    chip_mm: float | None = declared(
        None, "Chip Room", "Room for chips between drill bush and tube", least=1.0, most=20.0, automatic="by drill",
        group=_BUSHES, meaning="room for chips between drill bush and tube: half the largest drill",
    )  # fmt: skip
    clamp: Clamp = declared(
        "hose clamp", "Clamp", "What holds the guide: hose clamps in grooves, or two screws that press on the tube",
        group=_CLAMPING,
        meaning="what holds the guide: hose clamps in grooves around it, over a slit in a sleeve, or two screws that "
        "press on the tube, their nuts in pockets inside. A saddle for round tube takes hose clamps only",
    )  # fmt: skip
    band_mm: float = declared(
        9.0, "Band Width", "Width of the hose clamps' band", least=4.0, most=30.0, group=_CLAMPING,
        shown=lambda recipe: recipe.clamp == "hose clamp",
        meaning="width of the hose clamps' band: 9 and 12 mm are usual (common practice, no source)",
    )  # fmt: skip
    thread: str = declared(
        "M6", "Clamping Thread", "Thread of the two screws and their nuts", twin="Thread", group=_CLAMPING,
        names=lambda: tuple(thread.name for thread in threads()), shown=lambda recipe: recipe.clamp == "screws",
    )  # fmt: skip
    witness: Witness = declared(
        "line", "Witness Line", "Notches that line up with lines scribed on the tube",
        meaning="notches in the guide's edges that line up with lines scribed on the tube: along it on round tube, and "
        "at hole 1 under a saddle",
    )  # fmt: skip

    fit: ClassVar[str] = SLIDE
    conditions: ClassVar[frozenset[Condition]] = frozenset({"drilling"})
