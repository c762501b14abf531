# SPDX-License-Identifier: GPL-3.0-or-later
"""What the parts of the tab have in common. The tab is one of Blender's panels, and what folds in it are folds of its
layout, since nothing but a click folds a panel of Blender's."""

from __future__ import annotations

from typing import ClassVar

import bpy

from ..drawing import split
from ..fields import labelled
from ..following import PANELS, opened


class Fold:
    """A part of the tab that folds to its header."""

    label: ClassVar[str]
    closed: ClassVar[bool] = True
    """Whether it is folded until the user opens it."""

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return True

    @classmethod
    def parts(cls, context: bpy.types.Context) -> tuple[type[Fold], ...]:
        """What folds within it, below what ``draw`` draws."""
        return ()

    @classmethod
    def draw_header(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        layout.label(text=cls.label)

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        raise NotImplementedError

    @classmethod
    def fold(cls, layout: bpy.types.UILayout) -> tuple[bpy.types.UILayout, bpy.types.UILayout | None]:
        """The layouts of the header and, where it is open, of what is below it."""
        return layout.panel(cls.__name__, default_closed=cls.closed)

    @classmethod
    def draw_into(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        if not cls.poll(context):
            return
        header, body = cls.fold(layout)
        cls.draw_header(header, context)
        if body is not None:
            cls.draw(split(body.column()), context)
            for part in cls.parts(context):
                part.draw_into(body, context)


class StepFold(Fold):
    """The part of the tab for a step of the work, which opens once it comes next."""

    name: ClassVar[str]
    """Of ``following.PANELS``."""

    @classmethod
    def fold(cls, layout: bpy.types.UILayout) -> tuple[bpy.types.UILayout, bpy.types.UILayout | None]:
        return layout.panel_prop(bpy.context.window_manager.ferrule, opened(cls.name))

    @classmethod
    def draw_header(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        layout.label(text=PANELS[cls.name])
        cls.draw_at_right(layout, context)

    @classmethod
    def draw_at_right(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        """What the step has come to, which is seen while it is folded, too."""


def draw_result(layout: bpy.types.UILayout, said: str, icon: str = "NONE") -> None:
    """What a step has come to, at the right of its panel's header."""
    row = layout.row()
    row.alignment = "RIGHT"
    row.active = False
    row.label(text=said, icon=icon, translate=False)


def group_folds(name: str, base: type[Fold], cls: type) -> tuple[type[Fold], ...]:
    """A fold for each group that the fields of a dataclass are in, in their order; ``name`` begins their own."""
    groups = dict.fromkeys(field.field.group for field in labelled(cls).values() if field.field.group)
    names = {group: f"FERRULE_PT_{name}_{group.lower().replace(' ', '_')}" for group in groups}
    return tuple(type(name, (base,), {"label": group}) for group, name in names.items())
