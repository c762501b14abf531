# SPDX-License-Identifier: GPL-3.0-or-later
"""The bench in a job: shop book, fit ladder, amounts; from the job file to the written files, and back into the book.

Files are read by trimesh and lib3mf, statistics are scipy's, amounts are worked out by hand.
"""

from __future__ import annotations

import csv
import json
import math
import shlex
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path

import lib3mf
import numpy as np
import pytest
import trimesh
from scipy import stats

import shop_book
from addon.bench.shop_book import ShopBook
from addon.bench.shop_file import read_book
from addon.bench.verdict import about_grams
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.asked import JobError
from addon.job.jobfile import job_text, parse_job, read_job
from addon.job.running import run
from addon.job.screen import table
from addon.trade.processes import DEFAULT_PROCESS

ONE_INCH = Section.round(25.4, 3.175)
SQUARE = Section.rectangular(40, 40, 3)
SHOP = {"book": "book.toml"}


def tube(section, at, along=(0, 0, 1)):
    solid = (section.outer.cross_section() - section.bore.cross_section()).extrude(300)
    return Mesh.from_manifold(solid, f"tube at {at}").placed(Frame.along(at, along))


def rack(*sections):
    return [tube(section, (100 * index, 0, 0)) for index, section in enumerate(sections or (ONE_INCH,))]


def do(folder, meshes=None, **tables):
    """A job with the gap of the shop's readings, without what would take up a seam: spigots are round."""
    usual = {"assembly": {"files": ["rack.stl"]}, "output": {"folder": "out"}}
    fitting = {"crown": "flat", "gap_mm": 0.2, "seam_relief": "none", **tables.pop("fitting", {})}
    job = parse_job({**usual, "fitting": fitting, **tables}, folder, "rack")
    return run(job, meshes or rack(), True, lambda what, share: None)


def written(folder):
    return json.loads((folder / "out" / "result.json").read_text("utf-8"))


def keep(folder, text):
    (folder / "book.toml").write_text(f"format = 1\n{text}", "utf-8")


def fit_entry(name, chosen, kind="round", wanted=0.2, measured=""):
    return (
        f'[[fit]]\nname = "{name}"\nprocess = "{DEFAULT_PROCESS}"\nkind = "{kind}"\nsection = "s"\n'
        f"wanted_gap_mm = {wanted}\nchosen_gap_mm = {chosen}\n{measured}\n"
    )


def run_entry(name, used, took):
    return (
        f'[[run]]\nname = "{name}"\nprocess = "{DEFAULT_PROCESS}"\n'
        f"estimated_cm3 = 100.0\nused_cm3 = {used}\nestimated_s = 10000.0\ntook_s = {took}\n"
    )


def enter(folder, *arguments):
    return shop_book.do(shop_book.parse([str(folder / "book.toml"), *map(str, arguments)]))


def spigot_width(path, height=4.0):
    """Width of what stands at a height, by trimesh."""
    return np.ptp(trimesh.load(path).section([0, 0, 1], [0, 0, height]).vertices, axis=0)[0]


# -- corrections -----------------------------------------------------------------------------------------------------


