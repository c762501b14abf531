# SPDX-License-Identifier: GPL-3.0-or-later
"""Values read from a file as the types that fields ask for, and every mistake named by its key.

Job files, shop books and the tables of the trade are read by the same rules.
"""

from __future__ import annotations

import difflib
import sys
import types
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import MISSING
from pathlib import Path
from typing import Any, Literal, TypeVar, Union, get_args, get_origin

from ..geometry.units import parse_length
from .declared import Declared, declared_in, with_values
from .messages import FieldName, Given, Measure, say

AUTOMATIC = "auto"
"""What an optional number can be set to, so that an entry can undo what was set above it."""
MOST = 1e12
"""Limit of numbers without a range, so that every sentence has room for them."""

Record = TypeVar("Record")


class FieldError(ValueError):
    """A value that a field cannot take: its key, what is wrong, and what was expected."""


def refused(key: str, value: Any, expected: str) -> FieldError:
    return FieldError(say("{} is {}; expected {}", FieldName(key), Given(value), expected))


def coerced(field: Declared, value: Any, key: str) -> Any:
    """The value as the field's type, inside the field's range. ``key`` is what the message calls it.

    Lengths may be text with a unit; ``"auto"`` is None if the field is optional. Raises ``FieldError``.
    """
    if field.optional and value == AUTOMATIC:
        return None
    return in_range(field, typed(field.hint, value, key), key)


def typed(hint: Any, value: Any, key: str) -> Any:
    """The value as a type; lengths in keys that end in ``_mm`` may be text with a unit. Raises ``FieldError``."""
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return typed(next(kind for kind in inner if kind is not type(None)), value, key)
    if origin is Literal:
        if value in inner:
            return value
        near = nearest(str(value), inner)
        meant = f"; did you mean {near[0]!r}?" if near else "."
        raise refused(key, value, f"one of {', '.join(map(repr, inner))}{meant}")
    if origin is tuple:
        return _tuple(inner, value, key)
    if hint is float:
        return _float(value, key)
    if hint is Path and isinstance(value, str):
        if not value.strip() or "\0" in value:
            raise refused(key, value, "the name of a file or folder.")
        return Path(value)
    if isinstance(hint, type) and isinstance(value, hint) and (hint is bool or not isinstance(value, bool)):
        return value
    words = {int: "a whole number", str: "text in quotes", Path: "a path in quotes", bool: "true or false"}
    raise refused(key, value, f"{words[hint]}.")


def read_values(cls: type, table: Mapping[str, Any], where: str) -> dict[str, Any]:
    """The values of a table by the keys of ``cls``. Raises ``FieldError``."""
    known = declared_in(cls)
    plain = flattened(table, where, known)
    refuse_unknown(plain, known, where)
    return {key: coerced(known[key], value, _inside(where, key)) for key, value in plain.items()}


def read_record(cls: type[Record], values: Mapping[str, Any], where: str = "") -> Record:
    """A record from values that are typed already, the rest at its defaults. Raises ``FieldError`` for what is
    missing."""
    known = declared_in(cls)
    for key, field in known.items():
        if field.default is MISSING and key not in values:
            raise FieldError(say("{} is missing; it has no default.", FieldName(_inside(where, key))))
    outer = {key: value for key, value in values.items() if len(known[key].path) == 1}
    inner = {key: value for key, value in values.items() if key not in outer}
    return with_values(cls(**{known[key].path[0]: value for key, value in outer.items()}), inner)


def flattened(table: Mapping[str, Any], where: str, known: Mapping[str, Declared]) -> dict[str, Any]:
    """``groove = {count = 2}`` says the same as ``groove_count = 2``. Raises ``FieldError``."""
    by_path = {"_".join(field.path): key for key, field in known.items()}
    flat: dict[str, Any] = {}
    for key, value in table.items():
        if value == {}:
            raise FieldError(f"{_inside(where, key)} is an empty table; give it a value, or leave it out.")
        inner = {f"{key}_{part}": sub for part, sub in value.items()} if isinstance(value, Mapping) else {key: value}
        inner = {by_path.get(name, name): sub for name, sub in inner.items()}
        if twice := flat.keys() & inner.keys():
            name = _inside(where, sorted(twice)[0])
            raise FieldError(f"{name} is given twice, once inside a table; keep one.")
        flat.update(inner)
    return flat


