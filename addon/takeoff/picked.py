# SPDX-License-Identifier: GPL-3.0-or-later
"""A tube end from a rim that was picked by hand, where nothing but the rim is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import MISSING, dataclass

import numpy as np

from ..fields.declared import declared
from ..fields.messages import Length, Message, say
from ..geometry import polygons
from ..geometry.frames import Floats, Frame
from ..geometry.outline_fit import fit_outlines
from ..geometry.sections import Outline, Section
from ..geometry.topology import vector_areas
from .ends import TubeEnd
from .rim_sections import combined, placed

FLAT_SHARE = 0.002
"""How far a rim's corners may lie off its plane, as a share of its size."""
CLEAR_WIDTHS = 2.0
"""How deep the bore counts as clear, in widths of the tube."""
MOST_MITRE_DEG = 66.0
"""Edges that lean more from the rim's normal do not run along the tube."""
_AGREE_DEG = 0.1
_FARTHEST_MM = 1e7
"""From the origin; single precision resolves millimetres up to there."""
_LEAST_AREA = 1e-4
"""Of the square of its size, that a rim encloses."""
_TOUCHING = 1e-6
"""Edges this near to each other, as a share of the rim's size, touch."""
_DIGITS, _AXIS_DIGITS = 9, 12
"""Decimals of a rim's mm and of its axis, so that a job file has the very numbers that were read."""

Point = tuple[float, float, float]


class PickError(ValueError):
    """Why the selection is not a tube end, and what to pick."""


@dataclass(frozen=True)
class PickedEnd:
    """What was picked of a tube: corners in order along its rim, in mm in the world."""

    rim_mm: tuple[Point, ...] = declared(
        MISSING, meaning="corners along the outside of the rim, in order and in one plane"
    )
    bore_mm: tuple[Point, ...] = declared((), meaning="corners along the bore, in the same plane")
    axis: Point | None = declared(
        None, automatic="by the rim",
        meaning="direction along the tube, pointing out of it. Without it the cut is square, and the corners of "
        "`rim_mm` run counter-clockwise as seen from outside the tube",
    )  # fmt: skip
    wall_mm: float | None = declared(None, meaning="the tube's wall, if there is no `bore_mm`", least=0.05, most=200.0)
    source: str = declared(
        "", meaning="name of the tube. If the assembly has a body of that name, the fitting is tried in it"
    )

    @classmethod
    def of_mesh(cls, source: str, loops: Sequence[Floats], sides: Floats, wall_mm: float) -> PickedEnd:
        """From the rim's outside, and its bore where that was picked too, in any order, each (n, 3) in mm, and from the
        edges (m, 3) that leave the rim into the tube. ``wall_mm`` counts if there is no bore."""
        drawn = sorted(loops, key=_size, reverse=True)
        axis = _axis(np.reshape(sides, (-1, 3)), _normal(drawn[0]))
        return cls(
            rim_mm=_points(drawn[0], _DIGITS),
            bore_mm=_points(drawn[1], _DIGITS) if len(drawn) > 1 else (),
            axis=None if axis is None else _points(axis[None], _AXIS_DIGITS)[0],
            wall_mm=wall_mm if len(drawn) == 1 else None,
            source=source,
        )

    def tube_end(self) -> TubeEnd:
        """The open end that the rim outlines, as ``take_off`` gives it. Raises ``PickError``."""
        drawn = [np.array(loop, float) for loop in (self.rim_mm, self.bore_mm) if loop]
        if not drawn or min(map(len, drawn)) < 3:
            raise PickError("A rim has at least three corners. Take those of its outside in order, and of its bore")
        if max(float(np.abs(loop).max()) for loop in drawn) > _FARTHEST_MM:
            raise PickError("The rim lies more than 10 km from the origin. Check the unit")
        middle, size, normal = drawn[0].mean(axis=0), _size(drawn[0]), _normal(drawn[0])
        off = max(float(np.abs((loop - middle) @ normal).max()) for loop in drawn)
        if off > FLAT_SHARE * size:
            raise PickError(
                say("The rim is not flat: corners lie up to {} off a plane. Take one rim only", Length(off))
            )
        base = Frame.along(middle, self._axis_for(normal))
        flat = [base.to_local(loop)[:, :2] for loop in drawn]
        _check_outlines(drawn, flat)
        # Meshes hold their coordinates in single precision.
        noise = 2 * float(np.spacing(np.float32(np.abs(drawn[0]).max())))
        fits = fit_outlines(flat, noise)
        section, centre, turn = combined(fits[0], fits[-1])
        if len(drawn) == 1:
            section = Section(section.outer, self._bore_of(section.outer))
        if not section.wall > 0 or (section.bore.cross_section() - section.outer.cross_section()).area() > 0:
            raise PickError("The bore is not inside the outside. Take the outside and the bore of one rim")
        outward = normal if base.z @ normal > 0 else -normal
        profile = placed(section, centre, turn, base, outward, flat[-1], noise)
        return profile.tube_end(self.source, CLEAR_WIDTHS * profile.section.outer.width, "picked by hand")

    def _axis_for(self, normal: Floats) -> Floats:
        if self.axis is None:
            return normal
        axis = np.array(self.axis)
        length = float(np.linalg.norm(axis))
        if not length > 0:
            raise PickError("The axis has no length. Give the direction along the tube and out of it")
        lean = float(np.degrees(np.arccos(np.clip(abs(axis @ normal) / length, 0.0, 1.0))))
        if lean > MOST_MITRE_DEG:
            raise PickError(
                f"The rim leans {lean:.0f}° from square to the tube, and {MOST_MITRE_DEG:.0f}° is the most. Take the "
                "corners of one cut, and the direction along the tube"
            )
        return axis / length

    def _bore_of(self, outer: Outline) -> Outline:
        if not self.wall_mm:
            raise PickError("Only the outside of the rim is known. Give its bore too, or the tube's wall")
        try:
            return outer.offset(-self.wall_mm)
        except ValueError as error:
            raise PickError(say("The wall is too thick: {}. Give the tube's wall", error)) from error


