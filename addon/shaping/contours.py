# SPDX-License-Identifier: GPL-3.0-or-later
"""Outlines that a crown or a spigot stands on: how far they can move inward, and profiles raised over them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from manifold3d import CrossSection, JoinType

from ..geometry.frames import Floats
from ..geometry.polygons import edge_lengths, signed_area
from ..geometry.sections import CHORD_ERROR_MM, Outline, facets_of
from .lofts import SHARP_MM, has_rings, loft, rings
from .roofs import Roof, is_convex, raised, roof
from .shells import SHORTEST, Shell, bridged, walled

LEAST_FACETS = 128
"""Of a whole circle if no count is given, a quarter of it for a profile: even the smallest cap then has its volume
right to 0.1 %."""

_SPIKE_MM = 0.02
"""Half the width below which a feature is taken for an error of drawing."""


@dataclass(frozen=True)
class Fineness:
    """How finely curves are cut: a count of facets of a whole circle, or a chord error in mm."""

    facets: int | None
    chord_error: float

    @classmethod
    def of(cls, facets: int | None, chord_error: float = CHORD_ERROR_MM) -> Fineness:
        """As fine as ``chord_error`` asks for, or for a preview with about so many ``facets``."""
        return cls(None if facets is None else max(8, 4 * round(facets / 4)), chord_error)

    def around(self, radius: float, least: int = LEAST_FACETS) -> int:
        """Facets of a whole circle of this radius. Of the chord error one half goes to the outline, the other to the
        profile, since both push a facet's middle inward."""
        return self.facets or max(least, facets_of(radius, self.chord_error / 2))

    def beside(self, radius: float) -> Fineness:
        """For smaller circles in one of this radius: a count of facets is the larger one's, and its chord error theirs
        too."""
        if not self.facets:
            return self
        return Fineness(None, 2 * radius * (1 - math.cos(math.pi / self.facets)))

    def steps(self, radius: float, sweep: float = math.pi / 2, least: int = LEAST_FACETS // 4) -> int:
        """Steps along an arc of a profile that turns by ``sweep`` radians."""
        steps = math.ceil(self.around(radius, 8) * sweep / (2 * math.pi) - 1e-9)
        return max(steps, 1 if self.facets else least)


@dataclass(frozen=True, eq=False)
class Contour:
    outline: Outline
    fineness: Fineness

    @cached_property
    def facets(self) -> int:
        shape, outline = self.outline.shape, self.outline
        if shape == "rectangle":
            return self.fineness.beside(outline.half_width).around(outline.corner_radius, least=8)
        return self.fineness.around(max(outline.width, outline.depth) / 2 if shape == "ellipse" else outline.half_width)

    @cached_property
    def polygon(self) -> Floats:
        """(n, 2), counter-clockwise. Free outlines lose their crossings and redundant points.

        Raises ``ValueError`` for points that are not numbers or enclose nothing.
        """
        polygon = self.outline.polygon(self.facets)
        if self.outline.shape != "free":
            return polygon
        if not np.isfinite(polygon).all():
            raise ValueError("a corner of the outline is not a number")
        # Of the outline's half of the chord error one half goes here, the other is the file's own.
        cleaned = CrossSection([polygon]).simplify(self.fineness.chord_error / 4).to_polygons()
        if not cleaned:
            raise ValueError("the outline encloses nothing")
        return max(cleaned, key=signed_area)

    @cached_property
    def convex(self) -> bool:
        return has_rings(self.outline) or is_convex(self.polygon)

    @property
    def has_spikes(self) -> bool:
        """Whether the outline is noticeably shorter without its spikes, or without its slits."""
        length = edge_lengths(self.polygon).sum()
        for inward in (-_SPIKE_MM, _SPIKE_MM):
            plain = self.grown(inward).offset(-inward, JoinType.Miter, 4.0).to_polygons()
            if sum(edge_lengths(np.asarray(loop)).sum() for loop in plain) < 0.98 * length:
                return True
        return False

    @property
    def reach(self) -> float:
        """How far the outline can move inward, in mm, its corners mitred."""
        return self._deepest[0]

    @property
    def deepest(self) -> Floats:
        """(2,): the point that is farthest inside."""
        return self._deepest[1]

    @cached_property
    def _deepest(self) -> tuple[float, Floats]:
        if self.outline.shape == "free":
            return self.roof.reach, self.roof.deepest
        return self.outline.half_width, np.array(self.outline.centre)

    def moved(self, distance: float) -> Contour:
        """The outline moved outward, or inward where negative. Raises ``ValueError`` if nothing is left."""
        if distance == 0:
            return self
        outline = self.outline
        if outline.shape == "ellipse":
            outline = Outline.free(self.polygon)
        return Contour(outline.offset(distance), self.fineness)

    def grown(self, distance: float) -> CrossSection:
        """The facetted outline moved outward, or inward where negative, all of what is left."""
        return CrossSection([self.polygon]).offset(distance, JoinType.Miter, 4.0)

    def stretched(self, degrees: float, towards: float) -> Contour:
        """The outline as a plane that leans by ``degrees`` towards an angle cuts it, seen square to that plane."""
        if degrees == 0:
            return self
        outline = self.outline
        if outline.shape == "circle" and towards % 90 == 0 and not any(outline.centre):
            sides = outline.width / math.cos(math.radians(degrees)), outline.width
            return Contour(Outline("ellipse", *(sides if towards % 180 == 0 else sides[::-1])), self.fineness)
        finer = Fineness(self.fineness.facets, self.fineness.chord_error * math.cos(math.radians(degrees)))
        return Contour(Outline.free(Contour(outline, finer).polygon @ stretch(degrees, towards)), self.fineness)

    def raised(self, profile: Floats, upright: str, slope: str, top: str | None) -> Shell:
        """The shell of a profile raised over the outline, open at its foot, z = 0: see ``roofs.raised``."""
        profile = _without_short_steps(profile, least_step(self.outline, float(profile[-1, 1])))
        if not has_rings(self.outline):
            if top is None or profile[-1, 0] > profile[-2, 0] or len(profile) == 2:
                return raised(self.roof, self._fitted(profile), upright, slope, top)
            shell = walled(raised(self.roof, profile[:-1], upright, slope, None), profile[-1, 1], slope, keep=1)
            return bridged(shell, shell.vertices[:, :2], top, keep=1)
        insets, heights = self._with_corner(profile).T
        names = [upright if step == 0 else slope for step in np.diff(insets)]
        return loft(rings(self.outline, insets, self.facets), heights, names, last=top)

    @cached_property
    def roof(self) -> Roof:
        """See ``roofs.roof``."""
        return roof(self.polygon)

    def _fitted(self, profile: Floats) -> Floats:
        """A profile that goes all the way in, made to end where the facetted outline's own middle lies."""
        if profile[-1, 0] < self.reach - 1e-4:
            return profile
        return profile * (self.roof.reach / profile[-1, 0], 1.0)

    def _with_corner(self, profile: Floats) -> Floats:
        """The profile with a level where rounded corners have shrunk to sharp ones."""
        radius = self.outline.rounding
        insets, heights = profile.T
        if radius >= insets[-1] or (np.abs(insets - radius) < SHARP_MM).any():
            return profile
        where = int(np.searchsorted(insets, radius))
        return np.insert(profile, where, (radius, np.interp(radius, insets, heights)), axis=0)


def least_step(outline: Outline, height: float) -> float:
    """The shortest step of a profile, in mm, that the solid over an outline still holds."""
    return SHORTEST * max(outline.width, outline.depth, height)


def _without_short_steps(profile: Floats, least: float) -> Floats:
    """The profile without points that are nearer than ``least`` to the one before or to the last."""
    points = [profile[0]]
    for point in profile[1:-1]:
        if math.dist(points[-1], point) >= least <= math.dist(point, profile[-1]):
            points.append(point)
    return np.array([*points, profile[-1]])


def stretch(degrees: float, towards: float) -> Floats:
    """(2, 2), symmetric: section square to the axis to section in the leaning plane, turned upright."""
    angle = math.radians(towards)
    along = np.array([math.cos(angle), math.sin(angle)])
    return np.eye(2) + (1 / math.cos(math.radians(degrees)) - 1) * np.outer(along, along)
