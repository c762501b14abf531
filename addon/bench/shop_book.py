# SPDX-License-Identifier: GPL-3.0-or-later
"""The shop book: what the shop has of its own and what it has learned, as values and as text that people can read.

The text is TOML. Each entry has a name, unique in its table, and the time it was last changed; two books are merged
by these. An entry that this version cannot use stays as it is and is reported; so do keys that it does not know.
Comments and the order stay as they were. ``shop_file`` reads and writes the file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time
from math import isfinite
from typing import Any, TypeVar

from ..families.table import family_named, usual
from ..fields.declared import declared_in, values_of
from ..fields.messages import Given, Name, as_message, say
from ..geometry.names import quoted
from ..trade.processes import Material, Process, check_process
from ..trade.renamed import with_new_names
from ..trade.tables import Named, TableError, hint, make_row
from .shop_entries import FitReading, MeasuredTube, Preset, Prices, PrintRun
from .toml_text import toml_text

FORMAT = 2
"""Raised by one whenever an older Ferrule would misread the book."""

UPGRADES: dict[int, Callable[[dict[str, Any]], dict[str, Any]]] = {1: dict}
"""From the data of a book of the format that is the key to that of the next; every format below ``FORMAT`` has one.
Format 2 gave keys new names, which is done entry by entry."""

TABLES: dict[str, type] = {
    "process": Process,
    "material": Material,
    "tube": MeasuredTube,
    "preset": Preset,
    "prices": Prices,
    "fit": FitReading,
    "run": PrintRun,
}
"""The book's tables in the order in which they are written, and what an entry of each is."""

_HEADING = (
    "# The shop book of Ferrule: processes, materials, measured tubes, presets, prices and readings.\n"
    "# Edit it by hand as you like, but keep the names unique. Lengths are millimetres.\n\n"
    f"format = {FORMAT}\n"
)
_LONG_AGO = datetime(1970, 1, 1, tzinfo=UTC)

Value = TypeVar("Value", bound=Named)


class DamagedBook(ValueError):
    """Text that is not a shop book, or no longer one."""


class NewerBook(ValueError):
    """A shop book of a format that this version does not know."""


@dataclass(frozen=True)
class BookEntry:
    table: str
    name: str
    changed: datetime | None
    """To the second; None if it is not known, which counts as long ago."""
    value: Any
    """An instance of the table's class; None if this version cannot use the entry."""
    kept: Mapping[str, Any] = field(default_factory=dict)
    """Keys that are written back as they were read: unknown ones, or all of an entry that cannot be used."""
    written: Mapping[str, Any] | None = field(default=None, compare=False)
    """The row that it was read from, lengths in the user's own units; None for one that is new."""

    @property
    def key(self) -> tuple[str, str]:
        return self.table, self.name

    @property
    def row(self) -> dict[str, Any]:
        """The entry as the file's keys and values, None if a key is left out."""
        if self.written is not None:
            return dict(self.written)
        values = vars(self.value)
        if isinstance(self.value, Preset):
            other = {} if self.value.family == usual().name else {"family": self.value.family}
            values = {"name": self.value.name, **other, **values_of(self.value.recipe)}
        return {**values, "changed": self.changed, **self.kept}


@dataclass(frozen=True)
class ShopBook:
    entries: tuple[BookEntry, ...] = ()
    kept: Mapping[str, Any] = field(default_factory=dict)
    """Unknown keys at the top of the file, written back as they were read."""
    problems: tuple[str, ...] = ()
    """What was wrong with the file, in sentences for the user."""

    def all(self, kind: type[Value]) -> tuple[Value, ...]:
        """Everything of one kind, in the order of the book: ``book.all(Process)``."""
        return tuple(entry.value for entry in self.entries if isinstance(entry.value, kind))

    def get(self, kind: type[Value], name: str) -> Value | None:
        """The one of that kind and name, or None."""
        return next((entry for entry in self.all(kind) if entry.name == name), None)

    def with_entry(self, value: Any, changed: datetime | None = None) -> ShopBook:
        """The book with this process, material, ... in place of the one of the same name, or added at the end.

        ``changed`` is now unless given. Raises ``ValueError`` if the value makes no sense.
        """
        table = _table_of(type(value))
        entries = {entry.key: entry for entry in self.entries}
        when = (changed or datetime.now(UTC)).replace(microsecond=0)
        old = entries.get((table, value.name))
        new = BookEntry(table, value.name, when, value, old.kept if old else {})
        said = f"{table} {quoted(value.name)} cannot be kept in the shop book"
        try:
            again = parse_book(book_text(ShopBook((new,)))).entries[0]
        except TypeError as error:
            raise ValueError(say("{}: {}", said, error)) from None
        if again != new:
            raise ValueError(f"{said}: it would be read as {again.row}")
        entries[new.key] = new
        return replace(self, entries=tuple(entries.values()))

    def without(self, kind: type, name: str) -> ShopBook:
        """The book without that entry. One that another machine still has comes back when its book is merged."""
        gone = (_table_of(kind), name)
        return replace(self, entries=tuple(entry for entry in self.entries if entry.key != gone))

    def merged(self, other: ShopBook) -> tuple[ShopBook, tuple[str, ...]]:
        """This book with the other's entries, and what was done, in sentences.

        Entries whose name this book lacks are added. Of two with the same name the one changed later stays; of two
        changed in the same second, this book's. Nothing is removed.
        """
        entries = {entry.key: entry for entry in self.entries}
        report = []
        for theirs in other.entries:
            ours = entries.get(theirs.key)
            called = f"{theirs.table} {quoted(theirs.name)}"
            if ours is None:
                report.append(f"{called} was added.")
            elif (ours.value, ours.kept) == (theirs.value, theirs.kept):
                theirs = max(ours, theirs, key=_when)
            elif _when(theirs) > _when(ours):
                report.append(f"{called} was replaced: ours was {_say_when(ours)}, the other {_say_when(theirs)}.")
            else:
                report.append(f"{called} stays as it was, {_say_when(ours)}; the other was {_say_when(theirs)}.")
                continue
            entries[theirs.key] = theirs
        return replace(self, entries=tuple(entries.values()), kept={**other.kept, **self.kept}), tuple(report)


