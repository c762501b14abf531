# SPDX-License-Identifier: GPL-3.0-or-later
"""Crown and spigot in height: insets and heights as polylines, all in mm."""

from __future__ import annotations

import math
from collections.abc import Callable
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
    profile = CROWN_SHAPES[recipe.crown].profile(recipe, reach, fineness)
    profile[0] = 0.0
    profile[-1, 1] = float(recipe.rise_mm or 0)
    return profile


def _dome(recipe: Recipe, reach: float, fineness: Fineness) -> Floats:
    rise = float(recipe.rise_mm or 0)
    radius = (reach**2 + rise**2) / (2 * rise)  # spherical cap: any geometry handbook
    sweep = math.asin(min(reach / radius, 1.0))
    turn = np.linspace(sweep, 0, fineness.steps(radius, sweep) + 1)
    return np.column_stack([reach - radius * np.sin(turn), radius * np.cos(turn) - (radius - rise)])


def _low_dome(recipe: Recipe, reach: float, fineness: Fineness) -> Floats:
    rise = float(recipe.rise_mm or 0)
    turn = np.linspace(0, np.pi / 2, fineness.steps(max(reach, rise)) + 1)
    return np.column_stack([reach * (1 - np.cos(turn)), rise * np.sin(turn)])


def _flat(recipe: Recipe, reach: float, fineness: Fineness) -> Floats:
    rise, edge = float(recipe.rise_mm or 0), float(recipe.edge_mm or 0)
    if edge == 0:
        return np.array([(0, 0), (0, rise)])
    turn = np.linspace(0, np.pi / 2, fineness.steps(edge, least=4) + 1 if recipe.edge == "rounded" else 2)
    profile = np.column_stack([edge * (1 - np.cos(turn)), rise - edge + edge * np.sin(turn)])
    return np.insert(profile, 0, 0.0, axis=0) if edge < rise else profile


def _peaked(recipe: Recipe, reach: float, fineness: Fineness) -> Floats:
    return np.array([(0, 0), (reach, float(recipe.rise_mm or 0))])


@dataclass(frozen=True)
class CrownShape:
    profile: Callable[[Recipe, float, Fineness], Floats]
    """As ``crown_profile``."""
    usual_rise: Callable[[float], float]
    """In mm, from how far the crown's outline can move inward."""
    domed: bool = False
    """Whether it rises to a hemisphere at most."""


CROWN_SHAPES: dict[str, CrownShape] = {
    "dome": CrownShape(_dome, lambda reach: reach, domed=True),
    "low dome": CrownShape(_low_dome, lambda reach: reach / 3, domed=True),
    "flat": CrownShape(_flat, lambda reach: 4.0),
    "peaked": CrownShape(_peaked, lambda reach: reach / 2),
}
