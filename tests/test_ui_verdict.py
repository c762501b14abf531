# SPDX-License-Identifier: GPL-3.0-or-later
"""The verdict in the window, and that panel, command, job sheet and result.json say the same of a job and of a part."""

from __future__ import annotations

import json
import re
from pathlib import Path

import bpy
import numpy as np
import pytest
from manifold3d import Manifold
from mathutils import Matrix
from panel_words import panel_words

from addon.families.table import usual
from addon.fields.messages import say
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Outline, Section
from addon.geometry.units import say_mm
from addon.job.asked import Assembly, Job, Output, TubeFacts, Wish
from addon.job.batches import resolved, sort_into_batches
from addon.job.judging import verdict_of
from addon.job.resolved import designed, reviewed
from addon.job.screen import table
from addon.takeoff import Takeoff, TubeEnd
from addon.trade.processes import DEFAULT_PROCESS, process_named
from addon.ui import listing, updating
from addon.ui.desk import FACETS, Desk, left_out
from addon.ui.quiet import quietly
from addon.ui.scene import put_mesh
from addon.ui.wording import METRIC

ROUND = Section.round(25.4, 3.175)
SQUARE = Section.rectangular(40, 40, 3)


def put(scene: bpy.types.Scene, section: Section, name: str, x: float = 0.0, tool: Manifold | None = None) -> None:
    solid = (section.outer.cross_section(96) - section.bore.cross_section(96)).extrude(300)
    item = put_mesh(Mesh.from_manifold(solid - tool if tool else solid, name), name, scene.collection, 1.0)
    item.matrix_world = Matrix.Translation((x, 0, 0))


def fitted(scene: bpy.types.Scene) -> Desk:
    assert bpy.ops.ferrule.read_ends(whole_scene=True) == {"FINISHED"}
    assert bpy.ops.ferrule.fit() == {"FINISHED"}
    desk = updating.finish(scene)
    assert desk is not None and desk.verdict is not None
    return desk


def said_in(panel: str) -> str:
    return " ".join(panel_words()[panel])


def bolt(height: float) -> Manifold:
    """Through both walls of a tube, square to it."""
    return Manifold.cylinder(100, 3.5, circular_segments=48).translate((0, 0, -50)).rotate((0, 90, 0)).translate(
        (0, 0, height)
    )  # fmt: skip


def test_panel_command_and_sheet_say_the_same_of_a_part(scene: bpy.types.Scene, tmp_path: Path) -> None:
    """Before the export as after it, and with the facets that files get, not those of the view."""
    put(scene, ROUND, "Post")
    put(scene, SQUARE, "Rail", 0.5)
    scene.ferrule.output.folder = str(tmp_path)
    scene.ferrule.recipe.crown = "low dome"
    desk = fitted(scene)
    before, parts = desk.verdict, [fitting.made for fitting in desk.fittings]
    assert before.headline.startswith("4 ends, 2 kinds, ready to print: 1 plate, ")
    assert said_in("FERRULE_PT_verdict").startswith(f"{before.headline}.")
    shown = []
    for group in range(2):
        scene.ferrule.group_index = group
        shown.append(said_in("FERRULE_PT_print_plan"))

    assert bpy.ops.ferrule.export() == {"FINISHED"}
    desk = updating.desk_of(scene)
    result = desk.result
    written = json.loads((tmp_path / "result.json").read_text("utf-8"))
    sheet = next(tmp_path.glob("*job sheet.html")).read_text("utf-8")
    rows = [re.findall(r"<td[^>]*>([^<]*)</td>", row) for row in sheet.split("<tr>")]
    command = table(result)
    assert desk.verdict.headline == verdict_of(result).headline == written["verdict"]["headline"] == before.headline
    assert command.startswith(f"{before.headline}.") and f"{before.headline}." in sheet
    assert said_in("FERRULE_PT_verdict").startswith(f"{before.headline}.")
    assert desk.verdict.quantities.grams.value == before.quantities.grams.value
    for mine, made, plan_said, record in zip(parts, result.made, shown, written["fittings"], strict=True):
        assert mine.review.printed.plan.ranges == made.review.printed.plan.ranges
        assert record["print_plan"]["ranges"]
        for part, entry in zip(made.review.printed.plan.ranges, record["print_plan"]["ranges"], strict=True):
            assert (part.rings, part.bead_mm) == (entry["rings"], pytest.approx(entry["bead_mm"]))
            assert part.said().text(METRIC) in plan_said
            # Beads are said on the screen where they are not as set.
            as_set, layers = made.review.printed.plan.bead_mm, part.said_layers.replace(" to ", "–")
            beads = "" if part.bead_mm == as_set else f" of {re.escape(f'{part.bead_mm:.2f}')} mm"
            keyed_in = rf"; {part.rings}{beads} on (layers )?[^;.]*{made.id} {layers}[,;.]"
            assert re.search(keyed_in, " ".join(command.split()))
            cells = [made.id, part.said_layers, f"{part.rings}", f"{part.bead_mm:.2f}"]
            assert any(set(cells) <= set(row) for row in rows)
        support = made.review.printed.support
        assert mine.review.printed.support.volume_mm3 == support.volume_mm3
        assert record["support"]["volume_mm3"] == pytest.approx(support.volume_mm3, abs=1e-3)
        assert support.said(result.job.process).text(METRIC) in plan_said
        assert re.search(rf"{made.id} .* {re.escape(say_mm(made.gaps[0].nominal))}\n", command)
        assert record["spigot_gap_mm"] == pytest.approx(made.gaps[0].nominal, abs=1e-4)
        assert mine.gaps == made.gaps and mine.findings == tuple(made.findings)


