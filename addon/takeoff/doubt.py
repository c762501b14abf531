# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a file that carries no unit was read in the wrong one."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

from ..fields.messages import Length, Message, say
from ..geometry.sections import Outline, Section
from ..geometry.units import MM_PER_INCH, MM_PER_UNIT
from ..trade.sizes import nearest_size
from .ends import UnitDoubt

SizeFit = Callable[[Sequence[Section], float], float]
"""The share of sections whose sizes, times a factor, are in the tables."""

_FEW = 1 / 3
_MOST = 2 / 3
_NARROWEST_MM, _WIDEST_MM = 3.0, 1000.0
"""No tube that is welded is narrower or wider; common practice, no source."""
_USUAL_MM = 40.0
"""About what most tubes that are welded are wide; common practice, no source."""

_UNITS = {MM_PER_INCH: "in", MM_PER_UNIT["m"]: "m", MM_PER_UNIT["cm"]: "cm"}
_TAKEN_FOR_METRES = (MM_PER_INCH / MM_PER_UNIT["m"], MM_PER_UNIT["cm"] / MM_PER_UNIT["m"])
_FACTORS = (*_UNITS, *(1 / factor for factor in _UNITS), *_TAKEN_FOR_METRES)


def doubt_unit(
    sections: Sequence[Section], size_fit: SizeFit, open_ends: Sequence[Section] | None = None
) -> UnitDoubt | None:
    """A doubt where few of the sections make tube sizes as read and most of them at another scale; and where one of
    ``open_ends``, the sections that take a fitting (None: all), or most of all, are too wide or too narrow to be tubes.
    """
    return _by_sizes(sections, size_fit) or _by_width(sections, sections if open_ends is None else open_ends)


def _by_sizes(sections: Sequence[Section], size_fit: SizeFit) -> UnitDoubt | None:
    beyond = _far_off(sections)
    sections = _voting(sections)
    if not sections or size_fit(sections, 1.0) > _FEW:
        return None
    shares = {factor: size_fit(sections, factor) for factor in _FACTORS}
    most = max(shares.values())
    if most <= _MOST:
        return None
    best = min((factor for factor in _FACTORS if shares[factor] == most), key=lambda factor: _off(sections, factor))
    width = max(section.outer.width for section in sections)
    scaled = _scaled_by(best)
    ends, fitting, then = len(sections), *(round(share * len(sections)) for share in (size_fit(sections, 1.0), most))
    few = f"Only {fitting}" if fitting else "None"
    reading = (
        f"{few} of the {ends} tube ends {'are' if fitting > 1 else 'is'} of a size in the tables; {scaled}, the widest"
    )
    which = f"{then} of them" if then < ends else "both" if ends == 2 else f"all {ends}"
    end = f"{which} would be of such a size"
    if ends == 1:
        reading, end = f"The tube end is not of a size in the tables; {scaled}, it", "that is such a size"
    return UnitDoubt(
        best,
        say(
            "{} would be {} across instead of {}, and {}.",
            reading,
            Length(width * best, both=True),
            say("{:.3g}" if width < 0.1 else "{}", Length(width)),
            end,
        ),
        _cure(best),
        beyond,
    )


def _by_width(sections: Sequence[Section], open_ends: Sequence[Section]) -> UnitDoubt | None:
    strange = [section for section in open_ends if _strange(section)] or (list(sections) if _far_off(sections) else [])
    if not strange:
        return None
    width = max((section.outer.width for section in strange), key=lambda width: abs(math.log(width / _USUAL_MM)))
    which = "widest" if width > _WIDEST_MM else "narrowest"
    factors = [factor for factor in _FACTORS if not any(_strange(section, factor) for section in sections)]
    if not _far_off(sections) or not factors:
        return UnitDoubt(1.0, say("The {} tube is {} across.", which, Length(width, both=True)), _cure(1.0), True)
    middle = sorted(section.outer.width for section in sections)[len(sections) // 2]
    best = min(factors, key=lambda factor: abs(math.log(middle * factor / _USUAL_MM)))
    found = say(
        "The {} tube is {} across; {}, it would be {}.",
        which,
        Length(width),
        _scaled_by(best),
        Length(width * best, both=True),
    )
    return UnitDoubt(best, found, _cure(best), True)


def _strange(section: Section, factor: float = 1.0) -> bool:
    """Whether the section, scaled, is wider or narrower than any tube that is welded."""
    return not _NARROWEST_MM <= section.outer.width * factor <= _WIDEST_MM


def _far_off(sections: Sequence[Section]) -> bool:
    """Whether most of the sections are too wide or too narrow."""
    return sum(map(_strange, sections)) > _MOST * len(sections)


def _scaled_by(factor: float) -> str:
    return f"times {factor:g}" if factor > 1 else f"divided by {1 / factor:.4g}"


def _cure(factor: float) -> Message:
    cure = "Export the file again in millimetres"
    if unit := _UNITS.get(factor):
        cure = f'The file was read in millimetres: write unit = "{unit}" in [assembly]'
    return say('{}, or unit = "mm" if the sizes are right as they were read.', cure)


def _voting(sections: Sequence[Section]) -> list[Section]:
    """The round and rectangular sections. Where there are none, the boxes around the others, if those are too small or
    too large for any tube."""
    plain = [section for section in sections if section.kind != "other"]
    if plain or not _far_off(sections):
        return plain
    return [Section(_box(section.outer), _box(section.bore)) for section in sections]


def _box(outline: Outline) -> Outline:
    return Outline.rectangle(outline.width, outline.depth)


def _off(sections: Sequence[Section], factor: float) -> float:
    """How far the sections, scaled, are off the sizes that they are nearest to, in all; mm of the scaled ones."""
    off = 0.0
    for section in sections:
        match = nearest_size(Section(_scaled(section.outer, factor), _scaled(section.bore, factor)))
        if match:
            off += abs(match.width_off_mm) + abs(match.depth_off_mm) + sum(map(abs, match.wall_off_mm)) / 2
    return off


def _scaled(outline: Outline, factor: float) -> Outline:
    radius = outline.corner_radius * factor
    return replace(outline, width=outline.width * factor, depth=outline.depth * factor, corner_radius=radius)
