# SPDX-License-Identifier: GPL-3.0-or-later
"""Tubes of which triangles are missing, doubled, flipped or in another order: the takeoff comes back, with numbers."""

from __future__ import annotations

from collections import Counter
from importlib import import_module

import numpy as np

from addon.takeoff import take_off

CHUNK, LIMIT_S = 1, 20.0
_FAULTS = import_module("test_takeoff_faults")
_WAYS = ("missing", "doubled", "flipped", "reordered")


def attack(seed: int, count: int) -> Counter[str]:
    tally: Counter[str] = Counter()
    for number in range(seed, seed + count):
        rng = np.random.default_rng(number)
        wall = rng.uniform(1.0, 4.0)
        mesh = _FAULTS.chamfered(int(rng.choice([4, 6, 12, 16, 48])), wall, wall * rng.uniform(0.1, 0.45))
        way = str(rng.choice(_WAYS))
        takeoff = take_off([_FAULTS.mutated(mesh, way, rng)], 8.0)
        for end in takeoff.ends:
            assert end.open == (end.cause == "open") and np.isfinite(end.frame.origin).all() and end.clear_depth_mm >= 0
        noted = "" if len(takeoff.ends) >= 2 else ", with a note" if takeoff.notes else ", without a note"
        tally[f"with {len(takeoff.ends)} ends{noted}"] += 1
    return tally
