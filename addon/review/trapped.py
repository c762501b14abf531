# SPDX-License-Identifier: GPL-3.0-or-later
"""Support that cannot get out: closed cavities, and pockets whose mouth is too narrow for the bath or a tool.

A probe, a cylinder as wide and as high as the narrowest mouth, is moved through the air around the part. Its middle
may be where the outlines of all layers along its height, grown by its radius, are not. Places hang together across
heights where they overlap; what hangs together with the outside, the probe reaches. Support that it nowhere covers,
and that lies further than twice its width past what it covers, is trapped.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from manifold3d import CrossSection, OpType

from ..fields.messages import Length, Volume, say
from ..geometry.polygons import signed_area
from ..trade.processes import Process
from .findings import Finding, Place
from .integrity import ClosedSurface
from .layers import Layers
from .outlines import offset, without_specks
from .support import Column, Support

_RISE = 0.25
"""From height to height the probe moves up this share of its own."""
_REACH = 2.0
"""The bath and a tool get so many widths of the mouth past where the probe gets."""
_CORNER = 0.25
"""Support narrower than this share of the mouth is a corner that the bath washes out."""
_MOST_HEIGHTS = 2000
_ROUGHLY_MM = 0.01
"""Corners of silhouettes closer to a straight line than this only take time."""


@dataclass(frozen=True, eq=False)
class Trapped:
    """Support in layers ``first`` to ``last``, counted from 0, that the probe does not reach."""

    first: int
    last: int
    region: CrossSection
    volume_mm3: float
    position_mm: Place


@dataclass(frozen=True, eq=False)
class _Height:
    """Where the probe's middle may be while it stands in layers ``first`` to ``last``."""

    first: int
    last: int
    places: list[CrossSection]
    reached: list[bool]

    def cover(self, mouth: float) -> CrossSection:
        """What the probe covers from the places that it reaches."""
        reached = [place for place, is_reached in zip(self.places, self.reached, strict=True) if is_reached]
        return offset(CrossSection.batch_boolean(reached, OpType.Add), mouth / 2) if reached else CrossSection()


def trapped_support(layers: Layers, support: Support, mouth: float) -> tuple[Trapped, ...]:
    """Support that a probe ``mouth`` mm wide and high does not reach."""
    if mouth <= 0:
        return ()
    columns = _not_beside(layers, support.columns, mouth)
    if not columns:
        return ()
    # Mostly the way out is sideways; the layers above matter only where it is not.
    trapped = _left(layers, columns, _reach(layers, max(column.last for column in columns), mouth), mouth)
    return _left(layers, columns, _reach(layers, len(layers) - 1, mouth), mouth) if trapped else ()


def _not_beside(layers: Layers, columns: Sequence[Column], mouth: float) -> list[Column]:
    """The columns that the probe may not get at by staying at one height, beside all that the part is there: a quick
    look that settles most of them."""
    if not columns:
        return []
    left: list[Column] = []
    frame = _frame(layers, mouth)
    # The probe is higher than a low column: what is under that may be in its way.
    under = np.searchsorted(layers.bottoms, [layers.tops[column.last] - mouth - 1e-6 for column in columns], "left")
    lowest = [min(column.first, low) for column, low in zip(columns, under.tolist(), strict=True)]
    # Mostly what stands beside any of them is in the way of none.
    around = _around(_silhouette(layers, min(lowest), max(column.last for column in columns)), frame, mouth)
    silhouettes: dict[int, tuple[int, CrossSection]] = {}
    for column, low in zip(columns, lowest, strict=True):
        if _is_beside(layers, column, around, mouth):
            continue
        known, silhouette = silhouettes.get(low, (low - 1, CrossSection()))
        silhouette = (silhouette + _silhouette(layers, known + 1, column.last)).simplify(_ROUGHLY_MM)
        silhouettes[low] = column.last, silhouette
        if not _is_beside(layers, column, _around(silhouette, frame, mouth), mouth):
            left.append(column)
    return left


