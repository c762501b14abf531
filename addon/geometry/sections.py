# SPDX-License-Identifier: GPL-3.0-or-later
"""Closed outlines in a plane, and the section of a tube: an outer outline and a bore outline."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal

import numpy as np
from manifold3d import CrossSection, JoinType

from .frames import Floats
from .polygons import contains, edge_lengths, least_width, nearest, signed_area

OutlineShape = Literal["circle", "rectangle", "obround", "ellipse", "free"]

_FACETS = 360
"""Of an ellipse, for distances."""
CHORD_ERROR_MM = 0.01
"""How far a facet may lie from the true curve, at any size, unless a caller says otherwise."""


@dataclass(frozen=True)
class Reading:
    """Where calipers are put on an outline. ``across_deg`` is the direction from jaw to jaw, counter-clockwise from
    the outline's x."""

    name: str
    across_deg: float

    @property
    def where(self) -> str:
        """With the direction, if the name does not give it: ``"least width, flat to flat, at 90° to the width"``."""
        turned = f", at {self.across_deg:.0f}° to the width" if self.name.startswith("least") else ""
        return f"{self.name}{turned}"


@dataclass(frozen=True, eq=False)
class Outline:
    """A closed outline. ``width`` runs along x, ``depth`` along y, in mm; both are those of the box around it.

    ``corner_radius`` belongs to rectangles, ``points`` (n, 2), counter-clockwise, to free outlines.
    ``centre`` lies off the origin where a bore is not in the middle of its tube.
    """

    shape: OutlineShape
    width: float
    depth: float
    corner_radius: float = 0.0
    points: Floats | None = None
    centre: tuple[float, float] = (0.0, 0.0)

    @classmethod
    def circle(cls, diameter: float, centre: tuple[float, float] = (0.0, 0.0)) -> Outline:
        return cls("circle", diameter, diameter, centre=centre)

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

    @property
    def key(self) -> tuple[object, ...]:
        """All that the outline is, to be compared and hashed."""
        points = None if self.points is None else self.points.tobytes()
        return (self.shape, self.width, self.depth, self.corner_radius, self.centre, points)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Outline) and self.key == other.key

    def __hash__(self) -> int:
        return hash(self.key)

    @property
    def rounding(self) -> float:
        """Radius of the corners of a rounded rectangle, which a circle and an obround are too."""
        return self.half_width if self.shape in ("circle", "obround") else self.corner_radius

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        """What calipers measure it by: a diameter, a width and a depth, or the least width of a free outline."""
        if self.points is not None:
            across, sides = least_width(self.points)
            return (Reading(f"least width, {sides}", across),)
        if self.shape == "circle":
            return (Reading("diameter", 0.0),)
        return Reading("width", 0.0), Reading("depth", 90.0)

    def across(self, degrees: float) -> float:
        """The width in mm along a direction, counter-clockwise from x."""
        if self.shape == "circle":
            return self.width
        if degrees in (0.0, 90.0):
            return self.depth if degrees else self.width
        return float(np.ptp(self.polygon() @ (math.cos(math.radians(degrees)), math.sin(math.radians(degrees)))))

    def per_inset(self, reading: Reading) -> float:
        """How much that width loses for each mm that the outline moves inward: 2 between flats, more into a corner."""
        if self.points is None:
            return 2.0
        inset = self.half_width / 100
        return round((self.across(reading.across_deg) - self.offset(-inset).across(reading.across_deg)) / inset, 3)

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
            points = _rounded_rectangle(self.width, self.depth, self.rounding, facets, chord_error)
        return points + self.centre

    def cross_section(self, facets: int | None = None, chord_error: float = CHORD_ERROR_MM) -> CrossSection:
        return CrossSection([self.polygon(facets, chord_error)])

    def like(self, other: Outline, within: float) -> bool:
        """Whether both are the same outline to within a length in mm; corners of free outlines are not compared,
        their box and area are."""
        return (
            self.shape == other.shape
            and abs(self.width - other.width) <= within
            and abs(self.depth - other.depth) <= within
            and abs(self.corner_radius - other.corner_radius) <= within
            and all(abs(mine - theirs) <= within for mine, theirs in zip(self.centre, other.centre, strict=True))
            and abs(self.area / (self.width + self.depth) - other.area / (other.width + other.depth)) <= within
        )

    def offset(self, distance: float) -> Outline:
        """The outline moved outward by ``distance`` (inward where negative), exact for every shape but the
        ellipse and the free outline, which become free outlines of the true offset.

        Raises ``ValueError`` if nothing is left.
        """
        if distance <= -self.half_width + 1e-9:
            raise ValueError("the outline has no room that far inward")
        if self.shape in ("ellipse", "free"):
            moved = self.cross_section().offset(distance, _join(self.shape, distance), 4.0, 256).to_polygons()
            if not moved:
                raise ValueError("the outline has no room that far inward")
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
        if self.shape == "ellipse":
            return math.pi * self.width * self.depth / 4
        if self.shape == "free":
            return signed_area(self.polygon())
        return self.width * self.depth - (4 - math.pi) * self.rounding**2

    @cached_property
    def length(self) -> float:
        """Way around in mm, exact but for ellipses' and free outlines' facets."""
        if self.shape in ("ellipse", "free"):
            return float(edge_lengths(self.polygon()).sum())
        return 2 * (self.width + self.depth) - (8 - 2 * math.pi) * self.rounding


