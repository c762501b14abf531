# SPDX-License-Identifier: GPL-3.0-or-later
"""What of the tab is open at each step of the work."""

from __future__ import annotations

from pathlib import Path

import bpy
import pytest
from manifold3d import Manifold
from mathutils import Matrix
from panel_words import panel_words
from test_ui_job import ROUND, SQUARE, fit, put, tube

from addon.geometry.mesh import Mesh
from addon.ui import updating
from addon.ui.following import PANELS, follow_work, forget_steps, next_step, opened


@pytest.fixture(autouse=True)
def anew(scene: bpy.types.Scene) -> None:
    forget_steps()
    follow_work(scene)


def is_open(panel: str) -> bool:
    return bool(getattr(bpy.context.window_manager.ferrule, opened(panel)))


def what_is_open() -> set[str]:
    bpy.context.view_layer.update()
    return {panel for panel in PANELS if is_open(panel)}


def put_open(**wanted: bool) -> None:
    for panel, shown in wanted.items():
        setattr(bpy.context.window_manager.ferrule, opened(panel), shown)


def test_each_step_opens_what_comes_next_and_folds_what_is_done(scene: bpy.types.Scene, tmp_path: Path) -> None:
    scene.ferrule.output.folder = str(tmp_path)
    put(scene, tube(ROUND, 300, "Post"))
    assert (next_step(scene), what_is_open()) == ("read", {"ends"})
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert (next_step(scene), what_is_open()) == ("fit", {"fitting"})
    bpy.ops.ferrule.fit()
    updating.finish(scene)
    assert (next_step(scene), what_is_open()) == ("export", {"files"})
    bpy.ops.ferrule.export()
    assert (next_step(scene), what_is_open()) == ("hand over", {"files"})


def test_a_part_that_the_user_opens_stays_open_until_the_next_step(scene: bpy.types.Scene, tmp_path: Path) -> None:
    scene.ferrule.output.folder = str(tmp_path)
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    assert what_is_open() == {"files"}
    put_open(fitting=True, files=False)
    scene.ferrule.recipe.spigot_mm = 12
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert what_is_open() == {"fitting"}
    bpy.ops.ferrule.export()
    assert what_is_open() == {"files"}
    put_open(fitting=True)
    scene.ferrule.recipe.spigot_mm = 14  # The files are no longer those of the numbers.
    assert (next_step(scene), what_is_open()) == ("export", {"fitting", "files"})


def test_what_there_is_to_choose_stays_open_beside_the_recipe(scene: bpy.types.Scene) -> None:
    wall = ROUND.outer.cross_section(96) - ROUND.bore.cross_section(96)
    drill = Manifold.cylinder(100, 4, circular_segments=48).translate((0, 0, -50)).rotate((0, 90, 0))
    put(scene, Mesh.from_manifold(wall.extrude(300) - drill.translate((0, 0, 150)), "Post"))
    bpy.ops.ferrule.read_ends(whole_scene=True)
    assert {group.kind for group in scene.ferrule.groups} == {"end", "hole"}
    assert what_is_open() == {"ends", "fitting"}


def test_findings_that_ask_for_something_are_open_after_fit(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    recipe = scene.ferrule.recipe
    recipe.groove_count_auto, recipe.groove_count, recipe.hollow_wall_mm = False, 0, 0.92
    bpy.ops.ferrule.read_ends(whole_scene=True)
    updating.finish(scene)
    bpy.ops.ferrule.fit()
    assert what_is_open() == {"review", "files"}


def test_a_number_that_makes_no_difference_to_the_section_is_not_shown(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    fit()
    for row, group in enumerate(scene.ferrule.groups):
        scene.ferrule.group_index = row
        assert ("Corner" in panel_words()["FERRULE_PT_fitting"]) is (group.name == "40 × 40 × 3")
