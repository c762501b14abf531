# SPDX-License-Identifier: GPL-3.0-or-later
"""A fitting: a closed solid that knows where each of its surfaces came from, and what its family says of it."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, ClassVar, NamedTuple

import numpy as np
from manifold3d import Manifold

from ..fields.messages import FieldName, Message
from ..geometry.frames import Floats, Frame
from ..geometry.mesh import Ints, Mesh, WithSolid
from ..geometry.sections import Outline, Section
from ..trade.processes import Process
from .dimensioned import View
from .template import Template


@dataclass(frozen=True)
class Level:
    """A height that lies on a layer where the process is known, in the printing orientation."""

    name: str
    z_mm: float


@dataclass(frozen=True)
class Caliper:
    """What to put the calipers on."""

    on: str
    drawn_mm: float | None
    """None for what is not drawn."""
    least_mm: float
    most_mm: float
    """Least and most are allowed."""

    @classmethod
    def around(cls, on: str, drawn_mm: float, off_mm: float, excess_mm: float = 0.0) -> Caliper:
        """What comes out larger than drawn by an excess, ``off_mm`` more or less."""
        return cls(on, drawn_mm, drawn_mm + excess_mm - off_mm, drawn_mm + excess_mm + off_mm)


class BenchStep(NamedTuple):
    name: str
    """In a word or a few: ``"Try dry"``."""
    said: str
    """What is done, in a sentence, with the fittings it is about if they are not all."""


@dataclass(frozen=True, eq=False)
class Seat:
    """How a fitting sits in a bore. Outlines are square to the tube's axis, lengths along it from the rim."""

    section: Section
    """Of the tube that it goes into."""
    fit: str
    """The fit class."""
    gap_mm: float
    """Per side as drawn; negative if it bites."""
    relief_mm: float
    """Height of the weld seam that it clears."""
    outline: Outline
    """The fitting's own."""
    room: Outline
    """The tube's, that it goes into."""
    length_mm: float
    lead_in_mm: float
    rib_mm: float = 0.0
    """How far ribs stand out from its outline to keep it central; 0 without."""


@dataclass(frozen=True)
class Remark:
    """What a family has decided that a person may want otherwise."""

    about: str
    """In a word or two, as the review names a check."""
    said: Message
    advice: Message
    cure: Mapping[str, float | str]
    """The recipe's keys, and the values with which it is otherwise."""


@dataclass(frozen=True)
class GlueJoint:
    gap_mm: float
    """Per side."""
    bond_area_mm2: float
    """Side of the spigot from the shoulder to the lead-in, without groove openings, vent channel and seam relief."""
    volume_mm3: float
    """What fills the gap along that length, the grooves and the seam relief; a vent channel stays free."""


@dataclass(frozen=True, eq=False)
class Fitting(WithSolid, ABC):
    """A closed solid, where each of its surfaces came from, and what else its family says of it.

    ``mesh`` lies in its site's frame; for a tube's end that has its origin where the axis meets the rim's plane, z
    along the axis and out of the tube. ``surfaces`` (one per triangle) are indices into ``surface_names``.
    """

    recipe: Any
    """The family's, resolved: every number decided."""
    section: Section
    """Of the tube that it is for."""
    mesh: Mesh
    surfaces: Ints
    asked_for: Mapping[str, float] = field(default_factory=dict, kw_only=True)
    """Heights that were asked for, by the recipe's keys, where the layer beside is drawn."""
    kernel: Manifold | None = field(default=None, kw_only=True, repr=False)

    family: ClassVar[str]
    """The family's name."""
    surface_names: ClassVar[tuple[str, ...]]
    seen: ClassVar[tuple[str, ...]]
    """Those of its surfaces that are seen in use; none if nobody looks at it."""
    seen_name: ClassVar[str] = ""
    """What the part of it that they belong to is called: ``"crown"``."""
    stands_by_load: ClassVar[bool] = False
    """Whether how it stands follows from what it carries, so that no other way up is offered."""
    depth_key: ClassVar[str] = ""
    """The recipe's number that says how deep it reaches into the tube; empty if none does."""

    @property
    def lip(self) -> FieldName | None:
        """The recipe's number for how far it stands out past its tube's outside, as it is set; None if it has none."""
        return None

    @property
    def rigid(self) -> Mesh:
        """The mesh without what is crushed as it goes in."""
        return self.mesh

    def has(self, *names: str) -> np.ndarray:
        """(m,): whether each triangle is of one of these surfaces."""
        return np.isin(self.surfaces, [self.surface_names.index(name) for name in names])

    @cached_property
    def print_frame(self) -> Frame:
        """In its site's frame: how the fitting stands to be printed, z up, its lowest point at z = 0."""
        axes = self.print_axes
        return Frame(axes[2] * float((self.mesh.vertices @ axes.T)[:, 2].min()), axes)

    def standing(self) -> Mesh:
        """The mesh as it stands when printed."""
        vertices = self.print_frame.to_local(self.mesh.vertices)
        return Mesh(vertices - (0.0, 0.0, vertices[:, 2].min()), self.mesh.triangles, self.mesh.name)

    def standing_points(self, points: Floats) -> Floats:
        """(n, 3): points of its seat (x and y square to the tube's axis, z along it from the rim) where they come to
        lie when the fitting stands to be printed."""
        return self.print_frame.to_local(points)

    @property
    @abstractmethod
    def title(self) -> str:
        """One or two words: ``"dome"``."""

    @property
    @abstractmethod
    def words(self) -> str:
        """What it is, on sheets and lists: ``"dome 12.7 mm (1/2 in) high, glue fit, mitre 30°"``."""

    @property
    def seats(self) -> tuple[Seat, ...]:
        """What of it goes into bores; none of a fitting that goes into none."""
        return ()

    @property
    @abstractmethod
    def print_axes(self) -> Floats:
        """(3, 3): the printer's axes as rows in its site's frame."""

    @property
    @abstractmethod
    def way_up(self) -> str:
        """How it stands when printed, in words: ``"crown up"``."""

    @abstractmethod
    def levels(self) -> tuple[Level, ...]:
        """The heights that should lie on a layer as it stands to be printed, from below."""

    @abstractmethod
    def calipers(self, process: Process, added_mm: float = 0.0, excess_mm: float = 0.0) -> tuple[Caliper, ...]:
        """What to measure on tube and fitting. ``added_mm`` is what the gap a side is drawn larger than wanted,
        ``excess_mm`` how much the part inside comes out larger than drawn, a side."""

    @cached_property
    def views(self) -> tuple[View, ...]:
        """Its drawing."""
        return self.drawing()

    @abstractmethod
    def drawing(self) -> tuple[View, ...]:
        """Its views with their dimensions; the first shows it in its tube."""

    @property
    def remarks(self) -> tuple[Remark, ...]:
        return ()

    def papers(self, sites: Sequence[Any]) -> tuple[Template, ...]:
        """The templates that go with it at its sites."""
        return ()

    def glue(self, gap_mm: float | None = None) -> GlueJoint | None:
        """The joint; None if it is not glued. ``gap_mm`` is the gap per side once it is printed, where that is not
        the one drawn."""
        return None

    @abstractmethod
    def listed(self) -> Mapping[str, str | int | float]:
        """Its chief numbers by the names of their columns in the list of fittings."""

    @classmethod
    @abstractmethod
    def steps(cls, fittings: Mapping[str, Any]) -> list[BenchStep]:
        """What is done at the bench with a job's fittings of this kind, by their ids, in order."""
