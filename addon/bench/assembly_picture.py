# SPDX-License-Identifier: GPL-3.0-or-later
"""The assembly as a line drawing: seen from the front right and above, hidden lines left out, its sites numbered or
named by their fittings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Floats
from ..geometry.mesh import Ints, Mesh, together, triangle_normals
from ..geometry.topology import Indices, edges, in_runs, weld
from . import svg

VIEW = np.array([1.0, -1.0, 1.0]) / math.sqrt(3)
"""From the assembly to the eye: isometric."""
_RIGHT = np.array([1.0, 1.0, 0.0]) / math.sqrt(2)
_UP = np.cross(VIEW, _RIGHT)

NUMBERED_UP_TO = 60
"""With more ends than this each end gets a dot only, since numbers would cover the drawing, and those of one fitting
near each other share its id."""
_MOST_LABELS = 30
_NEAR_MM = 16.0
"""Side of the squares on paper in which ends of one fitting are near each other, if that makes few enough labels."""
_SHARP = math.cos(math.radians(25))
"""Edges at which a surface turns by more than this are drawn."""
_PIXELS = 1400
"""Longer side, in pixels, of the depth picture that decides what is hidden."""
_DEEPER = 2.0
"""Pixels by which an edge may lie deeper than the surfaces that it bounds."""
_BATCH = 30_000
"""Rows of triangles that are worked on at once."""
_MOST_STROKES = 40_000
_STUB = 4
"""Samples of an edge that are taken for a stub."""
_SHORTEST_MM = 0.02
_CIRCLE_MM, _LABEL_MM = 2.6, 3.3
_MARGIN_MM = 9.0


@dataclass(frozen=True, eq=False)
class EndMark:
    """A tube end, or another site, in the picture."""

    number: int
    position: Floats
    """(3,): where it is."""
    direction: Floats
    """(3,): out of the tube, or the z axis of another site's frame."""
    fitting: str = ""
    """Id of the one that it takes."""


def assembly_picture(bodies: Sequence[Mesh], ends: Sequence[EndMark], width: float = 180, height: float = 125) -> str:
    """An SVG at most ``width`` x ``height`` mm of bodies in mm, z up."""
    mesh = _joined(bodies)
    flat = _project(mesh.vertices)
    anchors = _project(np.array([end.position for end in ends]).reshape(-1, 3))
    low, high = _bounds(flat, anchors)
    room = np.array([width, height]) - 2 * _MARGIN_MM
    scale = float(np.min(room / np.maximum(high - low, 1e-9)))
    size = (high - low) * scale + 2 * _MARGIN_MM

    def to_paper(points: Floats) -> Floats:
        on_paper = (points[:, :2] - low) * scale + _MARGIN_MM
        return np.column_stack([on_paper[:, 0], size[1] - on_paper[:, 1]])

    starts, finishes = _visible_edges(mesh, flat) if len(mesh.triangles) else (np.empty((0, 2)), np.empty((0, 2)))
    starts, finishes = _worth_drawing(to_paper(starts), to_paper(finishes))
    ways = to_paper(_project(np.array([end.position + end.direction for end in ends]).reshape(-1, 3))) - to_paper(
        anchors
    )
    places, ink = to_paper(anchors), _ink(starts, finishes, size)
    if len(ends) <= NUMBERED_UP_TO:
        marks = _balloons([str(end.number) for end in ends], places, places, ways, size, ink, _CIRCLE_MM)
        title = f"The assembly, with {len(ends)} numbered places"
    else:
        chosen = _one_of_each_group([end.fitting for end in ends], places)
        marks = [svg.circle(at, 0.5, "dot") for at in places]
        words = [ends[of].fitting for of in chosen]
        marks += _balloons(words, places[chosen], places, ways[chosen], size, ink, _LABEL_MM)
        title = f"The assembly, with {len(ends)} places by their fittings"
    return svg.drawing(size[0], size[1], title, svg.strokes(starts, finishes, "edge"), *marks)


