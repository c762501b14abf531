# SPDX-License-Identifier: GPL-3.0-or-later
"""The print plan: the least change of ring count and bead width that closes what the layers leave exposed.

Everywhere the process's rings are kept and the inside stays open. Only where a layer's exposed part is not all beads,
where the next layer's outer bead rests on less than half its width, or where a top does not close, do a few layers get
more rings, their beads as near the process's width as closes the top: one range of layers, or two, never more than
three. What is flat and wider than a few beads is left to the full layers.

An outline moved inward by d has an inner radius smaller by d, whatever its shape. So N rings of width w reach N w
inward, and cover what is exposed where N w >= s, the step to the layer above; that layer's outer bead rests by half
where N w >= s + w / 2. k rings close a top of inner radius r but for a spot 2 (r - k w) wide or, where that is
negative, lie over themselves on a spot that wide.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
from manifold3d import CrossSection
from numpy.typing import NDArray

from ..fields.messages import FieldName, Length, Message, say
from ..geometry.frames import Floats
from ..trade.processes import Process
from .findings import Finding
from .layers import Layers
from .outlines import CLOSE_MM, Shapes, greatest, inradius, offset, without_specks
from .steps import LayerSpan, Steps

OPEN_BEADS = 1 / 8
"""How far short of the middle the last ring may end, in beads: the spot left open is twice as wide."""
OVERFILLED_BEADS = 1 / 4
"""How far past the middle it may reach where it closes on a point: its length times its width is then still less than
the area it fills, by pi (k w - r)². A layer's only ring is laid wherever its middle line fits."""
OVERFILLED_SLOT_BEADS = 1 / 8
"""The same where it closes on a line, along which the plastic really is too much."""
KEPT_BEADS = 1 / 3
"""The same for the process's own width: the chords of facets make a small top smaller than the curve meant, and that is
no reason to set another width."""
FEW_BEADS = 8
"""Widest half of a top, and widest step, in beads, that rings close; what is wider is left to the full layers. A
judgement, no source."""
MOST_RANGES = 3
"""More than three are too many to key in; a judgement, no source."""
TOP_MM = 1.0
"""What full layers under a top come to, in height; common practice, no source."""
_BRIDGED = 3
"""Layers right as set that a range runs over rather than ending and beginning again."""
_BEAD_STEP_MM = 0.01
_POINTED = 1.3
"""An outline whose area is at most so many times that of its inner circle closes on a point (a square has 1.27)."""
_SPECK_MM2 = 1e-3


@dataclass(frozen=True)
class Top:
    """A part of a layer with nothing above it."""

    radius_mm: float
    """Of the largest circle inside."""
    pointed: bool
    """Whether rings close on a point there, not along a line."""


@dataclass(frozen=True, eq=False)
class Exposed:
    """What no layer above covers, layer by layer of what is seen, which begins at layer ``first``."""

    first: int
    reach_mm: Floats
    """(n,): how far in from its outline a layer lies bare beside what stands on it; where the process's own rings do,
    no more than what they need."""
    inradii: Floats
    """(n,): radius in mm of the largest circle inside each layer; a lesser number where rings do not need all of it."""
    tops: Mapping[int, tuple[Top, ...]]
    """By place in the arrays."""

    def __len__(self) -> int:
        return len(self.reach_mm)

    def up_to(self, count: int, above: Exposed) -> Exposed:
        """The lowest ``count`` layers, and on them those of ``above``."""
        return Exposed(
            self.first,
            np.append(self.reach_mm[:count], above.reach_mm),
            np.append(self.inradii[:count], above.inradii),
            {at: tops for at, tops in self.tops.items() if at < count}
            | {at + count: tops for at, tops in above.tops.items()},
        )


@dataclass(frozen=True)
class PlanRange:
    """Layers ``first`` to ``last``, both within, counted from 0, and what to set for them."""

    first: int
    last: int
    bottom_mm: float
    top_mm: float
    rings: int
    bead_mm: float

    @property
    def said_layers(self) -> str:
        """``"82 to 84"``, ``"82 and 83"``, or ``"83"``, counted from 1."""
        first, last = self.first + 1, self.last + 1
        return f"{first}" if first == last else f"{first} {'and' if last == first + 1 else 'to'} {last}"

    def said(self) -> Message:
        return say(
            "layer{} {}, z {} to {}: {}",
            "s" * (self.last > self.first),
            self.said_layers,
            Length(self.bottom_mm),
            Length(self.top_mm),
            say_rings(self.rings, self.bead_mm),
        )


