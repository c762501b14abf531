# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators of the panel Takeoff."""

import time
from collections import Counter

import bpy
from bpy.props import BoolProperty, EnumProperty, IntProperty
from mathutils import Vector

from ...fields.messages import count_of, message_from, say
from ...takeoff.picked import PickError
from ...trade.sizes import nearest_size
from .. import by_hand, callbacks, file_unit, placing, scene_ends, wording
from ..aside import AsideSteps
from ..desk import active_group, times
from ..drawing import draw_field, report, split
from ..fields import exact, length
from ..jobs import modelled_section
from ..outdated import outdated
from ..quiet import quietly
from ..scene import FITTING_MARK
from ..views import reach_to
from .long_work import LongWork, WorkSteps
from .polls import can_build, holds

FAR = 10.0
"""How many times as far as the assembly reaches the views have to show."""


def read_into(context: bpy.types.Context, operator: LongWork) -> AsideSteps[bool]:
    """Reads the scene's sources, times it and reports what is wrong; whether it went well."""
    start = time.perf_counter()
    try:
        yield from scene_ends.read(context.scene, context.evaluated_depsgraph_get, operator.aside)
    except scene_ends.SceneReadingError as error:
        report(operator, "ERROR", error)
        return False
    times["read"] = time.perf_counter() - start
    if context.scene.ferrule.doubt:
        report(
            operator,
            "WARNING",
            say("{} Choose the unit in the panel Takeoff", message_from(context.scene.ferrule.doubt)),
        )
        return False
    return True


def say_ends(scene: bpy.types.Scene) -> str:
    ferrule = scene.ferrule
    rows = [group for group in ferrule.groups if group.kind == "end"]
    is_open = sum(group.count for group in rows)
    closed = len(ferrule.ends) - is_open
    sections = count_of(len(rows), "section")
    said = f"{count_of(is_open, 'open tube end')} of {sections}" if is_open else "No open tube ends"
    kinds = Counter(line.kind for line in ferrule.sites)
    said += "".join(f", {count_of(number, kind)}" for kind, number in kinds.items())
    return said + (f"; {count_of(closed, 'end takes', 'ends take')} no fitting" if closed else "")


