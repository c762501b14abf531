# SPDX-License-Identifier: GPL-3.0-or-later
"""Footing: what the part stands on while it is printed, and whether it fits the plate."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from manifold3d import CrossSection

from ..fields.messages import Area, Length, say
from ..geometry.frames import Floats
from ..geometry.polygons import outward_normals
from ..trade.processes import Process
from .findings import Finding
from .layers import Layers

LEAST_TIP_DEG = 15.0
"""A part that tips over at a smaller angle wants a wider foot; our own rule."""
MOST_SLENDER = 5.0
"""Height over the footing's smallest width beyond which the nozzle may knock a part over; our own rule."""


@dataclass(frozen=True)
class Footing:
    contact_mm2: float
    """Area of the first layer."""
    width_mm: float
    """The footing's smallest width: that of the hull of the first layer."""
    height_mm: float
    tip_deg: float
    """How far the part can lean before it falls: from its centre of mass to the nearest edge of the footing."""

    @property
    def slenderness(self) -> float:
        return self.height_mm / self.width_mm if self.width_mm > 0 else math.inf


def footing_of(layers: Layers, centre: Floats) -> Footing:
    """``centre`` (3,) is the part's centre of mass."""
    width, tip = stand(layers.outline(0).hull(), centre)
    return Footing(float(layers.areas[0]), width, layers.height, tip)


def stand(hull: CrossSection, centre: Floats) -> tuple[float, float]:
    """Smallest width in mm of a convex footing, and how far in degrees a part can lean on it before it falls;
    ``centre`` (3,) is the part's centre of mass, the plate at z = 0."""
    points = np.concatenate([np.empty((0, 2)), *hull.to_polygons()])
    if len(points) < 3:
        return 0.0, 0.0
    inward = -outward_normals(points)
    # The smallest width of a convex outline lies square to one of its edges.
    feet = np.einsum("ij,ij->i", inward, points)
    across = (inward @ points.T - feet[:, None]).max(axis=1)
    margin = float((inward @ centre[:2] - feet).min())
    return float(across.min()), max(math.degrees(math.atan2(margin, float(centre[2]))), 0.0)


def size_finding(size: Floats, process: Process, name: str) -> list[Finding]:
    """Whether a part of that size (3,) lies on the plate, either way round."""
    width, depth = (extent - 2 * process.margin_mm for extent in process.plate_mm[:2])
    sides = sorted(size[:2].tolist(), reverse=True)
    room = sorted((width, depth), reverse=True)
    over = max(sides[0] - room[0], sides[1] - room[1], float(size[2]) - process.most_height_mm)
    if over <= 0:
        return []
    return [
        Finding(
            fitting=name,
            check="too large for the plate",
            severity="must fix",
            meaning=say(
                "The part is {size}; the plate has room for {room}.",
                size=Length(*size),
                room=Length(width, depth, process.most_height_mm),
            ),
            advice=say(
                "It is {} too large: check the mesh's unit, turn the part, or choose a larger machine.", Length(over)
            ),
            value=round(over, 3),
            limit=0.0,
            unit="mm",
        )
    ]


def footing_findings(footing: Footing, layers: Layers, name: str) -> list[Finding]:
    findings = []
    if footing.tip_deg < LEAST_TIP_DEG:
        findings.append(
            Finding(
                fitting=name,
                check="tipping",
                severity="must fix" if footing.tip_deg <= 0 else "look at",
                meaning=say(
                    "The part stands on {contact} and falls over at {tip:.0f}°.",
                    contact=Area(footing.contact_mm2),
                    tip=footing.tip_deg,
                ),
                advice=say("Turn the part to a wider foot, or print it with a brim."),
                value=round(footing.tip_deg, 1),
                limit=LEAST_TIP_DEG,
                unit="°",
                where=layers.place(0),
                layer=1,
            )
        )
    if footing.slenderness > MOST_SLENDER:
        findings.append(
            Finding(
                fitting=name,
                check="footing",
                severity="look at",
                meaning=say(
                    "The part is {height} high on a foot {width} wide.",
                    height=Length(footing.height_mm),
                    width=Length(footing.width_mm),
                ),
                advice=say("Turn the part to a wider foot, or print it with a brim."),
                value=round(min(footing.slenderness, 1e6), 2),
                limit=MOST_SLENDER,
                unit="height over width",
                where=layers.place(0),
                layer=1,
            )
        )
    return findings
