# SPDX-License-Identifier: GPL-3.0-or-later
"""How each kind of mark looks and what it is called: the one source for the view and for its legend.

Colours are those of Okabe and Ito (Color Universal Design, 2008). Marks never differ by colour alone: no two styles
have the same line pattern, width and hatch, so that a grey screen shows the difference too.
"""

from __future__ import annotations

from dataclasses import dataclass

from ..palette import BLACK, BLUE, GREEN, ORANGE, PURPLE, SKY_BLUE, VERMILLION, WHITE, YELLOW, Colour

UNBROKEN: tuple[float, ...] = ()
DASHED = (3.0, 1.5)
DOTTED = (0.75, 1.0)
DASH_DOTTED = (4.0, 1.0, 0.75, 1.0)


@dataclass(frozen=True)
class Style:
    """Lengths of dashes and between hatch lines are in grains: a grain is some pixels in the legend, and in the view a
    share of the part's size (``shapes.grain_of``)."""

    words: str
    """What the legend calls it."""
    colour: Colour
    line: tuple[float, ...] = UNBROKEN
    """Lengths of dash and space in turn."""
    width: float = 1.5
    """Of lines, in points; 0 for an area without an edge."""
    hatch: tuple[float, ...] = ()
    """Directions in degrees."""
    apart: float = 1.0
    """Between hatch lines, in grains."""
    fill: float = 0.0
    """How opaque areas are."""
    through: bool = False
    """Whether it shows through the solids in front of it."""

    @property
    def pattern(self) -> tuple[object, ...]:
        """All that is left of the style without colour."""
        return (self.line, self.width, self.hatch, self.apart if self.hatch else None)

    @property
    def casing(self) -> Colour:
        """Of the edge that keeps lines legible on any background."""
        red, green, blue = self.colour
        # Luma of Rec. 601.
        return WHITE if 0.299 * red + 0.587 * green + 0.114 * blue < 0.4 else BLACK


OUTLINE = Style("Layer outlines", SKY_BLUE, width=1.25)
LAYER = Style("Chosen layer", YELLOW, width=3.0, through=True)
RING = Style("Rings", GREEN, width=2.0, fill=0.35, through=True)
BARE = Style("Rings with nothing above", GREEN, width=0.0, hatch=(45.0,), apart=0.5, through=True)
LEFT_TO_FILL = Style("Left to the fill", BLUE, DOTTED, 1.0, hatch=(0.0,), apart=3.0, fill=0.1, through=True)
UNCOVERED = Style("Not covered", VERMILLION, width=1.0, hatch=(45.0, 135.0), apart=0.5, fill=0.5, through=True)
OVERHANG = Style("Needs support", ORANGE, width=2.0, hatch=(45.0,), apart=1.0, fill=0.3, through=True)
BRIDGE = Style("Bridge, carried", GREEN, DASHED, 2.0, hatch=(135.0,), apart=1.5, fill=0.2, through=True)
LEANING = Style("Leans too far", ORANGE, DOTTED, 1.0, hatch=(90.0,), apart=0.75)
SUPPORT = Style("Support column", PURPLE, DASHED, 1.5, through=True)
THIN_WALL = Style("Thin wall", VERMILLION, width=2.5, hatch=(45.0, 135.0), apart=1.0, fill=0.5, through=True)
NARROW_GAP = Style("Narrow gap", BLUE, DOTTED, 2.5, hatch=(90.0,), apart=0.5, fill=0.3, through=True)
STEP = Style("Layer step", SKY_BLUE, width=0.0, fill=0.45)
WIDE_STEP = Style("Step over half a bead", YELLOW, width=0.0, hatch=(135.0,), apart=0.75, fill=0.4)
JUMP = Style("Jump, too little rest", VERMILLION, width=2.0, hatch=(0.0, 90.0), apart=0.75, fill=0.5)
GAP = Style("Gap to the tube", PURPLE, width=1.0, hatch=(135.0,), apart=0.5, fill=0.4, through=True)
BITE = Style("Spigot bites into the tube", VERMILLION, width=1.0, hatch=(0.0,), apart=0.5, fill=0.5, through=True)
BORE = Style("Bore of the tube", YELLOW, DASH_DOTTED, 1.5, through=True)
OPEN_END = Style("Open tube end", GREEN, width=2.0, through=True)
SITE = Style("Hole, cope or joint", SKY_BLUE, width=2.25, through=True)
REFUSED_END = Style("End that takes no fitting", VERMILLION, width=2.0, hatch=(45.0,), through=True)
