# SPDX-License-Identifier: GPL-3.0-or-later
"""What has changed in a scene since its tube ends were read and their fittings were put in."""

from __future__ import annotations

from dataclasses import dataclass

import bpy
import numpy as np
from mathutils import Vector

from .placing import mm_per_unit
from .records import end_of

MOVED_MM = 0.05
"""An end this far from where it was read has moved; less is what single precision leaves of a long way."""
_FAR = 1e-5
"""The same as a share of the way to the origin."""
_STRETCHED = 1e-3


@dataclass(frozen=True)
class Outdated:
    moved: int = 0
    """Ends whose tubes have moved."""
    gone: int = 0
    """Ends whose tubes are no longer in the scene."""
    deleted: tuple[str, ...] = ()
    """Keys of the ends, holes, copes and joints whose fitting was deleted."""


_version = 0
_known: dict[int, tuple[tuple[int, int], Outdated]] = {}
"""By the scene's ``session_uid``: what it was worked out from, and what came of it."""


def scene_changed() -> None:
    global _version
    _version += 1


def outdated(scene: bpy.types.Scene) -> Outdated:
    """Worked out once after each change."""
    now = (_version, scene.ferrule.stamp)
    known = _known.get(scene.session_uid)
    if known is None or known[0] != now:
        known = _known[scene.session_uid] = now, _worked_out(scene)
    return known[1]


def stretch_of(item: bpy.types.Object) -> tuple[float, float, float] | None:
    """How many times an object is as long in each direction as its mesh, if not equally."""
    x, y, z = (float(np.linalg.norm(column)) for column in np.array(item.matrix_world)[:3, :3].T)
    return (x, y, z) if max(x, y, z) > (1 + _STRETCHED) * min(x, y, z) else None


def _worked_out(scene: bpy.types.Scene) -> Outdated:
    ferrule, scale = scene.ferrule, mm_per_unit(scene)
    if not ferrule.ends or abs(ferrule.unit_scale * 1000 - scale) > _FAR * scale:
        return Outdated()
    there = {item.session_uid for item in scene.objects}
    moved = gone = 0
    for line in ferrule.ends:
        if line.tube is None or line.tube.session_uid not in there:
            gone += line.tube is not None
            continue
        was = end_of(line).frame.origin
        now = np.array(line.tube.matrix_world @ Vector(line.place)) * scale
        moved += bool(np.abs(now - was).max() > MOVED_MM + _FAR * np.abs(was).max())
    items = [(line.key, line.fitting) for line in ferrule.ends]
    items += [(line.name, line.fitting) for line in ferrule.placed]
    deleted = (key for key, item in items if item is not None and item.session_uid not in there)
    return Outdated(moved, gone, tuple(deleted))
