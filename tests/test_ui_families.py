# SPDX-License-Identifier: GPL-3.0-or-later
"""The window goes over families and over what they are made for, and names none: two that are invented for tests are
chosen, fitted, dragged, saved, undone and exported as caps are, and their files are those of the same job file."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import bpy
import numpy as np
import pytest
from mathutils import Matrix
from panel_words import panel_words
from test_house import ROSETTE, STOPPER, drilled, rail
from test_ui_job import put, tube

import addon
from addon.families import table
from addon.families.cap import CAP
from addon.families.cope_sleeve.cut_ends import cope_sites
from addon.families.cope_sleeve.wrapping import template_for
from addon.geometry.developments import LowestCut, ReadCut
from addon.geometry.frames import Frame
from addon.geometry.sections import Section
from addon.takeoff import Takeoff
from addon.takeoff.given_copes import GivenCope
from addon.ui import placing, scene_ends
from addon.ui.command_line import main
from addon.ui.desk import active_family, active_fitted
from addon.ui.placing import placed, record_key
from addon.ui.recipes import recipe_group, recipe_of
from addon.ui.takeoff_text import sites_of, takeoff_from, takeoff_text
from addon.ui.updating import desk_of, finish

pytestmark = pytest.mark.usefixtures("read_here")


@pytest.fixture
def scene(monkeypatch: pytest.MonkeyPatch) -> Iterator[bpy.types.Scene]:
    """A rail with two open ends and two holes through both walls, read."""
    monkeypatch.setattr(table, "FAMILIES", (CAP, STOPPER, ROSETTE))
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    addon.register()
    scene = bpy.context.scene
    for mesh in drilled(rail()):
        put(scene, mesh)
    assert bpy.ops.ferrule.read_ends(whole_scene=True) == {"FINISHED"}
    yield scene
    addon.unregister()


def fitted(family: str) -> list[bpy.types.Object]:
    return [item for item in placed(bpy.context.scene).values() if item.ferrule.family == family]


def choose(family: str, row: int = -1) -> None:
    assert bpy.ops.ferrule.choose(family=family, row=row) == {"FINISHED"}


def test_what_was_found_is_listed_and_nothing_is_made_of_holes_unasked(scene: bpy.types.Scene) -> None:
    rows = [(row.kind, row.name, row.count, row.makes) for row in scene.ferrule.groups]
    assert rows == [("end", "1 in × 1/8 in", 2, "cap"), ("hole", "1 in × 1/8 in", 2, "")]
    words = panel_words()["FERRULE_PT_ends"]
    assert {"8 mm in 1 in × 1/8 in", "2 holes", "2 ends", "Rosette", "Stopper", "Cap"} <= set(words)
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    assert (len(fitted("cap")), len(fitted("rosette"))) == (2, 0)


def test_a_family_is_chosen_fitted_and_dragged(scene: bpy.types.Scene) -> None:
    choose("rosette")
    assert (scene.ferrule.group_index, active_family(scene)) == (1, ROSETTE)
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    rings = fitted("rosette")
    assert len({ring.data.name for ring in rings}) == 1
    # On the tube's outside, 12.7 mm from its axis, and 2 mm thick.
    bpy.context.view_layer.update()
    corners = np.array([rings[0].matrix_world @ vertex.co for vertex in rings[0].data.vertices]) * 1000
    away = np.abs(corners[:, 1])
    assert (away.min(), away.max()) == pytest.approx((12.7, 14.7), abs=1e-3)
    scene.ferrule.recipes.rosette.thick_mm = 3
    assert np.ptp([vertex.co.z for vertex in rings[0].data.vertices]) == pytest.approx(0.003)
    said = panel_words()
    assert {"Rosette", "Thickness"} <= set(said["FERRULE_PT_fitting"]) and "Crown" not in said["FERRULE_PT_fitting"]
    choose("rosette")
    assert active_family(scene) is None
    assert any("Nothing is made for these holes" in word for word in panel_words()["FERRULE_PT_fitting"])
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    assert (len(fitted("cap")), fitted("rosette")) == (2, [])


def test_of_fittings_that_stay_a_row_takes_one(scene: bpy.types.Scene) -> None:
    bpy.ops.ferrule.fit()
    choose("stopper")
    assert [row.makes for row in scene.ferrule.groups] == ["stopper", ""]
    bpy.ops.ferrule.fit()
    assert (len(fitted("cap")), len(fitted("stopper"))) == (0, 2)
    assert active_fitted(scene, desk_of(scene)).batch.family is STOPPER
    choose("stopper", row=0)
    assert not bpy.ops.ferrule.fit.poll()


def test_a_number_of_a_row_of_its_own(scene: bpy.types.Scene) -> None:
    choose("rosette")
    row = scene.ferrule.groups[1]
    scene.ferrule.recipes.rosette.thick_mm = 2.5
    row.own_recipe = True
    assert row.recipes.rosette.thick_mm == 2.5
    bpy.ops.ferrule.set_number(field="thick_mm", value="4")
    assert (row.recipes.rosette.thick_mm, scene.ferrule.recipes.rosette.thick_mm) == (4, 2.5)
    assert active_fitted(scene, desk_of(scene)).batch.recipe.thick_mm == 4
    bpy.ops.ferrule.reset_recipe()
    assert row.recipes.rosette.thick_mm == 2


def test_fittings_stay_with_their_holes(scene: bpy.types.Scene) -> None:
    choose("rosette")
    bpy.ops.ferrule.fit()
    before = {key: item.name for key, item in placed(scene).items()}
    tube = scene.objects["rail"]
    tube.matrix_world = Matrix.Translation((1, 2, 3)) @ Matrix.Rotation(0.4, 4, "X")
    bpy.context.view_layer.update()
    assert bpy.ops.ferrule.refit() == {"FINISHED"}
    assert {key: item.name for key, item in placed(scene).items()} == before
    near = sorted(round((item.location - tube.location).length, 4) for item in fitted("rosette"))
    assert near == pytest.approx([np.hypot(0.06, 0.0127), np.hypot(0.15, 0.0127)], abs=1e-4)
    scene.ferrule.site_index = 0
    assert bpy.ops.ferrule.drop_end(site=True) == {"FINISHED"}
    bpy.ops.ferrule.refit()
    assert (len(scene.ferrule.sites), len(fitted("rosette")), len(fitted("cap"))) == (1, 1, 2)


def test_a_click_on_a_hole_in_the_list_brings_it_into_view_once(
    scene: bpy.types.Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    choose("rosette")
    bpy.ops.ferrule.fit()
    looks = []
    monkeypatch.setattr(placing, "look_at", lambda *given: looks.append(given))
    scene.ferrule.site_index = 1
    assert len(looks) == 1
    assert record_key(bpy.context.active_object.ferrule.end_key) == scene.ferrule.sites[1].key


def test_saved_undone_and_loaded_again(scene: bpy.types.Scene, tmp_path: Path) -> None:
    bpy.ops.ed.undo_push(message="before")
    choose("rosette")
    bpy.ops.ferrule.fit()
    bpy.ops.ed.undo_push(message="fitted")
    scene.ferrule.recipes.rosette.thick_mm = 4
    bpy.ops.ed.undo_push(message="thicker")
    bpy.ops.ed.undo()
    scene = bpy.context.scene
    assert finish(scene).fittings[1].batch.recipe.thick_mm == 2
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "rail.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "rail.blend"))
    scene = bpy.context.scene
    desk = finish(scene)
    assert [(each.batch.family, len(each.batch.sites)) for each in desk.fittings] == [(CAP, 2), (ROSETTE, 2)]
    assert all(each.made for each in desk.fittings)
    assert {record_key(key) for each in desk.fittings for key in each.keys} == {
        line.key for line in (*scene.ferrule.ends, *scene.ferrule.sites)
    }
    assert len(fitted("rosette")) == 2
    scene.ferrule.takeoff = scene.ferrule.takeoff.replace("holes", "hole")
    scene_ends.updating.touch(scene)
    assert [each.batch.family for each in finish(scene).fittings] == [CAP]


@pytest.fixture
def real() -> Iterator[bpy.types.Scene]:
    """An empty scene, and the families that there are."""
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    addon.register()
    yield bpy.context.scene
    addon.unregister()


def test_blender_keeps_the_recipe_of_every_family_as_it_is_declared(real: bpy.types.Scene) -> None:
    kept = [recipe_of(recipe_group(real.ferrule, family)) for family in table.FAMILIES]
    assert kept == [family.recipe() for family in table.FAMILIES]


def test_what_is_stored_is_what_was_read(scene: bpy.types.Scene) -> None:
    listed = desk_of(scene).takeoff
    keys = tuple(line.key for line in scene.ferrule.ends)
    again = takeoff_from(takeoff_text(listed, {}), keys, listed.ends)
    for one, other in zip((*listed.tubes, *sites_of(listed)), (*again.tubes, *sites_of(again)), strict=True):
        assert type(one) is type(other) and one.source == other.source
    assert [hole.diameter_mm for hole in again.holes] == [hole.diameter_mm for hole in listed.holes]
    assert np.array_equal(again.holes[0].position, listed.holes[0].position)
    assert again.tubes[0].ends[0].frame.origin.tolist() == listed.tubes[0].ends[0].frame.origin.tolist()


def test_what_an_older_file_does_not_have_of_a_tube_costs_no_hole(scene: bpy.types.Scene) -> None:
    listed = desk_of(scene).takeoff
    stored = json.loads(takeoff_text(listed, {}))
    for record in stored["tubes"]:
        del record["cuts"]
    again = takeoff_from(json.dumps(stored), tuple(line.key for line in scene.ferrule.ends), listed.ends)
    assert len(again.holes) == len(listed.holes) and again.tubes[0].cuts == (None, None)


def test_copes_of_every_kind_of_cut_are_stored() -> None:
    takeoff = GivenCope("1 in × 1/8 in", "NPS 1 1/2 Sch 40").added(Takeoff(()), "carbon steel")
    (cope,) = takeoff.copes
    lowest = LowestCut.of(
        [cope.cut, cope.cut.seen_from(Frame(np.zeros(3), np.eye(3)).turned(90.0))], cope.end.section.outer
    )
    copes = (
        replace(cope, cut=lowest, other=cope.tube, also=(cope.tube,)),
        replace(cope, cut=ReadCut(cope.outside, cope.inside)),
    )
    text = takeoff_text(replace(takeoff, copes=copes), {id(cope.end): "key"})
    again = takeoff_from(text, ("key",), (cope.end,)).copes
    points = cope.outside[:, :2]
    assert [type(each.cut) for each in again] == [LowestCut, ReadCut] and len(again[0].tubes_under) == 2
    for before, after in zip(copes, again, strict=True):
        assert after.cut.heights(points) == pytest.approx(before.cut.heights(points))
        assert after.cut.direction_deg == pytest.approx(before.cut.direction_deg)


def test_sites_that_an_earlier_version_stored_without_the_cuts_of_tubes_are_read() -> None:
    takeoff = GivenCope("1 in × 1/8 in", "NPS 1 1/2 Sch 40", length_mm=500.0).added(Takeoff(()), "carbon steel")
    (cope,) = takeoff.copes
    record = json.loads(takeoff_text(takeoff, {id(cope.end): "key"}))
    for bar in record["tubes"]:
        del bar["cuts"]
    again = takeoff_from(json.dumps(record), ("key",), (cope.end,))
    (site,) = cope_sites(again)
    assert [site.at.place] == [before.at.place for before in cope_sites(takeoff)]
    (said,) = template_for(site.at.place, [(site.at, site.far)]).said
    assert said.startswith("Lower edge ") and said.endswith(" short of the longest point")


def test_the_windows_files_are_those_of_its_job_file(scene: bpy.types.Scene, tmp_path: Path) -> None:
    choose("rosette")
    scene.ferrule.groups[1].own_recipe = True
    scene.ferrule.groups[1].recipes.rosette.thick_mm = 2.4
    assert assert_exported_as_the_job_file_does(scene, tmp_path, 2) == 0
    said = json.loads((tmp_path / "window" / "result.json").read_text("utf-8"))
    assert said["holes"][0]["fitting"] == "F2"


def test_real_families_go_from_the_model_to_the_files_of_their_job_file(real: bpy.types.Scene, tmp_path: Path) -> None:
    """Two drilled rails that face each other: guides for the holes of both walls and plugs in them, a joiner between
    the rails, whose screws' holes get guides too, caps outside."""
    scene = real
    for number, mesh in enumerate(drilled(rail()) * 2):
        put(scene, replace(mesh, name=f"rail {number}"), Matrix.Translation((0.301 * number, 0, 0)))
    assert bpy.ops.ferrule.read_ends(whole_scene=True) == {"FINISHED"}
    assert [(row.kind, row.count) for row in scene.ferrule.groups] == [("end", 2), ("hole", 4), ("joint", 1)]
    for family in ("drill_guide", "hole_plug", "joiner"):
        choose(family)
    assert [row.makes for row in scene.ferrule.groups] == ["cap", "drill_guide hole_plug", "joiner"]
    scene.ferrule.recipes.joiner.screws = "through"
    scene.ferrule.recipes.joiner.screw_thread = "M4"
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    assert [len(fitted(family)) for family in ("cap", "hole_plug", "joiner")] == [2, 8, 1]
    assert fitted("drill_guide")
    served = [batch.amounts for batch in (fitting.batch for fitting in desk_of(scene).fittings)]
    assert sum(amounts.get("screw hole", 0) for amounts in served) == 2
    assert_exported_as_the_job_file_does(scene, tmp_path, 4)