@dataclass(frozen=True)
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

    @cached_property
    def wall(self) -> float:
        """The smallest distance between the two outlines in mm, to 0.02 % of an ellipse's size; 0 if the bore does
        not lie inside."""
        outer, bore = self.outer, self.bore
        if {"ellipse", "free"} & {outer.shape, bore.shape}:
            outside, inside = outer.polygon(_FACETS), bore.polygon(_FACETS)
            if not contains(outside, inside).all():
                return 0.0
            return float(min(nearest(outside, inside)[0].min(), nearest(inside, outside)[0].min()))
        right, up = abs(bore.centre[0] - outer.centre[0]), abs(bore.centre[1] - outer.centre[1])
        across, along = (outer.width - bore.width) / 2 - right, (outer.depth - bore.depth) / 2 - up
        # How far the centre of the bore's nearest corner lies past that of the outside's.
        tighter = outer.rounding - bore.rounding
        past = tighter - across, tighter - along
        corner = tighter - math.hypot(*past) if min(past) > 0 else math.inf
        return max(float(min(across, along, corner)), 0.0)

    @property
    def walls(self) -> tuple[float, float]:
        """Nominal wall in mm across the width and across the depth, each the mean over its two sides; for sections
        that are neither round nor rectangular both are the least wall."""
        if self.kind == "other":
            return self.wall, self.wall
        return (self.outer.width - self.bore.width) / 2, (self.outer.depth - self.bore.depth) / 2

    def like(self, other: Section, within: float) -> bool:
        """Whether one fitting fits both: outer outlines and bores alike to within a length in mm."""
        return self.outer.like(other.outer, within) and self.bore.like(other.bore, within)

    def with_bore(self, width: float | None, depth: float | None = None) -> Section:
        """This section with its bore measured, in mm, as ``Outline.readings`` has it: a width and a depth, a diameter,
        or the least width of a free bore, which is scaled by it. A side that was not read keeps its proportion to the
        other. The outside stays.

        Raises ``ValueError`` if the bore is not inside the tube, or if one of two readings has no use.
        """
        bore = self.bore
        if width is None:
            if depth is None:
                raise ValueError("the bore has no reading; measure it")
            width = depth * bore.width / bore.depth
        if bore.points is not None:
            if depth is not None and depth != width:
                raise ValueError(f"calipers read one width of this bore, its {bore.readings[0].where}; leave the other")
            scale = width / bore.across(bore.readings[0].across_deg)
            measured = replace(self, bore=Outline.free(bore.points * scale))
        elif bore.shape == "circle":
            width = depth = min(width, depth or width)
            measured = replace(self, bore=Outline.circle(width, bore.centre))
        else:
            depth = depth if depth is not None else width * bore.depth / bore.width
            measured = replace(self, bore=replace(bore, width=width, depth=depth))
        if not (width > 0 and measured.wall > 0):
            raise ValueError("such a bore does not lie inside the tube")
        return measured


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


def _join(shape: OutlineShape, distance: float) -> JoinType:
    return JoinType.Round if shape == "ellipse" and distance > 0 else JoinType.Miter
