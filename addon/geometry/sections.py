# SPDX-License-Identifier: GPL-3.0-or-later
"""Closed outlines in a plane, and the section of a tube: an outer outline and a bore outline."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from manifold3d import CrossSection, JoinType

from .frames import Floats
from .polygons import signed_area

Shape = Literal["circle", "rectangle", "obround", "ellipse", "free"]

CHORD_ERROR_MM = 0.01
"""How far a facet may lie from the true curve, at any size, unless a caller says otherwise."""


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed outline. ``width`` runs along x, ``depth`` along y, in mm; both are those of the box around it.

    ``corner_radius`` belongs to rectangles, ``points`` (n, 2), counter-clockwise, to free outlines.
    ``centre`` lies off the origin where a bore is not in the middle of its tube.
    """

    shape: Shape
    width: float
    depth: float
    corner_radius: float = 0.0
    points: Floats | None = None
    centre: tuple[float, float] = (0.0, 0.0)

    @classmethod
    def circle(cls, diameter: float) -> Outline:
        return cls("circle", diameter, diameter)

    @classmethod
    def rectangle(cls, width: float, depth: float, corner_radius: float = 0.0) -> Outline:
        return cls("rectangle", width, depth, corner_radius)

    @classmethod
    def free(cls, points: Floats) -> Outline:
        """A free outline from points (n, 2), kept where they are."""
        points = np.asarray(points, float)
        if signed_area(points) < 0:
            points = points[::-1]
        width, depth = np.ptp(points, axis=0)
        return cls("free", float(width), float(depth), points=points)

    @property
    def half_width(self) -> float:
        """Half the smaller side: how far inward an outline of this width can move."""
        return min(self.width, self.depth) / 2

    def polygon(self, facets: int | None = None, chord_error: float = CHORD_ERROR_MM) -> Floats:
        """The outline as a counter-clockwise polygon (n, 2) whose corners lie on the true curve.

        ``facets`` counts those of a whole circle; without it they follow from ``chord_error`` in mm.
        """
        if self.shape == "free":
            assert self.points is not None
            return self.points
        if self.shape in ("circle", "ellipse"):
            angles = np.linspace(0, 2 * np.pi, facets or facets_of(max(self.width, self.depth) / 2, chord_error), False)
            points = np.column_stack([np.cos(angles) * self.width / 2, np.sin(angles) * self.depth / 2])
        else:
            radius = self.half_width if self.shape == "obround" else self.corner_radius
            points = _rounded_rectangle(self.width, self.depth, radius, facets, chord_error)
        return points + self.centre

    def cross_section(self, facets: int | None = None, chord_error: float = CHORD_ERROR_MM) -> CrossSection:
        return CrossSection([self.polygon(facets, chord_error)])

    def like(self, other: Outline, within: float) -> bool:
        """Whether both are the same outline to within a length in mm; corners of free outlines are not compared,
        their box and area are."""
        sizes = [
            (self.width, other.width),
            (self.depth, other.depth),
            (self.corner_radius, other.corner_radius),
            *zip(self.centre, other.centre, strict=True),
            (self.area / (self.width + self.depth), other.area / (other.width + other.depth)),
        ]
        return self.shape == other.shape and all(abs(mine - theirs) <= within for mine, theirs in sizes)

    def offset(self, distance: float) -> Outline:
        """The outline moved outward by ``distance`` (inward where negative), exact for every shape but the
        ellipse and the free outline, which become free outlines of the true offset.

        Raises ``ValueError`` where nothing is left.
        """
        if distance <= -self.half_width + 1e-9:
            raise ValueError(
                f"an outline {min(self.width, self.depth):g} mm across has no room {-distance:g} mm inward"
            )
        if self.shape in ("ellipse", "free"):
            moved = self.cross_section().offset(distance, _join(self.shape, distance), 4.0, 256).to_polygons()
            if not moved:
                raise ValueError(f"the outline has no room {-distance:g} mm inward")
            return Outline.free(max(moved, key=signed_area))
        radius = self.corner_radius
        if self.shape == "rectangle":
            # A sharp corner stays sharp outward as inward; a rounded one keeps its centre.
            radius = max(radius + distance, 0.0) if radius else 0.0
        grown = 2 * distance
        return replace(self, width=self.width + grown, depth=self.depth + grown, corner_radius=radius)

    @property
    def area(self) -> float:
        """Area in mm², exact but for ellipses' and free outlines' facets."""
        if self.shape == "circle":
            return math.pi * self.width**2 / 4
        if self.shape == "ellipse":
            return math.pi * self.width * self.depth / 4
        if self.shape == "free":
            return signed_area(self.polygon())
        radius = self.half_width if self.shape == "obround" else self.corner_radius
        return self.width * self.depth - (4 - math.pi) * radius**2


