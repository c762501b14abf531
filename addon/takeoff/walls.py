# SPDX-License-Identifier: GPL-3.0-or-later
"""How far the walls of a tube run straight from a rim, and what ends them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry import polygons, topology
from ..geometry.frames import Floats, taken
from ..geometry.outline_fit import off_outline
from ..geometry.topology import Indices, spans
from .chunks import Chunks
from .rim_sections import RimSection
from .rims import Loops, Rims
from .surface import Surface

_SQUARE = 1e-3
"""Triangles whose normals lean less than this (rms, as a cosine) from square run along the axis."""
_LEVEL = 1e-4
ON_OUTLINE = 2e-3
"""Share of its width within which a corner lies on an outline."""


@dataclass(frozen=True, eq=False)
class WallIndex:
    """The smooth walls of a surface, for looking up by label."""

    order: Indices
    """Triangles, wall after wall."""
    begins: Indices
    tensors: Floats
    """(walls, 3, 3): area-weighted sum of n nᵀ, which says how square a wall is to any axis."""
    areas: Floats
    edges: Indices
    """Half-edges on the boundaries of walls, wall after wall."""
    edge_begins: Indices

    @classmethod
    def of(cls, surface: Surface) -> WallIndex:
        walls = surface.walls
        count = int(walls.max()) + 1 if len(walls) else 0
        x, y, z = surface.normals.T
        sums = [
            np.bincount(walls, product * surface.areas, count) for product in (x * x, x * y, x * z, y * y, y * z, z * z)
        ]
        tensors = np.array(sums)[[0, 1, 2, 1, 3, 4, 2, 4, 5]].T.reshape(-1, 3, 3)
        elsewhere = walls.take(surface.twins // 3, mode="wrap").reshape(-1, 3) != walls[:, None]
        edges = np.flatnonzero(elsewhere.ravel() | (surface.twins < 0))
        return cls(
            *_grouped(walls, count),
            tensors,
            np.bincount(walls, surface.areas, count),
            *_taken(edges, walls[edges // 3], count),
        )

    def triangles_of(self, walls: Indices) -> Indices:
        """The triangles of some walls."""
        return self.order[spans(self.begins, walls)[1]]


@dataclass(frozen=True, eq=False)
class WallRuns:
    """How far walls go from each of k rims, in mm along the axis and down from the rim's plane."""

    straight: Floats
    """(k,): where the bore's wall first ends: at the other rim, a bend, or a hole."""
    stop: Indices
    """(k,): a half-edge of the bore's wall there, -1 if none was found."""
    reach: Floats
    """(k,): how far any of the bore's wall goes."""
    outer_reach: Floats
    """(k,): how far any of the outer wall goes."""
    bends: NDArray[np.bool_]
    """(k,): there the bore goes on smoothly into something that is not straight."""
    bore_walls: Indices
    """Sorted keys ``rim * walls + wall`` of the walls of each rim's bore."""
    own: Indices
    """Sorted keys ``rim * walls + wall`` of the walls that belong to each rim's tube, its face included."""
    walls: int
    """How many walls the surface has."""
    pieces: dict[int, Indices]
    """The straight part of the bores that are not straight throughout or not evenly meshed, as sorted triangles."""

    def taken(self, chosen: Indices) -> WallRuns:
        """The runs from the rims ``chosen``, in ascending order, renumbered."""
        place = np.full(len(self.straight), -1)
        place[chosen] = np.arange(len(chosen))
        keys = []
        for old in (self.bore_walls, self.own):
            rim, wall = place[old // self.walls], old % self.walls
            keys.append((rim * self.walls + wall)[rim >= 0])
        return WallRuns(
            straight=self.straight[chosen],
            stop=self.stop[chosen],
            reach=self.reach[chosen],
            outer_reach=self.outer_reach[chosen],
            bends=self.bends[chosen],
            bore_walls=keys[0],
            own=keys[1],
            walls=self.walls,
            pieces={int(place[rim]): piece for rim, piece in self.pieces.items() if place[rim] >= 0},
        )

    def borders(self, surface: Surface, index: WallIndex, rim: int) -> tuple[Indices, Indices]:
        """The half-edges around the straight bore of a rim, as ``topology.borders`` has them."""
        piece = self.pieces[rim] if rim in self.pieces else np.sort(index.triangles_of(self.walls_of(rim)))
        return topology.borders_around(surface.twins, piece)

    def walls_of(self, rim: int) -> Indices:
        """The walls beside a rim's bore."""
        return self._of(rim, self.bore_walls)

    def own_walls_of(self, rim: int) -> Indices:
        """The walls that belong to a rim's tube."""
        return self._of(rim, self.own)

    def _of(self, rim: int, keys: Indices) -> Indices:
        begin, end = np.searchsorted(keys, [rim * self.walls, (rim + 1) * self.walls])
        return keys[begin:end] % self.walls


def trace(surface: Surface, index: WallIndex, chunks: Chunks, rims: Rims, profiles: Sequence[RimSection]) -> WallRuns:
    """Follow the walls down from each rim."""
    count, walls = len(profiles), len(index.areas)
    plane = _RimPlanes.of(surface, rims, profiles)
    bore_keys = _beside(surface, rims.bore, walls)
    outer_keys = _beside(surface, rims.outer, walls)
    uneven = np.bincount(bore_keys // walls, ~_is_square(index, plane, bore_keys), count) > 0
    straight, stop = _first_border(surface, index, plane, bore_keys[~uneven[bore_keys // walls]], walls, profiles)
    pieces: dict[int, Indices] = {}
    for rim in np.flatnonzero(uneven).tolist():
        body = int(surface.bodies[rims.bore.half_edges[rims.bore.begins[rim]] // 3])
        pieces[rim] = _straight_piece(surface, chunks, plane, rim, body, profiles[rim])
        straight[rim], stop[rim] = _first_departure(surface, plane, rim, pieces[rim])
    beyond = surface.twins[stop]
    beyond_keys = np.arange(count) * walls + surface.walls[beyond // 3]
    bends = (stop >= 0) & (beyond >= 0) & np.isin(beyond_keys, bore_keys)
    reach = _reach(surface, index, plane, bore_keys, walls)
    outer_reach = _reach(surface, index, plane, outer_keys, walls)
    tube_keys = np.unique(np.concatenate([bore_keys, outer_keys, _face_keys(surface, rims, bore_keys, walls)]))
    straight = np.where(np.isfinite(straight), straight, reach)
    return WallRuns(straight, stop, reach, outer_reach, bends, bore_keys, tube_keys, walls, pieces)


def _face_keys(surface: Surface, rims: Rims, bore_keys: Indices, walls: int) -> Indices:
    """Keys ``rim * walls + wall`` of the faces of each rim and of the rims at the other ends of its bore."""
    rim, wall = np.divmod(bore_keys, walls)
    order = np.argsort(wall, kind="stable")
    begins = np.searchsorted(wall[order], np.arange(walls + 1))
    key, place = spans(begins, wall)
    near, far = rim[key], rim[order[place]]
    faced = rims.face[far] >= 0
    faces = surface.walls[rims.bore.half_edges[rims.bore.begins[:-1]] // 3]
    return near[faced] * walls + faces[far[faced]]


@dataclass(frozen=True, eq=False)
class _RimPlanes:
    """k rim planes with their tubes' axes, for telling how far below its rim a point lies."""

    axes: Floats
    origins: Floats
    slopes: Floats
    level: Floats
    """(k,): points this little below or above the rim are on it."""
    noise: Floats
    """(k,): how far off coordinates may be."""

    @classmethod
    def of(cls, surface: Surface, rims: Rims, profiles: Sequence[RimSection]) -> _RimPlanes:
        axes = np.array([profile.frame.axes[2] for profile in profiles]).reshape(-1, 3)
        normals = np.array([profile.rim_normal for profile in profiles]).reshape(-1, 3)
        slopes = -normals / np.einsum("ij,ij->i", normals, axes)[:, None]
        width = np.array([profile.section.outer.width for profile in profiles])
        origins = np.array([profile.frame.origin for profile in profiles]).reshape(-1, 3)
        noise = surface.noise[rims.bore.half_edges[rims.bore.begins[:-1]] // 3]
        return cls(axes, origins, slopes, _LEVEL * width, noise)

    def depths(self, points: Floats, rims: Indices) -> Floats:
        """How far down the axis from the rim's plane each point lies."""
        return np.einsum("ij,ij->i", points - taken(self.origins, rims), taken(self.slopes, rims))

    def tolerance(self, rim: int, profile: RimSection) -> float:
        """How far the corners of a bore's wall may lie off the bore's outline, in mm."""
        return float(ON_OUTLINE * profile.section.bore.width + polygons.sagitta(profile.bore) + 4 * self.noise[rim])


def _beside(surface: Surface, loops: Loops, walls: int) -> Indices:
    """Sorted keys ``loop * walls + wall`` of the walls beside loops."""
    known = loops.across >= 0
    keys = loops.owner[known] * walls + surface.walls[loops.across[known]]
    return np.unique(keys[np.flatnonzero(np.diff(keys, prepend=-1))])


def _is_square(index: WallIndex, plane: _RimPlanes, keys: Indices) -> NDArray[np.bool_]:
    """Which of the walls run along the axis of their rim throughout."""
    rim, wall = np.divmod(keys, len(index.areas))
    lean = np.einsum("ki,kij,kj->k", plane.axes[rim], index.tensors[wall], plane.axes[rim])
    return lean < _SQUARE**2 * index.areas[wall]


def _first_border(
    surface: Surface, index: WallIndex, plane: _RimPlanes, keys: Indices, walls: int, profiles: Sequence[RimSection]
) -> tuple[Floats, Indices]:
    """Where the walls of each bore first end below the rim, and a half-edge there."""
    count = len(plane.axes)
    straight, stop = np.full(count, np.inf), np.full(count, -1, np.int64)
    if not len(keys):
        return straight, stop
    key, place = spans(index.edge_begins, keys % walls)
    half, rim = index.edges[place], (keys // walls)[key]
    depth, inner = _border(surface, plane, half, rim)
    twin = surface.twins[half]
    twin_keys = rim * walls + surface.walls[twin // 3]
    position = np.minimum(np.searchsorted(keys, twin_keys), len(keys) - 1)
    keep = np.flatnonzero(~(inner | ((twin >= 0) & (keys[position] == twin_keys))))
    flush = np.zeros(count, bool)
    flush[rim[keep[depth[keep] <= plane.level[rim[keep]]]]] = True
    for number in np.flatnonzero(flush).tolist():
        own = keep[rim[keep] == number]
        depth[own] = _depths_beside(surface, plane, number, profiles[number], half[own])
    keep = keep[np.isfinite(depth[keep])]
    order = keep[np.lexsort((depth[keep], rim[keep]))]
    first = order[np.diff(rim[order], prepend=-1) != 0]
    straight[rim[first]], stop[rim[first]] = np.maximum(depth[first], 0.0), half[first]
    return straight, stop


def _depths_beside(surface: Surface, plane: _RimPlanes, rim: int, profile: RimSection, half_edges: Indices) -> Floats:
    """(n,): how deep each half-edge begins where it meets a bore's outline; infinite for those that do not, and are of
    another tube whose walls are flush with its own."""
    ends = np.stack([surface.points(surface.starts[half_edges]), surface.points(surface.ends_of(half_edges))])
    off = np.abs(off_outline(profile.section.bore, profile.frame.to_local(ends.reshape(-1, 3))[:, :2])[0])
    on = off < plane.tolerance(rim, profile)
    depths = plane.depths(ends.reshape(-1, 3), np.full(len(on), rim))
    return np.where(on, depths, np.inf).reshape(2, -1).min(axis=0)


def _border(surface: Surface, plane: _RimPlanes, half: Indices, rim: Indices) -> tuple[Floats, NDArray[np.bool_]]:
    """How deep each half-edge of a wall's border begins, and whether it is not an end of the wall: an edge of the rim
    itself, or a seam along the tube that was never closed."""
    start, end = surface.points(surface.starts.take(half)), surface.points(surface.ends_of(half))
    from_rim, to_rim = plane.depths(start, rim), plane.depths(end, rim)
    inner = np.maximum(np.abs(from_rim), np.abs(to_rim)) < plane.level.take(rim) + 4 * surface.noise.take(half // 3)
    seam = np.flatnonzero(surface.twins.take(half) < 0)
    along = end[seam] - start[seam]
    upright = np.abs(np.einsum("ij,ij->i", along, plane.axes[rim[seam]])) > 0.9999 * np.linalg.norm(along, axis=1)
    inner[seam[upright]] = True
    return np.minimum(from_rim, to_rim), inner


def _straight_piece(
    surface: Surface, chunks: Chunks, plane: _RimPlanes, rim: int, body: int, profile: RimSection
) -> Indices:
    """The triangles of a bore whose wall bends or is made of small triangles: those of its body whose corners all lie
    on the outline, below the rim."""
    bore, frame = profile.section.bore, profile.frame
    tolerance = plane.tolerance(rim, profile)
    low, high = profile.bore.min(axis=0) - tolerance, profile.bore.max(axis=0) + tolerance
    length = float(np.linalg.norm(np.ptp(surface.vertices, axis=0)))
    box = np.array([[*low, -length]]), np.array([[*high, length]])
    _, triangles = chunks.triangles(chunks.tree.near(frame.origin[None], frame.axes[None], *box)[1])
    triangles = np.sort(triangles[surface.bodies[triangles] == body])
    corners, place = np.unique(surface.triangles[triangles], return_inverse=True)
    points = surface.points(corners)
    off = np.abs(off_outline(bore, frame.to_local(points)[:, :2])[0])
    above = plane.depths(points, np.full(len(points), rim)) < -plane.level[rim] - 4 * surface.noise[triangles].max()
    return triangles[((off < tolerance) & ~above)[place.reshape(-1, 3)].all(axis=1)]


def _first_departure(surface: Surface, plane: _RimPlanes, rim: int, triangles: Indices) -> tuple[float, int]:
    """As ``_first_border``, for one bore made of ``triangles``."""
    if not len(triangles):
        return 0.0, -1
    half = (3 * triangles[:, None] + np.arange(3)).ravel()
    twin = surface.twins[half]
    half = half[(twin < 0) | ~np.isin(twin // 3, triangles)]
    depth, inner = _border(surface, plane, half, np.full(len(half), rim))
    half, depth = half[~inner], depth[~inner]
    if not len(half):
        return np.inf, -1
    first = int(depth.argmin())
    return max(float(depth[first]), 0.0), int(half[first])


def _reach(surface: Surface, index: WallIndex, plane: _RimPlanes, keys: Indices, walls: int) -> Floats:
    """The deepest that any of the walls along the axis goes."""
    reach = np.zeros(len(plane.axes))
    square = _is_square(index, plane, keys)
    key, place = spans(index.edge_begins, keys[square] % walls)
    rim = (keys[square] // walls)[key]
    np.maximum.at(reach, rim, plane.depths(surface.points(surface.starts[index.edges[place]]), rim))
    for key_left in keys[~square].tolist():
        owner, wall = divmod(key_left, walls)
        triangles = index.triangles_of(np.array([wall]))
        triangles = triangles[np.abs(surface.normals[triangles] @ plane.axes[owner]) < 0.1]
        corners = surface.corners(triangles).reshape(-1, 3)
        depths = plane.depths(corners, np.full(len(corners), owner))
        reach[owner] = max(reach[owner], float(depths.max(initial=0.0)))
    return reach


def _grouped(labels: Indices, count: int) -> tuple[Indices, Indices]:
    return np.argsort(labels, kind="stable"), np.concatenate([[0], np.cumsum(np.bincount(labels, minlength=count))])


def _taken(values: Indices, labels: Indices, count: int) -> tuple[Indices, Indices]:
    order, begins = _grouped(labels, count)
    return values[order], begins
