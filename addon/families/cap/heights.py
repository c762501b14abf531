# SPDX-License-Identifier: GPL-3.0-or-later
"""Heights that lie on layers as the fitting stands to be printed, and the crown's top land.

Without a process nothing is moved and there is no land.
"""

from __future__ import annotations

import math

import numpy as np

from ...shaping.contours import Fineness
from ...shaping.cutters import hole_radius
from ...shaping.spigots import Groove, Spigot, even_grooves
from ...trade.hardware import thread_named
from ...trade.processes import Process
from ..layer_edges import CLOSE_MM, LayerEdges
from ..spigot_limits import least_land
from .profiles import CROWN_SHAPES, Land
from .recipe import Recipe

_FINE = Fineness(512, 0.001)
_SEEN_MM = 0.02
"""The least difference that calipers show."""
LEAST_LEFT_MM = 0.05
"""What moving its faces leaves of a groove's floor."""


def land_of(recipe: Recipe, reach: float, mitre_deg: float, process: Process | None) -> Land | None:
    """The top land of a crown whose rise lies on a layer, or that around a hole through it.

    Of whole rings that lie within the crown at the last layer's lower edge, those that the process's rings close as
    set, with the step that they leave on the layer below, or else those nearest to the crown at the layer's middle.
    """
    if process is None or reach < process.bead_mm:
        return None
    if not recipe.has_land:
        return (
            _land_around(_crown_hole(recipe), recipe, reach, process) if recipe.ends_level and not mitre_deg else None
        )
    top, bead, layer = float(recipe.rise_mm or 0.0), process.bead_mm, process.layer_mm
    thickness = process.first_layer_mm if recipe.up == "crown down" else layer
    if top <= thickness + CLOSE_MM:
        return None
    insets, heights = CROWN_SHAPES[recipe.crown].profile(recipe, reach, _FINE).T
    bottom = top - thickness
    under, middle, below = reach - np.interp([bottom, bottom + thickness / 2, bottom - layer / 2], heights, insets)
    rings = np.arange(1, max(math.floor(under / bead + CLOSE_MM), 1) + 1)
    as_set = rings[(rings <= process.rings) & (below - rings * bead <= (process.rings - 0.5) * bead + CLOSE_MM)]
    candidates = as_set if len(as_set) else rings
    count = int(candidates[np.abs(candidates * bead - middle).argmin()])
    return Land(count * bead, float(under), bottom, top)


def _land_around(hole_mm: float, recipe: Recipe, reach: float, process: Process) -> Land | None:
    """Where the crown is narrower around a hole with this radius, it would end in an edge that no bead holds. So it
    ends level there, at a layer's edge: as many beads wide as the process lays rings, and an even number, since half of
    them go around the hole and half around the crown."""
    radius, layer = hole_mm + 2 * math.ceil(process.rings / 2) * process.bead_mm, process.layer_mm
    insets, heights = CROWN_SHAPES[recipe.crown].profile(recipe, reach, _FINE).T
    top = layer * round(float(np.interp(reach - radius, insets, heights)) / layer + 0.5)
    if radius >= reach or top <= layer + CLOSE_MM:
        return None
    return Land(radius, reach - float(np.interp(top - layer, heights, insets)), top - layer, top)


def _crown_hole(recipe: Recipe) -> float:
    """Radius of the hole that comes out on top."""
    if recipe.vent.kind == "hole":
        return recipe.vent.width_mm / 2
    return hole_radius(recipe.hole.kind, thread_named(recipe.hole.thread))


def spigot_of(recipe: Recipe, mitre_deg: float, edges: LayerEdges | None) -> Spigot:
    """The spigot of a resolved recipe, whose length lies on a layer, its grooves' faces likewise."""
    roof = recipe.groove_roof_mm(mitre_deg)
    down = recipe.up == "crown down"
    grooves = even_grooves(recipe.spigot_mm, recipe.groove, roof, roof_down=down)
    if edges is not None:
        grooves = _on_layers(recipe, grooves, roof, edges, math.cos(math.radians(mitre_deg)))
    depth = recipe.groove.depth_mm if grooves else 0.0
    return Spigot(recipe.spigot_mm, recipe.lead_in_mm, recipe.hollow_wall_mm, grooves, depth, recipe.seam, recipe.rib)


def _on_layers(
    recipe: Recipe, grooves: tuple[Groove, ...], roof: float, edges: LayerEdges, upright: float
) -> tuple[Groove, ...]:
    """``upright`` is the height when printed of a millimetre along the axis."""
    down = recipe.up == "crown down"
    start = float(recipe.rise_mm or 0.0) if down else recipe.spigot_mm * upright

    def standing(z: float) -> float:
        return start - z * upright if down else start + z * upright

    def hanging(height: float) -> float:
        return (start - height if down else height - start) / upright

    least = least_land(recipe) * upright
    ends = sorted((standing(0.0), standing(-recipe.spigot_mm)))
    moved: list[Groove] = []
    free = ends[0]
    for groove in sorted(grooves, key=lambda groove: standing(groove.bottom)):
        low, high = sorted((standing(groove.bottom), standing(groove.top)))
        low = edges.nearest(low, least=min(free + least, low))
        high = edges.nearest(high, least=low + (roof + LEAST_LEFT_MM) * upright, most=max(ends[1] - least, high))
        bottom, top = sorted((hanging(low), hanging(high)))
        moved.append(Groove(bottom, top, bottom + roof, top) if down else Groove(bottom, top, bottom, top - roof))
        free = high
    return tuple(sorted(moved, key=lambda groove: groove.bottom))


def heights_asked_for(recipe: Recipe, drawn: Recipe) -> dict[str, float]:
    """The heights that were asked for and are drawn on the layer beside, by their keys."""
    heights = (
        ("rise_mm", recipe.rise_mm, drawn.rise_mm),
        ("edge_mm", recipe.edge_mm if drawn.edge_mm else None, drawn.edge_mm),
        ("spigot_mm", recipe.spigot_mm, drawn.spigot_mm),
    )
    return {
        key: float(asked)
        for key, asked, given in heights
        if asked is not None and given is not None and abs(asked - given) > _SEEN_MM
    }
