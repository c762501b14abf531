# SPDX-License-Identifier: GPL-3.0-or-later
"""Surfaces that know which part of the fitting they are, and their way into the kernel and back."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from manifold3d import Manifold, Mesh64, triangulate
from numpy.typing import NDArray

from ..fields.refusals import RecipeError
from ..geometry.frames import Floats
from ..geometry.mesh import Ints
from ..geometry.polygons import signed_area
from ..geometry.topology import Indices

RIM = "rim"
"""The surface that closes half-made parts where they will be joined; no finished solid keeps it."""

TOGETHER = 1e-5
"""Vertices nearer to each other than this share of the whole's size are one: far inside any chord error, and far
enough apart for the 32-bit numbers of print files."""

SHORTEST = 4 * TOGETHER
"""Share of a half-made part's size below which its edges collapse."""

LOOSE_SHARE = 0.01
"""Of a solid's volume: the crumbs that a cutter may leave beside it, small enough to drop."""

_OWN_IDS = 1 << 30
"""The kernel carries an id on every triangle through its booleans. It counts its own ones up from 1."""


@dataclass(frozen=True, eq=False)
class Shell:
    """Triangles with the id of their surface (``surface_id``), open where ``loops`` run: vertex indices (k,), each in
    the direction in which the shell's own triangles run along the opening."""

    vertices: Floats
    triangles: Ints
    surfaces: Ints
    loops: tuple[NDArray[np.intp], ...] = ()
    kernel: Manifold | None = None
    """The kernel's solid that it was read from."""

    def moved(self, vertices: Floats) -> Shell:
        return Shell(vertices, self.triangles, self.surfaces, self.loops)

    def hanging(self) -> Shell:
        """Mirrored at the plane z = 0."""
        loops = tuple(loop[::-1] for loop in self.loops)
        return Shell(self.vertices * (1.0, 1.0, -1.0), self.triangles[:, ::-1], self.surfaces, loops)

    def closed(self) -> Manifold:
        """The kernel's solid, its openings (in the plane z = 0) closed with the surface ``RIM``."""
        return labelled(bridged(self, self.vertices[:, :2], RIM))


def surface_id(name: str) -> int:
    """What stands for a surface's name in shells and in the kernel: the same always, whoever else names surfaces."""
    return zlib.crc32(name.encode()) & (_OWN_IDS - 1) | _OWN_IDS


def surface_indices(ids: Ints, names: Sequence[str]) -> Ints:
    """(m,): for each id the index of its name. Raises ``ValueError`` for one that is of none of them."""
    known = np.array([surface_id(name) for name in names], np.int32)
    order = np.argsort(known)
    index = order[np.searchsorted(known[order], ids) % len(names)].astype(np.int32)
    if (known[index] != ids).any():
        raise ValueError(f"a surface of the solid is none of {', '.join(names)}")
    return index


def joined(shells: Sequence[Shell]) -> Shell:
    """Several shells as one, their loops one after another."""
    ends = np.cumsum([len(shell.vertices) for shell in shells])
    placed = [(shell, int(end) - len(shell.vertices)) for shell, end in zip(shells, ends, strict=True)]
    return Shell(
        np.concatenate([shell.vertices for shell in shells]),
        np.concatenate([shell.triangles + start for shell, start in placed]).astype(np.int32),
        np.concatenate([shell.surfaces for shell in shells]),
        tuple(loop + start for shell, start in placed for loop in shell.loops),
    )


def band(low: Indices, high: Indices) -> Indices:
    """(m, 3): two triangles from each corner of loops ``low`` (..., k) up to loops ``high`` of as many corners."""
    low_next, high_next = np.roll(low, -1, axis=-1), np.roll(high, -1, axis=-1)
    return np.stack([low, low_next, high_next, low, high_next, high], axis=-1).reshape(-1, 3)


def bridged(shell: Shell, plan: Floats, surface: str, keep: int = 0) -> Shell:
    """The shell with the region between its loops filled, all but the first ``keep``. ``plan`` (n, 2) holds every
    vertex's place in the plane of the loops."""
    loops = shell.loops[keep:]
    polygons = [plan[loop] for loop in loops]
    if sum(map(signed_area, polygons)) < 0:  # what hangs down from its opening is seen from below
        polygons = [polygon * (1.0, -1.0) for polygon in polygons]
    filling = np.concatenate(loops)[triangulate([np.ascontiguousarray(polygon) for polygon in polygons])]
    return Shell(
        shell.vertices,
        np.concatenate([shell.triangles, filling[:, ::-1]]).astype(np.int32),
        np.append(shell.surfaces, np.full(len(filling), surface_id(surface), np.int32)),
        shell.loops[:keep],
    )


