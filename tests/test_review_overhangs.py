# SPDX-License-Identifier: GPL-3.0-or-later
"""Overhangs, support, ways out for it, the bath, footing and ways up, against formulas and shapely."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import assume, given
from hypothesis import strategies as st
from manifold3d import CrossSection, Manifold, OpType
from random_cases import examples
from recipes import recipe_of
from review_shapes import PROCESS, common_cap, cylinder, hemisphere, inside_out, joined, layers_of, sphere, turned
from test_review_rings import shapely_of

from addon.families.cap import Recipe, design
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.review import Finding, Review, review, review_fitting, trapped
from addon.review.bath import Body
from addon.review.facets import Facets
from addon.review.footing import footing_of
from addon.review.overhangs import hanging, leaning, sort_out
from addon.review.review import Print
from addon.review.support import support_under

MUSHROOM = [(0.0, 0.0), (4.0, 0.0), (4.0, 6.0), (10.0, 6.0), (10.0, 9.0), (0.0, 9.0)]
"""A stem 8 mm across under a plate 20 mm across, 6 mm up."""


def named(result: Review, check: str) -> list[Finding]:
    return [finding for finding in result.findings if finding.check == check]


def printed(result: Review) -> Print:
    assert result.printed is not None
    return result.printed


def box(width: float, depth: float, height: float, x: float = 0.0, y: float = 0.0, z: float = 0.0) -> Manifold:
    return Manifold.cube((width, depth, height)).translate((x, y, z))


def mesh_of(solid: Manifold) -> Mesh:
    return Mesh.from_manifold(solid)


def test_the_cap_needs_support_under_shoulder_and_groove() -> None:
    """The cap of common practice (no source): planned for a fitting of ours, named with their layers on a mesh."""
    cap = common_cap(256)
    result = review_fitting(cap, PROCESS, "cap")
    assert not named(result, "overhang") and printed(result).overhangs
    of_a_mesh = review(cap.standing(), PROCESS, levels=cap.levels())
    assert {finding.severity for finding in named(of_a_mesh, "overhang")} == {"good to know"}
    groove, shoulder = named(of_a_mesh, "overhang")
    assert "groove's upper face" in groove.meaning and groove.layer == 23
    assert groove.value == pytest.approx(2.0, abs=0.01)
    assert "shoulder" in shoulder.meaning and shoulder.layer == 33
    assert shoulder.value == pytest.approx(12.7 - 9.325, abs=0.01)
    # source: areas of annuli, columns 8 mm high and from the groove's lower face (2.5 mm) to its upper face (5.5 mm)
    expected = math.pi * ((12.7**2 - 9.325**2) * 8 + (9.325**2 - 7.325**2) * 3)
    assert printed(result).support.volume_mm3 == pytest.approx(expected, rel=2e-3)
    assert printed(result).support.contact_mm2 == pytest.approx(math.pi * (12.7**2 - 7.325**2), rel=2e-3)
    assert printed(result).support.foot_on_part_mm2 == pytest.approx(math.pi * (9.325**2 - 7.325**2), rel=2e-3)
    assert printed(result).trapped == ()


@pytest.mark.parametrize("up", ["crown up", "crown down"])
@pytest.mark.parametrize("mitre", [0.0, 15.0, 24.0])
def test_a_groove_with_a_sloping_roof_needs_no_support(up: str, mitre: float) -> None:
    """45° carries itself: common practice, no source. The shoulder alone hangs over when it is printed crown up."""
    for section in (Section.round(25.4, 3.175), Section.rectangular(40, 30, 3)):
        recipe = recipe_of(crown="flat", edge="square", up=up, lead_in_mm=0.0)
        fitting = design(recipe, section, mitre_deg=mitre, facets=256)
        part = printed(review_fitting(fitting, PROCESS, "cap"))
        shoulder = int(np.searchsorted(part.layers.cuts, fitting.shoulder_mm))
        assert {hung.layer for hung in part.overhangs} == ({shoulder} if up == "crown up" else set())


@given(st.floats(3, 10), st.floats(1, 12), st.integers(2, 40))
@examples(20)
def test_support_under_a_lip(inner: float, lip: float, layers: int) -> None:
    # source: pi (R² - r²) h, any geometry handbook
    height, outer = layers * 0.25, inner + lip
    profile = [(0, 0), (inner, 0), (inner, height), (outer, height), (outer, height + 2), (0, height + 2)]
    part = turned([(float(x), float(z)) for x, z in profile], 192)
    stack = layers_of(part)
    support = support_under(stack, [(overhang.layer, overhang.region) for overhang in hanging(stack, PROCESS)])
    expected = math.pi * (outer**2 - inner**2) * height
    assert support.volume_mm3 == pytest.approx(expected, rel=1e-3)
    assert support.foot_on_plate_mm2 == pytest.approx(math.pi * (outer**2 - inner**2), rel=1e-3)


def test_support_stands_on_the_part_where_that_is_in_the_way() -> None:
    # source: areas and heights of boxes
    part = box(30, 10, 2) + box(10, 10, 12, 0) + box(30, 10, 2, 0, 0, 10)
    support = printed(review(mesh_of(part), PROCESS)).support
    assert support.volume_mm3 == pytest.approx(20 * 10 * 8, rel=1e-6)
    assert support.foot_on_plate_mm2 == pytest.approx(0, abs=1e-6)
    assert support.foot_on_part_mm2 == pytest.approx(200, rel=1e-6)
    (column,) = support.columns
    assert (column.first, column.last) == (8, 39)


def test_hanging_layers_match_shapely() -> None:
    # source: shapely's buffer and difference, layer by layer
    solid = trimesh.creation.torus(9, 4, major_sections=64, minor_sections=32)
    solid.apply_translation([0, 0, -solid.bounds[0, 2]])
    stack = layers_of(Mesh(np.array(solid.vertices), np.array(solid.faces, np.int32)))
    beyond = np.zeros(len(stack))
    for part in hanging(stack, PROCESS):
        beyond[part.layer] += part.beyond_mm2
    for layer in range(1, len(stack)):
        below, outline = shapely_of(stack.outline(layer - 1)), shapely_of(stack.outline(layer))
        expected = outline.difference(below.buffer(0.25 + 0.005, quad_segs=32)).area
        assert beyond[layer] == pytest.approx(expected, abs=0.13), layer
    assert beyond.max() > 20


@pytest.mark.parametrize("degrees", [0.0, 15.0, 30.0, 45.0, 60.0])
def test_a_groove_from_edge_to_edge_is_spanned_however_it_lies(degrees: float) -> None:
    """3 mm wide, from below, where the process spans 3 mm. source: a straight groove's width"""
    solid = (box(80, 80, 4) - box(100, 3, 4, -10, 10, -2)).rotate((0, 0, degrees))
    part = printed(review(mesh_of(solid), replace(PROCESS, bridge_mm=3.0)))
    (roof,) = part.overhangs
    assert roof.kind == "bridge" and roof.reach_mm == pytest.approx(3.0, abs=1e-3)
    assert not part.support.needed


