# SPDX-License-Identifier: GPL-3.0-or-later
"""The numbers a fabricator chooses for a cap, a foot or a plug."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Crown = Literal["dome", "low dome", "flat", "peaked"]
Edge = Literal["square", "rounded", "chamfered"]
FitClass = Literal["glue", "push", "press"]
Vent = Literal["none", "channel", "hole"]
SeamRelief = Literal["none", "flat", "notch"]
Hole = Literal["none", "through", "nut pocket", "insert"]

CROWNS: tuple[Crown, ...] = get_args(Crown)


@dataclass(frozen=True)
class Recipe:
    """Every number in mm or degrees. None means: what suits the section, decided by ``resolve``."""

    crown: Crown = "dome"
    rise_mm: float | None = None
    """Height of the crown above the shoulder; for a dome at most half the crown's width, where it is a hemisphere."""
    lip_mm: float = 0.0
    """How far the crown stands past the tube, per side; negative sets it back."""
    edge: Edge = "rounded"
    """Upper edge of a flat crown."""
    edge_mm: float | None = None
    spigot_mm: float = 8.0
    """Length of the part inside, along the tube's axis."""
    fit: FitClass = "glue"
    gap_mm: float | None = None
    """Per side, between spigot and bore; None takes the fit class's."""
    lead_in_mm: float = 0.5
    groove_count: int = 1
    groove_width_mm: float = 3.0
    groove_depth_mm: float = 1.0
    vent: Vent = "none"
    vent_width_mm: float = 2.0
    vent_depth_mm: float = 1.0
    seam_relief: SeamRelief = "none"
    seam_angle_deg: float = 0.0
    """Counter-clockwise from the section's width direction, seen from outside the tube."""
    seam_width_mm: float = 4.0
    seam_depth_mm: float = 0.8
    rib_count: int = 0
    rib_height_mm: float = 0.3
    rib_width_mm: float = 1.0
    hole: Hole = "none"
    thread: str = "M8"
    """Which bolt, nut or insert the hole is for: a name in the hardware table."""
    hollow_wall_mm: float = 0.0
    """Wall of a hollow spigot; 0 keeps it solid."""

    @property
    def relief_mm(self) -> float:
        """How high a weld seam the relief makes room for."""
        return self.seam_depth_mm if self.seam_relief != "none" else 0.0