def _joined(bodies: Sequence[Mesh]) -> Mesh:
    """All bodies as one mesh, equal vertices of a body once: loose triangles would show all their edges."""
    mesh = together(bodies)
    firsts, became = weld(mesh.vertices, np.repeat(np.arange(len(bodies)), [len(body.vertices) for body in bodies]))
    return Mesh(mesh.vertices[firsts], became[mesh.triangles].astype(np.int32))


def _project(points: Floats) -> Floats:
    """(n, 3): right, up, and towards the eye."""
    return points @ np.array([_RIGHT, _UP, VIEW]).T


def _bounds(*groups: Floats) -> tuple[Floats, Floats]:
    points = np.concatenate([group[:, :2] for group in groups])
    if not len(points):
        return np.zeros(2), np.ones(2)
    return points.min(axis=0), points.max(axis=0)


def _visible_edges(mesh: Mesh, flat: Floats) -> tuple[Floats, Floats]:
    """The parts of sharp edges and silhouettes that nothing hides: their starts and ends (n, 2)."""
    corners = flat[mesh.triangles]
    a, b = _edges_to_draw(corners, mesh.triangles, len(flat))
    low, high = _bounds(flat)
    pixel = float(np.max(high - low)) / _PIXELS or 1.0
    # From here on in pixels, a free one all round.
    start = np.array([*(low - pixel), 0.0])
    columns, rows = (np.ceil((high - low) / pixel).astype(int) + 3).tolist()
    depth = _depth_picture((corners - start) / pixel, rows, columns)
    starts, ends = _unhidden((flat[a] - start) / pixel, (flat[b] - start) / pixel, depth)
    return starts * pixel + start[:2], ends * pixel + start[:2]


