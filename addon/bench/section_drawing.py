# SPDX-License-Identifier: GPL-3.0-or-later
"""Dimensioned drawings on paper, true to a stated scale, in both units: views side by side, each with dimensions
around it. What is in its tube is drawn without it, as it lies on the bench."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..families.dimensioned import Dimension, Margin, View
from ..geometry.frames import Floats
from ..geometry.hatching import hatching
from ..geometry.units import MM_PER_INCH, say_inches, say_mm
from . import svg
from .markup import element, number

SCALES = ((2, 1), (1, 1), (1, 2), (1, 5), (1, 10), (1, 20), (1, 50))
"""Paper to part; the first that fits is taken."""

TEXT_MM = 2.8
"""Height of the letters' line; a letter is taken as 0.55 of it wide."""
_ROW_MM = 6.5
_FIRST_ROW_MM = 4.5
_ARROW_MM = 1.6
_LINE_MM = 3.8
_BETWEEN_VIEWS_MM = 6.0
_CAPTION_MM = 5.0
HATCH_MM = 1.5
"""Between the lines of a hatch."""


def both_units(mm: float) -> str:
    """``"25.4 mm (1 in)"``, ``"18.75 mm (0.738 in)"``: a whole sixteenth of an inch, else thousandths."""
    return f"{say_mm(mm)} ({say_inches(mm, 16) or f'{mm / MM_PER_INCH:.3f} in'})"


def section_drawing(views: Sequence[View], title: str, width: float = 180, height: float = 130) -> str:
    """An SVG at most ``width`` x ``height`` mm at the largest of ``SCALES`` that fits, which it states.

    The views stand side by side, or one below the other where they are larger so.
    """
    for scale in SCALES:
        sheets = [_Sheet(view, scale[0] / scale[1]) for view in views]
        if largest := _arranged(sheets, width, height - _CAPTION_MM):
            break
    else:
        largest = _arranged(sheets, np.inf, np.inf)
    places, total, tallest = largest or ([], 0.0, 0.0)
    parts = [
        element("g", *sheet.parts(), transform=f"translate({number(x)} {number(y)})")
        for sheet, (x, y) in zip(sheets, places, strict=True)
    ]
    said = f"Scale {scale[0]}:{scale[1]}" + (", printed at 100 %" if scale == (1, 1) else "")
    parts.append(svg.text((0, tallest + _CAPTION_MM / 2), said, "start", "small"))
    return svg.drawing(total, tallest + _CAPTION_MM, title, *parts)


def _arranged(
    sheets: Sequence[_Sheet], width: float, height: float
) -> tuple[list[tuple[float, float]], float, float] | None:
    """Where each sheet goes, and the width and height of all; None if there is no room."""
    for down in (0, 1):
        sizes = np.array([(sheet.width, sheet.height) for sheet in sheets])
        lengths = sizes[:, down] + _BETWEEN_VIEWS_MM
        total = sizes.max(axis=0)
        total[down] = lengths.sum() - _BETWEEN_VIEWS_MM
        if total[0] <= width and total[1] <= height:
            places = np.zeros_like(sizes)
            places[:, down] = np.cumsum(lengths) - lengths
            return [(x, y) for x, y in places.tolist()], float(total[0]), float(total[1])
    return None


