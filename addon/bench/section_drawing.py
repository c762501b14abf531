# SPDX-License-Identifier: GPL-3.0-or-later
"""Dimensioned drawings on paper, true to a stated scale, in millimetres with inches in brackets: views side by side or
one below the other, each with dimensions around it. A fitting is drawn without its tube, as it lies on the bench."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from ..families.dimensioned import UV, Dimension, Margin, Note, View
from ..geometry.frames import Floats
from ..geometry.hatching import hatching
from ..geometry.units import MM_PER_INCH, NO_BREAK, bare_mm, inches_beside, say_inches, say_mm
from . import svg
from .markup import element, number

SCALES = ((2, 1), (1, 1), (1, 2), (1, 5), (1, 10), (1, 20), (1, 50))
"""Paper to part; the first that fits is taken."""
_LARGE_ENOUGH = 0.5

TEXT_MM = 2.85
"""Size of the letters: 8 points."""
_LETTER_WIDTHS = dict.fromkeys(f" {NO_BREAK}.,/:il″", 0.28) | dict.fromkeys("()-", 0.34) | dict.fromkeys("mw⌀", 0.84)
"""Of letters that are not as wide as a digit, in sizes; from memory of the metrics that the sheet's fonts share."""
_DIGIT_WIDTH = 0.57
_CLEAR_MM = 0.4
"""Between words and lines at their sides."""
_BESIDE_MM = 5.0
"""From the last extension line to words that stand beside it; clear of arrows from outside."""
_ROW_MM = 5.8
_FIRST_ROW_MM = 4.2
_ABOVE_LINE_MM = 1.9
"""From a dimension line to the middle of its words."""
_WORDS_MM = 2.2
"""From a column's dimension lines to its words."""
_ARROW_MM = 1.6
_LINE_MM = 3.8
_AXIS_MM = 1.0
"""How far a centre line runs past the part: short of the words of the first row."""
_BETWEEN_VIEWS_MM = 6.0
_CAPTION_MM = 5.0
_ROWS: tuple[Margin, ...] = "above", "below"
_COLUMNS: tuple[Margin, ...] = "left", "right"
HATCH_MM = 1.5
"""Between the lines of a hatch."""


def both_units(mm: float) -> str:
    """``"25.4 mm (1 in)"``, ``"18.75 mm (0.738 in)"``: a whole sixteenth of an inch, else thousandths."""
    return f"{say_mm(mm)} ({_inches(mm)} in)"


def mm_and_inches(mm: float) -> str:
    """The same where there is little room: ``"25.4 (1″)"``, ``"18.75 (0.738″)"``."""
    return f"{bare_mm(mm)} ({_inches(mm).replace(' ', NO_BREAK)}″)"


def _mm_and_fraction(mm: float) -> str:
    """``"9.53 (3/8″)"``, ``"6.6"``."""
    inches = inches_beside(mm)
    return f"{bare_mm(mm)} ({inches.removesuffix(' in').replace(' ', NO_BREAK)}″)" if inches else bare_mm(mm)


def _inches(mm: float) -> str:
    return (say_inches(mm, 16) or f"{mm / MM_PER_INCH:.3f}").removesuffix(" in")


def section_drawing(views: Sequence[View], title: str, rooms: Sequence[tuple[float, float]] = ((180, 165),)) -> str:
    """An SVG of views side by side, or one below the other, each with its scale, in one of ``rooms`` (width, height in
    mm, the small ones first): the first in which each view is as large as in any other, or half as large as the part.

    Its scale is the largest of ``SCALES`` at which it fits; views after the first may have the next smaller one.
    """
    drawn = [_fitted(views, *room) for room in rooms]
    enough = np.minimum(np.max([scales for scales, _, _ in drawn], axis=0), _LARGE_ENOUGH)
    in_full = (fitted for fitted in drawn if np.all(np.array(fitted[0]) >= enough))
    _, sheets, (places, width, height) = next(in_full, max(drawn, key=lambda fitted: fitted[0]))
    parts = [
        element("g", *sheet.parts(), transform=f"translate({number(x)} {number(y)})")
        for sheet, (x, y) in zip(sheets, places, strict=True)
    ]
    return svg.drawing(width, height, title, *parts)


_Arranged = tuple[list[tuple[float, float]], float, float]
"""Where each view goes, and the width and height of all."""


