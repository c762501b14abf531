# SPDX-License-Identifier: GPL-3.0-or-later
"""Joints that a job gives without an assembly."""

from __future__ import annotations

import math
from dataclasses import MISSING, dataclass, replace
from typing import ClassVar, Self

import numpy as np

from ..fields.declared import declared
from ..geometry.frames import Frame
from .ends import TubeEnd, mitre_normal
from .given import MOST_ALIKE, NOT_GIVEN, SizedEnd
from .sites import Joint, Takeoff, Tube


@dataclass(frozen=True)
class GivenJoint:
    """Two tubes of the size tables that face each other, in line or at a mitred corner."""

    table: ClassVar[str] = "joint"

    size: str = declared(MISSING, meaning="name of a table size, as in `[[tube_end]]`: the first tube's")
    other_size: str | None = declared(None, meaning="the second tube's. Without it, both are alike")
    gap_mm: float = declared(0.0, meaning="between the two rims, square to them", least=0.0, most=100.0)
    angle_deg: float = declared(
        180.0, meaning="between the tubes: 180 in line, 90 at a square corner", least=60.0, most=180.0
    )
    towards_deg: float = declared(
        0.0,
        meaning="which way a corner bends: 0 in the plane of the first section's width, 90 in that of its depth",
        least=-360.0,
        most=360.0,
    )
    metal: str | None = declared(None, meaning="what the tubes are made of, as in `[[tube_end]]`")
    count: int = declared(1, least=1, most=MOST_ALIKE, meaning="how many such joints there are")

    def each(self) -> list[Self]:
        return [self] * self.count

    def added(self, takeoff: Takeoff, metal: str) -> Takeoff:
        mitre = (180 - self.angle_deg) / 2
        towards = self.towards_deg if mitre else 0.0
        normal = mitre_normal(mitre, towards)
        ends = [
            replace(SizedEnd(size, metal=self.metal).tube_end(metal), mitre_deg=mitre, mitre_direction_deg=towards)
            for size in (self.size, self.other_size or self.size)
        ]
        # The second tube is the first one's mirror image in the rims' plane.
        x, z = (axis - 2 * (axis @ normal) * normal for axis in np.eye(3)[[0, 2]])
        facing = replace(ends[1], frame=Frame.along(self.gap_mm * normal, z, x), mitre_direction_deg=-towards)
        depths = ends[0].clear_depth_mm, ends[1].clear_depth_mm
        gap = self.gap_mm / math.cos(math.radians(mitre))
        joint = Joint((ends[0], facing), gap, self.angle_deg, depths)
        tubes = (_tube(end) for end in joint.ends)
        return replace(takeoff, tubes=(*takeoff.tubes, *tubes), joints=(*takeoff.joints, joint))


def _tube(end: TubeEnd) -> Tube:
    """As long as anyone needs."""
    length = end.clear_depth_mm
    return Tube(
        end.source, end.section, end.frame, length, (end, NOT_GIVEN), (length, length), cuts=(end.flat_cut, None)
    )
