# SPDX-License-Identifier: GPL-3.0-or-later
"""A lock between processes that the system lets go of when its holder ends, however it ends: none goes stale."""

from __future__ import annotations

import errno
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

if sys.platform == "win32":
    import msvcrt

    def _take(handle: int) -> None:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
else:
    import fcntl

    def _take(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


_BETWEEN_TRIES_S = 0.01


@contextmanager
def locked(path: Path, patience_s: float) -> Iterator[None]:
    """Holds the lock file ``path``, which is made if it is missing and stays. Closing it lets go.

    Raises ``TimeoutError`` if another holds it for ``patience_s``, other ``OSError`` if it cannot be had, with the
    number ``EINVAL`` if it is a pipe or a device: opening one may wait for ever.
    """
    if path.exists() and not (path.is_file() or path.is_dir()):
        raise OSError(errno.EINVAL, f"the lock file {path.name} is a pipe or a device, not a file", str(path))
    with open(path, "ab", buffering=0) as file:
        deadline = time.monotonic() + patience_s
        while True:
            try:
                # The same byte for everyone: the lock covers where the file stands, and it stays empty.
                _take(file.fileno())
                break
            except (BlockingIOError, PermissionError):
                if time.monotonic() > deadline:
                    raise TimeoutError from None
                time.sleep(_BETWEEN_TRIES_S)
        yield
