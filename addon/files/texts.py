# SPDX-License-Identifier: GPL-3.0-or-later
"""Text files that somebody names: only files that end are read."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

MOST_BYTES = 16_000_000
"""Far more than any job or shop book has."""


def read_text(path: Path, most_bytes: int = MOST_BYTES) -> str:
    """The text of a file in UTF-8, with or without a byte order mark.

    Raises ``OSError`` whose ``strerror`` says what the file is, also if it is not a regular file, which might never
    end, or has more than ``most_bytes``, and ``UnicodeDecodeError``.
    """
    status = os.stat(path)
    if stat.S_ISDIR(status.st_mode):
        raise OSError(errno.EISDIR, "it is a folder", str(path))
    if not stat.S_ISREG(status.st_mode):
        raise OSError(errno.EINVAL, "it is a pipe or a device, not a file", str(path))
    if status.st_size > most_bytes:
        size = f"it has {status.st_size / 1e6:,.0f} MB, and at most {most_bytes / 1e6:.0f} MB are read"
        raise OSError(errno.EFBIG, size, str(path))
    return path.read_bytes().decode("utf-8-sig")
