# SPDX-License-Identifier: GPL-3.0-or-later
"""Glue: how much surface it holds by, and how much of it a joint takes. docs/bench.md has the sums."""

from __future__ import annotations

from dataclasses import dataclass

from ..families.fitting import Fitting
from ..geometry.mesh import Mesh


@dataclass(frozen=True)
class GlueJoint:
    gap_mm: float
    """Per side."""
    bond_area_mm2: float
    """Side of the spigot from the shoulder to the lead-in, without groove openings, vent channel and seam relief."""
    volume_mm3: float
    """What fills the gap along that length, the grooves and the seam relief; a vent channel stays free."""


def glue_joint(fitting: Fitting, gap_mm: float | None = None) -> GlueJoint | None:
    """The joint between a fitting's spigot and its bore; None where the fit class is not "glue".

    The bond area is that of the solid's own surface. ``gap_mm`` is the gap per side once it is printed, where that is
    not the one drawn.
    """
    recipe = fitting.recipe
    if recipe.fit != "glue":
        return None
    gap = float(recipe.gap_mm or 0) if gap_mm is None else gap_mm
    of_spigot = fitting.surfaces == fitting.surface_names.index("spigot")
    side = Mesh(fitting.mesh.vertices, fitting.mesh.triangles[of_spigot])
    return GlueJoint(gap, side.area, recipe.spigot.room_in(fitting.section, gap, recipe.vent))
