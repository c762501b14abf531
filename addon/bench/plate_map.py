# SPDX-License-Identifier: GPL-3.0-or-later
"""Maps of the plates: what lies where, equal plates once."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from manifold3d import CrossSection

from ..geometry.frames import Floats
from ..geometry.hatching import hatching
from ..geometry.placement import Placement
from ..geometry.units import say_mm
from ..trade.processes import Process
from . import svg
from .plate import Footprint, Plates
from .section_drawing import HATCH_MM, TEXT_MM, text_width

_FINE_MM = 0.05
"""What an outline may lose on paper."""
_LINE_MM = 0.4
"""Width of the plate's outline, which lies within the picture."""
_PAST_MM = 1.0
"""How far a label may reach past its part, into the space around it."""


@dataclass(frozen=True)
class PlateMap:
    plates: tuple[int, ...]
    """Numbers of the plates that look like this, from 1."""
    counts: dict[int, int]
    """How many of each part, by its index."""
    picture: str


def plate_maps(
    footprints: Sequence[Footprint], labels: Sequence[str], plates: Plates, process: Process, width: float = 85
) -> tuple[PlateMap, ...]:
    """One SVG ``width`` mm wide for each arrangement; ``labels`` are what is written on each part."""
    scale = width / process.plate_mm[0]
    outlines = [_simple(footprint.outline, _FINE_MM / scale) for footprint in footprints]
    maps = []
    for alike, numbers in plates.arrangements().items():
        counts = dict(Counter(placement.part for placement in alike))
        maps.append(
            PlateMap(tuple(number + 1 for number in numbers), counts, _map(alike, outlines, labels, process, scale))
        )
    return tuple(maps)


def _map(
    placements: Sequence[Placement], outlines: Sequence[Floats], labels: Sequence[str], process: Process, scale: float
) -> str:
    plate = np.array(process.plate_mm[:2])

    def to_paper(points: Floats) -> Floats:
        return np.column_stack([points[:, 0], plate[1] - points[:, 1]]) * scale

    margin, edge = process.margin_mm, _LINE_MM / 2
    drawn = [
        svg.outlines([_box(edge, edge, *(plate * scale - 2 * edge))], "seen"),
        svg.outlines([to_paper(_box(margin, margin, plate[0] - 2 * margin, plate[1] - 2 * margin))], "hidden"),
    ]
    if min(process.keep_out_mm) > 0:
        corner = [to_paper(_box(0, 0, *process.keep_out_mm))]
        drawn += [svg.strokes(*hatching(corner, HATCH_MM), "hatching"), svg.outlines(corner, "thin")]
    for placement in placements:
        outline = to_paper(placement.put(outlines[placement.part]))
        low, high = outline.min(axis=0), outline.max(axis=0)
        drawn.append(svg.outlines([outline], "thin"))
        label = labels[placement.part]
        if text_width(label) <= (high - low)[0] + _PAST_MM and (high - low)[1] + _PAST_MM >= TEXT_MM:
            drawn.append(svg.text((low + high) / 2, label))
    paper = plate * scale
    title = f"Plate {say_mm(plate[0])} × {say_mm(plate[1])}, {len(placements)} parts, front at the bottom"
    return svg.drawing(paper[0], paper[1], title, *drawn)


def _box(x: float, y: float, width: float, depth: float) -> Floats:
    return np.array([(x, y), (x + width, y), (x + width, y + depth), (x, y + depth)])


def _simple(outline: Floats, error: float) -> Floats:
    simple = CrossSection([np.array(outline, float, order="C")]).simplify(error).to_polygons()
    return simple[0] if simple else outline