def _silhouette(layers: Layers, first: int, last: int) -> CrossSection:
    """All that the part is in layers ``first`` to ``last``."""
    low, high = int(layers.which[first]), int(layers.which[last])
    return CrossSection.batch_boolean(layers.outlines[low : high + 1], OpType.Add)


def _around(silhouette: CrossSection, frame: CrossSection, mouth: float) -> tuple[CrossSection, CrossSection]:
    """What the probe, kept out of a silhouette, covers from outside, and what is within reach of that."""
    blocked = CrossSection([loop for loop in offset(silhouette, mouth / 2).to_polygons() if signed_area(loop) > 0])
    corners = offset(blocked.simplify(_ROUGHLY_MM), -mouth / 2).simplify(_ROUGHLY_MM)
    return frame - corners, frame - offset(corners, -_REACH * mouth)


def _is_beside(layers: Layers, column: Column, around: tuple[CrossSection, CrossSection], mouth: float) -> bool:
    """Whether the probe comes to within reach of all of a column."""
    cover, near = around
    left = column.outline - cover
    if left.area() < (_CORNER * mouth) ** 2:
        return True
    return _far(left, _silhouette(layers, column.first, column.last), cover, near, mouth).is_empty()


def _reach(layers: Layers, top: int, mouth: float) -> list[_Height]:
    """The probe's places at heights up to layer ``top``, and which of them it reaches from outside."""
    frame = _frame(layers, mouth)
    edge = frame.bounds()[0] + 1e-6
    heights: list[_Height] = []
    between = (-1, -1)
    for first, last in _stands(layers, top, mouth):
        low, high = int(layers.which[first]), int(layers.which[last])
        outside = first == 0 or last == len(layers) - 1
        if (low, high) == between:
            known = heights[-1]
            heights[-1] = replace(known, last=last, reached=[outside or reached for reached in known.reached])
            continue
        between = low, high
        places = (frame - offset(_silhouette(layers, first, last), mouth / 2)).decompose()
        heights.append(_Height(first, last, places, [outside or place.bounds()[0] < edge for place in places]))
    _spread(heights)
    return heights


