# SPDX-License-Identifier: GPL-3.0-or-later
"""Blender properties made from the fields of the house's dataclasses, and carried back into them.

A length is stored in millimetres, whatever the scene's unit scale is, and has a second property that shows and takes
the same length in inches; panels draw the one that the scene's unit system asks for. Blender's own length unit would
count in scene units, whose steps while dragging are metres in most scenes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from dataclasses import MISSING
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, FloatVectorProperty, IntProperty, StringProperty

from ..fields.declared import Declared, Field, declared_in, with_values
from ..geometry.units import MM_PER_INCH
from ..trade.renamed import NEW_NAMES

UNDECIDED = -1.0
"""Stored where a number has been automatic all along."""

LONGEST_UNIT = 2
"""Letters."""

_MM_PER = {"_mm": MM_PER_INCH, "_mm_s": MM_PER_INCH, "_mm3": MM_PER_INCH**3}
"""How the names of lengths, speeds and volumes end, and what one of inches is in millimetres."""

Update = Callable[[Any, bpy.types.Context], None]


def labelled(cls: type) -> dict[str, Declared]:
    """The fields of a dataclass that people are shown, by their keys."""
    return {key: field for key, field in declared_in(cls).items() if field.field.label}


def properties_of(
    cls: type, update: Update | None = None, usual: Any = None, keys: Collection[str] | None = None
) -> dict[str, Any]:
    """Blender properties for every labelled field of ``cls``, or those of ``keys``; ``update`` is called after each
    change.

    Defaults are those of ``cls``, or the fields of the instance ``usual``. A length ``rise_mm`` gets a twin
    ``rise_in``, as do a speed and a volume; a field that may be None gets ``rise_mm_auto``, which is None when set.
    """
    props: dict[str, Any] = {}
    for key, field in labelled(cls).items():
        if keys is None or key in keys:
            default = field.of(usual) if usual else None if field.default is MISSING else field.default
            props |= _properties(field, default, update)
    for old, new in NEW_NAMES.items():
        if new in props:
            kind = IntProperty if declared_in(cls)[new].hint is int else FloatProperty
            props[old] = kind(name=old, description=f"Old name of {new}", options={"HIDDEN"}, update=take_old_names)
    return props


def take_old_names(group: Any, context: bpy.types.Context | None = None) -> None:
    """Moves what ``group`` holds under the names of older .blend files and presets to the properties of today."""
    for old, new in NEW_NAMES.items():
        if old in group.bl_rna.properties and group.is_property_set(old):
            number = getattr(group, old)
            group.property_unset(old)
            setattr(group, new, number)


def length(name: str, words: Field, update: Update | None, default: float = 0.0) -> dict[str, Any]:
    """One length and its twin in inches."""
    return _lengths(name, words, _common(words, update), default)


def values(group: bpy.types.PropertyGroup, cls: type, keys: Collection[str] | None = None) -> dict[str, Any]:
    """The labelled fields of ``cls``, or those of ``keys``, as ``group`` holds them."""
    return {key: _value_of(group, field) for key, field in labelled(cls).items() if keys is None or key in keys}


def assign(group: bpy.types.PropertyGroup, instance: Any) -> None:
    """Puts the labelled fields of a dataclass instance into ``group``."""
    for key, field in labelled(type(instance)).items():
        value = field.of(instance)
        if field.optional:
            setattr(group, auto_name(key), value is None)
            if value is None:
                continue
        setattr(group, stored_name(key), stored(key, value))


def in_units(cls: type, imperial: bool) -> Any:
    """The defaults of ``cls``, round in the units that are wanted."""
    return with_values(cls(), {key: field.default_in(imperial) for key, field in labelled(cls).items()})


def suit_units(group: Any, cls: type, imperial: bool, keys: Collection[str] | None = None) -> None:
    """Makes the lengths of ``group`` that nobody has set round in the units that are wanted."""
    for key, field in labelled(cls).items():
        in_inches = field.default_in(True)
        if in_inches == field.default or (keys is not None and key not in keys):
            continue
        if imperial and not group.is_property_set(key):
            setattr(group, key, in_inches)
        elif not imperial and math.isclose(getattr(group, key), in_inches, rel_tol=1e-6):
            group.property_unset(key)


def exact(number: float) -> float:
    """A number that Blender kept in single precision as it was typed: seven digits give it back."""
    return float(f"{number:.7g}")


def auto_name(name: str) -> str:
    return f"{name}_auto"


def inch_name(name: str) -> str:
    """``"rise_in"``, ``"speed_in_s"``, ``"purge_in3"``: the twin in inches of what is in millimetres, else empty."""
    kind = _kind_of(name)
    return name.removesuffix(kind) + kind.replace("mm", "in") if kind else ""


def bare_name(name: str) -> str:
    return name.removesuffix("_mm").removesuffix("_deg")


def stored_name(name: str) -> str:
    """Angles are stored in radians under their bare name, as Blender's own are."""
    return bare_name(name) if name.endswith("_deg") else name


