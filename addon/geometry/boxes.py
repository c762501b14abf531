# SPDX-License-Identifier: GPL-3.0-or-later
"""Which of many boxes come near each other, or near turned boxes, without trying every pair."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .frames import Floats, taken
from .topology import Indices

_NOTHING = 1e300
"""Least coordinate of a box that holds nothing, and, negative, its greatest: finite, so that sums of them are too."""
_LEVELS_AT_ONCE = 3
"""How far the tree is gone down before boxes are tried again: eight to one is quickest with arrays."""


@dataclass(frozen=True, eq=False)
class BoxTree:
    """Levels of boxes, leaves first; each box above holds two neighbours below. The leaves are filled up to a power of
    two with boxes that hold nothing."""

    order: Indices
    lows: tuple[Floats, ...]
    highs: tuple[Floats, ...]

    @classmethod
    def of(cls, low: Floats, high: Floats) -> BoxTree:
        """The tree over boxes with least and greatest coordinates ``low`` and ``high`` (n, 3)."""
        order = curve_order((low + high) / 2)
        size = 1 << max(len(order) - 1, 0).bit_length()
        lows, highs = [np.full((3, size), _NOTHING).T], [np.full((3, size), -_NOTHING).T]
        lows[0][: len(order)], highs[0][: len(order)] = low[order], high[order]
        while len(lows[-1]) > 1:
            lows.append(np.minimum(lows[-1][::2], lows[-1][1::2]))
            highs.append(np.maximum(highs[-1][::2], highs[-1][1::2]))
        return cls(order, tuple(lows), tuple(highs))

    def near(self, origins: Floats, axes: Floats, low: Floats, high: Floats) -> tuple[Indices, Indices]:
        """Pairs of turned box and box that may overlap: indices of the one and of the other.

        The k turned boxes lie from ``low`` to ``high`` (k, 3) along ``axes`` (k, 3, 3) about ``origins`` (k, 3).
        """
        middle, half, spread_axes = (low + high) / 2, (high - low) / 2, np.abs(axes)
        centre = origins + np.einsum("ki,kij->kj", middle, axes)
        reach = np.einsum("ki,kij->kj", half, spread_axes)
        reach += 1e-9 * (np.abs(centre) + reach)  # for what rounding leaves out
        least, most = np.ascontiguousarray((centre - reach).T), np.ascontiguousarray((centre + reach).T)
        query, node, level = np.arange(len(origins)), np.zeros(len(origins), np.int64), len(self.lows) - 1
        while True:
            # The upright boxes around them first: that is quicker, and most pairs are done with.
            for axis in range(3):
                meet = self.lows[level][:, axis].take(node) <= most[axis].take(query)
                meet &= self.highs[level][:, axis].take(node) >= least[axis].take(query)
                some = np.flatnonzero(meet)
                query, node = query.take(some), node.take(some)
            lows, highs = taken(self.lows[level], node), taken(self.highs[level], node)
            arm = (lows + highs) / 2 - taken(origins, query)
            off = np.einsum("kij,kj->ki", taken(axes, query), arm) - taken(middle, query)
            spread = np.einsum("kij,kj->ki", taken(spread_axes, query), (highs - lows) / 2)
            inside = np.abs(off) <= spread + taken(half, query)
            near = np.flatnonzero(inside[:, 0] & inside[:, 1] & inside[:, 2])
            query, node = query.take(near), node.take(near)
            if level == 0:
                return query, self.order[node]
            down = min(_LEVELS_AT_ONCE, level)
            level -= down
            query = np.repeat(query, 1 << down)
            node = ((node << down)[:, None] + np.arange(1 << down)).ravel()

    def overlapping(self, most: int) -> tuple[Indices, Indices] | None:
        """Pairs of its boxes that overlap, each once; None where there may be more than ``most``."""
        a = b = np.zeros(1, np.int64)
        for lows, highs in zip(self.lows[-2::-1], self.highs[-2::-1], strict=True):
            same = a == b
            child_a, child_b = 2 * a, 2 * b
            a = np.concatenate([child_a, child_a, child_a + 1, (child_a + 1)[~same]])
            b = np.concatenate([child_b, child_b + 1, child_b + 1, child_b[~same]])
            keep = np.ones(len(a), bool)
            for axis in range(3):
                a, b = a[keep], b[keep]
                keep = (lows[a, axis] <= highs[b, axis]) & (lows[b, axis] <= highs[a, axis])
            a, b = a[keep], b[keep]
            if len(a) > most:
                return None
        unlike = a != b
        return self.order[a[unlike]], self.order[b[unlike]]


def curve_order(points: Floats) -> Indices:
    """(n,): points (n, 3) in the order of a curve that fills space, so that neighbours are near (Morton 1966)."""
    if not len(points):
        return np.empty(0, np.int64)
    low, span = points.min(axis=0), np.maximum(np.ptp(points, axis=0), 1e-300)
    cells = np.minimum((points - low) / span * 1024, 1023).astype(np.int64)
    for shift, mask in ((16, 0x030000FF), (8, 0x0300F00F), (4, 0x030C30C3), (2, 0x09249249)):
        cells = (cells | cells << shift) & mask
    return np.argsort(cells[:, 0] | cells[:, 1] << 1 | cells[:, 2] << 2, kind="stable")
