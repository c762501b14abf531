# SPDX-License-Identifier: GPL-3.0-or-later
"""The plate: where each fitting is printed, and on which plate of how many."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain, count, groupby

import numpy as np
from manifold3d import CrossSection

from ..geometry.frames import Floats
from ..geometry.mesh import Mesh
from ..geometry.units import say_mm
from ..trade.processes import Process
from ..trade.shrink import shrink_scale
from .packing import Ground, Layout, Rule, Shape, Spot
from .regular import fullest

LEAST_SPACING_MM = 0.1
"""Kept where a process asks for none, so that no two fittings touch."""

_EFFORT = 5000
"""Fittings that the search may put down in all its attempts: some seconds. Beyond it only rows are laid."""
_HARD_EFFORT = 1500
"""The same for the shuffled attempts at one plate."""
_FEW = 400
"""Fittings that are searched for together; of more, whole plates of one kind are taken out first."""
_FINE = 1e-4
_EDGES = 32
"""How many edges of an outline, the longest first, are tried along the plate's side."""


class PlateError(ValueError):
    """Parts that no plate of the process can hold; ``parts`` are their indices, for a caller that goes on without."""

    def __init__(self, problem: str, parts: Sequence[int]):
        super().__init__(problem)
        self.parts = tuple(parts)


@dataclass(frozen=True, eq=False)
class Footprint:
    """A part seen from above, as drawn: its convex outline (n, 2) in mm, how high it is, and how many are wanted."""

    name: str
    outline: Floats
    height_mm: float
    count: int = 1
    around_mm: float = 0.0
    """How far support or a skirt reaches past the outline; the spacing is kept from there."""

    @classmethod
    def of(cls, name: str, mesh: Mesh, count: int = 1, around_mm: float = 0.0) -> Footprint:
        """Of a mesh in mm, standing the way it prints. Raises ``ValueError`` where that has no extent from above."""
        return cls(name, _hull(mesh.vertices[:, :2]), float(mesh.size[2]), count, around_mm)


@dataclass(frozen=True)
class Placement:
    """One copy of a part on a plate: turned counter-clockwise about its own z, then moved by x and y.

    Millimetres from the plate's front left corner, and degrees.
    """

    part: int
    """Its index in the list of parts."""
    plate: int
    x: float
    y: float
    turn_deg: float = 0.0

    def put(self, points: Floats) -> Floats:
        """Points (n, 2) of the part on the plate, in mm, as drawn."""
        return points @ _turn(self.turn_deg) + (self.x, self.y)


@dataclass(frozen=True)
class Plates:
    """Every copy of every part, each plate after the other."""

    placements: tuple[Placement, ...]
    count: int
    """How many plates."""

    def on(self, plate: int) -> tuple[Placement, ...]:
        return tuple(placement for placement in self.placements if placement.plate == plate)


@dataclass(frozen=True)
class _Turned:
    """A part in one of its turns: the rounded rectangle around it, and that one's middle from the part's origin."""

    shape: Shape
    turn_deg: float
    middle: tuple[float, float]


@dataclass(frozen=True, eq=False)
class _Kind:
    """Parts of one shape, whatever else they are."""

    shapes: tuple[Shape, ...]
    count: int

    @cached_property
    def area(self) -> float:
        return self.shapes[0].area


_Bed = list[tuple[int, Spot]]
"""What lies on one plate: kinds and their spots."""
_Order = list[tuple[int, int]]
"""Kinds in the order in which they are put down, and how many of each."""


def lay_out(footprints: Sequence[Footprint], process: Process) -> Plates:
    """Lays every copy of every part on as few of the process's plates as the search finds.

    Distances hold for what is printed, larger than drawn by the shrink. The same parts always lie the same way.
    Raises ``PlateError`` where a part is too large for the plate.
    """
    spacing = max(process.spacing_mm, LEAST_SPACING_MM)
    width, depth = (side - 2 * process.margin_mm for side in process.plate_mm[:2])
    kept = tuple(max(side - process.margin_mm, 0.0) for side in process.keep_out_mm)
    ground = Ground(width, depth, spacing, (kept[0], kept[1]))
    scale = shrink_scale(process.shrink_percent)
    turned = [_turns(footprint, scale) for footprint in footprints]
    _refuse_too_large(footprints, turned, ground, process, float(scale[2]))

    members: dict[tuple[Shape, ...], list[int]] = {}
    for index, footprint in enumerate(footprints):
        if footprint.count > 0:
            shapes = tuple(way.shape for way in turned[index])
            members.setdefault(shapes, []).extend([index] * footprint.count)
    kinds = [_Kind(shapes, len(parts)) for shapes, parts in members.items()]
    beds = [_centred(bed, kinds, ground) for bed in _fill(kinds, ground)]

    queues = [iter(parts) for parts in members.values()]
    placements = []
    for plate, bed in enumerate(beds):
        for kind, spot in bed:
            part = next(queues[kind])
            way = turned[part][spot.variant]
            x, y = spot.x + process.margin_mm - way.middle[0], spot.y + process.margin_mm - way.middle[1]
            placements.append(Placement(part, plate, x, y, way.turn_deg))
    placements.sort(key=lambda one: (one.plate, one.part))
    return Plates(tuple(placements), len(beds))


