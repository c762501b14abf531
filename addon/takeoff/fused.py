# SPDX-License-Identifier: GPL-3.0-or-later
"""Tubes of fused weldments whose ends lie on other tubes, read from the straight walls of their bores."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from ..fields.messages import IT, ByNumber, Message, Name, say
from ..geometry import polygons, topology
from ..geometry.frames import Floats, Frame, taken
from ..geometry.outline_fit import off_outline
from ..geometry.topology import Indices, components, spans
from .cleaning import said_places
from .legs import ASIDE, PARALLEL, PARTED
from .prisms import LEVEL, SLICES, Prism, end_at, fitted, long_axis, sliced
from .rim_sections import RimSection, combined, is_tube
from .surface import Surface
from .walls import ON_OUTLINE, WallIndex, WallRuns

_ALONG = 1e-2
"""Triangles whose normals lean less than this, as a cosine, from square to an axis run along it."""
_FLAT = 1e-3
"""Share of its area that a flat wall shows from the side."""
_LEAST_SKIN = 5e-5
"""Share of its body's skin that a length has at least: a rough one has thousands of little flats that run along."""
_LEAST_LENGTH = 2.0
"""Of a bore between two tubes, over its width."""
_FLATTEST = 3.0
"""A bar so much wider than thick is a flat bar."""
_MUCH_LEVEL = 1 / 3
_FINE, _ALIKE = 1e-5, 1e-3
"""How closely the end of a tube between flush walls is looked for, in widths, and by how much its outside's area may
differ there."""
_AN_OPEN_END_WAS = ByNumber("An open end was", "Open ends were")
_ITS_RIM_LIES = ByNumber("its rim lies", "their rims lie")


@dataclass(frozen=True, eq=False)
class BetweenTubes:
    """What fused bodies have besides the tubes that their rims show."""

    ends: tuple[Prism, ...]
    reach: Floats
    """(k,): how far each rim's tube goes down from it, behind walls of other tubes too."""
    solid: tuple[int, ...]
    """Bodies of several bars without bores, of which nothing was read."""
    flush: tuple[tuple[int, Floats], ...]
    """Open ends, by body and place (3,), whose rims lie in one plane with a side of another tube, so that they were not
    read."""


