# SPDX-License-Identifier: GPL-3.0-or-later
"""The main job from a command line: ``blender --command ferrule JOB.toml``."""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from ..geometry.mesh import Mesh
from ..job.asked import Job, JobError
from ..job.jobfile import read_job
from ..job.judging import verdict_of
from ..job.running import run_order
from ..job.screen import LEAST_WIDTH, WIDTH, table
from ..job.workers import Workers, spare_processors
from .apart import read_apart
from .scene import SceneError, own_python

DONE, NOT_READY, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130
"""Exit codes: 0 if nothing must be fixed and nothing was left out; 1 if the job was done and something must be, or was;
2, as argparse has it, for input that cannot be read."""
QUIET_S = 10.0
"""Where progress is not written over, a line of it appears no more often than this."""


def main(argv: Sequence[str]) -> int:
    """Do the job in the file that ``argv`` names and print what was made; returns the exit code.

    Errors are one paragraph on stderr. Ctrl-C stops at the next step of the work and leaves no half-written file.
    """
    parser = argparse.ArgumentParser(
        prog="ferrule", description="From the mesh of a tube weldment to checked print files of its fittings."
    )
    parser.add_argument("job", metavar="JOB.toml", type=Path, help="the job file: what to read, make and write")
    parser.add_argument("--all", action="store_true", help="print every end, finding, caution and file, not a summary")
    parser.add_argument("--quiet", action="store_true", help="print the result only, no progress")
    try:
        arguments = parser.parse_args(argv)
    except SystemExit as end:  # argparse has said its piece; Blender must not be taken down with it
        return int(end.code or 0)
    progress = _Progress(arguments.quiet)
    try:
        with _interruptible():
            report, complete = _report_of(arguments.job, progress, arguments.all)
    except KeyboardInterrupt:
        progress.end()
        print("Stopped. No half-written file is left.", file=sys.stderr)
        return INTERRUPTED
    except (JobError, SceneError, OSError) as error:  # files.errors.FileError is an OSError
        progress.end()
        print(f"ferrule: {error}", file=sys.stderr)
        return BAD_INPUT
    progress.end()
    _say(report)
    return DONE if complete else NOT_READY


def _report_of(file: Path, progress: _Progress, everything: bool) -> tuple[str, bool]:
    """What to print, and whether nothing must be fixed and nothing was left out."""
    job = read_job(file)
    notes: list[str] = []
    with Workers(spare_processors(), own_python()) as workers:
        result = run_order(job, _assemblies(job, notes, progress), progress, workers.shared_out)
    report = "\n".join([*notes, table(result, everything, _width())])
    return report, verdict_of(result).complete


def _width() -> int:
    """Of the screen, as far as lines of text are read well."""
    return min(max(shutil.get_terminal_size((WIDTH, 0)).columns, LEAST_WIDTH), WIDTH)


def _assemblies(job: Job, notes: list[str], progress: _Progress) -> Iterator[tuple[Sequence[Mesh], bool]]:
    """The meshes of the job's assemblies in turn, and whether their unit was given; what is to be said of the files
    goes to the ``notes``."""
    for number, assembly in enumerate(job.assemblies):
        which = f" {assembly.name}" if len(job.assemblies) > 1 else ""
        progress(f"Reading the assembly{which}", 0.1 * number / len(job.assemblies))
        read = read_apart(assembly.files, assembly.unit)
        notes += read.notes
        yield read.meshes, read.unit_given


def _say(text: str, end: str = "\n") -> None:
    """Print, for as long as somebody reads it: `| head` goes early, and the job is done all the same."""
    try:
        print(text, end=end, flush=True)
    except BrokenPipeError:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())  # Python would fail once more, on its way out
        os.close(nowhere)


class _Progress:
    """One line that is written over on a terminal; elsewhere a line now and then, where the work takes long."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._in_place = sys.stdout.isatty()
        self._last = ""
        self._width = 0
        self._said_s = time.monotonic()

    def __call__(self, work: str, share: float) -> None:
        """``share`` of the whole job, 0 to 1, is done, and ``work`` comes next."""
        line = f"{work} ... {share:4.0%}"
        if self._quiet or line == self._last:
            return
        if self._in_place:
            _say(f"\r{line.ljust(self._width)}", end="")
            self._width = len(line)
        elif share < 1 and time.monotonic() - self._said_s >= QUIET_S:
            _say(line)
            self._said_s = time.monotonic()
        self._last = line

    def end(self) -> None:
        """Leave an empty line behind where one was written over."""
        if self._width:
            _say(f"\r{' ' * self._width}\r", end="")
            self._width = 0


@contextmanager
def _interruptible() -> Iterator[None]:
    """Turn Ctrl-C into KeyboardInterrupt: Blender without a window has a handler of its own that only takes note."""
    before = signal.getsignal(signal.SIGINT)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    finally:
        # None is a handler that was not set from Python and cannot be set back from here.
        if before is not None:
            signal.signal(signal.SIGINT, before)
