# SPDX-License-Identifier: GPL-3.0-or-later
"""The numbers a fabricator chooses for a hole plug."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

from ...fields.declared import declared
from ...trade.cautions import Condition

Head = Literal["auto", "flat", "domed", "flush"]
Stem = Literal["auto", "ribs", "barbs"]

MOST_OVERLAP_MM = 10.0
_STEM, _RIBS, _BARBS = "Stem", "Crush Ribs", "Barbs"


@dataclass(frozen=True)
class PlugRecipe:
    """Every number in mm. None means: what suits the hole, decided by ``resolve``."""

    head: Head = declared(
        "auto", "Head", "Shape of the part that stays outside; auto is flush in a countersunk hole, else flat",
        meaning="shape of the part that stays outside. A flat and a domed head lie on the tube around the hole, and "
        "follow it where it is round; a domed one is rounded up to a flat on which it is printed. A flush one fills a "
        "countersink up to the tube's outside. Auto is flush where the hole is countersunk and leaves enough wall to "
        "hold the stem, else flat",
    )  # fmt: skip
    overlap_mm: float | None = declared(
        None, "Overlap", "How far the head reaches past the hole on each side", automatic="by hole",
        shown=lambda recipe: recipe.head != "flush",
        meaning="how far the head reaches past the hole, or past its countersink, on each side. Automatic, a fifth of "
        "the hole, from 1.8 to 3 mm, and less where the tube has no room for that",
    )  # fmt: skip
    head_mm: float | None = declared(
        None, "Head Height", "How high the head stands above the tube", automatic="by hole",
        shown=lambda recipe: recipe.head != "flush",
    )  # fmt: skip
    edge_mm: float | None = declared(
        None, "Edge", "Chamfer of a flat head's edge; 0 for a sharp one", automatic="by head", least=0.0,
        shown=lambda recipe: recipe.head not in ("domed", "flush"),
    )  # fmt: skip
    stem: Stem = declared(
        "auto", "Stem", "What holds the plug: ribs that are crushed in the hole, or barbs behind the wall", group=_STEM,
        meaning="what holds the plug: ribs that are crushed in the hole, or two legs with barbs that spring out behind "
        "the wall. Auto takes ribs, and barbs where less than 0.8 mm of the hole is left to hold ribs",
    )  # fmt: skip
    stem_mm: float | None = declared(
        None, "Stem Length", "How deep the stem reaches, from the tube's outside", automatic="by wall", group=_STEM,
        most=200.0,
    )  # fmt: skip
    gap_mm: float | None = declared(
        None, "Gap", "Gap between stem and hole on each side", automatic="by tolerance", group=_STEM,
        meaning="gap between stem and hole, per side. Automatic, it leaves room for the print's tolerance and a "
        "coat of paint; ribs or barbs hold the stem",
    )  # fmt: skip
    lead_in_mm: float | None = declared(
        None, "Lead-in", "Chamfer at the stem's tip, to start it in the hole", least=0.0, automatic="by hole",
        group=_STEM,
    )  # fmt: skip
    rib_count: int | None = declared(
        None, "Ribs", "Number of ribs along the stem that are crushed in the hole", automatic="by hole", group=_RIBS,
        shown=lambda recipe: recipe.stem != "barbs",
        meaning="number of ribs along the stem that are crushed in the hole: three up to 12 mm, four up to 20 mm, six "
        "in larger holes",
    )  # fmt: skip
    rib_height_mm: float | None = declared(
        None, "Rib Height", "How far each rib stands out from the stem", automatic="by tolerance", group=_RIBS,
        shown=lambda recipe: recipe.stem != "barbs",
        meaning="how far each rib stands out from the stem. Automatic, it still bites in the largest hole that a drill "
        "of that size makes",
    )  # fmt: skip
    rib_width_mm: float | None = declared(
        None, "Rib Width", "Width of each rib at its foot; three quarters of that at its crest", automatic="by bead",
        group=_RIBS, shown=lambda recipe: recipe.stem != "barbs",
    )  # fmt: skip
    barb_mm: float | None = declared(
        None, "Barb", "How far each barb reaches behind the wall", automatic="by wall", group=_BARBS,
        shown=lambda recipe: recipe.stem != "ribs",
        meaning="how far each barb reaches behind the wall. Automatic, up to 0.5 mm, and no further than the leg can "
        "be bent",
    )  # fmt: skip
    leg_mm: float | None = declared(
        None, "Leg", "Thickness of the legs that the barbs are on", automatic="by bead", group=_BARBS,
        shown=lambda recipe: recipe.stem != "ribs",
    )  # fmt: skip

    fit: ClassVar[str] = "push"

    @property
    def conditions(self) -> frozenset[Condition]:
        """What it brings about that asks for cautions."""
        return frozenset({"hole plug", *({"press fit or ribs"} if self.stem != "barbs" else ())})