@dataclass(frozen=True, eq=False)
class _Length:
    """Walls that run straight along one axis and close around it."""

    body: int
    base: Frame
    """z along the axis, the origin in the middle."""
    length: float
    surface: Surface
    triangles: Indices
    """Of the walls, in ascending order."""
    around: Indices
    """Those of its body."""
    inside: bool
    """It is a bore."""

    @classmethod
    def of(cls, surface: Surface, triangles: Indices, around: Indices, axis: Floats) -> _Length | None:
        """None where the walls are hardly longer than wide: what lies of a tube inside another one is not a tube."""
        # What lies across its end at a slant may go on smoothly from the wall.
        triangles = triangles[np.abs(surface.normals[triangles] @ axis) < _ALONG]
        if not triangles.size:
            return None
        corners = surface.corners(triangles)
        frame = Frame.along(corners[0, 0], axis)
        local = frame.to_local(corners)
        low, high = local.min(axis=(0, 1)), local.max(axis=(0, 1))
        middle = (low + high) / 2
        inward = np.einsum(
            "ij,ij->i", local.mean(axis=1)[:, :2] - middle[:2], surface.normals[triangles] @ frame.axes[:2].T
        )
        if high[2] - low[2] < _LEAST_LENGTH * (high - low)[:2].max():
            return None
        base = Frame(frame.to_world(middle), frame.axes)
        body = int(surface.bodies[triangles[0]])
        return cls(
            body,
            base,
            float(high[2] - low[2]),
            surface,
            np.sort(triangles),
            around,
            bool(inward @ surface.areas[triangles] < -_FLAT * surface.areas[triangles].sum()),
        )

    @property
    def stout(self) -> bool:
        """Whether it is no flat bar."""
        normals = self.surface.normals[self.triangles] @ self.base.axes[:2].T
        shares = np.linalg.eigvalsh((normals * self.surface.areas[self.triangles, None]).T @ normals)
        return bool(shares[1] < _FLATTEST * shares[0])

    @property
    def loops(self) -> list[Floats] | None:
        """The tube's outside and bore (n, 2) where a cut shows them."""
        return self._seen[1] if self._seen else None

    @cached_property
    def _seen(self) -> tuple[float, list[Floats]] | None:
        """``loops``, and z of the cut."""
        for share in SLICES:
            loops = [loop for loop in self._sliced(share * self.length) if polygons.goes_round(loop)]
            if len(loops) > 1 and is_tube(combined(fitted(loops[-2]), fitted(loops[-1]))[0]):
                return share * self.length, loops[-2:]
        return None

    def _sliced(self, level: float) -> list[Floats]:
        """The loops (n, 2) of a cut through its body, largest first."""
        lows, highs = self.surface.lows[self.around], self.surface.highs[self.around]
        heights = ((lows + highs) / 2 - self.base.origin) @ self.base.z
        spread = (highs - lows) / 2 @ np.abs(self.base.z) + 1e-6 * self.length
        cut = self.around[np.abs(heights - level) <= spread]
        local = self.base.to_local(self.surface.corners(cut))
        return sliced(self.surface, cut, local, level)

    @property
    def flat(self) -> bool:
        """Whether all of it lies in one plane, or in two that face each other."""
        normals = self.surface.normals[self.triangles] @ self.base.axes[:2].T
        return bool(np.linalg.eigvalsh(normals.T @ normals)[0] < _FLAT * len(normals))

    @property
    def as_bore(self) -> _Length | None:
        """Itself, or the bore that it is one side of, where other sides go on flush into those of another tube."""
        if self.inside and self.loops is not None:
            return self
        if not (self.inside or self.flat):
            return None
        corners = self.base.to_local(self.surface.corners(self.triangles))
        middles = corners.mean(axis=1)
        nearest = int(np.abs(middles[:, 2]).argmin())
        normal = self.base.axes[:2] @ self.surface.normals[self.triangles[nearest]]
        point = middles[nearest, :2] + 1e-3 * self.length * normal
        loops = [loop for loop in self._sliced(float(middles[nearest, 2])) if polygons.contains(loop, point[None])[0]]
        if len(loops) < 2:
            return None
        base = Frame(self.base.to_world(np.append(polygons.centroid(loops[-1]), 0.0)), self.base.axes)
        bore = replace(self, base=base, inside=True)
        return bore if bore.loops is not None else None

    @property
    def end_frame(self) -> Frame:
        return Frame(self.base.to_world((0.0, 0.0, self.length / 2)), self.base.axes)

    @property
    def is_long(self) -> bool:
        """Whether its outside goes on for as long as that of a tube."""
        low, high = self._levels
        return self.loops is not None and high - low >= _LEAST_LENGTH * float(np.ptp(self.loops[0], axis=0).max())

    def flat_end(self, up: int) -> Prism | None:
        """As ``end``, of a tube whose walls go on flush into those of others."""
        if self.loops is None:
            return None
        line = np.column_stack([self.loops[0], np.full(len(self.loops[0]), self._levels[up > 0])])
        return end_at(self.body, line, self.base, self.loops, up)

    @cached_property
    def _levels(self) -> tuple[float, float]:
        """Down to which z and up to which one cuts show its outside as it is where it was seen."""
        if self._seen is None:
            return 0.0, 0.0
        seen, (outer, _) = self._seen
        area, width = polygons.signed_area(outer), float(np.ptp(outer[:, 0]))
        levels = []
        for up in (-1, 1):
            inside, outside = seen, up * (self.length / 2 + 2 * width)
            while abs(outside - inside) > _FINE * width:
                level = (inside + outside) / 2
                around = [loop for loop in self._sliced(level) if polygons.goes_round(loop)]
                alike = any(abs(polygons.signed_area(loop) - area) < _ALIKE * area for loop in around)
                inside, outside = (level, outside) if alike else (inside, level)
            levels.append(inside)
        return levels[0], levels[1]

    def ends_in(self, profile: RimSection) -> bool:
        """Whether it ends in the line of a rim's tube."""
        if self.loops is None:
            return False
        levels = [(0.0, 0.0, level) for level in self._levels]
        places = profile.frame.to_local(self.base.to_world(np.array(levels)))[:, :2]
        slack = ON_OUTLINE * profile.section.outer.width
        return bool((off_outline(profile.section.outer, places)[0] < slack).any())

    def open_at(self, up: int) -> bool:
        """Whether nothing of its body lies ahead on its axis, past where its walls end."""
        corners = self.base.to_local(self.surface.corners(self.around))
        corners = corners[(corners[..., 2] * up).max(axis=1) > self.length / 2 + 1e-3 * self.length, :, :2]
        turns = polygons.cross(corners, np.roll(corners, -1, axis=1))
        return not ((turns >= 0).all(axis=1) | (turns <= 0).all(axis=1)).any()

    def covers(self, frame: Frame, reach: float) -> bool:
        """Whether a tube with an end here that goes down so far is the same one."""
        x, y, z = self.base.to_local(frame.origin)
        along = float(frame.z @ self.base.z)
        low, high = sorted((z, z - math.copysign(reach, along)))
        width = float(np.ptp(self.loops[-1][:, 0])) if self.loops else 0.0
        parallel = abs(along) > PARALLEL and math.hypot(x, y) < ASIDE * width
        return parallel and low < self.length / 2 and high > -self.length / 2

    @cached_property
    def borders(self) -> list[Floats]:
        """The lines (n, 3) around it, in its own frame, at which its walls end."""
        half, begins = topology.borders_around(self.surface.twins, self.triangles)
        points = self.base.to_local(self.surface.points(self.surface.starts[half]))
        return [line for line in np.split(points, begins[1:-1]) if polygons.goes_round(line[:, :2])]

    def border(self, up: int) -> Floats | None:
        """The line (n, 3) at which its walls end at the top (``up`` 1) or the bottom (-1)."""
        lines = [line for line in self.borders if line[:, 2].mean() * up > 0]
        return max(lines, key=lambda line: line[:, 2].mean() * up, default=None)

    def end(self, up: int) -> Prism | None:
        """Where it ends at the top (``up`` 1) or the bottom (-1)."""
        if self.loops is None or (line := self.border(up)) is None:
            return None
        return end_at(self.body, line, self.base, self.loops, up)

    def level(self, up: int) -> float:
        """Share of the line at which it ends that lies in a plane across it, where it ends first."""
        line = self.border(up)
        if line is None:
            return 0.0
        ahead = np.roll(line, -1, axis=0)
        sides = np.linalg.norm(ahead - line, axis=1)
        past = np.maximum(line[:, 2] * up, ahead[:, 2] * up) - (line[:, 2] * up).min()
        return float(sides[past < LEVEL * np.ptp(line[:, :2], axis=0).max()].sum() / sides.sum())


