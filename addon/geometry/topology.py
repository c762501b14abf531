# SPDX-License-Identifier: GPL-3.0-or-later
"""How triangles hang together: welding, twins across edges, components, loops. Vectorised; knows no tubes.

A half-edge is numbered ``3 * triangle + side`` and runs from corner ``side`` to the next one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .frames import Floats, taken

Indices = NDArray[np.int64]

_MIX = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0x27D4EB2F165667C5], np.uint64)
_BLOCK = 1 << 15
_SAME_ANGLE = 1e-4
_PROJECTION = np.array([0.5411961, 0.6532815, 0.5286521])


def weld(points: Floats, groups: Indices) -> tuple[Indices, Indices]:
    """Merge points (n, 3) of one group (n,) whose coordinates are equal.

    Returns the index of one point for each that is left, and (n,) which of those each point became, numbered as they
    first come: neighbours then lie near each other in memory.
    """
    if len(points) <= _BLOCK:
        return _welded(points, groups)
    # Most points meet their equals nearby: by blocks that fit into the processor's own memory, then what is left.
    rests, indices, begin = [], [], 0
    for start in range(0, len(points), _BLOCK):
        block = slice(start, start + _BLOCK)
        rest, index = _welded(points[block], groups[block])
        rests.append(rest + start)
        indices.append(index + begin)
        begin += len(rest)
    rest = np.concatenate(rests)
    remaining, merged = _welded(taken(points, rest), groups.take(rest))
    return rest.take(remaining), merged.take(np.concatenate(indices))


def _welded(points: Floats, groups: Indices) -> tuple[Indices, Indices]:
    """``weld`` for all points at once, by a table of hashes."""
    count = len(points)
    # -0.0 becomes 0.0: equal bits if equal
    words = [np.add(column, 0.0, order="C").view(np.uint64) for column in points.T]
    if (groups != groups[:1]).any():
        words.append(groups.view(np.uint64))
    hashes = np.zeros(count, np.uint64)
    for word, factor in zip(words, _MIX[: len(words)], strict=True):
        # Numbers that came from float32 leave half of each word empty; their upper half is folded into it.
        folded = word >> np.uint64(32)
        folded ^= word
        folded *= factor
        hashes += folded
    hashes ^= hashes >> np.uint64(29)
    hashes *= _MIX[0]
    bits = count.bit_length() + 1
    shift, table = np.uint64(64 - bits), np.empty(1 << bits, np.int64)
    first, left = np.arange(count), np.arange(count)
    while left.size:
        slots = (hashes >> shift).view(np.int64)
        table[slots[::-1]] = left[::-1]  # the first that comes to a slot is written last, and stays
        found = table.take(slots)
        unlike = np.zeros(len(left), bool)
        for word in words:
            unlike |= word.take(left) != word.take(found)
        first[left] = found
        again = np.flatnonzero(unlike)
        left, hashes = left.take(again), hashes.take(again) * _MIX[1]
    leads = first == np.arange(count)
    return np.flatnonzero(leads), (np.cumsum(leads) - 1).take(first)


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

    twins: Indices
    """(3m,): for each half-edge the one on the other side of its edge, -1 if not exactly two triangles meet."""
    same_way: bool
    """Somewhere both half-edges of an edge run the same way: one of the triangles is wound the wrong way."""
    non_manifold: Indices
    """Half-edges at edges where more than two triangles meet, edge by edge."""
    crowd: Indices
    """For each of ``non_manifold`` a number that those at one edge have in common."""

    @property
    def single(self) -> Indices:
        """Half-edges at open edges, where one triangle ends and no other begins."""
        alone = self.twins < 0
        alone[self.non_manifold] = False
        return np.flatnonzero(alone)


def edges(triangles: Indices, vertex_count: int) -> Edges:
    """Sort out the edges of triangles (m, 3)."""
    start = triangles.ravel()
    keys = _edge_keys(triangles, max(vertex_count, 1).bit_length()).ravel()
    # Neighbours have numbers near each other, so that the keys are in long runs.
    order = np.argsort(keys, kind="stable")
    keys = keys.take(order)
    if not len(keys) % 2 and (keys[::2] == keys[1::2]).all() and (keys[1:-1:2] != keys[2::2]).all():
        first, second = order[::2], order[1::2]  # a closed surface, as most are
        twins, none = np.empty(len(start), np.int64), np.empty(0, np.int64)
        twins[first], twins[second] = second, first
        return Edges(twins, bool((start.take(first) == start.take(second)).any()), none, none)
    begins = np.flatnonzero(_fresh(keys))
    counts = np.diff(np.append(begins, len(keys)))
    twins = np.full(len(start), -1, np.int64)
    pairs = begins[counts == 2]
    first, second = order.take(pairs), order.take(pairs + 1)
    twins[first], twins[second] = second, first
    many = counts > 2
    non_manifold, crowd = order[np.repeat(many, counts)], np.repeat(np.flatnonzero(many), counts[many])
    return Edges(twins, bool((start.take(first) == start.take(second)).any()), non_manifold, crowd)


def _edge_keys(triangles: Indices, bits: int) -> Indices:
    """(m, 3): a number for the edge at each half-edge: its lower vertex, and behind ``bits`` its higher one."""
    keys = np.empty_like(triangles)
    for start in range(0, len(triangles), _BLOCK):
        block = triangles[start : start + _BLOCK]
        ends = block[:, [1, 2, 0]]
        keys[start : start + _BLOCK] = np.minimum(block, ends) << bits | np.maximum(block, ends)
    return keys


def twins(edges: Edges, triangles: Indices, vertices: Floats) -> Indices:
    """(3m,): ``Edges.twins``, and where more than two triangles meet those paired that enclose the same material.

    The triangles have to wind counter-clockwise seen from outside.
    """
    if not edges.non_manifold.size:
        return edges.twins
    result = edges.twins.copy()
    first, second = _around(edges.non_manifold, edges.crowd, triangles, vertices)
    result[first], result[second] = second, first
    return result


def components(count: int, a: Indices, b: Indices) -> Indices:
    """(count,): for each of ``count`` things the least index that it is linked to by the pairs ``a``, ``b``."""
    parent = np.arange(count)
    while a.size:
        low, high = np.minimum(a, b), np.maximum(a, b)
        parent[high] = low  # of several links one wins; the others come round again
        while True:
            grand = parent.take(parent)
            if np.array_equal(grand, parent):
                break
            parent = grand
        a, b = parent.take(a), parent.take(b)
        apart = np.flatnonzero(a != b)
        a, b = a.take(apart), b.take(apart)
    return parent


def patches(twins: Indices, triangles: Indices) -> Indices:
    """(n,): for each of n ``triangles`` the least place of those that it hangs together with over their sides."""
    place = np.full(len(twins) // 3, -1)
    place[triangles] = np.arange(len(triangles))
    across = twins.reshape(-1, 3)[triangles]
    beside = np.where(across < 0, -1, place[across // 3])
    member, side = np.nonzero(beside >= 0)
    return components(len(triangles), member, beside[member, side])


def loops(following: Indices) -> tuple[Indices, Indices]:
    """Closed chains out of ``following`` (n,), which is a permutation of 0 to n - 1.

    Returns the members in order, loop after loop, and (k + 1,) where each loop begins in that list.
    """
    count = len(following)
    leader, ahead = np.arange(count), following
    while True:
        lower = np.minimum(leader, leader.take(ahead))
        if np.array_equal(lower, leader):
            break
        leader, ahead = lower, ahead.take(ahead)
    # Cut each chain before its leader; the rank then counts the steps left to the cut.
    last = following == leader
    ahead = np.where(last, np.arange(count), following)
    left = (~last).astype(np.int64)
    while not last[ahead].all():
        left, ahead = left + left.take(ahead), ahead.take(ahead)
    bits = max(count, 1).bit_length()
    order = ordered(leader << bits | (count - left), 2 * bits)
    return order, np.append(np.flatnonzero(_fresh(leader[order])), count)


def spans(begins: Indices, chosen: Indices) -> tuple[Indices, Indices]:
    """For a list in groups that start at ``begins``: which of ``chosen`` each member belongs to, and its place."""
    owner, place = in_runs(begins[chosen + 1] - begins[chosen])
    return owner, begins[chosen].take(owner) + place


def in_runs(counts: Indices) -> tuple[Indices, Indices]:
    """Whose each place is and how far along in its run: for counts (2, 3) owners 0 0 1 1 1 and places 0 1 0 1 2."""
    owners = np.repeat(np.arange(len(counts)), counts)
    return owners, np.arange(len(owners)) - np.repeat(np.cumsum(counts) - counts, counts)


def borders(twins: Indices, border: Indices) -> tuple[Indices, Indices]:
    """The half-edges ``border``, all those around some triangles, as closed chains.

    Chains go around each vertex through those triangles. Returns the half-edges in order, chain after chain, and
    (k + 1,) where each chain begins. Twins come in pairs, and every one has to run the other way. Raises ``ValueError``
    where ``border`` leaves out some of the half-edges around its triangles.
    """
    if not border.size:
        return border, np.zeros(1, np.int64)
    ends = twins < 0
    ends[border] = True
    first = next_in_triangle(border)
    following = first.copy()
    walking = np.flatnonzero(~ends.take(following))
    while walking.size:
        further = next_in_triangle(twins.take(following.take(walking)))
        following[walking] = further
        # Twins come in pairs, so a way around a vertex that meets no end comes back to where it began.
        walking = walking[~ends.take(further) & (further != first.take(walking))]
    place = np.full(len(twins), -1, np.int64)
    place[border] = np.arange(len(border))
    after = place.take(following)
    if (after < 0).any():
        raise ValueError("the border leaves out half-edges at which its triangles end")
    order, begins = loops(after)
    return border.take(order), begins


def borders_around(twins: Indices, triangles: Indices) -> tuple[Indices, Indices]:
    """The half-edges around some of a surface's ``triangles`` (n,), in ascending order, as ``borders`` has them, in
    time that does not grow with the surface."""
    half = (3 * triangles[:, None] + np.arange(3)).ravel()
    across = twins.take(half)
    place = np.minimum(np.searchsorted(half, across), len(half) - 1)
    inner = half[place] == across
    border, begins = borders(np.where(inner, place, -1), np.flatnonzero(~inner))
    return half.take(border), begins


def next_in_triangle(half_edges: Indices) -> Indices:
    """The half-edges that follow in the same triangles."""
    return np.where(half_edges % 3 == 2, half_edges - 2, half_edges + 1)


def vector_areas(points: Floats, begins: Indices) -> Floats:
    """(k, 3): area along the normal of closed polygons (p, 3), one after the other."""
    counts = np.diff(begins)
    if not len(counts):
        return np.empty((0, 3))
    after = np.arange(1, len(points) + 1)
    after[begins[1:] - 1] = begins[:-1]
    x, y, z = (points - points[begins[:-1]].repeat(counts, axis=0)).T
    u, v, w = x.take(after), y.take(after), z.take(after)
    return np.add.reduceat(np.column_stack([y * w - z * v, z * u - x * w, x * v - y * u]), begins[:-1], axis=0) / 2


def ordered(keys: Indices, bits: int) -> Indices:
    """The order that sorts keys below ``2 ** bits``, equal ones as they come: by 16 bits at a time, least first,
    which numpy sorts several times faster than whole words."""
    order = np.argsort(keys.astype(np.uint16), kind="stable")
    for shift in range(16, bits, 16):
        digits = (keys >> shift).astype(np.uint16)
        order = order.take(np.argsort(digits.take(order), kind="stable"))
    return order


def _fresh(keys: NDArray) -> NDArray[np.bool_]:
    """Where a new value begins in sorted keys."""
    fresh = np.ones(len(keys), bool)
    fresh[1:] = keys[1:] != keys[:-1]
    return fresh


def _around(half: Indices, crowd: Indices, triangles: Indices, vertices: Floats) -> tuple[Indices, Indices]:
    """Twins among half-edges that share their edge with more than one other; ``crowd`` says which share one."""
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
