# SPDX-License-Identifier: GPL-3.0-or-later
"""The plate: where each fitting is printed, and on which plate of how many."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from manifold3d import CrossSection

from ..fields.messages import Given, Length, Message, say, say_all
from ..geometry import polygons
from ..geometry.frames import Floats
from ..geometry.mesh import Mesh
from ..geometry.placement import Placement
from ..trade.processes import Process
from ..trade.shrink import shrink_scale
from .filling import Lot, centred, fill_plates, fits
from .packing import Ground, RoundedBox

LEAST_SPACING_MM = 0.1
"""Kept where a process asks for none, so that no two fittings touch."""

_FINE = 1e-6
"""Lengths are rounded to this, so that parts alike but for the last digits count as one shape."""


class PlateError(ValueError):
    """Parts that no plate of the process can hold."""


@dataclass(frozen=True)
class TooLarge:
    """Why no plate of the process can hold a part."""

    problem: Message
    """What follows the part's name: "is 180 mm high; there is room for 170 mm"."""
    value_mm: float | None = None
    """The side, as printed, that is farthest over; None if only the keep-out corner is in the way."""
    limit_mm: float | None = None


@dataclass(frozen=True, eq=False)
class Footprint:
    """A part seen from above, as drawn: its convex outline (n, 2) in mm, how high it is, and how many are wanted."""

    name: str
    outline: Floats
    height_mm: float
    count: int = 1

    @classmethod
    def of(cls, name: str, mesh: Mesh, count: int = 1) -> Footprint:
        """Of a mesh in mm, standing the way it prints. Raises ``ValueError`` if that has no extent from above."""
        return cls(name, _hull(mesh.vertices[:, :2]), float(mesh.size[2]), count)


@dataclass(frozen=True)
class Plates:
    """Every copy of every part, each plate after the other."""

    placements: tuple[Placement, ...]
    count: int
    """How many plates."""

    def on(self, plate: int) -> tuple[Placement, ...]:
        return tuple(placement for placement in self.placements if placement.plate == plate)

    def arrangements(self) -> dict[tuple[Placement, ...], tuple[int, ...]]:
        """Plates that look alike: what lies on them, and their numbers from 0."""
        beds: dict[int, list[Placement]] = {}
        for placement in self.placements:
            beds.setdefault(placement.plate, []).append(replace(placement, plate=0))
        alike: dict[tuple[Placement, ...], list[int]] = {}
        for plate in sorted(beds):
            alike.setdefault(tuple(beds[plate]), []).append(plate)
        return {bed: tuple(plates) for bed, plates in alike.items()}


@dataclass(frozen=True)
class _Turned:
    """A part in one of its turns: the rounded rectangle around it, and that one's middle from the part's origin."""

    shape: RoundedBox
    turn_deg: float
    middle: tuple[float, float]


def lay_out(footprints: Sequence[Footprint], process: Process) -> Plates:
    """Lays every copy of every part on as few of the process's plates as the search finds.

    Distances hold for what is printed, larger than drawn by the shrink. The same parts always lie the same way.
    Raises ``PlateError`` if a part is too large for the plate.
    """
    ground, scale = _ground(process), shrink_scale(process.shrink_percent)
    turned = [_turns(footprint, scale) for footprint in footprints]
    problems = [
        say("{} {}", Given(footprint.name), reason.problem)
        for footprint, ways in zip(footprints, turned, strict=True)
        if (reason := _why_too_large(footprint, ways, ground, process, float(scale[2])))
    ]
    if problems:
        raise PlateError(say("{}. Choose a larger plate or leave it out.", say_all(problems, "; ")))

    members: dict[tuple[RoundedBox, ...], list[int]] = {}
    for index, footprint in enumerate(footprints):
        if footprint.count > 0:
            shapes = tuple(way.shape for way in turned[index])
            members.setdefault(shapes, []).extend([index] * footprint.count)
    kinds = [Lot(shapes, len(parts)) for shapes, parts in members.items()]
    beds = [centred(bed, kinds, ground) for bed in fill_plates(kinds, ground)]

    queues = [iter(parts) for parts in members.values()]
    placements = []
    for plate, bed in enumerate(beds):
        for kind, spot in bed:
            part = next(queues[kind])
            way = turned[part][spot.variant]
            x, y = spot.x + process.margin_mm - way.middle[0], spot.y + process.margin_mm - way.middle[1]
            placements.append(Placement(part, plate, x, y, way.turn_deg))
    placements.sort(key=lambda placement: (placement.plate, placement.part))
    return Plates(tuple(placements), len(beds))


