# SPDX-License-Identifier: GPL-3.0-or-later
"""The 3D views of all windows."""

from __future__ import annotations

import math
from collections.abc import Iterator

import bpy
from mathutils import Quaternion, Vector

from ..geometry.frames import Floats

_NEAREST, _FARTHEST = 3.0, 25.0
"""In widths of a tube: between these the view keeps its distance from an end."""
_SEEN = math.cos(math.radians(80.0))
_TURNED = math.radians(55.0)
"""Between the line of sight and the way out of an end that had to be turned to."""


def look_at(context: bpy.types.Context, place: Floats, size: float, outward: Floats | None = None) -> None:
    """Brings a place into every 3D view, its surroundings with it, from as far away as before where that shows it.
    Views that would see it from behind, against ``outward``, are turned."""
    for area in _areas(context):
        view = area.spaces.active.region_3d
        if view.view_perspective == "CAMERA":
            view.view_perspective = "PERSP"
        view.view_location = place.tolist()
        view.view_distance = min(max(view.view_distance, _NEAREST * size), _FARTHEST * size)
        if outward is not None:
            view.view_rotation = seen_from_outside(view.view_rotation, Vector(outward.tolist()))


def seen_from_outside(rotation: Quaternion, outward: Vector) -> Quaternion:
    """A view's rotation, turned no more than it takes to see what faces ``outward``."""
    sight = rotation @ Vector((0, 0, 1))
    if sight.dot(outward) >= _SEEN:
        return rotation
    axis = outward.cross(sight)
    if axis.length < 1e-6:
        axis = outward.orthogonal()
    return (Quaternion(axis, _TURNED) @ outward).to_track_quat("Z", "Y")


def reach_to(context: bpy.types.Context, distance: float) -> None:
    """Lets every 3D view show what lies this far away, where it would cut that off."""
    for area in _areas(context):
        area.spaces.active.clip_end = max(area.spaces.active.clip_end, distance)


def show_locally(scene: bpy.types.Scene, item: bpy.types.Object) -> None:
    """Shows a new object in the views that are in local view, where only some objects are seen."""
    for area in _areas(bpy.context):
        space = area.spaces.active
        if space.local_view and bpy.context.window and bpy.context.window.scene == scene:
            item.local_view_set(space, True)


def redraw() -> None:
    for area in _areas(bpy.context):
        area.tag_redraw()


def _areas(context: bpy.types.Context) -> Iterator[bpy.types.Area]:
    for window in context.window_manager.windows if context.window_manager else ():
        yield from (area for area in window.screen.areas if area.type == "VIEW_3D")
