# SPDX-License-Identifier: GPL-3.0-or-later
"""What is selected in the view is what lists, drawing and findings are about; going to a place leaves the view near."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import bpy
import numpy as np
import pytest
from manifold3d import Manifold
from mathutils import Color, Matrix, Quaternion, Vector
from panel_words import panel_words
from test_ui_job import ROUND, SQUARE, fit, put, tube

from addon.geometry.mesh import Mesh
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


def test_fittings_are_called_as_on_the_sheet(posts: bpy.types.Scene, tmp_path: Path) -> None:
    updating.finish(posts)
    posts.ferrule.output.folder = str(tmp_path)
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    rows = list(csv.DictReader(next(tmp_path.glob("* ends.csv")).open(encoding="utf-8-sig")))
    head = list(rows[0])
    number, takes = head[0], next(name for name in head if name.lower().startswith("fitting"))
    listed = {line.number: line.fitting.name for line in posts.ferrule.ends}
    assert {int(row[number]): row[takes] for row in rows} == {n: name.split()[0] for n, name in listed.items()}
    assert listed[1].startswith("F") and all(name.split()[1] == str(n) for n, name in listed.items())
    words = panel_words()["FERRULE_PT_open_ends"]
    for line in posts.ferrule.ends:
        assert f"{line.number}  {line.name}" in words
    assert "cut straight" in words and "square" not in words


def test_names_follow_the_kinds_and_those_of_the_user_stay(posts: bpy.types.Scene) -> None:
    first, second = (line.fitting for line in posts.ferrule.ends if line.name == "Rail")
    first.name = "My cap"
    old = second.name
    post = next(line for line in posts.ferrule.ends if line.name == "Post")
    posts.ferrule.end_index = list(posts.ferrule.ends).index(post)
    assert bpy.ops.ferrule.drop_end() == {"FINISHED"}
    updating.finish(posts)
    assert first.name == "My cap" and second.name != old
    assert second.name.split()[1] == str(next(line.number for line in posts.ferrule.ends if line.fitting == second))


def test_fittings_have_a_colour_of_their_own(posts: bpy.types.Scene) -> None:
    """The blue of Okabe and Ito's palette, 0 114 178, in the solid view's material and object colours."""
    for line in posts.ferrule.ends:
        (material,) = line.fitting.data.materials
        for colour in (material.diffuse_color, line.fitting.color):
            shown = Color(colour[:3]).from_scene_linear_to_srgb()
            assert [round(255 * part) for part in shown] == [0, 114, 178]
        assert tuple(line.tube.color) == (1, 1, 1, 1)
    assert len([material for material in bpy.data.materials if material.get("ferrule_fitting")]) == 1


def test_several_parts_are_not_reviewed_or_exported_as_one(scene: bpy.types.Scene, tmp_path: Path) -> None:
    """A hollow has two surfaces, one inside the other, and is one part."""
    cubes = [Manifold.cube((20, 20, 20)).translate((x, 0, 0)) for x in (0, 30)]
    scene.ferrule.output.folder = str(tmp_path)
    select(put(scene, Mesh.from_manifold(cubes[0] + cubes[1], "Two")))
    for operator in (bpy.ops.ferrule.review_object, bpy.ops.ferrule.export_object):
        with pytest.raises(RuntimeError, match=r'"Two" has 2 parts\. Separate them in Edit Mode'):
            operator()
    assert not list(tmp_path.iterdir())
    hollow = cubes[0] - Manifold.cube((10, 10, 10)).translate((5, 5, 5))
    select(put(scene, Mesh.from_manifold(hollow, "Hollow")))
    assert "Review Hollow" in panel_words()["FERRULE_PT_review"]
    assert bpy.ops.ferrule.review_object() == {"FINISHED"}
    bpy.data.objects["Two"].select_set(True)
    assert not [word for word in panel_words()["FERRULE_PT_review"] if word.startswith("Review ")]
