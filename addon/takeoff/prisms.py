# SPDX-License-Identifier: GPL-3.0-or-later
"""Ends without a flat rim, on bodies of one piece: coped tubes, solid bars and open sections."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..geometry import polygons, topology
from ..geometry.frames import Floats, Frame
from ..geometry.outline_fit import FIT_TOLERANCE, OutlineFit, fit_outline, off_outline
from ..geometry.topology import Indices
from .rim_sections import THICKEST_WALL, RimSection, combined, is_tube, placed
from .rims import STEEPEST
from .surface import Surface

_SIDE = 0.02
_MOSTLY_SIDE = 0.16
"""Share of a body's skin that may face along its axis: that of a square bar three times as long as wide."""
_SLENDER = 3.0
"""A bar is at least this many times longer than wide; flatter than this it is a flat bar or a plate."""
SLICES = (0.0, 0.19, -0.23)
"""Where to cut a body to see its section, in lengths from its middle: a hole may be in the way of one."""
_ABOUT = 1.2
_DIAGONAL = np.sqrt(2.0)
"""How many times wider an outline may look than it is."""
_ON_OUTLINE = 4e-3
_STEEP = 0.3
_SAMPLE = 50
LEVEL = 5e-3
"""Share of its width that a rim may depart from a plane and still be called flat."""


@dataclass(frozen=True, eq=False)
class Prism:
    """An end of a body that is a single tube or bar."""

    body: int
    profile: RimSection
    departure: float
    """How far the rim departs from a plane, in mm; 0 for a flat end."""
    bar: bool
    """It has no bore."""


def plain_ends(
    surface: Surface, ends: Sequence[RimSection], bodies: Sequence[int]
) -> tuple[list[Prism], list[int], list[int]]:
    """The ends of closed bodies that have no rim: copes, and the ends of bars of about the tubes' size.

    ``ends`` are the rims that were found and ``bodies`` the bodies they belong to. Second, the bodies that are a
    single tube with one rim whose other end is none of these; third, those that look like a tube without any end.
    """
    count = len(surface.body_names)
    if not count:
        return [], [], []
    counts = np.bincount(np.array(bodies, int), minlength=count)
    rims = dict(zip(bodies, ends, strict=True))
    least = min((end.section.outer.width for end in ends), default=0.0) / 2
    order = np.argsort(surface.bodies, kind="stable")
    begins = np.concatenate([[0], np.cumsum(np.bincount(surface.bodies, minlength=count))])
    prisms: list[Prism] = []
    unread: list[int] = []
    endless: list[int] = []
    for body in np.flatnonzero((counts < 2) & surface.body_closed).tolist():
        triangles = order[begins[body] : begins[body + 1]]
        found_here = _of_body(surface, body, triangles, rims.get(body), least)
        prisms += [end for end in found_here if end is not None]
        unread += [body] if body in rims and None in found_here else []
        if body not in rims and not any(found_here) and _looks_like_tube(surface, triangles):
            endless.append(body)
    return prisms, unread, endless


def _looks_like_tube(surface: Surface, triangles: Indices) -> bool:
    """Whether a body runs along one direction and is a thin ring wherever it is cut, however rough its skin."""
    axis = long_axis(surface, triangles)
    if axis is None:
        return False
    _, points, local = _stood(surface, triangles, axis)
    across, along = np.ptp(points[:, :2], axis=0).max(), np.ptp(points[:, 2])
    if along < across:
        return False
    slices = [sliced(surface, triangles, local, share * along) for share in SLICES]
    return all(
        len(loops) == 2 and polygons.contains(loops[0], loops[1][:1])[0] and _is_ring(*map(polygons.signed_area, loops))
        for loops in slices
    )


def _is_ring(outer: float, bore: float) -> bool:
    return bore > (1 - 2 * THICKEST_WALL) ** 2 * outer


