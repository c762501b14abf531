# SPDX-License-Identifier: GPL-3.0-or-later
"""Results at hand: worked out from what the scenes keep, never saved, and never shown when out of date.

For panels and overlays, which draw and compute nothing:

``updating.desk_of(scene)``
    The scene's ``Desk``, or None while it is out of date; asking for it then has it made again soon, and redraws.
``Desk.ends``
    A ``TubeEnd`` for each of ``scene.ferrule.ends``, open or not, in the same order. ``Desk.takeoff`` has the holes,
    copes and joints too, which are ``scene.ferrule.sites``.
``Desk.fittings``
    A ``Fitted`` for each distinct fitting: ``batch`` (its family, sites, recipe), ``keys`` (of the objects at its
    sites), ``rows`` and ``site_rows`` (of what it serves), ``groups`` (of their rows in
    ``scene.ferrule.groups``), ``fitting`` (the last solid that could be made, or None), ``refusal`` (why the recipe as
    it stands cannot be made, or None) and ``made`` (``job.results.Made`` with review and gap; None until reviewed).
``Desk.version``
    Grows whenever anything in the desk changes. Buffers may be kept as long as it stays the same.
``Desk.laid_out``, ``Desk.result``
    The last plate layout and the last export's ``job.results.JobResult``, None if the scene has changed since.
``Desk.verdict``
    What all of it comes to, as the command and the job sheet say it; None until everything is reviewed.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any

import bpy

from ..bench.verdict import JobVerdict, LeftOut
from ..families import table
from ..families.family import Family
from ..families.fitting import Fitting
from ..fields.refusals import RecipeError
from ..job import judging
from ..job.asked import Job, JobError
from ..job.batches import resolved
from ..job.judging import could_have_one
from ..job.making import counted, judged, refused, unmakeable
from ..job.resolved import Checked, Resolved, Shape, designed, reviewed
from ..job.results import Attempt, Batch, JobResult, LaidOut, Made, Taken
from ..job.running import summed_up
from ..review import Finding
from ..takeoff import Takeoff, TubeEnd
from .recipes import holder_of, made_of, recipe_group, word_of

FACETS = 64
"""In a whole circle, in the view. Files get as many as their chord error requires."""
_KEPT = 500


@dataclass
class Fitted:
    """One fitting of the desk; see the module's head."""

    batch: Batch
    keys: tuple[str, ...]
    """Of its sites, by which their objects are known."""
    rows: tuple[int, ...]
    """Of the ends that it serves in ``scene.ferrule.ends``."""
    site_rows: tuple[int, ...]
    """Of the holes, copes or joints that it serves in ``scene.ferrule.sites``."""
    groups: tuple[int, ...]
    """The rows of ``scene.ferrule.groups`` that these are in: a drill guide may be for holes of several diameters."""
    fitting: Fitting | None = None
    refusal: RecipeError | None = None
    made: Made | None = None
    in_place: tuple[Finding, ...] = ()
    """What it meets in the assembly, once that has been checked; places are in the assembly, in mm."""
    problem: str = ""
    """Why it could not be reviewed."""
    designed: bool = False
    """Whether ``fitting`` and ``refusal`` are those of ``batch``."""
    at_s: float = 0.0
    """When it was last made."""
    design_s: float = 0.0
    """How long it took to make it and to show it, the last time."""
    review_s: float = 0.0
    """How long the review's quick checks took last time."""

    @property
    def group(self) -> int:
        return self.groups[0]

    @property
    def reviewable(self) -> bool:
        return self.refusal is None and self.fitting is not None and not self.problem

    @property
    def waiting(self) -> bool:
        """Whether there is still something to be made or checked."""
        return not self.designed or (self.reviewable and (self.made is None or not self.made.review.settled))

    def digest(self, unit_scale: float) -> str:
        """Identifies its mesh: everything that its shape depends on."""
        return self.batch.shape.digest(FACETS, unit_scale)


