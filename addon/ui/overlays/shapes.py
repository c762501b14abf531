# SPDX-License-Identifier: GPL-3.0-or-later
"""What overlays show, as plain arrays: lines, triangles and words in the frame in which the part stands to be printed.

Everything is worked out here, once for each result; drawing only passes it on.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from manifold3d import CrossSection, triangulate

from ...families.fitting import Fitting
from ...families.gap_band import GapBand
from ...fields.messages import SPECK_MM2, Units
from ...geometry.frames import Floats
from ...geometry.hatching import dashes, hatching, surface_hatching
from ...geometry.polygons import edge_lengths
from ...geometry.topology import in_runs
from ...review import Review
from ...review.layers import Layers
from ...review.overhangs import NAMES, runs, worst_of
from ...review.print_plan import OPEN_BEADS
from ...review.review import Print
from ...review.rings import widest
from ...review.steps import LEAST_REST
from ...review.support import Column
from ...review.thickness import WALL_BEADS, ThinPart
from ..wording import METRIC
from . import styles
from .styles import Style

Primitive = Literal["line", "hatch", "fill"]

_GRAINS = 40.0
"""How many grains the part's longer side is."""
_SUPPORT_LINES_MM = 2.0
"""How far apart the upright lines in support stand."""
_POSTS_MM = 4.0
"""About how far apart the upright lines of the tube's bore stand."""
_MOST_LABELS = 4
"""Labels of one kind, the worst first: more would hide the part."""


@dataclass(frozen=True, eq=False)
class DrawBatch:
    """Ends of line pieces, two by two, or corners of triangles, three by three: (n, 3) in mm."""

    style: Style
    kind: Primitive
    positions: Floats


@dataclass(frozen=True)
class Label:
    """Words at a place (x, y, z) in mm."""

    words: str
    at: tuple[float, float, float]
    style: Style


@dataclass(frozen=True)
class LegendEntry:
    """A line of the legend; ``note`` gives limits and values with their units."""

    style: Style
    note: str = ""


@dataclass(frozen=True)
class Marks:
    """One overlay."""

    batches: tuple[DrawBatch, ...] = ()
    labels: tuple[Label, ...] = ()
    legend: tuple[LegendEntry, ...] = ()


@dataclass(frozen=True, eq=False)
class Stack:
    """The outlines of all layers, bottom up, so that those up to a layer are the first so many."""

    lines: Floats
    """(n, 3) in mm, two by two."""
    ends: np.ndarray
    """(layers,): how many of the rows of ``lines`` belong to each layer and those below it."""


def grain_of(review: Review) -> float:
    """Length in mm that dashes and hatches are measured in."""
    return float(review.mesh.size.max()) / _GRAINS


# The overlays of a review. ``printed`` is that of a review that could be cut into layers.


def outline_stack(printed: Print) -> Stack:
    layers = printed.layers
    flat = [edges_of(outline.to_polygons()) for outline in layers.outlines]
    sizes = np.array([len(pieces) for pieces in flat])[layers.which]
    plan = np.concatenate([flat[which] for which in layers.which])
    return Stack(np.column_stack([plan, np.repeat(layers.cuts, sizes)]), np.cumsum(sizes))


def outlines(stack: Stack, printed: Print, up_to: int | None = None, say: Units = METRIC, every: int = 1) -> Marks:
    """The outlines of all layers, or of those up to a layer counted from 0; of ``every`` so manieth from the last."""
    layers = printed.layers
    last = len(layers) - 1 if up_to is None else up_to
    note = f"{last + 1} of {len(layers)}, {say(layers.heights()[-1])} high"
    if every > 1:
        note += f", one of {every} drawn"
    starts = np.append(0, stack.ends)
    drawn = [stack.lines[starts[layer] : starts[layer + 1]] for layer in range(last, -1, -every)]
    lines = DrawBatch(styles.OUTLINE, "line", np.concatenate(drawn))
    return Marks((lines,), legend=(LegendEntry(styles.OUTLINE, note),))


