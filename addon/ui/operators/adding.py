# SPDX-License-Identifier: GPL-3.0-or-later
"""Add > Mesh > Tube Fitting: a fitting for a size of the tables, without an assembly."""

from functools import cache

import bpy
import numpy as np
from bpy.props import EnumProperty, StringProperty

from ...families.table import usual
from ...fields.coercion import plain, read_record
from ...fields.declared import declared_in
from ...fields.messages import say
from ...takeoff.given import SizedEnd
from ...trade.sizes import size_families, size_named
from ...trade.tables import UnknownNameError, cited
from .. import placing, scene_ends, updating
from ..drawing import draw_field, imperial, report, split
from ..fields import assign, properties_of, suit_units, values
from ..quiet import quietly
from .polls import can_build


@cache
def _families() -> list[tuple[str, str, str]]:
    return [(family, family, "") for family in size_families()]


def _matching(family: str, text: str) -> list[tuple[str, str]]:
    """The family's sizes whose names have every word of ``text``, and where each is from; all for a whole name."""
    sizes = size_families()[family]
    words = [plain(word) for word in text.replace("×", " ").replace("x", " ").split()]
    if plain(text) not in (plain(size.name) for size in sizes):
        sizes = tuple(size for size in sizes if all(word in plain(size.name) for word in words))
    return [(size.name, cited(size)) for size in sizes]


def _first_of_family(operator: bpy.types.Operator, context: bpy.types.Context) -> None:
    operator.size = size_families()[operator.family][0].name


class FERRULE_OT_add_fitting(bpy.types.Operator):
    """Add a fitting for a table size of tube at the 3D cursor"""

    bl_idname = "ferrule.add_fitting"
    bl_label = "Tube Fitting"
    bl_options = {"REGISTER", "UNDO"}

    __annotations__ = {
        "family": EnumProperty(
            name="Tube",
            description="Kind of tube",
            items=lambda operator, context: _families(),
            update=_first_of_family,
        ),
        "size": StringProperty(
            name="Size",
            description="Size of the tube that the fitting is for; type a part of its name to find it",
            search=lambda operator, context, text: _matching(operator.family, text),
        ),
        **properties_of(usual().recipe, keys=usual().chief),
    }

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return can_build(cls, context)

    def draw(self, context: bpy.types.Context) -> None:
        layout = split(self.layout)
        layout.prop(self, "family")
        layout.prop(self, "size")
        for name in usual().chief:
            draw_field(layout, self, name, declared_in(usual().recipe)[name].field, context.scene)

    def execute(self, context: bpy.types.Context) -> set[str]:
        scene = context.scene
        suit_units(self, usual().recipe, imperial(scene), usual().chief)
        if not self.size:
            _first_of_family(self, context)
        try:
            size = size_named(self.size)
        except UnknownNameError as error:
            report(self, "ERROR", error)
            return {"CANCELLED"}
        metals = [metal for listing in size.listings if listing.family == self.family for metal in listing.metals]
        cursor = np.array(scene.cursor.matrix)
        place = cursor[:3, 3] * placing.mm_per_unit(scene)
        end = SizedEnd(size.name, tuple(place.tolist()), tuple(cursor[:3, 2].tolist()), tuple(cursor[:3, 0].tolist()))
        metal = scene.ferrule.tube.metal
        row, _ = scene_ends.add_end(scene, end.tube_end(metal if metal in metals or not metals else metals[0]), None)
        line = scene.ferrule.ends[row]
        group = scene.ferrule.groups[line.group]
        with quietly():
            scene.ferrule.end_index, scene.ferrule.group_index = row, line.group
            if group.count == 1:
                group.own_recipe = True
                assign(group.recipe, read_record(usual().recipe, values(self, usual().recipe, usual().chief)))
        updating.touch(scene)
        desk = updating.finish(scene, review=False)
        fitted = next(fitted for fitted in desk.fittings if row in fitted.rows)
        if fitted.refusal:
            report(self, "WARNING", say("The fitting cannot be made: {}", fitted.refusal))
            return {"FINISHED"}
        placing.place_all(scene, desk, only={line.key})
        placing.select(context, placing.placed(scene).get(line.key))
        return {"FINISHED"}


def _menu(menu: bpy.types.Menu, context: bpy.types.Context) -> None:
    menu.layout.operator(FERRULE_OT_add_fitting.bl_idname, icon="MESH_CYLINDER")


def register() -> None:
    bpy.utils.register_class(FERRULE_OT_add_fitting)
    bpy.types.VIEW3D_MT_mesh_add.append(_menu)


def unregister() -> None:
    bpy.types.VIEW3D_MT_mesh_add.remove(_menu)
    bpy.utils.unregister_class(FERRULE_OT_add_fitting)
