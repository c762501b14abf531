# SPDX-License-Identifier: GPL-3.0-or-later
"""Digits and a few letters out of straight strokes, thick enough to be printed and read."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from manifold3d import CrossSection, OpType

_STROKES: dict[str, tuple[tuple[tuple[float, float], ...], ...]] = {
    "0": (((0, 0), (1, 0), (1, 2), (0, 2), (0, 0)),),
    "1": (((0, 2), (0.5, 2), (0.5, 0)),),
    "2": (((0, 2), (1, 2), (1, 1), (0, 1), (0, 0), (1, 0)),),
    "3": (((0, 2), (1, 2), (1, 0), (0, 0)), ((0, 1), (1, 1))),
    "4": (((0, 2), (0, 1), (1, 1)), ((1, 2), (1, 0))),
    "5": (((1, 2), (0, 2), (0, 1), (1, 1), (1, 0), (0, 0)),),
    "6": (((1, 2), (0, 2), (0, 0), (1, 0), (1, 1), (0, 1)),),
    "7": (((0, 2), (1, 2), (1, 0)),),
    "8": (((0, 0), (1, 0), (1, 2), (0, 2), (0, 0)), ((0, 1), (1, 1))),
    "9": (((1, 1), (0, 1), (0, 2), (1, 2), (1, 0), (0, 0)),),
    ".": (((0, 0), (0, 0)),),
    "-": (((0, 1), (1, 1)),),
    "/": (((0, 0), (1, 2)),),
    " ": (),
    "F": (((0, 0), (0, 2), (1, 2)), ((0, 1), (0.8, 1))),
    "L": (((0, 2), (0, 0), (1, 0)),),
    "R": (((0, 0), (0, 2), (1.25, 2), (1.25, 1), (0, 1)), ((0.75, 1), (1.25, 0))),
    "→": (((0, 1), (1.5, 1)), ((0.9, 0.2), (0.9, 1.8)), ((1.2, 0.6), (1.2, 1.4))),
}
"""Polylines on a grid: digits and letters are 1 wide and 2 high, between the middles of their strokes."""

_STROKE_BEADS = 2.0
"""Two beads side by side make a stroke that holds."""
_GRID_BEADS = 5.0
"""From stroke to stroke: leaves three beads of clear space in every counter."""
_BETWEEN_BEADS = 2.5


def written(label: str, bead_mm: float) -> CrossSection:
    """The label as an area, its lower left corner at the origin. Raises ``ValueError`` for other characters."""
    pieces, x = [], 0.0
    stroke, grid = _STROKE_BEADS * bead_mm, _GRID_BEADS * bead_mm
    brush = CrossSection.square((stroke, stroke), True)
    for character in label:
        if character not in _STROKES:
            raise ValueError(f"{character!r} has no strokes")
        lines = [np.array(line) * grid + (x + stroke / 2, stroke / 2) for line in _STROKES[character]]
        for line in lines:
            for start, end in pairwise(line):
                pieces.append(CrossSection.batch_hull([brush.translate(start), brush.translate(end)]))
        x = max((float(line[:, 0].max()) for line in lines), default=x) + stroke / 2 + _BETWEEN_BEADS * bead_mm
    return CrossSection.batch_boolean(pieces, OpType.Add) if pieces else CrossSection()


def written_size(label: str, bead_mm: float) -> tuple[float, float]:
    """Width and height of the label in mm."""
    left, low, right, high = written(label, bead_mm).bounds()
    return right - left, high - low
