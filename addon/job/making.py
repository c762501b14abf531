# SPDX-License-Identifier: GPL-3.0-or-later
"""The fitting of each batch, its review, and its fit in its tubes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..bench.plate import Footprint, TooLarge, too_large
from ..families.family import EndPlace, Site
from ..families.fitting import Fitting
from ..fields.messages import FieldName, Length, Message, Name, say, say_all
from ..fields.refusals import RecipeError
from ..geometry.boxes import BoxTree
from ..geometry.mesh import Mesh
from ..geometry.sections import Section
from ..review import Finding
from ..review.in_place import PlacedBody, Trial
from ..takeoff import NeededHole, TubeEnd, mitre_normal
from ..trade.fits import fit_named
from ..trade.sizes import in_inches, section_name
from .asked import Job
from .resolved import Checked, Resolved, designed, reviewed
from .results import Attempt, Batch, Made

_PLACES = 3
"""So many are listed where a fitting was refused."""
WIDE_MM = 150.0
"""Few tubes that are welded and capped are wider, so the unit may be wrong; common practice, no source."""


def counted(job: Job, batch: Batch, fitting: Fitting, checked: Checked) -> Made:
    """With the spares that the job wants of it."""
    return Made(batch, fitting, checked, batch.spares(job.output))


Worked = tuple[Fitting, Checked] | RecipeError | TooLarge
"""A fitting and its review, or why there is none."""


def worked(of: Resolved) -> Worked:
    """What takes long of a fitting, and needs no job: its solid, all checks and its drawing; whether it is too large
    for the plate is seen before any review. Raises ``JobError`` for a metal that is in no table."""
    try:
        fitting = designed(of.shape)
    except RecipeError as refusal:
        return refusal
    if reason := too_large(Footprint.of(of.id, fitting.standing()), of.shape.circumstances.process):
        return reason
    checked = reviewed(of, fitting)
    checked.review.settle()
    _ = fitting.views
    return fitting, checked


def attempt(job: Job, batch: Batch, outcome: Worked) -> Attempt:
    """The batch's fitting with all that its review finds, or the finding that its recipe is impossible or that it
    is too large for the plate."""
    if isinstance(outcome, RecipeError):
        return Attempt(None, (refused(job, batch, outcome),))
    if isinstance(outcome, TooLarge):
        return Attempt(None, (without_room(batch, outcome),))
    return _found(counted(job, batch, *outcome))


def unmakeable(job: Job, batch: Batch, of: Fitting | RecipeError) -> Finding | None:
    """Why a batch gets no fitting, by its solid or what refused it; None if it gets one."""
    if isinstance(of, RecipeError):
        return refused(job, batch, of)
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


def refused(job: Job, batch: Batch, refusal: RecipeError) -> Finding:
    """The finding for a recipe that is impossible for one batch."""
    entry = job.wish_for(batch.family).entry_of(refusal.field, batch.sites[0])
    cure = {} if refusal.works is None else {refusal.field: refusal.works}
    return Finding(
        fitting=batch.id,
        check="recipe",
        severity="must fix",
        meaning=_not_made(batch.section, refusal),
        advice=say("Set {}.", FieldName(refusal.field, refusal.works, batch.family.table, entry))
        if cure
        else refusal.instead or say("Leave this {} without a fitting.", batch.family.serves),
        where=_places(batch.sites),
        cure=cure,
    )


def without_room(batch: Batch, reason: TooLarge) -> Finding:
    """The finding for a fitting that is too large for the plate."""
    section = batch.section
    advice = say(
        "Correct {} if the plate is larger, choose a process with a larger one, or leave this {} without a fitting.",
        FieldName("plate_mm", table="process"),
        batch.family.serves,
    )
    if section.outer.width > WIDE_MM:
        advice = say("Check the assembly's unit: the tube is {} wide. {}", Length(section.outer.width), advice)
    return Finding(
        fitting=batch.id,
        check="too large for the plate",
        severity="must fix",
        meaning=_not_made(section, say("it {}", reason.problem)),
        advice=advice,
        value=None if reason.value_mm is None else round(reason.value_mm, 3),
        limit=reason.limit_mm and round(reason.limit_mm, 3),
        unit="mm",
    )


def _not_made(section: Section, why: object) -> Message:
    """In inches too where the tube's size goes by inches."""
    said = say("No fitting was made for {}: {}.", section_name(section), why)
    return said.in_both if in_inches(section) else said


