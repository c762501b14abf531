# SPDX-License-Identifier: GPL-3.0-or-later
"""The folder that a job writes into, and what the last run has left there."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from ..bench.readings import FORMAT
from ..files.atomic import FileSet
from ..files.errors import FileError
from ..files.file_names import safe_name
from ..files.parts import WrittenFile
from ..files.texts import read_text
from ..geometry.names import quoted

RESULT = "result.json"
MOST_BYTES = 500_000_000
"""Far more than the result of any job has."""


def read_result(path: Path) -> dict[str, Any] | None:
    """A parsed result.json; None if there is none, or it is not one of this Ferrule's."""
    try:
        result = json.loads(read_text(path, MOST_BYTES))
    except (OSError, ValueError, RecursionError):
        return None
    if not isinstance(result, dict) or result.get("format") != FORMAT or not isinstance(result.get("job"), str):
        return None
    return result


@dataclass(frozen=True)
class LastRun:
    """What a folder's result.json says."""

    job: str = ""
    """Empty if the folder has none of this Ferrule's."""
    prints: frozenset[str] = frozenset()
    """Names of its print files."""
    stamps: Mapping[str, tuple[int, str]] = field(default_factory=dict)
    """Length and SHA-256 of each of its files as that run wrote them, by their names."""
    folder: Path = field(default=Path(), compare=False)

    @classmethod
    def of(cls, folder: Path) -> LastRun:
        result = read_result(folder / RESULT)
        if result is None:
            return cls(folder=folder)
        try:
            prints = frozenset(str(file["path"]) for file in result["files"])
            written = {str(file["path"]): (file["bytes"], file["sha256"]) for file in result.get("written", ())}
        except (LookupError, TypeError):
            return cls(result["job"], folder=folder)
        return cls(result["job"], prints, written, folder)

    @cached_property
    def torn(self) -> tuple[str, ...]:
        """Names of its files that are gone or are not as that run wrote them; reads all of them."""
        return tuple(name for name, stamp in self.stamps.items() if _stamp(self.folder / name) != stamp)

    @property
    def said(self) -> str:
        """A sentence on files that are not as they were written, empty if all are."""
        if not self.torn:
            return ""
        return (
            f"Changed or gone since the job {quoted(self.job)} wrote them: {', '.join(map(quoted, self.torn))}. Run it "
            "again before printing from the folder."
        )


def left_behind(job: str, written: Sequence[WrittenFile], last: LastRun) -> tuple[str, ...]:
    """A sentence on the print files that this job's last run in the folder wrote and this one did not, where they are
    still there."""
    names = sorted(last.prints - {file.path.name for file in written}) if last.job == job else []
    old = [name for name in names if (last.folder / name).is_file()]
    if not old:
        return ()
    return (
        f"From an earlier run, and no part of this job any more: {', '.join(map(quoted, old))}. Do not print them.",
    )


def set_aside(job: str, last: LastRun, files: FileSet) -> tuple[str, ...]:
    """Keeps a result.json that is not this job's under another name; a sentence on that. Raises ``FileError``."""
    folder, path = last.folder, last.folder / RESULT
    if last.job == job or not path.is_file():
        return ()
    try:
        content = path.read_bytes()
    except OSError as error:
        raise FileError(
            f"{quoted(path)} cannot be read and would be replaced: {error.strerror}; move it away"
        ) from error
    if last.job:
        aside = folder / f"{safe_name(last.job)} {RESULT}"
        files.add(aside, content, len)
        return (f"The job {quoted(last.job)} wrote into this folder before; its result is now {quoted(aside.name)}.",)
    aside = next(free for n in range(1, 10_000) if not (free := folder / f"result kept {n}.json").exists())
    files.add(aside, content, len)
    return (f"A {RESULT} that no job wrote was in the folder; it is now {quoted(aside.name)}.",)


def _stamp(path: Path) -> tuple[int, str] | None:
    try:
        with path.open("rb") as file:
            return path.stat().st_size, hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None
