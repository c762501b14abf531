# SPDX-License-Identifier: GPL-3.0-or-later
"""From a recipe and a cut to the sleeve whose edge it is."""

from __future__ import annotations

from itertools import pairwise
from typing import get_args

import numpy as np
from manifold3d import CrossSection, JoinType, Manifold, OpType

from ...fields.messages import Length, say
from ...fields.refusals import RecipeError
from ...geometry.developments import Development
from ...geometry.frames import Floats
from ...geometry.mesh import Mesh
from ...shaping.contours import Fineness
from ...shaping.cutters import OutlinePoint, prism
from ...shaping.marks import Layering, raised
from ...shaping.shells import Shell, band, in_one_piece, labelled, sound, surface_id, surface_indices, tool, unlabelled
from ...shaping.sleeves import sleeve, sliding_bore
from ...shaping.strokes import written_size
from ...trade.fits import fit_named
from ..circumstances import Circumstances
from ..over_tube import SLIDE, sliding_gap, tube_off_mm
from ..settling import Settling, outline_faults_refused
from .cut_ends import CutPlace
from .recipe import CopeRecipe, Locate
from .sleeve import CopeSleeve, end_of
from .wrapping import development_of

LEAST_WALL_MM = 1.2
LEAST_GRIP_MM = 25.0
_LEDGE_MM = 3.0
"""How far a stop reaches inward past the tube's wall."""
_NOTCH_MM, _SHORT, _LONG = 1.5, 0.25, 0.5
"""Width of a witness notch, and its height as a share of the least height of the sleeve; the long one is at the
chief line."""
_MOST_NOTCH_MM, _PAST_MM = 12.0, 0.5
_ARC_FACETS = 64
_BESIDE_MM = 1.5
"""Around marks."""
_STRAIGHT = np.cos(np.radians(30.0))


def design(
    recipe: CopeRecipe, place: CutPlace, circumstances: Circumstances | None = None, facets: int | None = None
) -> CopeSleeve:
    """The sleeve for a cut. ``facets`` of a whole circle is for previews. Raises ``RecipeError``."""
    if place.section.outer.shape == "free":
        raise RecipeError("section", "sleeves go over round, rectangular, obround and elliptical tube", None)
    try:
        development = development_of(place)
    except ValueError as error:
        raise RecipeError("section", str(error), None) from None
    with outline_faults_refused():
        recipe, corner = settle(recipe, place, circumstances)
        gap, stop = float(recipe.gap_mm or 0.0), recipe.locate == "stop"
        up, reach = -1 if stop else 1, gap + recipe.thickness_mm
        edge, end = stood_back(development, recipe.scriber_mm, up), end_of(recipe, development)
        low, high = sorted((end - up * recipe.stop_mm if stop else end, float((up * edge).max() * up)))
        bore = sliding_bore(place.section.outer, gap, corner)
        ring = sleeve(bore, recipe.thickness_mm, low, high, Fineness.of(facets))
        if stop:
            ring += _stop(recipe, place, bore.offset(recipe.thickness_mm / 2).cross_section(facets), end)
        cutters = [_beyond(development, edge, gap, 2 * reach + 2, up), *_notches(development, edge, end, reach + 1, up)]
        solid = Manifold.batch_boolean([ring, *cutters], OpType.Subtract) + _marks(
            place.mark, development, edge, end, reach, circumstances
        )
    shell = sound(unlabelled(in_one_piece(solid, "thickness_mm", LEAST_WALL_MM)))
    return CopeSleeve(
        recipe,
        place.section,
        Mesh(shell.vertices, shell.triangles),
        surface_indices(shell.surfaces, CopeSleeve.surface_names),
        place,
        bore,
        edge,
        tube_off_mm(place.section, circumstances),
        kernel=shell.kernel,
    )


def settle(recipe: CopeRecipe, place: CutPlace, known: Circumstances | None) -> tuple[CopeRecipe, float]:
    """The recipe with every number decided, and by how much the tube's corners may be sharper than modelled."""
    bench, fit, outer = Settling(recipe), fit_named(SLIDE), place.section.outer
    gap, corner = sliding_gap(place.section, known)
    bench.numbers()
    bench.word("locate", get_args(Locate))
    loose = say("a sleeve that is looser than {} does not lie on the tube", Length(fit.most_gap_mm))
    bench.number("gap_mm", fit.least_gap_mm, fit.most_gap_mm, "it would not slide", loose, default=gap)
    bench.number("thickness_mm", LEAST_WALL_MM, 20.0, "a thinner edge gives way", "more is of no use")
    stop, usual = recipe.locate == "stop", max(outer.width, outer.depth, LEAST_GRIP_MM)
    bench.number("scriber_mm", 0.0, 5.0, "the line cannot lie inside the edge", "no line is that wide", used=True)
    least = 2 * bench.recipe.scriber_mm + 5.0
    bench.number("waste_mm", least, 200.0, "the sleeve would fall apart there", "that wastes good tube", used=stop)
    bench.number("stop_mm", 1.0, 20.0, "a thinner stop bends", "more is of no use", used=stop)
    if not stop:
        bench.number("grip_mm", 5.0, 300.0, "it would tilt", "more is of no use", default=usual)
    return bench.recipe, corner


