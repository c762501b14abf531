# SPDX-License-Identifier: GPL-3.0-or-later
"""What stands beside the part in the view: legend, caption and plates behind words, laid out in points.

A point is a pixel at a resolution scale of 1; x to the right, y up, the origin at the sheet's lower left corner.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ...geometry.frames import Floats
from .shapes import LegendEntry, area_pieces, broken, triangles
from .styles import Colour, Style

Align = Literal["left", "middle", "right"]
WordWidth = Callable[[str, float], float]
"""How wide words are at a text size, both in points."""

Rectangle = tuple[float, float, float, float]
"""Left, low, right, top in a region's pixels."""

PAPER: Colour = (0.09, 0.09, 0.09)
PAPER_ALPHA = 0.82
INK: Colour = (0.93, 0.93, 0.93)
PALE: Colour = (0.66, 0.66, 0.66)

TEXT = 12.0
SMALL = 11.0
MARGIN = 9.0
LINE = 18.0
GRAIN = 3.0
"""Of dashes and hatches."""
_SWATCH = (30.0, 12.0)
_CAP = 0.72
"""Height of a capital letter, as a share of the text's size."""


@dataclass(frozen=True, eq=False)
class Stroke:
    """Line pieces (n, 2), two by two."""

    points: Floats
    colour: Colour
    width: float = 1.0
    casing: Colour | None = None


@dataclass(frozen=True, eq=False)
class Fill:
    """Triangles (n, 2), three by three."""

    points: Floats
    colour: Colour
    alpha: float = 1.0


@dataclass(frozen=True)
class Text:
    words: str
    x: float
    y: float
    """Of the line that the letters stand on."""
    align: Align = "left"
    size: float = TEXT
    colour: Colour = INK


@dataclass(frozen=True)
class Sheet:
    """A rectangle with a plate behind it that makes it legible on any background."""

    width: float
    height: float
    fills: tuple[Fill, ...] = ()
    strokes: tuple[Stroke, ...] = ()
    texts: tuple[Text, ...] = ()


def middle_line(y: float, size: float = TEXT) -> float:
    """The base line of letters whose middle is at height y."""
    return y - _CAP * size / 2


def words_sheet(parts: Sequence[str], measure: WordWidth, most: float = np.inf, size: float = TEXT) -> Sheet:
    """Parts with dots between them, on as many lines as it takes to keep within a width."""
    lines: list[str] = []
    for part in parts:
        for number, word in enumerate([part] if measure(part, size) + 2 * MARGIN <= most else part.split()):
            longer = f"{lines[-1]}{' ' if number else '  ·  '}{word}" if lines else word
            if lines and measure(longer, size) + 2 * MARGIN <= most:
                lines[-1] = longer
            else:
                lines.append(word)
    width = max((measure(line, size) for line in lines), default=0.0) + 2 * MARGIN
    height = LINE * (len(lines) - 1) + size + 1.1 * MARGIN
    tops = [height - 0.55 * MARGIN - size / 2 - LINE * number for number in range(len(lines))]
    texts = [Text(line, width / 2, middle_line(y, size), "middle", size) for line, y in zip(lines, tops, strict=True)]
    return Sheet(width, height, texts=tuple(texts))


def legend(entries: Sequence[LegendEntry], measure: WordWidth) -> Sheet:
    """Each style as it is drawn, its words, and its values with their units."""
    rows = list(dict.fromkeys(entries))
    words_wide = max((measure(entry.style.words, TEXT) for entry in rows), default=0.0)
    notes_wide = max((measure(entry.note, SMALL) for entry in rows), default=0.0)
    height = LINE * len(rows) + 2 * MARGIN - (LINE - TEXT)
    words_at = MARGIN + _SWATCH[0] + MARGIN
    notes_at = words_at + words_wide + (1.5 * MARGIN if notes_wide else 0)
    fills: list[Fill] = []
    strokes: list[Stroke] = []
    texts = []
    for number, entry in enumerate(rows):
        y = height - MARGIN - TEXT / 2 - LINE * number
        swatch_fills, swatch_strokes = swatch(entry.style, (MARGIN, y - _SWATCH[1] / 2), _SWATCH)
        fills += swatch_fills
        strokes += swatch_strokes
        texts.append(Text(entry.style.words, words_at, middle_line(y)))
        texts.append(Text(entry.note, notes_at, middle_line(y, SMALL), size=SMALL, colour=PALE))
    return Sheet(notes_at + notes_wide + MARGIN, height, tuple(fills), tuple(strokes), tuple(texts))


def swatch(style: Style, corner: tuple[float, float], size: tuple[float, float]) -> tuple[list[Fill], list[Stroke]]:
    """A piece of an area in the style, or of a line where it has no area."""
    if not style.hatch and not style.fill:
        y = corner[1] + size[1] / 2
        line = broken(style, np.array([(corner[0], y), (corner[0] + size[0], y)]), GRAIN)
        return [], [Stroke(line, style.colour, style.width, style.casing)]
    (left, low), (width, height) = corner, size
    loop = np.array([(left, low), (left + width, low), (left + width, low + height), (left, low + height)])
    edge, hatch = area_pieces(style, [loop], GRAIN)
    strokes = [Stroke(hatch, style.colour)]
    if style.width:
        strokes.append(Stroke(edge, style.colour, style.width, style.casing))
    return [Fill(triangles([loop]), style.colour, style.fill)], strokes
