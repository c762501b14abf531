# SPDX-License-Identifier: GPL-3.0-or-later
"""The subject of panels and overlays, and bringing the subject of a finding into view."""

from __future__ import annotations

from dataclasses import dataclass

import bpy
import numpy as np

from ..families.family import Site
from ..geometry.frames import Floats
from ..review import Finding, Review
from . import placing
from .desk import Desk, Fitted, active_fitted, at_hand
from .listing import choose_finding_of, object_review
from .quiet import quietly
from .recipes import word_of
from .takeoff_text import sites_of
from .updating import desk_of
from .views import look_at, redraw


@dataclass(frozen=True)
class Subject:
    """What panels and overlays show."""

    name: str
    matrix: Floats
    """(4, 4): from the review's mm, standing, to Blender's world."""
    review: Review | None
    fitted: Fitted | None = None
    end: Site | None = None
    """Where in the assembly it is shown."""


def subject_of(context: bpy.types.Context) -> Subject | None:
    """The selected mesh of the user's if it was reviewed, else the active fitting."""
    item = context.active_object
    reviewed = object_review(item)
    if reviewed is not None:
        return Subject(item.name, reviewed.matrix, reviewed.review)
    desk = desk_of(context.scene)
    fitted = active_fitted(context.scene, desk)
    if desk is None or fitted is None:
        return None
    end = _site_looked_at(context, desk, fitted)
    matrix = placing.standing_matrix(fitted.fitting, end, context.scene) if fitted.fitting else np.eye(4)
    return Subject(fitted.batch.id, matrix, fitted.made.review if fitted.made else None, fitted, end)


def fitted_of(scene: bpy.types.Scene, finding: Finding) -> Fitted | None:
    """The fitting that a finding belongs to; None for a finding on an object of the user's."""
    desk = desk_of(scene)
    return next((fitted for fitted in desk.fittings if fitted.batch.id == finding.fitting), None) if desk else None


def look_at_finding(context: bpy.types.Context, finding: Finding) -> None:
    """Chooses the fitting and the layer of a finding, and brings its place into view."""
    scene = context.scene
    fitted = fitted_of(scene, finding)
    with quietly():
        if fitted is not None:
            scene.ferrule.group_index = fitted.group
            _choose(scene, fitted)
        if finding.layer is not None:
            scene.ferrule.view.layer = finding.layer
    subject = subject_of(context)
    if subject is not None:
        in_place = fitted is not None and any(other is finding for other in fitted.in_place)
        place = np.append(finding.position_mm or (0.0, 0.0, 0.0), 1.0)
        world = place[:3] / placing.mm_per_unit(scene) if in_place else (subject.matrix @ place)[:3]
        width = fitted.batch.section.outer.width if fitted else float(subject.review.mesh.size.max())
        outward = placing.outward(subject.end) if subject.end else None
        look_at(context, world, width / placing.mm_per_unit(scene), outward)
    redraw()


def follow_selection(scene: bpy.types.Scene) -> None:
    """Chooses the end whose fitting has just been selected, and what was found of it."""
    global _followed
    layer = bpy.context.view_layer
    item = layer.objects.active if layer else None
    if item is not None and not item.select_get(view_layer=layer):
        item = None
    selected = (scene.session_uid, item.session_uid) if item is not None else None
    if selected == _followed:
        return
    _followed = selected
    ferrule = scene.ferrule
    if item is None or not item.ferrule.end_key or item.ferrule.scene_key != ferrule.key:
        return
    if placing.placed(scene).get(item.ferrule.end_key) != item:
        return
    key = placing.record_key(item.ferrule.end_key)
    row = next((row for row, line in enumerate(ferrule.ends) if line.key == key), -1)
    site_row = next((row for row, line in enumerate(ferrule.sites) if line.key == key), -1)
    if (row, site_row) in ((-1, -1), (ferrule.end_index, ferrule.site_index)):
        return
    with quietly():
        ferrule.end_index, ferrule.site_index, ferrule.family = row, site_row, item.ferrule.family
        ferrule.group_index = ferrule.ends[row].group if row >= 0 else ferrule.sites[site_row].group
        desk = at_hand(scene)
        fitted = active_fitted(scene, desk)
        if fitted is not None:
            choose_finding_of(fitted.batch.id)
    redraw()


_followed: tuple[int, int] | None = None
"""The scene and the object that was active and selected last."""


def _choose(scene: bpy.types.Scene, fitted: Fitted) -> None:
    """Makes a fitting the chosen one, at one of its places."""
    ferrule = scene.ferrule
    ferrule.family = word_of(fitted.batch.family)
    if fitted.rows and ferrule.end_index not in fitted.rows:
        ferrule.end_index = fitted.rows[0]
    if fitted.site_rows and ferrule.site_index not in fitted.site_rows:
        ferrule.site_index = fitted.site_rows[0]


def _site_looked_at(context: bpy.types.Context, desk: Desk, fitted: Fitted) -> Site:
    ferrule, others = context.scene.ferrule, sites_of(desk.takeoff)
    chosen = [
        id(records[index])
        for records, index in ((desk.ends, ferrule.end_index), (others, ferrule.site_index))
        if 0 <= index < len(records)
    ]
    sites = fitted.batch.sites
    return next((site for site in sites if any(id(record) in chosen for record in site.records)), sites[0])