def test_a_correction_makes_the_printed_spigot_smaller_and_is_told(tmp_path, capsys):
    """Source: mean and standard deviation by numpy; the spigot's width by trimesh in the written STL."""
    chosen = [0.24, 0.31, 0.26]
    keep(tmp_path, "".join(fit_entry(str(gap), gap) for gap in chosen))
    upright = {"crown": "flat", "up": "crown up"}
    output = {"folder": "out", "formats": ["stl"]}
    result = do(tmp_path, rack(ONE_INCH, SQUARE), shop=SHOP, fitting=upright, output=output)
    mean, spread = np.mean(chosen) - 0.2, np.std(chosen, ddof=1)
    stl = {fitting.id: tmp_path / "out" / result.files_of(fitting.name)[0] for fitting in result.made}
    assert spigot_width(stl["F1"], 1.5) == pytest.approx(19.05 - 2 * (0.2 + 0.07), abs=0.02)
    assert spigot_width(stl["F2"], 1.5) == pytest.approx(34 - 2 * 0.2, abs=0.02)
    assert mean == pytest.approx(0.07)
    first, second = written(tmp_path)["fittings"]
    assert (first["spigot_gap_mm"], first["drawn_gap_mm"], second["drawn_gap_mm"]) == (0.2, 0.27, 0.2)
    assert first["gap_correction"] == {"n": 3, "mean": pytest.approx(0.07), "spread": pytest.approx(spread, abs=1e-4)}
    assert second["gap_correction"] is None
    said = "Gaps are made 0.07 mm per side larger than requested: mean of 3 readings, spread 0.04 mm."
    sheet = (tmp_path / "out" / "rack job sheet.html").read_text("utf-8")
    for text in (table(result), sheet, "\n".join(written(tmp_path)["notes"])):
        assert said in " ".join(text.split())
        assert "Square and rectangular tube: No fit ladder has been entered" in " ".join(text.split())


def test_a_single_reading_is_called_one(tmp_path):
    keep(tmp_path, fit_entry("only", 0.25))
    result = do(tmp_path, shop=SHOP)
    assert "0.05 mm per side larger than requested: from a single reading, not yet reliable." in result.notes[0]


def test_a_correction_changes_the_glue_not_at_all_and_the_bore_that_is_allowed_neither(tmp_path):
    """What is put together is to be the same with a correction: glue, gap and bore; only the drawn spigot differs."""
    plain = do(tmp_path)
    before = rows(tmp_path, "rack fittings.csv")[0]
    keep(tmp_path, fit_entry("a", 0.3, measured="drawn_mm = 18.65\nmeasured_mm = 18.85"))
    corrected = do(tmp_path, shop=SHOP)
    assert rows(tmp_path, "rack fittings.csv")[0] == before
    assert corrected.made[0].gaps[0].root_sum_square == pytest.approx(plain.made[0].gaps[0].root_sum_square)
    drawn = [result.made[0].fitting.profile.spigot_outline.width for result in (plain, corrected)]
    assert drawn[0] - drawn[1] == pytest.approx(0.2)
    sheet = (tmp_path / "out" / "rack job sheet.html").read_text("utf-8")
    # Glue allows 0.05 to 1 mm a side (trade table); calipers are to read 0.1 mm a side more than drawn.
    assert "18.75 to 20.65" in sheet
    assert "Gap per side: half of bore less spigot (drawn 0.3 mm)" in sheet
    tolerance = corrected.job.process.tolerance_mm
    assert f"{18.45 + 0.2 - 2 * tolerance:.2f}".rstrip("0") + " to " in sheet


def test_a_correction_that_the_fit_cannot_bear_is_refused_with_a_cure_that_works(tmp_path):
    keep(tmp_path, fit_entry("far", 3.1))
    result = do(tmp_path, shop=SHOP)
    assert not result.made
    refusal = next(finding for finding in result.findings if finding.check == "recipe")
    assert "the shop book adds 2.9 mm" in refusal.meaning
    cured = do(tmp_path, shop=SHOP, fitting=dict(refusal.cure))
    assert cured.made[0].fitting.recipe.gap_mm == pytest.approx(3.0)


def test_readings_of_another_process_or_kind_change_nothing(tmp_path):
    keep(tmp_path, fit_entry("a", 0.4, kind="rect") + fit_entry("b", 0.4).replace(DEFAULT_PROCESS, "Another"))
    assert do(tmp_path, shop=SHOP).made[0].fitting.recipe.gap_mm == pytest.approx(0.2)


# -- tubes, processes, plastics, presets ------------------------------------------------------------------------------


TUBE = """
[[tube]]
name = "1 in from the yard"
kind = "round"
width_mm = "1 in"
depth_mm = "1 in"
wall_mm = "1/8 in"
bore_width_mm = 18.9
bore_depth_mm = 18.9
seam_mm = 0.3
"""


