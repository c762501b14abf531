# SPDX-License-Identifier: GPL-3.0-or-later
"""The review of our own fittings, whose heights have names and belong to fields of the recipe."""

from __future__ import annotations

import numpy as np

from ..families.fitting import Fitting
from ..trade.processes import Material, Process
from .review import Review, review


def review_fitting(fitting: Fitting, process: Process, name: str = "", material: Material | None = None) -> Review:
    """The review of a fitting as it stands to be printed. The kernel made its mesh, so crossings are not looked for.

    ``material`` as in ``review``.
    """
    standing, frame = fitting.standing(), fitting.print_frame
    heights = standing.vertices[standing.triangles[fitting.has(*fitting.seen)], 2]
    low, high = float(heights.min()), float(heights.max())
    bottom, top = (float(z) for z in standing.bounds[:, 2])
    close, past = 1e-6 * (top - bottom), process.layer_mm
    return review(
        standing,
        process,
        name=name,
        # A hole takes the point off a top, and with it the height that is named.
        levels=[level for level in fitting.levels() if level.z_mm <= top + close],
        # A flat face at the plate or on top counts too.
        seen_mm=(
            low - past if low < bottom + close else low + close,
            high + past if high > top - close else high - close,
        ),
        seen_name=fitting.seen_name,
        material=material,
        support_planned=True,
        solid=fitting.solid.transform(np.column_stack([frame.axes, -frame.axes @ frame.origin])),
    )