@dataclass
class Desk:
    stamp: int
    job: Job
    problem: str
    """What is wrong with the job as a whole, and what to do; empty if nothing is."""
    takeoff: Takeoff
    """As it is listed."""
    fittings: list[Fitted]
    version: int = 0
    result: JobResult | None = None
    summary: JobResult | None = None
    """What ``verdict`` is of, before an export."""
    verdict: JobVerdict | None = None

    @property
    def ends(self) -> tuple[TubeEnd, ...]:
        return self.takeoff.ends

    @cached_property
    def curable(self) -> tuple[int, ...]:
        """The rows of ends that a shorter spigot would go into, or one with their holes in it."""
        return tuple(row for row, end in enumerate(self.ends) if could_have_one(end) and end.can_be_taken)

    @property
    def laid_out(self) -> LaidOut | None:
        latest = self.result or self.summary
        return latest.laid_out if latest else None

    @property
    def has_screws(self) -> bool:
        """Whether tubes have to be drilled for screws of its fittings."""
        return any(fitted.batch.screws for fitted in self.fittings)

    @property
    def any_problem(self) -> str:
        """What is wrong with the job, or else why the first fitting was not reviewed; empty if nothing is."""
        return self.problem or next((fitted.problem for fitted in self.fittings if fitted.problem), "")

    @property
    def waiting(self) -> list[Fitted]:
        """What is still to be reviewed."""
        return [fitted for fitted in self.fittings if fitted.waiting]

    @property
    def open(self) -> bool:
        """Whether all is reviewed, and only the verdict is to come."""
        return self.verdict is None and not self.waiting and not self.any_problem

    @property
    def copies(self) -> int:
        batches = [fitted.batch for fitted in self.fittings if fitted.refusal is None]
        return sum(batch.needed + batch.spares(self.job.output) for batch in batches)


times: dict[str, float] = {}
"""Seconds that the last ``update``, ``review``, ``read``, ... took; shown in the panels."""
desks: dict[int, Desk] = {}
"""By the scene's ``session_uid``."""
_designs: OrderedDict[Shape, Fitting | RecipeError] = OrderedDict()
_reviews: OrderedDict[Resolved, tuple[Fitting, Checked]] = OrderedDict()
"""With the fitting that was reviewed: in the view's facets, or once everything is checked, in those of the files."""


def at_hand(scene: bpy.types.Scene) -> Desk | None:
    """The scene's results, or None if they are out of date or there are no ends."""
    desk = desks.get(scene.session_uid)
    return desk if desk is not None and desk.stamp == scene.ferrule.stamp else None


def drop_all() -> None:
    for cache in (desks, _designs, _reviews, times):
        cache.clear()


def active_group(scene: bpy.types.Scene) -> bpy.types.PropertyGroup | None:
    """The chosen section's row, or None."""
    ferrule = scene.ferrule
    return ferrule.groups[ferrule.group_index] if 0 <= ferrule.group_index < len(ferrule.groups) else None


def active_family(scene: bpy.types.Scene) -> Family | None:
    """The family whose recipe is shown, of those whose fittings are made for the chosen row; None if none is made."""
    group = active_group(scene)
    if group is None:
        return table.usual()
    made = made_of(group)
    return next((family for family in made if word_of(family) == scene.ferrule.family), made[0] if made else None)


def active_recipe(scene: bpy.types.Scene) -> bpy.types.PropertyGroup:
    """The chosen row's recipe: its own or the shared one."""
    family = active_family(scene) or table.usual()
    return recipe_group(holder_of(active_group(scene), scene.ferrule, family), family)


def active_fitted(scene: bpy.types.Scene, desk: Desk | None) -> Fitted | None:
    """The fitting of the chosen end, hole, cope or joint, else the first one of the chosen row."""
    if desk is None:
        return None
    ferrule, family = scene.ferrule, active_family(scene)
    of_row = [
        fitted for fitted in desk.fittings if fitted.batch.family is family and ferrule.group_index in fitted.groups
    ]
    chosen = (fitted for fitted in of_row if ferrule.end_index in fitted.rows or ferrule.site_index in fitted.site_rows)
    return next(chosen, of_row[0] if of_row else None)


Outcome = Callable[[], None]
"""Puts what came of some work onto the desk that it was for."""
Task = Callable[[], Outcome]
"""Work that leaves the desk as it is, so that it may be done beside the window."""


def designing(desk: Desk, fitted: Fitted) -> Task:
    """Its solid, or why there is none."""
    problem, shape = desk.problem, fitted.batch.shape

    def not_made() -> None:
        fitted.problem, fitted.designed = problem, True

    def work() -> Outcome:
        if problem:
            return not_made
        start = time.thread_time()
        try:
            made: Fitting | RecipeError = _designs.get(shape) or designed(shape, FACETS)
        except RecipeError as refusal:
            made = refusal
        took_s = time.thread_time() - start

        def take() -> None:
            _keep(_designs, shape, made)
            fitted.at_s, fitted.design_s = time.monotonic(), took_s
            take_known(desk, fitted)

        return take

    return work


