# SPDX-License-Identifier: GPL-3.0-or-later
"""Where copies of parts lie on plates."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from . import polygons
from .frames import Floats


@dataclass(frozen=True)
class Placement:
    """One copy of a part on a plate: turned counter-clockwise about its own z, then moved by x and y.

    Millimetres from the plate's front left corner, and degrees.
    """

    part: int
    """Its index in the list of parts."""
    plate: int
    x: float
    y: float
    turn_deg: float = 0.0

    def put(self, points: Floats) -> Floats:
        """Points (n, 2) of the part on the plate, in mm, as drawn."""
        return polygons.turned(points, math.radians(self.turn_deg)) + np.array((self.x, self.y))
