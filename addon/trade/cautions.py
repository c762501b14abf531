# SPDX-License-Identifier: GPL-3.0-or-later
"""What has to be said about safety, wherever it applies. There is no way to switch a caution off."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

from .processes import Material, Process
from .tables import DATA, read_rows

Condition = Literal["always", "hot chamber", "caustic bath", "ultrasonic bath", "fibre-filled material", "glue"]


@dataclass(frozen=True)
class Caution:
    name: str
    """A heading of a few words."""
    applies: Condition
    text: str
    """What the danger is and what to do."""
    source: str
    from_memory: tuple[str, ...] = ()


@cache
def cautions() -> tuple[Caution, ...]:
    """Every caution, in the order in which they are shown. Raises ``TableError`` where the file is damaged."""
    return read_rows(DATA / "cautions.toml", "caution", Caution)


def cautions_for(process: Process, material: Material, fit: str) -> tuple[Caution, ...]:
    """The cautions for fittings of this process and material, put in with this fit class ("glue", ...)."""
    holds: dict[Condition, bool] = {
        "always": True,
        "hot chamber": process.chamber_c > 0,
        "caustic bath": process.bath.startswith("caustic"),
        "ultrasonic bath": process.bath.endswith("ultrasonic"),
        "fibre-filled material": material.fibre,
        "glue": fit == "glue",
    }
    return tuple(caution for caution in cautions() if holds[caution.applies])
