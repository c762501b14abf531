# SPDX-License-Identifier: GPL-3.0-or-later
"""Building caps: under 5 ms at preview facets. Times are the least of several runs, in seconds of processor time."""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial

from addon.families.cap import Recipe, design
from addon.geometry.sections import Outline, Section

PREVIEW_FACETS = 64
LIMIT_MS = 5.0
SECTIONS = {
    "round 1 in × 1/8 in": Section.round(25.4, 3.175),
    "square 40 × 40 × 3": Section.rectangular(40, 40, 3),
    "rectangular 50 × 25 × 2": Section.rectangular(50, 25, 2),
    "obround 40 × 20 × 2": Section(Outline("obround", 40, 20), Outline("obround", 36, 16)),
}


def run() -> list[str]:
    rows = [f"A cap with groove and lead-in; at most {LIMIT_MS:g} ms asked for at {PREVIEW_FACETS} facets"]
    for name, section in SECTIONS.items():
        for mitre in (0.0, 45.0):
            preview = _least(partial(design, Recipe(), section, mitre_deg=mitre, facets=PREVIEW_FACETS))
            final = _least(partial(design, Recipe(), section, mitre_deg=mitre))
            cut = f"mitred {mitre:g}°" if mitre else "square cut"
            rows.append(f"{name:24} {cut:12} preview {preview * 1000:5.1f} ms, for files {final * 1000:6.1f} ms")
    return rows


def _least(work: Callable[[], object], runs: int = 7) -> float:
    seconds = []
    for _ in range(runs):
        start = time.process_time()
        work()
        seconds.append(time.process_time() - start)
    return min(seconds)
