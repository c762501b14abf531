# SPDX-License-Identifier: GPL-3.0-or-later
"""What the job comes to and what comes next: at the top of the tab, and in the view's header wherever one has
scrolled."""

import bpy

from ...families import table
from ...job.papers import sheet_path
from .. import updating
from ..desk import Desk
from ..drawing import draw_text, say_in
from ..following import next_step
from ..outdated import outdated
from ..recipes import made_of, word_of
from .cautions_panel import FERRULE_PT_cautions
from .ends_panel import FERRULE_PT_ends
from .files_panel import FERRULE_PT_files
from .fitting_panel import FERRULE_PT_fitting
from .process_panel import FERRULE_PT_process
from .review_panel import FERRULE_PT_review
from .sidebar import Fold, StepFold, draw_result
from .verdict_lines import MOST_SAID, draw_deleted, draw_in_the_way, draw_verdict, headline, in_the_way

STEPS: tuple[type[StepFold], ...] = (
    FERRULE_PT_ends,
    FERRULE_PT_fitting,
    FERRULE_PT_process,
    FERRULE_PT_review,
    FERRULE_PT_files,
    FERRULE_PT_cautions,
)
"""In the order of the work."""
_HEADLINE = 3
"""Lines that are kept for the verdict, which comes late and would push the button away from under the mouse."""


class FERRULE_PT_verdict(bpy.types.Panel):
    bl_idname = "FERRULE_PT_verdict"
    bl_label = "Tube Fittings"
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Ferrule"

    def draw(self, context: bpy.types.Context) -> None:
        desk, now = updating.desk_of(context.scene), outdated(context.scene)
        if desk is not None and (now.said or context.scene.ferrule.groups):
            if now.said:
                draw_text(self.layout, now.said, icon="ERROR", lines=_HEADLINE)
            else:
                draw_verdict(self.layout, desk, _HEADLINE)
            column = self.layout.column()
            column.scale_y = 1.4
            _draw_next(column, context.scene, desk)
            if next_step(context.scene) == "fit" and not now.said:
                _draw_fit_with(self.layout, context.scene)
            if now.deleted:
                draw_deleted(self.layout, len(now.deleted))
            quantities = desk.verdict.quantities if desk.verdict and desk.verdict.ready else None
            if quantities and quantities.support_cm3 > 0:
                volume = say_in(context.scene).volume(float(f"{quantities.support_cm3:.2g}") * 1000)
                draw_text(self.layout, f"Support about {volume}, {desk.job.process.support}.", icon="BLANK1")
            FERRULE_PT_in_the_way.draw_into(self.layout, context)
        for step in STEPS:
            step.draw_into(self.layout, context)


class FERRULE_PT_in_the_way(Fold):
    label = "In the Way"
    closed = False

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return bool(in_the_way(updating.desk_of(context.scene)))

    @classmethod
    def parts(cls, context: bpy.types.Context) -> tuple[type[Fold], ...]:
        return (FERRULE_PT_more_in_the_way,)

    @classmethod
    def draw_header(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        super().draw_header(layout, context)
        draw_result(layout, str(len(in_the_way(updating.desk_of(context.scene)))), "CANCEL")

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        desk = updating.desk_of(context.scene)
        if desk:
            draw_in_the_way(layout, desk)


class FERRULE_PT_more_in_the_way(Fold):
    """What would push the steps out of sight."""

    label = "More in the Way"

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return bool(cls._more(context))

    @classmethod
    def draw_header(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        super().draw_header(layout, context)
        draw_result(layout, str(len(cls._more(context))), "CANCEL")

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        for said in cls._more(context):
            draw_text(layout, said, icon="CANCEL")

    @classmethod
    def _more(cls, context: bpy.types.Context) -> tuple[str, ...]:
        return in_the_way(updating.desk_of(context.scene))[MOST_SAID:]


def _draw_next(layout: bpy.types.UILayout, scene: bpy.types.Scene, desk: Desk) -> None:
    """The button of the next step."""
    now, step = outdated(scene), next_step(scene)
    if now.said:
        layout.operator("ferrule.refit", icon="FILE_REFRESH")
    elif step == "fit":
        layout.operator("ferrule.fit", icon="MOD_SOLIDIFY")
    elif desk.result is None or step != "hand over":
        layout.operator("ferrule.export", icon="EXPORT")
    else:
        row = layout.row(align=True)
        row.operator("wm.path_open", text="Open Job Sheet", icon="FILE_TEXT").filepath = str(
            sheet_path(desk.result.job)
        )
        folder = str(desk.result.job.output.folder)
        row.operator("wm.path_open", text="Open the Folder", icon="FILE_FOLDER").filepath = folder


def _draw_fit_with(layout: bpy.types.UILayout, scene: bpy.types.Scene) -> None:
    """Buttons that fit what is not chosen yet, for all of its kind, with what is."""
    groups = scene.ferrule.groups
    kinds = {group.kind for group in groups} - {group.kind for group in groups if made_of(group)}
    families = [family for family in table.FAMILIES if family.serves in kinds]
    if not families:
        return
    layout.label(text="Or fit these, too:")
    grid = layout.grid_flow(row_major=True, columns=2, even_columns=True, align=True)
    for family in families:
        grid.operator("ferrule.fit_with", text=family.plural.title()).family = word_of(family)


def _draw_in_header(header: bpy.types.Header, context: bpy.types.Context) -> None:
    """In the view's header while the tab is shown, whose own panels may be out of sight."""
    sidebar = next((region for region in context.area.regions if region.type == "UI"), None)
    if sidebar is None or sidebar.width <= 1 or sidebar.active_panel_category != FERRULE_PT_verdict.bl_category:
        return
    desk = updating.desk_of(context.scene) if context.scene.ferrule.groups else None
    if desk is not None:
        row = header.layout.row(align=True)
        done = desk.verdict is not None and desk.verdict.complete
        if not outdated(context.scene).said:
            row.label(text=headline(desk), icon="CHECKMARK" if done else "NONE")
        _draw_next(row, context.scene, desk)


def register() -> None:
    bpy.utils.register_class(FERRULE_PT_verdict)
    bpy.types.VIEW3D_HT_tool_header.append(_draw_in_header)


def unregister() -> None:
    bpy.types.VIEW3D_HT_tool_header.remove(_draw_in_header)
    bpy.utils.unregister_class(FERRULE_PT_verdict)
