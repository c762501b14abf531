# SPDX-License-Identifier: GPL-3.0-or-later
"""What is done at the bench with caps, in order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..bench_steps import BenchSteps
from ..fitting import BenchStep
from .recipe import Recipe


def putting_in(caps: Mapping[str, tuple[Recipe, float]], holed: Sequence[str]) -> list[BenchStep]:
    """The steps for a job's caps: their resolved recipes and mitres by their ids; ``holed`` have holes across."""
    recipes = [(id, recipe) for id, (recipe, _) in caps.items()]
    steps = BenchSteps(caps)
    step = steps.add
    glued = any(recipe.fit == "glue" for _, recipe in recipes)
    step("Deburr", "The tube ends, inside and out")
    tight = any("press fit or ribs" in recipe.conditions for _, recipe in recipes)
    start = "; a tight one only has to start" * tight
    step("Try dry", f"Push each fitting in by hand until the shoulder sits on the rim all round{start}")
    step(
        "Turn to the seam",
        "Turn the seam relief to the tube's weld seam; where there is no seam, any way will do",
        (id for id, recipe in recipes if recipe.seam.kind in ("notch", "flat")),
    )
    step(
        "Turn to the mitre",
        "They go in one way only; turn them until the shoulder meets the rim",
        (id for id, (_, mitre_deg) in caps.items() if mitre_deg),
    )
    step(
        "Turn to the hole",
        "Turn the hole through the spigot to the tube's, and keep it free of adhesive; try the bolt or pin while the "
        "fitting can still be turned",
        holed,
    )
    step(
        "Nuts",
        "Into the crown's pocket from outside, so that the foot presses them onto the plastic",
        (f"{id} ({recipe.hole.thread})" for id, recipe in recipes if recipe.hole.kind == "nut pocket"),
    )
    step(
        "Inserts",
        "Check the bores against the data sheet of the thread inserts, which comes first (the bores follow common "
        "practice), and set the inserts from the crown's side, square to it",
        (f"{id} ({recipe.hole.thread})" for id, recipe in recipes if recipe.hole.kind == "insert"),
    )
    if glued:
        step(
            "Clean",
            "Roughen the inside of the tube and the spigot, wipe both with a cleaner that suits the adhesive, let dry",
        )
        thin = "pread a thin coat of adhesive on the spigot"
        grooved = [id for id, recipe in recipes if recipe.fit == "glue" and recipe.groove.count]
        plain = [id for id, recipe in recipes if recipe.fit == "glue" and not recipe.groove.count]
        step("Glue", f"Fill the grooves with adhesive and s{thin}", grooved)
        step("Glue", f"S{thin}", plain)
    step(
        "Vent",
        "Keep the channel free of adhesive, and face it down where it may get rained on",
        (id for id, recipe in recipes if recipe.vent.kind == "channel"),
    )
    step(
        "Vent",
        "Keep the hole free of adhesive",
        (id for id, recipe in recipes if recipe.vent.kind == "hole"),
    )
    step(
        "Press in",
        "Drive press fits home with a soft mallet, square to the rim",
        (id for id, recipe in recipes if recipe.fit == "press"),
    )
    step(
        "Tap in",
        "Ribs keep the spigot central and are crushed in a tight tube; use a soft mallet, square to the rim",
        (id for id, recipe in recipes if recipe.rib.count and recipe.fit == "glue"),
    )
    if glued:
        turned = any(
            not mitre_deg and recipe.seam.kind == "none" and not recipe.rib.count for recipe, mitre_deg in caps.values()
        )
        turn = ", square-cut round ones with a quarter turn" if turned else ""
        step(
            "Push home",
            f"Push each one in until the shoulder sits{turn}; wipe off what comes out, and hold it until the adhesive "
            "has set",
        )
    if any(recipe.vent.kind == "none" for _, recipe in recipes):
        step(
            "Air",
            "Trapped air pushes the last fitting of a closed tube out again: hold it until it stays, or have that one "
            "made with a vent",
        )
    return steps
