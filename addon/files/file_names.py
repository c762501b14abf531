# SPDX-License-Identifier: GPL-3.0-or-later
"""File names that every system takes."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

MOST_BYTES = 120
"""Of a name in UTF-8: leaves room for endings, and for the folder on systems that count the whole path."""

_FORBIDDEN = re.compile(r'[<>:"/\\|?*]')
_FALLBACK = "fitting"
_JOINERS = "\u200c\u200d"
_RESERVED = {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"} | {
    device + digit for device in ("COM", "LPT") for digit in "0123456789¹²³"
}


def safe_name(text: str) -> str:
    """``text`` as a file name without its ending, as like it as every system allows; "fitting" if nothing is left.

    Separators and characters that some system forbids become hyphens; control characters, marks that turn the
    direction of writing and lone surrogates go; names of devices get an underscore. Source of what is forbidden:
    the naming rules that Windows publishes, which contain those of the others.
    """
    text = "".join(" " if unicodedata.category(c) in ("Zs", "Zl", "Zp", "Cc") else c for c in text)
    text = "".join(c for c in text if c in _JOINERS or unicodedata.category(c) not in ("Cf", "Cs", "Co", "Cn"))
    text = _FORBIDDEN.sub("-", unicodedata.normalize("NFC", text))
    text = _trimmed(" ".join(text.split()))
    if text.split(".")[0].rstrip().upper() in _RESERVED:
        text = "_" + text
    return _cut(text, MOST_BYTES) or _FALLBACK


def safe_names(texts: Iterable[str]) -> list[str]:
    """A safe name for each text, all different even where capitals and small letters are the same."""
    names: list[str] = []
    taken: set[str] = set()
    counts: dict[str, int] = {}
    for text in texts:
        name = first = safe_name(text)
        while _key(name) in taken:
            counts[_key(first)] = counts.get(_key(first), 1) + 1
            ending = f" {counts[_key(first)]}"
            name = _cut(first, MOST_BYTES - len(ending)) + ending
        taken.add(_key(name))
        names.append(name)
    return names


def _trimmed(text: str) -> str:
    return text.lstrip(" .-" + _JOINERS).rstrip(" ." + _JOINERS)


def _cut(text: str, most: int) -> str:
    return _trimmed(text.encode()[:most].decode(errors="ignore"))


def _key(name: str) -> str:
    return unicodedata.normalize("NFKC", re.sub(f"[{_JOINERS}]", "", name)).upper().casefold()