def test_guides_for_screws_are_chosen_where_the_joiners_are_and_are_those_of_the_job_file(
    real: bpy.types.Scene, tmp_path: Path
) -> None:
    """Two rails without holes, so that nothing but the joiner's screws asks for guides."""
    for number, mesh in enumerate(rail() * 2):
        put(real, replace(mesh, name=f"rail {number}"), Matrix.Translation((0.301 * number, 0, 0)))
    assert bpy.ops.ferrule.read_ends(whole_scene=True) == {"FINISHED"}
    choose("joiner")
    assert "Drill Guide" not in panel_words()["FERRULE_PT_ends"]
    real.ferrule.recipes.joiner.screws = "through"
    real.ferrule.recipes.joiner.screw_thread = "M4"
    assert panel_words()["FERRULE_PT_ends"].count("Drill Guide") == 1
    assert bpy.ops.ferrule.choose(family="drill_guide", screws=True) == {"FINISHED"}
    assert [row.makes for row in real.ferrule.groups] == ["cap", "joiner drill_guide"]
    assert active_family(real).name == "drill guide"
    real.ferrule.recipes.drill_guide.drill = "pilot"
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    assert (len(fitted("joiner")), len(fitted("drill_guide"))) == (1, 2)
    assert_exported_as_the_job_file_does(real, tmp_path, 3)
    choose("joiner")
    assert [row.makes for row in real.ferrule.groups] == ["cap", ""]


