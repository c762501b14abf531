# SPDX-License-Identifier: GPL-3.0-or-later
"""Results at hand: worked out from what the scenes keep, never saved, and never shown when out of date.

For whoever draws (panels, overlays; drawing computes nothing):

``desk_of(scene)``
    The scene's ``Desk``, or None while it is out of date; asking for it then has it made again soon, and redraws.
``Desk.ends``
    The takeoff: a ``TubeEnd`` for each of ``scene.ferrule.ends``, open or not, in the same order.
``Desk.fittings``
    A ``Fitted`` for each distinct fitting: ``batch`` (its ends, section, recipe), ``rows`` (of its ends in
    ``scene.ferrule.ends``), ``group`` (index of its section in
    ``scene.ferrule.groups``), ``fitting`` (the last solid that could be made, or None), ``refusal`` (why the recipe as
    it stands cannot be made, or None) and ``made`` (``job.results.Made`` with review and gap; None until reviewed).
``Desk.version``
    Grows whenever anything in the desk changed. Buffers may be kept as long as it stays the same.
``Desk.plates``, ``Desk.result``
    The last plate layout and the last export's ``job.results.JobResult``, None where the scene has changed since.
``subject_of(context)``
    The ``Subject`` that panels and overlays are about: the fitting or the user's mesh that is looked at, its review,
    and ``matrix`` (4, 4), which takes the review's millimetres, standing as it prints, to the view's world.

The switches are properties: ``scene.ferrule.view`` (see ``properties.FerruleView``), with ``layer`` counted from 1.
Lists show ``window_manager.ferrule.findings``; ``findings[i]`` here is the ``Finding`` of each.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Generator, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import bpy
import numpy as np

from ..bench.plate import Footprint, Plates
from ..bench.shop_book import ShopBook
from ..families.fitting import Fitting
from ..fields.refusals import RecipeError
from ..geometry.frames import Floats
from ..job.asked import Job, JobError
from ..job.batches import resolved, sort_into_batches
from ..job.resolved import Checked, Resolved, Shape, designed, reviewed
from ..job.results import Batch, JobResult, Made
from ..review import Finding, Review, worst_first
from ..takeoff import TubeEnd
from . import placing
from .fields import UNDECIDED, assign, auto_name, take_old_names
from .jobs import bore_problem, job_of, modelled_section, problem_of, process_of, recipe_of
from .records import end_from
from .scene import unit_scale_of

FACETS = 64
"""Of a whole circle, in the view. Files get as many as their chord error asks for."""
OTHERS_S = 0.035
"""An update that has taken so long leaves what is not looked at until the numbers rest: 20 a second are wanted."""
LIVE_S = 0.1
"""An update that the quick checks would make longer than this leaves them until the numbers rest."""
PAUSE_S = 0.2
"""How long the numbers have to rest before work starts that is too long for an update."""
_KEPT = 500


@dataclass
class Fitted:
    """One fitting of the desk; see the module's head."""

    batch: Batch
    rows: tuple[int, ...]
    """Of its ends in ``scene.ferrule.ends``."""
    group: int
    fitting: Fitting | None = None
    refusal: RecipeError | None = None
    made: Made | None = None
    in_place: tuple[Finding, ...] = ()
    """What it meets in the assembly, once that was checked; places are those of the assembly, in mm."""
    problem: str = ""
    """Why it could not be reviewed."""
    designed: bool = False
    """Whether ``fitting`` and ``refusal`` are those of ``batch``."""
    at_s: float = 0.0
    """When it was last made."""
    review_s: float = 0.0
    """How long the review's quick checks took last time."""

    @property
    def reviewable(self) -> bool:
        return self.refusal is None and self.fitting is not None and not self.problem

    @property
    def waiting(self) -> bool:
        """Whether there is still something to be made or checked."""
        return not self.designed or (self.reviewable and (self.made is None or not self.made.review.settled))

    def digest(self, unit_scale: float) -> str:
        """What its mesh is known by: all that its shape comes from."""
        return self.batch.shape.digest(FACETS, unit_scale)


