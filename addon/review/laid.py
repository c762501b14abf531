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
from manifold3d import CrossSection, OpType

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

    @cache
    def open_fill(which: int, depth: float, near: frozenset[int]) -> float:
        """Share of the outline past the rings that has the part above and below it for as many layers as are to be
        solid."""
        inside = offset(outlines[which], -depth)
        covers = [outlines[other] for other in near if other != which]
        covered = CrossSection.batch_boolean([inside, *covers], OpType.Intersect) if covers else inside
        return covered.area() / outlines[which].area() if not covered.is_empty() else 0.0

    # Of layers that do not grow, the highest lies within all others.
    which, least = layers.which.tolist(), np.append(layers.grows[1:], True).tolist()
    volume = path = 0.0
    for layer, (area, height, (count, bead)) in enumerate(
        zip(layers.areas.tolist(), layers.heights().tolist(), rings, strict=True)
    ):
        filled = area
        if reach <= layer <= last - reach:
            high = layer + reach
            near = frozenset(which[other] for other in range(layer - reach, high + 1) if least[other] or other == high)
            filled -= area * (1 - process.fill) * open_fill(which[layer], count * bead, near)
        volume += filled * height
        path += filled / bead
    return Laid(volume, path)
