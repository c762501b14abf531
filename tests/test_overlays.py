# SPDX-License-Identifier: GPL-3.0-or-later
"""What overlays show, against areas, lengths and places by hand: boxes, cylinders, and shapely for hatches."""

from __future__ import annotations

import math
import time
from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from manifold3d import Manifold, OpType
from random_cases import examples
from recipes import recipe_of
from review_shapes import PROCESS, common_cap, cylinder, hemisphere

from addon.bench.plate import Footprint
from addon.families.cap import Recipe, design
from addon.families.circumstances import Circumstances
from addon.families.gap_band import fit_band
from addon.geometry.hatching import dashes, hatching, surface_hatching
from addon.geometry.mesh import Mesh
from addon.geometry.placement import Placement
from addon.geometry.sections import Section
from addon.job.asked import TubeFacts
from addon.review import Review, review, review_fitting
from addon.ui.overlays import markers, plates, profile, room, shapes, sheets, styles
from addon.ui.overlays.shapes import Marks
from addon.ui.overlays.styles import Style
from addon.ui.wording import IMPERIAL, METRIC


def mesh_of(*solids: Manifold) -> Mesh:
    return Mesh.from_manifold(Manifold.batch_boolean(list(solids), OpType.Add))


def box(width: float, depth: float, height: float, z: float = 0.0) -> Manifold:
    return Manifold.cube([width, depth, height], True).translate([0, 0, z + height / 2])


def seen(mesh: Mesh) -> Review:
    return review(mesh, PROCESS, name="part")


def positions(marks: Marks, style: Style, kind: str) -> np.ndarray:
    return np.concatenate(
        [np.empty((0, 3)), *(batch.positions for batch in marks.batches if (batch.style, batch.kind) == (style, kind))]
    )


def area_of(triangles: np.ndarray) -> float:
    a, b, c = triangles[0::3], triangles[1::3], triangles[2::3]
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def length_of(pieces: np.ndarray) -> float:
    return float(np.linalg.norm(pieces[1::2] - pieces[::2], axis=1).sum())


def notes(marks: Marks) -> dict[str, str]:
    return {entry.style.words: entry.note for entry in marks.legend}


def measure(words: str, size: float) -> float:
    return 0.6 * size * len(words)


# Hatches and dashes


@given(st.integers(3, 40), st.floats(3, 30), st.floats(0.1, 0.8), st.floats(0, 180), st.floats(0.2, 2.0))
@examples(60)
def test_hatch_lines_lie_in_the_area_at_their_angle_and_fill_it(sides, radius, hole, degrees, apart):
    angles = np.linspace(0, 2 * np.pi, sides, endpoint=False) + 0.1
    outer = np.column_stack([np.cos(angles), np.sin(angles)]) * radius
    inner = outer[::-1] * hole
    starts, ends = hatching([outer, inner], apart, degrees)
    area = shapely.Polygon(outer, [inner])
    assert all(area.buffer(1e-9).covers(shapely.LineString(pair)) for pair in zip(starts, ends, strict=True))
    ways = ends - starts
    across = np.array([-math.sin(math.radians(degrees)), math.cos(math.radians(degrees))])
    assert ways @ across == pytest.approx(0, abs=1e-9)
    # Cavalieri: lines so far apart stand for strips of that width; at the strips' ends it is off by what they curve.
    length = np.linalg.norm(ways, axis=1).sum()
    assert length * apart == pytest.approx(area.area, abs=3 * apart * 2 * radius)


def test_surface_hatch_is_where_planes_cut_the_triangles():
    corners = np.array([[(0, 0, 0), (8, 0, 0), (0, 0, 6)], [(0, 0, 0), (0, 5, 0), (8, 5, 0)]], float)
    pieces = surface_hatching(corners, np.array([0.0, 0.0, 1.0]), 0.5)
    assert len(pieces) == 12  # the second triangle lies level between two planes
    assert pieces[:, 0, 2] == pytest.approx(np.arange(12) * 0.5 + 0.25)
    # By similar triangles a cut at height z is 8 (1 - z / 6) long.
    lengths = np.linalg.norm(pieces[:, 1] - pieces[:, 0], axis=1)
    assert lengths == pytest.approx(8 * (1 - pieces[:, 0, 2] / 6))


