# SPDX-License-Identifier: GPL-3.0-or-later
"""A recipe and a section in, a closed solid out."""

from .bounds import resolve
from .fit import GapBand, fit_band
from .fittings import Fitting, Profile, design
from .recipe import Recipe, RecipeError

__all__ = ["Fitting", "GapBand", "Profile", "Recipe", "RecipeError", "design", "fit_band", "resolve"]