def test_a_measured_tube_of_the_book_is_used_and_told(tmp_path):
    keep(tmp_path, TUBE)
    result = do(tmp_path, rack(ONE_INCH, Section.round(25.4, 1.65)), shop=SHOP)
    assert result.made[0].fitting.profile.spigot_outline.width == pytest.approx(18.9 - 0.4)
    assert result.made[1].fitting.section.bore.width == pytest.approx(22.1, abs=1e-3)
    assert 'F1 is made for the shop book\'s tube "1 in from the yard", bore 18.9 mm.' in result.notes
    seam = {part.name: part.takes for part in result.made[0].gaps[0].contributions}
    assert seam["weld seam"] == pytest.approx(0.15)  # half, since a seam on one side moves the spigot aside


def test_the_jobs_own_readings_win_over_the_books(tmp_path):
    keep(tmp_path, TUBE)
    result = do(tmp_path, shop=SHOP, measured=[{"kind": "round", "bore_width_mm": 19.1}], tube={"seam_height_mm": 0.1})
    assert result.made[0].fitting.section.bore.width == pytest.approx(19.1)
    assert not any("yard" in note for note in result.notes)
    seam = {part.name: part.takes for part in result.made[0].gaps[0].contributions}
    assert seam["weld seam"] == pytest.approx(0.05)


def test_processes_and_plastics_of_the_book_come_before_the_tables(tmp_path):
    """Source: grams are cm³ times the density that the book has."""
    process = next(entry for entry in tables_processes() if entry["name"] == DEFAULT_PROCESS)
    keep(tmp_path, toml("process", {**process, "name": "Bench", "material": "Our blend", "layer_mm": 0.25})
         + toml("process", {**process, "layer_mm": 0.3, "first_layer_mm": 0.3})
         + toml("material", {"name": "Our blend", "density": 1.5, "expansion": 1e-4, "hottest_c": 60.0, "glue": "any",
                             "source": "own", "fibre": True}))  # fmt: skip
    result = do(tmp_path, shop=SHOP, process={"name": "bench", "rings": 4})
    assert (result.job.process.layer_mm, result.job.process.rings) == (0.25, 4)
    amounts = written(tmp_path)["quantities"]
    assert amounts["density_g_cm3"] == 1.5
    assert amounts["grams"]["value"] == pytest.approx(1.5 * amounts["plastic_cm3"]["value"], rel=1e-4)
    assert 'The plastic "Our blend" is the shop book\'s.' in result.notes
    assert "Wear a respirator against fibre dust" in table(result, everything=True) and "dust" in (
        tmp_path / "out" / "rack job sheet.html"
    ).read_text("utf-8")
    assert do(tmp_path, shop=SHOP).job.process.layer_mm == 0.3
    assert do(tmp_path).job.process.layer_mm == process["layer_mm"]


def test_a_preset_is_where_the_recipe_begins(tmp_path):
    keep(tmp_path, '[[preset]]\nname = "Gate posts"\ncrown = "flat"\nrise_mm = 4.0\nspigot_mm = 12.0\n')
    recipe = do(tmp_path, shop=SHOP, fitting={"preset": "gate posts", "rise_mm": 5}).job.wishes[0].recipe
    assert (recipe.crown, recipe.rise_mm, recipe.spigot_mm) == ("flat", 5, 12)
    with pytest.raises(JobError, match="Gate posts"):
        do(tmp_path, shop=SHOP, fitting={"preset": "Gate post s2"})


# -- a book that cannot be used ----------------------------------------------------------------------------------------


def test_a_damaged_book_is_left_alone_and_the_job_goes_on_and_says_so(tmp_path):
    """Whatever the job names as its book stays: it may be another file, named by mistake."""
    half = b'format = 1\n[[fit]\nname = "half'
    (tmp_path / "book.toml").write_bytes(half)
    result = do(tmp_path, shop=SHOP)
    assert len(result.made) == 1 and result.made[0].fitting.recipe.gap_mm == pytest.approx(0.2)
    assert (tmp_path / "book.toml").read_bytes() == half and not list(tmp_path.glob("*.lock"))
    assert "is damaged" in table(result) and "Nothing of the shop's own is used." in result.notes[0]
    for name in ("gone.toml", f"{300 * 'b'}.toml"):
        assert "There is no shop book" in do(tmp_path, shop={"book": name}).notes[0]


