# SPDX-License-Identifier: GPL-3.0-or-later
"""TOML text from plain values, written over an older text so that its comments and its order stay."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Comment, Item, Table, Whitespace


def toml_text(data: Mapping[str, Any], before: str = "") -> str:
    """``data`` as TOML 1.0; a list of mappings becomes ``[[key]]`` entries. Keys whose value is None are left out.

    What ``before`` says beside its values (comments, order, blank lines, how a number is written) stays where the keys
    stay. An entry is known again by being equal, or else by its name. Lone surrogates, which no UTF-8 file can hold,
    become question marks. Raises ``TypeError`` for a value that TOML has no form for.
    """
    data = _without_none(data)
    try:
        document = tomlkit.parse(before)
        _revise(document, data)
        text = _encodable(tomlkit.dumps(document))
        if tomllib.loads(text) == data:
            return text
    except (TOMLKitError, tomllib.TOMLDecodeError, RecursionError):
        pass  # a text that is not TOML, or has its tables in an order that cannot be revised
    return _encodable(tomlkit.dumps(data))


def _encodable(text: str) -> str:
    return text.encode(errors="replace").decode()


def _without_none(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    return [_without_none(item) for item in value] if isinstance(value, list | tuple) else value


def _revise(table: TOMLDocument | Table, data: Mapping[str, Any]) -> None:
    for key in [key for key in table if key not in data]:
        del table[key]
    was = table.unwrap()
    for key in [key for key in data if key in table]:
        old, value = table[key], data[key]
        if isinstance(old, Table) and isinstance(value, Mapping):
            _revise(old, value)
        elif isinstance(old, AoT) and _is_entries(value):
            _revise_entries(old, value)
        elif _is_entries(value):
            del table[key]
        elif was[key] != value or type(was[key]) is not type(value):
            table[key] = value
    new = {key: value for key, value in data.items() if key not in table}
    after = _tail(table) if new and len(table) else []
    for key, value in new.items():
        table[key] = _revise_entries(tomlkit.aot(), value) if _is_entries(value) else value
    for item in after:
        table.add(item)


def _tail(table: TOMLDocument | Table) -> list[Comment | Whitespace]:
    """Takes what follows a table's last key: its last remarks, and those that stand over what comes next."""
    body = table.value.body if isinstance(table, Table) else table.body
    tail: list[Item] = []
    while body and body[-1][0] is None:
        tail.insert(0, body.pop()[1])
    return [item for item in tail if isinstance(item, Comment | Whitespace)]


def _revise_entries(entries: AoT, rows: Sequence[Mapping[str, Any]]) -> AoT:
    """Entries that stay are revised where they stand; new ones follow them."""
    waiting = list(rows)
    partner: dict[int, Mapping[str, Any]] = {}
    for alike in (lambda old, new: old == new, lambda old, new: old.get("name") == new.get("name")):
        for index, old in enumerate(entries.unwrap()):
            match = next((new for new in waiting if alike(old, new)), None)
            if index not in partner and match is not None:
                partner[index] = match
                waiting.remove(match)
    for index in reversed(range(len(entries))):
        if index in partner:
            _revise(entries[index], partner[index])
        else:
            remarks = "".join(item.as_string() for item in _tail(entries[index]))
            del entries[index]
            if index < len(entries):
                entries[index].trivia.indent = remarks + entries[index].trivia.indent
            elif index:
                entries[index - 1].add(Whitespace(remarks))
    for row in waiting:
        entry = tomlkit.table()
        _revise(entry, row)
        entry.trivia.indent = "\n"
        entries.append(entry)
    return entries


def _is_entries(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(entry, Mapping) for entry in value)
