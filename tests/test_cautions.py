# SPDX-License-Identifier: GPL-3.0-or-later
"""Which cautions apply to which work. What they have to warn of is trade knowledge (common practice, no source)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import get_args

import pytest
from recipes import recipe_of, recipe_with

from addon.families.cap.recipe import Recipe
from addon.families.cope_sleeve import CopeRecipe
from addon.families.drill_guide import GuideRecipe
from addon.families.hole_plug import PlugRecipe
from addon.families.joiner import JoinerRecipe
from addon.trade.cautions import Choice, Condition, Facts, Step, cautions, cautions_for
from addon.trade.metals import metal_named
from addon.trade.processes import DEFAULT_PROCESS, material_named, process_named, processes

REPOSITORY = Path(__file__).parent.parent
COLD = replace(process_named(DEFAULT_PROCESS), support="dissolved in a bath", bath="water", chamber_c=0.0, fill=1.0)
"""A process of which nothing but the usual is to be said."""
QUIET = Facts(COLD, material_named("PLA"), metal_named("aluminium"), (recipe_of(fit="push", vent="channel"),))
ALL = Facts(
    replace(COLD, bath="caustic, ultrasonic", chamber_c=60.0, fill=0.2),
    material_named("PA12 with carbon fibre"),
    metal_named("carbon steel"),
    (
        recipe_of(hole="insert", gap_mm=1.2),
        Recipe(fit="press"),
        GuideRecipe(),
        PlugRecipe(),
        CopeRecipe(),
        JoinerRecipe(),
    ),
)


def names(facts: Facts) -> set[str]:
    return {caution.name for caution in cautions_for(facts)}


def about(facts: Facts) -> str:
    return " ".join(caution.text for caution in cautions_for(facts))


def with_process(**changes) -> Facts:
    return replace(QUIET, process=replace(COLD, **changes))


def with_recipe(**changes) -> Facts:
    """One such fitting beside the quiet one."""
    return replace(QUIET, recipes=(*QUIET.recipes, recipe_with(QUIET.recipes[0], **changes)))


def test_what_always_holds():
    assert names(QUIET) == {caution.name for caution in cautions() if not caution.applies}
    for word in (
        "guard", "load", "pressure", "qualified", "Local codes", "licensed", "gloves", "fumes", "unattended",
        "welding", "torch", "grinding", "toxic", "burst", "Paint ovens", "powder", "burrs", "goggles",
        "sun", "children", "food",
    ):  # fmt: skip
        assert word in about(QUIET), word


@pytest.mark.parametrize(
    ("facts", "count", "said"),
    [
        (with_process(chamber_c=60.0), 1, ["chamber", "gloves"]),
        (with_process(support="same material, broken off", bath="none"), 1, ["goggles", "pliers", "scriber"]),
        (with_process(bath="caustic"), 2, ["goggles", "data sheet", "aluminium", "hydrogen", "inserts in afterwards"]),
        (with_process(bath="caustic", fill=0.2), 3, ["leaks out later", "drain", "gloves", "drill or sand"]),
        (with_process(bath="caustic, ultrasonic"), 3, ["loud", "ear protection"]),
        (with_process(fill=0.2), 0, []),
        (replace(QUIET, material=material_named("PA12 with carbon fibre")), 1, ["respirator"]),
        (replace(QUIET, metal=metal_named("carbon steel")), 1, ["galvanised", "vented", "zinc"]),
        (with_recipe(fit="glue", rib_count=0), 4, ["dust", "flammable", "sensitise the skin", "heat up", "thick"]),
        (with_recipe(fit="glue", rib_count=0, gap_mm=1.2), 5, ["filled paste", "soften plastic"]),
        (with_recipe(fit="press"), 1, ["goggles", "driven in"]),
        (with_recipe(fit="glue", rib_count=3), 5, ["goggles", "driven in"]),
        (with_recipe(vent="none"), 1, ["freezes", "rusts", "drain or a vent"]),
        (with_recipe(hole="through"), 1, ["levelling foot", "carries load", "qualified"]),
        (with_recipe(hole="nut pocket"), 1, ["levelling foot"]),
        (with_recipe(hole="insert"), 2, ["iron", "fumes"]),
    ],
)  # fmt: skip
def test_what_holds_at_times(facts, count, said):
    added = names(facts) - names(QUIET)
    assert len(added) == count and names(QUIET) <= names(facts)
    text = " ".join(caution.text for caution in cautions_for(facts) if caution.name in added)
    for words in said:
        assert words in text


def test_every_caution_every_condition_and_every_step_can_appear():
    broken_off = with_process(support="same material, broken off", bath="none")
    assert names(ALL) | names(broken_off) == {caution.name for caution in cautions()}
    assert {condition for caution in cautions() for condition in caution.applies} == set(get_args(Condition))
    assert {caution.step for caution in cautions()} == set(get_args(Step))
    assert {caution.choice for caution in cautions()} == set(get_args(Choice))


@pytest.mark.parametrize("process", processes(), ids=lambda process: process.name)
def test_the_plastics_own_limit_is_named(process):
    plastic = material_named(process.material)
    (heat,) = [caution.text for caution in cautions_for(replace(QUIET, material=plastic)) if caution.choice == "heat"]
    assert f'"{plastic.name}"' in heat and f" {plastic.hottest_c:g} °C" in heat


def test_a_plastic_called_by_braces_stays_a_name():
    strange = replace(QUIET.material, name="{hottest_c} {0}")
    assert '"{hottest_c} {0}"' in about(replace(QUIET, material=strange))


def test_each_is_one_sentence_its_name_one_line_and_in_brief_a_few_words():
    for caution in (*cautions_for(ALL), *cautions()):
        assert caution.text.endswith(".") and ". " not in caution.text
        assert len(caution.name) <= 60 and not caution.name.endswith(".")
        assert len(caution.brief) <= 35 and caution.brief[0].islower() and not caution.brief.endswith(".")


def test_they_are_shown_in_the_order_of_the_work():
    steps = [get_args(Step).index(caution.step) for caution in cautions()]
    assert steps == sorted(steps)


def page(name: str) -> str:
    return " ".join((REPOSITORY / name).read_text("utf-8").split())


IN_THE_GUIDE = {
    "hot chamber": "a heated chamber",
    "support broken off": "support that is broken off",
    "caustic bath": "a caustic bath",
    "open fill": "an open fill",
    "ultrasonic bath": "an ultrasonic bath",
    "fibre-filled material": "fibre-filled plastic",
    "steel": "steel tube",
    "glue": "a glue fit",
    "paste": "gaps of more than 1 mm",
    "press fit or ribs": "a press fit or ribs",
    "hole": "a hole for a bolt, a nut or an insert",
    "insert": "an insert",
    "no vent": "no vent",
    "cope": "cope sleeves",
    "hole plug": "hole plugs",
    "joiner": "joiners",
    "drilling": "a drill guide",
}


def test_the_guide_has_every_caution_as_the_job_sheet_has_it_and_says_when():
    section = page("docs/guide.md").partition("## Cautions ")[2]
    for caution in cautions():
        text = caution.text.replace("{plastic}", "a plastic").replace("{hottest_c} °C", "its limit in the table")
        when = f" (With {' and '.join(IN_THE_GUIDE[case] for case in caution.applies)}.)" if caution.applies else ""
        assert f"- **{caution.name}.** {text}{when} " in section
    assert section.partition("## What the .blend keeps")[0].count("- **") == len(cautions())


@pytest.mark.parametrize("name", ["README.md", "docs/python.md"])
def test_the_other_pages_have_those_that_always_apply(name):
    section = page(name).partition("## Cautions ")[2]
    assert [caution.name for caution in cautions() if not caution.applies and caution.name not in section] == []


def test_where_only_tools_are_made_nothing_is_put_in() -> None:
    steps = {caution.step for caution in cautions_for(replace(ALL, puts_in=False))}
    assert steps.isdisjoint({"putting in", "in use"}) and "printing" in steps
