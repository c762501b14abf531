# SPDX-License-Identifier: GPL-3.0-or-later
"""What is done at the bench with joiners, in order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from ...geometry.names import in_words
from ...geometry.units import say_mm
from ..bench_steps import BenchSteps
from ..fitting import BenchStep
from .screws import ScrewHole
from .side import JoinerSide

TUBES = ("first", "second")

Sides = tuple[JoinerSide, JoinerSide]


def putting_together(joiners: Mapping[str, tuple[Sides, Sequence[ScrewHole]]]) -> list[BenchStep]:
    """The steps for a job's joiners: their sides and screw holes by their ids."""
    steps = BenchSteps(joiners)
    step = steps.add
    recipes = [(id, sides[0].recipe) for id, (sides, _) in joiners.items()]
    fits = {id: [side.recipe.fit for side in sides] for id, (sides, _) in joiners.items()}

    def by_fit(fit: str) -> list[str]:
        """The joiners with spigots of this fit, with which of them if only one is."""
        here = {id: [tube for tube, own in zip(TUBES, pair, strict=True) if own == fit] for id, pair in fits.items()}
        return [id if len(tubes) == 2 else f"{id} ({tubes[0]} tube)" for id, tubes in here.items() if tubes]

    step("Deburr", "The tubes' ends, inside and out")
    drilled = [f"{id}, {said_holes(holes)}" for id, (_, holes) in joiners.items() if holes]
    if drilled:
        said = (
            "Drill the tubes for the screws, by a drill guide where one is listed for them, before the joiner goes in, "
            "since a fast drill melts it, and deburr the holes inside; distances count from the tube's end along the "
            "side that is drilled"
        )
        steps.append(BenchStep("Drill", f"{said}. {'. '.join(drilled)}."))
    step("Try dry", "Push each spigot in by hand, as far as the collar, the stop or its whole length")
    step(
        "Mark",
        "They have neither collar nor stop: mark each spigot's length on it, and push it in as far as the mark",
        (id for id, recipe in recipes if recipe.between == "web"),
    )
    step(
        "Turn to the holes",
        "Turn the holes through the spigots to the tubes', and keep them free of adhesive; try each bolt or pin while "
        "the joiner can still be moved",
        (id for id, (sides, _) in joiners.items() if any(side.holes for side in sides)),
    )
    step(
        "Inserts",
        "Check the bores against the data sheet of the thread inserts, which comes first (the bores follow common "
        "practice), and set the inserts square to the side that they open to",
        (f"{id} ({recipe.screw.thread})" for id, recipe in recipes if recipe.screw.kind == "insert"),
    )
    glued = by_fit("glue")
    step(
        "Clean",
        "Roughen the bores and the spigots that are glued, wipe both with a cleaner that suits the adhesive, let dry",
        glued,
    )
    both = any(pair == ["glue", "glue"] for pair in fits.values())
    apart = "; a joint that is to come apart again is glued into one of its tubes only" * both
    step(
        "Glue",
        f"Fill any grooves with adhesive and spread a thin coat on the spigot up to the lead-in{apart}",
        glued,
    )
    step(
        "Press in",
        "Drive press fits home with a soft mallet, square to the tube's end",
        by_fit("press"),
    )
    step(
        "Push together",
        "Push the first spigot home, then the second tube over the other one, and keep both along a straight edge or "
        "in their jig until the adhesive has set",
    )
    step(
        "Bolt",
        "Put the bolts through both walls, with washers under heads and nuts, and tighten only until they hold: the "
        "tube's walls give, and the plastic creeps. For each joiner",
        (f"{id} {said_screws(joiners[id][1])}" for id, recipe in recipes if recipe.screw.kind == "through"),
    )
    step(
        "Screw",
        "Tighten only until the screws hold: plastic creeps under a screw that presses on it. For each joiner",
        (f"{id} {said_screws(joiners[id][1])}" for id, recipe in recipes if recipe.screw.kind == "insert"),
    )
    return steps


def said_holes(holes: Sequence[ScrewHole]) -> str:
    """``"first tube ⌀ 5.5 mm at 20 mm through both 40 mm sides, on the middle line; second ..."``, of tubes that are
    drilled alike ``"each tube ..."``."""
    said = {}
    for tube, which in enumerate(TUBES):
        here = [hole for hole in holes if hole.tube == tube]
        if here:
            at = in_words(say_mm(hole.distance_mm) for hole in here)
            said[which] = f"tube ⌀ {say_mm(here[0].diameter_mm)} at {at} {here[0].around}"
    if len(said) == 2 and len(set(said.values())) == 1:
        return f"each {said[TUBES[0]]}"
    return "; ".join(f"{which} {drilled}" for which, drilled in said.items())


def said_screws(holes: Sequence[ScrewHole]) -> str:
    """``"2 × M5 × 50"``."""
    return ", ".join(f"{count} × {screw}" for screw, count in Counter(hole.screw for hole in holes).items())