def test_guides_for_screws_are_switched_on_and_off_for_all_joiners(real: bpy.types.Scene) -> None:
    """Of two kinds of joint one gets joiners; guides are for the screws of all of these, not for one row's."""
    bar = tube(Section.rectangular(40, 40, 3), 300, "bar")
    for mesh, turn, y in ((rail()[0], Matrix(), 0.0), (bar, Matrix.Rotation(np.pi / 2, 4, "Y"), 0.5)):
        for x in (0.0, 0.301):
            put(real, mesh, Matrix.Translation((x, y, 0)) @ turn)
    assert bpy.ops.ferrule.read_ends(whole_scene=True) == {"FINISHED"}
    rows = [(row.kind, row.count) for row in real.ferrule.groups]
    assert rows == [("end", 2), ("end", 2), ("joint", 1), ("joint", 1)]
    real.ferrule.recipes.joiner.screws = "through"
    choose("joiner", row=2)
    real.ferrule.group_index = 3
    assert panel_words()["FERRULE_PT_ends"].count("Drill Guide") == 1
    for makes in ("joiner drill_guide", "joiner"):
        assert bpy.ops.ferrule.choose(family="drill_guide", screws=True) == {"FINISHED"}
        assert [row.makes for row in real.ferrule.groups] == ["cap", "cap", makes, ""]


