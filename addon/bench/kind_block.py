# SPDX-License-Identifier: GPL-3.0-or-later
"""One block of the job sheet for each kind of fitting, at most half a page: its drawing, what to measure, its glue."""

from __future__ import annotations

import numpy as np

from ..fields.messages import EXACT_MM
from ..geometry.units import bare_mm, say_mm
from ..trade.fits import adhesive
from ..trade.processes import Material, Process
from .markup import element, escaped, paragraph, table
from .section_drawing import mm_and_inches, section_drawing
from .sheet import JobSheet, SheetFitting

_FEW_ROWS = 8
"""More rows than this want a wider table."""
_BESIDE = ((104.0, 76.0), (104.0, 92.0), (112.0, 112.0))
"""Rooms for a drawing with the table beside it: three or more on a page, then two."""
_BESIDE_MANY = ((100.0, 76.0), (97.0, 92.0), (97.0, 118.0))
_LONG_MM = 100.0
"""What stands higher in its drawing, and twice as high as wide, has all but its first view above the table."""
_LONG_ROOM, _ABOVE_TABLE = (97.0, 116.0), (84.0, 64.0)
_ABOVE_MM, _ROW_MM = (180.0, 102.0), 4.8
"""Room for a drawing and the table below it, and the height of a row."""


def kind_block(entry: SheetFitting, process: Process, material: Material) -> str:
    rows = [
        (
            _short(row.on),
            "" if row.drawn_mm is None else mm_and_inches(row.drawn_mm),
            f"{bare_mm(row.least_mm)} to {bare_mm(row.most_mm)}",
            "",
        )
        for row in entry.fitting.calipers(process, entry.added_mm, entry.excess_mm)
    ]
    width, height = _ABOVE_MM
    views, title = entry.fitting.views, f"{entry.id}, {entry.fitting.words}"
    rooms = [*(_BESIDE if len(rows) <= _FEW_ROWS else _BESIDE_MANY), (width, height - _ROW_MM * len(rows))]
    across, up = np.ptp(np.concatenate(views[0].cut), axis=0)
    beside = ""
    if len(views) > 1 and up > max(_LONG_MM, 2 * across):
        beside = element("figure", section_drawing(views[1:], title, [_ABOVE_TABLE]))
        views, rooms = views[:1], [_LONG_ROOM]
    measures = table(("Calipers on", "Drawn, mm", "Allowed", "Measured"), rows)
    return element(
        "section",
        element("h2", escaped(f"{entry.id}: {entry.fitting.words}, for {entry.section_words}")),
        element(
            "div",
            element("figure", section_drawing(views, title, rooms)),
            element("div", beside, measures, *map(paragraph, _notes(entry, process, material))),
            class_="measured",
        ),
    )


def _short(on: str) -> str:
    """Without what the words after it say too: ``"Spigot, length"``."""
    part = on.removeprefix("Fitting: ").removeprefix("Tube: ")
    return part[:1].upper() + part[1:]


def _notes(entry: SheetFitting, process: Process, material: Material) -> list[str]:
    notes = []
    for dimension in (dimension for view in entry.fitting.views for dimension in view.dimensions):
        asked, drawn = dimension.asked_for, dimension.mm[0]
        # Where it is rounded to the nearest layer nothing is to be done.
        if asked is not None and abs(asked - drawn) > process.layer_mm / 2 + EXACT_MM:
            said = f"{dimension.name.capitalize()} {say_mm(drawn)}, on whole layers"
            notes.append(f"{said}; {say_mm(asked)} was asked for.")
    if entry.way_up != entry.fitting.way_up:
        notes.append(f"On the plate: {entry.fitting.way_up}.")
    if joint := entry.glue:
        amount = float(f"{joint.volume_mm3 / 1000:.2g}")
        notes.append(f"Glue: {adhesive(material, joint.gap_mm)}, {amount:g} ml a joint.")
    return notes


def kind_blocks(sheet: JobSheet) -> str:
    return "\n".join(kind_block(entry, sheet.process, sheet.material) for entry in sheet.fittings)
