# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job came to: ``result.json`` for programs, a table for people. docs/result.md describes the keys."""

from __future__ import annotations

import json
import textwrap
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, get_args

from .bench.fit_ladder import say_correction, say_excess
from .bench.quantities import Estimate, Quantities, say_duration
from .bench.readings import FORMAT
from .bench.sheet import SheetLadder
from .bench.statistic import Statistic
from .geometry.names import quoted
from .geometry.sections import Section
from .geometry.units import bare_mm, say_mm
from .jobfile import Job
from .review.findings import SEVERITIES, Finding
from .review.orientation import Orientations
from .review.plan import Plan, PlanRow
from .review.support import Support
from .takeoff import TubeEnd
from .trade.cautions import Step, cautions_for
from .trade.processes import Material, Process
from .trade.sizes import nearest_size, section_name

if TYPE_CHECKING:
    from .job import Batch, JobResult, Made

WIDTH = 110
"""Characters a line, in the table for people."""
_KINDS = {"round": "Round tube", "rect": "Square and rectangular tube", "other": "Tube of other sections"}
NO_BREAK = "\N{NO-BREAK SPACE}"


def result_json(result: JobResult) -> str:
    """The whole result as JSON: lengths in mm, angles in degrees, numbers rounded to what means something."""
    fitting_of = {id(end): one.batch.id for one in result.made for end in one.batch.ends}
    record = {
        "format": FORMAT,
        "job": result.job.name,
        "process": result.job.process.name,
        "ends": [{**_end(end), "fitting": fitting_of.get(id(end))} for end in result.ends],
        "fittings": [_fitting(one) for one in result.made],
        "findings": [_finding(finding) for finding in result.findings],
        "plates": [
            {
                "plate": spot.plate + 1,
                "fitting": result.made[spot.part].batch.id,
                "x_mm": _round(spot.x),
                "y_mm": _round(spot.y),
                "turn_deg": _round(spot.turn_deg),
            }
            for spot in result.plates.placements
        ],
        "quantities": result.quantities and _quantities(result.quantities),
        "fit_ladders": [_ladder(one) for one in result.ladders],
        "files": [
            {
                "path": file.path.name,
                "format": file.format,
                "unit": file.unit,
                "triangles": file.triangles,
                "volume_mm3": _round(file.volume_mm3),
                "verified": file.verified,
            }
            for file in result.files
        ],
        "notes": list(result.notes),
    }
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def table(result: JobResult) -> str:
    """The result as a fabricator reads it: tube ends, fittings, how to print them, findings, files, cautions."""
    blocks = [_ends_table(result.ends), _closed_ends(result.ends), *map(_wrapped, result.notes)]
    if result.made:
        blocks += [_fittings_table(result.made)]
    blocks += [_findings(result.findings, len(result.made))]
    if result.made:
        blocks += [
            _ring_plans(result.made),
            _amounts(result.quantities),
            _ladders(result.ladders),
            _files_table(result),
            _cautions(result),
        ]
    else:
        blocks += ["No fitting was made, so no print file was written."]
    return "\n\n".join(block for block in blocks if block)


