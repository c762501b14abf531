# SPDX-License-Identifier: GPL-3.0-or-later
"""The part inside the tube, as for a square-cut end: rim at z = 0, tip down."""

from __future__ import annotations

import numpy as np
from manifold3d import CrossSection, JoinType, Manifold, OpType

from .cutters import prism, ribs, seam_cutters
from .plans import Plan
from .profiles import FLOOR_MM, grooves, spigot_profile
from .recipe import Recipe
from .rings import has_rings, loft, rings
from .shells import Shell, tool, without_rim


def spigot(recipe: Recipe, plan: Plan) -> Shell:
    """The spigot's shell, open at the rim. ``recipe`` is a resolved one, ``plan`` the bore less the gap."""
    if has_rings(plan.outline):
        shell, bare = _lofted(recipe, plan), []
    else:
        shell, bare = _raised(recipe, plan), _hollows(recipe, plan)
    added, removed = ribs(recipe, plan), seam_cutters(recipe, plan)
    if not (bare or added or removed):
        return shell
    solid = Manifold.batch_boolean([shell.closed(), *bare], OpType.Subtract)
    solid = Manifold.batch_boolean([solid, *added], OpType.Add)
    return without_rim(Manifold.batch_boolean([solid, *removed], OpType.Subtract))


def _lofted(recipe: Recipe, plan: Plan) -> Shell:
    profile, (cap, *names) = spigot_profile(recipe)
    return loft(rings(plan.outline, profile[:, 0], plan.facets), profile[:, 1], names, first=cap)


def _raised(recipe: Recipe, plan: Plan) -> Shell:
    """Without grooves and hollow."""
    length, lead_in = recipe.spigot_mm, recipe.lead_in_mm
    profile = [(0, 0), (0, length - lead_in)] + [(lead_in, length)] * (lead_in > 0)
    return plan.raised(np.array(profile, float), "spigot", "lead-in", "tip").hanging()


def _hollows(recipe: Recipe, plan: Plan) -> list[Manifold]:
    """What to take away for grooves and hollow where the outline has no equal rings."""
    whole = CrossSection([plan.polygon])
    found = []
    if recipe.groove_count:
        ring = whole.offset(1.0, JoinType.Miter, 4.0) - whole.offset(-recipe.groove_depth_mm, JoinType.Miter, 4.0)
        found += [tool(prism(ring, groove.bottom, groove.top), "groove") for groove in grooves(recipe)]
    if recipe.hollow_wall_mm:
        inside = whole.offset(-recipe.hollow_wall_mm, JoinType.Miter, 4.0)
        found.append(tool(prism(inside, -recipe.spigot_mm - 1.0, -FLOOR_MM), "hollow"))
    return found
