# SPDX-License-Identifier: GPL-3.0-or-later
"""A tree of boxes: which of many boxes come near which of many turned boxes, without trying every pair."""

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


def curve_order(points: Floats) -> Indices:
    """(n,): points (n, 3) in the order of a curve that fills space, so that neighbours are near (Morton 1966)."""
    if not len(points):
        return np.empty(0, np.int64)
    low, span = points.min(axis=0), np.maximum(np.ptp(points, axis=0), 1e-300)
    cells = np.minimum((points - low) / span * 1024, 1023).astype(np.int64)
    for shift, mask in ((16, 0x030000FF), (8, 0x0300F00F), (4, 0x030C30C3), (2, 0x09249249)):
        cells = (cells | cells << shift) & mask
    return np.argsort(cells[:, 0] | cells[:, 1] << 1 | cells[:, 2] << 2, kind="stable")
