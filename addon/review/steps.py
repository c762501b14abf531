# SPDX-License-Identifier: GPL-3.0-or-later
"""Layer steps: how far the outline moves from layer to layer, what each outer bead rests on, and the stair it leaves.

The rule of the trade: never a jump; each layer's rings must overlap those below (common practice, no source).
Stair height on a sloped surface: layer height times abs(normal . build direction) (Dolenc and Mäkelä, Computer-Aided
Design 26(2), 1994).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from manifold3d import CrossSection

from ..fields.declared import declared_in
from ..fields.messages import Length, say
from ..geometry.frames import Floats
from ..trade.processes import Process
from .facets import Facets, dot
from .findings import Finding
from .layers import Layers
from .outlines import CLOSE_MM, Shapes, contained, distances, offset, samples

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


class Inside:
    """``Inside(outlines, band)[index]`` is what rings ``band`` mm wide in all leave inside an outline."""

    def __init__(self, outlines: Sequence[CrossSection], band_mm: float) -> None:
        self.outlines, self.band_mm = outlines, band_mm
        self._known: dict[int, CrossSection] = {}

    def __getitem__(self, index: int) -> CrossSection:
        if index not in self._known:
            self._known[index] = offset(self.outlines[index], -self.band_mm)
        return self._known[index]


@dataclass(frozen=True, eq=False)
class Steps:
    """Row by row for every layer, against the layer below; the first layer lies on the plate."""

    least: Floats
    """(n,): smallest distance in mm that the outline moves inward, all around; negative outward."""
    most: Floats
    """(n,): the largest."""
    rest: Floats
    """(n,): share of the outer bead that lies on the rings below, 0 to 1."""
    inradii: Floats
    """(n,): radius in mm of the largest circle inside the outline."""
    open_middle: Floats
    """(n,): width in mm of the widest circle that the rings leave open inside."""
    inside: Inside
    """What the rings leave inside each of the distinct outlines."""
    open_top_mm2: Floats
    """(n,): area that neither the layer's own rings nor the layer above cover."""

    def first_jump(self, crown: LayerSpan) -> int | None:
        """The first layer of the crown whose outer bead rests too little."""
        low = np.flatnonzero(self.rest[crown.first + 1 : crown.last + 1] < LEAST_REST)
        return crown.first + 1 + int(low[0]) if len(low) else None


@dataclass(frozen=True)
class Stair:
    """Stair height over a surface, in mm."""

    largest_mm: float
    mean_mm: float


def seen_span(layers: Layers, seen_mm: tuple[float, float] | None) -> LayerSpan:
    """The layers between two heights; without them those above the last place where the part widens."""
    if seen_mm is not None:
        within = np.flatnonzero((layers.cuts > seen_mm[0]) & (layers.cuts < seen_mm[1]))
        if len(within):
            return LayerSpan(int(within[0]), int(within[-1]))
    wider = np.flatnonzero(np.diff(layers.areas) > 1e-6 * layers.areas[:-1] + _SPECK_MM2)
    return LayerSpan(int(wider[-1]) + 1 if len(wider) else 0, len(layers) - 1)


def steps_of(layers: Layers, shapes: Shapes, process: Process) -> Steps:
    """Steps, rest and open middle of every layer. ``shapes`` are those of ``layers.outlines``."""
    bead = process.bead_mm
    inside = Inside(layers.outlines, process.rings * bead)
    least, most = _moves(layers, shapes)
    rest = np.ones(len(layers.outlines))
    for index, (below, outline) in enumerate(pairwise(layers.outlines), 1):
        # A bead that starts inside the outline below and ends no further in than its innermost ring rests all over.
        if least[index] < 0 or most[index] + bead > inside.band_mm:
            rest[index] = _rest(outline, below, inside[index - 1], bead)
    open_top = _open_tops(layers, shapes, inside, least, most)
    which = layers.which
    first = np.diff(which, prepend=-1) > 0
    last = np.append(first[1:], True)
    widths = shapes.inradii[which]
    return Steps(
        least=np.where(first, least[which], 0.0),
        most=np.where(first, most[which], 0.0),
        rest=np.where(first, rest[which], 1.0),
        inradii=widths,
        open_middle=2 * np.maximum(widths - inside.band_mm, 0.0),
        inside=inside,
        open_top_mm2=np.where(last, open_top[which], 0.0),
    )


