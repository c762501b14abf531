# SPDX-License-Identifier: GPL-3.0-or-later
"""What runs while a number is dragged: a fitting at preview facets and the review's quick checks, under 33 ms.

Times are the least of several runs, in milliseconds of processor time.
"""

from __future__ import annotations

import time
from typing import Any

from addon.families.cap import Recipe, design
from addon.families.circumstances import Circumstances
from addon.fields.declared import with_values
from addon.geometry.sections import Section
from addon.job.asked import TubeFacts
from addon.review import review_fitting
from addon.trade.processes import Process, process_named

from .fitting import PREVIEW_FACETS

LIMIT_MS = 33.0
CASES: dict[str, tuple[Section, float, dict[str, Any]]] = {
    "round 1 in × 1/8 in": (Section.round(25.4, 3.175), 0.0, {}),
    "round, mitred 45°": (Section.round(25.4, 3.175), 45.0, {}),
    "square 40 × 40 × 3": (Section.rectangular(40, 40, 3), 0.0, {}),
    "rectangular 60 × 40 × 2": (Section.rectangular(60, 40, 2), 0.0, {}),
    "rectangular, mitred 45°": (Section.rectangular(50, 25, 2), 45.0, {}),
    "flat": (Section.rectangular(60, 40, 2), 0.0, {"crown": "flat"}),
    "peaked": (Section.rectangular(60, 40, 2), 0.0, {"crown": "peaked"}),
    "hole through a dome": (Section.round(40, 3), 0.0, {"hole": "through"}),
    "hole, rectangular dome": (Section.rectangular(60, 40, 2), 0.0, {"hole": "through"}),
    "hole through a flat crown": (Section.rectangular(60, 40, 2), 0.0, {"crown": "flat", "hole": "through"}),
}


def run() -> list[str]:
    process = process_named("Everyday, 0.2 mm layers")
    rows = [f"A change of the spigot; at most {LIMIT_MS:g} ms asked for at {PREVIEW_FACETS} facets"]
    for name, (section, mitre, changes) in CASES.items():
        steps = [_drag(section, mitre, {**changes, "spigot_mm": 9 + 0.05 * step}, process) for step in range(9)]
        designed, reviewed = (1000 * min(times) for times in zip(*steps, strict=True))
        rows.append(
            f"{name:26} fitting {designed:5.1f} ms, review {reviewed:5.1f} ms, together {designed + reviewed:5.1f} ms"
        )
    return rows


def _drag(section: Section, mitre: float, changes: dict[str, Any], process: Process) -> tuple[float, float]:
    """Seconds for the fitting and for its review."""
    recipe = with_values(Recipe(), changes)
    started = time.process_time()
    known = Circumstances(process, None, TubeFacts())
    fitting = design(recipe, section, mitre_deg=mitre, circumstances=known, facets=PREVIEW_FACETS)
    designed = time.process_time()
    review_fitting(fitting, process)
    return designed - started, time.process_time() - designed
