# SPDX-License-Identifier: GPL-3.0-or-later
"""The job sheet's last part: where the fittings go, and how many ends take none and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from ..families.family import Counted, Family, Site, counted_as
from ..takeoff.ends import Cause, TubeEnd
from .assembly_picture import NUMBERED_UP_TO, EndMark, assembly_picture
from .markup import element, escaped, table
from .sheet import JobSheet, SheetAssembly, say_ranges
from .sheet_parts import joined

SITES_LISTED_UP_TO = 300
"""With more ends and other sites than this their tubes are left to the CSV."""

_PICTURE_MM = 180.0, 104.0

_WHY: dict[Cause, str] = {
    "open": "Open, but left out: as the job asks, or for the reason on the first page",
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
    if not sheet.sites:
        return ""
    parts = joined(element("h2", "Where they go"), _pictures(sheet), _served(sheet), _left(sheet))
    return element("section", parts)


def _pictures(sheet: JobSheet) -> str:
    return joined(*(_picture(sheet, assembly, numbers) for assembly, numbers in sheet.numbered))


def _picture(sheet: JobSheet, assembly: SheetAssembly, sites: range) -> str:
    numbers = sorted(number for fitting in sheet.fittings for number in fitting.sites if number in sites)
    heading = f"{assembly.name or sheet.title}, {assembly.frames} frames" if assembly.frames > 1 else assembly.name
    if not numbers or not assembly.bodies:
        return element("h3", escaped(heading)) if numbers and heading else ""
    taking = [(number, sheet.sites[number - 1]) for number in numbers]
    marks = [EndMark(number, site.position, site.frame.z) for number, site in taking]
    picture = assembly_picture(assembly.bodies, marks, *_PICTURE_MM)
    if len(marks) > NUMBERED_UP_TO:
        heading = f"{heading}. " * bool(heading) + (
            f"Circles mark the {len(marks)} places that take a fitting, too many to number in a picture."
        )
    caption = element("figcaption", escaped(heading)) if heading else ""
    return element("figure", picture, caption)


def _served(sheet: JobSheet) -> str:
    """Which fitting goes where, family by family, and of which tubes the sites are."""
    families = dict.fromkeys(fitting.family for fitting in sheet.fittings if fitting.sites)
    return joined(*(_served_by(sheet, family) for family in families))


def _served_by(sheet: JobSheet, family: Family) -> str:
    listed = len(sheet.sites) <= SITES_LISTED_UP_TO
    shared = _shared_prefix(sheet)
    rows = []
    for fitting in (fitting for fitting in sheet.fittings if fitting.family is family):
        sites = [sheet.sites[number - 1] for number in fitting.sites]
        row = (fitting.id, _number(sites, family), say_ranges(fitting.sites))
        rows.append((*row, "; ".join(_tubes(sheet, sites, shared))) if listed else row)
    tubes_head = (f"Tubes, in {shared.removesuffix(' / ')}" if shared else "Tubes",) if listed else ()
    lists = f"all {len(sheet.ends)} tube ends" if family.serves == "end" else "all of them"
    heads = (family.label, f"{family.serves.capitalize()}s", "Their numbers", *tubes_head)
    return table(heads, rows, numbers=(1,), caption="" if listed else f"The CSV list holds {lists}.")


def _number(sites: Sequence[Site], family: Family) -> str:
    """Of what they take, each once: ``"9"``, ``"2, 4 for screws"``."""
    records = {id(record): record for site in sites for record in site.records[: site.count]}
    served: Counter[Counted] = Counter(counted_as(record, family.serves) for record in records.values())
    screws = served.pop("screw hole", 0)
    return ", ".join([*map(str, served.values()), *([f"{screws} for screws"] if screws else [])])


def _tubes(sheet: JobSheet, sites: Sequence[Site], shared: str) -> list[str]:
    """``["leg", "rail: hole 9 mm, 120 mm from the end"]``, each once."""
    named = []
    for site in sites:
        by_hand = site.by_hand if isinstance(site, TubeEnd) else ""
        tube = ", ".join(filter(None, (site.source.removeprefix(shared), by_hand))) or "unnamed"
        where = sheet.where(site).replace(shared, "") if shared else sheet.where(site)
        named.append(f"{tube}: {where}" if where else tube)
    return list(dict.fromkeys(named))


def _shared_prefix(sheet: JobSheet) -> str:
    """What all tubes' names begin with: their file's, if it is one."""
    files = {file if slash else "" for file, slash, _ in (end.source.partition(" / ") for end in sheet.sites)}
    file = files.pop()
    return f"{file} / " if file and not files else ""


def _left(sheet: JobSheet) -> str:
    causes = Counter(end.cause for _, end in sheet.ends if id(end) not in sheet.fitting_of)
    if not causes or not any(fitting.family.serves == "end" for fitting in sheet.fittings):
        return ""
    rows = [(_WHY[cause], str(count)) for cause, count in causes.most_common()]
    return table(("Ends that take no fitting; the list of ends names them", "Ends"), rows, numbers=(1,))
