# SPDX-License-Identifier: GPL-3.0-or-later
"""What is cut from a fitting after its plain shape: seam relief, vent, holes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from manifold3d import CrossSection, Manifold, OpType

from ..geometry.frames import Floats
from ..geometry.polygons import nearest
from ..geometry.sections import Outline
from ..takeoff.ends import EndHole
from ..trade.hardware import NUT_POCKET_GAP_MM, Thread, thread_named
from .contours import Contour
from .features import BoltHole, CrossHoles, SeamRelief, Vent
from .shells import tool

PAST_MM = 1.0
"""How far a cutter stands past what it cuts, so that no two faces fall together."""
POCKET_ROOM_MM = 0.5
"""How much deeper than its nut or insert a pocket is; common practice, no source."""

LEAST_BRIDGE_MM = 0.8
"""What a hole across a spigot leaves between it and the tip, and half of that below the rim."""
ROOF_FLAT_MM = 0.8
"""Width of its roof's ridge, that a bead or two bridge: a sharp one would close up."""

FLARE = 0.5
"""How much wider a notch for a seam gets outward on each side, in mm a mm: its edges are then wide enough to print."""
LEAST_LAND_MM, LEAST_BACK_MM = 1.0, 2.0
"""Of a land beside a corner, and of what stands back between two of them: no tube is welded in its corner, and its
seam is no wider; common practice, no source."""
WIDE_LAND = 2.5
"""Widths of a rib that a land has where there is room: beside its rib a bead out and a bead back can be laid."""


class OutlinePoint(NamedTuple):
    """A place on an outline and the direction (2,) square to it, outward."""

    place: Floats
    outward: Floats

    @property
    def along(self) -> Floats:
        return np.array([-self.outward[1], self.outward[0]])

    def placed(self, points: Floats) -> Floats:
        """Points (..., 2), given outward of this place and along the outline from it, where they lie."""
        return self.place + points @ np.array([self.outward, self.along])

    def strip(self, inner: float, outer: float, width: float, flare: float = 0.0) -> CrossSection:
        """A rectangle across this place, from ``inner`` to ``outer`` outward of it; each side opens outward by
        ``flare`` mm a mm."""
        half, wide = width / 2, width / 2 + flare * (outer - inner)
        corners = [(inner, -half), (outer, -wide), (outer, wide), (inner, half)]
        return CrossSection([np.array([self.place + out * self.outward + side * self.along for out, side in corners])])

    def box(self, inner: float, outer: float, width: float, bottom: float, top: float) -> Manifold:
        """The strip as an upright box."""
        return prism(self.strip(inner, outer, width), bottom, top)


def prism(section: CrossSection, bottom: float, top: float) -> Manifold:
    return Manifold.extrude(section, top - bottom).translate((0.0, 0.0, bottom))


def point_at(contour: Contour, degrees: float) -> OutlinePoint:
    """Where the ray from the outline's middle at that angle leaves it for good."""
    angle = math.radians(degrees)
    if contour.outline.shape == "circle":
        ray = np.array([math.cos(angle), math.sin(angle)])
        return OutlinePoint(np.array(contour.outline.centre) + ray * contour.outline.width / 2, ray)
    # At a corner the two sides that meet there count alike, so that symmetric outlines stay symmetric.
    hits = [_leaving(contour.polygon - contour.deepest, angle + turn) for turn in (-1e-6, 1e-6)]
    outward = hits[0].outward + hits[1].outward
    return OutlinePoint(hits[0].place + contour.deepest, outward / np.linalg.norm(outward))


class StraightSide(NamedTuple):
    """A straight side of a rounded rectangle: its middle, and its length between the corners' arcs."""

    place: OutlinePoint
    length_mm: float

    def land_mm(self, rib_mm: float) -> float:
        """How wide a land beside each corner is: wide, or just wide enough for a rib, or 0 where there is no room
        between two of them and all of the side stands back."""
        narrow = max(rib_mm, LEAST_LAND_MM)
        if self.length_mm >= 4 * WIDE_LAND * narrow:
            return WIDE_LAND * narrow
        return narrow if self.length_mm > 2 * narrow + LEAST_BACK_MM else 0.0


