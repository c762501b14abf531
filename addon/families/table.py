# SPDX-License-Identifier: GPL-3.0-or-later
"""The families: one line each."""

from __future__ import annotations

from ..trade.tables import find_row
from .cap import CAP
from .cope_sleeve import COPE_SLEEVE
from .drill_guide import DRILL_GUIDE
from .family import Family
from .hole_plug import HOLE_PLUG
from .joiner import JOINER

FAMILIES: tuple[Family, ...] = (CAP, DRILL_GUIDE, HOLE_PLUG, COPE_SLEEVE, JOINER)
"""The first is made for every open tube end unless a job says otherwise, the others if a job asks for them."""


def usual() -> Family:
    return FAMILIES[0]


def family_named(name: str) -> Family:
    """Raises ``UnknownNameError``."""
    return find_row(FAMILIES, name, "family")
