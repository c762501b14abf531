# SPDX-License-Identifier: GPL-3.0-or-later
"""Mesh arrays in, tubes and the sites on them out."""

from .bodies import split_bodies
from .cleaning import TakeoffError
from .ends import Cause, TubeEnd, UnitDoubt, mitre_normal
from .reading import take_off
from .sites import ClosedEnd, Cope, Hole, Joint, Mouth, NeededHole, Takeoff, Tube

__all__ = [
    "Cause",
    "ClosedEnd",
    "Cope",
    "Hole",
    "Joint",
    "Mouth",
    "NeededHole",
    "Takeoff",
    "TakeoffError",
    "Tube",
    "TubeEnd",
    "UnitDoubt",
    "mitre_normal",
    "split_bodies",
    "take_off",
]
