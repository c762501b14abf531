# SPDX-License-Identifier: GPL-3.0-or-later
"""Findings, refusals and notes as data: a template and typed values, put into words where somebody reads them.

Files and the command line have millimetres and fields as job files call them, which is what a ``Message`` is as text;
the window renders it in the scene's units and with the labels of its fields.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from reprlib import Repr
from string import Formatter
from typing import Any

from ..geometry.names import in_words, quoted
from ..geometry.units import MM_PER_INCH, bare_mm, inches_beside, parse_length, say_both, say_inches, say_mm, say_three
from .declared import unit_of

EXACT_MM = 0.001
"""A length this close to a fraction of an inch stands for it; 0.4 mm is not 1/64 in."""
SPECK_MM2 = 0.005
"""Areas smaller than this are errors of rounding."""

DAMAGES = (ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError, RecursionError)
"""What reading a damaged text as a record may raise."""

_SHORT = Repr()
_SHORT.maxstring = 80
_POWER = {"mm": 1, "mm/s": 1, "mm²": 2, "mm³": 3}


@dataclass(frozen=True)
class Units:
    """What lengths are said in: ``units(25.4)`` is ``"25.4 mm"``, or ``"1 in"``."""

    imperial: bool = False
    labels: Mapping[str, str] | None = field(default=None, hash=False)
    """What fields are called, by their keys; None for the keys themselves."""
    decimals: int = 3
    """Of an inch."""
    space: str = " "
    """Before "in", and before the fraction behind whole inches."""

    def __call__(self, mm: float) -> str:
        """A length: at most two decimals, or a fraction of an inch where it is one, else thousandths, of what is less
        than half of one ten-thousandths."""
        if not self.imperial:
            return say_mm(mm)
        text = _inches(mm, self.decimals)
        return (_inches(mm, 4) if text == "0 in" else text).replace(" ", self.space)

    def area(self, mm2: float) -> str:
        if mm2 < SPECK_MM2:
            return "none"
        return f"{say_three(mm2 / MM_PER_INCH**2)} in²" if self.imperial else f"{say_three(mm2)} mm²"

    def volume(self, mm3: float) -> str:
        return f"{say_three(mm3 / MM_PER_INCH**3)} in³" if self.imperial else f"{say_three(mm3 / 1000)} cm³"

    def label(self, key: str) -> str:
        return key if self.labels is None else self.labels.get(key, key)


MILLIMETRES = Units()


def _inches(mm: float, decimals: int) -> str:
    fraction = say_inches(abs(mm))
    if fraction and abs(parse_length(fraction) - abs(mm)) < EXACT_MM:
        return f"-{fraction}" if mm < 0 else fraction
    text = f"{mm / MM_PER_INCH:.{decimals}f}"
    return "0 in" if float(text) == 0 else f"{text} in"


AND = " and "
"""Between the last two of several numbers, and commas between the others."""


@dataclass(frozen=True)
class Measure:
    """One number, or several before their unit. In a template ``{:g}`` gives the millimetres as they are, where the
    plain form has at most two decimals, and ``{:+}`` the sign of one in any case."""

    numbers: tuple[float, ...]
    unit: str
    """One of ``fields.declared.UNITS``, or ``"mm²"``."""
    between: str = " to "
    both: bool = False
    """Whether lengths that are fractions of an inch are followed by those where millimetres are said."""
    inches: bool = False
    """Whether they are followed by inches in any case there."""

    def said(self, units: Units, spec: str = "") -> str:
        if spec == "+":
            sign = "+" if self.numbers[0] > 0 else "\N{MINUS SIGN}"
            return sign + Measure((abs(self.numbers[0]),), self.unit).said(units)
        if units.imperial and self.unit == "mm":
            numbers = (units(number).removesuffix("in").rstrip() for number in self.numbers)
            return f"{self._joined(numbers)}{units.space}in"
        if units.imperial and self.unit in _POWER:
            by = MM_PER_INCH ** _POWER[self.unit]
            return f"{self.between.join(say_three(n / by) for n in self.numbers)} {self.unit.replace('mm', 'in')}"
        if self.both and not self.inches and any(map(inches_beside, self.numbers)):
            return self._joined(map(say_both, self.numbers))
        text = self._joined(_bare(number, self.unit, spec) for number in self.numbers)
        beside = f" ({self.said(Units(imperial=True))})" if self.inches and self.unit == "mm" else ""
        return f"{text}{'' if self.unit in ('', '°') else ' '}{self.unit}{beside}"

    def _joined(self, numbers: Iterable[str]) -> str:
        return in_words(numbers) if self.between == AND else self.between.join(numbers)


def _bare(number: float, unit: str, spec: str) -> str:
    if spec or unit not in _POWER:
        return format(number, spec or "g")
    return bare_mm(number) if unit == "mm" else say_three(number)


class Length(Measure):
    """``Length(3.4)`` is "3.4 mm"; ``Length(40, 40, 2)`` is "40 × 40 × 2 mm"."""

    def __init__(self, *mm: float, between: str = " × ", both: bool = False) -> None:
        super().__init__(tuple(map(float, mm)), "mm", between, both)


class Area(Measure):
    def __init__(self, mm2: float) -> None:
        super().__init__((float(mm2),), "mm²")


class Volume(Measure):
    def __init__(self, mm3: float) -> None:
        super().__init__((float(mm3),), "mm³")


@dataclass(frozen=True)
class Name:
    """What somebody, or a file, calls something."""

    text: str

    def said(self, units: Units, spec: str = "") -> str:
        return quoted(self.text)


@dataclass(frozen=True)
class Given:
    """A value as a file has it, such as one that a field cannot take; cut short where it is long."""

    value: object

    def said(self, units: Units, spec: str = "") -> str:
        return _SHORT.repr(self.value)


@dataclass(frozen=True)
class FieldName:
    """A field by its key, with a value to set it to: "rise_mm to 12.5", in the window "Rise to 12.5 mm"."""

    key: str
    to: float | str | None = None
    table: str = ""
    """The table of the job file that it stands in, where that has to be said."""
    entry: int = 0
    """Of the table's entries ``for`` the one that it stands in, from 1; 0 for the table itself."""

    def said(self, units: Units, spec: str = "") -> str:
        name, to = units.label(self.key), self.to
        if units.labels is None:
            value = f"{to:g}" if isinstance(to, int | float) else to
            table = f" in [{self.table}]" if self.table else ""
            if self.entry:
                table = f" in [[{self.table}.for]] entry {self.entry}"
            return name + (f" to {value}" if to is not None else "") + table
        return name if to is None else f"{name} to {say_value(self.key, to, units)}"


