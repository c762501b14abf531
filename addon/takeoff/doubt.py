# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a file that carries no unit was read in the wrong one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from ..fields.messages import Length, say
from ..geometry.sections import Outline, Section
from ..geometry.units import MM_PER_INCH, MM_PER_UNIT
from ..trade.sizes import nearest_size
from .ends import UnitDoubt

SizeFit = Callable[[Sequence[Section], float], float]
"""The share of sections whose sizes, times a factor, are in the tables."""

_FEW = 1 / 3
_MOST = 2 / 3
_LEAST_MM, _MOST_MM = 3.0, 1500.0
"""No tube that is welded is narrower or wider; common practice, no source."""

_UNITS = {MM_PER_INCH: "in", MM_PER_UNIT["m"]: "m", MM_PER_UNIT["cm"]: "cm"}
_FACTORS = (*_UNITS, *(1 / factor for factor in _UNITS))


def doubt_unit(sections: Sequence[Section], size_fit: SizeFit) -> UnitDoubt | None:
    """A doubt where few of the sections make tube sizes as read and most of them at another scale."""
    sections = _voting(sections)
    if not sections or size_fit(sections, 1.0) > _FEW:
        return None
    shares = {factor: size_fit(sections, factor) for factor in _FACTORS}
    most = max(shares.values())
    if most <= _MOST:
        return None
    best = min((factor for factor in _FACTORS if shares[factor] == most), key=lambda factor: _off(sections, factor))
    width = max(section.outer.width for section in sections)
    scaled = f"times {best:g}" if best > 1 else f"divided by {1 / best:g}"
    unit = _UNITS.get(best)
    cure = "Export the file again in millimetres"
    if unit:
        cure = f'The file was read in millimetres: write unit = "{unit}" in [assembly]'
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
        say('{}, or unit = "mm" if the sizes are right as they were read.', cure),
    )


def _voting(sections: Sequence[Section]) -> list[Section]:
    """The round and rectangular sections. Where there are none, the boxes around the others, if those are too small or
    too large for any tube."""
    plain = [section for section in sections if section.kind != "other"]
    widest = max((section.outer.width for section in sections), default=0.0)
    if plain or _LEAST_MM <= widest <= _MOST_MM:
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
