# SPDX-License-Identifier: GPL-3.0-or-later
"""A fitting: a closed solid that knows where each of its surfaces came from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from manifold3d import Manifold

from ..geometry.frames import Floats, Frame
from ..geometry.mesh import Ints, Mesh
from ..geometry.mitres import lean, shear
from ..geometry.sections import Outline, Section

if TYPE_CHECKING:
    from .cap.recipe import Recipe


@dataclass(frozen=True, eq=False)
class Profile:
    """What was designed, before facets: for drawings. Heights are above the rim, for the spigot along the axis."""

    crown_outline: Outline
    """In the rim's plane, seen square to it."""
    crown: Floats
    """(k, 2): insets from the crown's outline and heights, from the rim to the top."""
    spigot_outline: Outline
    """Square to the axis."""
    spigot: Floats
    """(k, 2): insets from the spigot's outline and heights, from the tip (or the hollow's floor) to the rim."""


@dataclass(frozen=True, eq=False)
class Fitting:
    """A closed solid, and where each of its surfaces came from.

    ``mesh`` lies in the tube end's frame: the origin where the axis meets the rim's plane, z along the axis and out of
    the tube. ``surfaces`` (one per triangle) are indices into ``surface_names``.
    """

    recipe: Recipe
    """Resolved: every number decided."""
    section: Section
    mitre_deg: float
    mitre_direction_deg: float
    mesh: Mesh
    surfaces: Ints
    surface_names: tuple[str, ...]
    profile: Profile

    @cached_property
    def solid(self) -> Manifold:
        """The kernel's solid, in the tube end's frame."""
        return self.mesh.to_manifold()

    @cached_property
    def rim_frame(self) -> Frame:
        """In the tube end's frame: the origin is shared, z is the rim's normal, out of the tube."""
        return Frame(np.zeros(3), lean(self.mitre_deg, self.mitre_direction_deg).T)

    @property
    def crown_down(self) -> bool:
        """Whether it is printed on its crown."""
        return self.recipe.up == "crown down"

    @cached_property
    def print_frame(self) -> Frame:
        """In the tube end's frame: how the fitting stands to be printed, z up, its lowest point at z = 0."""
        axes = self.rim_frame.axes
        if self.crown_down:
            axes = axes * np.array([[1.0], [-1.0], [-1.0]])
        return Frame(axes[2] * float((self.mesh.vertices @ axes.T)[:, 2].min()), axes)

    @cached_property
    def shoulder_mm(self) -> float:
        """Height of the shoulder over the plate when the fitting stands to be printed."""
        return -float((self.mesh.vertices @ self.print_frame.axes.T)[:, 2].min())

    def standing(self) -> Mesh:
        """The mesh turned so that the shoulder is level, its lowest point at z = 0: crown up, or down where the recipe
        has it so."""
        return Mesh(self._stood(self.mesh.vertices), self.mesh.triangles, self.mesh.name)

    def standing_points(self, points: Floats) -> Floats:
        """(n, 3): points drawn as for a square-cut end (x and y square to the axis, z along it from the rim) where
        the mitre takes them when the fitting stands to be printed."""
        return self._stood(points @ shear(self.mitre_deg, self.mitre_direction_deg)[:3, :3].T)

    def _stood(self, points: Floats) -> Floats:
        return points @ self.print_frame.axes.T + np.array([0.0, 0.0, self.shoulder_mm])