@dataclass(frozen=True)
class ByNumber:
    """Words for one thing and for several, as ``Message.of`` a number has them: "this end", "these ends"."""

    one: str
    several: str
    number: int = 1

    def of(self, number: int) -> ByNumber:
        return replace(self, number=number)

    def said(self, units: Units, spec: str = "") -> str:
        return self.one if self.number == 1 else self.several


class Message(str):
    """Text in millimetres that can be rendered otherwise: ``message.text(units)``."""

    template: str
    values: Mapping[str, Any]

    def __new__(cls, template: str, values: Mapping[str, Any] | None = None) -> Message:
        values = dict(values or {})
        message = super().__new__(cls, _rendered(template, values, MILLIMETRES))
        message.template, message.values = template, values
        return message

    def __getnewargs__(self) -> Any:
        return (self.template, self.values)

    def __str__(self) -> str:
        return self  # of an error too: ``str(error)`` is the message that it was raised with

    def __add__(self, other: str) -> Message:
        return say_all((self, other), "")

    def of(self, number: int) -> Message:
        """As it is said of so many: with the words for one or for several."""
        of_so_many = {
            key: value.of(number) if isinstance(value, Message | ByNumber) else value
            for key, value in self.values.items()
        }
        return Message(self.template, of_so_many)

    @property
    def in_both(self) -> Message:
        """With inches after millimetres."""
        return Message(self.template, {key: _in_both(value) for key, value in self.values.items()})

    @property
    def capitalised(self) -> Message:
        """With a capital, where the template begins with a letter."""
        return Message(self.template[:1].upper() + self.template[1:], self.values)

    def removesuffix(self, suffix: str, /) -> Message:
        return Message(self.template.removesuffix(suffix), self.values)

    def text(self, units: Units) -> str:
        """If two lengths are the same in thousandths of an inch, all are shown in ten-thousandths."""
        lengths = {bare_mm(number): number for number in _lengths(self.values.values())}
        alike = units.imperial and len({units(number) for number in lengths.values()}) < len(lengths)
        return self.said(replace(units, decimals=4) if alike else units)

    def said(self, units: Units, spec: str = "") -> str:
        return _rendered(self.template, self.values, units)

    def stored(self) -> str:
        """As text that ``message_from`` reads: JSON where it has values."""
        if not self.values:
            return self.template
        return json.dumps(_record(self), ensure_ascii=False, default=str)


