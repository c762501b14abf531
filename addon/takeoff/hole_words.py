# SPDX-License-Identifier: GPL-3.0-or-later
"""Where a hole or a cope is, in words for the bench: how far along its tube, through which walls, where around.

Sides are those of the assembly, z up, seen from the front (against y): top and bottom, front and back, left and right.
A tube that is given without a model has its own, as its job file has them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from ..fields.messages import NOTHING, Length, Message, say
from ..geometry.developments import PlaneCut
from ..geometry.frames import Floats, around_deg
from ..geometry.outline_fit import off_outline
from ..geometry.units import say_three
from .ends import TubeEnd
from .sites import SIDES, ClosedEnd, Hole, Mouth, Tube

_SIDES = (("right", "left"), ("back", "front"), ("top", "bottom"))
"""Towards and against x, y and z."""
_TOWARDS = math.sin(math.radians(22.5))
"""How much of a direction lies along an axis that is named with others."""
_UPRIGHT = math.cos(math.radians(22.5))
_OFF_MIDDLE_MM, _QUARTER_DEG = 0.05, 0.5
"""What counts as on the middle line, and as straight to a side."""
_SAME_MM = 1e-3
"""What is nearer to the last end by less is as near to the first."""


def nearer_end(tube: Tube, measured_mm: tuple[float, float | None]) -> int:
    """Of what lies so far from each end of a tube: 0 for its first end, 1 for its last; a closed one is nobody's, nor,
    of two, one that no known cut fits."""
    first, last = measured_mm
    known = [cut is not None for cut in tube.cuts]
    if last is not None and known[0] != known[1]:
        return int(known[1])
    return int(last is not None and last < first - _SAME_MM)


def said_end(tube: Tube, end: int, nearer: int, of: str = "") -> str:
    """By its side of the assembly, ``"bottom end"``, of a U-bend ``"left bottom end"``; ``"nearer end"``, where it is
    that, of a tube that is given without a model, and ``"end"`` where it has one only. With the point of it that
    distances count from."""
    cut, which = tube.cuts[end], _which(tube, end, nearer) + (f" of {of}" if of else "")
    if isinstance(cut, PlaneCut) and not cut.mitre_deg:
        return f"{which} as it has to be cut" if abs(tube.past_mm[end]) > _OFF_MIDDLE_MM else which
    return f"longest point of the {which}" if cut else which


def _which(tube: Tube, end: int, nearer: int) -> str:
    if not _given(tube):
        which = "" if tube.from_twin is None else f"{facing(tube.from_twin)} "
        return f"{which}{facing(tube.frame.z * (-1 if end else 1))} end"
    if isinstance(tube.ends[1], ClosedEnd):
        return "end"
    return "nearer end" if end == nearer else "farther end"


def said_hole(hole: Hole) -> Message:
    """``"20 mm from the left end, through both walls, top and bottom (80 mm wide), on the middle line"``."""
    end = nearer_end(hole.tube, hole.measured_mm)
    around = said_around(hole, hole.mouths, end)
    return say("{}, {}", said_from_end(hole.tube, hole.measured_mm, end), around)


def said_mouth(hole: Hole, mouth: Mouth) -> Message:
    """The same of one of its mouths: ``"20 mm from the left end, top (80 mm wide), on the middle line"``."""
    end = nearer_end(hole.tube, hole.measured_mm)
    first = hole.tube.distance_mm(mouth.position)
    measured = hole.tube.measured_mm(first)
    return say("{}, {}", said_from_end(hole.tube, measured, end), _sides(hole, [mouth], end))


def said_from_end(tube: Tube, measured_mm: tuple[float, float | None], end: int, of: str = "") -> Message:
    """``"20 mm from the left end"``, of so far from each end, and of which tube, where that is not plain."""
    distance = Length(measured_mm[end] or 0.0, both=True)
    return say("{} from the {}", distance, said_end(tube, end, nearer_end(tube, measured_mm), of))


def said_around(hole: Hole, mouths: Sequence[Mouth], end: int) -> Message:
    """Through which walls it goes and where around its tube, seen from one of the ends."""
    walls = "through both walls" if len(mouths) > 1 else "through one wall"
    lean = "" if hole.square else f", leaning {say_three(hole.lean_deg)}°"
    return say("{}, {}{}{}", walls, _sides(hole, mouths, end), lean, _countersunk(mouths))


def _countersunk(mouths: Sequence[Mouth]) -> Message:
    sunk = [mouth for mouth in mouths if mouth.countersink_mm]
    if not sunk:
        return NOTHING
    where = f" at the {facing(sunk[0].axis)}" if len(sunk) < len(mouths) else ""
    return say(f", countersunk {{}}{where}", Length(max(mouth.countersink_mm for mouth in sunk), both=True))


def _given(tube: Tube) -> bool:
    """Without a model."""
    first = tube.ends[0]
    return isinstance(first, TubeEnd) and first.by_hand == "given by size"


def _sides(hole: Hole, mouths: Sequence[Mouth], end: int) -> Message:
    frame, given = hole.tube.frame, _given(hole.tube)
    if hole.side is None or hole.offset_mm is None:
        if given and hole.tube.section.outer.shape == "circle":
            return say(f"{say_three(hole.angle_deg)}° around, counter-clockwise seen from the end")
        first_angle, *others = [_around(hole, mouth, end) for mouth in mouths]
        return say(" and ".join([first_angle, *(other for other in others if "°" not in first_angle)]))
    x, y = SIDES[hole.side]
    places = frame.to_local(np.array([mouth.position for mouth in mouths]))[:, :2]
    ways = off_outline(hole.tube.section.outer, places)[1].round()
    names = " and ".join(_own(way) if given else facing(way @ frame.axes[:2]) for way in ways)
    outer = hole.tube.section.outer
    width = NOTHING if outer.width == outer.depth else say(" ({} wide)", Length(outer.depth if x else outer.width))
    sides = say(f"{'side ' * given}{names}{{}}", width)
    if abs(hole.offset_mm) < _OFF_MIDDLE_MM:
        return say("{}, on the middle line", sides)
    along = math.copysign(1.0, hole.offset_mm) * np.array([abs(y), abs(x)])
    towards = _own(along) if given else f"the {facing(along @ frame.axes[:2])}"
    return say("{}, {} off the middle line towards {}", sides, Length(abs(hole.offset_mm)), towards)


def facing(way: Floats) -> str:
    """Which side of the assembly a direction (3,) goes to: ``"top"``, ``"front left"``."""
    named = [(abs(part), _SIDES[axis][int(part < 0)]) for axis, part in enumerate(way.tolist())]
    most = max(share for share, _ in named)
    return " ".join(name for share, name in named[::-1] if share >= min(_TOWARDS, most))


def _around(hole: Hole, mouth: Mouth, end: int) -> str:
    """Where around a tube without flat sides: towards a side, or so far from one."""
    tube = hole.tube
    z = -tube.frame.z if end else tube.frame.z
    upright = abs(z[2]) > _UPRIGHT
    zero = np.array([0.0, -1.0, 0.0]) if upright else np.array([0.0, 0.0, 1.0])
    zero = zero - (zero @ z) * z
    zero /= np.linalg.norm(zero)
    out = mouth.position - tube.frame.origin
    out = out - (out @ z) * z
    degrees = around_deg(float(zero @ out), float(np.cross(z, zero) @ out))
    if abs(degrees - 90 * round(degrees / 90)) < _QUARTER_DEG:
        return facing(out / np.linalg.norm(out))
    return f"{say_three(degrees)}° from the {'front' if upright else 'top'}, counter-clockwise seen from that end"


def _own(way: Floats) -> str:
    """A side by the axes of the tube's own section, ``way`` (2,)."""
    return max(SIDES, key=lambda side: float(way @ SIDES[side]))
