# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensioned drawing of a hole plug: cut through the hole's axis the way that it leans, and along or across the
tube."""

from __future__ import annotations

import math

import numpy as np
from manifold3d import Manifold

from ...geometry.frames import Floats
from ...geometry.sections import Outline
from ...shaping.cutters import prism
from ..dimensioned import Dimension, Note, View, cut_along, span
from .recipe import PlugRecipe
from .settle import Legs, head_half, lead_in, lies_flat, stem_radius
from .wall import HolePlace

_FACETS = 128
_ASIDE_DEG = 2.0
"""A lean so near to along or across the tube is drawn as that."""
_BESIDE_MM = 4.0
"""How much of the tube is drawn past the head."""


def views(recipe: PlugRecipe, place: HolePlace, solid: Manifold) -> tuple[View, ...]:
    """All that is dimensioned in the first one, but for a head that it cuts aslant to its sides; the head's other side
    where that differs."""
    first = _main_view(recipe, place, solid)
    if lies_flat(recipe, place):
        return (first,)
    across = _side(place, place.lean_towards_deg) == "across the tube"
    return first, _other_view(recipe, place, solid, 0.0 if across else 90.0)


def _main_view(recipe: PlugRecipe, place: HolePlace, solid: Manifold) -> View:
    degrees = place.lean_towards_deg
    cut = cut_along(solid, degrees)
    low, high = span(np.concatenate(cut), 1)
    stem, depth = stem_radius(recipe, place), float(recipe.stem_mm or 0.0)
    of_head, head_notes = ([], []) if _head_aslant(recipe, place) else _of_head(recipe, place, high)
    dimensions = [
        Dimension(_beside(place, stem, 0.0), (_beside(place, stem, 0.0)[0], -depth), "right", "stem", (depth,)),
        *of_head,
    ]
    notes = []
    if recipe.stem == "ribs":
        foot = low + lead_in(recipe)
        if place.lean_deg:
            place_of = _beside(place, -stem, -depth / 2)
            notes.append(Note(place_of, f"stem ⌀ {{}}, leaning {place.lean_deg:.1f}°", (2 * stem,), "left"))
        else:
            dimensions.append(Dimension((-stem, foot), (stem, foot), "below", "stem", (2 * stem,), "⌀"))
        said = f"{recipe.rib_count} ribs {{}} × {{}}"
        notes.append(
            Note(
                _beside(place, stem, -depth / 2),
                said,
                (float(recipe.rib_width_mm or 0), float(recipe.rib_height_mm or 0)),
            )
        )
        if lead_in(recipe):
            notes.append(
                Note(
                    _beside(place, -stem + lead_in(recipe) / 2, low + lead_in(recipe) / 2),
                    "lead-in {} × 45°",
                    (lead_in(recipe),),
                    "left",
                )
            )
    else:
        legs = Legs.of(recipe, place)
        crest = -legs.crest_top_mm
        dimensions.append(
            Dimension((-legs.crest_mm, crest), (legs.crest_mm, crest), "below", "barbs", (2 * legs.crest_mm,))
        )
        notes.append(Note((legs.crest_mm, crest), "barb {}", (float(recipe.barb_mm or 0),)))
        notes.append(Note((-(legs.inner_mm + stem) / 2, low + 0.5), "leg {}", (float(recipe.leg_mm or 0),), "left"))
    notes.append(
        Note(
            _beside(place, stem + (place.radius - stem) / 2, -place.wall_mm / 2),
            "gap {}",
            (float(recipe.gap_mm or 0),),
            in_place=True,
        )
    )
    if recipe.head == "flush":
        notes.append(Note((-place.radius, -place.sunk_mm / 2), f"{place.countersink_deg:.3g}°", margin="left"))
    return View(
        cut,
        tube=_wall(recipe, place, degrees),
        axis=True,
        dimensions=dimensions,
        notes=[*notes, *head_notes, *_radius_note(recipe, place, degrees)],
        caption=f"Section {_side(place, degrees) or 'the way the hole leans'}",
    )


def _other_view(recipe: PlugRecipe, place: HolePlace, solid: Manifold, degrees: float) -> View:
    cut = cut_along(solid, degrees)
    high = span(np.concatenate(cut), 1)[1]
    dimensions, notes = _of_head(recipe, place, high) if _head_aslant(recipe, place) else ([], [])
    return View(
        cut,
        tube=_wall(recipe, place, degrees),
        axis=True,
        dimensions=dimensions,
        notes=[*notes, *_radius_note(recipe, place, degrees)],
        caption=f"Section {_side(place, degrees)}",
    )


def _of_head(recipe: PlugRecipe, place: HolePlace, high: float) -> tuple[list[Dimension], list[Note]]:
    """Of a head that is cut through its middle, square to its sides if it has any."""
    half, edge = head_half(recipe, place), float(recipe.edge_mm or 0.0)
    round_sign = "⌀" if lies_flat(recipe, place) or recipe.head == "flush" else ""
    dimensions = [Dimension((-half, 0.0), (half, 0.0), "above", "head", (2 * half,), round_sign)]
    if recipe.head != "flush":
        dimensions.append(Dimension((-half, 0.0), (-half, high), "left", "head", (high,)))
    chamfered = recipe.head == "flat" and edge
    return dimensions, [Note((half - edge / 2, high - edge / 2), "{} × 45°", (edge,))] if chamfered else []


def _head_aslant(recipe: PlugRecipe, place: HolePlace) -> bool:
    """Whether the way that the hole leans is aslant to the head's sides."""
    return not lies_flat(recipe, place) and _side(place, place.lean_towards_deg) is None


