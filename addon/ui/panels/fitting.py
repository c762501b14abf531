# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Fitting."""

import bpy

from .. import state, wording
from ..drawing import draw_field, draw_refusal, draw_text, say_in
from ..wording import count_of
from .cautions import draw_beside
from .sidebar import Sidebar


def _chosen(context: bpy.types.Context) -> tuple[bpy.types.PropertyGroup, state.Fitted | None]:
    return state.active_recipe(context.scene), state.active_fitted(context.scene)


def _draw_fields(layout: bpy.types.UILayout, context: bpy.types.Context, *names: str) -> None:
    recipe, fitted = _chosen(context)
    refusal = fitted.refusal if fitted else None
    settled = fitted.fitting.recipe if fitted and fitted.fitting and not refusal else None
    for name in names:
        value = getattr(settled, name, None)
        draw_field(
            layout, recipe, name, wording.RECIPE, context.scene, value if isinstance(value, float) else None,
            refusal if refusal and refusal.field == name else None,
        )  # fmt: skip


class FERRULE_PT_fitting(Sidebar, bpy.types.Panel):
    bl_idname = "FERRULE_PT_fitting"
    bl_label = "Fitting"
    bl_order = 1

    def draw_header_preset(self, context: bpy.types.Context) -> None:
        row = self.layout.row(align=True)
        row.menu("FERRULE_MT_recipe_presets", text="", icon="PRESET")
        row.operator("ferrule.save_recipe", text="", icon="ADD", emboss=False)

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        ferrule = context.scene.ferrule
        group = state.active_group(context.scene)
        recipe, fitted = _chosen(context)
        row = layout.row(align=True)
        row.scale_y = 1.4
        row.operator("ferrule.fit", text="Fit", icon="MOD_SOLIDIFY")
        row.operator("ferrule.refit", text="Refit", icon="FILE_REFRESH")
        if group is not None:
            others = len(ferrule.groups) - sum(one.own_recipe for one in ferrule.groups)
            shared = f"Shared by {count_of(others, 'section')}"
            layout.label(text=group.name if group.own_recipe or others < 2 else shared, translate=False)
            layout.prop(group, "own_recipe")
        _draw_fields(layout, context, "crown", "rise_mm", "lip_mm")
        if recipe.crown == "flat":
            _draw_fields(layout, context, "edge")
            if recipe.edge != "square":
                _draw_fields(layout, context, "edge_mm")
        _draw_fields(layout, context, "spigot_mm", "fit", "gap_mm", "lead_in_mm")
        shown = {"crown", "rise_mm", "lip_mm", "edge", "edge_mm", "spigot_mm", "fit", "gap_mm", "lead_in_mm"}
        if fitted and fitted.refusal and fitted.refusal.field not in shown:
            label = wording.RECIPE[fitted.refusal.field].label if fitted.refusal.field in wording.RECIPE else "Recipe"
            layout.label(text=label, icon="ERROR")
            draw_refusal(layout, fitted.refusal, context.scene)
        if fitted and fitted.problem:
            draw_text(layout.box(), fitted.problem, icon="ERROR")
        if fitted and fitted.made and not fitted.refusal:
            gap = fitted.made.gap
            say = say_in(context.scene)
            text = f"Gap {say(gap.nominal)}, at worst {say(gap.least)} to {say(gap.most)}"
            draw_text(layout, text, icon="ARROW_LEFTRIGHT")
        draw_beside(layout, context, "fit")
        if "update" in state.times:
            line = f"Updated in {state.times['update'] * 1000:.0f} ms"
            if "review" in state.times:
                line += f", reviewed in {state.times['review'] * 1000:.0f} ms"
            row = layout.row()
            row.active = False
            row.label(text=line)


class _Part(Sidebar):
    bl_parent_id = "FERRULE_PT_fitting"
    bl_options = {"DEFAULT_CLOSED"}


class FERRULE_PT_grooves(_Part, bpy.types.Panel):
    bl_label = "Glue Grooves"

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        _draw_fields(layout, context, "groove_count")
        if _chosen(context)[0].groove_count:
            _draw_fields(layout, context, "groove_width_mm", "groove_depth_mm")


class FERRULE_PT_vent(_Part, bpy.types.Panel):
    bl_label = "Vent"

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        _draw_fields(layout, context, "vent")
        vent = _chosen(context)[0].vent
        if vent != "none":
            _draw_fields(layout, context, "vent_width_mm")
        if vent == "channel":
            _draw_fields(layout, context, "vent_depth_mm")
        draw_beside(layout, context, "vent", whole=True)


class FERRULE_PT_seam(_Part, bpy.types.Panel):
    bl_label = "Seam Relief"

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        _draw_fields(layout, context, "seam_relief")
        relief = _chosen(context)[0].seam_relief
        if relief != "none":
            _draw_fields(layout, context, "seam_angle_deg", "seam_depth_mm")
        if relief == "notch":
            _draw_fields(layout, context, "seam_width_mm")


class FERRULE_PT_ribs(_Part, bpy.types.Panel):
    bl_label = "Crush Ribs"

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        _draw_fields(layout, context, "rib_count")
        if _chosen(context)[0].rib_count:
            _draw_fields(layout, context, "rib_height_mm", "rib_width_mm")


class FERRULE_PT_hole(_Part, bpy.types.Panel):
    bl_label = "Hole and Hollow"

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        _draw_fields(layout, context, "hole")
        if _chosen(context)[0].hole != "none":
            _draw_fields(layout, context, "thread")
        draw_beside(layout, context, "hole", whole=True)
        _draw_fields(layout, context, "hollow_wall_mm")


class FERRULE_PT_tube(_Part, bpy.types.Panel):
    bl_label = "Tube and Temperatures"

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.split_layout()
        for name in wording.TUBE:
            draw_field(layout, context.scene.ferrule.tube, name, wording.TUBE, context.scene)
        draw_beside(layout, context, "heat", whole=True)


_CLASSES = (
    FERRULE_PT_fitting,
    FERRULE_PT_grooves,
    FERRULE_PT_vent,
    FERRULE_PT_seam,
    FERRULE_PT_ribs,
    FERRULE_PT_hole,
    FERRULE_PT_tube,
)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
