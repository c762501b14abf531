# SPDX-License-Identifier: GPL-3.0-or-later
"""Markers of the tube ends in the view: where they lie on the screen, and which one the mouse is at."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ...geometry.frames import Floats
from .shapes import pairs
from .sheets import Stroke
from .styles import BLACK, OPEN_END, REFUSED_END, SITE, WHITE

RADIUS = 5.0
"""In points."""
REACH = 14.0
"""How near the mouse has to be, in points."""
_CORNERS = 12
_NOTHING = np.nan


def on_screen(places: Floats, perspective: Floats, size: tuple[float, float]) -> Floats:
    """(n, 2): places (n, 3) of the world in a region's pixels; nan for what is behind the eye."""
    seen = np.column_stack([places, np.ones(len(places))]) @ perspective.T
    ahead = seen[:, 3] > 1e-9
    w = np.where(ahead, seen[:, 3], 1.0)
    points = (seen[:, :2] / w[:, None] + 1) / 2 * np.array(size)
    return np.where(ahead[:, None], points, _NOTHING)


def nearest(points: Floats, mouse: tuple[float, float], reach: float) -> int:
    """The index of the point nearest to the mouse, -1 if none lies within ``reach``."""
    away = np.linalg.norm(points - mouse, axis=1)
    if not len(away) or not np.isfinite(away).any():
        return -1
    index = int(np.nanargmin(away))
    return index if away[index] <= reach else -1


def glyphs(points: Floats, open_ends: NDArray[np.bool_], chosen: int, scale: float) -> list[Stroke]:
    """Circles for open ends, crosses for those that take no fitting, a second circle around the chosen one."""
    shown = np.isfinite(points).all(axis=1)
    radius = RADIUS * scale
    strokes = [
        Stroke(_circles(points[shown & open_ends], radius), OPEN_END.colour, OPEN_END.width, OPEN_END.casing),
        Stroke(_crosses(points[shown & ~open_ends], radius), REFUSED_END.colour, REFUSED_END.width, REFUSED_END.casing),
    ]
    if 0 <= chosen < len(points) and shown[chosen]:
        strokes.append(Stroke(_circles(points[[chosen]], 1.8 * radius), WHITE, 1.5, BLACK))
    return strokes


def diamonds(points: Floats, chosen: int, scale: float) -> list[Stroke]:
    """Diamonds for holes, copes and joints, a circle around the chosen one."""
    shown = np.isfinite(points).all(axis=1)
    radius = RADIUS * scale
    corners = np.array([(1, 0), (0, 1), (-1, 0), (0, -1)]) * 1.2 * radius
    pieces = pairs(corners, np.roll(corners, -1, axis=0))
    strokes = [Stroke((points[shown][:, None] + pieces).reshape(-1, 2), SITE.colour, SITE.width, SITE.casing)]
    if 0 <= chosen < len(points) and shown[chosen]:
        strokes.append(Stroke(_circles(points[[chosen]], 1.8 * radius), WHITE, 1.5, BLACK))
    return strokes


def _circles(middles: Floats, radius: float) -> Floats:
    angles = np.linspace(0, 2 * np.pi, _CORNERS + 1)
    corners = np.column_stack([np.cos(angles), np.sin(angles)]) * radius
    pieces = pairs(corners[:-1], corners[1:])
    return (middles[:, None] + pieces).reshape(-1, 2)


def _crosses(middles: Floats, radius: float) -> Floats:
    pieces = np.array([(-1, -1), (1, 1), (-1, 1), (1, -1)]) * radius * 0.8
    return (middles[:, None] + pieces).reshape(-1, 2)
