# SPDX-License-Identifier: GPL-3.0-or-later
"""The job sheet and the order lists: valid, true to scale, complete, and safe whatever the user's texts are.

Outside sources: html5lib's strict parser (HTML standard), csv's strict reader (RFC 4180), geometry by hand.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from dataclasses import fields, replace
from functools import cache
from itertools import combinations, pairwise
from pathlib import Path

import html5lib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold
from on_paper import needs_browser, printed_pages
from random_cases import examples
from recipes import recipe_of

from addon.bench import assembly_picture as picture_module
from addon.bench.assembly_picture import EndMark, assembly_picture
from addon.bench.bench_page import bench_page
from addon.bench.fit_ladder import fit_ladder, gaps_around
from addon.bench.job_sheet import job_sheet_html
from addon.bench.kind_block import kind_block
from addon.bench.order_list import END_COLUMNS, ends_csv, fittings_csv
from addon.bench.plate import Footprint, Plates, lay_out
from addon.bench.plate_map import plate_maps
from addon.bench.quantities import Prices, quantities, work_of_print
from addon.bench.section_drawing import both_units, section_drawing, spread, text_width
from addon.bench.sheet import JobSheet, SheetAssembly, SheetFitting, SheetLadder, say_ranges
from addon.bench.verdict import JobVerdict, LeftOut
from addon.families.cap import CAP, Recipe, design
from addon.families.circumstances import Circumstances
from addon.families.family import EndPlace
from addon.fields.messages import FieldName, Name, say
from addon.geometry.frames import Frame
from addon.geometry.hatching import hatching
from addon.geometry.mesh import Mesh
from addon.geometry.placement import Placement
from addon.geometry.sections import Outline, Section
from addon.job.asked import TubeFacts
from addon.job.jobfile import parse_job
from addon.job.papers import job_sheet_of
from addon.job.running import run
from addon.review import review_fitting
from addon.review.findings import Finding, concerns
from addon.takeoff.ends import TubeEnd
from addon.trade.cautions import cautions, cautions_for
from addon.trade.metals import metal_named
from addon.trade.processes import DEFAULT_PROCESS, material_named, process_named, processes

ROUND = Section.round(25.4, 3.175)
SQUARE = Section.rectangular(40, 40, 3)
OVAL = Section(Outline("obround", 40, 20), Outline("obround", 36, 16))
PROCESS = next(process for process in processes() if process.bath.startswith("caustic") and process.chamber_c)
MATERIAL = material_named(PROCESS.material)
NASTY = 'Röhre <b>"x"</b> & \' 管 😀 ]]> <!-- \x00\x07\x85\ud800\ufffe =1+1'


def tube(section: Section, start, end) -> Mesh:
    start, end = np.array(start, float), np.array(end, float)
    length = float(np.linalg.norm(end - start))
    solid = (section.outer.cross_section(48) - section.bore.cross_section(48)).extrude(length)
    return Mesh.from_manifold(solid).placed(Frame.along(start, end - start))


def tube_end(section: Section, at, way, source="Rail", reason="open") -> TubeEnd:
    cause = "open" if reason == "open" else "blocked"
    return TubeEnd(source, section, Frame.along(at, way), 0.0, 0.0, 100.0, cause, reason)


@cache
def sheet() -> JobSheet:
    bodies = [tube(ROUND, (0, 0, 500), (600, 0, 500)), tube(SQUARE, (100, 0, 0), (100, 0, 480))]
    ends = (
        tube_end(ROUND, (0, 0, 500), (-1, 0, 0), NASTY),
        tube_end(ROUND, (600, 0, 500), (1, 0, 0)),
        tube_end(SQUARE, (100, 0, 0), (0, 0, -1), "Post"),
        tube_end(SQUARE, (100, 0, 480), (0, 0, 1), "Post", f"blocked by {NASTY}"),
    )
    recipes = {
        "F1": (recipe_of(vent="channel", groove_width_mm=3.0, groove_depth_mm=2.0), ROUND, 0.0, (1, 2)),
        "F2": (recipe_of(crown="flat", rise_mm=4, fit="press", rib_count=8, groove_count=0), SQUARE, 0.0, (3,)),
        "F3": (recipe_of(crown="low dome", rise_mm=6, seam_relief="notch"), OVAL, 0.0, ()),
        "F4": (Recipe(), ROUND, 30.0, ()),
    }
    reviewed = []
    for id, (recipe, section, mitre, numbers) in recipes.items():
        fitting = design(recipe, section, mitre_deg=mitre)
        review = review_fitting(fitting, PROCESS, id)
        reviewed.append(SheetFitting(id, fitting, numbers, len(numbers), 2, printed=review.printed))
    fittings = tuple(reviewed)
    footprints = tuple(Footprint.of(fitting.id, fitting.fitting.standing(), fitting.count) for fitting in fittings)
    plates = lay_out(footprints, PROCESS)
    works = [(work_of_print(fitting.printed, PROCESS), fitting.count) for fitting in reviewed]
    amounts = quantities([works], PROCESS, MATERIAL, prices=Prices(PROCESS.name, 50, None, 5, "<€>"))
    ladder = fit_ladder(CAP, fittings[0].fitting.recipe, ROUND, PROCESS, gaps_around(0.2, count=3))
    ladders = (SheetLadder(("F1", "F4"), ladder, (f"{NASTY}.stl",)),)
    refused = LeftOut(1, "F5", say("No fitting for {}.", Name(NASTY)), say("Set {}.", FieldName("spigot_mm", 8)), ())
    hot = Finding("F1", "tube too hot", "look at", say("It is hot."), say("Make it of metal."))
    verdict = JobVerdict(
        served={"end": 3}, kinds=4, fittings=11, plates=plates.count, quantities=amounts,
        look_at=concerns([hot, replace(hot, fitting="F2")]), left_out=(refused,),
        before_printing=(say("Measure the bores."),),
    )  # fmt: skip
    return JobSheet(
        title=f"Stall {NASTY}",
        date="2 March 2026",
        process=PROCESS,
        material=MATERIAL,
        fittings=fittings,
        sites=ends,
        assemblies=(SheetAssembly("", 1, len(ends), bodies),),
        footprints=footprints,
        plates=plates,
        ladders=ladders,
        quantities=amounts,
        verdict=verdict,
        notes=(f"Corrected {NASTY}",),
        labels={"spigot_mm": "spigot"},
    )


@cache
def html() -> str:
    return job_sheet_html(sheet())


def parsed(text: str):
    """Raises at the first departure from the HTML standard's syntax."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)


