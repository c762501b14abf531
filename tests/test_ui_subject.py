# SPDX-License-Identifier: GPL-3.0-or-later
"""What is selected in the view is what lists, drawing and findings are about; going to a place leaves the view near."""

from __future__ import annotations

import math

import bpy
import numpy as np
import pytest
from mathutils import Matrix, Quaternion, Vector
from test_ui_job import ROUND, SQUARE, fit, put, tube

from addon.ui import looking, updating
from addon.ui.views import seen_from_outside


@pytest.fixture
def posts(scene: bpy.types.Scene) -> bpy.types.Scene:
    put(scene, tube(ROUND, 300, "Post"))
    put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    fit()
    updating.finish(scene)
    return scene


def select(item: bpy.types.Object) -> None:
    for other in bpy.context.selected_objects:
        other.select_set(False)
    item.select_set(True)
    bpy.context.view_layer.objects.active = item
    bpy.context.view_layer.update()


def test_the_fitting_that_is_clicked_is_the_subject(posts: bpy.types.Scene) -> None:
    manager = bpy.context.window_manager.ferrule
    for row, line in reversed(list(enumerate(posts.ferrule.ends))):
        select(line.fitting)
        assert (posts.ferrule.end_index, posts.ferrule.group_index) == (row, line.group)
        subject = looking.subject_of(bpy.context)
        assert row in subject.fitted.rows
        assert tuple(subject.end.frame.origin / 1000) == pytest.approx(tuple(line.fitting.location), abs=1e-6)
        assert manager.findings[manager.finding_index].fitting == subject.name


def test_a_list_row_that_is_chosen_later_counts_again(posts: bpy.types.Scene) -> None:
    select(posts.ferrule.ends[0].fitting)
    other = 1 - posts.ferrule.group_index
    posts.ferrule.group_index = other
    bpy.context.view_layer.update()
    assert posts.ferrule.group_index == other
    select(bpy.data.objects["Post"])
    assert posts.ferrule.group_index == other
    select(posts.ferrule.ends[0].fitting)
    assert posts.ferrule.end_index == 0


@pytest.mark.parametrize("seed", range(20))
def test_a_view_turns_only_as_far_as_an_end_is_seen_from_outside(seed: int) -> None:
    """The line of sight runs along the view's own z, towards the eye: Blender's convention."""
    rng = np.random.default_rng(seed)
    outward = Vector(rng.normal(size=3)).normalized()
    rotation = Quaternion(rng.normal(size=4)).normalized()
    turned = seen_from_outside(rotation, outward)
    sight = turned @ Vector((0, 0, 1))
    if (rotation @ Vector((0, 0, 1))).angle(outward) < math.radians(80):
        assert turned == rotation
    else:
        assert sight.angle(outward) == pytest.approx(math.radians(55), abs=1e-3)
        assert (turned @ Vector((0, 1, 0))).z > -1e-6  # upright


def test_straight_from_behind(posts: bpy.types.Scene) -> None:
    for axis in ((0, 0, 1), (1, 0, 0), (0, -1, 0)):
        from_behind = Vector(axis).to_track_quat("-Z", "Y")
        sight = seen_from_outside(from_behind, Vector(axis)) @ Vector((0, 0, 1))
        assert sight.angle(Vector(axis)) == pytest.approx(math.radians(55), abs=1e-3)
