# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole way, from an assembly's meshes to verified print files.

Read ``run`` from top to bottom: tube ends, fittings, review, plate, files. The window, the command line and the demo
all go this way.
"""

from __future__ import annotations

import datetime
import json
from collections import Counter
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .bench.job_sheet import job_sheet_html
from .bench.order_list import ends_csv, fittings_csv
from .bench.plate import Footprint, PlateError, Plates, lay_out
from .bench.quantities import Quantities, quantities, work_of_print
from .bench.sheet import JobSheet, SheetFitting, SheetLadder, say_ranges
from .bench.shop_entries import Prices, PrintRun
from .bench.statistic import Statistic
from .families.cap import design
from .families.cap.recipe import Recipe
from .families.fitting import Fitting
from .families.gap_band import GapBand, fit_band
from .fields.declared import values_of
from .fields.refusals import RecipeError
from .files.atomic import FileSet
from .files.errors import FileError
from .files.names import safe_name, safe_names
from .files.parts import Part, WrittenFile
from .files.stl import write_stl
from .files.threemf import write_3mf
from .geometry.mesh import Mesh
from .geometry.names import quoted
from .geometry.sections import Section
from .geometry.units import say_mm
from .jobfile import Job, JobError
from .ladders import make_ladders, write_ladders
from .report import book_notes, result_json
from .resolved import Resolved, Shape
from .review import Finding, Review, review_fit, review_fitting
from .review.gap import gap_findings
from .review.heat import heat_findings
from .takeoff import Takeoff, TakeoffError, TubeEnd, split_bodies, take_off
from .takeoff.given import joined, leaving_out
from .trade.cautions import Facts
from .trade.fits import fit_named
from .trade.metals import metal_named
from .trade.sizes import section_name
from .trade.tables import UnknownNameError

Progress = Callable[[str, float], None]
"""Called with what is being done and how much of the job is done, 0 to 1."""

ALIKE_MM = 0.05
"""Sections nearer to each other than this take the same fitting: less than a printer can tell apart."""
ALIKE_DEG = 0.1
"""The same for mitres and their directions."""
NO_RECIPE = "Check the assembly's unit; if it is right, leave this end without a fitting."


@dataclass(frozen=True, eq=False)
class Batch:
    """The tube ends that take the same fitting."""

    id: str
    recipe: Recipe
    section: Section
    """With the measured bore where there is one. Of the batch's sections it is the one with the tightest bore."""
    ends: tuple[TubeEnd, ...]
    correction: Statistic | None = None
    """What the shop book adds to a gap a side that is wanted, in mm."""

    @property
    def added_mm(self) -> float:
        return round(self.correction.mean, 4) if self.correction else 0.0

    @property
    def shape(self) -> Shape:
        """What its fitting's solid comes from."""
        end, clear = self.ends[0], min(end.clear_depth_mm for end in self.ends)
        return Shape(self.recipe, self.section, end.mitre_deg, end.mitre_direction_deg, clear, self.added_mm)


@dataclass(frozen=True, eq=False)
class Checked:
    """What there is to know of a fitting."""

    gap: GapBand
    """Once the print has come out as the shop book's correction, if there is one, has it."""
    review: Review
    fit_findings: tuple[Finding, ...]
    """Of the gap, and the heat that the tube gets."""


@dataclass(frozen=True, eq=False)
class Made:
    """A fitting that can be made, and what there is to know of it."""

    batch: Batch
    fitting: Fitting
    checked: Checked
    spares: int
    files: tuple[str, ...] = ()

    @property
    def gap(self) -> GapBand:
        return self.checked.gap

    @property
    def review(self) -> Review:
        return self.checked.review

    @property
    def fit_findings(self) -> tuple[Finding, ...]:
        return self.checked.fit_findings

    @property
    def id(self) -> str:
        return self.batch.id

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Of the fit and the review; asking for them runs the review's slower checks."""
        return (*self.fit_findings, *self.review.findings)

    @property
    def known(self) -> tuple[Finding, ...]:
        """The findings so far, without running any check."""
        return (*self.fit_findings, *self.review.known)

    @property
    def name(self) -> str:
        return f"{self.id} {self.fitting.recipe.crown} for {section_name(self.fitting.section)}"

    @property
    def count(self) -> int:
        return len(self.batch.ends) + self.spares


