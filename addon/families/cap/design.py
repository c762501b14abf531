# SPDX-License-Identifier: GPL-3.0-or-later
"""From a recipe and a section to the fitting's solid.

Crown and spigot are made apart, each open at the rim's plane, and joined there by the shoulder between their two
outlines, so that nothing has to be merged. On a mitred end the spigot is sheared along the axis until its rim lies in
the leaning plane: its section square to the axis, and with it the gap, stays as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from manifold3d import Error, Manifold, OpType

from ...fields.messages import Length, say
from ...fields.refusals import RecipeError
from ...geometry.frames import Floats
from ...geometry.mesh import Mesh
from ...geometry.mitres import lean, shear
from ...geometry.sections import CHORD_ERROR_MM, Section
from ...shaping.contours import Contour, Fineness, stretch
from ...shaping.cutters import cross_cutters, hole_cutters, vent_cutters
from ...shaping.shells import Shell, bridged, in_one_piece, joined, labelled, sound, surface_indices, unlabelled
from ...takeoff.ends import EndHole, mitre_normal
from ..circumstances import Circumstances
from ..family import EndPlace
from ..layer_edges import LayerEdges
from ..settling import outline_faults_refused
from ..spigot_limits import spigot_contour
from .bounds import crown_contour, most_channel, settle
from .cap import Cap
from .heights import heights_asked_for, spigot_of
from .profiles import CapProfile, crown_profile
from .recipe import Recipe

LEAST_CHORD_ERROR_MM, MOST_CHORD_ERROR_MM = 0.0005, 1.0


def design(
    recipe: Recipe,
    section: Section,
    *,
    mitre_deg: float = 0.0,
    mitre_direction_deg: float = 0.0,
    clear_depth_mm: float | None = None,
    holes: tuple[EndHole, ...] = (),
    circumstances: Circumstances | None = None,
    facets: int | None = None,
    chord_error_mm: float = CHORD_ERROR_MM,
) -> Cap:
    """The fitting for a tube end; ``holes`` are those through the tube's walls that its spigot covers.

    ``facets`` of a whole circle is for previews; without it no facet lies farther than ``chord_error_mm`` from the
    true surface. Raises ``RecipeError`` with a value that would work if the recipe cannot be made, and
    ``ValueError`` for a chord error out of range.
    """
    if not LEAST_CHORD_ERROR_MM <= chord_error_mm <= MOST_CHORD_ERROR_MM:
        allowed = Length(LEAST_CHORD_ERROR_MM, MOST_CHORD_ERROR_MM, between=" to ")
        raise ValueError(say("a chord error of {:g} is not made; choose {:g}", Length(chord_error_mm), allowed))
    asked = recipe
    with outline_faults_refused():
        recipe, land = settle(recipe, section, mitre_deg, mitre_direction_deg, clear_depth_mm, circumstances, holes)
    holes = holes if recipe.cross.kind == "free" else ()
    edges = LayerEdges.of(circumstances.process) if circumstances else None
    spigot = spigot_of(recipe, mitre_deg, edges)
    fineness = Fineness.of(facets, chord_error_mm)
    with outline_faults_refused():
        inner = spigot_contour(section, float(recipe.gap_mm or 0), float(recipe.corner_mm or 0), fineness)
        if holes and inner.outline.shape == "circle":
            spigot = replace(spigot, ribs_at_deg=_ribs_beside(holes, recipe))
        outer = crown_contour(section, recipe.lip_mm, mitre_deg, mitre_direction_deg, fineness)
        profile = crown_profile(recipe, outer.reach, fineness, land)
        crown = outer.raised(profile, "crown", "crown", "crown")
        shell = _joined(crown, spigot.raised(inner), mitre_deg, mitre_direction_deg)
    up = mitre_normal(mitre_deg, mitre_direction_deg) * (-1.0 if recipe.up == "crown down" else 1.0)
    across = cross_cutters(recipe.cross, holes, inner, outer, recipe.spigot_mm, up)
    shell = _cut(shell, recipe, section, inner, outer, profile, shear(mitre_deg, mitre_direction_deg), across)
    fitting = Cap(
        recipe,
        section,
        Mesh(shell.vertices, shell.triangles),
        surface_indices(shell.surfaces, Cap.surface_names),
        mitre_deg,
        mitre_direction_deg,
        CapProfile(outer.outline, profile, inner.outline, spigot.profile, land),
        spigot,
        asked_for=heights_asked_for(asked, recipe),
        kernel=shell.kernel,
        holes=holes,
    )
    drawn_freely = "free" in (section.outer.shape, section.bore.shape)
    if drawn_freely and (fitting.solid.status() != Error.NoError or fitting.solid.volume() <= 0):
        raise RecipeError("section", "no closed solid comes of this outline; draw it without spikes and slits", None)
    return fitting


def at_place(
    recipe: Recipe, place: EndPlace, circumstances: Circumstances | None = None, facets: int | None = None
) -> Cap:
    """As ``design``; holes that do not go on through the spigot stop it."""
    return design(
        recipe,
        place.section,
        mitre_deg=place.mitre_deg,
        mitre_direction_deg=place.mitre_direction_deg,
        clear_depth_mm=place.depth_mm(recipe.cross.kind == "free"),
        holes=place.reached(recipe.spigot_mm),
        circumstances=circumstances,
        facets=facets,
    )


def passes(
    recipe: Recipe, place: EndPlace, circumstances: Circumstances | None = None
) -> tuple[tuple[Floats, Floats], ...]:
    """The axes of the tube's holes that go on through the spigot: a point and a direction."""
    return tuple(
        (hole.place, hole.direction) for hole in place.reached(recipe.spigot_mm) if recipe.cross.kind == "free"
    )