def chosen_layer(printed: Print, layer: int, say: Units = METRIC) -> Marks:
    layers = printed.layers
    lines = _at_height(edges_of(layers.outline(layer).to_polygons()), layers.cuts[layer])
    return Marks(
        (DrawBatch(styles.LAYER, "line", lines),), legend=(LegendEntry(styles.LAYER, layers.place(layer).text(say)),)
    )


def rings(review: Review, layer: int, planned: bool = False, say: Units = METRIC) -> Marks:
    """One layer's beads at their true width, which of them the layer above leaves bare, what is left to the fill under
    it, and what nothing covers."""
    assert review.printed is not None
    layers, grain = review.printed.layers, grain_of(review)
    laid = review.rings(layer, planned)
    z = float(layers.cuts[layer])
    outline = layers.outline(layer)
    above = layers.outline(layer + 1) if layer + 1 < len(layers) else CrossSection()
    bare = outline - above - laid.uncovered
    left, uncovered = laid.middle ^ above, laid.gaps + (laid.middle - above)
    if uncovered.area() < SPECK_MM2:
        uncovered = CrossSection()
    edges = [loop for bead in laid.beads for loop in bead.to_polygons()]
    batches = [
        *_area(styles.RING, outline - laid.uncovered, z, grain, edge=False),
        _line(styles.RING, _at_height(edges_of(edges), z), grain),
        *_area(styles.BARE, bare, z, grain),
        *_area(styles.LEFT_TO_FILL, left, z, grain),
        *_area(styles.UNCOVERED, uncovered, z, grain),
    ]
    labels: list[Label] = []
    legend = [LegendEntry(styles.RING, f"{laid.count} of {say(laid.bead_mm)}{', as planned' if planned else ''}")]
    for style, region in ((styles.BARE, bare), (styles.LEFT_TO_FILL, left)):
        if region.area() >= SPECK_MM2:
            legend.append(LegendEntry(style, say.area(region.area())))
    if not uncovered.is_empty():
        gap, note = widest(uncovered), "narrow spots, taken for closed"
        if gap.width_mm > 2 * OPEN_BEADS * laid.bead_mm:
            labels.append(Label(f"{say(gap.width_mm)} open", (*gap.centre, z), styles.UNCOVERED))
            note = f"{say.area(uncovered.area())}, widest {say(gap.width_mm)}"
        legend.append(LegendEntry(styles.UNCOVERED, note))
    return Marks(_some(batches), tuple(labels), tuple(legend))


def overhangs(review: Review, say: Units = METRIC) -> Marks:
    """What hangs in the air, the columns under it, and the surface that leans too far."""
    assert review.printed is not None
    printed, process, grain = review.printed, review.process, grain_of(review)
    layers = printed.layers
    batches: list[DrawBatch] = []
    labels = []
    for overhang in printed.overhangs:
        carried = overhang.carried(process)
        style = styles.BRIDGE if carried else styles.OVERHANG
        batches += _area(style, overhang.region, float(layers.bottoms[overhang.layer]), grain)
    hanging = [overhang for overhang in printed.overhangs if not overhang.carried(process)]
    for run in runs(hanging):
        worst = worst_of(run)
        labels.append(Label(f"{NAMES[worst.kind]} {say(worst.reach_mm)}", worst.position_mm, styles.OVERHANG))
    batches.append(_line(styles.SUPPORT, _support_lines(printed.support.columns, layers), grain))
    corners = review.mesh.corners[list(review.surface.facets)]
    lines = surface_hatching(corners, np.array([0.6, 0.0, 0.8]), styles.LEANING.apart * grain)
    batches.append(DrawBatch(styles.LEANING, "hatch", broken(styles.LEANING, lines.reshape(-1, 3), grain)))
    support = printed.support
    carried_bridges = [overhang for overhang in printed.overhangs if overhang.carried(process)]
    legend = [
        LegendEntry(styles.OVERHANG, say.area(sum(overhang.beyond_mm2 for overhang in hanging))),
        LegendEntry(styles.SUPPORT, say.volume(support.volume_mm3) if support.needed else "none"),
    ]
    if review.surface.facets:
        note = f"{say.area(review.surface.area_mm2)} over {process.overhang_deg:g}° from upright"
        legend.append(LegendEntry(styles.LEANING, note))
    if carried_bridges:
        longest = max(bridge.reach_mm for bridge in carried_bridges)
        legend.append(LegendEntry(styles.BRIDGE, f"{say(longest)} of {say(process.bridge_mm)}"))
    return Marks(_some(batches), tuple(labels[:_MOST_LABELS]), tuple(legend))


