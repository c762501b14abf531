# SPDX-License-Identifier: GPL-3.0-or-later
"""What can be done: every operator is ``bpy.ops.ferrule.…``; docs/python.md lists them."""

from . import adding, importing, learning, presets, printing, processing, refitting, tube_ends, writing

_ROOMS = (importing, tube_ends, refitting, adding, presets, processing, printing, writing, learning)


def register() -> None:
    for room in _ROOMS:
        room.register()


def unregister() -> None:
    for room in reversed(_ROOMS):
        room.unregister()
