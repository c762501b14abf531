# SPDX-License-Identifier: GPL-3.0-or-later
"""Results brought in line with what the scenes keep: at once as far as time allows, the rest once the numbers rest."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass, replace

import bpy

from ..bench.shop_book import ShopBook
from ..families.family import Family
from ..job.asked import Job, JobError, Wish
from ..job.batches import sort_into_batches
from ..job.judging import verdict_of
from ..job.results import Batch, JobResult
from ..takeoff import NeededHole, Takeoff, TubeEnd
from . import placing
from .aside import Aside, AsideSteps, Result, WorkBeside, going_on
from .desk import (
    Desk,
    Fitted,
    Outcome,
    Task,
    active_fitted,
    at_hand,
    design_fitted,
    designing,
    desks,
    review_fitted,
    reviewing,
    settle,
    settling,
    sum_up,
    summing_up,
    take_known,
    times,
)  # fmt: skip
from .following import follow_work
from .jobs import job_of, problem_of
from .listing import list_findings
from .quiet import quietly
from .records import end_of
from .takeoff_text import sites_of
from .views import redraw

OTHERS_S = 0.035
"""An update that has taken so long leaves what is not looked at until the numbers rest: 20 a second are wanted."""
LIVE_S = 0.1
"""An update that the quick checks would make longer than this leaves them until the numbers rest."""
PAUSE_S = 0.2
"""How long the numbers have to rest before work starts that is too long for an update."""
LOOK_S = 0.02
"""How often work beside the window is looked after."""
LAID_OUT_UP_TO = 500
"""More copies are laid out only when that is asked for."""
_last_change = 0.0


@dataclass(frozen=True)
class _Piece:
    """Work beside the window, for the results at one time."""

    work: WorkBeside[Outcome]
    scene_uid: int
    desk: Desk
    stamp: int
    fitted: Fitted | None

    @classmethod
    def begun(cls, task: Task, scene: bpy.types.Scene, desk: Desk, fitted: Fitted | None) -> _Piece:
        work = WorkBeside(_only(task))
        work.start()
        return cls(work, scene.session_uid, desk, desk.stamp, fitted)

    def take(self) -> None:
        """Puts what came of it onto the desk, if that is still the same."""
        scene = next((scene for scene in bpy.data.scenes if scene.session_uid == self.scene_uid), None)
        if scene is None or at_hand(scene) is not self.desk or self.desk.stamp != self.stamp:
            return
        self.work.outcome()
        if self.fitted is not None:
            placing.renew(scene, self.fitted, placing.placed(scene))
        changed(self.desk)


def _only(task: Task) -> AsideSteps[Outcome]:
    yield "", 0.0
    return task()


_piece: _Piece | None = None


def desk_of(scene: bpy.types.Scene) -> Desk | None:
    """The scene's results, or None if they are out of date or there are no ends; then they are made again soon. What is
    waiting in results at hand goes on, too: another scene may have been shown meanwhile."""
    desk = at_hand(scene)
    if (desk.waiting or desk.open) if desk else scene.ferrule.ends:
        _wake()
    return desk


def fresh(scene: bpy.types.Scene) -> Desk | None:
    """The scene's results, brought up to date where they are not."""
    return desk_of(scene) or sync(scene)


def touch(scene: bpy.types.Scene) -> None:
    """Results of before no longer count."""
    # Never the number of an earlier state, which undo may bring back.
    scene.ferrule.stamp = time.monotonic_ns() // 1000 % 2**31
    global _last_change
    _last_change = time.monotonic()
    _leave_piece()


def sync(scene: bpy.types.Scene) -> Desk | None:
    """The desk as the scene's properties ask for, with what is known already; None if there are no ends.

    Objects and meshes are brought in line too, as undo may have left them behind.
    """
    ferrule = scene.ferrule
    old = desks.pop(scene.session_uid, None)
    if not ferrule.ends:
        list_findings(None)
        return None
    job = job_of(scene)
    ends = tuple(map(end_of, ferrule.ends))
    _list_lost(ferrule, ends)
    takeoff = placing.listed_takeoff(scene)
    problem = problem_of(job)
    try:
        batches = sort_into_batches(job, takeoff)
    except JobError as error:  # a tube of the shop book's
        problem = str(error)
        job = replace(job, measured=(), book=ShopBook())
        batches = sort_into_batches(job, takeoff)
    fittings = _fittings(ferrule, takeoff, batches)
    desk = Desk(ferrule.stamp, job, problem, takeoff, fittings, version=old.version + 1 if old else 0)
    desks[scene.session_uid] = desk
    objects = placing.placed(scene)
    for fitted in fittings:
        take_known(desk, fitted)
        placing.renew(scene, fitted, objects)
    placing.name_all(scene, desk)
    list_findings(desk)
    follow_work(scene)
    _wake()
    return desk


