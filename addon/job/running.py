# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole way, from an assembly's meshes to print files that were read back.

Read ``run`` from top to bottom: tube ends, fittings, review, plate, files. The window, the command line and the demo
all go this way.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Sequence
from dataclasses import replace
from typing import TypeVar

from ..fields.messages import NOTHING, Length, Message, say, say_all
from ..files.atomic import FileSet
from ..files.brep import is_brep
from ..files.errors import FileError
from ..geometry.mesh import Mesh
from ..review import Finding
from ..takeoff import Takeoff, TakeoffError, split_bodies, take_off
from ..takeoff.given import ends_of, joined, leaving_out
from .asked import Assembly, Job, JobError
from .batches import book_notes, resolved, sort_into_batches
from .folder import LastRun, left_behind, set_aside
from .kept_open import kept_open, left_without_plugs
from .ladders import make_ladders, write_ladders
from .making import Assembled, attempt, fit_in_place, worked
from .papers import quantities_of, write_papers
from .print_files import PrintFiles
from .results import Attempt, Batch, JobResult, LaidOut, Made, Taken, note_of
from .workers import SharedOut

Outcome = TypeVar("Outcome")
JobSteps = Generator[tuple[str, float], None, Outcome]
Progress = Callable[[str, float], None]
"""Called with what is being done and how much of the job is done, 0 to 1."""
LEAST_DEPTH_MM = 0.1
"""An end counts as open for a spigot of this length at least; a recipe for a shorter one is refused."""


def run(job: Job, meshes: Sequence[Mesh], unit_given: bool, progress: Progress) -> JobResult:
    """Takes an assembly's meshes, in mm, to files, read back, in the job's output folder.

    ``unit_given`` says whether the file or the job gave their unit. Raises ``JobError`` if the job cannot go on;
    then no file has changed. A recipe that is impossible for one section, and a fitting that is too large for the
    plate, are findings, and the others are made.
    """
    return run_order(job, [(meshes, unit_given)], progress)


def run_order(
    job: Job, read: Iterable[tuple[Sequence[Mesh], bool]], progress: Progress, shared_out: SharedOut = map
) -> JobResult:
    """As ``run``, for all of the job's assemblies: the meshes of each in turn, and whether their unit was given.
    ``shared_out`` does what takes long of each fitting, file and drawing."""
    taken = []
    for number, (assembly, (meshes, unit_given)) in enumerate(zip(job.assemblies, read, strict=True)):
        progress(f"Reading the tube ends{_which(job, number)}", 0.1 * number / len(job.assemblies))
        if len(job.assemblies) > 1:
            meshes = [replace(mesh, name=" / ".join(filter(None, (assembly.name, mesh.name)))) for mesh in meshes]
        takeoff = tube_ends_of(job, assembly, meshes, unit_given)
        bodies, question = split_bodies(meshes, takeoff.surface), _unit_question(assembly, takeoff)
        taken.append(Taken(assembly, takeoff, bodies, question))
    work = after_takeoff(job, taken, shared_out)
    while True:
        try:
            progress(*next(work))
        except StopIteration as end:
            progress("Done", 1.0)
            return end.value


def _which(job: Job, number: int) -> str:
    count = len(job.assemblies)
    return f" of {job.assemblies[number].name}, {number + 1} of {count}" if count > 1 else ""


def read_assembly(job: Job, assembly: Assembly, meshes: Sequence[Mesh], unit_given: bool) -> Takeoff:
    """What the takeoff finds for a job, whose recipes say how deep each bore has to be. Raises ``TakeoffError``."""
    return take_off(
        meshes,
        lambda section: max(job.depth_mm(section), LEAST_DEPTH_MM),
        wall_mm=assembly.wall_mm,
        unit_given=unit_given,
        frees_holes=job.frees_holes,
    )


def tube_ends_of(job: Job, assembly: Assembly, meshes: Sequence[Mesh], unit_given: bool) -> Takeoff:
    """The open ends of the assembly, without those that the job leaves out and with those that it gives. Raises
    ``JobError`` for an assembly that cannot be read, and where its unit is in doubt."""
    try:
        takeoff = read_assembly(job, assembly, meshes, unit_given=False)
    except TakeoffError as error:
        raise JobError(say("The assembly cannot be read: {}.", error)) from error
    if takeoff.unit_doubt and not unit_given and _unit_question(assembly, takeoff):
        raise JobError(takeoff.unit_doubt.explanation)
    notes = []
    takeoff, missed = leaving_out(takeoff, assembly.leave_out_mm)
    if missed:
        places = say_all([say("{}", Length(*place, between=", ")) for place in missed], "; ")
        notes.append(
            say("Nothing was left out at {}: nothing is there. Compare with the positions in result.json.", places)
        )
    if assembly is job.assembly:
        takeoff = joined(takeoff, [end for given in job.tube_ends for end in ends_of(given, job.tube.metal)])
        for site in (each for given in job.sites for each in given.each()):
            takeoff = site.added(takeoff, job.tube.metal)
    return replace(takeoff, notes=(*notes, *takeoff.notes))


