# SPDX-License-Identifier: GPL-3.0-or-later
"""What Ferrule keeps in a .blend: all that a job is, as properties of the scene, and on each fitting's object which end
it is for. Results are not kept; ``updating`` works them out again.

Lengths are millimetres under names that end in ``_mm``; see ``fields``.
"""

from typing import Any

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    FloatVectorProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from ..families import table
from ..job.asked import Assembly, Output, TubeFacts
from ..trade.processes import DEFAULT_PROCESS, Process, process_named
from . import callbacks, recipes, wording
from .fields import labelled, length, properties_of
from .following import open_properties
from .recipes import FerruleRecipe, FerruleRecipes


class FerruleProcess(bpy.types.PropertyGroup):
    """How the fittings are printed, as ``trade.Process`` has it; its name is ``called``."""

    __annotations__ = {
        "called": StringProperty(
            name="Name", description="Name of the process", default=DEFAULT_PROCESS, update=callbacks.on_batches
        ),
        **properties_of(Process, callbacks.on_number, process_named(DEFAULT_PROCESS)),
    }


class FerruleTube(bpy.types.PropertyGroup):
    """What the model does not contain about the tubes."""

    __annotations__ = properties_of(TubeFacts, callbacks.on_tube)


class FerruleOutput(bpy.types.PropertyGroup):
    """What is written, and where."""

    __annotations__ = {
        **properties_of(Assembly, callbacks.on_batches, keys={"frames"}),
        **properties_of(Output, callbacks.on_number),
        "folder": StringProperty(
            name="Folder",
            description=labelled(Output)["folder"].field.tip,
            default="//ferrule_out/",
            subtype="DIR_PATH",
            options={"PATH_SUPPORTS_BLEND_RELATIVE"},
        ),
        "write_3mf": BoolProperty(
            name="3MF", description="Write a 3MF file for each plate; identical plates share one", default=True
        ),
        "write_stl": BoolProperty(name="STL", description="Write one STL file for each fitting", default=False),
    }


class FerruleSource(bpy.types.PropertyGroup):
    """An object that the ends were read from."""

    object: PointerProperty(type=bpy.types.Object)


class FerruleSurface(bpy.types.PropertyGroup):
    """The mesh of an object as the ends were read from it."""

    object: PointerProperty(type=bpy.types.Object)
    digest: StringProperty(description="What tells it from every other, as outdated.digest_of writes it")
    edited: StringProperty(description="The same of the mesh as it was when the file was saved; empty if it is as read")


class FerruleEnd(bpy.types.PropertyGroup):
    """A tube end as it was read. ``name`` is how lists call it."""

    key: StringProperty(description="Identifies the end to its fitting")
    number: IntProperty(description="What it is numbered in lists, in the view and on the job sheet")
    record: StringProperty(description="The end itself, as records.end_text writes it")
    group: IntProperty(default=-1, description="Index of its group; -1 for an end that takes no fitting")
    cut: StringProperty(description="Its cut in words, or why it cannot take a fitting")
    reason: StringProperty(description="Why it takes no fitting; empty if it does")
    clear_mm: FloatProperty(description="How deep a spigot could go")
    tube: PointerProperty(type=bpy.types.Object, description="The object that it was read from")
    fitting: PointerProperty(type=bpy.types.Object, description="The object of its fitting")
    place: FloatVectorProperty(size=3, description="Where it lies in its tube's own coordinates")
    by_hand: BoolProperty(description="Picked or added by hand, so that reading the assembly again keeps it")
    pick: StringProperty(description="What was picked of its tube's mesh, as by_hand.pick_text writes it")


class FerruleSite(bpy.types.PropertyGroup):
    """A hole, a cope or a joint as it was read. ``name`` is how lists call it."""

    key: StringProperty(description="Identifies it to its fitting")
    kind: StringProperty(description="hole, cope or joint")
    group: IntProperty(default=-1, description="Index of its row")
    said: StringProperty(description="What it is, in words")
    tube: PointerProperty(type=bpy.types.Object, description="The object that it was read from")
    place: FloatVectorProperty(size=3, description="Where it lies in its tube's own coordinates")


class FerrulePlaced(bpy.types.PropertyGroup):
    """A fitting's object; ``name`` is its key. Those of the usual family are with their ends."""

    fitting: PointerProperty(type=bpy.types.Object)


class FerruleDropped(bpy.types.PropertyGroup):
    """An end that was found, and that the user has taken off the list."""

    tube: PointerProperty(type=bpy.types.Object, description="The object that it was read from")
    place: FloatVectorProperty(size=3, description="Where it lies in its tube's own coordinates")


