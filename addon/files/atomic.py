# SPDX-License-Identifier: GPL-3.0-or-later
"""Files that appear whole or not at all, one by one or several together."""

from __future__ import annotations

import errno
import hashlib
import os
import secrets
import weakref
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import TypeVar

from ..geometry.names import quoted
from .errors import FileError, VerificationError

Checked = TypeVar("Checked")

_UNFINISHED_BYTES = 8
UNFINISHED = "." + 2 * _UNFINISHED_BYTES * "[0-9a-f]" + ".part"
"""How files that are not finished are named, as a pattern to look for what a crash has left."""

_NO_RIGHT = "you may not write there; choose another folder, or close the program that has the file open"
_CURES = {
    errno.ENOSPC: "the disk is full; free some room or choose a folder on another disk",
    errno.EDQUOT: "the quota is used up; free some room or choose a folder on another disk",
    errno.EFBIG: "the file is larger than this disk or account allows; choose a folder on another disk",
    errno.EACCES: _NO_RIGHT,
    errno.EPERM: _NO_RIGHT,
    errno.EROFS: "the disk can only be read; choose a folder on another disk",
    errno.ENAMETOOLONG: "the name is too long; choose a shorter one or a folder higher up",
    errno.ENOTDIR: "a part of the path is a file, not a folder; choose another folder",
    errno.EEXIST: "a part of the path is a file, not a folder; choose another folder",
    errno.EISDIR: "a folder has that name; choose another name or remove the folder",
}


class FileSet:
    """Several files that take their names together, after all of them were written and checked.

    Use it in a ``with`` statement. If anything fails inside, Ctrl-C included, no file appears, what was there
    before stays, and nothing is left over. Missing folders are made. Only where the system refuses one of the names
    at the very end can the files named before it already be there. They take their names in the order in which they
    were added. ``owner`` is whose files these are: what a killed set of the same owner has left in a folder is removed.
    """

    def __init__(self, owner: str = "") -> None:
        self._waiting: dict[Path, Path] = {}
        weakref.finalize(self, _remove, self._waiting)  # If it is dropped without __exit__.
        self._stamps: dict[Path, tuple[int, str]] = {}
        self._cleared: set[Path] = set()
        half = _UNFINISHED_BYTES // 2
        self._mark = hashlib.blake2b(owner.encode(), digest_size=half).hexdigest() if owner else ""

    def __enter__(self) -> FileSet:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: object, trace: TracebackType | None) -> None:
        try:
            if kind is None:
                self._take_names()
        finally:
            _remove(self._waiting)

    def add(self, path: Path, content: bytes, check: Callable[[bytes], Checked]) -> Checked:
        """Writes ``content`` beside ``path``, reads it again from the disk, and returns what ``check`` says of it.

        Raises ``FileError`` if it cannot be written, and what ``check`` raises.
        """
        path = Path(path).absolute()
        if path in self._waiting:
            raise FileError(f"{quoted(path)} would be written twice; give each file a name of its own")
        try:
            if path.is_dir():
                raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))
            path.parent.mkdir(parents=True, exist_ok=True)
            self._clear(path.parent)
            random = secrets.token_hex(_UNFINISHED_BYTES)[len(self._mark) :]
            waiting = self._waiting[path] = path.with_name(f".{self._mark}{random}.part")
            _write(waiting, content)
            again = waiting.read_bytes()
        except OSError as error:
            raise _explained(path, error) from error
        if again != content:
            raise VerificationError(
                f"{quoted(path)}: the disk gives back other bytes than were written; try another disk"
            )
        checked = check(again)
        self._stamps[path] = len(content), hashlib.sha256(content).hexdigest()
        return checked

    def stamps(self) -> list[dict[str, str | int]]:
        """Of the files so far: name, length and SHA-256, by which one can see whether the set is whole."""
        return [
            {"path": path.name, "bytes": length, "sha256": digest} for path, (length, digest) in self._stamps.items()
        ]

    def _clear(self, folder: Path) -> None:
        """Removes what an earlier set of this owner has left in a folder."""
        if not self._mark or folder in self._cleared:
            return
        self._cleared.add(folder)
        for part in folder.glob(f".{self._mark}{len(self._mark) * '[0-9a-f]'}.part"):
            with suppress(OSError):
                part.unlink()

    def _take_names(self) -> None:
        folders = set()
        for path in list(self._waiting):
            try:
                os.replace(self._waiting[path], path)
            except OSError as error:
                raise _explained(path, error) from error
            del self._waiting[path]
            folders.add(path.parent)
        for folder in folders:
            _settle(folder)


def write_checked(path: Path, content: bytes, check: Callable[[bytes], Checked], files: FileSet | None) -> Checked:
    """Adds a file to ``files``, or writes it on its own where that is None."""
    if files is not None:
        return files.add(path, content, check)
    with FileSet() as alone:
        return alone.add(path, content, check)


def _remove(unfinished: Mapping[Path, Path]) -> None:
    for waiting in unfinished.values():
        waiting.unlink(missing_ok=True)


def _write(path: Path, content: bytes) -> None:
    with open(path, "xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _settle(folder: Path) -> None:
    """Makes new names outlast a power cut, where the system can do that for folders."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


def _explained(path: Path, error: OSError) -> FileError:
    reason = error.strerror or str(error)
    cure = _CURES.get(error.errno or 0, f"{reason}; choose another folder and try again")
    explained = FileError(f"{quoted(path)} was not written: {cure}")
    explained.errno = error.errno
    return explained
