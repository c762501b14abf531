# SPDX-License-Identifier: GPL-3.0-or-later
"""The hips, valleys and ridges of a roof of slope one over any simple polygon.

The polygon's sides move inward at unit speed (its straight skeleton: Aichholzer, Aurenhammer, Alberts and Gärtner,
Journal of Universal Computer Science 1(12), 1995). Where a side has shrunk to nothing, or where an inward corner runs
into another side and parts the loop in two, a corner of the roof is made.
"""

from __future__ import annotations

import heapq

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Floats
from ..geometry.polygons import cross, signed_area

_SHAKES = (1e-7, 1e-7, 1e-7, 1e-6, 1e-6, 1e-6, 1e-5, 1e-5)
"""Sides are turned (in radians) and moved (in mm) at random by up to this, so that no two things happen at once; anew,
and at last harder, where rounding has put things out of order all the same."""
_COVERED = 1e-6
"""Share of the polygon by which its roof's faces may miss covering it."""


def hips(polygon: Floats) -> tuple[Floats, list[NDArray[np.intp]]]:
    """Corners (n, 3) of the roof over a counter-clockwise polygon, the polygon's own first, and each side's face as
    indices of corners, counter-clockwise seen from above. Raises ``ValueError`` if the polygon crosses itself."""
    area = signed_area(polygon)
    for seed, shake in enumerate(_SHAKES):
        front = _Wavefront(polygon, np.random.default_rng(seed), shake)
        if front.run():
            corners, faces = np.array(front.corners), [front.face(side) for side in range(len(polygon))]
            # Faces that lie side by side cover the polygon, no more and no less.
            areas = [signed_area(corners[face, :2]) for face in faces]
            if min(areas) > -_COVERED * area and abs(sum(areas) - area) < _COVERED * area:
                return corners, faces
    raise ValueError("the outline crosses itself; draw it without crossings")