class FerruleGroup(bpy.types.PropertyGroup):
    """Open ends of one section, or holes of one diameter in tubes of one section, or copes or joints of such tubes.
    ``name`` is the section's, or what they are."""

    __annotations__ = {
        "kind": StringProperty(default="end", description="end, hole, cope or joint"),
        "hole_mm": FloatProperty(description="Diameter of its holes"),
        "makes": StringProperty(
            default=recipes.word_of(table.usual()), description="Names of the families whose fittings are made for them"
        ),
        "section": StringProperty(description="The section as modelled, as records.section_text writes it"),
        "size": StringProperty(description="Nearest table size and the difference, in words"),
        "count": IntProperty(description="How many open ends"),
        "one_reading": StringProperty(description="Where to measure its bore, if one number describes it"),
        "own_recipe": BoolProperty(
            name="Own Recipe",
            description="Give this section a separate recipe; the others keep the shared one",
            update=callbacks.on_own_recipe,
            options=set(),
        ),
        "recipe": PointerProperty(type=FerruleRecipe),
        "recipes": PointerProperty(type=FerruleRecipes),
        "fit_ladder": BoolProperty(
            name="Fit Ladder",
            description="Print a row of short spigots with stepped gaps for this section, to find the best gap",
            update=callbacks.on_number,
            options=set(),
        ),
        "measured": BoolProperty(
            name="Measured Bore",
            description="Fit the spigot to the bore as measured with calipers, not as modelled",
            update=callbacks.on_measured,
            options=set(),
        ),
        "bore_problem": StringProperty(description="Why the reading is not used; empty if it is"),
        **length("bore_width_mm", wording.BORE["bore_width_mm"], callbacks.on_measure),
        **length("bore_depth_mm", wording.BORE["bore_depth_mm"], callbacks.on_measure),
    }


def _switch(name: str, description: str, default: bool = False) -> Any:
    return BoolProperty(name=name, description=description, default=default, update=callbacks.on_view, options=set())


class FerruleView(bpy.types.PropertyGroup):
    """What the view shows of the active fitting."""

    show_ends: _switch(
        "Markers in the View", "Mark each tube end in the view, with the name of the one under the mouse", True
    )
    show_profile: _switch("Profile", "Draw the fitting's profile with its dimensions beside it", True)
    show_outlines: _switch("Layer Outlines", "Draw the outlines of the layers")
    which_layers: EnumProperty(
        name="Layers",
        description="Layers whose outlines are drawn",
        items=[
            ("all", "All", "Draw the outline of every layer"),
            ("up to layer", "Up to Layer", "Draw the outlines up to the chosen layer"),
        ],
        update=callbacks.on_view,
        options=set(),
    )
    layer: IntProperty(
        name="Layer",
        description="Layer shown, counted from 1 at the plate",
        default=1,
        min=1,
        update=callbacks.on_view,
        options=set(),
    )
    show_rings: _switch("Rings", "Draw the chosen layer's rings and the areas that they leave uncovered")
    planned: _switch("As Planned", "Draw the rings of the print plan instead of those of the process")
    show_overhangs: _switch("Overhangs", "Mark surfaces that need support, and the support's columns")
    show_thin_walls: _switch("Thin Walls", "Mark walls too thin for the process")
    show_steps: _switch("Layer Steps", "Show how far the outline moves from each layer to the next")
    show_gap: _switch("Gap to the Tube", "Show the room between spigot and bore")
    good_to_know: _switch("Good to Know", "List findings that ask for nothing, too")
    show_plate: _switch("Plate", "Draw the plate and where each fitting lies on it")
    plate: IntProperty(
        name="Plate",
        description="Plate drawn",
        default=1,
        min=1,
        update=callbacks.on_view,
        options=set(),
    )


