# SPDX-License-Identifier: GPL-3.0-or-later
"""The review of our own fittings, whose heights have names and belong to fields of the recipe."""

from __future__ import annotations

import numpy as np

from ..families.fitting import Fitting
from ..geometry.mesh import Mesh
from ..trade.processes import Material, Process
from .review import NOTHING_SEEN, Review, review


def _seen(fitting: Fitting, standing: Mesh, close: float, past: float) -> tuple[float, float]:
    """Between which heights lies what is seen; a flat face at the plate or on top counts too."""
    heights = standing.vertices[standing.triangles[fitting.has(*fitting.seen)], 2]
    (low, high), (bottom, top) = (heights.min(), heights.max()), standing.bounds[:, 2]
    return (
        float(low - past if low < bottom + close else low + close),
        float(high + past if high > top - close else high - close),
    )


def review_fitting(fitting: Fitting, process: Process, name: str = "", material: Material | None = None) -> Review:
    """The review of a fitting as it stands to be printed. The kernel made its mesh, so crossings are not looked for.

    ``material`` as in ``review``.
    """
    standing, frame = fitting.standing(), fitting.print_frame
    bottom, top = (float(z) for z in standing.bounds[:, 2])
    close = 1e-6 * (top - bottom)
    return review(
        standing,
        process,
        name=name,
        # A hole takes the point off a top, and with it the height that is named.
        levels=[level for level in fitting.levels() if level.z_mm <= top + close],
        seen_mm=_seen(fitting, standing, close, process.layer_mm) if fitting.seen else NOTHING_SEEN,
        seen_name=fitting.seen_name,
        material=material,
        support_planned=True,
        offer_ways=not fitting.stands_by_load,
        solid=fitting.solid.transform(np.column_stack([frame.axes, -frame.axes @ frame.origin])),
    )
