# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Cautions, and the cautions beside the choices that bring them about. Nothing switches them off."""

from typing import get_args

import bpy

from ...trade.cautions import Caution, Choice, Step, cautions_for
from .. import updating
from ..desk import active_family, active_recipe
from ..drawing import draw_text
from ..jobs import facts_of, job_of, recipes_of
from ..recipes import recipe_of
from .sidebar import Sidebar


def draw_beside(layout: bpy.types.UILayout, context: bpy.types.Context, choice: Choice, whole: bool = False) -> None:
    """The cautions that a choice for the chosen section brings about: their names, or the ``whole`` sentences."""
    for caution in _cautions(context.scene, chosen=True):
        if caution.choice == choice:
            draw_text(layout, caution.text if whole else f"{caution.name}.", icon="ERROR")


class FERRULE_PT_cautions(Sidebar, bpy.types.Panel):
    bl_idname = "FERRULE_PT_cautions"
    bl_label = "Cautions"
    bl_order = 6
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.layout
        applying = _cautions(context.scene)
        for step in get_args(Step):
            layout.label(text=step.capitalize(), icon="ERROR")
            for caution in applying:
                if caution.step == step:
                    draw_text(layout, caution.text, icon="DOT")


def _cautions(scene: bpy.types.Scene, chosen: bool = False) -> tuple[Caution, ...]:
    """What applies to the scene's fittings, or to those of the chosen section."""
    desk = updating.desk_of(scene)
    if chosen and active_family(scene) is None:
        return ()
    recipes = (recipe_of(active_recipe(scene)),) if chosen else recipes_of(scene)
    return cautions_for(facts_of(desk.job if desk else job_of(scene), recipes))


_CLASSES = (FERRULE_PT_cautions,)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
