# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Process."""

import bpy

from .. import state, wording
from ..drawing import draw_field, draw_text
from .cautions import draw_beside
from .sidebar import Sidebar

_PARTS = {
    "Heights": ("layer_mm", "first_layer_mm"),
    "Beads": ("bead_mm", "bead_min_mm", "bead_max_mm", "rings"),
    "Inside": ("fill", "full_layers"),
    "Overhang and Support": (
        "overhang_deg", "bridge_mm", "support", "support_fill", "pocket_mouth_mm",
        "bath", "bath_density", "bath_fill_mm", "purge_mm3",
    ),
    "Size and Plate": (
        "tolerance_mm", "shrink_percent", "plate_mm", "margin_mm", "spacing_mm", "keep_out_mm", "chamber_c",
    ),
    "Time": ("speed_mm_s", "layer_change_s", "start_s"),
}  # fmt: skip


class FERRULE_PT_process(Sidebar, bpy.types.Panel):
    bl_idname = "FERRULE_PT_process"
    bl_label = "Process"
    bl_order = 2
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        process = context.scene.ferrule.process
        row = layout.row(align=True)
        row.menu("FERRULE_MT_processes", text=process.called)
        row.operator("ferrule.save_process", text="", icon="ADD")
        draw_field(layout, process, "material", wording.PROCESS, context.scene)
        layout.prop(context.scene.ferrule, "use_shop_book")
        draw_beside(layout, context, "process")
        desk = state.desk_of(context.scene)
        if desk is None:
            return
        if desk.problem:
            draw_text(layout.box(), f"{desk.problem}.", icon="ERROR")
        for problem in desk.job.book.problems:
            draw_text(layout.box(), problem, icon="ERROR")


class _Part(Sidebar):
    bl_parent_id = "FERRULE_PT_process"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        for name in _PARTS[self.bl_label]:
            draw_field(layout, context.scene.ferrule.process, name, wording.PROCESS, context.scene)


class FERRULE_PT_heights(_Part, bpy.types.Panel):
    bl_label = "Heights"


class FERRULE_PT_beads(_Part, bpy.types.Panel):
    bl_label = "Beads"


class FERRULE_PT_inside(_Part, bpy.types.Panel):
    bl_label = "Inside"


class FERRULE_PT_support(_Part, bpy.types.Panel):
    bl_label = "Overhang and Support"


class FERRULE_PT_plate_size(_Part, bpy.types.Panel):
    bl_label = "Size and Plate"


class FERRULE_PT_time(_Part, bpy.types.Panel):
    bl_label = "Time"


_CLASSES = (
    FERRULE_PT_process,
    FERRULE_PT_heights,
    FERRULE_PT_beads,
    FERRULE_PT_inside,
    FERRULE_PT_support,
    FERRULE_PT_plate_size,
    FERRULE_PT_time,
)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
