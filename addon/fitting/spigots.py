# SPDX-License-Identifier: GPL-3.0-or-later
"""The part inside the tube, as for a square-cut end: rim at z = 0, tip down."""

from __future__ import annotations

import numpy as np
from manifold3d import Manifold, OpType

from .cutters import PAST_MM, prism, ribs, seam_cutters
from .plans import Plan
from .profiles import FLOOR_MM, grooves, spigot_profile
from .recipe import Recipe
from .rings import has_rings, loft, rings
from .shells import Shell, sound, tool, without_rim


def spigot(recipe: Recipe, plan: Plan) -> Shell:
    """The spigot's shell, open at the rim. ``recipe`` is a resolved one, ``plan`` the bore less the gap."""
    added = ribs(recipe, plan)
    removed = seam_cutters(recipe, plan)
    if has_rings(plan.outline) and not added:
        shell = _lofted(recipe, plan)
    else:
        # Grooves run on through ribs, so they are cut after these.
        shell = _raised(recipe, plan)
        removed += _hollows(recipe, plan)
    if not (added or removed):
        return shell
    # The rim is cut last, through everything that stands past it.
    past = shell.vertices + (shell.vertices[:, 2:] == 0) * (0.0, 0.0, PAST_MM)
    everything = prism(plan.grown(2 * PAST_MM), 0.0, 2 * PAST_MM)
    solid = Manifold.batch_boolean([shell.moved(past).closed(), *added], OpType.Add)
    return sound(without_rim(Manifold.batch_boolean([solid, *removed, tool(everything, "rim")], OpType.Subtract)))


def _lofted(recipe: Recipe, plan: Plan) -> Shell:
    profile, (cap, *names) = spigot_profile(recipe)
    return loft(rings(plan.outline, profile[:, 0], plan.facets), profile[:, 1], names, first=cap)


def _raised(recipe: Recipe, plan: Plan) -> Shell:
    """Without grooves and hollow."""
    length, lead_in = recipe.spigot_mm, recipe.lead_in_mm
    profile = [(0, 0), (0, length - lead_in)] + [(lead_in, length)] * (lead_in > 0)
    return plan.raised(np.array(profile, float), "spigot", "lead-in", "tip").hanging()


def _hollows(recipe: Recipe, plan: Plan) -> list[Manifold]:
    """What to take away for grooves and hollow."""
    found = []
    if recipe.groove_count:
        ring = plan.grown(2 * PAST_MM) - plan.grown(-recipe.groove_depth_mm)
        found += [tool(prism(ring, groove.bottom, groove.top), "groove") for groove in grooves(recipe)]
    if recipe.hollow_wall_mm:
        inside = plan.grown(-recipe.hollow_wall_mm)
        found.append(tool(prism(inside, -recipe.spigot_mm - PAST_MM, -FLOOR_MM), "hollow"))
    return found