def _fitted(views: Sequence[View], width: float, height: float) -> tuple[list[float], list[_Sheet], _Arranged]:
    """The views' scales, and all of them as they fit a room; at the smallest scale if none does."""
    for at, scale in enumerate(SCALES):
        for further in SCALES[at : at + (2 if len(views) > 1 else 1)]:
            sheets = [_Sheet(view, *(further if place else scale)) for place, view in enumerate(views)]
            if arranged := _arranged(sheets, width, height):
                return [sheet.scale for sheet in sheets], sheets, arranged
    return [0.0] * len(views), sheets, _arranged(sheets, np.inf, np.inf) or ([], 0.0, 0.0)


def _arranged(sheets: Sequence[_Sheet], width: float, height: float) -> _Arranged | None:
    """Where each sheet goes, and the width and height of all; None if there is no room."""
    sizes = np.array([(sheet.width, sheet.height) for sheet in sheets])
    beside, below = np.zeros_like(sizes), np.zeros_like(sizes)
    for places, way in ((beside, 0), (below, 1)):
        lengths = sizes[:, way] + _BETWEEN_VIEWS_MM
        places[:, way] = np.cumsum(lengths) - lengths
    # One below the other they share their centre line.
    axes = np.array([sheet.axis for sheet in sheets])
    below[:, 0] = axes.max() - axes
    for places in (beside, below):
        total = (places + sizes).max(axis=0).tolist()
        if total[0] <= width and total[1] <= height:
            return [(x, y) for x, y in places.tolist()], *total
    return None


