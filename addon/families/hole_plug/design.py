# SPDX-License-Identifier: GPL-3.0-or-later
"""From a recipe and a hole to the plug's solid.

The head is turned about the hole's axis and what lies inside the tube's outside is cut away from it, so that its
underside is that surface, round or flat.
"""

from __future__ import annotations

import numpy as np
from manifold3d import CrossSection, Manifold, OpType

from ...geometry.frames import Floats
from ...geometry.mesh import Mesh
from ...shaping.contours import Fineness
from ...shaping.cutters import PAST_MM, OutlinePoint, prism
from ...shaping.lofts import loft, rings
from ...shaping.shells import in_one_piece, labelled, sound, surface_indices, tool, unlabelled
from ...shaping.spigots import RIB_CREST
from ...trade.processes import USUAL_BEAD_MM
from ..circumstances import Circumstances
from ..settling import outline_faults_refused
from .plug import HolePlug
from .recipe import PlugRecipe
from .settle import (
    CREST_MM,
    DOME_INSET,
    DOME_RIM_MM,
    ROOM_MM,
    SLOT_MM,
    Legs,
    head_half,
    lead_in,
    lies_flat,
    resolve,
    skin_mm,
    stem_radius,
    top_mm,
)
from .wall import HolePlace

LEAST_EDGE_BEADS = 2.2
ROOM_BEADS = 1.02
"""Around the stem where the seat is not flat: less would close up in the layers that both share. The room takes up a
burr and paint at the hole's edge, too."""


def design(
    recipe: PlugRecipe, place: HolePlace, circumstances: Circumstances | None = None, facets: int | None = None
) -> HolePlug:
    """The plug for a hole. ``facets`` of a whole circle is for previews. Raises ``RecipeError``."""
    with outline_faults_refused():
        settled = resolve(recipe, place, circumstances)
        fineness = Fineness.of(facets)
        bead = circumstances.process.bead_mm if circumstances else USUAL_BEAD_MM
        head = _head(settled, place, bead, fineness)
        bare = (
            head + place.leaning(_stem(settled, place, fineness))
            if settled.stem == "ribs"
            else _with_legs(head, settled, place, fineness)
        )
        whole = bare + place.leaning(_ribs(settled, place, fineness)) if settled.stem == "ribs" else bare
        shell = sound(unlabelled(in_one_piece(whole, "head_mm", 2.0)))
    return HolePlug(
        settled,
        place.section,
        Mesh(shell.vertices, shell.triangles),
        surface_indices(shell.surfaces, HolePlug.surface_names),
        place,
        bare,
        kernel=shell.kernel,
    )


def _head(recipe: PlugRecipe, place: HolePlace, bead: float, fineness: Fineness) -> Manifold:
    radius = head_half(recipe, place)
    size = 4 * (radius + place.section.outer.width + place.section.outer.depth)
    facets = fineness.around(max(place.section.outer.width, place.section.outer.depth) / 2)
    inside = place.tube(place.outer, size, facets)
    if recipe.head == "flush":
        stem = stem_radius(recipe, place)
        # Past the outside, which cuts it off.
        slope = (place.countersink_mm - place.diameter_mm) / 2 / place.sunk_mm
        depth = (radius - stem) / slope
        cone = _turned([(0.0, -depth), (stem, -depth), (radius, 0.0), (radius, PAST_MM), (0.0, PAST_MM)], fineness)
        return tool(cone, "seat") ^ tool(inside, "head")
    # Where the tube falls away, no narrower than two beads: what is cannot be printed.
    low = float(place.below(radius - LEAST_EDGE_BEADS * bead).min())
    insets, heights = np.array([(0.0, low), *_top(recipe, place, fineness)]).T
    stack = rings(place.head(radius), insets, fineness.around(radius))
    blank = labelled(loft(stack, heights, ["head"] * (len(heights) - 1), "head", "head"))
    if lies_flat(recipe, place):
        return blank - tool(inside, "seat")
    past = stem_radius(recipe, place) + float(recipe.rib_height_mm or 0.0) + ROOM_BEADS * bead
    top = float(np.nanmax(place.rim(past)[:, 2])) + ROOM_MM
    around = Manifold.cylinder(top - low + PAST_MM, past, circular_segments=facets).translate((0.0, 0.0, low - PAST_MM))
    return blank - tool(inside + place.leaning(around), "seat")


def _top(recipe: PlugRecipe, place: HolePlace, fineness: Fineness) -> list[tuple[float, float]]:
    """The profile of a head's side and edge: insets and heights."""
    half, height = head_half(recipe, place), float(recipe.head_mm or 0.0)
    if recipe.head == "flat":
        edge = float(recipe.edge_mm or 0.0)
        return [(0.0, height - edge), (edge, height)] if edge else [(0.0, height)]
    rise = float(recipe.head_mm or 0.0) - DOME_RIM_MM
    insets = np.linspace(0.0, DOME_INSET * rise, fineness.steps(rise, np.pi / 4) + 1)
    return [(inset, top_mm(recipe, place, half - inset)) for inset in insets.tolist()]


