# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube ends and sections as text, so that a saved .blend holds them to the last digit."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

import numpy as np

from ..fields.messages import Message, as_message, message_from
from ..geometry.frames import Frame
from ..geometry.sections import Outline, Section
from ..takeoff import TubeEnd


def end_text(end: TubeEnd) -> str:
    record = {key: value for key, value in vars(end).items() if key not in ("section", "frame")}
    record |= {key: as_message(record[key]).stored() for key in ("reason", "remedy")}
    record["frame"] = [end.frame.origin.tolist(), end.frame.axes.tolist()]
    record["section"] = _section_record(end.section)
    return json.dumps(record, ensure_ascii=False)


def end_from(text: str) -> TubeEnd:
    record = json.loads(text)
    origin, axes = record.pop("frame")
    section = _section(record.pop("section"))
    record |= {key: message_from(record[key]) for key in ("reason", "remedy") if key in record}
    return TubeEnd(section=section, frame=Frame(np.array(origin), np.array(axes)), **record)


def stored_notes(notes: Iterable[str]) -> str:
    """Notes as one text, which ``notes_from`` reads."""
    return "\n".join(as_message(note).stored() for note in notes)


def notes_from(text: str) -> list[Message]:
    return [message_from(line) for line in text.split("\n") if line]


def section_text(section: Section) -> str:
    return json.dumps(_section_record(section))


def section_from(text: str) -> Section:
    return _section(json.loads(text))


def _section_record(section: Section) -> dict[str, Any]:
    return {"outer": _outline_record(section.outer), "bore": _outline_record(section.bore)}


def _outline_record(outline: Outline) -> dict[str, Any]:
    record = asdict(outline)
    return record if outline.points is None else {**record, "points": outline.points.tolist()}


def _section(record: dict[str, Any]) -> Section:
    return Section(_outline(record["outer"]), _outline(record["bore"]))


def _outline(record: dict[str, Any]) -> Outline:
    points = record["points"]
    centre = (record["centre"][0], record["centre"][1])
    return Outline(**{**record, "points": None if points is None else np.array(points), "centre": centre})