def test_what_is_not_chosen_is_fitted_for_all_of_its_kind_at_one_click(scene: bpy.types.Scene) -> None:
    assert "Rosettes" in panel_words()["FERRULE_PT_verdict"]
    assert bpy.ops.ferrule.fit_with(family="rosette") == {"FINISHED"}
    assert [row.makes for row in scene.ferrule.groups] == ["cap", "rosette"]
    assert (len(fitted("cap")), len(fitted("rosette"))) == (2, 2)
    assert "Rosettes" not in panel_words()["FERRULE_PT_verdict"]
    with pytest.raises(RuntimeError, match='no family "ring"; choose one of cap, stopper, rosette'):
        bpy.ops.ferrule.fit_with(family="ring")


def assert_exported_as_the_job_file_does(scene: bpy.types.Scene, folder: Path, kinds: int) -> int:
    """Returns what the command that runs the job file exits with."""
    scene.ferrule.output.write_stl = True
    scene.ferrule.output.folder = str(folder / "window")
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    assert bpy.ops.ferrule.write_job(filepath=str(folder / "Scene.toml")) == {"FINISHED"}
    exited = main([str(folder / "Scene.toml"), "--quiet"])
    assert_same_files(folder / "window", folder / "ferrule_out", kinds)
    return exited


def assert_same_files(ours: Path, theirs: Path, kinds: int) -> None:
    """Solids byte by byte, and what result.json says of verdict, sites and fittings."""
    stls = [[path.read_bytes() for path in sorted(folder.glob("*.stl"))] for folder in (ours, theirs)]
    assert stls[0] == stls[1] and len(stls[0]) >= kinds
    said = [json.loads((folder / "result.json").read_text("utf-8")) for folder in (ours, theirs)]
    for result in said:
        for fitting in result["fittings"]:
            fitting.pop("files", None)
    for what in ("verdict", "holes", "joints", "fittings"):
        assert said[0][what] == said[1][what]
