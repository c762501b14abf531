# SPDX-License-Identifier: GPL-3.0-or-later
"""The job sheet, the lists and the amounts: what the bench and the shop read."""

from __future__ import annotations

import datetime
from collections import Counter
from collections.abc import Sequence
from functools import partial
from operator import call
from pathlib import Path

from ..bench.end_list import drawings
from ..bench.job_sheet import job_sheet_html
from ..bench.order_list import ends_csv, fittings_csv, sites_csv
from ..bench.plate import Plates
from ..bench.quantities import Quantities, quantities, work_of_print
from ..bench.sheet import JobSheet, SheetAssembly, SheetFitting, SheetLadder
from ..bench.shop_entries import Prices, PrintRun
from ..bench.templates import template_svg, templates_html
from ..fields.declared import declared_in
from ..files.atomic import FileSet
from ..files.file_names import safe_name
from ..trade.processes import Process
from .asked import Assembly, Job, TubeFacts
from .folder import RESULT
from .judging import verdict_of
from .report import result_json
from .results import JobResult, Made
from .workers import SharedOut


def quantities_of(job: Job, fittings: Sequence[Made], plates: Plates) -> Quantities | None:
    """Material, time and cost of all plates, with what the shop book knows; None if nothing is printed."""
    if not fittings:
        return None
    works = [
        work_of_print(fitting.review.printed, job.process) if fitting.review.printed else None for fitting in fittings
    ]
    loads: list[Counter[int]] = [Counter() for _ in range(plates.count)]
    for spot in plates.placements:
        loads[spot.plate][spot.part] += 1
    return quantities(
        ([(work, count) for part, count in load.items() if (work := works[part])] for load in loads),
        job.process,
        job.material,
        job.book.all(PrintRun),
        job.book.get(Prices, job.process.name),
    )


def job_sheet_of(result: JobResult) -> JobSheet:
    """What goes to the bench."""
    job = result.job
    sites = tuple(site for some in result.sites for site in some)
    number = {id(site): position for position, site in enumerate(sites, 1)}
    return JobSheet(
        title=job.name,
        date=datetime.date.today().isoformat(),
        process=job.process,
        material=job.material,
        fittings=tuple(
            SheetFitting(
                fitting.id,
                fitting.fitting,
                tuple(number[id(site)] for site in fitting.batch.sites),
                fitting.batch.needed,
                fitting.spares,
                fitting.batch.added_mm,
                excess.mean if (excess := job.print_excess(fitting.batch.section)) else 0.0,
                fitting.review.printed,
            )
            for fitting in result.made
        ),
        sites=sites,
        assemblies=tuple(
            SheetAssembly(each.assembly.name, each.assembly.frames, len(some), each.bodies)
            for each, some in zip(result.taken, result.sites, strict=True)
        ),
        footprints=result.laid_out.footprints,
        plates=result.plates,
        quantities=result.quantities,
        ladders=tuple(
            SheetLadder(ladder.fittings, ladder.ladder, result.files_of(ladder.name)) for ladder in result.ladders
        ),
        metal=result.facts.metal,
        notes=result.notes,
        verdict=verdict_of(result),
        labels=_labels(job),
    )


def _labels(job: Job) -> dict[str, str]:
    """What fields are called on paper: as in the window, within a sentence."""
    records = (*(wish.family.recipe for wish in job.wishes), Process, TubeFacts, Assembly)
    said = {key: field.field.label for record in records for key, field in declared_in(record).items()}
    return {key: label.partition(" (")[0].lower() for key, label in said.items() if label}


def sheet_path(job: Job) -> Path:
    """Where its job sheet is, once it is written."""
    return job.output.folder / f"{safe_name(job.name)} job sheet.html"


def write_papers(result: JobResult, files: FileSet, shared_out: SharedOut) -> None:
    """Writes the job sheet, the lists for the shop, and, last of all files, result.json."""
    folder, name = result.job.output.folder, result.job.name
    if result.made:
        sheet = job_sheet_of(result)
        pictures, templates = shared_out(call, drawings(sheet)), result.templates
        pages = {f"{safe_name(name)} wrap {id}.svg": partial(template_svg, id, each) for id, each in templates.items()}
        if templates:
            pages = {f"{safe_name(name)} wrap templates.html": partial(templates_html, name, templates), **pages}
        drawn = shared_out(call, [*pages.values()])
        papers = {
            sheet_path(result.job).name: job_sheet_html(sheet, pictures).encode(),
            f"{safe_name(name)} ends.csv": ends_csv(sheet).encode("utf-8-sig"),
            f"{safe_name(name)} fittings.csv": fittings_csv(sheet).encode("utf-8-sig"),
        }
        if len(sheet.sites) > len(sheet.ends):
            papers[f"{safe_name(name)} sites.csv"] = sites_csv(sheet).encode("utf-8-sig")
        papers |= {paper: text.encode() for paper, text in zip(pages, drawn, strict=True)}
        for paper, content in papers.items():
            files.add(folder / paper, content, len)
    files.add(folder / RESULT, result_json(result, files.stamps()).encode(), len)
