# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a process's layers end, for heights that are drawn on them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..trade.processes import Process

CLOSE_MM = 1e-6


@dataclass(frozen=True)
class LayerEdges:
    """Where the process's layers end, up from the plate."""

    first_mm: float
    layer_mm: float

    @classmethod
    def of(cls, process: Process) -> LayerEdges:
        return cls(process.first_layer_mm, process.layer_mm)

    @property
    def above_the_first(self) -> LayerEdges:
        """The same, up from an edge."""
        return LayerEdges(self.layer_mm, self.layer_mm)

    def nearest(self, height: float, least: float = 0.0, most: float = math.inf) -> float:
        """The edge nearest to a height, the lower of two, or the next one that lies from ``least`` to ``most``; the
        height itself if there is none."""
        step = max(math.ceil((height - self.first_mm) / self.layer_mm - 0.5 - CLOSE_MM), 0)
        for other in (step, step - 1, step + 1):
            edge = self.first_mm + other * self.layer_mm
            if other >= 0 and least - CLOSE_MM <= edge <= most + CLOSE_MM:
                return round(edge, 9)
        return height