@dataclass(frozen=True, eq=False)
class Section:
    """A tube cut square to its axis. The outer outline's box is centred on the origin, its width along x."""

    outer: Outline
    bore: Outline

    @classmethod
    def round(cls, outside: float, wall: float) -> Section:
        """Round tube from its outside diameter and wall, in mm."""
        return cls(Outline.circle(outside), Outline.circle(outside - 2 * wall))

    @classmethod
    def rectangular(cls, width: float, depth: float, wall: float, corner_radius: float | None = None) -> Section:
        """Square or rectangular tube, in mm. The outside corner is 2 x wall where it is not given
        (cold-formed hollow sections, EN 10219-2: 2.0 x wall nominal up to 6 mm wall; from memory)."""
        radius = 2.0 * wall if corner_radius is None else corner_radius
        outer = Outline.rectangle(width, depth, radius)
        return cls(outer, Outline.rectangle(width - 2 * wall, depth - 2 * wall, max(radius - wall, 0.0)))

    @property
    def kind(self) -> Literal["round", "rect", "other"]:
        shapes = {self.outer.shape, self.bore.shape}
        return "round" if shapes == {"circle"} else "rect" if shapes == {"rectangle"} else "other"

    @property
    def wall(self) -> float:
        """Nominal wall in mm: the mean over the two sides of the width."""
        return (self.outer.width - self.bore.width) / 2

    def like(self, other: Section, within: float) -> bool:
        """Whether one fitting fits both: outer outlines and bores alike to within a length in mm."""
        return self.outer.like(other.outer, within) and self.bore.like(other.bore, within)

    def with_bore(self, width: float, depth: float | None = None) -> Section:
        """This section with its bore measured: a diameter, or a width and a depth, in mm.

        The outside stays. A free bore is scaled. Raises ``ValueError`` where the bore is not inside the tube.
        """
        depth = depth if depth is not None else width * self.bore.depth / self.bore.width
        if not (0 < width < self.outer.width and 0 < depth < self.outer.depth):
            bore, tube = f"{width:g}", f"{self.outer.width:g}"
            if self.kind != "round":
                bore, tube = f"{bore} × {depth:g}", f"{tube} × {self.outer.depth:g}"
            raise ValueError(f"a bore of {bore} mm does not lie inside a tube of {tube} mm")
        if self.bore.points is not None:
            scale = np.array([width / self.bore.width, depth / self.bore.depth])
            return replace(self, bore=Outline.free(self.bore.points * scale))
        return replace(self, bore=replace(self.bore, width=width, depth=depth))


def facets_of(radius: float, chord_error: float) -> int:
    """Facets of a whole circle whose chords stay within ``chord_error`` mm of the arc: a multiple of four."""
    if radius <= chord_error:
        return 8
    return max(8, 4 * math.ceil(math.pi / math.acos(1 - chord_error / radius) / 4))


def _rounded_rectangle(width: float, depth: float, radius: float, facets: int | None, chord_error: float) -> Floats:
    if radius <= 1e-9:
        return np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * (width / 2, depth / 2)
    quarter = max(1, (facets or facets_of(radius, chord_error)) // 4)
    corners = []
    for index, (sx, sy) in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
        angles = np.linspace(0, np.pi / 2, quarter + 1) + index * np.pi / 2
        centre = (sx * (width / 2 - radius), sy * (depth / 2 - radius))
        corners.append(np.column_stack([np.cos(angles), np.sin(angles)]) * radius + centre)
    points = np.concatenate(corners)
    apart = np.linalg.norm(points - np.roll(points, 1, axis=0), axis=1) > 1e-9
    return points[apart]


def _join(shape: Shape, distance: float) -> JoinType:
    return JoinType.Round if shape == "ellipse" and distance > 0 else JoinType.Miter
