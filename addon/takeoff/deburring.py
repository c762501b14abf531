# SPDX-License-Identifier: GPL-3.0-or-later
"""Rims whose edges were modelled chamfered or rounded, made sharp again.

A narrow band of triangles then lies between the rim's plane and a wall of its tube. It is pressed flat into that plane
along the tube's axis: its border on the wall slides along the wall, and the end is as it was before it was deburred.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ..fields.messages import Length, Message, count_of, say
from ..geometry import polygons, topology
from ..geometry.frames import Floats, Frame, taken
from ..geometry.outline_fit import OutlineFit, fit_outline, off_outline
from ..geometry.topology import Indices
from .axes import corners_of_walls, sharper
from .rims import FLATNESS, STEEPEST, FlatRings, Loops, Rims, are_exact, are_walls, axis_of_walls
from .surface import Surface, reshaped
from .walls import WallIndex

_DEEPEST = 0.15
"""How far below the rim a band may reach, in roots of the bore's area: as far as a weld bevel on a pipe."""
_LEAST_BORE = 0.3
"""Side of a ring's bores, taken together, over its outer side; with less it is not a tube's rim, but a side that has
holes."""
_CONE = 0.1
"""How unlike, as cosines, the facets of a countersink lean."""
_LEAST_TURN = 0.03
"""How far, as a cosine, triangles of a band turn from the wall, but for slivers that have a corner off the wall."""
_ABOVE = 1e-3
"""Share of its depth that a band may rise above the rim: that of inexact coordinates."""
_OFF_WALL = 2e-5
"""Share of the width by which a corner is off the wall, beside what is inexact."""
_CUT_SHORT = 1e-4
"""Share of its width by which a band's end may miss the corners of a rectangular wall."""
_SQUARE_CUT = np.cos(np.radians(2.5))
"""Cuts that seem no further from square than this, by small triangles, most likely are square."""
_SHARP = np.cos(np.radians(50.0))
_SAME_WAY = np.cos(np.radians(25.0))
_LITTLE_FLAT = 0.5
_LEAST_FACING = 0.8
"""How nearly the edge in which two chamfers meet looks along its plane's normal; other loops of sharp edges do less."""


@dataclass(frozen=True, eq=False)
class Deburred:
    """An edge of a rim that was made sharp."""

    triangle: int
    """One of those that were pressed flat."""
    outside: bool
    """It is the rim's outer edge."""
    width: float
    """How much of the rim it has taken away, in mm."""


@dataclass(frozen=True, eq=False)
class _Edges:
    """k loops in the planes of rims; beyond each a band may begin."""

    loops: Loops
    normals: Floats
    """(k, 3): square to the rim's plane and out of the tube."""
    depths: Floats
    """(k,): how far below the plane a band may reach, in mm."""
    drilled: NDArray[np.bool_]
    """(k,): whether it is a hole's, so that a cone is its countersink."""


@dataclass(frozen=True, eq=False)
class _Band:
    """The triangles between an edge and a wall."""

    triangles: Indices
    far: Indices
    """Its half-edges at the wall, in order."""


@dataclass(frozen=True, eq=False)
class _FlatBand:
    """A band and where its corners go."""

    triangles: Indices
    normal: Floats
    corners: Indices
    pressed: Floats
    outside: bool
    width: float


