# SPDX-License-Identifier: GPL-3.0-or-later
"""The job file: defaults, lengths as people write them, and mistakes named by their key."""

import os
import re
import tomllib
from pathlib import Path

import pytest

import write_docs
from addon.bench.shop_file import ShopBookError, open_book, update_book
from addon.families.cap.recipe import Recipe
from addon.families.table import FAMILIES
from addon.fields.declared import declared_in
from addon.geometry.sections import Section
from addon.job.asked import Assembly, JobError, LadderWish, Measured, Output, Shop, SiteMatch, TubeFacts
from addon.job.jobfile import job_text, parse_job, read_job
from addon.takeoff.given import SizedEnd
from addon.takeoff.given_sites import GIVEN_SITES
from addon.takeoff.picked import PickedEnd
from addon.trade.hardware import threads
from addon.trade.metals import tube_metals
from addon.trade.processes import Process, materials, processes
from addon.trade.renamed import NEW_NAMES

HERE = Path("shop")


def job(**tables):
    return parse_job({"assembly": {"files": ["frame.stl"]}, **tables}, HERE, "stall")


def test_the_shortest_job_has_every_default():
    shortest = job()
    assert shortest.wishes[0].recipe == Recipe()
    assert shortest.assembly.files == ((HERE / "frame.stl").absolute(),)
    assert shortest.output.folder == HERE / "ferrule_out"
    assert shortest.output.formats == ("3mf",)
    assert shortest.process.layer_mm > 0


def test_lengths_take_units():
    asked = job(fitting={"rise_mm": "1/2 in", "spigot_mm": "8 mm", "groove": {"width_mm": "1/8 in", "count": 2}})
    recipe = asked.wishes[0].recipe
    assert (recipe.rise_mm, recipe.spigot_mm, recipe.groove.width_mm, recipe.groove.count) == (12.7, 8, 3.175, 2)


def test_overrides_match_by_kind_and_size_either_way_round():
    entry = {"kind": "rect", "width_mm": 50, "depth_mm": 25, "crown": "flat", "rise_mm": 4}
    overridden = job(fitting={"lip_mm": 1, "for": [entry, {"wall_mm": 3, "within_mm": 0.1, "lip_mm": 2}]})
    assert overridden.wishes[0].recipe_for(Section.rectangular(50.3, 24.8, 2)) == Recipe("flat", 4, lip_mm=1)
    assert overridden.wishes[0].recipe_for(Section.rectangular(25, 50, 2)).crown == "flat"
    assert overridden.wishes[0].recipe_for(Section.rectangular(50.6, 25, 2)).crown == "dome"
    assert overridden.wishes[0].recipe_for(Section.round(50, 3)) == Recipe(lip_mm=2)


def test_keys_under_their_old_names_are_read_with_a_note_that_names_the_new_one():
    old = job(
        fitting={"brim_mm": 1, "for": [{"kind": "round", "brim_mm": "1/8 in"}]},
        process={"solid_layers": 9, "layer_pause_s": 8},
    )
    assert old.wishes[0].recipe.lip_mm == 1 and old.wishes[0].recipe_for(Section.round(50, 3)).lip_mm == 3.175
    assert (old.process.full_layers, old.process.layer_change_s) == (9, 8)
    told = ("fitting.brim_mm", "lip_mm"), ("fitting.for[1].brim_mm", "lip_mm"), ("process.solid_layers", "full_layers")
    for note, (before, now) in zip(old.notes, (*told, ("process.layer_pause_s", "layer_change_s")), strict=True):
        assert f"{before} is now called {now}" in note
    assert not any(before in job_text(old) for before in NEW_NAMES)


def test_a_key_under_both_names_is_refused():
    with pytest.raises(JobError, match="fitting: brim_mm is the old name of lip_mm, and both are given; keep lip_mm"):
        job(fitting={"brim_mm": 1, "lip_mm": 2})
    with pytest.raises(JobError, match=r"tube\.brim_mm is not a known key"):
        job(tube={"brim_mm": 1})


def test_the_smallest_caliper_reading_takes_the_place_of_the_modelled_bore():
    readings = [{"kind": "round", "width_mm": "1 in", "bore_width_mm": [19.02, 18.95, 18.98]}]
    measured = job(measured=readings)
    assert measured.measured_section(Section.round(25.4, 3.175)).bore.width == 18.95
    assert measured.measured_section(Section.round(38.1, 1.65)).bore.width == pytest.approx(34.8)


