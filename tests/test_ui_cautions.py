# SPDX-License-Identifier: GPL-3.0-or-later
"""Cautions in the window: all that apply in their panel, and those of a choice beside it."""

from __future__ import annotations

import re
from collections.abc import Iterator

import bpy
import pytest
from panel_words import panel_words

from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.trade.cautions import Facts, cautions, cautions_for
from addon.trade.processes import processes
from addon.ui import cautioned
from addon.ui.jobs import facts_of, job_of, recipes_of
from addon.ui.panels import cautions_panel as panel
from addon.ui.panels.verdict_panel import STEPS
from addon.ui.scene import put_mesh

CAUSTIC = next(process.name for process in processes() if process.bath.startswith("caustic"))


@pytest.fixture
def job(scene: bpy.types.Scene) -> Iterator[bpy.types.PropertyGroup]:
    yield scene.ferrule


def shown(name: str) -> str:
    """A panel's words; its lines may break at hyphens."""
    return " ".join(panel_words()[f"FERRULE_PT_{name}"]).replace("- ", "-")


def facts(scene: bpy.types.Scene) -> Facts:
    return facts_of(job_of(scene), recipes_of(scene))


def named(name: str) -> str:
    """The sentence of the caution whose name begins like that."""
    (caution,) = [caution for caution in cautions() if caution.name.startswith(name)]
    return caution.text


def test_the_panel_lists_what_applies_from_the_empty_scene_on_and_nothing_else(scene, job):
    assert shown("cautions").count(".") == len(cautions_for(facts(scene))) < len(cautions())
    for caution in cautions_for(facts(scene)):
        assert caution.text in shown("cautions")
    assert named("Keep aluminium") not in shown("cautions")
    bpy.ops.ferrule.use_process(name=CAUSTIC)
    assert named("Keep aluminium") in shown("cautions")


def test_a_sections_own_recipe_counts(scene, job):
    for section in (Section.round(25.4, 3.175), Section.rectangular(40, 40, 3)):
        wall = section.outer.cross_section(64) - section.bore.cross_section(64)
        tube = Mesh.from_manifold(wall.extrude(300).translate((10 * section.outer.width, 0, 0)))
        put_mesh(tube, section.kind, scene.collection, 1.0)
    bpy.ops.ferrule.read_ends(whole_scene=True)
    first, second = job.groups
    job.recipe.rib_count_auto, job.recipe.rib_count = False, 0
    assert named("Wear goggles when using the mallet") not in shown("cautions")
    first.own_recipe, first.recipe.fit = True, "press"
    assert named("Wear goggles when using the mallet") in shown("cautions")
    assert named("Mix two-part") in shown("cautions")  # the second section's
    second.own_recipe, second.recipe.fit = True, "push"
    assert named("Mix two-part") not in shown("cautions")


def test_drawing_works_nothing_out_again(job, monkeypatch):
    asked: list[Facts] = []
    monkeypatch.setattr(cautioned, "cautions_for", lambda facts: asked.append(facts) or cautions_for(facts))
    for number in (2, 4):  # of all fittings and of the chosen section's, after each change
        job.process.layer_mm += 0.01
        for name in 3 * ("cautions", "fitting", "process", "tube"):
            assert shown(name)
        assert len(asked) == number


def test_the_load_on_a_foot_stands_where_the_hole_is_chosen(job):
    assert named("Have a levelling") not in shown("fitting_hole_and_hollow")
    job.recipe.hole = "nut pocket"
    assert named("Have a levelling") in shown("fitting_hole_and_hollow") and named("Mind the hot iron") not in shown(
        "fitting_hole_and_hollow"
    )
    job.recipe.hole = "insert"
    assert named("Mind the hot iron") in shown("fitting_hole_and_hollow")


def test_hands_and_heat_stand_where_process_fit_vent_and_heat_are_chosen(job):
    assert "bath" not in shown("process")
    bpy.ops.ferrule.use_process(name=CAUSTIC)
    for said in ("heat-resistant gloves at the hot chamber", "chemical-resistant gloves at the bath", "aluminium"):
        assert said in shown("process")
    assert "Wear gloves with adhesive" in shown("fitting")
    job.recipe.fit = "press"
    assert "mallet" in shown("fitting") and "adhesive" not in shown("fitting")
    assert "freezes" in shown("fitting_vent")
    job.recipe.vent = "channel"
    assert "freezes" not in shown("fitting_vent")
    assert "sun" in shown("tube")
    job.process.material = "PLA"
    assert '"PLA"' in shown("tube")


def test_a_plastic_that_no_table_has_leaves_no_caution_out(scene, job):
    job.process.material = "Unobtainium"
    assert "respirator" in shown("cautions")
    assert '"PLA"' in shown("tube")  # the plastic that softens first


def test_no_property_or_operator_switches_them(job):
    names = [name for name in dir(bpy.ops.ferrule) if "caution" in name]
    groups = (job, job.view, job.output, job.process, job.recipe, job.tube)
    assert not names + [name for group in groups for name in dir(group) if "caution" in name]
    assert "poll" not in vars(panel.FERRULE_PT_cautions) and panel.FERRULE_PT_cautions in STEPS


def test_no_caution_tells_a_length():
    """They are plain text, the same in every system of units."""
    assert not [caution.name for caution in cautions() if re.search(r"\d ?(mm|cm|in)\b", caution.text)]
