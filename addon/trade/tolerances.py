# SPDX-License-Identifier: GPL-3.0-or-later
"""Standard tolerances of sizes: ISO 286-1."""

from __future__ import annotations

import bisect
import math

_STEPS_MM = (1.0, 3.0, 6.0, 10.0, 18.0, 30.0, 50.0, 80.0, 120.0, 180.0, 250.0, 315.0, 400.0, 500.0)
"""Ends of the ranges of sizes; the first stands for "up to 3 mm"."""
_UNITS = {9: 40, 10: 64, 11: 100, 12: 160, 13: 250, 14: 400}
"""Tolerance units of each grade."""


def standard_tolerance(size_mm: float, grade: int) -> float:
    """The tolerance in mm of a size up to 500 mm in a grade IT9 to IT14, before it is rounded for tables: so many units
    of i = 0.45 D^(1/3) + 0.001 D µm, D being the geometric mean of the size's range (ISO 286-1, from memory)."""
    step = min(max(bisect.bisect_left(_STEPS_MM, size_mm), 1), len(_STEPS_MM) - 1)
    mean = math.sqrt(_STEPS_MM[step - 1] * _STEPS_MM[step])
    return _UNITS[grade] * (0.45 * mean ** (1 / 3) + 0.001 * mean) / 1000
