# SPDX-License-Identifier: GPL-3.0-or-later
"""The colours, those of Okabe and Ito (Color Universal Design, 2008)."""

from __future__ import annotations

Colour = tuple[float, float, float]


def _rgb(code: str) -> Colour:
    red, green, blue = (int(code[at : at + 2], 16) / 255 for at in (0, 2, 4))
    return red, green, blue


ORANGE = _rgb("E69F00")
SKY_BLUE = _rgb("56B4E9")
GREEN = _rgb("009E73")
YELLOW = _rgb("F0E442")
BLUE = _rgb("0072B2")
VERMILLION = _rgb("D55E00")
PURPLE = _rgb("CC79A7")
WHITE: Colour = (0.95, 0.95, 0.95)
BLACK: Colour = (0.05, 0.05, 0.05)
