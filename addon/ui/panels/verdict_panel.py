# SPDX-License-Identifier: GPL-3.0-or-later
"""What the job comes to and what comes next: at the top of the tab, and in the view's header wherever one has
scrolled."""

import bpy

from ...job.papers import sheet_path
from .. import updating
from ..desk import Desk
from ..drawing import draw_text, say_in
from ..outdated import outdated
from .sidebar import Sidebar
from .verdict_lines import draw_verdict, headline


class FERRULE_PT_verdict(Sidebar, bpy.types.Panel):
    bl_idname = "FERRULE_PT_verdict"
    bl_label = "Verdict"
    bl_order = 0
    bl_options = {"HIDE_HEADER"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return bool(context.scene.ferrule.groups)

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        desk = updating.desk_of(context.scene)
        if desk is None:
            return
        draw_verdict(layout, desk)
        quantities = desk.verdict.quantities if desk.verdict and desk.verdict.ready else None
        if quantities and quantities.support_cm3 > 0:
            volume = say_in(context.scene).volume(float(f"{quantities.support_cm3:.2g}") * 1000)
            draw_text(layout, f"Support about {volume}, {desk.job.process.support}.", icon="BLANK1")
        column = layout.column()
        column.scale_y = 1.4
        _draw_next(column, context.scene, desk)


def _draw_next(layout: bpy.types.UILayout, scene: bpy.types.Scene, desk: Desk) -> None:
    """The button of the next step."""
    ferrule, now = scene.ferrule, outdated(scene)
    fitted = any(line.fitting is not None for line in ferrule.ends) or len(ferrule.placed)
    if now.moved or now.gone:
        layout.operator("ferrule.refit", icon="FILE_REFRESH")
    elif not fitted:
        layout.operator("ferrule.fit", icon="MOD_SOLIDIFY")
    elif desk.result is None or not desk.result.made:
        layout.operator("ferrule.export", icon="EXPORT")
    else:
        row = layout.row(align=True)
        row.operator("wm.path_open", text="Open Job Sheet", icon="FILE_TEXT").filepath = str(
            sheet_path(desk.result.job)
        )
        folder = str(desk.result.job.output.folder)
        row.operator("wm.path_open", text="Open the Folder", icon="FILE_FOLDER").filepath = folder


def _draw_in_header(header: bpy.types.Header, context: bpy.types.Context) -> None:
    """In the view's header while the tab is shown, whose own panels may be out of sight."""
    sidebar = next((region for region in context.area.regions if region.type == "UI"), None)
    if sidebar is None or sidebar.width <= 1 or sidebar.active_panel_category != FERRULE_PT_verdict.bl_category:
        return
    desk = updating.desk_of(context.scene) if context.scene.ferrule.groups else None
    if desk is not None:
        row = header.layout.row(align=True)
        row.label(text=headline(desk), icon="CHECKMARK" if desk.verdict and desk.verdict.complete else "NONE")
        _draw_next(row, context.scene, desk)


_CLASSES = (FERRULE_PT_verdict,)


def register() -> None:
    for cls in _CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.VIEW3D_HT_tool_header.append(_draw_in_header)


def unregister() -> None:
    bpy.types.VIEW3D_HT_tool_header.remove(_draw_in_header)
    for cls in reversed(_CLASSES):
        bpy.utils.unregister_class(cls)
