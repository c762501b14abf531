# SPDX-License-Identifier: GPL-3.0-or-later
"""The fit ladders that a job asks for, one for each section, and their files."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..bench.fit_ladder import LadderError, fit_ladder
from ..bench.plate import Footprint, PlateError, lay_out
from ..families.family import ALIKE_MM
from ..files.atomic import FileSet
from ..files.file_names import safe_name
from ..files.parts import Part, WrittenFile
from ..files.stl import write_stl
from ..files.threemf import write_3mf
from ..trade.fits import fit_named
from ..trade.sizes import section_name
from .asked import Job
from .results import JobLadder, Made


def make_ladders(job: Job, fittings: Sequence[Made]) -> tuple[tuple[JobLadder, ...], tuple[str, ...]]:
    """The ladders, and sentences on those that could not be made. Fittings with like sections and the same wanted gap
    share a ladder."""
    ladders: list[JobLadder] = []
    notes = []
    for fitting in fittings:
        wish = job.ladder_for(fitting.batch.sites[0].section)
        if wish is None or fitting.batch.family.slice is None:
            continue
        section, wanted = fitting.fitting.section, _wanted_mm(fitting)
        for index, other in enumerate(ladders):
            if other.ladder.wanted_gap_mm == wanted and other.ladder.section.like(section, ALIKE_MM):
                ladders[index] = replace(other, fittings=(*other.fittings, fitting.id))
                break
        else:
            drawn = fitting.fitting.recipe
            try:
                ladder = fit_ladder(
                    fitting.batch.family,
                    replace(drawn, gap_mm=wanted),
                    section,
                    job.process,
                    wish.gaps(round(wanted + fitting.batch.added_mm, 4)),
                )
                plates = lay_out((Footprint.of("The fit ladder", ladder.mesh),), job.process)
            except (LadderError, PlateError) as error:
                notes.append(
                    f"No fit ladder was made for {section_name(section)} ({fitting.id}): {str(error).rstrip('.')}."
                )
                continue
            ladders.append(JobLadder((fitting.id,), ladder, plates))
    sections = [fitting.batch.sites[0].section for fitting in fittings]
    for number, wish in enumerate(job.ladders, 1):
        if not any(job.ladder_for(section) is wish for section in sections):
            notes.append(f"fit_ladder[{number}] matches no fitting's tube, so no ladder was made for it.")
    return tuple(ladders), tuple(notes)


def _wanted_mm(fitting: Made) -> float:
    """The gap a side that a ladder is stepped around. Where the gap follows from the tube's tolerance it is the fit
    class's own, since the ladder is tried in a tube that is there to be measured."""
    automatic = fitting.batch.recipe.gap_mm is None
    return fit_named(fitting.fitting.seats[0].fit).gap_mm if automatic else fitting.gaps[0].nominal


def write_ladders(job: Job, ladders: Sequence[JobLadder], files: FileSet) -> tuple[WrittenFile, ...]:
    """Writes the ladders as the fittings are written."""
    written: list[WrittenFile] = []
    for ladder in ladders:
        about = {"fitting": ", ".join(ladder.fittings), "process": job.process.name, "material": job.process.material}
        part = Part(ladder.name, ladder.ladder.mesh, about)
        path = job.output.folder / safe_name(f"{job.name} {ladder.name}")
        if "3mf" in job.output.formats:
            title = {"Title": f"{job.name}, {ladder.name}", "process": job.process.name}
            spots = ladder.plates.on(0)
            written.append(write_3mf(path, [part], spots, metadata=title, files=files, **job.file_scale))
        if "stl" in job.output.formats:
            written.append(write_stl(path, part, files=files, **job.file_scale))
    return tuple(written)
