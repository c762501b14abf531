# SPDX-License-Identifier: GPL-3.0-or-later
"""The fitting of each batch, its review, and its fit in its tubes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..bench.plate import Footprint, TooLarge, too_large
from ..families.fitting import Fitting
from ..fields.messages import FieldName, Length, Message, Name, say
from ..fields.refusals import RecipeError
from ..geometry.boxes import BoxTree
from ..geometry.mesh import Mesh
from ..review import Finding
from ..review.in_place import Trial
from ..takeoff import TubeEnd
from ..takeoff.ends import mitre_normal
from ..trade.fits import fit_named
from ..trade.sizes import section_name
from .asked import Job
from .batches import resolved
from .resolved import Checked, designed, reviewed
from .results import Attempt, Batch, Made

NO_RECIPE = say("Check the assembly's unit; if it is right, leave this end without a fitting.")
WIDE_MM = 150.0
"""Few tubes that are welded and capped are wider, so the unit may be wrong; common practice, no source."""


def counted(job: Job, batch: Batch, fitting: Fitting, checked: Checked) -> Made:
    """With the spares that the job wants of it."""
    return Made(batch, fitting, checked, job.output.spares_for(batch.needed))


def attempt(job: Job, batch: Batch) -> Attempt:
    """The batch's fitting with all that its review finds, or the finding that its recipe is impossible or that it
    is too large for the plate, which is seen before any review. Raises ``JobError`` for a material or a metal that is
    in no table."""
    inputs = resolved(job, batch)
    try:
        fitting = designed(batch.shape)
    except RecipeError as refusal:
        return Attempt(None, (refused(batch, refusal),))
    return _without_room(job, batch, fitting) or _found(counted(job, batch, fitting, reviewed(inputs, fitting)))


def unmakeable(job: Job, batch: Batch, of: Fitting | RecipeError) -> Finding | None:
    """Why a batch gets no fitting, by its solid or what refused it; None if it gets one."""
    if isinstance(of, RecipeError):
        return refused(batch, of)
    outcome = _without_room(job, batch, of)
    return outcome.findings[0] if outcome else None


def judged(job: Job, fitting: Made) -> Attempt:
    """The fitting with all that its review finds, unless it is too large for the plate."""
    return _without_room(job, fitting.batch, fitting.fitting) or _found(fitting)


def _found(fitting: Made) -> Attempt:
    return Attempt(fitting, fitting.findings)


def _without_room(job: Job, batch: Batch, fitting: Fitting) -> Attempt | None:
    """What becomes of a fitting that is too large for the plate."""
    reason = too_large(Footprint.of(batch.id, fitting.standing()), job.process)
    return Attempt(None, (without_room(batch, reason),)) if reason else None


def refused(batch: Batch, refusal: RecipeError) -> Finding:
    """The finding for a recipe that is impossible for one batch."""
    cure = {} if refusal.works is None else {refusal.field: refusal.works}
    return Finding(
        fitting=batch.id,
        check="recipe",
        severity="must fix",
        meaning=say("No fitting was made for {}: {}.", section_name(batch.section), refusal),
        advice=say("Set {}.", FieldName(refusal.field, refusal.works, batch.family.table)) if cure else NO_RECIPE,
        cure=cure,
    )


def without_room(batch: Batch, reason: TooLarge) -> Finding:
    """The finding for a fitting that is too large for the plate."""
    section = batch.section
    advice = say(
        "Correct {} if the plate is larger, choose a process with a larger one, or leave this end without a fitting.",
        FieldName("plate_mm", table="process"),
    )
    if section.outer.width > WIDE_MM:
        advice = say("Check the assembly's unit: the tube is {} wide. {}", Length(section.outer.width), advice)
    return Finding(
        fitting=batch.id,
        check="too large for the plate",
        severity="must fix",
        meaning=say("No fitting was made for {}: it {}.", section_name(section), reason.problem),
        advice=advice,
        value=None if reason.value_mm is None else round(reason.value_mm, 3),
        limit=reason.limit_mm and round(reason.limit_mm, 3),
        unit="mm",
    )


@dataclass(frozen=True, eq=False)
class Assembled:
    """An assembly's bodies and the fittings in their places, found by where they are."""

    bodies: Sequence[Mesh]
    fittings: Sequence[Made]
    ends: Sequence[TubeEnd]
    """The assembly's."""

    @cached_property
    def tubes(self) -> dict[str, Mesh]:
        return {body.name: body for body in reversed(self.bodies)}

    @cached_property
    def _placed(self) -> list[tuple[Made, TubeEnd]]:
        return [(fitting, end) for fitting in self.fittings for end in self.ends_of(fitting)]

    @cached_property
    def _own(self) -> set[int]:
        return {id(end) for end in self.ends}

    def ends_of(self, fitting: Made) -> list[TubeEnd]:
        """The ends of this assembly that take a fitting."""
        return [end for end in fitting.batch.ends if id(end) in self._own]

    @cached_property
    def _boxes(self) -> BoxTree:
        """Of the bodies, then of the fittings."""
        low = [body.bounds[0] for body in self.bodies]
        high = [body.bounds[1] for body in self.bodies]
        for fitting, end in self._placed:
            # The box that holds the fitting's own box as it is turned.
            middle, half = fitting.fitting.mesh.bounds.mean(axis=0), fitting.fitting.mesh.size / 2
            centre, reach = end.frame.to_world(middle), half @ np.abs(end.frame.axes)
            low.append(centre - reach)
            high.append(centre + reach)
        return BoxTree.of(np.array(low), np.array(high))

    def beside(self, fitting: Made, reach_mm: float) -> list[list[Mesh]]:
        """What may come as near as that to the fitting at each of its ends, without the end's tube and the fitting
        itself."""
        ends = self.ends_of(fitting)
        if not ends:
            return []
        origins, axes = np.array([end.frame.origin for end in ends]), np.array([end.frame.axes for end in ends])
        low, high = fitting.fitting.mesh.bounds
        sides = [np.tile(side, (len(ends), 1)) for side in (low - reach_mm, high + reach_mm)]
        near: list[list[Mesh]] = [[] for _ in ends]
        pairs = zip(*(indices.tolist() for indices in self._boxes.near(origins, axes, *sides)), strict=True)
        for number, box in sorted(pairs):
            if box < len(self.bodies):
                if self.bodies[box] is not self.tubes.get(ends[number].source):
                    near[number].append(self.bodies[box])
                continue
            other, its_end = self._placed[box - len(self.bodies)]
            if its_end is not ends[number]:
                mesh = other.fitting.mesh.placed(its_end.frame)
                near[number].append(replace(mesh, name=f"{other.id} at {its_end.source}"))
        return near


def fit_in_place(fitting: Made, assembled: Assembled) -> list[Finding]:
    """What the fitting meets in the assembly, at each of its ends whose tube is there."""
    findings: list[Finding] = []
    seat = fitting.fitting.seat
    place, least_gap_mm = fitting.batch.place, max(fit_named(seat.fit).least_gap_mm, 0.0)
    normal = mitre_normal(place.mitre_deg, place.mitre_direction_deg)
    trial = Trial(
        fitting.fitting.rigid, normal, least_gap_mm, seat.fit == "press", fitting.fitting.depth_key, fitting.id
    )
    for end, others in zip(assembled.ends_of(fitting), assembled.beside(fitting, least_gap_mm), strict=True):
        tube = assembled.tubes.get(end.source)
        if tube is None:
            continue
        if not others and trial.clears(end.frame, tube):
            met = trial.depth_findings(end.clear_depth_mm)
        else:
            met = list(trial.at(end.frame, tube, others, end.clear_depth_mm).findings)
        findings += [replace(finding, where=_at(end, finding.where)) for finding in met]
    return findings


def _at(end: TubeEnd, where: Message) -> Message:
    return say("{}, {}", Name(end.source), where) if where else say("{}", Name(end.source))
