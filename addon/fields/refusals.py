# SPDX-License-Identifier: GPL-3.0-or-later
"""How a number that cannot be made is refused."""

from __future__ import annotations


class RecipeError(ValueError):
    """A recipe that cannot be made, with the field at fault and a value that would work (None where none would)."""

    def __init__(self, field: str, problem: str, works: float | str | None):
        super().__init__(problem)
        self.field = field
        self.works = works