def _fittings(ferrule: bpy.types.PropertyGroup, takeoff: Takeoff, batches: Sequence[Batch]) -> list[Fitted]:
    """What the desk has of each batch; a site goes by the first of its records."""
    row_of = {id(end): row for row, end in enumerate(takeoff.ends)}
    site_row_of = {id(site): row for row, site in enumerate(sites_of(takeoff))}
    line_of = {record: ferrule.ends[row] for record, row in row_of.items()}
    line_of |= {record: ferrule.sites[row] for record, row in site_row_of.items()}
    fittings = []
    taken: Counter[str] = Counter()

    def key_of(family: Family, record: int) -> str:
        key = placing.site_key(family, line_of[record].key)
        taken[key] += 1
        return placing.site_key(family, line_of[record].key, taken[key] - 1)

    for batch in batches:
        served = [[_listed(record) for record in site.records[: site.count]] for site in batch.sites]
        every = list(dict.fromkeys(record for records in served for record in records))
        fittings.append(
            Fitted(
                batch,
                keys=tuple(key_of(batch.family, records[0]) for records in served),
                rows=tuple(row_of[record] for record in every if record in row_of),
                site_rows=tuple(site_row_of[record] for record in every if record in site_row_of),
                groups=tuple(dict.fromkeys(line_of[record].group for record in every)),
            )
        )
    return fittings


def _listed(record: object) -> int:
    """The ``id`` of the record in whose row it is: a screw's hole has none of its own."""
    return id(record.joint if isinstance(record, NeededHole) else record)


def batches_changed(scene: bpy.types.Scene) -> None:
    """Sorts the ends anew, as what decides which of them share a fitting has changed."""
    touch(scene)
    sync(scene)
    _work_within(scene)


def _screws_of(job: Job) -> list[Wish]:
    """What the holes follow from that tubes get for screws, where tools are made for holes."""
    tools = any(wish.family.hole_tool for wish in job.wishes)
    return [wish for wish in job.wishes if tools and wish.family.serves == "joint"]


def numbers_changed(scene: bpy.types.Scene) -> None:
    """Makes again what can be made at once: the chosen section's fittings, and others as far as the time allows."""
    desk, job = desk_of(scene), job_of(scene)
    touch(scene)
    if desk is None or _screws_of(desk.job) != _screws_of(job):
        batches_changed(scene)
        return
    desk.stamp = scene.ferrule.stamp
    desk.job = job
    desk.problem = problem_of(desk.job)
    desk.result = desk.summary = desk.verdict = None
    for fitted in desk.fittings:
        recipe = desk.job.wish_for(fitted.batch.family).recipe_at(fitted.batch.sites[0])
        known = desk.job.circumstances_for(fitted.batch.sites[0].section)
        batch = replace(fitted.batch, recipe=recipe, circumstances=known)
        fitted.designed &= fitted.batch.shape == batch.shape
        fitted.batch = batch
        fitted.made, fitted.in_place, fitted.problem = None, (), ""
    _work_within(scene)


def _here(steps: AsideSteps[Result]) -> AsideSteps[Result]:
    return steps


def work(scene: bpy.types.Scene, review: bool = True, aside: Aside = _here) -> Iterator[tuple[str, float]]:
    """Does all that is waiting, step by step; yields what comes next and how much is done. ``aside`` does what is long
    and without bpy."""
    _leave_piece()
    desk = fresh(scene)
    if desk is None:
        return
    waiting = desk.waiting
    objects = placing.placed(scene)
    for number, fitted in enumerate(waiting):
        yield f"Fitting {fitted.batch.id}", number / len(waiting)
        _design(scene, desk, fitted, objects)
        if review:
            yield from aside(_reviewed(desk, fitted, number / len(waiting)))
    if review and desk.open and desk.copies <= LAID_OUT_UP_TO:
        yield from aside(laid_out(desk))
    changed(desk)


def _reviewed(desk: Desk, fitted: Fitted, share: float) -> AsideSteps[None]:
    yield f"Reviewing {fitted.batch.id}", share
    review_fitted(desk, fitted)
    settle(desk, fitted)


def laid_out(desk: Desk) -> AsideSteps[None]:
    yield "Laying out the plate", 0.9
    sum_up(desk)