def _edges_to_draw(corners: Floats, triangles: Ints, count: int) -> tuple[Indices, Indices]:
    """Vertex pairs of the edges that are open, sharp, or part of a silhouette."""
    normals = triangle_normals(*corners.swapaxes(0, 1))[0]
    twins = edges(triangles.astype(np.int64), count).twins
    half = np.arange(len(twins))
    lone = twins < 0
    other = np.where(lone, half, twins)
    here, there = normals[half // 3], normals[other // 3]
    sharp = np.einsum("ij,ij->i", here, there) < _SHARP
    silhouette = (here[:, 2] > 1e-6) & (there[:, 2] <= 1e-6)
    drawn = np.flatnonzero(lone | (sharp & (half < other)) | (silhouette & ~sharp))
    flat = triangles.ravel().astype(np.int64)
    return flat[drawn], flat[3 * (drawn // 3) + (drawn % 3 + 1) % 3]


def _depth_picture(corners: Floats, rows: int, columns: int) -> Floats:
    """(rows, columns): how near to the eye the nearest surface is at each pixel's middle, -inf if there is none."""
    depth = np.full(rows * columns, -np.inf)
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    facing = normals[:, 2] > 1e-9
    corners, normals = corners[facing], normals[facing]
    first = np.ceil(corners[:, :, 1].min(axis=1) - 0.5).astype(np.int64)
    heights = np.maximum(np.floor(corners[:, :, 1].max(axis=1) - 0.5).astype(np.int64) - first + 1, 0)
    sides = _Sides.of(corners[:, :, :2])
    for part in np.array_split(np.arange(len(corners)), max(1, int(heights.sum()) // _BATCH)):
        of, down = in_runs(heights[part])
        of = part[of]
        row = first[of] + down
        left, right = sides.crossed(of, row.astype(float) + 0.5)
        begin = np.ceil(left - 0.5).astype(np.int64)
        widths = np.maximum(np.floor(right - 0.5).astype(np.int64) - begin + 1, 0)
        span, along = in_runs(widths)
        column, row, of = begin[span] + along, row[span], of[span]
        x, y = column + 0.5 - corners[of, 0, 0], row + 0.5 - corners[of, 0, 1]
        z = corners[of, 0, 2] - (normals[of, 0] * x + normals[of, 1] * y) / normals[of, 2]
        np.maximum.at(depth, row * columns + column, z)
    return depth.reshape(rows, columns)


@dataclass(frozen=True, eq=False)
class _Sides:
    """The sides of triangles, as slopes: how far right they go a step up; (n,) of each."""

    low: Floats
    """(n, 2): the lowest corners."""
    middle: Floats
    """(n, 2): those between the lowest and the highest."""
    long: Floats
    """From the lowest corner to the highest."""
    lower: Floats
    upper: Floats

    @classmethod
    def of(cls, corners: Floats) -> _Sides:
        """``corners`` (n, 3, 2)."""
        order = np.argsort(corners[:, :, 1], axis=1)
        low, middle, high = np.take_along_axis(corners, order[:, :, None], axis=1).swapaxes(0, 1)

        def slope(start: Floats, end: Floats) -> Floats:
            right, up = (end - start).T
            return np.divide(right, up, out=np.zeros_like(right), where=up > 0)

        return cls(low, middle, slope(low, high), slope(low, middle), slope(middle, high))

    def crossed(self, of: Indices, y: Floats) -> tuple[Floats, Floats]:
        """Where level lines enter and leave these triangles, which they meet."""
        (low_x, low_y), (x, middle_y) = self.low[of].T, self.middle[of].T
        up = y - middle_y
        short = x + up * np.where(up >= 0, self.upper[of], self.lower[of])
        long = low_x + (y - low_y) * self.long[of]
        return np.minimum(short, long), np.maximum(short, long)


def _unhidden(a: Floats, b: Floats, depth: Floats) -> tuple[Floats, Floats]:
    """Cuts the edges from a to b (n, 3) to the runs whose samples lie no deeper than the depth picture."""
    counts = np.maximum(np.ceil(np.linalg.norm((b - a)[:, :2], axis=1)).astype(np.int64), 1) + 1
    of, index = in_runs(counts)
    points = a[of] + (index / (counts[of] - 1))[:, None] * (b - a)[of]
    # An edge is hidden only where all the pixels around it are nearer: the surfaces that it bounds never hide it.
    around = np.full(depth.shape, np.inf)
    for dy in (0, 1, 2):
        for dx in (0, 1, 2):
            core = depth[dy : depth.shape[0] - 2 + dy, dx : depth.shape[1] - 2 + dx]
            np.minimum(around[1:-1, 1:-1], core, out=around[1:-1, 1:-1])
    column, row = points[:, :2].astype(np.int64).T
    seen = points[:, 2] >= around[row, column] - _DEEPER
    gone = np.concatenate([[False], ~seen, [False]])
    begins = np.flatnonzero(seen & (gone[:-2] | (index == 0)))
    lasts = np.flatnonzero(seen & (gone[2:] | (index == counts[of] - 1)))
    # Where a hidden edge meets a visible one its last samples look visible too: such stubs are left out.
    runs = lasts - begins + 1
    real = (runs > _STUB) | (runs == counts[of[begins]])
    return points[begins[real], :2], points[lasts[real], :2]


def _worth_drawing(starts: Floats, ends: Floats) -> tuple[Floats, Floats]:
    """Without the lines that are too short to see, and no more of them than a browser draws at ease."""
    lengths = np.linalg.norm(ends - starts, axis=1)
    order = np.argsort(-lengths, kind="stable")[:_MOST_STROKES]
    order = order[lengths[order] > _SHORTEST_MM]
    return starts[order], ends[order]


def _one_of_each_group(fittings: Sequence[str], places: Floats) -> list[int]:
    """Of the places (n, 2) on paper that are near each other and take the same fitting, the middlemost."""
    side, kinds = _NEAR_MM, len(set(fittings))
    while True:
        groups: dict[tuple[str, int, int], list[int]] = {}
        for index, (fitting, (column, row)) in enumerate(zip(fittings, (places // side).astype(int), strict=True)):
            groups.setdefault((fitting, int(column), int(row)), []).append(index)
        if len(groups) <= max(_MOST_LABELS, kinds):
            break
        side *= 1.25
    return [group[int(np.hypot(*(places[group] - places[group].mean(axis=0)).T).argmin())] for group in groups.values()]


def _balloons(
    words: Sequence[str], anchors: Floats, dots: Floats, ways: Floats, size: Floats, ink: Floats, radius: float
) -> list[str]:
    """Words in a circle for each of the ``anchors``, on a leader, placed where it covers the least, of all ``dots``
    too."""
    placed: list[Floats] = []
    drawn = []
    for index, said in enumerate(words):
        at = _free_place(index, anchors, dots, ways[index], placed, size, ink, radius)
        placed.append(at)
        lead = at - anchors[index]
        rim = anchors[index] + lead * (1 - radius / np.linalg.norm(lead))
        drawn += [
            svg.circle(anchors[index], 0.5, "dot"),
            svg.line(anchors[index], rim, "leader"),
            svg.circle(at, radius, "end"),
            svg.text(at, said),
        ]
    return drawn


def _ink(starts: Floats, ends: Floats, size: Floats) -> Floats:
    """How many mm of lines a circle would cover at each full millimetre (across, down) of the paper."""
    lengths = np.linalg.norm(ends - starts, axis=1)
    of, index = in_runs(np.ceil(lengths).astype(np.int64))
    share = (index + 0.5) / np.maximum(np.ceil(lengths[of]), 1)
    points = starts[of] + share[:, None] * (ends - starts)[of]
    across, down = (np.ceil(size).astype(int) + 1).tolist()
    cells = points.astype(np.int64) @ np.array([down, 1])
    lines = np.bincount(cells, minlength=across * down).astype(float).reshape(across, down)
    reach = round(_CIRCLE_MM)
    sums = np.pad(np.pad(lines, reach).cumsum(axis=0).cumsum(axis=1), ((1, 0), (1, 0)))
    wide = 2 * reach + 1
    return sums[wide:, wide:] - sums[:-wide, wide:] - sums[wide:, :-wide] + sums[:-wide, :-wide]


def _free_place(
    index: int,
    anchors: Floats,
    dots: Floats,
    way: Floats,
    placed: list[Floats],
    size: Floats,
    ink: Floats,
    radius: float,
) -> Floats:
    """The centre of the circle for one end: of places around it the one that is least in the way.

    Weighs, in millimetres: covering another circle or end, leaving the paper, covering lines, crossing a leader, being
    far off, and pointing away from where the tube points.
    """
    anchor = anchors[index]
    ahead = math.atan2(way[1], way[0]) if np.hypot(*way) > 1e-6 else -math.pi / 2
    angles = ahead + np.linspace(-np.pi, np.pi, 24, endpoint=False)
    reaches = np.array([6.0, 9.0, 13.0, 18.0, 24.0, 32.0, 42.0])
    steps = np.column_stack([np.cos(angles), np.sin(angles)])
    places = (anchor + reaches[:, None, None] * steps).reshape(-1, 2)
    cost = np.repeat(reaches, len(angles)) + np.tile(4 * np.abs(angles - ahead) / np.pi, len(reaches))
    outside = np.maximum(radius + 0.4 - places, 0).sum(axis=1) + np.maximum(places - size + radius + 0.4, 0).sum(axis=1)
    cost += 1000 * outside
    others = dots[(dots != anchor).any(axis=1)]
    for points, clear, weight in (
        (np.array(placed).reshape(-1, 2), 2 * radius + 0.6, 500),
        (others, radius + 0.8, 100),
    ):
        if len(points):
            apart = np.linalg.norm(places[:, None] - points, axis=2)
            cost += weight * (apart < clear).sum(axis=1)
    cells = np.clip(places.astype(int), 0, np.array(ink.shape) - 1)
    cost += ink[cells[:, 0], cells[:, 1]]
    for other, centre in zip(anchors, placed, strict=False):
        cost += 60 * _cross(anchor, places, other, centre)
    return places[int(np.argmin(cost))]


def _cross(start: Floats, ends: Floats, a: Floats, b: Floats) -> NDArray[np.bool_]:
    """(n,): whether the lines from ``start`` to each of ``ends`` cross the one from a to b."""

    def side(p: Floats, q: Floats, r: Floats) -> Floats:
        return (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])

    return (side(start, ends, a) * side(start, ends, b) < 0) & (side(a, b, start) * side(a, b, ends) < 0)