def test_dashes_run_on_around_corners():
    corners = np.array([(0, 0), (5, 0), (5, 3)], float)
    starts, ends = dashes(corners[:-1], corners[1:], (2.0, 1.0))
    assert starts.tolist() == [[0, 0], [3, 0], [5, 1]]
    assert ends.tolist() == [[2, 0], [5, 0], [5, 3]]
    unbroken = dashes(corners[:-1], corners[1:], ())
    assert np.array_equal(unbroken[0], corners[:-1])
    assert np.array_equal(unbroken[1], corners[1:])


# The overlays


def test_outlines_lie_around_the_part_in_the_middle_of_their_layers():
    reviewed = seen(mesh_of(box(20, 10, 5)))
    printed = reviewed.printed
    stack = shapes.outline_stack(printed)
    whole = positions(shapes.outlines(stack, printed), styles.OUTLINE, "line")
    assert len(printed.layers) == 20
    assert length_of(whole) == pytest.approx(20 * 60)
    assert np.unique(np.round(whole[:, 2], 6)) == pytest.approx(np.arange(20) * 0.25 + 0.125)
    fifths = positions(shapes.outlines(stack, printed, every=5), styles.OUTLINE, "line")
    assert np.unique(np.round(fifths[:, 2], 6)) == pytest.approx(np.arange(4, 20, 5) * 0.25 + 0.125)
    part = positions(shapes.outlines(stack, printed, 6), styles.OUTLINE, "line")
    assert len(part) == len(whole) * 7 // 20
    assert part[:, 2].max() == pytest.approx(6 * 0.25 + 0.125)
    chosen = positions(shapes.chosen_layer(printed, 6), styles.LAYER, "line")
    assert {tuple(np.abs(point)) for point in chosen.round(6)} == {(10.0, 5.0, 1.625)}


def test_rings_cover_a_disc_as_far_as_their_count_reaches():
    radius, bead = 10.0, PROCESS.bead_mm
    reviewed = seen(mesh_of(cylinder(radius, 5)))
    marks = shapes.rings(reviewed, 4)
    edges = positions(marks, styles.RING, "line")
    away = np.abs(np.linalg.norm(edges[:, :2], axis=1)[:, None] - [10, 9.5, 9, 8.5])
    assert away.min(axis=1).max() < 0.01
    assert away.min(axis=0).max() < 0.01
    covered = area_of(positions(marks, styles.RING, "fill"))
    left = area_of(positions(marks, styles.LEFT_TO_FILL, "fill"))
    inner = radius - 3 * bead
    assert covered == pytest.approx(math.pi * (radius**2 - inner**2), rel=0.01)
    assert left == pytest.approx(math.pi * inner**2, rel=0.01)
    assert notes(marks)["Rings"] == "3 of 0.5 mm"
    assert "Not covered" not in notes(marks)
    assert np.unique(edges[:, 2]) == pytest.approx(4 * 0.25 + 0.125)


def test_corners_that_rings_leave_bare_are_hatched():
    reviewed = seen(mesh_of(box(20, 20, 2)))
    marks = shapes.rings(reviewed, 1)
    laid = reviewed.rings(1)
    assert laid.gaps.area() > 0
    assert area_of(positions(marks, styles.UNCOVERED, "fill")) == pytest.approx(laid.gaps.area())
    assert len(positions(marks, styles.UNCOVERED, "hatch"))
    # Each is less than a quarter of a bead wide.
    assert notes(marks)["Not covered"] == "narrow spots, taken for closed"
    assert not marks.labels


def test_the_top_of_a_layer_with_nothing_above_is_told_from_what_is_covered():
    # source: areas of circles: the step of a dome, three of whose rings lie bare as far as the layer above reaches
    reviewed = seen(hemisphere(12.7, 128))
    layers = reviewed.printed.layers
    marks = shapes.rings(reviewed, 45)
    step = layers.areas[45] - layers.areas[46]
    assert area_of(positions(marks, styles.BARE, "fill")) == pytest.approx(step) and len(
        positions(marks, styles.BARE, "hatch")
    )
    assert notes(marks)["Rings with nothing above"] == f"{step:.3g} mm²"
    assert "Not covered" not in notes(marks)
    top = shapes.rings(seen(mesh_of(cylinder(10, 5))), 19)
    assert notes(top)["Not covered"] == f"{math.pi * 8.5**2:.3g} mm², widest 17 mm"
    assert "Left to the fill" not in notes(top)