def test_a_process_that_the_damaged_book_had_is_missed_with_the_reason(tmp_path):
    (tmp_path / "book.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(JobError, match=r"no process is called 'Bench'.*is damaged"):
        do(tmp_path, shop=SHOP, process={"name": "Bench"})


def test_a_book_of_a_newer_ferrule_is_left_alone(tmp_path):
    (tmp_path / "book.toml").write_text("format = 99\n", "utf-8")
    result = do(tmp_path, shop=SHOP)
    assert "newer Ferrule" in result.notes[0] and "Nothing of the shop's own is used." in result.notes[0]
    assert (tmp_path / "book.toml").read_text("utf-8") == "format = 99\n"


def test_a_bad_entry_is_named_and_the_others_are_used(tmp_path):
    keep(tmp_path, TUBE + '[[prices]]\nname = "p"\nmaterial_per_kg = -3\n')
    result = do(tmp_path, shop=SHOP)
    assert any("material_per_kg is -3" in note for note in result.notes)
    assert any("1 in from the yard" in note for note in result.notes)


def test_without_shop_no_book_is_read(tmp_path):
    keep(tmp_path, TUBE)
    assert do(tmp_path).notes == ()


# -- amounts -----------------------------------------------------------------------------------------------------------


def test_amounts_with_what_prints_really_took(tmp_path):
    """Source: scipy: mean ± t·s·√(1 + 1/n) of real over estimated."""
    used, took = [90.0, 97.0, 92.0, 101.0], [12000.0, 13000.0, 12500.0, 12800.0]
    keep(tmp_path, "".join(run_entry(f"r{i}", *pair) for i, pair in enumerate(zip(used, took, strict=True))))
    result = do(tmp_path, shop=SHOP)
    amounts = written(tmp_path)["quantities"]
    for key, values, estimated in (("plastic_cm3", used, 100), ("time_s", took, 10000)):
        factors = np.array(values) / estimated
        reach = stats.t.ppf(0.975, 3) * factors.std(ddof=1) * math.sqrt(1 + 1 / 4)
        amount = amounts[key]
        expected = [
            amount["by_sums"] * share for share in (factors.mean(), factors.mean() - reach, factors.mean() + reach)
        ]
        assert [amount["value"], amount["low"], amount["high"]] == pytest.approx(expected, rel=1e-3)
        assert amount["factor"]["n"] == 4
    assert amounts["cost"] is None
    likely, low, high = (about_grams(amounts["grams"][key]) for key in ("value", "low", "high"))
    assert f"Material {likely} ({low} to {high}), time " in table(result, everything=True)


def test_cost_by_hand(tmp_path):
    keep(tmp_path, f'[[prices]]\nname = "{DEFAULT_PROCESS}"\nmaterial_per_kg = 30.0\nmachine_per_hour = 2.5\n'
         'currency = "EUR"\n')  # fmt: skip
    result = do(tmp_path, shop=SHOP)
    amounts = written(tmp_path)["quantities"]
    by_hand = amounts["grams"]["value"] / 1000 * 30 + amounts["time_s"]["value"] / 3600 * 2.5
    assert amounts["cost"]["value"] == pytest.approx(by_hand, abs=1e-3)
    assert amounts["cost"]["currency"] == "EUR"
    assert f"Cost {by_hand:.2f} (" in table(result)


def test_amounts_are_those_of_every_copy(tmp_path):
    """Part plastic grows with the copies; time by the copies' beads, not by more layers."""
    result, amounts = do(tmp_path, output={"folder": "out"}), written(tmp_path)["quantities"]
    copies = result.made[0].count
    do(tmp_path, output={"folder": "out", "spares": copies})
    more = written(tmp_path)["quantities"]
    assert more["part_cm3"] == pytest.approx(2 * amounts["part_cm3"], rel=1e-4)
    assert more["time_s"]["by_sums"] < 2 * amounts["time_s"]["by_sums"]


# -- ladders -----------------------------------------------------------------------------------------------------------


def test_a_ladder_is_written_read_back_and_told(tmp_path):
    """Source: trimesh reads the STL closed and measures the slices; lib3mf reads the 3MF."""
    wish = [{"kind": "round", "gaps_mm": [0.1, 0.2, 0.35]}]
    result = do(tmp_path, rack(ONE_INCH, SQUARE), fit_ladder=wish, output={"folder": "out", "formats": ["3mf", "stl"]})
    (told,) = written(tmp_path)["fit_ladders"]
    assert (told["fittings"], told["wanted_gap_mm"]) == (["F1"], 0.2)
    assert [step["gap_mm"] for step in told["steps"]] == [0.1, 0.2, 0.35]
    assert {file.path.name for file in result.files} >= set(told["files"])
    stl = next(tmp_path / "out" / name for name in told["files"] if name.endswith(".stl"))
    mesh = trimesh.load(stl)
    assert mesh.is_watertight and mesh.body_count == 1
    cut = mesh.section([0, 0, 1], [0, 0, 5.0]).to_2D()[0]
    widths = sorted(np.ptp(polygon.bounds[::2]) for polygon in cut.polygons_full)
    assert widths[-3:] == pytest.approx([19.05 - 2 * gap for gap in (0.35, 0.2, 0.1)], abs=0.02)
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(next(tmp_path / "out" / name for name in told["files"] if name.endswith(".3mf"))))
    assert (model.GetBuildItems().Count(), reader.GetWarningCount()) == (1, 0)
    sheet = (tmp_path / "out" / "rack job sheet.html").read_text("utf-8")
    assert "Fit ladder" in sheet and all(name in sheet.replace("&amp;", "&") for name in told["files"])
    assert "0.1 to 0.35" in table(result).replace("0.10", "0.1")