def columns(rows: Sequence[Sequence[str]]) -> str:
    """Rows of cells as aligned columns, the first row underlined; columns of numbers go to the right."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    right = [not any(char.isalpha() for row in rows[1:] for char in row[i]) for i in range(len(widths))]

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
    """What is in the way of which ends, gathered by what there is to do about it."""
    closed = [end for end in ends if not end.open]
    if not closed:
        return ""
    meshes = {end.source.partition(" / ")[0] for end in ends}
    mesh = meshes.pop() if len(meshes) == 1 else ""
    prefix = f"{mesh} / " if mesh else ""
    remedies: dict[str, dict[str, list[str]]] = {}
    for end in closed:
        what, _, remedy = end.reason.replace(prefix, "").partition("; ")
        remedies.setdefault(remedy, {}).setdefault(what, []).append(end.source.removeprefix(prefix))
    lines = [f"Tube ends that take no fitting: {len(closed)}" + (f", in {mesh}" if mesh else "")]
    for remedy, reasons in remedies.items():
        if remedy:
            lines.append(f"  {remedy[:1].upper()}{remedy[1:]}:")
        lines += [_wrapped(f"{what}: {', '.join(sources)}", "    ") for what, sources in reasons.items()]
    return "\n".join(lines)


def _fittings_table(made: Sequence[Made]) -> str:
    rows = [("Fitting", "For", "Crown", "Size in mm", "Gap per side in mm", "Best printed", "Ends", "Prints")]
    for one in made:
        least, most = one.gap.root_sum_square
        mitre = f", {one.batch.ends[0].cut}" if one.fitting.mitre_deg else ""
        printed = one.review.printed
        rows.append(
            (
                one.id,
                section_name(one.fitting.section) + mitre,
                one.fitting.recipe.crown,
                " × ".join(map(bare_mm, one.review.mesh.size)),
                f"{bare_mm(one.gap.nominal)} ({bare_mm(least)} to {bare_mm(most)})",
                printed.orientations.best.name if printed else "",
                str(len(one.batch.ends)),
                str(one.count),
            )
        )
    return columns(rows)


def _ring_plans(made: Sequence[Made]) -> str:
    lines = []
    for one in made:
        plan = one.review.printed.plan if one.review.printed else None
        if plan and plan.rows:
            before, after = say_mm(plan.before.open_mm), say_mm(plan.after.open_mm)
            lines.append(f"  {one.id}, widest open spot {after} instead of {before}:")
            lines.append(_wrapped(", ".join(map(_plan_row, plan.rows)), "    "))
    return "\n".join(["Ring plan (layers: rings × bead in mm)", *lines]) if lines else ""


def _plan_row(row: PlanRow) -> str:
    return f"{row.said_layers}: {row.said_rings} × {bare_mm(row.bead_mm)}".replace(" ", NO_BREAK)


def _findings(findings: Sequence[Finding], fittings: int) -> str:
    if not findings:
        return "Nothing was found amiss." if fittings else ""
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
    worst = max(findings, key=lambda one: abs((one.value or 0.0) - (one.limit or 0.0)))
    who = ", ".join(dict.fromkeys(one.fitting for one in findings))
    several = f"; the worst of {len(findings)} places" if len(findings) > 1 else ""
    place = ", ".join(part for part in (worst.fitting, worst.where) if part)
    return _wrapped(f"{check}, {who}: {worst.meaning} {worst.advice} ({place}{several})", "  ")


def _files_table(result: JobResult) -> str:
    rows = [("File", "Unit", "Checked")]
    rows += [
        (file.path.name, file.unit, "read back, as drawn" if file.verified else "NOT AS DRAWN") for file in result.files
    ]
    return columns(rows)


def _amounts(found: Quantities | None) -> str:
    if found is None:
        return ""
    grams, took = found.grams, found.time_s
    said = [
        f"Material {grams.value:.0f} g ({grams.low:.0f} to {grams.high:.0f} g)",
        f"time {say_duration(took.value)} ({say_duration(took.low)} to {say_duration(took.high)})",
    ]
    if found.costs:
        low, likely, high = found.costs
        said.append(f"cost {likely:.2f} ({low:.2f} to {high:.2f}) {found.currency}".rstrip())
    basis = [f"Material: {found.plastic_cm3.basis}", f"Time: {took.basis}"]
    return "\n".join([f"{', '.join(said)}, for all plates", *(_wrapped(one, "  ") for one in basis)])


def _ladders(ladders: Sequence[SheetLadder]) -> str:
    if not ladders:
        return ""
    rows = [("Fit ladder for", "Tube", "Gaps a side in mm", "Wanted")]
    for one in ladders:
        steps = [step.label for step in one.ladder.steps]
        tube = section_name(one.ladder.section)
        rows.append((", ".join(one.fittings), tube, f"{steps[0]} to {steps[-1]}", bare_mm(one.ladder.wanted_gap_mm)))
    advice = "Print it first, try it with the real tube, and enter the step that went in as it should, such as with"
    command = "scripts/shop_book.py BOOK.toml add-reading result.json --fitting"
    step = ladders[0].ladder.steps[0].label
    return "\n".join([columns(rows), _wrapped(advice), f"  python3 {command} {ladders[0].fittings[0]} --step {step}"])


def book_notes(job: Job, batches: Sequence[Batch]) -> list[str]:
    """What the shop book has changed in a job, and what is wrong with it, in sentences."""
    notes = list(job.book.problems)
    if not job.book.entries:
        return notes
    if job.book.get(Process, job.process.name):
        notes.append(f"The process {quoted(job.process.name)} is the shop book's.")
    if job.book.get(Material, job.material.name):
        notes.append(f"The plastic {quoted(job.material.name)} is the shop book's.")
    for batch in batches:
        reading = job.measured_for(batch.ends[0].section)
        if reading and reading.book_name:
            bore = batch.section.bore
            across = " × ".join(bare_mm(bore.across(reading.across_deg)) for reading in bore.readings)
            notes.append(f"{batch.id} is made for the shop book's tube {quoted(reading.book_name)}, bore {across} mm.")
    for kind, batch in {batch.section.kind: batch for batch in batches}.items():
        notes.append(f"{_KINDS[kind]}: {say_correction(batch.correction)}")
        if excess := job.print_excess(batch.section):
            notes.append(f"{_KINDS[kind]}: {say_excess(excess)}")
    return notes


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


def _end(end: TubeEnd) -> dict[str, Any]:
    return {
        "source": end.source,
        "section": _section(end.section),
        "mitre_deg": _round(end.mitre_deg),
        "mitre_direction_deg": _round(end.mitre_direction_deg),
        "position_mm": [_round(x) for x in end.frame.origin],
        "axis": [round(float(x), 6) + 0.0 for x in end.frame.z],
        "clear_depth_mm": _round(end.clear_depth_mm),
        "open": end.open,
        "cause": end.cause,
        "reason": end.reason,
        "by_hand": end.by_hand or None,
    }


def _section(section: Section) -> dict[str, Any]:
    match = nearest_size(section)
    return {
        "kind": section.kind,
        "shape": section.outer.shape,
        "width_mm": _round(section.outer.width),
        "depth_mm": _round(section.outer.depth),
        "wall_mm": _round(section.wall),
        "corner_radius_mm": _round(section.outer.corner_radius),
        "bore_width_mm": _round(section.bore.width),
        "bore_depth_mm": _round(section.bore.depth),
        "size_name": match.name if match else None,
        "size_off": match.describe() if match else None,
    }


def _fitting(made: Made) -> dict[str, Any]:
    mesh, printed = made.review.mesh, made.review.printed
    return {
        "id": made.batch.id,
        "name": made.name,
        "section": _section(made.fitting.section),
        "mitre_deg": _round(made.fitting.mitre_deg),
        "up": made.fitting.recipe.up,
        "ends": len(made.batch.ends),
        "count": made.count,
        "volume_mm3": _round(mesh.volume),
        "area_mm2": _round(mesh.area),
        "size_mm": [_round(side) for side in mesh.size],
        "watertight": made.review.watertight,
        "spigot_gap_mm": _round(made.gap.nominal),
        "drawn_gap_mm": _round(made.fitting.recipe.gap_mm),
        "gap_correction": made.batch.correction and _statistic(made.batch.correction),
        "gap_mm": {
            "worst_case": [_round(mm) for mm in made.gap.worst_case],
            "root_sum_square": [_round(mm) for mm in made.gap.root_sum_square],
        },
        "support": _support(printed.support) if printed else None,
        "recommended_orientation": _orientation(printed.orientations) if printed else None,
        "ring_plan": _plan(printed.plan) if printed else None,
        "files": list(made.files),
    }


def _statistic(found: Statistic) -> dict[str, Any]:
    return {"n": found.n, "mean": _round(found.mean), "spread": _round(found.spread)}


def _quantities(found: Quantities) -> dict[str, Any]:
    costs = found.costs
    return {
        "plastic_cm3": _estimate(found.plastic_cm3),
        "grams": _estimate(found.grams),
        "time_s": _estimate(found.time_s),
        "cost": costs
        and {**dict(zip(("low", "value", "high"), map(_round, costs), strict=True)), "currency": found.currency},
        "part_cm3": _round(found.part_cm3),
        "support_cm3": _round(found.support_cm3),
        "purge_cm3": _round(found.purge_cm3),
        "density_g_cm3": _round(found.density),
        "plate_times_s": [_round(seconds) for seconds in found.plate_times_s],
    }


def _estimate(found: Estimate) -> dict[str, Any]:
    return {
        "value": _round(found.value),
        "low": _round(found.low),
        "high": _round(found.high),
        "by_sums": _round(found.raw),
        "factor": found.factor and _statistic(found.factor),
    }


def _ladder(one: SheetLadder) -> dict[str, Any]:
    return {
        "fittings": list(one.fittings),
        "tube": section_name(one.ladder.section),
        "section": _section(one.ladder.section),
        "wanted_gap_mm": _round(one.ladder.wanted_gap_mm),
        "steps": [
            {"label": step.label, "gap_mm": _round(step.gap_mm), "drawn_mm": _round(step.drawn_mm)}
            for step in one.ladder.steps
        ],
        "files": list(one.files),
    }


def _support(support: Support) -> dict[str, Any]:
    return {
        "volume_mm3": _round(support.volume_mm3),
        "contact_mm2": _round(support.contact_mm2),
        "foot_on_part_mm2": _round(support.foot_on_part_mm2),
        "foot_on_plate_mm2": _round(support.foot_on_plate_mm2),
    }


def _orientation(orientations: Orientations) -> dict[str, Any]:
    best = orientations.best
    return {
        "name": best.name,
        "up": [_round(x) for x in best.up],
        "support_mm3": _round(best.support_mm3),
        "stair_largest_mm": _round(best.stair_largest_mm),
        "stair_mean_mm": _round(best.stair_mean_mm),
        "footing_mm2": _round(best.footing_mm2),
        "height_mm": _round(best.height_mm),
        "why": orientations.why,
    }


def _plan(plan: Plan) -> dict[str, Any]:
    return {
        "open_before_mm": _round(plan.before.open_mm),
        "open_after_mm": _round(plan.after.open_mm),
        "rows": [
            {
                "first_layer": row.first + 1,
                "last_layer": row.last + 1,
                "rings": row.rings,
                "fewest_rings": row.fewest_rings,
                "bead_mm": _round(row.bead_mm),
                "layer_mm": _round(row.layer_mm),
            }
            for row in plan.rows
        ],
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "fitting": finding.fitting,
        "check": finding.check,
        "severity": finding.severity,
        "meaning": finding.meaning,
        "value": _round(finding.value),
        "limit": _round(finding.limit),
        "unit": finding.unit,
        "where": finding.where,
        "position_mm": finding.position_mm and [_round(x) for x in finding.position_mm],
        "layer": finding.layer,
        "advice": finding.advice,
        "cure": finding.cure,
    }


def _round(number: float | None) -> float | None:
    return None if number is None else round(float(number), 4) + 0.0
