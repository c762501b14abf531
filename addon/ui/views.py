# SPDX-License-Identifier: GPL-3.0-or-later
"""The 3D views of all windows."""

from __future__ import annotations

from collections.abc import Iterator

import bpy

from ..geometry.frames import Floats

_VIEW_SIZES = 8.0
"""How many widths of a tube the view shows around an end."""


def look_at(context: bpy.types.Context, place: Floats, size: float) -> None:
    """Brings a place into every 3D view, its surroundings with it."""
    for area in _areas(context):
        view = area.spaces.active.region_3d
        view.view_location = place.tolist()
        view.view_distance = _VIEW_SIZES * size


def reach_to(context: bpy.types.Context, distance: float) -> None:
    """Lets every 3D view show what lies this far away, where it would cut that off."""
    for area in _areas(context):
        area.spaces.active.clip_end = max(area.spaces.active.clip_end, distance)


def redraw() -> None:
    for area in _areas(bpy.context):
        area.tag_redraw()


def _areas(context: bpy.types.Context) -> Iterator[bpy.types.Area]:
    for window in context.window_manager.windows if context.window_manager else ():
        yield from (area for area in window.screen.areas if area.type == "VIEW_3D")
