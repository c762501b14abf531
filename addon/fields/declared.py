# SPDX-License-Identifier: GPL-3.0-or-later
"""A number of a recipe, a process or a job, declared once where its dataclass has it.

``number: float = declared(8.0, "Spigot", "Length of the part inside", least=0.5)`` says all that job files, panels,
presets, refusals, lists and docs need to know of it. To people, records inside records are a flat list of keys:
``recipe.groove.width_mm`` is ``groove_width_mm``. The key's ending is the unit (``UNITS``).
"""

from __future__ import annotations

import types
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from dataclasses import field as dataclass_field
from functools import lru_cache
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from ..geometry.units import MM_PER_INCH, round_in_inches

UNITS = {
    "_mm_s": "mm/s",
    "_mm3": "mm³",
    "_mm": "mm",
    "_deg": "°",
    "_percent": "%",
    "_c": "°C",
    "_s": "s",
}
"""The unit of a number by the ending of its key."""

Record = TypeVar("Record")


@dataclass(frozen=True)
class Field:
    """What people read about a number; label and tip have no final stop, as in Blender."""

    label: str = ""
    tip: str = ""
    least: float | None = None
    most: float | None = None
    """Both allowed. They refuse slips, whatever the section; each part of a tuple lies between them."""
    unit: str = ""
    """If the key's ending does not give it."""
    group: str = ""
    """The panel that shows it, and the heading that it stands under in docs."""
    shown: Callable[[Any], bool] | None = None
    """Whether a record uses it; None for always."""
    sections: tuple[str, ...] = ()
    """The kinds of section for which it makes a difference; empty for all."""
    key: str = ""
    """Its name in job files, if that is not the attribute's with the record's in front."""
    automatic: str = ""
    """What decides it if it is None: "by section"."""
    meaning: str = ""
    """What docs/job_file.md says about it, where that is more than the tip."""
    names: Callable[[], tuple[str, ...]] | None = None
    """The texts allowed, if it is a name from a table."""
    others: bool = False
    """Whether names outside the table are allowed too."""
    short: Mapping[str, str] | None = None
    """Shorter words in menus for choices that would be cut off."""
    inches: float | None = None
    """Its default where inches are wanted, if that is not the plainest length beside the one in millimetres."""
    twin: str = ""
    """A shorter label of the field in inches, where the label and its unit would be cut off."""


def declared(default: Any, label: str = "", tip: str = "", **said: Any) -> Any:
    """A dataclass's field with what ``Field`` says about it. ``MISSING`` for no default; no label, and a meaning in
    place of the tip, where the window does not show it."""
    return dataclass_field(default=default, metadata={"declared": Field(label, tip, **said)})


@dataclass(frozen=True)
class Declared:
    """One field of a record, or of a record inside it."""

    key: str
    path: tuple[str, ...]
    """Attribute names from the record to the value."""
    hint: Any
    """Its type, None left out."""
    optional: bool
    """Whether it may be None, which leaves it to something else."""
    default: Any
    field: Field

    @property
    def unit(self) -> str:
        return self.field.unit or unit_of(self.key)

    def default_in(self, imperial: bool) -> Any:
        """Its default; where inches are wanted a length that is round in inches, in mm."""
        if not imperial or self.unit != "mm" or not isinstance(self.default, float):
            return self.default
        inches = self.field.inches
        return round_in_inches(self.default) if inches is None else inches * MM_PER_INCH

    def of(self, record: Any) -> Any:
        for name in self.path:
            record = getattr(record, name)
        return record

    def shown_for(self, record: Any) -> bool:
        """Whether the record uses it, which depends on the record itself or the same inner record."""
        return self.field.shown is None or self.field.shown(record)

    def put(self, record: Record, value: Any) -> Record:
        return _put(record, self.path, value)


def declared_in(cls: type) -> Mapping[str, Declared]:
    """Every field of a dataclass by its key; an inner record's fields stand in its place."""
    return _declared_once(cls)


def values_of(record: Any) -> dict[str, Any]:
    """A record's values by their keys."""
    return {key: field.of(record) for key, field in declared_in(type(record)).items()}


def with_values(record: Record, changes: Mapping[str, Any]) -> Record:
    """The record with other values, by their keys. Raises ``KeyError`` for a key that it does not have."""
    known = declared_in(type(record))
    for key, value in changes.items():
        record = known[key].put(record, value)
    return record


def unit_of(key: str) -> str:
    """``"mm"`` for ``"rise_mm"``; empty if the ending is not a unit's."""
    return next((unit for ending, unit in UNITS.items() if key.endswith(ending)), "")


@lru_cache
def _declared_once(cls: type) -> Mapping[str, Declared]:
    return types.MappingProxyType({field.key: field for field in _declared(cls, (), None)})


def _declared(cls: type, path: tuple[str, ...], whole: Any) -> list[Declared]:
    hints = get_type_hints(cls)
    declarations: list[Declared] = []
    for attribute in fields(cls):
        way, hint = (*path, attribute.name), hints[attribute.name]
        default = getattr(whole, attribute.name) if whole is not None else _default_of(attribute)
        if is_dataclass(hint) and isinstance(hint, type) and isinstance(default, hint):
            declarations += _declared(hint, way, default)
            continue
        field = attribute.metadata.get("declared", Field())
        optional = get_origin(hint) in (Union, types.UnionType) and type(None) in get_args(hint)
        if optional:
            hint = next(kind for kind in get_args(hint) if kind is not type(None))
        declarations.append(Declared(field.key or "_".join(way), way, hint, optional, default, field))
    return declarations


def _default_of(attribute: Any) -> Any:
    return attribute.default_factory() if attribute.default_factory is not MISSING else attribute.default


def _put(record: Any, path: tuple[str, ...], value: Any) -> Any:
    name, *rest = path
    return replace(record, **{name: _put(getattr(record, name), tuple(rest), value) if rest else value})
