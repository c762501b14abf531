# SPDX-License-Identifier: GPL-3.0-or-later
"""What a .blend keeps as text, damaged: an end is named as lost, nothing raises, and nothing else is lost."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import bpy
import pytest
from damage import damaged_text, records
from panel_words import panel_words
from test_ui_job import ROUND, SQUARE, fit, put, skin, tube
from test_ui_picked import pick_outline

from addon.fields.messages import Length, Units, message_from, say
from addon.takeoff.picked import PickError
from addon.ui import operators, updating
from addon.ui.by_hand import pick_from
from addon.ui.placing import placed
from addon.ui.records import RecordError, end_from, end_of, section_from

STORED = {
    "ends": ("name", "key", "record", "cut", "reason", "pick"),
    "groups": ("name", "section", "size", "one_reading", "bore_problem"),
}


@pytest.fixture(autouse=True)
def no_callback_fails(capsys: pytest.CaptureFixture[str]) -> Iterator[None]:
    """Blender prints what its callbacks raise, and goes on."""
    yield
    assert "Traceback" not in capsys.readouterr().err


@pytest.fixture
def stored(scene: bpy.types.Scene) -> bpy.types.Scene:
    """Two tubes, their fittings, an end picked by hand and one given by its size."""
    put(scene, tube(ROUND, 300, "Post"))
    put(scene, tube(SQUARE, 200, "Rail")).location.x = 1
    item = put(scene, skin(ROUND, 400, "Skin"))
    item.location.y = 1
    fit()
    pick_outline(item, 0.4)
    scene.cursor.location = (0, 2, 0)
    bpy.ops.ferrule.add_fitting()
    return scene


def use(scene: bpy.types.Scene) -> None:
    """All that reads what was stored; an operator may refuse with a sentence."""
    updating.touch(scene)
    desk = updating.finish(scene, review=False)
    assert desk is not None and len(desk.ends) == len(scene.ferrule.ends)
    panel_words()
    for cls in bpy.types.Operator.__subclasses__():
        if cls.__module__.startswith(operators.__name__) and hasattr(cls, "poll"):
            cls.poll(bpy.context)
    for place in range(len(scene.ferrule.ends)):
        scene.ferrule.end_index = place
    for group in scene.ferrule.groups:
        group.measured = not group.measured
    try:
        bpy.ops.ferrule.read_ends()
    except RuntimeError as error:
        assert "Traceback" not in str(error), error


def test_an_end_with_a_damaged_record_is_named_as_lost_until_it_is_read_again(stored: bpy.types.Scene) -> None:
    ends = stored.ferrule.ends
    given = ["picked by hand" if line.pick else "given by size" if line.by_hand else "" for line in ends]
    assert sorted(given) == [*[""] * 5, "given by size", "picked by hand"]
    keys, counts = [line.key for line in ends], [group.count for group in stored.ferrule.groups]
    for line in ends:
        line.record = line.record[: len(line.record) // 2]
    updating.touch(stored)
    desk = updating.finish(stored)
    assert [end.cause for end in desk.ends] == ["lost"] * 7 and [end.by_hand for end in desk.ends] == given
    assert [line.key for line in ends] == keys and len(placed(stored)) == 5
    assert all("This file's record of the end is damaged; " in message_from(line.reason) for line in ends)
    assert "is damaged" in " ".join(panel_words()["FERRULE_PT_closed_ends"])
    bpy.ops.ferrule.refit()
    assert [line.key for line in ends] == keys and [group.count for group in stored.ferrule.groups] == [*counts[:-1], 0]
    assert [line.cut for line in ends if line.by_hand] == ["cut straight", "lost"]
    assert "; drop it and add it again" in end_of(ends[given.index("given by size")]).explained


def test_a_damaged_section_is_that_of_its_ends(stored: bpy.types.Scene) -> None:
    group = stored.ferrule.groups[1]
    group.own_recipe, group.recipe.spigot_mm, group.measured = True, 11.0, True
    before = group.section
    group.section = "{"
    use(stored)
    group = stored.ferrule.groups[1]
    assert group.section == before and group.own_recipe and group.recipe.spigot_mm == 11.0


def test_a_damaged_pick_is_lost_and_says_what_to_do(stored: bpy.types.Scene) -> None:
    line = next(line for line in stored.ferrule.ends if line.pick)
    line.pick = line.pick[:-9]
    bpy.ops.ferrule.read_ends()
    line = next(line for line in stored.ferrule.ends if line.pick)
    assert line.cut == "lost" and "pick it again, or drop this end" in message_from(line.reason)


def test_whatever_text_is_stored_nothing_raises(stored: bpy.types.Scene, tmp_path: Path) -> None:
    file = str(tmp_path / "stored.blend")
    bpy.ops.wm.save_as_mainfile(filepath=file)
    for seed in range(12):
        bpy.ops.wm.open_mainfile(filepath=file)
        scene, rng = bpy.context.scene, random.Random(seed)
        for lines, keys in STORED.items():
            for line in getattr(scene.ferrule, lines):
                for key in keys:
                    if rng.random() < 0.3:
                        others = ("", "null", '{"Message": ["{}", {}]}', rng.choice(scene.ferrule.ends).record)
                        texts = (damaged_text(getattr(line, key), rng), rng.choice(others))
                        setattr(line, key, rng.choice(texts))
        scene.ferrule.notes = damaged_text(scene.ferrule.notes or '{"Message": ["{}", {"0": 1}]}', rng)
        use(scene)


def test_records_are_read_or_refused(stored: bpy.types.Scene) -> None:
    ends = stored.ferrule.ends
    pick_text = next(line.pick for line in ends if line.pick)
    for read, text, error in (
        (end_from, ends[0].record, RecordError),
        (section_from, stored.ferrule.groups[0].section, RecordError),
        (pick_from, pick_text, PickError),
    ):
        refused = 0
        for damaged in records(text):
            try:
                read(damaged)
            except error:
                refused += 1
        assert refused > 20
    said = say("{} is {}", say("{:g}", Length(3)), Length(1, 2)).stored()
    for damaged in records(said):
        for units in (Units(), Units(imperial=True, labels={})):
            message_from(damaged).text(units).encode()