def _turns(footprint: Footprint, scale: Floats) -> list[_Turned]:
    """The part square to the plate, and a quarter turn on where that makes a difference."""
    square = _square_turn(footprint.outline)
    ways = [_turned(footprint, scale, square), _turned(footprint, scale, square + 90)]
    return ways[: 1 if ways[0].shape == ways[1].shape else 2]


def _turned(footprint: Footprint, scale: Floats, turn_deg: float) -> _Turned:
    points = footprint.outline @ _turn(turn_deg) * scale[:2]
    shape, middle = _around(points)
    radius = _up(shape.radius + footprint.around_mm)
    return _Turned(Shape(_up(shape.half_x), _up(shape.half_y), radius), turn_deg, middle)


def _around(points: Floats) -> tuple[Shape, tuple[float, float]]:
    """The smallest rounded rectangle, square to the axes, around points (n, 2), and its middle."""
    low, high = points.min(axis=0), points.max(axis=0)
    middle, half = (low + high) / 2, (high - low) / 2
    away = np.abs(points - middle)
    circle = Shape(0.0, 0.0, float(np.hypot(*away.T).max()))
    # A corner rounded by r reaches a point at s and t from the box's sides while r is at most s + t + sqrt(2 s t).
    sides = np.maximum(half - away, 0.0)
    radius = min(float((sides.sum(axis=1) + np.sqrt(2 * sides.prod(axis=1))).min()), float(half.min()))
    rounded = Shape(float(half[0]) - radius, float(half[1]) - radius, radius)
    return min(rounded, circle, key=lambda one: one.area), (float(middle[0]), float(middle[1]))


def _square_turn(outline: Floats) -> float:
    """The turn, in degrees, that makes the box around an outline smallest; none where it gains nothing."""
    edges = np.roll(outline, -1, axis=0) - outline
    edges = edges[np.argsort(-np.hypot(*edges.T), kind="stable")[:_EDGES]]
    angles = np.concatenate([[0.0], -np.arctan2(edges[:, 1], edges[:, 0]) % (np.pi / 2)])
    along = np.outer(np.cos(angles), outline[:, 0]) - np.outer(np.sin(angles), outline[:, 1])
    across = np.outer(np.sin(angles), outline[:, 0]) + np.outer(np.cos(angles), outline[:, 1])
    areas = np.ptp(along, axis=1) * np.ptp(across, axis=1)
    return float(np.degrees(angles[areas.argmin()])) if areas.min() < 0.98 * areas[0] else 0.0


def _refuse_too_large(
    footprints: Sequence[Footprint], turned: Sequence[Sequence[_Turned]], ground: Ground, process: Process, rise: float
) -> None:
    problems = {}
    for index, (footprint, ways) in enumerate(zip(footprints, turned, strict=True)):
        height, most = footprint.height_mm * rise, process.plate_mm[2]
        if height > most + _FINE:
            problems[index] = f"{footprint.name!r} is {say_mm(height)} high; there is room for {say_mm(most)}"
        elif not any(_fits(way.shape, ground) for way in ways):
            size = f"{say_mm(ways[0].shape.width)} × {say_mm(ways[0].shape.depth)}"
            room = f"{say_mm(max(ground.width, 0.0))} × {say_mm(max(ground.depth, 0.0))}"
            problems[index] = f"{footprint.name!r} takes {size}; the plate less its margin has {room}"
            if ground.blocked:
                problems[index] += ", and less its kept corner too little"
    if problems:
        raise PlateError("; ".join(problems.values()) + ". Choose a larger plate or leave it out.", list(problems))


