# SPDX-License-Identifier: GPL-3.0-or-later
"""The outline stack: a solid cut at the middle of every layer, equal layers once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from manifold3d import CrossSection, Manifold
from numpy.typing import NDArray

from ..families.fitting import Level
from ..fields.messages import Length, Message, say
from ..geometry.frames import Floats
from ..geometry.mesh import Ints
from ..geometry.topology import Indices
from ..trade.processes import Process
from .facets import Facets, Slopes
from .findings import Finding
from .solids import LARGEST_MM

MOST_LAYERS = 20_000
"""More than any plate is high; a mesh in the wrong unit has them."""

_UPRIGHT = 5e-5
"""A facet whose normal's z is smaller moves an outline by less than 0.005 mm over 100 mm of height."""
_STRAIGHT_MM = 1e-5
"""Corners closer than this to the line through their neighbours say nothing about an outline."""
_FINE_STRAIGHT_MM = 1e-3
"""The same for an outline of more than ``_FINE_CORNERS`` corners, still well below what a process can place."""
_FINE_CORNERS = 1500
_ON_LAYER_MM = 0.01
"""A height this near to a layer's edge is on it: well inside what any process can place."""
_LEAST_FACE_MM2 = 0.5
"""A flat face smaller than this makes no height of its own."""


class LayersError(ValueError):
    """A solid that cannot be cut into layers: why, and what to do."""


@dataclass(frozen=True, eq=False)
class Layers:
    """Layers count from 0 here and from 1 in words. All lengths in mm."""

    bottoms: Floats
    tops: Floats
    cuts: Floats
    """(n,): the middle of each layer, where its outline is taken."""
    which: Ints
    """(n,): which of the distinct outlines each layer has."""
    grows: NDArray[np.bool_]
    """(n,): whether a layer may reach past the one below: only where some surface between them faces down."""
    raw_outlines: tuple[CrossSection, ...]
    """The distinct outlines as the kernel cuts them, bottom up."""
    areas: Floats
    """(n,) in mm²."""
    height: float
    """Of the solid."""

    def __len__(self) -> int:
        return len(self.cuts)

    def __getstate__(self) -> dict[str, Any]:
        """Another process is spared the outlines as cut, which nothing but ``outlines`` is made of."""
        return vars(self) | {"outlines": self.outlines, "raw_outlines": ()}

    @cached_property
    def outlines(self) -> tuple[CrossSection, ...]:
        """The distinct outlines without corners on straight lines, which every later step would carry along."""
        return tuple(
            outline.simplify(_STRAIGHT_MM if outline.num_vert() <= _FINE_CORNERS else _FINE_STRAIGHT_MM)
            for outline in self.raw_outlines
        )

    def outline(self, layer: int) -> CrossSection:
        return self.outlines[self.which[layer]]

    @property
    def edges(self) -> Floats:
        """(n + 1,): where layers begin and the last one ends."""
        return np.append(self.bottoms, self.tops[-1])

    def heights(self) -> Floats:
        """(n,): how high each layer is."""
        return self.tops - self.bottoms

    @property
    def volume(self) -> float:
        """In mm³: the stack's, not the solid's."""
        return float(self.areas @ self.heights())

    def changes(self) -> list[int]:
        """Layers whose outline is not that of the layer below, without the first: one for each pair of distinct
        outlines that follow each other."""
        return (np.flatnonzero(np.diff(self.which)) + 1).tolist()

    def layer_at(self, z_mm: float) -> int:
        """The layer that holds a height."""
        return int(np.clip(np.searchsorted(self.tops, z_mm, side="right"), 0, len(self) - 1))

    def place(self, layer: int) -> Message:
        """``"layer 14 of 82, z 3.4 mm"``: z is the layer's lower edge."""
        return say("layer {} of {}, z {}", layer + 1, len(self), Length(self.bottoms[layer]))

    def places(self, first: int, last: int) -> Message:
        if first == last:
            return self.place(first)
        heights = say("z {} to {}", Length(self.bottoms[first]), Length(self.tops[last]))
        return say("layers {} to {} of {}, {}", first + 1, last + 1, len(self), heights)


def layer_edges(height: float, first: float, layer: float) -> Floats:
    """(n + 1,): the edges of the layers that a solid of this height gets, from 0.

    A layer is laid where its middle lies in the solid. Raises ``LayersError`` if there is none, or too many.
    """
    if not math.isfinite(height) or height <= first / 2 + 1e-9:
        raise LayersError(
            say(
                "the part is {height:g} high and the first layer {first:g}: nothing would be printed; check "
                "the unit that the mesh was made in",
                height=Length(height),
                first=Length(first),
            )
        )
    count = 1 + max(0, math.ceil((height - first) / layer - 0.5 - 1e-6))
    if count > MOST_LAYERS:
        raise LayersError(
            say(
                "the part is {height:g} high, which is {count} layers of {layer:g}; check the unit that the "
                "mesh was made in",
                height=Length(height),
                count=count,
                layer=Length(layer),
            )
        )
    return np.concatenate([[0.0], first + layer * np.arange(count)])