@dataclass
class Desk:
    stamp: int
    job: Job
    problem: str
    """What is wrong with the job as a whole, and what to do; empty where nothing is."""
    ends: tuple[TubeEnd, ...]
    fittings: list[Fitted]
    version: int = 0
    plates: Plates | None = None
    footprints: tuple[Footprint, ...] = ()
    """What lies on the plates."""
    result: JobResult | None = None

    @property
    def waiting(self) -> list[Fitted]:
        """What is still to be reviewed."""
        return [one for one in self.fittings if one.waiting]


@dataclass(frozen=True)
class Subject:
    """What panels and overlays are about."""

    name: str
    matrix: Floats
    """(4, 4): from the review's mm, standing, to Blender's world."""
    review: Review | None
    fitted: Fitted | None = None
    end: TubeEnd | None = None


@dataclass(frozen=True)
class ObjectReview:
    """A review of the user's own mesh, dropped as soon as the mesh changes or moves, or its process or unit does."""

    review: Review
    matrix: Floats
    unit_scale: float


times: dict[str, float] = {}
"""Seconds that the last ``update``, ``review``, ``read``, ... took; shown in the panels."""
findings: list[Finding] = []
object_reviews: dict[int, ObjectReview] = {}
"""By the object's ``session_uid``."""

_listed: ObjectReview | Desk | None = None
"""Whose findings are listed."""
_desks: dict[int, Desk] = {}
_designs: OrderedDict[Shape, Fitting | RecipeError] = OrderedDict()
_reviews: OrderedDict[Resolved, Checked] = OrderedDict()
_quiet = 0
_last_change = 0.0


class quietly:
    """``with quietly():`` properties change without anything being made again; the caller sees to that."""

    def __enter__(self) -> None:
        global _quiet
        _quiet += 1

    def __exit__(self, *error: object) -> None:
        global _quiet
        _quiet -= 1


# What properties call when they change


