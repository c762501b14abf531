# SPDX-License-Identifier: GPL-3.0-or-later
"""The plate: where each fitting is printed."""

from __future__ import annotations

from dataclasses import dataclass


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
