# SPDX-License-Identifier: GPL-3.0-or-later
"""The job sheet's last part: where the fittings go, and how many ends take none and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from functools import partial

from ..families.family import Family, Site, counted_as
from ..fields.messages import count_of
from ..takeoff import Hole
from ..takeoff.ends import TubeEnd
from .assembly_picture import NUMBERED_UP_TO, EndMark, assembly_picture
from .markup import element, escaped, paragraph, table
from .sheet import JobSheet, SheetAssembly, say_ranges
from .sheet_parts import joined
from .verdict import takes_none

SITES_LISTED_UP_TO = 300
"""With more ends and other sites than this their tubes are left to the CSV."""

SIDES_SAID = (
    "Top, bottom, front, back, left and right are those of the picture, which shows the assembly from its front, right "
    "and top. Distances count along the tube, to the middle of a hole where it comes out of the wall."
)
_PICTURE_MM = 180.0, 88.0


def drawings(sheet: JobSheet) -> list[Callable[[], str]]:
    """What draws the assemblies' pictures, each for itself."""
    marked = ((assembly.bodies, _marks(sheet, sites)) for assembly, sites in sheet.numbered)
    return [partial(assembly_picture, bodies, marks, *_PICTURE_MM) for bodies, marks in marked if bodies and marks]


def end_list(sheet: JobSheet, drawn: Iterator[str]) -> str:
    """``drawn`` has the pictures, as ``drawings`` draws them."""
    if not sheet.sites:
        return ""
    pictures = [_picture(sheet, assembly, numbers, drawn) for assembly, numbers in sheet.numbered]
    return joined(
        element("h2", "Where they go"),
        element("div", *pictures, element("div", _sides(sheet), _left(sheet)), class_="pictured"),
        element("div", _served(sheet), class_="served"),
    )


def _marks(sheet: JobSheet, sites: range) -> list[EndMark]:
    """Those of an assembly's sites that take a fitting."""
    taking = sorted((number, fitting.id) for fitting in sheet.fittings for number in fitting.sites if number in sites)
    places = ((number, sheet.sites[number - 1], id) for number, id in taking)
    return [EndMark(number, site.position, site.frame.z, id) for number, site, id in places]


def _picture(sheet: JobSheet, assembly: SheetAssembly, sites: range, drawn: Iterator[str]) -> str:
    marks = _marks(sheet, sites)
    heading = f"{assembly.name or sheet.title}, {assembly.frames} frames" if assembly.frames > 1 else assembly.name
    if not marks or not assembly.bodies:
        return element("h3", escaped(heading)) if marks and heading else ""
    picture = next(drawn)
    if len(marks) > NUMBERED_UP_TO:
        heading = f"{heading}. " * bool(heading) + (
            f"Dots mark the {len(marks)} places that take a fitting, too many to number in a picture; a label names "
            "the fitting of the dots near the one that it points to."
        )
    caption = element("figcaption", escaped(heading)) if heading else ""
    return element("figure", picture, caption)


def _served(sheet: JobSheet) -> str:
    """Which fitting goes where, and of which tubes the sites are."""
    listed = _listed(sheet)
    shared = _shared_prefix(sheet)
    rows = []
    for fitting in (fitting for fitting in sheet.fittings if fitting.sites):
        sites = [sheet.sites[number - 1] for number in fitting.sites]
        row = (fitting.id, _serves(sites, fitting.family), say_ranges(fitting.sites))
        rows.append((*row, "; ".join(_tubes(sheet, sites, shared))) if listed else row)
    tubes_head = (f"Tubes, in {shared.removesuffix(' / ')}" if shared else "Tubes",) if listed else ()
    elsewhere = "" if listed else paragraph("The tubes are named in the lists of ends and sites (CSV).")
    return joined(table(("Fitting", "Serves", "Numbers", *tubes_head), rows), elsewhere) if rows else ""


def _listed(sheet: JobSheet) -> bool:
    return len(sheet.sites) <= SITES_LISTED_UP_TO


def _sides(sheet: JobSheet) -> str:
    holed = any(isinstance(record, Hole) for site in sheet.sites for record in site.records) and _listed(sheet)
    return paragraph(SIDES_SAID) if holed and any(assembly.bodies for assembly in sheet.assemblies) else ""


def _serves(sites: Sequence[Site], family: Family) -> str:
    """What they take, each once: ``"9 ends"``, ``"2 holes, 4 screw holes"``."""
    records = {id(record): record for site in sites for record in site.records[: site.count]}
    served = Counter(counted_as(record, family.serves) for record in records.values())
    return ", ".join(count_of(number, counted) for counted, number in served.items())


def _tubes(sheet: JobSheet, sites: Sequence[Site], shared: str) -> list[str]:
    """``["leg", "rail 1, rail 2: hole 9 mm, 120 mm from the end; hole 9 mm, 60 mm from the end"]``, each tube and each
    place once."""
    tubes_at: dict[str, dict[str, None]] = {}
    for site in sites:
        by_hand = site.by_hand if isinstance(site, TubeEnd) else ""
        tube = ", ".join(filter(None, (site.source.removeprefix(shared), by_hand))) or "unnamed"
        where = sheet.where(site).replace(shared, "") if shared else sheet.where(site)
        tubes_at.setdefault(where or tube, {})[tube] = None
    places: dict[str, list[str]] = {}
    for where, tubes in tubes_at.items():
        places.setdefault(", ".join(tubes), []).append(where)
    return [tubes if where == [tubes] else f"{tubes}: {'; '.join(where)}" for tubes, where in places.items()]


def _shared_prefix(sheet: JobSheet) -> str:
    """What all tubes' names begin with: their file's, if it is one."""
    files = {file if slash else "" for file, slash, _ in (end.source.partition(" / ") for end in sheet.sites)}
    file = files.pop()
    return f"{file} / " if file and not files else ""


def _left(sheet: JobSheet) -> str:
    """How many ends take none: in the verdict's words those that the weldment closes, and the others."""
    if not any(fitting.family.serves == "end" for fitting in sheet.fittings):
        return ""
    without = sum(
        assembly.frames
        for assembly, numbers in sheet.numbered
        for number in numbers
        if isinstance(site := sheet.sites[number - 1], TubeEnd) and id(site) not in sheet.fitting_of
    )
    closed = sheet.verdict.closed if sheet.verdict else ()
    others = without - sum(entry.ends for entry in closed)
    said = [sheet.verdict.closed_ends] if sheet.verdict and closed else []
    if others:
        number = f"{others} more take{'s' * (others == 1)} none" if closed else takes_none(others)
        said.append(f"{number}, as the job asks or for the reason on the first page.")
    return paragraph(" ".join([*said, "The list of ends (CSV) names each."])) if said else ""