def test_support_stands_only_under_the_side_that_needs_it() -> None:
    """A cylinder that leans 0.5 mm a layer to one side: source: a crescent between equal circles is 0.5 cos(t) wide,
    which is more than the 0.255 mm carried where cos(t) > 0.51; its area there is 2 r 0.5 sin(t)."""
    leaning_one = cylinder(8, 5).transform(np.array([(1, 0, 2, 0), (0, 1, 0, 0), (0, 0, 1, 0)], float))
    part = hanging(layers_of(mesh_of(leaning_one)), PROCESS)[5]
    expected = 2 * 8 * 0.5 * math.sin(math.acos(0.51))
    assert part.region.area() == pytest.approx(expected, rel=0.05)
    assert part.region.area() < 0.95 * 2 * 8 * 0.5


@pytest.mark.parametrize("lean", [30, 44, 46, 60])
def test_only_what_leans_more_than_the_process_carries_hangs(lean: float) -> None:
    # source: definition of the angle
    rise = 10.0
    out = rise * math.tan(math.radians(lean))
    part = turned([(0, 0), (8, 0), (8 + out, rise), (0, rise)], 512)
    result = review(part, PROCESS)
    assert bool(named(result, "overhang")) == (lean > 45)
    assert (result.surface.area_mm2 > 0) == (lean > 45)
    if lean > 45:
        assert result.surface.steepest_deg == pytest.approx(lean, abs=0.01)
        # source: lateral area of a cone's frustum
        area = math.pi * (8 + 8 + out) * math.hypot(rise, out)
        assert result.surface.area_mm2 == pytest.approx(area, rel=1e-3)


