# SPDX-License-Identifier: GPL-3.0-or-later
"""The support that overhangs need: columns from each of them straight down to the plate or to the part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from manifold3d import CrossSection, FillRule, OpType

from ..fields.messages import Area, Message, Volume, say
from ..geometry.frames import Floats
from ..geometry.polygons import signed_area
from ..trade.processes import Process
from .layers import Layers
from .outlines import offset

_SPECK_MM2 = 0.01
"""Columns thinner than this are errors of rounding."""


@dataclass(frozen=True, eq=False)
class Column:
    """Support with one outline from layer ``first`` to layer ``last``, both counted from 0."""

    first: int
    last: int
    outline: CrossSection


@dataclass(frozen=True, eq=False)
class Support:
    areas: Floats
    """(n,): support in each layer, in mm²."""
    columns: tuple[Column, ...]
    """Bottom up."""
    volume_mm3: float
    contact_mm2: float
    """Area of the part that rests on the support."""
    foot_on_part_mm2: float
    foot_on_plate_mm2: float

    @property
    def needed(self) -> bool:
        return self.volume_mm3 > 0

    def said(self, process: Process) -> Message:
        """How much there is, where it touches, and how it comes off."""
        if not self.needed:
            return say("no support")
        how = {"same material, broken off": "broken off", "dissolved in a bath": "dissolved in the bath"}
        support, under = Volume(self.volume_mm3), Area(self.contact_mm2)
        return say("support: {} under {} of the part, {}", support, under, how[process.support])


def inside_mm3(layers: Layers, support: Support) -> float:
    """How much of it stands in bores: with the part all around in every layer."""
    volume, heights = 0.0, layers.heights()
    for column in support.columns:
        span, left = slice(column.first, column.last + 1), column.outline
        for outline in dict.fromkeys(layers.which[span].tolist()):
            loops = [loop for loop in layers.outlines[outline].to_polygons() if signed_area(loop) > 0]
            left ^= CrossSection(loops, FillRule.NonZero)
            if left.area() < _SPECK_MM2:
                break
        else:
            volume += left.area() * float(heights[span].sum())
    return volume


def base_area(layers: Layers, support: Support, margin_mm: float) -> float:
    """In mm², of a base that reaches so far past all that would stand on the plate."""
    on_plate = [layers.outline(0), *(column.outline for column in support.columns if column.first == 0)]
    return offset(CrossSection.batch_boolean(on_plate, OpType.Add), margin_mm).area()


def support_under(layers: Layers, regions: Sequence[tuple[int, CrossSection]]) -> Support:
    """Columns under regions (layer that hangs, region), worked out from the top down."""
    areas = np.zeros(len(layers))
    hanging: dict[int, list[CrossSection]] = {}
    for layer, region in regions:
        hanging.setdefault(layer - 1, []).append(region)
    columns: list[Column] = []
    contact = sum(region.area() for _, region in regions)
    foot = 0.0
    need, top, last_outline = CrossSection(), -1, -1
    for layer in range(max(hanging, default=-1), -1, -1):
        fresh = hanging.get(layer, [])
        outline = int(layers.which[layer])
        if fresh or (outline != last_outline and not need.is_empty()):
            wanted = CrossSection.batch_boolean([need, *fresh], OpType.Add) if fresh else need
            left = wanted - layers.outlines[outline]
            area, before = left.area(), wanted.area()
            if area < _SPECK_MM2:
                left, area = CrossSection(), 0.0
            if before - area > _SPECK_MM2:
                foot += before - area
            if fresh or before - area > _SPECK_MM2:
                if not need.is_empty():
                    columns.append(Column(layer + 1, top, need))
                need, top = left, layer
        last_outline = outline
        areas[layer] = need.area()
    if not need.is_empty():
        columns.append(Column(0, top, need))
    volume = float(areas @ layers.heights())
    return Support(areas, tuple(reversed(columns)), volume, contact, foot, float(areas[0]) if len(areas) else 0.0)
