# SPDX-License-Identifier: GPL-3.0-or-later
"""What can go wrong with a file."""

from __future__ import annotations


class FileError(OSError):
    """A file that was not written: what happened, where, and what to do next. Whatever was there before still is."""


class VerificationError(FileError):
    """A file whose contents are not those intended. It has not taken its name."""
