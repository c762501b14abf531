# SPDX-License-Identifier: GPL-3.0-or-later
"""Bolts, hex nuts and thread inserts for levelling feet."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from .tables import DATA, Sourced, find_row, read_rows

NUT_POCKET_GAP_MM = 0.2
"""Room per side between a hex nut and its printed pocket; common practice, no source."""


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


@cache
def threads() -> tuple[Thread, ...]:
    """The hardware table, metric first. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "hardware.toml", "thread", Thread)


def thread_named(name: str) -> Thread:
    """The thread of that name. Raises ``UnknownNameError`` with the nearest names."""
    return find_row(threads(), name, "thread")
