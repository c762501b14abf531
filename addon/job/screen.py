# SPDX-License-Identifier: GPL-3.0-or-later
"""The result of a job, as a fabricator reads it on the screen."""

from __future__ import annotations

import re
import textwrap
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import get_args

from ..bench.quantities import Quantities, say_duration
from ..files.parts import WrittenFile
from ..geometry.sections import Section
from ..geometry.units import bare_mm
from ..review.findings import SEVERITIES, Finding
from ..review.print_plan import say_rings
from ..takeoff import TubeEnd
from ..trade.cautions import Step, cautions_for
from ..trade.sizes import nearest_size, section_name
from .asked import Job
from .results import JobLadder, JobResult, Made

WIDTH = 110
"""Characters a line, in the table for people."""
NO_BREAK = "\N{NO-BREAK SPACE}"


def table(result: JobResult) -> str:
    """The result as a fabricator reads it: tube ends, fittings, how to print them, findings, files, cautions."""
    blocks = [_ends_table(result.ends), _closed_ends(result.ends), *map(_wrapped, result.notes)]
    if result.made:
        blocks += [_fittings_table(result.made)]
    blocks += [_findings(result.findings, len(result.made))]
    if result.made:
        blocks += [
            _print_plans(result.made),
            _amounts(result.quantities),
            _ladders(result.job, result.ladders),
            _files_table(result.files),
            _cautions(result),
        ]
    else:
        blocks += ["No fitting was made, so no print file was written."]
    return "\n\n".join(block for block in blocks if block)


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


def _closed_ends(ends: Sequence[TubeEnd]) -> str:
    """Why ends take no fitting, grouped by what to do about it."""
    closed = [end for end in ends if not end.open]
    if not closed:
        return ""
    meshes = {end.source.partition(" / ")[0] for end in ends}
    mesh = meshes.pop() if len(meshes) == 1 else ""
    prefix = f"{mesh} / " if mesh else ""
    remedies: dict[str, dict[str, list[str]]] = {}
    for end in closed:
        what = end.reason.replace(prefix, "") if prefix else end.reason
        remedies.setdefault(end.remedy, {}).setdefault(what, []).append(end.source.removeprefix(prefix))
    lines = [f"Tube ends that take no fitting: {len(closed)}" + (f", in {mesh}" if mesh else "")]
    for remedy, reasons in remedies.items():
        if remedy:
            lines.append(f"  {remedy[:1].upper()}{remedy[1:]}:")
        lines += [_wrapped(f"{what}: {', '.join(sources)}", "    ") for what, sources in reasons.items()]
    return "\n".join(lines)


def _fittings_table(fittings: Sequence[Made]) -> str:
    rows = [("Fitting", "For", "What", "Size in mm", "Gap per side in mm", "Best printed", "Ends", "Prints")]
    for fitting in fittings:
        least, most = fitting.gap.root_sum_square
        mitre = f", {fitting.batch.ends[0].cut}" if fitting.batch.place.mitre_deg else ""
        printed = fitting.review.printed
        rows.append(
            (
                fitting.id,
                section_name(fitting.fitting.section) + mitre,
                fitting.fitting.title,
                " × ".join(map(bare_mm, fitting.review.mesh.size)),
                f"{bare_mm(fitting.gap.nominal)} ({bare_mm(least)} to {bare_mm(most)})",
                printed.orientations.best.name if printed else "",
                str(len(fitting.batch.ends)),
                str(fitting.count),
            )
        )
    return columns(rows)


def _print_plans(fittings: Sequence[Made]) -> str:
    plans = [(fitting.id, fitting.review.printed.plan) for fitting in fittings if fitting.review.printed]
    rows = [
        (id, part.said_layers, f"{part.rings}", f"{part.bead_mm:.2f}") for id, plan in plans for part in plan.ranges
    ]
    if not rows:
        return ""
    as_set = say_rings(plans[0][1].rings, plans[0][1].bead_mm)
    return f"Print plan: {as_set}, except\n\n" + columns([("Fitting", "Layers", "Rings", "Bead in mm"), *rows])


def _findings(findings: Sequence[Finding], fittings: int) -> str:
    if not findings:
        return "No findings." if fittings else ""
    lines = []
    for severity in SEVERITIES:
        checks: dict[str, list[Finding]] = {}
        for finding in findings:
            if finding.severity == severity:
                checks.setdefault(finding.check, []).append(finding)
        if checks:
            lines.append(f"{severity.capitalize()}:")
            lines += [_check(check, some) for check, some in checks.items()]
    return "\n".join(lines)


def _check(check: str, findings: Sequence[Finding]) -> str:
    """One check's findings: who has it, and the worst of them in words. All of them are in result.json."""
    worst = max(findings, key=lambda finding: abs((finding.value or 0.0) - (finding.limit or 0.0)))
    who = ", ".join(dict.fromkeys(finding.fitting for finding in findings))
    several = f"; the worst of {len(findings)} places" if len(findings) > 1 else ""
    place = ", ".join(part for part in (worst.fitting, worst.where) if part)
    return _wrapped(f"{check}, {who}: {worst.meaning} {worst.advice} ({place}{several})", "  ")


def _files_table(files: Sequence[WrittenFile]) -> str:
    return columns([("File, read back and as drawn", "Unit"), *((file.path.name, file.unit) for file in files)])


def _amounts(needed: Quantities | None) -> str:
    if needed is None:
        return ""
    grams, took = needed.grams, needed.time_s
    said = [
        f"Material {grams.value:.0f} g ({grams.low:.0f} to {grams.high:.0f} g)",
        f"time {say_duration(took.value)} ({say_duration(took.low)} to {say_duration(took.high)})",
    ]
    if needed.costs:
        low, likely, high = needed.costs
        said.append(f"cost {likely:.2f} ({low:.2f} to {high:.2f}) {needed.currency}".rstrip())
    basis = [f"Material: {needed.plastic_cm3.basis}", f"Time: {took.basis}"]
    return "\n".join([f"{', '.join(said)}, for all plates", *(_wrapped(sentence, "  ") for sentence in basis)])


def _ladders(job: Job, ladders: Sequence[JobLadder]) -> str:
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
    book, told = _typed(job.shop.book or "BOOK.toml"), _typed(job.output.folder / "result.json")
    step = f"--fitting {ladders[0].fittings[0]} --step {ladders[0].ladder.steps[0].label}"
    command = f"  python3 scripts/shop_book.py {book} add-reading {told} {step}"
    return "\n".join([columns(rows), _wrapped(advice), command])


def _typed(path: Path | str) -> str:
    """A path as it is typed in a command."""
    return str(path) if re.fullmatch(r"[\w./\\:~+-]+", str(path)) else f'"{path}"'


def _cautions(result: JobResult) -> str:
    lines = ["Cautions, in full on the job sheet:"]
    for step in get_args(Step):
        names = [caution.name for caution in cautions_for(result.facts) if caution.step == step]
        lines += [_wrapped(f"{step.capitalize()}: {'; '.join(names)}.", "  ")] if names else []
    return "\n".join(lines)


def _wrapped(text: str, indent: str = "") -> str:
    lines = textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=f"{indent}  ", break_on_hyphens=False)
    return "\n".join(lines).replace(NO_BREAK, " ")


def _size(section: Section) -> str:
    match = nearest_size(section)
    return match.describe() if match else f"{section_name(section)} (no table size)"
