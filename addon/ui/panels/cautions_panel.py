# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Cautions, and the cautions beside the choices that bring them about. Nothing switches them off."""

from typing import get_args

import bpy

from ...trade.cautions import Choice, Step
from ..cautioned import cautions_of
from ..drawing import draw_text
from .sidebar import Sidebar


def draw_beside(layout: bpy.types.UILayout, context: bpy.types.Context, choice: Choice, whole: bool = False) -> None:
    """The cautions that a choice for the chosen section brings about: their names, or the ``whole`` sentences."""
    for caution in cautions_of(context.scene, chosen=True):
        if caution.choice == choice:
            draw_text(layout, caution.text if whole else f"{caution.name}.", icon="ERROR")


class FERRULE_PT_cautions(Sidebar, bpy.types.Panel):
    bl_idname = "FERRULE_PT_cautions"
    bl_label = "Cautions"
    bl_order = 6
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.layout
        applying = cautions_of(context.scene)
        for step in get_args(Step):
            layout.label(text=step.capitalize(), icon="ERROR")
            for caution in applying:
                if caution.step == step:
                    draw_text(layout, caution.text, icon="DOT")


_CLASSES = (FERRULE_PT_cautions,)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
