# SPDX-License-Identifier: GPL-3.0-or-later
"""Screws through a tube's wall into the spigot inside, and where the tube has to be drilled for them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from manifold3d import CrossSection, Manifold

from ...fields.messages import Length, say
from ...fields.refusals import RecipeError
from ...geometry.frames import Floats, Frame
from ...geometry.sections import Outline
from ...geometry.units import say_mm
from ...shaping.contours import Fineness
from ...shaping.cutters import LEAST_BRIDGE_MM, PAST_MM, POCKET_ROOM_MM, prism
from ...shaping.shells import tool
from ...shaping.spigots import Spigot
from ...takeoff import Mouth
from ...takeoff.ends import EndHole
from ...trade.hardware import Thread, thread_named
from ..dimensioned import across
from ..family import EndPlace
from ..settling import EXACT
from .side import JoinerSide

ROOF_MM = 1.0
"""How wide the roof of a hole that lies ends, which a bead bridges."""
LEAST_BESIDE_MM = 2.0
"""Plastic beside a screw's hole; common practice, no source."""
MOST_ASKEW_DEG = 1.0
"""What is so nearly square to a side counts as square."""
_LIES = 0.7
"""Sine from which on it counts as lying."""


@dataclass(frozen=True, eq=False)
class ScrewHole:
    """A hole to drill in a tube for one of the screws; places are in the joiner's frame."""

    tube: Literal[0, 1]
    """The first or the second one."""
    distance_mm: float
    """From the tube's end, along the side where it is."""
    angle_deg: float
    """Around the tube's axis, counter-clockwise from the section's width as seen from outside."""
    diameter_mm: float
    mouths: tuple[Mouth, ...]
    """One for each wall that it goes through; the screw goes in at the first one."""
    around: str
    """Where around the tube, in words for the bench."""
    screw: str
    """What to buy for it: ``"M5 × 50"``."""


def bore_mm(kind: str, thread: Thread) -> float:
    return (thread.insert_bore_mm or 0.0) if kind == "insert" else thread.clearance_mm


def depth_mm(kind: str, thread: Thread) -> float:
    """How deep the hole goes into the spigot; 0 for one right through."""
    return (thread.insert_depth_mm or 0.0) + POCKET_ROOM_MM if kind == "insert" else 0.0


def across_mm(outline: Outline, angle_deg: float) -> float:
    near, far = across(outline, angle_deg)
    return far - near


def screw_holes(side: JoinerSide, tube: Literal[0, 1], angle_deg: float) -> list[ScrewHole]:
    """The holes in the tube at a spigot; ``angle_deg`` is that around the tube's own axis."""
    screw, end = side.recipe.screw, side.end
    if screw.kind == "none":
        return []
    angle = math.radians(angle_deg)
    direction = np.array([math.cos(angle), math.sin(angle), 0.0])
    far, outside = across(end.section.outer, angle_deg)
    # Where the rim lies on that side of the tube, seen from where the axis meets it.
    lean = math.tan(math.radians(end.mitre_deg)) * math.cos(angle - math.radians(end.mitre_direction_deg))
    thread, holes = thread_named(screw.thread), []
    through = screw.kind == "through"
    deep = outside - across(side.outline, angle_deg)[1] + (thread.insert_depth_mm or 0.0)
    bought = thread.bolt(outside - far) if through else thread.screw(deep)
    said = _around(end, angle_deg, through)
    for along in _clear_of_holes(side, _along(side.spigot, screw.count, bore_mm(screw.kind, thread)), thread):
        down, out = side.shift_mm + along, direction @ side.frame.axes
        mouths = [
            Mouth(side.frame.to_world(reach * direction - (0.0, 0.0, down)), way)
            for reach, way in ((outside, out), (far, -out))[: 2 if through else 1]
        ]
        distance, bore = down - outside * lean, thread.clearance_mm
        holes.append(ScrewHole(tube, distance, angle_deg % 360.0, bore, tuple(mouths), said, bought))
    return holes


def _clear_of_holes(side: JoinerSide, places: Sequence[float], thread: Thread) -> list[float]:
    """The places along a spigot, each moved as little as keeps it clear of holes that go on through that."""
    bore, length = bore_mm(side.recipe.screw.kind, thread), side.spigot.length_mm
    beside = bore / 2 + LEAST_BESIDE_MM
    taken = [
        (hole.distance_mm - side.shift_mm, hole.diameter_mm / 2 + side.recipe.cross.room_mm) for hole in side.holes
    ]
    moved: list[float] = []
    for place in places if taken else ():
        others = [*taken, *((other, bore / 2) for other in moved)]
        candidates = [place, *(middle + sign * (radius + beside) for middle, radius in others for sign in (-1, 1))]
        free = [
            at
            for at in candidates
            if beside <= at <= length - beside and all(abs(at - z) >= r + beside - EXACT for z, r in others)
        ]
        if not free:
            wide = Length(max(hole.diameter_mm for hole in side.holes))
            problem = say("beside the tube's hole of {} the spigot has no room for {}", wide, thread.name)
            raise RecipeError("screws", say("{}; choose none: a bolt through that hole holds it", problem), "none")
        moved.append(min(free, key=lambda at: abs(at - place)))
    return moved or list(places)


