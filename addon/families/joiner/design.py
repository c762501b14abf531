# SPDX-License-Identifier: GPL-3.0-or-later
"""From a recipe and a joint to the joiner's solid.

Each spigot is made square to its tube, put into its place and cut off at the rim's plane. What stands between them is
the hull of the two outlines in the rims' planes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from manifold3d import CrossSection, Manifold, OpType

from ...geometry.frames import Floats, Frame
from ...geometry.mesh import Mesh
from ...shaping.contours import Contour, Fineness, stretch
from ...shaping.cutters import PAST_MM, prism
from ...shaping.shells import (
    bridged,
    in_one_piece,
    labelled,
    sound,
    surface_indices,
    tool,
    unlabelled,
    walled,
)
from ..circumstances import Circumstances
from ..settling import outline_faults_refused
from ..spigot_limits import spigot_contour
from .joiner import Joiner
from .laying import laid
from .limits import is_short, settle, stopped_by
from .place import JointPlace
from .recipe import JoinerRecipe
from .screws import ScrewHole, cross_cutter, screw_cutter, screw_holes
from .side import JoinerSide

_APART_MM = 0.05
"""How far a web stays inside the spigots: no two sides fall together."""
_SAME_MM, _DIGITS = 1e-7, 9
"""What lies in a plane lies in it so nearly, and digits of a millimetre to which its points are taken: what two ways to
the same place differ by is less."""


def design(
    recipe: JoinerRecipe, place: JointPlace, circumstances: Circumstances | None = None, facets: int | None = None
) -> Joiner:
    """The joiner for a joint. ``facets`` of a whole circle is for previews. Raises ``RecipeError`` with a value that
    would work if the recipe cannot be made."""
    with outline_faults_refused():
        fineness = Fineness.of(facets)
        plan = _planned(recipe, place, circumstances, fineness)
        sides, contours, up = plan.sides, plan.contours, plan.up
        parts = [_in_place(side, contour) for side, contour in zip(sides, contours, strict=True)]
        if place.gap_mm:
            parts.append(_between(sides, contours, up))
    solid = Manifold.batch_boolean(parts, OpType.Add)
    printed_up = up if sides[0].recipe.up == "lying" else np.array([0.0, 0.0, 1.0])
    cutters = [screw_cutter(sides[hole.tube], hole, printed_up, fineness) for hole in plan.screws]
    cutters += [cross_cutter(side, hole, printed_up, fineness) for side in sides for hole in side.holes]
    if cutters:
        solid = Manifold.batch_boolean([solid, *cutters], OpType.Subtract)
    crossed = any(side.holes for side in sides)
    shell = sound(unlabelled(in_one_piece(solid, *(("cross_holes", "in the way") if crossed else ("screws", "none")))))
    return Joiner(
        sides[0].recipe,
        place.section,
        Mesh(shell.vertices, shell.triangles),
        surface_indices(shell.surfaces, Joiner.surface_names),
        place,
        sides,
        plan.screws,
        up,
        kernel=shell.kernel,
    )


def screws_of(
    recipe: JoinerRecipe, place: JointPlace, circumstances: Circumstances | None = None
) -> tuple[ScrewHole, ...]:
    """Where the tubes of a joint are drilled for its joiner. Raises like ``design``."""
    if recipe.screw.kind == "none":
        return ()
    with outline_faults_refused():
        return _planned(recipe, place, circumstances, Fineness.of(None)).screws


def passes(
    recipe: JoinerRecipe, place: JointPlace, circumstances: Circumstances | None = None
) -> tuple[tuple[Floats, Floats], ...]:
    """The axes of the tubes' holes that go on through the spigots: a point and a direction. Raises like ``design``."""
    if recipe.cross.kind != "free" or not (place.first.holes or place.second.holes):
        return ()
    with outline_faults_refused():
        sides = _planned(recipe, place, circumstances, Fineness.of(None)).sides
    return tuple(
        (side.frame.to_world(hole.place), hole.direction @ side.frame.axes) for side in sides for hole in side.holes
    )


