# SPDX-License-Identifier: GPL-3.0-or-later
"""The numbers a fabricator chooses for a cap, a foot or a plug."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

from ...fields.declared import declared
from ...shaping.features import BoltHole, Grooves, Ribs, SeamRelief, Vent
from ...shaping.spigots import Spigot, even_grooves
from ...trade.cautions import Condition

Crown = Literal["dome", "low dome", "flat", "peaked"]
Edge = Literal["square", "rounded", "chamfered"]
FitName = Literal["glue", "push", "press"]
Up = Literal["auto", "crown up", "crown down"]

LEAST_FLOOR_MM = 0.3
"""What a groove's sloping face leaves of its floor."""

CROWNS: tuple[Crown, ...] = get_args(Crown)


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
    edge: Edge = declared(
        "rounded", "Edge", "Shape of a flat crown's upper edge", shown=lambda recipe: recipe.crown == "flat",
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
        None, "Gap", "Gap between spigot and bore on each side; the fit class decides it if automatic",
        automatic="by fit", meaning="gap between spigot and bore, per side",
    )  # fmt: skip
    lead_in_mm: float = declared(0.5, "Lead-in", "Chamfer at the spigot's tip, to start it in the bore")
    groove: Grooves = Grooves()
    vent: Vent = Vent()
    seam: SeamRelief = SeamRelief()
    rib: Ribs = Ribs()
    hole: BoltHole = BoltHole()
    hollow_wall_mm: float = declared(
        0.0, "Spigot Wall", "Wall of a hollow spigot; 0 for a solid one", group="Hole and Hollow"
    )
    up: Up = declared(
        "auto", "Way Up", "How the fitting stands on the plate; auto lays a flat crown down where that saves support",
        group="On the Plate",
        meaning="how the fitting stands on the plate. Auto lays a flat crown down, unless its edge is rounded by more "
        "than 1 mm or the floor of a pocket in it is large; all other crowns point up",
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

    def spigot(self, mitre_deg: float) -> Spigot:
        """Of a resolved recipe."""
        grooves = even_grooves(
            self.spigot_mm, self.groove, self.groove_roof_mm(mitre_deg), roof_down=self.up == "crown down"
        )
        depth = self.groove.depth_mm if grooves else 0.0
        return Spigot(self.spigot_mm, self.lead_in_mm, self.hollow_wall_mm, grooves, depth, self.seam, self.rib)

    @property
    def conditions(self) -> frozenset[Condition]:
        """What it brings about that asks for cautions."""
        holds: dict[Condition, bool] = {
            "glue": self.fit == "glue",
            "press fit": self.fit == "press",
            "hole": self.hole.kind != "none",
            "insert": self.hole.kind == "insert",
            "no vent": self.vent.kind == "none",
        }
        return frozenset(condition for condition, here in holds.items() if here)
