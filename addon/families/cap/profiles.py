# SPDX-License-Identifier: GPL-3.0-or-later
"""The outlines of crown and spigot in height: insets and heights as polylines, all in mm."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ...geometry.frames import Floats
from ...shaping.contours import Fineness
from .recipe import Recipe

FLOOR_MM = 1.0
"""What a hollow spigot keeps under the rim's plane, so that the crown does not end in a hole."""


@dataclass(frozen=True)
class Groove:
    """A glue groove between two heights below the rim, both negative."""

    bottom: float
    top: float


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


def grooves(recipe: Recipe) -> tuple[Groove, ...]:
    """Equal lands between equal grooves, from the tip to the rim, so that they lie centred on the spigot."""
    count, width = recipe.groove.count, recipe.groove.width_mm
    land = (recipe.spigot_mm - count * width) / (count + 1)
    bottoms = [-recipe.spigot_mm + land + index * (land + width) for index in range(count)]
    return tuple(Groove(bottom, bottom + width) for bottom in bottoms)


def lands(recipe: Recipe) -> list[tuple[float, float]]:
    """Bottom and top of what is left of the spigot's side beside the grooves, from the tip to the rim."""
    edges = [recipe.lead_in_mm - recipe.spigot_mm]
    for groove in grooves(recipe):
        edges += [groove.bottom, groove.top]
    return list(zip(edges[::2], [*edges[1::2], 0.0], strict=True))


def spigot_profile(recipe: Recipe) -> tuple[Floats, list[str]]:
    """(k, 2): insets from the spigot's outline and heights, from the tip (or the hollow's floor) to the rim, and the
    names of the cap at its start and of the k - 1 surfaces that follow."""
    length, lead_in = recipe.spigot_mm, recipe.lead_in_mm
    points, names = [], []
    if recipe.hollow_wall_mm:
        points += [(recipe.hollow_wall_mm, -FLOOR_MM), (recipe.hollow_wall_mm, -length)]
        names += ["hollow", "hollow"]
    names.append("tip")
    if lead_in:
        points.append((lead_in, -length))
        names.append("lead-in")
    points.append((0.0, lead_in - length))
    for groove in grooves(recipe):
        depth = recipe.groove.depth_mm
        points += [(0.0, groove.bottom), (depth, groove.bottom), (depth, groove.top), (0.0, groove.top)]
        names += ["spigot", "groove", "groove", "groove"]
    points.append((0.0, 0.0))
    names.append("spigot")
    return np.array(points), names
