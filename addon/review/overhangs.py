# SPDX-License-Identifier: GPL-3.0-or-later
"""Overhangs: by layer, what lies further out than the layer below carries; by surface, what leans too far.

By layer: from one layer to the next an outline may move outward by the height between their cuts times the tangent of
the angle that the process carries from upright. What lies further out hangs in the air. Where it lies between two
rests it is a bridge, spanned up to the process's bridge length; where it has a rest on one side only it is a
cantilever; where the layer below is nowhere under it, an island.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise, zip_longest
from typing import Literal

import numpy as np
from manifold3d import CrossSection

from ..families.fitting import Level
from ..fields.messages import Area, Length, Message, say
from ..trade.processes import Process
from .facets import Facets
from .findings import Finding, Place, Severity
from .layers import Layers
from .outlines import CLOSE_MM, Shapes, centre_of, closed, greatest, offset

OverhangKind = Literal["cantilever", "bridge", "island"]

NAMES: dict[OverhangKind, str] = {"cantilever": "overhang", "bridge": "bridge", "island": "island"}
"""What findings and marks call them."""
LEAST_BEADS = 0.25
"""An overhang smaller than this share of a bead's width squared is laid on nothing and still holds."""
_SLACK_MM = 0.005
"""Facets may step outward this much more than the surface they stand for."""
_MOST_SORTED = 200
"""Overhanging parts that are classified, largest first; the rest count as cantilevers, to be on the safe side."""
_MEET = 4.0
"""Rests that an overhang touches are grown by so many times its size: the larger, the straighter what joins them."""
_BRIDGED = 0.75
"""Share of an overhang that has to lie between rests for it to count as a bridge."""


@dataclass(frozen=True, eq=False)
class Overhang:
    """One part of one layer that hangs in the air."""

    layer: int
    """Counted from 0."""
    region: CrossSection
    """All that lies beyond the layer below, up to its edge: what support has to stand under."""
    beyond_mm2: float
    """How much of it lies further out than the layer below carries."""
    kind: OverhangKind
    reach_mm: float
    """A cantilever's or an island's length from its nearest rest or across; a bridge's span."""
    position_mm: Place

    def carried(self, process: Process) -> bool:
        """Whether the process lays it without support; a span is only known to ``CLOSE_MM``."""
        return self.kind == "bridge" and self.reach_mm <= process.bridge_mm + CLOSE_MM


@dataclass(frozen=True)
class LeaningSurface:
    """Facets that lean further than the process carries, those on the plate left out."""

    area_mm2: float
    steepest_deg: float
    """The largest lean from upright: 90 is a ceiling."""
    position_mm: Place
    """Middle of the largest facet that leans most."""
    facets: tuple[int, ...]


def carried_step(layers: Layers, layer: int, overhang_deg: float) -> float:
    """How far out a layer may stand past the one below, in mm."""
    height = layers.cuts[layer] - layers.cuts[layer - 1]
    return float(height * math.tan(math.radians(overhang_deg)))


@dataclass(frozen=True, eq=False)
class Hanging:
    """One part of a layer that lies past the layer below by more than is carried: what the quick pass finds."""

    layer: int
    beyond_mm2: float
    _part: CrossSection
    _free: CrossSection
    """What of it is not carried."""
    _carried_mm: float

    @cached_property
    def region(self) -> CrossSection:
        """Support stands right up to the part, not only under what is not carried."""
        if self.beyond_mm2 > self._part.area() / 2:
            return self._part
        return offset(self._free, self._carried_mm + _SLACK_MM) ^ self._part


def hanging(layers: Layers, process: Process) -> list[Hanging]:
    """The quick pass over all layers: area of each layer past the one below grown by what is carried."""
    least = LEAST_BEADS * process.bead_mm**2
    parts = []
    for layer, (below, outline) in zip(layers.changes(), pairwise(layers.outlines), strict=True):
        if not layers.grows[layer]:
            continue
        reach = carried_step(layers, layer, process.overhang_deg) + _SLACK_MM
        free = outline - offset(below, reach)
        if free.area() <= least:
            continue
        for part in (outline - below).decompose():
            if part.area() > least and (area := (beyond := free ^ part).area()) > least:
                parts.append(Hanging(layer, area, part, beyond, reach))
    return parts