def walled(shell: Shell, z: float, surface: str, keep: int = 0) -> Shell:
    """The shell with its openings, all but the first ``keep``, gone straight up or down to a height."""
    vertices, triangles, loops = [shell.vertices], [shell.triangles], list(shell.loops[:keep])
    for loop in shell.loops[keep:]:
        ends = np.arange(len(loop)) + sum(map(len, vertices))
        vertices.append(np.column_stack([shell.vertices[loop, :2], np.full(len(loop), z)]))
        after, ends_after = np.roll(loop, -1), np.roll(ends, -1)
        triangles.append(np.stack([after, loop, ends, after, ends, ends_after], axis=1).reshape(-1, 3))
        loops.append(ends)
    added = sum(map(len, triangles[1:]))
    return Shell(
        np.concatenate(vertices),
        np.concatenate(triangles).astype(np.int32),
        np.append(shell.surfaces, np.full(added, surface_id(surface), np.int32)),
        tuple(loops),
    )


def labelled(shell: Shell) -> Manifold:
    """The kernel's solid of a closed shell, its surfaces remembered. Its ``status()`` says whether it is one."""
    order = np.argsort(shell.surfaces, kind="stable")
    present, starts = np.unique(shell.surfaces[order], return_index=True)
    return Manifold(
        Mesh64(
            np.ascontiguousarray(shell.vertices),
            np.ascontiguousarray(shell.triangles[order].astype(np.uint64)),
            run_index=(3 * np.append(starts, len(order))).astype(np.uint64),
            run_original_id=present.astype(np.uint32),
        )
    )


def tool(solid: Manifold, surface: str) -> Manifold:
    """A solid to add or to take away, all of whose surface bears one name."""
    raw = solid.to_mesh64()
    triangles = np.asarray(raw.tri_verts).astype(np.int32)
    return labelled(
        Shell(np.array(raw.vert_properties), triangles, np.full(len(triangles), surface_id(surface), np.int32))
    )


def unlabelled(solid: Manifold) -> Shell:
    """The closed shell of a solid made of ``labelled`` ones."""
    raw = solid.to_mesh64()
    lengths = np.diff(np.asarray(raw.run_index, np.int64)) // 3
    surfaces = np.repeat(np.asarray(raw.run_original_id).astype(np.int32), lengths)
    return Shell(np.array(raw.vert_properties), np.asarray(raw.tri_verts).astype(np.int32), surfaces, kernel=solid)


def in_one_piece(solid: Manifold, field: str, works: float | str) -> Manifold:
    """The solid without the crumbs that a cutter has left beside it.

    Raises ``RecipeError`` for the recipe's ``field`` that has cut it in pieces, with the value that would not.
    """
    *crumbs, body = sorted(solid.decompose(), key=Manifold.volume)
    if sum(map(Manifold.volume, crumbs)) > LOOSE_SHARE * body.volume():
        name = field.replace("_", " ")
        raise RecipeError(field, f"with this {name} the fitting would fall into pieces; choose {works}", works)
    return body


def merged(vertices: Floats, start: Indices, end: Indices, together: float) -> Indices:
    """For every vertex the one that it becomes when the edges shorter than ``together`` collapse."""
    short = np.linalg.norm(vertices[start] - vertices[end], axis=1) < together
    start, end = start[short], end[short]
    target = np.arange(len(vertices))
    while (target[start] != target[end]).any():
        least = np.minimum(target[start], target[end])
        np.minimum.at(target, start, least)
        np.minimum.at(target, end, least)
    return target


def in_one_place(vertices: Floats, together: float) -> Indices:
    """For every vertex the first that lies in the same place, to about ``together``."""
    cells = np.round((vertices - vertices.min(axis=0)) / together).astype(np.int64)
    _, first, kind = np.unique(cells @ [1 << 42, 1 << 21, 1], return_index=True, return_inverse=True)
    return first[kind.reshape(-1)]


def without_repeats(loop: Indices) -> Indices:
    return loop[loop != np.roll(loop, 1)]