def mushroom() -> Review:
    """A stem 10 wide and 6 high under a plate 20 wide and 2 high: a ledge 5 mm all around at 6 mm."""
    return seen(mesh_of(box(10, 10, 6), box(20, 20, 2, 6)))


def test_overhang_and_the_support_down_to_the_plate():
    marks = shapes.overhangs(mushroom())
    hanging = positions(marks, styles.OVERHANG, "fill")
    assert area_of(hanging) == pytest.approx(20 * 20 - 10 * 10)
    assert np.unique(hanging[:, 2]) == pytest.approx([6.0])
    lines = positions(marks, styles.SUPPORT, "line")
    assert (lines[:, 2].min(), lines[:, 2].max()) == pytest.approx((0.0, 6.0), abs=0.6)
    inside = np.abs(lines[:, :2]).max(axis=1)
    assert inside.min() >= 5 - 1e-6
    assert inside.max() <= 10 + 1e-6
    assert notes(marks)["Support column"] == "1.8 cm³"  # 300 mm² times 6 mm
    assert [label.words for label in marks.labels] == ["overhang 7.07 mm"]  # 5 √2 mm, at the corners


def test_a_bridge_that_is_carried_looks_different():
    gate = mesh_of(*(box(3, 5, 4).translate([x, 0, 0]) for x in (-4, 4)), box(11, 5, 2, 4))
    marks = shapes.overhangs(seen(gate))
    assert area_of(positions(marks, styles.BRIDGE, "fill")) == pytest.approx(25.0)
    assert not len(positions(marks, styles.OVERHANG, "fill"))
    assert notes(marks)["Bridge, carried"] == "5 mm of 6 mm"
    assert notes(marks)["Support column"] == "none"


def test_leaning_surface_is_hatched_where_it_leans():
    cone = mesh_of(Manifold.cylinder(4, 2, 8, 64).translate([0, 0, 0]))  # 2 mm at the plate, 8 mm at 4 mm
    marks = shapes.overhangs(seen(cone))
    hatch = positions(marks, styles.LEANING, "hatch")
    radii = np.linalg.norm(hatch[:, :2], axis=1)
    assert len(hatch)
    assert radii == pytest.approx(2 + 1.5 * hatch[:, 2], abs=0.02)


def test_thin_wall_is_hatched_and_says_its_width():
    marks = shapes.thin_walls(seen(mesh_of(box(20, 20, 2), box(20, 0.6, 6, 2))))
    hatch = positions(marks, styles.THIN_WALL, "hatch")
    assert len(hatch)
    assert hatch[:, 2].min() > 2
    assert np.abs(hatch[:, 1]).max() <= 0.3 + 1e-3
    assert next(label.words for label in marks.labels) == "0.6 mm"
    assert notes(marks)["Thin wall"] == "under 1 mm: least 0.6 mm"
    assert notes(shapes.thin_walls(mushroom()))["Thin wall"] == "under 1 mm: none"


def test_steps_are_told_by_width_and_jumps_by_rest():
    # From 20 to 19.8 mm (0.1 a side), to 19 (0.4 a side), to 8 (5.5 a side, past all three rings).
    tower = mesh_of(box(20, 20, 2), box(19.8, 19.8, 2, 2), box(19, 19, 2, 4), box(8, 8, 2, 6))
    marks = shapes.steps(seen(tower))
    for style, area, z in (
        (styles.STEP, 20**2 - 19.8**2, 2),
        (styles.WIDE_STEP, 19.8**2 - 19**2, 4),
        (styles.JUMP, 19**2 - 8**2, 6),
    ):
        ledges = positions(marks, style, "fill")
        assert area_of(ledges) == pytest.approx(area), style.words
        assert np.unique(ledges[:, 2]) == pytest.approx([z]), style.words
    assert [label.words for label in marks.labels] == ["layer 25: step 5.5 mm, rest 0% as set"]
    assert notes(marks)["Layer step"] == "crown 0 mm to 5.5 mm"