def too_large(footprint: Footprint, process: Process) -> TooLarge | None:
    """Why a part, larger than drawn by the shrink, is too large for the plate; None if it has room."""
    scale = shrink_scale(process.shrink_percent)
    return _why_too_large(footprint, _turns(footprint, scale), _ground(process), process, float(scale[2]))


def _ground(process: Process) -> Ground:
    width, depth = (side - 2 * process.margin_mm + 10 * _FINE for side in process.plate_mm[:2])
    keep_out = tuple(max(side - process.margin_mm, 0.0) for side in process.keep_out_mm)
    return Ground(width, depth, max(process.spacing_mm, LEAST_SPACING_MM), (keep_out[0], keep_out[1]))


def _turns(footprint: Footprint, scale: Floats) -> list[_Turned]:
    """The part square to the plate, and a quarter turn on where that makes a difference."""
    square = _square_turn(footprint.outline)
    ways = [_turned(footprint, scale, square), _turned(footprint, scale, square + 90)]
    return ways[: 1 if ways[0].shape == ways[1].shape else 2]


def _turned(footprint: Footprint, scale: Floats, turn_deg: float) -> _Turned:
    points = polygons.turned(footprint.outline, math.radians(turn_deg)) * scale[:2]
    shape, middle = _around(points)
    half_x, half_y, radius = (round(length / _FINE) * _FINE for length in (shape.half_x, shape.half_y, shape.radius))
    return _Turned(RoundedBox(half_x, half_y, radius), turn_deg, middle)


def _around(points: Floats) -> tuple[RoundedBox, tuple[float, float]]:
    """The smallest rounded rectangle, square to the axes, around points (n, 2), and its middle."""
    low, high = points.min(axis=0), points.max(axis=0)
    middle, half = (low + high) / 2, (high - low) / 2
    away = np.abs(points - middle)
    circle = RoundedBox(0.0, 0.0, float(np.hypot(*away.T).max()))
    # A corner rounded by r reaches a point at s and t from the box's sides while r is at most s + t + sqrt(2 s t).
    sides = np.maximum(half - away, 0.0)
    radius = min(float((sides.sum(axis=1) + np.sqrt(2 * sides.prod(axis=1))).min()), float(half.min()))
    rounded = RoundedBox(float(half[0]) - radius, float(half[1]) - radius, radius)
    return min(rounded, circle, key=lambda box: box.area), (float(middle[0]), float(middle[1]))


def _square_turn(outline: Floats) -> float:
    """The turn, in degrees, that makes the box around an outline smallest; none if it gains nothing."""
    turn = -polygons.least_box_turn(outline) % (math.pi / 2)
    as_drawn, turned = (np.ptp(points, axis=0).prod() for points in (outline, polygons.turned(outline, turn)))
    return math.degrees(turn) if turned < 0.98 * as_drawn else 0.0


def _why_too_large(
    footprint: Footprint, ways: Sequence[_Turned], ground: Ground, process: Process, rise: float
) -> TooLarge | None:
    height, most = footprint.height_mm * rise, process.most_height_mm
    if height > most + _FINE:
        return TooLarge(say("is {} high; there is room for {}", Length(height), Length(most)), height, most)
    if any(fits(way.shape, ground) for way in ways):
        return None
    size = ways[0].shape.width, ways[0].shape.depth
    room = max(ground.width, 0.0), max(ground.depth, 0.0)
    problem = say("needs {}; the plate less its margin has {}", Length(*size), Length(*room))
    if ground.blocked:
        problem += ", and too little beside the keep-out corner"
    value, limit = max(zip(sorted(size), sorted(room), strict=True), key=lambda side: side[0] - side[1])
    return TooLarge(problem, value, limit) if value > limit else TooLarge(problem)


def _hull(points: Floats) -> Floats:
    polygons = CrossSection.hull_points(points.tolist()).to_polygons()
    if not polygons:
        raise ValueError("a part that has no extent, seen from above, cannot lie on a plate; build the fitting again")
    return np.asarray(polygons[0], float)
