# SPDX-License-Identifier: GPL-3.0-or-later
"""The beads of all layers, counted ring by ring: how long they are, and the plastic in them.

A bead of width w in a layer of height h takes w·h of plastic for each millimetre of its length: beads laid side by
side at that width leave no void.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np
from manifold3d import CrossSection, OpType

from ..geometry.polygons import edge_lengths
from ..trade.processes import Process
from .layers import Layers
from .outlines import offset

_EVEN = 1e-3
"""Share of its length by which a ring may be off where lengths count as falling evenly."""
_ROUGHLY_MM = 0.02
"""Corners of outlines closer to a straight line than this only take time."""


@dataclass(frozen=True)
class Laid:
    """What the beads of a part come to."""

    plastic_mm3: float
    path_mm: float


def laid(layers: Layers, process: Process, rings: Iterable[tuple[int, float]]) -> Laid:
    """The beads of all layers; ``rings`` has for each how many there are and how wide their beads. What they leave
    inside is open fill, or solid where the process lays full layers."""
    reach, last = process.full_layers, len(layers) - 1
    outlines = [outline.simplify(_ROUGHLY_MM) for outline in layers.outlines]

    @cache
    def ring_lengths(which: int, count: int, bead: float) -> float:
        return _sum(lambda ring: _length(offset(outlines[which], -(ring + 0.5) * bead)), count)

    @cache
    def inside(which: int, count: int, bead: float) -> CrossSection:
        return offset(outlines[which], -count * bead)

    @cache
    def open_fill(which: int, count: int, bead: float, near: tuple[int, ...]) -> float:
        """Area that has the part above and below it for as many layers as are to be solid."""
        area = inside(which, count, bead)
        covers = [outlines[other] for other in near if other != which]
        return (CrossSection.batch_boolean([area, *covers], OpType.Intersect) if covers else area).area()

    volume = path = 0.0
    for layer, (height, (count, bead)) in enumerate(zip(layers.heights().tolist(), rings, strict=True)):
        which = int(layers.which[layer])
        filled = inside(which, count, bead).area()
        if reach <= layer <= last - reach:
            near = tuple(np.unique(layers.which[layer - reach : layer + reach + 1]).tolist())
            filled -= (1 - process.fill) * open_fill(which, count, bead, near)
        length = ring_lengths(which, count, bead) + filled / bead
        volume += length * bead * height
        path += length
    return Laid(volume, path)


def _sum(around: Callable[[int], float], count: int) -> float:
    """The lengths of so many rings. From ring to ring the length falls evenly but where corners or parts vanish; only
    there is ring after ring measured."""

    def between(first: int, last: int, outer: float, inner: float) -> float:
        """Of the rings from first to last, both counted, whose lengths are known."""
        if last - first < 2:
            return outer + (inner if last > first else 0.0)
        middle = (first + last) // 2
        length = around(middle)
        even = outer + (inner - outer) * (middle - first) / (last - first)
        if abs(length - even) <= _EVEN * outer:
            return (outer + inner) / 2 * (last - first + 1)
        return between(first, middle, outer, length) + between(middle, last, length, inner) - length

    return between(0, count - 1, around(0), around(count - 1)) if count else 0.0


def _length(outline: CrossSection) -> float:
    return sum(float(edge_lengths(loop).sum()) for loop in outline.to_polygons())
