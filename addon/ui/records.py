# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube ends and sections as text, so that a saved .blend holds them to the last digit, and what is made of it where a
file is damaged."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, replace
from functools import lru_cache
from typing import Any, get_args

import bpy
import numpy as np
from mathutils import Matrix, Vector

from ..fields.messages import DAMAGES, Message, as_message, message_from, say
from ..geometry.developments import PlaneCut
from ..geometry.frames import Frame
from ..geometry.sections import Outline, OutlineShape, Section
from ..takeoff import TubeEnd
from ..takeoff.ends import ByHand, Cause, EndHole
from .scene import unit_scale_of

UNKNOWN = Section(Outline.circle(10.0), Outline.circle(10.0))
"""Stands for a section that is damaged in the file: without a wall, so that no tube is like it."""


class RecordError(ValueError):
    """A text that is not what was stored."""


@lru_cache(10_000)
def end_text(end: TubeEnd) -> str:
    record = {key: value for key, value in vars(end).items() if key not in ("section", "frame")}
    record |= {key: as_message(record[key]).stored() for key in ("reason", "remedy")}
    record["holes"] = [vars(hole) for hole in end.holes]
    record["to_cut"] = end.to_cut and vars(end.to_cut)
    record["frame"] = [end.frame.origin.tolist(), end.frame.axes.tolist()]
    record["section"] = _section_record(end.section)
    return json.dumps(record, ensure_ascii=False)


def end_of(line: bpy.types.PropertyGroup) -> TubeEnd:
    """The end of a row of the scene's list; where its record is damaged, a lost one at the same place."""
    try:
        return end_from(line.record)
    except ValueError:  # of bytes that are not UTF-8 too
        matrix = line.tube.matrix_world if line.tube is not None else Matrix()
        origin = np.array(matrix @ Vector(line.place)) * 1000 * unit_scale_of(line.id_data)
        by_hand: ByHand = ("picked by hand" if line.pick else "given by size") if line.by_hand else ""
        remedy = "drop it and add it again" if by_hand == "given by size" else "read the tube ends again"
        reason = say("This file's record of the end is damaged")
        return TubeEnd(
            line.name, UNKNOWN, Frame(origin, np.eye(3)), 0.0, 0.0, 0.0, "lost", reason, by_hand, say(remedy)
        )


@lru_cache(10_000)
def end_from(text: str) -> TubeEnd:
    """The end that ``end_text`` wrote, the same for the same text. Raises ``RecordError``."""
    with _damage_refused():
        record = json.loads(text)
        origin, axes = map(np.array, record.pop("frame"))
        frame = Frame(_numbers(origin, (3,)), _numbers(axes, (3, 3)))
        section = _section(record.pop("section"))
        record |= {key: message_from(record[key]) for key in ("reason", "remedy") if key in record}
        record["holes"] = tuple(EndHole(**hole) for hole in record.pop("holes", ()))
        if (back := record.pop("cut_back_mm", None)) is not None:  # of an older .blend file
            record["to_cut"] = vars(PlaneCut(0.0, 0.0, -back))
        record["to_cut"] = PlaneCut(**record["to_cut"]) if record.get("to_cut") else None
        end = TubeEnd(section=section, frame=frame, **record)
        end.source.encode()
        known = end.cause in get_args(Cause) and end.by_hand in get_args(ByHand)
        numbers = [end.mitre_deg, end.mitre_direction_deg, end.clear_depth_mm]
        if end.to_cut:
            numbers += vars(end.to_cut).values()
        for hole in end.holes:
            numbers += (hole.diameter_mm, hole.distance_mm, hole.angle_deg, hole.offset_mm)
        if not known or not all(map(math.isfinite, numbers)) or not np.allclose(axes @ axes.T, np.eye(3), atol=1e-6):
            raise RecordError
        return end


def stored_notes(notes: Iterable[str]) -> str:
    """Notes as one text, which ``notes_from`` reads."""
    return "\n".join(as_message(note).stored() for note in notes)


def notes_from(text: str) -> list[Message]:
    return [message_from(line) for line in text.split("\n") if line]


def section_text(section: Section) -> str:
    return json.dumps(_section_record(section))


def section_from(text: str) -> Section:
    """Raises ``RecordError``."""
    with _damage_refused():
        return _section(json.loads(text))


def _section_record(section: Section) -> dict[str, Any]:
    return {"outer": outline_record(section.outer), "bore": outline_record(section.bore)}


def outline_record(outline: Outline) -> dict[str, Any]:
    """Of plain values."""
    record = asdict(outline)
    return record if outline.points is None else {**record, "points": outline.points.tolist()}


def _section(record: dict[str, Any]) -> Section:
    return Section(outline_from(record["outer"]), outline_from(record["bore"]))


def outline_from(record: dict[str, Any]) -> Outline:
    """The outline of ``outline_record``. Raises what a damaged record does."""
    x, y = record["centre"]
    outline = Outline(**{**record, "centre": (x, y), "points": None})
    if outline.shape == "free":
        points = _numbers(np.array(record["points"]), (len(record["points"]), 2))
        outline = replace(outline, points=points)
    numbers = (outline.width, outline.depth, outline.corner_radius, x, y)
    if outline.shape not in get_args(OutlineShape) or not all(map(math.isfinite, numbers)):
        raise RecordError
    if min(outline.width, outline.depth, outline.area) <= 0 or outline.corner_radius < 0:
        raise RecordError
    return outline


def _numbers(array: Any, shape: tuple[int, ...]) -> Any:
    if array.shape != shape or array.dtype.kind not in "if" or not np.isfinite(array).all():
        raise RecordError
    return array.astype(float)


@contextmanager
def _damage_refused() -> Iterator[None]:
    try:
        yield
    except DAMAGES as error:
        raise RecordError("what was stored is damaged") from error