def _points(corners: Floats, digits: int) -> tuple[Point, ...]:
    return tuple((x, y, z) for x, y, z in (np.round(corners, digits) + 0.0).tolist())


def _size(loop: Floats) -> float:
    return float(np.ptp(loop, axis=0).max())


def _normal(loop: Floats) -> Floats:
    """(3,): the unit normal, seen against which the corners (n, 3) run counter-clockwise. Raises ``PickError``."""
    arms = loop - loop.mean(axis=0)
    (area,) = vector_areas(arms, np.array([0, len(arms)]))
    enclosed = float(np.linalg.norm(area))
    if not enclosed > _LEAST_AREA * _size(loop) ** 2:
        raise PickError("The rim encloses no area. Take its corners in the order in which they follow each other")
    # The plane that the corners lie nearest to; the area only tells its two sides apart.
    normal = np.linalg.svd(arms, full_matrices=False)[2][2]
    return normal if normal @ area > 0 else -normal


def _check_outlines(drawn: Sequence[Floats], flat: Sequence[Floats]) -> None:
    """Raises ``PickError`` if the outlines, in the world (n, 3) and along the tube (n, 2), cross or touch."""
    tolerance = _TOUCHING * _size(drawn[0])
    corners_kept = [polygons.distinct(outline, tolerance) for outline in flat]
    for name, loop, outline, corners in zip(("rim", "bore"), drawn, flat, corners_kept, strict=False):
        crossing = polygons.meeting([outline[corners]], tolerance)
        if crossing or len(corners) < 3:
            where = say(" at {}", _said(loop[corners], *crossing[1:])) if crossing else ""
            said = "The {} crosses or touches itself{}. Take its corners in the order in which they follow each other"
            raise PickError(say(said, name, where))
    met = polygons.meeting([outline[corners] for outline, corners in zip(flat, corners_kept, strict=True)], tolerance)
    if met:
        where = _said(drawn[met[0]][corners_kept[met[0]]], *met[1:])
        raise PickError(
            say("The bore is not inside the outside: they meet at {}. Take the outside and the bore of one rim", where)
        )


def _said(loop: Floats, corner: int, share: float) -> Message:
    """A place on an edge of a loop."""
    x, y, z = loop[corner] + share * (loop[(corner + 1) % len(loop)] - loop[corner])
    return say("x {}, y {}, z {}", Length(x), Length(y), Length(z))


def _axis(sides: Floats, normal: Floats) -> Floats | None:
    """(3,): along the tube and out of it; None if no edge leaves the rim. Edges across a tube's sides lean this way
    and that; the axis is what most of them agree on."""
    lengths = np.linalg.norm(sides, axis=1)
    ways = sides[lengths > 0] / lengths[lengths > 0, None]
    ways = ways[np.abs(ways @ normal) > np.cos(np.radians(MOST_MITRE_DEG))]
    if not len(ways):
        return None
    agreeing = (np.abs(ways @ ways.T) > np.cos(np.radians(_AGREE_DEG))).sum(axis=1)
    return -ways[int(agreeing.argmax())]
