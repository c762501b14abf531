# SPDX-License-Identifier: GPL-3.0-or-later
"""Caps of any recipe on any section and mitre: sound and of the right volume, or refused with cures that help."""

from __future__ import annotations

from collections import Counter
from importlib import import_module
from typing import Any

import hypothesis

CHUNK, LIMIT_S = 10, 300.0
_CASES = import_module("test_fitting_random")


def attack(seed: int, count: int) -> Counter[str]:
    tally: Counter[str] = Counter()

    def check(recipe: Any, section: Any, end: Any) -> None:
        tally["drawn"] += 1
        _CASES.test_random_fittings_are_sound_or_refused_with_a_cure_that_works.hypothesis.inner_test(
            recipe, section, end
        )
        tally["made, at once or with the values that were offered"] += 1

    settings = hypothesis.settings(
        max_examples=count, deadline=None, database=None, suppress_health_check=list(hypothesis.HealthCheck)
    )
    drawn = hypothesis.given(_CASES.recipes, _CASES.sections, _CASES.ends)
    hypothesis.seed(seed)(settings(drawn(check)))()
    return tally
