# SPDX-License-Identifier: GPL-3.0-or-later
"""The fit in the assembly: a placed fitting against its tube and everything near it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from manifold3d import CrossSection, Manifold

from ..fields.messages import FieldName, Length, Message, Name, Volume, say
from ..geometry.frames import Floats, Frame
from ..geometry.mesh import Mesh
from ..geometry.polygons import outward_normals
from .findings import Finding, Place, say_place
from .solids import closed_solid

SEARCH_MM = 5.0
"""Bodies further away than this are not near."""

_LEDGE_MM = 0.25
"""The gap to the tube is taken from this far below the rim, where a ledge on the rim no longer touches."""
_TOUCHING_MM = 5e-5
"""Volumes flatter than this over the fitting's surface are faces that touch."""
_CONTACT_MM = 0.01
"""Parts of what is shared that are no thicker are faces that touch, too: places are rounded to hundredths of a
millimetre, files hold few digits, and neither saw nor printer holds so little."""
_LIP_STEP_MM = 0.05
"""To which a lip is made smaller."""
_AS_GOOD_MM = 1e-3
"""A gap that is short by less than this will do, and a rim that stands proud by less lies level."""


@dataclass(frozen=True)
class Nearby:
    """The fitting against one body."""

    name: str
    checked: bool
    """False if the body's mesh is not closed, so that nothing can be said."""
    interference_mm3: float = 0.0
    place_mm: Place | None = None
    """Middle of the interference's largest part, in the assembly."""
    gap_mm: float | None = None
    """Smallest distance, for the tube that of what is inside it; None if it is more than ``SEARCH_MM``."""

    def short_of(self, least_gap_mm: float) -> float:
        """By how much the gap falls short."""
        return least_gap_mm - (self.gap_mm or 0.0)


@dataclass(frozen=True, eq=False)
class PlacedBody:
    """A body of the assembly, whose solid is made when it is first asked for."""

    mesh: Mesh

    @cached_property
    def solid(self) -> Manifold | None:
        """None if the mesh is not closed."""
        return closed_solid(self.mesh)


@dataclass(frozen=True)
class FitInPlace:
    tube: Nearby
    others: tuple[Nearby, ...]
    """Only those that are near."""
    inside_mm: float
    """How deep the fitting reaches into the tube, along its axis below the rim's plane."""
    clear_depth_mm: float | None
    findings: tuple[Finding, ...]