def _root(recipe: PlugRecipe, place: HolePlace) -> float:
    """A height within the head, above its underside at the stem."""
    if recipe.head == "flush":
        return -place.sunk_mm / 2
    return ROOM_MM + (float(recipe.head_mm or 0.0) - ROOM_MM) / 2


def _stem(recipe: PlugRecipe, place: HolePlace, fineness: Fineness) -> Manifold:
    radius, lead, tip = stem_radius(recipe, place), lead_in(recipe), -float(recipe.stem_mm or 0.0)
    top = _root(recipe, place)
    return tool(
        _turned([(0.0, tip), (radius - lead, tip), (radius, tip + lead), (radius, top), (0.0, top)], fineness), "stem"
    )


def _ribs(recipe: PlugRecipe, place: HolePlace, fineness: Fineness) -> Manifold:
    """Ribs along the stem from the head down, their tips as slanted as the stem's."""
    radius, tip, top = stem_radius(recipe, place), -float(recipe.stem_mm or 0.0), _root(recipe, place)
    height, width, count = (
        float(recipe.rib_height_mm or 0.0),
        float(recipe.rib_width_mm or 0.0),
        int(recipe.rib_count or 0),
    )
    lead = lead_in(recipe)
    flare = -width * (1 - RIB_CREST) / 2 / (height + lead)
    turns = np.radians(90.0 + np.arange(count) * 360.0 / count)
    strips = [
        OutlinePoint(radius * outward, outward).strip(-min(lead, radius / 2), height, width, flare)
        for outward in np.column_stack([np.cos(turns), np.sin(turns)])
    ]
    crest = radius + height
    # From half a lead-in below the stem's own, so that a rib begins to be crushed once the stem is in.
    slant = [(0.0, tip), (radius - lead, tip), (crest, tip + lead + height), (crest, top), (0.0, top)]
    return tool(
        prism(CrossSection.batch_boolean(strips, OpType.Add), tip - PAST_MM, top) ^ _turned(slant, fineness), "rib"
    )


def _with_legs(head: Manifold, recipe: PlugRecipe, place: HolePlace, fineness: Fineness) -> Manifold:
    """The head with slots in which legs bend, the legs, and what stands between them to keep the stem central."""
    legs, radius, tip = Legs.of(recipe, place), stem_radius(recipe, place), -float(recipe.stem_mm or 0.0)
    lead, into = lead_in(recipe), legs.root_mm + skin_mm(recipe) / 2
    turned = _turned(
        [
            (0.0, tip), (legs.tip_mm, tip), (legs.crest_mm, -legs.crest_top_mm - CREST_MM),
            (legs.crest_mm, -legs.crest_top_mm), (radius, -legs.catch_mm), (radius, into), (0.0, into),
        ],
        fineness,
    )  # fmt: skip
    across, far = legs.width_mm, 2 * legs.crest_mm
    slots, springs = [], []
    for side in (1, -1):
        springs.append(tool(turned ^ _box(side, legs.inner_mm, far, across, tip - PAST_MM, into), "barb"))
        slots.append(_box(side, legs.core_mm or 0.0, far, across + 2 * SLOT_MM, tip - PAST_MM, legs.root_mm))
    around = _turned(
        [(0.0, tip), (radius + SLOT_MM, tip), (radius + SLOT_MM, legs.root_mm), (0.0, legs.root_mm)], fineness
    )
    solid = head - tool(Manifold.batch_boolean(slots, OpType.Add) ^ around, "slot")
    if legs.core_mm:
        core = [(0.0, tip), (radius - lead, tip), (radius, tip + lead), (radius, legs.root_mm), (0.0, legs.root_mm)]
        between = _box(1, -legs.core_mm, legs.core_mm, far, tip - PAST_MM, into)
        solid += tool(_turned(core, fineness) ^ between, "stem")
    return Manifold.batch_boolean([solid, *springs], OpType.Add)


def _box(side: int, inner: float, outer: float, across: float, bottom: float, top: float) -> Manifold:
    """Upright from ``inner`` to ``outer`` along x, or against it."""
    low, high = sorted((side * inner, side * outer))
    return prism(
        CrossSection([np.array([(low, -1), (high, -1), (high, 1), (low, 1)]) * (1.0, across / 2)]), bottom, top
    )


def _turned(profile: list[tuple[float, float]], fineness: Fineness) -> Manifold:
    """The solid of a profile of radii and heights, counter-clockwise, about the axis."""
    points: Floats = np.array(profile)
    return Manifold.revolve(CrossSection([points]), fineness.around(float(points[:, 0].max())))