def _stands(layers: Layers, top: int, mouth: float) -> list[tuple[int, int]]:
    """(first, last) layers that the probe takes up: poked in from below, right on every floor, right under every
    ceiling, and between."""
    changes = np.array([0, *(layer for layer in layers.changes() if layer <= top + 1)])
    from_below = changes[(changes > 0) & (layers.bottoms[changes] < mouth)] - 1
    under = np.searchsorted(layers.bottoms, layers.bottoms[changes] - mouth - 1e-6, side="left")
    step = max(1, int(_RISE * mouth / layers.heights()[-1]))
    firsts = np.unique(np.concatenate([changes, under, np.arange(0, top + 1, step)]))
    firsts = firsts[firsts <= top][:: max(1, len(firsts) // _MOST_HEIGHTS)]
    lasts = np.searchsorted(layers.tops, layers.bottoms[firsts] + mouth + 1e-6, side="right") - 1
    stands = list(zip(firsts.tolist(), np.maximum(firsts, lasts).tolist(), strict=True))
    return [(0, last) for last in from_below.tolist()] + stands


def _spread(heights: Sequence[_Height]) -> None:
    """Mark what hangs together with what is reached, up and down until nothing changes."""
    pairs = list(pairwise(heights))
    changed = True
    while changed:
        changed = False
        for low, high in (*pairs, *((high, low) for low, high in reversed(pairs))):
            for index, place in enumerate(high.places):
                if not high.reached[index] and any(
                    reached and not (place ^ other).is_empty()
                    for other, reached in zip(low.places, low.reached, strict=True)
                ):
                    high.reached[index] = changed = True


def _left(layers: Layers, columns: Sequence[Column], heights: Sequence[_Height], mouth: float) -> tuple[Trapped, ...]:
    covers = [(height.first, height.last, height.cover(mouth)) for height in heights]
    parts = (_unreached(layers, column, covers, mouth) for column in columns)
    return tuple(part for part in parts if part is not None)


def _unreached(
    layers: Layers, column: Column, covers: Sequence[tuple[int, int, CrossSection]], mouth: float
) -> Trapped | None:
    """What is left of a column at the layer where most is."""
    worst = CrossSection()
    for layer in {column.first, (column.first + column.last) // 2, column.last}:
        here = [cover for first, last, cover in covers if first <= layer <= last]
        cover = CrossSection.batch_boolean(here, OpType.Add) if here else CrossSection()
        left = _far(column.outline - cover, layers.outline(layer), cover, offset(cover, _REACH * mouth), mouth)
        worst = max(worst, left, key=CrossSection.area)
    if worst.is_empty():
        return None
    height = float(layers.tops[column.last] - layers.bottoms[column.first])
    x, y = worst.to_polygons()[0][0].tolist()
    return Trapped(column.first, column.last, worst, worst.area() * height, (x, y, float(layers.bottoms[column.first])))


def _far(left: CrossSection, part: CrossSection, cover: CrossSection, near: CrossSection, mouth: float) -> CrossSection:
    """What of ``left`` lies not ``near`` what is covered, or nowhere near it through the air of its layer."""
    corner = _CORNER * mouth
    left = without_specks(left, corner * corner, corner)
    if left.is_empty():
        return left
    for air in (left + (near - part)).decompose():
        if not left.is_empty() and not (air ^ cover).is_empty():
            left = without_specks(left - (air ^ near), corner * corner, corner)
    return left


def _frame(layers: Layers, mouth: float) -> CrossSection:
    """A rectangle around all outlines, with room for the probe on every side."""
    boxes = np.array([outline.bounds() for outline in layers.outlines if not outline.is_empty()])
    low, high = boxes[:, :2].min(axis=0) - 2 * mouth, boxes[:, 2:].max(axis=0) + 2 * mouth
    return CrossSection.square(tuple(high - low)).translate(tuple(low))


def trapped_findings(
    layers: Layers, trapped: Sequence[Trapped], cavities: Sequence[ClosedSurface], process: Process, name: str
) -> list[Finding]:
    findings = []
    mouth = process.pocket_mouth_mm
    if trapped:
        volume = sum(part.volume_mm3 for part in trapped)
        way = "The bath" if process.bath != "none" else "A tool"
        findings.append(
            Finding(
                fitting=name,
                check="trapped support",
                severity="must fix",
                meaning=say(
                    "{way} does not get at {volume} of support: no way in is {mouth} wide.",
                    way=way,
                    volume=Volume(volume),
                    mouth=Length(mouth),
                ),
                advice=say(
                    "Widen the mouth to {}, turn the part, or slope the surface that needs support.", Length(mouth)
                ),
                value=round(volume, 2),
                limit=0.0,
                unit="mm³",
                where=layers.places(trapped[0].first, trapped[-1].last),
                position_mm=trapped[0].position_mm,
                layer=trapped[0].first + 1,
                layers=(trapped[0].first + 1, trapped[-1].last + 1),
            )
        )
    if cavities:
        volume = -sum(cavity.volume_mm3 for cavity in cavities)
        number = f"{len(cavities)} closed cavities" if len(cavities) > 1 else "a closed cavity"
        findings.append(
            Finding(
                fitting=name,
                check="closed cavity",
                severity="good to know",
                meaning=say(
                    "What is laid inside {number} of {volume} in all stays inside.",
                    number=number,
                    volume=Volume(volume),
                ),
                advice=say("Open a hole to each if support or water has to get out, else nothing."),
                value=round(volume, 2),
                unit="mm³",
                position_mm=cavities[0].centre_mm,
            )
        )
    return findings
