# SPDX-License-Identifier: GPL-3.0-or-later
"""Spigots with ribs and room for a seam on circles and rounded rectangles, lofted instead of cut by the kernel.

Every ring of the loft gets the corners of every rib and notch as points of its own. Where a rib has not begun, or a
groove goes deeper than a notch, they lie on the ring's outline, and ring points that a feature covers fall together
with its edge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..geometry.frames import Floats
from ..geometry.sections import Outline
from .contours import Contour
from .cutters import OutlinePoint
from .lofts import SHARP_MM, loft, rings
from .shells import Shell, surface_id

_OVERLAP = 1e-6
"""Radians by which features may seem to meet."""
_BESIDE = 1e-9
"""Radians by which what an edge covers comes before or after it."""


@dataclass(frozen=True, eq=False)
class Levels:
    """The rings' insets and heights (k,), from the tip to the rim, and the names of the k - 1 surfaces between."""

    insets: Floats
    heights: Floats
    names: tuple[str, ...]

    def with_height(self, z: float) -> Levels:
        """One level more, unless there is one at this height."""
        if np.abs(self.heights - z).min() < SHARP_MM:
            return self
        above = int(np.searchsorted(self.heights, z))
        low, high = self.heights[above - 1 : above + 1]
        low_inset, high_inset = self.insets[above - 1 : above + 1]
        inset = low_inset + (z - low) / (high - low) * (high_inset - low_inset)
        names = (*self.names[:above], *self.names[above - 1 :])
        return Levels(np.insert(self.insets, above, inset), np.insert(self.heights, above, z), names)

    def with_inset(self, inset: float) -> Levels:
        """A level more in every slope that passes this inset."""
        levels = self
        for low, high, z, z_next in zip(self.insets, self.insets[1:], self.heights, self.heights[1:], strict=False):
            if z_next > z and min(low, high) < inset < max(low, high):
                levels = levels.with_height(float(z + (inset - low) / (high - low) * (z_next - z)))
        return levels


@dataclass(frozen=True, eq=False)
class SideEdge:
    """The points of one side of a rib or a notch: (c, k, 2) outward of its place and aside from its middle, from
    the outline to the middle. ``covered`` (k,) is how far aside the outline is covered."""

    points: Floats
    covered: Floats
    surface: str
    shown: NDArray[np.bool_]
    """(k - 1,): between which levels its surface shows."""
    floor: float | None = None
    """How far outward ring points under it lie at most; None if they are left out."""


def on_ring(outline: Outline, insets: Floats, aside: Floats | float) -> Floats:
    """(k,): how far outward of a place the rings lie, so far aside of it, or would if they were wide enough."""
    if outline.shape == "rectangle":
        return -insets
    radius = outline.half_width
    return np.sqrt(np.maximum((radius - insets) ** 2 - np.square(aside), 0.0)) - radius


def rib_heights(bottom: float, height: float) -> Floats:
    """(3,): where a rib begins, where it is half as high as it gets and where it is whole: over twice its height, or
    half of what stands over its beginning, whose height below the rim is ``bottom``."""
    full = min(bottom + 2 * height, bottom / 2)
    return np.array([bottom, (bottom + full) / 2, full])


def rib_feet(height: float, half: float, crest: float, most: float = np.inf) -> Floats:
    """(3,): how far a foot stands aside at those heights, ``most`` at most. Up to half its height a rib has sides at
    45°: a plane that cuts a mitred spigot makes them steeper on one side, and a low rib with a sharp corner is too thin
    to print there."""
    return np.array([crest, min(max(crest + height / 2, (crest + half) / 2), most), half])


def rib_edge(
    outline: Outline, levels: Levels, height: float, half: float, crest: float, most: float, z: Floats
) -> SideEdge:
    """A rib of this height, half as wide as ``half`` at its foot and ``crest`` at its crest, with its ``rib_heights``;
    its foot stands ``most`` aside at most."""
    foot = np.interp(levels.heights, z, rib_feet(height, half, crest, most))
    begun = levels.heights > z[0]
    at_ring = on_ring(outline, levels.insets, foot)
    top = np.where(begun, np.interp(levels.heights, z[[0, 2]], [0.0, height]), on_ring(outline, levels.insets, crest))
    knee = np.where(begun, on_ring(outline, np.zeros_like(foot), foot), at_ring)
    aside = (foot, foot, np.full_like(foot, crest))
    points = np.stack([np.stack(pair, axis=1) for pair in zip((at_ring, knee, top), aside, strict=True)])
    return SideEdge(points, foot, "rib", begun[1:])


