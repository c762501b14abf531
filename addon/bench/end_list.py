# SPDX-License-Identifier: GPL-3.0-or-later
"""The job sheet's last part: where the fittings go, and how many ends take none and why."""

from __future__ import annotations

from collections import Counter

from ..takeoff.ends import Cause
from .assembly_picture import NUMBERED_UP_TO, EndMark, assembly_picture
from .markup import element, escaped, table
from .sheet import JobSheet, SheetAssembly, say_ranges
from .sheet_parts import joined

ENDS_LISTED_UP_TO = 300
"""With more ends than this their tubes are left to the CSV."""

_PICTURE_MM = 180.0, 104.0

_WHY: dict[Cause, str] = {
    "open": "Open, but left out; the first page gives the reason",
    "blocked": "Blocked by another part",
    "coped": "Coped or uneven: the rim is not flat",
    "crossed": "Crossed by a hole or a bolt",
    "too short": "Too short for a spigot",
    "no wall": "Modelled without its bore",
    "solid": "Solid bar",
    "profile": "Open section",
    "lost": "Not there any more",
}


def end_list(sheet: JobSheet) -> str:
    if not sheet.ends:
        return ""
    parts = joined(element("h2", "Where they go"), _pictures(sheet), _served(sheet), _left(sheet))
    return element("section", parts)


def _pictures(sheet: JobSheet) -> str:
    return joined(*(_picture(sheet, assembly, numbers) for assembly, numbers in sheet.numbered))


def _picture(sheet: JobSheet, assembly: SheetAssembly, ends: range) -> str:
    numbers = sorted(number for fitting in sheet.fittings for number in fitting.ends if number in ends)
    heading = f"{assembly.name or sheet.title}, {assembly.frames} frames" if assembly.frames > 1 else assembly.name
    if not numbers or not assembly.bodies:
        return element("h3", escaped(heading)) if numbers and heading else ""
    frames = [sheet.ends[number - 1].frame for number in numbers]
    marks = [EndMark(number, frame.origin, frame.z) for number, frame in zip(numbers, frames, strict=True)]
    picture = assembly_picture(assembly.bodies, marks, *_PICTURE_MM)
    if len(marks) > NUMBERED_UP_TO:
        heading = f"{heading}. " * bool(heading) + (
            f"Circles mark the {len(marks)} ends that take a fitting, too many to number in a picture."
        )
    caption = element("figcaption", escaped(heading)) if heading else ""
    return element("figure", picture, caption)


def _served(sheet: JobSheet) -> str:
    """Which fitting goes into which ends, and of which tubes they are."""
    listed = len(sheet.ends) <= ENDS_LISTED_UP_TO
    shared = _shared_prefix(sheet)
    rows = []
    for fitting in sheet.fittings:
        ends = [sheet.ends[number - 1] for number in fitting.ends]
        tubes = [", ".join(filter(None, (end.source.removeprefix(shared), end.by_hand))) or "unnamed" for end in ends]
        row = (fitting.id, str(len(ends)), say_ranges(fitting.ends))
        rows.append((*row, "; ".join(dict.fromkeys(tubes))) if listed else row)
    if not any(fitting.ends for fitting in sheet.fittings):
        return ""
    tubes_head = (f"Tubes, in {shared.removesuffix(' / ')}" if shared else "Tubes",) if listed else ()
    more = "" if listed else f"The CSV list holds all {len(sheet.ends)} tube ends."
    return table(("Fitting", "Ends", "Their numbers", *tubes_head), rows, numbers=(1,), caption=more)


def _shared_prefix(sheet: JobSheet) -> str:
    """What all tubes' names begin with: their file's, if it is one."""
    files = {file if slash else "" for file, slash, _ in (end.source.partition(" / ") for end in sheet.ends)}
    file = files.pop()
    return f"{file} / " if file and not files else ""


def _left(sheet: JobSheet) -> str:
    takes = {number for fitting in sheet.fittings for number in fitting.ends}
    causes = Counter(end.cause for number, end in enumerate(sheet.ends, 1) if number not in takes)
    if not causes:
        return ""
    rows = [(_WHY[cause], str(count)) for cause, count in causes.most_common()]
    return table(("Ends that take no fitting; the list of ends names them", "Ends"), rows, numbers=(1,))
