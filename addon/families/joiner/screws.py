# SPDX-License-Identifier: GPL-3.0-or-later
"""Screws through a tube's wall into the spigot inside, and where the tube has to be drilled for them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from manifold3d import CrossSection, Manifold

from ...geometry.frames import Floats, Frame
from ...geometry.sections import Outline
from ...shaping.contours import Fineness
from ...shaping.cutters import POCKET_ROOM_MM, prism
from ...shaping.shells import tool
from ...shaping.spigots import Spigot
from ...takeoff import Mouth
from ...trade.hardware import Thread, thread_named
from ..dimensioned import across
from .side import JoinerSide

ROOF_MM = 1.0
"""How wide the roof of a hole that lies ends, which a bead bridges."""
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
    for along in _along(side.spigot, screw.count, bore_mm(screw.kind, thread)):
        down, out = side.shift_mm + along, direction @ side.frame.axes
        mouths = [
            Mouth(side.frame.to_world(reach * direction - (0.0, 0.0, down)), way)
            for reach, way in ((outside, out), (far, -out))[: 2 if screw.kind == "through" else 1]
        ]
        holes.append(ScrewHole(tube, down - outside * lean, angle_deg % 360.0, thread.clearance_mm, tuple(mouths)))
    return holes


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
    diameter = bore_mm(kind, thread)
    circle = Outline.circle(diameter).polygon(fineness.around(diameter / 2, least=24))
    frame = Frame.along(hole.mouths[0].position, hole.mouths[0].axis)
    roof = (frame.axes @ up)[:2]
    if np.linalg.norm(roof) > _LIES:
        high, aside = diameter / math.sqrt(2) - ROOF_MM / 2, ROOF_MM / 2 * np.array([-roof[1], roof[0]])
        circle = np.concatenate([circle, high * roof + aside[None], high * roof - aside[None]])
    far, outside = across(side.end.section.outer, hole.angle_deg)
    bottom = far if kind == "through" else across(side.outline, hole.angle_deg)[1] - depth_mm(kind, thread)
    section = CrossSection.hull_points(circle)
    return tool(prism(section, bottom - outside, 0.0).transform(frame.matrix[:3]), "hole")