@dataclass(frozen=True, eq=False)
class _Wall:
    """The wall beyond a band, as its outline seen along the tube."""

    frame: Frame
    fit: OutlineFit
    level: float
    """How far from the outline a corner of the wall may lie, in mm."""

    @classmethod
    def of(cls, surface: Surface, index: WallIndex, band: _Band, middle: Floats, normal: Floats) -> _Wall | None:
        """The wall beyond a band under the rim's plane, which passes through ``middle``; None if it is not a tube's."""
        start, across = surface.points(surface.starts[band.far]), surface.twins[band.far] // 3
        lengths = np.linalg.norm(np.roll(start, -1, axis=0) - start, axis=1)
        axes, shares = axis_of_walls(surface.normals[across], lengths, np.zeros(1, np.int64))
        axis = axes[0] * np.sign(axes[0] @ normal)
        if not are_walls(shares)[0] or axis @ normal < STEEPEST:
            return None
        noise, exact = float(surface.noise[across[0]]), bool(are_exact(shares)[0])
        if not exact:
            axis = normal if axis @ normal > _SQUARE_CUT else axis
            axis = sharper(start, corners_of_walls(surface, index, across, axis), axis, noise)
        frame = Frame.along(middle, axis)
        line = frame.to_local(start)[:, :2]
        fit = fit_outline(line, noise)
        level = 2 * fit.residual + _OFF_WALL * fit.outline.width + 4 * noise
        if fit.outline.shape == "free" and not exact:
            level += polygons.sagitta(line)  # elsewhere the wall may have its corners elsewhere around it
        return cls(frame, fit, level)

    def holds(self, surface: Surface, triangles: Indices) -> NDArray[np.bool_]:
        """Which triangles are a part of the wall."""
        corners, place = np.unique(surface.triangles[triangles], return_inverse=True)
        on = np.abs(off_outline(self.fit.outline, self._local(surface.points(corners)))[0]) < self.level
        held = on[place.reshape(-1, 3)].all(axis=1)
        if self.fit.outline.shape == "free":
            held &= surface.normals[triangles] @ self.frame.z < _LEAST_TURN
        return held

    def ends_at(self, surface: Surface, half_edges: Indices) -> bool:
        """Whether a loop goes around the whole wall; those of edges that were rounded at sharp corners may not."""
        points = self._local(surface.points(surface.starts[half_edges]))
        outline = self.fit.outline
        if np.abs(off_outline(outline, points)[0]).max() > self.level:
            return False
        missing = np.array([outline.width, outline.depth]) - np.ptp(points, axis=0)
        exact = outline.shape in ("rectangle", "free")
        return not exact or bool(np.abs(missing).max() < self.level + _CUT_SHORT * outline.width)

    def _local(self, points: Floats) -> Floats:
        flat = self.frame.to_local(points)[:, :2] - self.fit.centre
        return polygons.turned(flat, -math.radians(self.fit.turn_deg))


def made_sharp(surface: Surface, index: WallIndex, rings: FlatRings) -> tuple[Surface, list[Deburred]]:
    """The surface with the chamfered and rounded edges of its rims made sharp, and what these were."""
    known = np.zeros(len(surface.triangles), bool)
    bands = [
        band
        for edges in (
            _bevelled_rings(surface, rings),
            _crests(surface, _between_walls(surface, index, rings.face)),
        )
        for number in range(len(edges.depths))
        if (band := _flat_band(surface, index, edges, number, known))
    ]
    vertices, normals = surface.vertices.copy("K"), np.zeros_like(surface.normals)
    deburred = []
    # Rows of a rounded edge may look like rings of their own; the rim's band holds theirs.
    for band in sorted(bands, key=lambda band: -len(band.triangles)):
        if not normals[band.triangles].any():
            normals[band.triangles] = band.normal
            vertices[band.corners] = band.pressed
            deburred.append(Deburred(int(band.triangles[0]), band.outside, band.width))
    return (reshaped(surface, vertices, normals), deburred) if deburred else (surface, [])


def notes_of_deburring(
    surface: Surface, deburred: Sequence[Deburred], rims: Rims, walls: Sequence[float]
) -> tuple[Message, ...]:
    """What was made sharp at the rims of tubes, of these ``walls``, in sentences."""
    by_face = defaultdict(list)
    for edge in deburred:
        by_face[int(surface.faces[edge.triangle])].append(edge)
    ends = [(wall, by_face[face]) for face, wall in zip(rims.face.tolist(), walls, strict=True) if face in by_face]
    if not ends:
        return ()
    count = count_of(len(ends), "tube end has", "tube ends have")
    said = say("{} chamfered or rounded edges; read as if cut sharp.", count)
    outside = max((edge.width for _, edges in ends for edge in edges if edge.outside), default=0.0)
    if outside:
        said += say(
            " Outside they take up to {} off the rim: a crown stands out past its flat by that. Trim it by hand where "
            "the step is in the way.",
            Length(outside),
        )
    left, wall = min((wall - sum(edge.width for edge in edges), wall) for wall, edges in ends)
    if left < _LITTLE_FLAT * wall:
        flat = Length(left) if left >= 0.05 else "nothing"
        said += say(" Of a wall of {}, {} is left flat for the shoulder to rest on.", Length(wall), flat)
    return (said,)