class _Sheet:
    """One view at one scale: where everything goes on paper."""

    def __init__(self, view: View, scale: float) -> None:
        self.view, self.scale = view, scale
        self.notes = [note for note in view.notes if not note.in_place]
        points = np.concatenate([*view.cut, *view.seen, *view.hidden])
        self.low, self.high = points.min(axis=0), points.max(axis=0)
        rows_above, rows_below = self._row_count("above"), self._row_count("below")
        left, right = self._widest("left"), self._widest("right")
        middle = float(self.high[0] - self.low[0]) * scale
        # Words above and below may be wider than the part; the columns keep clear of them.
        self.over = max(0.0, (self._widest("above", "below") - middle) / 2)
        self.left, self.right = self.over + left + 1, self.over + right + 1
        self.top = _FIRST_ROW_MM + _ROW_MM * rows_above
        bottom = _FIRST_ROW_MM + _ROW_MM * rows_below + (_CAPTION_MM if view.caption else 0)
        self.width = self.left + middle + self.right
        self.height = self.top + float(self.high[1] - self.low[1]) * scale + bottom

    def parts(self) -> list[str]:
        view = self.view
        cut = [self.paper(loop) for loop in view.cut]
        drawn = [svg.strokes(*hatching(cut, HATCH_MM), "hatching"), svg.outlines(cut, "cut")] if cut else []
        drawn += [svg.outlines([self.paper(loop)], "seen") for loop in view.seen]
        drawn += [svg.outlines([self.paper(loop)], "hidden") for loop in view.hidden]
        if view.axis:
            top, bottom = self._at(0, self.high[1]), self._at(0, self.low[1])
            drawn.append(svg.line((top[0], top[1] - 2.5), (bottom[0], bottom[1] + 2.5), "axis"))
        for dimension in view.dimensions:
            if dimension.margin in ("above", "below"):
                drawn += self._across(dimension)
        drawn += self._column("left") + self._column("right")
        if view.caption:
            middle = self.left + (self.width - self.left - self.right) / 2
            drawn.append(svg.text((middle, self.height - _CAPTION_MM / 2), view.caption, kind="small"))
        return drawn

    def paper(self, points: Floats) -> Floats:
        """Points of the view (n, 2) on paper."""
        away = (np.asarray(points, float) - (self.low[0], self.high[1])) * (self.scale, -self.scale)
        return away + np.array([self.left, self.top])

    def _at(self, u: float, v: float) -> tuple[float, float]:
        x, y = self.paper(np.array([[u, v]]))[0].tolist()
        return x, y

    def _across(self, dimension: Dimension) -> list[str]:
        up = -1 if dimension.margin == "above" else 1
        edge = self._at(0, self.high[1] if up < 0 else self.low[1])[1]
        y = edge + up * (_FIRST_ROW_MM + _ROW_MM * dimension.row)
        ends = sorted((self._at(*dimension.start), self._at(*dimension.end)))
        drawn = [svg.line((x, point_y + up * 0.6), (x, y + up), "thin") for x, point_y in ends]
        drawn += _arrows((ends[0][0], y), (ends[1][0], y))
        return [*drawn, svg.text(((ends[0][0] + ends[1][0]) / 2, y - 1.9), dimension.said(both_units))]

    def _column(self, margin: Margin) -> list[str]:
        """Dimensions of heights and notes: their words keep apart, and a leader runs to the ones that had to move."""
        out = -1 if margin == "left" else 1
        edge = self.left if margin == "left" else self.width - self.right
        x = edge + out * (self.over + _FIRST_ROW_MM)
        lines: list[tuple[float, str, tuple[float, float]]] = []
        drawn = []
        for dimension in self.view.dimensions:
            if dimension.margin != margin:
                continue
            ends = sorted((self._at(*dimension.start), self._at(*dimension.end)), key=lambda point: point[1])
            drawn += [svg.line((point_x + out * 0.6, y), (x + out, y), "thin") for point_x, y in ends]
            drawn += _arrows((x, ends[0][1]), (x, ends[1][1]))
            middle = (ends[0][1] + ends[1][1]) / 2
            lines.append((middle, dimension.said(both_units), (x, middle)))
        for note in self.notes:
            if note.margin == margin:
                lines.append((self._at(*note.at)[1], note.said(say_mm), self._at(*note.at)))
        lines.sort(key=lambda line: line[0])
        heights = spread([line[0] for line in lines], _LINE_MM)
        for height, (wanted, words, point) in zip(heights, lines, strict=True):
            start = (x + out * 2.6, height)
            if abs(height - wanted) > 0.2 or abs(point[0] - x) > 0.1:
                drawn.append(svg.line(point, (start[0] - out * 0.4, height), "thin"))
            drawn.append(svg.text(start, words, "end" if out < 0 else "start"))
        return drawn

    def _row_count(self, margin: Margin) -> int:
        return max((dimension.row + 1 for dimension in self.view.dimensions if dimension.margin == margin), default=0)

    def _widest(self, *margins: Margin) -> float:
        words = [dimension.said(both_units) for dimension in self.view.dimensions if dimension.margin in margins]
        words += [note.said(say_mm) for note in self.notes if note.margin in margins]
        aside = 0.0 if "above" in margins or not words else _FIRST_ROW_MM + 2.6
        return aside + max(map(text_width, words), default=0.0)


def text_width(words: str) -> float:
    """About how wide words are on paper, in mm."""
    return 0.55 * TEXT_MM * len(words)


def spread(wanted: Sequence[float], apart: float) -> list[float]:
    """Positions at least ``apart`` from each other, in the order of ``wanted`` (ascending) and near to it."""
    groups: list[tuple[float, int]] = []
    for position in wanted:
        groups.append((position, 1))
        # Groups that meet become one around their common middle.
        while len(groups) > 1 and groups[-1][0] - groups[-2][0] < apart * (groups[-1][1] + groups[-2][1]) / 2 - 1e-9:
            (b, m), (a, n) = groups.pop(), groups.pop()
            groups.append(((a * n + b * m) / (n + m), n + m))
    return [middle + apart * (index - (count - 1) / 2) for middle, count in groups for index in range(count)]


def _arrows(start: tuple[float, float], end: tuple[float, float]) -> list[str]:
    """A line with arrow heads at its ends, from outside if there is no room between them."""
    a, b = np.array(start), np.array(end)
    length = float(np.linalg.norm(b - a))
    way = (b - a) / length if length > 1e-9 else np.array([1.0, 0.0])
    inside = length > 4 * _ARROW_MM
    tails = (way, -way) if inside else (-way, way)
    reach = 0.0 if inside else 2.5 * _ARROW_MM
    drawn = [svg.line(a - way * reach, b + way * reach, "thin")]
    for tip, tail in zip((a, b), tails, strict=True):
        across = np.array([-tail[1], tail[0]]) * _ARROW_MM / 5
        drawn.append(
            svg.outlines([np.array([tip, tip + tail * _ARROW_MM + across, tip + tail * _ARROW_MM - across])], "dot")
        )
    return drawn