@dataclass(frozen=True)
class PrintPlan:
    rings: int
    """As the process is set."""
    bead_mm: float
    ranges: tuple[PlanRange, ...]
    """Bottom up; empty if the process is right as set."""
    full: tuple[int, ...]
    """Layers, counted from 0, whose bare part is left to the full layers: flat and wider than a few beads, or closed by
    no bead that can be laid."""
    throughout: int | None
    """How many rings of the process's own width all through the part would do instead of the ranges."""

    def at(self, layer: int) -> tuple[int, float]:
        """Rings and bead width of a layer."""
        here = next((part for part in self.ranges if part.first <= layer <= part.last), None)
        return (here.rings, here.bead_mm) if here else (self.rings, self.bead_mm)

    @property
    def lines(self) -> tuple[Message, ...]:
        """The plan in words: a line for each range, one for the rest, and one for what full layers have to close."""
        others = "all others" if self.ranges else "all layers"
        as_set = say("{} as set: {}", others, say_rings(self.rings, self.bead_mm))
        full = [say("left to the full layers: the top of layer {}", self.said_full)] if self.full else []
        return (*(part.said() for part in self.ranges), as_set, *full)

    @property
    def said_full(self) -> str:
        """``"16"``, or ``"16, 40"``: the layers left to the full layers, counted from 1."""
        return ", ".join(str(layer + 1) for layer in self.full)


def say_rings(count: int, bead_mm: float) -> Message:
    """``"4 rings of 0.50 mm"``: as it is keyed in."""
    return say("{} ring{} of {:.2f}", count, "s" * (count != 1), Length(bead_mm))


def exposed(layers: Layers, shapes: Shapes, steps: Steps, seen: LayerSpan, process: Process) -> Exposed:
    """What the layers above leave bare of each layer of what is seen. ``shapes`` are those of ``layers.outlines``.

    A layer too small for a bead is not laid, and covers nothing.
    """
    outlines, bead = layers.outlines, process.bead_mm
    enough = (process.rings - 0.5) * bead
    within = np.zeros(len(outlines))
    within[layers.which[seen.first : seen.last + 2]] = bead / 2
    laid = shapes.inradii(within) >= bead / 2 - CLOSE_MM
    reach, tops = np.zeros(len(seen)), {}
    for place, layer in enumerate(range(seen.first, seen.last + 1)):
        below, above = int(layers.which[layer]), int(layers.which[min(layer + 1, len(layers) - 1)])
        topmost = layer + 1 == len(layers)
        if not laid[below] or (above == below and not topmost):
            continue
        if topmost or not laid[above]:
            parts = outlines[below].decompose()
            radii = map(inradius, parts) if len(parts) > 1 else [shapes.inradius(below)]
            tops[place] = tuple(map(_top, parts, radii))
        elif _straight_in(shapes, below, above, float(steps.least[layer + 1]), float(steps.most[layer + 1])):
            reach[place] = steps.most[layer + 1]
        else:
            reach[place], tops[place] = _bare(outlines[below], outlines[above], enough)
    # Where rings have more room than for what is bare and a bead, it does not matter how much.
    which, limits = layers.which[seen.slice], np.zeros(len(outlines))
    np.maximum.at(limits, which, reach + process.bead_max_mm)
    inradii = shapes.inradii(limits)[which]
    return Exposed(seen.first, reach, inradii, {at: top for at, top in tops.items() if top})


