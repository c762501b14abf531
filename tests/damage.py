# SPDX-License-Identifier: GPL-3.0-or-later
"""Text and bytes as accidents leave them: cut off, altered, repeated, or of another kind."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from typing import Any

OTHERS: tuple[Any, ...] = (None, True, -1, 0, 1e999, float("nan"), 10**400, "", "x", "\ud800", [], {}, [[]], [None])
"""What stands in place of a value in a record; ``json`` writes numbers that are none as words."""


def damaged(data: bytes, rng: random.Random) -> bytes:
    """The bytes with one to four damages."""
    content = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        place = rng.randrange(len(content) + 1)
        length = min(rng.choice((1, 1, 4, 16, 200)), len(content) - place)
        kind = rng.randrange(5)
        if kind == 0:
            del content[place:]
        elif kind == 1:
            del content[place : place + length]
        elif kind == 2:
            content[place : place + length] = rng.randbytes(length)
        elif kind == 3:
            content[place:place] = content[place : place + length]
        elif content:
            content[place % len(content)] ^= 1 << rng.randrange(8)
    return bytes(content)


def damaged_text(text: str, rng: random.Random) -> str:
    """As ``damaged``, without what no text in UTF-8 holds."""
    return damaged(text.encode(), rng).decode("utf-8", "replace").replace("\0", "0")


def records(text: str) -> Iterator[str]:
    """A JSON record with each of its values, one after the other, replaced by each of ``OTHERS``, and without it."""
    whole = {"record": json.loads(text)}

    def put(holder: Any, key: Any) -> Iterator[str]:
        old = holder[key]
        for other in OTHERS:
            holder[key] = other
            yield json.dumps(whole["record"])
        holder[key] = old
        if isinstance(old, dict):
            for inner in list(old):
                value = old.pop(inner)
                yield json.dumps(whole["record"])
                old[inner] = value
                yield from put(old, inner)
        elif isinstance(old, list):
            for number in (0, len(old) - 1) if old else ():
                yield from put(old, number)

    yield from put(whole, "record")
    yield 100_000 * "["