def test_a_reading_of_a_rectangular_bore_keeps_the_side_it_was_taken_on():
    readings = [{"kind": "rect", "bore_width_mm": 35.6, "bore_depth_mm": [15.8, 15.7]}]
    bore = job(measured=readings).measured_section(Section.rectangular(40, 20, 2)).bore
    assert (bore.width, bore.depth) == (35.6, 15.7)


@pytest.mark.parametrize("turned", [False, True])
def test_a_reading_finds_its_side_whichever_way_round_the_tube_lies(turned):
    sizes = {"width_mm": 20, "depth_mm": 40}
    section = Section.rectangular(40, 20, 2) if turned else Section.rectangular(20, 40, 2)

    def sides(**readings):
        bore = job(measured=[{"kind": "rect", **sizes, **readings}]).measured_section(section).bore
        return (bore.depth, bore.width) if turned else (bore.width, bore.depth)

    assert sides(bore_width_mm=15.8, bore_depth_mm=35.9) == (15.8, 35.9)
    # The other side keeps its proportion.
    assert sides(bore_width_mm=15.2) == pytest.approx((15.2, 15.2 * 36 / 16))


def test_process_numbers_override_the_table():
    process = job(process={"layer_mm": 0.3, "first_layer_mm": 0.3}).process
    assert (process.layer_mm, process.first_layer_mm) == (0.3, 0.3)


@pytest.mark.parametrize(
    ("tables", "parts"),
    [
        ({"fiting": {}}, ["fiting", "fitting"]),
        ({"fitting": {"spigott_mm": 8}}, ["fitting.spigott_mm", "spigot_mm"]),
        ({"fitting": {"crown": "doem"}}, ["fitting.crown", "'dome'"]),
        ({"fitting": {"spigot_mm": "long"}}, ["fitting.spigot_mm", "'long'", "1/8 in"]),
        ({"fitting": {"groove": {"number": 2}}}, ["fitting.groove_number", "groove_"]),
        ({"fitting": {"crown": {}}}, ["crown", "empty table"]),
        ({"process": {"from_memory": ["fill"]}}, ["process.from_memory", "not a known key"]),
        ({"fitting": {"groove_count": 1.5}}, ["fitting.groove_count", "whole number"]),
        ({"fitting": {"rise_mm": True}}, ["fitting.rise_mm", "True"]),
        ({"fitting": {"rise_mm": float("nan")}}, ["fitting.rise_mm", "finite"]),
        ({"fitting": {"rise_mm": 400 * "9" + " mm"}}, ["fitting.rise_mm", "not a length"]),
        ({"fitting": {"rise_mm": 1e299}}, ["fitting.rise_mm", "1e+12"]),
        ({"fitting": {"rib_count": 10**400}}, ["fitting.rib_count", "1e+12"]),
        ({"fitting": {"rib_count": -2}}, ["fitting.rib_count is -2; allowed is at least 0."]),
        ({"fitting": {"seam_angle_deg": -(10**400)}}, ["fitting.seam_angle_deg", "number"]),
        ({"fitting": []}, ["fitting", "table"]),
        ({"fitting": {"for": [{"kind": "round"}]}}, ["fitting.for[1]", "changes nothing"]),
        ({"fitting": {"for": [{"kind": "rund", "rise_mm": 1}]}}, ["fitting.for[1].kind", "'round'"]),
        ({"fitting": {"for": "x"}}, ["fitting.for", "[[fitting.for]]"]),
        ({"measured": [{"kind": "round"}]}, ["measured[1]", "bore_width_mm"]),
        ({"measured": [{"bore_width_mm": -1}]}, ["measured[1]", "above 0"]),
        ({"measured": [{"bore_width": 1}]}, ["measured[1].bore_width", "bore_width_mm"]),
        ({"process": {"name": "no such"}}, ["process", "no such", "job's own", "layer_mm, ", "spacing_mm."]),
        ({"process": {"layer_mm": 0}}, ["layer_mm"]),
        ({"process": {"rings": 10**400}}, ["process.rings", "1 to 50"]),
        ({"process": {"plate_mm": [200, 200]}}, ["process.plate_mm", "list of 3"]),
        ({"output": {"formats": ["obj"]}}, ["output.formats", "'3mf'"]),
        ({"output": {"formats": []}}, ["output.formats", "3mf"]),
        ({"output": {"spares": -1}}, ["output.spares", "0 to 10000"]),
        ({"output": {"spares": 10**400}}, ["output.spares", "0 to 10000"]),
        ({"output": {"folder": 3}}, ["output.folder", "path"]),
        ({"tube": {"coldest_c": -400}}, ["tube.coldest_c", "-200 to 500"]),
        ({"fitting": {"spigot_mm": 0}}, ["fitting.spigot_mm", "0.5 to 1000"]),
        ({"fitting": {"for": [{"kind": "rect", "spigot_mm": -8}]}}, ["fitting.for[1].spigot_mm", "0.5 to"]),
        ({"fitting": {"groove": {"count": 2}, "groove_count": 3}}, ["groove_count", "given twice"]),
        ({"assembly": {"files": ["a.stl"], "wall_mm": -1}}, ["assembly.wall_mm", "0.05 to"]),
        ({"assembly": {"files": ["a.stl", "./a.stl"]}}, ["assembly.files", "a.stl twice"]),
        ({"tube": {"coldest_c": 50}}, ["coldest_c", "hottest_c"]),
        ({"assembly": {}}, ["assembly.files", "missing", "[[tube_end]]"]),
        ({"assembly": {"files": []}}, ["assembly.files", "empty", "[[tube_end]]"]),
        ({"assembly": {"files": "frame.stl"}}, ["assembly.files", "list", '["frame.stl"]']),
        ({"assembly": {"files": ["a.stl"], "leave_out_mm": 5}}, ["assembly.leave_out_mm", "[[200, 200, 200]]"]),
        ({"assembly": {"files": ["a.stl"], "unit": "inch"}}, ["assembly.unit", "'in'"]),
    ],
)
def test_mistakes_are_named_by_their_key(tables, parts):
    with pytest.raises(JobError) as refused:
        job(**tables)
    for part in parts:
        assert part in str(refused.value)
    assert len(str(refused.value)) < 600