class _Sheet:
    """One view at one scale: where everything goes on paper."""

    def __init__(self, view: View, paper: int, part: int) -> None:
        self.view = view = replace(view, caption=f"{view.caption} ({paper}:{part})".lstrip())
        self.scale = scale = paper / part
        self.notes = [note for note in view.notes if not note.in_place]
        points = np.concatenate([*view.cut, *view.seen, *view.hidden])
        self.low, self.high = points.min(axis=0), points.max(axis=0)
        rows_above, rows_below = self._row_count("above"), self._row_count("below")
        left, right = self._column_width("left"), self._column_width("right")
        middle = float(self.high[0] - self.low[0]) * scale
        # Words above and below may reach past the part; the columns keep clear of them.
        across = [self._words_across(dimension) for dimension in view.dimensions if dimension.margin in _ROWS]
        self.over: dict[Margin, float] = {
            "left": max([0.0, *(-start for start, _, _ in across)]),
            "right": max([0.0, *(end - middle for _, end, _ in across)]),
        }
        self.left, self.right = self.over["left"] + left + 1, self.over["right"] + right + 1
        # So may a caption, and a column of words that is higher than the part.
        caption = max(0.0, (text_width(view.caption) - middle) / 2)
        self.left, self.right = max(self.left, caption), max(self.right, caption)
        columns = [0.0, *(height for margin in _COLUMNS for height in self._heights(margin))]
        tall = float(self.high[1] - self.low[1]) * scale
        self.axis = self.left - float(self.low[0]) * scale
        """Across from the left edge, where u is 0."""
        above = _room_for(rows_above) + _ABOVE_LINE_MM * (rows_above > 0)
        self.top = max(above, _LINE_MM / 2 - min(columns))
        bottom = max(_room_for(rows_below), max(columns) + _LINE_MM / 2 - tall)
        self.width = self.left + middle + self.right
        self.height = self.top + tall + bottom + _CAPTION_MM

    def parts(self) -> list[str]:
        view = self.view
        cut = [self.paper(loop) for loop in view.cut]
        drawn = [svg.strokes(*hatching(cut, HATCH_MM), "hatching"), svg.outlines(cut, "cut")] if cut else []
        drawn += [svg.outlines([self.paper(loop)], "seen") for loop in view.seen]
        drawn += [svg.outlines([self.paper(loop)], "hidden") for loop in view.hidden]
        if view.axis:
            top, bottom = self._at(0, self.high[1]), self._at(0, self.low[1])
            drawn.append(svg.line((top[0], top[1] - _AXIS_MM), (bottom[0], bottom[1] + _AXIS_MM), "axis"))
        for dimension in view.dimensions:
            if dimension.margin in _ROWS:
                drawn += self._across(dimension)
        drawn += self._column("left") + self._column("right")
        middle = self.left + (self.width - self.left - self.right) / 2
        return [*drawn, svg.text((middle, self.height - _CAPTION_MM / 2), view.caption, kind="small")]

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
        start, end, beside = self._words_across(dimension)
        if beside:
            drawn.append(svg.line((ends[1][0], y), (self.left + start - _CLEAR_MM, y), "thin"))
        at = self.left + (start + end) / 2, y if beside else y - _ABOVE_LINE_MM
        return [*drawn, svg.text(at, _words(dimension))]

    def _words_across(self, dimension: Dimension) -> tuple[float, float, bool]:
        """Where words above or below start and end, from the part's left edge, and whether they stand beside
        their dimension because lines leave them no room in it."""
        lines = [
            float(point[0] - self.low[0]) * self.scale
            for other in self.view.dimensions
            if other.margin == dimension.margin and other.row >= dimension.row
            for point in (other.start, other.end)
        ]
        middle = float((dimension.start[0] + dimension.end[0]) / 2 - self.low[0]) * self.scale
        width = text_width(_words(dimension))
        beside = any(abs(line - middle) < width / 2 + _CLEAR_MM for line in lines)
        start = max(lines) + _BESIDE_MM if beside else middle - width / 2
        return start, start + width, beside

    def _column(self, margin: Margin) -> list[str]:
        """Dimensions of heights and notes: their words keep apart, and a leader runs to the ones that had to move."""
        out = -1 if margin == "left" else 1
        edge = self.left if margin == "left" else self.width - self.right
        first = edge + out * (self.over[margin] + _FIRST_ROW_MM)
        last = first + out * self._row_step(margin)
        drawn, lines = [], []
        for label in self._labels(margin):
            point = self._at(*_middle(label))
            if isinstance(label, Dimension):
                x = last if label.row else first
                ends = sorted((self._at(*label.start), self._at(*label.end)), key=lambda end: end[1])
                drawn += [svg.line((end_x + out * 0.6, y), (x + out, y), "thin") for end_x, y in ends]
                drawn += _arrows((x, ends[0][1]), (x, ends[1][1]))
                point = x, point[1]
            lines.append((point[1], _words(label), point))
        heights = [self.top + height for height in self._heights(margin)]
        for height, (wanted, words, point) in zip(heights, lines, strict=True):
            start = (last + out * _WORDS_MM, height)
            if abs(height - wanted) > 0.2 or abs(point[0] - last) > 0.1:
                drawn.append(svg.line(point, (start[0] - out * 0.4, height), "thin"))
            drawn.append(svg.text(start, words, "end" if out < 0 else "start"))
        return drawn

    def _labels(self, margin: Margin) -> list[Dimension | Note]:
        """What stands in a column, from above."""
        labels: list[Dimension | Note] = [*self.view.dimensions, *self.notes]
        here = (label for label in labels if label.margin == margin)
        return sorted(here, key=lambda label: -_middle(label)[1])

    def _heights(self, margin: Margin) -> list[float]:
        """How far below the part's top the words of a column stand."""
        return spread([(self.high[1] - _middle(label)[1]) * self.scale for label in self._labels(margin)], _LINE_MM)

    def _row_count(self, margin: Margin) -> int:
        return max((dimension.row + 1 for dimension in self.view.dimensions if dimension.margin == margin), default=0)

    def _column_width(self, margin: Margin) -> float:
        words = [_words(dimension) for dimension in self.view.dimensions if dimension.margin == margin]
        words += [_words(note) for note in self.notes if note.margin == margin]
        aside = _FIRST_ROW_MM + self._row_step(margin) + _WORDS_MM
        return aside + max(map(text_width, words)) if words else 0.0

    def _row_step(self, margin: Margin) -> float:
        """From the first row of a column to its second, if it has one."""
        return _ROW_MM * (self._row_count(margin) > 1)


def _room_for(rows: int) -> float:
    """What rows of dimension lines take with half the height of words; without any, the end of a centre line."""
    return _FIRST_ROW_MM + _ROW_MM * (rows - 1) + TEXT_MM / 2 if rows else _AXIS_MM


def _middle(label: Dimension | Note) -> UV:
    if isinstance(label, Note):
        return label.at
    if label.at_end:
        return label.end
    return (label.start[0] + label.end[0]) / 2, (label.start[1] + label.end[1]) / 2


@lru_cache(200)  # of a drawing that is tried at many scales
def _words(label: Dimension | Note) -> str:
    """What was asked for is left to the sheet, beside the drawing."""
    if isinstance(label, Note):
        return label.said(_mm_and_fraction if label.fractions else bare_mm)
    return replace(label, asked_for=None).said(mm_and_inches)


@lru_cache(200)
def text_width(words: str) -> float:
    """About how wide words are on paper, in mm."""
    return TEXT_MM * sum(_LETTER_WIDTHS.get(letter, _DIGIT_WIDTH) for letter in words)


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
