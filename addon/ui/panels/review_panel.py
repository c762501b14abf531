# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Print Review."""

from typing import Any

import bpy

from ...fields.messages import Units, count_of, say_value
from ...review import Finding
from .. import listing, looking, updating
from ..drawing import draw_text, say_in
from ..listing import GOOD_TO_KNOW
from ..scene_ends import own_part
from ..wording import in_window, label_of
from .sidebar import Fold, StepFold, draw_result

ICONS = {"must fix": "CANCEL", "look at": "ERROR", "good to know": "INFO"}
SHORT = 8
"""Letters for which a narrow column on the right is enough."""
PLACES = 3
"""Other places of a check that are listed below the chosen one."""


class FERRULE_UL_findings(bpy.types.UIList):
    """What the checks found, worst first, a line for each check."""

    def draw_item(
        self,
        context: bpy.types.Context,
        layout: bpy.types.UILayout,
        data: Any,
        item: Any,
        icon: int,
        active: Any,
    ) -> None:
        row = layout.split(factor=0.75 if len(item.who) <= SHORT else 0.55)
        row.label(text=f"{item.name[:1].upper()}{item.name[1:]}", icon=ICONS[item.severity])
        right = row.row()
        right.alignment = "RIGHT"
        right.label(text=item.who, translate=False)

    def filter_items(self, context: bpy.types.Context, data: Any, propname: str) -> tuple[list[int], list[int]]:
        every = context.scene.ferrule.view.good_to_know
        shown = (row.who and (every or row.severity != GOOD_TO_KNOW) for row in getattr(data, propname))
        return [self.bitflag_filter_item if show else 0 for show in shown], []


class FERRULE_PT_review(StepFold):
    name = "review"

    @classmethod
    def parts(cls, context: bpy.types.Context) -> tuple[type[Fold], ...]:
        return FERRULE_PT_overlays, FERRULE_PT_print_plan

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return bool(context.scene.ferrule.groups or own_part(context) or listing.listed(context))

    @classmethod
    def draw_at_right(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        rows = [row for row in context.window_manager.ferrule.findings if row.who]
        worst = next((row.severity for row in rows if row.severity != GOOD_TO_KNOW), "")
        if worst:
            number = sum(row.severity == worst for row in rows)
            draw_result(layout, f"{number} to fix" if worst == "must fix" else str(number), ICONS[worst])

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        desk, findings = updating.desk_of(context.scene), listing.listed(context)
        if desk is None and not findings:
            draw_text(layout, "Read the tube ends, or select a single part of your own to review.", icon="INFO")
        manager = context.window_manager.ferrule
        if findings:
            good = sum(row.severity == GOOD_TO_KNOW for row in manager.findings if row.who)
            kinds = sum(bool(row.who) for row in manager.findings)
            if kinds > good or context.scene.ferrule.view.good_to_know:
                layout.template_list(
                    "FERRULE_UL_findings", "", manager, "findings", manager, "finding_index", rows=3, maxrows=6
                )
            if good:
                layout.prop(context.scene.ferrule.view, "good_to_know", text=f"{good} good to know")
            finding = listing.chosen_finding(context)
            if finding is not None:
                fitted = looking.fitted_of(context.scene, finding)
                _draw_finding(layout, finding, say_in(context.scene), following=fitted is not None and fitted.waiting)
        if desk is not None:
            layout.operator("ferrule.check_in_place", icon="SELECT_INTERSECT")
        if item := own_part(context):
            layout.operator("ferrule.review_object", text=f"Review {item.name}", icon="VIEWZOOM", translate=False)


def _draw_finding(layout: bpy.types.UILayout, finding: Finding, say: Units, following: bool) -> None:
    """The finding in sentences; only its kind while it is ``following`` a number, as files get finer facets."""
    box = layout.box()
    head = box.row()
    head.label(text=finding.severity.capitalize(), icon=ICONS[finding.severity])
    head.operator("ferrule.go_to_finding", text="", icon="VIEWZOOM")
    if following:
        box.label(text="Measured once the numbers rest", icon="SORTTIME")
        return
    if finding.where:
        draw_text(box, finding.where)
    draw_text(box, finding.meaning)
    if finding.measured:
        draw_text(box, finding.measured)
    draw_text(box, finding.advice, icon="FORWARD")
    if finding.cure:
        sets = ", ".join(f"{label_of(field)} {say_value(field, value, say)}" for field, value in finding.cure.items())
        box.operator("ferrule.cure", text=f"Set {sets}", icon="CHECKMARK")
    others = listing.others_alike(finding)
    column = box.column(align=True)
    for index in others[:PLACES]:
        other = listing.findings[index]
        text = ", ".join(filter(None, (other.fitting, in_window(other.where, say))))
        column.operator(
            "ferrule.go_to_finding", text=text or other.check, icon="VIEWZOOM", translate=False
        ).index = index
    if len(others) > PLACES:
        box.label(text=f"and {count_of(len(others) - PLACES, 'more place')}")


class FERRULE_PT_overlays(Fold):
    label = "Show in the View"
    closed = False

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        view = context.scene.ferrule.view
        column = layout.column(heading="Layers")
        column.prop(view, "show_outlines", text="Outlines")
        sub = column.row()
        sub.active = view.show_outlines
        sub.prop(view, "which_layers", expand=True, text="Drawn")
        column.prop(view, "show_rings")
        sub = column.row()
        sub.active = view.show_rings
        sub.prop(view, "planned")
        row = layout.row(align=True)
        row.prop(view, "layer")
        row.operator("ferrule.step_layers", text="", icon="ARROW_LEFTRIGHT")
        column = layout.column(heading="Marks")
        column.prop(view, "show_overhangs")
        column.prop(view, "show_thin_walls")
        column.prop(view, "show_steps")
        column.prop(view, "show_gap")
        column.prop(view, "show_profile")


class FERRULE_PT_print_plan(Fold):
    label = "Print Plan"

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        subject = looking.subject_of(context)
        review = subject.review if subject else None
        # Until then it is that of the view's facets, which may differ a little from that of the files.
        printed = review.printed if review and review.settled else None
        if printed is None:
            draw_text(layout, "The plan appears once the fitting is reviewed.", icon="INFO")
            return
        layout.label(text=subject.name, translate=False)
        for line in (*printed.plan.lines, printed.support.said(subject.review.process)):
            draw_text(layout, line)


_CLASSES = (FERRULE_UL_findings,)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
