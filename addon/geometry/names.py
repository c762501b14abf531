# SPDX-License-Identifier: GPL-3.0-or-later
"""Names inside sentences: always in quotes, so that "0.2 mm" in what somebody called a process is never taken for a
length that the sentence tells."""

from __future__ import annotations

QUOTED = r"""(?<!\w)(?:"[^"]*"|“[^”]*”|'(?:[^'\\]|\\.)*')"""
"""A regular expression for what stands in quotes: as ``quoted`` or ``repr`` writes it. An apostrophe begins nothing, as
it follows a letter."""


def quoted(name: object) -> str:
    """A name, or a path, as sentences have it; a name that has straight quotes of its own is put in curly ones."""
    text = str(name)
    # One that has both kinds loses the straight ones, for where it ends must be plain.
    return f'"{text}"' if '"' not in text else f"“{text}”" if "”" not in text else '"{}"'.format(text.replace('"', "″"))
