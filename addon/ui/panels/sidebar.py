# SPDX-License-Identifier: GPL-3.0-or-later
"""What all panels have in common."""

import bpy

from ..drawing import split


class Sidebar:
    """Mix-in for panels of the tab."""

    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Ferrule"

    layout: bpy.types.UILayout

    def split_layout(self) -> bpy.types.UILayout:
        return split(self.layout)
