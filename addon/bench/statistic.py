# SPDX-License-Identifier: GPL-3.0-or-later
"""How many readings, their mean, and how far they spread."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

_STUDENT_95 = (
    *(12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228),
    *(2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086),
)
"""Student's t, two-sided 95 %, for 1 to 20 degrees of freedom (any table of the distribution)."""


@dataclass(frozen=True)
class Statistic:
    """``spread`` is the sample standard deviation; None if there is a single reading."""

    n: int
    mean: float
    spread: float | None

    @classmethod
    def of(cls, readings: Iterable[float]) -> Statistic | None:
        """None if there are no readings."""
        values = list(readings)
        if not values:
            return None
        mean = math.fsum(values) / len(values)
        if len(values) == 1:
            return cls(1, mean, None)
        return cls(len(values), mean, math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1)))

    @property
    def reach(self) -> float | None:
        """Half the band in which the next reading falls 19 times out of 20, t·s·√(1 + 1/n); None for one reading."""
        if self.spread is None:
            return None
        freedom = min(self.n - 1, len(_STUDENT_95))
        return _STUDENT_95[freedom - 1] * self.spread * math.sqrt(1 + 1 / self.n)

    def say(self) -> str:
        """``"1.06 from 4 readings, spread 0.02"``, or that it rests on a single reading."""
        if self.spread is None:
            return f"{self.mean:.2f} from a single reading: not yet reliable"
        return f"{self.mean:.2f} from {self.n} readings, spread {self.spread:.2f}"