class _Wavefront:
    """Pieces of sides, linked into loops. A piece's end is its first one, where the piece before it stops.

    Everything that is indexed by piece is a list of plain numbers, which are quicker than arrays one at a time.
    """

    def __init__(self, polygon: Floats, random: np.random.Generator, shake: float) -> None:
        self.late = shake
        """How far rounding may put things out of their order, in mm."""
        count = len(polygon)
        along = np.roll(polygon, -1, axis=0) - polygon
        turn = np.arctan2(along[:, 1], along[:, 0]) + random.uniform(-shake, shake, count)
        self.inward = np.column_stack([-np.sin(turn), np.cos(turn)])
        self.offset = np.einsum("ij,ij->i", self.inward, polygon + along / 2) + random.uniform(-shake, shake, count)
        self.normals = self.inward.tolist()
        self.offsets = self.offset.tolist()

        self.corners: list[tuple[float, float, float]] = [(x, y, 0.0) for x, y in polygon.tolist()]
        self.next_corner: list[dict[int, int]] = [{side: (side + 1) % count} for side in range(count)]

        self.side = list(range(count))
        self.before = [(piece - 1) % count for piece in range(count)]
        self.after = [(piece + 1) % count for piece in range(count)]
        self.born = list(range(count))
        self.alive = [True] * count
        self.pieces_of = [[piece] for piece in range(count)]
        self.place = [(0.0, 0.0)] * count
        """Where the piece's end would be at time 0."""
        self.speed = [(0.0, 0.0)] * count
        self.coming: list[tuple[float, int, int, int, int]] = []
        """What is to come: (time, piece, corner that its end was born at, the same of its far end, -1) where it shrinks
        to nothing; (time, piece, corner, -1, number of the hit) where its end runs into a side."""
        self.hits: dict[int, tuple[list[float], list[int]]] = {}
        """By piece whose end is an inward corner: when it runs into which sides, soonest first."""

    def run(self) -> bool:
        """Moves everything inward until nothing is left; False if that does not come about."""
        pieces = range(len(self.side))
        for piece in pieces:
            self._aim(piece)
        for piece in pieces:
            self._watch(piece, 0.0)
            self._look_ahead(piece, 0.0)
        most_corners = 4 * len(self.side)  # no roof has so many
        while self.coming and len(self.corners) < most_corners:
            time, piece, born, far_born, hit = heapq.heappop(self.coming)
            if not self.alive[piece] or self.born[piece] != born:
                continue
            if hit < 0:
                if self.born[self.after[piece]] == far_born:
                    self._shrink(piece, time)
            elif (target := self._target(piece, time, self.hits[piece][1][hit])) is not None:
                self._part(piece, target, time)
            else:
                self._await_hit(piece, hit + 1)
        return not any(self.alive)

    def face(self, side: int) -> NDArray[np.intp]:
        face = [side]
        while (corner := self.next_corner[side][face[-1]]) != side:
            face.append(corner)
        return np.array(face)

    def _aim(self, piece: int) -> None:
        """Works out where the piece's end is and goes."""
        a, b = self.side[self.before[piece]], self.side[piece]
        (ax, ay), (bx, by) = self.normals[a], self.normals[b]
        ao, bo = self.offsets[a], self.offsets[b]
        turn = ax * by - ay * bx
        self.place[piece] = ((ao * by - bo * ay) / turn, (bo * ax - ao * bx) / turn)
        self.speed[piece] = ((by - ay) / turn, (ax - bx) / turn)

    def _at(self, piece: int, time: float) -> tuple[float, float]:
        (x, y), (vx, vy) = self.place[piece], self.speed[piece]
        return x + vx * time, y + vy * time

    def _watch(self, piece: int, now: float) -> None:
        """Notes when the piece shrinks to nothing."""
        after = self.after[piece]
        nx, ny = self.normals[self.side[piece]]
        (x, y), (vx, vy) = self.place[piece], self.speed[piece]
        (x2, y2), (vx2, vy2) = self.place[after], self.speed[after]
        growth = (vx2 - vx) * ny - (vy2 - vy) * nx
        length = (x2 - x) * ny - (y2 - y) * nx + growth * now
        if length < -self.late:
            wait = 0.0  # rounding has turned it round already
        elif growth < 0:
            wait = max(length, 0.0) / -growth
        else:
            return
        heapq.heappush(self.coming, (now + wait, piece, self.born[piece], self.born[after], -1))

    def _look_ahead(self, piece: int, now: float) -> None:
        """Notes which sides the piece's end could run into, if it is an inward corner."""
        here, before = self.side[piece], self.side[self.before[piece]]
        if cross(self.inward[before], self.inward[here]) >= 0:
            return
        gap = self.inward @ self.place[piece] - self.offset
        closing = self.inward @ self.speed[piece] - 1
        nearing = closing < 0
        nearing[[here, before]] = False
        sides = np.flatnonzero(nearing)
        times = -gap[sides] / closing[sides]
        order = np.argsort(times)
        order = order[times[order] > now - self.late]
        self.hits[piece] = times[order].tolist(), sides[order].tolist()
        self._await_hit(piece, 0)

    def _await_hit(self, piece: int, hit: int) -> None:
        times = self.hits[piece][0]
        if hit < len(times):
            heapq.heappush(self.coming, (times[hit], piece, self.born[piece], -1, hit))

    def _target(self, piece: int, time: float, side: int) -> int | None:
        """The piece of a side that the end of ``piece`` runs into, if there is one where it comes."""
        nx, ny = self.normals[side]
        x, y = self._at(piece, time)
        # Where a side next to the corner's own is met, that side's neighbour has shrunk to nothing: not a parting.
        spared = (self.after[piece], self.before[self.before[piece]])
        for target in self.pieces_of[side]:
            if self.alive[target] and target not in spared:
                (x1, y1), (x2, y2) = self._at(target, time), self._at(self.after[target], time)
                if (x - x1) * ny - (y - y1) * nx >= 0 and (x2 - x) * ny - (y2 - y) * nx >= 0:
                    return target
        return None

    def _shrink(self, piece: int, time: float) -> None:
        before, after = self.before[piece], self.after[piece]
        here = self._corner(*self._at(piece, time), time)
        self._hip(piece, here)
        self._hip(after, here)
        self.alive[piece] = False
        if self.after[after] == before:  # a triangle shrinks to nothing as a whole
            self._hip(before, here)
            self.alive[before] = self.alive[after] = False
            return
        self._link(before, after, here, time)

    def _part(self, piece: int, target: int, time: float) -> None:
        here = self._corner(*self._at(piece, time), time)
        self._hip(piece, here)
        rest = self._split(target)
        before = self.before[piece]
        for first, second in ((target, piece), (before, rest)):
            self._link(first, second, here, time)

    def _split(self, piece: int) -> int:
        """A second piece of the same side, which takes over the first one's far end."""
        rest = len(self.side)
        self.side.append(self.side[piece])
        self.pieces_of[self.side[piece]].append(rest)
        for numbers in (self.before, self.after, self.born):
            numbers.append(numbers[piece])
        self.alive.append(True)
        self.place.append(self.place[piece])
        self.speed.append(self.speed[piece])
        self.before[self.after[rest]] = rest
        return rest

    def _link(self, before: int, after: int, born: int, now: float) -> None:
        """Makes two pieces neighbours, their common end new-born at a corner."""
        self.after[before], self.before[after], self.born[after] = after, before, born
        self._aim(after)
        for piece in (before, after):
            self._watch(piece, now)
        self._look_ahead(after, now)

    def _corner(self, x: float, y: float, height: float) -> int:
        self.corners.append((x, y, height))
        return len(self.corners) - 1

    def _hip(self, piece: int, here: int) -> None:
        """The piece's end has come to a corner: the line it drew bounds this side's face and the one before."""
        self.next_corner[self.side[self.before[piece]]][self.born[piece]] = here
        self.next_corner[self.side[piece]][here] = self.born[piece]
