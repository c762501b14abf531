# SPDX-License-Identifier: GPL-3.0-or-later
"""The section, the frame and the mitre of each rim, read square to the tube's axis."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..fields.messages import NOTHING, Message
from ..geometry import polygons, topology
from ..geometry.frames import Floats, Frame, taken
from ..geometry.mitres import SQUARE_CUT_DEG
from ..geometry.outline_fit import (
    FIT_TOLERANCE,
    OutlineFit,
    coarse_circle,
    fit_outlines,
    off_outline,
    within_cut_corners,
)
from ..geometry.sections import Outline, Section
from ..geometry.topology import Indices
from ..trade.sizes import nearest_size
from .ends import OPEN, ByHand, Cause, TubeEnd
from .rims import WALL_TILT, FlatRings, Loops, Rims
from .surface import Surface

_THICKEST_UNLIKE = 0.3
"""Of the smaller side, where bore and outside are unlike: a block with a hole in it."""
THICKEST_WALL = 0.42
"""Of the smaller side, where they are alike; with less bore than this leaves it is a bar with a hole along it."""
_ALIKE = 0.8
"""Thinnest over thickest side of a wall whose bore and outside run alike."""
_LEAST_EVEN = 0.4
"""Thinnest over thickest side of a wall: bores may lie off centre."""
_LEAST_ROUND, _SQUARE = 6, 4
"""Corners of the coarsest drawing that is read as round tube, and of a square."""
_POLYGONS = 6, 8
"""Corners of tubes that are made; those of other numbers are not."""
_MOST_MORE = 2.2
"""Corners of an outside over those of its bore, where both were drawn to one chord error."""
_TO_SIZE_MM = 0.1
_DRAWN_TO_MM = 0.01
"""How far off its size a round tube drawn as a square may be: its corners lie on it, and squares of whole millimetres
come nearly as wide across corners as some pipes."""
_SAME_DIRECTION_DEG = 0.05
_PARALLEL_SHARE = 0.15
"""Of the bore's girth along which the same wall has to be seen, where the rim's face goes on into other parts."""
_FLATTEST_CHORD = 0.9
_LARGEST_CHAMBER = 4.0
_LEAST_BETWEEN = 1.5
"""Walls between two bores of like size, less than which they are chambers of one profile and not tubes side by side."""


@dataclass(frozen=True)
class Coarse:
    """An outside of few corners, all on one circle: a polygon, or a round tube drawn coarsely."""

    corners: int
    diameter: float
    round: bool
    """It was read as round."""


@dataclass(frozen=True, eq=False)
class RimSection:
    section: Section
    frame: Frame
    mitre_deg: float
    mitre_direction_deg: float
    rim_normal: Floats
    """(3,) in the world, out of the tube."""
    rim_slope: Floats
    """(2,): how fast the rim rises along x and along y of the frame."""
    bore: Floats
    """(n, 2): the bore's loop in the frame, as the mesh has it."""
    ring: bool
    """The rim's face is a ring of its own whose two edges run alike, so that even a short one is a tube's."""
    coarse: Coarse | None

    def tube_end(
        self,
        source: str,
        clear_depth_mm: float,
        by_hand: ByHand = "",
        cause: Cause = "open",
        reason: Message = OPEN,
        remedy: Message = NOTHING,
    ) -> TubeEnd:
        """The end of the tube called ``source``, free so far down the bore."""
        return TubeEnd(
            source,
            self.section,
            self.frame,
            self.mitre_deg,
            self.mitre_direction_deg,
            clear_depth_mm,
            cause,
            reason,
            by_hand,
            remedy,
        )


def rim_corners(profiles: Sequence[RimSection]) -> tuple[Floats, Indices]:
    """The corners (n, 3) of the bores of k rims, at least one, on the rims in their frames, and where each begins."""
    counts = np.array([len(profile.bore) for profile in profiles])
    owner = np.repeat(np.arange(len(counts)), counts)
    slopes = np.array([profile.rim_slope for profile in profiles])
    bores = np.concatenate([profile.bore for profile in profiles])
    return np.column_stack([bores, np.einsum("ij,ij->i", bores, taken(slopes, owner))]), np.cumsum(counts) - counts


_Drawn = tuple[Section, Floats, float]
"""A section, where its centre lies in the drawing plane, and by how many radians its x is turned there."""
_Rim = tuple[_Drawn, float, bool, Coarse | None]
"""What is drawn of a rim, how far off its corners may be, ``ring`` and ``coarse``."""