def sides_of(outline: Outline) -> list[StraightSide]:
    """The four sides of a rounded rectangle, counter-clockwise from that at its greatest x."""
    half, straight = (np.array([outline.width, outline.depth]) / 2 - inset for inset in (0.0, outline.corner_radius))
    sides = []
    for quarter in range(4):
        axis, sign = quarter % 2, 1.0 if quarter < 2 else -1.0
        outward = sign * np.eye(2)[axis]
        sides.append(
            StraightSide(OutlinePoint(outline.centre + half[axis] * outward, outward), 2 * float(straight[1 - axis]))
        )
    return sides


def _leaving(polygon: Floats, angle: float) -> OutlinePoint:
    ray = np.array([math.cos(angle), math.sin(angle)])
    along = np.roll(polygon, -1, axis=0) - polygon
    side_of_ray = polygon[:, 1] * ray[0] - polygon[:, 0] * ray[1]
    after = np.roll(side_of_ray, -1)
    crossed = np.flatnonzero((side_of_ray < 0) != (after < 0))
    share = side_of_ray[crossed] / (side_of_ray[crossed] - after[crossed])
    places = polygon[crossed] + along[crossed] * share[:, None]
    last = int((places @ ray).argmax())
    direction = along[crossed[last]] / np.linalg.norm(along[crossed[last]])
    return OutlinePoint(places[last], np.array([direction[1], -direction[0]]))


def seam_strip(relief: SeamRelief, contour: Contour, rib_mm: float = 0.0) -> CrossSection:
    """What the relief for the tube's weld seam takes off a spigot's outline; nothing if there is none. Sides keep
    lands for ribs of width ``rib_mm``."""
    if relief.kind == "none":
        return CrossSection()
    inner, across = -relief.room_mm, 2 * (contour.outline.width + contour.outline.depth)
    if relief.kind == "sides":
        sides = [(side, side.land_mm(rib_mm)) for side in sides_of(contour.outline)]
        strips = [
            side.place.strip(inner, PAST_MM, side.length_mm - 2 * land if land else across) for side, land in sides
        ]
        return CrossSection.batch_boolean(strips, OpType.Add)
    place = point_at(contour, relief.angle_deg)
    if relief.kind == "flat":
        return place.strip(inner, across, across)
    return place.strip(inner, PAST_MM, relief.width_mm, FLARE)


def channel_strip(vent: Vent, seam: SeamRelief, contour: Contour) -> CrossSection:
    """The vent channel's way along a spigot and out past its tube, opposite the seam; nothing if there is none."""
    if vent.kind != "channel":
        return CrossSection()
    return point_at(contour, seam.angle_deg + 180).strip(-_channel_mm(vent, seam), far_past(contour), vent.width_mm)


def _channel_mm(vent: Vent, seam: SeamRelief) -> float:
    """How deep the channel goes below a spigot's outline: its depth is that below a side that stands back."""
    return vent.depth_mm + (seam.room_mm if seam.kind == "sides" else 0.0)


def vent_cutters(
    vent: Vent, seam: SeamRelief, contour: Contour, outer: Contour, tip_mm: float, top_mm: float, channel_mm: float
) -> list[Manifold]:
    """The way out for the air: along a spigot's side and through the shoulder, or a hole along the axis.

    ``contour`` is the spigot's, ``outer`` the largest outline of the fitting, ``tip_mm`` and ``top_mm`` its lowest and
    highest level. ``channel_mm`` is how far the channel goes up past the rim; it lies opposite the seam.
    """
    if vent.kind == "none":
        return []
    far = far_past(outer)
    if vent.kind == "hole":
        return [tool(drill(contour, vent.width_mm, tip_mm - far, top_mm + far), "vent")]
    place = point_at(contour, seam.angle_deg + 180)
    slot = place.box(-_channel_mm(vent, seam), PAST_MM, vent.width_mm, tip_mm - PAST_MM, channel_mm)
    channel = place.box(-vent.depth_mm / 2, far, vent.width_mm, -channel_mm, channel_mm)
    return [tool(slot + channel, "vent")]


