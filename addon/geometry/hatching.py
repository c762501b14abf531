# SPDX-License-Identifier: GPL-3.0-or-later
"""Hatches and dashes as straight pieces, for pictures that must be read without colour."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .frames import Floats
from .topology import in_runs


def hatching(loops: Sequence[Floats], apart: float, degrees: float = 45.0) -> tuple[Floats, Floats]:
    """Parallel lines that fill the area inside closed outlines (n, 2): their starts and ends (k, 2).

    Holes are outlines inside others, whichever way they run.
    """
    if not len(loops):
        return np.empty((0, 2)), np.empty((0, 2))
    # Turned so that the lines lie level; each is then cut where an outline's side passes its height.
    angle = np.radians(degrees)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    starts = np.concatenate(loops) @ turn
    ends = np.concatenate([np.roll(loop, -1, axis=0) for loop in loops]) @ turn
    side, level = _levels_passed(starts[:, 1], ends[:, 1], apart)
    a, b = starts[side], ends[side]
    heights = (level + 0.5) * apart
    x = a[:, 0] + (heights - a[:, 1]) / (b[:, 1] - a[:, 1]) * (b[:, 0] - a[:, 0])
    order = np.lexsort((x, level))
    points = np.column_stack([x, heights])[order] @ turn.T
    return points[::2], points[1::2]


def surface_hatching(corners: Floats, across: Floats, apart: float) -> Floats:
    """Lines on triangles (m, 3, 3) where planes square to the direction ``across`` (3,) cut them: (k, 2, 3)."""
    heights = corners @ across
    order = np.argsort(heights, axis=1)
    low, middle, high = np.moveaxis(np.take_along_axis(corners, order[:, :, None], axis=1), 1, 0)
    heights = np.take_along_axis(heights, order, axis=1)
    of, level = _levels_passed(heights[:, 0], heights[:, 2], apart)
    at = (level + 0.5) * apart
    below, between, above = heights[of].T
    upper = at > between

    def along(a: Floats, b: Floats, from_height: Floats, to_height: Floats) -> Floats:
        share = (at - from_height) / np.where(to_height > from_height, to_height - from_height, 1.0)
        return a + (b - a) * share[:, None]

    whole = along(low[of], high[of], below, above)
    bent = np.where(
        upper[:, None],
        along(middle[of], high[of], between, above),
        along(low[of], middle[of], below, between),
    )
    return np.stack([whole, bent], axis=1)


def dashes(starts: Floats, ends: Floats, pattern: Sequence[float]) -> tuple[Floats, Floats]:
    """Straight pieces (n, d) cut into dashes that run on from piece to piece: their starts and ends (k, d).

    ``pattern`` is lengths of dash and space in turn; empty for unbroken lines.
    """
    if not len(pattern) or not len(starts):
        return starts, ends
    lengths = np.linalg.norm(ends - starts, axis=1)
    past = np.cumsum(lengths)
    before = past - lengths
    edges = np.concatenate([[0.0], np.cumsum(pattern)])
    period = edges[-1]
    pieces = []
    for low, high in zip(edges[:-1:2], edges[1::2], strict=True):
        first = np.floor((before - high) / period).astype(np.int64) + 1
        count = np.maximum(np.ceil((past - low) / period).astype(np.int64) - first, 0)
        of, turn = in_runs(count)
        turn += first[of]
        begin = np.maximum(turn * period + low - before[of], 0.0)
        end = np.minimum(turn * period + high - before[of], lengths[of])
        real = end > begin
        of, begin, end = of[real], begin[real, None], end[real, None]
        way = (ends[of] - starts[of]) / lengths[of, None]
        pieces.append((starts[of] + way * begin, starts[of] + way * end))
    return np.concatenate([start for start, _ in pieces]), np.concatenate([end for _, end in pieces])


def _levels_passed(start: Floats, end: Floats, apart: float) -> tuple[np.ndarray, np.ndarray]:
    """Which of the spans from ``start`` to ``end`` (n,) pass which of the heights (i + 1/2) ``apart``: their indices
    and the i, (k,) each. A height at a span's very end counts with the span above it only."""
    low, high = np.minimum(start, end) / apart - 0.5, np.maximum(start, end) / apart - 0.5
    first = np.floor(low).astype(np.int64) + 1
    count = np.maximum(np.floor(high).astype(np.int64) - first + 1, 0)
    of, along = in_runs(count)
    return of, first[of] + along
