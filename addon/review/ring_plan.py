# SPDX-License-Identifier: GPL-3.0-or-later
"""The ring plan: ranges of layers with a ring count and a bead width that close every crown layer's middle.

An outline moved inward by d has an inner radius smaller by d, whatever its shape. So rings of width w fill a layer
whose inner radius is r exactly where r is a whole number of w. With N rings the middle is left open by a spot
2 (r - N w) wide, or, where that is negative, the last ring lies over itself on a spot that wide. A row of the plan is
the longest range of layers for which one bead width keeps both small; rings are laid as long as their middle line
fits, so the count falls with the layers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from manifold3d import Manifold

from ..fields.messages import Length, Message, say
from ..geometry.frames import Floats
from ..geometry.mesh import Ints
from ..trade.processes import Process
from .facets import Facets
from .findings import Finding
from .layers import Layers, LayersError, cut_at, layer_edges
from .outlines import Shapes
from .steps import LayerSpan, Stair, Steps, stair

OPEN_BEADS = 0.25
"""Widest spot that may stay open, in beads: of the process's own width or the row's, whichever is narrower."""
OVERFILLED_BEADS = 0.5
"""Widest spot where the last ring may lie over itself, in beads, when it closes on a point: its length times its width
is then still less than the area it fills, by pi (w - r)². A layer of one ring may be as small as the bead is wide."""
OVERFILLED_SLOT_BEADS = 0.25
"""The same where it closes on a line, along which the plastic really is too much."""
THIN_LAYER_BEADS = 0.25
"""A bead is laid well down to this share of its width in height; common practice, no source."""

_BEAD_STEP_MM = 0.01
_PAYS = 0.95
"""Thinner layers pay where they bring the mean stair down to this share."""
_POINTED = 1.3
"""An outline whose area is at most so many times that of its inner circle closes on a point (a square has 1.27)."""


@dataclass(frozen=True)
class PlanRow:
    """One line of the table. Layers count from 0 here and from 1 in words."""

    first: int
    last: int
    bottom_mm: float
    top_mm: float
    layer_mm: float
    rings: int
    """What to set: the most that a layer of the range takes; rings whose middle line does not fit are not laid."""
    fewest_rings: int
    bead_mm: float
    open_mm: float
    """Widest spot left open on any layer of the range."""
    overfilled_mm: float

    @property
    def said_layers(self) -> str:
        """``"33 to 82"``, or ``"83"``."""
        return f"{self.first + 1} to {self.last + 1}" if self.last > self.first else f"{self.first + 1}"

    @property
    def said_rings(self) -> str:
        """``"5 down to 3"``, or ``"5"``."""
        return f"{self.rings} down to {self.fewest_rings}" if self.fewest_rings < self.rings else f"{self.rings}"

    def said(self) -> Message:
        return say(
            "layer{s} {layers}, z {bottom} to {top}: {rings} ring{ring_s} of {bead}, {layer:g} high",
            s="s" * (self.last > self.first),
            layers=self.said_layers,
            bottom=Length(self.bottom_mm),
            top=Length(self.top_mm),
            rings=self.said_rings,
            ring_s="s" * (self.rings > 1),
            bead=Length(self.bead_mm),
            layer=Length(self.layer_mm),
        )


@dataclass(frozen=True)
class WidestSpots:
    """The widest spots on any crown layer, in mm."""

    open_mm: float
    overfilled_mm: float


@dataclass(frozen=True)
class RingPlan:
    rows: tuple[PlanRow, ...]
    before: WidestSpots
    """As the process is set."""
    after: WidestSpots
    stair_before: Stair
    stair_after: Stair
    unclosed: tuple[int, ...]
    """Layers for which the bead's limits allow no width that closes them."""

    @property
    def closes(self) -> bool:
        return not self.unclosed

    def row_at(self, layer: int) -> PlanRow | None:
        """The row that a layer belongs to; None outside the crown."""
        return next((row for row in self.rows if row.first <= layer <= row.last), None)


def plan_rings(layers: Layers, steps: Steps, crown: LayerSpan, process: Process, before: Stair) -> RingPlan:
    """The plan at the process's own layer heights."""
    widths = steps.inradii[crown.slice]
    rows, unclosed = _rows(layers, crown, widths, process)
    return _plan(rows, unclosed, widths, process, before, before)


def plan_finer(
    solid: Manifold, facets: Facets, layers: Layers, steps: Steps, crown: LayerSpan, plan: RingPlan, process: Process
) -> RingPlan | None:
    """The plan with layers of half the height where it pays: at the top, where the outline moves further from layer to
    layer than a bead is wide. None where nothing is to be gained, or the process lays no thinner layer."""
    thin = process.layer_mm / 2
    wide = steps.most[crown.first + 1 : crown.last + 1] > process.bead_mm
    if crown.last != len(layers) - 1 or not wide.any() or thin < THIN_LAYER_BEADS * process.bead_mm - 1e-9:
        return None
    first = max(crown.first + int(np.argmax(wide)), 1)
    bottom = float(layers.bottoms[first])
    try:
        edges = bottom + layer_edges(layers.height - bottom, thin, thin)
    except LayersError:
        return None
    heights = np.where(facets.centres[:, 2] > bottom, thin, process.layer_mm)
    after = stair(facets, heights, (float(layers.bottoms[crown.first]), layers.height))
    if after.mean_mm > _PAYS * plan.stair_before.mean_mm:
        return None
    top = cut_at(solid, edges, layers.height, facets.slopes)
    widths = Shapes(top.outlines).inradii[top.which]
    low_span = LayerSpan(crown.first, first - 1)
    low_rows, low_unclosed = _rows(layers, low_span, steps.inradii[low_span.slice], process)
    high_rows, high_unclosed = _rows(top, LayerSpan(0, len(top) - 1), widths, process)
    high_rows = [replace(row, first=row.first + first, last=row.last + first) for row in high_rows]
    return _plan(
        low_rows + high_rows,
        low_unclosed + [layer + first for layer in high_unclosed],
        steps.inradii[crown.slice],
        process,
        plan.stair_before,
        after,
    )