class FerruleScene(bpy.types.PropertyGroup):
    """The whole job of a scene."""

    __annotations__ = {
        "key": StringProperty(description="Identifies the scene to its fittings"),
        "stamp": IntProperty(description="Changes with everything that the results depend on"),
        "recipe": PointerProperty(type=FerruleRecipe),
        "recipes": PointerProperty(type=FerruleRecipes),
        "process": PointerProperty(type=FerruleProcess),
        "tube": PointerProperty(type=FerruleTube),
        "output": PointerProperty(type=FerruleOutput),
        "view": PointerProperty(type=FerruleView),
        "use_shop_book": BoolProperty(
            name="Use the Shop Book",
            description="Apply this machine's shop book: corrected gaps, measured tubes, own plastics",
            update=callbacks.on_batches,
            options=set(),
        ),
        "sources": CollectionProperty(type=FerruleSource),
        "surfaces": CollectionProperty(type=FerruleSurface),
        "ends": CollectionProperty(type=FerruleEnd),
        "dropped": CollectionProperty(type=FerruleDropped),
        "takeoff": StringProperty(description="Tubes, holes, copes and joints, as takeoff_text writes them"),
        "sites": CollectionProperty(type=FerruleSite),
        "site_index": IntProperty(
            name="Place",
            description="The chosen hole, cope or joint",
            default=-1,
            update=callbacks.on_site,
            options=set(),
        ),
        "placed": CollectionProperty(type=FerrulePlaced),
        "family": StringProperty(description="Name of the family whose recipe is shown, of those that are made"),
        "end_index": IntProperty(
            name="Tube End", description="The chosen tube end", default=-1, update=callbacks.on_end, options=set()
        ),
        "groups": CollectionProperty(type=FerruleGroup),
        "group_index": IntProperty(
            name="Section", description="The chosen section", update=callbacks.on_group, options=set()
        ),
        "notes": StringProperty(description="What was left out and why, one reason per line"),
        "doubt": StringProperty(description="Why the unit is in doubt; empty if it is not"),
        "chosen_scale": FloatProperty(description="The unit scale that the user has chosen or confirmed; 0 if none"),
        "scale_before": FloatProperty(
            description="The scene's unit scale before another unit was chosen; 0 if none was"
        ),
        "widest_mm": FloatProperty(description="Width of the widest tube that was read"),
        "whole_scene": BoolProperty(description="Whether the whole scene was read, or the objects in sources"),
        "unit_scale": FloatProperty(description="The scene's unit scale when the ends were read"),
        "doubt_factor": FloatProperty(description="What lengths would have to be multiplied by"),
        **length("wall_mm", wording.WALL, None),
    }


class FerruleObject(bpy.types.PropertyGroup):
    """Which end of which scene an object is the fitting of; empty for every other object."""

    scene_key: StringProperty()
    end_key: StringProperty(description="Of the end, or the name of another family and the key of what it is for")
    given_name: StringProperty(description="What it was called, as long as the user has not named it")
    family: StringProperty(default=recipes.word_of(table.usual()))


class FerruleMesh(bpy.types.PropertyGroup):
    """What a fitting's mesh was made from, as a digest; empty for every other mesh."""

    made_from: StringProperty()


class FerruleFinding(bpy.types.PropertyGroup):
    """A line of the list of findings. ``name`` is its check, ``index`` its place in ``listing.findings``."""

    index: IntProperty()
    severity: StringProperty()
    fitting: StringProperty()
    who: StringProperty(description="Whom the findings of this check concern; empty unless it is the first of them")


class FerruleWindow(bpy.types.PropertyGroup):
    """What lists show of results, and which panels are open. It belongs to the window manager, so it is neither saved
    nor undone."""

    __annotations__ = {
        "findings": CollectionProperty(type=FerruleFinding),
        "finding_index": IntProperty(
            name="Finding", description="The chosen finding", update=callbacks.on_finding, options=set()
        ),
        **open_properties(),
    }


CLASSES = (
    FerruleProcess,
    FerruleTube,
    FerruleOutput,
    FerruleSource,
    FerruleSurface,
    FerruleEnd,
    FerruleSite,
    FerrulePlaced,
    FerruleDropped,
    FerruleGroup,
    FerruleView,
    FerruleScene,
    FerruleObject,
    FerruleMesh,
    FerruleFinding,
    FerruleWindow,
)
_HOLDERS: dict[Any, type[bpy.types.PropertyGroup]] = {
    bpy.types.Scene: FerruleScene,
    bpy.types.Object: FerruleObject,
    bpy.types.Mesh: FerruleMesh,
    bpy.types.WindowManager: FerruleWindow,
}


_registered: list[type] = []


def register() -> None:
    _registered[:] = [*recipes.classes(callbacks.on_number), *CLASSES]
    for cls in _registered:
        bpy.utils.register_class(cls)
    for holder, pointer in _HOLDERS.items():
        holder.ferrule = PointerProperty(type=pointer)


def unregister() -> None:
    for holder in reversed(_HOLDERS):
        del holder.ferrule
    for cls in reversed(_registered):
        bpy.utils.unregister_class(cls)
