# SPDX-License-Identifier: GPL-3.0-or-later
"""A family of fittings as the rest of the house knows it.

A family is a folder beside this file, with a recipe, a ``Fitting`` of its own and a ``Family``, and a line in
``table.FAMILIES``. What it is made for are sites of the assembly; all that its design depends on at a site is a place.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import astuple, dataclass, field, replace
from typing import Any, Literal, Protocol, Self

from ..fields.messages import Message
from ..geometry.frames import Floats, Frame
from ..geometry.sections import Section
from ..geometry.units import say_both
from ..takeoff import Mouth, NeededHole, Takeoff, TubeEnd
from ..takeoff.ends import EndHole, said_mitre
from ..trade.cautions import Choice, Condition
from .circumstances import Circumstances
from .fitting import Fitting
from .template import Template

ALIKE_MM = 0.05
"""Sections nearer to each other than this take the same fitting: less than a printer can tell apart."""
ALIKE_DEG = 0.1
"""The same for mitres and their directions."""


Serves = Literal["end", "hole", "cope", "joint"]
"""What a family's fittings are for."""
Counted = Literal["end", "hole", "screw hole", "cope", "joint"]
"""The same as it is counted: ``"29 ends, 12 holes"``. Screw holes are those that the model does not have."""


class Site(Protocol):
    """A place of an assembly that takes a fitting of one family. A ``TubeEnd`` is one as it is."""

    @property
    def source(self) -> str:
        """Name of the tube's object or body."""

    @property
    def sources(self) -> tuple[str, ...]:
        """Of all that the fitting goes into or over."""

    @property
    def section(self) -> Section:
        """The tube's, as modelled."""

    @property
    def frame(self) -> Frame:
        """Of the fitting in the assembly: its mesh, placed by this frame, is in its place."""

    @property
    def where(self) -> Message:
        """After the tube's name on sheets and lists: ``"hole 9 mm, 120 mm from the end"``; empty for a tube's end."""

    @property
    def position(self) -> Floats:
        """(3,): where it is, for numbers in pictures and lists."""

    @property
    def records(self) -> tuple[object, ...]:
        """The takeoff's records that it is made of: ends, holes, copes, joints, and the ends that a joint takes up."""

    @property
    def count(self) -> int:
        """How many of its records, the first ones, are what its family serves: the holes of a pattern."""


def counted_as(record: object, serves: Serves) -> Counted:
    """What a record is counted as that a fitting of such a family serves."""
    return "screw hole" if isinstance(record, NeededHole) else serves


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


class SitePlace(Protocol):
    """Everything about a site that a design depends on: a frozen record, equal where the fitting is the same."""

    @property
    def section(self) -> Section:
        """With the measured bore if there is one."""

    @property
    def key(self) -> tuple[Any, ...]:
        """The same for the same place, in another session too."""

    @property
    def words(self) -> str:
        """After the section's name on lists: ``"mitred 45°"``; may be empty."""

    def like(self, other: Self) -> bool:
        """Whether the same fitting serves both."""

    def tighter(self, other: Self) -> Self:
        """What serves this one and another that is like it."""


class ScrewPlace(Protocol):
    """A hole that a tube has to get for one of a fitting's screws; places are in the fitting's frame."""

    @property
    def tube(self) -> int:
        """Which of the tube ends among its site's records is the tube's, counted from 0."""

    @property
    def diameter_mm(self) -> float: ...

    @property
    def mouths(self) -> tuple[Mouth, ...]:
        """One for each wall that it goes through."""


@dataclass(frozen=True)
class EndPlace:
    """Everything about a tube's end that a design depends on."""

    section: Section
    """With the measured bore if there is one."""
    mitre_deg: float = 0.0
    mitre_direction_deg: float = 0.0
    clear_depth_mm: float | None = None
    """If ``holes`` go on through the spigot."""
    holes: tuple[EndHole, ...] = ()
    """Those through the tube's walls that a spigot would cover."""

    @classmethod
    def of(cls, end: TubeEnd, section: Section) -> EndPlace:
        return cls(section, end.mitre_deg, end.mitre_direction_deg, end.clear_depth_mm, end.holes)

    def depth_mm(self, free: bool) -> float | None:
        """How deep a spigot may go, whose holes go on through it if they are ``free``; None for any depth."""
        clear = [self.clear_depth_mm] if self.clear_depth_mm is not None else []
        if not free:
            clear += [hole.begins_mm(self.section, self.mitre_deg) for hole in self.holes]
        return min(clear, default=None)

    def reached(self, depth_mm: float) -> tuple[EndHole, ...]:
        """The holes that a spigot reaches which goes so deep along the axis."""
        return tuple(hole for hole in self.holes if hole.begins_mm(self.section, self.mitre_deg) < depth_mm)

    @property
    def key(self) -> tuple[Any, ...]:
        """The same for the same place, in another session too."""
        outlines = [outline.key for outline in (self.section.outer, self.section.bore)]
        holes = tuple(astuple(hole) for hole in self.holes)
        return *outlines, self.mitre_deg, self.mitre_direction_deg, self.clear_depth_mm, *holes

    @property
    def words(self) -> str:
        holes = [f"hole {say_both(hole.diameter_mm)}, {say_both(hole.distance_mm)} from the end" for hole in self.holes]
        return ", ".join(filter(None, (said_mitre(self.mitre_deg), *holes)))

    def like(self, other: EndPlace) -> bool:
        return (
            self.section.like(other.section, ALIKE_MM)
            and abs(self.mitre_deg - other.mitre_deg) <= ALIKE_DEG
            and abs(self.mitre_direction_deg - other.mitre_direction_deg) <= ALIKE_DEG
            and len(self.holes) == len(other.holes)
            and all(hole.like(other_hole) for hole, other_hole in zip(self.holes, other.holes, strict=True))
        )

    def tighter(self, other: EndPlace) -> EndPlace:
        """The tighter bore, clear no deeper than the other."""
        section = min(self.section, other.section, key=lambda section: section.bore.half_width)
        depths = [place.clear_depth_mm for place in (self, other) if place.clear_depth_mm is not None]
        return replace(self, section=section, clear_depth_mm=min(depths, default=None))