def notch_edge(outline: Outline, levels: Levels, depth: float, half: float, flare: float) -> SideEdge:
    """A notch as deep as ``depth``, half as wide as ``half`` at its floor, that opens outward by ``flare``."""
    if outline.shape == "circle":
        half = min(half, np.sqrt(depth * (2 * outline.half_width - depth)))
    insets, mouth = levels.insets, half + flare * (depth - levels.insets)
    if outline.shape == "circle":
        # Where the side, aside = shift + flare × (radius + outward), leaves the ring's circle, or comes nearest to it.
        shift, steep = half + flare * (depth - outline.half_width), 1 + flare**2
        crossed = np.maximum(steep * (outline.half_width - insets) ** 2 - shift**2, 0.0)
        mouth = (shift + flare * np.sqrt(crossed)) / steep
    mouth = np.maximum(mouth, half)
    floor = np.minimum(on_ring(outline, insets, half), -depth)
    rim = on_ring(outline, insets, mouth)
    points = np.stack([np.column_stack([rim, mouth]), np.column_stack([floor, np.full_like(floor, half)])])
    upright, shallow = np.diff(levels.heights) > 0, np.maximum(insets[1:], insets[:-1]) <= depth
    return SideEdge(points, mouth, "seam relief", upright & shallow, -depth)


def _wide_enough(outline: Outline, insets: Floats, place: OutlinePoint, edge: SideEdge) -> bool:
    """Whether every ring is so wide there that the feature stands on it, clear of the corners of a rectangle."""
    reach = edge.points[..., 1].max(axis=0)
    if outline.shape == "circle":
        return bool((reach < outline.half_width - insets - SHARP_MM).all())
    off = abs(float((place.place - outline.centre) @ place.along))
    half = float(np.array([outline.width, outline.depth]) @ np.abs(place.along)) / 2
    deep = np.maximum(outline.corner_radius, -edge.points[..., 0].min(axis=0))
    return bool((off + reach < half - deep + SHARP_MM / 2).all())


def raised(contour: Contour, levels: Levels, features: Sequence[tuple[OutlinePoint, SideEdge]]) -> Shell | None:
    """The shell through the rings, closed at the tip and open at the rim; None where features meet on one of them or
    one is too narrow for a feature, as the tip of a long lead-in is."""
    outline = contour.outline
    if not all(_wide_enough(outline, levels.insets, *feature) for feature in features):
        return None
    stack, centre = rings(outline, levels.insets, contour.facets), np.array(outline.centre)
    bands = np.array([surface_id(name) for name in levels.names])

    def angles(points: Floats) -> Floats:
        return np.arctan2(*(points - centre).T[::-1])

    def along(place: OutlinePoint, aside: Floats) -> Floats:
        out = on_ring(outline, np.zeros_like(aside), aside)
        return angles(place.placed(np.column_stack([out, aside])))

    features = sorted(features, key=lambda feature: float(along(feature[0], np.zeros(1))[0]))
    spans = []
    for place, edge in features:
        middle = float(along(place, np.zeros(1))[0])
        for sign in (-1.0, 1.0):
            side = angles(place.placed(edge.points[0] * (1.0, sign)))
            spans.append(middle + (side - middle + np.pi) % (2 * np.pi) - np.pi)
    spans.append(spans[0] + 2 * np.pi)
    if (np.diff(spans, axis=0) < -_OVERLAP).any():
        return None
    cut = (spans[-2][-1] + spans[-1][-1]) / 2  # angles are counted from between two features
    places = (angles(stack[-1]) - cut) % (2 * np.pi)
    uncovered = np.ones(len(places), bool)
    kinds = np.repeat(bands[:, None], len(places), axis=1)
    added, added_places, added_kinds = [], [], []
    for place, edge in features:
        local = (stack - place.place) @ np.stack([place.outward, place.along]).T
        near = local[-1, :, 0] > -outline.half_width
        under = near & (np.abs(local[-1, :, 1]) < edge.points[-1, 0, 1] - SHARP_MM)
        shown = np.where(edge.shown, surface_id(edge.surface), bands)
        if edge.floor is None:
            uncovered &= ~under
        else:
            local[:, under, 0] = np.minimum(local[:, under, 0], edge.floor)
            stack[:, under] = place.placed(local[:, under])
            kinds[:, under] = shown[:, None]
        aside = edge.points[:, -1, 1]
        key = (along(place, np.concatenate([-aside, aside[::-1]])) - cut) % (2 * np.pi)
        for sign, end in zip((-1.0, 1.0), key[[0, -1]], strict=True):
            side = place.placed(edge.points * (1.0, sign))
            beside = near & ~under & (local[-1, :, 1] * sign > 0)
            covered = beside & (local[..., 1] * sign < edge.covered[:, None] + SHARP_MM)
            stack = np.where(covered[..., None], side[0][:, None], stack)
            places[covered[-1]] = end + sign * _BESIDE
            added += [*side][:: -int(sign)]
        added_places.append(key)
        added_kinds += [shown] * (len(key) - 1) + [bands]
    follow = np.maximum.accumulate(np.concatenate(added_places))
    places = np.concatenate([places[uncovered], follow])
    sequence = np.argsort(places, kind="stable")
    stack = np.concatenate([stack[:, uncovered], np.stack(added, axis=1)], axis=1)[:, sequence]
    kinds = np.concatenate([kinds[:, uncovered], np.stack(added_kinds, axis=1)], axis=1)[:, sequence]
    shell = loft(stack, levels.heights, kinds, first="tip")
    single = np.ascontiguousarray((shell.vertices + 0.0).astype(np.float32))
    apart = len(np.unique(single.view(np.dtype((np.void, single.itemsize * 3))))) == len(single)
    return shell if apart else None  # corners that fall together would be one in a file
