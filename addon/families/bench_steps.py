# SPDX-License-Identifier: GPL-3.0-or-later
"""Steps at the bench as they come together: of all fittings, or with the ids of those that they are about."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from .fitting import BenchStep


class BenchSteps(list[BenchStep]):
    """The steps for fittings by their ids, in order."""

    def __init__(self, fittings: Mapping[str, Any]) -> None:
        super().__init__()
        self._all = list(fittings)

    def add(self, name: str, said: str, chosen: Iterable[str] | None = None) -> None:
        """Another step, of the fittings it is about, each by its id or with what is particular to it; it is left out
        where there are none."""
        who = self._all if chosen is None else list(chosen)
        if who:
            self.append(BenchStep(name, f"{said}." if who == self._all else f"{said}: {', '.join(who)}."))
