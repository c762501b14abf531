# SPDX-License-Identifier: GPL-3.0-or-later
"""Which unit the assembly's numbers are in, where its file carries none: chosen as the scene's unit scale."""

from __future__ import annotations

import math

import bpy

from ..geometry.units import MM_PER_UNIT
from .fields import exact
from .scene import unit_scale_of

AS_SCENE = "SCENE"
UNITS = {AS_SCENE: "as the scene", **{unit.upper(): unit for unit in MM_PER_UNIT}}
"""What can be chosen, and what it is called."""
_SAME_SCALE = 1e-5
"""Unit scales are kept in single precision."""


def unit_is_chosen(scene: bpy.types.Scene) -> bool:
    """Whether the user has chosen or confirmed the unit that now counts."""
    return same_scale(scene.ferrule.chosen_scale, unit_scale_of(scene))


def same_scale(scale: float, other: float) -> bool:
    return math.isclose(scale, other, rel_tol=_SAME_SCALE)


def unit_now(scene: bpy.types.Scene) -> str:
    """The one of ``UNITS`` that counts."""
    return _unit_at(unit_scale_of(scene)) if scene.ferrule.scale_before else AS_SCENE


def unit_in_doubt(scene: bpy.types.Scene) -> str:
    """The one of ``UNITS`` that would settle the doubt best; as the scene where none would."""
    return _unit_at(exact(unit_scale_of(scene) * exact(scene.ferrule.doubt_factor)))


def widest_in(scene: bpy.types.Scene, unit: str) -> float:
    """How wide the widest tube would be, in mm; 0 if none was read."""
    return scene.ferrule.widest_mm * _scale_for(scene, unit) / (scene.ferrule.unit_scale or 1.0)


def choose(scene: bpy.types.Scene, unit: str) -> bool:
    """Sets the scene's unit scale; whether that has changed it. Objects stay as they are."""
    settings, ferrule = scene.unit_settings, scene.ferrule
    before, scale = unit_scale_of(scene), _scale_for(scene, unit)
    ferrule.scale_before = 0.0 if unit == AS_SCENE else ferrule.scale_before or before
    ferrule.chosen_scale = scale
    if same_scale(before, scale):
        return False
    if settings.system == "NONE":
        settings.system = "METRIC"
    settings.scale_length = scale
    if settings.system == "METRIC":
        settings.length_unit = "MILLIMETERS" if scale < 0.1 else "ADAPTIVE"  # type: ignore[assignment]
    return True


def _scale_for(scene: bpy.types.Scene, unit: str) -> float:
    if unit == AS_SCENE:
        return exact(scene.ferrule.scale_before or unit_scale_of(scene))
    return exact(MM_PER_UNIT[UNITS[unit]] / MM_PER_UNIT["m"])


def _unit_at(scale: float) -> str:
    units = (unit for unit, name in UNITS.items() if same_scale(scale, MM_PER_UNIT.get(name, 0.0) / MM_PER_UNIT["m"]))
    return next(units, AS_SCENE)
