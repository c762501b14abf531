# SPDX-License-Identifier: GPL-3.0-or-later
"""The numbers a fabricator chooses for a cap, a foot or a plug."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from ...fields.declared import declared
from ...shaping.features import BoltHole, CrossHoles, Grooves, Ribs, SeamRelief, Vent
from ...trade.cautions import Condition
from ...trade.fits import fit_named
from ..spigot_limits import LEAST_FLOOR_MM, FitName

Crown = Literal["dome", "low dome", "flat", "peaked"]
Edge = Literal["square", "rounded", "chamfered"]
TopKind = Literal["land", "as drawn"]
Up = Literal["auto", "crown up", "crown down"]


@dataclass(frozen=True)
class Recipe:
    """Every number in mm or degrees. None means: what suits the section, decided by ``resolve``."""

    crown: Crown = declared(
        "dome", "Crown", "Shape of the part that stays outside the tube",
        meaning="shape of the part that stays outside the tube. A dome is part of a sphere, and a hemisphere at full "
        "rise; a low dome is part of an ellipse; a peak is a cone on round tube, a hip on all others",
    )  # fmt: skip
    rise_mm: float | None = declared(None, "Rise", "Height of the crown above the rim", automatic="by section")
    """For a dome at most half the crown's width, where it is a hemisphere."""
    lip_mm: float = declared(
        0.0, "Lip", "How far the crown stands out past the tube on each side; negative for a set-back"
    )
    top: TopKind = declared(
        "land", "Top", "Whether the crown's last layer is straight-sided and whole rings wide, so that it closes",
        shown=lambda recipe: recipe.crown != "flat",
        meaning="whether a dome's or a peak's last layer is straight-sided and whole rings of the process's bead wide, "
        "so that it closes however the printing program cuts it, less than a layer from the crown as drawn. A crown "
        "with a hole through it ends level around the hole, unless the end is mitred",
    )  # fmt: skip
    edge: Edge = declared(
        "chamfered", "Edge", "Shape of a flat crown's upper edge", shown=lambda recipe: recipe.crown == "flat",
    )  # fmt: skip
    edge_mm: float | None = declared(
        None, "Edge Size", "Radius or chamfer of a flat crown's upper edge", automatic="by section",
        shown=lambda recipe: recipe.crown == "flat" and recipe.edge != "square",
    )  # fmt: skip
    spigot_mm: float = declared(
        8.0, "Spigot", "Length of the part inside, along the tube's axis", least=0.5, most=1000.0
    )
    fit: FitName = declared(
        "glue", "Fit", "How the spigot sits in the bore: with room for glue, pushed in by hand, or pressed in"
    )
    gap_mm: float | None = declared(
        None, "Gap", "Gap between spigot and bore on each side; automatic, it follows from the tube's tolerance",
        automatic="by tolerance",
        meaning="gap between spigot and bore, per side. Automatic, a glued spigot is made so much smaller that it goes "
        "in whatever the tube's and the print's tolerances leave of the gap, up to the 1 mm that two-part epoxy fills, "
        "or, where that is not enough, the 3 mm that a filled paste fills; ribs keep it central. Push and press fits "
        "take the fit class's own gap",
    )  # fmt: skip
    corner_mm: float | None = declared(
        None, "Corner", "How much rounder the corners of a rectangular spigot are than the bore's", least=0.0,
        automatic="by tolerance", sections=("rect",),
        meaning="how much larger the radius of a rectangular spigot's corners is than that of the bore's, moved inward "
        "by the gap. Automatic with an automatic gap: the corners are then as round as the bore's may be",
    )  # fmt: skip
    lead_in_mm: float = declared(0.5, "Lead-in", "Chamfer at the spigot's tip, to start it in the bore")
    groove: Grooves = Grooves()
    vent: Vent = Vent()
    seam: SeamRelief = SeamRelief()
    rib: Ribs = Ribs()
    cross: CrossHoles = CrossHoles()
    hole: BoltHole = BoltHole()
    hollow_wall_mm: float = declared(
        0.0, "Spigot Wall", "Wall of a hollow spigot; 0 for a solid one", group="Hole and Hollow"
    )
    up: Up = declared(
        "auto", "Way Up", "How the fitting stands on the plate; auto lays a flat crown down where that saves support",
        group="On the Plate",
        meaning="how the fitting stands on the plate. Auto lays a flat crown down, unless its edge leans out further "
        "than the process carries (as one rounded by more than 1 mm does) or a pocket in it, no deeper than its rise, "
        "has a large floor; all other crowns point up",
    )  # fmt: skip

    def groove_roof_mm(self, mitre_deg: float) -> float:
        """How much of a groove's width its sloping face takes.

        On a mitred end the spigot leans as it stands to be printed. Where it leans out, a face of 45° is steeper along
        the spigot by (1 + t²) / (1 - t), t being the mitre's tangent; there is none from 45° on."""
        if self.groove.roof == "square" or not self.groove.count:
            return 0.0
        lean = math.tan(math.radians(mitre_deg))
        steepness = (1 + lean**2) / (1 - lean) if lean < 1 - 1e-9 else math.inf
        return min(self.groove.depth_mm * steepness, self.groove.width_mm - LEAST_FLOOR_MM)

    @property
    def has_land(self) -> bool:
        """Whether the crown comes to a point or a ridge that a land is to close; a hole through it takes that away."""
        return self._landed and not self._pierced

    @property
    def ends_level(self) -> bool:
        """Whether it is cut level around a hole through it."""
        return self._landed and self._pierced and self.up != "crown down"

    @property
    def _landed(self) -> bool:
        return self.top == "land" and self.crown != "flat"

    @property
    def _pierced(self) -> bool:
        return self.hole.kind != "none" or self.vent.kind == "hole"

    @property
    def conditions(self) -> frozenset[Condition]:
        """What it brings about that asks for cautions."""
        holds: dict[Condition, bool] = {
            "glue": self.fit == "glue",
            "paste": fit_named(self.fit).takes_paste(self.gap_mm or 0.0),
            "press fit or ribs": self.fit == "press" or (self.fit == "glue" and self.rib.count != 0),
            "hole": self.hole.kind != "none",
            "insert": self.hole.kind == "insert",
            "no vent": self.vent.kind == "none",
        }
        return frozenset(condition for condition, here in holds.items() if here)