def between(
    surface: Surface,
    index: WallIndex,
    profiles: Sequence[RimSection],
    bodies: Sequence[int],
    runs: WallRuns,
    plain: Sequence[Prism],
) -> BetweenTubes:
    """The ends that lie on other tubes of their own body, by the k rims that were found, with the ``bodies`` and
    ``runs`` of these, and the ``plain`` ends of bodies that are one tube."""
    single = np.zeros(len(surface.body_names), bool)
    single[[end.body for end in plain]] = True
    whole = surface.body_closed & ~single
    lengths = list(_lengths(surface, index, profiles, runs, whole))
    bores = [length for length in lengths if length.inside and length.loops is not None]
    # The only one of a body without a rim is a tube too rough to have one.
    several = {*bodies, *(body for body, count in Counter(bore.body for bore in bores).items() if count > 1)}
    bores = [bore for bore in bores if bore.body in several]
    reach = runs.reach.copy()
    ends: list[Prism] = []
    for bore in bores:
        for up in (1, -1):
            stub = _stub(bore, up, profiles, bodies, runs)
            if stub is not None:
                reach[stub] += bore.length + PARTED * profiles[stub].section.wall
            elif (end := bore.end(up)) is not None:
                ends.append(end)
    ends += _far_ends(surface, index, profiles, bodies, runs, whole, reach)
    known = [(end.body, end.profile.frame, math.inf) for end in ends]
    known += [(body, profile.frame, deep) for body, profile, deep in zip(bodies, profiles, reach, strict=True)]
    sides = [length for length in lengths if not (length.inside and length.loops is not None)]
    # A tube's own straight length between two bends ends beside its other lengths, not in them.
    sides += [
        length
        for length in _left_over(surface, index, profiles, runs, whole)
        if any(length.ends_in(profile) for body, profile in zip(bodies, profiles, strict=True) if body == length.body)
    ]
    beside, at_flush = _beside_others(sides, known)
    ends += beside
    hollow = {*bodies, *(length.body for length in lengths if length.inside)}
    solid = _solid([length for length in lengths if length.body not in hollow])
    return BetweenTubes(tuple(ends), reach, solid, tuple(at_flush))


