# SPDX-License-Identifier: GPL-3.0-or-later
"""Wrap templates for copes and mitres."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from ...geometry.developments import Development, PlaneCut, develop
from ...geometry.units import say_mm, say_three
from ...takeoff import Takeoff
from ...trade.sizes import section_name
from ..template import KEPT_MM, Template
from .cut_ends import CutEnd, CutPlace, cut_ends, far_end


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
    return Template.of(development, f"{section_name(place.section)}, {place.words}", rows)


def _tubes(counts: Counter[str]) -> str:
    ends = {1: "", 2: " (both ends)"}
    return ", ".join(name + ends.get(count, f" ({count} ends)") for name, count in counts.items() if name)


def mitre_templates(takeoff: Takeoff) -> list[Template]:
    """One for all mitred ends that are alike."""
    ends = cut_ends(takeoff)
    kinds: list[tuple[CutPlace, list[tuple[CutEnd, CutEnd | None]]]] = []
    for end in takeoff.ends:
        if not end.mitre_deg or id(end) not in ends or end.section.outer.shape == "free":
            continue
        at = ends[id(end)]
        alike = next((some for place, some in kinds if place.like(at.place)), None)
        if alike is None:
            kinds.append((at.place, alike := []))
        alike.append((at, far_end(end, at.tube, ends)))
    return [template_for(*kind) for kind in kinds]


def _said(at: CutEnd, far: CutEnd | None, lower_mm: float) -> str:
    """Where the lower edge goes, which lies so far below the farthest point."""
    if far is None:
        return f"Lower edge {say_mm(lower_mm)} short of the longest point"
    length = float((at.frame.origin - far.frame.origin) @ at.end.frame.z)
    said = f"Lower edge {say_mm(length - lower_mm)} from the far end, longest point {say_mm(length)}"
    square = isinstance(far.cut, PlaneCut) and not far.cut.mitre_deg
    if square or at.end.section.outer.shape != "circle":
        return said
    x, y, _ = at.frame.axes @ far.frame.x
    turn = say_three(round(float(np.degrees(np.arctan2(-y, x))), 1) % 360.0)
    return f"{said}; looking at this end, its shorter side is {turn}° counter-clockwise of the far end's"