def cut_layers(solid: Manifold, facets: Facets, process: Process) -> Layers:
    """A closed solid, lowest point at z = 0, at the process's layer heights. Raises ``LayersError``."""
    if solid.is_empty() or solid.volume() <= 0:
        raise LayersError("it encloses no volume; check the unit that the mesh was made in, and that it is not flat")
    left, front, _, right, back, height = solid.bounding_box()
    if max(-left, -front, right, back, height) > LARGEST_MM:
        raise LayersError("it is more than ten kilometres across; check the unit that the mesh was made in")
    return cut_at(solid, layer_edges(height, process.first_layer_mm, process.layer_mm), height, facets.slopes)


def cut_at(solid: Manifold, edges: Floats, height: float, slopes: Slopes) -> Layers:
    """The solid cut in the middle between ``edges`` (n + 1,), ascending, equal layers once."""
    bottoms, tops = edges[:-1], edges[1:]
    cuts = (bottoms + tops) / 2
    changes, grows = _changes(slopes, cuts)
    which = (np.cumsum(changes) - changes[0]).astype(np.int32)
    fresh = np.flatnonzero(np.diff(which, prepend=-1))
    outlines = tuple(solid.slice(z) for z in cuts[fresh].tolist())
    areas = np.array([outline.area() for outline in outlines])[which]
    return Layers(bottoms, tops, cuts, which, grows, outlines, areas, height)


def _changes(slopes: Slopes, cuts: Floats) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """(n,) each: whether a layer's outline may differ from the one below, and whether it may reach past it: whether any
    facet that is not upright, or that faces down, reaches into the space between their cuts."""
    sloped = np.flatnonzero(np.abs(slopes.upward) > _UPRIGHT)
    first = np.searchsorted(cuts, slopes.low[sloped] - 1e-9, side="left")
    past = np.searchsorted(cuts, slopes.high[sloped] + 1e-9, side="right") + 1
    down = slopes.upward[sloped] < 0

    def reached(first: Indices, past: Indices) -> NDArray[np.bool_]:
        size = len(cuts) + 2
        return np.cumsum(np.bincount(first, minlength=size) - np.bincount(past, minlength=size))[: len(cuts)] > 0

    return reached(first, past), reached(first[down], past[down])


def flat_levels(facets: Facets) -> tuple[Level, ...]:
    """The heights of a mesh's flat faces, for meshes whose levels have no names."""
    level = (np.abs(facets.normals[:, 2]) > 1 - 1e-9) & (facets.high > _ON_LAYER_MM)
    heights = np.round(facets.high[level], 3)
    levels = []
    for z in np.unique(heights):
        faces = np.flatnonzero(level)[heights == z]
        areas = facets.areas[faces]
        if areas.sum() >= _LEAST_FACE_MM2:
            up = areas[facets.normals[faces, 2] > 0].sum() * 2 > areas.sum()
            levels.append(Level("upper face" if up else "underside", float(z)))
    top = float(facets.high.max())
    if not levels or levels[-1].z_mm < top - _ON_LAYER_MM:
        levels.append(Level("top", top))
    return tuple(levels)


def level_findings(layers: Layers, levels: Sequence[Level], name: str) -> list[Finding]:
    """Heights that fall inside a layer, each with the change that puts it on a layer's edge."""
    edges = np.append(layers.edges, layers.tops[-1] + layers.heights()[-1])
    findings = []
    for level in levels:
        off = edges - level.z_mm
        shift = float(off[np.abs(off).argmin()])
        if abs(shift) <= _ON_LAYER_MM:
            continue
        layer = layers.layer_at(level.z_mm)
        findings.append(
            Finding(
                fitting=name,
                check="height inside a layer",
                severity="good to know",
                meaning=say(
                    "The {level} at {z} falls inside a layer, so it is printed up to {error} off.",
                    level=level.name,
                    z=Length(level.z_mm),
                    error=Length(abs(shift)),
                ),
                advice=say(
                    "Put it {shift} {direction}, at {z}, where a layer ends.",
                    shift=Length(abs(shift)),
                    direction="higher" if shift > 0 else "lower",
                    z=Length(level.z_mm + shift),
                ),
                value=round(abs(shift), 4),
                limit=_ON_LAYER_MM,
                unit="mm",
                where=layers.place(layer),
                layer=layer + 1,
            )
        )
    return findings
