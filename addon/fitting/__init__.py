# SPDX-License-Identifier: GPL-3.0-or-later
"""A recipe and a section in, a closed solid out."""

from .bounds import limits, resolve
from .fittings import Fitting, Profile, design
from .recipe import Recipe, RecipeError

__all__ = ["Fitting", "Profile", "Recipe", "RecipeError", "design", "limits", "resolve"]
