# SPDX-License-Identifier: GPL-3.0-or-later
"""The open ends by the fitting that they take, and what the shop book knows of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..bench.fit_ladder import say_correction, say_excess
from ..fields.messages import Length, Name, say
from ..geometry.names import quoted
from ..takeoff import TubeEnd
from ..trade.processes import Material, Process
from .asked import Job
from .resolved import Resolved
from .results import Batch

_KINDS = {"round": "Round tube", "rect": "Square and rectangular tube", "other": "Tube of other sections"}


def sort_into_batches(job: Job, *ends: Sequence[TubeEnd]) -> list[Batch]:
    """The open ends of each of the job's assemblies by the fitting that they take, in the order in which they were
    found."""
    built = [(end, assembly.frames) for assembly, some in zip(job.assemblies, ends, strict=True) for end in some]
    batches: list[Batch] = []
    for wish in job.wishes:
        for end, frames in built:
            if not (isinstance(end, wish.family.serves) and end.open):
                continue
            section = job.measured_section(end.section)
            place = wish.family.place(end, section)
            recipe, known = wish.recipe_for(end.section), job.circumstances_for(end.section)
            candidate = Batch("", wish.family, recipe, place, (end,), (frames,), known)
            for index, batch in enumerate(batches):
                if batch.alike(candidate):
                    together = batch.place.tighter(place)
                    batches[index] = replace(
                        batch, place=together, ends=(*batch.ends, end), frames=(*batch.frames, frames)
                    )
                    break
            else:
                batches.append(replace(candidate, id=f"F{len(batches) + 1}"))
    return batches


def resolved(job: Job, batch: Batch) -> Resolved:
    """All that the batch's fitting and its review come from. Raises ``JobError`` for a material that is in no table."""
    return Resolved(batch.id, batch.shape, job.material)


def book_notes(job: Job, batches: Sequence[Batch]) -> list[str]:
    """Sentences on what the shop book has changed in a job, and on what is wrong with the book."""
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
            across = Length(*(bore.across(reading.across_deg) for reading in bore.readings))
            said = "{} is made for the shop book's tube {}, bore {}."
            notes.append(say(said, batch.id, Name(reading.book_name), across))
    for kind, batch in {batch.section.kind: batch for batch in batches}.items():
        notes.append(say("{}: {}", _KINDS[kind], say_correction(job.gap_correction(batch.section))))
        if excess := job.print_excess(batch.section):
            notes.append(say("{}: {}", _KINDS[kind], say_excess(excess)))
    return notes
