# SPDX-License-Identifier: GPL-3.0-or-later
"""The job sheet: one HTML file without links, to be printed on A4 or Letter. Its first page hangs at the machine, the
others go to the bench."""

from __future__ import annotations

from collections.abc import Iterator
from operator import call
from pathlib import Path

from ..geometry.units import say_mm
from ..trade.sizes import section_name
from .bench_page import bench_page
from .end_list import drawings, end_list
from .kind_block import kind_blocks
from .machine_page import machine_page
from .markup import element, escaped, items, table
from .section_drawing import both_units
from .sheet import JobSheet, SheetLadder
from .sheet_parts import joined

_STYLE = Path(__file__).with_name("job_sheet.css").read_text("utf-8")


def job_sheet_html(sheet: JobSheet, pictures: Iterator[str] | None = None) -> str:
    """The sheet as HTML, with the cautions that apply at each step; they cannot be left out. ``pictures`` has those
    that ``end_list.drawings`` draws, where they are drawn elsewhere."""
    drawn = map(call, drawings(sheet)) if pictures is None else pictures
    parts = joined(*(part(sheet) for part in (kind_blocks, _ladders, bench_page)), end_list(sheet, drawn))
    body = joined(element("div", machine_page(sheet), class_="machine"), parts)
    head = (
        '<meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        + element("title", escaped(f"{sheet.title}: job sheet"))
        + element("style", _STYLE)
    )
    return f'<!DOCTYPE html>\n<html lang="en">\n<head>{head}</head>\n<body>\n{body}\n</body>\n</html>\n'


def _ladders(sheet: JobSheet) -> str:
    if not sheet.ladders:
        return ""
    steps = [
        "Print the ladder before the fittings, with the same process. The amounts on the first page do not include it.",
        "Push a deburred offcut of the tube over the spigots, from the loosest gap to the tightest.",
        "Note the step that fitted as it should, and the caliper reading of that spigot. Enter both in the shop "
        "book; the next job's gaps follow from them.",
    ]
    return element("section", element("h2", "Fit ladder"), items("ol", steps), *map(_ladder, sheet.ladders))


def _ladder(entry: SheetLadder) -> str:
    ladder = entry.ladder
    rows = [(step.label, both_units(step.drawn_mm), "", "") for step in ladder.steps]
    about = (
        f"{section_name(ladder.section)} ({', '.join(entry.fittings)}), wanted {say_mm(ladder.wanted_gap_mm)} per side"
    )
    heads = ("Step, gap per side in mm", "Spigot width as drawn", "Fitted as it should", "Measured")
    return table(heads, rows, caption=f"{about}: {', '.join(entry.files)}")
