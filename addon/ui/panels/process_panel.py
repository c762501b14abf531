# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Process."""

import bpy

from ...fields.messages import say
from ...trade.processes import Process
from .. import updating
from ..drawing import draw_field, draw_text
from ..fields import labelled
from .cautions_panel import draw_beside
from .sidebar import Fold, StepFold, draw_result, group_folds


class FERRULE_PT_process(StepFold):
    name = "process"

    @classmethod
    def parts(cls, context: bpy.types.Context) -> tuple[type[Fold], ...]:
        return _GROUPS

    @classmethod
    def draw_at_right(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        draw_result(layout, context.scene.ferrule.process.called)

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
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


class _Group(Fold):
    """The fields of the process's group that bears its name."""

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        for key, field in labelled(Process).items():
            if field.field.group == cls.label:
                draw_field(layout, context.scene.ferrule.process, key, field.field, context.scene)


_GROUPS = group_folds("process", _Group, Process)
