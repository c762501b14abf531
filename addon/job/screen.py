# SPDX-License-Identifier: GPL-3.0-or-later
"""The result of a job, as a fabricator reads it on the screen."""

from __future__ import annotations

import re
import textwrap
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from ..bench.quantities import Quantities
from ..bench.sheet import say_ranges
from ..bench.verdict import JobVerdict, about_grams, about_time
from ..fields.messages import Message, count_of
from ..files.parts import WrittenFile
from ..geometry.names import in_words
from ..geometry.sections import Section
from ..geometry.units import NO_BREAK, bare_mm, say_mm, with_units_kept
from ..review.findings import Finding, concerns, say_ids
from ..review.print_plan import say_rings
from ..takeoff import TubeEnd
from ..trade.cautions import Step, cautions_for
from ..trade.fits import fit_named
from ..trade.sizes import nearest_size, section_name
from .asked import Job
from .judging import verdict_of, without_fitting
from .results import JobLadder, JobResult, Made

WIDTH = 110
"""Characters a line, unless the screen is narrower."""
LEAST_WIDTH = 80
"""The table of kinds takes that."""


def table(result: JobResult, everything: bool = False, width: int = WIDTH) -> str:
    """The result as a fabricator reads it: the verdict, what to do first, the kinds and how to print them, the files.
    ``everything`` has every end and finding too."""
    verdict = verdict_of(result)
    doubts = result.unit_doubts
    blocks = ["\n".join(_wrapped(doubt, width) for doubt in doubts)]
    blocks += [_verdict(verdict, width), _kinds_table(result.made, width) if result.made else ""]
    notes = (note for note in result.notes if note not in doubts)
    blocks += [_ladders(result.job, result.ladders, width), "\n".join(_wrapped(note, width) for note in notes)]
    closing = [_printing(result, width), _ends(result, verdict, width), _last(result, everything, width)]
    if everything:
        blocks += [
            "\n".join(filter(None, closing[:-1])),
            *((_ends_table(result.ends), _closed_ends(result, width)) if "end" in verdict.asked else ()),
            _sizes_table(result.made),
            _findings(result.findings, width),
            _amounts(result.quantities, width),
            _files_table(result.files) if result.files else "",
            _all_cautions(result, width),
            closing[-1],
        ]
    else:
        blocks += ["\n".join(filter(None, closing))]
    return "\n\n".join(block for block in blocks if block)


def _verdict(verdict: JobVerdict, width: int) -> str:
    """What the job comes to, what stands in the way, and what to do first."""
    lines = [f"{verdict.headline}.", *verdict.in_the_way, *(concern.said for concern in verdict.look_at)]
    if verdict.ready:
        first = ("Before printing:", *verdict.before_printing) if verdict.before_printing else ()
        lines += [" ".join(filter(None, (verdict.goes_in, *first)))]
    return "\n".join(_wrapped(line, width) for line in lines if line)


def _kinds_table(fittings: Sequence[Made], width: int) -> str:
    """Without its last columns, which the sheet has too, where there is no room for them."""
    ends_only = all(fitting.batch.family.serves == "end" for fitting in fittings)
    rows = [("Kind", "For", "What", "Ends" if ends_only else "Serves", "Prints", "Way up", "Gap per side")]
    for fitting in fittings:
        batch = fitting.batch
        serves = ", ".join(str(number) if ends_only else count_of(number, of) for of, number in batch.amounts.items())
        gap = ", ".join(dict.fromkeys(say_mm(gap.nominal) for gap in fitting.gaps))
        tube = ", ".join(filter(None, (section_name(fitting.fitting.section), batch.place.words)))
        way_up = fitting.fitting.way_up.partition(",")[0]
        rows.append((fitting.id, tube, fitting.fitting.title, serves, str(fitting.count), way_up, gap))
    most = 7 if any(fitting.gaps for fitting in fittings) else 6
    drawn = [columns([row[:count] for row in rows]) for count in range(most, 4, -1)]
    return next((text for text in drawn if max(map(len, text.splitlines())) <= width), drawn[-1])


