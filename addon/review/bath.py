# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a part floats in the bath that dissolves its support, and which side then stays dry.

A part floats where its mass is less than that of the bath it would push aside (Archimedes). The share of its volume
under the surface is then its mean density over the bath's. Of the six sides the one that comes to lie on top is the one
for which the centre of mass stands least above the centre of what is pushed aside (least potential energy).

Volume under a level: of the field (0, 0, z - h) through the surface below h (divergence theorem), which leaves for each
facet of area A the integral of (h - z) over the part of it that is below: a cubic in h.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..fields.messages import Length, say
from ..geometry.frames import Floats
from ..geometry.mesh import Mesh
from ..trade.processes import Process
from .facets import Facets, along, dot
from .findings import Finding

SIDES = {
    "top": (0.0, 0.0, 1.0),
    "bottom": (0.0, 0.0, -1.0),
    "right side": (1.0, 0.0, 0.0),
    "left side": (-1.0, 0.0, 0.0),
    "back": (0.0, 1.0, 0.0),
    "front": (0.0, -1.0, 0.0),
}


_ROUGHLY = 1e-3


@dataclass(frozen=True)
class Bath:
    """A part in the bath."""

    density: float
    """Mean density of the part as printed, its sealed air included, in g/cm³."""
    floats: bool
    dry_side: str
    """The side that looks out of the bath; empty if the part sinks."""
    dry_mm: float
    """How high it stands out."""
    covered: bool
    """Whether the bath is deep enough for the part's least extent."""


def in_bath(mesh: Mesh, facets: Facets, density: float, centre: Floats, process: Process) -> Bath:
    """``density`` is the part's mean in g/cm³, ``centre`` (3,) its centre of mass."""
    covered = float(mesh.size.min()) <= process.bath_fill_mm or process.bath_fill_mm == 0
    share = density / process.bath_density
    if share >= 1:
        return Bath(density, False, "", 0.0, covered)
    floating = []
    for side, direction in SIDES.items():
        up = np.array(direction)
        body = Body.of(mesh, facets, up)
        level = body.level(share, _ROUGHLY)
        floating.append((float(centre @ up) - body.centre_below(level), side, body))
    least = min(rise for rise, _, _ in floating)
    # Of sides that are alike the first is named.
    side, body = next((side, body) for rise, side, body in floating if rise < least + 1e-3 * body.extent)
    return Bath(density, True, side, body.high - body.level(share), covered)


@dataclass(frozen=True, eq=False)
class Body:
    """A closed mesh seen along one direction: its facets' corners by height, and area times the normal along it."""

    heights: Floats
    """(3, m), ascending for each facet."""
    flux: Floats
    """(m,)"""
    low_scale: Floats
    """(m,): 1 / (3 (z2 - z1) (z3 - z1)), 0 for a facet too level for it to matter."""
    high_scale: Floats
    """(m,): 1 / (3 (z3 - z1) (z3 - z2)), likewise."""
    low: float
    high: float

    @classmethod
    def of(cls, mesh: Mesh, facets: Facets, up: Floats) -> Body:
        rises = along(mesh.vertices, up)
        flux = facets.areas * along(facets.normals, up)
        counts = np.abs(flux) > 1e-12 * facets.areas.max()
        corners = rises[mesh.triangles[counts].T]
        low, high = corners.min(axis=0), corners.max(axis=0)
        middle = np.clip(corners.sum(axis=0) - low - high, low, high)
        heights = np.stack([low, middle, high])
        flat = (1e-9 * float(np.ptp(rises))) ** 2
        low_scale, high_scale = (
            np.divide(1 / 3, product, out=np.zeros_like(product), where=product > flat)
            for product in ((middle - low) * (high - low), (high - low) * (high - middle))
        )
        return cls(heights, flux[counts], low_scale, high_scale, float(rises.min()), float(rises.max()))

    @property
    def extent(self) -> float:
        return self.high - self.low

    def volume_below(self, level: float) -> float:
        low, middle, high = self.heights
        above, under = np.maximum(level - low, 0.0), np.maximum(high - level, 0.0)
        # Products: powers of arrays are many times slower.
        part = above * above * above * self.low_scale
        most = level - (low + middle + high) / 3 + under * under * under * self.high_scale
        return -dot(self.flux, np.where(level < middle, part, most))

    def centre_below(self, level: float) -> float:
        """Height of the centre of the volume below ``level``: the level less the mean depth. The volume times the mean
        depth is the integral of the volume over the levels, for each facet that of (h - z)² / 2."""
        low, middle, high = level - self.heights
        above, under = np.maximum(low, 0.0), np.maximum(-high, 0.0)
        part = above * above * above * above * self.low_scale / 4
        most = (low * low + middle * middle + high * high + low * middle + middle * high + high * low) / 12
        most -= under * under * under * under * self.high_scale / 4
        moment = -dot(self.flux, np.where(middle < 0, part, most))
        return level - moment / max(self.volume_below(level), 1e-300)

    def level(self, share: float, closeness: float = 1e-9) -> float:
        """The level under which that share of the volume lies, by false position kept within bounds, to a volume as
        close as ``closeness`` of all of it."""
        target = share * self.volume_below(self.high)
        low, high = self.low, self.high
        below, above = -target, self.volume_below(high) - target
        for _ in range(60):
            level = low - below * (high - low) / (above - below)
            if not low < level < high:
                level = (low + high) / 2
            off = self.volume_below(level) - target
            if abs(off) <= closeness * target / share:
                return level
            # Illinois: halving the end that stays keeps false position from creeping.
            if off < 0:
                low, below, above = level, off, above / 2
            else:
                high, above, below = level, off, below / 2
        return (low + high) / 2


def bath_findings(bath: Bath, process: Process, name: str, planned: bool = False) -> list[Finding]:
    """Where support is ``planned`` with the part, how it floats is part of the plan."""
    findings = []
    if bath.floats and not planned:
        findings.append(
            Finding(
                fitting=name,
                check="floats in the bath",
                severity="good to know",
                meaning=say(
                    "At {fill:.0%} fill the part is lighter than the bath and floats: its {dry_side} stays {dry} "
                    "out of it.",
                    fill=process.fill,
                    dry_side=bath.dry_side,
                    dry=Length(bath.dry_mm),
                ),
                advice=say("Weigh it down or hold it under, or turn it over halfway."),
                value=round(bath.density, 3),
                limit=process.bath_density,
                unit="g/cm³",
                where=say(bath.dry_side),
            )
        )
    if not bath.covered:
        findings.append(
            Finding(
                fitting=name,
                check="bath too shallow",
                severity="look at",
                meaning=say("A bath {} deep does not cover the part either way up.", Length(process.bath_fill_mm)),
                advice=say("Fill the bath higher, or turn the part over halfway."),
                value=None,
                limit=process.bath_fill_mm,
                unit="mm",
            )
        )
    return findings