def _kind_of(name: str) -> str:
    """How the name of a number in millimetres ends, else empty."""
    return next((kind for kind in _MM_PER if name.endswith(kind)), "")


def _common(words: Field, update: Update | None) -> dict[str, Any]:
    return {"name": words.label, "description": words.tip, "options": set(), "update": update}


def _properties(field: Declared, default: Any, update: Update | None) -> dict[str, Any]:
    name, hint, words = field.key, field.hint, field.field
    common = _common(words, update)
    props: dict[str, Any] = {}
    if field.optional:
        props[auto_name(name)] = BoolProperty(
            name=f"{words.label} Automatic",
            description=f"Let Ferrule decide: {words.tip[0].lower()}{words.tip[1:]}",
            default=default is None, options=set(), update=update,
        )  # fmt: skip
        default = UNDECIDED if default is None else default
    if words.names and words.others:
        suggested = words.names

        def search(group: Any, context: bpy.types.Context, text: str) -> tuple[str, ...]:
            return suggested()

        props[name] = StringProperty(default=default or "", search=search, **common)
    elif get_origin(hint) is Literal or words.names:
        items = get_args(hint) if get_origin(hint) is Literal else words.names()
        chosen = default if default in items else items[0]
        short = words.short or {}
        shown = [(item, short.get(item) or _titled(item), item) for item in items]
        props[name] = EnumProperty(items=shown, default=chosen, **common)
    elif hint is int:
        limits = _limits(words, "min", "max")
        if field.optional:
            limits["min"] = UNDECIDED
        limits = {end: int(number) for end, number in limits.items()}
        props[name] = IntProperty(default=int(default or 0), **limits, **common)
    elif hint is bool:
        props[name] = BoolProperty(default=bool(default), **common)
    elif hint is str or hint is Path:
        subtype = {"subtype": "DIR_PATH"} if hint is Path else {}
        props[name] = StringProperty(default=str(default or ""), **subtype, **common)
    elif get_origin(hint) is tuple and get_args(hint)[-1] is not ...:
        props |= _lengths(name, words, common, default or (0.0,) * len(get_args(hint)))
    elif name.endswith("_deg"):
        limits = _limits(words, "min", "max", math.radians)
        props[stored_name(name)] = FloatProperty(
            default=math.radians(default or 0), subtype="ANGLE", precision=1, **limits, **common
        )
    else:
        props |= _lengths(name, words, common, default or 0.0)
    return props


def _lengths(name: str, words: Field, common: dict[str, Any], default: float | tuple[float, ...]) -> dict[str, Any]:
    """A plain number, or a length, speed or volume in mm with its twin in inches; one number or several."""
    several = isinstance(default, tuple)
    kind = FloatVectorProperty if several else FloatProperty
    size = {"size": len(default)} if isinstance(default, tuple) else {}
    limits = _limits(words, "min", "max")
    twin = inch_name(name)
    # "Camera" is Blender's name for a length that is millimetres at any unit scale; its precision counts digits on both
    # sides of the point.
    shown: dict[str, Any] = {"unit": "CAMERA", "step": 5, "precision": 5} if name.endswith("_mm") else {"precision": 2}
    if name.endswith("_s") and not twin:
        shown["unit"] = "TIME_ABSOLUTE"
    props = {name: kind(default=default, **shown, **size, **limits, **common)}
    if not twin:
        return props
    per = _MM_PER[_kind_of(name)]

    def get(group: Any) -> Any:
        numbers = getattr(group, name)
        return tuple(number / per for number in numbers) if several else numbers / per

    def put(group: Any, numbers: Any) -> None:
        setattr(group, name, tuple(number * per for number in numbers) if several else numbers * per)

    label = words.twin or words.label
    label = label.replace("mm", "in") if "mm" in label else f"{label} (in)"
    props[twin] = kind(
        name=label, description=f"{words.tip}. In inches", options={"SKIP_SAVE"},
        get=get, set=put, step=1, precision=4, **size,
    )  # fmt: skip
    return props


def _limits(
    words: Field, least: str, most: str, turned: Callable[[float], float] = lambda number: number
) -> dict[str, Any]:
    limits = {least: words.least, most: words.most}
    return {key: turned(number) for key, number in limits.items() if number is not None}


def _value_of(group: Any, field: Declared) -> Any:
    name, hint = field.key, field.hint
    if field.optional and getattr(group, auto_name(name)):
        return None
    value = getattr(group, stored_name(name))
    if name.endswith("_deg"):
        return exact(math.degrees(value))
    if get_origin(hint) is tuple:
        return tuple(map(exact, value))
    if hint is float:
        return exact(value)
    return Path(value) if hint is Path else value


def stored(name: str, value: Any) -> Any:
    """A field's value as its property keeps it."""
    if name.endswith("_deg"):
        return math.radians(value)
    return str(value) if isinstance(value, Path) else value


def _titled(name: str) -> str:
    """Words as Blender writes them in menus; units, and names that carry numbers or capitals, stay as they are."""
    plain = name.islower() and len(name) > LONGEST_UNIT and not any(map(str.isdigit, name))
    return name.title() if plain else name
