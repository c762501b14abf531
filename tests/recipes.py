# SPDX-License-Identifier: GPL-3.0-or-later
"""Recipes of caps by the keys that job files have."""

from __future__ import annotations

from typing import Any

from addon.families.cap import Recipe
from addon.fields.coercion import read_record
from addon.fields.declared import with_values


def recipe_of(**values: Any) -> Recipe:
    return read_record(Recipe, values)


def recipe_with(recipe: Recipe, **values: Any) -> Recipe:
    return with_values(recipe, values)
