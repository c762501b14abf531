# SPDX-License-Identifier: GPL-3.0-or-later
"""The shop book of this machine's Blender."""

from __future__ import annotations

from pathlib import Path

import bpy

from ..bench.readings import learned
from ..bench.shop_book import ShopBook
from ..bench.shop_file import ShopBookError, open_book
from ..fields.messages import Message, as_message

_read: dict[Path, tuple[float, ShopBook]] = {}
_learned: tuple[ShopBook, list[Message]] = (ShopBook(), [])


def book_path() -> Path:
    return Path(bpy.utils.user_resource("CONFIG", path="ferrule")) / "shop_book.toml"


def book() -> ShopBook:
    """The book as it is on disk now, read again only where it has changed. One that cannot be used is an empty one that
    says so in its problems."""
    path = book_path()
    changed = path.stat().st_mtime_ns if path.exists() else 0
    if path not in _read or _read[path][0] != changed:
        try:
            _read[path] = changed, open_book(path) if changed else ShopBook()
        except ShopBookError as error:
            return ShopBook(problems=(as_message(error),))
    return _read[path][1]


def lessons() -> list[Message]:
    """What the book's readings add up to, in sentences; worked out once for each state of the book."""
    global _learned
    now = book()
    if _learned[0] is not now:
        _learned = now, learned(now)
    return _learned[1]
