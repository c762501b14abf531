# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a file that carries no unit was read in the wrong one."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ..geometry.sections import Section
from ..geometry.units import MM_PER_INCH, MM_PER_UNIT, say_both, say_mm
from .ends import UnitDoubt

SizeFit = Callable[[Sequence[Section], float], float]
"""The share of sections whose sizes, times a factor, are in the tables."""

_FEW = 1 / 3
_MOST = 2 / 3


_UNITS = {MM_PER_INCH: "in", MM_PER_UNIT["m"]: "m", MM_PER_UNIT["cm"]: "cm"}
_FACTORS = (*_UNITS, *(1 / factor for factor in _UNITS))


def doubt_unit(sections: Sequence[Section], size_fit: SizeFit) -> UnitDoubt | None:
    """A doubt where few of the sections make tube sizes as read and most of them at another scale."""
    if not sections or size_fit(sections, 1.0) > _FEW:
        return None
    shares = {factor: size_fit(sections, factor) for factor in _FACTORS}
    best = max(shares, key=lambda factor: shares[factor])
    if shares[best] <= _MOST:
        return None
    width = max(section.outer.width for section in sections)
    read = say_mm(width) if width >= 0.1 else f"{width:.3g} mm"
    scaled = f"times {best:g}" if best > 1 else f"divided by {1 / best:g}"
    unit = _UNITS.get(best)
    cure = f'Write unit = "{unit}" in [assembly]' if unit else "Export the file again in millimetres"
    return UnitDoubt(
        best,
        f"Read in millimetres, the widest tube is {read} across, and few of the sections are tube sizes; "
        f"{scaled} it is {say_both(width * best)}, and {shares[best]:.0%} of the sections are. "
        f'{cure}, or unit = "mm" if the sizes are right as they were read.',
    )