def hole_cutters(
    hole: BoltHole, contour: Contour, outer: Contour, profile: Floats, tip_mm: float, top_mm: float
) -> list[Manifold]:
    """The bore for a levelling foot: right through, with or without a nut's pocket in the crown, or blind from there.

    The pocket opens outward, so that the foot's load presses the nut onto the plastic and not out of it. ``profile`` is
    that of the crown over ``outer``; the rest as for ``vent_cutters``.
    """
    if hole.kind == "none":
        return []
    thread, far = thread_named(hole.thread), far_past(outer)
    bottom, top = tip_mm - far, top_mm + far
    floor = profile_height(outer, profile, contour.deepest, hole_radius(hole.kind, thread))
    floor -= pocket_depth(hole.kind, thread)
    if hole.kind == "insert":
        return [tool(drill(contour, 2 * hole_radius(hole.kind, thread), floor, top), "hole")]
    through = drill(contour, thread.clearance_mm, bottom, top)
    if hole.kind == "through":
        return [tool(through, "hole")]
    turn = np.arange(6) * np.pi / 3
    hexagon = contour.deepest + hole_radius(hole.kind, thread) * np.column_stack([np.cos(turn), np.sin(turn)])
    return [tool(through + prism(CrossSection([hexagon]), floor, top), "hole")]


def cross_cutters(
    cross: CrossHoles, holes: Sequence[EndHole], contour: Contour, outer: Contour, spigot_mm: float, up: Floats
) -> list[Manifold]:
    """What holes through the tube's walls take off the spigot, in the tube end's frame: right through it, or just past
    the tube's axis. Their roofs slope by 45°, so that they need no support. Where too little of the spigot would be
    left towards its tip, they are open there. They end below the rim. ``up`` (3,) is the rim's normal, out of the tube
    or into it, that points up when printed."""
    if cross.kind != "free":
        return []
    far, cutters = far_past(outer), []
    rim = up * np.sign(up[2])
    lean = float(np.hypot(rim[0], rim[1]) / rim[2])
    for hole in holes:
        along, radius = hole.direction, hole.diameter_mm / 2 + cross.room_mm
        roof = up - (up @ along) * along
        roof /= np.linalg.norm(roof)
        side = np.cross(along, roof)
        facets = contour.fineness.beside(contour.outline.half_width).around(radius, least=24)
        flat = ROOF_FLAT_MM / 2
        ridge = radius * math.sqrt(2) - flat
        top = [(ridge, -flat), (ridge, flat)]
        drop = CrossSection.hull_points(np.vstack([Outline.circle(2 * radius).polygon(facets), top]))
        below = ridge if up[2] < 0 else radius
        if spigot_mm - hole.distance_mm - below - lean * contour.outline.half_width < LEAST_BRIDGE_MM:
            drop = CrossSection.batch_hull([drop, drop.translate((-far * roof[2], -far * side[2]))])
        behind = far if hole.through else PAST_MM
        solid = Manifold.extrude(drop, behind + far)
        start = hole.place - behind * along
        placed = solid.transform(np.column_stack([roof, side, along, start]))
        cutters.append(tool(placed.trim_by_plane(tuple(-rim), LEAST_BRIDGE_MM / 2), "hole"))
    return cutters


def hole_radius(hole: str, thread: Thread) -> float:
    """The widest that the hole gets, from its axis."""
    if hole == "nut pocket":
        return (thread.nut_across_flats_mm + 2 * NUT_POCKET_GAP_MM) / math.sqrt(3)
    return (thread.insert_bore_mm or 0.0) / 2 if hole == "insert" else thread.clearance_mm / 2


def pocket_depth(hole: str, thread: Thread) -> float:
    """How deep a nut's pocket or an insert's bore goes from the crown; 0 for a plain hole."""
    held = {"nut pocket": thread.nut_height_mm, "insert": thread.insert_depth_mm or 0.0}.get(hole)
    return held + POCKET_ROOM_MM if held else 0.0


def profile_height(contour: Contour, profile: Floats, place: Floats, radius: float) -> float:
    """Height of a profile raised over an outline, above the lowest point of a circle of that radius about a place."""
    inset = float(nearest(contour.polygon, place[None])[0][0]) - radius
    return float(np.interp(inset, profile[:, 0], profile[:, 1]))


def drill(contour: Contour, diameter: float, bottom: float, top: float) -> Manifold:
    """A round cutter upright through the point farthest inside an outline."""
    facets = contour.fineness.beside(contour.outline.half_width).around(diameter / 2, least=24)
    # Turned a little, so that its corners do not come to lie on the crown's edges.
    circle = CrossSection([Outline.circle(diameter).polygon(facets)]).rotate(0.3 * 360 / facets)
    return prism(circle.translate(contour.deepest), bottom, top)


def far_past(outer: Contour) -> float:
    """Farther than any part of the fitting is from another, up and down included."""
    return 4 * (outer.outline.width + outer.outline.depth)
