# SPDX-License-Identifier: GPL-3.0-or-later
"""How triangles hang together: welding, mates across edges, components, loops. Vectorised; knows no tubes.

A half-edge is numbered ``3 * triangle + side`` and runs from corner ``side`` to the next one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .frames import Floats

Indices = NDArray[np.int64]

_MIX = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0x27D4EB2F165667C5], np.uint64)
_SAME_ANGLE = 1e-4
_PROJECTION = np.array([0.5411961, 0.6532815, 0.5286521])


def weld(points: Floats, groups: Indices) -> tuple[Indices, Indices]:
    """Merge points (n, 3) of one group (n,) whose coordinates are equal.

    Returns the index of one point for each that is left, and (n,) which of those each point became.
    """
    points = points + 0.0  # -0.0 becomes 0.0, so that equal numbers have equal bits
    bits = np.ascontiguousarray(points).view(np.uint64)
    hashes = bits[:, 0] * _MIX[0] + bits[:, 1] * _MIX[1] + bits[:, 2] * _MIX[2] + groups.astype(np.uint64) * _MIX[3]
    hashes = (hashes ^ (hashes >> np.uint64(29))) * _MIX[0]
    order, hashes = _sorted(hashes)
    sorted_points, sorted_groups = points[order], groups[order]
    differ = (sorted_points[1:] != sorted_points[:-1]).any(axis=1) | (sorted_groups[1:] != sorted_groups[:-1])
    if (differ & (hashes[1:] == hashes[:-1])).any():
        order = np.lexsort((*points.T, groups))
        sorted_points, sorted_groups = points[order], groups[order]
        differ = (sorted_points[1:] != sorted_points[:-1]).any(axis=1) | (sorted_groups[1:] != sorted_groups[:-1])
    return _merge(order, differ)


def close_pairs(points: Floats, groups: Indices, tolerance: Floats) -> tuple[Indices, Indices]:
    """Pairs of points of one group that lie within ``tolerance`` (n,) of each other."""
    along = points @ _PROJECTION
    order = np.argsort(along)
    along, reach = along[order], tolerance[order]
    firsts, seconds = [], []
    for shift in range(1, len(points)):
        near = np.flatnonzero(along[shift:] - along[:-shift] <= reach[shift:])
        if not near.size:
            break
        a, b = order[near], order[near + shift]
        close = (np.linalg.norm(points[a] - points[b], axis=1) <= tolerance[a]) & (groups[a] == groups[b])
        firsts.append(a[close])
        seconds.append(b[close])
    empty = np.empty(0, np.int64)
    return np.concatenate([empty, *firsts]), np.concatenate([empty, *seconds])


@dataclass(frozen=True, eq=False)
class Edges:
    """What meets at the edges of m triangles."""

    mates: Indices
    """(3m,): for each half-edge the one on the other side of its edge, -1 where not exactly two triangles meet."""
    same_way: bool
    """Somewhere both half-edges of an edge run the same way: one of the triangles is wound the wrong way."""
    crowded: Indices
    """Half-edges at edges where more than two triangles meet, edge by edge."""
    crowd: Indices
    """For each of ``crowded`` a number that those at one edge have in common."""

    @property
    def single(self) -> Indices:
        """Half-edges at open edges, where one triangle ends and no other begins."""
        alone = self.mates < 0
        alone[self.crowded] = False
        return np.flatnonzero(alone)


def edges(triangles: Indices, vertex_count: int) -> Edges:
    """Sort out the edges of triangles (m, 3)."""
    start = triangles.ravel()
    end = triangles[:, [1, 2, 0]].ravel()
    low, high = np.minimum(start, end), np.maximum(start, end)
    order, keys = _sorted((low * np.int64(vertex_count) + high).astype(np.uint64), exact=True)
    begins = np.flatnonzero(_fresh(keys))
    counts = np.diff(np.append(begins, len(keys)))
    mates = np.full(len(start), -1, np.int64)
    first = order[begins[counts == 2]]
    second = order[begins[counts == 2] + 1]
    mates[first], mates[second] = second, first
    many = counts > 2
    crowded = order[np.repeat(many, counts)]
    return Edges(
        mates, bool((start[first] == start[second]).any()), crowded, np.repeat(np.flatnonzero(many), counts[many])
    )


def mates(found: Edges, triangles: Indices, vertices: Floats) -> Indices:
    """(3m,): ``Edges.mates``, and where more than two triangles meet those mated that enclose the same material.

    The triangles have to wind counter-clockwise seen from outside.
    """
    if not found.crowded.size:
        return found.mates
    result = found.mates.copy()
    first, second = _around(found.crowded, found.crowd, triangles, vertices)
    result[first], result[second] = second, first
    return result


def components(count: int, a: Indices, b: Indices) -> Indices:
    """(count,): for each of ``count`` things the least index that it is linked to by the pairs ``a``, ``b``."""
    parent = np.arange(count)
    while a.size:
        low, high = np.minimum(a, b), np.maximum(a, b)
        parent[high] = low  # of several links one wins; the others come round again
        while True:
            grand = parent[parent]
            if np.array_equal(grand, parent):
                break
            parent = grand
        a, b = parent[a], parent[b]
        apart = a != b
        a, b = a[apart], b[apart]
    return parent


def loops(following: Indices) -> tuple[Indices, Indices]:
    """Closed chains out of ``following`` (n,), which is a permutation of 0 to n - 1.

    Returns the members in order, loop after loop, and (k + 1,) where each loop begins in that list.
    """
    count = len(following)
    leader, ahead = np.arange(count), following
    while True:
        lower = np.minimum(leader, leader[ahead])
        if np.array_equal(lower, leader):
            break
        leader, ahead = lower, ahead[ahead]
    # Cut each chain before its leader; the rank then counts the steps left to the cut.
    last = following == leader
    ahead = np.where(last, np.arange(count), following)
    left = (~last).astype(np.int64)
    while not last[ahead].all():
        left, ahead = left + left[ahead], ahead[ahead]
    order = np.lexsort((-left, leader))
    return order, np.append(np.flatnonzero(_fresh(leader[order])), count)


def spans(begins: Indices, chosen: Indices) -> tuple[Indices, Indices]:
    """For a list in groups that start at ``begins``: which of ``chosen`` each member belongs to, and its place."""
    counts = begins[chosen + 1] - begins[chosen]
    owner = np.repeat(np.arange(len(chosen)), counts)
    return owner, np.arange(len(owner)) - np.repeat(np.cumsum(counts) - counts, counts) + np.repeat(
        begins[chosen], counts
    )


def borders(mates: Indices, border: Indices) -> tuple[Indices, Indices]:
    """The half-edges ``border``, all those around some triangles, as closed chains.

    Chains go around each vertex through those triangles. Returns the half-edges in order, chain after chain, and
    (k + 1,) where each chain begins. Every mate has to run the other way.
    """
    on_border = np.zeros(len(mates), bool)
    on_border[border] = True
    following = next_in_triangle(border)
    walking = np.flatnonzero(~on_border[following])
    while walking.size:
        following[walking] = next_in_triangle(mates[following[walking]])
        walking = walking[~on_border[following[walking]]]
    place = np.full(len(mates), -1, np.int64)
    place[border] = np.arange(len(border))
    order, begins = loops(place[following])
    return border[order], begins


def next_in_triangle(half_edges: Indices) -> Indices:
    """The half-edges that follow in the same triangles."""
    return half_edges - half_edges % 3 + (half_edges + 1) % 3


def vector_areas(points: Floats, begins: Indices) -> Floats:
    """(k, 3): area along the normal of closed polygons (p, 3), one after the other."""
    counts = np.diff(begins)
    arms = points - np.repeat(points[begins[:-1]], counts, axis=0)
    after = np.arange(1, len(points) + 1)
    after[begins[1:] - 1] = begins[:-1]
    if not len(counts):
        return np.empty((0, 3))
    return np.add.reduceat(np.cross(arms, arms[after]), begins[:-1], axis=0) / 2


def _sorted(keys: NDArray[np.uint64], exact: bool = False) -> tuple[Indices, NDArray[np.uint64]]:
    """The order that sorts ``keys``, and the sorted keys.

    Key and index share one word, which sorts several times faster than an argsort. Unless ``exact``, low bits of
    the keys make room for the index.
    """
    width = np.uint64(max(len(keys), 1).bit_length())
    if exact and len(keys) and int(keys.max()).bit_length() + int(width) > 64:
        order = np.argsort(keys, kind="stable")
        return order, keys[order]
    packed = ((keys if exact else keys >> width) << width) | np.arange(len(keys), dtype=np.uint64)
    packed.sort()
    return (packed & ((np.uint64(1) << width) - np.uint64(1))).astype(np.int64), packed >> width


def _fresh(keys: NDArray) -> NDArray[np.bool_]:
    """Where a new value begins in sorted keys."""
    fresh = np.ones(len(keys), bool)
    fresh[1:] = keys[1:] != keys[:-1]
    return fresh


def _merge(order: Indices, differ: NDArray[np.bool_]) -> tuple[Indices, Indices]:
    fresh = np.ones(len(order), bool)
    fresh[1:] = differ
    inverse = np.empty(len(order), np.int64)
    inverse[order] = np.cumsum(fresh) - 1
    return order[fresh], inverse


def _around(half: Indices, crowd: Indices, triangles: Indices, vertices: Floats) -> tuple[Indices, Indices]:
    """Mates among half-crowd that share their edge with more than one other; ``crowd`` says which share one."""
    flat = triangles.ravel()
    triangle, side = np.divmod(half, 3)
    start, end, apex = flat[half], flat[3 * triangle + (side + 1) % 3], flat[3 * triangle + (side + 2) % 3]
    forward = start < end
    foot = vertices[np.minimum(start, end)]
    along = vertices[np.maximum(start, end)] - foot
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-300)
    arm = vertices[apex] - foot
    arm -= along * np.einsum("ij,ij->i", arm, along)[:, None]
    first = _fresh(crowd)
    leader = np.flatnonzero(first)[np.cumsum(first) - 1]
    x = arm[leader]
    y = np.cross(along, x)
    angle = np.arctan2(np.einsum("ij,ij->i", arm, y), np.einsum("ij,ij->i", arm, x)) % (2 * np.pi)
    angle[angle > 2 * np.pi - _SAME_ANGLE / 2] -= 2 * np.pi
    # Counter-clockwise about the edge, material begins at a backward triangle and ends at a forward one. Of two
    # that coincide the end comes first: bodies that only touch stay apart.
    order = np.lexsort((angle - _SAME_ANGLE * forward, crowd))
    half, crowd, forward = half[order], crowd[order], forward[order]
    begins = np.flatnonzero(_fresh(crowd))
    sizes = np.diff(np.append(begins, len(half)))
    after = np.arange(1, len(half) + 1)
    after[begins + sizes - 1] = begins
    opening = np.flatnonzero(~forward & forward[after])
    return half[opening], half[after[opening]]