def test_spares_are_counted_before_the_plates_are_laid_out(
    scene: bpy.types.Scene, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(scene, ROUND, "Post")
    scene.ferrule.output.spares = 3
    monkeypatch.setattr(updating, "LAID_OUT_UP_TO", 4)
    assert bpy.ops.ferrule.read_ends(whole_scene=True) == {"FINISHED"}
    updating.finish(scene)
    assert said_in("FERRULE_PT_verdict").startswith("5 fittings of 1 kind, not laid out yet")
    assert bpy.ops.ferrule.lay_out() == {"FINISHED"}
    assert said_in("FERRULE_PT_verdict").startswith("2 ends, 1 kind, ready to print: 1 plate, ")


def test_what_is_left_out_is_the_second_line(scene: bpy.types.Scene) -> None:
    put(scene, ROUND, "Post", tool=bolt(6.5 + 3.5))
    said = fitted(scene).verdict
    assert said.headline.startswith("1 of 2 ends") and not said.complete
    left = "Left out, 1 end: Crossed by a hole 6.5 mm down the bore."
    assert said_in("FERRULE_PT_verdict").startswith(f"{said.headline}. Export")
    assert said_in("FERRULE_PT_in_the_way").startswith(f"In the Way 1 {left}")


def test_more_than_three_things_in_the_way_fold(scene: bpy.types.Scene) -> None:
    for number in range(5):
        put(scene, Section.round(20.0 + 5 * number, 2.0), f"Post {number}", 0.5 * number)
    fitted(scene)
    scene.ferrule.recipe.spigot_mm = 900.0
    updating.finish(scene)
    first, more = said_in("FERRULE_PT_in_the_way"), said_in("FERRULE_PT_more_in_the_way")
    assert first.startswith("In the Way 5 Left out") and first.count("Left out") == 3
    assert more.startswith("More in the Way 2 Left out") and more.count("Left out") == 2


def test_a_number_that_moves_takes_the_verdict_away_until_it_rests(scene: bpy.types.Scene) -> None:
    put(scene, ROUND, "Post")
    before = fitted(scene).verdict
    scene.ferrule.recipe.spigot_mm = 20
    desk = updating.desk_of(scene)
    assert desk.verdict is None and "Reviewing, 1 kind to go" in said_in("FERRULE_PT_verdict")
    after = updating.finish(scene).verdict
    assert after.quantities.grams.value > before.quantities.grams.value


def test_an_impossible_recipe_is_left_out_with_its_number(scene: bpy.types.Scene) -> None:
    put(scene, ROUND, "Post")
    put(scene, SQUARE, "Rail", 0.5)
    fitted(scene)
    bpy.context.scene.ferrule.group_index = 0
    scene.ferrule.groups[0].own_recipe = True
    scene.ferrule.groups[0].recipe.groove_depth_mm = 50
    verdict = updating.finish(scene).verdict
    (entry,) = verdict.left_out
    assert (entry.number, entry.fitting) == (2, "F1") and "groove_depth_mm" in entry.remedy
    assert verdict.headline.startswith("2 of 4 ends, 1 kind; left out: 2 ends. ")


def test_findings_of_a_check_are_one_line_with_whom_they_concern(scene: bpy.types.Scene) -> None:
    """Walls of one bead and a half, in three kinds."""
    for number, section in enumerate((ROUND, SQUARE, Section.rectangular(50, 25, 2))):
        put(scene, section, f"Tube {number}", 0.5 * number)
    scene.ferrule.recipe.groove_count_auto, scene.ferrule.recipe.groove_count = False, 0
    scene.ferrule.recipe.hollow_wall_mm = 0.92
    scene.ferrule.process.bead_mm = 0.5
    fitted(scene)
    rows = list(bpy.context.window_manager.ferrule.findings)
    thin = [row for row in rows if row.name == "thin wall"]
    assert len(thin) >= 3 and [row.who.partition(",")[0] for row in thin if row.who] == ["3 kinds"]
    checks = [(row.name, row.severity) for row in rows if row.who]
    assert len(checks) == len(set(checks))
    bpy.context.window_manager.ferrule.finding_index = rows.index(thin[0])
    others = listing.others_alike(listing.findings[rows.index(thin[0])])
    assert len(others) == len(thin) - 1
    shown = said_in("FERRULE_PT_review")
    assert all(listing.findings[index].fitting in shown for index in others)


def test_the_view_is_calm_by_default(scene: bpy.types.Scene) -> None:
    """The profile beside the part, and markers at the tube ends."""
    view = scene.ferrule.view
    switches = [prop.identifier for prop in view.bl_rna.properties if prop.identifier.startswith("show_")]
    assert {switch for switch in switches if getattr(view, switch)} == {"show_profile", "show_ends"}


def test_what_the_export_finds_in_the_assembly_is_listed_and_comes_first(
    scene: bpy.types.Scene, tmp_path: Path
) -> None:
    """A plate across the crown, 10 mm in front of the post's end, where the dome is 12.7 mm high."""
    put(scene, ROUND, "Post")
    put_mesh(
        Mesh.from_manifold(Manifold.cube((90, 90, 5), True).translate((0, 0, 312.5)), "Shelf"),
        "Shelf",
        scene.collection,
        1.0,
    )
    scene.ferrule.output.folder = str(tmp_path)
    assert fitted(scene).verdict.headline.startswith("2 ends, 1 kind, ready to print")
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    verdict = updating.desk_of(scene).verdict
    assert verdict.headline == "2 ends, 1 kind, not to be printed yet: interference"
    assert bpy.context.window_manager.ferrule.findings[0].name == "interference"
    assert said_in("FERRULE_PT_in_the_way").startswith("In the Way 1 Must fix: interference, F1.")


def test_nothing_is_ticked_while_parts_are_missing(scene: bpy.types.Scene, tmp_path: Path) -> None:
    put(scene, ROUND, "Post")
    put(scene, SQUARE, "Rail", 0.5)
    scene.ferrule.output.folder = str(tmp_path)
    fitted(scene)
    scene.ferrule.group_index = 1
    scene.ferrule.groups[1].own_recipe = True
    scene.ferrule.groups[1].recipe.spigot_mm = 600.5
    desk = updating.finish(scene)
    name = scene.ferrule.groups[1].name
    (missing,) = left_out(desk)
    assert missing == desk.verdict.left_out[0] and missing.number == 2 and name in missing.reason
    assert desk.copies == 2
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    words = said_in("FERRULE_PT_files") + said_in("FERRULE_PT_in_the_way")
    assert "Read back, all correct" not in words and "2 ends are left out; the rest was read back" in words
    sheet = next(tmp_path.glob("*job sheet.html")).read_text("utf-8")
    assert "2 of 4 ends" in sheet and "Set spigot to " in sheet
    assert not re.search(r"\w_mm\b|\[\[?[a-z_]+\]", sheet)
    assert "Set Spigot to " in words and "spigot_mm" not in words


def hexagonal(across_flats: float, wall: float) -> Section:
    around = np.radians(np.arange(6) * 60)
    ring = np.column_stack([np.cos(around), np.sin(around)]) / np.sqrt(3)
    return Section(Outline.free(ring * across_flats), Outline.free(ring * (across_flats - 2 * wall)))


def shown_numbers() -> list[str]:
    """Of the subject's review, as the panels show them: its plan, its support, and each finding in sentences."""
    words = list(panel_words()["FERRULE_PT_print_plan"])
    manager = bpy.context.window_manager.ferrule
    for index in range(len(listing.listed(bpy.context))):
        with quietly():
            manager.finding_index = index
        words += panel_words()["FERRULE_PT_review"]
    return [word for word in words if re.search(r"\d", word)]


SECTIONS = {"round": ROUND, "square": SQUARE, "hexagonal": hexagonal(32, 2.3)}


@pytest.mark.parametrize(("section", "crown"), [*zip(SECTIONS, ("dome", "low dome", "peaked"), strict=True)])
def test_the_window_shows_no_number_that_the_files_do_not_have(
    scene: bpy.types.Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, crown: str, section: str
) -> None:
    monkeypatch.setattr(updating, "LIVE_S", 60.0)
    put(scene, SECTIONS[section], "Post")
    scene.ferrule.recipe.crown = crown
    scene.ferrule.output.folder = str(tmp_path)
    fitted(scene)
    before = shown_numbers()
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    in_place = {finding.meaning for fitting in updating.desk_of(scene).fittings for finding in fitting.in_place}
    assert not in_place and shown_numbers() == before
    assert any("mm³" in word or "cm³" in word for word in before)
    # While a number is dragged, the fitting has the view's facets: what is known of it is shown without numbers.
    scene.ferrule.recipe.spigot_mm = 8.5
    (following,) = updating.desk_of(scene).fittings
    assert following.made is not None and following.waiting
    assert [word for word in shown_numbers() if "F1" not in word and "Reviewing, 1" not in word] == []


@pytest.mark.parametrize("section", SECTIONS)
@pytest.mark.parametrize("crown", ["dome", "low dome", "flat", "peaked"])
def test_preview_and_files_have_the_same_layers_and_findings(section: str, crown: str) -> None:
    """Numbers may differ by what the facets cut off; what is found, how many layers there are and which of them are
    printed otherwise are the same but for a layer."""
    end = TubeEnd("Post", SECTIONS[section], Frame(np.zeros(3), np.eye(3)), 0.0, 0.0, 300.0, "open", say("open"))
    wish = Wish(usual(), usual().recipe(crown=crown))
    process = process_named(DEFAULT_PROCESS)
    job = Job("Job", (Assembly(()),), (wish,), (), TubeFacts(), process, Output(Path()))
    (batch,) = sort_into_batches(job, Takeoff((end,)))
    of = resolved(job, batch)
    preview, files = (reviewed(of, designed(batch.shape, facets)).review for facets in (FACETS, None))
    assert len(preview.printed.layers) == len(files.printed.layers)
    found = [[(finding.check, finding.severity) for finding in review.findings] for review in (preview, files)]
    assert found[0] == found[1]
    for mine, other in zip(preview.findings, files.findings, strict=True):
        assert mine.value is other.value or mine.value == pytest.approx(other.value, rel=0.15)
        assert mine.limit is other.limit or mine.limit == pytest.approx(other.limit)
    plans = [review.printed.plan.ranges for review in (preview, files)]
    assert [(part.rings, part.last) for part in plans[0]] == [(part.rings, part.last) for part in plans[1]]
    for mine, other in zip(*plans, strict=True):
        assert abs(mine.first - other.first) <= 1
    assert preview.printed.support.volume_mm3 == pytest.approx(files.printed.support.volume_mm3, rel=0.02, abs=1)


def test_an_end_crossed_by_a_hole_is_taken_with_one_click(scene: bpy.types.Scene) -> None:
    put(scene, ROUND, "Post", tool=bolt(6.5 + 3.5))
    put(scene, SQUARE, "Rail", 0.5)
    desk = fitted(scene)
    (row,) = desk.curable
    assert "Spigot 6 mm for 1 in × 1/8 in" in said_in("FERRULE_PT_in_the_way")
    scene.ferrule.end_index = row
    assert "Spigot 6 mm for 1 in × 1/8 in" in said_in("FERRULE_PT_closed_ends")
    assert bpy.ops.ferrule.shorten_spigot(index=row) == {"FINISHED"}
    desk = updating.finish(scene)
    assert desk.verdict.headline.startswith("4 ends, 2 kinds, ready to print") and not desk.curable
    assert len(bpy.data.collections["Fittings"].objects) == 4
    assert sorted(round(fitting.fitting.recipe.spigot_mm) for fitting in desk.fittings) == [6, 8]
    with pytest.raises(RuntimeError, match="would not go into this end"):
        bpy.ops.ferrule.shorten_spigot(index=row)


def test_an_end_crossed_by_a_hole_is_taken_with_the_hole_in_its_spigot(scene: bpy.types.Scene, tmp_path: Path) -> None:
    """Another click; the others of its section keep a spigot without a hole."""
    put(scene, ROUND, "Post", tool=bolt(6.5 + 3.5))
    put(scene, SQUARE, "Rail", 0.5)
    desk = fitted(scene)
    (row,) = desk.curable
    for panel in ("FERRULE_PT_in_the_way", "FERRULE_PT_closed_ends"):
        scene.ferrule.end_index = row
        assert "Hole through the Spigot for 1 in × 1/8 in" in said_in(panel)
    assert bpy.ops.ferrule.free_holes(index=row) == {"FINISHED"}
    desk = updating.finish(scene)
    assert desk.verdict.headline.startswith("4 ends, 3 kinds, ready to print") and not desk.curable
    assert sorted(len(fitting.batch.place.holes) for fitting in desk.fittings) == [0, 0, 1]
    assert bpy.ops.ferrule.check_in_place() == {"FINISHED"}
    assert not [finding for fitting in desk.fittings for finding in fitting.in_place]
    with pytest.raises(RuntimeError, match="No hole of this end"):
        bpy.ops.ferrule.free_holes(index=row)
    scene.ferrule.output.folder = str(tmp_path)
    assert bpy.ops.ferrule.export() == {"FINISHED"}
    sheet = next(tmp_path.glob("*.html")).read_text("utf-8")
    assert "Turn to the hole" in sheet and "Section square to the hole" in sheet
