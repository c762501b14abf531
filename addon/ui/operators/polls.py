# SPDX-License-Identifier: GPL-3.0-or-later
"""What the ``poll`` methods of operators have in common: if one refuses, its tooltip says what to do first."""

from __future__ import annotations

import bpy


def holds(cls: type[bpy.types.Operator], condition: object, advice: str) -> bool:
    """Whether ``condition`` holds; if it does not, the tooltip of ``cls`` gives the advice."""
    if not condition:
        cls.poll_message_set(advice)
    return bool(condition)


def has_groups(cls: type[bpy.types.Operator], context: bpy.types.Context) -> bool:
    return holds(cls, context.scene.ferrule.groups, "Read the tube ends first")


class NeedsEnds:
    """Mix-in for operators that need tube ends and nothing else."""

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_groups(cls, context)


def in_object_mode(cls: type[bpy.types.Operator], context: bpy.types.Context) -> bool:
    return holds(cls, context.mode == "OBJECT", "Leave Edit Mode first")


def can_build(cls: type[bpy.types.Operator], context: bpy.types.Context) -> bool:
    local = context.scene.library is None
    return in_object_mode(cls, context) and holds(cls, local, "This scene is linked from another file; open that file")
