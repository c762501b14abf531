# SPDX-License-Identifier: GPL-3.0-or-later
"""Bolts, hex nuts and thread inserts for levelling feet."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from ..geometry.units import MM_PER_INCH, say_inches, say_three
from .tables import DATA, Sourced, find_row, read_rows

NUT_POCKET_GAP_MM = 0.2
"""Room per side between a hex nut and its printed pocket; common practice, no source."""

WASHERS_AND_END = 0.65
"""Two washers and what a bolt stands out of its nut, over the hole's diameter; common practice, no source."""
LENGTHS_MM = (
    *(6.0, 8.0, 10.0, 12.0, 16.0),
    *map(float, (*range(20, 70, 5), *range(70, 160, 10), *range(160, 320, 20))),
)
"""Lengths of metric bolts and screws: ISO 888, from memory."""
LENGTHS_INCH = (*(quarters / 4 for quarters in range(1, 24)), *(halves / 2 for halves in range(12, 25)))
"""Those of inch bolts and screws, as they are usually stocked; from memory, no source."""
WITHOUT_INSERT = "No insert is usual, and none is made, for M12, 3/8-16 and 1/2-13"


@dataclass(frozen=True)
class Thread(Sourced):
    """What a hole for one thread needs, in mm. Nut sizes are the largest that the standard allows."""

    name: str
    """As people call it: "M8", "1/4-20"."""
    clearance_mm: float
    """Hole that the bolt passes freely."""
    nut_across_flats_mm: float
    nut_height_mm: float
    insert_bore_mm: float | None = None
    """Bore for an insert set with heat, by a rule of common practice: the insert's own data sheet comes first. None
    if no insert of this thread is usual."""
    insert_depth_mm: float | None = None
    """How deep that bore is."""

    @property
    def metric(self) -> bool:
        return self.name.startswith("M")

    def bolt(self, grip_mm: float) -> str:
        """The shortest usual bolt that holds so much between washers, with its nut: ``"M5 × 50"``."""
        needed = grip_mm + self.nut_height_mm + WASHERS_AND_END * self.clearance_mm
        return self._long(min((length for length in self._lengths if length >= needed), default=needed))

    def screw(self, most_mm: float) -> str:
        """The longest usual screw that goes no deeper: ``"M5 × 12"``."""
        return self._long(max((length for length in self._lengths if length <= most_mm), default=most_mm))

    @property
    def _lengths(self) -> tuple[float, ...]:
        return LENGTHS_MM if self.metric else tuple(length * MM_PER_INCH for length in LENGTHS_INCH)

    def _long(self, length_mm: float) -> str:
        return f"{self.name} × {say_three(length_mm) if self.metric else say_inches(length_mm) or say_three(length_mm)}"


@cache
def threads() -> tuple[Thread, ...]:
    """The hardware table, metric first. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "hardware.toml", "thread", Thread)


def thread_named(name: str) -> Thread:
    """The thread of that name. Raises ``UnknownNameError`` with the nearest names."""
    return find_row(threads(), name, "thread")