def refuse_unknown(keys: Iterable[str], known: Iterable[str], where: str) -> None:
    """Raises ``FieldError`` for the first key that is not known, with the nearest one that is."""
    known = tuple(known)
    for key in keys:
        if key not in known:
            near = nearest(key, known)
            meant = f"; did you mean {near[0]}?" if near else f"; known here: {', '.join(sorted(known))}."
            raise FieldError(f"{_inside(where, key)} is not a known key{meant}")


def nearest(wrong: str, names: Sequence[str], count: int = 1, alike: float = 0.5) -> list[str]:
    """The names that are most like a wrong one; none where none is ``alike``, 0 to 1, enough."""
    by_plain = {plain(name): name for name in names}
    return [by_plain[near] for near in difflib.get_close_matches(plain(wrong), list(by_plain), count, alike)]


def plain(name: str) -> str:
    """What remains of a name when case, spaces and the look of fractions ("½", "1/2") do not count."""
    bare = unicodedata.normalize("NFKC", name).casefold()
    return "".join(bare.replace("\N{FRACTION SLASH}", "/").replace("\N{MULTIPLICATION SIGN}", "x").split())


def _inside(where: str, key: str) -> str:
    return f"{where}.{key}" if where else key


def _tuple(inner: tuple[Any, ...], value: Any, key: str) -> tuple[Any, ...]:
    several = inner[-1] is ...
    if not isinstance(value, list | tuple) or not (several or len(value) == len(inner)):
        count = "a list" if several else f"a list of {len(inner)}"
        raise refused(key, value, f"{count}, such as {_example(inner)}.")
    kinds = [inner[0]] * len(value) if several else inner
    return tuple(typed(kind, part, f"{key}[{i}]") for i, (kind, part) in enumerate(zip(kinds, value, strict=True)))


def _float(value: Any, key: str) -> float:
    if key.rstrip("[0123456789]").endswith("_mm"):
        try:
            return parse_length(value)
        except ValueError as error:
            raise FieldError(say("{}: {}.", FieldName(key), error)) from None
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) <= sys.float_info.max:
        raise refused(key, value, "a number.")
    return float(value)


def in_range(field: Declared, value: Any, key: str) -> Any:
    """A value of the right type, each of its numbers inside the field's range. Raises ``FieldError``."""
    for number in _numbers(value):
        least = -MOST if field.field.least is None else field.field.least
        most = MOST if field.field.most is None else field.field.most
        if not least <= number <= most:
            shown = Measure((number,), field.unit) if abs(number) < MOST else Given(number)
            template, ends = "{} is {:g}; allowed is {:g}.", [least, most]
            if None in (field.field.least, field.field.most):  # with a single end, only that is of use
                template = template.replace("allowed is", f"allowed is at {'most' if number > most else 'least'}")
                ends = [most if number > most else least]
            raise FieldError(say(template, FieldName(key), shown, Measure(tuple(ends), field.unit)))
    return value


def _numbers(value: Any) -> Iterable[float]:
    if isinstance(value, tuple):
        for part in value:
            yield from _numbers(part)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield value


def _example(inner: tuple[Any, ...]) -> str:
    """How a list of these is written."""
    kind = inner[0]
    if get_origin(kind) is tuple:
        sample = _example(get_args(kind))
    else:
        choices = {Path: ("frame.stl",), str: ("text",)}.get(kind) or get_args(kind)
        sample = ", ".join(f'"{choice}"' for choice in choices) or "200"
    return "[" + ", ".join([sample] * (1 if inner[-1] is ... else len(inner))) + "]"
