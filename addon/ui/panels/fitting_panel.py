# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Fitting."""

from functools import cache

import bpy

from ...families import table
from ...families.family import Family
from ...fields.declared import values_of
from ...fields.messages import Length, count_of, say
from ...job.asked import TubeFacts
from .. import updating, wording
from ..desk import Fitted, active_family, active_fitted, active_group, active_recipe
from ..drawing import draw_field, draw_refusal, draw_text, row_name, say_in
from ..fields import labelled
from ..following import next_step
from ..recipes import holder_of, made_of, recipe_of, word_of
from .cautions_panel import draw_beside
from .sidebar import Fold, StepFold, draw_result, group_folds


def _chosen(context: bpy.types.Context) -> tuple[bpy.types.PropertyGroup, Fitted | None]:
    return active_recipe(context.scene), active_fitted(context.scene, updating.desk_of(context.scene))


def _draw_group(layout: bpy.types.UILayout, context: bpy.types.Context, group: str) -> bool:
    """Draws the fields of one group that the recipe has use for; whether the refused one is among them."""
    properties, fitted = _chosen(context)
    family = active_family(context.scene)
    if family is None:
        return False
    recipe = recipe_of(properties)
    refusal = fitted.refusal if fitted else None
    settled = fitted.fitting.recipe if fitted and fitted.fitting and not refusal else None
    refused = refusal.field if refusal else ""
    kind = fitted.batch.section.kind if fitted else ""
    shown = [
        field
        for field in labelled(family.recipe).values()
        if field.field.group == group
        and field.shown_for(recipe)
        and (not kind or not field.field.sections or kind in field.field.sections or field.key == refused)
    ]
    for field in shown:
        value = field.of(settled) if settled else None
        draw_field(
            layout, properties, field.key, field.field, context.scene, value if isinstance(value, float) else None,
            refusal if refused == field.key else None,
        )  # fmt: skip
    return refused in [field.key for field in shown]


class FERRULE_PT_fitting(StepFold):
    name = "fitting"

    @classmethod
    def parts(cls, context: bpy.types.Context) -> tuple[type[Fold], ...]:
        family = active_family(context.scene)
        return (*(_groups_of(word_of(family), family.recipe) if family else ()), FERRULE_PT_tube)

    @classmethod
    def draw_at_right(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        desk = updating.desk_of(context.scene)
        if desk and next_step(context.scene) not in ("read", "fit"):
            draw_result(layout, count_of(len(desk.fittings), "kind"))
        row = layout.row(align=True)
        row.menu("FERRULE_MT_recipe_presets", text="", icon="PRESET")
        row.operator("ferrule.save_recipe", text="", icon="ADD", emboss=False)

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        ferrule = context.scene.ferrule
        group = active_group(context.scene)
        _, fitted = _chosen(context)
        row = layout.row(align=True)
        row.scale_y = 1.4
        row.operator("ferrule.fit", text="Fit", icon="MOD_SOLIDIFY")
        row.operator("ferrule.refit", text="Refit", icon="FILE_REFRESH")
        family = active_family(context.scene)
        if group is not None:
            _draw_families(layout, group, family)
        if family is None:
            advice = "choose a fitting for them in the panel Takeoff."
            draw_text(layout, f"Nothing is made for these {group.kind}s; {advice}", icon="INFO")
            return
        if group is not None:
            others = sum(
                family in made_of(other) and holder_of(other, ferrule, family) == ferrule for other in ferrule.groups
            )
            own = holder_of(group, ferrule, family) == group
            shared = f"Shared by {count_of(others, _ROWS[family.serves])}"
            layout.label(text=row_name(group, say_in(context.scene)) if own or others < 2 else shared, translate=False)
            if group.kind == family.serves:
                layout.prop(group, "own_recipe")
        refused_here = _draw_group(layout, context, "")
        if fitted and fitted.refusal and not refused_here:
            layout.label(text=wording.label_of(fitted.refusal.field), icon="ERROR")
            draw_refusal(layout, fitted.refusal, context.scene)
        if fitted and fitted.problem:
            draw_text(layout.box(), fitted.problem, icon="ERROR")
        if fitted and fitted.made and not fitted.refusal:
            drawn = values_of(fitted.fitting.recipe)
            for key, asked_mm in fitted.fitting.asked_for.items():
                text = f"{wording.label_of(key)} {{}} on whole layers; {{}} was asked for"
                draw_text(layout, say(text, Length(drawn[key]), Length(asked_mm)), icon="ALIGN_BOTTOM")
        draw_beside(layout, context, "fit")


_ROWS = {"end": "section", "hole": "kind", "cope": "section", "joint": "section"}
"""What the rows of the list are that share a recipe."""


def _draw_families(layout: bpy.types.UILayout, group: bpy.types.PropertyGroup, family: Family | None) -> None:
    """Whose recipe is shown, where several are made of a row."""
    made = made_of(group)
    if len(made) > 1:
        row = layout.row(align=True)
        for other in made:
            row.operator("ferrule.show_family", text=other.label, depress=other is family).family = word_of(other)
    elif family is not None and family is not table.usual():
        layout.label(text=family.label)


class _Group(Fold):
    """The fields of the recipe's group that bears its name."""

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        _draw_group(layout, context, cls.label)
        family = active_family(context.scene)
        if family and (choice := family.beside.get(cls.label)):
            draw_beside(layout, context, choice, whole=True)


@cache
def _groups_of(word: str, recipe: type) -> tuple[type[Fold], ...]:
    return group_folds("fitting" if word == word_of(table.usual()) else word, _Group, recipe)


class FERRULE_PT_tube(Fold):
    label = "Tube and Temperatures"

    @classmethod
    def draw(cls, layout: bpy.types.UILayout, context: bpy.types.Context) -> None:
        for key, field in labelled(TubeFacts).items():
            draw_field(layout, context.scene.ferrule.tube, key, field.field, context.scene)
        draw_beside(layout, context, "heat", whole=True)
