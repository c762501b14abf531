# SPDX-License-Identifier: GPL-3.0-or-later
"""Filling plates with shapes of several kinds: a search over orders and rules, and plain rows for very long lists."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import chain, count, groupby

import numpy as np

from .packing import Ground, Layout, RoundedBox, Rule, Spot
from .regular import fullest

_EFFORT = 5000
"""Fittings that the search may put down in all its attempts: some seconds. Beyond it only rows are laid."""
_HARD_EFFORT = 1500
"""The same for the shuffled attempts at one plate."""
_FEW = 400
"""Fittings that are searched for together; of more, whole plates of one kind are taken out first."""
_SLACK = 1e-9


@dataclass(frozen=True, eq=False)
class Lot:
    """Parts of one shape, whatever else they are."""

    shapes: tuple[RoundedBox, ...]
    count: int

    @cached_property
    def area(self) -> float:
        return self.shapes[0].area


Bed = list[tuple[int, Spot]]
"""What lies on one plate: kinds and their spots."""
_Order = list[tuple[int, int]]
"""Kinds in the order in which they are put down, and how many of each."""


def fill_plates(kinds: Sequence[Lot], ground: Ground) -> list[Bed]:
    """Plates full of one kind first, then the rest together."""
    seeds = {
        number: fullest(kind.shapes, ground)
        for number, kind in enumerate(kinds)
        if kind.count * kind.area > 0.5 * ground.width * ground.depth
    }
    # One more plateful of each kind stays with the rest, where others may go between them, while that is not too many.
    for left_over in (1, 0):
        full = {number: max(kinds[number].count // len(spots) - left_over, 0) for number, spots in seeds.items()}
        used = [full.get(number, 0) * len(seeds.get(number, ())) for number in range(len(kinds))]
        rest = [replace(kind, count=kind.count - taken) for kind, taken in zip(kinds, used, strict=True)]
        if sum(kind.count for kind in rest) <= _FEW:
            break
    beds = [[(number, spot) for spot in spots] for number, spots in seeds.items() for _ in range(full[number])]
    rows = _rows(rest, ground)
    search = _search(rest, ground, seeds)
    return beds + (search if search and len(search) <= len(rows) else rows)


def _search(kinds: Sequence[Lot], ground: Ground, seeds: dict[int, list[Spot]]) -> list[Bed] | None:
    """Plate by plate the fullest of several attempts; None if even one attempt at each is too much work.

    If the first attempts come to as few plates as the area allows, no others are made.
    """
    first = _first_attempts(kinds, ground, seeds)
    if sum(map(len, first)) == sum(kind.count for kind in kinds):
        return first
    beds: list[Bed] = []
    effort = _EFFORT
    while any(kind.count for kind in kinds):
        cost = _cost(kinds, seeds)
        best: Bed = []
        for number, attempt in enumerate(_attempts(kinds, ground, _HARD_EFFORT // cost)):
            if cost > effort:
                break
            effort -= cost
            known = first[0] if first and not beds and not number else None
            bed = known or _attempt(kinds, ground, seeds, *attempt)
            best = max(best, bed, key=lambda candidate: sum(kinds[kind].area for kind, _ in candidate))
            if len(best) == sum(kind.count for kind in kinds):
                break
        if not best:
            return None
        beds.append(best)
        kinds = _less(kinds, best)
    return beds


def _first_attempts(kinds: Sequence[Lot], ground: Ground, seeds: dict[int, list[Spot]]) -> list[Bed]:
    """A single attempt at each plate, as far as that takes no more plates than their area might."""
    beds: list[Bed] = []
    least, effort = _least_plates(kinds, ground), _EFFORT
    while any(kind.count for kind in kinds):
        effort -= _cost(kinds, seeds)
        if effort < 0 or len(beds) == least:
            break
        beds.append(_attempt(kinds, ground, seeds, *next(_attempts(kinds, ground, 0))))
        if not beds[-1]:
            break
        kinds = _less(kinds, beds[-1])
    return beds


def _least_plates(kinds: Sequence[Lot], ground: Ground) -> int:
    """Fewer plates cannot hold them: a strip of half the spacing around each is its own."""
    needed = sum(kind.count * kind.shapes[0].grown(ground.spacing / 2).area for kind in kinds)
    return math.ceil(needed / ((ground.width + ground.spacing) * (ground.depth + ground.spacing)) - _SLACK)


def _cost(kinds: Sequence[Lot], seeds: dict[int, list[Spot]]) -> int:
    """Of one attempt. A seed costs nothing, and a new kind as much as some more of the same."""
    waiting = [kind.count for kind in kinds if kind.count]
    given = max((min(kinds[number].count, len(spots)) for number, spots in seeds.items()), default=0)
    return 1 + sum(waiting) - given + (len(waiting) - 1) * (8 + sum(waiting) // 40)


def _attempts(kinds: Sequence[Lot], ground: Ground, shuffles: int) -> Iterator[tuple[_Order, Rule]]:
    """Orders of the kinds, and rules where to put the next; shuffled ones last, where all might go on one plate."""
    rules: tuple[Rule, ...] = ("rows", "columns", "corner")
    orders = _orders(kinds)
    different = [order for place, order in enumerate(orders) if order not in orders[:place]]
    yield from ((order, rule) for rule in rules for order in different)
    if _least_plates(kinds, ground) == 1:
        rng = np.random.default_rng(0)
        for number in range(shuffles):
            yield _shuffled(orders[number % len(orders)], rng), rules[number % len(rules)]


def _orders(kinds: Sequence[Lot]) -> list[_Order]:
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


def _attempt(kinds: Sequence[Lot], ground: Ground, seeds: dict[int, list[Spot]], order: _Order, rule: Rule) -> Bed:
    layout = Layout(ground)
    bed: Bed = []
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


def _less(kinds: Sequence[Lot], bed: Bed) -> list[Lot]:
    used = np.bincount([kind for kind, _ in bed], minlength=len(kinds))
    return [replace(kind, count=kind.count - int(taken)) for kind, taken in zip(kinds, used, strict=True)]


def _rows(kinds: Sequence[Lot], ground: Ground) -> list[Bed]:
    """Rows of falling depth, each shape in the first row with room for it: quick, for any number of kinds."""
    lying = [_lying(kind, ground) for kind in kinds]
    order = sorted(range(len(kinds)), key=lambda index: (-lying[index][1].depth, -lying[index][1].width))
    beds: list[Bed] = []
    tops: list[float] = []
    rows = np.empty((0, 4))
    """Bed, front edge, depth, and how far the row is taken."""
    for number in chain.from_iterable([number] * kinds[number].count for number in order):
        variant, shape = lying[number]
        room = (rows[:, 2] >= shape.depth - _SLACK) & (rows[:, 3] + shape.width <= ground.width + _SLACK)
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


def _lying(kind: Lot, ground: Ground) -> tuple[int, RoundedBox]:
    """The turn that takes least depth, of those that fit."""
    fitting = [(variant, shape) for variant, shape in enumerate(kind.shapes) if fits(shape, ground)]
    return min(fitting, key=lambda way: way[1].depth)


def fits(shape: RoundedBox, ground: Ground) -> bool:
    """Whether the box around the shape fits beside the kept corner, or behind it."""
    width, depth = ground.width - shape.width + _SLACK, ground.depth - shape.depth + _SLACK
    if min(width, depth) < 0:
        return False
    return not ground.blocked or ground.keep_out[0] <= width or ground.keep_out[1] <= depth


def _new_row(shape: RoundedBox, ground: Ground, tops: list[float]) -> tuple[int, float, float, float]:
    """A row on the first plate with room for it; ``tops`` is how far each plate is taken."""
    for bed in count():
        if bed == len(tops):
            tops.append(0.0)
        beside = ground.blocked and tops[bed] < ground.keep_out[1]
        if beside and ground.keep_out[0] + shape.width > ground.width:
            front, start = ground.keep_out[1], 0.0
        else:
            front, start = tops[bed], ground.keep_out[0] if beside else 0.0
        if front + shape.depth <= ground.depth + _SLACK:
            tops[bed] = front + shape.depth + ground.spacing
            return bed, front, shape.depth, start
    raise AssertionError("there is always one more plate")


def centred(bed: Bed, kinds: Sequence[Lot], ground: Ground) -> Bed:
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
