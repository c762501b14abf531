# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators and numbers in any order, and damaged texts in between: no traceback, and results for every end listed."""

from __future__ import annotations

import contextlib
import io
import math
import random
import tempfile
from collections import Counter
from importlib import import_module
from pathlib import Path

import bpy

import addon
from addon.ui import updating

CHUNK, LIMIT_S = 1, 120.0
STEPS = 10
_CASES, _DAMAGED, _DAMAGE = import_module("test_ui_job"), import_module("test_ui_damaged"), import_module("damage")
_OPERATORS = (
    "read_ends", "fit", "refit", "remove_fittings", "reset_recipe", "add_fitting", "drop_end", "use_table_bore",
    "set_unit", "export", "write_job", "review_object", "export_object", "go_to_end",
)  # fmt: skip


def attack(seed: int, count: int) -> Counter[str]:
    tally: Counter[str] = Counter()
    for number in range(seed, seed + count):
        bpy.ops.wm.read_factory_settings(use_empty=True)
        addon.register()
        try:
            with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(io.StringIO()):
                _sequence(random.Random(number), Path(folder), tally)
        finally:
            addon.unregister()
    return tally


def _sequence(rng: random.Random, folder: Path, tally: Counter[str]) -> None:
    scene = bpy.context.scene
    for section, length in ((_CASES.ROUND, 300), (_CASES.SQUARE, 200)):
        item = _CASES.put(scene, _CASES.tube(section, length, f"Tube {length}", 24))
        item.location.x = rng.uniform(-1, 1)
    scene.ferrule.output.folder = str(folder)
    bpy.ops.ferrule.read_ends(whole_scene=True)
    for _ in range(STEPS):
        kind = rng.choice(("operator", "operator", "number", "scene", "damage"))
        if kind == "number":
            _set_number(rng, rng.choice((scene.ferrule.recipe, scene.ferrule.process, scene.ferrule.tube)))
        elif kind == "scene":
            item = rng.choice(list(scene.objects))
            item.scale = [rng.choice((1, 1, 0, -1, 1e-3, 25.4))] * 3
            scene.unit_settings.scale_length = rng.choice((1.0, 1.0, 0.001, 0.0254))
        elif kind == "damage" and len(scene.ferrule.ends):
            line = rng.choice(list(scene.ferrule.ends))
            key = rng.choice(_DAMAGED.STORED["ends"])
            setattr(line, key, _DAMAGE.damaged_text(getattr(line, key), rng))
            updating.touch(scene)
        else:
            kind = _operate(rng, folder)
        tally[kind] += 1
        desk = updating.finish(scene, review=False)
        assert len(desk.ends if desk else ()) == len(scene.ferrule.ends)


def _set_number(rng: random.Random, group: bpy.types.PropertyGroup) -> None:
    numbers = [prop for prop in group.bl_rna.properties if prop.type in ("FLOAT", "INT") and not prop.is_readonly]
    prop = rng.choice([prop for prop in numbers if not prop.is_array])
    value = rng.choice((0, 1, -1, 0.2, 5, 40, 1e9, math.nan if prop.type == "FLOAT" else 0, rng.uniform(0, 20)))
    setattr(group, prop.identifier, int(min(value, 2**31 - 1)) if prop.type == "INT" else float(value))


def _operate(rng: random.Random, folder: Path) -> str:
    name = rng.choice(_OPERATORS)
    scene = bpy.context.scene
    if scene.ferrule.ends:
        scene.ferrule.end_index = rng.randrange(len(scene.ferrule.ends))
    arguments = {"filepath": str(folder / "job.toml")} if name == "write_job" else {}
    try:
        getattr(bpy.ops.ferrule, name)(**arguments)
    except (RuntimeError, TypeError) as error:
        assert "Traceback" not in str(error), error
        return "refused"
    return "done"
