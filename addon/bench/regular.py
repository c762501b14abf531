# SPDX-License-Identifier: GPL-3.0-or-later
"""Regular arrangements of one shape: straight rows, rows shifted by half a step, and blocks of both ways to turn it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache

from .packing import Ground, Layout, RoundedBox, Spot

_MOST_BLOCKS = 40
"""Along one side: with more, blocks of both turns gain little over straight rows and take long to find."""
_TRIED = 3
"""How many of the fullest arrangements are filled up where something still fits."""
_MANY = 400
"""An arrangement of more than this is not filled up: it takes long and gains a percent at most."""
_ANY = 10**9


@dataclass(frozen=True)
class _Rows:
    """Rows of ``step`` along x; the second kind of row starts half a step further in and has ``odd`` shapes."""

    even: int
    odd: int
    step: float
    heights: tuple[float, ...]
    kinds: tuple[int, ...]

    @property
    def count(self) -> int:
        return sum((self.even, self.odd)[kind] for kind in self.kinds)


def fullest(shapes: Sequence[RoundedBox], ground: Ground) -> list[Spot]:
    """The spots of as many of one shape, in any of its turns, as a regular arrangement and a search in what it leaves
    free put on the ground."""
    begun: list[tuple[list[Spot], Layout]] = []
    for spots in _arrangements(shapes, ground):
        for mirrored in _mirrored(spots, ground) if ground.blocked else (spots,):
            layout = Layout(ground)
            begun.append((layout.put(shapes, mirrored), layout))
    begun.sort(key=lambda rows: len(rows[0]), reverse=True)
    if len(begun[0][0]) > _MANY:
        return begun[0][0]
    return max((spots + layout.fill(shapes, _ANY, "rows") for spots, layout in begun[:_TRIED]), key=len)


def _arrangements(shapes: Sequence[RoundedBox], ground: Ground) -> Iterator[list[Spot]]:
    for variant, shape in enumerate(shapes):
        yield [Spot(variant, x, y) for x, y in _best_rows(shape, ground)]
        turned = RoundedBox(shape.half_y, shape.half_x, shape.radius)
        yield [Spot(variant, x, y) for y, x in _best_rows(turned, Ground(ground.depth, ground.width, ground.spacing))]
    yield _blocks(shapes, ground)


def _best_rows(shape: RoundedBox, ground: Ground) -> list[tuple[float, float]]:
    """The fullest straight or shifted rows along x."""
    spread = ground.width - shape.width, ground.depth - shape.depth
    if min(spread) < -1e-9:
        return []
    rows = max(_rows(shape, ground.spacing, max(spread[0], 0.0), max(spread[1], 0.0)), key=lambda tried: tried.count)
    left, front = shape.width / 2, shape.depth / 2
    return [
        (left + (number + kind / 2) * rows.step, front + height)
        for height, kind in zip(rows.heights, rows.kinds, strict=True)
        for number in range((rows.even, rows.odd)[kind])
    ]


def _rows(shape: RoundedBox, spacing: float, width: float, depth: float) -> Iterator[_Rows]:
    """Rows whose middles lie within width and depth: straight ones, and shifted ones of any step that may pay."""
    apart = 2 * shape.radius + spacing
    least, straight = 2 * shape.half_x + apart, 2 * shape.half_y + apart
    most = _fit(width, least)
    count = _fit(depth, straight)
    yield _Rows(most, 0, least, tuple(number * straight for number in range(count)), (0,) * count)
    for even in range(1, most + 1):
        for odd, step in ((even, width / (even - 0.5)), (even - 1, width / (even - 1) if even > 1 else 0.0)):
            if step < least - 1e-9:
                continue
            beside = max(step / 2 - 2 * shape.half_x, 0.0)
            rise = 2 * shape.half_y + math.sqrt(max(apart**2 - beside**2, 0.0))
            # Two rows on, shapes stand one behind the other again.
            rise = max(rise, straight / 2)
            yield from _shifted(even, odd, step, rise, straight, depth)


def _shifted(even: int, odd: int, step: float, rise: float, straight: float, depth: float) -> Iterator[_Rows]:
    """Shifted rows, and some with straight steps among them: these cost depth, but spare a shorter row."""
    for repeats in range(_fit(depth, straight)):
        kinds, heights = [0], [0.0]
        left = repeats
        while True:
            repeat = kinds[-1] == 0 and left > 0
            height = heights[-1] + (straight if repeat else rise)
            if height > depth + 1e-9:
                break
            left -= repeat
            kinds.append(0 if repeat else 1 - kinds[-1])
            heights.append(height)
        yield _Rows(even, odd, step, tuple(heights), tuple(kinds))
        if even == odd:
            return


def _blocks(shapes: Sequence[RoundedBox], ground: Ground) -> list[Spot]:
    """Columns and rows of boxes in either turn, cut off one after the other: the fullest of all such cuts."""
    sides = [(shape.width + ground.spacing, shape.depth + ground.spacing) for shape in shapes]
    width, depth = ground.width + ground.spacing, ground.depth + ground.spacing
    if max(width, depth) / min(map(min, sides)) > _MOST_BLOCKS:
        return []

    @cache
    def cut(width: float, depth: float) -> tuple[int, int, bool]:
        """How many fit, and the turn and direction of the first strip."""
        best = (0, -1, False)
        for variant, (along, across) in enumerate(sides):
            columns, rows = _whole(width, along), _whole(depth, across)
            if columns and rows:
                best = max(best, (rows + cut(round(width - along, 6), depth)[0], variant, True))
                best = max(best, (columns + cut(width, round(depth - across, 6))[0], variant, False))
        return best

    spots: list[Spot] = []
    x = y = 0.0
    while True:
        count, variant, upright = cut(round(width - x, 6), round(depth - y, 6))
        if not count:
            return spots
        along, across = sides[variant]
        middle = x + shapes[variant].width / 2, y + shapes[variant].depth / 2
        if upright:
            rows = _whole(round(depth - y, 6), across)
            spots += [Spot(variant, middle[0], middle[1] + number * across) for number in range(rows)]
            x += along
        else:
            columns = _whole(round(width - x, 6), along)
            spots += [Spot(variant, middle[0] + number * along, middle[1]) for number in range(columns)]
            y += across


def _mirrored(spots: Sequence[Spot], ground: Ground) -> Iterator[list[Spot]]:
    """The same arrangement from each corner of the ground."""
    for right in (False, True):
        for back in (False, True):
            yield [
                Spot(
                    spot.variant, ground.width - spot.x if right else spot.x, ground.depth - spot.y if back else spot.y
                )
                for spot in spots
            ]


def _fit(spread: float, step: float) -> int:
    return int((spread + 1e-9) / step) + 1


def _whole(length: float, side: float) -> int:
    return int((length + 1e-6) / side)
