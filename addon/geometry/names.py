# SPDX-License-Identifier: GPL-3.0-or-later
"""Names inside sentences, in quotes, so that where one ends is plain; several of them in a row; and names that occur
more than once."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Sequence


def quoted(name: object) -> str:
    """A name, or a path, as sentences have it; a name that has straight quotes of its own is put in curly ones."""
    text = str(name)
    return f'"{text}"' if '"' not in text else f"“{text}”"


def in_words(parts: Iterable[str]) -> str:
    """``in_words(["A", "B", "C"])`` is ``"A, B and C"``."""
    *first, last = [*parts] or [""]
    return f"{', '.join(first)} and {last}" if first else last


def name_order(name: str) -> list[str | int]:
    """A key that sorts names with the numbers in them as numbers: "body 2" before "body 10"."""
    return [int(part) if place % 2 else part for place, part in enumerate(re.split(r"(\d+)", name))]


def unique_names(names: Sequence[str]) -> list[str]:
    """The names with the second and later of each numbered, as "Post 2"."""
    used: set[str] = set()
    count: Counter[str] = Counter()
    numbered = []
    for name in names:
        unique = name
        while unique in used:
            count[name] += 1
            unique = f"{name} {count[name] + 1}"
        used.add(unique)
        numbered.append(unique)
    return numbered
