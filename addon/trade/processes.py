# SPDX-License-Identifier: GPL-3.0-or-later
"""Materials and printing processes: what a fitting is printed from and how."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Material:
    """A plastic. ``expansion`` is linear, per kelvin; density in g/cm³."""

    name: str
    density: float
    expansion: float
    source: str


@dataclass(frozen=True)
class Process:
    """One way to print: bead by bead, layer by layer. Lengths in mm."""

    name: str
    material: str
    layer_mm: float
    first_layer_mm: float
    bead_mm: float
    """Width of a bead as set; the process can lay from ``bead_min_mm`` to ``bead_max_mm``."""
    bead_min_mm: float
    bead_max_mm: float
    rings: int
    """Closed beads around every outline, outside in."""
    fill: float
    """Share of the inside that the sparse fill takes, 0 to 1."""
    solid_layers: int
    """Fully filled layers under a top and over a bottom."""
    overhang_deg: float
    """How far a surface may lean from upright before it needs support; 45 by common practice, no source."""
    bridge_mm: float
    """Longest span that a bead crosses in the air between two rests."""
    tolerance_mm: float
    """How far a printed size may be off, per side."""
    plate_mm: tuple[float, float, float]
    """Width, depth and height of the space to print in."""
    margin_mm: float
    spacing_mm: float
    shrink_percent: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """How much smaller a print comes out along x, y, z; made up for on export only."""
    support: str = "same material, broken off"
    """What the support is made of and how it comes off: "dissolved in a bath" or "same material, broken off"."""
    chamber_c: float = 0.0
    """Heated chamber in °C; 0 for none."""
    speed_mm_s: float = 50.0
    layer_pause_s: float = 5.0
    source: str = ""
