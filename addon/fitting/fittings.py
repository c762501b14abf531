# SPDX-License-Identifier: GPL-3.0-or-later
"""From a recipe and a section to the fitting's solid.

Crown and spigot are made apart, each open at the rim's plane, and joined there by the shoulder between their two
outlines, so that nothing has to be merged. On a mitred end the spigot is sheared along the axis until its rim lies in
the leaning plane: its section square to the axis, and with it the gap, stays as it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import cos, radians, sin, tan

import numpy as np
from manifold3d import Error, Manifold, OpType

from ..geometry.frames import Floats, Frame
from ..geometry.mesh import Ints, Mesh
from ..geometry.sections import CHORD_ERROR_MM, Outline, Section
from .bounds import crown_plan, least_wall, most_channel, outline_faults_refused, resolve, spigot_plan
from .cutters import hole_cutters, vent_cutters
from .plans import Fineness, Plan, stretch
from .profiles import crown_profile, spigot_profile
from .recipe import Recipe, RecipeError
from .shells import SURFACES, Shell, bridged, in_one_piece, joined, labelled, sound, unlabelled
from .spigots import spigot

LEAST_CHORD_ERROR_MM, MOST_CHORD_ERROR_MM = 0.0005, 1.0


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
    profile: Profile
    surface_names: tuple[str, ...] = SURFACES

    @cached_property
    def solid(self) -> Manifold:
        """The kernel's solid, in the tube end's frame."""
        return self.mesh.to_manifold()

    @cached_property
    def rim_frame(self) -> Frame:
        """In the tube end's frame: the origin is shared, z is the rim's normal, out of the tube."""
        return Frame(np.zeros(3), _lean(self.mitre_deg, self.mitre_direction_deg).T)

    @cached_property
    def shoulder_mm(self) -> float:
        """Height of the shoulder over the plate when the fitting stands to be printed."""
        return -float(self.rim_frame.to_local(self.mesh.vertices)[:, 2].min())

    def standing(self) -> Mesh:
        """The mesh turned so that the shoulder is level and the crown on top, its lowest point at z = 0."""
        return Mesh(self._stood(self.mesh.vertices), self.mesh.triangles, self.mesh.name)

    def standing_points(self, points: Floats) -> Floats:
        """(n, 3): points drawn as for a square-cut end (x and y square to the axis, z along it from the rim) where
        the mitre takes them when the fitting stands to be printed."""
        return self._stood(points @ _shear(self.mitre_deg, self.mitre_direction_deg)[:3, :3].T)

    def _stood(self, points: Floats) -> Floats:
        return self.rim_frame.to_local(points) + np.array([0.0, 0.0, self.shoulder_mm])


def design(
    recipe: Recipe,
    section: Section,
    *,
    mitre_deg: float = 0.0,
    mitre_direction_deg: float = 0.0,
    clear_depth_mm: float | None = None,
    facets: int | None = None,
    chord_error_mm: float = CHORD_ERROR_MM,
) -> Fitting:
    """The fitting for a tube end.

    ``facets`` of a whole circle is for previews; without it no facet lies farther than ``chord_error_mm`` from the
    true surface. Raises ``RecipeError`` with a value that would work where the recipe cannot be made, and
    ``ValueError`` for a chord error that is not made.
    """
    if not LEAST_CHORD_ERROR_MM <= chord_error_mm <= MOST_CHORD_ERROR_MM:
        allowed = f"{LEAST_CHORD_ERROR_MM:g} to {MOST_CHORD_ERROR_MM:g} mm"
        raise ValueError(f"a chord error of {chord_error_mm:g} mm is not made; choose {allowed}")
    recipe = resolve(
        recipe,
        section,
        mitre_deg=mitre_deg,
        mitre_direction_deg=mitre_direction_deg,
        clear_depth_mm=clear_depth_mm,
    )
    fineness = Fineness(None if facets is None else max(8, 4 * round(facets / 4)), chord_error_mm)
    with outline_faults_refused():
        inner = spigot_plan(section, float(recipe.gap_mm or 0), fineness)
        outer = crown_plan(section, recipe.brim_mm, mitre_deg, mitre_direction_deg, fineness)
        profile = crown_profile(recipe, outer.reach, fineness)
        crown = outer.raised(profile, "crown", "crown", "crown")
        shell = _joined(crown, spigot(recipe, inner), mitre_deg, mitre_direction_deg)
    shell = _cut(shell, recipe, section, inner, outer, profile, _shear(mitre_deg, mitre_direction_deg))
    fitting = Fitting(
        recipe,
        section,
        mitre_deg,
        mitre_direction_deg,
        Mesh(shell.vertices, shell.triangles),
        shell.surfaces,
        Profile(outer.outline, profile, inner.outline, spigot_profile(recipe)[0]),
    )
    drawn_freely = "free" in (section.outer.shape, section.bore.shape)
    if drawn_freely and (fitting.solid.status() != Error.NoError or fitting.solid.volume() <= 0):
        raise RecipeError("section", "no closed solid comes of this outline; draw it without spikes and slits", None)
    return fitting


def _cut(
    shell: Shell, recipe: Recipe, section: Section, inner: Plan, outer: Plan, profile: Floats, shear: Floats
) -> Shell:
    """The fitting with its vent and its hole."""
    shoulder = least_wall(section) + recipe.brim_mm + float(recipe.gap_mm or 0)
    cutters = vent_cutters(recipe, inner, outer, min(recipe.vent_depth_mm, most_channel(shoulder, profile)))
    cutters += hole_cutters(recipe, inner, outer, profile)
    if not cutters:
        return shell
    cutters = [cutter.transform(shear[:3]) for cutter in cutters]
    cut = Manifold.batch_boolean([labelled(shell), *cutters], OpType.Subtract)
    return sound(unlabelled(in_one_piece(cut, "hole" if recipe.vent == "none" else "vent", "none")))


def _joined(crown: Shell, inside: Shell, mitre_deg: float, direction_deg: float) -> Shell:
    """Crown and spigot, each made upright on the plane z = 0, in the end's frame, the shoulder between them."""
    plan = np.concatenate([crown.vertices[:, :2], inside.vertices[:, :2] @ stretch(mitre_deg, direction_deg)])
    leaning = crown.moved(crown.vertices @ _lean(mitre_deg, direction_deg).T)
    sheared = inside.moved(inside.vertices @ _shear(mitre_deg, direction_deg)[:3, :3].T)
    return bridged(joined([leaning, sheared]), plan, "shoulder")


def _lean(mitre_deg: float, direction_deg: float) -> Floats:
    """(3, 3): turns z to the rim's normal."""
    lean, towards = radians(mitre_deg), radians(direction_deg)
    turn = np.array([[cos(towards), -sin(towards), 0], [sin(towards), cos(towards), 0], [0, 0, 1]])
    tilt = np.array([[cos(lean), 0, sin(lean)], [0, 1, 0], [-sin(lean), 0, cos(lean)]])
    return turn @ tilt @ turn.T


def _shear(mitre_deg: float, direction_deg: float) -> Floats:
    """(4, 4): moves points along z until the plane z = 0 lies in the rim's plane."""
    shear = np.eye(4)
    shear[2, :2] = -tan(radians(mitre_deg)) * np.array([cos(radians(direction_deg)), sin(radians(direction_deg))])
    return shear
