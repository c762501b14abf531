# SPDX-License-Identifier: GPL-3.0-or-later
"""Names inside sentences: in quotes, so that where one ends is plain."""

from __future__ import annotations


def quoted(name: object) -> str:
    """A name, or a path, as sentences have it; a name that has straight quotes of its own is put in curly ones."""
    text = str(name)
    return f'"{text}"' if '"' not in text else f"“{text}”"
