# SPDX-License-Identifier: GPL-3.0-or-later
"""Lengths, areas and volumes in the words of a scene's unit system, by themselves and inside sentences."""

from __future__ import annotations

import re
from dataclasses import replace

from ..fields.messages import Units
from ..geometry.names import QUOTED
from ..geometry.units import MM_PER_INCH, say_three

_NUMBER = r"(?<![\w.,/])-?\d+(?:\.\d+)?(?:e[-+]\d+)?"
_MEASURE = re.compile(
    rf"(?P<name>{QUOTED})"
    rf"|(?P<numbers>{_NUMBER}(?:(?: to | x | × ){_NUMBER})*) (?P<unit>mm/s|mm[²³]?|cm[²³])(?!\w)"
    r"(?: \((?P<inches>[\d/. ]+ in)\))?"
)
"""A name, or one or more numbers before their unit: "25.4 mm (1 in)", "8 to 20 mm", "40 × 40 × 2 mm", "19.6 mm²"."""
_IN_INCHES = {
    "mm²": (1.0, 2, "in²"),
    "cm²": (100.0, 2, "in²"),
    "mm³": (1.0, 3, "in³"),
    "cm³": (1000.0, 3, "in³"),
    "mm/s": (1.0, 1, "in/s"),
}
"""How much of its kind in mm each unit is, the power of a length that it is, and its unit in inches."""


class Say(Units):
    """Sentences that are no messages yet."""

    def text(self, sentence: str) -> str:
        """A sentence of the house, which has millimetres, with every length, area, volume and speed as this unit system
        says them. Names, which stand in quotes, stay as they are.

        Where thousandths of an inch do not tell two lengths of a sentence apart, all are said in ten-thousandths.
        """
        if not self.imperial:
            return sentence
        lengths = {
            float(number)
            for found in _MEASURE.finditer(sentence)
            if found["unit"] == "mm" and not found["inches"]
            for number in re.findall(_NUMBER, found["numbers"])
        }
        alike = len({self(one) for one in lengths}) < len(lengths)

        def say(mm: float) -> str:
            return replace(self, decimals=4 if alike else 3)(mm)

        def reworded(found: re.Match[str]) -> str:
            if found["name"]:
                return found["name"]
            if found["inches"]:
                return found["inches"]
            if found["unit"] == "mm":
                words = re.sub(_NUMBER, lambda number: say(float(number[0])).removesuffix(" in"), found["numbers"])
                return f"{words} in"
            times, power, unit = _IN_INCHES[found["unit"]]
            by = times / MM_PER_INCH**power
            return re.sub(_NUMBER, lambda number: say_three(float(number[0]) * by), found["numbers"]) + f" {unit}"

        return _MEASURE.sub(reworded, sentence)


METRIC = Say()
IMPERIAL = Say(imperial=True)