@dataclass(frozen=True, eq=False)
class JobResult:
    job: Job
    bodies: tuple[Mesh, ...]
    ends: tuple[TubeEnd, ...]
    made: tuple[Made, ...]
    findings: tuple[Finding, ...]
    """Of every fitting, those that were refused included."""
    footprints: tuple[Footprint, ...]
    """One for each of ``made``, in the same order."""
    plates: Plates
    files: tuple[WrittenFile, ...]
    notes: tuple[str, ...]
    quantities: Quantities | None = None
    """Of all plates, without the fit ladders; None where nothing is printed."""
    ladders: tuple[SheetLadder, ...] = ()

    @property
    def facts(self) -> Facts:
        """What cautions rest on."""
        job = self.job
        recipes = tuple(one.fitting.recipe for one in self.made)
        return Facts(job.process, job.material, metal_named(job.tube.metal), recipes)

    @property
    def complete(self) -> bool:
        """Whether every open end got its fitting, and there was one."""
        return bool(self.made) and not any(finding.check == "recipe" for finding in self.findings)


def run(job: Job, meshes: Sequence[Mesh], unit_given: bool, progress: Progress) -> JobResult:
    """Takes an assembly's meshes, in mm, to verified files in the job's output folder.

    ``unit_given`` says whether the file or the job told their unit. Raises ``JobError`` where the job cannot go on;
    then no file has changed. A recipe that is impossible for one section is a finding, and the others are made.
    """
    progress("Reading the tube ends", 0.0)
    work = after_takeoff(job, meshes, tube_ends_of(job, meshes, unit_given))
    while True:
        try:
            progress(*next(work))
        except StopIteration as end:
            progress("Done", 1.0)
            return end.value


def tube_ends_of(job: Job, meshes: Sequence[Mesh], unit_given: bool) -> Takeoff:
    """The open ends of the assembly, without those that the job leaves out and with those that it gives. Raises
    ``JobError`` for an assembly that cannot be read, and where its unit is in doubt."""
    try:
        takeoff = take_off(
            meshes,
            lambda section: job.recipe_for(section).spigot_mm,
            wall_mm=job.assembly.wall_mm,
            unit_given=False,
        )
    except TakeoffError as error:
        raise JobError(f"The assembly cannot be read: {error}.") from error
    notes = []
    if doubt := takeoff.unit_doubt:
        if not unit_given:
            raise JobError(doubt.explanation)
        # The cure speaks of files that were read in millimetres.
        said = doubt.explanation if job.assembly.unit == "mm" else doubt.found
        notes.append(f"Is the unit right? {said}")
    takeoff, missed = leaving_out(takeoff, job.assembly.leave_out_mm)
    if missed:
        said = "; ".join(", ".join(map(say_mm, place)) for place in missed)
        notes.append(f"No tube end lies at {said}, so none was left out there; compare with the list of ends.")
    takeoff = joined(takeoff, [given.tube_end() for given in job.tube_ends])
    return replace(takeoff, notes=(*notes, *takeoff.notes))


