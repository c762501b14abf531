# SPDX-License-Identifier: GPL-3.0-or-later
"""The true outline behind a polygon: circle, rounded rectangle, obround, ellipse, or the polygon itself.

A tessellated curve has its corners on the curve and its chords inside it, so every fit goes through the corners
and reads the true size. Corners that a mesher put on a straight line are dropped first, as they may lie on a chord.
Polygons of equally many corners are fitted together.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from .frames import Floats, by_column
from .polygons import cross, nearest, outward_normals, sagittas, turned
from .sections import CHORD_ERROR_MM, Outline

FIT_TOLERANCE = 5e-4
"""How far a corner may lie off the fitted curve, as a share of the outline's size: 0.0127 mm at 25.4 mm."""
LEAST_CIRCLE_CORNERS = 12
"""Fewer equal sides make a polygon: a hexagon's corners lie on a circle too."""
_LARGEST_CUT_CORNER = 0.2
"""A corner of a single facet counts as a coarse round corner up to this share of the smaller side."""
_SIDE_BAND = 0.02
"""Corners this share of the tolerance inside the outermost one are on the same straight side; arcs stay out."""
_SMALL_CORNER_MM = 0.5
"""Single facets up to this radius count as round in bores too: their arcs stand 0.15 mm proud at most."""
_ARC_SHARE = 1e-3
_ROUNDNESS = 0.04
_MOST_OFF = 3.0
"""In tolerances: a rectangle that corners lie further off is not worth a closer fit."""
_MOSTLY_NOISE = 2.0
"""Such a fit pays if the tolerance is more than this many times that of exact corners."""
_STEPS = 4
_SETTLED = 1e-6
"""Of a polygon's size: what the step after one as small as this changes is far less than a file's digits show."""
_EQUAL = 1e-9
"""Opposite sides are the same length but for rounding; the first of them is then the longest, on every machine."""
_WIDEST_GAP = np.radians(45.0)
_MOST_UNEQUAL = 1.5
"""Longest over mean side of a polygon that may stand for a circle."""
_NEAR = 0.003, 0.01, 0.03
"""Shares of its size by which an outline that was simplified may be off the one that was meant."""
_DRAWN = 1.5
"""How many times further than the chords beside it a corner may be off the curve that both stand for."""
_EXTRAPOLATED = 0.25
"""Of the tolerance within which corners lie on arcs that sides are read from."""
_MOSTLY_OFF = 0.1
"""Of how far the corner is off that is furthest off; a weld seam leaves the others on the curve."""
_MOST_FLATS = 4
_FLAT_CHORD = 3.0
"""A chord this many times longer than those of the arcs is a flat."""


@dataclass(frozen=True, eq=False)
class OutlineFit:
    """An outline centred on the origin of its own axes, and where those lie among the points it was fitted to.

    ``turn_deg`` is how far the outline's x is turned counter-clockwise from the points' x. A free outline keeps the
    points' own axes: its turn is 0, its ``centre`` the middle of its box.
    """

    outline: Outline
    centre: Floats
    turn_deg: float
    residual: float
    """Largest distance of a corner from the curve, in mm."""

    def polygon(self, chord_error: float = CHORD_ERROR_MM) -> Floats:
        """The outline as a polygon where the points that it was fitted to lie."""
        return turned(self.outline.polygon(chord_error=chord_error), math.radians(self.turn_deg)) + self.centre


@dataclass(frozen=True, eq=False)
class _OutlineFits:
    """Fits of one shape to k polygons: arrays (k, ...) in the terms of ``OutlineFit``."""

    centre: Floats
    turn: Floats
    width: Floats
    depth: Floats
    radius: Floats
    residual: Floats
    possible: NDArray[np.bool_]


