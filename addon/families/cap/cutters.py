# SPDX-License-Identifier: GPL-3.0-or-later
"""What is added to a fitting or cut from it after its plain shape: ribs, seam relief, vent, holes."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from manifold3d import CrossSection, Manifold, OpType

from ...geometry.frames import Floats
from ...geometry.polygons import edge_lengths, nearest, outward_normals
from ...geometry.sections import Outline
from ...shaping.contours import Contour
from ...shaping.shells import tool
from ...trade.hardware import NUT_POCKET_GAP_MM, Thread, thread_named
from .profiles import lands
from .recipe import Recipe

PAST_MM = 1.0
"""How far a cutter stands past what it cuts, so that no two faces fall together."""
RIB_ROOT_MM = 0.5
"""How deep a rib is rooted in the spigot."""
RIB_TRIM_MM = 0.02
"""How far a rib ends from a groove, and the sleeve that trims ribs lies outside them: no two faces fall together."""
POCKET_ROOM_MM = 0.5
"""How much deeper than its nut or insert a pocket is; common practice, no source."""


class Side(NamedTuple):
    """A place on an outline and the direction (2,) square to it, outward."""

    place: Floats
    outward: Floats

    @property
    def along(self) -> Floats:
        return np.array([-self.outward[1], self.outward[0]])

    def strip(self, inner: float, outer: float, width: float) -> CrossSection:
        """A rectangle across this place, from ``inner`` to ``outer`` outward of it."""
        corners = [(inner, -width / 2), (outer, -width / 2), (outer, width / 2), (inner, width / 2)]
        return CrossSection([np.array([self.place + out * self.outward + side * self.along for out, side in corners])])

    def box(self, inner: float, outer: float, width: float, bottom: float, top: float) -> Manifold:
        """The strip as an upright box."""
        return prism(self.strip(inner, outer, width), bottom, top)


def prism(section: CrossSection, bottom: float, top: float) -> Manifold:
    return Manifold.extrude(section, top - bottom).translate((0.0, 0.0, bottom))


def side_at(plan: Contour, degrees: float) -> Side:
    """Where the ray from the outline's middle at that angle leaves it for good."""
    angle = math.radians(degrees)
    if plan.outline.shape == "circle":
        ray = np.array([math.cos(angle), math.sin(angle)])
        return Side(np.array(plan.outline.centre) + ray * plan.outline.width / 2, ray)
    # At a corner the two sides that meet there count alike, so that symmetric outlines stay symmetric.
    hits = [_leaving(plan.polygon - plan.deepest, angle + turn) for turn in (-1e-6, 1e-6)]
    outward = hits[0].outward + hits[1].outward
    return Side(hits[0].place + plan.deepest, outward / np.linalg.norm(outward))


def _leaving(polygon: Floats, angle: float) -> Side:
    ray = np.array([math.cos(angle), math.sin(angle)])
    along = np.roll(polygon, -1, axis=0) - polygon
    side_of_ray = polygon[:, 1] * ray[0] - polygon[:, 0] * ray[1]
    after = np.roll(side_of_ray, -1)
    crossed = np.flatnonzero((side_of_ray < 0) != (after < 0))
    share = side_of_ray[crossed] / (side_of_ray[crossed] - after[crossed])
    places = polygon[crossed] + along[crossed] * share[:, None]
    last = int((places @ ray).argmax())
    direction = along[crossed[last]] / np.linalg.norm(along[crossed[last]])
    return Side(places[last], np.array([direction[1], -direction[0]]))


def seam_strip(recipe: Recipe, plan: Contour) -> CrossSection:
    """What the relief for the tube's weld seam takes off the spigot's outline; nothing where there is none."""
    if recipe.seam.kind == "none":
        return CrossSection()
    side = side_at(plan, recipe.seam.angle_deg)
    width, outer = recipe.seam.width_mm, PAST_MM
    if recipe.seam.kind == "flat":
        width = outer = 2 * (plan.outline.width + plan.outline.depth)
    return side.strip(-recipe.seam.depth_mm, outer, width)


def seam_cutters(recipe: Recipe, plan: Contour) -> list[Manifold]:
    """The relief for the tube's weld seam, all along the spigot of a square-cut end."""
    strip = seam_strip(recipe, plan)
    return [] if strip.is_empty() else [tool(prism(strip, -recipe.spigot_mm - PAST_MM, PAST_MM), "seam relief")]


def channel_strip(recipe: Recipe, plan: Contour) -> CrossSection:
    """The vent channel's way along the spigot and out past its tube; nothing where there is none."""
    if recipe.vent.kind != "channel":
        return CrossSection()
    return side_at(plan, recipe.seam.angle_deg + 180).strip(-recipe.vent.depth_mm, _far(plan), recipe.vent.width_mm)


def ribs(recipe: Recipe, plan: Contour) -> list[Manifold]:
    """Crush ribs, evenly spaced along the outline, on every land."""
    if not recipe.rib.count:
        return []
    made = []
    for side in _spread(plan, recipe.rib.count, recipe.seam.angle_deg):
        for number, (bottom, top) in enumerate(lands(recipe)):
            made.append(_rib(recipe, side, bottom + RIB_TRIM_MM, top - RIB_TRIM_MM if top else PAST_MM, number == 0))
    # Next to a corner a rib would stand out farther than it is high.
    sleeve = prism(plan.grown(recipe.rib.height_mm + RIB_TRIM_MM), -recipe.spigot_mm, 2 * PAST_MM)
    return [tool(Manifold.batch_boolean(made, OpType.Add) ^ sleeve, "rib")]