def _frees_none(recipe: object) -> bool:
    return False


def _no_depth(recipe: object) -> float:
    return 0.0


def _no_screws(recipe: object, place: object, circumstances: object) -> tuple[ScrewPlace, ...]:
    return ()


def _passes_none(recipe: object, place: object, circumstances: object) -> tuple[tuple[Floats, Floats], ...]:
    return ()


def _no_papers(takeoff: Takeoff) -> tuple[Template, ...]:
    return ()


@dataclass(frozen=True, eq=False)
class Family:
    """One kind of fitting, as everything else asks for it."""

    name: str
    """As lists and result.json have it, and its fittings: ``"cap"``."""
    table: str
    """What job files call its recipe: ``"fitting"`` for ``[fitting]`` and ``[[fitting.for]]``."""
    recipe: type[Any]
    """A ``Wanted``."""
    label: str
    """In menus and on sheets: ``"Cap"``."""
    plural: str
    """Within a sentence: ``"caps"``."""
    sites: Callable[[Takeoff], Sequence[Site]]
    """Those of an assembly that take one."""
    place: Callable[[Any, Section], Any]
    """What its design depends on, from a site and its tube's section: a ``SitePlace``."""
    design: Callable[[Any, Any, Circumstances | None, int | None], Fitting]
    """The fitting of a recipe at a place, in circumstances if they are known; an int is the facets of a whole circle,
    for previews. Raises ``RecipeError``."""
    serves: Serves = "end"
    """What its sites are counted as. Ends that take no fitting are listed with their reason if a family for ends is
    asked for."""
    low_sites: Callable[[Takeoff, float], Sequence[Site]] | None = None
    """The same where no fitting may be higher than so many mm, if sites are parted so that each has room."""
    stays: bool = True
    """Whether every site gets one for good, so that no other that stays goes there; if not it is a tool, and one serves
    all sites that are alike."""
    off_assembly: bool = False
    """Whether it is used on a tube before that is put into the assembly, so that nothing there is in its way."""
    papers: Callable[[Takeoff], Sequence[Template]] = _no_papers
    """Templates for what its fittings are not made for."""
    marked: Callable[[Any, str], Any] | None = None
    """The place with the fitting's id, where that is raised on it."""
    screws: Callable[[Any, Any, Circumstances | None], Sequence[ScrewPlace]] = _no_screws
    """Where tubes are drilled for its fittings' screws, from a recipe at a place. Tools for holes are made for these
    too. Raises ``RecipeError``."""
    frees_holes: Callable[[Any], bool] = _frees_none
    """Whether a recipe's fitting lets holes through the tube's walls go on through it."""
    passes: Callable[[Any, Any, Circumstances | None], Sequence[tuple[Floats, Floats]]] = _passes_none
    """The axes of the tube's holes that go on through its fitting, from a recipe at a place: a point and a direction,
    (3,) both, in the fitting's frame. Nothing else closes these holes. Raises ``RecipeError``."""
    depth_mm: Callable[[Any], float] = _no_depth
    """How far a recipe's fitting reaches into a tube from its end."""
    slice: Callable[[Any, Section, float, float, float | None], Fitting] | None = None
    """For a fit ladder, from a resolved recipe: a fitting with this gap per side on a pad of this height, its part
    inside so long with its lead-in, or whole. None if no ladder is made. Raises ``RecipeError``."""
    chief: tuple[str, ...] = ()
    """Keys of the recipe to fill in when a fitting is added by its tube's size."""
    beside: Mapping[str, Choice] = field(default_factory=dict)
    """Which cautions stand beside a group of the recipe's fields."""

    @property
    def hole_tool(self) -> bool:
        """Whether it is a tool for holes: those that tubes get for screws are made with it too."""
        return self.serves == "hole" and not self.stays
