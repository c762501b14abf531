# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators of the panel Print Review."""

import time

import bpy
import numpy as np
from bpy.props import IntProperty

from ...fields.declared import declared_in
from ...fields.messages import count_of
from ...geometry.frames import Floats
from ...geometry.mesh import Mesh
from ...geometry.names import quoted
from ...review import Review, UnreadableMeshError, review
from ...takeoff import split_bodies
from ...trade.processes import Process, ProcessError, check_process
from .. import listing, looking, placing, updating
from ..aside import AsideSteps
from ..desk import times
from ..jobs import process_of
from ..quiet import quietly
from ..recipes import word_of
from ..scene import SceneError, mesh_of, unit_scale_of
from ..views import redraw
from .long_work import LongWork, WorkError, WorkSteps
from .polls import holds, in_object_mode


class ObjectError(ValueError):
    """Why an object of the user's cannot be reviewed."""


def is_mesh(context: bpy.types.Context) -> bool:
    return context.active_object is not None and context.active_object.type == "MESH"


def standing_mesh(context: bpy.types.Context, item: bpy.types.Object) -> tuple[Mesh, Floats]:
    """The user's mesh in mm as it lies in the scene, but on the plate; and the matrix back to the world."""
    try:
        mesh = mesh_of(item, context.evaluated_depsgraph_get(), unit_scale_of(context.scene))
    except SceneError as error:
        raise ObjectError(str(error)) from error
    if not len(mesh.triangles):
        raise ObjectError(f"{quoted(item.name)} has no faces. Choose an object with a closed surface.")
    low = mesh.vertices.min(axis=0)
    middle = (low + mesh.vertices.max(axis=0)) / 2
    origin = np.array([middle[0], middle[1], low[2]])
    matrix: Floats = np.diag(np.append(np.full(3, 1 / placing.mm_per_unit(context.scene)), 1.0))
    move = np.eye(4)
    move[:3, 3] = origin
    return Mesh(mesh.vertices - origin, mesh.triangles, item.name), matrix @ move


def check_single(mesh: Mesh) -> None:
    """Raises ``ObjectError`` for several parts: they would be reviewed as if they were printed as one."""
    boxes = [body.bounds for body in split_bodies([mesh])]
    parts = [box for box in boxes if not any(box is not other and _inside(box, other) for other in boxes)]
    if len(parts) > 1:
        advice = "Separate them in Edit Mode (P, By Loose Parts) and select one."
        raise ObjectError(f"{quoted(mesh.name)} has {len(parts)} parts. {advice}")


def _inside(box: Floats, other: Floats) -> bool:
    """Whether a box lies in another one, as the walls of a hollow do."""
    return bool((box[0] > other[0]).all() and (box[1] < other[1]).all())


class FERRULE_OT_review_object(LongWork, bpy.types.Operator):
    """Review the active object in its present orientation: walls, overhangs, layers, and whether it is closed"""

    bl_idname = "ferrule.review_object"
    bl_label = "Review Object"
    bl_options = {"REGISTER"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return holds(cls, is_mesh(context), "Choose an object with a closed surface") and in_object_mode(cls, context)

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        item = context.active_object
        start = time.perf_counter()
        yield f"Reviewing {item.name}", 0.0
        try:
            mesh, matrix = standing_mesh(context, item)
            process = process_of(context.scene.ferrule.process)
            check_process(process)
            reviewed = yield from self.aside(_reviewed(mesh, process))
        except (ObjectError, ProcessError, UnreadableMeshError) as error:
            raise WorkError(str(error)) from error
        listing.object_reviews[item.session_uid] = listing.ObjectReview(reviewed, matrix, unit_scale_of(context.scene))
        listing.list_findings(updating.desk_of(context.scene))
        times["review"] = time.perf_counter() - start
        redraw()
        worst = sum(finding.severity == "must fix" for finding in reviewed.findings)
        return f"{item.name}: {count_of(len(reviewed.findings), 'finding')}, {worst} to fix"


def _reviewed(mesh: Mesh, process: Process) -> AsideSteps[Review]:
    """With all checks."""
    yield f"Reviewing {mesh.name}", 0.0
    check_single(mesh)
    reviewed = review(mesh, process, name=mesh.name)
    yield f"Reviewing {mesh.name}, ways up and support", 0.5
    _ = reviewed.findings
    return reviewed


class FERRULE_OT_cure(bpy.types.Operator):
    """Set the number that cures the chosen finding, for the section it concerns only"""

    bl_idname = "ferrule.cure"
    bl_label = "Cure"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        finding = listing.chosen_finding(context)
        return holds(cls, finding is not None and finding.cure, "No number cures the chosen finding")

    def execute(self, context: bpy.types.Context) -> set[str]:
        ferrule, finding = context.scene.ferrule, listing.chosen_finding(context)
        fitted = looking.fitted_of(context.scene, finding)
        if fitted is not None and not declared_in(fitted.batch.family.recipe).keys().isdisjoint(finding.cure):
            with quietly():
                ferrule.group_index, ferrule.family = fitted.group, word_of(fitted.batch.family)
            if len(ferrule.groups) > 1 and not ferrule.groups[fitted.group].own_recipe:
                ferrule.groups[fitted.group].own_recipe = True
        for field, value in finding.cure.items():
            bpy.ops.ferrule.set_number(field=field, value=str(value))
        return {"FINISHED"}


class FERRULE_OT_go_to_finding(bpy.types.Operator):
    """Bring the chosen finding's place into view and choose its layer"""

    bl_idname = "ferrule.go_to_finding"
    bl_label = "Go to Finding"
    bl_options = {"REGISTER", "INTERNAL"}

    index: IntProperty(
        name="Finding", description="Row in the list, counted from 0; below 0 for the chosen finding", default=-1
    )

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return holds(cls, listing.listed(context), "There are no findings")

    def execute(self, context: bpy.types.Context) -> set[str]:
        manager, findings = context.window_manager.ferrule, listing.listed(context)
        index = self.index if self.index >= 0 else manager.finding_index
        if not 0 <= index < len(findings):
            self.report({"ERROR"}, f"There is no finding {index}; the list has {len(findings)}")
            return {"CANCELLED"}
        with quietly():
            manager.finding_index = index
        looking.look_at_finding(context, findings[index])
        return {"FINISHED"}


_CLASSES = (FERRULE_OT_review_object, FERRULE_OT_cure, FERRULE_OT_go_to_finding)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
