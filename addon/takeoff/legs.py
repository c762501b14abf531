# SPDX-License-Identifier: GPL-3.0-or-later
"""Straight lengths of tube between the ends that were read, and which triangles are their walls."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..fields.messages import NOTHING, Length, Message, say
from ..geometry import polygons, topology
from ..geometry.frames import Floats, Frame
from ..geometry.outline_fit import off_outline
from ..geometry.sections import Outline, Section
from ..geometry.topology import Indices, spans
from .chunks import Chunks
from .rim_sections import RimSection
from .surface import Surface
from .walls import ON_OUTLINE, WallIndex, WallRuns

PARALLEL = np.cos(np.radians(0.5))
ASIDE = 0.01
"""Share of the width by which the axes of a tube's two ends may miss each other."""
PARTED = 2.0
"""How many times its own wall lies at most between two parts of a tube's bore."""
_COARSEST = 0.08
"""Share of a corner's radius by which two facets around it lie inside; beside a flat side more seems to be so."""
_FACING = 0.8
"""How nearly, as a cosine, a triangle of a wall faces straight out of its outline; a few between facets do less."""


@dataclass(frozen=True, eq=False)
class Leg:
    """A straight length of tube, by its ends' places among the profiles."""

    first: int
    last: int
    """-1 if that end was not read."""
    body: int
    section: Section
    frame: Frame
    length: float
    """Between the origins of its ends; to where the bore ends where the last one was not read."""
    why: Message
    """Why its last end was not read."""
    loop: Floats
    """(n, 2): the bore's loop at its first end."""
    plain: bool
    """It is all of its body."""

    @cached_property
    def facet(self) -> float:
        """How far the bore's facets lie inside its true curve, in mm."""
        bore = self.section.bore
        facet = polygons.sagitta(self.loop)
        return facet if bore.shape == "circle" else min(facet, _COARSEST * (bore.corner_radius or bore.half_width))

    def tolerance(self, outline: Outline) -> float:
        """How far corners of a wall may lie off its ``outline``, on facets at that, in mm."""
        width = self.section.outer.width
        facet = 1.5 * self.facet * outline.width / self.section.bore.width
        return min(ON_OUTLINE * width + facet, self.section.wall / 3 or ON_OUTLINE * width)


def paired(profiles: Sequence[RimSection], bodies: Sequence[int], runs: WallRuns) -> list[Leg]:
    """The legs between ends: k of them rims, which ``runs`` belong to, and after these ends without a rim."""
    count = len(runs.straight)
    if not profiles:
        return []
    origins = np.array([profile.frame.origin for profile in profiles])
    axes = np.array([profile.frame.z for profile in profiles])
    widths = np.array([profile.section.outer.width for profile in profiles])
    reach = np.concatenate([runs.reach, np.full(len(profiles) - count, np.inf)]) + ASIDE * widths
    other: dict[int, int] = {}
    walls = np.array([profile.section.wall for profile in profiles])
    for pairs, through in ((_of_one_bore, False), (_of_one_body, False), (_of_one_body, True)):
        a, b = pairs(runs, np.asarray(bodies), np.array(sorted(set(range(len(profiles))) - other.keys()), np.int64))
        arms = origins[b] - origins[a]
        apart = -np.einsum("ij,ij->i", arms, axes[a])
        aside = np.linalg.norm(arms + apart[:, None] * axes[a], axis=1)
        facing = np.einsum("ij,ij->i", axes[a], axes[b]) < -PARALLEL
        good = facing & (apart > 0) & (aside < ASIDE * widths[a])
        if through:
            # In one body the wall of a tube that it runs into parts its bore.
            good &= (apart < reach[a] + reach[b] + PARTED * walls[a]) & (
                np.abs(widths[a] - widths[b]) < ASIDE * widths[a]
            )
            good &= np.abs(walls[a] - walls[b]) < ASIDE * widths[a]
        else:
            good &= apart < np.minimum(reach[a], reach[b])
        places = np.flatnonzero(good)
        for place in places[np.argsort(apart[places], kind="stable")].tolist():
            first, last = int(a[place]), int(b[place])
            if first not in other and last not in other:
                other[first], other[last] = last, first
    lasts = [other.get(first, -1) for first in range(len(profiles))]
    apart = np.einsum("ij,ij->i", origins - origins[lasts], axes)
    legs = []
    for first, (profile, last, length) in enumerate(zip(profiles, lasts, apart.tolist(), strict=True)):
        if 0 <= last < first:
            continue
        why = NOTHING if last >= 0 else say("The other end was not read")
        length = length if last >= 0 else 0.0
        if last < 0 and first < count:
            length = float((runs.straight if runs.bends[first] else runs.reach)[first])
            why = say("The bore ends {} from the other end, where no flat open rim was found", Length(length))
            if runs.bends[first]:
                why = say("The tube bends {} from its end", Length(length))
        plain = first >= count or last >= count
        legs.append(Leg(first, last, bodies[first], profile.section, profile.frame, length, why, profile.bore, plain))
    return legs