@pytest.mark.parametrize("folder", ["rack", "left rack"])
def test_the_command_that_enters_a_step_runs_as_it_is_printed(tmp_path, folder):
    (tmp_path / folder).mkdir()
    result = do(tmp_path / folder, fit_ladder=[{"kind": "round"}], shop=SHOP)
    (command,) = [line for line in table(result).splitlines() if "add-reading" in line]
    assert shop_book.do(shop_book.parse(shlex.split(command)[2:])) == 0
    assert (tmp_path / folder / "book.toml").exists()


def test_ladders_step_around_the_gap_that_is_drawn(tmp_path):
    keep(tmp_path, fit_entry("a", 0.3))
    do(tmp_path, shop=SHOP, fit_ladder=[{"step_mm": 0.1, "count": 3}])
    (told,) = written(tmp_path)["fit_ladders"]
    assert [step["gap_mm"] for step in told["steps"]] == [0.2, 0.3, 0.4]
    assert told["wanted_gap_mm"] == 0.2


def test_one_ladder_for_a_tube_however_its_ends_are_cut(tmp_path):
    leaning = ONE_INCH.outer.cross_section() - ONE_INCH.bore.cross_section()
    cut = leaning.extrude(300).trim_by_plane([0.5, 0, -math.sqrt(0.75)], -200)
    meshes = [Mesh.from_manifold(cut, "mitred")]
    result = do(tmp_path, meshes, fit_ladder=[{}])
    assert len(result.made) == 2
    assert [ladder["fittings"] for ladder in written(tmp_path)["fit_ladders"]] == [["F1", "F2"]]


def test_ladders_that_cannot_be_are_told_and_the_fittings_made(tmp_path):
    wish = [{"kind": "other"}, {"kind": "round", "gaps_mm": [0.2, 9.6]}]
    result = do(tmp_path, fit_ladder=wish)
    assert len(result.made) == 1 and not result.ladders
    assert any("fit_ladder[1] matches no fitting's tube" in note for note in result.notes)
    assert any("No fit ladder was made for 1 in × 1/8 in (F1)" in note for note in result.notes)


