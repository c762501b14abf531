# SPDX-License-Identifier: GPL-3.0-or-later
"""Dimensioned drawings as a family gives them, before paper or screen: all in mm, u to the right, v up."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from manifold3d import Manifold

from ..geometry.frames import Floats
from ..geometry.sections import Outline

Margin = Literal["above", "below", "left", "right"]
"""Where words stand beside the part."""
UV = tuple[float, float]


@dataclass(frozen=True)
class Dimension:
    """The distance between two points, measured across (words above or below) or up (words left or right).

    Row 0 is next to the part. Those left and right have their words in one column, on paper past rows 0 and 1.
    """

    start: UV
    end: UV
    margin: Margin
    name: str
    mm: tuple[float, ...]
    sign: str = ""
    """Before the number: ``"⌀"``, ``"2 ×"``."""
    row: int = 0
    detail: bool = False
    """Left out if there is little room."""
    asked_for: float | None = None
    """What was asked for, where that is not drawn."""
    at_end: bool = False
    """Whether its words stand beside its end, as those of several distances from one line do."""

    def said(self, say: Callable[[float], str]) -> str:
        """Without its name: ``"2 × 3 mm × 1 mm"``."""
        asked_for = "" if self.asked_for is None else f" ({say(self.asked_for)} asked for)"
        return f"{self.sign} {' × '.join(map(say, self.mm))}{asked_for}".lstrip()


@dataclass(frozen=True)
class Note:
    """Words that point to a place; ``{}`` in them stands for each of the lengths."""

    at: UV
    words: str
    mm: tuple[float, ...] = ()
    margin: Literal["left", "right"] = "right"
    in_place: bool = False
    """Said only where the fitting is drawn in its tube."""
    fractions: bool = False
    """Whether a length that is a fraction of an inch has it beside, as a drill's has."""

    def said(self, say: Callable[[float], str]) -> str:
        return self.words.format(*map(say, self.mm))


@dataclass(frozen=True, eq=False)
class View:
    """Outlines (n, 2) in mm and what is written around them."""

    cut: Sequence[Floats] = ()
    """What the knife meets: hatched."""
    seen: Sequence[Floats] = ()
    """Visible outlines."""
    hidden: Sequence[Floats] = ()
    """Outlines behind: dashed."""
    tube: Sequence[Floats] = ()
    """The tube that it sits in, cut: for a view in place."""
    axis: bool = False
    """Whether a centre line runs up through u = 0."""
    dimensions: Sequence[Dimension] = ()
    notes: Sequence[Note] = ()
    caption: str = ""


def across(outline: Outline, degrees: float) -> UV:
    """Where a line through the origin, turned by ``degrees``, enters and leaves an outline."""
    angle = np.radians(degrees)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    if outline.shape == "circle":
        u, v = np.array(outline.centre) @ turn
        half = float(np.sqrt(max((outline.width / 2) ** 2 - v**2, 0.0)))
        return float(u) - half, float(u) + half
    points = outline.polygon() @ turn
    after = np.roll(points, -1, axis=0)
    passes = (points[:, 1] > 0) != (after[:, 1] > 0)
    a, b = points[passes], after[passes]
    u = a[:, 0] - a[:, 1] * (b[:, 0] - a[:, 0]) / (b[:, 1] - a[:, 1])
    return float(u.min()), float(u.max())


def span(points: Floats, axis: int) -> UV:
    return float(points[:, axis].min()), float(points[:, axis].max())


def cut_along(solid: Manifold, degrees: float) -> list[Floats]:
    """Loops (n, 2) of a solid cut through its frame's z, in the plane turned by ``degrees`` from x; v along z."""
    return solid.rotate([0, 0, -degrees]).rotate([-90, 0, 0]).slice(0).to_polygons()