def _of_one_bore(runs: WallRuns, bodies: Indices, left: Indices) -> tuple[Indices, Indices]:
    """Pairs of rims that have a wall of the bore in common."""
    rim, wall = np.divmod(runs.bore_walls, max(runs.walls, 1))
    order = np.argsort(wall, kind="stable")
    key, place = spans(np.searchsorted(wall[order], np.arange(runs.walls + 1)), wall)
    a, b = rim[key], rim[order[place]]
    pairs = np.unique(np.column_stack([a, b])[a < b], axis=0)
    return pairs[:, 0], pairs[:, 1]


def _of_one_body(runs: WallRuns, bodies: Indices, left: Indices) -> tuple[Indices, Indices]:
    """Pairs of ends that are ``left`` on the same body."""
    left = left[np.argsort(bodies[left], kind="stable")]
    key, place = spans(np.searchsorted(bodies[left], np.arange(bodies.max() + 2)), bodies[left])
    a, b = left[key], left[place]
    return a[a < b], b[a < b]


def of_ends(legs: Sequence[Leg]) -> Indices:
    """The place of the leg that each end belongs to."""
    ends = np.array([(leg.first, leg.last) for leg in legs])
    leg_of = np.empty(int(ends.max()) + 1, np.int64)
    place, side = np.nonzero(ends >= 0)
    leg_of[ends[place, side]] = place
    return leg_of


