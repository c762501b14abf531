# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators of the panel Fitting."""

import math
import time
from collections.abc import Sequence

import bpy
from bpy.props import BoolProperty, IntProperty, StringProperty

from ...families import table
from ...families.family import Family
from ...families.table import usual
from ...fields.declared import declared_in
from ...fields.messages import FieldName, Name, count_of, say, say_value
from ...geometry.names import quoted
from ...takeoff import TubeEnd
from ...trade.processes import Process
from .. import placing, updating, wording
from ..desk import active_family, active_group, active_recipe, times
from ..drawing import imperial, report, say_in
from ..fields import assign, auto_name, in_units, stored, stored_name
from ..quiet import quietly
from ..recipes import choose, family_of_word, made_of, start_from_shared, word_of
from ..records import end_of
from ..scene_ends import group_for
from ..views import redraw
from .long_work import LongWork, WorkError, WorkSteps
from .polls import can_build, has_groups, holds
from .tube_ends import read_into


class FERRULE_OT_fit(LongWork, bpy.types.Operator):
    """Make the fittings and put them on their tube ends, in a separate collection"""

    bl_idname = "ferrule.fit"
    bl_label = "Fit"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        made = any(group.count and made_of(group) for group in context.scene.ferrule.groups)
        return (
            has_groups(cls, context)
            and holds(cls, made, "Choose in the panel Takeoff what to make")
            and can_build(cls, context)
        )

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        scene = context.scene
        start = time.perf_counter()
        desk = yield from updating.worked(scene, review=bpy.app.background, aside=self.aside)
        added, removed = placing.place_all(scene, desk)
        times["fit"] = time.perf_counter() - start
        redraw()
        refused = sum(fitted.refusal is not None for fitted in desk.fittings)
        made = [fitted for fitted in desk.fittings if fitted.refusal is None]
        copies = sum(len(fitted.keys) for fitted in made)
        said = f"{count_of(copies, 'fitting')} of {count_of(len(made), 'kind')}"
        said += f", {added} new" if added else ""
        said += f", {removed} removed because their tube ends are gone" if removed else ""
        return said + (f"; {count_of(refused, 'kind')} cannot be made, see the panel Fitting" if refused else "")