def test_faces_on_the_plate_do_not_lean() -> None:
    facets = Facets.of(mesh_of(box(10, 10, 10)))
    assert leaning(facets, 45.0, 0.25).area_mm2 == 0


def kinds(part: Manifold, bridge: float = 6.0) -> list[tuple[str, float]]:
    process = replace(PROCESS, bridge_mm=bridge)
    stack = layers_of(mesh_of(part), process)
    return [(overhang.kind, overhang.reach_mm) for overhang in sort_out(stack, hanging(stack, process), process)]


def test_bridges_cantilevers_and_islands_are_told_apart() -> None:
    # source: the boxes' own measures
    legs = box(5, 10, 5) + box(5, 10, 5, 11)
    assert kinds(legs + box(16, 10, 2, 0, 0, 5)) == [("bridge", pytest.approx(6.0, abs=0.05))]
    assert kinds(box(5, 10, 5) + box(5, 10, 5, 20) + box(25, 10, 2, 0, 0, 5)) == [
        ("bridge", pytest.approx(15.0, abs=0.1))
    ]
    assert kinds(box(5, 10, 5) + box(16, 10, 2, 0, 0, 5)) == [("cantilever", pytest.approx(11.0, abs=0.05))]
    assert kinds(box(20, 20, 5) - cylinder(2.5, 3).translate((10, 10, 0))) == [("bridge", pytest.approx(5.0, abs=0.05))]
    hook = box(4, 4, 12) + box(12, 4, 3, 0, 0, 9) + box(4, 4, 6, 8, 0, 5)
    assert ("island", pytest.approx(4.0)) in kinds(hook)


def test_a_bridge_within_the_span_needs_no_support() -> None:
    part = box(5, 10, 5) + box(5, 10, 5, 11) + box(16, 10, 2, 0, 0, 5)
    carried = review(mesh_of(part), replace(PROCESS, bridge_mm=6.5))
    assert printed(carried).support.volume_mm3 == 0
    assert not named(carried, "bridge")
    too_long = review(mesh_of(part), replace(PROCESS, bridge_mm=5.0))
    assert printed(too_long).support.volume_mm3 == pytest.approx(6 * 10 * 5, rel=1e-6)
    assert [finding.severity for finding in named(too_long, "bridge")] == ["good to know"]


def test_islands_must_be_fixed() -> None:
    hook = box(4, 4, 12) + box(12, 4, 3, 0, 0, 9) + box(4, 4, 6, 8, 0, 5)
    (finding,) = named(review(mesh_of(hook), PROCESS), "island")
    assert finding.severity == "must fix" and finding.layer == 21


def pocket(mouth: float) -> Mesh:
    """A block with a chamber 10 mm wide and deep, 8 mm high, open on one side by a slot of that height."""
    chamber = box(10, 10, 8, 5, 5, 4)
    slot = box(10, 10, mouth, 10, 5, 4)
    return mesh_of(box(20, 20, 16) - chamber - slot)


@pytest.mark.parametrize(("mouth", "trapped"), [(2.0, True), (2.9, True), (3.1, False), (5.0, False), (8.0, False)])
def test_support_behind_a_narrow_mouth_is_trapped(mouth: float, trapped: bool) -> None:
    """The chamber's ceiling needs support; the slot is as high as its mouth."""
    process = replace(PROCESS, bridge_mm=0.0, pocket_mouth_mm=3.0, layer_mm=0.1, first_layer_mm=0.1)
    result = review(pocket(mouth), process)
    assert printed(result).support.volume_mm3 > 100
    assert bool(named(result, "trapped support")) == trapped