def fit_outlines(polygons: Sequence[Floats], noise: Floats | float = 0.0) -> list[OutlineFit]:
    """The simplest outline that each closed polygon (n, 2) is a tessellation of.

    ``noise`` in mm, one for all or one for each, is how far the coordinates themselves may be off. Polygons may
    run either way round. Raises ``ValueError`` for one of fewer than three corners.
    """
    noises = np.broadcast_to(np.asarray(noise, float), len(polygons))
    cleaned = without_straight_corners(polygons, noises)
    alike: dict[int, list[int]] = defaultdict(list)
    for index, polygon in enumerate(cleaned):
        alike[len(polygon)].append(index)
    fits: list[OutlineFit | None] = [None] * len(cleaned)
    for members in alike.values():
        points = np.concatenate([cleaned[index] for index in members]).reshape(len(members), -1, 2)
        group_fits = _fit_alike(by_column(points), noises[members])
        for index, fit in zip(members, group_fits, strict=True):
            fits[index] = fit
    return [fit for fit in fits if fit is not None]


def fit_outline(polygon: Floats, noise: float = 0.0) -> OutlineFit:
    """``fit_outlines`` for one polygon."""
    return fit_outlines([polygon], noise)[0]


def coarse_circle(polygon: Floats, noise: float = 0.0) -> tuple[OutlineFit, int] | None:
    """The circle that all the few corners of a closed polygon (n, 2) lie on, and how many these are; None if they do
    not, or if they are so many that ``fit_outline`` recognises it."""
    (corners,) = without_straight_corners([polygon], np.array([noise]))
    if len(corners) >= LEAST_CIRCLE_CORNERS:
        return None
    middle = corners.mean(axis=0)
    tolerance = FIT_TOLERANCE * np.ptp(corners, axis=0).max(keepdims=True) + 4 * noise
    fits = _through_corners((corners - middle)[None])
    angles = np.sort(np.arctan2(*(corners - middle - fits.centre[0]).T[::-1]))
    gaps = np.diff(angles, append=angles[0] + 2 * np.pi)
    if fits.residual[0] > tolerance[0] or gaps.max() > _MOST_UNEQUAL * 2 * np.pi / len(corners):
        return None
    return next(_fits_of("circle", fits, np.ones(1, bool), middle[None], tolerance)), len(corners)


def off_known_outline(polygon: Floats) -> tuple[float, float]:
    """How far off a known outline, in mm, the corners of a closed polygon (n, 2) lie where that most likely is an
    error: nowhere more than the chords beside them are off it, or now outside and now inside. And how far off it chords
    mostly are: corners that were moved no longer say where the curve was. Nought twice if there is no such outline."""
    size = float(np.ptp(polygon, axis=0).max())
    (corners,) = without_straight_corners([polygon], np.zeros(1))
    bulges = sagittas(corners)
    bulges = np.minimum(bulges, np.roll(bulges, 1))
    middle = corners.mean(axis=0)
    circle = next(
        _fits_of("circle", _through_corners((corners - middle)[None]), np.ones(1, bool), middle[None], bulges[:1])
    )
    for fit in (*(fit_outline(corners, share * size / 4) for share in _NEAR), circle):
        if fit.outline.shape == "free":
            continue
        off = off_outline(fit.outline, turned(corners - fit.centre, -math.radians(fit.turn_deg)))[0]
        most, drawn = float(np.abs(off).max()), _DRAWN * bulges + FIT_TOLERANCE * size
        if most < _NEAR[-1] * size and ((np.abs(off) < drawn).all() or _at_random(off)):
            return most, float(np.median(bulges))
    return 0.0, 0.0


def _at_random(off: Floats) -> bool:
    """Whether most corners around an outline are off, and neighbours no more alike than any two: by the ratio of their
    mean square difference to their mean square, which is 2 for random ones and little for a curve (von Neumann,
    Annals of Mathematical Statistics 12, 1941)."""
    differences = np.diff(off, append=off[:1])
    return bool(differences @ differences > off @ off and np.median(np.abs(off)) > _MOSTLY_OFF * np.abs(off).max())


