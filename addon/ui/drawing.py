# SPDX-License-Identifier: GPL-3.0-or-later
"""How panels draw fields: in the scene's units, with what was refused beside the field at fault."""

from __future__ import annotations

import textwrap
from dataclasses import replace
from functools import lru_cache
from typing import Any

import bpy

from ..fields.declared import Field
from ..fields.messages import Units, as_message, say_value
from ..fields.refusals import RecipeError
from ..geometry.units import MM_PER_INCH, NO_BREAK, with_units_kept
from . import wording
from .fields import auto_name, inch_name, stored_name
from .wording import IMPERIAL, METRIC


def imperial(scene: bpy.types.Scene) -> bool:
    return scene.unit_settings.system == "IMPERIAL"


def say_in(scene: bpy.types.Scene) -> Units:
    """How lengths are said in a scene."""
    return IMPERIAL if imperial(scene) else METRIC


def _unbroken(scene: bpy.types.Scene) -> Units:
    """The same, where text is wrapped."""
    return replace(say_in(scene), space=NO_BREAK)


def row_name(group: bpy.types.PropertyGroup, units: Units) -> str:
    """What a row of what was found is called: ``"40 × 40 × 3"``, ``"9 mm in 40 × 40 × 3"``."""
    return f"{units(group.hole_mm)} in {group.name}" if group.kind == "hole" else group.name


def split(layout: bpy.types.UILayout) -> bpy.types.UILayout:
    """The layout, with the labels of its fields in a column on the left."""
    layout.use_property_split = True
    layout.use_property_decorate = False
    return layout


def draw_field(
    layout: bpy.types.UILayout,
    group: Any,
    name: str,
    field: Field,
    scene: bpy.types.Scene,
    settled: float | None = None,
    refusal: RecipeError | None = None,
) -> None:
    """One field of a recipe or a process. ``settled`` is what an automatic number came to."""
    shown = (imperial(scene) and inch_name(name)) or stored_name(name)
    row = layout.row(align=True)
    row.alert = refusal is not None
    if hasattr(group, auto_name(name)):
        automatic = getattr(group, auto_name(name))
        split = row.split(factor=0.4)
        split.alignment = "RIGHT"
        split.label(text=field.label)
        value = split.row(align=True)
        if automatic:
            value.label(text="automatic" if settled is None else say_in(scene)(settled))
        else:
            value.use_property_split = False
            value.prop(group, shown, text="")
            _draw_fraction(value, group, name, shown)
        value.prop(group, auto_name(name), text="", icon="PINNED" if automatic else "UNPINNED", toggle=1)
    else:
        row.prop(group, shown)
        _draw_fraction(row, group, name, shown)
    if refusal is not None:
        draw_refusal(layout, refusal, scene)


def _draw_fraction(layout: bpy.types.UILayout, group: Any, name: str, shown: str) -> None:
    """Beside a length in inches, the fraction that it is."""
    if shown != inch_name(name) or not name.endswith("_mm"):
        return
    inches = getattr(group, shown, None)
    if not isinstance(inches, float):
        return
    said = IMPERIAL(inches * MM_PER_INCH)
    if "/" in said:
        fraction = layout.row()
        fraction.ui_units_x = 2.4
        fraction.label(text=said.removesuffix("in").rstrip())


def draw_refusal(layout: bpy.types.UILayout, refusal: RecipeError, scene: bpy.types.Scene) -> None:
    """Why the number was refused, and a button that sets one that works."""
    box = layout.box()
    text = wording.in_window(as_message(refusal), _unbroken(scene))
    draw_text(box, f"{text[:1].upper()}{text[1:]}.", icon="ERROR")
    if refusal.works is not None:
        works = say_value(refusal.field, refusal.works, say_in(scene))
        button = box.operator("ferrule.set_number", text=f"Set {works}", icon="CHECKMARK")
        button.field, button.value = refusal.field, str(refusal.works)


def draw_text(layout: bpy.types.UILayout, text: str, icon: str = "NONE", dialog: int = 280, lines: int = 0) -> None:
    """A sentence over as many lines as the region's width, or that of a dialog, asks for, and at least ``lines``; one
    of the house's goes into the scene's units."""
    text = wording.in_window(text, _unbroken(bpy.context.scene))
    region = bpy.context.region
    scale = bpy.context.preferences.system.ui_scale or 1.0  # 0 if there is no window
    width = (region.width if region and region.type == "UI" else dialog * scale) / scale
    column = layout.column(align=True)
    column.scale_y = 0.8
    wrapped = _wrapped(text, max(16, int((width - 75) / 6.2)))
    for number, line in enumerate([*wrapped, *[""] * (lines - len(wrapped))]):
        column.label(text=line, icon=icon if number == 0 else "BLANK1" if icon != "NONE" else "NONE")


@lru_cache(500)  # panels draw the same sentences again and again
def _wrapped(text: str, letters: int) -> tuple[str, ...]:
    return tuple(textwrap.wrap(with_units_kept(text), letters))


def report(operator: bpy.types.Operator, kind: str, sentence: object) -> None:
    """Reports a sentence of the house, or an error that has one, as the window says it."""
    operator.report({kind}, wording.in_window(str(sentence), say_in(bpy.context.scene)))