@pytest.mark.parametrize(("width", "trapped"), [(2.5, True), (3.5, False)])
def test_support_in_a_bottle_gets_out_by_its_neck(width: float, trapped: bool) -> None:
    """The way out leads up: through a neck on top, wide enough or not."""
    profile = [(width / 2, 2), (8, 2), (8, 10), (5, 10), (width / 2, 12), (width / 2, 16)]
    bottle = turned([(0, 0), (10, 0), (10, 16), (width / 2, 16), *profile[:0:-1], (0, 2)], 96)
    process = replace(PROCESS, bridge_mm=0.0)
    result = review(bottle, process)
    assert printed(result).support.volume_mm3 > 50
    assert bool(named(result, "trapped support")) == trapped


def test_a_closed_cavity_keeps_its_support() -> None:
    # source: volume of a cube
    hollow = joined(mesh_of(box(20, 20, 20)), inside_out(mesh_of(box(10, 10, 10, 5, 5, 5))))
    result = review(hollow, PROCESS)
    (cavity,) = named(result, "closed cavity")
    assert cavity.value == pytest.approx(1000)
    (caught,) = named(result, "trapped support")
    assert caught.value == pytest.approx(1000, rel=0.03) and caught.severity == "must fix"


def test_a_low_gap_over_the_plate_is_open_from_below() -> None:
    part = box(30, 30, 3, 0, 0, 1) + box(4, 4, 4)
    result = review(mesh_of(part), replace(PROCESS, pocket_mouth_mm=3.0))
    assert printed(result).support.needed and not named(result, "trapped support")


@given(st.integers(0, 2**32 - 1), st.floats(1.5, 8))
@examples(150)
def test_what_stands_in_the_open_is_never_trapped(seed: int, mouth: float) -> None:
    """The quick look beside the part may leave a column to the probe, but never the other way round."""
    random = np.random.default_rng(seed)
    corners, sizes = random.uniform(-15, 15, (8, 3)), random.uniform(2, 18, (8, 3))
    blocks = [box(*size, x, y, max(z, 0.0)) for size, (x, y, z) in zip(sizes, corners, strict=True)]
    part = Manifold.batch_boolean(blocks[:5], OpType.Add) - Manifold.batch_boolean(blocks[5:], OpType.Add)
    assume(part.volume() >= 100)
    layers = layers_of(mesh_of(part.translate((0, 0, -part.bounding_box()[2]))))
    support = support_under(layers, [(overhang.layer, overhang.region) for overhang in hanging(layers, PROCESS)])
    for_the_probe = trapped._not_beside(layers, support.columns, mouth)
    in_the_open = [column for column in support.columns if column not in for_the_probe]
    heights = trapped._reach(layers, len(layers) - 1, mouth)
    assert not trapped._left(layers, in_the_open, heights, mouth)


def test_support_beside_a_mitred_shoulder_is_settled_by_the_quick_look() -> None:
    part = printed(review_fitting(design(Recipe(), Section.round(25.4, 1.65), mitre_deg=30), PROCESS))
    assert len(part.support.columns) > 20
    assert not trapped._not_beside(part.layers, part.support.columns, PROCESS.pocket_mouth_mm)


def waterline(mesh: Mesh, up: np.ndarray, share: float) -> float:
    return Body.of(mesh, Facets.of(mesh), up).level(share)


@pytest.mark.parametrize("share", [0.1, 0.35, 0.5, 0.9])
def test_the_waterline_of_a_sphere(share: float) -> None:
    # source: volume of a spherical cap, pi h² (3R - h) / 3 (any geometry handbook)
    radius = 10.0
    level = waterline(sphere(radius, 512), np.array([0.0, 0.0, 1.0]), share)
    cap = math.pi * level**2 * (3 * radius - level) / 3
    assert cap == pytest.approx(share * 4 / 3 * math.pi * radius**3, rel=2e-3)
    sideways = waterline(sphere(radius, 512), np.array([1.0, 0.0, 0.0]), share) + radius
    assert sideways == pytest.approx(level, abs=0.02)