def worked(
    scene: bpy.types.Scene, review: bool = True, aside: Aside = _here
) -> Generator[tuple[str, float], None, Desk]:
    """``work``, and then the desk of a scene that has ends."""
    yield from work(scene, review, aside)
    desk = fresh(scene)
    assert desk is not None
    return desk


def finish(scene: bpy.types.Scene, review: bool = True) -> Desk | None:
    """``work`` in one go; the desk, or None if there are no ends."""
    for _ in work(scene, review):
        pass
    return desk_of(scene)


def keep_result(scene: bpy.types.Scene, result: JobResult) -> None:
    """Keeps an export's result for the panels: its fittings, and what they meet in the assembly."""
    desk = desk_of(scene)
    if desk is not None:
        made = {fitting.id: fitting for fitting in result.made}
        for fitted in desk.fittings:
            if fitting := made.get(fitted.batch.id):
                fitted.made = fitting
                fitted.in_place = tuple(
                    finding
                    for finding in result.findings
                    if finding.fitting == fitting.id and finding not in fitting.findings
                )
        desk.result, desk.verdict = result, verdict_of(result)
        changed(desk)
        follow_work(scene)


def changed(desk: Desk) -> None:
    desk.version += 1
    list_findings(desk)
    redraw()


def _work_within(scene: bpy.types.Scene) -> None:
    """The work that an update does at once. Longer work waits until the numbers rest."""
    desk = desk_of(scene)
    if desk is None:
        return
    start = time.perf_counter()
    active = active_fitted(scene, desk)
    objects = placing.placed(scene)
    # What has waited longest comes first, so that all follow a number that is dragged.
    for fitted in sorted(desk.fittings, key=lambda candidate: (candidate is not active, candidate.at_s)):
        if time.perf_counter() - start + fitted.design_s > OTHERS_S and fitted is not active:
            break
        _design(scene, desk, fitted, objects)
        take_known(desk, fitted)
        if fitted is active and time.perf_counter() - start + fitted.review_s < LIVE_S:
            review_fitted(desk, fitted)
    times["update"] = time.perf_counter() - start
    changed(desk)
    _wake()


def _design(scene: bpy.types.Scene, desk: Desk, fitted: Fitted, objects: placing.Placed) -> None:
    if not fitted.designed:
        start = time.perf_counter()
        design_fitted(desk, fitted)
        placing.renew(scene, fitted, objects)
        fitted.design_s = time.perf_counter() - start


def _list_lost(ferrule: bpy.types.PropertyGroup, ends: Sequence[TubeEnd]) -> None:
    """Lists ends whose records are damaged as lost, whatever they were."""
    for row, end in zip(ferrule.ends, ends, strict=True):
        if end.cause == "lost" and row.cut != end.cause:
            with quietly():
                if 0 <= row.group < len(ferrule.groups):
                    ferrule.groups[row.group].count -= 1
                row.group, row.cut, row.reason = -1, end.cause, end.explained.stored()


def _leave_piece() -> None:
    global _piece
    if _piece is not None:
        _piece.work.leave()
        _piece = None


def stop() -> None:
    global _piece
    if _piece is not None:
        _piece.work.stop()
        _piece = None
    if bpy.app.timers.is_registered(_tick):
        bpy.app.timers.unregister(_tick)


def _wake() -> None:
    if not bpy.app.background and not bpy.app.timers.is_registered(_tick):
        bpy.app.timers.register(_tick, first_interval=0.01)


def _tick() -> float | None:
    """Begins a piece of waiting work beside the window, or takes what came of it, from Blender's timer."""
    global _piece
    if _piece is not None:
        piece = _piece
        if piece.work.is_alive():
            return LOOK_S
        _piece = None
        piece.take()
        return 0.01
    if going_on():
        return PAUSE_S
    wait = PAUSE_S - (time.monotonic() - _last_change)
    scenes = [window.scene for window in bpy.context.window_manager.windows]
    for scene in dict.fromkeys(scenes):
        desk = at_hand(scene)
        if desk is None:
            if scene.ferrule.ends:
                sync(scene)
                redraw()
                return 0.01
            continue
        waiting = desk.waiting
        if not waiting:
            if desk.open and desk.copies <= LAID_OUT_UP_TO:
                if wait > 0:
                    return wait
                _piece = _Piece.begun(summing_up(desk), scene, desk, None)
                return LOOK_S
            continue
        if wait > 0:
            return wait
        active = active_fitted(scene, desk)
        next_one = active if active in waiting else waiting[0]
        assert next_one is not None
        task = designing if not next_one.designed else reviewing if next_one.made is None else settling
        _piece = _Piece.begun(task(desk, next_one), scene, desk, next_one)
        return LOOK_S
    return None
