# SPDX-License-Identifier: GPL-3.0-or-later
"""Jobs killed at any moment: the folder's files are whole or seen not to be, and the next run puts all right."""

from __future__ import annotations

import os
import random
import signal
import tempfile
import time
from collections import Counter
from importlib import import_module
from pathlib import Path

from addon.files.atomic import UNFINISHED
from addon.job.folder import LastRun

CHUNK, LIMIT_S = 5, 300.0
_FOLDER = import_module("test_job_folder")


def attack(seed: int, count: int) -> Counter[str]:
    tally: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "ferrule_out"
        started = time.monotonic()
        assert _ended(_start(place, 5.0)) == 0
        usual = time.monotonic() - started
        for number in range(seed, seed + count):
            before = _contents(folder)
            child = _start(place, 6.0 + number % 2)
            # Files are written at the end of a run.
            time.sleep(usual * random.Random(number).uniform(0.7, 1.2))
            os.kill(child, signal.SIGKILL)
            _ended(child)
            torn = LastRun.of(folder).torn
            if torn:
                tally["seen to be torn"] += 1
            elif _contents(folder) == before:
                tally["as before"] += 1
            else:
                tally["whole"] += 1
            if torn or list(folder.glob(UNFINISHED)):
                assert _ended(_start(place, 6.0 + number % 2)) == 0
                assert not LastRun.of(folder).torn and not list(folder.glob(UNFINISHED)), "the next run left it torn"
    return tally


def _contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if not path.match(UNFINISHED)}


def _start(place: str, rise_mm: float) -> int:
    """The id of a child that runs a job. Nothing is computed in the parent, whose threads a child would lack."""
    child = os.fork()
    if not child:
        code = 1
        try:
            _FOLDER.do(Path(place), "stall", rise_mm=rise_mm)
            code = 0
        finally:
            os._exit(code)
    return child


def _ended(child: int) -> int:
    return os.waitpid(child, 0)[1]
