# SPDX-License-Identifier: GPL-3.0-or-later
"""Twist drills as they are stocked: by 0.1 mm (ISO 235, from memory) and by 1/64 in (ASME B94.11M, from memory)."""

from __future__ import annotations

from ..geometry.units import MM_PER_INCH

_INCH_STEP_MM = MM_PER_INCH / 64
_EXACT_MM = 0.01
OFF_MM = _INCH_STEP_MM / 2
"""No hole is further from the drill of its size."""


def drill_for(hole_mm: float, inches: bool) -> float:
    """The drill that a hole was measured to be of, in mm: the one that it agrees with, else the nearest one, of those
    by ``inches`` or by millimetres."""
    metric, fraction = round(hole_mm, 1), round(hole_mm / _INCH_STEP_MM) * _INCH_STEP_MM
    exact = [drill for drill in (metric, fraction) if abs(drill - hole_mm) <= _EXACT_MM]
    return exact[0] if len(exact) == 1 else fraction if inches else metric
