# SPDX-License-Identifier: GPL-3.0-or-later
"""Where in the view there is room for a sheet: beside the assembly, and clear of whatever else is drawn there."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Literal

import bpy
import numpy as np

from ...families.family import Site
from ...geometry.frames import Floats, Frame
from ...takeoff import Hole
from .sheets import Rectangle

_POINTS = 4000
"""Of the assembly's edges, and as many of its faces, by which it is known where it lies on the screen."""
_MOST_PARTS = 200_000
"""Of a mesh's edges, or of its triangles, that are looked at."""
_AROUND, _ALONG, _TUBE = 24, 30, 8.0
"""Points around and along a tube near its end, and how many of its widths that is."""
_GIZMO, _BUTTONS = 24.0, 120.0
"""Beside Blender's axes, and of its buttons below them, in points."""
_SPECK = 10
"""Points of the assembly that a sheet may hide and still be clear of it."""


def sampled(items: Iterable[bpy.types.Object]) -> Floats:
    """(n, 3): points of mesh objects in the world, evenly along their edges and over their faces, the same ones every
    time."""
    meshes = [item for item in items if item.type == "MESH"]
    edges = np.concatenate([np.empty((0, 2, 3)), *(_parts_of(item, "edges") for item in meshes)])
    faces = np.concatenate([np.empty((0, 3, 3)), *(_parts_of(item, "loop_triangles") for item in meshes)])
    lengths = np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1)
    areas = np.linalg.norm(np.cross(faces[:, 1] - faces[:, 0], faces[:, 2] - faces[:, 0]), axis=1)
    return np.concatenate([_within(edges, lengths), _within(faces, areas)])


def _within(parts: Floats, sizes: Floats) -> Floats:
    """(n, 3): points of edges or triangles (m, 2 or 3, 3), as many as their sizes ask for."""
    if not sizes.sum() > 0:
        return np.empty((0, 3))
    random = np.random.default_rng(0)
    chosen = parts[random.choice(len(parts), _POINTS, p=sizes / sizes.sum())]
    shares = random.dirichlet(np.ones(parts.shape[1]), _POINTS)
    return np.einsum("nk,nkx->nx", shares, chosen)


@lru_cache(4)
def about(site: Site) -> Floats:
    """(n, 3), in mm: points of a tube's outside near its end, and of what sits on it; or near a hole in it."""
    outline, wide = site.section.outer.polygon(facets=_AROUND), site.section.outer.width
    frame, beyond = site.frame, wide / 2
    if isinstance(hole := site.records[0], Hole):
        tube = hole.tube.frame
        frame, beyond = Frame(tube.origin + tube.z * (tube.z @ (hole.position - tube.origin)), tube.axes), _TUBE * wide
    heights = np.linspace(-_TUBE * wide, beyond, _ALONG)
    local = np.column_stack([np.tile(outline, (_ALONG, 1)), np.repeat(heights, len(outline))])
    return frame.to_world(local)


def gizmos(context: bpy.types.Context, space: Rectangle, scale: float) -> Rectangle:
    """What Blender's axes and buttons take of the upper right corner."""
    _, _, right, top = space
    view, preferences = context.space_data, context.preferences.view
    if not (view.show_gizmo and view.show_gizmo_navigate) or preferences.mini_axis_type == "NONE":
        return right, top, right, top
    wide = (preferences.gizmo_size_navigate_v3d + _GIZMO) * scale
    return right - wide, top - wide - _BUTTONS * scale, right, top


def last_operator(context: bpy.types.Context) -> list[Rectangle]:
    """Where Blender's panel of the last operator floats, if it does."""
    region = context.region
    floating = [other for other in context.area.regions if other.type == "HUD" and min(other.width, other.height) > 1]
    corners = [(other.x - region.x, other.y - region.y, other.width, other.height) for other in floating]
    return [(x, y, x + width, y + height) for x, y, width, height in corners]


def overlap(one: Rectangle, other: Rectangle) -> bool:
    return one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3]


@dataclass(frozen=True)
class Standing:
    """One of the places along the edges of a space, and a sheet's size there as a share of its own."""

    number: int
    share: float = 1.0


def room_for(
    size: tuple[float, float],
    space: Rectangle,
    taken: Sequence[Rectangle],
    points: Floats,
    before: Standing | None = None,
    shares: Sequence[float] = (1.0,),
) -> tuple[Standing, Rectangle] | None:
    """Where a sheet goes: clear of what is ``taken`` and of the points (n, 2), as large as ``shares`` allow there, and
    where it was ``before`` if that is as good. Where it cannot be clear of the points, it hides fewest. None without
    room."""
    best: tuple[int, Standing, Rectangle] | None = None
    for share in shares:
        clear: list[tuple[Standing, Rectangle]] = []
        for number, rectangle in enumerate(_places((size[0] * share, size[1] * share), space)):
            if any(overlap(rectangle, other) for other in taken):
                continue
            inside = (points > rectangle[:2]).all(axis=1) & (points < rectangle[2:]).all(axis=1)
            hidden, place = int(inside.sum()), Standing(number, share)
            if hidden <= _SPECK:
                clear.append((place, rectangle))
            elif best is None or hidden < best[0]:
                best = hidden, place, rectangle
        if clear:
            return next((found for found in clear if before and found[0].number == before.number), clear[0])
    return None if best is None else best[1:]


def beside(
    point: tuple[float, float], size: tuple[float, float], space: Rectangle, taken: Sequence[Rectangle], away: float
) -> Rectangle:
    """Where words about a point go: to the right of it or the left, as near as they are clear of what is taken."""
    left, low, right, top = space
    wide, high = size
    (px, py), places = point, []
    for row in range(2 * int((top - low) / high)):
        up = (row + 1) // 2 * (1 if row % 2 else -1) * (high + 1.0)
        y = min(max(py + away / 2 + up, low), max(top - high, low))
        for x in (px + away, px - away - wide):
            x = min(max(x, left), max(right - wide, left))
            places.append((x, y, x + wide, y + high))
    clear = (place for place in places if not any(overlap(place, other) for other in taken))
    return next(clear, places[0] if places else (px, py, px + wide, py + high))


def _places(size: tuple[float, float], space: Rectangle) -> list[Rectangle]:
    """Along the upper edge, its corners first, then along the lower one, then in the middle of the sides."""
    left, low, right, top = space
    wide, high = size
    if wide > right - left or high > top - low:
        return []
    columns = [left + share * (right - wide - left) for share in (0.0, 1.0, 0.5, 0.25, 0.75)]
    corners = [*product((top - high, low), columns), *product(((low + top - high) / 2,), columns[:2])]
    return [(x, y, x + wide, y + high) for y, x in corners]


def _parts_of(item: bpy.types.Object, parts: Literal["edges", "loop_triangles"]) -> Floats:
    """(n, 2 or 3, 3) in the world, some of them where there are very many."""
    mesh = item.data
    assert isinstance(mesh, bpy.types.Mesh)
    points = np.empty(len(mesh.vertices) * 3, np.float32)
    mesh.vertices.foreach_get("co", points)
    found, corners = getattr(mesh, parts), 2 if parts == "edges" else 3
    ends = np.empty(len(found) * corners, np.int32)
    found.foreach_get("vertices", ends)
    ends = ends.reshape(-1, corners)[:: len(found) // _MOST_PARTS + 1]
    matrix = np.array(item.matrix_world, float)
    return (points.reshape(-1, 3) @ matrix[:3, :3].T + matrix[:3, 3])[ends]