def sort_out(layers: Layers, hanging_parts: Sequence[Hanging], process: Process) -> list[Overhang]:
    """Every overhanging part with its kind and reach, bottom up."""
    by_size = _by_size(hanging_parts)
    classified = [_bridge_or_island(layers, part, process) for part in by_size[:_MOST_SORTED]]
    plain = [part for part, overhang in zip_longest(by_size, classified) if overhang is None]
    overhangs = [overhang for overhang in classified if overhang is not None] + _cantilevers(layers, plain)
    return sorted(overhangs, key=lambda overhang: overhang.layer)


def islands(layers: Layers, hanging_parts: Sequence[Hanging]) -> list[Overhang]:
    """Those of ``sort_out`` that start in the air, without sorting the others."""
    found = [
        _overhang(layers, part, "island", _across(part.region))
        for place, part in enumerate(_by_size(hanging_parts))
        if _is_island(layers, part) and (place < _MOST_SORTED or layers.outline(part.layer - 1).is_empty())
    ]
    return sorted(found, key=lambda overhang: overhang.layer)


def _by_size(hanging_parts: Sequence[Hanging]) -> list[Hanging]:
    return sorted(hanging_parts, key=lambda part: -round(part.beyond_mm2, 6))


def _bridge_or_island(layers: Layers, part: Hanging, process: Process) -> Overhang | None:
    """None if it is a cantilever."""
    below = layers.outline(part.layer - 1)
    if _is_island(layers, part):
        return _overhang(layers, part, "island", _across(part.region))
    if below.hull().area() - below.area() > part.beyond_mm2 / 2:
        rests = below ^ offset(part.region, process.bead_mm)
        if (part.region ^ rests.hull()).area() < _BRIDGED * part.region.area():
            return None  # what lies between rests lies within their hull, which is much quicker made
        # What lies between rests is filled by growing them far enough to meet, then shrinking them again.
        between = closed(rests, _MEET * _across(part.region))
        if (part.region ^ between).area() >= _BRIDGED * part.region.area():
            half = greatest(lambda reach: not (part.region - offset(below, reach)).is_empty(), _across(part.region))
            return _overhang(layers, part, "bridge", 2 * half)
    return None


def _cantilevers(layers: Layers, parts: Sequence[Hanging]) -> list[Overhang]:
    """With how far they reach, and as islands those with nothing at all below."""
    regions = Shapes([part.region for part in parts]).edges
    below = Shapes([layers.outline(part.layer - 1) for part in parts]).edges
    resting = np.flatnonzero(below.counts)
    away = below.distances(regions.samples(resting), resting).max(axis=1)
    reaches = dict(zip(resting.tolist(), away.tolist(), strict=True))
    return [
        _overhang(layers, part, "cantilever", reaches[index])
        if index in reaches
        else _overhang(layers, part, "island", _across(part.region))
        for index, part in enumerate(parts)
    ]


def _is_island(layers: Layers, part: Hanging) -> bool:
    outline, below = layers.outline(part.layer), layers.outline(part.layer - 1)
    if outline.num_contour() == 1:
        return (outline ^ below).is_empty()
    pieces = outline.decompose()
    return any((piece ^ below).is_empty() and not (piece ^ part.region).is_empty() for piece in pieces)


def _across(region: CrossSection) -> float:
    left, front, right, back = region.bounds()
    return max(right - left, back - front)


def _overhang(layers: Layers, part: Hanging, kind: OverhangKind, reach: float) -> Overhang:
    points = part.region.to_polygons()[0]
    x, y = points[np.argmax(np.linalg.norm(points - centre_of(layers.outline(part.layer)), axis=1))]
    position = (float(x), float(y), float(layers.bottoms[part.layer]))
    return Overhang(part.layer, part.region, part.beyond_mm2, kind, reach, position)


