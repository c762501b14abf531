# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Process."""

import bpy

from ...fields.messages import say
from ...trade.processes import Process
from .. import updating
from ..drawing import draw_field, draw_text
from ..fields import labelled
from .cautions_panel import draw_beside
from .sidebar import Sidebar, group_panels


class FERRULE_PT_process(Sidebar, bpy.types.Panel):
    bl_idname = "FERRULE_PT_process"
    bl_label = "Process"
    bl_order = 3
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        process = context.scene.ferrule.process
        row = layout.row(align=True)
        row.menu("FERRULE_MT_processes", text=process.called)
        row.operator("ferrule.save_process", text="", icon="ADD")
        draw_field(layout, process, "material", labelled(Process)["material"].field, context.scene)
        layout.prop(context.scene.ferrule, "use_shop_book")
        draw_beside(layout, context, "process")
        desk = updating.desk_of(context.scene)
        if desk is None:
            return
        if desk.problem:
            draw_text(layout.box(), say("{}.", desk.problem), icon="ERROR")
        for problem in desk.job.book.problems:
            draw_text(layout.box(), problem, icon="ERROR")


class _ProcessPanel(Sidebar):
    """The fields of the group that bears the panel's name."""

    bl_parent_id = "FERRULE_PT_process"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        for key, field in labelled(Process).items():
            if field.field.group == self.bl_label:
                draw_field(layout, context.scene.ferrule.process, key, field.field, context.scene)


_CLASSES = (FERRULE_PT_process, *group_panels("process", _ProcessPanel, Process))
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
