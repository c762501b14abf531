# SPDX-License-Identifier: GPL-3.0-or-later
"""The sites by the fitting that they take, and what the shop book knows of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from ..bench.fit_ladder import say_correction, say_excess
from ..families.family import Site
from ..fields.messages import Length, Name, say
from ..geometry.names import quoted
from ..takeoff import Takeoff
from ..trade.processes import Material, Process
from .asked import Job, Wish
from .resolved import Resolved
from .results import Batch

_KINDS = {"round": "Round tube", "rect": "Square and rectangular tube", "other": "Tube of other sections"}


def sort_into_batches(job: Job, *takeoffs: Takeoff) -> list[Batch]:
    """The sites in each of the job's assemblies by the fitting that they take, in the order in which they were
    found."""
    batches: list[Batch] = []
    for wish, assembly, site in _sites(job, takeoffs):
        place = wish.family.place(site, job.measured_section(site.section))
        recipe, known = wish.recipe_at(site), job.circumstances_for(site.section)
        frames = job.assemblies[assembly].frames
        candidate = Batch("", wish.family, recipe, place, (site,), (frames,), (assembly,), known)
        for index, batch in enumerate(batches):
            if batch.alike(candidate):
                batches[index] = replace(
                    batch,
                    place=batch.place.tighter(place),
                    sites=(*batch.sites, site),
                    frames=(*batch.frames, frames),
                    assemblies=(*batch.assemblies, assembly),
                )
                break
        else:
            id, marked = f"F{len(batches) + 1}", wish.family.marked
            batches.append(replace(candidate, id=id, place=marked(place, id) if marked else place))
    return batches


def _sites(job: Job, takeoffs: Sequence[Takeoff]) -> Iterator[tuple[Wish, int, Site]]:
    """What takes a fitting, wish by wish, with the number of its assembly. A fitting that stays keeps those of the
    families before it away: where two ends are joined, neither gets a cap."""
    taken: set[int] = set()
    wanted = []
    for wish in reversed(job.wishes):
        sites = [(number, site) for number, takeoff in enumerate(takeoffs) for site in wish.sites(takeoff)]
        if wish.family.stays:
            sites = [(number, site) for number, site in sites if taken.isdisjoint(map(id, site.records))]
            taken.update(id(record) for _, site in sites for record in site.records)
        wanted.append((wish, sites))
    for wish, sites in reversed(wanted):
        yield from ((wish, number, site) for number, site in sites)


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
        reading = job.measured_for(batch.sites[0].section)
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