def words(node) -> str:
    return " ".join("".join(node.itertext()).split())


# -- the document ----------------------------------------------------------------------------------------------------


def test_the_sheet_is_valid_html_with_one_title_and_unique_ids():
    tree = parsed(html())
    assert len(tree.findall(".//h1")) == 1
    assert "<b>" in words(tree.find(".//title"))
    ids = re.findall(r'\bid="([^"]*)"', html())
    assert len(ids) == len(set(ids))


def test_the_sheet_reaches_for_nothing_outside_itself():
    for sign in (
        "http:",
        "https:",
        "//",
        "src=",
        "href",
        "url(",
        "@import",
        "<script",
        "<link",
        "<iframe",
        "javascript",
    ):
        assert sign not in html().replace("<!DOCTYPE html>", ""), sign


def test_texts_of_users_stay_texts():
    tree = parsed(html())
    assert tree.findall(".//body//b") == []
    said = words(tree)
    assert said.count('<b>"x"</b> & \' 管 😀 ]]> <!--') >= 5
    assert not re.search("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff]", html())
    html().encode()


@examples(25)
@given(st.text(max_size=40), st.text(st.characters(), max_size=40))
def test_any_text_makes_a_valid_sheet(title, source):
    ends = (tube_end(ROUND, (0, 0, 0), (1, 0, 0), source),)
    job_sheet = JobSheet(title, "today", PROCESS, MATERIAL, (), ends, notes=(source,))
    tree = parsed(job_sheet_html(job_sheet))
    assert len(tree.findall(".//h1")) == 1


@pytest.mark.parametrize("process", processes(), ids=lambda process: process.name)
@pytest.mark.parametrize("recipe", [recipe_of(groove_count=0), recipe_of(fit="push", groove_count=0, vent="hole")])
def test_every_caution_that_applies_is_there_once_and_no_other(process, recipe):
    fitting = SheetFitting("F1", design(recipe, ROUND, facets=16), (), 0)
    job_sheet = JobSheet("t", "d", process, material_named(process.material), (fitting,))
    tree = parsed(job_sheet_html(job_sheet))
    shown = Counter(words(node) for node in tree.findall(".//div[@class='caution']/ul/li"))
    wanted = {caution.text for caution in cautions_for(job_sheet.facts)}
    assert set(shown) == wanted and set(shown.values()) == {1}
    assert len(wanted) < len(cautions())


def test_cautions_stand_at_the_step_of_the_work_that_they_are_about():
    at = {caution.text: caution.step for caution in cautions_for(sheet().facts)}
    headings = {"before the work": "h1", "printing": "h1", "off the plate": "At the bench: off the plate",
                "putting in": "At the bench: putting in", "in use": "In use"}  # fmt: skip
    under, said = "", set()
    for node in parsed(html()).find(".//body").iter():
        under = words(node) if node.tag == "h2" else "h1" if node.tag == "h1" else under
        for item in node.findall("./ul/li") if node.get("class") == "caution" else ():
            said.add(words(item))
            assert headings[at[words(item)]] == under
    assert {at[text] for text in said} == set(headings)


def test_cautions_of_another_tube_metal_are_left_out_and_none_else():
    steel = job_sheet_html(sheet())
    aluminium = job_sheet_html(replace(sheet(), metal=metal_named("aluminium")))
    assert "alvanis" in steel and "alvanis" not in aluminium
    assert words(parsed(steel)).count("burst") == words(parsed(aluminium)).count("burst") + 1


def test_nothing_in_a_sheet_can_leave_cautions_out():
    assert not [field.name for field in fields(JobSheet) if "caution" in field.name]
    assert "Local codes and licensed practice" in job_sheet_html(JobSheet("t", "d", PROCESS, MATERIAL, ()))


def test_the_heights_of_layers_are_not_rounded():
    said = words(parsed(job_sheet_html(JobSheet("t", "d", replace(PROCESS, layer_mm=0.225), MATERIAL, ()))))
    assert "0.225 mm high, the first" in said