@dataclass(frozen=True, eq=False)
class Trial:
    """A fitting to be tried in one tube after another; ``mesh`` and ``rim_normal`` (3,) lie in the frame of the tube's
    end, z along the axis and out of the tube, or the mesh alone in that of a site of another kind. Other numbers as in
    ``review_fit``."""

    mesh: Mesh
    rim_normal: Floats = field(default_factory=lambda: np.array([0.0, 0.0, 1.0]))
    least_gap_mm: float = 0.0
    press: bool = False
    depth_key: str = ""
    name: str = ""
    lip: FieldName | None = None
    """The recipe's number for how far it stands out past the tube, as it is set; None if it has none."""
    rigid: Callable[[], Mesh] | None = None
    """Makes the mesh without what is crushed as it goes in, when something comes so near that it matters."""
    outline: Floats | None = None
    """(k, 2): around the part inside, without what is crushed; without it around all that the mesh has there."""

    @cached_property
    def solid(self) -> Manifold | None:
        """What does not give; None if its mesh is not closed."""
        return closed_solid(self.rigid() if self.rigid else self.mesh)

    @cached_property
    def depth_mm(self) -> float:
        """How deep it reaches into the tube, along the axis below the rim's plane."""
        above = self.mesh.vertices @ self.rim_normal / self.rim_normal[2]
        return float(max(-above.min(), 0.0))

    def at(
        self, frame: Frame, tube: Mesh, others: Sequence[Mesh] = (), clear_depth_mm: float | None = None
    ) -> FitInPlace:
        """At the end with this frame in the assembly. Bodies that are not near are skipped."""
        if self.solid is None:
            return FitInPlace(Nearby(tube.name, False), (), 0.0, clear_depth_mm, (self._unknown,))
        against_tube = self._against(self._inside, frame, PlacedBody(tube))
        near = [PlacedBody(body) for body in others if self._near(frame, body)]
        against_others = tuple(self._against(self.solid, frame, body) for body in near)
        findings = _tube_findings(against_tube, self.least_gap_mm, self.press, self.name)
        for nearby in against_others:
            findings += _other_findings(nearby, self.least_gap_mm, self.name, self.lip)
        findings += self.depth_findings(clear_depth_mm)
        return FitInPlace(against_tube, against_others, self.depth_mm, clear_depth_mm, tuple(findings))

    def met(
        self, frame: Frame, tube: PlacedBody, others: Sequence[PlacedBody] = (), clear_depth_mm: float | None = None
    ) -> list[Finding]:
        """What ``at`` finds, in a hundredth of the time where nothing comes near enough to be found."""
        near = [body for body in others if self._near(frame, body.mesh)]
        clear = self.clears(frame, tube.mesh)
        findings: list[Finding] = []
        if (near or not clear) and self.solid is None:
            return [self._unknown]
        if not clear or (near and tube.solid is None):
            against = self._against(self._inside, frame, tube, self.least_gap_mm)
            findings += _tube_findings(against, self.least_gap_mm, self.press, self.name)
        for body in near:
            against = self._against(self.solid, frame, body, self.least_gap_mm)
            findings += _other_findings(against, self.least_gap_mm, self.name, self.lip)
        return findings + self.depth_findings(clear_depth_mm)

    def clashes(self, frame: Frame, bodies: Sequence[PlacedBody]) -> list[Finding]:
        """What it shares with bodies at a site with this frame, those that it goes into or over among them."""
        if self.solid is None:
            return [self._unknown]
        findings = []
        for body in (body for body in bodies if self._near(frame, body.mesh)):
            nearby, name = self._against(Manifold(), frame, body, 0.0), body.mesh.name
            if not nearby.checked:
                findings.append(_not_checked(self.name, name))
            elif nearby.interference_mm3:
                advice = say("Make the fitting smaller there, or move what is in the way.")
                findings.append(_interference(nearby, self.name, Name(name), advice))
        return findings

    @property
    def _unknown(self) -> Finding:
        return _not_checked(self.name, self.mesh.name or "the fitting")

    def depth_findings(self, clear_depth_mm: float | None) -> list[Finding]:
        if clear_depth_mm is None or self.depth_mm <= clear_depth_mm + 1e-6:
            return []
        return [_depth_finding(self.depth_mm, clear_depth_mm, self.depth_key, self.name)]

    def clears(self, frame: Frame, tube: Mesh) -> bool:
        """Whether the tube surely keeps its distance: no part of it stands above the rim beside the fitting, and each
        of its triangles lies beyond some side of the part inside. A hundredth of the time that ``at`` takes; where it
        says no, ``at`` knows."""
        directions, reach = self._sides
        points = frame.to_local(tube.vertices)
        low, high = self.mesh.bounds
        first, second, third = (points[corner] for corner in tube.triangles.T)
        beside = np.minimum(np.minimum(first, second), third) <= high + self.least_gap_mm
        beside &= np.maximum(np.maximum(first, second), third) >= low - self.least_gap_mm
        triangles = tube.triangles[beside.all(axis=1)]
        used = np.zeros(len(points), bool)
        used[triangles] = True
        points, triangles = points[used], (np.cumsum(used) - 1)[triangles]
        if (points @ self.rim_normal > _AS_GOOD_MM).any():
            return False
        beyond = points[:, :2] @ directions.T >= reach + max(self.least_gap_mm - _AS_GOOD_MM, 0.0)
        first, second, third = (beyond[corner] for corner in triangles.T)
        return bool((first & second & third).any(axis=1).all())

    @cached_property
    def _inside(self) -> Manifold:
        """What is further into the tube than the ledge."""
        assert self.solid is not None
        # The kernel keeps what lies along the direction.
        return self.solid.trim_by_plane((-self.rim_normal).tolist(), _LEDGE_MM)

    @cached_property
    def _sides(self) -> tuple[Floats, Floats]:
        """Directions (k, 2) square to the sides of the part inside, and how far it reaches along each (k,)."""
        inside = self.outline
        if inside is None:
            inside = self.mesh.vertices[self.mesh.vertices @ self.rim_normal < -_TOUCHING_MM][:, :2]
        hull = np.asarray(CrossSection.hull_points(inside.tolist()).to_polygons()[0])
        directions = outward_normals(hull)
        return directions, (hull @ directions.T).max(axis=0)

    def _near(self, frame: Frame, body: Mesh) -> bool:
        points = frame.to_local(body.vertices)
        low, high = self.mesh.bounds
        return bool((points.min(axis=0) <= high + SEARCH_MM).all() and (low <= points.max(axis=0) + SEARCH_MM).all())

    def _against(self, for_gap: Manifold, frame: Frame, body: PlacedBody, search_mm: float = SEARCH_MM) -> Nearby:
        if body.solid is None or self.solid is None:
            return Nearby(body.mesh.name, False)
        # The kernel is several times quicker where sides lie along the axes, as a fitting's do in its own frame, and
        # many times where long bodies end a little beyond the other.
        low, high = self.mesh.bounds + (search_mm + _AS_GOOD_MM) * np.array([[-1.0], [1.0]])
        room = Manifold.cube(high - low).translate(low)
        other = body.solid.transform(np.column_stack([frame.axes, -frame.axes @ frame.origin])) ^ room
        if other.is_empty():
            return Nearby(body.mesh.name, True)
        gap = None if for_gap.is_empty() else float(for_gap.min_gap(other, search_mm))
        gap = None if gap is None or gap >= search_mm else gap
        shared = self.solid ^ other
        volume = shared.volume()
        if volume <= _TOUCHING_MM * self.mesh.area:
            return Nearby(body.mesh.name, True, gap_mm=gap)
        # Faces that touch leave flakes; the place is that of the largest part.
        parts = [part for part in shared.decompose() if 2 * part.volume() > _CONTACT_MM * part.surface_area()]
        if not parts:
            return Nearby(body.mesh.name, True, gap_mm=gap)
        box = max(parts, key=Manifold.volume).bounding_box()
        place = _place(frame.to_world(np.add(box[:3], box[3:]) / 2))
        return Nearby(body.mesh.name, True, float(sum(part.volume() for part in parts)), place, gap)