def book_text(book: ShopBook, before: str = "") -> str:
    """The book as the text of its file, with the comments and in the order of the text that the file had before."""
    tables = {table: [entry.row for entry in book.entries if entry.table == table] for table in TABLES}
    data = {"format": FORMAT, **book.kept, **{table: rows for table, rows in tables.items() if rows}}
    return toml_text(data, before or _HEADING)


def parse_book(text: str) -> ShopBook:
    """The book in a text. Raises ``DamagedBook`` or ``NewerBook``."""
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise DamagedBook(str(error) or "it is nested too deep") from None
    number = data.pop("format", None)
    if isinstance(number, bool) or not isinstance(number, int) or number < 1:
        raise DamagedBook(f"format is {number!r}, expected a whole number from 1")
    if number > FORMAT:
        raise NewerBook(f"it has format {number}, and this Ferrule reads up to {FORMAT}")
    for step in range(number, FORMAT):
        data = UPGRADES[step](data)
    unknown = {key: value for key, value in data.items() if key not in TABLES}
    problems = [f"the key {key!r} is not known{hint(key, list(TABLES))}; it is kept, not used." for key in unknown]
    entries: dict[tuple[str, str], BookEntry] = {}
    for table in TABLES:
        rows = data.get(table, [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            raise DamagedBook(f"{table} has to be entries, each written as [[{table}]]")
        for number, row in enumerate(rows, 1):
            entry, wrong = _entry(table, row, number, entries)
            entries[entry.key] = entry
            problems += wrong
    return ShopBook(
        tuple(entries.values()), unknown, tuple(say("Shop book: {}", problem) for problem in dict.fromkeys(problems))
    )


def _entry(
    table: str, row: dict[str, Any], number: int, others: Mapping[tuple[str, str], BookEntry]
) -> tuple[BookEntry, list[str]]:
    """An entry and what is wrong with it, in sentences."""
    name = row.get("name")
    called = say("{} ({})", table, Name(name)) if isinstance(name, str) else say("{} entry {}", table, number)
    kind = TABLES[table]
    known: list[str] = []
    try:
        known = ["name", *(_preset_keys(row) if kind is Preset else declared_in(kind))]
        current, renamed = with_new_names(row, known)
        known_values = {key: value for key, value in current.items() if key in known}
        unknown = {key: value for key, value in current.items() if key not in known and key != "changed"}
        if not isinstance(name, str) or not name.strip():
            raise ValueError(f"name is {name!r}, expected a text of its own")
        if (table, name) in others:
            raise ValueError("the name is taken by an earlier entry; give it another")
        changed = _time(row.get("changed"))
        entry = BookEntry(table, name, changed, _value(kind, dict(known_values), table), unknown, current)
    except ValueError as error:
        # A name that no sound entry has, so that the entry outlasts merging whatever is wrong with it.
        said = as_message(error) if isinstance(error, TableError) else say("{}: {}", called, error)
        return BookEntry(table, f"{number}. {row}", None, None, row, row), [said + ". The entry is kept, not used."]
    return entry, renamed + [
        say("{}: the key {} is not known{}; it is kept, not used.", called, Given(key), hint(key, known))
        for key in unknown
    ]


def _preset_keys(row: Mapping[str, Any]) -> list[str]:
    """Raises ``ValueError`` for a recipe of a family that this version does not know."""
    family = family_named(row.get("family", usual().name))
    return ["family", *declared_in(family.recipe)]


def _value(kind: type, values: dict[str, Any], table: str) -> Any:
    """The entry's value from its known keys. Raises ``ValueError`` that names the key at fault."""
    for key, value in values.items():
        numbers = value if isinstance(value, list) else [value]
        if any(isinstance(number, float) and not isfinite(number) for number in numbers):
            raise ValueError(f"{key} is {value}, expected a finite number")
    if kind is Preset:
        family = family_named(values.pop("family", usual().name))
        return Preset(values.pop("name"), make_row(family.recipe, values, table), family.name)
    value = make_row(kind, values, table)
    if isinstance(value, Process):
        check_process(value)
    if isinstance(value, Material) and not (value.density > 0 and value.expansion >= 0):
        raise ValueError("density has to be above 0 g/cm³, and expansion not below 0 per kelvin")
    return value


def _time(changed: Any) -> datetime | None:
    """A time without a zone, or a mere date, counts as UTC."""
    if changed is None:
        return None
    if isinstance(changed, date) and not isinstance(changed, datetime):
        changed = datetime.combine(changed, time())
    if not isinstance(changed, datetime):
        raise ValueError(f"changed is {changed!r}, expected a date and time such as 2026-11-25T09:30:00Z")
    return changed if changed.tzinfo else changed.replace(tzinfo=UTC)


def _table_of(kind: type) -> str:
    for table, table_kind in TABLES.items():
        if table_kind is kind:
            return table
    raise ValueError(f"{kind.__name__} has no place in the shop book")


def _when(entry: BookEntry) -> datetime:
    return entry.changed or _LONG_AGO


def _say_when(entry: BookEntry) -> str:
    return f"of {entry.changed:%Y-%m-%d %H:%M:%S}" if entry.changed else "without a date"