def test_the_sheet_says_what_the_bench_needs():
    said = words(parsed(html()))
    for wanted in (
        "1–2",  # ends of F1
        "25.4 (1″)",
        "mitre 30°",
        "Print plan: as set, except",
        "Vent. Keep the channel free of adhesive, and face it down where it may get rained on: F1.",
        "Turn to the seam. Turn the seam relief to the tube's weld seam; where there is no seam, any way will do: F3.",
        "Turn to the mitre. They go in one way only; turn them until the shoulder meets the rim: F4.",
        "Press in. Drive press fits home with a soft mallet, square to the rim: F2.",
        "Peel off the base and whatever else comes away by hand; the bath (caustic, ultrasonic, 170 mm deep) takes the "
        "rest in about 4 h.",
        "3 of 4 ends, 4 kinds; left out: 1 end. ",
        "Set spigot to 8 mm.",
        "Look at: tube too hot, F1, F2. It is hot.",
        "Before printing. Measure the bores.",
        MATERIAL.glue,
        "1 end takes no fitting, as the job asks or for the reason on the first page.",
    ):
        assert wanted in said, wanted
    assert "_mm" not in said


def test_what_floats_is_said_with_the_side_that_stays_dry():
    said = words(parsed(html()))
    for fitting in sheet().fittings:
        bath = fitting.printed.bath
        groups = re.findall(r"Floats with its ([\w ]+) dry: ([\w, ]+)\.", said)
        assert [side for side, who in groups if fitting.id in who.split(", ")] == [bath.dry_side] * bath.floats


@pytest.mark.parametrize(("layer_mm", "worth"), [(0.3, True), (0.05, False)])
def test_a_crown_is_smoothed_where_its_stairs_are_felt(layer_mm, worth):
    """Source: a layer's height times the surface's lean (Dolenc and Mäkelä, 1994); over a hemisphere that is on average
    half a layer (the mean of cos is 1/2 over it, by Archimedes)."""
    process = replace(PROCESS, layer_mm=layer_mm)
    fitting = design(recipe_of(crown="dome"), ROUND)
    entry = SheetFitting("F1", fitting, (), 0, printed=review_fitting(fitting, process).printed)
    said = words(parsed(job_sheet_html(JobSheet("t", "d", process, MATERIAL, (entry,)))))
    assert entry.printed.stair.mean_mm == pytest.approx(layer_mm / 2, rel=0.02)
    assert ("Smooth the crown. Worth it on F1" in said) == worth
    assert ("Smooth the crown" in said) == worth


def rows_of(tree, *headings: str) -> list[list[str]]:
    """Rows of the first table whose heads begin with ``headings``."""
    for table in tree.findall(".//table"):
        heads = tuple(words(head) for head in table.findall(".//thead//th"))
        if heads[: len(headings)] == headings:
            return [[words(cell) for cell in row] for row in table.findall("./tbody/tr")]
    raise AssertionError(headings)


def test_what_to_measure_and_the_allowed_band():
    """Source: hand sums. Bore 19.05, gap 0.2: spigot 18.65; glue fits from 0.05 to 1 a side."""
    rows = {row[0]: row[1:3] for row in rows_of(parsed(html()), "Calipers on")}
    off = 2 * PROCESS.tolerance_mm
    assert rows["Bore, diameter"] == ["19.05 (3/4″)", "18.75 to 20.65"]
    assert rows["Spigot, diameter"] == ["18.65 (0.734″)", f"{18.65 - off:g} to {18.65 + off:g}"]
    assert rows["Crown, diameter"][0] == "25.4 (1″)"
    assert rows["Gap per side: half of bore less spigot"] == ["0.2 (0.008″)", "0.05 to 1"]


def test_glue_is_summed_over_the_joints_and_not_over_spares():
    rows = rows_of(parsed(html()), "Fitting")
    assert {row[0]: row[4] for row in rows} == {"F1": "4", "F2": "3", "F3": "2", "F4": "2"}
    joint, said = sheet().fittings[0].glue, words(parsed(html()))
    assert f"Glue: {MATERIAL.glue}, {float(f'{joint.volume_mm3 / 1000:.2g}'):g} ml a joint." in said
    assert f"for 2 joints: {2 * joint.volume_mm3 / 1000:.1f} ml fill the joints" in said


def test_a_ladder_has_a_row_for_each_step_and_room_to_write():
    """Source: the spigot is the bore less twice the gap, in mm and in the inches that it happens to be."""
    cells = rows_of(parsed(html()), "Step, gap per side in mm")
    assert [row[0] for row in cells] == ["0.15", "0.20", "0.25"]
    bore = ROUND.bore.width
    assert [row[1].split()[0] for row in cells] == [f"{bore - 2 * gap:.2f}".rstrip("0") for gap in (0.15, 0.2, 0.25)]
    assert all(row[2:] == ["", ""] for row in cells)
    assert "(F1, F4), wanted 0.2 mm per side" in words(parsed(html()).find(".//body"))


