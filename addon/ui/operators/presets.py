# SPDX-License-Identifier: GPL-3.0-or-later
"""Recipes as Blender presets."""

import os

import bpy
from bl_operators.presets import AddPresetBase
from bpy.props import StringProperty

from ...families.family import Family
from ...families.table import usual
from ...fields.declared import declared_in
from ...geometry.names import quoted
from .. import updating
from ..desk import active_family, active_recipe
from ..fields import auto_name, stored_name
from ..quiet import quietly
from ..recipes import word_of
from ..scene import last_line


class FERRULE_MT_recipe_presets(bpy.types.Menu):
    """Saved recipes"""

    bl_label = "Recipe Presets"
    preset_subdir = "ferrule/recipe"
    preset_operator = "ferrule.load_recipe"

    def draw(self, context: bpy.types.Context) -> None:
        self.preset_subdir = _folder(context)
        self.draw_preset(context)


class FERRULE_OT_save_recipe(AddPresetBase, bpy.types.Operator):
    """Save the recipe as a preset, or remove the preset shown"""

    bl_idname = "ferrule.save_recipe"
    bl_label = "Save Recipe"
    preset_menu = "FERRULE_MT_recipe_presets"

    @property
    def preset_subdir(self) -> str:
        return _folder(bpy.context)

    @property
    def preset_defines(self) -> list[str]:
        family = _family(bpy.context)
        return [
            "ferrule = bpy.context.scene.ferrule",
            "group = ferrule.groups[ferrule.group_index] if ferrule.groups else None",
            "holder = group if group and group.own_recipe else ferrule",
            f"recipe = holder.{'recipe' if family is usual() else f'recipes.{word_of(family)}'}",
        ]

    @property
    def preset_values(self) -> list[str]:
        known = active_recipe(bpy.context.scene).bl_rna.properties
        fields = declared_in(_family(bpy.context).recipe)
        names = [name for field in fields for name in (auto_name(field), stored_name(field))]
        return [f"recipe.{name}" for name in names if name in known]

    def execute(self, context: bpy.types.Context) -> set[str]:
        try:
            return super().execute(context)  # type: ignore[return-value]
        except OSError as error:
            self.report({"ERROR"}, f"The recipe was not saved: {error.strerror or error}. Make the folder writable")
            return {"CANCELLED"}


def _family(context: bpy.types.Context) -> Family:
    return active_family(context.scene) or usual()


def _folder(context: bpy.types.Context) -> str:
    """Below the presets' own, where those of the shown family are."""
    family = _family(context)
    return FERRULE_MT_recipe_presets.preset_subdir if family is usual() else f"ferrule/{word_of(family)}"


class FERRULE_OT_load_recipe(bpy.types.Operator):
    """Load this recipe"""

    bl_idname = "ferrule.load_recipe"
    bl_label = "Load Recipe"
    bl_options = {"REGISTER", "UNDO", "INTERNAL"}

    filepath: StringProperty(subtype="FILE_PATH", options={"SKIP_SAVE"})
    menu_idname: StringProperty(options={"SKIP_SAVE"})

    def execute(self, context: bpy.types.Context) -> set[str]:
        if not os.path.isfile(self.filepath):
            self.report({"ERROR"}, f"The preset {quoted(self.filepath)} does not exist; save the recipe again")
            return {"CANCELLED"}
        try:
            with quietly():
                bpy.ops.script.execute_preset(filepath=self.filepath, menu_idname=FERRULE_MT_recipe_presets.__name__)
        except RuntimeError as error:
            said = f"The preset {quoted(self.filepath)} cannot be loaded completely: {last_line(error)}"
            self.report({"ERROR"}, f"{said}. Check the numbers and save the recipe again")
        updating.numbers_changed(context.scene)
        return {"FINISHED"}


_CLASSES = (FERRULE_MT_recipe_presets, FERRULE_OT_save_recipe, FERRULE_OT_load_recipe)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