class FERRULE_OT_fit_with(LongWork, bpy.types.Operator):
    """Choose what to make, and fit it with all else that is chosen"""

    bl_idname = "ferrule.fit_with"
    bl_label = "Fit With"
    bl_options = {"REGISTER", "UNDO", "INTERNAL"}

    family: StringProperty(name="Family", description="Name of the family of fittings", options={"SKIP_SAVE"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_groups(cls, context) and can_build(cls, context)

    @classmethod
    def description(cls, context: bpy.types.Context, properties: bpy.types.OperatorProperties) -> str:
        family = family_of_word(properties.family) or usual()
        return f"Make {family.plural} for every {family.serves}, too, and fit them with all else that is chosen"

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        family = family_of_word(self.family)
        if family is None:
            raise WorkError(_no_family(self.family))
        self.changed = True
        rows = [group for group in context.scene.ferrule.groups if group.kind == family.serves]
        make_of_rows(context.scene, family, rows, make=True)
        return (yield from FERRULE_OT_fit.steps(self, context))


class FERRULE_OT_refit(LongWork, bpy.types.Operator):
    """Read the tube ends again and move their fittings to where the tubes are now"""

    bl_idname = "ferrule.refit"
    bl_label = "Refit"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return has_groups(cls, context) and can_build(cls, context)

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        self.changed = True
        if not (yield from read_into(context, self)):
            return "The tube ends were not read"
        if not context.scene.ferrule.ends:
            gone = placing.all_fittings(context.scene)
            placing.remove(gone)
            return f"No tube ends; {count_of(len(gone), 'fitting')} removed because their tube ends are gone"
        return (yield from FERRULE_OT_fit.steps(self, context))


class FERRULE_OT_choose(bpy.types.Operator):
    """Make these fittings, or none of them"""

    bl_idname = "ferrule.choose"
    bl_label = "Choose What to Make"
    bl_options = {"REGISTER", "UNDO", "INTERNAL"}

    family: StringProperty(name="Family", description="Name of the family of fittings", options={"SKIP_SAVE"})
    row: IntProperty(
        name="Row", description="Row of the list, counted from 0; below 0 for all of the kind", default=-1,
        options={"SKIP_SAVE"},
    )  # fmt: skip
    screws: BoolProperty(
        name="For Screws", description="Make them for the screws of what goes into joints", options={"SKIP_SAVE"}
    )

    @classmethod
    def description(cls, context: bpy.types.Context, properties: bpy.types.OperatorProperties) -> str:
        family = family_of_word(properties.family) or usual()
        which = "for the chosen row" if properties.row >= 0 else f"for every {family.serves}"
        if properties.screws:
            which = "to drill the tubes for the joiners' screws"
        return f"Make {family.plural} {which}, or none"

    def execute(self, context: bpy.types.Context) -> set[str]:
        ferrule = context.scene.ferrule
        family = family_of_word(self.family)
        if family is None:
            self.report({"ERROR"}, _no_family(self.family))
            return {"CANCELLED"}
        rows = [group for group in ferrule.groups if group.kind == ("joint" if self.screws else family.serves)]
        if self.row >= 0:
            rows = [group for group in rows if group == ferrule.groups[min(self.row, len(ferrule.groups) - 1)]]
        made = [family in made_of(group) for group in rows]
        make_of_rows(context.scene, family, rows, not (any(made) if self.screws else all(made)))
        return {"FINISHED"}


def make_of_rows(scene: bpy.types.Scene, family: Family, rows: Sequence[bpy.types.PropertyGroup], make: bool) -> None:
    """Makes a family's fittings for rows of what was found, or none, and shows its recipe."""
    ferrule = scene.ferrule
    with quietly():
        for group in rows:
            if make and group.own_recipe and family not in made_of(group):
                start_from_shared(group, [family])
            choose(group, family, make)
        if make and rows:
            ferrule.family = word_of(family)
            if active_group(scene) not in rows:
                ferrule.group_index = list(ferrule.groups).index(rows[0])
    updating.batches_changed(scene)


def _no_family(word: str) -> str:
    return f"There is no family {quoted(word)}; choose one of {', '.join(map(word_of, table.FAMILIES))}"


class FERRULE_OT_show_family(bpy.types.Operator):
    """Show the recipe of these fittings"""

    bl_idname = "ferrule.show_family"
    bl_label = "Show the Recipe"
    bl_options = {"REGISTER", "INTERNAL"}

    family: StringProperty(name="Family", description="Name of the family of fittings", options={"SKIP_SAVE"})

    def execute(self, context: bpy.types.Context) -> set[str]:
        context.scene.ferrule.family = self.family
        redraw()
        return {"FINISHED"}


class TakesEnd(LongWork):
    """Mix-in: changes a number of the recipe of an end's section, reads the ends again and fits them."""

    index: IntProperty(
        name="End", description="Row in the list, counted from 0; below 0 for the chosen end", default=-1
    )

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return holds(cls, context.scene.ferrule.ends, "Read the tube ends first") and can_build(cls, context)

    def cure(self, end: TubeEnd) -> tuple[str, float | str]:
        """The number, and the value with which the end is taken. Raises ``WorkError`` if there is none."""
        raise NotImplementedError

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        ferrule = context.scene.ferrule
        index = self.index if self.index >= 0 else ferrule.end_index
        if not 0 <= index < len(ferrule.ends):
            raise WorkError(f"There is no end {index}; the list has {len(ferrule.ends)}")
        end = end_of(ferrule.ends[index])
        name, value = self.cure(end)
        self.changed = True
        row = group_for(context.scene, end)
        with quietly():
            group = ferrule.groups[row]
            if len(ferrule.groups) > 1 and not group.own_recipe:
                group.own_recipe = True
                start_from_shared(group, made_of(group))
            setattr(group.recipe if group.own_recipe else ferrule.recipe, name, value)
            ferrule.group_index = row
        updating.touch(context.scene)
        return (yield from FERRULE_OT_refit.steps(self, context))


class FERRULE_OT_shorten_spigot(TakesEnd, bpy.types.Operator):
    """Shorten the spigots of the end's section until one goes into it, read the ends again and fit them"""

    bl_idname = "ferrule.shorten_spigot"
    bl_label = "Shorten the Spigot"
    bl_options = {"REGISTER", "UNDO"}

    def cure(self, end: TubeEnd) -> tuple[str, float | str]:
        if not end.longest_mm:
            raise WorkError("A shorter spigot would not go into this end")
        return "spigot_mm", float(end.longest_mm)


class FERRULE_OT_free_holes(TakesEnd, bpy.types.Operator):
    """Let holes through the tube's walls go on through the spigots of the end's section, for a bolt or a pin to pass;
    read the ends again and fit them"""

    bl_idname = "ferrule.free_holes"
    bl_label = "Hole through the Spigot"
    bl_options = {"REGISTER", "UNDO"}

    def cure(self, end: TubeEnd) -> tuple[str, float | str]:
        if end.open or not end.holes:
            raise WorkError("No hole of this end can go on through a spigot")
        return "cross_holes", "free"


class FERRULE_OT_remove_fittings(bpy.types.Operator):
    """Remove all fittings from the scene; recipes and tube ends stay"""

    bl_idname = "ferrule.remove_fittings"
    bl_label = "Remove Fittings"
    bl_options = {"REGISTER", "UNDO"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return holds(cls, placing.all_fittings(context.scene), "There are no fittings in the scene")

    def execute(self, context: bpy.types.Context) -> set[str]:
        items = placing.all_fittings(context.scene)
        placing.remove(items)
        self.report({"INFO"}, f"{count_of(len(items), 'fitting')} removed")
        return {"FINISHED"}


class FERRULE_OT_set_number(bpy.types.Operator):
    """Set a number of the recipe or the process to a value that works"""

    bl_idname = "ferrule.set_number"
    bl_label = "Set"
    bl_options = {"REGISTER", "UNDO", "INTERNAL"}

    field: StringProperty(name="Field", description="Number of the recipe or the process", options={"SKIP_SAVE"})
    value: StringProperty(name="Value", description="Its new value, in mm or as a word", options={"SKIP_SAVE"})

    @classmethod
    def description(cls, context: bpy.types.Context, properties: bpy.types.OperatorProperties) -> str:
        return _set_to(properties, context.scene)

    def draw(self, context: bpy.types.Context) -> None:
        self.layout.label(text=_set_to(self, context.scene))

    def execute(self, context: bpy.types.Context) -> set[str]:
        scene = context.scene
        known = declared_in((active_family(scene) or usual()).recipe)
        if self.field not in known and self.field not in declared_in(Process):
            self.report({"ERROR"}, f"There is no number {self.field}; a recipe has {', '.join(known)}")
            return {"CANCELLED"}
        group = active_recipe(scene) if self.field in known else scene.ferrule.process
        old = getattr(group, stored_name(self.field))
        try:
            value = self.value if isinstance(old, str) else type(old)(stored(self.field, _number(self.value)))
            with quietly():
                if hasattr(group, auto_name(self.field)):
                    setattr(group, auto_name(self.field), False)
            setattr(group, stored_name(self.field), value)
        except (TypeError, ValueError, OverflowError) as error:
            report(self, "ERROR", say("{} cannot be {}: {}", FieldName(self.field), Name(self.value), error))
            return {"CANCELLED"}
        return {"FINISHED"}


def _number(text: str) -> float:
    number = float(text)
    if not math.isfinite(number):
        raise ValueError("it has to be a finite number")
    return number


def _set_to(number: FERRULE_OT_set_number | bpy.types.OperatorProperties, scene: bpy.types.Scene) -> str:
    return f"Set {wording.label_of(number.field)} to {say_value(number.field, number.value, say_in(scene))}"


class FERRULE_OT_reset_recipe(bpy.types.Operator):
    """Set every number of the recipe back to its default"""

    bl_idname = "ferrule.reset_recipe"
    bl_label = "Reset Recipe"
    bl_options = {"REGISTER", "UNDO"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        with quietly():
            recipe = (active_family(context.scene) or usual()).recipe
            assign(active_recipe(context.scene), in_units(recipe, imperial(context.scene)))
        updating.numbers_changed(context.scene)
        return {"FINISHED"}


_CLASSES = (
    FERRULE_OT_fit,
    FERRULE_OT_fit_with,
    FERRULE_OT_refit,
    FERRULE_OT_shorten_spigot,
    FERRULE_OT_free_holes,
    FERRULE_OT_choose,
    FERRULE_OT_show_family,
    FERRULE_OT_remove_fittings,
    FERRULE_OT_set_number,
    FERRULE_OT_reset_recipe,
)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
