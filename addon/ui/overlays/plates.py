# SPDX-License-Identifier: GPL-3.0-or-later
"""A map of one plate for the view."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ...bench.plate import Footprint
from ...geometry.frames import Floats
from ...geometry.hatching import dashes, hatching
from ...geometry.placement import Placement
from ...trade.processes import Process
from .shapes import edges_of, pairs, triangles
from .sheets import INK, LINE, MARGIN, PALE, SMALL, TEXT, Fill, Sheet, Stroke, Text, WordWidth, middle_line
from .styles import DASHED, ORANGE

SIZE = 220.0
"""The plate's longer side, in points."""
_HATCH = 5.0


def plate_sheet(
    title: str,
    placements: Sequence[Placement],
    footprints: Sequence[Footprint],
    labels: Sequence[str],
    process: Process,
    measure: WordWidth,
) -> Sheet:
    """What lies where, seen from above; ``labels`` are written on each part that has room for them."""
    width, depth = process.plate_mm[:2]
    scale = SIZE / max(width, depth)
    margin = process.margin_mm

    def put(points: Sequence[tuple[float, float]] | Floats) -> Floats:
        return np.asarray(points, float) * scale + MARGIN

    plate = put(_box(0, 0, width, depth))
    inner = put(_box(margin, margin, width - margin, depth - margin))
    strokes = [
        Stroke(edges_of([plate]), INK, 1.5),
        Stroke(pairs(*dashes(inner, np.roll(inner, -1, axis=0), DASHED)), PALE),
    ]
    fills = []
    keep_x, keep_y = process.keep_out_mm
    if keep_x and keep_y:
        corner = put(_box(0, 0, keep_x, keep_y))
        strokes += [Stroke(pairs(*hatching([corner], _HATCH, 135.0)), PALE), Stroke(edges_of([corner]), PALE)]
    texts = [Text(title, MARGIN, depth * scale + 2 * MARGIN - 2)]
    outlines = [put(placement.put(footprints[placement.part].outline)) for placement in placements]
    if outlines:
        fills.append(Fill(np.concatenate([triangles([outline]) for outline in outlines]), ORANGE, 0.35))
        strokes.append(Stroke(edges_of(outlines), ORANGE, 1.25))
    for placement, outline in zip(placements, outlines, strict=True):
        words = labels[placement.part]
        low, high = outline.min(axis=0), outline.max(axis=0)
        if measure(words, SMALL) < high[0] - low[0] and high[1] - low[1] > SMALL:
            x, y = ((low + high) / 2).tolist()
            texts.append(Text(words, x, middle_line(y, SMALL), "middle", SMALL))
    wide = max(width * scale, measure(title, TEXT)) + 2 * MARGIN
    return Sheet(wide, depth * scale + 2 * MARGIN + LINE, tuple(fills), tuple(strokes), tuple(texts))


def _box(left: float, front: float, right: float, back: float) -> list[tuple[float, float]]:
    return [(left, front), (right, front), (right, back), (left, back)]