def notes_of_fused(surface: Surface, between: BetweenTubes) -> tuple[Message, ...]:
    """What was not read of fused bodies, in sentences."""
    said = (
        "{} is several bars in one body without bores: nothing was read. Model the tubes hollow, or each as a body of "
    )
    said += "its own, or enter their ends by hand."
    notes = [say(said, Name(surface.body_names[body])) for body in between.solid]
    flush: dict[int, list[Floats]] = defaultdict(list)
    for body, place in between.flush:
        flush[body].append(place)
    said = "{} not read on {}, at {}, most likely since {} in one plane with another tube's side: model each tube as a "
    said += "body of its own, or enter {} by hand."
    for body, places in flush.items():
        where = said_places(np.array(places))
        note = say(said, _AN_OPEN_END_WAS, Name(surface.body_names[body]), where, _ITS_RIM_LIES, IT)
        notes.append(note.of(len(places)))
    return tuple(notes)


def _beside_others(
    lengths: Sequence[_Length], known: Sequence[tuple[int, Frame, float]]
) -> tuple[list[Prism], list[tuple[int, Floats]]]:
    """The ends of tubes of which no walls close around the bore, since some are flush with those of others, but for the
    tubes that are ``known`` by an end and how far they go down from it; and the places of those that are open."""
    ends: list[Prism] = []
    flush: list[tuple[int, Floats]] = []
    tubes = list(known)
    for side in sorted(lengths, key=lambda length: -length.length):
        bore = side.as_bore
        if bore is None or any(bore.covers(frame, deep) for body, frame, deep in tubes if body == bore.body):
            continue
        if not bore.is_long:
            continue
        tubes.append((bore.body, bore.end_frame, bore.length))
        for up in (1, -1):
            if bore.open_at(up):
                flush.append((bore.body, bore.base.to_world((0.0, 0.0, up * bore.length / 2))))
            elif (end := bore.flat_end(up)) is not None:
                ends.append(end)
    return ends, flush


def _solid(lengths: Sequence[_Length]) -> tuple[int, ...]:
    """The bodies of bars that run in several directions."""
    axes: dict[int, list[Floats]] = defaultdict(list)
    for length in lengths:
        if not length.inside and length.stout:
            axes[length.body].append(length.base.z)
    return tuple(body for body, along in axes.items() if np.abs(np.array(along) @ along[0]).min() < PARALLEL)


