# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Plate and Files."""

import bpy

from ...bench.verdict import JobVerdict
from ...fields.messages import count_of
from ...geometry.names import quoted
from ...job.results import JobResult
from .. import shop, updating
from ..desk import active_group
from ..drawing import draw_text
from ..jobs import torn_files
from ..scene_ends import own_part
from .sidebar import Fold, StepFold, draw_result
from .verdict_lines import draw_first_steps


class FERRULE_PT_files(StepFold):
    name = "files"

    @classmethod
    def parts(cls, context: bpy.types.Context) -> tuple[type[Fold], ...]:
        return (FERRULE_PT_shop_book,)

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return bool(context.scene.ferrule.groups or own_part(context))

    @classmethod
    def draw_at_right(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        desk = updating.desk_of(context.scene)
        if desk and desk.laid_out:
            draw_result(layout, count_of(desk.laid_out.plates.count, "plate"))

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        ferrule = context.scene.ferrule
        output = ferrule.output
        desk = updating.desk_of(context.scene)
        if desk is not None and desk.verdict:
            draw_first_steps(layout, desk.verdict)
        column = layout.column(align=True)
        for key in ("frames", "spares", "spares_percent"):
            column.prop(output, key)
        group = active_group(context.scene)
        if group is not None and group.kind == "end":
            layout.prop(group, "fit_ladder")
        row = layout.row(align=True)
        row.operator("ferrule.lay_out", icon="MESH_PLANE")
        row.prop(ferrule.view, "show_plate", text="", icon="HIDE_OFF" if ferrule.view.show_plate else "HIDE_ON")
        if desk and desk.laid_out and desk.laid_out.plates.count > 1:
            layout.prop(ferrule.view, "plate")
        row = layout.row(heading="Formats")
        row.prop(output, "write_3mf")
        row.prop(output, "write_stl")
        layout.prop(output, "unit", expand=True)
        layout.prop(output, "folder")
        column = layout.column()
        column.scale_y = 1.4
        column.operator("ferrule.export", icon="EXPORT")
        layout.operator("ferrule.write_job", icon="FILE_TEXT")
        if torn := torn_files(context.scene):
            draw_text(layout, torn, icon="ERROR")
        elif desk and desk.result:
            _draw_result(layout, desk.result, desk.verdict)
        if item := own_part(context):
            layout.operator("ferrule.export_object", text=f"Export {item.name}", translate=False)


def _draw_result(layout: bpy.types.UILayout, result: JobResult, verdict: JobVerdict) -> None:
    box = layout.box()
    missing = sum(entry.number for entry in verdict.left_out)
    if missing:
        draw_text(box, f"{count_of(missing, 'end is', 'ends are')} left out; the rest was read back", icon="ERROR")
    else:
        box.label(text="Read back, all correct", icon="CHECKMARK")
    column = box.column(align=True)
    for file in result.files:
        draw_text(column, f"{quoted(file.path.name)}, {file.unit}", icon="FILE")
    draw_text(box, "The job sheet and the lists for the shop are beside them.", icon="INFO")
    box.operator("wm.path_open", text="Open the Folder", icon="FILE_FOLDER").filepath = str(result.job.output.folder)


class FERRULE_PT_shop_book(Fold):
    label = "Shop Book"

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        group = active_group(context.scene)
        if group is not None:
            layout.label(text=f"For {group.name}", translate=False)
        column = layout.column(align=True)
        column.operator("ferrule.write_ladder", icon="ALIGN_JUSTIFY")
        column.operator("ferrule.enter_fit", icon="CHECKMARK")
        layout.operator("ferrule.enter_print", icon="TIME")
        book = shop.book()
        for said in (*book.problems, *shop.lessons()):
            draw_text(layout, said, icon="ERROR" if said in book.problems else "INFO")
        if not context.scene.ferrule.use_shop_book:
            draw_text(layout, "To apply it, turn on Use the Shop Book in the panel Process.")
        row = layout.row(align=True)
        row.operator("ferrule.import_book", text="Import", icon="IMPORT")
        row.operator("ferrule.export_book", text="Export", icon="EXPORT")
