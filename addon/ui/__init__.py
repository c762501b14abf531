# SPDX-License-Identifier: GPL-3.0-or-later
"""Everything that imports bpy."""

from __future__ import annotations

import bpy

_handles: list[object] = []


def register() -> None:
    from . import callbacks, operators, overlays, panels, properties
    from .command_line import main

    properties.register()
    operators.register()
    panels.register()
    overlays.register()
    bpy.app.handlers.depsgraph_update_post.append(callbacks.drop_outdated)
    bpy.app.handlers.load_post.append(callbacks.start_anew)
    bpy.app.handlers.save_pre.append(callbacks.keep_for_file)
    callbacks.watch_units()
    _handles.append(bpy.utils.register_cli_command("ferrule", main))


def unregister() -> None:
    from . import callbacks, operators, overlays, panels, properties

    while _handles:
        bpy.utils.unregister_cli_command(_handles.pop())
    bpy.app.handlers.save_pre.remove(callbacks.keep_for_file)
    bpy.app.handlers.load_post.remove(callbacks.start_anew)
    bpy.app.handlers.depsgraph_update_post.remove(callbacks.drop_outdated)
    overlays.unregister()
    callbacks.forget()
    panels.unregister()
    operators.unregister()
    properties.unregister()