def _ribs_beside(holes: Sequence[EndHole], recipe: Recipe) -> tuple[float, ...]:
    """Where the ribs of a round spigot are spread evenly as far as they can be from holes across it, from the seam's
    relief and the vent: a rib that a hole cuts lengthwise is too thin to print."""
    count, seam = int(recipe.rib.count or 0), recipe.seam.angle_deg
    taken = [hole.angle_deg + turn for hole in holes for turn in ((0, 180) if hole.through else (0,))]
    taken += [seam] * (recipe.seam.kind in ("notch", "flat")) + [seam + 180] * (recipe.vent.kind == "channel")
    if not count:
        return ()
    step = 360 / count

    def room(turn: float) -> float:
        return min(abs((turn - angle + step / 2) % step - step / 2) for angle in taken)

    turn = max(np.arange(0, step, 1.0).tolist(), key=room)
    return tuple(turn + step * rib for rib in range(count))


def _cut(
    shell: Shell,
    recipe: Recipe,
    section: Section,
    inner: Contour,
    outer: Contour,
    profile: Floats,
    shear: Floats,
    across: Sequence[Manifold],
) -> Shell:
    """The fitting with its vent, its hole and the holes ``across`` it."""
    channel = min(recipe.vent.depth_mm, most_channel(recipe, section, profile))
    tip, top = -recipe.spigot_mm, profile[-1, 1]
    cutters = vent_cutters(recipe.vent, recipe.seam, inner, outer, tip, top, channel)
    cutters += hole_cutters(recipe.hole, inner, outer, profile, tip, top)
    cutters = [*(cutter.transform(shear[:3]) for cutter in cutters), *across]
    if not cutters:
        return shell
    cut = Manifold.batch_boolean([labelled(shell), *cutters], OpType.Subtract)
    cause, cure = ("cross_holes", "in the way") if across else ("hole", "none")
    if recipe.vent.kind != "none":
        cause, cure = "vent", "none"
    return sound(unlabelled(in_one_piece(cut, cause, cure)))


def _joined(crown: Shell, inside: Shell, mitre_deg: float, direction_deg: float) -> Shell:
    """Crown and spigot, each made upright on the plane z = 0, in the end's frame, the shoulder between them."""
    plan = np.concatenate([crown.vertices[:, :2], inside.vertices[:, :2] @ stretch(mitre_deg, direction_deg)])
    leaning = crown.moved(crown.vertices @ lean(mitre_deg, direction_deg).T)
    sheared = inside.moved(inside.vertices @ shear(mitre_deg, direction_deg)[:3, :3].T)
    return bridged(joined([leaning, sheared]), plan, "shoulder")
