# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading a table: a TOML file whose rows become frozen dataclasses.

A file has a ``source`` and arrays of rows. A row takes the file's ``source`` unless it has its own, and names the
fields whose values are from memory, not read from that source, in ``from_memory`` (again the file's unless its own).
Lengths (fields that end in ``_mm``) are millimetres or text such as ``"1/8 in"``.
"""

from __future__ import annotations

import difflib
import sys
import tomllib
import types
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, fields
from pathlib import Path
from typing import Any, Literal, Protocol, TypeVar, Union, get_args, get_origin, get_type_hints

from ..geometry.units import parse_length

DATA = Path(__file__).parent / "data"


class Named(Protocol):
    @property
    def name(self) -> str: ...


Row = TypeVar("Row")
NamedRow = TypeVar("NamedRow", bound=Named)


class TableError(ValueError):
    """A damaged table: the message names the file, the row and the field."""


class UnknownNameError(ValueError):
    """A name that no row of a table has; the message gives the nearest ones and all there are."""


def read_rows(path: Path, array: str, row_class: type[Row]) -> tuple[Row, ...]:
    """The rows of one array of a table file. Raises ``TableError``."""
    table = _read(path)
    source = {"source": table["source"]} if "source" in table else {}
    remembered = table.get("from_memory", [])
    if not isinstance(remembered, list):
        raise TableError(f"{path.name}: from_memory: expected a list of fields, got {remembered!r}")
    rows = table.get(array)
    if not isinstance(rows, list) or not rows:
        raise TableError(f"{path.name}: no rows [[{array}]]; add at least one")
    made = []
    for number, row in enumerate(rows, 1):
        where = f"{path.name}: [[{array}]] row {number}"
        if not isinstance(row, dict):
            raise TableError(f"{where}: not a table of fields")
        of_row = [field for field in remembered if field in row]
        made.append(make_row(row_class, {**source, "from_memory": of_row, **row}, where))
    names = [row.name for row in made if hasattr(row, "name")]
    for number, name in enumerate(names, 1):
        if name in names[: number - 1]:
            raise TableError(f"{path.name}: [[{array}]] row {number}: name: {name!r} is taken by an earlier row")
    return tuple(made)


def make_row(row_class: type[Row], values: Mapping[str, Any], where: str) -> Row:
    """One frozen dataclass from a mapping read from a file.

    Raises ``TableError`` that begins with ``where`` and names the field: unknown, missing, or of the wrong type.
    """
    hints = get_type_hints(row_class)
    known = {field.name: field for field in fields(row_class)}  # type: ignore[arg-type]  # row_class is a dataclass
    called = f"{where} ({values['name']!r})" if isinstance(values.get("name"), str) else where
    for key in values:
        if key not in known:
            raise TableError(f"{called}: {key}: no such field{hint(key, list(known))}")
    for name, field in known.items():
        if name not in values and field.default is MISSING and field.default_factory is MISSING:
            raise TableError(f"{called}: {name}: missing")
    try:
        typed = {key: _value(value, hints[key], key) for key, value in values.items()}
    except _Wrong as wrong:
        raise TableError(f"{called}: {wrong}") from None
    for name in typed.get("from_memory", ()):
        if name not in known:
            raise TableError(f"{called}: from_memory: {name!r} is no field{hint(name, list(known))}")
    return row_class(**typed)


def find_row(rows: Sequence[NamedRow], name: str, what: str) -> NamedRow:
    """The row of that name, whatever its case and spaces. Raises ``UnknownNameError`` with the nearest names."""
    wanted = _plain(name)
    for row in rows:
        if _plain(row.name) == wanted:
            return row
    names = [row.name for row in rows]
    known = "; ".join(map(repr, names)) if len(names) <= 20 else f"{len(names)} names in the table"
    raise UnknownNameError(f"no {what} is called {name!r}{hint(name, names)} (known: {known})")


def hint(wrong: str, names: Sequence[str]) -> str:
    """``"; nearest: 'M8', 'M6'"`` where something is near, else empty."""
    by_plain = {_plain(name): name for name in names}
    near = difflib.get_close_matches(_plain(wrong), list(by_plain), n=2, cutoff=0.4)
    return "; nearest: " + ", ".join(repr(by_plain[plain]) for plain in near) if near else ""


def _plain(name: str) -> str:
    """What is left of a name when case, spaces and the look of fractions ("½", "1/2") do not count."""
    plain = unicodedata.normalize("NFKC", name).casefold()
    return "".join(plain.replace("\N{FRACTION SLASH}", "/").replace("\N{MULTIPLICATION SIGN}", "x").split())


def _read(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except OSError as error:
        raise TableError(f"{path.name}: cannot be read ({error.strerror}); install the extension again") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise TableError(f"{path.name}: not valid TOML: {error}") from error


class _Wrong(Exception):
    pass


def _value(value: Any, kind: Any, key: str) -> Any:
    """``value`` as the type ``kind`` asks for."""
    origin, arguments = get_origin(kind), get_args(kind)
    if origin in (Union, types.UnionType):
        return _value(value, next(one for one in arguments if one is not type(None)), key)
    if origin is tuple:
        if not isinstance(value, list | tuple):
            raise _Wrong(f"{key}: expected a list, got {value!r}")
        if arguments[-1] is ...:
            return tuple(_value(item, arguments[0], key) for item in value)
        if len(value) != len(arguments):
            raise _Wrong(f"{key}: expected {len(arguments)} values, got {len(value)}")
        return tuple(_value(item, one, key) for item, one in zip(value, arguments, strict=True))
    if origin is Literal:
        if value in arguments:
            return value
        raise _Wrong(f"{key}: expected one of {', '.join(map(repr, arguments))}, got {value!r}")
    if kind is float and key.endswith("_mm"):
        try:
            return parse_length(value)
        except (ValueError, OverflowError) as error:
            raise _Wrong(f"{key}: {error}") from None
    if kind is float and isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= _LARGEST:
        return float(value)
    if kind is not float and isinstance(value, kind) and (kind is bool or not isinstance(value, bool)):
        return value
    raise _Wrong(f"{key}: expected {_SPOKEN.get(kind, kind.__name__)}, got {value!r}")


_LARGEST = sys.float_info.max
_SPOKEN = {float: "a number", int: "a whole number", str: "text", bool: "true or false"}
