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
from ...trade.hardware import Thread, thread_named
from ..dimensioned import across
from .side import JoinerSide


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
    walls: Literal[1, 2]
    position: Floats
    """(3,): where its axis meets the tube's outside."""
    axis: Floats
    """(3,): unit direction, out of the tube."""


def bore_mm(kind: str, thread: Thread) -> float:
    return (thread.insert_bore_mm or 0.0) if kind == "insert" else thread.clearance_mm


def depth_mm(kind: str, thread: Thread) -> float:
    """How deep the hole goes into the spigot; 0 for one right through."""
    return (thread.insert_depth_mm or 0.0) + POCKET_ROOM_MM if kind == "insert" else 0.0


def across_mm(outline: Outline, angle_deg: float) -> float:
    near, far = across(outline, angle_deg)
    return far - near


def screw_holes(side: JoinerSide, tube: Literal[0, 1], angle_deg: float) -> list[ScrewHole]:
    """The holes in the tube at a spigot, spread evenly along it; ``angle_deg`` is that around the tube's own axis."""
    screw, end = side.recipe.screw, side.end
    if screw.kind == "none":
        return []
    angle = math.radians(angle_deg)
    direction = np.array([math.cos(angle), math.sin(angle), 0.0])
    outside = across(end.section.outer, angle_deg)[1]
    # Where the rim lies on that side of the tube, seen from where the axis meets it.
    lean = math.tan(math.radians(end.mitre_deg)) * math.cos(angle - math.radians(end.mitre_direction_deg))
    thread, holes = thread_named(screw.thread), []
    for place in range(screw.count):
        down = side.shift_mm + side.spigot.length_mm * (place + 0.5) / screw.count
        holes.append(
            ScrewHole(
                tube,
                down - outside * lean,
                angle_deg % 360.0,
                thread.clearance_mm,
                2 if screw.kind == "through" else 1,
                side.frame.to_world(outside * direction - (0.0, 0.0, down)),
                direction @ side.frame.axes,
            )
        )
    return holes


def screw_cutter(side: JoinerSide, hole: ScrewHole, fineness: Fineness) -> Manifold:
    """What is cut from the spigot for one of the screws, in the joiner's frame."""
    kind, thread = side.recipe.screw.kind, thread_named(side.recipe.screw.thread)
    diameter = bore_mm(kind, thread)
    circle = CrossSection([Outline.circle(diameter).polygon(fineness.around(diameter / 2, least=24))])
    far, outside = across(side.end.section.outer, hole.angle_deg)
    bottom = far if kind == "through" else across(side.outline, hole.angle_deg)[1] - depth_mm(kind, thread)
    return tool(
        prism(circle, bottom - outside, 0.0).transform(Frame.along(hole.position, hole.axis).matrix[:3]), "hole"
    )
