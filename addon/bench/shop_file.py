# SPDX-License-Identifier: GPL-3.0-or-later
"""The shop book's file: read, changed and merged so that neither a crash nor a second Blender loses anything.

Writing is read, change, write under a lock, and the new book takes the old one's name in one step. A damaged book is
kept aside under another name, never written over.
"""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from datetime import datetime
from pathlib import Path

from ..fields.messages import say
from ..files.atomic import UNFINISHED, write_checked
from ..files.errors import FileError
from ..files.texts import read_text
from ..geometry.names import quoted
from .lock import locked
from .shop_book import DamagedBook, NewerBook, ShopBook, book_text, parse_book

_PATIENCE_S = 10.0
_LEFTOVER_AFTER_S = 60.0


class ShopBookError(OSError):
    """A shop book that cannot be read or written: what is wrong, and what to do. The file is as it was."""


def open_book(path: Path) -> ShopBook:
    """The book in a file, or an empty one if there is none.

    A damaged book is renamed and reported in ``problems``, and an empty one used. Raises ``ShopBookError`` if the
    file cannot be read or is of a newer format.
    """
    try:
        return _read(path)
    except DamagedBook as damage:
        try:
            with _lock(path):
                return _read_or_keep_aside(path)
        except ShopBookError as error:
            return ShopBook(
                problems=(f"The shop book {quoted(path)} is damaged: {damage}. {error} An empty book is used.",)
            )


def read_book(path: Path) -> ShopBook:
    """The book in a file that somebody named, who may have named another: it is never touched.

    Raises ``ShopBookError``, also if the file is missing or damaged.
    """
    if not os.path.exists(path):  # Path.exists stumbles over names that are too long.
        raise ShopBookError(f"There is no shop book {quoted(path)}. Check the name and the folder.")
    try:
        return _read(path)
    except DamagedBook as damage:
        raise ShopBookError(
            f"{quoted(path)} is damaged or not a shop book: {damage}. Choose another file, or mend this one."
        ) from None


def update_book(path: Path, change: Callable[[ShopBook], ShopBook]) -> ShopBook:
    """Reads the book, lets ``change`` make the new one, and writes it, with no other writer in between.

    Raises ``ShopBookError``; the file is then as it was.
    """
    path = Path(os.path.realpath(path))
    with _lock(path):
        _clear_leftovers(path.parent)
        old = _read_or_keep_aside(path)
        new = change(old)
        if (new.entries, new.kept) != (old.entries, old.kept):
            _write(path, new, _text(path) if path.exists() else "")
    return new


def export_book(book: ShopBook, path: Path) -> None:
    """Writes a copy for another machine. Raises ``ShopBookError``."""
    _write(Path(path), book)


def import_book(path: Path, other: Path) -> tuple[ShopBook, tuple[str, ...]]:
    """Merges the book in the file ``other`` into the one in ``path``; the merged book and what was done, in sentences.

    The rule is that of ``ShopBook.merged``. Raises ``ShopBookError``, also if ``other`` is missing or damaged;
    ``other`` is never touched.
    """
    incoming = read_book(other)
    report = list(incoming.problems)

    def merge(book: ShopBook) -> ShopBook:
        merged, done = book.merged(incoming)
        report.extend(done)
        return merged

    return update_book(path, merge), tuple(report)


def _read(path: Path) -> ShopBook:
    try:
        return parse_book(_text(path))
    except FileNotFoundError:
        return ShopBook()
    except OSError as error:
        reason = error.strerror or error
        raise ShopBookError(
            f"The shop book {quoted(path)} cannot be read: {reason}. Choose another file, or check its permissions."
        ) from None
    except UnicodeDecodeError as error:
        raise DamagedBook(f"it is not UTF-8 text ({error.reason} at byte {error.start})") from None
    except NewerBook as newer:
        raise ShopBookError(
            f"The shop book {quoted(path)} is of a newer Ferrule: {newer}. Update Ferrule here."
        ) from None


def _text(path: Path) -> str:
    return read_text(Path(path))


def _read_or_keep_aside(path: Path) -> ShopBook:
    """Only under the lock: another Blender may just have put a sound book in the damaged one's place."""
    try:
        return _read(path)
    except DamagedBook as damage:
        aside = _free_name(path)
        try:
            os.rename(path, aside)
        except OSError as error:
            raise ShopBookError(
                f"{quoted(path)} cannot be kept aside ({error.strerror}); move it away by hand."
            ) from None
        where_kept = f"It was kept as {quoted(aside.name)}, and an empty book is used."
        return ShopBook(problems=(f"The shop book {quoted(path)} is damaged: {damage}. {where_kept}",))


def _write(path: Path, book: ShopBook, before: str = "") -> None:
    try:
        write_checked(path, book_text(book, before).encode(), lambda content: parse_book(content.decode()), None)
    except FileError as error:
        raise ShopBookError(say("The shop book was not changed: {}", error)) from error


def _free_name(path: Path) -> Path:
    stem = f"{path.stem} damaged {datetime.now():%Y-%m-%d %H%M%S}"
    aside, number = path.with_name(stem + path.suffix), 2
    while aside.exists():
        aside, number = path.with_name(f"{stem} {number}{path.suffix}"), number + 1
    return aside


def _clear_leftovers(folder: Path) -> None:
    """Removes what killed writers left: nobody takes that long to write a book."""
    for part in folder.glob(UNFINISHED):
        with suppress(OSError):
            if time.time() - part.stat().st_mtime > _LEFTOVER_AFTER_S:
                part.unlink()


@contextmanager
def _lock(path: Path) -> Iterator[None]:
    with ExitStack() as held:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            held.enter_context(locked(path.with_name(path.name + ".lock"), _PATIENCE_S))
        except TimeoutError:
            raise ShopBookError(
                f"Another Blender keeps the shop book {quoted(path)} busy. Try again in a moment."
            ) from None
        except OSError as error:
            reason = error.strerror or error
            cure = "Remove it" if error.errno == errno.EINVAL else "Make its folder writable"
            raise ShopBookError(f"The shop book {quoted(path)} cannot be changed: {reason}. {cure}.") from None
        yield
