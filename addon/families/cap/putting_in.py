# SPDX-License-Identifier: GPL-3.0-or-later
"""What is done at the bench with caps, in order."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from .recipe import Recipe


def putting_in(caps: Mapping[str, tuple[Recipe, float]]) -> list[str]:
    """The steps for a job's caps: their resolved recipes and mitres by their ids."""
    recipes = [(id, recipe) for id, (recipe, _) in caps.items()]

    def which(chosen: Iterable[str]) -> str:
        return ", ".join(chosen)

    steps = [
        "Do all welding and galvanising first. Deburr the tube ends inside and out.",
        "Try each fitting dry: push it in by hand until the shoulder sits on the rim all round. A press fit only "
        "has to start.",
    ]
    nuts = which(f"{id} ({recipe.hole.thread})" for id, recipe in recipes if recipe.hole.kind == "nut pocket")
    if nuts:
        steps.append(
            "Put the nuts into the crown's pocket from outside, so that the foot presses them onto the plastic: "
            f"{nuts}."
        )
    inserts = which(f"{id} ({recipe.hole.thread})" for id, recipe in recipes if recipe.hole.kind == "insert")
    if inserts:
        steps.append(
            "Check the bores against the data sheet of the thread inserts, which comes first (the bores follow common "
            f"practice), and set the inserts from the crown's side, square to it: {inserts}."
        )
    glued = any(recipe.fit == "glue" for _, recipe in recipes)
    relieved = which(id for id, recipe in recipes if recipe.seam.kind != "none")
    if relieved:
        steps.append(f"Line up the seam relief with the tube's weld seam: {relieved}.")
    mitred = which(id for id, (_, mitre_deg) in caps.items() if mitre_deg)
    if mitred:
        steps.append(f"Mitred fittings go in one way only; turn them until the shoulder meets the rim: {mitred}.")
    if glued:
        steps.append(
            "Roughen the inside of the tube and the spigot, wipe both with a cleaner that suits the adhesive, let dry."
        )
        steps.append("Fill the grooves with adhesive and spread a thin coat on the spigot up to the lead-in.")
    channels = which(id for id, recipe in recipes if recipe.vent.kind == "channel")
    holes = which(id for id, recipe in recipes if recipe.vent.kind == "hole")
    if channels:
        steps.append(
            f"Keep the vent channel free of adhesive, and face it down where it may get rained on: {channels}."
        )
    if holes:
        steps.append(f"Keep the vent hole free of adhesive: {holes}.")
    pressed = which(id for id, recipe in recipes if recipe.fit == "press")
    if pressed:
        steps.append(f"Drive press fits home with a soft mallet, square to the rim: {pressed}.")
    if glued:
        steps.append(
            "Push the fittings home, square-cut round ones with a quarter turn. Wipe off the excess, and hold them "
            "until the adhesive has set."
        )
    if any(recipe.vent.kind == "none" for _, recipe in recipes):
        steps.append(
            "Trapped air pushes the last fitting of a closed tube out again: hold it until it stays, or make that one "
            'with a vent (vent = "channel").'
        )
    return steps