@given(st.floats(0.05, 0.95), st.tuples(st.floats(-1, 1), st.floats(-1, 1), st.floats(-1, 1)))
@examples(25)
def test_the_waterline_parts_the_volume_as_the_kernel_does(share: float, way: tuple[float, float, float]) -> None:
    up = np.array(way)
    assume(np.linalg.norm(up) >= 0.1)
    up /= np.linalg.norm(up)
    mesh = common_cap(32).standing()
    solid = mesh.to_manifold()
    above = solid.trim_by_plane(up.tolist(), waterline(mesh, up, share)).volume()
    assert above == pytest.approx((1 - share) * solid.volume(), rel=1e-5)


def test_the_slower_checks_run_when_their_findings_are_asked_for() -> None:
    result = review_fitting(common_cap(64), PROCESS)
    quick = result.known
    assert not result.settled and "orientation" not in {finding.check for finding in quick}
    assert {finding.check for finding in result.findings} - {finding.check for finding in quick} == {
        "more rings instead",
        "thinner layers",
    }
    assert result.settled and result.known == result.findings


def test_a_light_board_floats_flat_and_a_full_one_sinks() -> None:
    # source: Archimedes; a board floats on its broad side (metacentre, any naval architecture handbook)
    board = mesh_of(box(40, 6, 30))
    result = review(board, replace(PROCESS, fill=0.1))
    bath = printed(result).bath
    assert bath is not None and bath.floats and bath.dry_side in ("front", "back")
    assert bath.dry_mm == pytest.approx(6 * (1 - bath.density / PROCESS.bath_density), rel=1e-3)
    full = printed(review(board, replace(PROCESS, fill=1.0))).bath
    # source: the plastic's density in the table, 1.04 or more, over the bath's 1.03
    assert full is not None and not full.floats and full.density > PROCESS.bath_density
    assert printed(review(board, replace(PROCESS, bath="none", support="same material, broken off"))).bath is None


def test_plastic_of_a_box() -> None:
    # source: volumes of boxes: skins of 4 layers and walls of 1.5 mm full, the rest at a quarter
    block = printed(review(mesh_of(box(40, 30, 20)), PROCESS))
    inside = 37 * 27 * (20 - 2 * 4 * 0.25)
    expected = 40 * 30 * 20 - (1 - PROCESS.fill) * inside
    assert block.laid.plastic_mm3 == pytest.approx(expected, rel=1e-4)


def test_plastic_of_a_cone() -> None:
    # source: areas of circles; the layer full_layers above is the smaller one, or the rings' own inside is
    disc = printed(review(mesh_of(Manifold.cylinder(30, 20, 5, circular_segments=256)), PROCESS))
    layers, solid = disc.layers, PROCESS.full_layers
    radii = 20 - 15 * layers.cuts / 30
    open_to_fill = np.minimum(radii[solid:-solid] - PROCESS.rings * PROCESS.bead_mm, radii[2 * solid :])
    open_fill = float(np.sum(math.pi * open_to_fill**2 * layers.heights()[solid:-solid]))
    full = float(np.sum(math.pi * radii**2 * layers.heights()))
    expected = full - (1 - PROCESS.fill) * open_fill
    assert disc.laid.plastic_mm3 == pytest.approx(expected, rel=2e-3)


def test_a_bath_too_shallow_for_any_side() -> None:
    result = review(mesh_of(box(60, 60, 60)), replace(PROCESS, bath_fill_mm=50.0))
    assert named(result, "bath too shallow") and not named(
        review(mesh_of(box(60, 60, 40)), PROCESS), "bath too shallow"
    )


def test_footing_of_a_box() -> None:
    # source: centre of a box; it tips when its centre stands over its edge
    mesh = mesh_of(box(10, 30, 40))
    foot = footing_of(layers_of(mesh), mesh.centre_of_mass)
    assert foot.contact_mm2 == pytest.approx(300)
    assert foot.width_mm == pytest.approx(10)
    assert foot.tip_deg == pytest.approx(math.degrees(math.atan2(5, 20)))
    assert foot.slenderness == pytest.approx(4)


