# SPDX-License-Identifier: GPL-3.0-or-later
"""Round holes through the walls of tubes, by the surface between a loop in the outer wall and one in the bore."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from manifold3d import CrossSection

from ..geometry import topology
from ..geometry.frames import Floats, Frame
from ..geometry.outline_fit import FIT_TOLERANCE, off_outline
from ..geometry.topology import Indices
from .legs import Leg, Skins
from .rims import are_exact, axis_of_walls
from .surface import Surface

_LEAST_CORNERS = 8
_WIDEST_GAP = np.radians(60.0)
_BARREL = (0.6, 0.35, 0.35)
"""How far, as a cosine, triangles of a hole's cylinder may lean from its axis while that is looked for: small ones
between two unlike curves lean by up to 20°, countersinks and chamfers lean further."""
_TRIED, _APART, _SQUARE = 16, 0.3, 0.03
"""How many normals are tried in twos, the sine between them at least, and the cosine at which triangles run along what
is square to both."""
_ONE_SIDED = 0.35
_LEAST_BARREL = 0.05
"""Share of a hole's surface that is a cylinder, less than which it is a countersink all through the wall."""
_OUTLIER = 5.0
_EXACT_DEG, _INEXACT_DEG = 0.1, 0.5
"""How far two holes in line may seem to lean to each other where their axes come from flat facets, and where not."""


@dataclass(frozen=True, eq=False)
class Bore:
    """A round hole through one wall."""

    leg: int
    centre: Floats
    """(3,) on its axis, within the wall."""
    axis: Floats
    """(3,), out of the tube."""
    diameter: float
    countersink: float
    """Its largest diameter, 0 if it is plain."""
    cone_deg: float
    """Whole angle of its countersink, 0 if it is plain."""
    slack_deg: float
    """How far off its axis may be."""


