# SPDX-License-Identifier: GPL-3.0-or-later
"""Which step of the work comes next, and which panels are open for it."""

from __future__ import annotations

from typing import Literal

import bpy
from bpy.props import BoolProperty

from .desk import at_hand
from .listing import GOOD_TO_KNOW
from .recipes import families_for, made_of

NextStep = Literal["read", "fit", "export", "hand over"]

PANELS = {
    "ends": "Takeoff",
    "fitting": "Fitting",
    "process": "Process",
    "review": "Print Review",
    "files": "Plate and Files",
    "cautions": "Cautions",
}
"""Their labels, in the order of the work."""

_followed: dict[int, NextStep] = {}
"""The step that the panels were last opened for, by the scene's ``session_uid``."""


def opened(panel: str) -> str:
    """The name of the window manager's property that holds whether a panel is open."""
    return f"{panel}_open"


def open_properties() -> dict[str, object]:
    return {
        opened(panel): BoolProperty(
            name=label, description=f"Whether the panel {label} is open", default=panel == "ends", options=set()
        )
        for panel, label in PANELS.items()
    }


def next_step(scene: bpy.types.Scene) -> NextStep | None:
    """None while the results are not at hand."""
    ferrule, desk = scene.ferrule, at_hand(scene)
    if not ferrule.groups:
        return "read"
    if not any(line.fitting is not None for line in ferrule.ends) and not len(ferrule.placed):
        return "fit"
    if desk is None:
        return None
    return "hand over" if desk.result is not None and desk.result.made else "export"


def follow_work(scene: bpy.types.Scene) -> None:
    """Opens what the next step needs and folds the rest, once each time that another step comes next; until then panels
    stay as the user puts them."""
    step, before = next_step(scene), _followed.get(scene.session_uid)
    if step is None or step == before:
        return
    _followed[scene.session_uid] = step
    if (before, step) == ("hand over", "export"):  # A number has changed, in a panel that is in use.
        return
    for manager in bpy.data.window_managers:
        wanted = _needed(scene, manager.ferrule, step)
        for panel in PANELS:
            setattr(manager.ferrule, opened(panel), panel in wanted)


def forget_steps() -> None:
    _followed.clear()


def _needed(scene: bpy.types.Scene, shown: bpy.types.PropertyGroup, step: NextStep) -> set[str]:
    if step == "read":
        return {"ends"}
    if step == "fit":
        undecided = any(families_for(group.kind) and not made_of(group) for group in scene.ferrule.groups)
        return {"ends", "fitting"} if undecided else {"fitting"}
    found = any(row.who and row.severity != GOOD_TO_KNOW for row in shown.findings)
    return {"review", "files"} if found and step == "export" else {"files"}
