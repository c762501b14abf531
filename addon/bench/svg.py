# SPDX-License-Identifier: GPL-3.0-or-later
"""Pieces of SVG. Lengths are millimetres on paper, x to the right and y down, and every text is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TypeAlias

import numpy as np

from ..geometry.frames import Floats
from .markup import element, escaped, number

Point: TypeAlias = Sequence[float] | Floats
"""x and y."""


def drawing(width: float, height: float, title: str, *children: str) -> str:
    """A whole picture, as large on paper as it says. ``title`` is what a screen reader says."""
    box = f"0 0 {number(width)} {number(height)}"
    size = {"width": f"{number(width)}mm", "height": f"{number(height)}mm", "viewBox": box}
    return element("svg", element("title", escaped(title)), *children, **size, role="img")


def line(start: Point, end: Point, kind: str = "thin") -> str:
    return element("line", x1=start[0], y1=start[1], x2=end[0], y2=end[1], class_=kind)


def text(at: Point, words: object, anchor: str = "middle", kind: str = "label") -> str:
    """``at`` is the middle of the text's height; ``anchor`` is start, middle or end."""
    return element(
        "text", escaped(words), x=at[0], y=at[1], dy="0.35em", text_anchor=anchor, paint_order="stroke", class_=kind
    )


def circle(centre: Point, radius: float, kind: str = "thin") -> str:
    return element("circle", cx=centre[0], cy=centre[1], r=radius, class_=kind)


def outlines(loops: Iterable[Floats], kind: str) -> str:
    """Closed outlines, each (n, 2), as one area: holes stay holes."""
    return element("path", d="".join(f"M{_points(loop)}z" for loop in loops), fill_rule="evenodd", class_=kind)


def path(points: Floats, kind: str) -> str:
    """A line through points (n, 2)."""
    return element("path", d=f"M{_points(points)}", class_=kind)


def strokes(starts: Floats, ends: Floats, kind: str) -> str:
    """Straight lines from ``starts`` (n, 2) to ``ends`` (n, 2), in one element."""
    rows = np.round(np.column_stack([starts, ends]), 2)
    return element("path", d=len(rows) * "M%g %gL%g %g" % tuple(rows.ravel().tolist()), class_=kind)


def _points(loop: Floats) -> str:
    return "L".join(f"{x:g} {y:g}" for x, y in (np.round(loop, 3) + 0.0).tolist())
