# SPDX-License-Identifier: GPL-3.0-or-later
"""Paper templates as a family gives them, before paper: a pattern at 1:1 that is wrapped around a tube."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..geometry.developments import Development, Line
from ..geometry.frames import Floats

KEPT_MM = 36.0
"""From the lower edge to the lowest place of the cut: enough paper to lie straight; common practice, no source."""


@dataclass(frozen=True, eq=False)
class Template:
    """The development of a cut, printed side out: x around the tube from the left edge, y along it from the lower
    edge, which lies square around the tube, towards the end."""

    title: str
    said: tuple[str, ...]
    """What to know of each tube that it is for, in a line each."""
    outside: Floats
    """(n, 2): the line to cut along; from the left edge to the right one, which meets it."""
    inside: Floats
    """(n, 2): where the cut comes out at the bore."""
    lines: tuple[Line, ...]

    @classmethod
    def of(cls, development: Development, title: str, said: tuple[str, ...]) -> Template:
        around, foot = development.around, development.bottom - KEPT_MM
        return cls(
            title,
            said,
            np.column_stack([around, development.outside - foot]),
            np.column_stack([around, development.inside - foot]),
            development.lines,
        )

    @property
    def girth(self) -> float:
        return float(self.outside[-1, 0])

    @property
    def height(self) -> float:
        return float(max(self.outside[:, 1].max(), self.inside[:, 1].max()))
