# SPDX-License-Identifier: GPL-3.0-or-later
"""Layer steps: how far the outline moves from layer to layer, what each outer bead rests on, and the stair it leaves.

The rule of the trade: never a jump; each layer's rings must overlap those below (common practice, no source).
Stair height on a sloped surface: layer height times abs(normal . build direction) (Dolenc and Mäkelä, Computer-Aided
Design 26(2), 1994).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from manifold3d import CrossSection

from ..geometry.frames import Floats
from ..trade.processes import Process
from .facets import Facets, dot
from .layers import Layers
from .outlines import Shapes, offset

LEAST_REST = 0.5
"""Share of an outer bead that has to lie on the rings below; half by common practice, no source."""
_SPECK_MM2 = 1e-3


@dataclass(frozen=True)
class LayerSpan:
    """Layers ``first`` to ``last``, both within, counted from 0."""

    first: int
    last: int

    def __len__(self) -> int:
        return self.last - self.first + 1

    @property
    def slice(self) -> slice:
        return slice(self.first, self.last + 1)


@dataclass(frozen=True, eq=False)
class Steps:
    """Row by row for every layer, against the layer below; the first layer lies on the plate."""

    least: Floats
    """(n,): smallest distance in mm that the outline moves inward, all around; negative outward."""
    most: Floats
    """(n,): the largest."""
    _layers: Layers = field(repr=False)
    _process: Process = field(repr=False)

    @cached_property
    def rest(self) -> Floats:
        """(n,): share of the outer bead that lies on the rings below as the process is set, 0 to 1. Worked out when
        first asked for."""
        layers, bead, band = self._layers, self._process.bead_mm, self._process.rings * self._process.bead_mm
        rest = np.ones(len(layers))
        for layer in layers.changes():
            # A bead that starts inside the outline below and ends no further in than its innermost ring rests all over.
            if self.least[layer] < 0 or self.most[layer] + bead > band:
                below = layers.outline(layer - 1)
                rest[layer] = _rest(layers.outline(layer), below, offset(below, -band), bead)
        return rest


@dataclass(frozen=True)
class Stair:
    """Stair height over a surface, in mm."""

    largest_mm: float
    mean_mm: float


def seen_span(layers: Layers, seen_mm: tuple[float, float] | None) -> LayerSpan:
    """The layers between two heights, none if there is nothing between them; without heights those above the last
    place where the part widens."""
    if seen_mm is not None:
        if seen_mm[0] >= seen_mm[1]:
            return LayerSpan(0, -1)
        within = np.flatnonzero((layers.cuts > seen_mm[0]) & (layers.cuts < seen_mm[1]))
        if len(within):
            return LayerSpan(int(within[0]), int(within[-1]))
    wider = np.flatnonzero(np.diff(layers.areas) > 1e-6 * layers.areas[:-1] + _SPECK_MM2)
    return LayerSpan(int(wider[-1]) + 1 if len(wider) else 0, len(layers) - 1)


def steps_of(layers: Layers, shapes: Shapes, process: Process, span: LayerSpan | None = None) -> Steps:
    """Steps of every layer, or at least of a span's and the next, 0 of others. ``shapes`` are those of
    ``layers.outlines``."""
    low, high = (0, len(layers) - 1) if span is None else (span.first, min(span.last + 1, len(layers) - 1))
    least, most = _moves(layers, shapes, int(layers.which[low]), int(layers.which[high]))
    which = layers.which
    first = np.diff(which, prepend=-1) > 0
    return Steps(np.where(first, least[which], 0.0), np.where(first, most[which], 0.0), layers, process)


def _moves(layers: Layers, shapes: Shapes, first: int, last: int) -> tuple[Floats, Floats]:
    """(m,): how far each distinct outline from ``first`` to ``last`` lies inside the one below, at least and at most; 0
    for the first of all, and for others."""
    least, most, edges = np.zeros(len(shapes.outlines)), np.zeros(len(shapes.outlines)), shapes.edges
    upper = np.flatnonzero((edges.counts[1:] > 0) & (edges.counts[:-1] > 0)) + 1
    upper = upper[(first <= upper) & (upper <= last)]
    if not len(upper):
        return least, most
    points = edges.samples(upper)
    away = edges.distances(points, upper - 1)
    grows = layers.grows[np.searchsorted(layers.which, upper)]
    if grows.any():
        away[grows] *= np.where(edges.contain(points[grows], upper[grows] - 1), 1, -1)
    least[upper], most[upper] = away.min(axis=1), away.max(axis=1)
    return least, most


def _rest(outline: CrossSection, below: CrossSection, inner_below: CrossSection, bead: float) -> float:
    outer_bead = outline - offset(outline, -bead)
    area = outer_bead.area()
    return float((outer_bead ^ (below - inner_below)).area() / area) if area > _SPECK_MM2 else 1.0


def stair(facets: Facets, heights: Floats, seen_mm: tuple[float, float]) -> Stair:
    """Stair over the surface between two heights. ``heights`` (m,): how high the layer at each facet is.

    Level faces leave no stair: they lie on a layer, or the review names them.
    """
    slope = np.abs(facets.normals[:, 2])
    sloped = (facets.centres[:, 2] > seen_mm[0]) & (facets.centres[:, 2] < seen_mm[1]) & (slope < 1 - 1e-9)
    areas = facets.areas[sloped]
    if areas.sum() <= 0:
        return Stair(0.0, 0.0)
    rises = heights[sloped] * slope[sloped]
    return Stair(float(rises.max()), dot(rises, areas) / float(areas.sum()))