def after_takeoff(job: Job, meshes: Sequence[Mesh], takeoff: Takeoff) -> Generator[tuple[str, float], None, JobResult]:
    """The rest of the way from the tube ends on, in steps: yields what comes next and how much of the job is done.

    A caller that stops in between closes the generator; then no file has changed. Raises like ``run``.
    """
    bodies = split_bodies(meshes, takeoff.surface)
    made: list[Made] = []
    findings: list[Finding] = []
    batches = sort_into_batches(job, takeoff.ends)
    for index, batch in enumerate(batches):
        yield f"Fitting {batch.id} of {len(batches)}", 0.1 + 0.3 * index / len(batches)
        try:
            one = make(job, batch)
        except RecipeError as refusal:
            findings.append(refused(batch, refusal))
            continue
        made.append(one)
        findings += one.findings
    for index, one in enumerate(made):
        yield f"Trying {one.id} in its tubes", 0.4 + 0.2 * index / len(made)
        findings += fit_in_place(one, bodies, made)

    yield "Laying out the plate", 0.6
    parts = [part_of(job, one) for one in made]
    prints = footprints(made, parts)
    plates = lay_out_all(job, prints)
    amounts = quantities_of(job, made, plates)
    ladders, missing = make_ladders(job, made, ALIKE_MM)
    unmatched = job.unmatched([end.section for end in takeoff.ends])
    notes = (*job.notes, *takeoff.notes, *unmatched, *book_notes(job, batches), *missing)

    yield "Writing and reading back the files", 0.7
    before = named_before(job)
    try:
        with FileSet() as files:
            made, written = write_print_files(job, made, parts, plates, files)
            ladders, rungs = write_ladders(job, ladders, files)
            fresh = {file.path.name for file in (*written, *rungs)}
            notes += left_behind(job, sorted(before - fresh))
            result = JobResult(
                job,
                tuple(bodies),
                takeoff.ends,
                tuple(made),
                tuple(findings),
                prints,
                plates,
                (*written, *rungs),
                notes,
                amounts,
                ladders,
            )
            write_papers(result, files)
    except FileError as error:
        raise JobError(str(error)) from error
    return result


def sort_into_batches(job: Job, ends: Sequence[TubeEnd]) -> list[Batch]:
    """The open ends by the fitting that they take, in the order in which they were found."""
    batches: list[Batch] = []
    for end in ends:
        if not end.open:
            continue
        recipe, section = job.recipe_for(end.section), job.measured_section(end.section)
        one = Batch("", recipe, section, (end,), job.gap_correction(section))
        for index, batch in enumerate(batches):
            if _alike(batch, one):
                tightest = min(batch.section, one.section, key=lambda section: section.bore.half_width)
                batches[index] = replace(batch, section=tightest, ends=(*batch.ends, end))
                break
        else:
            batches.append(replace(one, id=f"F{len(batches) + 1}"))
    return batches


def _alike(batch: Batch, other: Batch) -> bool:
    mine, theirs = batch.ends[0], other.ends[0]
    return (
        batch.recipe == other.recipe
        and batch.section.like(other.section, ALIKE_MM)
        and abs(mine.mitre_deg - theirs.mitre_deg) <= ALIKE_DEG
        and abs(mine.mitre_direction_deg - theirs.mitre_direction_deg) <= ALIKE_DEG
    )


def make(job: Job, batch: Batch, facets: int | None = None) -> Made:
    """Designs, fits and reviews the fitting of a batch; ``facets`` as in ``design``. Raises ``RecipeError``, and
    ``JobError`` for a material or a metal that is in no table."""
    fitting = designed(batch.shape, facets)
    return Made(batch, fitting, reviewed(resolved(job, batch), fitting), job.output.spares)


def resolved(job: Job, batch: Batch) -> Resolved:
    """All that the batch's fitting and its review come from. Raises ``JobError`` for a material that is in no table."""
    section = batch.ends[0].section
    measured = job.measured_for(section)
    off = measured.off_mm if measured else None
    return Resolved(batch.id, batch.shape, job.tube_for(section), off, job.process, job.material)


def designed(shape: Shape, facets: int | None = None) -> Fitting:
    """The fitting of a batch's shape. Raises ``RecipeError``."""
    try:
        return design(
            shape.drawn,
            shape.section,
            mitre_deg=shape.mitre_deg,
            mitre_direction_deg=shape.mitre_direction_deg,
            clear_depth_mm=shape.clear_depth_mm,
            facets=facets,
        )
    except RecipeError as refusal:
        if refusal.field != "gap_mm" or not shape.added_mm or not isinstance(refusal.works, float):
            raise
        said = f"{refusal}, and the shop book adds {say_mm(shape.added_mm)} to the gap that is asked for"
        raise RecipeError("gap_mm", said, round(refusal.works - shape.added_mm, 4)) from None


