# SPDX-License-Identifier: GPL-3.0-or-later
"""How every test runs: repeatable examples, and an independent CAD kernel for those that ask for one."""

from __future__ import annotations

import gc
import os
from collections.abc import Iterator
from types import ModuleType
from typing import TYPE_CHECKING

import hypothesis
import pytest

if TYPE_CHECKING:
    import bpy

# The tests that pytest has collected, and what they import, stay: to look through them for garbage takes long.
gc.set_threshold(100_000, 20, 20)

IN_CI = os.environ.get("CI", "").lower() in {"1", "true"}

for profile, count in (("many", 100), ("few", 20)):
    hypothesis.settings.register_profile(
        profile,
        max_examples=count,
        deadline=None,
        derandomize=not os.environ.get("FERRULE_FRESH_SEEDS"),
        print_blob=True,
    )
hypothesis.settings.load_profile("many")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--first-cases",
        action="store_true",
        help="of each test that rests on no Blender run the first case alone, which shows that this Python does, "
        "and none that measures against gmsh, which both Pythons have the same of",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not config.getoption("--first-cases"):
        return
    seen: set[str] = set()
    chosen: dict[bool, list[pytest.Item]] = {True: [], False: []}
    for item in items:
        test = item.nodeid.partition("[")[0]
        first = test not in seen and "gmsh" not in getattr(item, "fixturenames", ())
        chosen[first or _rests_on_blender(item)].append(item)
        seen.add(test)
    items[:] = chosen[True]
    config.hook.pytest_deselected(items=chosen[False])


def _rests_on_blender(item: pytest.Item) -> bool:
    assert isinstance(item, pytest.Function)
    return "scene" in item.fixturenames or "bpy" in vars(item.module)


@pytest.fixture
def scene() -> Iterator[bpy.types.Scene]:
    """An empty scene in metres, with the add-on switched on. Settings are left alone: to read them again takes longer
    than most tests that ask for a scene, and none changes them."""
    import bpy

    import addon

    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    addon.register()
    yield bpy.context.scene
    addon.unregister()


@pytest.fixture
def read_here(monkeypatch: pytest.MonkeyPatch) -> None:
    """Command lines read assemblies without a process of their own, which takes seconds and reads the same (tested in
    test_command_line.py)."""
    from addon.ui import command_line
    from addon.ui.scene import read_assembly

    monkeypatch.setattr(command_line, "read_apart", read_assembly)


@pytest.fixture
def gmsh() -> Iterator[ModuleType]:
    """gmsh with an empty model, silent. Where its system libraries are missing the test is skipped, in CI it fails."""
    try:
        import gmsh as kernel
    except OSError as missing:
        reason = f"gmsh cannot load ({missing}); .ci/run names the system libraries that it needs"
        pytest.fail(reason) if IN_CI else pytest.skip(reason)
    kernel.initialize(["-v", "0"], readConfigFiles=False, interruptible=False)
    yield kernel
    kernel.finalize()
