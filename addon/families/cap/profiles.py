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


@dataclass(frozen=True)
class Land:
    """The straight-sided last layer of a crown."""

    inradius_mm: float
    """Whole rings of the process's bead."""
    under_mm: float
    """Inner radius of the crown where the land begins."""
    bottom_mm: float
    top_mm: float
    """Both above the rim."""


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
    land: Land | None = None


def crown_profile(recipe: Recipe, reach: float, fineness: Fineness, land: Land | None = None) -> Floats:
    """(k, 2): insets from the crown's outline and heights above the rim, from (0, 0) to the top, neither ever falling.

    ``recipe`` is a resolved one, ``reach`` how far the crown's outline can move inward.
    """
    profile, rise = CROWN_SHAPES[recipe.crown].profile(recipe, reach, fineness), float(recipe.rise_mm or 0)
    profile[0] = 0.0
    profile[-1, 1] = rise
    return _landed(profile, land, reach) if land else profile


def _landed(profile: Floats, land: Land, reach: float) -> Floats:
    """The profile up to the land, and the land's ledge, side and top."""
    edge, under, start = reach - land.inradius_mm, reach - land.under_mm, land.bottom_mm
    if edge < under:
        # The land is wider than the crown under it, which meets it a little lower; so steep a tip that it would be
        # more than half a layer lower, narrower than one bead, is made wider instead.
        start = float(np.interp(edge, profile[:, 0], profile[:, 1]))
        if land.bottom_mm - start > (land.top_mm - land.bottom_mm) / 2:
            profile, start = profile * (edge / under, 1.0), land.bottom_mm
        under = edge
    up_to_land = profile[(profile[:, 1] < start) & (profile[:, 0] < under)]
    return np.concatenate([up_to_land, [(under, start), (edge, start), (edge, land.top_mm)]])


def _domed_rise(recipe: Recipe, reach: float) -> float:
    """A hemisphere's at most; a rise on layers may lie past it."""
    return min(float(recipe.rise_mm or 0), reach)


def _dome(recipe: Recipe, reach: float, fineness: Fineness) -> Floats:
    rise = _domed_rise(recipe, reach)
    radius = (reach**2 + rise**2) / (2 * rise)  # spherical cap: any geometry handbook
    sweep = math.asin(min(reach / radius, 1.0))
    turn = np.linspace(sweep, 0, fineness.steps(radius, sweep) + 1)
    return np.column_stack([reach - radius * np.sin(turn), radius * np.cos(turn) - (radius - rise)])


def _low_dome(recipe: Recipe, reach: float, fineness: Fineness) -> Floats:
    rise = _domed_rise(recipe, reach)
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
