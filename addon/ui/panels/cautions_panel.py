# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Cautions, and the cautions beside the choices that bring them about. Nothing switches them off."""

from typing import get_args

import bpy

from ...fields.messages import count_of
from ...trade.cautions import Choice, Step
from ..cautioned import cautions_of
from ..drawing import draw_text
from .sidebar import StepFold, draw_result


def draw_beside(layout: bpy.types.UILayout, context: bpy.types.Context, choice: Choice, whole: bool = False) -> None:
    """The cautions that a choice for the chosen section brings about: their names, or the ``whole`` sentences."""
    for caution in cautions_of(context.scene, chosen=True):
        if caution.choice == choice:
            draw_text(layout, caution.text if whole else f"{caution.name}.", icon="ERROR")


class FERRULE_PT_cautions(StepFold):
    name = "cautions"

    @classmethod
    def draw_at_right(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        draw_result(layout, count_of(len(cautions_of(context.scene)), "caution"))

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        applying = cautions_of(context.scene)
        for step in get_args(Step):
            layout.label(text=step.capitalize(), icon="ERROR")
            for caution in applying:
                if caution.step == step:
                    draw_text(layout, caution.text, icon="DOT")
