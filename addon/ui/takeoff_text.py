# SPDX-License-Identifier: GPL-3.0-or-later
"""What the takeoff found besides tube ends, as text that a .blend keeps, and back."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from functools import lru_cache
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np

from ..fields.messages import DAMAGES, Message, as_message, message_from
from ..geometry.developments import Cut, LowestCut, PlaneCut, ReadCut, TubeCut
from ..geometry.frames import Floats, Frame
from ..geometry.sections import Outline, Section
from ..takeoff import ClosedEnd, Cope, Hole, Joint, Takeoff, Tube, TubeEnd
from .records import end_from, end_text, outline_from, outline_record, section_from, section_text

OtherSite = Hole | Cope | Joint
KINDS: dict[str, type] = {"hole": Hole, "cope": Cope, "joint": Joint}
_CUTS = {cut.__name__: cut for cut in (PlaneCut, TubeCut, LowestCut, ReadCut)}


def takeoff_text(takeoff: Takeoff, key_of: Mapping[int, str]) -> str:
    """Its tubes, holes, copes and joints. ``key_of`` has the keys of listed ends by their ``id``; others are written
    out."""
    writer = _Writer(key_of)
    lists = {kind: [writer.record(item) for item in getattr(takeoff, kind)] for kind in _LISTS}
    return json.dumps({"ends": writer.ends, **lists}, ensure_ascii=False)


@lru_cache(8)
def takeoff_from(text: str, keys: tuple[str, ...], ends: tuple[TubeEnd, ...]) -> Takeoff:
    """The takeoff that ``takeoff_text`` wrote, with the ends that are listed now; without sites where the text is
    damaged. Copes and joints of ends that are not listed are left out."""
    try:
        found = _read(json.loads(text), dict(zip(keys, ends, strict=True))) if text else {}
    except DAMAGES:
        found = {}
    listed = set(map(id, ends))
    copes = (cope for cope in found.pop("copes", ()) if id(cope.end) in listed)
    joints = (joint for joint in found.pop("joints", ()) if listed.issuperset(map(id, joint.ends)))
    return Takeoff(ends, copes=tuple(copes), joints=tuple(joints), **found)


def sites_of(takeoff: Takeoff) -> tuple[OtherSite, ...]:
    """All that is no tube end, in the order in which it is listed."""
    return (*takeoff.holes, *takeoff.copes, *takeoff.joints)


def place_of(site: OtherSite) -> Floats:
    """(3,): where it is shown."""
    if isinstance(site, Hole):
        return site.position
    ends = site.ends if isinstance(site, Joint) else (site.end,)
    return np.mean([end.frame.origin for end in ends], axis=0)


_LISTS: dict[str, type] = {"tubes": Tube, "holes": Hole, "copes": Cope, "joints": Joint}


class _Writer:
    def __init__(self, key_of: Mapping[int, str]) -> None:
        self.key_of = key_of
        self.ends: list[dict[str, str]] = []
        self._place_of: dict[int, int] = {}
        self._tubes: dict[int, int] = {}

    def record(self, item: Any) -> dict[str, Any]:
        if isinstance(item, Tube):
            self._tubes[id(item)] = len(self._tubes)
        return {field.name: self._value(getattr(item, field.name)) for field in fields(item)}

    def _value(self, value: Any) -> Any:
        if isinstance(value, TubeEnd):
            return self._end(value)
        if isinstance(value, Tube):
            return self._tubes[id(value)]
        if isinstance(value, str):
            return as_message(value).stored() if isinstance(value, Message) else value
        if isinstance(value, Section):
            return section_text(value)
        if isinstance(value, Outline):
            return outline_record(value)
        if isinstance(value, Frame):
            return [value.origin.tolist(), value.axes.tolist()]
        if isinstance(value, np.ndarray | np.generic):
            return value.tolist()
        if isinstance(value, tuple):
            return [self._value(part) for part in value]
        if is_dataclass(value):
            named = {"is": type(value).__name__} if type(value).__name__ in _CUTS else {}
            return {**named, **self.record(value)}
        return value

    def _end(self, end: TubeEnd) -> int:
        if id(end) not in self._place_of:
            self._place_of[id(end)] = len(self.ends)
            key = self.key_of.get(id(end))
            self.ends.append({"key": key, "text": end_text(end)} if key else {"text": end_text(end)})
        return self._place_of[id(end)]


@dataclass(frozen=True)
class _Known:
    ends: Sequence[TubeEnd]
    tubes: list[Tube]


def _read(record: dict[str, Any], listed: Mapping[str, TubeEnd]) -> dict[str, Any]:
    ends = [listed.get(entry.get("key", "")) or end_from(entry["text"]) for entry in record["ends"]]
    known = _Known(ends, [])
    lists: dict[str, Any] = {}
    for kind, cls in _LISTS.items():
        for entry in record[kind]:
            item = _made(cls, entry, known)
            lists.setdefault(kind, []).append(item)
            if cls is Tube:
                known.tubes.append(item)
    return {kind: tuple(items) for kind, items in lists.items()}


def _made(cls: type, entry: dict[str, Any], known: _Known) -> Any:
    """What an older .blend file does not have is as usual."""
    return cls(**{name: _value(hint, entry[name], known) for name, hint in _hints(cls).items() if name in entry})


@lru_cache(30)
def _hints(cls: type) -> dict[str, Any]:
    """What the fields of a dataclass hold."""
    hints = get_type_hints(cls)
    return {field.name: hints[field.name] for field in fields(cls)}


def _value(hint: Any, value: Any, known: _Known) -> Any:
    """A value of a type from what stands for it. Raises one of ``DAMAGES``."""
    origin, parts = get_origin(hint), get_args(hint)
    if origin in (Union, UnionType):
        if value is None:
            return None
        if TubeEnd in parts:
            return _value(TubeEnd if isinstance(value, int) else ClosedEnd, value, known)
        return _value(next(part for part in parts if part is not type(None)), value, known)
    if origin is Literal:
        return parts[parts.index(value)]
    if origin is tuple:
        several = [parts[0]] * len(value) if parts[-1] is ... else parts
        return tuple(_value(part, item, known) for part, item in zip(several, value, strict=True))
    if hint == Floats:
        return _finite(np.array(value, float))
    if hint is TubeEnd:
        return known.ends[value]
    if hint is Tube:
        return known.tubes[value]
    if hint is Section:
        return section_from(value)
    if hint is Outline:
        return outline_from(value)
    if hint is Frame:
        return Frame(*(_finite(np.array(part, float)) for part in value))
    if hint is Message:
        return message_from(value)
    if hint is Cut:
        return _made(_CUTS[value["is"]], value, known)
    if is_dataclass(hint) and isinstance(hint, type):
        return _made(hint, value, known)
    if hint is float:
        return float(_finite(np.array(value, float)))
    if not isinstance(value, hint) or (isinstance(value, float) and not math.isfinite(value)):
        raise ValueError
    return value


def _finite(array: Any) -> Any:
    if not np.isfinite(array).all():
        raise ValueError
    return array
