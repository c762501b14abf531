# SPDX-License-Identifier: GPL-3.0-or-later
"""The job sheet's first page, to hang at the machine: what to print, how often, how it is set, and the plates."""

from __future__ import annotations

from ..geometry.units import NO_BREAK, bare_mm, say_mm
from .markup import element, escaped, paragraph, table
from .plate_map import plate_maps
from .quantities import Quantities
from .sheet import JobSheet, say_ranges
from .sheet_parts import cautions_at, joined, who
from .svg import drawing, line, text
from .verdict import JobVerdict, about_grams, about_time

_MAP_MM = 43.0
"""Width of a plate's map: half a page has room for two."""


def machine_page(sheet: JobSheet) -> str:
    columns = _settings, _print_plan, _amounts, _plates
    return joined(
        _heading(sheet),
        _verdict(sheet, sheet.verdict) if sheet.verdict else "",
        *(paragraph(sheet.said(note)) for note in sheet.notes),
        cautions_at(sheet, "before the work", "printing"),
        _what_to_print(sheet),
        element("div", *filter(None, (part(sheet) for part in columns)), class_="columns"),
    )


def _heading(sheet: JobSheet) -> str:
    about = f"Job sheet of {sheet.date} · {sheet.process.name}"
    title = element("div", element("h1", escaped(sheet.title)), element("p", escaped(about), class_="about"))
    return element("div", title, _ruler(), class_="head")


def _ruler() -> str:
    """A check line to lay a ruler against, since some printers scale pages."""
    inches, metric = 50.8, 50.0
    marks = [
        line((0, 4), (inches, 4)),
        line((0, 2), (0, 6)),
        line((metric, 2), (metric, 4)),
        line((inches, 4), (inches, 6)),
        text((0.8, 2), "true to scale if this is", "start"),
        text((metric - 0.8, 2), "50 mm", "end"),
        text((inches - 0.8, 6.2), "2 in", "end"),
    ]
    return drawing(inches + 0.4, 8, "A line 50 mm and 2 in long", *marks)


def _verdict(sheet: JobSheet, verdict: JobVerdict) -> str:
    """What the job comes to, what stands in its way, and what is done before printing."""
    concerns = [(said, "must") for said in verdict.in_the_way]
    concerns += [(concern.said, "look") for concern in verdict.look_at]
    lines = [element("p", escaped(sheet.said(said)), class_=f"finding {kind}") for said, kind in concerns]
    share, first = sheet.said(verdict.goes_in), " ".join(map(sheet.said, verdict.before_printing))
    before = escaped(f"{share} ".lstrip()), element("strong", "Before printing."), escaped(f" {first}")
    return joined(
        element("p", escaped(f"{sheet.said(verdict.headline)}."), class_="verdict"),
        *lines,
        element("p", *before) if verdict.before_printing else "",
    )


def _what_to_print(sheet: JobSheet) -> str:
    rows = [
        (
            fitting.id,
            fitting.section_name,
            fitting.fitting.words,
            fitting.way_up,
            str(fitting.count),
            str(fitting.spares) if fitting.spares else "",
        )
        for fitting in sheet.fittings
    ]
    heads = ("Fitting", "For tube", "What it is", "On the plate", "Print", "of which spare")
    return element("h2", "What to print") + table(heads, rows, numbers=(4, 5)) if rows else ""


def _settings(sheet: JobSheet) -> str:
    process = sheet.process
    rows = [
        ("Material", f"{sheet.material.name}, {sheet.material.density:g} g/cm³"),
        ("Layers", f"{process.layer_mm:g} mm high, the first {process.first_layer_mm:g} mm"),
        ("Beads", f"{process.bead_mm:.2f} mm wide"),
        ("Rings", f"{process.rings} around every outline, outside in"),
        ("Inside", f"{process.fill:.0%} open fill"),
        ("Full layers", f"{process.full_layers} under tops and over bottoms"),
        ("Speed", f"{process.speed_mm_s:g} mm/s along the beads"),
        ("Support", _support(sheet)),
    ]
    if process.base_layers:
        base = f"{process.base_layers} full layers, {say_mm(process.base_margin_mm)} wider than the fitting"
        rows.append(("Base of support", f"{base}; layers and heights here count from its top"))
    if process.chamber_c:
        rows.append(("Chamber", f"heated to {process.chamber_c:g} °C"))
    if any(process.shrink_percent):
        x, y, z = process.shrink_percent
        rows.append(("Shrinkage", f"{x:g} % along x, {y:g} % along y, {z:g} % along z; the files already allow for it"))
    return element("div", element("h2", "Settings"), table((), rows))


