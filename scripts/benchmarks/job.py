# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole job, from an assembly's mesh to files read back, and what its steps take. In seconds of processor time."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from addon.job.jobfile import parse_job
from addon.job.running import run as run_job

from .takeoff import many_tubes

TUBES, LIMIT_S = 1000, 6.0


def run() -> list[str]:
    mesh = many_tubes(TUBES, mitre_deg=45.0)
    steps: dict[str, float] = {}
    begun = [("", time.process_time())]

    def note(what: str, share: float) -> None:
        (step, since), now = begun[-1], time.process_time()
        steps[step] = steps.get(step, 0.0) + now - since
        begun.append((what.partition(" F")[0], now))

    started = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        job = parse_job({"assembly": {"files": ["frame.stl"]}, "fitting": {}}, Path(folder))
        result = run_job(job, [mesh], True, note)
    took = time.process_time() - started
    fitted = sum(len(made.batch.sites) for made in result.made)
    assert fitted == sum(end.open for end in result.ends) > 1.99 * TUBES
    longest = sorted((step for step in steps if step), key=lambda step: -steps[step])[:6]
    return [
        f"{TUBES} tubes in one mesh, {len(mesh.triangles)} triangles; {LIMIT_S:g} s asked for",
        f"{'the whole job, ' + str(fitted) + ' fittings':36} {took:6.1f} s",
        *(f"{step:36} {steps[step]:6.1f} s" for step in longest),
    ]
