# SPDX-License-Identifier: GPL-3.0-or-later
"""What tubes are made of."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from .tables import DATA, Sourced, find_row, read_rows


@dataclass(frozen=True)
class TubeMetal(Sourced):
    """``expansion`` is linear, per kelvin."""

    name: str
    expansion: float
    galvanised: bool = False
    """Whether it is hot-dip galvanised at times."""


@cache
def tube_metals() -> tuple[TubeMetal, ...]:
    """The metals of the table. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "materials.toml", "metal", TubeMetal)


def metal_named(name: str) -> TubeMetal:
    """The metal of that name. Raises ``UnknownNameError`` with the nearest names."""
    return find_row(tube_metals(), name, "tube metal")