def _support(sheet: JobSheet) -> str:
    held = [fitting.id for fitting in sheet.fittings if fitting.supported]
    return f"under {who(held, sheet)}: {sheet.process.support}" if held else "none"


def _print_plan(sheet: JobSheet) -> str:
    plans = [(fitting.id, fitting.printed.plan) for fitting in sheet.fittings if fitting.printed]
    rows = [
        (
            id,
            part.said_layers,
            f"{bare_mm(part.bottom_mm)} to {bare_mm(part.top_mm)}",
            f"{part.rings}",
            f"{part.bead_mm:.2f}",
        )
        for id, plan in plans
        for part in plan.ranges
    ]
    if not rows:
        return element("div", element("h2", "Print plan"), paragraph("Every layer as set."))
    heads = ("Fitting", "Layers", "Height, mm", "Rings", "Bead, mm")
    return element("div", element("h2", "Print plan: as set, except"), table(heads, rows, numbers=(3, 4)))


def _amounts(sheet: JobSheet) -> str:
    needed = sheet.quantities
    if needed is None:
        return ""
    plastic, grams, took = needed.plastic_cm3, needed.grams, needed.time_s
    parts = {"fittings": needed.part_cm3, "support": needed.support_cm3, "purged": needed.purge_cm3}
    each = {name: about_grams(cm3 * plastic.correction * needed.density) for name, cm3 in parts.items() if cm3}
    split = ", ".join(f"{name} {weight}" for name, weight in each.items())
    rows = [
        (
            "Plastic as laid",
            f"{about_grams(grams.value)} ({plastic.value:.0f} cm³): {split}; between {about_grams(grams.low)} and "
            f"{about_grams(grams.high)}",
        ),
        (
            "Time",
            f"{about_time(took.value)}{_plate_times(needed)}; between {about_time(took.low)} and "
            f"{about_time(took.high)}",
        ),
    ]
    if needed.costs:
        low, likely, high = needed.costs
        rows.append(("Cost", f"{likely:.2f} {needed.currency}; between {low:.2f} and {high:.2f}".replace(" ;", ";")))
    learned = [amount.basis for amount in (plastic, took) if amount.factor]
    basis = element("p", escaped(" ".join(learned)), class_="about") if learned else ""
    return element("div", element("h2", "All plates together, about"), table((), rows), basis)


def _plate_times(needed: Quantities) -> str:
    times = [about_time(seconds * needed.time_s.correction) for seconds in needed.plate_times_s]
    if not 1 < len(times) <= 6:
        return ""
    return ": " + ", ".join(f"plate {number} {took}" for number, took in enumerate(times, 1))


def _plates(sheet: JobSheet) -> str:
    if not sheet.plates.count:
        return ""
    ids = [fitting.id for fitting in sheet.fittings]
    figures = []
    for plate in plate_maps(sheet.footprints, ids, sheet.plates, sheet.process, _MAP_MM):
        counts = (f"{count} × {ids[part]}" for part, count in sorted(plate.counts.items()))
        parts = ", ".join(said.replace(" ", NO_BREAK) for said in counts)
        times = len(plate.plates)
        often = f"Plates {say_ranges(plate.plates)}" if times > 1 else f"Plate {plate.plates[0]}"
        often += f" of {sheet.plates.count}, print {'once' if times == 1 else f'{times} times'}: {parts}"
        figures.append(element("figure", plate.picture, element("figcaption", escaped(often))))
    width, depth, _ = sheet.process.plate_mm
    size = f"Plates {bare_mm(width)} × {say_mm(depth)}, front at the bottom"
    return joined(element("h2", escaped(size)), *figures)