class FERRULE_OT_read_ends(LongWork, bpy.types.Operator):
    """Find the open tube ends of the selected objects, or of the whole scene if nothing is selected"""

    bl_idname = "ferrule.read_ends"
    bl_label = "Read Tube Ends"
    bl_options = {"REGISTER", "UNDO"}

    whole_scene: BoolProperty(
        name="Whole Scene",
        description="Read every object, not only the selected ones",
        default=False,
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return can_build(cls, context)

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        ferrule = context.scene.ferrule
        self.changed = True
        chosen = [item for item in context.selected_objects if FITTING_MARK not in item]
        ferrule.whole_scene = self.whole_scene or not chosen
        ferrule.sources.clear()
        ferrule.dropped.clear()
        for item in chosen if not ferrule.whole_scene else ():
            ferrule.sources.add().object = item
        known = {line.tube for line in ferrule.ends}
        if known and known.isdisjoint(scene_ends.sources_of(context.scene)):
            ferrule.chosen_scale = 0.0  # Another assembly may have another unit.
        # What was read before is gone; the doubt, if there is one, is shown and can be undone.
        return say_ends(context.scene) if (yield from read_into(context, self)) else ""


class FERRULE_OT_set_unit(LongWork, bpy.types.Operator):
    """Set the scene's unit scale to the unit of the file, and read the tube ends again; objects stay as they are"""

    bl_idname = "ferrule.set_unit"
    bl_label = "Set the Unit"
    bl_options = {"REGISTER", "UNDO"}

    unit: EnumProperty(
        name="Unit",
        description="Unit that the file's numbers are in",
        items=[(unit, name, "") for unit, name in file_unit.UNITS.items()],
        options={"SKIP_SAVE"},
    )

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return can_build(cls, context)

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        scene = context.scene
        self.changed = True
        was_read = bool(scene.ferrule.ends or scene.ferrule.doubt)
        if file_unit.choose(scene, self.unit):
            corners = [item.matrix_world @ Vector(corner) for item in scene.objects for corner in item.bound_box]
            reach_to(context, FAR * max((corner.length for corner in corners), default=0.0))
        if was_read and (yield from read_into(context, self)):
            return f"Read with the unit {file_unit.UNITS[self.unit]}. {say_ends(scene)}"
        return ""


class FERRULE_OT_pick_end(bpy.types.Operator):
    """Take the selected rim as a tube end: the ring of faces between outside and bore, or the edge loops of both"""

    bl_idname = "ferrule.pick_end"
    bl_label = "Pick Tube End"
    bl_options = {"REGISTER", "UNDO"}

    __annotations__ = length("wall_mm", wording.PICKED_WALL, None, 2.0)

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        advice = "Select the rim of a tube in Edit Mode: its ring of faces or its edge loops"
        return holds(cls, context.mode == "EDIT_MESH", advice)

    def draw(self, context: bpy.types.Context) -> None:
        layout = split(self.layout)
        draw_field(layout, self, "wall_mm", wording.PICKED_WALL, context.scene)

    def execute(self, context: bpy.types.Context) -> set[str]:
        item = context.edit_object
        try:
            pick = by_hand.pick_of_selection(item, exact(self.wall_mm))
            row, new = scene_ends.add_pick(context.scene, context.evaluated_depsgraph_get(), item, pick)
        except PickError as error:
            report(self, "ERROR", error)
            return {"CANCELLED"}
        ferrule = context.scene.ferrule
        with quietly():
            ferrule.end_index, ferrule.group_index = row, ferrule.ends[row].group
        name = ferrule.groups[ferrule.group_index].name
        self.report({"INFO"}, f"Picked an end of {name}" if new else f"This end of {name} is already on the list")
        return {"FINISHED"}


class FERRULE_OT_drop_end(bpy.types.Operator):
    """Take the chosen place and its fitting off the list until Read Tube Ends reads it again"""

    bl_idname = "ferrule.drop_end"
    bl_label = "Drop Tube End"
    bl_options = {"REGISTER", "UNDO"}

    site: BoolProperty(
        name="Hole, Cope or Joint", description="Drop the chosen one of these, not the chosen end",
        options={"HIDDEN", "SKIP_SAVE"},
    )  # fmt: skip

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        ferrule = context.scene.ferrule
        chosen = 0 <= ferrule.end_index < len(ferrule.ends) or 0 <= ferrule.site_index < len(ferrule.sites)
        return holds(cls, chosen, "Choose a tube end in the list first")

    def execute(self, context: bpy.types.Context) -> set[str]:
        scene, ferrule = context.scene, context.scene.ferrule
        lines, index = (ferrule.sites, ferrule.site_index) if self.site else (ferrule.ends, ferrule.end_index)
        if not 0 <= index < len(lines):
            self.report({"ERROR"}, "Choose a place in the list first")
            return {"CANCELLED"}
        key = lines[index].key
        gone = [item for item in placing.all_fittings(scene) if placing.record_key(item.ferrule.end_key) == key]
        placing.remove(gone)
        (scene_ends.remove_site if self.site else scene_ends.remove_end)(scene, index)
        return {"FINISHED"}


class FERRULE_OT_drop_deleted(bpy.types.Operator):
    """Take the ends off the list whose fittings were deleted from the scene, so that none is made for them"""

    bl_idname = "ferrule.drop_deleted"
    bl_label = "Make None for Them"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return holds(cls, outdated(context.scene).deleted, "No fitting was deleted")

    def execute(self, context: bpy.types.Context) -> set[str]:
        scene = context.scene
        keys = {placing.record_key(key) for key in outdated(scene).deleted}
        for lines, drop in ((scene.ferrule.sites, scene_ends.remove_site), (scene.ferrule.ends, scene_ends.remove_end)):
            for index in reversed([index for index, line in enumerate(lines) if line.key in keys]):
                drop(scene, index)
        self.report({"INFO"}, f"{count_of(len(keys), 'place')} left without a fitting")
        return {"FINISHED"}


class FERRULE_OT_go_to_end(bpy.types.Operator):
    """Select the fitting of an end, a hole, a cope or a joint, or its tube, and bring it into view from outside"""

    bl_idname = "ferrule.go_to_end"
    bl_label = "Go to Tube End"
    bl_options = {"REGISTER", "UNDO"}

    index: IntProperty(
        name="End", description="Row in the list, counted from 0; below 0 for the chosen end. Holes, copes and joints "
        "follow the ends", default=-1,
    )  # fmt: skip
    move: BoolProperty(name="Move the View", description="Bring the end into view", default=True)

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return holds(cls, context.scene.ferrule.ends, "Read the tube ends first")

    def execute(self, context: bpy.types.Context) -> set[str]:
        ferrule = context.scene.ferrule
        index = self.index if self.index >= 0 else max(ferrule.end_index, 0)
        if index >= len(ferrule.ends) + len(ferrule.sites):
            self.report({"ERROR"}, f"There is no end {index}; the list has {len(ferrule.ends)}")
            return {"CANCELLED"}
        if index >= len(ferrule.ends):
            with quietly():
                ferrule.site_index = index - len(ferrule.ends)
                placing.look_at_site(context, context.scene, ferrule.site_index, self.move)
            return {"FINISHED"}
        with quietly():
            ferrule.end_index = index
        placing.look_at_end(context, context.scene, index, self.move)
        return {"FINISHED"}


class FERRULE_OT_use_table_bore(bpy.types.Operator):
    """Use the bore of the nearest table size as if it had been measured, when the model differs from it a little"""

    bl_idname = "ferrule.use_table_bore"
    bl_label = "Bore of the Nearest Size"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        group = active_group(context.scene)
        near = group is not None and nearest_size(modelled_section(group)) is not None
        return holds(cls, near, "The chosen section is not near any table size")

    def execute(self, context: bpy.types.Context) -> set[str]:
        group = active_group(context.scene)
        match = nearest_size(modelled_section(group))
        with quietly():
            group.bore_width_mm = match.width_mm - 2 * match.wall_mm
            group.bore_depth_mm = match.depth_mm - 2 * match.wall_mm
            group.measured = True
        callbacks.on_measure(group, context)
        return {"FINISHED"}


_CLASSES = (
    FERRULE_OT_read_ends,
    FERRULE_OT_set_unit,
    FERRULE_OT_pick_end,
    FERRULE_OT_drop_end,
    FERRULE_OT_drop_deleted,
    FERRULE_OT_go_to_end,
    FERRULE_OT_use_table_bore,
)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