def uneven(surface: Surface, index: WallIndex, runs: WallRuns, legs: Sequence[Leg], shared: Indices) -> list[int]:
    """Places of the legs whose walls have borders other than those of their rims, or may have.

    ``shared`` are rims whose outer wall is not known by its rim.
    """
    if not legs:
        return []
    rim, wall = np.divmod(runs.own, max(runs.walls, 1))
    leg_of, odd = of_ends(legs), np.array([leg.plain for leg in legs])
    odd[leg_of[[*runs.pieces, *shared.tolist()]]] = True
    owner = np.full(runs.walls, -1)
    owner[wall] = leg_of[rim]
    twice = owner[wall] != leg_of[rim]
    odd[owner[wall[twice]]] = odd[leg_of[rim[twice]]] = True
    twins = surface.twins.take(index.edges)
    here = owner.take(surface.walls.take(index.edges // 3))
    there = np.where(twins < 0, -1, owner.take(surface.walls.take(twins // 3)))
    odd[here[(here != there) & (here >= 0)]] = True
    return np.flatnonzero(odd).tolist()


@dataclass(frozen=True, eq=False)
class Skins:
    """The outer walls and the bores' walls of some legs, and the loops around them."""

    labels: Indices
    """(m,): twice the place of the triangle's leg, and one more for its bore; -1 for all that is not a wall."""
    half_edges: Indices
    """Those around the walls, loop after loop."""
    begins: Indices
    """(k + 1,): where each loop begins."""
    owners: Indices
    """(k,): label of the wall that each loop is around."""
    turns: Indices
    """(k,): how often each loop goes around its tube's axis."""

    @classmethod
    def of(cls, surface: Surface, chunks: Chunks, legs: Sequence[Leg], chosen: Sequence[int]) -> Skins:
        labels = np.full(len(surface.triangles), -1)
        for place, triangles in zip(chosen, _near(surface, chunks, [legs[leg] for leg in chosen]), strict=True):
            _label(surface, legs[place], place, triangles, labels)
        half = (3 * np.flatnonzero(labels >= 0)[:, None] + np.arange(3)).ravel()
        twins = surface.twins[half]
        border = half[(twins < 0) | (labels[twins // 3] != labels[half // 3])]
        half, begins = topology.borders(surface.twins, border)
        owners = labels[half[begins[:-1]] // 3]
        return cls(labels, half, begins, owners, _turns(surface, legs, half, begins, owners))

    def loop(self, number: int) -> Indices:
        return self.half_edges[self.begins[number] : self.begins[number + 1]]


def _near(surface: Surface, chunks: Chunks, legs: Sequence[Leg]) -> list[Indices]:
    """The triangles of each leg's body in the box around it."""
    if not legs:
        return []
    sides = np.array([(leg.section.outer.width, leg.section.outer.depth) for leg in legs]) / 2
    far = float(np.linalg.norm(np.ptp(surface.vertices, axis=0)))
    # A mitre of 60° reaches down the tube by less than twice its diagonal.
    diagonals = np.hypot(*sides.T)
    # A cope goes on past its middle by less than its tube is long; in one body others may lie in line with it.
    past = np.array(
        [min(far, leg.length + 4 * size) if leg.plain else 2 * size for leg, size in zip(legs, diagonals, strict=True)]
    )
    slack = np.array([leg.tolerance(leg.section.outer) for leg in legs])[:, None]
    low = np.column_stack([-sides - slack, -np.array([leg.length for leg in legs]) - past])
    high = np.column_stack([sides + slack, past])
    origins, axes = np.array([leg.frame.origin for leg in legs]), np.array([leg.frame.axes for leg in legs])
    query, chunk = chunks.tree.near(origins, axes, low, high)
    same_body = surface.bodies[chunks.firsts(chunk)] == np.array([leg.body for leg in legs])[query]
    query, chunk = query[same_body], chunk[same_body]
    order = np.argsort(query, kind="stable")
    owner, triangles = chunks.triangles(chunk[order])
    return np.split(triangles, np.searchsorted(query[order][owner], np.arange(1, len(legs))))


def _label(surface: Surface, leg: Leg, place: int, triangles: Indices, labels: Indices) -> None:
    """Marks which of the ``triangles`` are walls of a leg in ``labels``."""
    corners, where = np.unique(surface.triangles[triangles], return_inverse=True)
    where = where.reshape(-1, 3)
    points = leg.frame.to_local(surface.points(corners))
    middles = points[where].mean(axis=1)
    # The far ends of a leg are where its rims are, which mitres lean from.
    slack = 1e-3 * leg.section.outer.width + 2 * np.hypot(leg.section.outer.width, leg.section.outer.depth)
    along = leg.plain | ((middles[:, 2] < slack) & (middles[:, 2] > -leg.length - slack))
    facing = surface.normals[triangles] @ leg.frame.axes[:2].T
    for bore, outline in enumerate((leg.section.outer, leg.section.bore)):
        if bore and leg.section.bore is leg.section.outer:
            continue  # only the outer surface is modelled
        on = np.abs(off_outline(outline, points[:, :2])[0]) < leg.tolerance(outline)
        some = np.flatnonzero(on[where].all(axis=1) & along)
        outward = off_outline(outline, middles[some, :2])[1]
        wall = np.abs(np.einsum("ij,ij->i", outward, facing[some])) > _FACING
        chosen = triangles[some[wall]]
        labels[chosen if not leg.plain else _of_span(surface, leg, chosen, middles[some[wall], 2])] = 2 * place + bore
        _fill(surface, triangles[some[~wall]], 2 * place + bore, labels)


def _of_span(surface: Surface, leg: Leg, triangles: Indices, heights: Floats) -> Indices:
    """The triangles, whose middles are at ``heights``, that hang together with some between the leg's ends: another
    tube of its body may lie in line with it."""
    patches = topology.patches(surface.twins, triangles)
    return triangles[np.isin(patches, patches[(heights < 0) & (heights > -leg.length)])]


def _fill(surface: Surface, doubtful: Indices, label: int, labels: Indices) -> None:
    """Marks the ``doubtful`` triangles that lie between none but triangles of the wall with this label."""
    if not doubtful.size:
        return
    closed = labels == label
    closed[doubtful] = True
    twins, patches = surface.twins.reshape(-1, 3)[doubtful], topology.patches(surface.twins, doubtful)
    open_ones = patches[((twins < 0) | ~closed[twins // 3]).any(axis=1)]
    labels[doubtful[~np.isin(patches, open_ones)]] = label


def _turns(surface: Surface, legs: Sequence[Leg], half: Indices, begins: Indices, owners: Indices) -> Indices:
    if not len(owners):
        return np.empty(0, np.int64)
    frames = [legs[owner // 2].frame for owner in owners.tolist()]
    loop = np.repeat(np.arange(len(owners)), np.diff(begins))
    arms = surface.points(surface.starts[half]) - np.array([frame.origin for frame in frames])[loop]
    x, y = (np.einsum("ij,ij->i", arms, np.array([frame.axes[side] for frame in frames])[loop]) for side in (0, 1))
    after = np.arange(1, len(half) + 1)
    after[begins[1:] - 1] = begins[:-1]
    turn = np.arctan2(x * y[after] - y * x[after], x * x[after] + y * y[after])
    return np.rint(np.add.reduceat(turn, begins[:-1]) / (2 * np.pi)).astype(np.int64)
