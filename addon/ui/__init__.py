# SPDX-License-Identifier: GPL-3.0-or-later
"""Everything that imports bpy."""

from __future__ import annotations

import bpy

_handles: list[object] = []


def register() -> None:
    from .command_line import main

    _handles.append(bpy.utils.register_cli_command("ferrule", main))


def unregister() -> None:
    while _handles:
        bpy.utils.unregister_cli_command(_handles.pop())