def leaning(facets: Facets, overhang_deg: float, plate_mm: float) -> LeaningSurface:
    """Facets leaning more than ``overhang_deg`` from upright and not lying within ``plate_mm`` of the plate."""
    lean = -facets.normals[:, 2]
    steep = np.flatnonzero((lean > math.sin(math.radians(overhang_deg)) + 1e-4) & (facets.high > plate_mm))
    if not len(steep):
        return LeaningSurface(0.0, 0.0, (0.0, 0.0, 0.0), ())
    most = steep[lean[steep] > lean[steep].max() - 1e-6]
    worst = most[np.argmax(facets.areas[most])]
    steepest = math.degrees(math.asin(min(1.0, float(lean[worst]))))
    x, y, z = facets.centres[worst].tolist()
    return LeaningSurface(float(facets.areas[steep].sum()), steepest, (x, y, z), tuple(steep.tolist()))


def overhang_findings(
    layers: Layers,
    overhangs: Sequence[Overhang],
    levels: Sequence[Level],
    process: Process,
    name: str,
) -> list[Finding]:
    """One finding for each kind and run of layers that needs support, the worst of its parts as its place."""
    findings = []
    for run in runs(overhangs):
        worst = worst_of(run)
        if worst.carried(process):
            continue
        first, last = run[0].layer, run[-1].layer
        severity, meaning, limit, advice = _words(worst, layers, first, levels, process)
        findings.append(
            Finding(
                fitting=name,
                check=NAMES[worst.kind],
                severity=severity,
                meaning=say(
                    "{meaning}; {area} in all.",
                    meaning=meaning,
                    area=Area(sum(overhang.beyond_mm2 for overhang in run)),
                ),
                advice=advice,
                value=round(worst.reach_mm, 2),
                limit=round(limit, 2),
                unit="mm",
                where=layers.places(first, last),
                position_mm=worst.position_mm,
                layer=first + 1,
                layers=(first + 1, last + 1),
            )
        )
    return findings


def _words(
    worst: Overhang, layers: Layers, first: int, levels: Sequence[Level], process: Process
) -> tuple[Severity, Message, float, Message]:
    if worst.kind == "island":
        return (
            "must fix",
            say("A part {} across starts in the air", Length(worst.reach_mm)),
            0.0,
            say("Support it, turn the part over, or join it to the layer below."),
        )
    if worst.kind == "bridge":
        limit = process.bridge_mm
        meaning = say("A bridge of {} is longer than the process spans and needs support", Length(worst.reach_mm))
        return "good to know", meaning, limit, say("To do without, bring the rests within {}.", Length(limit))
    limit = carried_step(layers, first, process.overhang_deg)
    low, high = layers.cuts[first - 1], layers.cuts[first]
    what = next((level.name for level in levels if low < level.z_mm <= high), "layer")
    return (
        "good to know",
        say(
            "The {what} stands out {reach} past the layer below and needs support",
            what=what,
            reach=Length(worst.reach_mm),
        ),
        limit,
        say(
            "To do without, turn the part, or slope its underside {:g}° or more from level.", 90 - process.overhang_deg
        ),
    )


def runs(overhangs: Sequence[Overhang]) -> list[list[Overhang]]:
    """Parts of one kind in layers that follow each other, together."""
    runs: list[list[Overhang]] = []
    latest: dict[OverhangKind, list[Overhang]] = {}
    for overhang in overhangs:
        run = latest.get(overhang.kind)
        if run is None or overhang.layer > run[-1].layer + 1:
            run = latest[overhang.kind] = []
            runs.append(run)
        run.append(overhang)
    return runs


def worst_of(run: Sequence[Overhang]) -> Overhang:
    return max(run, key=lambda overhang: overhang.reach_mm)
