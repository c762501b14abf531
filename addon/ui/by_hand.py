# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube ends from what is selected in Edit Mode: the ring of faces of a rim, or its one or two edge loops.

A pick is kept in the terms of its object's mesh, so that it follows the tube and is read anew each time. Vertices keep
their numbers as long as a mesh has the same edges; where it has others, the rim is found again by its corners.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from functools import cached_property
from operator import index

import bmesh
import bpy
import numpy as np
from mathutils import Vector
from mathutils.kdtree import KDTree

from ..fields.messages import DAMAGES
from ..geometry.frames import Floats
from ..geometry.names import quoted
from ..geometry.topology import Indices
from ..takeoff.picked import PickedEnd, PickError, Point
from .scene import rendered

AT_PLACE = 1e-5
"""Corners no further apart than this share of the rim's size are the same."""


@dataclass(frozen=True)
class Pick:
    """A rim as it was picked, or as it was last read."""

    loops: tuple[tuple[int, ...], ...]
    """The mesh's vertices along its outside, and along its bore where that was picked too, in any order."""
    corners: tuple[tuple[Point, ...], ...]
    """Where they were, in the mesh's own coordinates."""
    edges: str
    """Identifies the edges of the mesh."""
    wall_mm: float
    """In the world; it counts if there is no bore."""


def pick_text(pick: Pick) -> str:
    return json.dumps(asdict(pick))


def pick_from(text: str) -> Pick:
    """What ``pick_text`` wrote. Raises ``PickError`` if it is damaged."""
    try:
        record = json.loads(text)
        loops = tuple(tuple(map(index, loop)) for loop in record.pop("loops"))
        corners = tuple(tuple((float(x), float(y), float(z)) for x, y, z in loop) for loop in record.pop("corners"))
        pick = Pick(loops, corners, **record)
        counts = [len(loop) for loop in corners]
        whole = min(counts) > 2 and counts == [len(loop) for loop in loops]
        if not whole or not np.isfinite(np.concatenate(corners)).all() or not math.isfinite(pick.wall_mm):
            raise ValueError
    except DAMAGES:
        raise PickError("This file's record of the rim is damaged; pick it again, or drop this end") from None
    return pick


def pick_of_selection(item: bpy.types.Object, wall_mm: float) -> Pick:
    """What the selection in Edit Mode outlines. Raises ``PickError``."""
    work = bmesh.from_edit_mesh(item.data)
    work.verts.index_update()
    loops = tuple(tuple(vert.index for vert in loop) for loop in _loops(work))
    item.update_from_editmode()
    shape = _Shape.of(item.data)
    return Pick(loops, shape.corners(loops), shape.edges_known_by, wall_mm)


class RimReader:
    """Reads rims where they are now. It keeps what it learns of a mesh, so use it for a single reading."""

    def __init__(self, scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph, mm_per_unit: float) -> None:
        self._scene, self._depsgraph, self._mm_per_unit = scene, depsgraph, mm_per_unit
        self._rendered = {item.session_uid for item in rendered(depsgraph.view_layer.layer_collection)}
        self._shapes: dict[int, tuple[_Shape, _Shape]] = {}

    def read(self, item: bpy.types.Object | None, pick: Pick) -> tuple[PickedEnd, Pick]:
        """The rim as it is now, in mm in the world, and the pick to keep from now on.

        Raises ``PickError`` that says what has become of it.
        """
        tube = self._shown(item)
        base, shown = self._shapes_of(tube)
        pick = self._found_again(tube, base, pick)
        # Modifiers that only move vertices are followed; others have to leave the rim where it is.
        shape = shown if shown.edges_known_by == base.edges_known_by else base
        if shape is base and not shown.has(base.corners(pick.loops)):
            raise PickError(f"Modifiers of {quoted(tube.name)} change the rim; apply them and pick it again")
        matrix = np.array(tube.evaluated_get(self._depsgraph).matrix_world, float)
        drawn = [shape.points[list(loop)] @ matrix[:3, :3].T + matrix[:3, 3] for loop in pick.loops]
        if np.linalg.det(matrix[:3, :3]) < 0:
            drawn = [loop[::-1] for loop in drawn]
        sides = shape.sides(pick.loops) @ matrix[:3, :3].T
        scale = self._mm_per_unit
        end = PickedEnd.of_mesh(tube.name, [loop * scale for loop in drawn], sides * scale, pick.wall_mm)
        return end, replace(pick, corners=base.corners(pick.loops))

    def _shown(self, item: bpy.types.Object | None) -> bpy.types.Object:
        if item is None or item.name not in self._scene.objects:
            name = quoted(item.name) if item is not None else "Its tube"
            raise PickError(f"{name} is no longer in the scene; bring it back, or drop this end")
        if item.type != "MESH":
            raise PickError(f"{quoted(item.name)} is no longer a mesh; pick the rim again, or drop this end")
        shown = item.session_uid in self._rendered and not item.hide_render
        if not shown or not item.visible_get(view_layer=self._depsgraph.view_layer):
            raise PickError(f"{quoted(item.name)} is hidden; show it and read the ends again")
        return item

    def _shapes_of(self, tube: bpy.types.Object) -> tuple[_Shape, _Shape]:
        """The tube's mesh as it is, and as it shows with its modifiers."""
        if tube.session_uid not in self._shapes:
            if tube.mode == "EDIT":
                tube.update_from_editmode()
            shown = tube.evaluated_get(self._depsgraph)
            self._shapes[tube.session_uid] = _Shape.of(tube.data), _Shape.of(shown.to_mesh())
            shown.to_mesh_clear()
        return self._shapes[tube.session_uid]

    def _found_again(self, tube: bpy.types.Object, shape: _Shape, pick: Pick) -> Pick:
        numbers = [vertex for loop in pick.loops for vertex in loop]
        if shape.edges_known_by == pick.edges and 0 <= min(numbers) <= max(numbers) < len(shape.points):
            return pick
        loops = [shape.loop_at(corners) for corners in pick.corners]
        if any(loop is None for loop in loops):
            mesh = f"The mesh of {quoted(tube.name)}"
            raise PickError(f"{mesh} was edited and this rim is not in it any more; pick it again")
        return replace(pick, loops=tuple(loops), edges=shape.edges_known_by)