@dataclass(frozen=True, eq=False)
class _Planned:
    contours: tuple[Contour, ...]
    sides: tuple[JoinerSide, JoinerSide]
    screws: tuple[ScrewHole, ...]
    up: Floats


def _planned(
    recipe: JoinerRecipe, place: JointPlace, circumstances: Circumstances | None, fineness: Fineness
) -> _Planned:
    """All that is decided before anything is made."""
    recipes = settle(recipe, place, circumstances)
    contours = tuple(
        spigot_contour(end.section, float(own.gap_mm or 0), float(own.corner_mm or 0), fineness)
        for own, end in zip(recipes, place.ends, strict=True)
    )
    angle = recipes[0].screw.angle_deg
    up = place.up(angle)
    sides = laid(recipes, place, contours, up, circumstances.process if circumstances else None)
    first, second = (
        replace(
            side,
            stopped_by=stopped_by(recipe, side.recipe, side.end),
            short=is_short(recipe, side.recipe, side.end),
        )
        for side in sides
    )
    angles = place.screws_deg(angle)
    screws = *screw_holes(first, 0, angles[0]), *screw_holes(second, 1, angles[1])
    return _Planned(contours, (first, second), screws, up)


def _in_place(side: JoinerSide, contour: Contour) -> Manifold:
    """The spigot in the joiner's frame, up to the rim's plane, cut flat where it lies."""
    shell, past = side.spigot.raised(contour), 2 * side.shift_mm + PAST_MM
    if side.shift_mm:
        shell = walled(shell, past, "middle")
    solid = labelled(bridged(shell, shell.vertices[:, :2], "middle")).transform(side.to_joiner)
    cutters = [tool(prism(side.flat, -side.spigot.length_mm - PAST_MM, past).transform(side.to_joiner), "flat")]
    if side.shift_mm:
        far = 4 * (side.outline.width + side.outline.depth) + past
        beyond = Manifold.cube([far, far, far], center=True).translate([0, 0, far / 2 * side.out])
        cutters.append(tool(beyond.translate([0, 0, side.rim_z]), "middle"))
    return _levelled(Manifold.batch_boolean([solid, *cutters], OpType.Subtract), side.rim_z)


def _levelled(solid: Manifold, *levels: float) -> Manifold:
    """The solid with what lies at these heights in just these planes, so that parts that meet there become one."""
    shell = unlabelled(solid)
    points = shell.vertices.copy()
    for level in levels:
        there = np.abs(points[:, 2] - level) < _SAME_MM
        points[there] = np.round(points[there], _DIGITS)
        points[there, 2] = level
    return labelled(shell.moved(points))


def _between(sides: Sequence[JoinerSide], contours: Sequence[Contour], up: Floats) -> Manifold:
    """What fills the gap between the rims' planes; where it lies on the plate, flush with the lower spigot."""
    recipe, points = sides[0].recipe, []
    for side, contour in zip(sides, contours, strict=True):
        outline, end = contour.moved(-_APART_MM), side.end
        if recipe.between != "web":
            lip = recipe.lip_mm if recipe.between == "collar" else -end.section.wall / 2
            outline = Contour(end.section.outer, contour.fineness).moved(lip)
        points.append(side.in_rim_plane(outline.polygon @ stretch(end.mitre_deg, end.mitre_direction_deg)))
    plan = CrossSection.hull_points(np.concatenate(points)[:, :2])
    levels = sorted(side.rim_z for side in sides)
    solid = tool(prism(plan, *levels), "middle")
    if recipe.up == "lying":
        below = max(side.lowest_mm - float(up @ side.frame.origin) for side in sides)
        far = 2 * float(np.ptp(np.concatenate(points), axis=0).max())
        under = Manifold.cube([far, far, far], center=True).translate([0, 0, far / 2])
        solid -= tool(under.transform(Frame.along(-below * up, -up).matrix[:3]), "flat")
    return _levelled(solid, *levels)
