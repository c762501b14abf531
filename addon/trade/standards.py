# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube standards: what their tubes are made of and how, how far they may be off, and what corners they have."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import Literal

from .tables import DATA, Sourced, find_row, read_rows

Make = Literal["welded", "welded, bead removed", "extruded", "drawn"]


@dataclass(frozen=True)
class TubeStandard(Sourced):
    """A tube standard. Its tolerances are shares of the size within bounds."""

    name: str
    kinds: tuple[Literal["round", "rect"], ...]
    metals: tuple[str, ...]
    """Rows of the table of metals."""
    made: Make
    outside_percent: float
    outside_least_mm: float
    outside_most_mm: float
    wall_percent: float
    wall_least_mm: float
    wall_most_mm: float
    corners: tuple[tuple[float, float], ...] = ()
    """Each up to which wall in mm, and the outside corner's radius in walls; none where corners are sharp or nearly."""
    seam_most_mm: float = 2.5
    seam_source: str = "common practice, no source"
    """Where ``seam_most_mm`` is from."""

    @property
    def welded(self) -> bool:
        """Whether a weld seam stands into the bore."""
        return self.made == "welded"

    def corner_mm(self, wall_mm: float) -> float:
        """The outside corner's nominal radius in mm."""
        return next((walls * wall_mm for up_to, walls in self.corners if wall_mm <= up_to), 0.0)

    def outside_off_mm(self, outside_mm: float) -> float:
        """± on the outside diameter or the larger side, in mm."""
        return min(max(self.outside_percent / 100 * outside_mm, self.outside_least_mm), self.outside_most_mm)

    def wall_off_mm(self, wall_mm: float) -> float:
        """± on the wall, in mm."""
        return min(max(self.wall_percent / 100 * wall_mm, self.wall_least_mm), self.wall_most_mm)

    def bore_off_mm(self, outside_mm: float, wall_mm: float) -> float:
        """± on the bore's width at worst: the outside and both walls off the same way, in mm."""
        return self.outside_off_mm(outside_mm) + 2 * self.wall_off_mm(wall_mm)


@cache
def tube_standards() -> tuple[TubeStandard, ...]:
    """The tube standards. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "standards.toml", "standard", TubeStandard)


@cache
def standard_named(name: str) -> TubeStandard:
    """The standard of that name. Raises ``UnknownNameError`` with the nearest names."""
    return find_row(tube_standards(), name, "tube standard")


def of_metal(standards: Iterable[TubeStandard], metal: str | None) -> tuple[TubeStandard, ...]:
    """Those whose tubes are of this metal; all where none is, or the metal is not known."""
    every = tuple(standards)
    return tuple(standard for standard in every if metal in standard.metals) or every
