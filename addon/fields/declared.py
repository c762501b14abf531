# SPDX-License-Identifier: GPL-3.0-or-later
"""A number of a recipe, a process or a job, declared once where its dataclass has it.

``number: float = declared(8.0, "Spigot", "Length of the part inside", least=0.5)`` says all that job files, panels,
presets, refusals, lists and docs need of it. Records inside records are one flat list of keys to people:
``recipe.groove.width_mm`` is ``groove_width_mm``. The key's ending is the unit (``UNITS``).
"""

from __future__ import annotations

import types
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass, replace
from dataclasses import field as dataclass_field
from functools import lru_cache
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

UNITS = {
    "_mm_s": "mm/s",
    "_mm3": "mm³",
    "_mm": "mm",
    "_deg": "°",
    "_percent": "%",
    "_c": "°C",
    "_s": "s",
}
"""What a key's ending says of the number's unit."""

Record = TypeVar("Record")


@dataclass(frozen=True)
class Field:
    """What people are told of a number; label and tip without a final stop, as Blender's are."""

    label: str = ""
    tip: str = ""
    least: float | None = None
    most: float | None = None
    """Both allowed. They refuse slips, whatever the section; each part of a tuple lies between them."""
    unit: str = ""
    """Where the key's ending does not say it."""
    group: str = ""
    """The panel that shows it, and the heading that it stands under in docs."""
    shown: Callable[[Any], bool] | None = None
    """Whether a record has use for it; None for always."""
    key: str = ""
    """What job files call it, where that is not its own name with its record's in front."""
    automatic: str = ""
    """What decides it where it is None: "by section"."""
    meaning: str = ""
    """What docs/job_file.md says about it, where that is more than the tip."""
    names: Callable[[], tuple[str, ...]] | None = None
    """What a text may be, where it is a name out of a table."""
    others: bool = False
    """Whether names that are in no table are taken too."""
    short: Mapping[str, str] | None = None
    """Shorter words in menus for choices that would be cut off."""
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

    def of(self, record: Any) -> Any:
        for name in self.path:
            record = getattr(record, name)
        return record

    def shown_for(self, record: Any) -> bool:
        """Whether the record has use for it. What decides lies in the same inner record, or in the record itself."""
        return self.field.shown is None or self.field.shown(record)

    def put(self, record: Record, value: Any) -> Record:
        return _put(record, self.path, value)


def declared_in(cls: type) -> Mapping[str, Declared]:
    """Every field of a dataclass by its key, those of inner records in the place of their record."""
    return _declared_once(cls)


def values_of(record: Any) -> dict[str, Any]:
    """A record's values by their keys."""
    return {key: one.of(record) for key, one in declared_in(type(record)).items()}


def with_values(record: Record, changes: Mapping[str, Any]) -> Record:
    """The record with other values, by their keys. Raises ``KeyError`` for a key that it does not have."""
    known = declared_in(type(record))
    for key, value in changes.items():
        record = known[key].put(record, value)
    return record


def unit_of(key: str) -> str:
    """``"mm"`` for ``"rise_mm"``; empty where the ending says none."""
    return next((unit for ending, unit in UNITS.items() if key.endswith(ending)), "")


@lru_cache
def _declared_once(cls: type) -> Mapping[str, Declared]:
    return types.MappingProxyType({field.key: field for field in _declared(cls, (), None)})


def _declared(cls: type, path: tuple[str, ...], whole: Any) -> list[Declared]:
    hints = get_type_hints(cls)
    found: list[Declared] = []
    for one in fields(cls):
        way, hint = (*path, one.name), hints[one.name]
        default = getattr(whole, one.name) if whole is not None else _default_of(one)
        if is_dataclass(hint) and isinstance(hint, type) and isinstance(default, hint):
            found += _declared(hint, way, default)
            continue
        said = one.metadata.get("declared", Field())
        optional = get_origin(hint) in (Union, types.UnionType) and type(None) in get_args(hint)
        if optional:
            hint = next(kind for kind in get_args(hint) if kind is not type(None))
        found.append(Declared(said.key or "_".join(way), way, hint, optional, default, said))
    return found


def _default_of(one: Any) -> Any:
    return one.default_factory() if one.default_factory is not MISSING else one.default


def _put(record: Any, path: tuple[str, ...], value: Any) -> Any:
    name, *rest = path
    return replace(record, **{name: _put(getattr(record, name), tuple(rest), value) if rest else value})