def _open_tops(layers: Layers, shapes: Shapes, inside: Inside, least: Floats, most: Floats) -> Floats:
    """(m,): area that neither each distinct outline's own rings nor the outline above it cover."""
    low, high = slice(None, -1), slice(1, None)
    # Of two convex outlines, one in the other, the upper encloses what the lower's rings leave where it lies less far
    # in than they reach, unless it is but a sliver along the edge.
    covered = shapes.convex[low] & shapes.convex[high] & (least[high] >= 0)
    covered &= (most[high] + CLOSE_MM < inside.band_mm) & (shapes.inradii[high] > most[high] + CLOSE_MM)
    open_top = np.zeros(len(layers.outlines))
    for index in np.flatnonzero(~covered).tolist():
        open_top[index] = (inside[index] - layers.outlines[index + 1]).area()
    open_top[-1] = inside[len(open_top) - 1].area()
    return open_top


def _moves(layers: Layers, shapes: Shapes) -> tuple[Floats, Floats]:
    """(m,): how far each distinct outline lies inside the one below, at least and at most; 0 for the first."""
    least, most = np.zeros(len(shapes.outlines)), np.zeros(len(shapes.outlines))
    polygons = shapes.polygons
    grows = layers.grows[np.searchsorted(layers.which, np.arange(len(polygons)))]
    pairs = [index for index in range(1, len(polygons)) if polygons[index] and polygons[index - 1]]
    if not pairs:
        return least, most
    points = [samples(polygons[index]) for index in pairs]
    for index, own, away in zip(pairs, points, distances(points, [polygons[i - 1] for i in pairs]), strict=True):
        if grows[index]:
            away = np.where(contained(own, polygons[index - 1]), away, -away)
        least[index], most[index] = away.min(), away.max()
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


def step_findings(layers: Layers, steps: Steps, crown: LayerSpan, process: Process, name: str) -> list[Finding]:
    """Where the crown jumps, and where its rings leave the middle open."""
    findings = []
    jump = steps.first_jump(crown)
    if jump is not None:
        findings.append(_jump_finding(layers, steps, jump, crown, process, name))
    open_ones = np.flatnonzero(steps.open_middle[crown.slice] > process.bead_mm / 4) + crown.first
    if len(open_ones):
        findings.append(_open_finding(layers, steps, open_ones.tolist(), process, name))
    return findings


def _jump_finding(layers: Layers, steps: Steps, jump: int, crown: LayerSpan, process: Process, name: str) -> Finding:
    rest, step = float(steps.rest[jump]), float(steps.most[jump])
    cure: dict[str, float | str] = {}
    rings = math.ceil(float(steps.most[crown.slice].max()) / process.bead_mm - 1e-9) + 1
    advice = say("Use the ring plan, which lays the crown in whole rings.")
    if rings <= (declared_in(Process)["rings"].field.most or 0):
        cure = {"rings": rings}
        advice = say("Use {} rings, or the ring plan, which lays the crown in whole rings.", rings)
    return Finding(
        fitting=name,
        check="jump between layers",
        # Where the process lays full layers under a top, the bead rests on those.
        severity="must fix" if rest <= 0 and not process.full_layers else "look at",
        meaning=say(
            "The outline moves {step} inward; only {rest:.0%} of the outer bead rests on the {rings} rings below.",
            step=Length(step),
            rest=rest,
            rings=process.rings,
        ),
        advice=advice,
        value=round(rest, 3),
        limit=LEAST_REST,
        unit="share of the bead",
        where=layers.place(jump),
        layer=jump + 1,
        cure=cure,
    )


def _open_finding(layers: Layers, steps: Steps, open_ones: list[int], process: Process, name: str) -> Finding:
    worst = max(open_ones, key=lambda layer: steps.open_middle[layer])
    bare = [layer for layer in open_ones if steps.open_top_mm2[layer] > process.bead_mm**2]
    showing = bool(bare) and process.full_layers == 0
    rings = f"{process.rings} ring{'s' * (process.rings > 1)}"
    closed = f"closed only above layer {open_ones[-1] + 1}" if open_ones[-1] + 1 < len(layers) else "closed nowhere"
    meaning = say(
        "With {rings} the middle stays open by up to {open_middle}; it is {closed}.",
        rings=rings,
        open_middle=Length(steps.open_middle[worst]),
        closed=closed,
    )
    return Finding(
        fitting=name,
        check="open middle",
        severity="must fix" if showing else "look at",
        meaning=meaning,
        advice=say("From layer {} on nothing covers it: add full layers or use the ring plan.", bare[0] + 1)
        if showing
        else say("Use the ring plan, or leave the middle to the fill and the full layers."),
        value=round(float(steps.open_middle[worst]), 2),
        limit=round(process.bead_mm / 4, 3),
        unit="mm",
        where=layers.places(open_ones[0], open_ones[-1]),
        layer=open_ones[-1] + 1,
        layers=(open_ones[0] + 1, open_ones[-1] + 1),
    )