def _place(point: Floats) -> Place:
    x, y, z = point.tolist()
    return x, y, z


def review_fit(
    fitting: Mesh,
    tube: Mesh,
    frame: Frame,
    *,
    rim_normal: Floats | None = None,
    others: Sequence[Mesh] = (),
    clear_depth_mm: float | None = None,
    least_gap_mm: float = 0.0,
    press: bool = False,
    depth_key: str = "",
    name: str = "",
) -> FitInPlace:
    """A fitting in its place, in mm in the assembly, against its tube and other bodies.

    ``frame`` is that of the tube's end (z along the axis, out of the tube), ``rim_normal`` (3,) its rim's normal where
    it is mitred. ``others`` are bolts, welds, plates and other fittings, by their meshes' names; those that are not
    near are skipped. ``least_gap_mm`` is what the part inside has to keep from its tube and the fitting from the
    rest; with ``press`` it may bite into its tube. ``depth_key`` is the recipe's number for how deep it reaches.
    """
    normal = frame.axes @ (frame.z if rim_normal is None else np.asarray(rim_normal, float))
    mesh = Mesh(frame.to_local(fitting.vertices), fitting.triangles, fitting.name)
    return Trial(mesh, normal, least_gap_mm, press, depth_key, name).at(frame, tube, others, clear_depth_mm)


