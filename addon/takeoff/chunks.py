# SPDX-License-Identifier: GPL-3.0-or-later
"""Finding the triangles of an assembly near a place."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..geometry.boxes import BoxTree
from ..geometry.frames import taken
from ..geometry.topology import Indices, in_runs, spans
from .surface import Surface

_CHUNK = 64


@dataclass(frozen=True, eq=False)
class Chunks:
    """The triangles of a surface in chunks of one wall each, and the tree over their boxes."""

    order: Indices
    """Triangles, chunk after chunk."""
    begins: Indices
    tree: BoxTree

    @classmethod
    def of(cls, surface: Surface, order: Indices, walls: Indices) -> Chunks:
        """``order`` are the triangles wall after wall, ``walls`` where each begins and the last one ends."""
        begins = np.flatnonzero(in_runs(np.diff(walls))[1] % _CHUNK == 0)
        low, high = taken(surface.lows, order), taken(surface.highs, order)
        if len(begins):
            low, high = np.minimum.reduceat(low, begins), np.maximum.reduceat(high, begins)
        return cls(order, np.append(begins, len(order)), BoxTree.of(low, high))

    def firsts(self, chunks: Indices) -> Indices:
        """A triangle of each chunk."""
        return self.order[self.begins[chunks]]

    def triangles(self, chunks: Indices) -> tuple[Indices, Indices]:
        """The triangles of some chunks: for each which of ``chunks`` it belongs to, and the triangle."""
        owner, place = spans(self.begins, chunks)
        return owner, self.order[place]