@pytest.mark.parametrize(
    ("entry", "parts"),
    [
        ({"gaps_mm": [0.2]}, ["fit_ladder[1].gaps_mm", "at least two"]),
        ({"count": 1}, ["fit_ladder[1].count", "2 to 100"]),
        ({"count": 10**9}, ["fit_ladder[1].count", "2 to 100"]),
        ({"step_mm": 0.001}, ["fit_ladder[1].step_mm", "0.01 to"]),
        ({"steps": 3}, ["fit_ladder[1].steps", "step_mm"]),
        ({"gaps_mm": 0.2}, ["fit_ladder[1].gaps_mm", "list"]),
    ],
)
def test_mistakes_in_a_ladder_are_named(tmp_path, entry, parts):
    with pytest.raises(JobError) as refused:
        do(tmp_path, fit_ladder=[entry])
    for part in parts:
        assert part in str(refused.value)


def test_a_job_written_as_its_file_is_the_same_job(tmp_path):
    keep(tmp_path, TUBE + fit_entry("a", 0.3))
    tables = {"shop": SHOP, "fit_ladder": [{"kind": "round", "gaps_mm": [0.1, 0.2]}, {"count": 5}],
              "measured": [{"kind": "rect", "bore_width_mm": [34.1, 34.0]}]}  # fmt: skip
    job = parse_job({"assembly": {"files": ["rack.stl"]}, **tables}, tmp_path, "rack")
    (tmp_path / "rack.toml").write_text(job_text(job), "utf-8")
    assert read_job(tmp_path / "rack.toml") == job


# -- readings ----------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def ladder_result(tmp_path_factory):
    """The result.json of a job with a fit ladder, which is only read."""
    folder = tmp_path_factory.mktemp("ladder")
    do(folder, fit_ladder=[{}])
    return folder / "out" / "result.json"


def test_the_whole_way_around_from_ladder_to_the_next_jobs_spigot(tmp_path, ladder_result, capsys):
    reading = ("add-reading", ladder_result, "--fitting", "F1", "--step")
    assert enter(tmp_path, *reading, "0.30", "--measured", "18.55 mm") == 0
    assert "from a single reading" in capsys.readouterr().out
    assert enter(tmp_path, *reading, "0.25") == 0
    said = capsys.readouterr().out
    assert "Gaps are made 0.08 mm per side larger than requested: mean of 2 readings, spread 0.04 mm." in said
    # Drawn 19.05 - 2 · 0.3 = 18.45 mm, so 0.05 mm a side too large.
    assert "Spigots come out 0.05 mm per side larger than drawn" in said
    book = tomllib.loads((tmp_path / "book.toml").read_text("utf-8"))
    assert [entry["chosen_gap_mm"] for entry in book["fit"]] == [0.3, 0.25]
    corrected = do(tmp_path, shop=SHOP)
    assert corrected.made[0].fitting.recipe.gap_mm == pytest.approx(0.275)