def read_holes(surface: Surface, legs: Sequence[Leg], skins: Skins) -> tuple[list[Bore], list[tuple[int, Indices]]]:
    """The round holes in the walls of legs; and the cut-outs that are not, each as its leg and the loop of half-edges
    around it."""
    spots = np.flatnonzero(skins.turns == 0)
    if not spots.size:
        return [], []
    beyond = _patches(surface, skins)
    twins = surface.twins[skins.half_edges]
    patch = np.where(twins < 0, -1, beyond[twins // 3])
    rims = set(patch[np.repeat(skins.turns != 0, np.diff(skins.begins))].tolist())
    bores: list[Bore] = []
    unread: list[tuple[int, Indices]] = []
    loops_of: dict[int, list[int]] = defaultdict(list)
    for loop in spots.tolist():
        part = slice(skins.begins[loop], skins.begins[loop + 1])
        patches = np.unique(patch[part])
        if (twins[part] < 0).all():
            unread.append((int(skins.owners[loop]) // 2, skins.loop(loop)))
        elif len(patches) == 1 and patches[0] >= 0:  # else something is attached here
            loops_of[int(patches[0])].append(loop)
    for lead, triangles in _members(beyond, loops_of).items():
        loops = sorted(loops_of[lead], key=lambda loop: int(skins.owners[loop]))
        owners = skins.owners[loops].tolist()
        leg = owners[0] // 2
        if lead in rims or _stands_out(surface, legs[leg], triangles):
            continue
        bore = None
        if owners == [2 * leg, 2 * leg + 1]:
            bore = _bore(surface, legs[leg], leg, triangles, skins.loop(loops[0]), skins.loop(loops[1]))
        if bore:
            bores.append(bore)
        else:
            unread.append((leg, skins.loop(loops[0])))
    return bores, unread


def in_line(bores: Sequence[Bore]) -> list[tuple[Bore, Bore | None]]:
    """The holes each once, with the one opposite that was drilled in line with it, if there is one."""
    by_leg: dict[int, list[Bore]] = defaultdict(list)
    for bore in bores:
        by_leg[bore.leg].append(bore)
    pairs: list[tuple[Bore, Bore | None]] = []
    for left in by_leg.values():
        while left:
            hole = left.pop()
            opposite = next((candidate for candidate in left if _goes_on(hole, candidate)), None)
            if opposite is not None:
                left.remove(opposite)
            pairs.append((hole, opposite))
    return pairs


def _goes_on(bore: Bore, other: Bore) -> bool:
    if abs(bore.diameter - other.diameter) > 0.01 * bore.diameter or bore.axis @ other.axis > 0:
        return False
    along = bore.centre - other.centre
    along = along / np.linalg.norm(along)
    limit = np.cos(np.radians(max(bore.slack_deg, other.slack_deg)))
    return bool(along @ bore.axis > limit and -(along @ other.axis) > limit)


def _patches(surface: Surface, skins: Skins) -> Indices:
    """(m,): labels of the surfaces between walls, -1 in walls."""
    free = skins.labels < 0
    half = np.flatnonzero((surface.twins > np.arange(len(surface.twins))) & np.repeat(free, 3))
    half = half[free[surface.twins[half] // 3]]
    labels = topology.components(len(free), half // 3, surface.twins[half] // 3)
    return np.where(free, labels, -1)


def _members(patches: Indices, wanted: Iterable[int]) -> dict[int, Indices]:
    """The triangles of the patches that are ``wanted``."""
    some = np.flatnonzero(np.isin(patches, list(wanted)) & (patches >= 0))
    some = some[np.argsort(patches[some], kind="stable")]
    leads, begins = np.unique(patches[some], return_index=True)
    ends = np.append(begins, len(some))[1:]
    return {
        lead: some[begin:end] for lead, begin, end in zip(leads.tolist(), begins.tolist(), ends.tolist(), strict=True)
    }


def _stands_out(surface: Surface, leg: Leg, triangles: Indices) -> bool:
    """Whether a surface that begins in a tube's wall goes out of it, as that of another part does."""
    points = leg.frame.to_local(surface.points(np.unique(surface.triangles[triangles])))[:, :2]
    outer, bore = leg.section.outer, leg.section.bore
    out = off_outline(outer, points)[0].max() > 2 * leg.tolerance(outer)
    return bool(out or off_outline(bore, points)[0].min() < -2 * leg.tolerance(bore))


def _bore(surface: Surface, leg: Leg, place: int, triangles: Indices, outer: Indices, inner: Indices) -> Bore | None:
    """The round hole with these triangles between its loops of half-edges, if it is one."""
    outside, inside = (surface.points(surface.starts[loop]) for loop in (outer, inner))
    out = _centroid(outside) - _centroid(inside)
    barrel, axis, exact = _barrel(surface, triangles, out)
    noise = float(surface.noise[triangles].max())
    drilled = surface.areas[barrel].sum() > _LEAST_BARREL * surface.areas[triangles].sum()
    if not drilled:
        axis, exact, barrel_points = _cone_axis(surface, triangles), False, inside
    else:
        barrel_points = surface.points(np.unique(surface.triangles[barrel]))
        if not exact:
            axis, barrel_points, _ = _on_cylinder(barrel_points, axis, noise)
    local = leg.frame.to_local(outside).mean(axis=0)[None, :2]
    axis = axis * np.sign(axis @ (off_outline(leg.section.outer, local)[1][0] @ leg.frame.axes[:2]) or 1.0)
    frame = Frame.along(_centroid(outside), axis)
    circle = _circle(frame.to_local(barrel_points)[:, :2], noise)
    if circle is None and not drilled:
        # The inner wall of a round tube cuts a cone along no circle.
        axis, on_cone, within = _on_cylinder(np.concatenate([outside, inside]), axis, noise, tapers=True)
        frame = Frame.along(within, axis)
        circle = _narrowest(frame.to_local(on_cone), frame.to_local(inside), noise)
    if circle is None:
        return None
    centre, radius = circle
    reach = float(np.linalg.norm(frame.to_local(outside)[:, :2] - centre, axis=1).max())
    wide = reach > radius + 0.02 * radius + 4 * noise
    heights = frame.to_local(barrel_points)[:, 2]
    middle = frame.to_world(np.array([[*centre, heights.mean()]]))[0]
    sunk = np.unique(surface.triangles[np.setdiff1d(triangles, barrel)])
    cone = _cone_deg(surface.points(sunk), middle, axis) if wide else 0.0
    slack = (_EXACT_DEG if exact else _INEXACT_DEG) + np.degrees(4 * noise / max(float(np.ptp(heights)), 1e-9))
    return Bore(place, middle, axis, 2 * radius, 2 * reach if wide else 0.0, cone, float(slack))


def _centroid(loop: Floats) -> Floats:
    """(3,): the middle of a closed line (n, 3), however its corners are spread."""
    ahead = np.roll(loop, -1, axis=0)
    lengths = np.linalg.norm(ahead - loop, axis=1)
    return ((loop + ahead) / 2 * lengths[:, None]).sum(axis=0) / lengths.sum()


def _barrel(surface: Surface, triangles: Indices, out: Floats) -> tuple[Indices, Floats, bool]:
    """The triangles of a hole's cylinder, its axis (3,), and whether flat facets give that exactly.

    ``out`` is the way from one loop's middle to the other's.
    """
    normals, areas = surface.normals[triangles], surface.areas[triangles]
    begin = np.zeros(1, np.int64)
    best = triangles[:0], out / np.linalg.norm(out), False
    for tried, (axis, limits) in enumerate(_guesses(normals, areas, best[1])):
        shares, side = np.ones((1, 3)), np.zeros(len(triangles), bool)
        for limit in limits:
            side = np.abs(normals @ axis) < limit
            if not side.any():
                break
            (axis,), shares = axis_of_walls(normals[side], areas[side], begin)
            if are_exact(shares)[0]:
                break
        # The normals of a cylinder cancel out, those of a countersink taken across do not.
        facing = np.linalg.norm((normals[side] * areas[side, None]).sum(axis=0))
        area = areas[side].sum()
        if facing < _ONE_SIDED * area and area > 1.001 * surface.areas[best[0]].sum():
            best = triangles[side], axis, bool(are_exact(shares)[0])
        if len(best[0]) == len(triangles) and (best[2] or tried):
            break
    return best


def _guesses(normals: Floats, areas: Floats, out: Floats) -> Iterator[tuple[Floats, Sequence[float]]]:
    """Axes (3,) that a hole's cylinder may have, and how far its triangles may lean from each while that is bettered.
    The last one holds where a countersink leans too far for the others."""
    yield out, _BARREL
    yield axis_of_walls(normals, areas, np.zeros(1, np.int64))[0][0], _BARREL
    yield _most_square_to(normals, areas), _BARREL[1:]


def _most_square_to(normals: Floats, areas: Floats) -> Floats:
    """(3,): of the directions square to two of the normals (n, 3), that which the most area runs along."""
    ends = np.cumsum(areas)
    some = normals[np.searchsorted(ends, (np.arange(_TRIED) + 0.5) / _TRIED * ends[-1])]
    ways = np.cross(some[:, None], some[None]).reshape(-1, 3)
    lengths = np.linalg.norm(ways, axis=1)
    ways = ways[lengths > _APART] / lengths[lengths > _APART, None]
    if not len(ways):
        return some[0]
    return ways[int((areas @ (np.abs(normals @ ways.T) < _SQUARE)).argmax())]


def _cone_axis(surface: Surface, triangles: Indices) -> Floats:
    """(3,): the axis of a countersink: its normals lean from it by one angle."""
    normals, areas = surface.normals[triangles], surface.areas[triangles]
    normals = normals - (normals * areas[:, None]).sum(axis=0) / areas.sum()
    return np.linalg.eigh((normals * areas[:, None]).T @ normals)[1][:, 0]


def _cone_deg(points: Floats, middle: Floats, axis: Floats) -> float:
    """The whole angle of the countersink that has its corners (n, 3) around an axis through ``middle``."""
    x, y, z = Frame.along(middle, axis).to_local(points).T
    rise = z - z.mean()
    return 2 * float(np.degrees(np.arctan2(rise @ np.hypot(x, y), rise @ rise)))


def _on_cylinder(points: Floats, axis: Floats, noise: float, tapers: bool = False) -> tuple[Floats, Floats, Floats]:
    """The axis (3,) of the cylinder, or of the cone if it ``tapers``, through points (n, 3), those of them that lie on
    it, and a point on the axis. Least squares of the distances (Gauss-Newton), without what lies far off."""
    inliers, within = points, points.mean(axis=0)
    for step in range(10):
        frame = Frame.along(points.mean(axis=0), axis)
        local = frame.to_local(points)
        x, y, z = frame.to_local(inliers).T
        flare = [z, z * z] if tapers else []
        ahead = np.column_stack([2 * x, 2 * y, np.ones(len(x)), *flare])
        cx, cy = np.linalg.lstsq(ahead, x * x + y * y, rcond=None)[0][:2]
        reach = np.hypot(x - cx, y - cy)
        along = np.column_stack([x - cx, y - cy]) / np.maximum(reach, 1e-300)[:, None]
        unknowns = np.column_stack([along, np.ones(len(x)), along * z[:, None], *flare[:1]])
        solved = np.linalg.lstsq(unknowns, reach, rcond=1e-12)[0]
        axis = frame.axes.T @ np.array([solved[3], solved[4], 1.0])
        axis /= np.linalg.norm(axis)
        within = frame.to_world(np.array([[cx + solved[0], cy + solved[1], 0.0]]))[0]
        arms = local[:, :2] - (cx, cy) - solved[:2] - local[:, 2:] * solved[3:5]
        off = np.abs(np.hypot(*arms.T) - solved[2] - (local[:, 2] * solved[5] if tapers else 0.0))
        if step >= 3:
            inliers = points[off <= _OUTLIER * np.median(off) + 4 * noise + 1e-4 * solved[2]]
    return axis, inliers, within


def _narrowest(on_cone: Floats, inside: Floats, noise: float) -> tuple[Floats, float] | None:
    """Centre (2,) and radius of what passes through a cone that has points (n, 3) on it around z, and comes out at
    ``inside`` (m, 3); None if it is no cone."""
    reach, angles = np.hypot(*on_cone[:, :2].T), np.sort(np.arctan2(*on_cone[:, 1::-1].T))
    heights = np.column_stack([np.ones(len(reach)), on_cone[:, 2]])
    off = np.abs(heights @ np.linalg.lstsq(heights, reach, rcond=None)[0] - reach).max()
    gap = np.diff(angles, append=angles[0] + 2 * np.pi).max()
    if len(reach) < 2 * _LEAST_CORNERS or off > 4 * FIT_TOLERANCE * reach.max() + 4 * noise or gap > _WIDEST_GAP:
        return None
    return np.zeros(2), float(np.hypot(*inside[:, :2].T).min())


def _circle(points: Floats, noise: float) -> tuple[Floats, float] | None:
    """Centre (2,) and radius of the circle whose facets' corners are among points (n, 2): those that stand out."""
    # Where a facet of the tube ends, those of the hole have corners on their chords.
    hull = CrossSection.hull_points(points).simplify(2 * noise + 1e-6 * float(np.ptp(points))).to_polygons()
    if not hull or len(hull[0]) < _LEAST_CORNERS:
        return None
    corners = np.asarray(hull[0])
    middle = corners.mean(axis=0)
    x, y = (corners - middle).T
    cx, cy, level = np.linalg.lstsq(np.column_stack([2 * x, 2 * y, np.ones(len(x))]), x * x + y * y, rcond=None)[0]
    radius = float(np.sqrt(max(level + cx * cx + cy * cy, 0.0)))
    arms = np.column_stack([x - cx, y - cy])
    off = np.abs(np.hypot(*arms.T) - radius)
    angles = np.sort(np.arctan2(arms[:, 1], arms[:, 0]))
    gaps = np.diff(angles, append=angles[0] + 2 * np.pi)
    if off.max() > 4 * FIT_TOLERANCE * radius + 4 * noise or gaps.max() > _WIDEST_GAP:
        return None
    return np.add(middle, (cx, cy)), radius