def _printing(result: JobResult, width: int) -> str:
    """The print plan, and the support with how it comes off."""
    printed = {fitting.id: fitting.review.printed for fitting in result.made if fitting.review.printed}
    if not printed:
        return ""
    plans = {id: part.plan for id, part in printed.items()}
    as_set = next(iter(plans.values()))
    where: dict[str, list[str]] = {}
    for id, plan in plans.items():
        for part in plan.ranges:
            beads = "" if part.bead_mm == as_set.bead_mm else f" of {part.bead_mm:.2f} mm"
            layers = say_ranges(range(part.first + 1, part.last + 2))
            where.setdefault(f"{part.rings}{beads} on", []).append(f"{id} {layers}")
    changes = [f"{rings} {'' if at else 'layers '}{', '.join(some)}" for at, (rings, some) in enumerate(where.items())]
    lines = [f"Print plan: {'; '.join([say_rings(as_set.rings, as_set.bead_mm), *changes])}."]
    held = [id for id, part in printed.items() if part.support.needed]
    if held and result.quantities:
        support = f"{result.quantities.support_cm3:.1f} cm³ in all, {result.job.process.support}"
        lines.append(f"Support: {support}, on {say_ids(held)}.")
    if result.quantities and result.quantities.costs:
        low, likely, high = result.quantities.costs
        lines.append(f"Cost {likely:.2f} ({low:.2f} to {high:.2f}) {result.quantities.currency}".rstrip() + ".")
    return "\n".join(_wrapped(line, width) for line in lines)


def _ends(result: JobResult, verdict: JobVerdict, width: int) -> str:
    if not result.ends and "end" in verdict.asked:
        return "No tube ends were found."
    closed = verdict.closed_ends
    return _wrapped(closed, width) if closed else ""


def _last(result: JobResult, everything: bool, width: int) -> str:
    """Where everything is that is not on the screen."""
    lines = []
    if result.made and not everything:
        minor = dict.fromkeys(finding.check for finding in result.findings if finding.severity == "good to know")
        lines += [f"Good to know: {', '.join(minor)}; with --all, in sentences."] if minor else []
        lines.append(f"Cautions. {' '.join(_cautions(result, in_brief=True))}")
        lines.append(_files(result))
    lines.append(f"Files are in {result.job.output.folder}")
    return "\n".join((*(_wrapped(line, width) for line in lines[:-1]), lines[-1]))


def _files(result: JobResult) -> str:
    """How many print files there are of each format, and the papers beside them."""
    counts = Counter(file.format.upper() for file in result.files)
    formats = in_words(f"{count} {format}" for format, count in counts.items())
    said = f"{formats} file{'s' * (len(result.files) > 1)} in {result.job.output.unit}"
    wraps = f"{count_of(len(result.templates), 'template')}, " if result.templates else ""
    return f"Read back as drawn: {said}; beside them job sheet (all cautions), {wraps}lists."


def columns(rows: Sequence[Sequence[str]]) -> str:
    """Rows of cells as aligned columns, the first row underlined; columns of numbers go to the right."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    right = [all(re.fullmatch(r"-?[\d.]*", row[i]) for row in rows[1:]) for i in range(len(widths))]

    def line(row: Sequence[str]) -> str:
        cells = (cell.rjust(w) if r else cell.ljust(w) for cell, w, r in zip(row, widths, right, strict=True))
        return "  ".join(cells).rstrip()

    return "\n".join([line(rows[0]), "  ".join("─" * width for width in widths), *map(line, rows[1:])])


def _ends_table(ends: Sequence[TubeEnd]) -> str:
    if not ends:
        return "No tube ends were found."
    counts = Counter((_size(end.section), ", ".join(filter(None, (end.cut, end.by_hand)))) for end in ends if end.open)
    if not counts:
        return f"None of the {len(ends)} tube ends is open."
    rows = [(size, mitre, str(count)) for (size, mitre), count in counts.items()]
    return columns([("Open tube ends", "Cut", "Ends"), *rows])


def _closed_ends(result: JobResult, width: int) -> str:
    """Why ends take no fitting, grouped by what to do about it."""
    ends, closed = result.ends, without_fitting(result)
    if not closed:
        return ""
    meshes = {end.source.partition(" / ")[0] for end in ends}
    mesh = meshes.pop() if len(meshes) == 1 else ""
    prefix = f"{mesh} / " if mesh else ""
    remedies: dict[Message, dict[str, list[str]]] = {}
    for end in closed:
        what = end.reason.replace(prefix, "") if prefix else end.reason
        remedies.setdefault(end.remedy, {}).setdefault(what, []).append(end.source.removeprefix(prefix))
    lines = [f"Tube ends without a fitting: {len(closed)}" + (f", in {mesh}" if mesh else "")]
    for remedy, reasons in remedies.items():
        if remedy:
            lines.append(f"  {remedy.of(sum(map(len, reasons.values()))).capitalised}:")
        lines += [_wrapped(f"{what}: {', '.join(sources)}", width, "    ") for what, sources in reasons.items()]
    return "\n".join(lines)


def _sizes_table(fittings: Sequence[Made]) -> str:
    if not fittings:
        return ""
    rows = [("Kind", "Size in mm", "Gap per side in mm", "Allowed", "Best printed")]
    for fitting in fittings:
        printed = fitting.review.printed
        gaps = {gap.nominal: fit_named(seat.fit) for seat, gap in zip(fitting.fitting.seats, fitting.gaps, strict=True)}
        allowed = (f"{bare_mm(fit.least_gap_mm)} to {bare_mm(fit.holds_up_to(gap))}" for gap, fit in gaps.items())
        size = " × ".join(map(bare_mm, fitting.review.mesh.size))
        cells = ", ".join(map(bare_mm, gaps)), ", ".join(dict.fromkeys(allowed))
        rows.append((fitting.id, size, *cells, printed.orientations.best.name if printed else ""))
    return columns(rows)


def _findings(findings: Sequence[Finding], width: int) -> str:
    """Each check's findings: who has it, and the worst of them in words. All of them are in result.json."""
    return "\n".join(_wrapped(concern.said, width) for concern in concerns(findings))


