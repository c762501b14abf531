# SPDX-License-Identifier: GPL-3.0-or-later
"""The sites by the fitting that they take, and what the shop book knows of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from ..bench.fit_ladder import say_correction, say_excess
from ..families.family import Site
from ..fields.messages import Length, Name, say
from ..geometry.names import quoted
from ..takeoff import Hole, Takeoff
from ..trade.processes import Material, Process
from .asked import Job, Wish
from .kept_open import asked_by_name, closes_holes, kept_open
from .resolved import Resolved
from .results import Batch
from .screw_holes import with_screw_holes

_KINDS = {"round": "Round tube", "rect": "Square and rectangular tube", "other": "Tube of other sections"}


def sort_into_batches(job: Job, *takeoffs: Takeoff) -> list[Batch]:
    """The sites in each of the job's assemblies by the fitting that they take, in the order in which they were
    found."""
    batches: list[Batch] = []
    for number, batch in enumerate(_unnumbered(job, takeoffs), 1):
        id, marked = f"F{number}", batch.family.marked
        batches.append(replace(batch, id=id, place=marked(batch.place, id) if marked else batch.place))
    return batches


def _unnumbered(job: Job, takeoffs: Sequence[Takeoff]) -> list[Batch]:
    """Wish by wish. A fitting that stays keeps those of the families before it away: where two ends are joined, neither
    gets a cap. Tools for holes are made for those of the screws of the families after them, too. What closes holes
    comes last: those that other fittings leave open stay so."""
    taken: set[int] = set()
    of_wish: dict[int, list[Batch]] = {}
    ordered = [wish for last in (False, True) for wish in reversed(job.wishes) if closes_holes(wish) == last]
    for wish in ordered:
        seen, batches = takeoffs, [batch for made in of_wish.values() for batch in made]
        if wish.family.hole_tool:
            seen = [with_screw_holes(takeoff, batches, number) for number, takeoff in enumerate(takeoffs)]
        sites = [(number, site) for number, takeoff in enumerate(seen) for site in wish.sites(takeoff, job.process)]
        if wish.family.stays:
            sites = [(number, site) for number, site in sites if taken.isdisjoint(map(id, site.records))]
            taken.update(id(record) for _, site in sites for record in site.records)
        if closes_holes(wish):
            kept = [kept_open(takeoff, batches, number) for number, takeoff in enumerate(takeoffs)]
            sites = [(number, site) for number, site in sites if not _left_open(wish, site, kept[number])]
        of_wish[id(wish)] = _sorted(job, wish, sites)
    return [batch for wish in job.wishes for batch in of_wish[id(wish)]]


def _left_open(wish: Wish, site: Site, kept: Mapping[int, str]) -> bool:
    holes = [record for record in site.records if isinstance(record, Hole)]
    return any(id(hole) in kept and not asked_by_name(wish, hole) for hole in holes)


def _sorted(job: Job, wish: Wish, sites: Sequence[tuple[int, Site]]) -> list[Batch]:
    """One family's sites, each with the number of its assembly, by the fitting that they take."""
    batches: list[Batch] = []
    served: list[list[tuple[Site, int, int]]] = []
    for assembly, site in sites:
        place = wish.family.place(site, job.measured_section(site.section))
        recipe, known = wish.recipe_at(site), job.circumstances_for(site.section)
        candidate = Batch("", wish.family, recipe, place, (), (), (), known)
        index = next((index for index, batch in enumerate(batches) if batch.alike(candidate)), len(batches))
        if index == len(batches):
            batches.append(candidate)
            served.append([])
        else:
            batches[index] = replace(batches[index], place=batches[index].place.tighter(place))
        served[index].append((site, job.assemblies[assembly].frames, assembly))
    filled = []
    for batch, each in zip(batches, served, strict=True):
        of_batch, frames, assemblies = zip(*each, strict=True)
        filled.append(replace(batch, sites=of_batch, frames=frames, assemblies=assemblies))
    return filled


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
