# SPDX-License-Identifier: GPL-3.0-or-later
"""Wrap templates for copes and mitres."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np

from ...geometry.developments import Development, PlaneCut, develop, places_around
from ...geometry.sections import Section
from ...geometry.units import say_mm, say_on_rule, say_three
from ...takeoff import Takeoff, TubeEnd
from ...trade.sizes import in_inches, section_name
from ..family import ALIKE_MM
from ..template import KEPT_MM, Template
from .cut_ends import CutEnd, CutPlace, cut_ends, far_end, said_cut

_SAME_DEG = 0.5
"""What is turned by less is in line."""


@lru_cache(64)
def development_of(place: CutPlace) -> Development:
    """Raises ``ValueError`` for a cut that does not go all around."""
    return develop(place.cut, place.section)


def template_for(place: CutPlace, ends: Sequence[tuple[CutEnd, CutEnd | None]]) -> Template:
    """The template of a cut, for tube ends each with the tube's other end, if it was read."""
    development = development_of(place)
    lower = development.top - development.bottom + KEPT_MM
    names: dict[str, Counter[str]] = {}
    for at, far in ends:
        names.setdefault(_said(at, far, lower), Counter())[at.end.source] += 1
    rows = tuple(": ".join(filter(None, (said, _tubes(counts)))) for said, counts in names.items())
    return Template.of(development, f"{section_name(place.section)}, {said_cut(place.cut)}", rows)


def _tubes(counts: Counter[str]) -> str:
    ends = {1: "", 2: " (both ends)"}
    return ", ".join(name + ends.get(count, f" ({count} ends)") for name, count in counts.items() if name)


def mitre_templates(takeoff: Takeoff) -> list[Template]:
    """One for all ends that are alike, of those that are mitred or have to be."""
    ends = cut_ends(takeoff)
    kinds: list[tuple[CutPlace, list[tuple[CutEnd, CutEnd | None]]]] = []
    for end in takeoff.ends:
        at = ends.get(id(end))
        if at is None or not isinstance(at.cut, PlaneCut) or not at.cut.mitre_deg or end.section.outer.shape == "free":
            continue
        alike = next((some for place, some in kinds if place.like(at.place)), None)
        if alike is None:
            kinds.append((at.place, alike := []))
        alike.append((at, far_end(end, at.tube, ends)))
    return [template_for(*kind) for kind in kinds]


def measured_by(section: Section) -> Callable[[float], str]:
    """How lengths along a tube are said: in inches where it is a size in inches."""
    return say_on_rule if in_inches(section) else say_mm


def _said(at: CutEnd, far: CutEnd | None, lower_mm: float) -> str:
    """Where the lower edge goes, which lies so far below the farthest point."""
    say = measured_by(at.end.section)
    if far is None:
        said = f"Lower edge {say(lower_mm)} short of the longest point"
        # An earlier version stored tubes without their cuts: both are then unknown.
        uncut = all(isinstance(end, TubeEnd) for end in at.tube.ends) and at.tube.cuts.count(None) == 1
        return f"{said}: the far end runs into another tube, and is cut to fit afterwards" if uncut else said
    length = float((at.frame.origin - far.frame.origin) @ at.end.frame.z)
    said = f"Lower edge {say(length - lower_mm)} from the far end, longest point {say(length)}"
    turned = _turned(at, far)
    return f"{said}; {turned}" if turned else said


def _turned(at: CutEnd, far: CutEnd) -> str:
    """How the two cuts of a tube are turned to each other; empty where one is square."""
    if any(isinstance(end.cut, PlaneCut) and not end.cut.mitre_deg for end in (at, far)):
        return ""
    x, y, _ = far.frame.axes @ at.frame.x
    # Seen from here the far end's angles run the other way.
    turn = math.degrees(math.atan2(y, x))
    outer = at.end.section.outer
    if outer.shape == "rectangle":
        return f"side 1 is the far end's side {round(turn / 90) % 4 + 1}"
    if _same_half_around(at) or _same_half_around(far):
        turn = (turn + 90) % 180 - 90
    line, other = (_chief_name(end.place) for end in (at, far))
    of = "the far end's" if line == other else f"the far end's {other}"
    if abs(turn) < _SAME_DEG:
        return f"{line} in line with {of}"
    if abs(turn) > 180 - _SAME_DEG:
        return f"{line} opposite {of}"
    around = measured_by(at.end.section)(outer.length * abs(turn) / 360)
    way = "clockwise" if turn > 0 else "counter-clockwise"
    return f"{line} {say_three(abs(turn))}°, {around} around, {way} from {of}, looking at this end"


def _chief_name(place: CutPlace) -> str:
    try:
        return development_of(place).chief_line.name
    except ValueError:
        return "axis line"


def _same_half_around(end: CutEnd) -> bool:
    """Whether a cut is the same turned half around."""
    points = places_around(end.end.section.outer)
    return bool(np.abs(end.cut.heights(points) - end.cut.heights(-points)).max() < ALIKE_MM)