def thin_walls(review: Review, say: Units = METRIC) -> Marks:
    """Walls too thin for a bead out and one back, and gaps that close up."""
    assert review.printed is not None
    printed, bead, grain = review.printed, review.process.bead_mm, grain_of(review)
    kinds = (
        (styles.THIN_WALL, printed.thin_walls, WALL_BEADS * bead),
        (styles.NARROW_GAP, printed.narrow_gaps, bead),
    )
    batches: list[DrawBatch] = []
    labels: list[Label] = []
    legend = []
    for style, parts, limit in kinds:
        if not parts and style is not styles.THIN_WALL:
            continue
        batches += [batch for part in parts for batch in _thin_part(style, part, printed.layers, grain)]
        narrowest = sorted(parts, key=lambda part: part.width_mm)[:_MOST_LABELS]
        labels += [Label(say(part.width_mm), part.position_mm, style) for part in narrowest]
        least_width = f"least {say(narrowest[0].width_mm)}" if narrowest else "none"
        legend.append(LegendEntry(style, f"under {say(limit)}: {least_width}"))
    thickness = printed.thickness
    if thickness.thinnest is not None and thickness.least_mm < WALL_BEADS * bead:
        labels.append(Label(f"{say(thickness.least_mm)} through", thickness.thinnest, styles.THIN_WALL))
    return Marks(_some(batches), tuple(labels), tuple(legend))


def steps(review: Review, say: Units = METRIC) -> Marks:
    """The ledge that each layer leaves of the one below: narrow, wider than half a bead, or in the crown a jump, where
    the outer bead rests too little."""
    assert review.printed is not None
    printed, grain = review.printed, grain_of(review)
    layers, moved, crown = printed.layers, printed.steps, printed.seen
    wide_mm = (1 - LEAST_REST) * review.process.bead_mm
    batches: list[DrawBatch] = []
    labels = []
    for layer, (below, outline) in zip(layers.changes(), pairwise(layers.outlines), strict=True):
        style = styles.WIDE_STEP if moved.most[layer] > wide_mm else styles.STEP
        z = float(layers.bottoms[layer])
        if moved.rest[layer] < LEAST_REST and crown.first < layer <= crown.last:
            style = styles.JUMP
            words = f"layer {layer + 1}: step {say(moved.most[layer])}, rest {moved.rest[layer]:.0%} as set"
            labels.append(Label(words, (*_rightmost(below), z), styles.JUMP))
        batches += _area(style, below - outline, z, grain)
    inward = moved.most[crown.slice][1:]
    least, most = (say(inward.min()), say(inward.max())) if len(inward) else ("", "")
    note = f"crown {least}" + (f" to {most}" if most != least else "") if least else ""
    legend = [LegendEntry(styles.STEP, note), LegendEntry(styles.WIDE_STEP, f"over {say(wide_mm)}")]
    if labels:
        legend.append(LegendEntry(styles.JUMP, f"under {LEAST_REST:.0%} of a bead as set"))
    return Marks(_some(batches), tuple(labels[:_MOST_LABELS]), tuple(legend))


