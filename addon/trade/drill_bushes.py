# SPDX-License-Identifier: GPL-3.0-or-later
"""Steel drill bushes that are pressed into a drill guide."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from .tables import DATA, Sourced, read_rows


@dataclass(frozen=True)
class DrillBush(Sourced):
    """Bushes for one range of drills, in mm."""

    most_bore_mm: float
    """The largest drill."""
    outside_mm: float
    lengths_mm: tuple[float, ...]
    """From the shortest."""


@cache
def drill_bushes() -> tuple[DrillBush, ...]:
    """The table, the smallest first. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "drill_bushes.toml", "bush", DrillBush)


def bush_for(drill_mm: float) -> DrillBush | None:
    """The bush for a drill; None if it is larger than all in the table."""
    return next((bush for bush in drill_bushes() if drill_mm <= bush.most_bore_mm + 1e-6), None)