def _of_body(
    surface: Surface, body: int, triangles: Indices, rim: RimSection | None, least: float
) -> list[Prism | None]:
    """The ends of a prism without a rim, None for one that cannot be read; empty for a body that is not a prism."""
    axis = rim.frame.z if rim is not None else long_axis(surface, triangles)
    if axis is None:
        return []
    base, points, local = _stood(surface, triangles, axis)
    length = float(np.ptp(points[:, 2]))
    for share in SLICES:
        loops = sliced(surface, triangles, local, share * length)
        if not 0 < len(loops) <= 2 or not _as_wide(loops[0], points):
            continue
        if len(loops) == 1 and rim is None and np.ptp(loops[0], axis=0).max() * _SLENDER > _DIAGONAL * length:
            continue
        outer, bore = fitted(loops[0]), fitted(loops[1]) if len(loops) > 1 else None
        if not _is_prism(points, outer, bore):
            continue
        if bore is not None and not is_tube(combined(outer, bore)[0]):
            bore, loops = None, loops[:1]  # a bar with a hole along it
        wanted = rim is not None or (least <= outer.outline.depth and outer.outline.width * _SLENDER < length)
        if bore is None and (rim is not None or not wanted or outer.outline.width > _SLENDER * outer.outline.depth):
            return []
        ups = (1, -1) if rim is None else (-1,)
        return [_end(surface, body, triangles, local, base, loops, outer, up) for up in ups]
    return []


def _stood(surface: Surface, triangles: Indices, axis: Floats) -> tuple[Frame, Floats, Floats]:
    """A frame in the middle of a body with z along ``axis``, and there its corners (n, 3) and triangles (m, 3, 3)."""
    vertices, place = np.unique(surface.triangles[triangles], return_inverse=True)
    points = surface.points(vertices)
    heights, middle = points @ axis, points.mean(axis=0)
    base = Frame.along(middle + axis * ((heights.min() + heights.max()) / 2 - middle @ axis), axis)
    points = base.to_local(points)
    return base, points, points[place.reshape(-1, 3)]


def fitted(loop: Floats) -> OutlineFit:
    """The outline of a slice. Where the mesh is not made of straight facets, its corners lie a little inside the
    true curve."""
    fit = fit_outline(loop)
    return fit if fit.outline.shape != "free" else fit_outline(loop, FIT_TOLERANCE * fit.outline.width / 2)


def _as_wide(loop: Floats, points: Floats) -> bool:
    """Whether a slice reaches as far out as the corners (n, 3) of its body do, which shows most bodies that are no
    prisms before their slices are fitted."""
    middle = (loop.min(axis=0) + loop.max(axis=0)) / 2
    reach, whole = (np.hypot(*(corners[:, :2] - middle).T).max() for corners in (loop, points))
    return bool(whole < _ABOUT * reach)


def _is_prism(points: Floats, outer: OutlineFit, bore: OutlineFit | None) -> bool:
    """Whether all corners (n, 3) of a body lie between the two outlines, whatever the height."""
    tolerance = _ON_OUTLINE * outer.outline.width
    for step in (_SAMPLE, 1):  # a few of them show most bodies that are none
        some = points[::step, :2]
        if _off(outer, some).max() >= tolerance or (bore is not None and _off(bore, some).min() <= -tolerance):
            return False
    return True


def _off(fit: OutlineFit, points: Floats) -> Floats:
    return off_outline(fit.outline, polygons.turned(points - fit.centre, -np.radians(fit.turn_deg)))[0]


def _end(
    surface: Surface,
    body: int,
    triangles: Indices,
    local: Floats,
    base: Frame,
    loops: list[Floats],
    outer: OutlineFit,
    up: int,
) -> Prism | None:
    """The end at the top (``up`` 1) or the bottom (-1), if it is a cope or the flat end of a bar."""
    off = np.abs(_off(outer, local[..., :2].reshape(-1, 2))).reshape(-1, 3)
    on_outline = off < _ON_OUTLINE * outer.outline.width
    side = on_outline.all(axis=1) & (np.abs(surface.normals[triangles] @ base.z) < _STEEP)
    # Where the outer wall ends: corners that it shares with what is not the outer wall.
    shared = np.isin(surface.triangles[triangles], surface.triangles[triangles[side]]) & ~side[:, None] & on_outline
    border = local[shared & (local[..., 2] * up > 0)]
    prism = end_at(body, border, base, loops, up)
    return prism if prism is not None and prism.bar != (prism.departure > 0) else None


