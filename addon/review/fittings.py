# SPDX-License-Identifier: GPL-3.0-or-later
"""The review of our own fittings, whose heights have names and belong to fields of the recipe."""

from __future__ import annotations

import numpy as np

from ..families.cap.profiles import grooves
from ..families.fitting import Fitting
from ..trade.processes import Material, Process
from .layers import Level
from .review import Review, review


def review_fitting(fitting: Fitting, process: Process, name: str = "", material: Material | None = None) -> Review:
    """The review of a fitting as it stands, crown up. The kernel made its mesh, so crossings are not looked for.

    ``material`` as in ``review``.
    """
    standing, shoulder = fitting.standing(), fitting.shoulder_mm
    return review(
        standing,
        process,
        name=name,
        levels=fitting_levels(fitting),
        crown_mm=(shoulder, float(standing.bounds[1, 2])),
        material=material,
        solid=fitting.solid.transform(np.column_stack([fitting.rim_frame.axes, (0.0, 0.0, shoulder)])),
    )


def fitting_levels(fitting: Fitting) -> tuple[Level, ...]:
    """The heights of a standing fitting that should lie on a layer. On a mitred end the grooves are not level."""
    recipe = fitting.recipe
    shoulder = fitting.shoulder_mm
    rise = float(recipe.rise_mm or 0.0)
    square = fitting.mitre_deg == 0
    levels = [
        Level("shoulder", shoulder, "spigot_mm" if square else "", recipe.spigot_mm),
        Level("top", shoulder + rise, "rise_mm", rise, most_mm=_most_rise(fitting)),
    ]
    if square:
        # A single groove lies centred on the spigot, so its faces move half as much as its width.
        field = "groove_width_mm" if recipe.groove.count == 1 else ""
        for groove in grooves(recipe):
            width = recipe.groove.width_mm
            levels.append(Level("groove's lower face", shoulder + groove.bottom, field, width, -2.0))
            levels.append(Level("groove's upper face", shoulder + groove.top, field, width, 2.0))
    return tuple(sorted(levels, key=lambda level: level.z_mm))


def _most_rise(fitting: Fitting) -> float:
    """A dome's top, where its outline has shrunk to nothing, is no higher than a hemisphere's."""
    return float(fitting.profile.crown[:, 0].max()) if fitting.recipe.crown in ("dome", "low dome") else np.inf
