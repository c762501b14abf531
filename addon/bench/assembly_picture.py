# SPDX-License-Identifier: GPL-3.0-or-later
"""The assembly as a line drawing: seen from the front right and above, hidden lines left out, its ends numbered."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Floats
from ..geometry.mesh import Ints, Mesh
from ..geometry.topology import Indices, edges, weld
from . import svg

VIEW = np.array([1.0, -1.0, 1.0]) / math.sqrt(3)
"""From the assembly to the eye: isometric."""
_RIGHT = np.array([1.0, 1.0, 0.0]) / math.sqrt(2)
_UP = np.cross(VIEW, _RIGHT)

NUMBERED_UP_TO = 120
"""With more ends than this each end gets a dot only: numbers would cover the drawing."""
_SHARP = math.cos(math.radians(25))
"""Edges at which a surface turns by more than this are drawn."""
_PIXELS = 1000
"""Width of the depth picture that tells what is hidden."""
_MOST_SAMPLES = 12_000_000
_SAMPLE = 0.7
"""Distance between samples, in pixels: no pixel of a triangle is left out."""
_MOST_STROKES = 40_000
_STUB = 4
"""Samples of an edge that are taken for a stub."""
_SHORTEST_MM = 0.02
_CIRCLE_MM = 2.6
_MARGIN_MM = 9.0


@dataclass(frozen=True, eq=False)
class EndMark:
    """A tube end in the picture."""

    number: int
    position: Floats
    """(3,): where it is."""
    direction: Floats
    """(3,): out of the tube."""


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
    marks = _numbers(ends, to_paper(anchors), ways, size, (starts + finishes) / 2)
    title = f"The assembly, with {len(ends)} tube ends"
    return svg.drawing(size[0], size[1], title, svg.strokes(starts, finishes, "edge"), *marks)


def _joined(bodies: Sequence[Mesh]) -> Mesh:
    """All bodies as one mesh, equal vertices of a body once: loose triangles would show all their edges."""
    sizes = [len(body.vertices) for body in bodies]
    offsets = np.cumsum([0, *sizes])
    vertices = np.concatenate([np.empty((0, 3)), *(body.vertices for body in bodies)])
    triangles = [body.triangles + offset for body, offset in zip(bodies, offsets, strict=False)]
    kept, became = weld(vertices, np.repeat(np.arange(len(bodies)), sizes))
    return Mesh(vertices[kept], became[np.concatenate([np.empty((0, 3), int), *triangles])].astype(np.int32))


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
    facing = corners[_turns(corners) > 0]
    samples = _sample_counts(facing, pixel * _SAMPLE)
    while samples.prod(axis=1).sum() > _MOST_SAMPLES:
        pixel *= 1.3
        samples = _sample_counts(facing, pixel * _SAMPLE)
    depth = _depth_picture(facing, samples, low, pixel, high)
    return _unhidden(flat[a], flat[b], depth, low, pixel)


def _turns(corners: Floats) -> Floats:
    """Twice the signed area on paper: positive for triangles that face the eye."""
    u, v = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    return u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]


def _edges_to_draw(corners: Floats, triangles: Ints, count: int) -> tuple[Indices, Indices]:
    """Vertex pairs of the edges that are open, sharp, or part of a silhouette."""
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    mates = edges(triangles.astype(np.int64), count).mates
    half = np.arange(len(mates))
    lone = mates < 0
    other = np.where(lone, half, mates)
    here, there = normals[half // 3], normals[other // 3]
    sharp = np.einsum("ij,ij->i", here, there) < _SHARP
    silhouette = (here[:, 2] > 1e-6) & (there[:, 2] <= 1e-6)
    drawn = np.flatnonzero(lone | (sharp & (half < other)) | (silhouette & ~sharp))
    flat = triangles.ravel().astype(np.int64)
    return flat[drawn], flat[3 * (drawn // 3) + (drawn % 3 + 1) % 3]


def _sample_counts(corners: Floats, apart: float) -> Indices:
    """(n, 2): how many samples along the longest side of each triangle and how many rows of them."""
    sides = np.linalg.norm((np.roll(corners, -1, axis=1) - corners)[:, :, :2], axis=2)
    longest = sides.max(axis=1)
    height = np.abs(_turns(corners)) / np.maximum(longest, 1e-300)
    return (np.ceil(np.column_stack([longest, height]) / apart) + 1).astype(np.int64)


def _depth_picture(corners: Floats, counts: Indices, low: Floats, pixel: float, high: Floats) -> Floats:
    """(rows, columns): how near to the eye the nearest surface is at each pixel, -inf where there is none."""
    columns, rows = (np.ceil((high - low) / pixel).astype(int) + 3).tolist()
    depth = np.full(rows * columns, -np.inf)
    sides = np.linalg.norm((np.roll(corners, -1, axis=1) - corners)[:, :, :2], axis=2)
    first = sides.argmax(axis=1)
    turn = (first[:, None] + np.arange(3)) % 3
    a, b, c = np.moveaxis(np.take_along_axis(corners, turn[:, :, None], axis=1), 1, 0)
    totals = counts.prod(axis=1)
    for part in np.array_split(np.arange(len(corners)), max(1, int(totals.sum()) // 1_000_000)):
        of = np.repeat(part, totals[part])
        index = np.arange(len(of)) - np.repeat(np.cumsum(totals[part]) - totals[part], totals[part])
        along = (index % counts[of, 0]) / np.maximum(counts[of, 0] - 1, 1)
        across = (index // counts[of, 0]) / np.maximum(counts[of, 1] - 1, 1)
        points = a[of] + (along * (1 - across))[:, None] * (b[of] - a[of]) + across[:, None] * (c[of] - a[of])
        np.maximum.at(depth, _pixels(points, low, pixel, columns), points[:, 2])
    return depth.reshape(rows, columns)


def _pixels(points: Floats, low: Floats, pixel: float, columns: int) -> Indices:
    at = np.floor((points[:, :2] - low) / pixel).astype(np.int64) + 1
    return at[:, 1] * columns + at[:, 0]


def _unhidden(a: Floats, b: Floats, depth: Floats, low: Floats, pixel: float) -> tuple[Floats, Floats]:
    """Cuts the edges from a to b (n, 3) to the runs whose samples lie no deeper than the depth picture."""
    counts = np.maximum(np.ceil(np.linalg.norm((b - a)[:, :2], axis=1) / pixel).astype(np.int64), 1) + 1
    of = np.repeat(np.arange(len(a)), counts)
    index = np.arange(len(of)) - np.repeat(np.cumsum(counts) - counts, counts)
    share = index / (counts[of] - 1)
    points = a[of] + share[:, None] * (b - a)[of]
    # An edge is hidden only where all the pixels around it are nearer: the surfaces that it bounds never hide it.
    around = np.full(depth.shape, np.inf)
    for dy in (0, 1, 2):
        for dx in (0, 1, 2):
            core = depth[dy : depth.shape[0] - 2 + dy, dx : depth.shape[1] - 2 + dx]
            np.minimum(around[1:-1, 1:-1], core, out=around[1:-1, 1:-1])
    seen = points[:, 2] >= around.ravel()[_pixels(points, low, pixel, depth.shape[1])] - 2 * pixel
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


def _numbers(ends: Sequence[EndMark], anchors: Floats, ways: Floats, size: Floats, ink: Floats) -> list[str]:
    """A numbered circle for each end on a leader, placed where it covers the least."""
    if len(ends) > NUMBERED_UP_TO:
        return [svg.circle(at, 0.7, "end") for at in anchors]
    placed: list[Floats] = []
    drawn = []
    for index, end in enumerate(ends):
        at = _free_place(index, anchors, ways[index], placed, size, ink)
        placed.append(at)
        lead = at - anchors[index]
        rim = anchors[index] + lead * (1 - _CIRCLE_MM / np.linalg.norm(lead))
        drawn += [
            svg.circle(anchors[index], 0.5, "dot"),
            svg.line(anchors[index], rim, "leader"),
            svg.circle(at, _CIRCLE_MM, "end"),
            svg.text(at, end.number),
        ]
    return drawn


def _free_place(index: int, anchors: Floats, way: Floats, placed: list[Floats], size: Floats, ink: Floats) -> Floats:
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
    outside = np.maximum(_CIRCLE_MM + 0.4 - places, 0).sum(axis=1) + np.maximum(
        places - size + _CIRCLE_MM + 0.4, 0
    ).sum(axis=1)
    cost += 1000 * outside
    others = np.delete(anchors, index, axis=0)
    for points, clear, weight in (
        (np.array(placed).reshape(-1, 2), 2 * _CIRCLE_MM + 0.6, 500),
        (others, _CIRCLE_MM + 0.8, 100),
    ):
        if len(points):
            apart = np.linalg.norm(places[:, None] - points, axis=2)
            cost += weight * (apart < clear).sum(axis=1)
    near = ink[np.linalg.norm(ink - anchor, axis=1) < reaches[-1] + _CIRCLE_MM]
    if len(near):
        cost += 2 * (np.linalg.norm(places[:, None] - near, axis=2) < _CIRCLE_MM).sum(axis=1)
    for other, centre in zip(anchors, placed, strict=False):
        cost += 60 * _cross(anchor, places, other, centre)
    return places[int(np.argmin(cost))]


def _cross(start: Floats, ends: Floats, a: Floats, b: Floats) -> NDArray[np.bool_]:
    """(n,): whether the lines from ``start`` to each of ``ends`` cross the one from a to b."""

    def side(p: Floats, q: Floats, r: Floats) -> Floats:
        return (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])

    return (side(start, ends, a) * side(start, ends, b) < 0) & (side(a, b, start) * side(a, b, ends) < 0)