def without_straight_corners(polygons: Sequence[Floats], noise: Floats) -> list[Floats]:
    """Closed polygons (n, 2) counter-clockwise, without corners on the line between their neighbours.

    ``noise`` (k,) in mm is how far each polygon's coordinates may be off.
    """
    if not len(polygons):
        return []
    counts = np.array([len(polygon) for polygon in polygons])
    if counts.min() < 3:
        raise ValueError("a closed outline needs at least three corners")
    x, y = (np.ascontiguousarray(column) for column in np.concatenate(polygons).astype(float).T)
    owner = np.repeat(np.arange(len(counts)), counts)
    begins = np.cumsum(counts) - counts
    after, before = _neighbours(counts)
    next_x, next_y, last_x, last_y = x.take(after), y.take(after), x.take(before), y.take(before)
    chord_x, chord_y, arm_x, arm_y = next_x - last_x, next_y - last_y, x - last_x, y - last_y
    height = np.abs(chord_x * arm_y - chord_y * arm_x) / np.maximum(np.hypot(chord_x, chord_y), 1e-300)
    size = np.maximum(*(np.maximum.reduceat(c, begins) - np.minimum.reduceat(c, begins) for c in (x, y)))
    # A spike that runs back on itself has no height either, but it turns.
    bent = (height > (2 * noise + 1e-7 * size).take(owner)) | (arm_x * (next_x - x) + arm_y * (next_y - y) < 0)
    # A curve so fine that each corner looks straight must not vanish.
    areas = _areas(x, y, counts)
    bent |= (np.bincount(owner, bent, len(counts)) < 3).take(owner)
    left = np.bincount(owner, bent, len(counts)).astype(np.int64)
    bent |= (np.abs(_areas(x[bent], y[bent], left) - areas) > 1e-3 * np.abs(areas)).take(owner)
    left = np.bincount(owner, bent, len(counts)).astype(np.int64)
    corners, ends = np.column_stack([x[bent], y[bent]]), np.cumsum(left)
    cleaned = (corners[begin:end] for begin, end in zip((ends - left).tolist(), ends.tolist(), strict=True))
    return [polygon if area >= 0 else polygon[::-1] for polygon, area in zip(cleaned, areas.tolist(), strict=True)]


def within_cut_corners(fits: Sequence[OutlineFit], polygons: Sequence[Floats]) -> list[OutlineFit]:
    """The fits to bores' ``polygons`` (n, 2), kept inside those whose rounded corners were drawn as single facets.

    The facet may be a true chamfer, which the arc through its ends would cross. The arc that touches the facet from
    inside has 1 + 1/sqrt(2) times the radius.
    """
    inside = list(fits)
    rounded = [
        number
        for number, fit in enumerate(fits)
        if fit.outline.shape == "rectangle" and fit.outline.corner_radius > _SMALL_CORNER_MM
    ]
    if not rounded:
        return inside
    owner = np.repeat(np.arange(len(rounded)), [len(polygons[number]) for number in rounded])
    centres = np.array([fits[number].centre for number in rounded])
    turns = np.radians([fits[number].turn_deg for number in rounded])
    half = np.array([(fits[number].outline.width, fits[number].outline.depth) for number in rounded]) / 2
    arms = np.concatenate([polygons[number] for number in rounded]) - centres[owner]
    cos, sin = np.cos(turns)[owner], np.sin(turns)[owner]
    local = np.column_stack([arms[:, 0] * cos + arms[:, 1] * sin, arms[:, 1] * cos - arms[:, 0] * sin])
    on_arc = (half[owner] - np.abs(local)).min(axis=1) > _ARC_SHARE * half.min(axis=1)[owner]
    corner = 4 * owner + 2 * (local[:, 0] > 0) + (local[:, 1] > 0)
    drawn = np.bincount(corner[on_arc], minlength=4 * len(rounded)).reshape(-1, 4) > 0
    for place in np.flatnonzero(~drawn.all(axis=1)).tolist():
        fit = fits[rounded[place]]
        radius = min(fit.outline.corner_radius * (1 + math.sqrt(0.5)), fit.outline.half_width)
        inside[rounded[place]] = replace(fit, outline=replace(fit.outline, corner_radius=radius))
    return inside


