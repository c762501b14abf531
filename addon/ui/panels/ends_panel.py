# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Takeoff."""

from collections.abc import Sequence
from typing import Any

import bpy

from ...families.family import Family
from ...fields.messages import count_of, message_from
from .. import updating, wording
from ..desk import active_group
from ..drawing import draw_field, draw_text, row_name, say_in
from ..recipes import families_for, made_of, word_of
from ..records import notes_from
from .sidebar import Fold, StepFold, draw_result
from .unit_lines import draw_unit
from .verdict_lines import draw_cures

_KINDS = {"end": "MESH_CYLINDER", "hole": "MESH_CIRCLE", "cope": "MOD_BOOLEAN", "joint": "SNAP_FACE_CENTER"}
"""What is found, in the order in which it is listed, and its icons."""


class FERRULE_UL_groups(bpy.types.UIList):
    """Sections with open ends, holes by tube and diameter, copes and joints."""

    def draw_item(
        self,
        context: bpy.types.Context,
        layout: bpy.types.UILayout,
        data: Any,
        item: Any,
        icon: int,
        active: Any,
    ) -> None:
        row = layout.row()
        row.active = bool(made_of(item))
        row.label(text=row_name(item, say_in(context.scene)), icon=_KINDS[item.kind], translate=False)
        right = row.row()
        right.alignment = "RIGHT"
        right.label(text=count_of(item.count, item.kind), icon="UNLINKED" if item.own_recipe else "NONE")

    def filter_items(self, context: bpy.types.Context, data: Any, propname: str) -> tuple[list[int], list[int]]:
        kinds = list(_KINDS)
        rows = [(row, kinds.index(group.kind)) for row, group in enumerate(getattr(data, propname))]
        return [], bpy.types.UI_UL_list.sort_items_helper(rows, key=lambda row: row[1])


class FERRULE_UL_ends(bpy.types.UIList):
    """The open ends of the chosen section, or the ends that take no fitting."""

    def draw_item(
        self,
        context: bpy.types.Context,
        layout: bpy.types.UILayout,
        data: Any,
        item: Any,
        icon: int,
        active: Any,
    ) -> None:
        row = layout.row()
        name = f"{item.number}  {item.name}"
        row.label(text=name, translate=False, icon="HAND" if item.by_hand else "NONE")
        right = row.row()
        right.alignment = "RIGHT"
        right.label(text=item.cut)

    def filter_items(self, context: bpy.types.Context, data: Any, propname: str) -> tuple[list[int], list[int]]:
        rows = getattr(data, propname)
        group = data.group_index if self.list_id == "open" else -1
        shown = [self.bitflag_filter_item if row.group == group else 0 for row in rows]
        if self.filter_name:
            named = bpy.types.UI_UL_list.filter_items_by_name(self.filter_name, self.bitflag_filter_item, rows)
            shown = [flag & other for flag, other in zip(shown, named or shown, strict=True)]
        return shown, []


class FERRULE_UL_sites(bpy.types.UIList):
    """The holes, copes or joints of the chosen row."""

    def draw_item(
        self,
        context: bpy.types.Context,
        layout: bpy.types.UILayout,
        data: Any,
        item: Any,
        icon: int,
        active: Any,
    ) -> None:
        row = layout.row()
        row.label(text=item.name, translate=False)
        right = row.row()
        right.alignment = "RIGHT"
        right.label(text=message_from(item.said).text(say_in(context.scene)), translate=False)

    def filter_items(self, context: bpy.types.Context, data: Any, propname: str) -> tuple[list[int], list[int]]:
        return [self.bitflag_filter_item if row.group == data.group_index else 0 for row in getattr(data, propname)], []