@pytest.mark.parametrize(
    ("content", "part"),
    [
        (b"[assembly\n", "TOML"),
        (b"\xff\xfe", "UTF-8"),
        (b"", "assembly.files"),
        (b'\xef\xbb\xbf[assembly]\nfiles = [""]', "files[0]"),
        (b"a = " + 100_000 * b"[", "nested too deep"),
        (b"a = " + 5000 * b"9", "number too long"),
    ],
)
def test_damaged_files_are_refused(tmp_path, content, part):
    path = tmp_path / "job.toml"
    path.write_bytes(content)
    with pytest.raises(JobError, match=r"job\.toml") as refused:
        read_job(path)
    assert part in str(refused.value)


@pytest.mark.parametrize("table", [kind.table for kind in GIVEN_SITES])
def test_a_site_without_its_size_is_refused(table, tmp_path):
    with pytest.raises(JobError, match=rf"{table}\[1\]\.size is missing"):
        parse_job({table: [{}]}, tmp_path)


def test_a_name_that_is_no_utf8_becomes_one_that_can_be_written(tmp_path):
    path = tmp_path / os.fsdecode(b"j\xff.toml")
    try:
        path.write_text('[[tube_end]]\nsize = "1 in × 1/8 in"\n', "utf-8")
    except (OSError, UnicodeError):
        pytest.skip("this system has no such names")
    assert read_job(path).name == "j\ufffd"


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(JobError, match="no job file"):
        read_job(tmp_path / "none.toml")
    with pytest.raises(JobError, match="cannot be read"):
        read_job(tmp_path)


def pipe(path: Path) -> None:
    os.mkfifo(path)


def device(path: Path) -> None:
    path.symlink_to("/dev/zero")


def huge(path: Path) -> None:
    with path.open("wb") as file:
        file.truncate(10**12)