def _neighbours(counts: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """For closed polygons of ``counts`` corners, one after the other, the next and the previous corner of each."""
    total = int(counts.sum())
    begins = np.cumsum(counts) - counts
    after, before = np.arange(1, total + 1), np.arange(-1, total - 1)
    after[begins + counts - 1], before[begins] = begins, begins + counts - 1
    return after, before


def _areas(x: Floats, y: Floats, counts: NDArray[np.int64]) -> Floats:
    """Signed areas of closed polygons of ``counts`` corners, one after the other."""
    begins = np.cumsum(counts) - counts
    x, y = x - np.repeat(x[begins], counts), y - np.repeat(y[begins], counts)
    after = _neighbours(counts)[0]
    return np.add.reduceat(x * y.take(after) - x.take(after) * y, begins) / 2


def off_outline(outline: Outline, points: Floats) -> tuple[Floats, Floats]:
    """How far points (m, 2) lie outside the outline (m,), negative inside, and which way (m, 2) is straight out.

    For an ellipse to first order, so use it for points near the ellipse.
    """
    points = np.asarray(points, float)
    half = np.array([outline.width, outline.depth]) / 2
    if outline.points is not None:
        _, edge = nearest(outline.points, points)
        outward = outward_normals(outline.points)[edge]
        return np.einsum("ij,ij->i", points - outline.points[edge], outward), outward
    local = points - outline.centre
    if outline.shape == "ellipse":
        off, outward = _past_ellipse(local, half), local / half**2
    else:
        off, past = _past_rectangle(local, half, np.array(outline.rounding)), np.abs(local) - (half - outline.rounding)
        beside = (past.max(axis=1, keepdims=True) == past) & (past.max(axis=1, keepdims=True) <= 0)
        outward = np.sign(local) * np.where(beside, 1.0, np.maximum(past, 0.0))
    return off, outward / np.maximum(np.hypot(*outward.T), 1e-300)[:, None]


def _past_rectangle(local: Floats, half: Floats, radius: Floats) -> Floats:
    """How far points (..., 2) lie outside rounded rectangles of half sides (..., 2)."""
    past = np.abs(local) - (half - radius[..., None])
    outer = np.maximum(past, 0.0)
    nearer = np.maximum(past[..., 0], past[..., 1])
    return np.hypot(outer[..., 0], outer[..., 1]) + np.minimum(nearer, 0.0) - radius


def _past_ellipse(local: Floats, half: Floats) -> Floats:
    """How far points (..., 2) lie outside ellipses of half axes (..., 2), to first order."""
    form = ((local / half) ** 2).sum(axis=-1) - 1
    slope = 2 * local / half**2
    return form / np.maximum(np.hypot(slope[..., 0], slope[..., 1]), 1e-12)


def _fit_alike(points: Floats, noise: Floats) -> list[OutlineFit]:
    """Fits for polygons of equally many corners, (k, n, 2) by column, counter-clockwise."""
    low, high = points.min(axis=1), points.max(axis=1)
    middle, size = (low + high) / 2, np.maximum(*(high - low).T)
    centred = points - middle[:, None]
    tolerance = FIT_TOLERANCE * size + 4 * noise
    results: list[OutlineFit | None] = [None] * len(points)
    left = np.arange(len(points))
    nearly_round = _nearly_round(centred)
    for shape, fitted in _SHAPES:
        tried = left[nearly_round[left]] if shape == "circle" else left
        if not tried.size:
            continue
        fits = fitted(centred if len(tried) == len(points) else by_column(centred[tried]), tolerance[tried])
        good = fits.possible & (fits.residual <= tolerance[tried])
        good_fits = _fits_of(shape, fits, good, middle[tried], tolerance[tried])
        for index, fit in zip(tried[good].tolist(), good_fits, strict=True):
            results[index] = fit
        missed = np.ones(len(points), bool)
        missed[tried[good]] = False
        left = left[missed[left]]
    for index in left:
        outline = replace(Outline.free(np.ascontiguousarray(centred[index])), centre=(0.0, 0.0))
        results[index] = OutlineFit(outline, middle[index], 0.0, 0.0)
    return [fit for fit in results if fit is not None]


def _fits_of(
    shape: str, fits: _OutlineFits, good: NDArray[np.bool_], middle: Floats, tolerance: Floats
) -> Iterator[OutlineFit]:
    """The ``good`` ones of fits of one shape, whose points were taken from about ``middle`` (k, 2)."""
    centres = (fits.centre + middle)[good]
    columns = fits.width, fits.depth, fits.radius, np.degrees(fits.turn), fits.residual, tolerance
    rows = zip(*(column[good].tolist() for column in columns), strict=True)
    for centre, (width, depth, radius, turn, residual, limit) in zip(centres, rows, strict=True):
        if shape == "circle":
            outline = Outline("circle", width, width)
        elif shape == "ellipse":
            outline = Outline("ellipse", width, depth)
        elif radius > 0 and abs(radius - min(width, depth) / 2) <= limit:
            outline = Outline("obround", width, depth)
        else:
            outline = Outline("rectangle", width, depth, radius)
        yield OutlineFit(outline, centre, turn, residual)


def _nearly_round(points: Floats) -> NDArray[np.bool_]:
    """Which polygons (k, n, 2) about the origin are worth fitting a circle to: their corners lie nearly equally far
    from the middle of their box, or from their mean."""
    spreads = []
    for about in (points, points - points.mean(axis=1, keepdims=True)):
        squares = np.einsum("kni,kni->kn", about, about)
        spreads.append(squares.max(axis=1) - (1 + 2 * _ROUNDNESS) * squares.min(axis=1))
    return np.minimum(*spreads) <= 0


def _circles(points: Floats, tolerance: Floats) -> _OutlineFits:
    """Circles through many corners."""
    count, corners = points.shape[:2]
    if corners < LEAST_CIRCLE_CORNERS:
        zero = np.zeros(count)
        return _OutlineFits(np.zeros((count, 2)), zero, zero, zero, zero, zero, np.zeros(count, bool))
    fits = _through_corners(points)
    arms = points - fits.centre[:, None]
    return replace(fits, possible=_all_round(np.arctan2(arms[..., 1], arms[..., 0]), fits.width / 2, tolerance))


def _through_corners(points: Floats) -> _OutlineFits:
    """Least squares of the distances to the circle, from a linear start (Kåsa 1976)."""
    count, corners = points.shape[:2]
    zero = np.zeros(count)
    ones = np.ones((count, corners))
    scale = np.abs(points).max(axis=(1, 2))
    unit = points / scale[:, None, None]
    solution = _least_squares(np.dstack([unit, ones]), np.einsum("kni,kni->kn", unit, unit))
    centre = solution[:, :2] / 2
    radius = np.sqrt(np.maximum(solution[:, 2] + np.einsum("ki,ki->k", centre, centre), 0.0))
    for _ in range(3):
        arm = unit - centre[:, None]
        length = np.maximum(np.hypot(arm[..., 0], arm[..., 1]), 1e-12)
        step = _least_squares(np.dstack([arm / length[..., None], ones]), length - radius[:, None])
        centre, radius = centre + step[:, :2], radius + step[:, 2]
        if np.abs(step).max() < _SETTLED:
            break
    arm = unit - centre[:, None]
    residual = np.abs(np.hypot(arm[..., 0], arm[..., 1]) - radius[:, None]).max(axis=1) * scale
    diameter = 2 * radius * scale
    return _OutlineFits(centre * scale[:, None], zero, diameter, diameter, zero, residual, np.ones(count, bool))


def _all_round(angles: Floats, radius: Floats, tolerance: Floats) -> NDArray[np.bool_]:
    """Whether corners at ``angles`` (k, n) go round a circle without a flat. Chords may be of any length, but a few far
    longer than all the others are flats."""
    gaps = np.diff(np.sort(angles, axis=1), axis=1, append=angles.min(axis=1, keepdims=True) + 2 * np.pi)
    gaps.sort(axis=1)
    widest, next_wide = gaps[:, -1], gaps[:, -1 - _MOST_FLATS]
    flat = (widest > _FLAT_CHORD * next_wide) & (radius * (1 - np.cos(widest / 2)) > 4 * tolerance)
    return (widest < _WIDEST_GAP) & ~flat


def _rectangles(points: Floats, tolerance: Floats) -> _OutlineFits:
    """Rectangles whose sides run along their longest edge."""
    edges = np.roll(points, -1, axis=1) - points
    lengths = np.hypot(edges[..., 0], edges[..., 1])
    longest = (lengths > (1 - _EQUAL) * lengths.max(axis=1, keepdims=True)).argmax(axis=1)
    along = edges[np.arange(len(edges)), longest]
    return _rectangles_along(points, edges, np.arctan2(along[:, 1], along[:, 0]), tolerance)


def _short_sided(points: Floats, tolerance: Floats) -> _OutlineFits:
    """Rectangles whose straight sides are shorter than the facets of their corners. The corners' facets point every
    way alike, so that four times the headings of all edges add up along the sides, or half way between them."""
    edges = np.roll(points, -1, axis=1) - points
    fourfold = (edges[..., 0] + 1j * edges[..., 1]) ** 4
    turn = np.angle(np.sum(fourfold / np.maximum(np.abs(fourfold), 1e-300) ** 0.75, axis=1)) / 4
    along, between = (_rectangles_along(points, edges, turn + more, tolerance) for more in (0.0, np.pi / 4))
    better = between.residual < along.residual
    return _OutlineFits(
        centre=np.where(better[:, None], between.centre, along.centre),
        turn=np.where(better, between.turn, along.turn),
        width=np.where(better, between.width, along.width),
        depth=np.where(better, between.depth, along.depth),
        radius=np.where(better, between.radius, along.radius),
        residual=np.where(better, between.residual, along.residual),
        possible=np.where(better, between.possible, along.possible),
    )


def _rectangles_along(points: Floats, edges: Floats, turn: Floats, tolerance: Floats) -> _OutlineFits:
    """Rectangles with equal corners, sharp or rounded, from their straight sides, which run along ``turn`` (k,) or
    square to it.

    A point of a corner that lies a and b inside two sides is on an arc of radius a + b + sqrt(2ab).
    """
    off = (np.arctan2(edges[..., 1], edges[..., 0]) - turn[:, None] + np.pi / 4) % (np.pi / 2) - np.pi / 4
    weight = np.where(np.abs(off) < np.radians(0.5), np.einsum("kni,kni->kn", edges, edges), 0.0)
    turn = turn + (weight * off).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-300)
    local = _turned(points, -turn)

    sides = []
    for axis in (0, 1):
        for towards in (1, -1):
            reach = local[..., axis] * towards
            near = reach >= (reach.max(axis=1) - _SIDE_BAND * tolerance)[:, None]
            sides.append(towards * (reach * near).sum(axis=1) / near.sum(axis=1))
    right, left, top, bottom = sides
    centre = np.column_stack([right + left, top + bottom]) / 2
    half = np.column_stack([right - left, top - bottom]) / 2
    # Width is the larger side.
    upright = half[:, 1] > half[:, 0]
    local = local - centre[:, None]
    local[upright] = local[upright][..., ::-1] * (1, -1)
    half[upright] = half[upright][:, ::-1]

    inside = np.maximum(half[:, None] - np.abs(local), 0.0)
    least, most = np.minimum(inside[..., 0], inside[..., 1]), np.maximum(inside[..., 0], inside[..., 1])
    on_arc = least > np.maximum(tolerance, _ARC_SHARE * half.min(axis=1))[:, None]
    weight = np.where(on_arc, least, 0.0)
    arcs = on_arc.any(axis=1)
    radius = (weight * (least + most + np.sqrt(2 * least * most))).sum(axis=1) / np.where(arcs, weight.sum(axis=1), 1.0)
    single = most.mean(axis=1)
    radius = np.where(arcs, radius, np.where(single > tolerance, single, 0.0))
    smaller = half.min(axis=1)
    radius = np.where(np.abs(radius - smaller) <= tolerance, smaller, radius)

    off = np.abs(_past_rectangle(local, half[:, None], radius[:, None])).max(axis=1) / tolerance
    uneven = (off < _MOST_OFF) & (tolerance > _MOSTLY_NOISE * FIT_TOLERANCE * 2 * half.max(axis=1))
    if uneven.any():
        moved, spun, half[uneven], radius[uneven] = _evened(
            local[uneven], half[uneven], radius[uneven], tolerance[uneven]
        )
        local[uneven] = _turned(local[uneven] - moved[:, None], -spun)
        moved[upright[uneven]] = moved[upright[uneven]][:, ::-1] * (-1, 1)
        centre[uneven] += moved
        turn[uneven] += spun
        smaller = half.min(axis=1)
        radius = np.where(np.abs(radius - smaller) <= tolerance, smaller, radius)
    distance = np.abs(_past_rectangle(local, half[:, None], radius[:, None]))
    area = np.abs(cross(points, edges).sum(axis=1)) / 2
    true_area = 4 * half[:, 0] * half[:, 1] - (4 - np.pi) * radius**2
    possible = (radius <= smaller + tolerance) & (np.abs(area - true_area) < 0.05 * true_area)
    possible &= arcs | (radius <= _LARGEST_CUT_CORNER * 2 * smaller)
    possible &= (radius < smaller - tolerance) | (half.max(axis=1) > smaller + tolerance)  # else it is a circle
    centre = _turned(centre[:, None], turn)[:, 0]
    turn = turn + np.where(upright, np.pi / 2, 0.0)
    return _OutlineFits(centre, turn, 2 * half[:, 0], 2 * half[:, 1], radius, distance.max(axis=1), possible)