@dataclass(frozen=True, eq=False)
class _Shape:
    """A mesh's vertices and edges, away from Blender, which may free them."""

    points: Floats
    edges: Indices

    @classmethod
    def of(cls, mesh: bpy.types.Mesh) -> _Shape:
        points = np.empty(len(mesh.vertices) * 3, np.float32)
        mesh.vertices.foreach_get("co", points)
        edges = np.empty(len(mesh.edges) * 2, np.int32)
        mesh.edges.foreach_get("vertices", edges)
        return cls(points.reshape(-1, 3).astype(float), edges.reshape(-1, 2).astype(np.int64))

    @cached_property
    def edges_known_by(self) -> str:
        pairs = np.sort(self.edges, axis=1)
        pairs = pairs[np.lexsort(pairs.T)]
        return hashlib.blake2b(pairs.astype("<i8").tobytes(), digest_size=12).hexdigest()

    def corners(self, loops: Iterable[Iterable[int]]) -> tuple[tuple[Point, ...], ...]:
        return tuple(tuple((x, y, z) for x, y, z in self.points[list(loop)].tolist()) for loop in loops)

    def sides(self, loops: Iterable[Iterable[int]]) -> Floats:
        """(m, 3): the edges that leave the loops."""
        ours = np.isin(self.edges, [vertex for loop in loops for vertex in loop])
        leaving = self.edges[ours[:, 0] != ours[:, 1]]
        turned = np.where(ours[ours[:, 0] != ours[:, 1], :1], leaving, leaving[:, ::-1])
        return self.points[turned[:, 1]] - self.points[turned[:, 0]]

    def has(self, loops: Iterable[tuple[Point, ...]]) -> bool:
        """Whether there is a vertex at each of these corners."""
        for corners in loops:
            within = AT_PLACE * float(np.ptp(corners, axis=0).max())
            if any((nearest := self._tree.find(corner))[0] is None or nearest[2] > within for corner in corners):
                return False
        return True

    def loop_at(self, corners: tuple[Point, ...]) -> tuple[int, ...] | None:
        """The vertices at these corners, where each is joined to the next by an edge."""
        within = AT_PLACE * float(np.ptp(corners, axis=0).max())
        near = [{vertex for _, vertex, _ in self._tree.find_range(Vector(corner), within)} for corner in corners]
        for start in near[0]:
            loop = [start]
            for some in near[1:]:
                following = next(iter(some & self._neighbours_of(loop[-1])), None)
                if following is None:
                    break
                loop.append(following)
            if len(loop) == len(corners) and start in self._neighbours_of(loop[-1]):
                return tuple(loop)
        return None

    @cached_property
    def _tree(self) -> KDTree:
        tree = KDTree(len(self.points))
        for vertex, point in enumerate(self.points.tolist()):
            tree.insert(point, vertex)
        tree.balance()
        return tree

    def _neighbours_of(self, vertex: int) -> set[int]:
        starts, ends = self._ways
        return set(ends[slice(*np.searchsorted(starts, [vertex, vertex + 1]))].tolist())

    @cached_property
    def _ways(self) -> tuple[Indices, Indices]:
        """Both directions of every edge, by the vertex that they start from."""
        ways = np.concatenate([self.edges, self.edges[:, ::-1]])
        return tuple(ways[np.argsort(ways[:, 0], kind="stable")].T)


def _loops(work: bmesh.types.BMesh) -> list[list[bmesh.types.BMVert]]:
    """The closed loops that the selection has as its border, or is made of, counter-clockwise seen from where their
    faces look."""
    faces = {face for face in work.faces if face.select}
    if faces:
        edges = {
            edge
            for face in faces
            for edge in face.edges
            if sum(neighbour in faces for neighbour in edge.link_faces) == 1
        }
    else:
        edges = {edge for edge in work.edges if edge.select}
    ways: dict[bmesh.types.BMVert, list[bmesh.types.BMVert]] = {}
    for edge in edges:
        for vert, other in (edge.verts, reversed(edge.verts)):
            ways.setdefault(vert, []).append(other)
    if not ways or any(len(others) != 2 for others in ways.values()):
        raise PickError("The selection has no closed outline. Select the whole ring of faces of a rim, or its loops")
    look = sum((face.normal for face in faces or {face for edge in edges for face in edge.link_faces}), Vector())
    loops = []
    while ways:
        start, following = next(iter(ways.items()))
        loop, last, now = [start], start, following[0]
        while now is not start:
            loop.append(now)
            neighbour, other = ways[now]
            last, now = now, other if neighbour is last else neighbour
        for vert in loop:
            del ways[vert]
        around = sum((vert.co.cross(after.co) for vert, after in zip(loop, loop[1:] + loop[:1], strict=True)), Vector())
        loops.append(loop if around.dot(look) >= 0 else loop[::-1])
    if len(loops) > 2:
        raise PickError(f"{len(loops)} outlines are selected. Select the rim of one tube: its outside, and its bore")
    return loops
