# SPDX-License-Identifier: GPL-3.0-or-later
"""How many random cases a test runs."""

from __future__ import annotations

import hypothesis


def examples(count: int) -> hypothesis.settings:
    """``count`` of them, or as many fewer as the profile in force has fewer than hypothesis's own hundred."""
    return hypothesis.settings(max_examples=max(2, count * hypothesis.settings().max_examples // 100))
