# SPDX-License-Identifier: GPL-3.0-or-later
"""A recipe and a section in, a closed solid out."""

from .bounds import resolve
from .design import design
from .recipe import Recipe

__all__ = ["Recipe", "design", "resolve"]
