# SPDX-License-Identifier: GPL-3.0-or-later
"""What a design may rest on beside its recipe and its place: the print, the tube, and what the shop has measured."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from ..trade.processes import Material, Process, material_named


class TubeInUse(Protocol):
    """What the model does not contain about the tube."""

    @property
    def metal(self) -> str: ...

    @property
    def seam_height_mm(self) -> float | None:
        """None if nobody has looked."""

    @property
    def coldest_c(self) -> float: ...

    @property
    def hottest_c(self) -> float: ...


@dataclass(frozen=True)
class Circumstances:
    """Where nothing is known there are none: a recipe's numbers are then drawn as they are."""

    process: Process
    material: Material | None
    """None if the process's plastic is in no table."""
    tube: TubeInUse
    bore_off_mm: float | None = None
    """± on the bore's width where it was measured."""
    added_mm: float = 0.0
    """What the shop book adds to the gap a side that is wanted."""

    @property
    def plastic(self) -> Material:
        """Raises ``UnknownNameError`` if it is in no table."""
        return self.material or material_named(self.process.material)