def _unit_question(assembly: Assembly, takeoff: Takeoff) -> Message:
    doubt = takeoff.unit_doubt
    unit_inside = bool(assembly.files) and all(map(is_brep, assembly.files))
    if not doubt or (unit_inside and not doubt.beyond):
        return NOTHING
    # The cure speaks of files that were read in millimetres.
    return say("Is the unit right? {}", doubt.explanation if assembly.unit == "mm" else doubt.found)


def after_takeoff(job: Job, taken: Sequence[Taken], shared_out: SharedOut = map) -> JobSteps[JobResult]:
    """The rest of the way from the tube ends on, in steps: yields what comes next and how much of the job is done.

    A caller that stops in between closes the generator; then no file has changed. Raises like ``run``.
    """
    batches = sort_into_batches(job, *(each.takeoff for each in taken))
    attempts = yield from _fitted(job, batches, shared_out)
    fittings = tuple(attempt.made for attempt in attempts if attempt.made)
    prints = PrintFiles.begun(job, fittings, shared_out)
    met = yield from _tried_in_place(taken, fittings)

    yield "Laying out the plate", 0.6
    result = summed_up(job, taken, batches, attempts, met, prints.laid_out())
    ladders, missing = make_ladders(job, fittings)
    sections = [end.section for each in taken for end in each.takeoff.ends]
    unmatched = job.unmatched(sections + [tube.section for each in taken for tube in each.takeoff.tubes])
    takeoffs = [each.takeoff for each in taken]
    open_for = {
        hole: id for place, takeoff in enumerate(takeoffs) for hole, id in kept_open(takeoff, batches, place).items()
    }
    unplugged = left_without_plugs(job, takeoffs, open_for)
    notes = (*job.notes, *_takeoff_notes(taken), *unmatched, *unplugged, *book_notes(job, batches), *missing)
    result = replace(result, ladders=ladders, open_for=open_for, notes=notes)
    return (yield from _written(result, prints, shared_out))


def summed_up(
    job: Job,
    taken: Sequence[Taken],
    batches: Sequence[Batch],
    attempts: Sequence[Attempt],
    met: Sequence[Finding] = (),
    laid_out: LaidOut | None = None,
) -> JobResult:
    """What the fittings of a job come to, on plates and in amounts; ``met`` is what they meet in their assemblies."""
    fittings = tuple(attempt.made for attempt in attempts if attempt.made)
    laid_out = laid_out or PrintFiles.begun(job, fittings).laid_out()
    return JobResult(
        job=job,
        taken=tuple(taken),
        batches=tuple(batches),
        made=fittings,
        findings=(*(finding for attempt in attempts for finding in attempt.findings), *met),
        laid_out=laid_out,
        quantities=quantities_of(job, fittings, laid_out.plates),
    )


def _written(result: JobResult, prints: PrintFiles, shared_out: SharedOut) -> JobSteps[JobResult]:
    """Writes the print files and the papers, all of them or none; the result with its files. Raises ``JobError``."""
    job = result.job
    try:
        last = LastRun.of(job.output.folder)
        with FileSet(job.name) as files:
            written = yield from _within(0.7, 0.95, prints.written(result.plates, files))
            yield "Writing the job sheet and the lists", 0.95
            written += write_ladders(job, result.ladders, files)
            left = (*left_behind(job.name, written, last), *set_aside(job.name, last, files))
            result = replace(result, files=written, notes=(*result.notes, *left))
            write_papers(result, files, shared_out)
    except FileError as error:
        raise JobError(str(error)) from error
    return result


def _within(first: float, last: float, steps: JobSteps[Outcome]) -> JobSteps[Outcome]:
    """The same steps as a part of the job, from and to these shares of it."""
    while True:
        try:
            said, share = next(steps)
        except StopIteration as end:
            return end.value
        yield said, first + (last - first) * share


def _fitted(job: Job, batches: Sequence[Batch], shared_out: SharedOut) -> JobSteps[tuple[Attempt, ...]]:
    """From the last batch to the first: what is made beside caps takes longest, and is best begun first."""
    attempts: list[Attempt] = []
    works = shared_out(worked, [resolved(job, batch) for batch in reversed(batches)])
    for batch in reversed(batches):
        yield f"Fitting {len(attempts) + 1} of {len(batches)}", 0.1 + 0.3 * len(attempts) / len(batches)
        attempts.append(attempt(job, batch, next(works)))
    return tuple(reversed(attempts))


def _tried_in_place(taken: Sequence[Taken], fittings: Sequence[Made]) -> JobSteps[tuple[Finding, ...]]:
    findings: list[Finding] = []
    assembled = [Assembled(each.bodies, fittings, number) for number, each in enumerate(taken)]
    for index, fitting in enumerate(fittings):
        yield f"Trying {fitting.id} in its tubes", 0.4 + 0.2 * index / len(fittings)
        for each in assembled:
            findings += fit_in_place(fitting, each)
    return tuple(findings)


def _takeoff_notes(taken: Sequence[Taken]) -> list[str]:
    """What asks whether units are right, and what the takeoffs have to say."""
    return [
        note_of(each, taken, note)
        for each in taken
        for note in (*filter(None, (each.unit_question,)), *each.takeoff.notes)
    ]