def reviewed(of: Resolved, fitting: Fitting) -> Checked:
    """The gap and the review of the fitting that was designed from ``of.shape``. Raises ``JobError`` for a metal that
    is in no table."""
    try:
        gap = fit_band(fitting, of.process, of.tube, bore_tolerance_mm=of.bore_off_mm, material=of.material)
    except UnknownNameError as error:
        raise JobError(str(error)) from error
    gap = replace(gap, nominal=round(gap.nominal - of.shape.added_mm, 4))
    findings = (
        *gap_findings(of.id, fitting.recipe, gap),
        *heat_findings(of.id, of.material, of.tube.hottest_c),
    )
    return Checked(gap, review_fitting(fitting, of.process, of.id, of.material), findings)


def fit_in_place(made: Made, bodies: Sequence[Mesh], others: Sequence[Made]) -> list[Finding]:
    """What the fitting meets in the assembly, at each of its ends whose tube is there: bodies, and ``others`` (itself
    among them) in their places."""
    findings: list[Finding] = []
    placed = [(other, end) for other in others for end in other.batch.ends]
    origins = np.array([end.frame.origin for _, end in placed]).reshape(-1, 3)
    sizes = np.array([float(np.linalg.norm(other.fitting.mesh.size)) for other, _ in placed])
    own_size = float(np.linalg.norm(made.fitting.mesh.size))
    for end in made.batch.ends:
        tube = next((body for body in bodies if body.name == end.source), None)
        if tube is None:
            continue
        apart = np.linalg.norm(origins - end.frame.origin, axis=1)
        neighbours = [
            replace(other.fitting.mesh.placed(its.frame), name=f"{other.id} at {its.source}")
            for other, its in (placed[i] for i in np.flatnonzero(apart < own_size + sizes))
            if its is not end
        ]
        fit = review_fit(
            made.fitting.mesh.placed(end.frame),
            tube,
            end.frame,
            rim_normal=end.rim_normal,
            others=[*(body for body in bodies if body is not tube), *neighbours],
            clear_depth_mm=end.clear_depth_mm,
            least_gap_mm=max(fit_named(made.fitting.recipe.fit).least_gap_mm, 0.0),
            press=made.fitting.recipe.fit == "press",
            name=made.id,
        )
        findings += [replace(finding, where=_at(end, finding.where)) for finding in fit.findings]
    return findings


def _at(end: TubeEnd, where: str) -> str:
    return f"{quoted(end.source)}, {where}" if where else quoted(end.source)


def refused(batch: Batch, refusal: RecipeError) -> Finding:
    """The finding for a recipe that is impossible for one batch."""
    cure = {} if refusal.works is None else {refusal.field: refusal.works}
    works = f"{refusal.works:.6g}" if isinstance(refusal.works, float) else json.dumps(refusal.works)
    return Finding(
        fitting=batch.id,
        check="recipe",
        severity="must fix",
        meaning=f"No fitting was made for {section_name(batch.section)}: {refusal}.",
        advice=f"In [fitting] or its [[fitting.for]], set {refusal.field} = {works}." if cure else NO_RECIPE,
        cure=cure,
    )


def part_of(job: Job, made: Made) -> Part:
    """The fitting as the files have it, standing, with what it was made from."""
    recipe = values_of(made.fitting.recipe).items()
    about = {
        "fitting": made.id,
        "section": section_name(made.fitting.section),
        "gap_wanted_mm": f"{made.gap.nominal:.7g}",
        "process": job.process.name,
        "material": job.process.material,
        **{key: f"{value:.7g}" if isinstance(value, float) else str(value) for key, value in recipe},
    }
    return Part(made.name, made.fitting.standing(), about)


def footprints(made: Sequence[Made], parts: Sequence[Part]) -> tuple[Footprint, ...]:
    return tuple(Footprint.of(part.name, part.mesh, one.count) for one, part in zip(made, parts, strict=True))


def lay_out_all(job: Job, prints: Sequence[Footprint]) -> Plates:
    """Every copy on as few plates as are needed. Raises ``JobError`` where a fitting is too large for the plate."""
    try:
        return lay_out(prints, job.process)
    except PlateError as error:
        raise JobError(str(error)) from error


