# SPDX-License-Identifier: GPL-3.0-or-later
"""Lengths, areas and volumes in the words of a scene's unit system."""

from __future__ import annotations

from dataclasses import dataclass

from ..geometry.units import MM_PER_INCH, parse_length, say_inches, say_mm, say_three

EXACT_MM = 0.001
"""A fraction of an inch that lies no further off is what was meant; 0.4 mm is not 1/64 in."""
SPECK_MM2 = 0.005
"""Areas smaller than this are errors of rounding."""


@dataclass(frozen=True)
class Say:
    """``say(25.4)`` is ``"25.4 mm"``, or ``"1 in"``."""

    imperial: bool = False

    def __call__(self, mm: float) -> str:
        """A length: at most two decimals, or a fraction of an inch where it is one, else thousandths."""
        if not self.imperial:
            return say_mm(mm)
        fraction = say_inches(abs(mm))
        if fraction and abs(parse_length(fraction) - abs(mm)) < EXACT_MM:
            return f"-{fraction}" if mm < 0 else fraction
        text = f"{mm / MM_PER_INCH:.3f}"
        return "0 in" if float(text) == 0 else f"{text} in"

    def area(self, mm2: float) -> str:
        if mm2 < SPECK_MM2:
            return "none"
        if self.imperial:
            return f"{say_three(mm2 / MM_PER_INCH**2)} in²"
        return f"{say_three(mm2)} mm²"

    def volume(self, mm3: float) -> str:
        return f"{say_three(mm3 / MM_PER_INCH**3)} in³" if self.imperial else f"{say_three(mm3 / 1000)} cm³"


METRIC = Say()
IMPERIAL = Say(imperial=True)
