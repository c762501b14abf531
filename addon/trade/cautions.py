# SPDX-License-Identifier: GPL-3.0-or-later
"""The safety cautions that apply to a job. A caution cannot be switched off."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache, lru_cache
from typing import Literal, Protocol

from ..geometry.names import quoted
from .metals import TubeMetal
from .processes import Material, Process
from .tables import DATA, Sourced, read_rows

Step = Literal["before the work", "printing", "off the plate", "drilling and marking", "putting in", "in use"]
_LAST_STEPS: tuple[Step, ...] = ("putting in", "in use")
Choice = Literal["none", "process", "fit", "vent", "hole", "heat", "drill", "joiner"]
Condition = Literal[
    "hot chamber",
    "support broken off",
    "caustic bath",
    "open fill",
    "ultrasonic bath",
    "fibre-filled material",
    "steel",
    "glue",
    "joiner",
    "paste",
    "press fit or ribs",
    "hole",
    "insert",
    "no vent",
    "cope",
    "hole plug",
    "drilling",
]


class Choices(Protocol):
    """What of a recipe decides which cautions apply."""

    @property
    def conditions(self) -> frozenset[Condition]: ...


@dataclass(frozen=True)
class Facts:
    """What is worked with, and so which cautions apply."""

    process: Process
    material: Material
    metal: TubeMetal
    recipes: tuple[Choices, ...]
    """Of all the fittings."""
    puts_in: bool = True
    """Whether any of them stays in place; with tools alone the work ends before that."""

    def holds(self, condition: Condition) -> bool:
        """Whether the condition holds for the job, or for any of its fittings."""
        process = self.process
        of_work = {
            "hot chamber": process.chamber_c > 0,
            "support broken off": process.support == "same material, broken off",
            "caustic bath": process.bath.startswith("caustic"),
            "open fill": process.fill < 1,
            "ultrasonic bath": process.bath.endswith("ultrasonic"),
            "fibre-filled material": self.material.fibre,
            "steel": self.metal.galvanised,
        }
        return of_work.get(condition, False) or any(condition in recipe.conditions for recipe in self.recipes)


@dataclass(frozen=True)
class Caution(Sourced):
    name: str
    """The caution in one line, which says what to do."""
    brief: str
    """In a few words, after its step."""
    step: Step
    text: str
    """One sentence: what the danger is and what to do."""
    applies: tuple[Condition, ...] = ()
    """All of them have to hold; without any it always applies."""
    choice: Choice = "none"
    """The choice beside which it stands, too."""


@cache
def cautions() -> tuple[Caution, ...]:
    """Every caution, in the order in which they are shown. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "cautions.toml", "caution", Caution)


@lru_cache(20)  # panels ask for the same ones at every redraw
def cautions_for(facts: Facts) -> tuple[Caution, ...]:
    """The cautions that apply, with what the material bears in their sentences."""
    plastic, hottest_c = quoted(facts.material.name), f"{facts.material.hottest_c:g}"
    return tuple(
        replace(caution, text=caution.text.format(plastic=plastic, hottest_c=hottest_c))
        for caution in cautions()
        if all(map(facts.holds, caution.applies)) and (facts.puts_in or caution.step not in _LAST_STEPS)
    )
