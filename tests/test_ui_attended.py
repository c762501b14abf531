# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators as a window runs them, step by step: it is never left waiting for long, and each step can be the last."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import bpy
import pytest
from mathutils import Matrix
from test_ui_job import ROUND, SQUARE, put, tube
from test_ui_verdict import bolt

from addon.geometry.mesh import Mesh
from addon.ui import desk, scene_ends, updating
from addon.ui.operators import learning, refitting, tube_ends, writing
from addon.ui.operators.long_work import LongWork
from addon.ui.quiet import quietly

WAIT_S = 0.5
"""No step of ours leaves a window waiting for longer."""
LONG = [
    (tube_ends.FERRULE_OT_read_ends, {"whole_scene": True}),
    (refitting.FERRULE_OT_fit, {}),
    (writing.FERRULE_OT_lay_out, {}),
    (learning.FERRULE_OT_write_ladder, {"directory": ""}),
    (writing.FERRULE_OT_check_in_place, {}),
    (writing.FERRULE_OT_write_job, {"filepath": "job.toml"}),
    (writing.FERRULE_OT_export, {"directory": "", "agreed": True}),
]
"""In the order of the work, with what a user would have chosen."""


class StandIn(LongWork):
    """An operator that somebody attends, with no window: what its ``steps`` use of itself."""

    attended = True

    def __init__(self, operator: type, chosen: dict[str, Any]) -> None:
        self.operator = operator
        for name, value in chosen.items():
            setattr(self, name, value)

    def folder(self, context: bpy.types.Context) -> Path:
        return Path(context.scene.ferrule.output.folder)

    def steps(self, context: bpy.types.Context) -> Iterator[tuple[str, float]]:
        return self.operator.steps(self, context)

    def report(self, kinds: set[str], said: str) -> None:
        assert not kinds & {"ERROR", "WARNING"}, said


def in_folder(chosen: dict[str, Any], folder: Path) -> dict[str, Any]:
    """With the file that was chosen in this folder."""
    return {name: str(folder / value) if name == "filepath" else value for name, value in chosen.items()}


@pytest.fixture
def weldment(scene: bpy.types.Scene, tmp_path: Path) -> bpy.types.Scene:
    """A hundred tubes of two sections."""
    for number in range(100):
        place = Matrix.Translation((number % 10 / 5, number // 10 / 5, 0))
        put(scene, tube((ROUND, SQUARE)[number % 2], 300 + number % 7, f"Tube {number}"), place)
    bpy.context.view_layer.update()
    scene.ferrule.output.folder = str(tmp_path)
    return scene


def test_no_step_keeps_the_window_waiting(
    weldment: bpy.types.Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By the time that Blender's own thread works, which another program cannot stretch."""
    threads: dict[str, set[threading.Thread]] = {}

    def noted(name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        def noting(*given: Any) -> Any:
            threads.setdefault(name, set()).add(threading.current_thread())
            return work(*given)

        return noting

    for module, name in ((desk, "reviewed"), (desk, "summed_up"), (learning, "make_ladders")):
        monkeypatch.setattr(module, name, noted(name, getattr(module, name)))
    for operator, chosen in LONG:
        assert_short_steps(operator, in_folder(chosen, tmp_path))
    assert {path.suffix for path in tmp_path.iterdir()} >= {".toml", ".blend", ".3mf", ".json", ".html"}
    assert set(threads) == {"reviewed", "summed_up", "make_ladders"}
    assert threading.main_thread() not in set().union(*threads.values())


@pytest.mark.once
def test_a_thousand_tubes_are_listed_step_by_step(scene: bpy.types.Scene) -> None:
    meshes = [put(scene, tube(shape, 300, "Tube")).data for shape in (ROUND, SQUARE)]
    for number in range(998):
        item = bpy.data.objects.new(f"Tube {number}", meshes[number % 2])
        scene.collection.objects.link(item)
        item.location = (number % 30 / 5, 1 + number // 30 / 5, 0)
    bpy.data.objects["Tube.001"].location.x = 1
    bpy.context.view_layer.update()
    doing = assert_short_steps(tube_ends.FERRULE_OT_read_ends, {"whole_scene": True})
    assert len(scene.ferrule.ends) == 2000 and doing.count(scene_ends.LISTING) > 8


def test_what_waits_is_worked_out_beside_the_window(scene: bpy.types.Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    """As Blender's timer has it done: a number that changes meanwhile counts, and not what was begun before."""
    put(scene, tube(ROUND, 300, "Post"))
    bpy.ops.ferrule.read_ends(whole_scene=True)
    threads: set[threading.Thread] = set()
    for name in ("designed", "reviewed", "summed_up"):
        work = getattr(desk, name)
        monkeypatch.setattr(
            desk, name, lambda *given, work=work: threads.add(threading.current_thread()) or work(*given)
        )
    desk.drop_all()
    assert updating.desk_of(scene) is None
    changed = False
    while (at_hand := updating.desk_of(scene)) is None or at_hand.verdict is None:
        start = time.thread_time()
        wait_s = updating._tick()
        assert time.thread_time() - start < WAIT_S
        if updating._piece and not changed:
            changed, left = True, updating._piece.work
            with quietly():
                scene.ferrule.recipe.spigot_mm = 11
            updating.numbers_changed(scene)
            assert updating._piece is None
        time.sleep(min(wait_s or 0.0, 0.02))
    left.join()
    assert at_hand.fittings[0].made.fitting.recipe.spigot_mm == 11
    assert at_hand.fittings[0].made.review.settled and threading.main_thread() in threads and len(threads) > 3


def assert_short_steps(operator: type, chosen: dict[str, Any]) -> list[str]:
    """What the steps are called."""
    work = StandIn(operator, chosen).steps(bpy.context)
    doing = ["beginning"]
    while True:
        start = time.thread_time()
        said = next(work, None)
        assert time.thread_time() - start < WAIT_S, f"{operator.__name__}, {doing[-1]}"
        if said is None:
            return doing
        doing.append(said[0])


def test_a_job_file_that_is_stopped_leaves_the_one_before(scene: bpy.types.Scene, tmp_path: Path) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    bpy.ops.ferrule.read_ends(whole_scene=True)
    path = tmp_path / "job.toml"
    path.write_text("# the one before")
    doing: list[str] = []
    while True:
        work = StandIn(writing.FERRULE_OT_write_job, {"filepath": str(path)}).steps(bpy.context)
        said = [what for _, (what, _) in zip(range(len(doing) + 1), work, strict=False)]
        work.close()
        if said == doing:
            break
        doing = said
        assert path.read_text() == "# the one before" and list(tmp_path.iterdir()) == [path]
    assert doing[-1] == "Writing the assembly" and path.read_text() != "# the one before"


def test_a_reading_that_is_stopped_lists_all_that_was_found_or_nothing_of_it(scene: bpy.types.Scene) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    bpy.ops.ferrule.read_ends(whole_scene=True)
    drilled = Mesh.from_manifold(tube(ROUND, 300, "Rail").to_manifold() - bolt(100), "Rail")
    put(scene, drilled, Matrix.Translation((0.5, 0, 0)))
    bpy.context.view_layer.update()
    listed, steps = 0, 0
    while not listed:
        work = StandIn(tube_ends.FERRULE_OT_read_ends, {"whole_scene": True}).steps(bpy.context)
        steps += 1
        for _ in zip(range(steps), work, strict=False):
            pass
        work.close()
        updating.batches_changed(scene)
        listed = len(scene.ferrule.sites)
        assert (len(scene.ferrule.ends), listed) in ((2, 0), (4, 1))
    assert steps > 8
