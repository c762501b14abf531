# SPDX-License-Identifier: GPL-3.0-or-later
"""What is done at the bench with joiners, in order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ...geometry.units import say_mm, say_three
from ..bench_steps import BenchSteps
from ..fitting import BenchStep
from .recipe import JoinerRecipe
from .screws import ScrewHole

_TUBES = ("first", "second")


def putting_together(joiners: Mapping[str, tuple[JoinerRecipe, Sequence[ScrewHole]]]) -> list[BenchStep]:
    """The steps for a job's joiners: their resolved recipes and screw holes by their ids."""
    steps = BenchSteps(joiners)
    step = steps.add
    recipes = [(id, recipe) for id, (recipe, _) in joiners.items()]
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
        "Inserts",
        "Check the bores against the data sheet of the thread inserts, which comes first (the bores follow common "
        "practice), and set the inserts square to the side that they open to",
        (f"{id} ({recipe.screw.thread})" for id, recipe in recipes if recipe.screw.kind == "insert"),
    )
    if any(recipe.fit == "glue" for _, recipe in recipes):
        step(
            "Clean",
            "Roughen the bores and the spigots, wipe both with a cleaner that suits the adhesive, let dry",
        )
        step(
            "Glue",
            "Fill the grooves with adhesive and spread a thin coat on the spigot up to the lead-in; a joint that is to "
            "come apart again is glued into one of its tubes only, and screwed or left loose in the other",
        )
    step(
        "Press in",
        "Drive press fits home with a soft mallet, square to the tube's end",
        (id for id, recipe in recipes if recipe.fit == "press"),
    )
    step(
        "Push together",
        "Push the first spigot home, then the second tube over the other one, and keep both along a straight edge or "
        "in their jig until the adhesive has set",
    )
    step(
        "Bolt",
        "Put the bolts through both walls, with the nuts outside, and tighten only until they hold: the tube's walls "
        "give, and the plastic creeps",
        (f"{id} ({recipe.screw.thread})" for id, recipe in recipes if recipe.screw.kind == "through"),
    )
    step(
        "Screw",
        "Tighten only until the screws hold: plastic creeps under a screw that presses on it",
        (f"{id} ({recipe.screw.thread})" for id, recipe in recipes if recipe.screw.kind == "insert"),
    )
    return steps


def said_holes(holes: Sequence[ScrewHole]) -> str:
    """``"first tube ⌀ 5.5 mm at 20 mm, 90° around; second ..."``."""
    said = []
    for tube in (0, 1):
        here = [hole for hole in holes if hole.tube == tube]
        if here:
            at = " and ".join(say_mm(hole.distance_mm) for hole in here)
            walls = "through both walls" if len(here[0].mouths) > 1 else "through one wall"
            angle = say_three(here[0].angle_deg)
            said.append(f"{_TUBES[tube]} tube ⌀ {say_mm(here[0].diameter_mm)} {walls} at {at}, {angle}° around")
    return "; ".join(said)
