# SPDX-License-Identifier: GPL-3.0-or-later
"""Changing properties without their callbacks doing anything."""

from __future__ import annotations

_depth = 0


class quietly:
    """``with quietly():`` properties change without anything being made again; the caller sees to that."""

    def __enter__(self) -> None:
        global _depth
        _depth += 1

    def __exit__(self, *error: object) -> None:
        global _depth
        _depth -= 1


def loud() -> bool:
    """Whether callbacks are to do their work."""
    return not _depth
