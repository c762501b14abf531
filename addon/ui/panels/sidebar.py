# SPDX-License-Identifier: GPL-3.0-or-later
"""What all panels have in common."""

import bpy

from ..drawing import split
from ..fields import labelled


class Sidebar:
    """Mix-in for panels of the tab."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Ferrule"

    layout: bpy.types.UILayout

    def split_layout(self) -> bpy.types.UILayout:
        return split(self.layout)


def draw_result(layout: bpy.types.UILayout, said: str, icon: str = "NONE") -> None:
    """What a step has come to, at the right of its panel's header, where it is seen while the panel is closed."""
    row = layout.row()
    row.active = False
    row.label(text=said, icon=icon, translate=False)


def group_panels(name: str, base: type, cls: type) -> list[type]:
    """A panel for each group that the fields of a dataclass are in, in their order; ``name`` begins their own."""
    groups = dict.fromkeys(field.field.group for field in labelled(cls).values() if field.field.group)
    names = {group: f"FERRULE_PT_{name}_{group.lower().replace(' ', '_')}" for group in groups}
    return [type(name, (base, bpy.types.Panel), {"bl_label": group}) for group, name in names.items()]