def _rib(recipe: Recipe, side: Side, bottom: float, top: float, tapered: bool) -> Manifold:
    """A rib on one land; the first from the tip grows from nothing over twice its height or half the land."""
    height, half = recipe.rib.height_mm, recipe.rib.width_mm / 2
    full = min(bottom + 2 * height, (bottom + min(top, 0.0)) / 2) if tapered else bottom
    root, crest = -RIB_ROOT_MM, [(height, half / 2), (height, -half / 2)]
    corners = [(out, across, z) for out, across in [(root, -half), (root, half), *crest] for z in (full, top)]
    corners += [(root, -half, bottom), (root, half, bottom)]
    out, across, z = np.array(corners).T
    place = side.place + np.outer(out, side.outward) + np.outer(across, side.along)
    return Manifold.hull_points(np.column_stack([place, z]))


def _spread(plan: Contour, count: int, seam_degrees: float) -> list[Side]:
    """Places evenly along the outline, a quarter step past the seam so that neither it nor the vent is hit."""
    polygon = plan.polygon
    lengths, outward = edge_lengths(polygon), outward_normals(polygon)
    ends = np.cumsum(lengths)
    seam = int(np.linalg.norm(polygon - side_at(plan, seam_degrees).place, axis=1).argmin())
    sides = []
    for distance in (ends[seam] - lengths[seam] + (np.arange(count) + 0.25) * ends[-1] / count) % ends[-1]:
        edge = int(np.searchsorted(ends, distance, "right"))
        share = 1 - (ends[edge] - distance) / lengths[edge]
        sides.append(Side(polygon[edge] + share * (polygon[(edge + 1) % len(polygon)] - polygon[edge]), outward[edge]))
    return sides


def vent_cutters(recipe: Recipe, plan: Contour, crown: Contour, channel_mm: float) -> list[Manifold]:
    """The way out for the air: along the spigot's side and through the shoulder, or a hole along the axis.

    ``channel_mm`` is how far the channel goes up into the crown; the channel lies opposite the seam.
    """
    if recipe.vent.kind == "none":
        return []
    bottom = -recipe.spigot_mm - PAST_MM
    if recipe.vent.kind == "hole":
        far = _far(crown)
        bore = _drill(plan, recipe.vent.width_mm, -recipe.spigot_mm - far, float(recipe.rise_mm or 0) + far)
        return [tool(bore, "vent")]
    side = side_at(plan, recipe.seam.angle_deg + 180)
    width, depth = recipe.vent.width_mm, recipe.vent.depth_mm
    slot = side.box(-depth, PAST_MM, width, bottom, channel_mm)
    channel = side.box(-depth / 2, _far(crown), width, -channel_mm, channel_mm)
    return [tool(slot + channel, "vent")]


def hole_cutters(recipe: Recipe, plan: Contour, crown: Contour, crown_profile: Floats) -> list[Manifold]:
    """The bore for a levelling foot: right through, with or without a nut's pocket in the crown, or blind from there.

    The pocket opens outward, so that the foot's load presses the nut onto the plastic and not out of it.
    """
    if recipe.hole.kind == "none":
        return []
    thread = thread_named(recipe.hole.thread)
    far = _far(crown)
    bottom, top = -recipe.spigot_mm - far, float(recipe.rise_mm or 0) + far
    floor = crown_height(crown, crown_profile, plan.deepest, hole_radius(recipe.hole.kind, thread))
    floor -= pocket_depth(recipe.hole.kind, thread)
    if recipe.hole.kind == "insert":
        return [tool(_drill(plan, 2 * hole_radius(recipe.hole.kind, thread), floor, top), "hole")]
    through = _drill(plan, thread.clearance_mm, bottom, top)
    if recipe.hole.kind == "through":
        return [tool(through, "hole")]
    turn = np.arange(6) * np.pi / 3
    hexagon = plan.deepest + hole_radius(recipe.hole.kind, thread) * np.column_stack([np.cos(turn), np.sin(turn)])
    return [tool(through + prism(CrossSection([hexagon]), floor, top), "hole")]


def hole_radius(hole: str, thread: Thread) -> float:
    """The widest that the hole gets, from its axis."""
    if hole == "nut pocket":
        return (thread.nut_across_flats_mm + 2 * NUT_POCKET_GAP_MM) / math.sqrt(3)
    return (thread.insert_bore_mm or 0.0) / 2 if hole == "insert" else thread.clearance_mm / 2


def pocket_depth(hole: str, thread: Thread) -> float:
    """How deep a nut's pocket or an insert's bore goes from the crown; 0 for a plain hole."""
    held = {"nut pocket": thread.nut_height_mm, "insert": thread.insert_depth_mm or 0.0}.get(hole)
    return held + POCKET_ROOM_MM if held else 0.0


def crown_height(crown: Contour, profile: Floats, place: Floats, radius: float) -> float:
    """Height of the crown over the lowest point of a circle of that radius about a place."""
    inset = float(nearest(crown.polygon, place[None])[0][0]) - radius
    return float(np.interp(inset, profile[:, 0], profile[:, 1]))


def _drill(plan: Contour, diameter: float, bottom: float, top: float) -> Manifold:
    facets = plan.fineness.around(diameter / 2, least=24)
    # Turned a little, so that its corners do not come to lie on the crown's edges.
    circle = CrossSection([Outline.circle(diameter).polygon(facets)]).rotate(0.3 * 360 / facets)
    return prism(circle.translate(plan.deepest), bottom, top)


def _far(crown: Contour) -> float:
    """Farther than any part of the fitting is from another, up and down included."""
    return 4 * (crown.outline.width + crown.outline.depth)