def _files_table(files: Sequence[WrittenFile]) -> str:
    return columns([(f"File in {files[0].unit}, read back and as drawn",), *((file.path.name,) for file in files)])


def _amounts(needed: Quantities | None, width: int) -> str:
    if needed is None:
        return ""
    grams, took = needed.grams, needed.time_s
    said = [
        f"Material {about_grams(grams.value)} ({about_grams(grams.low)} to {about_grams(grams.high)})",
        f"time {about_time(took.value)} ({about_time(took.low)} to {about_time(took.high)})",
    ]
    basis = [f"Material: {needed.plastic_cm3.basis}", f"Time: {took.basis}"]
    return "\n".join([f"{', '.join(said)}, for all plates", *(_wrapped(sentence, width, "  ") for sentence in basis)])


def _ladders(job: Job, ladders: Sequence[JobLadder], width: int) -> str:
    if not ladders:
        return ""
    rows = [("Fit ladder for", "Tube", "Gaps per side in mm", "Wanted")]
    for entry in ladders:
        steps = [step.label for step in entry.ladder.steps]
        tube = section_name(entry.ladder.section)
        rows.append(
            (", ".join(entry.fittings), tube, f"{steps[0]} to {steps[-1]}", bare_mm(entry.ladder.wanted_gap_mm))
        )
    advice = "Print it first, try it in the real tube, and enter the step that fitted as it should, for example with"
    book, result = _typed(job.shop.book or "BOOK.toml"), _typed(job.output.folder / "result.json")
    step = f"--fitting {ladders[0].fittings[0]} --step {ladders[0].ladder.steps[0].label}"
    command = f"  python3 scripts/shop_book.py {book} add-reading {result} {step}"
    return "\n".join([columns(rows), _wrapped(advice, width), command])


def _typed(path: Path | str) -> str:
    """A path as it is typed in a command."""
    return str(path) if re.fullmatch(r"[\w./\\:~+-]+", str(path)) else f'"{path}"'


def _all_cautions(result: JobResult, width: int) -> str:
    if not result.made:
        return ""
    return "\n".join(
        ["Cautions, in full on the job sheet:", *(_wrapped(line, width, "  ") for line in _cautions(result))]
    )


def _cautions(result: JobResult, in_brief: bool = False) -> list[str]:
    """Those that apply, in a line for each step of the work."""
    steps: dict[Step, list[str]] = {}
    for caution in cautions_for(result.facts):
        steps.setdefault(caution.step, []).append(caution.brief if in_brief else caution.name)
    return [f"{step.capitalize()}: {'; '.join(cautions)}." for step, cautions in steps.items()]


def _wrapped(text: str, width: int, indent: str = "") -> str:
    text, further = with_units_kept(text), f"{indent}  "
    lines = textwrap.wrap(text, width, initial_indent=indent, subsequent_indent=further, break_on_hyphens=False)
    return "\n".join(lines).replace(NO_BREAK, " ")


def _size(section: Section) -> str:
    match = nearest_size(section)
    return match.describe() if match else f"{section_name(section)} (no table size)"
