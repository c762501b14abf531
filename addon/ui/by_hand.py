# SPDX-License-Identifier: GPL-3.0-or-later
"""A tube end from what is selected in Edit Mode: the ring of faces of its rim, or its one or two edge loops."""

from __future__ import annotations

import math

import bmesh
import bpy
import numpy as np

from ..geometry.fits import Fit, fit_outlines
from ..geometry.frames import Floats, Frame
from ..geometry.polygons import turned
from ..geometry.sections import Outline, Section
from ..geometry.units import say_mm
from ..takeoff import TubeEnd

FLAT_SHARE = 0.002
"""How far a rim's corners may lie off its plane, as a share of its size."""
_SQUARE_DEG = 0.05
_ALIGNED_DEG = 0.1
_CENTRED_SHARE = 0.002


class PickError(ValueError):
    """Why the selection is no tube end, and what to select."""


def end_of_selection(item: bpy.types.Object, wall_mm: float, unit_scale: float) -> TubeEnd:
    """The end that the selection in Edit Mode outlines. ``wall_mm`` counts where only the outside is selected.

    The tube's axis runs along the edges that leave the rim. Its bore counts as clear for twice the tube's width,
    as nothing but the rim was looked at. Raises ``PickError``.
    """
    work = bmesh.from_edit_mesh(item.data)
    loops = _loops(work)
    matrix = np.array(item.matrix_world) * (1000 * unit_scale)
    drawn = [np.array([matrix[:3, :3] @ vert.co + matrix[:3, 3] for vert in loop]) for loop in loops]
    drawn.sort(key=lambda points: -float(np.ptp(points, axis=0).max()))
    points = drawn[0]
    middle = points.mean(axis=0)
    normal = np.linalg.svd(points - middle)[2][2]
    size = float(np.ptp(points, axis=0).max())
    off = max(float(np.abs((loop - middle) @ normal).max()) for loop in drawn)
    if off > FLAT_SHARE * size:
        raise PickError(f"The selection is not flat: corners lie up to {say_mm(off)} off a plane. Select one rim only.")
    axis = _axis(loops, matrix[:3, :3], normal)
    if axis @ normal < 0:
        normal = -normal
    return _end(item.name, drawn, middle, axis, normal, wall_mm)


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


def _axis(loops: list[list[bmesh.types.BMVert]], turn: Floats, normal: Floats) -> Floats:
    """(3,): along the tube and out of it, against the edges that leave the rim."""
    own = {vert for loop in loops for vert in loop}
    sides = [turn @ (edge.other_vert(vert).co - vert.co) for vert in own for edge in vert.link_edges
             if edge.other_vert(vert) not in own]  # fmt: skip
    arms = np.array(sides).reshape(-1, 3)
    lengths = np.linalg.norm(arms, axis=1)
    steep = lengths > 0
    arms = arms[steep] / lengths[steep, None]
    leaving = arms[np.abs(arms @ normal) > 0.4]
    if not len(leaving):
        return normal
    # Edges across a tube's sides lean this way and that; the axis is what most of them agree on.
    cosines = np.abs(leaving @ leaving.T)
    axis = -leaving[int((cosines > np.cos(np.radians(0.1))).sum(axis=1).argmax())]
    return axis


def _end(name: str, drawn: list[Floats], middle: Floats, axis: Floats, normal: Floats, wall_mm: float) -> TubeEnd:
    base = Frame.along(middle, axis)
    flat = [base.to_local(points)[:, :2] for points in drawn]
    fits = fit_outlines(flat)
    outer = fits[0]
    try:
        section = Section(_centred(outer), _bore(outer, fits[1]) if len(fits) > 1 else outer.outline.offset(-wall_mm))
    except ValueError as error:
        raise PickError(f"The wall is too thick: {error}. Give the tube's wall below.") from error
    if not section.wall > 0:
        raise PickError("The bore is not inside the outline. Select the ring of faces of one rim.")
    centre = np.append(outer.centre, 0.0)
    x = np.append(turned(np.array([[1.0, 0.0]]), math.radians(outer.turn_deg))[0], 0.0) @ base.axes
    foot = base.to_world(centre[None])[0]
    foot = foot + axis * (((middle - foot) @ normal) / (axis @ normal))
    frame = Frame.along(foot, axis, x)
    local = frame.axes @ normal
    mitre = math.degrees(math.acos(min(1.0, float(local[2]))))
    square = mitre < _SQUARE_DEG
    direction = 0.0 if square else math.degrees(math.atan2(local[1], local[0])) % 360
    if section.kind == "round" and not square:
        frame, direction = frame.turned(direction), 0.0
    return TubeEnd(
        name, section, frame, 0.0 if square else mitre, direction, 2 * section.outer.width, "open", "open"
    )  # fmt: skip


def _centred(outer: Fit) -> Outline:
    points = outer.outline.points
    if points is None:
        return outer.outline
    return Outline.free(points - (points.min(axis=0) + points.max(axis=0)) / 2)


def _bore(outer: Fit, bore: Fit) -> Outline:
    """The bore in the axes of the outer outline."""
    apart = float(np.linalg.norm(bore.centre - outer.centre))
    quarters = (bore.turn_deg - outer.turn_deg) / 90
    aligned = bore.outline.shape == "circle" or abs(quarters - round(quarters)) * 90 < _ALIGNED_DEG
    off = not aligned or apart > _CENTRED_SHARE * outer.outline.width
    if off or "free" in (outer.outline.shape, bore.outline.shape):
        return Outline.free(turned(bore.polygon() - outer.centre, -math.radians(outer.turn_deg)))
    one = bore.outline
    if round(quarters) % 2 and one.shape != "circle":
        return Outline(one.shape, one.depth, one.width, one.corner_radius)
    return one