@pytest.mark.once
def test_ten_thousand_fittings():
    """More ends than any sheet lists one by one: still one valid file, and every end in the CSV."""
    count = 10_000
    places = np.array([(i % 100, i // 100 % 10, i // 1000) for i in range(count)]) * 60.0
    ends = tuple(tube_end(ROUND, place, (0, 0, 1), f"Tube {i}") for i, place in enumerate(places))
    fitting = replace(sheet().fittings[0], sites=tuple(range(1, count + 1)), needed=count, spares=0)
    per_plate = 36
    spots = [(index % 6 * 32 + 20.0, index // 6 * 32 + 20.0) for index in range(per_plate)]
    placements = tuple(Placement(0, i // per_plate, *spots[i % per_plate]) for i in range(count))
    plates = Plates(placements, math.ceil(count / per_plate))
    large = replace(
        sheet(),
        fittings=(fitting,),
        sites=ends,
        assemblies=(SheetAssembly("", 1, count),),
        footprints=sheet().footprints[:1],
        plates=plates,
    )
    text = job_sheet_html(large)
    assert len(text) < 3_000_000
    said = words(parsed(text))
    assert "Plates 1–277 of 278, print 277 times: 36 × F1" in said and "Plate 278 of 278, print once: 28 × F1" in said
    assert "1–10000" in said
    assert len(list(csv.reader(io.StringIO(ends_csv(large))))) == count + 1


# -- on paper --------------------------------------------------------------------------------------------------------


@pytest.mark.once
@needs_browser
@pytest.mark.parametrize("size", ["A4", "letter"])
def test_a_job_of_two_kinds_prints_on_four_pages(size):
    kinds = sheet().fittings[::3]
    footprints = tuple(Footprint.of(entry.id, entry.fitting.standing(), entry.count) for entry in kinds)
    two = replace(sheet(), fittings=kinds, ladders=(), footprints=footprints, plates=lay_out(footprints, PROCESS))
    assert printed_pages(job_sheet_html(two), size) <= 4


def long_kinds(folder: Path) -> tuple[SheetFitting, ...]:
    """A sleeve of 136 mm and joiners of 200 mm, with the guides for their screws."""
    tables = {
        "fitting": {"make": False},
        "joiner": {"make": True, "spigot_mm": 100, "screws": "through"},
        "drill_guide": {"make": True, "style": "sleeve"},
        "joint": [{"size": "50 × 50 × 3", "gap_mm": 4}, {"size": "1 1/2 in × 1/8 in", "other_size": "1 in × 1/8 in"}],
        "hole": [{"size": "50 × 50 × 3", "diameter_mm": 9, "distance_mm": 105}],
    }
    result = run(parse_job(tables, folder, "long"), [], True, lambda what, share: None)
    kinds = job_sheet_of(result).fittings
    heights = [float(np.ptp(np.concatenate(kind.fitting.views[0].cut)[:, 1])) for kind in kinds]
    assert sum(height > 130 for height in heights) == 3
    return kinds


@pytest.mark.once
@needs_browser
@pytest.mark.parametrize("size", ["A4", "letter"])
def test_every_kind_takes_half_a_page_at_most(size, tmp_path):
    cases = [
        (recipe_of(vent="channel", seam_relief="notch", seam_angle_deg=30), ROUND, 0.0),
        (recipe_of(seam_relief="flat", fit="press", rib_count=6, groove_count=0), Section.round(33.4, 3.38), 45.0),
        (recipe_of(crown="low dome", hole="nut pocket", thread="M8", spigot_mm=12), Section.round(48.3, 3.68), 0.0),
        (recipe_of(crown="flat", hole="insert", thread="M6", spigot_mm=14), SQUARE, 0.0),
        (recipe_of(crown="low dome", vent="channel", seam_relief="notch"), Section.rectangular(50, 25, 2), 20.0),
        (recipe_of(crown="low dome", vent="hole"), Section.rectangular(100, 50, 4), 45.0),
        (recipe_of(spigot_mm=30, groove_count=2), Section.round(114.3, 6), 0.0),
        (recipe_of(crown="peaked"), Section.rectangular(80, 80, 5), 30.0),
    ]
    kinds = tuple(
        SheetFitting(f"F{number}", design(recipe, section, mitre_deg=mitre), (), 0, 1)
        for number, (recipe, section, mitre) in enumerate(cases, 1)
    )
    kinds += long_kinds(tmp_path)
    blocks = [kind_block(kind, PROCESS, MATERIAL) for kind in kinds]
    pairs = [
        f'<div style="break-after: page">{first}{second}</div>'
        for first, second in zip(blocks, blocks[::-1], strict=True)
    ]
    only = f"{html().partition('<body>')[0]}<body>{''.join(pairs)}</body>"
    assert printed_pages(only, size) == len(pairs)


def test_words_on_paper_are_eight_points_at_least():
    """Source: a point is 1/72 in; drawings are in millimetres."""
    style = re.search("<style>(.*?)</style>", html(), re.DOTALL).group(1)
    assert min(map(float, re.findall(r"([\d.]+)pt", style))) >= 8
    sizes = re.findall(r"font: ([\d.]+)px", style) + re.findall(r'font-size="([\d.]+)"', html())
    assert min(map(float, sizes)) >= 8 * 25.4 / 72


# -- drawings --------------------------------------------------------------------------------------------------------


def size_of(svg: str) -> tuple[float, float]:
    """Checks that one unit of the drawing is one millimetre on paper, and gives its size."""
    width, height = (float(x) for x in re.search(r'width="([\d.]+)mm" height="([\d.]+)mm"', svg).groups())
    assert f'viewBox="0 0 {width:g} {height:g}"' in svg
    return width, height


def paths(svg: str, kind: str) -> list[np.ndarray]:
    loops = []
    for d in re.findall(rf'<path d="([^"]*)"[^>]* class="{kind}"', svg):
        loops += [np.array(re.findall(r"-?[\d.]+", loop), float).reshape(-1, 2) for loop in d.split("z") if loop]
    return loops


@pytest.mark.parametrize(
    ("section", "scale"),
    [(ROUND, 2), (Section.round(88.9, 5.49), 1), (Section.round(219.1, 6.3), 0.5), (Section.round(323.9, 7.1), 0.2)],
)
def test_drawings_are_true_to_their_scale(section, scale):
    """Source: the fitting's own size times the scale that the drawing states."""
    fitting = design(Recipe(crown="flat", rise_mm=10, spigot_mm=12), section)
    svg = section_drawing(fitting.drawing(), "t")
    width, height = size_of(svg)
    assert width <= 180 and height <= 165
    cut = np.concatenate(paths(svg, "cut"))
    assert np.ptp(cut[:, 0]) == pytest.approx(section.outer.width * scale, rel=1e-3)
    assert np.ptp(cut[:, 1]) == pytest.approx(22 * scale, rel=1e-3)
    assert f"({f'{scale}:1' if scale >= 1 else f'1:{1 / scale:g}'})</text>" in svg
    assert cut.min() > 0 and cut[:, 0].max() < width and cut[:, 1].max() < height


@pytest.mark.parametrize(
    ("section", "said"),
    [
        (ROUND, ["⌀ 25.4 (1″)", "⌀ 18.65 (0.734″)", "12.7 (1/2″)", "3 (0.118″)", "2 deep"]),
        (SQUARE, ["40 (1.575″)", "33.6 (1.323″)", "R 2.8"]),
        (OVAL, ["20 (0.787″)", "35.6 (1.402″)", "15.6 (0.614″)"]),
    ],
    ids=["round", "square", "oval"],
)  # fmt: skip
def test_drawings_carry_the_sizes_in_both_units(section, said):
    """Source: hand sums from the section and the gap."""
    recipe = recipe_of(crown="dome" if section is ROUND else "flat", groove_width_mm=3, groove_depth_mm=2, gap_mm=0.2)
    svg = section_drawing(design(recipe, section).drawing(), "t")
    parsed(f"<!DOCTYPE html><title>t</title>{svg}")
    shown = re.findall(r">([^<>]+)</text>", svg)
    for wanted in said:
        assert wanted in shown, shown


def test_a_mitred_fitting_shows_its_angle_and_its_true_spigot():
    svg = section_drawing(design(Recipe(), ROUND, mitre_deg=45.0, mitre_direction_deg=90.0).drawing(), "t")
    assert "mitre 45°" in svg and "18.65 (0.734″)" in svg
    size_of(svg)


@pytest.mark.parametrize(
    ("section", "mitre"),
    [
        (section, mitre)
        for section, mitres in {
            ROUND: (0.0, 45.0),
            SQUARE: (0.0, 20.0),
            OVAL: (20.0, 45.0),
            Section.round(12, 1.5): (0.0, 20.0),
            Section.round(219.1, 6.3): (20.0, 45.0),
            Section.rectangular(100, 50, 4): (0.0, 45.0),
        }.items()
        for mitre in mitres
    ],
    ids=str,
)
@pytest.mark.parametrize("rooms", [((180, 165),), ((112, 112), (180, 60))], ids=["page", "half page"])
def test_no_line_crosses_words_and_no_words_meet(section, mitre, rooms):
    """Source: the middle half of each text's height, and its width as the drawing takes it, against each straight
    line cut by that box (Liang and Barsky's clipping)."""
    recipe = recipe_of(spigot_mm=12.7) if len(rooms) == 1 else recipe_of(seam_relief="notch", vent="channel")
    svg = section_drawing(design(recipe, section, mitre_deg=mitre).drawing(), "t", rooms)
    width, height = size_of(svg)
    assert any(width <= across and height <= up for across, up in rooms)
    for sheet in re.split(r'<g transform="', svg)[1:]:
        lines = [np.array(ends, float).reshape(2, 2) for ends in re.findall(LINE, sheet)]
        texts = [(float(x), float(y), anchor, words) for x, y, anchor, words in re.findall(TEXT, sheet)]
        assert lines and texts
        boxes = [box_of(*text) for text in texts]
        for (low, high), text in zip(boxes, texts, strict=True):
            assert not [ends for ends in lines if crosses(ends, low, high)], text
        for (low, high), (other_low, other_high) in combinations(boxes, 2):
            assert (high <= other_low).any() or (other_high <= low).any()


def notes_of(recipe: Recipe, section: Section, mitre: float = 0.0) -> list[str]:
    svg = section_drawing(design(recipe, section, mitre_deg=mitre).drawing(), "t")
    return re.findall(r">([^<>]+)</text>", svg)


@pytest.mark.parametrize(
    ("recipe", "said"),
    [
        (recipe_of(vent="channel", vent_width_mm=2.5, vent_depth_mm=1.2), "vent 2.5 × 1.2"),
        (recipe_of(vent="hole", vent_width_mm=3), "vent hole ⌀ 3"),
        (recipe_of(seam_relief="notch", seam_width_mm=5, seam_depth_mm=0.9), "seam relief 5 × 0.9"),
        (recipe_of(seam_relief="flat", seam_depth_mm=0.9), "flat for the seam, 0.9 deep"),
        (recipe_of(fit="press", groove_count=0, rib_count=6, rib_height_mm=0.4), "6 ribs 0.4 high"),
        (recipe_of(hole="through", thread="M8"), "M8 hole ⌀ 9"),
        (recipe_of(hole="nut pocket", thread="M8", spigot_mm=16), "M8 nut 13.4 × 7.3"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
@pytest.mark.parametrize("mitre", [0.0, 20.0])
def test_a_drawing_has_what_is_cut_into_a_fitting_or_stands_on_it(recipe, said, mitre):
    """Source: the recipe; M8: a clearance hole of 9 (ISO 273, medium), a nut 13 across flats and 6.8 high (ISO 4032)
    with 0.2 mm of room a side and 0.5 mm more depth."""
    if recipe.hole.kind == "nut pocket" and mitre:
        pytest.skip("no mitred end takes a nut pocket")
    assert said in notes_of(recipe, Section.round(48.3, 3.68), mitre)


def test_a_dome_with_a_hole_is_dimensioned_to_what_is_there():
    """Source: Pythagoras. On a hemisphere of radius 12.7 the edge of an 8 mm hole lies √(12.7² - 4²) high."""
    words_drawn = notes_of(recipe_of(vent="hole", vent_width_mm=8, groove_count=0, rise_mm=12.7), ROUND)
    assert f"{math.sqrt(12.7**2 - 4**2):.2f}" in {words.split(" (")[0] for words in words_drawn}
    assert not [words for words in words_drawn if words.startswith("12.7 (1/2")]


def test_what_runs_along_a_spigot_is_drawn_as_it_is_made():
    """Source: hand sums. From the tube's side the outline of a spigot with a channel 2 mm wide loses about its area."""
    end = design(recipe_of(vent="channel", groove_count=0), ROUND).drawing()[-1]
    spigot = min(CrossSection([loop[::-1]]).area() for loop in end.seen)
    assert math.pi * 18.65**2 / 4 - spigot == pytest.approx(2 * 1, rel=0.1)


LINE = r'<line x1="([\d.-]+)" y1="([\d.-]+)" x2="([\d.-]+)" y2="([\d.-]+)"'
TEXT = r'<text x="([\d.-]+)" y="([\d.-]+)"[^>]* text-anchor="(\w+)"[^>]*>([^<]+)</text>'


def box_of(x: float, y: float, anchor: str, words: str) -> tuple[np.ndarray, np.ndarray]:
    wide = text_width(words)
    left = x - {"start": 0, "middle": wide / 2, "end": wide}[anchor]
    return np.array([left, y - 0.7]), np.array([left + wide, y + 0.7])


def crosses(ends: np.ndarray, low: np.ndarray, high: np.ndarray) -> bool:
    way = np.where(ends[1] == ends[0], 1e-12, ends[1] - ends[0])
    near, far = np.sort([(low - ends[0]) / way, (high - ends[0]) / way], axis=0)
    return bool(max(near.max(), 0.0) < min(far.min(), 1.0))


def test_both_units():
    assert both_units(25.4) == "25.4 mm (1 in)"
    assert both_units(38.1) == "38.1 mm (1 1/2 in)"
    assert both_units(10.0) == "10 mm (0.394 in)"


@examples(60)
@given(st.floats(3, 40), st.floats(0.2, 0.9), st.integers(3, 40), st.floats(0.3, 3))
def test_hatching_fills_the_area_and_nothing_else(radius, hole, sides, apart):
    """Source: the lines' length times their distance is the area, and all their middles lie inside."""
    angles = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    outer = np.column_stack([np.cos(angles), np.sin(angles)]) * radius + (radius, 2 * radius)
    inner = (outer - (radius, 2 * radius)) * hole + (radius, 2 * radius)
    starts, ends = hatching([outer, inner], apart / 10)
    area = CrossSection([outer]).area() * (1 - hole**2)
    assert np.linalg.norm(ends - starts, axis=1).sum() * apart / 10 == pytest.approx(
        area, rel=0.1, abs=0.2 * radius * apart
    )
    ways = (ends - starts) / np.linalg.norm(ends - starts, axis=1, keepdims=True)
    assert np.abs(np.abs(ways) - math.sqrt(0.5)).max() < 1e-6


@examples(200)
@given(st.lists(st.floats(-100, 100), min_size=1, max_size=12).map(sorted), st.floats(0.1, 10))
def test_labels_keep_apart_in_their_order(wanted, apart):
    placed = spread(wanted, apart)
    assert len(placed) == len(wanted)
    assert all(b - a >= apart - 1e-6 for a, b in pairwise(placed))
    # Where they had room, they did not move; together they move no more than they must.
    if all(b - a >= apart for a, b in pairwise(wanted)):
        assert placed == pytest.approx(wanted)
    assert np.mean(placed) == pytest.approx(np.mean(wanted), abs=1e-6)


# -- the assembly's picture ------------------------------------------------------------------------------------------


def strokes(svg: str) -> np.ndarray:
    d = re.search(r'<path d="([^"]*)" class="edge"', svg).group(1)
    return np.array(re.findall(r"-?[\d.]+(?:e-?\d+)?", d), float).reshape(-1, 4)


def drawn_length(bodies) -> float:
    rows = strokes(assembly_picture(bodies, [], 200, 200))
    return float(np.hypot(rows[:, 2] - rows[:, 0], rows[:, 3] - rows[:, 1]).sum())


def cube(size: float, at=(0, 0, 0)) -> Mesh:
    return Mesh.from_manifold(Manifold.cube([size] * 3).translate(at))


def test_of_a_cube_nine_edges_are_seen():
    """Source: isometric projection shortens every edge of a cube by √(2/3), and hides three of twelve."""
    rows = strokes(assembly_picture([cube(100)], [], 200, 200))
    lengths = np.hypot(rows[:, 2] - rows[:, 0], rows[:, 3] - rows[:, 1])
    assert len(rows) == 9
    # The picture's height is that of a cube stood on its corner: 2 edges long on paper.
    high = (200 - 2 * picture_module._MARGIN_MM) / 2
    assert lengths == pytest.approx(np.full(9, high), rel=1e-3)


def test_loose_triangles_show_no_more_edges_than_welded_ones():
    welded = cube(100)
    loose = Mesh(welded.corners.reshape(-1, 3), np.arange(36, dtype=np.int32).reshape(-1, 3))
    assert drawn_length([loose]) == pytest.approx(drawn_length([welded]))


def test_what_lies_behind_is_not_drawn():
    wall = Mesh.from_manifold(Manifold.cube([2, 300, 300]).translate([150, -150, -150]))
    hidden, alone = drawn_length([wall, cube(40, (60, 20, -90))]), drawn_length([wall])
    assert hidden == pytest.approx(alone, rel=1e-3)
    before = drawn_length([wall, cube(40, (200, -20, -20))])
    assert before > alone * 1.05


def test_numbers_are_all_there_apart_and_on_the_paper():
    rng = np.random.default_rng(3)
    marks = [
        EndMark(n, rng.uniform(0, 1000, 3), way / np.linalg.norm(way))
        for n, way in enumerate(rng.normal(size=(60, 3)), 1)
    ]
    svg = assembly_picture([], marks)
    width, height = size_of(svg)
    numbers = [int(n) for n in re.findall(r">(\d+)</text>", svg)]
    assert sorted(numbers) == list(range(1, 61))
    circles = np.array(re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)" r="2.6"', svg), float)
    assert len(circles) == 60
    apart = np.linalg.norm(circles[:, None] - circles, axis=2)[np.triu_indices(60, 1)]
    assert apart.min() >= 5.2
    assert (circles >= 2.6).all() and (circles <= np.array([width, height]) - 2.6).all()


@pytest.mark.parametrize("count", [90, 3000])
def test_where_numbers_would_cover_the_assembly_the_fittings_share_few_labels(count):
    """Each label points to a place of its fitting, no place is farther than a third of the picture from all labels of
    its own, and hardly any is under a label."""
    rng = np.random.default_rng(5)
    at = rng.uniform(0, 1000, (count, 3))
    fittings = [f"F{1 + n % 6 if n > 1 else 7}" for n in range(count)]
    marks = [EndMark(n, at[n], np.array([0, 0, 1.0]), fittings[n]) for n in range(count)]
    svg = assembly_picture([cube(1000)], marks, 180, 88)
    labels = re.findall(r">(\w+)</text>", svg)
    assert set(labels) == set(fittings) and len(labels) <= 30
    circles = np.array(re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)" r="3.3"', svg), float)
    assert np.linalg.norm(circles[:, None] - circles, axis=2)[np.triu_indices(len(labels), 1)].min() >= 6.6
    dots = np.array(re.findall(r'<circle cx="([\d.]+)" cy="([\d.]+)" r="0.5"', svg), float)
    assert len(dots) == count + len(labels)
    assert np.sum(np.linalg.norm(dots[:count, None] - circles, axis=2) < 3.3) <= 1
    for label, tip in zip(labels, dots[count:], strict=True):
        assert fittings[int(np.linalg.norm(dots[:count] - tip, axis=1).argmin())] == label
    own = np.array(fittings)[:, None] == labels
    assert np.where(own, np.linalg.norm(dots[:count, None] - dots[count:], axis=2), np.inf).min(axis=1).max() < 88 / 3


def test_pictures_of_nothing_and_of_one_point():
    for marks in ([], [EndMark(1, np.zeros(3), np.array([0, 0, 1.0]))]):
        size_of(assembly_picture([], marks))


# -- plate maps ------------------------------------------------------------------------------------------------------


def test_plate_maps_are_true_to_scale_and_equal_plates_come_once():
    footprint = Footprint("block", np.array([(0, 0), (30, 0), (30, 10), (0, 10)], float), 5.0)
    layout = [(0, 20.0, 30.0, 90.0), (0, 100.0, 50.0, 0.0)]
    placements = [Placement(part, plate, x, y, turn) for plate in range(3) for part, x, y, turn in layout]
    placements.append(Placement(0, 3, 60.0, 60.0))
    process = replace(PROCESS, plate_mm=(200.0, 100.0, 100.0), keep_out_mm=(0.0, 0.0))
    maps = plate_maps([footprint], ["F1"], Plates(tuple(placements), 4), process, width=100)
    assert [plate_map.plates for plate_map in maps] == [(1, 2, 3), (4,)]
    assert [plate_map.counts for plate_map in maps] == [{0: 2}, {0: 1}]
    assert size_of(maps[0].picture) == (100, 50)
    turned, straight = paths(maps[0].picture, "thin")
    # Half scale, y down: 10 x 30 mm at (10..20, 30..60), and 30 x 10 mm at (100..130, 50..60).
    assert (turned.min(axis=0), turned.max(axis=0)) == (pytest.approx([5, 20]), pytest.approx([10, 35]))
    assert (straight.min(axis=0), straight.max(axis=0)) == (pytest.approx([50, 20]), pytest.approx([65, 25]))
    assert maps[0].picture.count(">F1</text>") == 2


# -- order lists -----------------------------------------------------------------------------------------------------


def read(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text, newline=""), strict=True))


def test_the_lists_by_a_strict_reader():
    ends, fittings = read(ends_csv(sheet())), read(fittings_csv(sheet()))
    assert tuple(ends[0]) == END_COLUMNS
    listed = ("crown", "rise_mm", "lip_mm", "spigot_mm", "grooves", "hole", "thread", "mitre_deg")
    assert tuple(fittings[0])[:9] == (
        "fitting",
        "family",
        "section",
        "count",
        "spares",
        "ends",
        "fit",
        "gap_mm",
        "crown",
    )
    assert set(listed) < set(fittings[0])
    assert [row["fitting"] for row in ends] == ["F1", "F1", "F2", ""]
    assert ends[1]["section"] == "1 in × 1/8 in" and ends[1]["x_mm"] == "600" and ends[1]["bore_width_mm"] == "19.05"
    assert "blocked by" in ends[3]["remark"] and ends[3]["section"] == "40 × 40 × 3"
    assert [(row["count"], row["spares"], row["ends"]) for row in fittings] == [
        ("4", "2", "1–2"), ("3", "2", "3"), ("2", "2", ""), ("2", "2", ""),
    ]  # fmt: skip
    glue = sheet().fittings[0].glue
    assert float(fittings[0]["glue_mm3_all"]) == pytest.approx(2 * glue.volume_mm3, abs=1e-3)
    assert fittings[1]["glue_mm3_each"] == ""


@examples(200)
@given(st.text(st.characters(), max_size=30))
def test_no_text_becomes_a_formula_or_breaks_a_row(source):
    job_sheet = JobSheet("t", "d", PROCESS, MATERIAL, (), (tube_end(ROUND, (0, 0, 0), (1, 0, 0), source, source),))
    text = ends_csv(job_sheet)
    text.encode("utf-8-sig")
    assert text.count("\r\n") == 2 and "\n" not in text.replace("\r\n", "") and "\r" not in text.replace("\r\n", "")
    cell = read(text)[0]["tube"]
    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20"))


@pytest.mark.parametrize(
    "formula", ["=1+1", "+1", "-1", "@SUM(A1)", " =1", "\t=1", "\n=1", "\x0b=1", "\uff1d1", "\u00a0=1", "\u2003=1"]
)
def test_formulas_get_an_apostrophe(formula):
    job_sheet = JobSheet("t", "d", PROCESS, MATERIAL, (), (tube_end(ROUND, (0, 0, 0), (1, 0, 0), formula),))
    assert read(ends_csv(job_sheet))[0]["tube"].startswith("'")


def test_negative_numbers_stay_numbers():
    job_sheet = JobSheet("t", "d", PROCESS, MATERIAL, (), (tube_end(ROUND, (-5, 0, -1e-9), (1, 0, 0)),))
    row = read(ends_csv(job_sheet))[0]
    assert (row["x_mm"], row["z_mm"]) == ("-5", "0")


def test_ranges():
    assert say_ranges([]) == "" and say_ranges([5]) == "5"
    assert say_ranges([9, 1, 2, 3, 7, 8]) == "1–3, 7–9"


def test_a_process_of_the_table_exists_for_these_tests():
    assert process_named(PROCESS.name) == PROCESS


@pytest.mark.parametrize(("clear", "noted"), [(100.0, False), (8.17, True)])
def test_a_height_is_noted_only_where_it_is_off_by_more_than_its_nearest_layer(clear, noted):
    """8.17 mm lies in a layer of 0.2 mm: drawn as 8.2 mm, or 8 mm where the bore has room for no more."""
    known = Circumstances(PROCESS, MATERIAL, TubeFacts())
    place = CAP.place(replace(tube_end(ROUND, (0, 0, 0), (0, 0, 1)), clear_depth_mm=clear), ROUND)
    entry = SheetFitting("F1", CAP.design(recipe_of(spigot_mm=8.17), place, known, 32), (1,), 1)
    assert entry.fitting.asked_for["spigot_mm"] == 8.17
    assert ("on whole layers" in kind_block(entry, PROCESS, MATERIAL)) is noted


def test_headings_have_the_inch_size_and_its_millimetres():
    entry = SheetFitting("F1", design(recipe_of(), Section.round(25.4, 3.175), facets=32), (1,), 1)
    assert ", for 1 in × 1/8 in (25.4 × 3.18 mm)</h2>" in kind_block(entry, PROCESS, MATERIAL)


@pytest.mark.parametrize(
    ("thread", "up", "inside", "outside"),
    [("M4", "crown down", False, False), ("M8", "crown down", True, False), ("M8", "crown up", False, True)],
)
def test_support_in_a_blind_bore_is_said_where_it_is_taken_off(thread, up, inside, outside):
    """A foot on its crown: what closes the bore for an insert is over it, and wider than a bridge of 6 mm if that is
    for M8. The seat is scraped only where support stood under it."""
    recipe = recipe_of(crown="flat", rise_mm=6, hole="insert", thread=thread, spigot_mm=20, up=up)
    process = process_named(DEFAULT_PROCESS)
    foot = CAP.design(recipe, EndPlace(SQUARE), Circumstances(process, MATERIAL, TubeFacts()), 64)
    printed = review_fitting(foot, process, "F1").printed
    entry = SheetFitting("F1", foot, (3,), 1, printed=printed)
    one = replace(
        sheet(), process=process, fittings=(entry,), ladders=(), footprints=(), plates=Plates((), 0), verdict=None
    )
    page = bench_page(one)
    assert ("Some stands in the bore of F1: pick it out" in page) is inside
    assert ("scrape it flat" in page) is outside
    if inside:
        assert printed.support_inside_mm3 == pytest.approx(printed.support.volume_mm3, rel=1e-3)