def plan_finding(layers: Layers, plan: RingPlan, finer: RingPlan | None, process: Process, name: str) -> Finding:
    limit = OPEN_BEADS * process.bead_mm
    meaning = say(
        "As set, the crown's layers leave spots up to {as_set} wide open; with the ring plan of {rows} "
        "ranges, whole rings close them to {planned}.",
        as_set=Length(plan.before.open_mm),
        rows=len(plan.rows),
        planned=Length(plan.after.open_mm),
    )
    advice = say("Set ring count and bead width range by range as the plan's table says.")
    if finer:
        advice += say(
            " Layers of {layer:g} at the top bring the crown's mean stair from {before:.3f} to "
            "{after:.3f}, if the process can change them.",
            layer=Length(process.layer_mm / 2),
            before=Length(finer.stair_before.mean_mm),
            after=Length(finer.stair_after.mean_mm),
        )
    if plan.unclosed:
        advice += say(
            " No ring within the bead's limits fits {}: it is laid as it comes.", layers.place(plan.unclosed[0])
        )
    return Finding(
        fitting=name,
        check="ring plan",
        severity="good to know" if plan.closes else "look at",
        meaning=meaning,
        advice=advice,
        value=round(plan.after.open_mm, 3),
        limit=round(limit, 3),
        unit="mm",
        where=layers.places(plan.rows[0].first, plan.rows[-1].last),
    )


def _plan(
    rows: Sequence[PlanRow], unclosed: Sequence[int], widths: Floats, process: Process, before: Stair, after: Stair
) -> RingPlan:
    bead = process.bead_mm
    laid = np.minimum(process.rings, _fitting(widths, bead)) * bead
    as_set = WidestSpots(float(2 * np.max(widths - laid, initial=0.0)), float(2 * np.max(laid - widths, initial=0.0)))
    planned = WidestSpots(max(row.open_mm for row in rows), max(row.overfilled_mm for row in rows))
    return RingPlan(tuple(rows), as_set, planned, before, after, tuple(unclosed))


def _fitting(widths: Floats, bead: float | Floats) -> Ints:
    """How many rings fit: those whose middle line lies inside."""
    return np.floor(widths / bead + 0.5).astype(np.int32)


def _rows(layers: Layers, span: LayerSpan, widths: Floats, process: Process) -> tuple[list[PlanRow], list[int]]:
    """Rows over a span of layers with inner radii ``widths``: from the bottom up, each as long as one bead width closes
    all its layers. With whole ranges to choose from no table has fewer rows. Also the layers that nothing closes."""
    if not len(widths):
        return [], []
    beads = _bead_widths(process)
    pointed = (layers.areas[span.slice] <= _POINTED * np.pi * widths**2)[:, None]
    counts = np.maximum(_fitting(widths[:, None], beads), 1)
    spare = widths[:, None] - counts * beads
    most_open = OPEN_BEADS / 2 * np.minimum(beads, process.bead_mm)
    overfill = np.where(pointed & (counts == 1), 1.0, np.where(pointed, OVERFILLED_BEADS, OVERFILLED_SLOT_BEADS))
    closes = (spare <= most_open + 1e-9) & (-spare <= overfill / 2 * beads + 1e-9)
    heights = layers.heights()[span.slice].round(6)  # so that equal heights are equal, however they were summed
    rows, unclosed, first = [], [], 0
    while first < len(widths):
        good, past = closes[first], first + 1
        if good.any():
            while past < len(widths) and heights[past] == heights[first] and (good & closes[past]).any():
                good = good & closes[past]
                past += 1
            choice = np.flatnonzero(good)
            bead = int(choice[np.argmin(np.abs(beads[choice] - process.bead_mm))])
        else:
            bead = int(np.argmin(np.abs(spare[first])))
            unclosed.append(first + span.first)
        rows.append(
            _row(
                layers,
                span.first + first,
                span.first + past - 1,
                counts[first:past, bead],
                float(beads[bead]),
                spare[first:past, bead],
            )
        )
        first = past
    return rows, unclosed


def _row(layers: Layers, first: int, last: int, counts: Ints, bead: float, spare: Floats) -> PlanRow:
    return PlanRow(
        first,
        last,
        float(layers.bottoms[first]),
        float(layers.tops[last]),
        round(float(layers.heights()[first]), 4),
        int(counts.max()),
        int(counts.min()),
        round(bead, 6),
        float(2 * np.max(spare, initial=0.0)),
        float(2 * np.max(-spare, initial=0.0)),
    )


def _bead_widths(process: Process) -> Floats:
    """Widths that an operator can set: whole hundredths of a millimetre, and the process's own."""
    steps = np.arange(np.ceil(process.bead_min_mm / _BEAD_STEP_MM - 1e-9), process.bead_max_mm / _BEAD_STEP_MM + 1e-9)
    return np.unique(np.append(steps * _BEAD_STEP_MM, process.bead_mm))
