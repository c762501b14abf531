# SPDX-License-Identifier: GPL-3.0-or-later
"""The job sheet's page for the bench, in the order of the work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..families.fitting import BenchStep
from ..geometry.names import in_words
from ..geometry.units import say_mm
from ..review.findings import say_ids
from ..trade.fits import adhesive
from .markup import element, escaped, paragraph
from .sheet import JobSheet
from .sheet_parts import cautions_at, joined, who

WORTH_SMOOTHING_MM = 0.1
"""Mean stair height from which a crown is worth smoothing: finer stairs go under a coat of paint. A judgement, no
source."""
_SPARE_GLUE = 1.2
"""With what is wiped off; common practice, no source."""


def bench_page(sheet: JobSheet) -> str:
    if not sheet.fittings:
        return cautions_at(sheet, "off the plate", "drilling and marking", "putting in", "in use")
    off, tools, put = _off_the_plate(sheet), _by_family(sheet, stays=False), _by_family(sheet, stays=True)
    done = len(off) + sum(map(len, tools.values()))
    parts = (
        element("h2", "At the bench: off the plate"),
        cautions_at(sheet, "off the plate"),
        _numbered(off, 1),
        element("h2", f"At the bench: {_tools(sheet)}") if tools else "",
        cautions_at(sheet, "drilling and marking"),
        _families(tools, len(off) + 1),
        element("h2", "At the bench: putting in") if put else "",
        cautions_at(sheet, "putting in"),
        _glue_lines(sheet),
        _families(put, done + 1),
    )
    in_use = joined(element("h2", "In use") if put else "", cautions_at(sheet, "in use"))
    return joined(element("div", *filter(None, parts), class_="bench"), in_use)


def _numbered(steps: Sequence[BenchStep], first: int) -> str:
    rows = [element("li", element("strong", escaped(f"{name}.")), " ", escaped(said)) for name, said in steps]
    return element("ol", *rows, start=first)


def _families(steps: Mapping[str, Sequence[BenchStep]], first: int) -> str:
    """Their steps, under their names where there are several."""
    parts = []
    for name, own in steps.items():
        parts += [element("h3", escaped(name)) if len(steps) > 1 else "", _numbered(own, first)]
        first += len(own)
    return joined(*parts)


def _off_the_plate(sheet: JobSheet) -> list[BenchStep]:
    held = [fitting.id for fitting in sheet.fittings if fitting.supported]
    steps = [BenchStep("Off the plate", "Let the plate and the parts cool, then take the parts off.")]
    if sheet.process.bath != "none" and (held or sheet.process.base_layers):
        steps += _in_bath(sheet, held)
    elif held:
        said = f"Break it off {who(held, sheet)} with pliers, from the outside in; a scriber clears corners."
        if inside := [fitting.id for fitting in sheet.fittings if fitting.supported_inside]:
            said += f" Some stands in the bore of {in_words(inside)}: pick it out before anything goes in there."
        steps.append(BenchStep("Support off", said))
    if any(fitting.supported_outside and fitting.fitting.seats for fitting in sheet.fittings):
        steps.append(BenchStep("Seat", "Where support touched the face that sits on the tube's rim, scrape it flat."))
    if smooth := _smoothing(sheet):
        steps.append(BenchStep("Smooth the crown", smooth))
    steps.append(
        BenchStep(
            "Measure",
            "Put calipers on tubes and fittings, on a bore in three places for its smallest, and enter the readings "
            "beside the drawings.",
        )
    )
    return steps


def _in_bath(sheet: JobSheet, held: Sequence[str]) -> list[BenchStep]:
    process = sheet.process
    what = (
        "the base and whatever else comes away"
        if process.base_layers
        else f"whatever comes away from {who(held, sheet)}"
    )
    depth = f", {say_mm(process.bath_fill_mm)} deep" if process.bath_fill_mm else ""
    time = f" in about {process.bath_h:g} h" if process.bath_h else ""
    said = [f"Peel off {what} by hand; the bath ({process.bath}{depth}) takes the rest{time}."]
    baths = [(fitting.id, fitting.printed.bath) for fitting in sheet.fittings if fitting.printed]
    sides: dict[str, list[str]] = {}
    for id, bath in baths:
        if bath and bath.floats:
            sides.setdefault(bath.dry_side, []).append(id)
    said += [f"Floats with its {side} dry: {', '.join(floating)}." for side, floating in sides.items()]
    if sides:
        said.append("Weigh it down, or turn it over after half the time.")
    drained = "Rinse in clean water, let it run out of the inside, and let the parts dry: wet plastic swells."
    return [BenchStep("Support off", " ".join(said)), BenchStep("Rinse and drain", drained)]


def _smoothing(sheet: JobSheet) -> str:
    seen = [fitting for fitting in sheet.fittings if fitting.fitting.seen]
    stairs = [(fitting.id, fitting.printed.stair.mean_mm) for fitting in seen if fitting.printed]
    rough = {id: mean for id, mean in stairs if mean >= WORTH_SMOOTHING_MM}
    if not rough:
        return ""
    low, high = (f"{height:.2f}".rstrip("0") for height in (min(rough.values()), max(rough.values())))
    high_stairs = f"{low} mm" if low == high else f"{low} to {high} mm"
    return (
        f"Worth it on {who(list(rough), sheet)}: stairs are {high_stairs} high on average. Sand the crown, or "
        "tumble the fitting and then measure its spigot again."
    )


def _tools(sheet: JobSheet) -> str:
    """``"drill guides, cope sleeves"``."""
    return ", ".join(dict.fromkeys(entry.family.plural for entry in sheet.fittings if not entry.family.stays))


def _by_family(sheet: JobSheet, stays: bool) -> dict[str, list[BenchStep]]:
    """Each family's own steps, of those whose fittings stay, or of the others: tools are used before."""
    steps: dict[str, list[BenchStep]] = {}
    for family in dict.fromkeys(entry.family for entry in sheet.fittings if entry.family.stays is stays):
        fittings = {entry.id: entry.fitting for entry in sheet.fittings if entry.family is family}
        kind = type(next(iter(fittings.values())))
        steps[f"{family.plural.capitalize()}, {say_ids(tuple(fittings))}"] = kind.steps(fittings)
    return steps


def _glue_lines(sheet: JobSheet) -> str:
    """What all joints take of each adhesive."""
    glued = [(entry.glue, entry.needed) for entry in sheet.fittings if entry.glue and entry.needed]
    said = []
    for kind in dict.fromkeys(adhesive(sheet.material, joint.gap_mm) for joint, _ in glued):
        alike = [(joint, count) for joint, count in glued if adhesive(sheet.material, joint.gap_mm) == kind]
        joints = sum(count for _, count in alike)
        total = sum(joint.volume_mm3 * count for joint, count in alike) / 1000
        said.append(
            f"Glue: {kind}. About {total * _SPARE_GLUE:.1f} ml for {joints} joint{'s' * (joints != 1)}: "
            f"{total:.1f} ml fill the joints, and a fifth more is wiped off."
        )
    return joined(*map(paragraph, said))
