# SPDX-License-Identifier: GPL-3.0-or-later
"""The hips, valleys and ridges of a roof of slope one over any simple polygon.

The polygon's sides move inward at unit speed (its straight skeleton: Aichholzer, Aurenhammer, Alberts and Gärtner,
Journal of Universal Computer Science 1(12), 1995). Where a side has shrunk to nothing, or where an inward corner runs
into another side and parts the loop in two, a corner of the roof is made.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Floats
from ..geometry.polygons import cross

_SHAKE = 1e-6
"""Sides are turned (in radians) and moved (in mm) at random by up to this, so that no two things happen at once."""


def hips(polygon: Floats) -> tuple[Floats, list[NDArray[np.intp]]]:
    """Corners (n, 3) of the roof over a counter-clockwise polygon, the polygon's own first, and each side's face as
    indices of corners, counter-clockwise seen from above."""
    return _Wavefront(polygon).run()


@dataclass(frozen=True)
class _Loop:
    """Sides in order, and for each the roof corner that its first end last left."""

    sides: tuple[int, ...]
    born: tuple[int, ...]


class _Wavefront:
    def __init__(self, polygon: Floats) -> None:
        count = len(polygon)
        along = np.roll(polygon, -1, axis=0) - polygon
        random = np.random.default_rng(0)
        turn = np.arctan2(along[:, 1], along[:, 0]) + random.uniform(-_SHAKE, _SHAKE, count)
        self.along = np.column_stack([np.cos(turn), np.sin(turn)])
        self.inward = np.column_stack([-self.along[:, 1], self.along[:, 0]])
        middles = polygon + along / 2
        self.offset = np.einsum("ij,ij->i", self.inward, middles) + random.uniform(-_SHAKE, _SHAKE, count)
        self.corners: list[Floats] = [np.append(corner, 0.0) for corner in polygon]
        self.next_corner: list[dict[int, int]] = [{side: (side + 1) % count} for side in range(count)]

    def run(self) -> tuple[Floats, list[NDArray[np.intp]]]:
        count = len(self.offset)
        loops = [(_Loop(tuple(range(count)), tuple(range(count))), -_SHAKE)]
        while loops:
            loop, time = loops.pop()
            loops += self._step(loop, time)
        return np.array(self.corners), [self._face(side) for side in range(count)]

    def _step(self, loop: _Loop, time: float) -> list[tuple[_Loop, float]]:
        """The loops that are left after the next thing that happens to this one."""
        sides = np.array(loop.sides)
        starts, speeds = self._ends(sides)
        ends, end_speeds = np.roll(starts, -1, axis=0), np.roll(speeds, -1, axis=0)
        along = self.along[sides]

        lengths = np.einsum("ij,ij->i", ends - starts, along)
        growth = np.einsum("ij,ij->i", end_speeds - speeds, along)
        with np.errstate(divide="ignore", invalid="ignore"):
            vanish = np.where(growth < 0, -lengths / growth, np.inf)
        # A side that has just been made at a corner may have no length yet, and grows.
        vanish[vanish < time - 1e-6] = np.inf
        shrunk = int(vanish.argmin())

        part = self._parting(sides, starts, speeds, time) if len(sides) > 3 else None
        if part is not None and part[0] < vanish[shrunk]:
            return self._part(loop, *part)
        if not np.isfinite(vanish[shrunk]):
            raise ValueError("the outline crosses itself; draw it without crossings")
        when = float(vanish[shrunk])
        place = starts[shrunk] + speeds[shrunk] * when
        return self._shrink(loop, shrunk, when, place)

    def _ends(self, sides: NDArray[np.intp]) -> tuple[Floats, Floats]:
        """Where the first end of every side would be at time 0, and its velocity."""
        before = np.roll(sides, 1)
        a, b = self.inward[before], self.inward[sides]
        turn = cross(a, b)

        def meet(first: Floats, second: Floats) -> Floats:
            x = first * b[:, 1] - second * a[:, 1]
            y = second * a[:, 0] - first * b[:, 0]
            return np.column_stack([x, y]) / turn[:, None]

        one = np.ones(len(sides))
        return meet(self.offset[before], self.offset[sides]), meet(one, one)

    def _parting(
        self, sides: NDArray[np.intp], starts: Floats, speeds: Floats, time: float
    ) -> tuple[float, int, int, Floats] | None:
        """The earliest (time, inward corner, side, place) where an inward corner runs into a side."""
        count = len(sides)
        before = np.roll(self.along[sides], 1, axis=0)
        along, inward = self.along[sides], self.inward[sides]
        corners = np.flatnonzero(cross(before, along) < 0)
        if not len(corners):
            return None
        gap = starts[corners] @ inward.T - self.offset[sides]
        closing = speeds[corners] @ inward.T - 1
        with np.errstate(divide="ignore", invalid="ignore"):
            when = np.where(closing < 0, -gap / closing, np.inf)
        steps = (np.arange(count) - corners[:, None]) % count
        when[(steps <= 1) | (steps >= count - 2) | (when < time - 1e-6)] = np.inf
        corner, side = np.nonzero(np.isfinite(when))
        when = when[corner, side]
        place = starts[corners[corner]] + speeds[corners[corner]] * when[:, None]
        following = (side + 1) % count
        from_first = place - starts[side] - speeds[side] * when[:, None]
        to_last = starts[following] + speeds[following] * when[:, None] - place
        hit = (
            np.minimum(np.einsum("ij,ij->i", from_first, along[side]), np.einsum("ij,ij->i", to_last, along[side])) >= 0
        )
        if not hit.any():
            return None
        earliest = int(np.where(hit, when, np.inf).argmin())
        return float(when[earliest]), int(corners[corner[earliest]]), int(side[earliest]), place[earliest]

    def _shrink(self, loop: _Loop, gone: int, when: float, place: Floats) -> list[tuple[_Loop, float]]:
        count = len(loop.sides)
        here = self._corner(place, when)
        dying = range(count) if count == 3 else (gone, (gone + 1) % count)
        for end in dying:
            self._hip(loop, end, here)
        if count == 3:
            return []
        order = [(gone + step) % count for step in range(1, count)]
        born = [here] + [loop.born[index] for index in order[1:]]
        return [(_Loop(tuple(loop.sides[index] for index in order), tuple(born)), when)]

    def _part(self, loop: _Loop, when: float, corner: int, side: int, place: Floats) -> list[tuple[_Loop, float]]:
        count = len(loop.sides)
        here = self._corner(place, when)
        self._hip(loop, corner, here)
        ahead = [(corner + step) % count for step in range((side - corner) % count + 1)]
        behind = [(side + step) % count for step in range((corner - side) % count)]
        parts = []
        for order in (ahead, behind):
            born = [here] + [loop.born[index] for index in order[1:]]
            parts.append((_Loop(tuple(loop.sides[index] for index in order), tuple(born)), when))
        return parts

    def _corner(self, place: Floats, height: float) -> int:
        self.corners.append(np.append(place, height))
        return len(self.corners) - 1

    def _hip(self, loop: _Loop, end: int, here: int) -> None:
        """The first end of a side has come to a corner: the line it drew bounds this side's face and the one before."""
        self.next_corner[loop.sides[end - 1]][loop.born[end]] = here
        self.next_corner[loop.sides[end]][here] = loop.born[end]

    def _face(self, side: int) -> NDArray[np.intp]:
        face = [side]
        while (corner := self.next_corner[side][face[-1]]) != side:
            face.append(corner)
        return np.array(face)
