# SPDX-License-Identifier: GPL-3.0-or-later
"""The order as lists for spreadsheets: CSV (RFC 4180), one of the tube ends, one of the fittings, and
one of the holes, copes and joints that take any.

UTF-8 with a byte order mark, without which common spreadsheet programs take names in other scripts for gibberish;
commas between cells, a point in numbers, millimetres and degrees. A text that a spreadsheet would run as a formula
gets an apostrophe in front.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

from ..trade.sizes import section_name
from .sheet import JobSheet, say_ranges

_FORMULA = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""The last four are the wide forms of the first, which spreadsheets for East Asian scripts run too."""
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")

Cell = str | int | float

END_COLUMNS = (
    *("end", "assembly", "frames", "tube", "section", "kind", "width_mm", "depth_mm", "wall_mm"),
    *("bore_width_mm", "bore_depth_mm"),
    *("mitre_deg", "clear_depth_mm", "x_mm", "y_mm", "z_mm", "fitting", "remark"),
)
SITE_COLUMNS = (
    *("site", "assembly", "frames", "tube", "where", "section"),
    *("x_mm", "y_mm", "z_mm", "fitting", "family"),
)
_FITTING, _WORK = ("fitting", "family", "section", "count", "spares", "ends", "fit", "gap_mm"), ("material", "process")
_GLUE = ("bond_area_mm2", "glue_mm3_each", "glue_mm3_all")


def ends_csv(sheet: JobSheet) -> str:
    """One row a tube end, in the sheet's numbering; those that take no fitting with the reason."""
    takes, of_assembly = sheet.fitting_of, _of_assembly(sheet)
    rows = []
    for number, end in sheet.ends:
        outer, bore = end.section.outer, end.section.bore
        size = (outer.width, outer.depth, end.section.wall, bore.width, bore.depth)
        place = (end.mitre_deg, end.clear_depth_mm, *end.frame.origin.tolist())
        fitting = takes.get(id(end))
        section = fitting.section_name if fitting else section_name(end.section)
        remark = end.by_hand if fitting else end.explained
        rows.append(
            (
                number,
                *of_assembly.get(number, ("", 1)),
                end.source,
                section,
                end.section.kind,
                *size,
                *place,
                fitting.id if fitting else "",
                remark,
            )
        )
    return _csv(END_COLUMNS, rows)


def sites_csv(sheet: JobSheet) -> str:
    """One row a hole, cope or joint, or a pattern of them, in the sheet's numbering."""
    takes = {number: fitting for fitting in sheet.fittings for number in fitting.sites}
    ends, of_assembly = {number for number, _ in sheet.ends}, _of_assembly(sheet)
    rows = []
    for number, site in enumerate(sheet.sites, 1):
        if number not in ends:
            fitting = takes.get(number)
            about = (section_name(site.section), *site.position.tolist())
            takes_it = (fitting.id, fitting.family.name) if fitting else ("", "")
            rows.append((number, *of_assembly.get(number, ("", 1)), site.source, sheet.where(site), *about, *takes_it))
    return _csv(SITE_COLUMNS, rows)


def _of_assembly(sheet: JobSheet) -> dict[int, tuple[str, int]]:
    """Name and frames of the assembly, by a site's number."""
    return {number: (assembly.name, assembly.frames) for assembly, numbers in sheet.numbered for number in numbers}


def fittings_csv(sheet: JobSheet) -> str:
    """One row a fitting, with its counts, what its family lists of it, and its glue."""
    lists = [fitting.fitting.listed() for fitting in sheet.fittings]
    listed = tuple(dict.fromkeys(column for cells in lists for column in cells))
    rows = []
    for fitting, cells in zip(sheet.fittings, lists, strict=True):
        seats, glue = fitting.fitting.seats, fitting.glue
        joint: tuple[Cell, ...] = ("", "", "")
        if glue:
            joint = (glue.bond_area_mm2, glue.volume_mm3, glue.volume_mm3 * fitting.needed)
        fit: tuple[Cell, Cell] = (seats[0].fit, seats[0].gap_mm - fitting.added_mm) if seats else ("", "")
        count = (fitting.count, fitting.spares, say_ranges(fitting.sites), *fit)
        family_cells = (cells.get(column, "") for column in listed)
        work = (sheet.material.name, sheet.process.name)
        rows.append((fitting.id, fitting.fitting.family, fitting.section_name, *count, *family_cells, *work, *joint))
    return _csv((*_FITTING, *listed, *_WORK, *_GLUE), rows)


def _csv(columns: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_cell(cell) for cell in row] for row in rows)
    return text.getvalue()


def _cell(value: Cell) -> Cell:
    """Numbers as they are said, to a thousandth; texts on one line, and none of them a formula."""
    if isinstance(value, float):
        return f"{round(value, 3) + 0.0:.3f}".rstrip("0").rstrip(".")
    if isinstance(value, int):
        return value
    text = value if value.isprintable() else _CONTROL.sub(" ", value).encode(errors="replace").decode()
    text = text.strip()
    return f"'{text}" if text.startswith(_FORMULA) else text
