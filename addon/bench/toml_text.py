# SPDX-License-Identifier: GPL-3.0-or-later
"""TOML text from plain values: the counterpart of ``tomllib``, which reads only."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}
_TO_ESCAPE = re.compile(r'[\x00-\x1f\x7f"\\]')
_LONE_SURROGATE = re.compile(r"[\ud800-\udfff]")


def toml_text(data: Mapping[str, object]) -> str:
    """``data`` as TOML 1.0. A list of mappings becomes ``[[key]]`` entries, one key a line; other mappings go inline.

    Keys whose value is None are left out. Lone surrogates, which no UTF-8 file can hold, become U+FFFD.
    Raises ``TypeError`` for a value that TOML has no form for.
    """
    plain = [_line(key, value) for key, value in data.items() if value is not None and not _is_entries(value)]
    blocks = ["\n".join(plain)] if plain else []
    for key, value in data.items():
        if _is_entries(value):
            for entry in value:  # type: ignore[attr-defined]
                lines = [_line(name, item) for name, item in entry.items() if item is not None]
                blocks.append("\n".join([f"[[{_key(key)}]]", *lines]))
    return "\n\n".join(blocks) + "\n"


def _is_entries(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(entry, Mapping) for entry in value)


def _line(key: str, value: object) -> str:
    return f"{_key(key)} = {_value(value)}"


def _key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else _string(key)


def _value(value: object) -> str:
    if isinstance(value, str):
        return _string(value)
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return repr(value) if math.isfinite(value) else f"{value:f}"
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{" + ", ".join(_line(key, item) for key, item in value.items() if item is not None) + "}"
    if isinstance(value, Sequence):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    raise TypeError(f"{type(value).__name__} has no form in TOML")


def _string(text: str) -> str:
    text = _LONE_SURROGATE.sub("\ufffd", text)
    return '"' + _TO_ESCAPE.sub(lambda match: _ESCAPES.get(match[0], f"\\u{ord(match[0]):04x}"), text) + '"'