def _bevelled_rings(surface: Surface, rings: FlatRings) -> _Edges:
    """The loops of flat rings from which no wall runs down along one axis."""
    outer, bore = rings.outer, rings.bore
    sizes = np.linalg.norm(rings.areas, axis=1)
    drilled = np.bincount(outer, sizes[bore], len(sizes))[outer] < _LEAST_BORE**2 * sizes[outer]
    unshared = ~rings.shared & ~drilled
    chosen, around = np.concatenate([bore, outer[unshared]]), np.concatenate([outer, outer[unshared]])
    depths = _DEEPEST * np.sqrt(sizes[np.concatenate([bore, bore[unshared]])])
    normals = rings.areas[around] / np.maximum(sizes[around], 1e-300)[:, None]
    lean = _lean(surface, rings.loops.taken(chosen), normals)
    loops, normals = rings.loops.taken(chosen[lean]), normals[lean]
    upright = surface.normals[loops.half_edges[loops.begins[:-1]] // 3]
    normals *= np.sign(np.einsum("ij,ij->i", normals, upright))[:, None]
    return _Edges(loops, normals, depths[lean], np.concatenate([drilled, drilled[unshared]])[lean])


def _lean(surface: Surface, loops: Loops, normals: Floats) -> Indices:
    """Which of k loops have beside them neither a wall that runs down from their planes nor a gap."""
    if not len(loops.begins) > 1:
        return np.empty(0, np.int64)
    turned = np.abs(np.einsum("ij,ij->i", taken(surface.normals, loops.across), taken(normals, loops.owner)))
    # Below square cuts, which most are, nothing turns.
    some = np.flatnonzero(
        (np.maximum.reduceat(turned, loops.begins[:-1]) > _LEAST_TURN)
        & (np.minimum.reduceat(loops.across, loops.begins[:-1]) >= 0)
    )
    if not some.size:
        return some
    loops = loops.taken(some)
    axes, shares = axis_of_walls(surface.normals[loops.across], surface.areas[loops.across], loops.begins[:-1])
    walls = are_walls(shares) & (np.abs(np.einsum("ij,ij->i", axes, normals[some])) > STEEPEST)
    return some[~walls]


def _between_walls(surface: Surface, index: WallIndex, without: Indices) -> Indices:
    """One half-edge of each edge between two walls, but for those of the faces ``without``."""
    half = index.edges
    twins = surface.twins[half]
    half, twins = half[twins > half], twins[twins > half]
    out = np.zeros(len(surface.faces), bool)
    out[without] = True
    return half[~(out[surface.faces[half // 3]] | out[surface.faces[twins // 3]])]


def _crests(surface: Surface, half: Indices) -> _Edges:
    """Flat loops out of the edges ``half`` in which an outer and an inner chamfer meet, from either side."""
    twin = surface.twins[half]
    normal, twin_normal = surface.normals[half // 3], surface.normals[twin // 3]
    beyond = surface.points(surface.ends_of(topology.next_in_triangle(twin))) - surface.points(surface.starts[half])
    sharp = (np.einsum("ij,ij->i", normal, twin_normal) < _SHARP) & (np.einsum("ij,ij->i", normal, beyond) < 0)
    facing = (normal + twin_normal)[sharp]
    facing /= np.maximum(np.linalg.norm(facing, axis=1), 1e-300)[:, None]
    half, twin = np.concatenate([half[sharp], twin[sharp]]), np.concatenate([twin[sharp], half[sharp]])
    facing = np.concatenate([facing, facing])
    loops, members = _rounds(surface, half, twin, facing)
    areas = topology.vector_areas(surface.points(loops.vertices), loops.begins)
    sizes = np.sqrt(np.linalg.norm(areas, axis=1))
    normals = areas / np.maximum(sizes, 1e-150)[:, None] ** 2
    facing, owner = facing[members], loops.owner
    normals *= np.sign(np.einsum("ij,ij->i", normals, loops.sums(facing)))[:, None]
    points = surface.points(loops.vertices)
    middles = loops.sums(points) / loops.counts[:, None]
    heights = np.einsum("ij,ij->i", points - middles[owner], normals[owner])
    aside = np.einsum("ij,ij->i", facing, normals[owner]) < _LEAST_FACING
    flat = np.bincount(owner, (np.abs(heights) > FLATNESS * sizes[owner]) | aside, len(sizes)) == 0
    return _Edges(
        loops.taken(np.flatnonzero(flat)), normals[flat], _DEEPEST * sizes[flat], np.zeros(int(flat.sum()), bool)
    )


def _rounds(surface: Surface, half: Indices, twin: Indices, facing: Floats) -> tuple[Loops, Indices]:
    """The closed loops among half-edges in which each has one to follow that faces (n, 3) much the same way, and where
    in ``half`` their members are."""
    _, place = np.unique(np.concatenate([surface.starts[half], surface.ends_of(half)]), return_inverse=True)
    start, end = place[: len(half)], place[len(half) :]
    leaving = np.argsort(start, kind="stable")
    begins = np.searchsorted(start[leaving], np.arange(len(half) + 1 + int(place.max(initial=0))))
    coming, at = topology.spans(begins, end)
    going = leaving[at]
    along = (half[going] != twin[coming]) & (np.einsum("ij,ij->i", facing[coming], facing[going]) > _SAME_WAY)
    coming, going = coming[along], going[along]
    chains = topology.components(len(half), coming, going)
    single = (np.bincount(coming, minlength=len(half)) == 1) & (np.bincount(going, minlength=len(half)) == 1)
    closed = np.bincount(chains, ~single, len(half))[chains] == 0
    following = np.zeros(len(half), np.int64)
    following[coming] = going
    members = np.flatnonzero(closed)
    order, begins = topology.loops(np.searchsorted(members, following[members]))
    members = members[order]
    return Loops(half[members], begins, surface.starts[half[members]], twin[members] // 3), members


def _flat_band(
    surface: Surface, index: WallIndex, edges: _Edges, number: int, known: NDArray[np.bool_]
) -> _FlatBand | None:
    """The band beyond one of the ``edges``, pressed flat; None if there is none."""
    loop, normal = edges.loops.half_edges[edges.loops.part(number)], edges.normals[number]
    rim = surface.points(surface.starts[loop])
    middle, depth = rim.mean(axis=0), edges.depths[number]
    above = _ABOVE * depth + 4 * surface.noise[loop[0] // 3]

    def is_low(triangles: Indices) -> NDArray[np.bool_]:
        heights = (surface.corners(triangles) - middle) @ normal
        return (heights.min(axis=1) > -depth) & (heights.max(axis=1) < above)

    around = _band(surface, loop, is_low, known)
    wall = _Wall.of(surface, index, around, middle, normal) if around else None
    if around is None or wall is None:
        return None
    frame, band_triangles = wall.frame, around.triangles[~wall.holds(surface, around.triangles)]
    band = _band(surface, loop, lambda triangles: np.isin(triangles, band_triangles), known)
    if band is None or not wall.ends_at(surface, band.far):
        return None
    if edges.drilled[number] and np.ptp(surface.normals[band.triangles] @ normal) < _CONE:
        return None
    near, far = (frame.to_local(surface.points(surface.starts[half]))[:, :2] for half in (loop, band.far))
    before, after = (abs(polygons.signed_area(line)) for line in (near, far))
    corners = np.unique(surface.triangles[band.triangles])
    flat = frame.to_local(surface.points(corners))[:, :2]
    heights = -(flat @ (frame.axes[:2] @ normal)) / (frame.z @ normal)
    pressed = frame.to_world(np.column_stack([flat, heights]))
    width = 2 * abs(after - before) / float(polygons.edge_lengths(near).sum() + polygons.edge_lengths(far).sum())
    return _FlatBand(band.triangles, normal, corners, pressed, after > before, width)


def _band(
    surface: Surface, loop: Indices, allowed: Callable[[Indices], NDArray[np.bool_]], known: NDArray[np.bool_]
) -> _Band | None:
    """The triangles that are reached from the far side of a loop's half-edges through others that are ``allowed``;
    None if they do not end all around. ``known`` is false for every triangle of the surface, before and after."""
    starts = surface.twins[loop]
    fresh = np.unique(starts // 3)
    reached, seen = [fresh[:0]], [loop // 3, fresh]
    known[loop // 3] = known[fresh] = True
    while fresh.size:
        fresh = fresh[allowed(fresh)]
        reached.append(fresh)
        across = surface.twins.reshape(-1, 3)[fresh].ravel()
        across = across[across >= 0] // 3
        fresh = np.unique(across[~known[across]])
        known[fresh] = True
        seen.append(fresh)
    known[np.concatenate(seen)] = False
    triangles = np.sort(np.concatenate(reached))
    border, begins = topology.borders_around(surface.twins, triangles)
    chains = [border[begin:end] for begin, end in pairwise(begins.tolist())]
    far = max((chain for chain in chains if not np.isin(chain, starts).any()), key=len, default=border[:0])
    return _Band(triangles, far) if len(far) >= 3 and (surface.twins[far] >= 0).all() else None
