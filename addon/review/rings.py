# SPDX-License-Identifier: GPL-3.0-or-later
"""The rings of one layer: concentric beads inside an outline, and what they leave uncovered.

A bead of width w is everything within w/2 of its middle line. The middle line of ring i (the outermost is 1) lies
(i - 1/2) w inside the outline, holes included; where the outline is too narrow for it, the ring is not laid.
"""

from __future__ import annotations

from dataclasses import dataclass

from manifold3d import CrossSection, JoinType, OpType

from .outlines import CLOSE_MM, centre_of, inradius, offset, without_specks

_SPECK = 1e-4
"""Share of a bead's width squared under which an area is an error of rounding."""


@dataclass(frozen=True)
class Incircle:
    """The widest circle that fits in an area, in mm."""

    width_mm: float
    centre: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Rings:
    """Areas in mm²."""

    bead_mm: float
    beads: tuple[CrossSection, ...]
    """Ring by ring, outermost first: what its beads cover."""
    covered: CrossSection
    middle: CrossSection
    """What lies inside the innermost ring that was asked for, left to the fill."""
    gaps: CrossSection
    """What no ring covers and no fill reaches: corners, necks, and the middle where the last ring did not fit."""
    overfilled_mm: float
    """Width of the widest spot where one bead lies over itself from both sides, because the last ring is too tight."""

    @property
    def count(self) -> int:
        """Rings laid."""
        return len(self.beads)

    @property
    def uncovered(self) -> CrossSection:
        return self.middle + self.gaps


def rings_of(outline: CrossSection, count: int, bead: float) -> Rings:
    """At most ``count`` concentric beads ``bead`` mm wide inside ``outline``, outermost first."""
    beads, overfilled = [], 0.0
    for ring in range(count):
        line = offset(outline, -(ring + 0.5) * bead)
        if line.is_empty():
            break
        inner = offset(line, -bead / 2)
        beads.append(line.offset(bead / 2, JoinType.Round, 2.0, 64) - inner)
        for part in line.decompose():
            if offset(part, -bead / 2).is_empty():
                overfilled = max(overfilled, bead - 2 * inradius(part, high=bead / 2))
    covered = CrossSection.batch_boolean(beads, OpType.Add) if beads else CrossSection()
    middle = offset(outline, -count * bead)
    gaps = without_specks(outline - covered - middle, _SPECK * bead * bead, 2 * CLOSE_MM)
    return Rings(bead, tuple(beads), covered, middle, gaps, overfilled)


def widest(area: CrossSection) -> Incircle:
    """The widest circle inside an area; width 0 if the area is empty."""
    best = Incircle(0.0, (0.0, 0.0))
    for part in sorted(area.decompose(), key=CrossSection.area, reverse=True):
        if offset(part, -best.width_mm / 2 - CLOSE_MM).is_empty():
            continue
        radius = inradius(part)
        core = offset(part, -max(radius - 2 * CLOSE_MM, 0.0))
        best = Incircle(2 * radius, centre_of(core if not core.is_empty() else part))
    return best