def test_gap_is_the_ring_between_bore_and_spigot():
    recipe = recipe_of(gap_mm=0.3, spigot_mm=8, lead_in_mm=0.5, groove_count=0)
    fitting = design(recipe, Section.round(25.4, 3.175))
    band = fit_band(fitting.seat, Circumstances(PROCESS, None, TubeFacts()))
    marks = shapes.gap(fitting, band)
    bore = 25.4 - 2 * 3.175
    fill = positions(marks, styles.GAP, "fill")
    assert np.unique(fill[:, 2].round(6)) == pytest.approx([0.5, 8.0])  # over the lead-in, and at the shoulder
    ring = math.pi * (bore**2 - (bore - 0.6) ** 2) / 4
    assert area_of(fill) == pytest.approx(2 * ring, rel=0.02)
    lines = positions(marks, styles.BORE, "line")
    assert np.linalg.norm(lines[:, :2], axis=1) == pytest.approx(bore / 2, abs=0.02)
    least, most = band.root_sum_square
    assert notes(marks)["Gap to the tube"] == f"0.3 mm per side, may come out {least:.2f} mm to {most:.2f} mm"
    assert marks.labels[0].words == "gap 0.3 mm"


def test_a_spigot_larger_than_the_bore_bites():
    fitting = design(recipe_of(fit="press", gap_mm=-0.1, groove_count=0), Section.round(25.4, 3.175))
    marks = shapes.gap(fitting)
    assert not len(positions(marks, styles.GAP, "fill"))
    assert area_of(positions(marks, styles.BITE, "fill")) > 0
    assert marks.labels[0].words == "bites 0.1 mm"


def test_the_gap_of_a_mitred_end_lies_level_at_the_shoulder():
    fitting = design(recipe_of(groove_count=0), Section.round(38.1, 1.65), mitre_deg=30.0)
    marks = shapes.gap(fitting)
    shoulder = -fitting.rim_frame.to_local(fitting.mesh.vertices)[:, 2].min()
    lines = positions(marks, styles.BORE, "line")
    assert lines[:, 2].max() == pytest.approx(shoulder)
    # The bore at the rim is an ellipse, longer by 1 / cos 30°.
    rim = lines[lines[:, 2] > shoulder - 1e-6]
    bore = 38.1 - 2 * 1.65
    assert np.ptp(rim[:, 0]) == pytest.approx(bore / math.cos(math.radians(30)), rel=0.01)
    assert np.ptp(rim[:, 1]) == pytest.approx(bore, rel=0.01)


def test_caption_names_layer_height_rings_rest_and_finding():
    reviewed = mushroom()
    assert shapes.caption(reviewed, 13) == ("layer 14 of 32, z 3.25 mm", "3 rings of 0.5 mm", "rest 100%")
    hanging = shapes.caption(reviewed, 24)
    assert hanging[0] == "layer 25 of 32, z 6 mm"
    assert hanging[2:] == ("rest 0%",)
    wall = seen(mesh_of(box(20, 20, 2), box(20, 0.6, 6, 2)))
    for layer, thin in ((7, False), (8, True), (20, True), (31, True)):  # the wall's layers, first to last
        assert ("thin wall: look at" in shapes.caption(wall, layer)) == thin
    assert "as planned" in shapes.caption(reviewed, 30, planned=True)[1]
    flat = Mesh(np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0)], float), np.array([[0, 1, 2]], np.int32))
    assert shapes.caption(review(flat, PROCESS), 0) == ("No layers: see the findings",)


def test_captions_and_legends_follow_an_imperial_scene():
    """Thousandths, fractions of an inch where they are exact, square and cubic inches: 3.25 mm / 25.4 = 0.128, ..."""
    reviewed = mushroom()
    said = shapes.caption(reviewed, 13, say=IMPERIAL)
    assert said[0] == f"layer 14 of {len(reviewed.printed.layers)}, z 0.128 in"
    assert said[1].endswith(" of 0.020 in")
    marks = [shapes.rings(reviewed, 4, say=IMPERIAL), shapes.thin_walls(mushroom(), IMPERIAL)]
    marks += [shapes.overhangs(mushroom(), IMPERIAL), shapes.steps(mushroom(), IMPERIAL)]
    words = [entry.note for mark in marks for entry in mark.legend] + [
        label.words for mark in marks for label in mark.labels
    ]
    assert not [word for word in words if "mm" in word or "cm" in word]
    assert any("in²" in word for word in words) and any("in³" in word for word in words)