def on_number(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """A number of a recipe, the process, the tube or the output changed: make again what rests on it, at once."""
    if not _quiet:
        _decide(group)
        numbers_changed(group.id_data)


def on_measure(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """What decides which ends share a fitting changed."""
    if not _quiet:
        with quietly():
            group.bore_problem = bore_problem(group) if group.measured else ""
        batches_changed(group.id_data)


def on_measured(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    if not _quiet and group.measured and not group.bore_width_mm:
        bore = modelled_section(group).bore
        widths = [bore.across(reading.across_deg) for reading in bore.readings]
        with quietly():
            group.bore_width_mm, group.bore_depth_mm = widths[0], widths[-1]
    on_measure(group, context)


def on_book(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """What the shop has learned counts from now on, or no longer."""
    if not _quiet:
        batches_changed(group.id_data)


def on_own_recipe(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """A section's own recipe starts as a copy of the shared one."""
    if _quiet:
        return
    if group.own_recipe:
        with quietly():
            assign(group.recipe, recipe_of(group.id_data.ferrule.recipe))
    numbers_changed(group.id_data)


def on_group(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """The chosen end is one of the chosen section, so that what acts on it acts on a row that is seen."""
    sections = [row.group for row in group.ends]
    if not _quiet and group.groups and not 0 <= group.group_index < len(group.groups):
        with quietly():
            group.group_index = min(max(group.group_index, 0), len(group.groups) - 1)
    if not _quiet and 0 <= group.end_index < len(sections) and sections[group.end_index] != group.group_index:
        with quietly():
            group.end_index = sections.index(group.group_index) if group.group_index in sections else -1
    redraw()


def on_end(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Clicking a row of the list of ends selects the end and brings it into view."""
    if not _quiet:
        placing.look_at_end(context, group.id_data, group.end_index)


def on_finding(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Clicking a row of the list of findings brings the place into view."""
    finding = chosen_finding(context)
    if not _quiet and finding is not None:
        look_at_finding(context, finding)


def on_view(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    redraw()


# Asking and working


def desk_of(scene: bpy.types.Scene) -> Desk | None:
    """The scene's results, or None where they are out of date or there are no ends; then they are made again soon."""
    desk = _desks.get(scene.session_uid)
    if desk is not None and desk.stamp == scene.ferrule.stamp:
        return desk
    if scene.ferrule.ends:
        _wake()
    return None


def active_group(scene: bpy.types.Scene) -> bpy.types.PropertyGroup | None:
    """The chosen section's row, or None."""
    ferrule = scene.ferrule
    return ferrule.groups[ferrule.group_index] if 0 <= ferrule.group_index < len(ferrule.groups) else None


def active_recipe(scene: bpy.types.Scene) -> bpy.types.PropertyGroup:
    """The recipe that the chosen section has: its own or the shared one."""
    group = active_group(scene)
    return group.recipe if group and group.own_recipe else scene.ferrule.recipe


def active_fitted(scene: bpy.types.Scene, desk: Desk | None = None) -> Fitted | None:
    """The fitting of the chosen end, else the first one of the chosen section."""
    desk = desk or desk_of(scene)
    if desk is None:
        return None
    ferrule = scene.ferrule
    own = [one for one in desk.fittings if one.group == ferrule.group_index]
    if 0 <= ferrule.end_index < len(desk.ends):
        end = desk.ends[ferrule.end_index]
        own = [one for one in own if any(other is end for other in one.batch.ends)] or own
    return own[0] if own else None


def subject_of(context: bpy.types.Context) -> Subject | None:
    """The user's mesh that is selected and has been reviewed, else the fitting that is looked at."""
    item = context.active_object
    kept = _object_review(item)
    if kept is not None:
        return Subject(item.name, kept.matrix, kept.review)
    desk = desk_of(context.scene)
    fitted = active_fitted(context.scene, desk) if desk else None
    if desk is None or fitted is None:
        return None
    end = _end_looked_at(context, desk, fitted)
    matrix = placing.standing_matrix(fitted.fitting, end, context.scene) if fitted.fitting else np.eye(4)
    return Subject(fitted.batch.id, matrix, fitted.made.review if fitted.made else None, fitted, end)


def listed(context: bpy.types.Context) -> list[Finding]:
    """``findings``, where they are of what is looked at; else none, and they are listed again soon.

    Blender tells nobody that another scene is shown.
    """
    if _looked_at(context.scene) is _listed:
        return findings
    if bpy.app.background:
        _list_again()
        return findings
    if not bpy.app.timers.is_registered(_list_again):  # Who draws may change nothing.
        bpy.app.timers.register(_list_again, first_interval=0.01)
    return []


def chosen_finding(context: bpy.types.Context) -> Finding | None:
    index, found = context.window_manager.ferrule.finding_index, listed(context)
    return found[index] if 0 <= index < len(found) else None


def fitted_of(scene: bpy.types.Scene, finding: Finding) -> Fitted | None:
    """The fitting that a finding is about; None where it is about an object of the user's."""
    desk = desk_of(scene)
    return next((one for one in desk.fittings if one.batch.id == finding.fitting), None) if desk else None


def look_at_finding(context: bpy.types.Context, finding: Finding) -> None:
    """Chooses the fitting and the layer that a finding is about, and brings its place into view."""
    scene = context.scene
    fitted = fitted_of(scene, finding)
    with quietly():
        if fitted is not None:
            scene.ferrule.group_index = fitted.group
            if scene.ferrule.end_index not in fitted.rows:
                scene.ferrule.end_index = fitted.rows[0]
        if finding.layer is not None:
            scene.ferrule.view.layer = finding.layer
    subject = subject_of(context)
    if subject is not None:
        in_place = fitted is not None and any(one is finding for one in fitted.in_place)
        place = np.append(finding.position_mm or (0.0, 0.0, 0.0), 1.0)
        world = place[:3] / placing.mm_per_unit(scene) if in_place else (subject.matrix @ place)[:3]
        width = fitted.batch.section.outer.width if fitted else float(subject.review.mesh.size.max())
        placing.look_at(context, world, width / placing.mm_per_unit(scene))
    redraw()


def touch(scene: bpy.types.Scene) -> None:
    """Results of before no longer count."""
    # Never the number of an earlier state, which undo may bring back.
    scene.ferrule.stamp = time.monotonic_ns() // 1000 % 2**31
    global _last_change
    _last_change = time.monotonic()


def sync(scene: bpy.types.Scene) -> Desk | None:
    """The desk as the scene's properties ask for, with what is known already; None where there are no ends.

    Objects and meshes are brought in line too, as undo may have left them behind.
    """
    ferrule = scene.ferrule
    old = _desks.pop(scene.session_uid, None)
    if not ferrule.ends:
        list_findings(None)
        return None
    job = job_of(scene)
    ends = tuple(_end_from(row.record) for row in ferrule.ends)
    row_of = {id(end): row for row, end in enumerate(ends)}
    problem = problem_of(job)
    try:
        batches = sort_into_batches(job, ends)
    except JobError as error:  # a tube of the shop book's
        problem = str(error)
        job = replace(job, measured=(), book=ShopBook())
        batches = sort_into_batches(job, ends)
    fittings = []
    for batch in batches:
        rows = tuple(row_of[id(end)] for end in batch.ends)
        fittings.append(Fitted(batch, rows, ferrule.ends[rows[0]].group))
    desk = Desk(ferrule.stamp, job, problem, ends, fittings, version=old.version + 1 if old else 0)
    _desks[scene.session_uid] = desk
    objects = placing.placed(scene)
    for fitted in fittings:
        _take_known(desk, fitted)
        placing.renew(scene, fitted, objects)
    list_findings(desk)
    _wake()
    return desk


def fresh(scene: bpy.types.Scene) -> Desk | None:
    """The scene's results, brought up to date where they are not."""
    return desk_of(scene) or sync(scene)


def batches_changed(scene: bpy.types.Scene) -> None:
    """Sorts the ends anew, as what decides which of them share a fitting has changed."""
    touch(scene)
    sync(scene)
    _work_within(scene)


def numbers_changed(scene: bpy.types.Scene) -> None:
    """Makes again what can be made at once: the chosen section's fittings, and others as far as the time allows."""
    desk = desk_of(scene)
    touch(scene)
    if desk is None:
        batches_changed(scene)
        return
    desk.stamp = scene.ferrule.stamp
    desk.job = job_of(scene)
    desk.problem = problem_of(desk.job)
    desk.plates = desk.result = None
    for fitted in desk.fittings:
        recipe = desk.job.recipe_for(fitted.batch.ends[0].section)
        correction = desk.job.gap_correction(fitted.batch.section)
        batch = replace(fitted.batch, recipe=recipe, correction=correction)
        fitted.designed &= fitted.batch.shape == batch.shape
        fitted.batch = batch
        fitted.made, fitted.in_place, fitted.problem = None, (), ""
    _work_within(scene)


def work(scene: bpy.types.Scene, review: bool = True) -> Iterator[tuple[str, float]]:
    """Does all that is waiting, step by step; yields what comes next and how much is done."""
    desk = fresh(scene)
    if desk is None:
        return
    waiting = desk.waiting
    objects = placing.placed(scene)
    for number, fitted in enumerate(waiting):
        yield f"Fitting {fitted.batch.id}", number / len(waiting)
        _design(scene, desk, fitted, objects)
        if review:
            _review(desk, fitted)
            _settle(fitted)
    changed(desk)


def worked(scene: bpy.types.Scene, review: bool = True) -> Generator[tuple[str, float], None, Desk]:
    """``work``, and then the desk of a scene that has ends."""
    yield from work(scene, review)
    desk = fresh(scene)
    assert desk is not None
    return desk


def finish(scene: bpy.types.Scene, review: bool = True) -> Desk | None:
    """``work`` in one go; the desk, or None where there are no ends."""
    for _ in work(scene, review):
        pass
    return desk_of(scene)


def keep_result(scene: bpy.types.Scene, result: JobResult) -> None:
    """What an export came to, for the panel Plate and Files."""
    desk = desk_of(scene)
    if desk is not None:
        desk.result, desk.plates, desk.footprints = result, result.plates, result.footprints
        changed(desk)


def forget() -> None:
    """Drops everything, for when the add-on is switched off."""
    for timer in (_tick, _list_again):
        if bpy.app.timers.is_registered(timer):
            bpy.app.timers.unregister(timer)
    for kept in (_desks, _designs, _reviews, times, object_reviews):
        kept.clear()
    _show_findings(())
    global _listed
    _listed = None


@bpy.app.handlers.persistent
def start_anew(*told: object) -> None:
    """A handler: of the scenes before nothing holds in another file, and an older file has numbers under old names."""
    forget()
    with quietly():
        for scene in bpy.data.scenes:
            ferrule = scene.ferrule
            for group in (ferrule.recipe, ferrule.process, *(one.recipe for one in ferrule.groups)):
                take_old_names(group)


@bpy.app.handlers.persistent
def drop_outdated(scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> None:
    """A handler: reviews of the user's own meshes no longer hold once these have changed or moved, or are to be printed
    by another process; and what is listed is always of what is looked at now."""
    for update in depsgraph.updates if object_reviews else ():
        changed = update.is_updated_geometry or update.is_updated_transform
        if changed and isinstance(update.id, bpy.types.Object) and update.id.original:
            object_reviews.pop(update.id.original.session_uid, None)
    if object_reviews:
        now = process_of(scene.ferrule.process), unit_scale_of(scene)
        for uid, kept in list(object_reviews.items()):
            if (kept.review.process, kept.unit_scale) != now:
                del object_reviews[uid]
    if _looked_at(scene) is not _listed:
        list_findings(desk_of(scene))


def redraw() -> None:
    for window in bpy.context.window_manager.windows if bpy.context.window_manager else ():
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                area.tag_redraw()


def _work_within(scene: bpy.types.Scene) -> None:
    """What an update does at once. What is longer waits until the numbers rest."""
    desk = desk_of(scene)
    if desk is None:
        return
    start = time.perf_counter()
    active = active_fitted(scene, desk)
    objects = placing.placed(scene)
    # What has waited longest comes first, so that all follow a number that is dragged.
    for fitted in sorted(desk.fittings, key=lambda one: (one is not active, one.at_s)):
        if time.perf_counter() - start > OTHERS_S and fitted is not active:
            break
        _design(scene, desk, fitted, objects)
        _take_known(desk, fitted)
        if fitted is active and time.perf_counter() - start + fitted.review_s < LIVE_S:
            _review(desk, fitted)
    times["update"] = time.perf_counter() - start
    changed(desk)
    _wake()


def _wake() -> None:
    if not bpy.app.background and not bpy.app.timers.is_registered(_tick):
        bpy.app.timers.register(_tick, first_interval=0.01)


def _tick() -> float | None:
    """One piece of waiting work, from Blender's timer."""
    wait = PAUSE_S - (time.monotonic() - _last_change)
    scenes = [window.scene for window in bpy.context.window_manager.windows]
    for scene in dict.fromkeys(scenes):
        desk = _desks.get(scene.session_uid)
        if desk is None or desk.stamp != scene.ferrule.stamp:
            if scene.ferrule.ends:
                sync(scene)
                redraw()
                return 0.01
            continue
        waiting = desk.waiting
        if not waiting:
            continue
        if wait > 0:
            return wait
        active = active_fitted(scene, desk)
        next_one = active if active in waiting else waiting[0]
        assert next_one is not None
        if not next_one.designed:
            _design(scene, desk, next_one, placing.placed(scene))
        elif next_one.made is None:
            _review(desk, next_one)
        else:
            _settle(next_one)
        changed(desk)
        return 0.01
    return None


def _design(scene: bpy.types.Scene, desk: Desk, fitted: Fitted, objects: placing.Placed) -> None:
    if fitted.designed:
        return
    shape = fitted.batch.shape
    if shape not in _designs:
        try:
            _keep(_designs, shape, designed(shape, FACETS))
        except RecipeError as refusal:
            _keep(_designs, shape, refusal)
    fitted.at_s = time.monotonic()
    _take_known(desk, fitted)
    placing.renew(scene, fitted, objects)


def _review(desk: Desk, fitted: Fitted) -> None:
    """The review's quick checks."""
    if fitted.made is not None or not fitted.reviewable:
        return
    if desk.problem:
        fitted.problem = desk.problem
        return
    assert fitted.fitting is not None
    start = time.perf_counter()
    try:
        of = resolved(desk.job, fitted.batch)
        checked = reviewed(of, fitted.fitting)
    except JobError as error:
        fitted.problem = str(error)
        return
    fitted.review_s = times["review"] = time.perf_counter() - start
    _keep(_reviews, of, checked)
    fitted.made = Made(fitted.batch, fitted.fitting, checked, desk.job.output.spares)


def _settle(fitted: Fitted) -> None:
    """The review's slower checks."""
    if fitted.made is not None:
        _ = fitted.made.findings


def _take_known(desk: Desk, fitted: Fitted) -> None:
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
        checked = _reviews.get(resolved(desk.job, fitted.batch))
    except JobError:  # the review says so
        checked = None
    fitted.made = Made(fitted.batch, known, checked, desk.job.output.spares) if checked else None


def changed(desk: Desk) -> None:
    desk.version += 1
    list_findings(desk)
    redraw()


def list_findings(desk: Desk | None) -> None:
    """Fills what the list of findings shows, worst first: those of the user's mesh that is selected and has been
    reviewed, else those of all fittings."""
    global _listed
    kept = _object_review(bpy.context.view_layer.objects.active)
    _listed = kept or desk
    _show_findings(kept.review.findings if kept else _findings_of(desk) if desk else ())


def _list_again() -> None:
    list_findings(desk_of(bpy.context.scene))
    redraw()


def _looked_at(scene: bpy.types.Scene) -> ObjectReview | Desk | None:
    """Whose findings are to be listed."""
    return _object_review(bpy.context.view_layer.objects.active) or desk_of(scene)


def _object_review(item: bpy.types.Object | None) -> ObjectReview | None:
    """What is known of a mesh of the user's; None of a fitting."""
    return object_reviews.get(item.session_uid) if item is not None and not item.ferrule.end_key else None


def _findings_of(desk: Desk) -> list[Finding]:
    """Of the reviews and of the fit in place."""
    return [
        finding
        for fitted in desk.fittings
        for finding in (*(fitted.made.known if fitted.made else ()), *fitted.in_place)
    ]


def _show_findings(unsorted: Iterable[Finding]) -> None:
    found = list(worst_first(unsorted))
    same = found == findings
    findings[:] = found
    for manager in bpy.data.window_managers:
        rows = manager.ferrule.findings
        if same and len(rows) == len(found):
            continue  # Another file's window manager has none.
        rows.clear()
        for index, finding in enumerate(found):
            row = rows.add()
            row.name, row.index, row.severity = finding.check, index, finding.severity
            row.fitting = finding.fitting


def _decide(group: bpy.types.PropertyGroup) -> None:
    """A number that was automatic so far starts from what the section decided."""
    fitted = active_fitted(group.id_data, _desks.get(group.id_data.session_uid))
    settled = fitted.fitting.recipe if fitted and fitted.fitting else None
    for name in ("rise_mm", "edge_mm", "gap_mm"):
        if getattr(group, name, 0.0) == UNDECIDED and not getattr(group, auto_name(name)):
            with quietly():
                setattr(group, name, getattr(settled, name, None) or 0.0)


def _end_looked_at(context: bpy.types.Context, desk: Desk, fitted: Fitted) -> TubeEnd:
    index = context.scene.ferrule.end_index
    if 0 <= index < len(desk.ends) and any(end is desk.ends[index] for end in fitted.batch.ends):
        return desk.ends[index]
    return fitted.batch.ends[0]


def _keep(kept: OrderedDict[Any, Any], key: Any, value: Any) -> None:
    kept[key] = value
    if len(kept) > _KEPT:
        kept.popitem(last=False)


@lru_cache(20 * _KEPT)
def _end_from(record: str) -> TubeEnd:
    """``end_from``, the same end for the same record."""
    return end_from(record)