@dataclass(frozen=True, eq=False)
class Assembled:
    """An assembly's bodies and the fittings in their places, found by where they are."""

    bodies: Sequence[Mesh]
    fittings: Sequence[Made]
    number: int = 0
    """Of the assembly in the job."""

    @cached_property
    def tubes(self) -> dict[str, Mesh]:
        return {body.name: body for body in reversed(self.bodies)}

    @cached_property
    def _placed(self) -> list[tuple[Made, Site]]:
        """What stays in its place; tools are gone by then."""
        staying = (fitting for fitting in self.fittings if fitting.batch.family.stays)
        return [(fitting, site) for fitting in staying for site in self.sites_of(fitting)]

    def sites_of(self, fitting: Made) -> list[Site]:
        """The sites of this assembly that take a fitting."""
        return fitting.batch.sites_of(self.number)

    @cached_property
    def _solids(self) -> dict[int, PlacedBody]:
        return {id(body): PlacedBody(body) for body in self.bodies}

    def solid_of(self, mesh: Mesh) -> PlacedBody:
        """Of a body once, however many fittings are tried against it."""
        return self._solids.get(id(mesh)) or PlacedBody(mesh)

    def tubes_of(self, site: Site) -> list[Mesh]:
        """The bodies that a fitting there goes into or over, as far as they are in the assembly."""
        return [self.tubes[source] for source in dict.fromkeys(site.sources) if source in self.tubes]

    @cached_property
    def _boxes(self) -> BoxTree:
        """Of the bodies, then of the fittings."""
        low = [body.bounds[0] for body in self.bodies]
        high = [body.bounds[1] for body in self.bodies]
        for fitting, site in self._placed:
            # The box that holds the fitting's own box as it is turned.
            middle, half = fitting.fitting.mesh.bounds.mean(axis=0), fitting.fitting.mesh.size / 2
            centre, reach = site.frame.to_world(middle), half @ np.abs(site.frame.axes)
            low.append(centre - reach)
            high.append(centre + reach)
        return BoxTree.of(np.array(low).reshape(-1, 3), np.array(high).reshape(-1, 3))

    def beside(self, fitting: Made, reach_mm: float) -> list[list[Mesh]]:
        """What may come as near as that to the fitting at each of its sites, without the site's tubes and the fitting
        itself. What is done with a tool is done before fittings go in."""
        sites = self.sites_of(fitting)
        if not sites:
            return []
        origins, axes = np.array([site.frame.origin for site in sites]), np.array([site.frame.axes for site in sites])
        low, high = fitting.fitting.mesh.bounds
        sides = [np.tile(side, (len(sites), 1)) for side in (low - reach_mm, high + reach_mm)]
        near: list[list[Mesh]] = [[] for _ in sites]
        pairs = zip(*(indices.tolist() for indices in self._boxes.near(origins, axes, *sides)), strict=True)
        for number, box in sorted(pairs):
            if box < len(self.bodies):
                body, site = self.bodies[box], sites[number]
                if body.name not in _apart(site) and all(body is not tube for tube in self.tubes_of(site)):
                    near[number].append(body)
                continue
            other, its_site = self._placed[box - len(self.bodies)]
            if its_site is not sites[number] and fitting.batch.family.stays:
                mesh = other.fitting.mesh.placed(its_site.frame)
                near[number].append(replace(mesh, name=f"{other.id} at {its_site.source}"))
        return near


def _apart(site: Site) -> set[str]:
    """Tubes that are not there yet: those that a tube is joined to once it is drilled."""
    joined = (end for hole in site.records if isinstance(hole, NeededHole) for end in hole.joint.ends)
    return {end.source for end in joined} - {site.source}


def fit_in_place(fitting: Made, assembled: Assembled) -> list[Finding]:
    """What the fitting meets in the assembly, at each of its sites whose tubes are there."""
    if isinstance(fitting.batch.place, EndPlace):
        return _tried_in_ends(fitting, fitting.batch.place, assembled)
    if fitting.batch.family.off_assembly:
        return []
    findings: list[Finding] = []
    trial = Trial(fitting.fitting.rigid, name=fitting.id)
    pressed = any(seat.fit == "press" for seat in fitting.fitting.seats)
    for site, others in zip(assembled.sites_of(fitting), assembled.beside(fitting, 0.0), strict=True):
        if own := assembled.tubes_of(site):
            near = map(assembled.solid_of, others if pressed else (*own, *others))
            findings += _at(site, trial.clashes(site.frame, list(near)))
    return findings


def _tried_in_ends(fitting: Made, place: EndPlace, assembled: Assembled) -> list[Finding]:
    findings: list[Finding] = []
    (seat,) = fitting.fitting.seats
    least_gap_mm = max(fit_named(seat.fit).least_gap_mm, 0.0)
    normal = mitre_normal(place.mitre_deg, place.mitre_direction_deg)
    trial = Trial(
        fitting.fitting.mesh,
        normal,
        least_gap_mm,
        seat.fit == "press",
        fitting.fitting.depth_key,
        fitting.id,
        fitting.fitting.lip,
        rigid=lambda: fitting.fitting.rigid,
        outline=seat.outline.polygon() if seat.rib_mm else None,
    )
    ends = [site for site in assembled.sites_of(fitting) if isinstance(site, TubeEnd)]
    for end, others in zip(ends, assembled.beside(fitting, least_gap_mm), strict=True):
        near = [assembled.solid_of(body) for body in others]
        for tube in assembled.tubes_of(end):
            findings += _at(end, trial.met(end.frame, assembled.solid_of(tube), near, end.clear_depth_mm))
    return findings


def _places(sites: Sequence[Site]) -> Message:
    """The first ones, and how many more."""
    more = [f"{len(sites) - _PLACES} more"] if len(sites) > _PLACES else []
    return say_all([*map(_place, sites[:_PLACES]), *more], "; ")


def _place(site: Site) -> Message:
    return say("{}, {}", Name(site.source), site.where) if site.where else say("{}", Name(site.source))


def _at(site: Site, findings: Sequence[Finding]) -> list[Finding]:
    """With the site before the place."""
    if not findings:
        return []
    name = _place(site)
    return [
        replace(finding, where=say("{}, {}", name, finding.where) if finding.where else name) for finding in findings
    ]
