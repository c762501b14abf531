# SPDX-License-Identifier: GPL-3.0-or-later
"""The panel Shop Book: a fit ladder written, tried and entered, what a print took, and the book between machines."""

from __future__ import annotations

import json
from pathlib import Path

import bpy
import pytest
import trimesh
from mathutils import Matrix
from test_ui_job import ROUND, SQUARE, fit, put, tube

from addon.bench.shop_entries import FitReading, MeasuredTube, PrintRun
from addon.bench.shop_file import open_book, update_book
from addon.ui import shop, updating


@pytest.fixture
def book(tmp_path: Path, monkeypatch) -> Path:
    """Where the shop book of a test lies."""
    path = tmp_path / "settings" / "book.toml"
    monkeypatch.setattr(shop, "book_path", lambda: path)
    return path


def test_a_ladder_is_written_tried_and_entered(scene: bpy.types.Scene, tmp_path: Path, book: Path) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    put(scene, tube(SQUARE, 300, "Rail"), Matrix.Translation((1, 0, 0)))
    fit()
    scene.ferrule.output.folder = str(tmp_path)
    scene.ferrule.output.write_stl = True
    with pytest.raises(RuntimeError, match="No fit ladder was written"):
        bpy.ops.ferrule.enter_fit(ladder="F1", step="0.25")
    scene.ferrule.group_index = [group.name for group in scene.ferrule.groups].index("1 in × 1/8 in")
    assert bpy.ops.ferrule.write_ladder() == {"FINISHED"}
    kinds = {file.suffix: file for file in tmp_path.iterdir() if "ladder" in file.name}
    assert set(kinds) == {".3mf", ".stl", ".json"}
    solid = trimesh.load(kinds[".stl"])
    assert solid.is_watertight and solid.extents[0] > 5 * 15  # five spigots or more, side by side

    told = json.loads(kinds[".json"].read_text())["fit_ladders"][0]
    ladder, steps = f"{told['fittings'][0]} {told['tube']}", told["steps"]
    with pytest.raises(RuntimeError, match=r"no step '9\.99'"):
        bpy.ops.ferrule.enter_fit(ladder=ladder, step="9.99")
    assert not book.exists()
    drawn = steps[-1]["drawn_mm"]
    assert bpy.ops.ferrule.enter_fit(ladder=ladder, step=steps[-1]["label"], measured_mm=drawn + 0.1) == {"FINISHED"}
    reading = open_book(book).all(FitReading)[0]
    assert reading.chosen_gap_mm == steps[-1]["gap_mm"] and reading.kind == "round"
    assert reading.measured_mm == pytest.approx(drawn + 0.1, abs=1e-5)
    assert "from a single reading, not yet reliable" in shop.lessons()[0]

    def spigot() -> float:
        fitting = next(fitting for fitting in updating.finish(scene).fittings if fitting.batch.section.kind == "round")
        return fitting.fitting.profile.spigot_outline.width

    before = spigot()
    scene.ferrule.use_shop_book = True
    added = steps[-1]["gap_mm"] - told["wanted_gap_mm"]
    assert spigot() == pytest.approx(before - 2 * added, abs=1e-4)
    bpy.ops.ferrule.enter_fit(ladder=ladder, step=steps[-2]["label"])  # counts at once
    added = (steps[-1]["gap_mm"] + steps[-2]["gap_mm"]) / 2 - told["wanted_gap_mm"]
    assert spigot() == pytest.approx(before - 2 * added, abs=1e-4)


def test_what_a_print_took_is_entered(scene: bpy.types.Scene, tmp_path: Path, book: Path) -> None:
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    scene.ferrule.output.folder = str(tmp_path / "files")
    with pytest.raises(RuntimeError, match="Choose the folder"):
        bpy.ops.ferrule.enter_print(used_g=80)
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    for wrong, said in (({"took": "a while"}, "is not a time"), ({}, "Nothing was entered")):
        with pytest.raises(RuntimeError, match=said):
            bpy.ops.ferrule.enter_print(**wrong)
    assert bpy.ops.ferrule.enter_print(used_g=80, took="5 h 20 min") == {"FINISHED"}
    entered = open_book(book).all(PrintRun)[0]
    assert entered.took_s == 5 * 3600 + 20 * 60
    density = json.loads((tmp_path / "files" / "result.json").read_text())["quantities"]["density_g_cm3"]
    assert entered.used_cm3 == pytest.approx(80 / density)


def test_the_shop_book_travels_between_machines(
    scene: bpy.types.Scene, tmp_path: Path, book: Path, monkeypatch
) -> None:
    bpy.ops.ferrule.save_process(name="Ours")
    assert bpy.ops.ferrule.export_book(filepath=str(tmp_path / "copy.toml")) == {"FINISHED"}
    monkeypatch.setattr(shop, "book_path", lambda: tmp_path / "elsewhere" / "book.toml")
    assert not shop.book().entries
    with pytest.raises(RuntimeError, match="There is no shop book"):
        bpy.ops.ferrule.import_book(filepath=str(tmp_path / "none.toml"))
    assert bpy.ops.ferrule.import_book(filepath=str(tmp_path / "copy.toml")) == {"FINISHED"}
    assert bpy.ops.ferrule.use_process(name="Ours") == {"FINISHED"}


def test_a_seam_that_the_book_learns_of_counts_at_once(scene: bpy.types.Scene, book: Path) -> None:
    """The gap a side less half of the seam's height that no relief takes up."""
    put(scene, tube(ROUND, 300, "Post"))
    fit()
    scene.ferrule.recipe.seam_relief = "none"
    scene.ferrule.recipe.gap_mm_auto = False
    scene.ferrule.use_shop_book = True
    least = []
    for seam in (0.0, 0.9, 0.0):
        known = MeasuredTube("Post", "round", 25.4, 25.4, 3.175, 19.05, 19.05, seam)
        update_book(book, lambda stored: stored.with_entry(known))  # noqa: B023
        updating.batches_changed(scene)
        (fitted,) = updating.finish(scene).fittings
        seams = [cause.takes for cause in fitted.made.gaps[0].contributions if cause.name == "weld seam"]
        assert seams == [seam / 2]
        least.append(fitted.made.gaps[0].least)
    assert least[1] == pytest.approx(least[0] - 0.45) and least[2] == least[0]
