# SPDX-License-Identifier: GPL-3.0-or-later
"""How coarsely a mesh's coordinates were rounded: files written as text often hold few digits."""

from __future__ import annotations

import math

import numpy as np

from ..geometry.frames import Floats
from ..geometry.units import MM_PER_INCH

_FLOAT32_STEP = 2.0**-23
_COARSEST_MM = 0.03
"""Coordinates on a coarser grid were drawn on it, or are too coarse to read."""
_LARGEST_SHARE = 1e-3
_SAMPLE = 500
_DECIMALS = range(0, 8)
_DIGITS = range(1, 7)


def rounding(points: Floats) -> float:
    """How far rounding may have moved the coordinates of points (n, 3), in mm; 0 if none is seen.

    Recognised are a fixed number of decimals and a fixed number of digits, in millimetres, inches, or tens of either.
    """
    values = points.ravel()
    largest = float(max(values.max(initial=0.0), -values.min(initial=0.0)))
    if largest <= 0:
        return 0.0
    sample = np.abs(values[:: max(len(values) // _SAMPLE, 1)])
    step = max(_step(values, sample, largest, unit) for unit in (1.0, MM_PER_INCH))
    return step / 2 if step <= min(_COARSEST_MM, _LARGEST_SHARE * largest) else 0.0


def _step(values: Floats, sample: Floats, largest: float, unit: float) -> float:
    """The step between neighbouring numbers at the ``largest`` of ``values``; 0 if they are not rounded."""
    slack = 2 * _FLOAT32_STEP * largest
    tens = 10.0 ** math.floor(math.log10(largest / unit)) * unit
    steps = [0.0]
    for decimals in _DECIMALS:
        step = unit * 10.0**-decimals
        if step > 5 * slack and _on_grid(sample, step, slack) and _on_grid(values, step, slack):
            steps.append(step)
            break
    for digits in _DIGITS:
        least = 1e-9 * largest / unit
        if _of_digits(sample / unit, digits, least) and _of_digits(np.abs(values) / unit, digits, least):
            steps.append(tens * 10.0 ** (1 - digits))
            break
    return max(steps)


def _on_grid(values: Floats, step: float, slack: float) -> bool:
    return bool((np.abs(values - np.rint(values / step) * step) <= slack).all())


def _of_digits(values: Floats, digits: int, least: float) -> bool:
    values = values[values > least]
    steps = 10.0 ** (np.floor(np.log10(values) + 1e-12) + 1 - digits)
    return bool((np.abs(values - np.rint(values / steps) * steps) <= 2 * _FLOAT32_STEP * values).all())