def say(template: str, *values: Any, **named: Any) -> Message:
    """``say("{} is {depth} deep", Name("Post"), depth=Length(3.4))``. Without values the text is as it stands; an error
    stands for its message."""
    given = {**{str(number): value for number, value in enumerate(values)}, **named}
    return Message(
        template, {key: as_message(value) if isinstance(value, Exception) else value for key, value in given.items()}
    )


def say_all(parts: Iterable[object], between: str = " ") -> Message:
    """Messages, text and values, one after the other."""
    parts = tuple(parts)
    return say(between.join(["{}"] * len(parts)), *parts)


def say_each(parts: Iterable[object]) -> Message:
    """``say_each(["A", "B", "C"])`` is ``"A, B and C"``."""
    parts = tuple(parts)
    return say(in_words(["{}"] * len(parts)), *parts)


def as_message(text: object) -> Message:
    """Plain text, or what an error says, as a message."""
    words = str(text)
    return words if isinstance(words, Message) else Message(words)


def message_from(stored: str) -> Message:
    """What ``Message.stored`` wrote, if it can be rendered; other text is as it stands."""
    try:
        message = _value_from(json.loads(stored))
        if isinstance(message, Message):
            for units in (MILLIMETRES, Units(imperial=True, labels={})):
                message.text(units).encode()
            return message
    except DAMAGES:
        pass
    return Message(stored)


def count_of(number: int, singular: str, plural: str | None = None) -> str:
    """``count_of(1, "end")`` is ``"1 end"``, ``count_of(2, "end")`` is ``"2 ends"``."""
    return f"{number} {singular if number == 1 else plural or f'{singular}s'}"


def amount(number: float, key: str) -> Measure:
    """A value in the unit that its key's ending names."""
    return Measure((float(number),), unit_of(key))


def say_value(key: str, value: float | str, units: Units) -> str:
    """A field's value in words."""
    try:
        number = float(value)
    except ValueError:
        return str(value)
    return amount(number, key).said(units)


class _Words(Formatter):
    def __init__(self, units: Units) -> None:
        self.units = units

    def get_value(self, key: int | str, args: Any, kwargs: Mapping[str, Any]) -> Any:
        return kwargs[str(key)]

    def format_field(self, value: Any, format_spec: str) -> str:
        said = getattr(value, "said", None)
        return said(self.units, format_spec) if said else format(value, format_spec)


def _rendered(template: str, values: Mapping[str, Any], units: Units) -> str:
    return _Words(units).vformat(template, (), values) if values else template


def _in_both(value: Any) -> Any:
    if isinstance(value, Measure):
        return Measure(value.numbers, value.unit, value.between, value.both, True)
    return value.in_both if isinstance(value, Message) else value


def _lengths(values: Iterable[Any]) -> Iterator[float]:
    for value in values:
        if isinstance(value, Message):
            yield from _lengths(value.values.values())
        elif isinstance(value, Measure) and value.unit == "mm":
            yield from value.numbers


def _record(value: Any) -> Any:
    if isinstance(value, Message):
        return {"Message": [value.template, {key: _record(inner) for key, inner in value.values.items()}]}
    for kind in (Measure, Name, Given, FieldName, ByNumber):
        if isinstance(value, kind):
            return {kind.__name__: [*vars(value).values()]}
    return value


def _value_from(record: Any) -> Any:
    if not isinstance(record, dict):
        return record
    ((kind, parts),) = record.items()
    if kind == "Message":
        return Message(parts[0], {key: _value_from(inner) for key, inner in parts[1].items()})
    if kind == "Measure":
        return Measure(tuple(parts[0]), *parts[1:])
    return {"Name": Name, "Given": Given, "FieldName": FieldName, "ByNumber": ByNumber}[kind](*parts)


NOTHING = say("")
THIS_END = ByNumber("this end", "these ends")
THE_HOLE = ByNumber("the hole", "the holes")
IT = ByNumber("it", "them")