@pytest.mark.parametrize(
    ("mm", "said"),
    [
        (25.4, "1 in"), (38.1, "1 1/2 in"), (3.175, "1/8 in"), (0.396875, "1/64 in"), (-3.175, "-1/8 in"),
        (0.4, "0.016 in"), (0.2, "0.008 in"), (25.0, "0.984 in"), (0.0, "0 in"), (0.001, "0 in"), (-0.25, "-0.010 in"),
    ],
)  # fmt: skip
def test_inches_are_fractions_only_where_they_are_exact(mm, said):
    """Fractions by hand, the others divided by 25.4 and rounded to thousandths."""
    assert IMPERIAL(mm) == said
    assert IMPERIAL(np.float32(mm)) == said


def every_overlay() -> list[Marks]:
    fitting = common_cap()
    reviewed = review_fitting(fitting, PROCESS, "F1")
    printed = reviewed.printed
    stack = shapes.outline_stack(printed)
    tower = seen(mesh_of(box(20, 20, 2), box(8, 8, 4, 2), box(9, 0.6, 6, 6)))
    press = design(recipe_of(fit="press", gap_mm=-0.1, groove_count=0), Section.round(25.4, 3.175))
    return [
        shapes.outlines(stack, printed, 30),
        shapes.chosen_layer(printed, 30),
        *(shapes.rings(reviewed, layer, planned) for layer in (0, 40, 80) for planned in (False, True)),
        *(
            make(fitting_review)
            for make in (shapes.overhangs, shapes.thin_walls, shapes.steps)
            for fitting_review in (reviewed, tower)
        ),
        shapes.gap(fitting),
        shapes.gap(press),
    ]


def test_the_legend_explains_everything_that_is_drawn():
    for marks in every_overlay():
        explained = {entry.style for entry in marks.legend}
        assert {batch.style for batch in marks.batches} <= explained
        assert {label.style for label in marks.labels} <= explained
        for batch in marks.batches:
            assert len(batch.positions) % (3 if batch.kind == "fill" else 2) == 0
            assert np.isfinite(batch.positions).all()


def test_building_a_layer_takes_less_than_two_milliseconds():
    reviewed = review_fitting(common_cap(), PROCESS, "F1")
    printed = reviewed.printed
    stack = shapes.outline_stack(printed)
    took = []
    for layer in (20, 50, 70) * 5:
        reviewed.rings(layer)
        start = time.perf_counter()
        shapes.outlines(stack, printed, layer)
        shapes.chosen_layer(printed, layer)
        shapes.rings(reviewed, layer)
        shapes.caption(reviewed, layer)
        took.append(time.perf_counter() - start)
    # The best of many: other work on the machine must not decide.
    assert min(took) < 0.002


# Styles


def test_no_two_styles_look_alike_without_colour():
    named = {name: style for name, style in vars(styles).items() if isinstance(style, Style)}
    for (name, mine), (other, theirs) in combinations(named.items(), 2):
        if not {name, other} & {"OPEN_END", "REFUSED_END"}:  # markers are told by their shapes: circles and crosses
            assert mine.pattern != theirs.pattern, f"{name} and {other}"
        assert mine.words != theirs.words


def test_colours_are_okabe_and_itos():
    # Okabe and Ito, Color Universal Design, 2008: the palette's values in sRGB, 0 to 255.
    palette = {
        (230, 159, 0),
        (86, 180, 233),
        (0, 158, 115),
        (240, 228, 66),
        (0, 114, 178),
        (213, 94, 0),
        (204, 121, 167),
    }
    used = {
        tuple(round(255 * share) for share in style.colour)
        for style in vars(styles).values()
        if isinstance(style, Style)
    }
    assert used <= palette


# Sheets


def boxes(sheet: sheets.Sheet) -> list[tuple[float, float, float, float]]:
    """The rectangles that a sheet's texts take."""
    rectangles = []
    for text in sheet.texts:
        wide = measure(text.words, text.size)
        left = text.x - {"left": 0.0, "middle": 0.5, "right": 1.0}[text.align] * wide
        rectangles.append((left, text.y, left + wide, text.y + 0.72 * text.size))
    return [rectangle for rectangle in rectangles if rectangle[2] > rectangle[0]]


def assert_legible(sheet: sheets.Sheet) -> None:
    for left, low, right, top in boxes(sheet):
        assert left >= 0 and low >= 0 and right <= sheet.width + 1e-6 and top <= sheet.height + 1e-6
    for a, b in combinations(boxes(sheet), 2):
        assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], "words overlap"


