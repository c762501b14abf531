# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensioned drawing of a fitting in its tube, for the view: what the knife meets, and the recipe's numbers at
the places that they move."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from ...bench.section_drawing import spread
from ...families.dimensioned import Dimension, Note, View
from ...fields.messages import Units
from ...geometry.frames import Floats
from ...geometry.hatching import hatching
from . import sheets, styles
from .shapes import edges_of, pairs, triangles
from .sheets import INK, LINE, MARGIN, PALE, SMALL, Fill, Sheet, Stroke, Text, WordWidth, middle_line

PART = (140.0, 130.0)
"""Room for the part itself, in points."""
_AWAY = 14.0
"""From the part to the words beside it."""
_ARROW = 5.0
_HATCH = 5.0


def profile_sheet(view: View, say: Units, measure: WordWidth, title: str = "") -> Sheet:
    """The view as large as ``PART`` allows, with its words around it."""
    widths = [
        dimension for dimension in view.dimensions if dimension.margin in ("above", "below") and not dimension.detail
    ]
    heights = [
        dimension for dimension in view.dimensions if dimension.margin in ("left", "right") and not dimension.detail
    ]
    around = [*heights, *view.notes]
    points = np.concatenate([*view.cut, *view.tube])
    low, high = points.min(axis=0), points.max(axis=0)
    scale = float((np.array(PART) / (high - low)).min())
    part_wide, part_high = (high - low) * scale
    columns = {side: [label for label in around if label.margin == side] for side in ("left", "right")}
    widest = {
        side: max((measure(_words(label, say), SMALL) for label in column), default=0.0)
        for side, column in columns.items()
    }
    room = {side: words + 2 * _AWAY for side, words in widest.items()}
    above = LINE * any(dimension.margin == "above" for dimension in widths)
    below = LINE * any(dimension.margin == "below" for dimension in widths)
    title_line = LINE if title else 0.0
    width = max(2 * MARGIN + room["left"] + part_wide + room["right"], 2 * MARGIN + measure(title, sheets.TEXT))
    height = 2 * MARGIN + below + part_high + above + title_line
    corner = np.array([MARGIN + room["left"], MARGIN + below])

    def put(place: Sequence[float] | Floats) -> Floats:
        return (np.asarray(place, float) - low) * scale + corner

    strokes: list[Stroke] = []
    fills: list[Fill] = []
    for loops, colour, degrees in ((view.cut, styles.ORANGE, 45.0), (view.tube, PALE, 135.0)):
        placed = [put(loop) for loop in loops]
        fills.append(Fill(triangles(placed), colour, 0.2))
        strokes.append(Stroke(pairs(*hatching(placed, _HATCH, degrees)), _dimmed(colour)))
        strokes.append(Stroke(edges_of(placed), colour, 1.5))
    texts = [Text(title, MARGIN, height - MARGIN - sheets.TEXT * 0.8)] if title else []
    thin: list[Floats] = []
    for across in widths:
        is_above = across.margin == "above"
        a, b = put(across.start), put(across.end)
        y = corner[1] + part_high + LINE * 0.35 if is_above else corner[1] - LINE * 0.35
        thin += [np.array([a, (a[0], y)]), np.array([b, (b[0], y)]), _arrows(np.array([a[0], y]), np.array([b[0], y]))]
        baseline = y + 3.0 if is_above else y - 3.0 - 0.72 * SMALL
        texts.append(Text(_words(across, say), float(a[0] + b[0]) / 2, baseline, "middle", SMALL))
    for side, labels in columns.items():
        out = -1.0 if side == "left" else 1.0
        x = float(corner[0] - _AWAY / 2 if out < 0 else corner[0] + part_wide + _AWAY / 2)
        column = sorted(((_middle(label, put), label) for label in labels), key=lambda pair: pair[0][1])
        levels = spread([float(middle[1]) for middle, _ in column], LINE * 0.8)
        levels = _within(levels, MARGIN + SMALL / 2, height - MARGIN - title_line - SMALL / 2)
        for y, (middle, label) in zip(levels, column, strict=True):
            words_at = np.array([x + out * _AWAY, y])
            if isinstance(label, Dimension):
                a, b = put(label.start), put(label.end)
                thin += [np.array([a, (x, a[1])]), np.array([b, (x, b[1])])]
                thin.append(_arrows(np.array([x, a[1]]), np.array([x, b[1]])))
                middle = np.array([x, middle[1]])
            thin.append(np.array([middle, words_at - (out * 3.0, 0.0)]))
            align: sheets.Align = "right" if out < 0 else "left"
            texts.append(Text(_words(label, say), float(words_at[0]), middle_line(y, SMALL), align, SMALL))
    strokes.append(Stroke(np.concatenate(thin), INK))
    return Sheet(width, height, tuple(fills), tuple(strokes), tuple(texts))


def _words(label: Dimension | Note, say: Units) -> str:
    return label.said(say) if isinstance(label, Note) else f"{label.name} {label.said(say)}"


def _middle(label: Dimension | Note, put: Callable[[Sequence[float]], Floats]) -> Floats:
    return put(label.at) if isinstance(label, Note) else (put(label.start) + put(label.end)) / 2


def _within(heights: Sequence[float], low: float, high: float) -> list[float]:
    """The column moved as a whole until it lies between two heights, as far as it can."""
    shift = max(low - min(heights, default=low), 0.0) or min(high - max(heights, default=high), 0.0)
    return [height + shift for height in heights]


def _arrows(start: Floats, end: Floats) -> Floats:
    """A line with arrow heads at both ends, as pieces (n, 2)."""
    length = float(np.linalg.norm(end - start))
    way = (end - start) / length if length > 1e-9 else np.array([0.0, 1.0])
    inside = length > 2.5 * _ARROW
    reach = 0.0 if inside else 1.6 * _ARROW
    pieces = [start - way * reach, end + way * reach]
    across = np.array([-way[1], way[0]]) * _ARROW * 0.35
    for tip, back in ((start, way), (end, -way)):
        tail = tip + (back if inside else -back) * _ARROW
        pieces += [tip, tail + across, tip, tail - across]
    return np.array(pieces)


def _dimmed(colour: styles.Colour) -> styles.Colour:
    red, green, blue = (0.6 * share for share in colour)
    return red, green, blue
