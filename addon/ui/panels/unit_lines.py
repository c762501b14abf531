# SPDX-License-Identifier: GPL-3.0-or-later
"""The choice of the file's unit, with how wide the widest tube would be in each."""

import bpy

from ...fields.messages import message_from, say
from .. import file_unit
from ..drawing import draw_text, say_in


class FERRULE_MT_unit(bpy.types.Menu):
    """Unit that the file's numbers are in"""

    bl_label = "Unit of the File"

    def draw(self, context: bpy.types.Context) -> None:
        _draw_units(self.layout, context.scene, file_unit.unit_now(context.scene))


def draw_unit(layout: bpy.types.UILayout, scene: bpy.types.Scene) -> None:
    """The unit that counts, in a menu; where it is in doubt, why, and every choice with the likely one marked."""
    if not scene.ferrule.doubt:
        unit = file_unit.unit_now(scene)
        text = _said(scene, unit)
        layout.menu("FERRULE_MT_unit", text=text if unit == file_unit.AS_SCENE else f"File in {text}")
        return
    box = layout.box()
    question = box.column()
    question.alert = True
    draw_text(question, say("Is the unit right? {}", message_from(scene.ferrule.doubt)), icon="ERROR")
    box.label(text="Unit of the file:")
    _draw_units(box.column(align=True), scene, file_unit.unit_in_doubt(scene))


def _draw_units(layout: bpy.types.UILayout, scene: bpy.types.Scene, marked: str) -> None:
    for unit in file_unit.UNITS:
        layout.operator(
            "ferrule.set_unit",
            text=_said(scene, unit),
            icon="RADIOBUT_ON" if unit == marked else "RADIOBUT_OFF",
            depress=unit == marked,
            translate=False,
        ).unit = unit


def _said(scene: bpy.types.Scene, unit: str) -> str:
    """``"mm, widest tube 60.3 mm"``."""
    name, widest_mm = file_unit.UNITS[unit].replace("in", "inches"), file_unit.widest_in(scene, unit)
    name = name.capitalize() if unit == file_unit.AS_SCENE else name
    return f"{name}, widest tube {say_in(scene)(widest_mm)}" if widest_mm else name


_CLASSES = (FERRULE_MT_unit,)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
