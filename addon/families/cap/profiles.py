# SPDX-License-Identifier: GPL-3.0-or-later
"""Crown and spigot in height: insets and heights as polylines, all in mm."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ...geometry.frames import Floats
from ...geometry.sections import Outline
from ...shaping.contours import Fineness
from .recipe import Recipe


@dataclass(frozen=True, eq=False)
class CapProfile:
    """What was designed, before facets: for drawings. Heights are above the rim, for the spigot along the axis."""

    crown_outline: Outline
    """In the rim's plane, seen square to it."""
    crown: Floats
    """(k, 2): insets from the crown's outline and heights, from the rim to the top."""
    spigot_outline: Outline
    """Square to the axis."""
    spigot: Floats
    """(k, 2): insets from the spigot's outline and heights, from the tip (or the hollow's floor) to the rim."""


def crown_profile(recipe: Recipe, reach: float, fineness: Fineness) -> Floats:
    """(k, 2): insets from the crown's outline and heights above the rim, from (0, 0) to the top, neither ever falling.

    ``recipe`` is a resolved one, ``reach`` how far the crown's outline can move inward.
    """
    rise, edge = float(recipe.rise_mm or 0), float(recipe.edge_mm or 0)
    if recipe.crown == "dome":
        radius = (reach**2 + rise**2) / (2 * rise)  # spherical cap: any geometry handbook
        sweep = math.asin(min(reach / radius, 1.0))
        turn = np.linspace(sweep, 0, fineness.steps(radius, sweep) + 1)
        profile = np.column_stack([reach - radius * np.sin(turn), radius * np.cos(turn) - (radius - rise)])
    elif recipe.crown == "low dome":
        turn = np.linspace(0, np.pi / 2, fineness.steps(max(reach, rise)) + 1)
        profile = np.column_stack([reach * (1 - np.cos(turn)), rise * np.sin(turn)])
    elif recipe.crown == "peaked":
        profile = np.array([(0, 0), (reach, rise)])
    elif edge == 0:
        profile = np.array([(0, 0), (0, rise)])
    else:
        turn = np.linspace(0, np.pi / 2, fineness.steps(edge, least=4) + 1 if recipe.edge == "rounded" else 2)
        profile = np.column_stack([edge * (1 - np.cos(turn)), rise - edge + edge * np.sin(turn)])
        if edge < rise:
            profile = np.insert(profile, 0, 0.0, axis=0)
    profile[0] = 0.0
    profile[-1, 1] = rise
    return profile
