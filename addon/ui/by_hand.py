# SPDX-License-Identifier: GPL-3.0-or-later
"""A tube end from what is selected in Edit Mode: the ring of faces of its rim, or its one or two edge loops."""

from __future__ import annotations

import bmesh
import bpy
import numpy as np

from ..takeoff import TubeEnd
from ..takeoff.picked import PickError, picked_end


def end_of_selection(item: bpy.types.Object, wall_mm: float, unit_scale: float) -> TubeEnd:
    """The end that the selection in Edit Mode outlines. ``wall_mm`` counts where only the outside is selected.

    Raises ``PickError``.
    """
    work = bmesh.from_edit_mesh(item.data)  # which takes its corners along when it goes
    loops = _loops(work)
    matrix = np.array(item.matrix_world) * (1000 * unit_scale)
    own = {vert for loop in loops for vert in loop}
    sides = [edge.other_vert(vert).co - vert.co for vert in own for edge in vert.link_edges
             if edge.other_vert(vert) not in own]  # fmt: skip
    drawn = [np.array([vert.co for vert in loop]) @ matrix[:3, :3].T + matrix[:3, 3] for loop in loops]
    return picked_end(item.name, drawn, np.array(sides).reshape(-1, 3) @ matrix[:3, :3].T, wall_mm)


def _loops(work: bmesh.types.BMesh) -> list[list[bmesh.types.BMVert]]:
    """The closed loops that the selection has as its border, or is made of."""
    faces = {face for face in work.faces if face.select}
    if faces:
        edges = {edge for face in faces for edge in face.edges if sum(one in faces for one in edge.link_faces) == 1}
    else:
        edges = {edge for edge in work.edges if edge.select}
    ways: dict[bmesh.types.BMVert, list[bmesh.types.BMVert]] = {}
    for edge in edges:
        for one, other in (edge.verts, reversed(edge.verts)):
            ways.setdefault(one, []).append(other)
    if not ways or any(len(others) != 2 for others in ways.values()):
        raise PickError("The selection has no closed outline. Select the whole ring of faces of a rim, or its loops.")
    loops = []
    while ways:
        start, following = next(iter(ways.items()))
        loop, last, now = [start], start, following[0]
        while now is not start:
            loop.append(now)
            one, other = ways[now]
            last, now = now, other if one is last else one
        for vert in loop:
            del ways[vert]
        loops.append(loop)
    if len(loops) > 2:
        raise PickError(f"{len(loops)} outlines are selected. Select the rim of one tube: its outside, and its bore.")
    return loops
