# SPDX-License-Identifier: GPL-3.0-or-later
"""What the job comes to, in the panels' words."""

import bpy

from ...bench.verdict import JobVerdict
from ...fields.messages import count_of, say, say_all
from ...takeoff import TubeEnd
from ...trade.sizes import section_name
from ..desk import Desk
from ..drawing import draw_text, say_in

_MOST_ENDS = MOST_SAID = 3
"""For which the verdict offers what takes them; the list has it for the others."""


def draw_cures(layout: bpy.types.UILayout, end: TubeEnd, row: int) -> None:
    """Buttons that take an end: with a shorter spigot, or with its holes going on through the spigot."""
    section = section_name(end.section)
    if end.longest_mm:
        text = f"Spigot {say_in(bpy.context.scene)(end.longest_mm)} for {section}"
        layout.operator("ferrule.shorten_spigot", text=text, icon="CHECKMARK", translate=False).index = row
    if end.holes:
        text = f"Hole through the Spigot for {section}"
        layout.operator("ferrule.free_holes", text=text, icon="CHECKMARK", translate=False).index = row


def draw_first_steps(layout: bpy.types.UILayout, verdict: JobVerdict) -> None:
    """What is done before printing, and what share of the fittings goes in."""
    if verdict.ready and verdict.before_printing:
        first = filter(None, (verdict.goes_in, "Before printing:", *verdict.before_printing))
        draw_text(layout, say_all(tuple(first)), icon="INFO")


def headline(desk: Desk) -> str:
    """The verdict in a few words, or what it waits for."""
    if desk.verdict is not None:
        return desk.verdict.brief
    if desk.any_problem:
        return "Not reviewed"
    if refused := sum(fitted.refusal is not None for fitted in desk.fittings):
        return f"{count_of(refused, 'kind')} cannot be made"
    return f"{len(desk.waiting)} to review" if desk.waiting else ""


def draw_verdict(layout: bpy.types.UILayout, desk: Desk, lines: int) -> None:
    """The verdict, or while it is not known, what it waits for; in at least so many lines."""
    verdict = desk.verdict
    refused = sum(fitted.refusal is not None for fitted in desk.fittings)
    if verdict is not None:
        said, icon = say("{}.", verdict.headline), "CHECKMARK" if verdict.complete else "ERROR"
    elif problem := desk.any_problem:
        said, icon = say("Not reviewed. {}", problem), "ERROR"
    elif refused:
        said, icon = say(f"{count_of(refused, 'kind')} cannot be made; see the panel Fitting."), "ERROR"
    elif waiting := len(desk.waiting):
        said, icon = say(f"Reviewing, {count_of(waiting, 'kind')} to go"), "SORTTIME"
    else:
        made = f"{count_of(desk.copies, 'fitting')} of {count_of(len(desk.fittings) - refused, 'kind')}"
        said, icon = say(f"{made}, not laid out yet"), "SORTTIME"
    draw_text(layout, said, icon, lines=lines)


def in_the_way(desk: Desk | None) -> tuple[str, ...]:
    return desk.verdict.in_the_way if desk and desk.verdict else ()


def draw_in_the_way(layout: bpy.types.UILayout, desk: Desk) -> None:
    """The first of what must be fixed or was left out, and buttons that take the first ends after all."""
    for said in in_the_way(desk)[:MOST_SAID]:
        draw_text(layout, said, icon="CANCEL")
    for row in desk.curable[:_MOST_ENDS]:
        draw_cures(layout, desk.ends[row], row)


def draw_deleted(layout: bpy.types.UILayout, number: int) -> None:
    """How many fittings were deleted, and how to have none for them."""
    box = layout.box()
    were = count_of(number, "fitting was", "fittings were")
    draw_text(box, f"{were} deleted from the scene. They are still made, and Fit puts them back.", icon="ERROR")
    box.operator("ferrule.drop_deleted", icon="X")
