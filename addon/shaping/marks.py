# SPDX-License-Identifier: GPL-3.0-or-later
"""Raised marks on what goes over a tube: letters read along it, carried from below as they are printed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from manifold3d import Manifold

from ..geometry.frames import Floats, Frame
from ..trade.processes import USUAL_BEAD_MM, USUAL_OVERHANG_DEG, Process
from .strokes import written, written_size

RAISED_MM, ROOTED_MM = 0.5, 1.0
"""How far marks stand out, and how deep they are rooted."""


@dataclass(frozen=True)
class Layering:
    """What of the print matters to what stands out; usual values where it is not known."""

    bead_mm: float = USUAL_BEAD_MM
    overhang_deg: float = USUAL_OVERHANG_DEG

    @classmethod
    def by(cls, process: Process | None) -> Layering:
        return cls(process.bead_mm, process.overhang_deg) if process else cls()

    @property
    def rise(self) -> float:
        """How far up a face that leans outward goes, a mm out; facets take a degree."""
        return 1 / math.tan(math.radians(self.overhang_deg - 1.0))


def raised(label: str, printed: Layering, start: Floats, outward: Floats, up: Floats) -> Manifold:
    """A label that reads along z from a place (3,) on an outside, whose way out is ``outward`` (3,), on a part that is
    printed ``up`` (3,). Raises ``ValueError`` for characters without strokes."""
    deep = ROOTED_MM + RAISED_MM
    bead, rise = printed.bead_mm, printed.rise
    text = written(label, bead).translate((0.0, -written_size(label, bead)[1] / 2))
    root = start - ROOTED_MM * outward

    def along(start: Floats, way: Floats) -> Manifold:
        frame = Frame.along(start, outward, (0.0, 0.0, 1.0))
        return text.extrude(deep).transform(np.column_stack([frame.x, frame.y, way, frame.origin]))

    return along(root, outward) + along(root - deep * rise * up, outward + rise * up)
