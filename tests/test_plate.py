# SPDX-License-Identifier: GPL-3.0-or-later
"""The plate: nothing touches, nothing is lost, and it is as full as regular rows and Blender's own packer make it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from manifold3d import Manifold
from random_cases import examples

from addon.bench.plate import LEAST_SPACING_MM, Footprint, PlateError, lay_out, too_large
from addon.files.parts import Part
from addon.files.threemf import write_3mf
from addon.geometry.mesh import Mesh
from addon.geometry.placement import Placement
from addon.geometry.sections import Outline
from addon.trade.processes import processes

shapely = pytest.importorskip("shapely")
PLAIN = replace(
    processes()[0], plate_mm=(244, 204, 100), margin_mm=2, spacing_mm=3, keep_out_mm=(0, 0), shrink_percent=(0, 0, 0)
)
CORNER = replace(PLAIN, keep_out_mm=(42, 32))


def print_of(outline, count=1, name="cap", turned=0.0):
    angle = math.radians(turned)
    matrix = np.array([[math.cos(angle), math.sin(angle)], [-math.sin(angle), math.cos(angle)]])
    return Footprint(name, outline.polygon() @ matrix + (7, -4), 20, count)


def circle(diameter, count=1, name="round cap"):
    return print_of(Outline.circle(diameter), count, name)


def box(width, depth, count=1, name="square cap"):
    return print_of(Outline.rectangle(width, depth), count, name)


def check(footprints, process):
    """Every copy once, on the plate, off the kept corner, and the spacing from its neighbours. Source: shapely."""
    plates = lay_out(footprints, process)
    copies = np.bincount([placement.part for placement in plates.placements], minlength=len(footprints))
    assert copies.tolist() == [footprint.count for footprint in footprints]
    assert {placement.plate for placement in plates.placements} == set(range(plates.count))
    width, depth, _ = process.plate_mm
    margin, (kept_x, kept_y) = process.margin_mm, process.keep_out_mm
    usable = shapely.box(margin, margin, width - margin, depth - margin).buffer(2e-5)
    scale = 1 / (1 - np.array(process.shrink_percent) / 100)
    for plate in range(plates.count):
        shapes = []
        for placement in plates.on(plate):
            moved = placement.put(footprints[placement.part].outline) - (placement.x, placement.y)
            shapes.append(shapely.Polygon(moved * scale[:2] + (placement.x, placement.y)))
        assert all(usable.contains(shape) for shape in shapes)
        if kept_x and kept_y:
            assert not any(shape.intersection(shapely.box(0, 0, kept_x, kept_y)).area > 1e-3 for shape in shapes)
        tree = shapely.STRtree(shapes)
        least = max(process.spacing_mm, LEAST_SPACING_MM)
        first, second = tree.query(shapes, predicate="dwithin", distance=least - 1e-5)
        assert (first == second).all(), "two fittings are nearer than the spacing"
    return plates


PROCESSES = st.builds(
    replace,
    st.just(PLAIN),
    plate_mm=st.tuples(st.floats(120, 400), st.floats(120, 400), st.just(100.0)),
    margin_mm=st.floats(0, 10),
    spacing_mm=st.floats(0, 8),
    keep_out_mm=st.one_of(st.just((0.0, 0.0)), st.tuples(st.floats(1, 35), st.floats(1, 35))),
    shrink_percent=st.sampled_from([(0.0, 0.0, 0.0), (2.0, 2.0, 1.0), (3.0, -1.0, 0.0)]),
)
OUTLINES = st.one_of(
    st.builds(Outline.circle, st.floats(8, 60)),
    st.builds(Outline.rectangle, st.floats(8, 60), st.floats(8, 60), st.floats(0, 3.9)),
    st.builds(lambda long, short: Outline("obround", long, short), st.floats(30, 60), st.floats(8, 29)),
    st.builds(lambda long, short: Outline("ellipse", long, short), st.floats(30, 60), st.floats(8, 29)),
    st.just(Outline.free(np.array([(0, 0), (40, 0), (10, 25)]))),
    st.just(Outline.free(np.array([(math.cos(a), math.sin(a)) for a in np.arange(6) * math.pi / 3]) * 18)),
)


@examples(25)
@given(st.lists(st.tuples(OUTLINES, st.integers(0, 15), st.floats(0, 180)), min_size=1, max_size=5), PROCESSES)
def test_nothing_touches_and_nothing_is_lost(prints, process):
    check([print_of(outline, count, turned=turned) for outline, count, turned in prints], process)


def rows_of_circles(width, depth, diameter, spacing):
    """The most circles in straight or shifted rows, counted by hand. Source: any handbook on close packing."""
    best = 0
    for across, along in ((width, depth), (depth, width)):
        pitch, most = diameter + spacing, int((across - diameter) / (diameter + spacing) + 1e-9) + 1
        best = max(best, most * (int((along - diameter) / pitch + 1e-9) + 1))
        rows = int((along - diameter) / (pitch * math.sqrt(3) / 2) + 1e-9) + 1
        shorter = most if (most - 0.5) * pitch + diameter <= across else most - 1
        best = max(best, most * math.ceil(rows / 2) + shorter * (rows // 2))
    return best


@pytest.mark.parametrize("diameter", [10, 19.05, 25.4, 31.8, 33.4, 38.1, 48.3, 60.3, 76.1])
@pytest.mark.parametrize("side", [(165, 165), (205, 205), (265, 265), (315, 275), (400, 230)])
def test_equal_round_caps_lie_as_close_as_the_best_rows(diameter, side):
    process = replace(PLAIN, plate_mm=(*side, 100.0))
    best = rows_of_circles(side[0] - 4, side[1] - 4, diameter, 3)
    plates = check([circle(diameter, best)], process)
    assert plates.count == 1


def test_wider_rows_leave_room_for_one_more():
    """Rows set apart as far as the plate allows lie closer behind each other, and the search fills what is left."""
    process = replace(PLAIN, plate_mm=(266.7, 266.7, 100), margin_mm=0, spacing_mm=3.15)
    assert rows_of_circles(266.7, 266.7, 42, 3.15) == 30
    assert check([circle(42, 34)], process).count == 1


@pytest.mark.parametrize(
    ("plate", "size", "most"),
    [
        ((1200, 1000), (400, 300), 10),  # area allows 10; straight rows hold 9
        ((400, 400), (100, 50), 32),
        ((90, 60), (50, 20), 5),  # area allows 5; straight rows hold 3 or 4
        ((130, 130), (50, 30), 10),  # area allows 11; straight rows hold 8
    ],
)
def test_equal_rectangles_in_both_turns(plate, size, most):
    """Pallets counted by hand, side against side."""
    process = replace(PLAIN, plate_mm=(plate[0] + 0.4, plate[1] + 0.4, 100), margin_mm=0, spacing_mm=0.1)
    assert check([box(size[0] - 0.1, size[1] - 0.1, most)], process).count == 1


def test_a_plate_that_is_full_is_followed_by_the_next():
    plates = check([circle(50, 100)], PLAIN)
    most = rows_of_circles(240, 200, 50, 3)
    assert plates.count <= math.ceil(100 / most)
    assert len(plates.on(0)) >= most


def test_small_ones_go_between_large_ones():
    """Between four circles of 100, 3 apart, one of 2 (51.5 x sqrt 2 - 53) = 39.66 fits, and nowhere another."""
    process = replace(PLAIN, plate_mm=(213, 213, 100), margin_mm=5, spacing_mm=3)
    assert check([circle(100, 4), circle(39.6, 1)], process).count == 1
    assert check([circle(100, 4), circle(39.6, 2)], process).count == 2


def test_a_straight_step_among_shifted_rows_saves_a_short_row():
    """Rows of 10 and 9 in turn hold 86; two long rows straight behind each other, hence one short row fewer, 87."""
    process = replace(PLAIN, plate_mm=(239.449, 292.883, 100), margin_mm=0)
    assert rows_of_circles(239.449, 292.883, 26.0934, 3) == 86
    assert check([circle(26.0934, 87)], process).count == 1


def test_an_order_that_mixes_the_kinds_is_found():
    """Two round ones in one column, 48 + 3 + 48 deep, three boxes in the other, 3 x 39 + 2 x 3 deep."""
    process = replace(PLAIN, plate_mm=(100.01, 123.01, 100), margin_mm=0)
    assert check([circle(48, 2), box(49, 39, 3)], process).count == 1


def test_the_kept_corner_costs_no_more_than_it_covers():
    free, cornered = lay_out([circle(25.4, 200)], PLAIN), check([circle(25.4, 200)], CORNER)
    lost = (42 - 2 + 28.4) * (32 - 2 + 28.4) / (28.4**2 * math.sqrt(3) / 2)
    assert len(cornered.on(0)) >= len(free.on(0)) - lost


def test_a_few_lie_in_the_middle_of_the_plate():
    plates = check([circle(30, 1)], PLAIN)
    assert plates.placements[0].put(np.array([(7, -4)]))[0] == pytest.approx((122, 102), abs=0.01)


def test_the_same_list_always_lies_the_same_way():
    job = [circle(25.4, 40), circle(48.3, 9), box(40, 40, 12), box(60, 30, 14)]
    assert lay_out(job, CORNER) == lay_out(job, CORNER)


def test_nothing_wanted_needs_no_plate():
    assert lay_out([], PLAIN).count == lay_out([circle(20, 0)], PLAIN).count == 0


def test_too_large_is_refused_by_name_and_size():
    job = [circle(30), box(300, 20, name="rail foot"), replace(circle(30, name="tall"), height_mm=150), box(200, 239)]
    with pytest.raises(PlateError, match=r"'rail foot' needs 300 × 20 mm.*240 × 200 mm.*'tall' is 150 mm high"):
        lay_out(job, PLAIN)
    reasons = [too_large(footprint, PLAIN) for footprint in job]
    assert [reason and (reason.value_mm, reason.limit_mm) for reason in reasons] == [
        None,
        (pytest.approx(300), pytest.approx(240)),
        (150, 100),
        None,
    ]
    check([footprint for footprint, reason in zip(job, reasons, strict=True) if reason is None], PLAIN)


def test_what_just_fits_is_not_refused():
    check([box(240, 200), circle(200), print_of(Outline.rectangle(200, 240, 7.7), turned=17)], PLAIN)
    check([circle(200 * 0.99)], replace(PLAIN, shrink_percent=(1, 1, 0)))


@pytest.mark.once
def test_more_of_one_kind_than_the_search_could_move():
    """More than 15,000 of 4 mm on one plate, as many as the rows counted by hand."""
    process = replace(PLAIN, plate_mm=(600, 600, 100), margin_mm=0, spacing_mm=1)
    most = rows_of_circles(600, 600, 4, 1)
    assert most > 15_000
    assert check([circle(4, most)], process).count == 1


def test_shrink_makes_a_part_too_large():
    with pytest.raises(PlateError, match=r"202\.02 mm"):
        lay_out([box(200, 200)], replace(PLAIN, shrink_percent=(1, 1, 0)))


def test_only_a_turn_or_the_way_round_the_corner_makes_it_fit():
    check([box(199, 239)], PLAIN)
    check([box(239, 160)], CORNER)
    with pytest.raises(PlateError):
        lay_out([box(239, 180)], CORNER)


@pytest.mark.once
@pytest.mark.parametrize("kinds", ["rectangles", "circles and rectangles"])
def test_a_mixed_set_is_no_worse_than_blenders_own_packer(kinds):
    """The ground that mathutils.geometry.box_pack_2d takes for the set holds it here too, on one plate."""
    pytest.importorskip("bpy")
    from mathutils import geometry

    rng = np.random.default_rng(11)
    for _ in range(25):
        job = []
        for _ in range(rng.integers(2, 20)):
            width, depth = 15 + 60 * rng.random(2)
            count = int(rng.integers(1, 6))
            job.append(
                circle(width, count) if kinds != "rectangles" and rng.random() < 0.5 else box(width, depth, count)
            )
        sizes = [np.ptp(footprint.outline, axis=0) + 3 for footprint in job for _ in range(footprint.count)]
        width, depth = geometry.box_pack_2d([[0, 0, float(x), float(y)] for x, y in sizes])
        # The packer counts in single precision.
        process = replace(PLAIN, plate_mm=(width - 3 + 0.01, depth - 3 + 0.01, 100), margin_mm=0)
        assert check(job, process).count == 1


@pytest.mark.once
def test_ten_thousand_fittings():
    job = [circle(18 + i, 1000) for i in range(5)] + [box(20 + 3 * i, 30 + i, 1000) for i in range(5)]
    plates = check(job, CORNER)
    area = sum(footprint.count * shapely.Polygon(footprint.outline).buffer(1.5).area for footprint in job)
    assert area / plates.count > 0.82 * 240 * 200


@pytest.mark.once
def test_ten_thousand_different_fittings():
    rng = np.random.default_rng(2)
    job = [box(*(15 + 40 * rng.random(2)), name=str(number)) for number in range(10_000)]
    plates = check(job, PLAIN)
    area = sum(np.prod(np.ptp(footprint.outline, axis=0) + 3) for footprint in job)
    assert area / plates.count > 0.85 * 243 * 203


@pytest.mark.parametrize("shrink", [(0.0, 0.0, 0.0), (2.0, 0.5, 1.0)])
def test_the_file_has_the_plate_as_it_was_laid_out(tmp_path, shrink):
    """Source: lib3mf for where the build lies; the read-back refuses what touches."""
    lib3mf = pytest.importorskip("lib3mf")
    process = replace(CORNER, shrink_percent=shrink)
    solids = [Manifold.cylinder(12, 15, 15, 96).translate((3, 2, 1)), Manifold.cube((50, 20, 9)).rotate((0, 0, 30))]
    parts = [Part(f"part {i}", Mesh.from_manifold(solid)) for i, solid in enumerate(solids)]
    plates = lay_out([Footprint.of(part.name, part.mesh, 9) for part in parts], process)
    path = write_3mf(tmp_path / "a.3mf", parts, plates.placements, shrink_percent=shrink).path
    model = lib3mf.get_wrapper().CreateModel()
    model.QueryReader("3mf").ReadFromFile(str(path))
    box_ = model.GetOutbox()
    low, high = np.array(box_.MinCoordinate), np.array(box_.MaxCoordinate)
    assert model.GetBuildItems().Count() == 18
    assert (low > (2 - 1e-4, 2 - 1e-4, -1e-4)).all() and (high[:2] < (242 + 1e-4, 202 + 1e-4)).all()
    assert high[2] == pytest.approx(12 / (1 - shrink[2] / 100), abs=1e-4)
    scale = 1 / (1 - np.array(shrink) / 100)
    ends = [
        (placement.put(parts[placement.part].mesh.vertices[:, :2]) - (placement.x, placement.y)) * scale[:2]
        + (placement.x, placement.y)
        for placement in plates.placements
    ]
    points = np.concatenate(ends)
    assert np.allclose([low[:2], high[:2]], [points.min(axis=0), points.max(axis=0)], atol=1e-4)


def test_a_placement_turns_counter_clockwise_then_moves():
    assert Placement(0, 0, 10, 20, 90).put(np.array([(1.0, 0.0)]))[0] == pytest.approx((10, 21))