def stood_back(development: Development, by_mm: float, sign: int) -> Floats:
    """(n,): heights of the cut, moved by so much on paper towards the side that is kept, ``sign`` 1, or the waste."""
    around, heights = development.around, sign * development.outside
    if not by_mm:
        return development.outside
    length, floor = development.length, heights.min() - 4 * by_mm - 1
    along = np.concatenate([around[:-1] - length, around[:-1], around + length])
    over = np.concatenate([heights[:-1], heights[:-1], heights])
    strip = CrossSection([np.array([(along[0], floor), (along[-1], floor), *np.column_stack([along, over])[::-1]])])
    moved = np.concatenate(strip.offset(-by_mm, JoinType.Round, 2.0, _ARC_FACETS).to_polygons())
    line = moved[moved[:, 1] > floor + 2 * by_mm]
    line = line[np.argsort(line[:, 0], kind="stable")]
    return sign * np.interp(around, *line.T)


def _beyond(development: Development, edge: Floats, gap: float, reach: float, up: int) -> Manifold:
    """All above the edge, ``up`` 1, or below it, from the tube's outside outward. The edge is exact at the bore."""
    points, outward, heights = development.points[:-1], development.outward[:-1], edge[:-1]
    far = np.full(len(points), heights.max() + 2 if up > 0 else heights.min() - 2)
    places = [(0.0, heights), (gap, heights), (reach, heights), (reach, far), (0.0, far)]
    rings = [np.column_stack([points + past * outward, level]) for past, level in places]
    loops = np.arange(len(rings) * len(points)).reshape(len(rings), -1)
    triangles = np.concatenate([band(low, high) for low, high in pairwise((*loops, loops[0]))])[:, ::up]
    surfaces = np.full(len(triangles), surface_id("edge"), np.int32)
    return labelled(Shell(np.concatenate(rings), triangles.astype(np.int32), surfaces))


def _notches(development: Development, edge: Floats, end: float, reach: float, up: int) -> list[Manifold]:
    """Openings at the sleeve's ``end``, ``up`` from it, over the axis and quarter lines or the sides' middles."""
    height = min(float(np.abs(edge - end).min()), _MOST_NOTCH_MM)
    notches = []
    for line in development.lines:
        if line.fold:
            continue
        place = int(np.abs(development.around - line.around_mm).argmin())
        deep = height * (_LONG if line.chief else _SHORT)
        opening = OutlinePoint(development.points[place], development.outward[place]).strip(-0.01, reach, _NOTCH_MM)
        notches.append(tool(prism(opening, *sorted((end - up * _PAST_MM, end + up * deep))), "witness"))
    return notches


def _marks(
    id: str, development: Development, edge: Floats, end: float, reach: float, known: Circumstances | None
) -> Manifold:
    """Which sleeve it is, and an arrow towards the tube's end, where there is most room between its notches and the
    edge; no arrow, or no mark, where there is too little."""
    printed = Layering.by(known.process if known else None)
    up = 1.0 if edge.mean() > end else -1.0
    notched = _LONG * min(float(np.abs(edge - end).min()), _MOST_NOTCH_MM)
    for label in (f"{id} →", id) if id else ():
        width, height = written_size(label, printed.bead_mm)
        place, room = _roomiest(development, np.abs(edge - end), height + 2 * _BESIDE_MM)
        if room - notched - 2 * _BESIDE_MM < width:
            continue
        low = end + up * (notched + _BESIDE_MM)
        outward = np.append(development.outward[place], 0.0)
        start = np.append(development.points[place], low if up > 0 else low - width) + reach * outward
        # A sleeve with a stop is printed on that, upside down.
        return tool(raised(label, printed, start, outward, np.array([0.0, 0.0, up])), "mark")
    return Manifold()


def _roomiest(development: Development, heights: Floats, wide: float) -> tuple[int, float]:
    """Where around a sleeve it is high throughout so many mm and does not bend away, and how high it is there."""
    around, outward = development.around, development.outward
    apart = np.abs(around[:, None] - around)
    beside = np.minimum(apart, development.length - apart) <= wide / 2
    straight = np.where(beside, outward @ outward.T, 1.0).min(axis=1) > _STRAIGHT
    rooms = np.where(straight, np.where(beside, heights, np.inf).min(axis=1), 0.0)
    place = int(rooms.argmax())
    return place, float(rooms[place])


def _stop(recipe: CopeRecipe, place: CutPlace, outline: CrossSection, start: float) -> Manifold:
    """What the tube's end meets, open in the middle where there is room."""
    bore = place.section.bore
    if bore.half_width > 2 * _LEDGE_MM:
        outline -= bore.offset(-_LEDGE_MM).cross_section()
    return tool(prism(outline, start, start + recipe.stop_mm), "stop")
