# SPDX-License-Identifier: GPL-3.0-or-later
"""Sentences of the house as the window says them, and what is shown only there."""

from __future__ import annotations

from dataclasses import replace

from ..families import table
from ..fields.declared import Field
from ..fields.messages import Message, Units
from ..job.asked import Assembly, TubeFacts
from ..trade.processes import Process
from .fields import labelled

BORE = {
    "bore_width_mm": Field(
        "Bore", "Smallest bore by the calipers: diameter, width, or a free outline's least width", least=0
    ),
    "bore_depth_mm": Field("Bore Depth", "Smallest depth of the bore by the calipers", least=0),
}

WALL = replace(labelled(Assembly)["wall_mm"].field, least=0.0)
"""0 if all tubes have a bore."""

PICKED_WALL = Field("Wall", "Wall of the tube, if only its outside is selected", least=0)

MEASURED_STEP = Field("Measured", "Caliper reading across that step's spigot; 0 if not measured", least=0)

_RECORDS = (*(family.recipe for family in reversed(table.FAMILIES)), Process, TubeFacts, Assembly)
LABELS = {
    **{key: field.field.label.partition(" (")[0] for cls in _RECORDS for key, field in labelled(cls).items()},
    **{key: field.label for key, field in BORE.items()},
}

METRIC = Units(labels=LABELS)
IMPERIAL = Units(imperial=True, labels=LABELS)


def label_of(field: str) -> str:
    """What a number of a recipe or a process is called, without its unit."""
    return LABELS.get(field, field)


def in_window(words: str, units: Units) -> str:
    """A message as the window has it; other text as it stands."""
    return words.text(units) if isinstance(words, Message) else words
