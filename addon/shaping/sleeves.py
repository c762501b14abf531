# SPDX-License-Identifier: GPL-3.0-or-later
"""Sleeves that slide over a tube's outside."""

from __future__ import annotations

from dataclasses import replace

from manifold3d import JoinType, Manifold

from ..geometry.sections import Outline
from .contours import Contour, Fineness
from .cutters import PAST_MM, prism
from .shells import tool


def sliding_bore(outline: Outline, gap_mm: float, corner_mm: float = 0.0) -> Outline:
    """A sleeve's bore over a tube's ``outline``, ``gap_mm`` wider a side. Its inner corners are relieved for a tube
    whose corners have a radius up to ``corner_mm`` smaller."""
    sharpest = replace(outline, corner_radius=max(outline.corner_radius - corner_mm, 0.0))
    return sharpest.offset(gap_mm)


def sleeve(
    outline: Outline,
    gap_mm: float,
    wall_mm: float,
    bottom_mm: float,
    top_mm: float,
    fineness: Fineness,
    corner_mm: float = 0.0,
) -> Manifold:
    """A sleeve open at both ends, upright between two heights, in the tube's frame; its surfaces are ``"bore"`` and
    ``"outside"``. The bore is ``sliding_bore``; facets stand nowhere into the gap that it leaves.

    Raises ``ValueError`` for a tube's outline that cannot be used.
    """
    bore = Contour(sliding_bore(outline, gap_mm, corner_mm), fineness).grown(fineness.chord_error / 2)
    around = bore.offset(wall_mm, JoinType.Round, 2.0, fineness.facets or 256)
    outside = tool(prism(around, bottom_mm, top_mm), "outside")
    return outside - tool(prism(bore, bottom_mm - PAST_MM, top_mm + PAST_MM), "bore")
