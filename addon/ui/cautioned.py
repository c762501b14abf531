# SPDX-License-Identifier: GPL-3.0-or-later
"""The cautions that apply to a scene, worked out once after each change for the panels to draw."""

from __future__ import annotations

from dataclasses import dataclass

import bpy

from ..trade.cautions import Caution, cautions_for
from .desk import active_family, active_recipe, at_hand
from .jobs import facts_of, job_of, recipes_of
from .recipes import recipe_of


@dataclass(frozen=True)
class _Asked:
    """What the cautions rest on. ``stamp`` changes with every number."""

    stamp: int
    row: int = -1
    family: str = ""


_known: dict[int, dict[_Asked, tuple[Caution, ...]]] = {}
"""By the scene's ``session_uid``, of its present stamp."""


def cautions_of(scene: bpy.types.Scene, chosen: bool = False) -> tuple[Caution, ...]:
    """What applies to the scene's fittings, or to those of the chosen section."""
    ferrule = scene.ferrule
    asked = _Asked(ferrule.stamp, ferrule.group_index, ferrule.family) if chosen else _Asked(ferrule.stamp)
    known = _known.setdefault(scene.session_uid, {})
    if any(other.stamp != asked.stamp for other in known):
        known.clear()
    if asked not in known:
        known[asked] = _worked_out(scene, chosen)
    return known[asked]


def forget_cautions() -> None:
    _known.clear()


def _worked_out(scene: bpy.types.Scene, chosen: bool) -> tuple[Caution, ...]:
    if chosen and active_family(scene) is None:
        return ()
    desk = at_hand(scene)
    recipes = (recipe_of(active_recipe(scene)),) if chosen else recipes_of(scene)
    return cautions_for(facts_of(desk.job if desk else job_of(scene), recipes))