def _evened(local: Floats, half: Floats, radius: Floats, tolerance: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Least squares of the distances of points (k, n, 2) to rectangles about the origin, from a start: where their
    centres lie, by how many radians they are turned, their half sides and their corners' radii."""
    count, corners = local.shape[:2]
    centre, turn, half, radius = np.zeros((count, 2)), np.zeros(count), half.copy(), radius.copy()
    sharp = radius <= 0
    for _ in range(_STEPS):
        points = _turned(local - centre[:, None], -turn)
        past = np.abs(points) - (half - radius[:, None])[:, None]
        # A sharp corner is a point of both its sides.
        beside = np.where(sharp[:, None, None], np.abs(past) < tolerance[:, None, None], past > 0)
        beside |= (past.max(axis=2, keepdims=True) == past) & (past <= 0) & ~sharp[:, None, None]
        outer = np.where(sharp[:, None, None], 1.0, np.where((past > 0).any(axis=2, keepdims=True), past, 1.0)) * beside
        outer /= np.where(sharp[:, None, None], 1.0, np.maximum(np.hypot(*np.moveaxis(outer, 2, 0)), 1e-300)[..., None])
        rows = np.where(sharp[:, None, None, None], outer[..., None] * np.eye(2), outer[:, :, None] * [[1.0], [0.0]])
        ways = rows * np.sign(points)[:, :, None]
        ways, rows = ways.reshape(count, 2 * corners, 2), rows.reshape(count, 2 * corners, 2)
        held = rows.any(axis=2)
        off = _past_rectangle(points, half[:, None], radius[:, None])
        off = np.where(sharp[:, None, None], past, np.stack([off, off], axis=2)).reshape(count, 2 * corners) * held
        spin = cross(np.repeat(points, 2, axis=1), ways)
        round_off = np.where(sharp[:, None], 0.0, held * (1 - rows.sum(axis=2)))
        step = _least_squares(np.dstack([ways, spin, rows, round_off]), off)
        centre = centre + _turned(step[:, None, :2], turn)[:, 0]
        turn, half, radius = turn + step[:, 2], half + step[:, 3:5], np.maximum(radius + step[:, 5], 0.0)
    return centre, turn, half, radius


def _ellipses(points: Floats, tolerance: Floats) -> _OutlineFits:
    """Least squares of the conic A x² + B xy + C y² + D x + E y = 1 through points about the origin."""
    count, corners = points.shape[:2]
    zero = np.zeros(count)
    if corners < LEAST_CIRCLE_CORNERS:
        return _OutlineFits(np.zeros((count, 2)), zero, zero, zero, zero, zero, np.zeros(count, bool))
    scale = np.abs(points).max(axis=(1, 2))
    x, y = np.moveaxis(points / scale[:, None, None], 2, 0)
    conic = _least_squares(np.dstack([x * x, x * y, y * y, x, y]), np.ones((count, corners)))
    quadratic = np.array([[conic[:, 0], conic[:, 1] / 2], [conic[:, 1] / 2, conic[:, 2]]]).transpose(2, 0, 1)
    stretch, axes = np.linalg.eigh(quadratic)
    possible = stretch[:, 0] > 1e-9
    quadratic[~possible], stretch[~possible] = np.eye(2), 1.0
    centre = np.linalg.solve(quadratic, -conic[:, 3:, None] / 2)[..., 0]
    level = 1 + np.einsum("ki,kij,kj->k", centre, quadratic, centre)
    halves = np.sqrt(np.maximum(level, 1e-12)[:, None] / stretch)  # the smaller stretch is the longer axis
    axis = axes[:, :, 0]
    turn = np.arctan2(axis[:, 1], axis[:, 0])
    local = _turned(points / scale[:, None, None] - centre[:, None], -turn)
    distance = np.abs(_past_ellipse(local, halves[:, None]))
    along, across = np.moveaxis(local / halves[:, None], 2, 0)
    possible &= _all_round(np.arctan2(across, along), halves[:, 0] * scale, tolerance)
    sizes = 2 * halves * scale[:, None]
    return _OutlineFits(
        centre * scale[:, None], turn, sizes[:, 0], sizes[:, 1], zero, distance.max(axis=1) * scale, possible
    )


def _merged_rectangles(points: Floats, tolerance: Floats) -> _OutlineFits:
    """Rectangles of whose sides no corner is left, only those of their arcs: corners at the ends of sides were merged
    with the next ones. The sides then follow from the arcs, and are further off than the corners."""
    fits = _rectangles(points, np.maximum(tolerance, _NEAR[0] * np.ptp(points, axis=1).max(axis=1)))
    exact = fits.residual < _EXTRAPOLATED * tolerance
    return replace(fits, possible=fits.possible & exact & (points.shape[1] >= LEAST_CIRCLE_CORNERS))


_SHAPES = (
    ("circle", _circles),
    ("rectangle", _rectangles),
    ("rectangle", _short_sided),
    ("ellipse", _ellipses),
    ("rectangle", _merged_rectangles),
)
"""In the order in which they are tried; the first that fits is taken."""


def _least_squares(matrix: Floats, values: Floats) -> Floats:
    """Solutions (k, m) of k overdetermined systems (k, n, m), by the normal equations."""
    transposed = matrix.transpose(0, 2, 1)
    normal = transposed @ matrix
    right = (transposed @ values[..., None])[..., 0]
    # Corners that determine nothing give some solution; its residual then shows it.
    diagonal = np.einsum("kii->ki", normal)
    diagonal += (1e-15 * diagonal.sum(axis=1, keepdims=True)) + 1e-300
    return np.linalg.solve(normal, right[..., None])[..., 0]


def _turned(points: Floats, angles: Floats) -> Floats:
    """Points (k, n, 2) turned counter-clockwise about the origin by ``angles`` (k,) in radians."""
    cos, sin = np.cos(angles)[:, None], np.sin(angles)[:, None]
    x, y = points[..., 0], points[..., 1]
    return np.moveaxis(np.stack([x * cos - y * sin, x * sin + y * cos]), 0, -1)