def write_print_files(
    job: Job, made: Sequence[Made], parts: Sequence[Part], plates: Plates, files: FileSet
) -> tuple[list[Made], tuple[WrittenFile, ...]]:
    """Writes the print files; returns the fittings with the names of the files that hold them, and the files."""
    folder, unit, shrink = job.output.folder, job.output.unit, job.process.shrink_percent
    written: list[WrittenFile] = []
    holders: list[list[str]] = [[] for _ in made]
    beds = plates.arrangements() if "3mf" in job.output.formats else {}
    which = [f"plate {say_ranges([number + 1 for number in numbers])}" for numbers in beds.values()]
    names = safe_names(f"{job.name} {said}" for said in which)
    for (spots, numbers), said, name in zip(beds.items(), which, names, strict=True):
        times = f", print it {len(numbers)} times" if len(numbers) > 1 else ""
        about = {"Title": f"{job.name}, {said} of {plates.count}{times}", "process": job.process.name}
        path = folder / name
        written.append(write_3mf(path, parts, spots, unit=unit, metadata=about, shrink_percent=shrink, files=files))
        for index in sorted({spot.part for spot in spots}):
            holders[index].append(written[-1].path.name)
    if "stl" in job.output.formats:
        names = safe_names(f"{job.name} {part.name}" for part in parts)
        for part, name, holder in zip(parts, names, holders, strict=True):
            written.append(write_stl(folder / name, part, unit=unit, shrink_percent=shrink, files=files))
            holder.append(written[-1].path.name)
    return [replace(one, files=tuple(own)) for one, own in zip(made, holders, strict=True)], tuple(written)


def named_before(job: Job) -> set[str]:
    """Names of the print files that the last run of this job in its folder wrote, by its result.json."""
    try:
        last = json.loads((job.output.folder / "result.json").read_text("utf-8"))
        return {str(file["path"]) for file in last["files"]} if last["job"] == job.name else set()
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return set()


def left_behind(job: Job, names: Sequence[str]) -> tuple[str, ...]:
    """A sentence on the files of the last run that this one did not write again, where they are still there."""
    old = [name for name in names if (job.output.folder / name).is_file()]
    if not old:
        return ()
    return (
        f"From an earlier run, and no part of this job any more: {', '.join(map(quoted, old))}. Do not print them.",
    )


def write_papers(result: JobResult, files: FileSet) -> None:
    """Writes the job sheet, the lists for the shop, and result.json."""
    folder, name = result.job.output.folder, result.job.name
    papers = {"result.json": result_json(result).encode()}
    if result.made:
        sheet = job_sheet_of(result)
        papers |= {
            f"{safe_name(name)} job sheet.html": job_sheet_html(sheet).encode(),
            f"{safe_name(name)} ends.csv": ends_csv(sheet).encode("utf-8-sig"),
            f"{safe_name(name)} fittings.csv": fittings_csv(sheet).encode("utf-8-sig"),
        }
    for paper, content in papers.items():
        files.add(folder / paper, content, len)


def quantities_of(job: Job, made: Sequence[Made], plates: Plates) -> Quantities | None:
    """Material, time and cost of all plates, with what the shop book knows; None where nothing is printed."""
    if not made:
        return None
    works = [work_of_print(one.review.printed, job.process) if one.review.printed else None for one in made]
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
    """What the bench is told."""
    job = result.job
    number = {id(end): position for position, end in enumerate(result.ends, 1)}
    return JobSheet(
        title=job.name,
        date=datetime.date.today().isoformat(),
        process=job.process,
        material=job.material,
        fittings=tuple(
            SheetFitting.reviewed(
                one.id,
                one.fitting,
                one.review,
                [number[id(end)] for end in one.batch.ends],
                one.spares,
                one.gap.root_sum_square,
                one.batch.added_mm,
                excess.mean if (excess := job.print_excess(one.batch.section)) else 0.0,
                [finding for finding in one.fit_findings if finding.severity == "must fix"],
            )
            for one in result.made
        ),
        ends=result.ends,
        bodies=result.bodies,
        footprints=result.footprints,
        plates=result.plates,
        quantities=result.quantities,
        ladders=result.ladders,
        metal=result.facts.metal,
        findings=tuple(finding for finding in result.findings if finding.check == "recipe"),
        notes=result.notes,
    )