def reviewing(desk: Desk, fitted: Fitted) -> Task:
    """The review's quick checks, of a fitting that is designed."""
    job, problem, batch, fitting = desk.job, desk.problem, fitted.batch, fitted.fitting
    assert fitting is not None

    def work() -> Outcome:
        start = time.thread_time()  # How long it would take alone, not beside the window.
        if problem:
            return partial(setattr, fitted, "problem", problem)
        try:
            of = resolved(job, batch)
            checked = reviewed(of, fitting)
        except JobError as error:
            return partial(setattr, fitted, "problem", str(error))
        made, took_s = counted(job, batch, fitting, checked), time.thread_time() - start

        def take() -> None:
            fitted.review_s = times["review"] = took_s
            _keep(_reviews, of, (fitting, checked))
            fitted.made = made

        return take

    return work


def settling(desk: Desk, fitted: Fitted) -> Task:
    """The fitting as the files get it, with all checks: its plan and amounts are those of the job sheet."""
    job, batch = desk.job, fitted.batch

    def work() -> Outcome:
        of = resolved(job, batch)
        try:
            fitting = designed(batch.shape)
        except RecipeError as refusal:
            return partial(_refuse, fitted, refusal)
        checked = reviewed(of, fitting)
        made = counted(job, batch, fitting, checked)
        _ = made.findings

        def take() -> None:
            _keep(_reviews, of, (fitting, checked))
            fitted.made = made

        return take

    return work


def _refuse(fitted: Fitted, refusal: RecipeError) -> None:
    fitted.made, fitted.refusal = None, refusal


def summing_up(desk: Desk) -> Task:
    """Plates, amounts and the verdict, of a desk that is ``open``."""
    job, taken = desk.job, _taken(desk)
    fittings = [(fitted.batch, fitted.made, fitted.refusal) for fitted in desk.fittings]

    def work() -> Outcome:
        batches = [batch for batch, _, _ in fittings]
        summary = summed_up(job, taken, batches, [_attempt(job, *each) for each in fittings])

        def take() -> None:
            desk.summary = summary
            judge(desk)

        return take

    return work


def design_fitted(desk: Desk, fitted: Fitted) -> None:
    designing(desk, fitted)()()


def review_fitted(desk: Desk, fitted: Fitted) -> None:
    if fitted.made is None and fitted.reviewable:
        reviewing(desk, fitted)()()


def settle(desk: Desk, fitted: Fitted) -> None:
    if fitted.made is not None:
        settling(desk, fitted)()()


def sum_up(desk: Desk) -> None:
    summing_up(desk)()()


def left_out(desk: Desk) -> tuple[LeftOut, ...]:
    """What an export would leave out, of a desk whose fittings have all been tried."""
    why = [
        unmakeable(desk.job, fitted.batch, of) for fitted in desk.fittings if (of := fitted.refusal or fitted.fitting)
    ]
    batches = tuple(fitted.batch for fitted in desk.fittings)
    findings = tuple(finding for finding in why if finding)
    return judging.left_out(JobResult(job=desk.job, taken=_taken(desk), batches=batches, findings=findings))


def numbered(desk: Desk) -> dict[int, int]:
    """What ends and other sites are numbered on the job sheet, by their ``id``."""
    batches = tuple(fitted.batch for fitted in desk.fittings)
    (sites,) = JobResult(job=desk.job, taken=_taken(desk), batches=batches).sites
    return {id(site): number for number, site in enumerate(sites, 1)}


def judge(desk: Desk) -> None:
    """The verdict, with what is known by now of what the fittings meet in the assembly."""
    if desk.result is None and desk.summary is not None:
        met = [finding for fitted in desk.fittings for finding in fitted.in_place]
        desk.verdict = judging.verdict_of(replace(desk.summary, findings=(*desk.summary.findings, *met)))


def _taken(desk: Desk) -> tuple[Taken, ...]:
    return (Taken(desk.job.assembly, desk.takeoff),)


def _attempt(job: Job, batch: Batch, made: Made | None, refusal: RecipeError | None) -> Attempt:
    if made is not None and refusal is None:
        return judged(job, made)
    assert refusal is not None
    return Attempt(None, (refused(job, batch, refusal),))


def take_known(desk: Desk, fitted: Fitted) -> None:
    """What was worked out before from the same numbers."""
    known = _designs.get(fitted.batch.shape)
    if known is None:
        return
    fitted.designed = True
    fitted.refusal = known if isinstance(known, RecipeError) else None
    if isinstance(known, RecipeError):
        fitted.made = None
        return
    fitted.fitting = known
    try:
        review = _reviews.get(resolved(desk.job, fitted.batch))
    except JobError:  # the review says so
        review = None
    fitted.made = counted(desk.job, fitted.batch, *review) if review else None


def _keep(cache: OrderedDict[Any, Any], key: Any, value: Any) -> None:
    cache[key] = value
    if len(cache) > _KEPT:
        cache.popitem(last=False)