def test_tall_and_tipping_parts_are_named() -> None:
    tall = review(mesh_of(box(4, 4, 60)), PROCESS)
    assert named(tall, "tipping")[0].severity == "look at"
    assert named(tall, "footing")[0].value == pytest.approx(15)
    leaning_over = mesh_of(box(4, 4, 10) + box(30, 4, 4, 0, 0, 6))
    assert named(review(leaning_over, PROCESS), "tipping")[0].severity == "must fix"
    assert not named(review(mesh_of(box(20, 20, 10)), PROCESS), "tipping")


def test_parts_too_large_for_the_plate() -> None:
    process = replace(PROCESS, plate_mm=(240, 190, 170), margin_mm=5)
    (finding,) = named(review(mesh_of(box(240, 20, 10)), process), "too large for the plate")
    assert finding.value == pytest.approx(10) and finding.severity == "must fix"
    assert not named(review(mesh_of(box(20, 230, 10)), process), "too large for the plate")
    assert named(review(mesh_of(box(20, 20, 171)), process), "too large for the plate")


def test_a_flat_crown_is_best_printed_crown_down_and_a_dome_crown_up() -> None:
    """A mushroom head down needs no support at all; a dome head down would be marked by it."""
    flat = printed(review(turned(MUSHROOM, 64), PROCESS, seen_mm=(6.0, 9.0))).orientations
    assert flat.best.name == "upside down" and flat.best.support_mm3 == 0
    dome = printed(review_fitting(common_cap(), PROCESS)).orientations
    assert dome.best.name == "crown up"
    assert [way.name for way in dome.tried][:3] == ["crown up", "crown down", "on the side"]
    low_dome = turned([(0, 0), (6, 0), (6, 8), (10, 8), (10, 11), (5, 13), (0, 13)], 64)
    low = printed(review(low_dome, PROCESS, seen_mm=(8.0, 13.0))).orientations
    assert low.best.name == "as it stands" and "than upside down: support marks less" in low.why


def test_orientations_measure_what_they_say() -> None:
    # source: areas and heights of a cylinder and a disc; support under the disc's rim pi (R² - r²) h
    up, down, side = printed(review(turned(MUSHROOM, 256), PROCESS, seen_mm=(6.0, 9.0))).orientations.tried[:3]
    assert up.support_mm3 == pytest.approx(math.pi * (100 - 16) * 6, rel=0.08)
    assert up.footing_mm2 == pytest.approx(math.pi * 16, rel=1e-3)
    assert down.footing_mm2 == pytest.approx(math.pi * 100, rel=1e-3)
    assert (up.height_mm, down.height_mm) == (9, 9) and side.height_mm == pytest.approx(20, rel=1e-3)


def test_stair_of_ways_up_follows_the_slope() -> None:
    # source: layer height x abs(normal . up) (Dolenc and Mäkelä 1994): a wedge's roof at 30 degrees from level
    roof = mesh_of(Manifold.extrude(CrossSection([np.array([(0, 0), (30, 0), (15, 15 * math.tan(math.pi / 6))])]), 20))
    lying = mesh_of(roof.to_manifold().rotate((90, 0, 0)))
    ways = printed(review(lying, PROCESS)).orientations.tried
    assert ways[0].stair_largest_mm == pytest.approx(0.25 * math.cos(math.pi / 6), rel=1e-6)


def test_a_tent_is_told_to_lie_down() -> None:
    """A slab on edge: the search finds its broad side."""
    slab = mesh_of(box(60, 4, 40))
    result = review(slab, PROCESS)
    best = printed(result).orientations.best
    assert best.height_mm == pytest.approx(4) and best.footing_mm2 == pytest.approx(2400)
    assert named(result, "orientation")[0].severity == "look at"


def test_a_hemisphere_needs_nothing() -> None:
    result = review(hemisphere(10, 64), PROCESS)
    assert not printed(result).support.needed and not named(result, "overhang")
