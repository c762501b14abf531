# SPDX-License-Identifier: GPL-3.0-or-later
"""The job sheet: one HTML file without links, to be printed on A4 or Letter and taken to the bench."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from ..geometry.units import MM_PER_INCH, bare_mm, say_mm
from ..review.findings import Finding, worst_first
from ..trade.cautions import Step, cautions_for
from ..trade.processes import Process
from ..trade.sizes import section_name
from .assembly_picture import NUMBERED_UP_TO, EndMark, assembly_picture
from .markup import element, escaped, items, paragraph, table
from .plate_map import plate_maps
from .quantities import Quantities, say_duration
from .section_drawing import both_units, section_drawing
from .sheet import JobSheet, SheetFitting, SheetLadder, say_ranges
from .svg import drawing, line, text

ENDS_LISTED_UP_TO = 300
"""With more ends than this their list is left to the CSV."""

_STYLE = Path(__file__).with_name("job_sheet.css").read_text("utf-8")
_SEVERITY_CLASS = {"must fix": "finding must", "look at": "finding look"}


def job_sheet_html(sheet: JobSheet) -> str:
    """The sheet as HTML, with the cautions that apply at each step; they cannot be left out."""
    parts = (
        _heading,
        _assembly,
        _what_to_print,
        _ladders,
        _fittings,
        _printing,
        _plates,
        _support,
        _putting_in,
        _in_use,
        _end_list,
    )
    body = "\n".join(filter(None, (part(sheet) for part in parts)))
    head = (
        '<meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        + element("title", escaped(f"{sheet.title}: job sheet"))
        + element("style", _STYLE)
    )
    return f'<!DOCTYPE html>\n<html lang="en">\n<head>{head}</head>\n<body>\n{body}\n</body>\n</html>\n'


def _heading(sheet: JobSheet) -> str:
    pieces = sum(fitting.count for fitting in sheet.fittings)
    about = (
        f"Job sheet of {sheet.date}",
        f"{pieces} fitting{'s' * (pieces != 1)}",
        f"{sheet.process.name}, {sheet.material.name}",
    )
    return _joined(
        element("h1", escaped(sheet.title)),
        element("p", escaped(" · ".join(about)), class_="about"),
        _ruler(),
        _cautions(sheet, "before the work"),
        *_findings(sheet.findings),
        *map(paragraph, sheet.notes),
    )


def _ruler() -> str:
    """A check line to lay a ruler against, since some printers scale pages."""
    inches, metric = 50.8, 50.0
    marks = [
        line((0, 4), (inches, 4)),
        line((0, 2), (0, 6)),
        line((metric, 2), (metric, 4)),
        line((inches, 4), (inches, 6)),
    ]
    said = "Drawings are true to scale if this line measures what it says."
    marks += [text((metric - 0.8, 2), "50 mm", "end", "small"), text((inches - 0.8, 6.2), "2 in", "end", "small")]
    return drawing(150, 8, "A line 50 mm and 2 in long", *marks, text((inches + 3, 4), said, "start", "small"))


def _assembly(sheet: JobSheet) -> str:
    numbers = sorted(number for fitting in sheet.fittings for number in fitting.ends)
    if not numbers:
        return ""
    frames = [sheet.ends[number - 1].frame for number in numbers]
    marks = [EndMark(number, frame.origin, frame.z) for number, frame in zip(numbers, frames, strict=True)]
    said = (
        "The numbers are those in What to Print. Ends without a number take no fitting; the last list gives the reason."
    )
    if len(marks) > NUMBERED_UP_TO:
        said = f"Circles mark the {len(marks)} ends that take a fitting, too many to number in a picture."
    picture = assembly_picture(sheet.bodies, marks)
    return element("h2", "Where they go") + element("figure", picture, element("figcaption", escaped(said)))


def _what_to_print(sheet: JobSheet) -> str:
    rows = [
        (
            fitting.id,
            fitting.section_name,
            fitting.fitting.words,
            str(fitting.count),
            str(fitting.spares) if fitting.spares else "",
            say_ranges(fitting.ends),
        )
        for fitting in sheet.fittings
    ]
    heads = ("Fitting", "For tube", "What it is", "Print", "Spares among them", "Tube ends")
    return element("h2", "What to Print") + table(heads, rows, numbers=(3, 4))


def _ladders(sheet: JobSheet) -> str:
    if not sheet.ladders:
        return ""
    steps = [
        "Print the ladder before the fittings, with the same process. The amounts below do not include it.",
        "Push a deburred offcut of the tube over the spigots, from the loosest gap to the tightest.",
        "Note the step that fitted as it should, and the caliper reading of that spigot. Enter both in the shop "
        "book; the next job's gaps follow from them.",
    ]
    return _joined(element("h2", "Fit ladder"), items("ol", steps), *map(_ladder, sheet.ladders))


def _ladder(entry: SheetLadder) -> str:
    ladder = entry.ladder
    rows = [(step.label, both_units(step.drawn_mm), "", "") for step in ladder.steps]
    about = (
        f"{section_name(ladder.section)} ({', '.join(entry.fittings)}), wanted {say_mm(ladder.wanted_gap_mm)} per side"
    )
    heads = ("Step, gap per side in mm", "Spigot width as drawn", "Fitted as it should", "Measured")
    return table(heads, rows, caption=f"{about}: {', '.join(entry.files)}")


def _fittings(sheet: JobSheet) -> str:
    return element("h2", "The fittings and what to measure") + _joined(
        *(_fitting(fitting, sheet) for fitting in sheet.fittings)
    )


def _fitting(entry: SheetFitting, sheet: JobSheet) -> str:
    return element(
        "section",
        element("h3", escaped(f"{entry.id}: {entry.fitting.words}, for {entry.section_name}")),
        element("figure", section_drawing(entry.fitting.drawing(), f"{entry.id}, {entry.fitting.words}")),
        _measures(entry, sheet.process),
        *_findings(entry.findings),
    )


def _measures(entry: SheetFitting, process: Process) -> str:
    """What to put the calipers on, as drawn, and what is allowed."""
    cells = []
    for row in entry.fitting.calipers(process, entry.added_mm, entry.excess_mm):
        drawn = "" if row.drawn_mm is None else both_units(row.drawn_mm)
        cells.append((row.on, drawn, f"{bare_mm(row.least_mm)} to {say_mm(row.most_mm)}", ""))
    measures = table(("Calipers on", "As drawn", "Allowed", "Measured"), cells)
    if not entry.gap_mm:
        return measures
    low, high = map(say_mm, entry.gap_mm)
    return measures + paragraph(
        "What counts is the gap between the mating parts: tube, weld seam, print and temperature may leave "
        f"{low} to {high} per side."
    )


def _printing(sheet: JobSheet) -> str:
    process = sheet.process
    widths = f"{say_mm(process.bead_min_mm)} to {say_mm(process.bead_max_mm)}"
    rows = [
        ("Material", f"{sheet.material.name}, {sheet.material.density:g} g/cm³"),
        ("Layers", f"{process.layer_mm:g} mm high, the first {process.first_layer_mm:g} mm"),
        ("Beads", f"{say_mm(process.bead_mm)} wide; {widths} can be laid"),
        ("Rings", f"{process.rings} around every outline, outside in"),
        ("Inside", f"{process.fill:.0%} open fill; {process.full_layers} full layers under tops and over bottoms"),
        ("Speed", f"{process.speed_mm_s:g} mm/s along the beads"),
        ("Chamber", f"heated to {process.chamber_c:g} °C" if process.chamber_c else "not heated"),
        ("Support", process.support),
        *_base(process),
        ("On the plate", "; ".join(_grouped((fitting.fitting.way_up, fitting.id) for fitting in sheet.fittings))),
    ]
    if any(process.shrink_percent):
        x, y, z = process.shrink_percent
        rows.append(("Shrinkage", f"{x:g} % along x, {y:g} % along y, {z:g} % along z; the files already allow for it"))
    return _joined(
        element("h2", "Printing"),
        _cautions(sheet, "printing"),
        table((), rows),
        _print_plan(sheet),
        _amounts(sheet.quantities) if sheet.quantities else "",
    )


def _base(process: Process) -> list[tuple[str, str]]:
    if not process.base_layers:
        return []
    size = f"{process.base_layers} full layers of support, {say_mm(process.base_margin_mm)} wider than the fitting"
    return [("Base", f"{size}; layers and heights on this sheet count from its top")]


def _print_plan(sheet: JobSheet) -> str:
    rows = [
        (
            entry.id,
            part.said_layers,
            f"{bare_mm(part.bottom_mm)} to {say_mm(part.top_mm)}",
            f"{part.rings}",
            f"{part.bead_mm:.2f} mm",
        )
        for entry in sheet.fittings
        for part in (entry.plan.ranges if entry.plan else ())
    ]
    full = [f"layer {entry.plan.said_full} of {entry.id}" for entry in sheet.fittings if entry.plan and entry.plan.full]
    left = element("p", f"The full layers close the top of {'; '.join(full)}.") if full else ""
    if not rows:
        return element("p", "Print plan: every layer as set above.") + left
    caption = "Print plan: all layers as set above except these, which close the crown's top"
    return table(("Fitting", "Layers", "Height", "Rings", "Bead"), rows, caption=caption) + left


def _amounts(needed: Quantities) -> str:
    plastic, took = needed.plastic_cm3, needed.time_s
    split = (
        f"{needed.part_cm3:.0f} cm³ fittings, {needed.support_cm3:.0f} cm³ support, {needed.purge_cm3:.0f} cm³ purged"
    )
    rows = [
        (
            "Plastic",
            f"{needed.grams.value:.0f} g ({plastic.value:.0f} cm³)",
            f"{plastic.low:.0f} to {plastic.high:.0f} cm³",
            f"{split}. {plastic.basis}",
        ),
        ("Time", say_duration(took.value), f"{say_duration(took.low)} to {say_duration(took.high)}", took.basis),
    ]
    if needed.costs:
        low, likely, high = needed.costs
        currency = f" {needed.currency}".rstrip()
        rows.append(
            ("Cost", f"{likely:.2f}{currency}", f"{low:.2f} to {high:.2f}{currency}", "From the shop book's prices.")
        )
    return table(("All plates", "About", "Between", "Based on"), rows)


def _plates(sheet: JobSheet) -> str:
    if not sheet.plates.count:
        return ""
    ids = [fitting.id for fitting in sheet.fittings]
    figures = []
    for plate in plate_maps(sheet.footprints, ids, sheet.plates, sheet.process):
        parts = ", ".join(f"{count} × {ids[part]}" for part, count in sorted(plate.counts.items()))
        plates = f"Plate {plate.plates[0]}" if len(plate.plates) == 1 else f"Plates {say_ranges(plate.plates)}, each"
        said = f"{plates} of {sheet.plates.count}: {parts}"
        figures.append(element("figure", plate.picture, element("figcaption", escaped(said))))
    width, depth, _ = sheet.process.plate_mm
    size = f"Plates are {say_mm(width)} wide and {say_mm(depth)} deep; the front is at the bottom."
    return element("h2", "Plates") + paragraph(size) + element("div", *figures, class_="maps")


def _support(sheet: JobSheet) -> str:
    """How to take parts and support off."""
    held = [fitting for fitting in sheet.fittings if fitting.support_mm3 > 0]
    process = sheet.process
    steps = ["Let the plate and the parts cool, then take the parts off."]
    if not held:
        steps.append("No fitting has support.")
    else:
        where = ", ".join(f"{fitting.id} ({fitting.support_mm3 / 1000:.1f} cm³ each)" for fitting in held)
        steps.append(f"Support is on {where}.")
        if process.support == "dissolved in a bath":
            depth = f", filled {say_mm(process.bath_fill_mm)} deep" if process.bath_fill_mm else ""
            steps.append(
                f"Dissolve it in the bath ({process.bath}{depth}). Keep every part submerged, grooves and pockets up."
            )
            steps.append("Rinse in clean water and let the parts dry before measuring: wet plastic swells.")
        else:
            steps.append("Break it off with pliers, from the outside in, and clear the grooves with a scriber.")
        steps.append("Scrape the shoulder flat where support touched it: it has to sit on the tube's rim.")
    return _joined(
        element("h2", "Off the plate"),
        _cautions(sheet, "off the plate"),
        items("ol", steps),
    )


def _putting_in(sheet: JobSheet) -> str:
    """Order of assembly, with the glue."""
    glued = [entry for entry in sheet.fittings if entry.glue]
    kinds = dict.fromkeys(type(entry.fitting) for entry in sheet.fittings)
    by_kind = ({entry.id: entry.fitting for entry in sheet.fittings if type(entry.fitting) is kind} for kind in kinds)
    steps = [kind.steps(fittings) for kind, fittings in zip(kinds, by_kind, strict=True)]
    return _joined(
        element("h2", "Putting them in"),
        _cautions(sheet, "putting in"),
        _glue_table(sheet, glued) if glued else "",
        *(items("ol", some) for some in steps),
    )


def _in_use(sheet: JobSheet) -> str:
    return element("h2", "In use") + _cautions(sheet, "in use")


def _glue_table(sheet: JobSheet, glued: Sequence[SheetFitting]) -> str:
    rows, total = [], 0.0
    for fitting in glued:
        joint = fitting.glue
        assert joint is not None
        volume = joint.volume_mm3 * len(fitting.ends)
        total += volume
        rows.append(
            (
                fitting.id,
                say_mm(joint.gap_mm),
                f"{joint.bond_area_mm2 / 100:.1f} cm² ({joint.bond_area_mm2 / MM_PER_INCH**2:.2f} sq in)",
                f"{joint.volume_mm3 / 1000:.2f} ml",
                str(len(fitting.ends)),
                f"{volume / 1000:.1f} ml",
            )
        )
    rows.append(("All", "", "", "", str(sum(len(fitting.ends) for fitting in glued)), f"{total / 1000:.1f} ml"))
    adhesive = (
        f"Glue: {sheet.material.glue}. The volumes fill gap and grooves; allow a fifth more for what is wiped off."
    )
    heads = ("Fitting", "Gap per side", "Bond area", "Glue per joint", "Joints", "Total glue")
    return element("div", paragraph(adhesive), table(heads, rows, numbers=(1, 2, 3, 4, 5)), class_="keep")


def _end_list(sheet: JobSheet) -> str:
    if not sheet.ends:
        return ""
    takes = {number: fitting.id for fitting in sheet.fittings for number in fitting.ends}
    left = [(str(number), end.source, end.explained) for number, end in enumerate(sheet.ends, 1) if number not in takes]
    parts = [element("h2", "Tube ends")]
    if len(sheet.ends) > ENDS_LISTED_UP_TO:
        parts.append(paragraph(f"The CSV list holds all {len(sheet.ends)} tube ends."))
    else:
        tubes: dict[tuple[str, str], list[int]] = {}
        for number in sorted(takes):
            end = sheet.ends[number - 1]
            tube = ", ".join(filter(None, (end.source, end.by_hand)))
            tubes.setdefault((tube, takes[number]), []).append(number)
        rows = [(say_ranges(numbers), *tube) for tube, numbers in tubes.items()]
        parts.append(table(("Ends", "Tube", "Fitting"), rows))
    if left:
        shown = left[:ENDS_LISTED_UP_TO]
        more = f" (the first {len(shown)} of {len(left)})" if len(shown) < len(left) else ""
        parts.append(table(("End", "Tube", "Reason"), shown, caption=f"Ends that take no fitting{more}"))
    return _joined(*parts)


def _cautions(sheet: JobSheet, step: Step) -> str:
    """What applies to this job at that step."""
    rows = [
        element("li", element("strong", escaped(f"{caution.name}.")), " ", escaped(caution.text))
        for caution in cautions_for(sheet.facts)
        if caution.step == step
    ]
    return element("div", element("strong", "Caution"), element("ul", *rows), class_="caution") if rows else ""


def _findings(findings: Sequence[Finding]) -> list[str]:
    """What needs action, worst first; what is merely good to know does not go to the bench."""
    urgent = [finding for finding in findings if finding.severity in _SEVERITY_CLASS]
    return [_finding(finding) for finding in worst_first(urgent)]


def _finding(finding: Finding) -> str:
    place = f" ({finding.where})" if finding.where else ""
    severity = element("strong", escaped(f"{finding.severity.capitalize()}: {finding.check}{place}."))
    said = escaped(f"{finding.meaning} {finding.advice}")
    return element("p", severity, " ", said, class_=_SEVERITY_CLASS[finding.severity])


def _grouped(pairs: Iterable[tuple[str, str]]) -> list[str]:
    """``("crown up", "F1"), ("crown up", "F2")`` become ``["crown up: F1, F2"]``."""
    groups: dict[str, list[str]] = {}
    for words, who in pairs:
        groups.setdefault(words, []).append(who)
    return [f"{words}: {', '.join(who)}" for words, who in groups.items()]


def _joined(*parts: str) -> str:
    return "\n".join(part for part in parts if part)