def gap(fitting: Fitting, band: GapBand | None = None, say: Units = METRIC) -> Marks:
    """The room between spigot and bore just under the shoulder and over the lead-in, and the bore down to the tip."""
    seat = fitting.seats[0]
    bore = seat.room.polygon()
    spigot = seat.outline.cross_section()
    hole = CrossSection([bore])
    grain = float(fitting.mesh.size.max()) / _GRAINS
    room, bite = hole - spigot, spigot - hole
    heights = (0.0, seat.lead_in_mm - seat.length_mm)
    batches: list[DrawBatch] = []
    for height in heights:
        for style, region in ((styles.GAP, room), (styles.BITE, bite)):
            batches += [_standing(fitting, batch) for batch in _area(style, region, height, grain)]
    rims = [_at_height(edges_of([bore]), height) for height in (0.0, -seat.length_mm)]
    posts = _posts([bore], -seat.length_mm, 0.0)
    batches.append(_standing(fitting, _line(styles.BORE, np.concatenate([*rims, posts]), grain)))
    nominal = seat.gap_mm
    note = f"{say(abs(nominal))} per side"
    if band is not None:
        least, most = band.root_sum_square
        note += f", may come out {say(least)} to {say(most)}"
    style = styles.BITE if nominal < 0 else styles.GAP
    at = fitting.standing_points(np.array([[float(bore[:, 0].max()), 0.0, 0.0]]))[0]
    words = f"{'bites' if nominal < 0 else 'gap'} {say(abs(nominal))}"
    label = Label(words, (float(at[0]), float(at[1]), float(at[2])), style)
    sides = dict.fromkeys((seat.room.width, seat.room.depth))
    across = " × ".join(map(say, sides))
    return Marks(_some(batches), (label,), (LegendEntry(style, note), LegendEntry(styles.BORE, across)))


def caption(review: Review, layer: int, planned: bool = False, say: Units = METRIC) -> tuple[str, ...]:
    """``("layer 14 of 82, z 3.4 mm", "3 rings of 0.45 mm", "rest 87%", "thin wall: look at")``."""
    printed = review.printed
    if printed is None:
        return ("No layers: see the findings",)
    laid = review.rings(layer, planned)
    return (
        printed.layers.place(layer).text(say),
        f"{laid.count} ring{'s' * (laid.count != 1)} of {say(laid.bead_mm)}{' as planned' if planned else ''}",
        f"rest {printed.steps.rest[layer]:.0%}{' as set' if planned else ''}",
        *findings_at(review, layer),
    )


def findings_at(review: Review, layer: int) -> list[str]:
    """The checks with a finding on a layer, and their severity."""
    findings = [finding for finding in review.known if finding.at(layer + 1) and finding.severity != "good to know"]
    return list(dict.fromkeys(f"{finding.check}: {finding.severity}" for finding in findings))


# Pieces


def broken(style: Style, pieces: Floats, grain: float) -> Floats:
    """Line pieces (n, d), two by two, dashed as the style says."""
    return pairs(*dashes(pieces[::2], pieces[1::2], [grain * length for length in style.line]))


def area_pieces(style: Style, loops: Sequence[Floats], grain: float) -> tuple[Floats, Floats]:
    """A style's edge and hatch of an area, in the plane: line pieces (n, 2), two by two."""
    hatches = [pairs(*hatching(loops, style.apart * grain, degrees)) for degrees in style.hatch]
    return broken(style, edges_of(loops), grain), np.concatenate([np.empty((0, 2)), *hatches])


def triangles(loops: Sequence[Floats]) -> Floats:
    """Corners (3 k, 2), three by three, that fill outlines; holes run clockwise."""
    if not len(loops):
        return np.empty((0, 2))
    return np.concatenate(loops)[np.asarray(triangulate(list(loops))).ravel()]


def _area(style: Style, region: CrossSection, z: float, grain: float, edge: bool = True) -> list[DrawBatch]:
    loops = region.to_polygons()
    if not loops:
        return []
    line, hatch = area_pieces(style, loops, grain)
    batches = [
        DrawBatch(style, "fill", _at_height(triangles(loops), z)),
        DrawBatch(style, "hatch", _at_height(hatch, z)),
    ]
    return [*batches, DrawBatch(style, "line", _at_height(line, z))] if edge and style.width else batches