def sound(shell: Shell) -> Shell:
    """The shell without edges so short that print files, which hold 32-bit numbers, could lose them, and without
    corners that lie in one place: the kernel doubles them where a thin sheet has collapsed.

    Where collapsing them would join what has to stay apart, or fill a hole that is narrow beside the whole, only
    shorter ones go.
    """
    start, end = shell.triangles.astype(np.int64).ravel(), np.roll(shell.triangles, -1, axis=1).astype(np.int64).ravel()
    size = float(np.ptp(shell.vertices, axis=0).max())
    first = in_one_place(shell.vertices, TOGETHER / 4 * size)
    doubled = np.flatnonzero(first != np.arange(len(first)))
    start, end = np.append(start, doubled), np.append(end, first[doubled])
    characteristic = None
    for share in (SHORTEST, TOGETHER, TOGETHER / 4, TOGETHER / 16):
        target = merged(shell.vertices, start, end, share * size)
        if (target == np.arange(len(target))).all():
            return shell
        if characteristic is None:
            characteristic = _characteristic(_whole(first[shell.triangles])[0])
        triangles, whole = _whole(target[shell.triangles])
        keys = _keys(_edges(triangles))
        if _distinct(keys) == len(keys) and _characteristic(triangles) == characteristic:
            loops = tuple(without_repeats(target[loop]) for loop in shell.loops)
            return compact(Shell(shell.vertices, triangles.astype(np.int32), shell.surfaces[whole], loops))
    return shell


def _whole(triangles: Indices) -> tuple[Indices, NDArray[np.bool_]]:
    """The triangles that still have three corners and do not lie back to back with another, and which they are."""
    whole = (triangles != np.roll(triangles, 1, axis=1)).all(axis=1)
    # Two triangles back to back enclose nothing.
    corners = np.sort(triangles, axis=1)
    order = np.lexsort(corners.T)
    again = (np.diff(corners[order], axis=0) == 0).all(axis=1)
    whole[order[1:][again]] = whole[order[:-1][again]] = False
    return triangles[whole], whole


def _characteristic(triangles: Indices) -> int:
    """Euler's, by which closed surfaces with a different number of holes through them differ."""
    edges = _keys(np.sort(_edges(triangles), axis=1))
    return int(np.count_nonzero(np.bincount(triangles.ravel()))) - _distinct(edges) + len(triangles)


def _distinct(keys: NDArray[np.int64]) -> int:
    """How many different ones there are: by sorting, which for whole numbers is several times quicker than a table."""
    return int(np.count_nonzero(np.diff(np.sort(keys)))) + min(len(keys), 1)


def opened(shell: Shell, drop: NDArray[np.bool_]) -> Shell:
    """The shell without the triangles marked in ``drop``, its loops where they were joined on."""
    edges = _edges(shell.triangles[drop])
    keys, back = _keys(edges), _keys(edges[:, ::-1])
    order = np.argsort(keys)
    twin = order[np.searchsorted(keys[order], back) % max(len(keys), 1)]
    inside = keys[twin] == back
    number = np.arange(len(edges))
    following = number - number % 3 + (number + 1) % 3
    # Round each corner from triangle to triangle, so that parts which touch in a corner keep loops of their own.
    border = np.flatnonzero(~inside)
    ahead = following[border]
    while (turning := inside[ahead]).any():
        ahead[turning] = following[twin[ahead[turning]]]
    after = dict(zip(border.tolist(), ahead.tolist(), strict=True))
    loops = list(shell.loops)
    while after:
        first, edge = after.popitem()
        loop = [first]
        while edge != first:
            loop.append(edge)
            edge = after.pop(edge)
        loops.append(edges[loop[::-1], 0].astype(np.intp))
    return compact(Shell(shell.vertices, shell.triangles[~drop], shell.surfaces[~drop], tuple(loops)))


def without_rim(solid: Manifold) -> Shell:
    """The shell of a solid made from a ``closed`` shell, open again at the plane z = 0."""
    shell = unlabelled(solid)
    rim = shell.surfaces == surface_id(RIM)
    vertices = shell.vertices.copy()
    vertices[shell.triangles[rim], 2] = 0.0
    return opened(shell.moved(vertices), rim)


def compact(shell: Shell) -> Shell:
    """The shell without vertices that no triangle has."""
    used = np.zeros(len(shell.vertices), bool)
    used[shell.triangles] = True
    place = np.cumsum(used) - 1
    return Shell(
        shell.vertices[used],
        place[shell.triangles].astype(np.int32),
        shell.surfaces,
        tuple(place[loop] for loop in shell.loops),
    )


def _edges(triangles: Ints | Indices) -> Ints | Indices:
    return triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)


def _keys(edges: Iterable[int] | Ints) -> NDArray[np.int64]:
    pairs = np.asarray(edges, np.int64)
    return pairs[:, 0] << 32 | pairs[:, 1]