def _stub(bore: _Length, up: int, profiles: Sequence[RimSection], bodies: Sequence[int], runs: WallRuns) -> int | None:
    """The rim of the same tube that lies inside the other one in which a bore ends."""
    for rim, profile in enumerate(profiles):
        if bodies[rim] != bore.body or profile.frame.z @ bore.base.z * up < PARALLEL:
            continue
        x, y, z = bore.base.to_local(profile.frame.origin)
        gap = z * up - runs.reach[rim] - bore.length / 2
        width, wall = profile.section.outer.width, profile.section.wall
        if np.hypot(x, y) < ASIDE * width and -width < gap < PARTED * wall and z * up > bore.length / 2:
            return rim
    return None


def _far_ends(
    surface: Surface,
    index: WallIndex,
    profiles: Sequence[RimSection],
    bodies: Sequence[int],
    runs: WallRuns,
    whole: NDArray[np.bool_],
    reach: Floats,
) -> Iterator[Prism]:
    """The copes at the other ends of tubes of which one rim was found."""
    rim_of, wall = np.divmod(runs.bore_walls, max(runs.walls, 1))
    users = np.bincount(wall, minlength=runs.walls)
    shared = np.bincount(rim_of, users[wall] > 1, len(profiles)) > 0
    for rim, profile in enumerate(profiles):
        body = bodies[rim]
        if shared[rim] or runs.bends[rim] or rim in runs.pieces or not whole[body] or reach[rim] > runs.reach[rim]:
            continue
        others = [place for place, other in enumerate(bodies) if other == body and place != rim]
        if any(_goes_on(profile, runs.reach[rim], profiles[place], reach[place]) for place in others):
            continue
        triangles = index.triangles_of(runs.walls_of(rim))
        bore = _Length.of(surface, triangles, np.flatnonzero(surface.bodies == body), profile.frame.z)
        end = bore.end(-1) if bore is not None else None
        if bore is None or end is None or not end.departure:
            continue
        # A tube cut square that ends in the wall of one with a flat side shows a little of its rim at rounded corners.
        past = runs.outer_reach[rim] - (runs.reach[rim] - end.departure)
        if past > (1 + ASIDE) * profile.section.wall or bore.level(-1) < _MUCH_LEVEL:
            yield end


def _goes_on(profile: RimSection, depth: float, other: RimSection, other_depth: float) -> bool:
    """Whether another rim may be the other end of a rim's tube, behind a wall."""
    x, y, z = profile.frame.to_local(other.frame.origin)
    width, wall = profile.section.outer.width, profile.section.wall
    facing = profile.frame.z @ other.frame.z < -PARALLEL and np.hypot(x, y) < ASIDE * width
    return bool(facing and 0 < -z < depth + other_depth + PARTED * wall)


