# SPDX-License-Identifier: GPL-3.0-or-later
"""Sentences of the house as the window says them, and what is shown only there."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache

from ..families.table import usual
from ..fields.declared import Field
from ..fields.messages import Message, amount
from ..geometry.names import QUOTED
from ..job.asked import Assembly, TubeFacts
from ..trade.processes import Process
from .fields import labelled
from .saying import METRIC, Say

BORE = {
    "bore_width_mm": Field(
        "Bore", "Smallest bore by the calipers: diameter, width, or a free outline's least width", least=0
    ),
    "bore_depth_mm": Field("Bore Depth", "Smallest depth of the bore by the calipers", least=0),
}

WALL = replace(labelled(Assembly)["wall_mm"].field, least=0.0)
"""0 where all tubes have a bore."""

PICKED_WALL = Field("Wall", "Wall of the tube, if only its outside is selected", least=0)

MEASURED_STEP = Field("Measured", "Caliper reading across that step's spigot; 0 if not measured", least=0)

_RECORDS = (usual().recipe, Process, TubeFacts, Assembly)
LABELS = {
    **{key: field.field.label.partition(" (")[0] for cls in _RECORDS for key, field in labelled(cls).items()},
    **{key: field.label for key, field in BORE.items()},
}
_FIELD = re.compile(
    rf"(?P<name>{QUOTED})"
    rf"|(?P<set>\bset )?\b(?P<field>{'|'.join(sorted(LABELS, key=len, reverse=True))})\b"
    r"(?: to (?P<value>-?\d+(?:\.\d+)?)\b)?(?P<table> in \[\w+\])?"
)
"""A name, or a field as job files call it: "set rise_mm to 12.5", "set wall_mm in [assembly]"."""


def label_of(field: str) -> str:
    """What a number of a recipe or a process is called, without its unit."""
    return LABELS.get(field, field)


def in_window(sentence: str, say: Say) -> str:
    """A message, or a sentence that is none yet, as the window has it."""
    if isinstance(sentence, Message):
        return sentence.text(replace(say, labels=LABELS))
    return _reworded(sentence, say)


@lru_cache(2000)  # panels ask for the same sentences at every redraw
def _reworded(sentence: str, say: Say) -> str:
    """A sentence of the house as the window has it: in the scene's units, and with fields under their labels where it
    has them as a job file does."""

    def labelled(found: re.Match[str]) -> str:
        field, value, setting = found["field"], found["value"], found["set"] or ""
        # One word, such as "fill", is a field only where it is to be set.
        if found["name"] or not (setting or "_" in field):
            return found[0]
        return f"{setting}{label_of(field)}" + (f" to {amount(float(value), field).said(METRIC, 'g')}" if value else "")

    return say.text(_FIELD.sub(labelled, sentence))


def count_of(number: int, one: str, many: str | None = None) -> str:
    """``count_of(1, "end")`` is ``"1 end"``, ``count_of(2, "end")`` is ``"2 ends"``."""
    return f"{number} {one if number == 1 else many or f'{one}s'}"