def plan_print(edges: Floats, bare: Exposed, process: Process) -> PrintPlan:
    """The least change that makes every layer of what is seen right; ``edges`` (n + 1,) are those of all layers."""
    bead, first = process.bead_mm, bare.first
    widths = _settable(process)
    as_set = int(np.argmin(np.abs(widths - bead)))
    closes, needs = _closing(bare, widths, as_set), _needs(bare, widths, bead)
    wide = _too_wide(len(edges) - 1, bare, closes, process)
    closes[wide], needs[wide] = True, 0.0
    wanted = np.flatnonzero(~closes[:, as_set] | (needs[:, as_set] > process.rings * bead + 1e-9)).tolist()
    spans, left_over = _ranges(wanted, closes, needs, widths, process)
    ranges = [
        PlanRange(
            first=low + first,
            last=high + first,
            bottom_mm=float(edges[low + first]),
            top_mm=float(edges[high + first + 1]),
            rings=rings,
            bead_mm=width,
        )
        for low, high, rings, width in spans
    ]
    throughout = None
    if ranges and not left_over and closes[:, as_set].all():
        throughout = int(np.ceil(needs[:, as_set].max() / bead - 1e-9))
    return PrintPlan(
        rings=process.rings,
        bead_mm=bead,
        ranges=tuple(ranges),
        full=tuple(sorted(layer + first for layer in (*np.flatnonzero(wide).tolist(), *left_over))),
        throughout=throughout,
    )


def plan_findings(layers: Layers, plan: PrintPlan, process: Process, name: str) -> list[Finding]:
    """What the plan leaves to full layers, of a process that lays none."""
    if not plan.full:
        return []
    layer, enough = plan.full[-1], math.ceil(TOP_MM / process.layer_mm - 1e-9)
    return [
        Finding(
            fitting=name,
            check="open top",
            severity="must fix",
            meaning=say("A top is too wide for rings to close, and the process lays no full layers: the inside shows."),
            advice=say("Set {}.", FieldName("full_layers", enough)),
            value=0,
            limit=enough,
            unit="full layers",
            where=layers.place(layer),
            layer=layer + 1,
            layers=(plan.full[0] + 1, layer + 1),
            cure={"full_layers": enough},
        )
    ]


def _straight_in(shapes: Shapes, below: int, above: int, least: float, most: float) -> bool:
    """Whether nothing is bare further in than ``most``, the farthest that the upper outline lies inside the lower one.

    In a convex outline the distance from the edge has no second peak. So where the upper one, convex too, holds any
    point farther in than its own edge, it holds all such points.
    """
    if least < 0:
        return False
    if shapes.walls[below] > 0 and shapes.walls[above] > most:
        # Too far apart for contour and hole to matter to each other, and past the hole's own edge nothing is bare.
        return True
    if not (shapes.convex[below] and shapes.convex[above]):
        return False
    if shapes.inradius(above, most + 2 * CLOSE_MM) > most + CLOSE_MM:
        return True
    middle = shapes.polygons[above][0].mean(axis=0, keepdims=True)
    return bool(shapes.edges.distances(middle[None], np.array([below]))[0, 0] > most)


def _bare(outline: CrossSection, above: CrossSection, enough: float) -> tuple[float, tuple[Top, ...]]:
    """How far in an outline is bare beside what stands on it, ``enough`` at least, and its parts with nothing on."""

    def bare(part: CrossSection, depth: float) -> bool:
        return not without_specks(offset(part, -depth) - above, _SPECK_MM2, 2 * CLOSE_MM).is_empty()

    reach, tops = enough, []
    for part in outline.decompose():
        if (part ^ above).area() < _SPECK_MM2:
            tops.append(_top(part, inradius(part)))
        elif bare(part, reach):
            reach = greatest(partial(bare, part), inradius(part))
    return reach, tuple(tops)


def _top(part: CrossSection, radius: float) -> Top:
    return Top(radius, part.area() <= _POINTED * np.pi * radius**2)


def _settable(process: Process) -> Floats:
    """Widths that an operator can set: whole hundredths of a millimetre, and the process's own."""
    steps = np.arange(np.ceil(process.bead_min_mm / _BEAD_STEP_MM - 1e-9), process.bead_max_mm / _BEAD_STEP_MM + 1e-9)
    return np.unique(np.append((steps * _BEAD_STEP_MM).round(2), process.bead_mm))


def _fitting(radius: float, widths: Floats) -> Floats:
    """How many rings of each width fit: those whose middle line lies inside."""
    return np.floor((radius + CLOSE_MM) / widths + 0.5)