def _around(end: EndPlace, angle_deg: float, through: bool) -> str:
    """Where around a tube screws go in, or ``through`` both walls: by its sides, or at a corner by how that lies."""
    outer, mitred = end.section.outer, end.mitre_deg > 0
    turn = (angle_deg - (end.mitre_direction_deg if mitred else 0.0)) % 360.0
    quarter = round(turn / 90) % 4
    if outer.shape == "rectangle" and not mitred:
        width = say_mm(outer.width if quarter % 2 else outer.depth)
        if outer.width == outer.depth:
            return ("through two opposite sides" if through else "in one side") + ", on the middle line"
        return (
            f"through both {width} sides, on the middle line" if through else f"in a {width} side, on the middle line"
        )
    if mitred and abs(turn - 90 * round(turn / 90)) < MOST_ASKEW_DEG:
        one, both = _AT_CORNER[quarter]
        return f"through {both}, on the middle line" if through else f"in {one}, on the middle line"
    walls = "through both walls" if through else "through one wall"
    if mitred:
        return f"{walls}, {turn:.4g}° counter-clockwise from the inside of the corner, seen from the tube's end"
    if outer.shape == "circle":
        return f"{walls}, in line with those of the other tube"
    return f"{walls}, {turn:.4g}° counter-clockwise from the tube's width, seen from its end"


_AT_CORNER = {
    0: ("the inside of the corner", "the inside and the outside of the corner"),
    1: ("the front or the back of the corner", "the front and the back of the corner"),
    2: ("the outside of the corner", "the inside and the outside of the corner"),
    3: ("the front or the back of the corner", "the front and the back of the corner"),
}
"""One side and the two opposite ones, by quarter turns from the shorter side."""


def _along(spigot: Spigot, count: int, bore: float) -> list[float]:
    """How far from a spigot's end each screw is: in the middle of lands beside its grooves, or spread evenly along it
    where there are more screws than lands, or these are too narrow."""
    edges = [0.0, *(-z for groove in reversed(spigot.grooves) for z in (groove.top, groove.bottom)), spigot.length_mm]
    lands = list(zip(edges[::2], edges[1::2], strict=True))
    if count > len(lands) or min(high - low for low, high in lands) < bore:
        return [spigot.length_mm * (place + 0.5) / count for place in range(count)]
    chosen = [(len(lands) - 1) // 2] if count == 1 else np.linspace(0, len(lands) - 1, count).round().astype(int)
    return [sum(lands[land]) / 2 for land in chosen]


def screw_cutter(side: JoinerSide, hole: ScrewHole, up: Floats, fineness: Fineness) -> Manifold:
    """What is cut from the spigot for one of the screws, in the joiner's frame. ``up`` (3,) points up as it is printed:
    a hole that lies has a roof of 45°, so that it needs no support inside."""
    kind, thread = side.recipe.screw.kind, thread_named(side.recipe.screw.thread)
    frame = Frame.along(hole.mouths[0].position, hole.mouths[0].axis)
    far, outside = across(side.end.section.outer, hole.angle_deg)
    bottom = far if kind == "through" else across(side.outline, hole.angle_deg)[1] - depth_mm(kind, thread)
    section = CrossSection.hull_points(_roofed(bore_mm(kind, thread), frame, up, fineness))
    return tool(prism(section, bottom - outside, 0.0).transform(frame.matrix[:3]), "hole")


def cross_cutter(side: JoinerSide, hole: EndHole, up: Floats, fineness: Fineness) -> Manifold:
    """What a hole through the tube's walls takes off the spigot, as ``screw_cutter``: right through it, or just past
    the tube's axis, and open towards the tip where too little would be left there."""
    radius = hole.diameter_mm / 2 + side.recipe.cross.room_mm
    frame = Frame.along(side.frame.to_world(hole.place), hole.direction @ side.frame.axes)
    points = _roofed(2 * radius, frame, up, fineness)
    far = 2 * (side.end.section.outer.width + side.end.section.outer.depth)
    if side.spigot.length_mm + side.shift_mm - hole.distance_mm - radius < LEAST_BESIDE_MM:
        points = np.concatenate([points, points - (side.spigot.length_mm + far) * (frame.axes @ side.frame.z)[:2]])
    solid = prism(CrossSection.hull_points(points), -far if hole.through else -PAST_MM, far).transform(frame.matrix[:3])
    below_rim = -side.out * side.rim_z + LEAST_BRIDGE_MM / 2
    return tool(solid.trim_by_plane((0.0, 0.0, -side.out), below_rim), "hole")


def _roofed(diameter: float, frame: Frame, up: Floats, fineness: Fineness) -> Floats:
    """(n, 2): a circle about a frame's z, with the corners of its roof if it lies."""
    circle = Outline.circle(diameter).polygon(fineness.around(diameter / 2, least=24))
    roof = (frame.axes @ up)[:2]
    if np.linalg.norm(roof) <= _LIES:
        return circle
    high, aside = diameter / math.sqrt(2) - ROOF_MM / 2, ROOF_MM / 2 * np.array([-roof[1], roof[0]])
    return np.concatenate([circle, high * roof + aside[None], high * roof - aside[None]])
