# SPDX-License-Identifier: GPL-3.0-or-later
"""The review of our own fittings, whose heights have names and belong to fields of the recipe."""

from __future__ import annotations

import numpy as np

from ..families.fitting import Fitting
from ..trade.processes import Material, Process
from .layers import Level
from .review import Review, review


def review_fitting(fitting: Fitting, process: Process, name: str = "", material: Material | None = None) -> Review:
    """The review of a fitting as it stands to be printed. The kernel made its mesh, so crossings are not looked for.

    ``material`` as in ``review``.
    """
    standing, shoulder, frame = fitting.standing(), fitting.shoulder_mm, fitting.print_frame
    # A flat top counts too.
    bottom, top = -process.layer_mm, float(standing.bounds[1, 2]) + process.layer_mm
    return review(
        standing,
        process,
        name=name,
        levels=fitting_levels(fitting),
        crown_mm=(bottom, shoulder) if fitting.crown_down else (shoulder, top),
        material=material,
        solid=fitting.solid.transform(np.column_stack([frame.axes, -frame.axes @ frame.origin])),
    )


def fitting_levels(fitting: Fitting) -> tuple[Level, ...]:
    """The heights of a standing fitting that should lie on a layer. On a mitred end the grooves are not level."""
    recipe = fitting.recipe
    shoulder = fitting.shoulder_mm
    rise = float(recipe.rise_mm or 0.0)
    square = fitting.mitre_deg == 0
    spigot = ("spigot_mm", recipe.spigot_mm) if square else ("", 0.0)
    if fitting.crown_down:
        levels = [Level("shoulder", shoulder, "rise_mm", rise, most_mm=_most_rise(fitting))]
        levels += [Level("top", shoulder + recipe.spigot_mm, *spigot)] if square else []
    else:
        levels = [
            Level("shoulder", shoulder, *spigot),
            Level("top", shoulder + rise, "rise_mm", rise, most_mm=_most_rise(fitting)),
        ]
    if square:
        # A single groove lies centred on the spigot, so its faces move half as much as its width.
        field = "groove_width_mm" if recipe.groove.count == 1 else ""
        for groove in recipe.spigot.grooves:
            width, heights = recipe.groove.width_mm, (groove.bottom, groove.top)
            low, high = sorted(shoulder - z if fitting.crown_down else shoulder + z for z in heights)
            levels.append(Level("groove's lower face", low, field, width, -2.0))
            levels.append(Level("groove's upper face", high, field, width, 2.0))
    return tuple(sorted(levels, key=lambda level: level.z_mm))


def _most_rise(fitting: Fitting) -> float:
    """A dome's top, where its outline has shrunk to nothing, is no higher than a hemisphere's."""
    return float(fitting.profile.crown[:, 0].max()) if fitting.recipe.crown in ("dome", "low dome") else np.inf