def _tube_findings(tube: Nearby, least_gap_mm: float, press: bool, name: str) -> list[Finding]:
    if not tube.checked:
        return [_not_checked(name, tube.name or "the tube")]
    if press:
        return []
    if tube.interference_mm3:
        advice = say("Widen the gap, or measure the bore and enter the reading.")
        return [_interference(tube, name, "its tube", advice)]
    advice = say("Widen the gap by {}, or relieve it at the weld seam.", Length(tube.short_of(least_gap_mm)))
    return _close(tube, least_gap_mm, name, "The part inside", "the tube", advice)


def _other_findings(nearby: Nearby, least_gap_mm: float, name: str, lip: FieldName | None) -> list[Finding]:
    if not nearby.checked:
        return [_not_checked(name, nearby.name)]
    if nearby.interference_mm3:
        advice = say("Shorten the part inside or set the rest back, or move what is in the way.")
        return [_interference(nearby, name, Name(nearby.name), advice)]
    short = nearby.short_of(least_gap_mm)
    advice = say("Keep them {} further apart.", Length(short))
    if lip:
        smaller = round(float(lip.to or 0.0) - math.ceil(short / _LIP_STEP_MM - 1e-6) * _LIP_STEP_MM, 2)
        advice = say("Trim the fitting there by {}.", Length(short))
        if smaller >= 0:
            advice = say("Set {}, or trim the fitting there by {}.", replace(lip, to=smaller), Length(short))
    return _close(nearby, least_gap_mm, name, "The fitting", Name(nearby.name), advice)


def _close(
    nearby: Nearby, least_gap_mm: float, name: str, what: str, other: str | Name, advice: Message
) -> list[Finding]:
    if nearby.gap_mm is None or nearby.gap_mm >= least_gap_mm - _AS_GOOD_MM:
        return []
    return [
        Finding(
            fitting=name,
            check="gap in the assembly",
            severity="look at",
            meaning=say(
                "{what} comes within {gap} of {other} at one place.", what=what, gap=Length(nearby.gap_mm), other=other
            ),
            advice=advice,
            value=round(nearby.gap_mm, 3),
            limit=least_gap_mm,
            unit="mm",
        )
    ]


def _interference(nearby: Nearby, name: str, other: str | Name, advice: Message) -> Finding:
    return Finding(
        fitting=name,
        check="interference",
        severity="must fix",
        meaning=say(
            "The fitting and {other} take up the same {interference}.",
            other=other,
            interference=Volume(nearby.interference_mm3),
        ),
        advice=advice,
        value=round(nearby.interference_mm3, 3),
        limit=0.0,
        unit="mm³",
        where=say("{} in the assembly", say_place(nearby.place_mm or (0.0, 0.0, 0.0))),
        position_mm=nearby.place_mm,
    )


def _depth_finding(depth: float, clear: float, depth_key: str, name: str) -> Finding:
    return Finding(
        fitting=name,
        check="clear depth",
        severity="must fix",
        meaning=say(
            "The fitting reaches {depth} into the tube, but the tube is clear for only {clear}.",
            depth=Length(depth),
            clear=Length(clear),
        ),
        advice=say("Make the part inside at most {} long.", Length(clear)),
        value=round(depth, 3),
        limit=round(clear, 3),
        unit="mm",
        cure={depth_key: round(clear, 3)} if depth_key else {},
    )


def _not_checked(name: str, other: str) -> Finding:
    return Finding(
        fitting=name,
        check="fit not checked",
        severity="good to know",
        meaning=say("The mesh of {} is not closed, so the fit to it cannot be checked.", Name(other)),
        advice=say("Close that mesh, or measure the bore."),
    )