def read_rim_sections(surface: Surface, rims: Rims, rings: FlatRings) -> list[RimSection | None]:
    """The profile of each rim; None for rings that are not a tube's: uneven, too thick, or without an outer wall.

    A rim with a single loop gets a bore equal to its outer outline.
    """
    count = len(rims.axes)
    if not count:
        return []
    origins = rims.bore.sums(surface.points(rims.bore.vertices)) / rims.bore.counts[:, None]
    x = np.eye(3)[np.abs(rims.axes).argmin(axis=1)]
    x = x - rims.axes * np.einsum("ij,ij->i", x, rims.axes)[:, None]
    x /= np.linalg.norm(x, axis=1, keepdims=True)
    y = np.cross(rims.axes, x)
    noise = surface.noise[rims.bore.half_edges[rims.bore.begins[:-1]] // 3]
    bores = _drawn(surface, rims.bore, origins, x, y)
    outers = _drawn(surface, rims.outer, origins, x, y)
    fits = fit_outlines(bores + outers, np.concatenate([noise, noise]))
    clears = within_cut_corners(fits[:count], bores)
    axes = np.stack([x, y, rims.axes], axis=1)
    walled = (_walled(surface, rims) & ~rims.shared).tolist()
    singles, faced = rims.single.tolist(), (rims.face >= 0).tolist()
    tubes: list[int] = []
    read: list[_Rim] = []
    for rim, level in enumerate(noise.tolist()):
        bore, outer, clear = fits[rim], fits[count + rim], clears[rim]
        if singles[rim]:
            section, centre, turn = combined(bore, bore, level)
            drawn: _Drawn | None = (Section(section.outer, section.outer), centre, turn)
            ring, coarse = False, None
        else:
            outer, clear, coarse = _as_round(outer, clear, outers[rim], bores[rim], level)
            drawn = _tube(outer, clear, level) if walled[rim] else None
            ring = walled[rim] and drawn is not None and _runs_alike(drawn[0])
            if drawn is None and faced[rim]:
                plane = Frame(origins[rim], axes[rim])
                drawn = _tube(_outer_by_wall(surface, rims, rim, bore, plane, rings), clear, level, _THICKEST_UNLIKE)
        if drawn is not None:
            tubes.append(rim)
            read.append((drawn, level, ring, coarse))
    profiles: list[RimSection | None] = [None] * count
    if tubes:
        inside = [bores[rim] for rim in tubes]
        for rim, profile in zip(
            tubes, _all_placed(read, origins[tubes], axes[tubes], rims.normals[tubes], inside), strict=True
        ):
            profiles[rim] = profile
    return profiles


def _tube(outer: OutlineFit | None, bore: OutlineFit, noise: float, thickest: float = THICKEST_WALL) -> _Drawn | None:
    """The two outlines as a section, if they make a tube."""
    section = combined(outer, bore, noise) if outer else None
    return section if section and is_tube(section[0], thickest) else None


def _as_round(
    outer: OutlineFit, bore: OutlineFit, outside: Floats, inside: Floats, noise: float
) -> tuple[OutlineFit, OutlineFit, Coarse | None]:
    """The outlines of a rim, as circles where they have few corners that most likely stand for such."""
    angular = [
        fit.outline.shape == "free" or (fit.outline.shape == "rectangle" and not fit.outline.corner_radius)
        for fit in (outer, bore)
    ]
    around = coarse_circle(outside, noise) if angular[0] else None
    within = coarse_circle(inside, noise) if angular[1] else None
    if within is None or (around is None and outer.outline.shape != "circle"):
        return outer, bore, None
    circle, corners = around or (outer, len(outside))
    if not within[1] <= corners <= _MOST_MORE * within[1]:
        return outer, bore, None
    section = combined(circle, within[0], noise)[0]
    if corners == _SQUARE and (not _is_size(section, _DRAWN_TO_MM) or _is_size(combined(outer, bore, noise)[0])):
        return outer, bore, None
    read_round = corners >= _LEAST_ROUND and (_is_size(section) or corners not in _POLYGONS)
    coarse = Coarse(corners, circle.outline.width, read_round)
    return (circle, within[0], coarse) if read_round else (outer, bore, coarse)


def _is_size(section: Section, most_off_mm: float = _TO_SIZE_MM) -> bool:
    """Whether a section is a size in the tables as it is."""
    match = nearest_size(section) if section.wall > 0 else None
    return match is not None and max(abs(match.width_off_mm), *map(abs, match.wall_off_mm)) < most_off_mm


def _drawn(surface: Surface, loops: Loops, origins: Floats, x: Floats, y: Floats) -> list[Floats]:
    """Each loop as a polygon (n, 2) in the plane square to its axis."""
    owner = loops.owner
    arms = surface.points(loops.vertices) - taken(origins, owner)
    flat = np.column_stack([np.einsum("ij,ij->i", arms, taken(side, owner)) for side in (x, y)])
    return [flat[begin:end] for begin, end in pairwise(loops.begins.tolist())]


def _walled(surface: Surface, rims: Rims) -> NDArray[np.bool_]:
    """Which rims have walls along the axis all around their outer loop."""
    across, owner = rims.outer.across, rims.outer.owner
    areas = np.where(across < 0, 0.0, surface.areas[across])
    leans = np.einsum("ij,ij->i", taken(surface.normals, across), taken(rims.axes, owner)) ** 2
    return rims.outer.sums(leans * areas) < WALL_TILT**2 * rims.outer.sums(areas)


def combined(outer: OutlineFit, bore: OutlineFit, noise: float = 0.0) -> _Drawn:
    """The section of two outlines drawn in one plane, of corners that are up to ``noise`` mm off."""
    if outer.outline.shape == "free":
        turn = polygons.least_box_turn(outer.polygon())
        points = polygons.turned(outer.polygon(), -turn)
        middle = (points.min(axis=0) + points.max(axis=0)) / 2
        outline, centre = Outline.free(points - middle), polygons.turned(middle, turn)
    else:
        turn = math.radians(outer.turn_deg if outer.outline.shape != "circle" else bore.turn_deg)
        outline, centre = outer.outline, outer.centre
    inner = bore.outline
    quarters, aslant = divmod(math.radians(bore.turn_deg) - turn + math.pi / 4, math.pi / 2)
    tolerance = FIT_TOLERANCE * outline.width + 4 * noise
    if inner.shape == "free" or (inner.shape != "circle" and abs(aslant - math.pi / 4) * inner.width / 2 > tolerance):
        return Section(outline, Outline.free(polygons.turned(bore.polygon() - centre, -turn))), centre, turn
    inner = _outline_in_turned(inner, int(quarters))
    x, y = (bore.centre - centre).tolist()
    if math.hypot(x, y) > tolerance:
        x, y = polygons.turned(np.array([x, y]), -turn).tolist()
        inner = replace(inner, centre=(x, y))
    return Section(outline, inner), centre, turn


def is_tube(section: Section, thickest: float = THICKEST_WALL) -> bool:
    """Whether the wall is thin, and much the same on all four sides; up to ``thickest``, as a share of the smaller
    side, where bore and outside run alike."""
    walls = _walls(section)
    least, most = min(walls), max(walls)
    if least <= 0 or least <= _LEAST_EVEN * most:
        return False
    share = sum(walls) / 4 / (2 * section.outer.half_width)
    return share < _THICKEST_UNLIKE or (share < thickest and (_runs_alike(section) or _is_even(section)))


def _is_even(section: Section) -> bool:
    """Whether the wall is much the same at every corner of outlines, of whatever shapes they are."""
    outside, inside = section.outer.polygon(), section.bore.polygon()
    across = np.concatenate([polygons.nearest(outside, inside)[0], polygons.nearest(inside, outside)[0]])
    return bool(across.min() > _ALIKE * across.max())


def _runs_alike(section: Section) -> bool:
    """Whether bore and outside are of one known shape with the same wall all around."""
    if not section.outer.shape == section.bore.shape != "free":
        return False
    walls = _walls(section)
    return min(walls) > _ALIKE * max(walls)


def _walls(section: Section) -> tuple[float, float, float, float]:
    """The wall to the left, below, to the right and above."""
    (left, bottom, right, top), (bore_left, bore_bottom, bore_right, bore_top) = _box(section.outer), _box(section.bore)
    return bore_left - left, bore_bottom - bottom, right - bore_right, top - bore_top


def _box(outline: Outline) -> tuple[float, float, float, float]:
    """Least x and y, greatest x and y."""
    if outline.points is not None:
        return *outline.points.min(axis=0).tolist(), *outline.points.max(axis=0).tolist()
    x, y = outline.centre
    return x - outline.width / 2, y - outline.depth / 2, x + outline.width / 2, y + outline.depth / 2


def _outer_by_wall(
    surface: Surface, rims: Rims, rim: int, fit: OutlineFit, plane: Frame, rings: FlatRings
) -> OutlineFit | None:
    """The outer outline of a rim whose face goes on into other parts: the bore moved outward by the wall.

    The wall is the least distance at which enough of the face's border runs along the bore, where the tube stands
    free. None if it nowhere does, and for a profile of several chambers.
    """
    loops = rings.loops.taken(np.flatnonzero(rings.faces == rims.face[rim]))
    inner = int(np.flatnonzero(loops.half_edges[loops.begins[:-1]] == rims.bore.half_edges[rims.bore.begins[rim]])[0])
    free = (loops.owner != inner) & (loops.across >= 0)
    free &= np.abs(surface.normals[loops.across] @ rims.axes[rim]) < WALL_TILT
    if not free.any():
        return None
    start, end = (
        plane.to_local(surface.points(corners))[:, :2]
        for corners in (loops.vertices[free], surface.ends_of(loops.half_edges[free]))
    )
    # No wall is thicker than three quarters of its bore.
    reach = 1.5 * fit.outline.width
    near = (np.minimum(start, end) < fit.centre + reach).all(axis=1)
    near &= (np.maximum(start, end) > fit.centre - reach).all(axis=1)
    if not near.any():
        return None
    free[free] = near
    start, end = start[near], end[near]
    # How far the border lies outside the bore, at the ends of each edge and at its quarters.
    at = [
        off_outline(fit.outline, polygons.turned(points - fit.centre, -math.radians(fit.turn_deg)))[0]
        for points in (start + share * (end - start) for share in (0.0, 0.25, 0.5, 0.75, 1.0))
    ]
    tolerance = 2 * FIT_TOLERANCE * fit.outline.width
    chord = (np.abs(at[0] - at[4]) < tolerance) & (at[2] > _FLATTEST_CHORD * at[0])
    flat = (np.abs(at[1] - at[2]) < tolerance) & (np.abs(at[3] - at[2]) < tolerance)
    parallel = (chord | flat) & (at[2] > 0)
    order = np.argsort(np.where(chord, at[0], at[2])[parallel])
    walls = np.where(chord, at[0], at[2])[parallel][order]
    seen = np.append(0.0, np.cumsum(np.hypot(*(end - start)[parallel][order].T)))
    within = np.searchsorted(walls, walls + 2 * tolerance, side="right")
    girth = float(polygons.edge_lengths(fit.polygon()).sum())
    enough = np.flatnonzero(seen[within] - seen[:-1] >= _PARALLEL_SHARE * girth)
    if not enough.size:
        return None
    wall = float(np.median(walls[enough[0] : within[enough[0]]]))
    sizes = np.linalg.norm(topology.vector_areas(surface.points(loops.vertices), loops.begins), axis=1)
    chambers = np.flatnonzero((sizes < _LARGEST_CHAMBER * sizes[inner]) & (sizes < sizes.max()))
    if (at[0][np.isin(loops.owner[free], chambers)] < _LEAST_BETWEEN * wall).any():
        return None
    return replace(fit, outline=fit.outline.offset(wall))


def placed(
    section: Section, centre: Floats, turn: float, base: Frame, normal: Floats, bore: Floats, noise: float = 0.0
) -> RimSection:
    """The profile with its frame turned so that equal fittings get equal directions."""
    rows = base.origin[None], base.axes[None], normal[None]
    return _all_placed([((section, centre, turn), noise, False, None)], *rows, [bore])[0]


def _all_placed(
    rims: Sequence[_Rim], origins: Floats, axes: Floats, normals: Floats, bores: Sequence[Floats]
) -> list[RimSection]:
    """``placed`` for k rims that were drawn about ``origins`` (k, 3) in the planes of ``axes`` (k, 3, 3)."""
    leans = np.einsum("kij,kj->ki", axes, normals)
    turned = [_turned(drawn, noise, *lean) for (drawn, noise, *_), lean in zip(rims, leans.tolist(), strict=True)]
    mitred = np.array([mitre > 0 for _, _, mitre, _ in turned])
    turns = np.radians([turn_deg for _, turn_deg, _, _ in turned])
    cos, sin = np.cos(turns), np.sin(turns)
    rise_x, rise_y = np.where(mitred, -leans[:, :2].T / leans[:, 2], 0.0)
    x, y = np.array([drawn[1] for drawn, *_ in rims]).T
    origins = origins + np.einsum("ki,kij->kj", np.column_stack([x, y, x * rise_x + y * rise_y]), axes)
    along, aside, up = axes[:, 0], axes[:, 1], axes[:, 2]
    frames = np.stack(
        [cos[:, None] * along + sin[:, None] * aside, cos[:, None] * aside - sin[:, None] * along, up], axis=1
    )
    slopes = np.column_stack([cos * rise_x + sin * rise_y, cos * rise_y - sin * rise_x])
    normals = np.where(mitred[:, None], normals, up)
    counts = [len(bore) for bore in bores]
    u, v = np.concatenate(bores).T
    u, v, cos, sin = u - np.repeat(x, counts), v - np.repeat(y, counts), np.repeat(cos, counts), np.repeat(sin, counts)
    begins = np.append(0, np.cumsum(counts)).tolist()
    points = np.column_stack([u * cos + v * sin, v * cos - u * sin])
    return [
        RimSection(section, Frame(*frame), mitre, direction, normal, slope, points[begin:end], ring, coarse)
        for (section, _, mitre, direction), frame, normal, slope, (begin, end), (_, _, ring, coarse) in zip(
            turned, zip(origins, frames, strict=True), normals, slopes, pairwise(begins), rims, strict=True
        )
    ]


def _turned(
    drawn: _Drawn, noise: float, lean_x: float, lean_y: float, lean_z: float
) -> tuple[Section, float, float, float]:
    """The section of a rim whose normal leans so, by how much its x is turned, the mitre and which way that leans, all
    in degrees."""
    section, _, turn = drawn
    mitre = math.degrees(math.atan2(math.hypot(lean_x, lean_y), lean_z))
    section, turn_deg = _canonical(section, math.degrees(turn))
    if mitre < max(SQUARE_CUT_DEG, math.degrees(noise / section.outer.half_width)):
        return section, turn_deg, 0.0, 0.0
    direction, ways = math.degrees(math.atan2(lean_y, lean_x)) - turn_deg, folds(section)
    if not ways:
        return section, turn_deg + direction, mitre, 0.0
    period = 360.0 / ways
    steps = math.floor((direction + _SAME_DIRECTION_DEG) / period)
    if ways == 4:
        section = _quarter_turned(section, steps)
    return section, turn_deg + steps * period, mitre, max(direction - steps * period, 0.0)


def folds(section: Section) -> int:
    """In how many directions the section looks the same; 0 for all."""
    if any(section.bore.centre):
        return 1
    return math.gcd(_outline_folds(section.outer, section), _outline_folds(section.bore, section))


def _outline_folds(outline: Outline, section: Section) -> int:
    tolerance = 2 * FIT_TOLERANCE * section.outer.width
    if outline.shape == "circle":
        return 0
    if outline.points is not None:
        return polygons.symmetry(outline.points, np.zeros(2), 2 * tolerance)
    return 4 if outline.shape == "rectangle" and abs(outline.width - outline.depth) < tolerance else 2


def _canonical(section: Section, turn_deg: float) -> tuple[Section, float]:
    """The section turned by whole quarters so that, of the turns that leave its box alone, the one is taken in which
    it is heavier towards x, then towards y. Symmetric sections stay as they are."""
    if section.outer.shape == "circle" and section.bore.shape == "circle":
        if not any(section.bore.centre):
            return section, turn_deg
        towards = math.degrees(math.atan2(section.bore.centre[1], section.bore.centre[0]))
        bore = replace(section.bore, centre=(math.hypot(*section.bore.centre), 0.0))
        return Section(section.outer, bore), turn_deg + towards
    if section.outer.shape != "free" and section.bore.shape != "free" and not any(section.bore.centre):
        return section, turn_deg
    tolerance = 2 * FIT_TOLERANCE * section.outer.width
    weight = polygons.centroid(section.outer.polygon()) + polygons.centroid(section.bore.polygon())
    square = abs(section.outer.width - section.outer.depth) < tolerance
    quarters = (0, 1, 2, 3) if square else (0, 2)

    def heaviness(quarter: int) -> tuple[float, float]:
        x, y = polygons.turned(weight, -quarter * math.pi / 2) / tolerance
        return round(float(x)), round(float(y))

    best = max(quarters, key=heaviness)
    return _quarter_turned(section, best), turn_deg + 90.0 * best


def _quarter_turned(section: Section, quarters: int) -> Section:
    """The section in axes turned counter-clockwise by ``quarters`` times 90°."""
    return Section(_outline_in_turned(section.outer, quarters), _outline_in_turned(section.bore, quarters))


def _outline_in_turned(outline: Outline, quarters: int) -> Outline:
    if not quarters % 4 or (outline.shape == "circle" and not any(outline.centre)):
        return outline
    if outline.points is not None:
        return Outline.free(polygons.turned(outline.points, -quarters * math.pi / 2))
    (x, y), width, depth = outline.centre, outline.width, outline.depth
    for _ in range(quarters % 4):
        x, y, width, depth = y, -x, depth, width
    return Outline(outline.shape, width, depth, outline.corner_radius, centre=(x, y))
