# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole job, from an assembly's mesh to files read back, and what its steps take.

Each size runs in a process of its own. In seconds of processor time; the memory is the most that the process had at
once, Python, kernel and the mesh that was given included.
"""

from __future__ import annotations

import math
import multiprocessing
import re
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from addon.job.jobfile import parse_job
from addon.job.running import run as run_job

from .takeoff import many_tubes

LIMITS = {1000: (6.0, 1.0), 5000: (35.0, 3.0)}
"""Seconds and gigabytes asked for, by tubes."""
_MOST_STEPS = 6


@dataclass(frozen=True)
class Run:
    tubes: int
    triangles: int
    fittings: int
    took_s: float
    peak_gb: float | None
    """None where the system does not count it."""
    steps: dict[str, float]


def run() -> list[str]:
    alone = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(1, mp_context=alone, max_tasks_per_child=1) as processes:
        few, many = (processes.submit(whole_job, tubes).result() for tubes in LIMITS)
    exponent = math.log(many.took_s / few.took_s) / math.log(many.tubes / few.tubes)
    return [*_rows(few), *_rows(many), f"time grows as tubes to the {exponent:.2f}"]


def whole_job(tubes: int) -> Run:
    mesh = many_tubes(tubes, mitre_deg=45.0)
    steps: dict[str, float] = {}
    begun = [("", time.process_time())]

    def note(what: str, share: float) -> None:
        (step, since), now = begun[-1], time.process_time()
        steps[step] = steps.get(step, 0.0) + now - since
        begun.append((re.split(r" (?:F|plate )?\d", what)[0], now))

    started = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        job = parse_job({"assembly": {"files": ["frame.stl"]}, "fitting": {}}, Path(folder))
        result = run_job(job, [mesh], True, note)
    took = time.process_time() - started
    fitted = sum(len(made.batch.sites) for made in result.made)
    assert fitted == sum(end.open for end in result.ends) > 1.99 * tubes
    return Run(tubes, len(mesh.triangles), fitted, took, _peak_gb(), steps)


def _peak_gb() -> float | None:
    status = Path("/proc/self/status")
    if status.is_file():
        # What Linux counts for a process otherwise begins with what the one that started it held.
        return int(status.read_text().partition("VmHWM:")[2].split()[0]) * 1024 / 1e9
    if sys.platform == "win32":
        return None
    import resource

    bytes_each = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * bytes_each / 1e9


def _rows(done: Run) -> list[str]:
    seconds, gigabytes = LIMITS[done.tubes]
    memory = "" if done.peak_gb is None else f", {done.peak_gb:.2f} GB"
    longest = sorted((step for step in done.steps if step), key=lambda step: -done.steps[step])[:_MOST_STEPS]
    return [
        f"{done.tubes} tubes in one mesh, {done.triangles} triangles; {seconds:g} s and {gigabytes:g} GB asked for",
        f"{'the whole job, ' + str(done.fittings) + ' fittings':36} {done.took_s:6.1f} s{memory}",
        *(f"{step:36} {done.steps[step]:6.1f} s" for step in longest),
    ]