def test_what_a_print_took_corrects_the_next_estimate(tmp_path, capsys):
    do(tmp_path)
    result = tmp_path / "out" / "result.json"
    before = json.loads(result.read_text("utf-8"))["quantities"]
    used = 0.9 * before["grams"]["by_sums"]
    took = f"{1.2 * before['time_s']['by_sums'] / 3600:.4f} h"
    assert enter(tmp_path, "add-print", result, "--used-g", used, "--took", took) == 0
    assert "times 0.90 from a single reading" in capsys.readouterr().out
    do(tmp_path, shop=SHOP)
    after = written(tmp_path)["quantities"]
    assert after["grams"]["value"] == pytest.approx(0.9 * before["grams"]["value"], rel=1e-3)
    assert after["time_s"]["value"] == pytest.approx(1.2 * before["time_s"]["value"], rel=1e-3)
    # A second print is compared with the sums, not with what was corrected already.
    assert enter(tmp_path, "add-print", result, "--used-g", used) == 0
    assert "times 0.90 from 2 readings, spread 0.00" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["add-reading", "--fitting", "F2", "--step", "0.20"], "has no fit ladder for 'F2'; it has those of F1"),
        (["add-reading", "--fitting", "F1", "--step", "0.2"], "no step '0.2'; it has 0.05, 0.10"),
        (["add-reading", "--fitting", "F1", "--step", "0.20", "--measured", "25"], "measure it again"),
        (["add-reading", "--fitting", "F1", "--step", "0.20", "--measured", "wide"], "'wide' is not a length"),
        (["add-print"], "Nothing was entered"),
        (["add-print", "--used-g", "-3"], "used_cm3"),
        (["add-print", "--used-g", "nan"], "used_cm3"),
        (["add-print", "--took", "soon"], "'soon' is not a time"),
    ],
)
def test_a_reading_that_makes_no_sense_leaves_the_book_alone(tmp_path, ladder_result, capsys, arguments, part):
    task, *rest = arguments
    assert enter(tmp_path, task, ladder_result, *rest) == 1
    assert part in capsys.readouterr().err
    assert not (tmp_path / "book.toml").exists()


@pytest.mark.parametrize("content", ["{", "[]", '{"format": 1}', '{"format": 2, "quantities": null}'])
def test_other_files_are_no_result(tmp_path, capsys, content):
    (tmp_path / "result.json").write_text(content, "utf-8")
    assert enter(tmp_path, "add-print", tmp_path / "result.json", "--used-g", "3") == 1
    assert "result.json" in capsys.readouterr().err
    assert enter(tmp_path, "add-print", tmp_path / "none.json", "--used-g", "3") == 1


def test_two_machines_bring_their_readings_together(tmp_path, capsys):
    keep(tmp_path, fit_entry("here", 0.25))
    other = tmp_path / "other.toml"
    assert enter(tmp_path, "export", other) == 0
    assert read_book(other) == read_book(tmp_path / "book.toml") != ShopBook()
    other.write_text(f"format = 1\n{fit_entry('there', 0.35)}", "utf-8")
    assert enter(tmp_path, "import", other) == 0
    assert enter(tmp_path, "show") == 0
    said = capsys.readouterr().out
    assert 'fit "there" was added.' in said and "fit: here\nfit: there" in said
    assert "0.1 mm per side larger than requested: mean of 2 readings, spread 0.07 mm" in said


def test_the_script_says_how_it_is_used():
    script = Path(shop_book.__file__)
    done = subprocess.run([sys.executable, script, "--help"], capture_output=True, text=True, check=True)
    assert "add-reading" in done.stdout


# -- many --------------------------------------------------------------------------------------------------------------


@pytest.mark.once
def test_ten_thousand_fittings(tmp_path):
    """A list of 10,000 on the plates: nothing is lost, and the papers stay of a size to be opened."""
    result = do(tmp_path, rack(ONE_INCH, SQUARE), output={"folder": "out", "spares": 4998})
    told = written(tmp_path)
    assert Counter(spot["fitting"] for spot in told["plates"]) == {"F1": 5000, "F2": 5000}
    assert max(spot["plate"] for spot in told["plates"]) == result.plates.count
    printed = sum(len(numbers) * len(spots) for spots, numbers in result.plates.arrangements().items())
    assert printed == 10_000
    assert len(told["quantities"]["plate_times_s"]) == result.plates.count
    assert (tmp_path / "out" / "rack job sheet.html").stat().st_size < 2_000_000
    assert len(table(result, everything=True).splitlines()) < 200


def rows(folder, name):
    with (folder / "out" / name).open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def tables_processes():
    data = Path(__file__).parents[1] / "addon" / "trade" / "data" / "processes.toml"
    table = tomllib.loads(data.read_text("utf-8"))
    return [{"source": table.get("source", ""), **process} for process in table["process"]]


def toml(table, values):
    lines = [f"{key} = {json.dumps(value)}" for key, value in values.items() if key != "from_memory"]
    return "\n".join([f"[[{table}]]", *lines, ""])
