# SPDX-License-Identifier: GPL-3.0-or-later
"""The recipes of the families as Blender keeps them, and which families are made of what is listed.

The usual family's recipe is ``recipe`` of a scene, or of a section with a recipe of its own; those of the others are
``recipes.WORD`` there.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import bpy
from bpy.props import PointerProperty

from ..families import table
from ..families.family import Family
from ..fields.coercion import read_record
from .fields import Update, assign, properties_of, suit_units, values


class FerruleRecipe(bpy.types.PropertyGroup):
    """The numbers of a fitting, as the usual family's recipe has them."""


class FerruleRecipes(bpy.types.PropertyGroup):
    """The recipes of the other families, by their names."""


def classes(update: Update) -> list[type[bpy.types.PropertyGroup]]:
    """To be registered: a property group for the recipe of each family, and those that hold them."""
    FerruleRecipe.__annotations__ = properties_of(table.usual().recipe, update)
    others = {word_of(family): _class_for(family, update) for family in table.FAMILIES if family is not table.usual()}
    FerruleRecipes.__annotations__ = {name: PointerProperty(type=cls) for name, cls in others.items()}
    return [FerruleRecipe, *others.values(), FerruleRecipes]


def word_of(family: Family) -> str:
    """Its name as one word, by which Blender keeps it."""
    return family.name.replace(" ", "_")


def family_of_word(word: str) -> Family | None:
    return next((family for family in table.FAMILIES if word_of(family) == word), None)


def recipe_group(holder: bpy.types.PropertyGroup, family: Family) -> bpy.types.PropertyGroup:
    """A family's recipe in a scene's properties or a section's."""
    return holder.recipe if family is table.usual() else getattr(holder.recipes, word_of(family))


def family_of(recipe: bpy.types.PropertyGroup) -> Family | None:
    """The family whose recipe a property group is; None for one of another kind."""
    name = recipe.bl_rna.identifier
    if name == FerruleRecipe.__name__:
        return table.usual()
    return next((family for family in table.FAMILIES if name == _class_name(family)), None)


def recipe_of(group: bpy.types.PropertyGroup) -> Any:
    family = family_of(group)
    assert family is not None
    return read_record(family.recipe, values(group, family.recipe))


def families_for(kind: str) -> tuple[Family, ...]:
    """Those that serve ends, holes, copes or joints. What stays in a joint may have screws, and the tools for holes
    serve theirs, too."""
    return tuple(family for family in table.FAMILIES if family.serves == kind or (kind == "joint" and family.hole_tool))


def made_of(group: bpy.types.PropertyGroup) -> tuple[Family, ...]:
    """The families whose fittings are made for a row of what was found."""
    return tuple(family for family in families_for(group.kind) if word_of(family) in group.makes.split())


def choose(group: bpy.types.PropertyGroup, family: Family, make: bool) -> None:
    """Makes a family's fittings for a row, or not. Of those that stay in their place a row has one, and one tool."""
    families = [other for other in made_of(group) if other is not family and (not make or other.stays != family.stays)]
    families += [family] if make else []
    served = {other.serves for other in families}
    group.makes = " ".join(word_of(other) for other in families if group.kind in served)


def holder_of(group: bpy.types.PropertyGroup | None, ferrule: bpy.types.PropertyGroup, family: Family) -> Any:
    """What has the recipe of a family for a row: the row itself, or what all share. For tools that serve the screws of
    what a row gets, that is always the shared one."""
    own = group is not None and group.own_recipe and group.kind == family.serves
    return group if own else ferrule


def start_from_shared(group: bpy.types.PropertyGroup, families: Iterable[Family]) -> None:
    """Gives a row's own recipes of these families the numbers of the shared ones."""
    for family in families:
        assign(recipe_group(group, family), recipe_of(recipe_group(group.id_data.ferrule, family)))


def suit_all(ferrule: bpy.types.PropertyGroup, imperial: bool) -> None:
    """Makes the lengths of the shared recipes that nobody has set round in the units that are wanted."""
    for family in table.FAMILIES:
        suit_units(recipe_group(ferrule, family), family.recipe, imperial)


def _class_name(family: Family) -> str:
    return f"FerruleRecipe_{word_of(family)}"


def _class_for(family: Family, update: Update) -> type[bpy.types.PropertyGroup]:
    said = {"__doc__": f"The numbers of {family.plural}.", "__annotations__": properties_of(family.recipe, update)}
    return type(_class_name(family), (bpy.types.PropertyGroup,), said)
