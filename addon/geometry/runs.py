# SPDX-License-Identifier: GPL-3.0-or-later
"""Lists of different lengths laid end to end in one array."""

from __future__ import annotations

import numpy as np

from .topology import Indices


def in_runs(counts: Indices) -> tuple[Indices, Indices]:
    """Whose each place is and how far along in its run: for counts (2, 3) owners 0 0 1 1 1 and places 0 1 0 1 2."""
    owners = np.repeat(np.arange(len(counts)), counts)
    return owners, np.arange(len(owners)) - np.repeat(np.cumsum(counts) - counts, counts)