class FERRULE_PT_ends(StepFold):
    name = "ends"

    @classmethod
    def parts(cls, context: bpy.types.Context) -> tuple[type[Fold], ...]:
        return FERRULE_PT_open_ends, FERRULE_PT_measured, FERRULE_PT_closed_ends

    @classmethod
    def draw_at_right(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        rows = context.scene.ferrule.groups
        counts = {kind: sum(row.count for row in rows if row.kind == kind) for kind in _KINDS}
        found = [count_of(count, kind) for kind, count in counts.items() if count]
        draw_result(layout, ", ".join(found) if len(found) < 3 else count_of(sum(counts.values()), "place"))

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        ferrule = context.scene.ferrule
        draw_unit(layout, context.scene)
        if context.mode == "EDIT_MESH":
            layout.operator("ferrule.pick_end", icon="EDGESEL")
        row = layout.row(align=True)
        row.scale_y = 1.4
        row.operator("ferrule.read_ends", text="Read the Scene", icon="VIEWZOOM").whole_scene = True
        if any(not item.ferrule.end_key for item in context.selected_objects):
            row.operator("ferrule.read_ends", text="Read Selected").whole_scene = False
        if not ferrule.groups:
            if not ferrule.doubt:
                _draw_empty(layout, context, ferrule)
            return
        closed = sum(line.group < 0 for line in ferrule.ends)
        rows = min(max(len(ferrule.groups), 2), 5)
        layout.template_list("FERRULE_UL_groups", "", ferrule, "groups", ferrule, "group_index", rows=rows, maxrows=5)
        group = active_group(context.scene)
        column = layout.column(align=True)
        column.label(text=message_from(group.size).text(say_in(context.scene)), translate=False)
        _draw_choices(layout, ferrule, group)
        layout.prop(ferrule.view, "show_ends")
        if closed:
            layout.label(text=f"{count_of(closed, 'end takes', 'ends take')} no fitting", icon="INFO")


def _draw_choices(
    layout: bpy.types.UILayout, ferrule: bpy.types.PropertyGroup, chosen: bpy.types.PropertyGroup
) -> None:
    """What is made of all that was found of each kind; where there are several rows of the chosen one's, of it too."""
    column = layout.column(align=True)
    for kind in _KINDS:
        rows = [group for group in ferrule.groups if group.kind == kind]
        families = [family for family in families_for(kind) if family.serves == kind]
        tools = [family for family in families_for(kind) if family.serves != kind and _drills_screws(family, rows)]
        if not rows or not families:
            continue
        several = len(rows) > 1
        count = sum(group.count for group in rows)
        which = f"All {count_of(count, kind)}" if several else count_of(count, kind).capitalize()
        _draw_choice(column, which, [*families, *tools], rows, -1)
        if several and chosen.kind == kind:
            these = f"These {count_of(chosen.count, kind)}" if chosen.count > 1 else f"This {kind}"
            _draw_choice(column, these, families, [chosen], ferrule.group_index)


def _drills_screws(tool: Family, joints: list[Any]) -> bool:
    """Whether a tool for holes has screws' holes to serve in joints, or is chosen for them."""
    desk = updating.desk_of(bpy.context.scene)
    return any(tool in made_of(row) for row in joints) or (desk is not None and desk.has_screws)


def _draw_choice(
    layout: bpy.types.UILayout, which: str, families: Sequence[Family], rows: list[Any], index: int
) -> None:
    ferrule = bpy.context.scene.ferrule
    line = layout.split(factor=0.4, align=True)
    line.label(text=which)
    buttons = line.row(align=True)
    for family in families:
        of_screws = family.serves != rows[0].kind
        # Tools that are made for holes of the model are made for those of screws too, and for those of all joiners.
        anyway = of_screws and any(family in made_of(row) for row in ferrule.groups if row.kind == family.serves)
        made = anyway or (any if of_screws else all)(family in made_of(row) for row in rows)
        place = buttons.row(align=True)
        place.enabled = not anyway
        button = place.operator("ferrule.choose", text=family.label, depress=made)
        button.family, button.row, button.screws = word_of(family), index, of_screws


def _draw_empty(layout: bpy.types.UILayout, context: bpy.types.Context, ferrule: bpy.types.PropertyGroup) -> None:
    column = layout.column()
    if ferrule.ends:
        draw_text(column, "No tube end is open. The list below gives the reasons.", icon="INFO")
    elif context.scene.objects:
        draw_text(column, "Select tubes and read their ends, or read the whole scene.", icon="INFO")
    else:
        draw_text(column, "Import an assembly of tubes, such as a STEP or STL file, or start from a size:", icon="INFO")
        layout.operator("ferrule.add_fitting", icon="ADD")


class FERRULE_PT_open_ends(Fold):
    label = "Places"

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return bool(context.scene.ferrule.groups)

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        ferrule = context.scene.ferrule
        if active_group(context.scene).kind != "end":
            layout.template_list("FERRULE_UL_sites", "", ferrule, "sites", ferrule, "site_index", rows=3, maxrows=8)
            row = layout.row(align=True)
            row.operator("ferrule.go_to_end", text="Go to", icon="VIEWZOOM").index = len(ferrule.ends) + max(
                ferrule.site_index, 0
            )
            row.operator("ferrule.drop_end", text="Drop", icon="X").site = True
            return
        layout.template_list("FERRULE_UL_ends", "open", ferrule, "ends", ferrule, "end_index", rows=3, maxrows=8)
        if 0 <= ferrule.end_index < len(ferrule.ends) and not ferrule.ends[ferrule.end_index].reason:
            layout.label(text=f"Clear for {say_in(context.scene)(ferrule.ends[ferrule.end_index].clear_mm)}")
        row = layout.row(align=True)
        row.operator("ferrule.go_to_end", text="Go to", icon="VIEWZOOM")
        row.operator("ferrule.drop_end", text="Drop", icon="X")


class FERRULE_PT_measured(Fold):
    label = "Measured Bore"

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        group = active_group(context.scene)
        return group is not None and group.kind == "end"

    @classmethod
    def draw_header(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        layout.prop(active_group(context.scene), "measured", text="")
        layout.label(text=cls.label)

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        group = active_group(context.scene)
        column = layout.column()
        column.active = group.measured
        draw_field(column, group, "bore_width_mm", wording.BORE["bore_width_mm"], context.scene)
        if group.one_reading:
            column.label(text=group.one_reading, translate=False)
        else:
            draw_field(column, group, "bore_depth_mm", wording.BORE["bore_depth_mm"], context.scene)
        layout.operator("ferrule.use_table_bore", icon="CHECKMARK")
        if group.measured and group.bore_problem:
            draw_text(layout.box(), message_from(group.bore_problem) + ".", icon="ERROR")


class FERRULE_PT_closed_ends(Fold):
    label = "Ends without Fitting"

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        ferrule = context.scene.ferrule
        return any(row.group < 0 for row in ferrule.ends) or bool(ferrule.notes)

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        ferrule = context.scene.ferrule
        desk = updating.desk_of(context.scene)
        if desk and desk.verdict:
            draw_text(layout, desk.verdict.closed_ends)
        layout.template_list("FERRULE_UL_ends", "closed", ferrule, "ends", ferrule, "end_index", rows=3, maxrows=8)
        if 0 <= ferrule.end_index < len(ferrule.ends) and ferrule.ends[ferrule.end_index].reason:
            draw_text(layout, message_from(ferrule.ends[ferrule.end_index].reason) + ".")
            if desk and desk.ends[ferrule.end_index].can_be_taken:
                draw_cures(layout, desk.ends[ferrule.end_index], ferrule.end_index)
            if ferrule.ends[ferrule.end_index].by_hand:
                layout.operator("ferrule.drop_end", text="Drop", icon="X")
        if ferrule.wall_mm or any(row.cut == "no wall" for row in ferrule.ends):
            draw_field(layout, ferrule, "wall_mm", wording.WALL, context.scene)
        if ferrule.wall_mm and any(row.cut == "no wall" for row in ferrule.ends):
            draw_text(layout, "Refit reads the ends with this wall.", icon="INFO")
        for note in notes_from(ferrule.notes):
            draw_text(layout, note, icon="INFO")


_CLASSES = (FERRULE_UL_groups, FERRULE_UL_ends, FERRULE_UL_sites)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
