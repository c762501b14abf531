# SPDX-License-Identifier: GPL-3.0-or-later
"""The fit in the assembly: a placed fitting against its tube and everything near it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from manifold3d import Error, Manifold, OpType

from ..fields.messages import Length, Message, Name, Volume, say
from ..geometry.frames import Floats, Frame
from ..geometry.mesh import Mesh
from .findings import Finding, Place, say_place
from .solids import solid_of

SEARCH_MM = 5.0
"""Bodies further away than this are not near."""

_LEDGE_MM = 0.25
"""The spigot's gap is taken from this far below the rim, where the shoulder no longer touches."""
_TOUCHING_MM = 5e-5
"""Volumes flatter than this over the fitting's surface are faces that touch."""


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
    """Smallest distance, for the tube that of the spigot; None if it is more than ``SEARCH_MM``."""


@dataclass(frozen=True)
class FitInPlace:
    tube: Nearby
    others: tuple[Nearby, ...]
    """Only those that are near."""
    spigot_mm: float
    """How deep the fitting reaches into the tube, along its axis from where the axis meets the rim."""
    clear_depth_mm: float | None
    findings: tuple[Finding, ...]


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
    name: str = "",
) -> FitInPlace:
    """A fitting in its place, in mm in the assembly, against its tube and other bodies.

    ``frame`` is that of the tube's end (z along the axis, out of the tube), ``rim_normal`` (3,) its rim's normal where
    it is mitred. ``others`` are bolts, welds, plates and other fittings, by their meshes' names; those that are not
    near are skipped. ``least_gap_mm`` is what the spigot has to keep from its tube and the fitting from the rest; with
    ``press`` the spigot may bite into its tube.
    """
    solid = _closed(fitting)
    if solid is None:
        finding = _not_checked(name, fitting.name or "the fitting")
        unknown = Nearby(tube.name, False)
        return FitInPlace(unknown, (), 0.0, clear_depth_mm, (finding,))
    normal = frame.z if rim_normal is None else np.asarray(rim_normal, float)
    # The kernel keeps what lies along the direction: here what is further into the tube than the ledge.
    spigot = solid.trim_by_plane((-normal).tolist(), float(_LEDGE_MM - normal @ frame.origin))
    against_tube = _against(fitting, solid, spigot, tube)
    near = [body for body in others if _near(fitting, body)]
    against_others = tuple(_against(fitting, solid, solid, body) for body in near)
    depth = float(max(-frame.to_local(fitting.vertices)[:, 2].min(), 0.0))
    findings = _tube_findings(against_tube, least_gap_mm, press, name)
    for nearby in against_others:
        findings += _other_findings(nearby, least_gap_mm, name)
    if clear_depth_mm is not None and depth > clear_depth_mm + 1e-6:
        findings.append(_depth_finding(depth, clear_depth_mm, name))
    return FitInPlace(against_tube, against_others, depth, clear_depth_mm, tuple(findings))


def _closed(mesh: Mesh) -> Manifold | None:
    """The mesh's solid, its bodies joined; None if it is not closed."""
    solid = solid_of(mesh)
    if solid.status() != Error.NoError or solid.is_empty() or mesh.volume <= 0:
        return None
    parts = solid.decompose()
    return solid if len(parts) == 1 else _joined(parts)


def _joined(parts: Sequence[Manifold]) -> Manifold:
    """Bodies as one; cavities, which the kernel gives as bodies of negative volume, stay cavities."""
    volumes = [Mesh.from_manifold(part).volume for part in parts]
    bodies = Manifold.batch_boolean(
        [part for part, volume in zip(parts, volumes, strict=True) if volume > 0], OpType.Add
    )
    for part, volume in zip(parts, volumes, strict=True):
        if volume < 0:
            inside_out = Mesh.from_manifold(part)
            bodies = bodies - Mesh(inside_out.vertices, inside_out.triangles[:, ::-1].copy()).to_manifold()
    return bodies


def _near(fitting: Mesh, body: Mesh) -> bool:
    low, high = fitting.bounds
    other_low, other_high = body.bounds
    return bool((other_low <= high + SEARCH_MM).all() and (low <= other_high + SEARCH_MM).all())


def _against(fitting: Mesh, whole: Manifold, for_gap: Manifold, body: Mesh) -> Nearby:
    other = _closed(body)
    if other is None:
        return Nearby(body.name, False)
    shared = whole ^ other
    volume = shared.volume()
    if volume <= _TOUCHING_MM * fitting.area:
        volume = 0.0
    gap = None if for_gap.is_empty() else float(for_gap.min_gap(other, SEARCH_MM))
    place: Place | None = None
    if volume:
        # Faces that touch leave flakes; the place is that of the largest part.
        largest = max(shared.decompose(), key=Manifold.volume)
        left, front, low, right, back, high = largest.bounding_box()
        place = ((left + right) / 2, (front + back) / 2, (low + high) / 2)
    return Nearby(body.name, True, float(volume), place, None if gap is None or gap >= SEARCH_MM else gap)


def _tube_findings(tube: Nearby, least_gap_mm: float, press: bool, name: str) -> list[Finding]:
    if not tube.checked:
        return [_not_checked(name, tube.name or "the tube")]
    if press:
        return []
    if tube.interference_mm3:
        advice = say("Widen the gap, or measure the bore and enter the reading.")
        return [_interference(tube, name, "its tube", advice)]
    relieve = "Widen the gap by {}, or relieve the spigot at the weld seam."
    return _close(tube, least_gap_mm, name, "The spigot", "the tube", relieve)


def _other_findings(nearby: Nearby, least_gap_mm: float, name: str) -> list[Finding]:
    if not nearby.checked:
        return [_not_checked(name, nearby.name)]
    if nearby.interference_mm3:
        advice = say("Shorten the spigot or set the crown back, or move what is in the way.")
        return [_interference(nearby, name, Name(nearby.name), advice)]
    return _close(nearby, least_gap_mm, name, "The fitting", Name(nearby.name), "Keep them {} further apart.")


def _close(nearby: Nearby, least_gap_mm: float, name: str, what: str, other: str | Name, advice: str) -> list[Finding]:
    if nearby.gap_mm is None or nearby.gap_mm >= least_gap_mm - 1e-3:
        return []
    return [
        Finding(
            fitting=name,
            check="gap in the assembly",
            severity="look at",
            meaning=say(
                "{what} comes within {gap} of {other} at one place.", what=what, gap=Length(nearby.gap_mm), other=other
            ),
            advice=say(advice, Length(least_gap_mm - nearby.gap_mm)),
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


def _depth_finding(depth: float, clear: float, name: str) -> Finding:
    return Finding(
        fitting=name,
        check="clear depth",
        severity="must fix",
        meaning=say(
            "The spigot reaches {depth} into the tube, but the tube is clear for only {clear}.",
            depth=Length(depth),
            clear=Length(clear),
        ),
        advice=say("Make the spigot at most {} long.", Length(clear)),
        value=round(depth, 3),
        limit=round(clear, 3),
        unit="mm",
        cure={"spigot_mm": round(clear, 3)},
    )


def _not_checked(name: str, other: str) -> Finding:
    return Finding(
        fitting=name,
        check="fit not checked",
        severity="good to know",
        meaning=say("The mesh of {} is not closed, so the fit to it cannot be checked.", Name(other)),
        advice=say("Close that mesh, or measure the bore."),
    )
