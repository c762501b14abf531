# SPDX-License-Identifier: GPL-3.0-or-later
"""Mesh arrays in, open tube ends out."""

from .bodies import split_bodies
from .cleaning import TakeoffError
from .ends import Cause, Takeoff, TubeEnd, UnitDoubt, mitre_normal
from .reading import take_off

__all__ = ["Cause", "Takeoff", "TakeoffError", "TubeEnd", "UnitDoubt", "mitre_normal", "split_bodies", "take_off"]