@pytest.mark.timeout(20)
@pytest.mark.skipif(os.name == "nt", reason="Windows keeps its pipes and devices out of folders")
@pytest.mark.parametrize(
    ("make", "part"),
    [(pipe, "is a pipe or a device"), (device, "is a pipe or a device"), (huge, "has 1,000,000 MB, and at most 16 MB")],
)
def test_what_may_never_end_is_read_neither_as_a_job_nor_as_a_shop_book(tmp_path, make, part):
    make(tmp_path / "endless.toml")
    with pytest.raises(JobError, match=rf"endless\.toml cannot be read: it {part}"):
        read_job(tmp_path / "endless.toml")
    text = '[[tube_end]]\nsize = "1 in × 1/8 in"\n[shop]\nbook = "endless.toml"\n'
    (tmp_path / "job.toml").write_text(text, "utf-8")
    (problem,) = read_job(tmp_path / "job.toml").book.problems
    assert f'endless.toml" cannot be read: it {part}' in problem
    for use in (open_book, lambda path: update_book(path, lambda book: book)):
        with pytest.raises(ShopBookError, match=part):
            use(tmp_path / "endless.toml")


_TABLES = [Assembly, PickedEnd, SizedEnd, SiteMatch, Measured, LadderWish, Shop, TubeFacts, Process, Output]


@pytest.mark.parametrize("table", [*_TABLES, *GIVEN_SITES, *(family.recipe for family in FAMILIES)])
def test_the_reference_for_people_has_every_key(table):
    reference = (Path(__file__).parents[1] / "docs" / "job_file.md").read_text("utf-8")
    known = set(re.findall(r"^\| `([a-z_0-9]+)` \|", reference, re.MULTILINE))
    # The others are not for job files.
    assert declared_in(table).keys() - {"match", "seam_mm", "book_name", "from_memory"} <= known


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.table)
def test_keys_that_pick_tubes_are_none_of_the_recipes(family):
    assert declared_in(family.recipe).keys().isdisjoint(declared_in(SiteMatch))


def test_the_wall_of_a_sleeve_and_that_of_its_tubes_are_told_apart():
    for table in ("cope_sleeve", "drill_guide"):
        with pytest.raises(
            JobError, match=rf"{table}\.wall_mm picks tubes, in \[\[{table}\.for.*own is thickness_mm\."
        ):
            job(**{table: {"make": True, "wall_mm": 4}})
        with pytest.raises(JobError, match=r"changes nothing.* wall_mm picks tubes; the .* own is thickness_mm"):
            job(**{table: {"make": True, "for": [{"wall_mm": 2}]}})
    with pytest.raises(JobError, match=r"fitting\.kind picks tubes, in \[\[fitting\.for\]\]; move it there"):
        job(fitting={"kind": "rect"})
    entry = {"wall_mm": 2, "within_mm": 0.1, "thickness_mm": 4}
    sleeves = job(cope_sleeve={"make": True, "for": [entry]}).wishes[-1]
    walls = [sleeves.recipe_for(Section.round(40, wall)).thickness_mm for wall in (2, 3)]
    assert walls == [4, 3]


def test_the_references_tables_say_what_the_declarations_say():
    """If this fails, run scripts/write_docs.py."""
    reference = write_docs.PAGE.read_text("utf-8")
    assert write_docs.with_tables(reference) == reference
    assert all(f"<!-- table: {name} -->" in reference for name in write_docs.records())


def test_the_references_examples_are_read(tmp_path):
    reference = (Path(__file__).parents[1] / "docs" / "job_file.md").read_text("utf-8")
    examples = re.findall(r"```toml\n(.*?)```", reference, re.DOTALL)
    (order,) = (example for example in examples if "[[assembly]]" in example)
    assert [assembly.frames for assembly in parse_job(tomllib.loads(order), tmp_path).assemblies] == [5, 1]
    others = "\n".join(example for example in examples if example is not order)
    (tmp_path / "job.toml").write_text(others, "utf-8")
    job = read_job(tmp_path / "job.toml")
    assert (len(job.wishes[0].overrides), len(job.measured), len(job.ladders), len(job.tube_ends)) == (1, 1, 1, 3)
    assert job.shop.book == tmp_path / "shop_book.toml" and "no shop book" in job.book.problems[0]


def test_the_reference_names_what_the_tables_hold():
    reference = (Path(__file__).parent.parent / "docs" / "job_file.md").read_text("utf-8")
    names = [row.name for row in (*processes(), *materials(), *threads(), *tube_metals())]
    plain = " ".join(reference.split())
    assert not [name for name in names if name not in plain]
