# SPDX-License-Identifier: GPL-3.0-or-later
"""How full the plate gets and how long that takes, beside Blender's own box packer, and how fast files are written."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np
from manifold3d import Manifold

from addon.bench.plate import Footprint, lay_out
from addon.files.parts import Part
from addon.files.stl import write_stl
from addon.files.threemf import write_3mf
from addon.geometry.mesh import Mesh
from addon.geometry.placement import Placement
from addon.geometry.sections import Outline
from addon.trade.processes import processes

Result = TypeVar("Result")
SPACING = 3.0
PROCESS = replace(
    processes()[0], plate_mm=(315.0, 275.0, 170.0), margin_mm=5.0, spacing_mm=SPACING, keep_out_mm=(48.0, 38.0)
)


def run() -> list[str]:
    return [*_lists(), *_against_box_pack(), *_files()]


def _lists() -> list[str]:
    caps = [Outline.circle(25.4), Outline.circle(48.3), Outline.rectangle(40, 40, 6), Outline.rectangle(60, 30, 5)]
    jobs = {
        "100 caps of 4 sections": [Footprint(str(i), cap.polygon(), 20.0, 25) for i, cap in enumerate(caps)],
        "10,000 caps of 10 sections": [
            Footprint(str(i), outline.polygon(), 20.0, 1000)
            for i in range(5)
            for outline in (Outline.circle(20 + i), Outline.rectangle(20 + 3 * i, 30 + i, 3))
        ],
        "10,000 caps, no two alike": [
            Footprint(str(i), Outline.rectangle(width, depth, 2).polygon(), 20.0)
            for i, (width, depth) in enumerate(15 + 45 * np.random.default_rng(0).random((10_000, 2)))
        ],
    }
    rows = []
    for name, job in jobs.items():
        plates, seconds = _timed(lambda job=job: lay_out(job, PROCESS))  # type: ignore[misc]
        rows.append(f"{name}: {plates.count} plates in {seconds:.2f} s")
    return rows


def _against_box_pack() -> list[str]:
    """Sets of boxes on the ground that ``box_pack_2d`` takes for them, with a spacing around each box for both."""
    import bpy  # noqa: F401  mathutils comes with it
    from mathutils import geometry

    rng, held, sets, ours, theirs = np.random.default_rng(5), 0, 40, 0.0, 0.0
    for _ in range(sets):
        sizes = np.repeat(15 + 60 * rng.random((12, 2)), rng.integers(1, 6, 12), axis=0)
        boxes = [[0.0, 0.0, *size] for size in (sizes + SPACING).tolist()]
        (width, depth), seconds = _timed(lambda boxes=boxes: geometry.box_pack_2d(boxes))  # type: ignore[misc]
        theirs += seconds
        ground = (width - SPACING + 0.01, depth - SPACING + 0.01, 100.0)
        process = replace(PROCESS, plate_mm=ground, margin_mm=0.0, keep_out_mm=(0.0, 0.0))
        job = [Footprint("", Outline.rectangle(*size).polygon(), 20.0) for size in sizes.tolist()]
        plates, seconds = _timed(lambda job=job, process=process: lay_out(job, process))  # type: ignore[misc]
        ours += seconds
        held += plates.count == 1
    return [
        f"mixed boxes: {held} of {sets} sets fit where box_pack_2d put them "
        f"({ours / sets:.3f} s each; box_pack_2d {theirs / sets:.4f} s)"
    ]


def _files() -> list[str]:
    part = Part("ball", Mesh.from_manifold(Manifold.sphere(20.0, 448)))
    thousands = len(part.mesh.triangles) / 1000
    with tempfile.TemporaryDirectory() as folder:
        _, packed = _timed(lambda: write_3mf(Path(folder) / "a.3mf", [part], [Placement(0, 0, 30.0, 30.0)]))
        _, plain = _timed(lambda: write_stl(Path(folder) / "a.stl", part))
    return [
        f"3MF of {thousands:.0f} thousand triangles, written, read back and compared: {packed:.2f} s",
        f"STL of the same: {plain:.2f} s",
    ]


def _timed(work: Callable[[], Result]) -> tuple[Result, float]:
    start = time.perf_counter()
    result = work()
    return result, time.perf_counter() - start