@pytest.mark.parametrize("overlay", range(8))
def test_legends_are_legible(overlay):
    marks = every_overlay()[overlay * 2 : overlay * 2 + 2]
    entries = [entry for mark in marks for entry in mark.legend]
    sheet = sheets.legend(entries, measure)
    assert_legible(sheet)
    assert {text.words for text in sheet.texts} >= {entry.style.words for entry in entries}


def test_a_caption_takes_as_many_lines_as_its_room_asks_for():
    parts = ("layer 14 of 82, z 3.4 mm", "3 rings of 0.45 mm", "rest 87%", "overhang: look at")
    sheet = sheets.words_sheet(parts, measure)
    assert [text.words for text in sheet.texts] == ["  ·  ".join(parts)]
    narrow = sheets.words_sheet(parts, measure, 340)
    assert len(narrow.texts) > 1
    assert narrow.width <= 340
    assert_legible(narrow)
    assert "  ·  ".join(text.words for text in narrow.texts) == "  ·  ".join(parts)


def test_a_reason_longer_than_its_room_is_broken_between_words():
    """A marker's name beside the sidebar, with why its end takes no fitting."""
    parts = ("Post 4", "blocked", 'Blocked at the rim by "Foot plate"; leave this end without a fitting')
    sheet = sheets.words_sheet(parts, measure, 220)
    assert len(sheet.texts) > 2
    assert sheet.width <= 220
    assert_legible(sheet)
    assert " ".join(text.words for text in sheet.texts).replace("·", " ").split() == " ".join(parts).split()


def test_a_sheet_goes_where_there_is_room():
    """Places along the upper edge of a space of 1000 × 600, then along the lower one, then the middles of the sides."""
    space, nothing = (0.0, 0.0, 1000.0, 600.0), np.empty((0, 2))
    size, whole = (300, 200), room.Standing(0)

    def place(taken, points, before=None, shares=(1.0, 0.5)):
        found = room.room_for(size, space, taken, points, before, shares)
        return found and found[0]

    assert room.room_for(size, space, [], nothing) == (whole, (0.0, 400.0, 300.0, 600.0))
    assert place([(0, 0, 400, 600)], nothing) == room.Standing(1)
    model = np.random.default_rng(0).uniform((0, 300), (1000, 600), (500, 2))
    assert place([], model) == place([], model, before=whole) == room.Standing(5)
    assert place([(0, 0, 350, 600), (650, 0, 1000, 600)], nothing) == room.Standing(2)
    assert place([], model[:12], before=whole) == whole
    everywhere = np.random.default_rng(0).uniform((160, 0), (1000, 600), (2000, 2))
    assert place([], everywhere) == room.Standing(0, 0.5)
    assert place([(0, 0, 1000, 600)], nothing) is None
    assert room.room_for((1001, 200), space, [], nothing) is None


def test_words_stand_beside_their_place_and_clear_of_others():
    space = (0.0, 0.0, 400.0, 300.0)
    taken: list[sheets.Rectangle] = [(0, 250, 400, 300)]
    for point in [(390.0, 290.0), (390.0, 290.0), (10.0, 280.0), (200.0, 270.0), (200.0, 5.0)]:
        words = room.beside(point, (80, 20), space, taken, 24)
        assert not any(room.overlap(words, other) for other in taken)
        assert words[0] >= 0 and words[1] >= 0 and words[2] <= 400 and words[3] <= 300
        taken.append(words)


@pytest.mark.parametrize(
    ("recipe", "section", "mitre"),
    [
        (Recipe(rise_mm=12, gap_mm=0.2), Section.round(25.4, 3.175), 0.0),
        (
            recipe_of(crown="flat", rise_mm=6, lip_mm=1, groove_count=3, groove_width_mm=1, groove_depth_mm=0.6),
            Section.rectangular(50, 25, 2),
            0.0,
        ),
        (recipe_of(crown="peaked", groove_count=0, lead_in_mm=0, hole="through"), Section.round(38.1, 1.65), 0.0),
        (Recipe(crown="low dome"), Section.round(33.4, 3.38), 45.0),
        (Recipe(crown="flat", rise_mm=3, hollow_wall_mm=3, spigot_mm=30), Section.rectangular(40, 40, 3), 20.0),
    ],
)
def test_profiles_are_legible_and_say_the_recipes_numbers(recipe, section, mitre):
    fitting = design(recipe, section, mitre_deg=mitre, facets=64)
    sheet = profile.profile_sheet(fitting.drawing()[0], METRIC, measure, "F1")
    assert_legible(sheet)
    words = {text.words for text in sheet.texts}
    settled = fitting.recipe
    assert f"rise {METRIC(settled.rise_mm)}" in words
    assert f"spigot {METRIC(settled.spigot_mm)}" in words
    assert f"gap {METRIC(settled.gap_mm)}" in words
    assert any("groove" in word for word in words) == bool(settled.groove.count)
    assert any("lead-in" in word for word in words) == bool(recipe.lead_in_mm)
    assert any("lip" in word for word in words) == bool(recipe.lip_mm)
    assert any("mitre" in word for word in words) == bool(mitre)
    for stroke in sheet.strokes:
        assert stroke.points.min() >= 0
        assert stroke.points[:, 0].max() <= sheet.width
        assert stroke.points[:, 1].max() <= sheet.height


