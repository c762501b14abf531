# SPDX-License-Identifier: GPL-3.0-or-later
"""Which of many boxes come near each other, or near turned boxes, without trying every pair."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .frames import Floats
from .topology import Indices

_BRANCHES = 8


@dataclass(frozen=True, eq=False)
class BoxTree:
    """Levels of boxes, leaves first; each box above holds eight neighbours below."""

    order: Indices
    middles: tuple[Floats, ...]
    halves: tuple[Floats, ...]

    @classmethod
    def of(cls, low: Floats, high: Floats) -> BoxTree:
        """The tree over boxes with least and greatest coordinates ``low`` and ``high`` (n, 3)."""
        order = curve_order((low + high) / 2)
        lows, highs = [low[order]], [high[order]]
        while len(lows[-1]) > _BRANCHES:
            groups = np.arange(0, len(lows[-1]), _BRANCHES)
            lows.append(np.minimum.reduceat(lows[-1], groups))
            highs.append(np.maximum.reduceat(highs[-1], groups))
        sides = list(zip(lows, highs, strict=True))
        return cls(order, tuple((a + b) / 2 for a, b in sides), tuple((b - a) / 2 for a, b in sides))

    def near(self, origins: Floats, axes: Floats, low: Floats, high: Floats) -> tuple[Indices, Indices]:
        """Pairs of turned box and box that may overlap: indices of the one and of the other.

        The k turned boxes lie from ``low`` to ``high`` (k, 3) along ``axes`` (k, 3, 3) about ``origins`` (k, 3).
        """
        middle, half = (low + high) / 2, (high - low) / 2
        query = np.repeat(np.arange(len(origins)), len(self.middles[-1]))
        node = np.tile(np.arange(len(self.middles[-1])), len(origins))
        spread_axes = np.abs(axes)
        for level in range(len(self.middles) - 1, -1, -1):
            if level < len(self.middles) - 1:
                size = len(self.middles[level])
                query = np.repeat(query, _BRANCHES)
                node = (node[:, None] * _BRANCHES + np.arange(_BRANCHES)).ravel()
                query, node = query[node < size], node[node < size]
            arm = self.middles[level].take(node, axis=0) - origins.take(query, axis=0)
            spread = self.halves[level].take(node, axis=0)
            off = np.einsum("kij,kj->ki", axes.take(query, axis=0), arm) - middle.take(query, axis=0)
            reach = np.einsum("kij,kj->ki", spread_axes.take(query, axis=0), spread) + half.take(query, axis=0)
            inside = np.abs(off) <= reach
            near = inside[:, 0] & inside[:, 1] & inside[:, 2]
            query, node = query[near], node[near]
        return query, self.order[node]


def overlapping(low: Floats, high: Floats, most: int) -> tuple[Indices, Indices] | None:
    """Pairs of boxes (n, 3) that overlap, each once; None where there may be more than ``most``.

    A tree of two branches that is walked against itself, many times quicker here than ``BoxTree``.
    """
    order = curve_order((low + high) / 2)
    depth = max(int(np.ceil(np.log2(max(len(order), 1)))), 0)
    lows = np.full((2**depth, 3), np.inf)
    highs = np.full((2**depth, 3), -np.inf)
    lows[: len(order)], highs[: len(order)] = low[order], high[order]
    levels = [(lows, highs)]
    while len(levels[-1][0]) > 1:
        lows, highs = levels[-1]
        levels.append((np.minimum(lows[::2], lows[1::2]), np.maximum(highs[::2], highs[1::2])))
    a = b = np.zeros(1, np.int64)
    for lows, highs in reversed(levels[:-1]):
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
    return order[a[unlike]], order[b[unlike]]


def curve_order(points: Floats) -> Indices:
    """(n,): points (n, 3) in the order of a curve that fills space, so that neighbours are near (Morton 1966)."""
    if not len(points):
        return np.empty(0, np.int64)
    low, span = points.min(axis=0), np.maximum(np.ptp(points, axis=0), 1e-300)
    cells = np.minimum((points - low) / span * 1024, 1023).astype(np.int64)
    for shift, mask in ((16, 0x030000FF), (8, 0x0300F00F), (4, 0x030C30C3), (2, 0x09249249)):
        cells = (cells | cells << shift) & mask
    return np.argsort(cells[:, 0] | cells[:, 1] << 1 | cells[:, 2] << 2, kind="stable")
