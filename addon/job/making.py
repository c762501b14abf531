# SPDX-License-Identifier: GPL-3.0-or-later
"""The fitting of each batch, its review, and its fit in its tubes."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..bench.plate import Footprint, TooLarge, too_large
from ..fields.messages import FieldName, Length, Message, Name, say
from ..fields.refusals import RecipeError
from ..geometry.mesh import Mesh
from ..review import Finding, review_fit
from ..takeoff import TubeEnd
from ..trade.fits import fit_named
from ..trade.sizes import section_name
from .asked import Job
from .batches import resolved
from .resolved import designed, reviewed
from .results import Attempt, Batch, Made

NO_RECIPE = say("Check the assembly's unit; if it is right, leave this end without a fitting.")
WIDE_MM = 150.0
"""Few tubes that are welded and capped are wider, so the unit may be wrong; common practice, no source."""


def make(job: Job, batch: Batch, facets: int | None = None) -> Made:
    """Designs, fits and reviews the fitting of a batch; ``facets`` as in ``design``. Raises ``RecipeError``, and
    ``JobError`` for a material or a metal that is in no table."""
    fitting = designed(batch.shape, facets)
    return Made(batch, fitting, reviewed(resolved(job, batch), fitting), job.output.spares)


def attempt(job: Job, batch: Batch) -> Attempt:
    """The batch's fitting with all that its review finds, or the finding that its recipe is impossible or that it
    is too large for the plate. Raises ``JobError`` as ``make`` does."""
    try:
        fitting = make(job, batch)
    except RecipeError as refusal:
        return Attempt(None, (refused(batch, refusal),))
    if reason := too_large(Footprint.of(fitting.name, fitting.fitting.standing()), job.process):
        return Attempt(None, (without_room(fitting, reason),))
    return Attempt(fitting, fitting.findings)


def refused(batch: Batch, refusal: RecipeError) -> Finding:
    """The finding for a recipe that is impossible for one batch."""
    table = batch.family.table
    cure = {} if refusal.works is None else {refusal.field: refusal.works}
    works = f"{refusal.works:.6g}" if isinstance(refusal.works, float) else json.dumps(refusal.works)
    return Finding(
        fitting=batch.id,
        check="recipe",
        severity="must fix",
        meaning=say("No fitting was made for {}: {}.", section_name(batch.section), refusal),
        advice=say("In [{}] or its [[{}.for]], set {} = {}.", table, table, refusal.field, works)
        if cure
        else NO_RECIPE,
        cure=cure,
    )


def without_room(fitting: Made, reason: TooLarge) -> Finding:
    """The finding for a fitting that is too large for the plate."""
    section = fitting.batch.section
    advice = say(
        "Correct {} if the plate is larger, choose a process with a larger one, or leave this end without a fitting.",
        FieldName("plate_mm", table="process"),
    )
    if section.outer.width > WIDE_MM:
        advice = say("Check the assembly's unit: the tube is {} wide. {}", Length(section.outer.width), advice)
    return Finding(
        fitting=fitting.id,
        check="too large for the plate",
        severity="must fix",
        meaning=say("No fitting was made for {}: it {}.", section_name(section), reason.problem),
        advice=advice,
        value=None if reason.value_mm is None else round(reason.value_mm, 3),
        limit=reason.limit_mm and round(reason.limit_mm, 3),
        unit="mm",
    )


def fit_in_place(fitting: Made, bodies: Sequence[Mesh], others: Sequence[Made]) -> list[Finding]:
    """What the fitting meets in the assembly, at each of its ends whose tube is there: bodies, and ``others`` (itself
    among them) in their places."""
    findings: list[Finding] = []
    placed = [(other, end) for other in others for end in other.batch.ends]
    origins = np.array([end.frame.origin for _, end in placed]).reshape(-1, 3)
    sizes = np.array([float(np.linalg.norm(other.fitting.mesh.size)) for other, _ in placed])
    own_size = float(np.linalg.norm(fitting.fitting.mesh.size))
    for end in fitting.batch.ends:
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
            fitting.fitting.mesh.placed(end.frame),
            tube,
            end.frame,
            rim_normal=end.rim_normal,
            others=[*(body for body in bodies if body is not tube), *neighbours],
            clear_depth_mm=end.clear_depth_mm,
            least_gap_mm=max(fit_named(fitting.fitting.seat.fit).least_gap_mm, 0.0),
            press=fitting.fitting.seat.fit == "press",
            name=fitting.id,
        )
        findings += [replace(finding, where=_at(end, finding.where)) for finding in fit.findings]
    return findings


def _at(end: TubeEnd, where: Message) -> Message:
    return say("{}, {}", Name(end.source), where) if where else say("{}", Name(end.source))