def _closing(bare: Exposed, widths: Floats, as_set: int) -> NDArray[np.bool_]:
    """(n, w): whether rings of each width close all tops of each layer; ``as_set`` is where the process's own is."""
    closes = np.ones((len(bare), len(widths)), bool)
    to_point = np.full(len(widths), OVERFILLED_BEADS)
    to_point[as_set] = KEPT_BEADS
    for layer, tops in bare.tops.items():
        for top in tops:
            count = _fitting(top.radius_mm, widths)
            past = count - top.radius_mm / widths
            most = np.where(count == 1, np.inf, to_point if top.pointed else OVERFILLED_SLOT_BEADS)
            closes[layer] &= (count > 0) & (past >= -OPEN_BEADS - 1e-9) & (past <= most + 1e-9)
    return closes


def _needs(bare: Exposed, widths: Floats, own_mm: float) -> Floats:
    """(n, w): how far in the rings of each layer have to reach: past what is bare, half a bead under the next layer's
    outer one, unless all that fit are laid already; all that fit where it is a top."""
    rests = bare.reach_mm[:, None] + np.maximum(widths, own_mm) / 2
    needs = np.where(bare.reach_mm[:, None] > 0, np.minimum(rests, bare.inradii[:, None] - widths / 2), 0.0)
    for layer, tops in bare.tops.items():
        for top in tops:
            needs[layer] = np.maximum(needs[layer], _fitting(top.radius_mm, widths) * widths)
    return needs


def _too_wide(layers: int, bare: Exposed, closes: NDArray[np.bool_], process: Process) -> NDArray[np.bool_]:
    """(n,): whether a layer's bare part is left to the full layers."""
    few = FEW_BEADS * process.bead_mm
    wide = (bare.reach_mm > few) | ~closes.any(axis=1)
    for layer, tops in bare.tops.items():
        wide[layer] |= any(top.radius_mm > few for top in tops)
    # Under what stands on top lies a seat, which is flat.
    if len(bare) > 0 and bare.first + len(bare) < layers:
        wide[-1] |= bare.reach_mm[-1] > (process.rings - 0.5) * process.bead_mm + 1e-9
    return wide


def _ranges(
    wanted: list[int], closes: NDArray[np.bool_], needs: Floats, widths: Floats, process: Process
) -> tuple[list[tuple[int, int, int, float]], list[int]]:
    """First and last layer, rings and bead width of the ranges over the layers ``wanted``, bottom up, and those of them
    for which there is none left. Each range is as long, from the top down, as one width closes all its tops; so no plan
    of whole ranges has fewer."""
    wanted = list(wanted)
    as_set = process.rings * process.bead_mm
    ranges: list[tuple[int, int, int, float]] = []
    while wanted and len(ranges) < MOST_RANGES:
        first = last = wanted.pop()
        good = closes[last]
        over = good & closes[last:].all(axis=0)
        if not ranges and len(closes) - 1 - last <= _BRIDGED and over.any():
            last, good = len(closes) - 1, over
        while wanted and first - wanted[-1] <= _BRIDGED + 1:
            more = good & closes[wanted[-1] : first].all(axis=0)
            if not more.any():
                break
            first, good = wanted.pop(), more
        counts = _count(needs[first : last + 1], widths, process)
        choice = np.flatnonzero(good)
        best = choice[np.lexsort((counts[choice], np.abs(widths[choice] - process.bead_mm).round(6)))[0]]
        # The layer below may need more than as set to carry a wider bead.
        lacks = closes[:first, best] & (needs[:first, best] > as_set + 1e-9)
        while first > 0 and first - 1 not in wanted and lacks[first - 1]:
            first -= 1
        rings = _count(needs[first : last + 1], widths, process)[best]
        ranges.append((first, last, int(rings), float(widths[best])))
    return ranges[::-1], wanted


def _count(needs: Floats, widths: Floats, process: Process) -> Floats:
    """(w,): how many rings of each width reach as far in as all the layers need, never fewer than as set."""
    return np.maximum(np.ceil(needs.max(axis=0) / widths - 1e-9), process.rings)
