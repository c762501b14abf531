# SPDX-License-Identifier: GPL-3.0-or-later
"""The numbers a fabricator chooses for a joiner."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ...fields.declared import declared
from ...shaping.features import CrossHoles, Grooves, Ribs, SeamRelief
from ...trade.cautions import Condition
from ...trade.fits import fit_named
from ...trade.hardware import WITHOUT_INSERT, threads

Between = Literal["auto", "collar", "stop", "web"]
ScrewKind = Literal["none", "through", "insert"]
JoinerFit = Literal["glue", "push", "press", "slide"]
SecondFit = Literal["as the first", "glue", "push", "press", "slide"]
JoinerUp = Literal["auto", "lying", "standing"]

MOST_SCREWS = 6
_SCREWS = "Screws"


def _screwed(screw: Screws) -> bool:
    return screw.kind != "none"


@dataclass(frozen=True)
class Screws:
    """Through each tube's wall into its spigot, spread evenly along it."""

    kind: ScrewKind = declared(
        "none", "Screws", "Holes for screws through each tube's wall into its spigot", key="screws", group=_SCREWS,
        meaning="holes for screws through each tube's wall into its spigot: right through both walls, for a bolt and a "
        "nut outside; or blind, for a thread insert. Where the tubes have to be drilled for them, and how long they "
        "have to be, is listed with the fitting",
    )  # fmt: skip
    thread: str = declared(
        "M5", "Screw", "Bolt or insert that the holes are for", group=_SCREWS,
        shown=lambda recipe: _screwed(recipe.screw), names=lambda: tuple(thread.name for thread in threads()),
        meaning=f"bolt or insert that the holes are for. {WITHOUT_INSERT}",
    )  # fmt: skip
    count: int = declared(
        1, "Screws a Side", "How many screws hold each tube", least=1, most=MOST_SCREWS, group=_SCREWS,
        shown=lambda recipe: _screwed(recipe.screw),
    )  # fmt: skip
    angle_deg: float = declared(
        90.0, "Screw Angle", "Side of the tube that the screws go in from", group=_SCREWS,
        shown=lambda recipe: _screwed(recipe.screw),
        meaning="side of the tube that the screws go in from, counter-clockwise from the first section's width as seen "
        "from outside, square to a side of rectangular tube; the second tube's lie in line with them",
    )  # fmt: skip


@dataclass(frozen=True)
class JoinerRecipe:
    """Every number in mm or degrees. None means: what suits the section. Numbers of the spigots hold for both of them,
    each in its own tube."""

    between: Between = declared(
        "auto", "Between", "What stands between the two tubes' ends", group="Joint",
        meaning="what stands between the two tubes' ends: a collar as wide as the tubes, which is seen and fills the "
        "gap; a stop, which is no wider than the middle of the tubes' walls; or only a web, as wide as the spigots, so "
        "that the ends may meet. Auto makes a collar where the gap is 1 mm or more, else a web",
    )  # fmt: skip
    lip_mm: float = declared(
        0.0, "Lip", "How far a collar stands out past the tubes on each side; negative for a set-back", group="Joint",
        shown=lambda recipe: recipe.between in ("auto", "collar"),
    )  # fmt: skip
    spigot_mm: float | None = declared(
        None, "Spigot", "Length of the part inside each tube, along its axis", least=0.5, most=1000.0,
        automatic="by section",
        meaning="length of the part inside each tube, along its axis. Automatic, it is one and a half times as long as "
        "the tube is wide (common practice, no source), 80 mm at most, as far as the bore is clear",
    )  # fmt: skip
    fit: JoinerFit = declared(
        "glue", "Fit", "How the spigots sit in the bores: with room for glue, pushed in by hand, pressed in or sliding",
        meaning="how the spigots sit in the bores: with room for glue, pushed in by hand, pressed in, or sliding in "
        "and out of every tube that keeps to its tolerances",
    )  # fmt: skip
    second_fit: SecondFit = declared(
        "as the first", "Second Fit", "How the second spigot sits in its bore, if not as the first one does",
        meaning="how the second spigot sits in its bore, if not as the first one does: a frame that comes apart is "
        "glued into one tube (`fit = \"glue\"`) and slides in the other (`second_fit = \"slide\"`). The first tube is "
        "the wider one, and of tubes alike the one that lists name first",
    )  # fmt: skip
    gap_mm: float | None = declared(
        None, "Gap", "Gap between spigots and bores on each side; automatic, it follows from each tube's tolerance",
        automatic="by tolerance",
        meaning="gap between spigots and bores, per side. Automatic, it follows from each tube's tolerance, as a "
        "glued cap's does, where they are glued or slide; push and press fits take the fit class's own gap. A number "
        "is that of both spigots if they have one fit, else that of the first",
    )  # fmt: skip
    second_gap_mm: float | None = declared(
        None, "Second Gap", "Gap of the second spigot; automatic, as the first one's where both have one fit",
        automatic="by fit",
    )  # fmt: skip
    corner_mm: float | None = declared(
        None, "Corner", "How much rounder the corners of a rectangular spigot are than the bore's", least=0.0,
        automatic="by tolerance", sections=("rect",),
    )  # fmt: skip
    lead_in_mm: float = declared(1.0, "Lead-in", "Chamfer at each spigot's tip, to start it in the bore")
    groove: Grooves = Grooves()
    seam: SeamRelief = SeamRelief()
    rib: Ribs = Ribs()
    cross: CrossHoles = CrossHoles()
    screw: Screws = Screws()
    hollow_wall_mm: float = declared(
        0.0, "Spigot Wall", "Wall of hollow spigots; 0 for solid ones", group="Hollow",
        meaning="wall of spigots that are hollow from their tips to the middle; 0 for solid ones",
    )  # fmt: skip
    up: JoinerUp = declared(
        "auto", "Way Up", "How the joiner lies or stands on the plate", group="On the Plate",
        meaning="how the joiner lies or stands on the plate. Auto lays it down, so that no layer runs across a tube's "
        "axis, where a bent joiner would break between layers; one in line stands where it would be longer than the "
        "plate, or its spigots would not lie on it together. Lying down, a round spigot has a flat, and a collar ends "
        "flush with the spigots on the plate's side",
    )  # fmt: skip

    @property
    def fits(self) -> tuple[tuple[str, float], tuple[str, float]]:
        """Fit class and gap of the first and of the second spigot."""
        first = self.fit, self.gap_mm or 0.0
        return first, first if self.second_fit == "as the first" else (self.second_fit, self.second_gap_mm or 0.0)

    @property
    def conditions(self) -> frozenset[Condition]:
        """What it brings about that asks for cautions."""
        holds: dict[Condition, bool] = {
            "joiner": True,
            "glue": any(fit == "glue" for fit, _ in self.fits),
            "paste": any(fit_named(fit).takes_paste(gap) for fit, gap in self.fits),
            "press fit or ribs": any(fit == "press" or (fit == "glue" and self.rib.count != 0) for fit, _ in self.fits),
            "insert": self.screw.kind == "insert",
        }
        return frozenset(condition for condition, here in holds.items() if here)
