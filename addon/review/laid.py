# SPDX-License-Identifier: GPL-3.0-or-later
"""The beads of all layers: how long they are, and the plastic in them.

A bead of width w in a layer of height h takes w·h of plastic for each millimetre of its length: beads laid side by
side at that width leave no void. So rings take what the outline loses when it is moved inward by all their widths, and
beads are as long as the area that they fill is times 1 / w.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import numpy as np
from manifold3d import CrossSection

from ..trade.processes import Process
from .layers import Layers
from .outlines import offset

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
    # Of layers that do not grow, the highest lies within all others.
    which, lowest = layers.which.tolist(), np.unique(layers.which[np.append(layers.grows[1:], True)])
    shared = {(place, 1): outlines[outline] for place, outline in enumerate(lowest.tolist())}

    @cache
    def open_fill(outline: int, depth: float, below: int, above: int) -> float:
        """Share of the outline past the rings that has the part above and below it, which are its outlines from
        ``below`` to ``above``."""
        covered = offset(outlines[outline], -depth) ^ outlines[above]
        first, last = np.searchsorted(lowest, [below, above]).tolist()
        if last > first:
            covered ^= _shared(shared, first, last - first)
        return covered.area() / outlines[outline].area() if not covered.is_empty() else 0.0

    volume = path = 0.0
    for layer, (area, height, (count, bead)) in enumerate(
        zip(layers.areas.tolist(), layers.heights().tolist(), rings, strict=True)
    ):
        filled = area
        if reach <= layer <= last - reach:
            within = open_fill(which[layer], count * bead, which[layer - reach], which[layer + reach])
            filled -= area * (1 - process.fill) * within
        volume += filled * height
        path += filled / bead
    return Laid(volume, path)


def _shared(known: dict[tuple[int, int], CrossSection], first: int, count: int) -> CrossSection:
    """What ``count`` outlines from ``first`` on have in common, by runs of 2, 4, 8, ... that are ``known`` from then
    on, so that each takes part a few times however long the runs are."""
    if (first, count) not in known:
        half = 1 << ((count - 1).bit_length() - 1)
        known[first, count] = _shared(known, first, half) ^ _shared(known, first + count - half, half)
    return known[first, count]