def _lengths(
    surface: Surface, index: WallIndex, profiles: Sequence[RimSection], runs: WallRuns, whole: NDArray[np.bool_]
) -> Iterator[_Length]:
    """The straight bores and outsides that no rim shows, of the bodies that are ``whole`` (bodies,)."""
    count = len(index.areas)
    loose = np.ones(count, bool)
    loose[runs.own % max(runs.walls, 1)] = False
    first = index.order[index.begins[:-1]]
    loose &= whole[surface.bodies[first]]
    least = min((profile.section.bore.half_width for profile in profiles), default=0.0)
    walls = np.flatnonzero(loose)
    owner, place = spans(index.begins, walls)
    triangles, begins = index.order[place], np.searchsorted(owner, np.arange(len(walls)))
    low, high = (
        each.reduceat(taken(box, triangles), begins, axis=0) if walls.size else np.empty((0, 3))
        for each, box in ((np.minimum, surface.lows), (np.maximum, surface.highs))
    )
    walls = walls[np.linalg.norm(high - low, axis=1) > 2 * least]
    if not walls.size:
        return
    place = np.full(count, -1)
    place[walls] = np.arange(len(walls))
    owner, half = spans(index.edge_begins, walls)
    half = index.edges[half]
    along = surface.points(surface.ends_of(half)) - surface.points(surface.starts[half])
    axes, flat = _axes(index, walls, owner, along)
    twins = surface.twins[half]
    other = np.where(twins < 0, -1, place[surface.walls[twins // 3]])
    lengths = np.linalg.norm(along, axis=1)
    together = (other >= 0) & (np.abs(np.einsum("ij,ij->i", axes[owner], axes[other])) > PARALLEL)
    together &= np.abs(np.einsum("ij,ij->i", axes[owner], along)) > PARALLEL * lengths
    group = components(len(walls), owner[together], other[together])
    order = np.argsort(surface.bodies, kind="stable")
    begins = np.searchsorted(surface.bodies[order], np.arange(len(surface.body_names) + 1))
    skins = np.bincount(surface.bodies, surface.areas)
    members: dict[int, list[int]] = defaultdict(list)
    for wall, lead in zip(walls.tolist(), group.tolist(), strict=True):
        members[lead].append(wall)
    for lead, some in members.items():
        body = int(surface.bodies[first[walls[lead]]])
        if index.areas[some].sum() < _LEAST_SKIN * skins[body]:
            continue
        around = order[begins[body] : begins[body + 1]]
        triangles = index.triangles_of(np.array(some))
        axis = long_axis(surface, triangles)
        length = _Length.of(surface, triangles, around, axis) if axis is not None else None
        if length is not None:
            yield length
            continue
        # Walls that are flush with others may be sides of several tubes.
        for wall in some:
            if flat[place[wall]]:
                length = _Length.of(surface, index.triangles_of(np.array([wall])), around, axes[place[wall]])
                if length is not None:
                    yield length


def _left_over(
    surface: Surface, index: WallIndex, profiles: Sequence[RimSection], runs: WallRuns, whole: NDArray[np.bool_]
) -> Iterator[_Length]:
    """What smooth walls that begin at rims have besides the tubes of these."""
    beside = {rim: index.triangles_of(runs.own_walls_of(rim)) for rim in runs.pieces}
    loose = np.zeros(len(surface.triangles), bool)
    for triangles in beside.values():
        loose[triangles] = whole[surface.bodies[triangles]]
    for rim, triangles in beside.items():
        frame, section = profiles[rim].frame, profiles[rim].section
        local = frame.to_local(surface.corners(triangles).reshape(-1, 3))[:, :2]
        slack = ON_OUTLINE * section.outer.width + polygons.sagitta(profiles[rim].bore)
        for outline in (section.outer, section.bore):
            on = (np.abs(off_outline(outline, local)[0]) < slack).reshape(-1, 3).all(axis=1)
            loose[triangles[on]] = False
    triangles = np.flatnonzero(loose)
    patches = topology.patches(surface.twins, triangles)
    for lead in np.unique(patches).tolist():
        some = triangles[patches == lead]
        if (axis := long_axis(surface, some)) is not None:
            around = np.flatnonzero(surface.bodies == surface.bodies[some[0]])
            if (length := _Length.of(surface, some, around, axis)) is not None:
                yield length


def _axes(index: WallIndex, walls: Indices, owner: Indices, along: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """(n, 3): which way walls run: square to all of a curved one, along most of the borders of a flat one; and which
    are flat."""
    shares, directions = np.linalg.eigh(index.tensors[walls])
    flat = shares[:, 1] < _FLAT * index.areas[walls]
    tensors = np.zeros((len(walls), 3, 3))
    sizes = np.maximum(np.linalg.norm(along, axis=1), 1e-300)
    np.add.at(tensors, owner, along[:, :, None] * along[:, None] / sizes[:, None, None])
    return np.where(flat[:, None], np.linalg.eigh(tensors)[1][..., 2], directions[..., 0]), flat
