# SPDX-License-Identifier: GPL-3.0-or-later
"""Sleeves that slide over a tube's outside."""

from __future__ import annotations

from dataclasses import replace

from manifold3d import CrossSection, Manifold

from ..geometry.sections import Outline
from .contours import Contour, Fineness
from .cutters import PAST_MM, prism
from .shells import tool


def sliding_bore(outline: Outline, gap_mm: float, corner_mm: float = 0.0) -> Outline:
    """A sleeve's bore over a tube's ``outline``, ``gap_mm`` wider a side. Its inner corners are relieved for a tube
    whose corners have a radius up to ``corner_mm`` smaller."""
    sharpest = replace(outline, corner_radius=max(outline.corner_radius - corner_mm, 0.0))
    return sharpest.offset(gap_mm)


def sleeve_sections(bore: Outline, wall_mm: float, fineness: Fineness) -> tuple[CrossSection, CrossSection]:
    """A sleeve's bore and its outside, square to the tube's axis; facets stand nowhere into the gap of the bore.

    Raises ``ValueError`` for an outline that cannot be used.
    """
    half = fineness.chord_error / 2
    around = bore.offset(wall_mm)
    if bore.shape == "rectangle":
        around = replace(around, corner_radius=bore.corner_radius + wall_mm)
    return Contour(bore, fineness).grown(half), Contour(around, fineness).grown(half)


def sleeve(bore: Outline, wall_mm: float, bottom_mm: float, top_mm: float, fineness: Fineness) -> Manifold:
    """A sleeve open at both ends, upright between two heights, in the tube's frame; its surfaces are ``"bore"`` and
    ``"outside"``. Raises as ``sleeve_sections``."""
    inside, around = sleeve_sections(bore, wall_mm, fineness)
    outside = tool(prism(around, bottom_mm, top_mm), "outside")
    return outside - tool(prism(inside, bottom_mm - PAST_MM, top_mm + PAST_MM), "bore")
