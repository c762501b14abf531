# SPDX-License-Identifier: GPL-3.0-or-later
"""The list of findings: those of the selected mesh of the user's if it was reviewed, else those of all fittings.

Lists show ``window_manager.ferrule.findings``; ``findings[i]`` here is the ``Finding`` of each.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import bpy

from ..geometry.frames import Floats
from ..review import Finding, Review
from ..review.findings import Concern, concerns
from .desk import Desk, at_hand
from .views import redraw


@dataclass(frozen=True)
class ObjectReview:
    """A review of the user's own mesh, dropped as soon as the mesh changes or moves, or its process or unit does."""

    review: Review
    matrix: Floats
    unit_scale: float


GOOD_TO_KNOW = "good to know"

findings: list[Finding] = []
object_reviews: dict[int, ObjectReview] = {}
"""By the object's ``session_uid``."""

_listed: ObjectReview | Desk | None = None
"""Whose findings are listed."""


def listed(context: bpy.types.Context) -> list[Finding]:
    """``findings`` if they belong to what is looked at; else none, and the list is filled again soon.

    Blender sends no notice that another scene is shown.
    """
    if up_to_date(context.scene):
        return findings
    if bpy.app.background:
        list_again()
        return findings
    if not bpy.app.timers.is_registered(list_again):  # Who draws may change nothing.
        bpy.app.timers.register(list_again, first_interval=0.01)
    return []


def chosen_finding(context: bpy.types.Context) -> Finding | None:
    index, findings = context.window_manager.ferrule.finding_index, listed(context)
    return findings[index] if 0 <= index < len(findings) else None


def choose_finding_of(fitting: str) -> None:
    """Chooses the worst finding of a fitting, unless one of its findings is chosen."""
    for manager in bpy.data.window_managers:
        rows = manager.ferrule.findings
        own = [row.index for row in rows if row.fitting == fitting]
        if own and manager.ferrule.finding_index not in own:
            manager.ferrule.finding_index = own[0]


def list_findings(desk: Desk | None) -> None:
    """Fills the list of findings, worst first: those of the selected mesh of the user's if it was reviewed, else those
    of all fittings."""
    global _listed
    reviewed = object_review(bpy.context.view_layer.objects.active)
    _listed = reviewed or desk
    _show_findings(reviewed.review.findings if reviewed else _findings_of(desk) if desk else ())


def list_again() -> None:
    list_findings(at_hand(bpy.context.scene))
    redraw()


def looked_at(scene: bpy.types.Scene) -> ObjectReview | Desk | None:
    """What the findings to be listed belong to."""
    return object_review(bpy.context.view_layer.objects.active) or at_hand(scene)


def up_to_date(scene: bpy.types.Scene) -> bool:
    """Whether the listed findings belong to what is looked at."""
    return looked_at(scene) is _listed


def list_nothing() -> None:
    """Empties the list and drops the reviews of the user's meshes."""
    global _listed
    if bpy.app.timers.is_registered(list_again):
        bpy.app.timers.unregister(list_again)
    object_reviews.clear()
    _show_findings(())
    _listed = None


def object_review(item: bpy.types.Object | None) -> ObjectReview | None:
    """The review of a mesh of the user's; None for a fitting."""
    return object_reviews.get(item.session_uid) if item is not None and not item.ferrule.end_key else None


def _findings_of(desk: Desk) -> list[Finding]:
    """The findings of the reviews and of the fit in place."""
    return [
        finding
        for fitted in desk.fittings
        for finding in (*(fitted.made.known if fitted.made else ()), *fitted.in_place)
    ]


def _show_findings(unsorted: Iterable[Finding]) -> None:
    worst_first = concerns(unsorted)
    sorted_findings = [finding for concern in worst_first for finding in _worst_in_front(concern)]
    same = sorted_findings == findings
    findings[:] = sorted_findings
    for manager in bpy.data.window_managers:
        rows = manager.ferrule.findings
        if same and len(rows) == len(sorted_findings):
            continue  # Another file's window manager has none.
        rows.clear()
        whom = {id(concern.worst): _whom(concern) for concern in worst_first}
        for index, finding in enumerate(sorted_findings):
            row = rows.add()
            row.name, row.index, row.severity = finding.check, index, finding.severity
            row.fitting = finding.fitting
            row.who = whom.get(id(finding), "")


def _worst_in_front(concern: Concern) -> list[Finding]:
    worst = concern.worst
    return [worst, *(finding for finding in concern.findings if finding is not worst)]


def _whom(concern: Concern) -> str:
    """``"F2"``, ``"7 kinds"``, ``"F2, 4 places"``."""
    places, fittings = len(concern.findings), concern.fittings
    who = ", ".join(fittings) if len(fittings) < 3 else f"{len(fittings)} kinds"
    return who if places == len(fittings) else ", ".join(filter(None, (who, f"{places} places")))


def others_alike(finding: Finding) -> list[int]:
    """Places in the list of the other findings of its check and severity."""
    return [
        index
        for index, other in enumerate(findings)
        if other is not finding and (other.check, other.severity) == (finding.check, finding.severity)
    ]