def test_the_profile_is_true_to_scale():
    fitting = design(recipe_of(rise_mm=12, gap_mm=0.25, groove_count=0), Section.round(25.4, 3.175), facets=64)
    drawing = fitting.drawing()[0]
    points = np.concatenate(drawing.cut)
    assert (points[:, 1].min(), points[:, 1].max()) == pytest.approx((-8, 12))
    assert np.abs(points[:, 0]).max() == pytest.approx(12.7)
    walls = np.concatenate(drawing.tube)
    assert np.abs(walls[:, 0]).min() == pytest.approx(25.4 / 2 - 3.175)
    words = {text.words for text in profile.profile_sheet(drawing, METRIC, measure).texts}
    assert words >= {"crown ⌀ 25.4 mm", f"spigot ⌀ {METRIC(25.4 - 6.35 - 0.5)}"}


def test_a_plates_map_shows_each_fitting_where_it_lies():
    square = Footprint("cap", np.array([(-10, -10), (10, -10), (10, 10), (-10, 10)], float), 12.0)
    process = replace(PROCESS, plate_mm=(200.0, 100.0, 100.0), keep_out_mm=(0.0, 0.0))
    spots = (Placement(0, 0, 30, 20), Placement(0, 0, 150, 60, 90.0))
    sheet = plates.plate_sheet("Plate 1 of 1", spots, [square], ["F1"], process, measure)
    assert [(text.words, round(text.x, 6)) for text in sheet.texts] == [
        ("Plate 1 of 1", sheets.MARGIN),
        ("F1", sheets.MARGIN + 30 * plates.SIZE / 200),
        ("F1", sheets.MARGIN + 150 * plates.SIZE / 200),
    ]
    (fill,) = sheet.fills
    corners = np.column_stack([fill.points, np.zeros(len(fill.points))])
    assert area_of(corners) == pytest.approx(2 * (20 * plates.SIZE / 200) ** 2)


# Markers


def test_places_on_the_screen_and_the_one_at_the_mouse():
    # A pinhole at the origin that looks along -z, field of view 90°: x / -z and y / -z fill -1 to 1.
    perspective = np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, -1, -0.2], [0, 0, -1, 0]], float)
    places = np.array([(0, 0, -5), (2, 1, -4), (0, 0, 5)], float)
    points = markers.on_screen(places, perspective, (800, 400))
    assert points[:2] == pytest.approx(np.array([(400, 200), (600, 250)]))
    assert np.isnan(points[2]).all()
    assert markers.nearest(points, (603, 246), 14) == 1
    assert markers.nearest(points, (500, 225), 14) == -1
    assert markers.nearest(points[2:], (400, 200), 14) == -1
    assert markers.nearest(np.empty((0, 2)), (0, 0), 14) == -1


def test_open_ends_are_circles_and_refused_ones_crosses():
    points = np.array([(50, 50), (100, 50), (np.nan, np.nan)])
    circles, crosses, chosen = markers.glyphs(points, np.array([True, False, True]), 0, 1.0)
    assert np.linalg.norm(circles.points - (50, 50), axis=1) == pytest.approx(markers.RADIUS)
    assert len(crosses.points) == 4
    assert crosses.points.mean(axis=0) == pytest.approx((100, 50))
    assert np.linalg.norm(chosen.points - (50, 50), axis=1).min() > markers.RADIUS
    assert len(markers.glyphs(points, np.array([True, False, True]), 2, 1.0)) == 2