def _line(style: Style, pieces: Floats, grain: float) -> DrawBatch:
    return DrawBatch(style, "line", broken(style, pieces, grain))


def _thin_part(style: Style, part: ThinPart, layers: Layers, grain: float) -> list[DrawBatch]:
    """Edges in every layer of the part, area and hatch only where its shape changes."""
    parts: list[DrawBatch] = []
    for layer, region in zip(range(part.first, part.last + 1), part.regions, strict=True):
        fresh = layer == part.first or layers.which[layer] != layers.which[layer - 1]
        batches = _area(style, region, float(layers.cuts[layer]), grain)
        parts += batches if fresh else batches[2:]
    return _together(parts)


def _support_lines(columns: Sequence[Column], layers: Layers) -> Floats:
    """Upright lines in the columns, and their outlines where they stand on the plate or on the part."""
    tops = {column.last for column in columns}
    lines = [np.empty((0, 3))]
    for column in columns:
        loops = column.outline.to_polygons()
        low, high = float(layers.bottoms[column.first]), float(layers.tops[column.last])
        if column.first - 1 not in tops:
            lines.append(_at_height(edges_of(loops), low))
        # On one raster for all, so that lines run on from column to column.
        starts, ends = hatching(loops, _SUPPORT_LINES_MM, 0.0)
        first = np.ceil(starts[:, 0] / _SUPPORT_LINES_MM)
        row, along = in_runs(np.maximum(np.floor(ends[:, 0] / _SUPPORT_LINES_MM) - first + 1, 0).astype(np.int64))
        feet = np.column_stack([(first[row] + along) * _SUPPORT_LINES_MM, starts[row, 1]])
        lines.append(pairs(_at_height(feet, low), _at_height(feet, high)))
    return np.concatenate(lines)


def _posts(loops: Iterable[Floats], low: float, high: float) -> Floats:
    """Upright lines from outline to outline, at corners about evenly apart."""
    feet = []
    for loop in loops:
        along = np.cumsum(edge_lengths(loop))
        count = max(3, round(along[-1] / _POSTS_MM))
        feet.append(loop[np.unique(np.searchsorted(along, along[-1] * np.arange(count) / count))])
    points = np.concatenate([np.empty((0, 2)), *feet])
    return pairs(_at_height(points, low), _at_height(points, high))


def _standing(fitting: Fitting, batch: DrawBatch) -> DrawBatch:
    return DrawBatch(batch.style, batch.kind, fitting.standing_points(batch.positions))


def edges_of(loops: Sequence[Floats]) -> Floats:
    """The sides of closed outlines: (n, 2), two by two."""
    none = np.empty((0, 2))
    following = [part for loop in loops for part in (loop[1:], loop[:1])]
    return pairs(np.concatenate([none, *loops]), np.concatenate([none, *following]))


def pairs(starts: Floats, ends: Floats) -> Floats:
    """Lines from ``starts`` to ``ends`` (k, d): (2 k, d), two by two."""
    return np.stack([starts, ends], axis=1).reshape(-1, starts.shape[1])


def _at_height(points: Floats, z: float) -> Floats:
    return np.column_stack([points, np.full(len(points), z)])


def _rightmost(outline: CrossSection) -> tuple[float, float]:
    points = np.concatenate(outline.to_polygons())
    x, y = points[np.argmax(points[:, 0])]
    return float(x), float(y)


def _together(batches: Sequence[DrawBatch]) -> list[DrawBatch]:
    """Batches of the same kind joined, in the order of their first."""
    alike: dict[tuple[Style, Primitive], list[Floats]] = {}
    for batch in batches:
        alike.setdefault((batch.style, batch.kind), []).append(batch.positions)
    return [DrawBatch(style, kind, np.concatenate(parts)) for (style, kind), parts in alike.items()]


def _some(batches: Sequence[DrawBatch]) -> tuple[DrawBatch, ...]:
    return tuple(batch for batch in _together(batches) if len(batch.positions))
