# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensioned drawing of a fitting in its tube, for the view: what the knife meets, and the recipe's numbers at
the places that they move."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ...bench.fitting_drawing import cut_open
from ...bench.section_drawing import spread
from ...families.fitting import Fitting
from ...geometry.frames import Floats
from ...geometry.hatching import hatching
from ...geometry.sections import Outline
from ..saying import Say
from . import sheets, styles
from .shapes import edges_of, pairs, triangles
from .sheets import INK, LINE, MARGIN, PALE, SMALL, Fill, Sheet, Stroke, Text, WordWidth, middle_line

WordsSide = Literal["left", "right"]

PART = (140.0, 130.0)
"""Room for the part itself, in points."""
_AWAY = 14.0
"""From the part to the words beside it."""
_ARROW = 5.0
_HATCH = 5.0
_TUBE_SHOWN = 1.25
"""How much of the tube is drawn, in lengths of the spigot."""


@dataclass(frozen=True)
class Height:
    """A dimension up and down between two points (u, v) of the drawing, its words on one side."""

    start: tuple[float, float]
    end: tuple[float, float]
    side: WordsSide
    words: str


@dataclass(frozen=True)
class Width:
    """A dimension across from u to u, above the part or below it."""

    start: tuple[float, float]
    end: tuple[float, float]
    above: bool
    words: str


@dataclass(frozen=True)
class Pointer:
    """Words on one side that point to a place."""

    at: tuple[float, float]
    side: WordsSide
    words: str


@dataclass(frozen=True, eq=False)
class Drawing:
    """In mm: u to the right, v up, the origin where the tube's axis meets the rim's plane."""

    title: str
    cut: tuple[Floats, ...]
    tube: tuple[Floats, ...]
    widths: tuple[Width, ...]
    beside: tuple[Height | Pointer, ...]


def profile_drawing(fitting: Fitting, say: Say, title: str = "") -> Drawing:
    """The fitting and its tube cut through the width, or in the plane in which the rim leans."""
    recipe = fitting.recipe
    rise, gap = float(recipe.rise_mm or 0.0), float(recipe.gap_mm or 0.0)
    length, lead_in = recipe.spigot_mm, recipe.lead_in_mm
    lean = float(np.tan(np.radians(fitting.mitre_deg)))
    sign = "⌀" if fitting.section.kind == "round" else ""

    def across(outline: Outline) -> tuple[float, float]:
        return _across(outline, fitting.mitre_direction_deg)

    left, right = across(fitting.profile.spigot_outline)
    bore_left, bore_right = across(fitting.section.bore)
    tube_left, tube_right = across(fitting.section.outer)

    def at(u: float, v: float) -> tuple[float, float]:
        """A place along the axis from the rim, which leans."""
        return u, v - u * lean

    foot = lead_in - length
    land = -min((-groove.top for groove in recipe.spigot.grooves), default=length) / 2
    widths = [Width(at(left, foot), at(right, foot), False, f"spigot {sign}{say(right - left)}")]
    beside: list[Height | Pointer] = [
        Height(at(right, 0.0), at(right, -length), "right", f"spigot {say(length)}"),
        Pointer(at((right + bore_right) / 2, land), "right", f"{'bites' if gap < 0 else 'gap'} {say(abs(gap))}"),
    ]
    if lead_in:
        beside.append(Pointer(at(right - lead_in / 2, -length + lead_in / 2), "right", f"lead-in {say(lead_in)}"))
    for groove in recipe.spigot.grooves[-1:]:
        count = f"{recipe.groove.count} × " if recipe.groove.count > 1 else ""
        words = f"{count}groove {say(recipe.groove.width_mm)} × {say(recipe.groove.depth_mm)}"
        beside.append(Height(at(left, groove.top), at(left, groove.bottom), "left", words))
    crown_left, crown_right = across(fitting.profile.crown_outline)
    if not lean:
        words = f"crown {sign}{say(crown_right - crown_left)}"
        widths.append(Width((crown_left, 0.0), (crown_right, 0.0), True, words))
        beside.append(Height((crown_left, 0.0), (0.0, rise), "left", f"rise {say(rise)}"))
    else:
        towards = np.radians(fitting.mitre_deg)
        top = (rise * float(np.sin(towards)), rise * float(np.cos(towards)))
        beside.append(Pointer(top, "right", f"rise {say(rise)}"))
        beside.append(Pointer(at(tube_left, 0.0), "left", f"mitre {fitting.mitre_deg:.4g}°"))
    if recipe.lip_mm:
        beside.append(Pointer(at(tube_right, 0.0), "right", f"lip {say(recipe.lip_mm)}"))
    end = min(-tube_right * lean, -tube_left * lean) - _TUBE_SHOWN * length
    tube = (
        np.array([at(tube_left, 0.0), (tube_left, end), (bore_left, end), at(bore_left, 0.0)]),
        np.array([at(bore_right, 0.0), (bore_right, end), (tube_right, end), at(tube_right, 0.0)]),
    )
    return Drawing(title, tuple(cut_open(fitting)), tube, tuple(widths), tuple(beside))


