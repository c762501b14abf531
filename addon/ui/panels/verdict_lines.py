# SPDX-License-Identifier: GPL-3.0-or-later
"""What the job comes to, as the first lines of the panels Print Review and Plate and Files."""

import bpy

from ...fields.messages import count_of, say, say_all
from ..desk import Desk
from ..drawing import draw_text


def draw_verdict(layout: bpy.types.UILayout, desk: Desk) -> None:
    """The verdict, what stands in the way and what to do first; while it is not known, what it waits for."""
    verdict = desk.verdict
    if verdict is not None:
        draw_text(layout, say("{}.", verdict.headline), icon="CHECKMARK" if verdict.complete else "ERROR")
        for said in verdict.in_the_way:
            draw_text(layout, said, icon="CANCEL")
        if verdict.ready and verdict.before_printing:
            first = filter(None, (verdict.goes_in, "Before printing:", *verdict.before_printing))
            draw_text(layout, say_all(tuple(first)), icon="INFO")
        return
    if problem := desk.any_problem:
        draw_text(layout, say("Not reviewed. {}", problem), icon="ERROR")
    refused = sum(fitted.refusal is not None for fitted in desk.fittings)
    if refused:
        draw_text(layout, f"{count_of(refused, 'kind')} cannot be made; see the panel Fitting.", icon="ERROR")
    if waiting := len(desk.waiting):
        layout.label(text=f"Reviewing, {count_of(waiting, 'fitting')} to go", icon="SORTTIME")
    elif desk.open:
        made = f"{count_of(desk.copies, 'fitting')} of {count_of(len(desk.fittings) - refused, 'kind')}"
        layout.label(text=f"{made}, not laid out yet", icon="SORTTIME")