def _side(place: HolePlace, degrees: float) -> str | None:
    """How a section lies to the tube; none if it is aslant, or follows the lean on a flat wall."""
    if place.flat and place.lean_deg:
        return None
    if abs(degrees) <= _ASIDE_DEG:
        return "along the tube"
    return "across the tube" if abs(degrees) >= 90.0 - _ASIDE_DEG else None


def _radius_note(recipe: PlugRecipe, place: HolePlace, degrees: float) -> list[Note]:
    """Where the head follows a round tube."""
    outer, half = place.section.outer, head_half(recipe, place)
    if outer.shape != "circle" or recipe.head == "flush" or abs(degrees) < 90.0 - _ASIDE_DEG:
        return []
    return [Note((half, float(place.outside(np.array([[0.0, half]]))[0])), "R {}", (outer.width / 2,))]


def _beside(place: HolePlace, x: float, z: float) -> tuple[float, float]:
    """Where a point beside the axis lies if the hole leans, seen as it does."""
    lean = math.radians(place.lean_deg)
    return x / math.cos(lean) + z * math.tan(lean), z


def _wall(recipe: PlugRecipe, place: HolePlace, degrees: float) -> list[Floats]:
    """The tube's wall around the hole."""
    size = place.widest_mm + float(recipe.overlap_mm or 0.0) + _BESIDE_MM
    wall = place.tube(place.outer, 4 * size, _FACETS) - place.tube(place.bore, 4 * size, _FACETS, place.wall_mm)
    drill = place.leaning(Manifold.cylinder(8 * size, place.radius, circular_segments=_FACETS, center=True))
    if place.sunk_mm:
        cone = Manifold.cylinder(place.sunk_mm, place.radius, place.countersink_mm / 2, _FACETS)
        cone = cone.translate((0.0, 0.0, place.cone_end_mm))
        drill += cone.rotate((0.0, place.lean_deg, 0.0)).rotate((0.0, 0.0, place.lean_towards_deg))
    depth = place.wall_mm + size
    near = prism(Outline.circle(2 * size).cross_section(_FACETS), -depth, size)
    return cut_along((wall - drill) ^ near, degrees)