def profile_sheet(drawing: Drawing, measure: WordWidth) -> Sheet:
    """The drawing as large as ``PART`` allows, its words around it."""
    points = np.concatenate([*drawing.cut, *drawing.tube])
    low, high = points.min(axis=0), points.max(axis=0)
    scale = float((np.array(PART) / (high - low)).min())
    part_wide, part_high = (high - low) * scale
    columns = {side: [one for one in drawing.beside if one.side == side] for side in ("left", "right")}
    widest = {side: max((measure(one.words, SMALL) for one in ones), default=0.0) for side, ones in columns.items()}
    room = {side: words + 2 * _AWAY for side, words in widest.items()}
    above = LINE * any(one.above for one in drawing.widths)
    below = LINE * any(not one.above for one in drawing.widths)
    title = LINE if drawing.title else 0.0
    width = max(2 * MARGIN + room["left"] + part_wide + room["right"], 2 * MARGIN + measure(drawing.title, sheets.TEXT))
    height = 2 * MARGIN + below + part_high + above + title
    corner = np.array([MARGIN + room["left"], MARGIN + below])

    def put(place: Sequence[float] | Floats) -> Floats:
        return (np.asarray(place, float) - low) * scale + corner

    strokes: list[Stroke] = []
    fills: list[Fill] = []
    for loops, colour, degrees in ((drawing.cut, styles.ORANGE, 45.0), (drawing.tube, PALE, 135.0)):
        placed = [put(loop) for loop in loops]
        fills.append(Fill(triangles(placed), colour, 0.2))
        strokes.append(Stroke(pairs(*hatching(placed, _HATCH, degrees)), _dimmed(colour)))
        strokes.append(Stroke(edges_of(placed), colour, 1.5))
    texts = [Text(drawing.title, MARGIN, height - MARGIN - sheets.TEXT * 0.8)] if drawing.title else []
    thin: list[Floats] = []
    for across in drawing.widths:
        a, b = put(across.start), put(across.end)
        y = corner[1] + part_high + LINE * 0.35 if across.above else corner[1] - LINE * 0.35
        thin += [np.array([a, (a[0], y)]), np.array([b, (b[0], y)]), _arrows(np.array([a[0], y]), np.array([b[0], y]))]
        baseline = y + 3.0 if across.above else y - 3.0 - 0.72 * SMALL
        texts.append(Text(across.words, float(a[0] + b[0]) / 2, baseline, "middle", SMALL))
    for side, ones in columns.items():
        out = -1.0 if side == "left" else 1.0
        x = float(corner[0] - _AWAY / 2 if out < 0 else corner[0] + part_wide + _AWAY / 2)
        column = sorted(((_middle(one, put), one) for one in ones), key=lambda pair: pair[0][1])
        heights = spread([float(middle[1]) for middle, _ in column], LINE * 0.8)
        heights = _within(heights, MARGIN + SMALL / 2, height - MARGIN - title - SMALL / 2)
        for y, (middle, one) in zip(heights, column, strict=True):
            words_at = np.array([x + out * _AWAY, y])
            if isinstance(one, Height):
                a, b = put(one.start), put(one.end)
                thin += [np.array([a, (x, a[1])]), np.array([b, (x, b[1])])]
                thin.append(_arrows(np.array([x, a[1]]), np.array([x, b[1]])))
                middle = np.array([x, middle[1]])
            thin.append(np.array([middle, words_at - (out * 3.0, 0.0)]))
            align: sheets.Align = "right" if out < 0 else "left"
            texts.append(Text(one.words, float(words_at[0]), middle_line(y, SMALL), align, SMALL))
    strokes.append(Stroke(np.concatenate(thin), INK))
    return Sheet(width, height, tuple(fills), tuple(strokes), tuple(texts))


def _across(outline: Outline, degrees: float) -> tuple[float, float]:
    """Where a line through the origin, turned by ``degrees``, enters and leaves an outline."""
    angle = np.radians(degrees)
    points = outline.polygon() @ np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    after = np.roll(points, -1, axis=0)
    passes = (points[:, 1] > 0) != (after[:, 1] > 0)
    a, b = points[passes], after[passes]
    u = a[:, 0] - a[:, 1] * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1])
    return float(u.min()), float(u.max())


def _middle(one: Height | Pointer, put: Callable[[Sequence[float]], Floats]) -> Floats:
    return put(one.at) if isinstance(one, Pointer) else (put(one.start) + put(one.end)) / 2


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