def _fill(kinds: Sequence[_Kind], ground: Ground) -> list[_Bed]:
    """Plates full of one kind first, then the rest together."""
    seeds = {
        number: fullest(kind.shapes, ground)
        for number, kind in enumerate(kinds)
        if kind.count * kind.area > 0.5 * ground.width * ground.depth
    }
    # One more plateful of each kind stays with the rest, where others may go between them, while that is not too many.
    for kept in (1, 0):
        full = {number: max(kinds[number].count // len(spots) - kept, 0) for number, spots in seeds.items()}
        used = [full.get(number, 0) * len(seeds.get(number, ())) for number in range(len(kinds))]
        rest = [replace(kind, count=kind.count - taken) for kind, taken in zip(kinds, used, strict=True)]
        if sum(kind.count for kind in rest) <= _FEW:
            break
    beds = [[(number, spot) for spot in spots] for number, spots in seeds.items() for _ in range(full[number])]
    rows = _rows(rest, ground)
    search = _search(rest, ground, seeds)
    return beds + (search if search and len(search) <= len(rows) else rows)


def _search(kinds: Sequence[_Kind], ground: Ground, seeds: dict[int, list[Spot]]) -> list[_Bed] | None:
    """Plate by plate the fullest of several attempts; None where even one attempt at each is too much work."""
    beds: list[_Bed] = []
    effort = _EFFORT
    while any(kind.count for kind in kinds):
        waiting = [kind.count for kind in kinds if kind.count]
        cost = sum(waiting) + len(waiting) * (8 + sum(waiting) // 40)
        best: _Bed = []
        for attempt in _attempts(kinds, ground, _HARD_EFFORT // cost):
            if cost > effort:
                break
            effort -= cost
            bed = _attempt(kinds, ground, seeds, *attempt)
            best = max(best, bed, key=lambda one: sum(kinds[kind].area for kind, _ in one))
            if len(best) == sum(kind.count for kind in kinds):
                break
        if not best:
            return None
        beds.append(best)
        kinds = _less(kinds, best)
    return beds


def _attempts(kinds: Sequence[_Kind], ground: Ground, shuffles: int) -> Iterator[tuple[_Order, Rule]]:
    """Orders of the kinds, and rules where to put the next; shuffled ones last, where all might go on one plate."""
    rules: tuple[Rule, ...] = ("rows", "columns", "corner")
    orders = _orders(kinds)
    yield from ((order, rule) for rule in rules for order in orders)
    needed = sum(kind.count * kind.shapes[0].grown(ground.spacing / 2).area for kind in kinds)
    if needed <= (ground.width + ground.spacing) * (ground.depth + ground.spacing):
        rng = np.random.default_rng(0)
        for number in range(shuffles):
            yield _shuffled(orders[number % len(orders)], rng), rules[number % len(rules)]


def _orders(kinds: Sequence[_Kind]) -> list[_Order]:
    """The large ones first, by each measure of size."""
    numbers = [number for number, kind in enumerate(kinds) if kind.count]
    sizes = {number: sorted((kinds[number].shapes[0].width, kinds[number].shapes[0].depth)) for number in numbers}
    orders = (
        sorted(numbers, key=lambda number: -sizes[number][1]),
        sorted(numbers, key=lambda number: -kinds[number].area),
        sorted(numbers, key=lambda number: -sizes[number][0]),
        sorted(numbers, key=lambda number: -sum(sizes[number])),
    )
    return [[(number, kinds[number].count) for number in order] for order in orders]


def _shuffled(order: _Order, rng: np.random.Generator) -> _Order:
    """The order with single parts moved a few places from where they were."""
    singles = np.repeat([number for number, _ in order], [wanted for _, wanted in order])
    places = np.arange(len(singles)) + rng.normal(0, 0.15 * len(singles), len(singles))
    return [(number, len(list(run))) for number, run in groupby(singles[np.argsort(places)].tolist())]


def _attempt(kinds: Sequence[_Kind], ground: Ground, seeds: dict[int, list[Spot]], order: _Order, rule: Rule) -> _Bed:
    layout = Layout(ground)
    bed: _Bed = []
    free = ground.width * ground.depth
    for number, wanted in order:
        kind = kinds[number]
        seed = [] if bed else sorted(seeds.get(number, ()), key=lambda spot: (round(spot.y, 3), spot.x))[:wanted]
        spots = layout.put(kind.shapes, seed)
        if kind.area <= free:
            spots += layout.fill(kind.shapes, wanted - len(spots), rule)
        free -= kind.area * len(spots)
        bed += [(number, spot) for spot in spots]
    return bed


def _less(kinds: Sequence[_Kind], bed: _Bed) -> list[_Kind]:
    used = np.bincount([kind for kind, _ in bed], minlength=len(kinds))
    return [replace(kind, count=kind.count - int(taken)) for kind, taken in zip(kinds, used, strict=True)]


def _rows(kinds: Sequence[_Kind], ground: Ground) -> list[_Bed]:
    """Rows of falling depth, each shape in the first row with room for it: quick, for any number of kinds."""
    lying = [_lying(kind, ground) for kind in kinds]
    order = sorted(range(len(kinds)), key=lambda one: (-lying[one][1].depth, -lying[one][1].width))
    beds: list[_Bed] = []
    tops: list[float] = []
    rows = np.empty((0, 4))
    """Bed, front edge, depth, and how far the row is taken."""
    for number in chain.from_iterable([number] * kinds[number].count for number in order):
        variant, shape = lying[number]
        room = (rows[:, 2] >= shape.depth - _FINE) & (rows[:, 3] + shape.width <= ground.width + _FINE / 2)
        row = int(room.argmax()) if len(rows) else 0
        if not len(rows) or not room[row]:
            row = len(rows)
            rows = np.concatenate([rows, [_new_row(shape, ground, tops)]])
            if rows[row, 0] == len(beds):
                beds.append([])
        bed, front, _, taken = rows[row]
        beds[int(bed)].append((number, Spot(variant, taken + shape.width / 2, front + shape.depth / 2)))
        rows[row, 3] = taken + shape.width + ground.spacing
    return beds


def _lying(kind: _Kind, ground: Ground) -> tuple[int, Shape]:
    """The turn that takes least depth, of those that fit."""
    fitting = [(variant, shape) for variant, shape in enumerate(kind.shapes) if _fits(shape, ground)]
    return min(fitting, key=lambda one: one[1].depth)


def _fits(shape: Shape, ground: Ground) -> bool:
    """Whether the box around the shape fits beside the kept corner, or behind it."""
    width, depth = ground.width - shape.width + _FINE / 2, ground.depth - shape.depth + _FINE / 2
    if min(width, depth) < 0:
        return False
    return not ground.blocked or ground.keep_out[0] <= width or ground.keep_out[1] <= depth


def _new_row(shape: Shape, ground: Ground, tops: list[float]) -> tuple[int, float, float, float]:
    """A row on the first plate with room for it; ``tops`` is how far each plate is taken."""
    for bed in count():
        if bed == len(tops):
            tops.append(0.0)
        beside = ground.blocked and tops[bed] < ground.keep_out[1]
        if beside and ground.keep_out[0] + shape.width > ground.width:
            front, start = ground.keep_out[1], 0.0
        else:
            front, start = tops[bed], ground.keep_out[0] if beside else 0.0
        if front + shape.depth <= ground.depth + _FINE / 2:
            tops[bed] = front + shape.depth + ground.spacing
            return bed, front, shape.depth, start
    raise AssertionError("there is always one more plate")


def _centred(bed: _Bed, kinds: Sequence[_Kind], ground: Ground) -> _Bed:
    """All of it moved to the middle of the ground, unless that would run into the kept corner."""
    spots = [(kinds[kind].shapes[spot.variant], spot) for kind, spot in bed]
    x, y = (
        (length - max(at + side / 2 for at, side in sides) - min(at - side / 2 for at, side in sides)) / 2
        for length, sides in (
            (ground.width, [(spot.x, shape.width) for shape, spot in spots]),
            (ground.depth, [(spot.y, shape.depth) for shape, spot in spots]),
        )
    )
    moved = [(kind, Spot(spot.variant, spot.x + x, spot.y + y)) for kind, spot in bed]
    if ground.blocked:
        for number in {kind for kind, _ in moved}:
            mine = [spot for kind, spot in moved if kind == number]
            if len(Layout(ground).put(kinds[number].shapes, mine)) < len(mine):
                return bed
    return moved


def _turn(degrees: float) -> Floats:
    """(2, 2), for points in rows."""
    angle = math.radians(degrees)
    return np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])


def _hull(points: Floats) -> Floats:
    polygons = CrossSection.hull_points(points.tolist()).to_polygons()
    if not polygons:
        raise ValueError("a part without any extent, seen from above, has no place on a plate; build the fitting again")
    return np.asarray(polygons[0], float)


def _up(length: float) -> float:
    """Rounded up a little, so that parts that differ by less than that count as one shape."""
    return math.ceil(length / _FINE - 1e-6) * _FINE
