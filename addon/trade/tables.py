# SPDX-License-Identifier: GPL-3.0-or-later
"""Reading a table: a TOML file whose rows become frozen dataclasses.

A file has a ``source`` and arrays of rows. A row takes the file's ``source`` unless it has its own, and names the
fields whose values are from memory, not read from that source, in ``from_memory`` (again the file's unless its own).
Lengths (fields that end in ``_mm``) are millimetres or text such as ``"1/8 in"``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, TypeVar

from ..fields.coercion import FieldError, nearest, plain, read_record, read_values, refuse_unknown
from ..fields.declared import declared_in
from ..fields.messages import NOTHING, Given, Message, as_message, say, say_all

DATA = Path(__file__).parent / "data"


class Named(Protocol):
    @property
    def name(self) -> str: ...


@dataclass(frozen=True, kw_only=True)
class Sourced:
    """A row, and where its values come from."""

    source: str
    from_memory: tuple[str, ...] = ()
    """Fields not read from the source."""


Row = TypeVar("Row")
NamedRow = TypeVar("NamedRow", bound=Named)


class TableError(ValueError):
    """A damaged table: the message names the file, the row and the field."""


class UnknownNameError(ValueError):
    """A name that no row of a table has; the message gives the nearest ones and all there are."""


def read_rows(path: Path, array: str, row_class: type[Row]) -> tuple[Row, ...]:
    """The rows of one array of a table file. Raises ``TableError``."""
    return rows_of(read_table(path), path, array, row_class)


def rows_of(table: Mapping[str, Any], path: Path, array: str, row_class: type[Row]) -> tuple[Row, ...]:
    """The rows of one array of a table that was read from ``path``. Raises ``TableError``."""
    source = {"source": table["source"]} if "source" in table else {}
    remembered = table.get("from_memory", [])
    if not isinstance(remembered, list):
        raise TableError(f"{path.name}: from_memory: expected a list of fields, got {remembered!r}")
    rows = table.get(array)
    if not isinstance(rows, list) or not rows:
        raise TableError(f"{path.name}: no rows [[{array}]]; add at least one")
    records = []
    for number, row in enumerate(rows, 1):
        where = f"{path.name}: [[{array}]] row {number}"
        if not isinstance(row, dict):
            raise TableError(f"{where}: not a table of fields")
        of_row = [field for field in remembered if field in row]
        records.append(make_row(row_class, {**source, "from_memory": of_row, **row}, where))
    names = [row.name for row in records if hasattr(row, "name")]
    for number, name in enumerate(names, 1):
        if name in names[: number - 1]:
            raise TableError(f"{path.name}: [[{array}]] row {number}: name: {name!r} is taken by an earlier row")
    return tuple(records)


def make_row(row_class: type[Row], values: Mapping[str, Any], where: str) -> Row:
    """One frozen dataclass from a mapping read from a file.

    Raises ``TableError`` that begins with ``where`` and names the field: unknown, missing, or of the wrong type.
    """
    name = values.get("name")
    called = say("{} ({})", where, Given(name)) if isinstance(name, str) else where
    try:
        typed = read_values(row_class, values, "")
        for name in typed.get("from_memory", ()):
            refuse_unknown([name], declared_in(row_class), "from_memory")
        return read_record(row_class, typed)
    except FieldError as error:
        raise TableError(say("{}: {}", called, as_message(error).removesuffix("."))) from None


def find_row(rows: Sequence[NamedRow], name: str, what: str) -> NamedRow:
    """The row of that name, whatever its case and spaces. Raises ``UnknownNameError`` with the nearest names."""
    wanted = plain(name)
    for row in rows:
        if plain(row.name) == wanted:
            return row
    names = [row.name for row in rows]
    known = say_all(map(Given, names), "; ") if len(names) <= 20 else f"{len(names)} names in the table"
    raise UnknownNameError(say("no {} is called {}{} (known: {})", what, Given(name), hint(name, names), known))


def cited(row: Sourced) -> str:
    """A row's source as a user reads it: ``"EN 10219-2 (from memory)"`` where not all of it was read from there."""
    return f"{row.source} (from memory)" if row.from_memory else row.source


def hint(wrong: str, names: Sequence[str]) -> Message:
    """``"; nearest: 'M8', 'M6'"`` where something is near, else empty."""
    near = nearest(wrong, names, 2)
    return say("; nearest: {}", say_all(map(Given, near), ", ")) if near else NOTHING


def read_table(path: Path) -> dict[str, Any]:
    """What a table file holds. Raises ``TableError``."""
    try:
        with path.open("rb") as file:
            return tomllib.load(file)
    except OSError as error:
        raise TableError(f"{path.name}: cannot be read ({error.strerror}); install the extension again") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise TableError(f"{path.name}: not valid TOML: {error}") from error
