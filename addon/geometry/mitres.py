# SPDX-License-Identifier: GPL-3.0-or-later
"""Planes that lean: the rim of a tube end that is cut at a mitre."""

from __future__ import annotations

from math import cos, radians, sin, tan

import numpy as np

from .frames import Floats

SQUARE_CUT_DEG = 0.1
"""A cut that leans by less is square: 0.1 mm across 57 mm. No saw comes closer (common practice, no source)."""


def lean(mitre_deg: float, direction_deg: float) -> Floats:
    """(3, 3): turns z to the rim's normal."""
    tilted, towards = radians(mitre_deg), radians(direction_deg)
    turn = np.array([[cos(towards), -sin(towards), 0], [sin(towards), cos(towards), 0], [0, 0, 1]])
    tilt = np.array([[cos(tilted), 0, sin(tilted)], [0, 1, 0], [-sin(tilted), 0, cos(tilted)]])
    return turn @ tilt @ turn.T


def shear(mitre_deg: float, direction_deg: float) -> Floats:
    """(4, 4): moves points along z until the plane z = 0 lies in the rim's plane."""
    matrix = np.eye(4)
    matrix[2, :2] = -tan(radians(mitre_deg)) * np.array([cos(radians(direction_deg)), sin(radians(direction_deg))])
    return matrix
