# SPDX-License-Identifier: GPL-3.0-or-later
"""How a recipe's fields are settled one after another, each refused with a value that works where it cannot be made."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from ..fields.coercion import nearest as nearest_name
from ..fields.declared import declared_in, values_of, with_values
from ..fields.messages import Given, Length, amount, say
from ..fields.refusals import RecipeError
from ..geometry.sections import Outline
from ..shaping.contours import least_step
from ..trade.hardware import thread_named, threads
from ..trade.tables import UnknownNameError

LEAST_BEVEL_MM = 0.01
"""Smallest edge or lead-in worth making; ``least_step`` is more on very large parts."""
EXACT = 1e-6
"""What a number may be past its limit. What is offered is rounded past it by half of that at most, so that it is never
refused itself; sums and outlines are good to far less."""

R = TypeVar("R")


@contextmanager
def outline_faults_refused() -> Iterator[None]:
    """Turns what is wrong with an outline itself into a ``RecipeError`` that no recipe cures."""
    try:
        yield
    except RecipeError:
        raise
    except ValueError as error:
        raise RecipeError("section", say("the tube's outline cannot be used: {}", error), None) from error


@dataclass
class Settling(Generic[R]):
    """The recipe while it is being settled."""

    recipe: R

    def set(self, name: str, value: float | str) -> None:
        self.recipe = with_values(self.recipe, {name: value})

    def get(self, name: str) -> Any:
        return declared_in(type(self.recipe))[name].of(self.recipe)

    def word(self, name: str, words: Sequence[str]) -> None:
        value = self.get(name)
        if value not in words:
            near = nearest_name(str(value), words, alike=0.0)[0]
            choices = ", ".join(words)
            raise RecipeError(
                name,
                say("{} {} is not known; choose {} (nearest: {})", _spoken(name), Given(value), choices, near),
                near,
            )

    def thread(self, name: str) -> None:
        """Makes sure that the table has the thread."""
        try:
            thread_named(str(self.get(name)))
        except UnknownNameError as unknown:
            names = [thread.name for thread in threads()]
            near = nearest_name(str(self.get(name)), names, alike=0.0)[0]
            raise RecipeError(name, str(unknown), near) from None

    def numbers(self) -> None:
        """Makes sure that all that are not left to the section are numbers."""
        for name, usual in values_of(type(self.recipe)()).items():
            value = self.get(name)
            if isinstance(usual, int | float) and not is_number(value):
                problem = say(
                    "{} {} is not a number; enter a number; {} is usual",
                    _spoken(name),
                    Given(value),
                    amount(usual, name),
                )
                raise RecipeError(name, problem, usual)

    def number(
        self,
        name: str,
        least: float,
        most: float,
        why_least: str,
        why_most: str,
        default: float | None = None,
        used: bool = True,
    ) -> float:
        """Settles one number that has to lie from ``least`` to ``most``; any number from 0 up will do
        if the field is not ``used``. The value offered instead of a wrong one is a whole hundredth."""
        whole = name.endswith("_count")
        if whole:
            least, most = math.ceil(least), math.floor(most)
        most = max(least, most)
        value = self.get(name)
        if value is None and default is not None:
            self.set(name, min(max(default, least), most))
            return float(self.get(name))

        spoken = _spoken(name)
        if not is_number(value):
            fallback = min(max(default or 0.0, least), most)
            problem = say(
                "{} {} is not a number; choose {} to {}", spoken, Given(value), amount(least, name), amount(most, name)
            )
            raise RecipeError(name, problem, fallback)
        elif whole and value != int(value):
            nearest = int(min(max(value, least), most))
            raise RecipeError(name, f"{spoken} {value:g} is not a whole number; choose {nearest}", nearest)
        elif value < (least if used else min(least, 0.0)) - EXACT:
            works = least if whole else min(rounded_up(least), most)
            problem = say(
                "{} {} is too little: {}; at least {}", spoken, amount(value, name), why_least, amount(works, name)
            )
            raise RecipeError(name, problem, works)
        elif used and value > most + EXACT:
            works = most if whole else max(rounded_down(most), least)
            problem = say(
                "{} {} is too much: {}; at most {}", spoken, amount(value, name), why_most, amount(works, name)
            )
            raise RecipeError(name, problem, works)
        return float(self.get(name))

    def bevel(self, name: str, outline: Outline, height: float, most: float) -> None:
        """Makes sure that an edge is either none or large enough for a solid of that height to hold it."""
        value, least = float(self.get(name)), rounded_up(max(LEAST_BEVEL_MM, least_step(outline, height)))
        if 0 < value < least - EXACT:
            works, spoken = (least if least <= most else 0.0), _spoken(name)
            choices = say("choose 0, or at least {}", Length(least)) if works else "choose 0"
            problem = say("{} {:.3g} is too little to be seen; {}", spoken, Length(value), choices)
            raise RecipeError(name, problem, works)


def is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _spoken(name: str) -> str:
    return name.removesuffix("_mm").removesuffix("_deg").replace("_", " ")


def rounded_down(number: float) -> float:
    return math.floor((number + EXACT / 2) * 100) / 100


def rounded_up(number: float) -> float:
    return math.ceil((number - EXACT / 2) * 100) / 100