def end_at(body: int, border: Floats, base: Frame, loops: Sequence[Floats], up: int) -> Prism | None:
    """The end at the top (``up`` 1) or the bottom (-1) of a length along z of ``base``, where its wall ends at corners
    (n, 3) of its ``border``; ``loops`` (n, 2) are its outside and its bore, of which a bar has none."""
    if len(border) < 3:
        return None
    fits = [fitted(loop * (1, up)) for loop in loops]
    middle = border.mean(axis=0)
    normal = np.linalg.svd(border - middle, full_matrices=False)[2][2]
    normal *= np.sign(normal[2]) * up or 1.0
    departure = float(np.ptp((border - middle) @ normal))
    flat = departure < LEVEL * fits[0].outline.width
    if flat and normal[2] * up < STEEPEST:
        return None
    frame = Frame.along(base.to_world(np.array([[0.0, 0.0, middle[2]]]))[0], base.z * up, base.x)
    section = combined(fits[0], fits[-1])
    # The plane passes through the border's middle, not through the frame's origin.
    normal = normal @ base.axes if flat else frame.z
    if flat:
        lift = float((base.to_world(middle[None])[0] - frame.origin) @ normal) / float(frame.z @ normal)
        frame = Frame(frame.origin + frame.z * lift, frame.axes)
    profile = placed(*section, frame, normal, loops[-1] * (1, up))
    return Prism(body, profile, 0.0 if flat else departure, len(loops) == 1)


def long_axis(surface: Surface, triangles: Indices) -> Floats | None:
    """The direction that nearly all of a body's skin runs along; None if there is none."""
    normals, areas = surface.normals[triangles], surface.areas[triangles]
    shares, directions = np.linalg.eigh((normals * areas[:, None]).T @ normals)
    if shares[0] > _MOSTLY_SIDE * shares.sum() or shares[1] <= shares[0]:
        return None
    axis = directions[:, 0]
    for limit in (0.3, 0.1, _SIDE):
        side = np.abs(normals @ axis) < limit
        if not side.any():
            return None
        axis = np.linalg.eigh((normals[side] * areas[side, None]).T @ normals[side])[1][:, 0]
    return axis


def sliced(surface: Surface, triangles: Indices, local: Floats, height: float) -> list[Floats]:
    """The loops (n, 2) in which the plane at ``height`` cuts a closed body's triangles, which ascend; the
    largest first."""
    heights = local[..., 2] - height
    above = heights > 0
    cut = np.flatnonzero(above.any(axis=1) & ~above.all(axis=1))
    ahead = above[cut][:, [1, 2, 0]]
    up, down = (~above[cut] & ahead).argmax(axis=1), (above[cut] & ~ahead).argmax(axis=1)
    low, high = heights[cut, up], heights[cut, (up + 1) % 3]
    start, end = local[cut, up, :2], local[cut, (up + 1) % 3, :2]
    points = start + (end - start) * (low / (low - high))[:, None]
    order, begins = topology.loops(np.searchsorted(triangles[cut], surface.twins[3 * triangles[cut] + down] // 3))
    # Diagonals of a flat facet meet the plane inside the true curve; the facet's own borders lie on it.
    rising = 3 * triangles[cut] + up
    border = surface.faces[rising // 3] != surface.faces[surface.twins[rising] // 3]
    loops = [points[part[border[part]]] for part in (order[a:b] for a, b in pairwise(begins.tolist()))]
    loops = [loop if polygons.signed_area(loop) > 0 else loop[::-1] for loop in loops if len(loop) >= 3]
    return sorted(loops, key=lambda loop: -polygons.signed_area(loop))
