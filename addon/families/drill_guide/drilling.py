# SPDX-License-Identifier: GPL-3.0-or-later
"""How holes are drilled with guides, step by step."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping

from ...geometry.names import in_words
from ...geometry.units import MM_PER_INCH, say_both, say_three
from ...trade.drills import OFF_MM
from ..bench_steps import BenchSteps
from ..fitting import BenchStep
from .bounds import Bush, Plan


def drilling(guides: Mapping[str, Plan]) -> list[BenchStep]:
    """The steps for guides by their ids."""
    steps = BenchSteps(guides)
    step = steps.add

    def those(test: Callable[[Plan], bool]) -> list[str]:
        return [id for id, plan in guides.items() if test(plan)]

    step(
        "Bushes",
        "Press the steel bushes in from outside, down to the ledge, in a vice; a drop of glue holds a loose one",
        those(lambda plan: plan.recipe.bush == "steel"),
    )
    step(
        "Bushes",
        "Turn each drill once through its bush by hand before the guide goes on",
        those(lambda plan: plan.recipe.bush == "printed"),
    )
    step(
        "Scribe",
        "Scribe a line along the tube where hole 1 lies around it; the notch in the guide's edge goes on the line",
        those(lambda plan: plan.place.section.outer.shape != "rectangle" and plan.recipe.witness == "line"),
    )
    step(
        "Scribe",
        "Scribe a line across the tube where hole 1 lies, by its distance from the end; the notches in the saddle's "
        "edges go on the line, its arrow to that end or away from it, as the list says",
        those(lambda plan: plan.side is not None and plan.recipe.witness == "line"),
    )
    step("Slide on", "Push the sleeve on until its stop meets the rim", those(lambda plan: plan.side is None))
    step(
        "Clamp",
        "Tighten the hose clamps in the grooves, and clamp the tube",
        _with_clamps(guides),
    )
    step(
        "Clamp",
        "Put the nuts into their pockets from inside before the guide goes on, tighten the screws by hand, and clamp "
        "the tube",
        those(lambda plan: plan.recipe.clamp == "screws"),
    )
    step("Drill", "Drill hole 1, slowly and lifting often, and check its place before you go on")
    step(
        "Pin",
        "Leave a pin as thick as the drill in hole 1: it holds the guide while the other holes are drilled",
        those(lambda plan: _holes(plan.bushes) > 1),
    )
    step(
        "Some holes",
        'Where the list of tubes says "only hole", leave the guide\'s other holes out',
        those(lambda plan: plan.place.partial),
    )
    step(
        "Both walls",
        "Drill each wall from its own side, through the bush there",
        those(lambda plan: len(plan.bushes) > _holes(plan.bushes)),
    )
    step(
        "Both walls",
        "Where the far wall has no bush, drill on through it without moving the guide",
        those(lambda plan: len(plan.bushes) < len(plan.place.entries)),
    )
    step(
        "Open up",
        "Take the guide off and drill the pilot holes to size",
        (f"{id} ({_sizes(plan.bushes)})" for id, plan in guides.items() if _sizes(plan.bushes)),
    )
    step("Deburr", "Deburr every hole outside, and inside where it can be reached, and take the swarf out of the tube")
    return steps


def _with_clamps(guides: Mapping[str, Plan]) -> Iterator[str]:
    """The ids of those that take the same hose clamps, with which to buy."""
    alike: dict[str, list[str]] = {}
    for id, plan in guides.items():
        if plan.clamps:
            alike.setdefault(_clamps(plan), []).append(id)
    for said, ids in alike.items():
        yield f"{in_words(ids)} ({'each ' * (len(ids) > 1)}{said})"


def _clamps(plan: Plan) -> str:
    """What to buy."""
    least, most = math.floor(plan.clamp_mm[0]), math.ceil(plan.clamp_mm[1])
    inches = " to ".join(say_three(round(mm / MM_PER_INCH, 2)) for mm in (least, most))
    return f"{plan.clamps} for {least} to {most} mm, {inches} in, band {say_both(plan.recipe.band_mm)}"


def _holes(bushes: Iterable[Bush]) -> int:
    return len({bush.entry.hole for bush in bushes})


def _sizes(bushes: Iterable[Bush]) -> str:
    """Of the holes that are larger than their drills."""
    sizes = sorted({bush.entry.diameter_mm for bush in bushes if bush.drill_mm < bush.entry.diameter_mm - OFF_MM})
    return in_words(map(say_both, sizes))
