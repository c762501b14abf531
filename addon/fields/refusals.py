# SPDX-License-Identifier: GPL-3.0-or-later
"""How a number that cannot be made is refused."""

from __future__ import annotations

from .messages import as_message


class RecipeError(ValueError):
    """A recipe that cannot be made, with the field at fault and a value that would work (None if none would; then
    ``instead`` may say in a sentence what to do).

    ``str`` of it is a ``Message``.
    """

    def __init__(self, field: str, problem: str, works: float | str | None, instead: str = ""):
        super().__init__(as_message(problem))
        self.field = field
        self.works = works
        self.instead = as_message(instead)

    def __reduce__(self) -> tuple[type[RecipeError], tuple[object, ...]]:
        return RecipeError, (self.field, str(self), self.works, self.instead)
