# SPDX-License-Identifier: GPL-3.0-or-later
"""A family of fittings as the rest of the house knows it.

A family is a folder beside this file, with a recipe, a ``Fitting`` of its own and a ``Family``, and a line in
``table.FAMILIES``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Protocol

from ..geometry.sections import Section
from ..takeoff.ends import TubeEnd
from ..trade.cautions import Choice, Condition
from .circumstances import Circumstances
from .fitting import Fitting

ALIKE_MM = 0.05
"""Sections nearer to each other than this take the same fitting: less than a printer can tell apart."""
ALIKE_DEG = 0.1
"""The same for mitres and their directions."""


class Wanted(Protocol):
    """What every family's recipe says. It is a frozen dataclass whose numbers are ``declared``."""

    @property
    def fit(self) -> str:
        """The fit class, of ``trade.fits``."""

    @property
    def gap_mm(self) -> float | None:
        """Per side; None for what the fit class has."""

    @property
    def conditions(self) -> frozenset[Condition]:
        """What it brings about that asks for cautions."""


@dataclass(frozen=True)
class EndPlace:
    """Everything about a tube's end that a design depends on."""

    section: Section
    """With the measured bore if there is one."""
    mitre_deg: float = 0.0
    mitre_direction_deg: float = 0.0
    clear_depth_mm: float | None = None

    @classmethod
    def of(cls, end: TubeEnd, section: Section) -> EndPlace:
        return cls(section, end.mitre_deg, end.mitre_direction_deg, end.clear_depth_mm)

    @property
    def key(self) -> tuple[Any, ...]:
        """The same for the same place, in another session too."""
        outlines = [outline.key for outline in (self.section.outer, self.section.bore)]
        return *outlines, self.mitre_deg, self.mitre_direction_deg, self.clear_depth_mm

    def like(self, other: EndPlace) -> bool:
        """Whether the same fitting serves both."""
        return (
            self.section.like(other.section, ALIKE_MM)
            and abs(self.mitre_deg - other.mitre_deg) <= ALIKE_DEG
            and abs(self.mitre_direction_deg - other.mitre_direction_deg) <= ALIKE_DEG
        )

    def tighter(self, other: EndPlace) -> EndPlace:
        """What serves this one and another that is like it: the tighter bore, clear no deeper than the other."""
        section = min(self.section, other.section, key=lambda section: section.bore.half_width)
        depths = [place.clear_depth_mm for place in (self, other) if place.clear_depth_mm is not None]
        return replace(self, section=section, clear_depth_mm=min(depths, default=None))


@dataclass(frozen=True, eq=False)
class Family:
    """One kind of fitting, as everything else asks for it."""

    name: str
    """As lists and result.json have it, and its fittings: ``"cap"``."""
    table: str
    """What job files call its recipe: ``"fitting"`` for ``[fitting]`` and ``[[fitting.for]]``."""
    recipe: type[Any]
    """A ``Wanted``."""
    serves: type
    """The takeoff's record of the sites that take it."""
    place: Callable[[Any, Section], EndPlace]
    """What its design depends on, from a site and its tube's section."""
    design: Callable[[Any, EndPlace, Circumstances | None, int | None], Fitting]
    """The fitting of a recipe at a place, in circumstances if they are known; an int is the facets of a whole circle,
    for previews. Raises ``RecipeError``."""
    depth_mm: Callable[[Any], float]
    """How far a recipe's fitting reaches into the tube."""
    slice: Callable[[Any, Section, float, float, float | None], Fitting] | None = None
    """For a fit ladder, from a resolved recipe: a fitting with this gap per side on a pad of this height, its part
    inside so long with its lead-in, or whole. None if no ladder is made. Raises ``RecipeError``."""
    chief: tuple[str, ...] = ()
    """Keys of the recipe to fill in when a fitting is added by its tube's size."""
    beside: Mapping[str, Choice] = field(default_factory=dict)
    """Which cautions stand beside a group of the recipe's fields."""
