# SPDX-License-Identifier: GPL-3.0-or-later
"""Roofs of slope one over any polygon, against shapely's offsets taken in small steps and against closed forms.

A roof's layers are what a mitred offset leaves that is taken step by step, as a printer's rings are. Taken at once, a
mitred offset of a spiky outline leaves something else (it loses what a corner that has gone would have spared).
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import shapely
from fitting_cases import angle, hexagon
from hypothesis import assume, given
from hypothesis import strategies as st
from random_cases import examples

from addon.shaping.roofs import is_convex, raised, roof
from addon.shaping.straight_skeleton import hips


def solid_of(polygon: np.ndarray):
    """The roof on walls 1 mm high, as the kernel's solid."""
    over = roof(polygon)
    profile = np.array([(0.0, 0.0), (0.0, 1.0), (over.reach, over.reach + 1.0)])
    return raised(over, profile, "spigot", "lead-in", "tip").closed()


def volume_by_steps(polygon: np.ndarray, reach: float, steps: int = 200) -> float:
    """Under the roof, without the walls: layers of trapezoids, the last one a ridge or a point."""
    step = reach / steps
    layer, areas = shapely.Polygon(polygon), []
    for _ in range(steps + 1):
        areas.append(layer.area)
        layer = layer.buffer(-step, join_style="mitre", mitre_limit=60)
    assert areas[-1] < 1e-3 * areas[0]
    return step * (sum(areas) - (areas[0] + areas[-1]) / 2)


def check(polygon: np.ndarray) -> None:
    solid, reach = solid_of(polygon), roof(polygon).reach
    assert solid.status().name == "NoError"
    assert solid.genus() == 0
    assert len(solid.decompose()) == 1
    under_roof = solid.volume() - shapely.Polygon(polygon).area
    assert under_roof == pytest.approx(volume_by_steps(polygon, reach), rel=2e-4)


def star(points: int, outer: float, inner: float) -> np.ndarray:
    turn = np.arange(2 * points) * np.pi / points
    return np.column_stack([np.cos(turn), np.sin(turn)]) * np.where(np.arange(2 * points) % 2, inner, outer)[:, None]


def comb(teeth: int) -> np.ndarray:
    """Every tooth is as wide as the back, so that all ridges meet at once."""
    points = [(0.0, 0.0)]
    for left in range(10, 20 * teeth, 20):
        points += [(left, 0), (left, -20), (left + 10, -20), (left + 10, 0)]
    return np.array([*points, (20 * teeth + 10, 0), (20 * teeth + 10, 10), (0, 10)], float)


def cross(narrow: float, wide: float) -> np.ndarray:
    arm = np.array([(wide, -narrow), (wide, narrow), (narrow, narrow)])
    turns = [np.array([(1, 0), (0, 1)]), np.array([(0, 1), (-1, 0)]), -np.eye(2), np.array([(0, -1), (1, 0)])]
    return np.concatenate([arm @ turn for turn in turns])


SHAPES = {
    "square": np.array([(0, 0), (20, 0), (20, 20), (0, 20)], float),
    "oblong": np.array([(0, 0), (50, 0), (50, 20), (0, 20)], float),
    "hexagon": hexagon(40),
    "circle": star(40, 20, 20),
    "angle": angle(),
    "angle with fine fillets": angle(steps=24),
    "comb": comb(6),
    "cross": cross(5, 15),
    "long cross": cross(3, 30),
    "star of 5": star(5, 22, 9),
    "star of 12": star(12, 22, 14),
    "shallow star": star(7, 22, 19),
}


@pytest.mark.parametrize("name", SHAPES)
def test_roof_holds_what_its_layers_hold(name: str):
    check(SHAPES[name])


@pytest.mark.parametrize("name", SHAPES)
def test_turned_and_moved_roofs_are_the_same_roofs(name: str):
    turn = np.array([(np.cos(0.3), np.sin(0.3)), (-np.sin(0.3), np.cos(0.3))])
    moved = solid_of(SHAPES[name] @ turn + (100, -70))
    assert moved.volume() == pytest.approx(solid_of(SHAPES[name]).volume(), rel=1e-6)


def test_roof_of_a_square_is_a_pyramid_and_of_an_oblong_a_hip():
    # Source: pyramid a²·h/3 with h = a/2; hip roof h·b·(3l − b)/6 with h = b/2.
    assert solid_of(SHAPES["square"]).volume() - 400 == pytest.approx(400 * 10 / 3)
    assert solid_of(SHAPES["oblong"]).volume() - 1000 == pytest.approx(10 * 20 * (3 * 50 - 20) / 6)


@pytest.mark.parametrize("name", [name for name, polygon in SHAPES.items() if is_convex(polygon)])
def test_both_ways_of_making_a_roof_agree_on_convex_outlines(name: str):
    """The hull of poles and the wavefront know nothing of each other."""
    polygon = SHAPES[name]
    corners, faces = hips(polygon)
    assert corners[:, 2].max() == pytest.approx(roof(polygon).reach, abs=1e-4)
    assert len(faces) == len(polygon)


@examples(20)
@given(st.lists(st.tuples(st.floats(6, 25), st.floats(0.6, 1.4)), min_size=4, max_size=28))
def test_roofs_of_random_outlines(spokes: list[tuple[float, float]]):
    lengths, steps = np.array(spokes).T
    turn = np.cumsum(steps) / steps.sum() * 2 * np.pi
    polygon = np.column_stack([np.cos(turn), np.sin(turn)]) * lengths[:, None]
    # Corners sharper than the mitre limit of the reference, inward ones, are left out.
    along = np.roll(polygon, -1, axis=0) - polygon
    before = np.roll(along, 1, axis=0)
    turned = np.arctan2(before[:, 0] * along[:, 1] - before[:, 1] * along[:, 0], np.einsum("ij,ij->i", before, along))
    assume(turned.min() > -3.0 and shapely.Polygon(polygon).is_valid)
    check(polygon)


@examples(40)
@given(st.lists(st.tuples(*[st.integers(0, 7)] * 2, *[st.integers(2, 7)] * 2), min_size=2, max_size=5))
def test_roofs_of_heaps_of_boxes(boxes: list[tuple[int, int, int, int]]):
    """Many equal widths and corners in line: everything happens at once."""
    heap = shapely.union_all([shapely.box(x, y, x + w, y + h) for x, y, w, h in boxes])
    assume(heap.geom_type == "Polygon" and not heap.interiors)
    outline = np.array(shapely.orient_polygons(shapely.simplify(heap, 1e-9)).exterior.coords)[:-1] * 2.5
    check(outline)


@pytest.mark.parametrize("name", ["angle", "angle with fine fillets"])
def test_a_profile_may_bend_where_the_roof_has_corners(name: str):
    """A corner that lies next to a level is put on it: two in a row then make a level step on a face's way up or down,
    which was once taken for its top."""
    over = roof(SHAPES[name])
    plain = solid_of(SHAPES[name]).volume() - shapely.Polygon(SHAPES[name]).area
    heights = np.unique(over.corners[:, 2].round(3))
    between = heights[(heights > over.together) & (heights < over.reach - 2 * over.together)]
    assert len(between) >= 6
    for height, off in product(between, (0.0, 0.3 * over.together, -0.6 * over.together)):
        profile = np.array([(0.0, 0.0), (height + off, height), (over.reach, over.reach)])
        solid = raised(over, profile, "crown", "crown", "crown").closed()
        assert solid.status().name == "NoError"
        assert solid.volume() == pytest.approx(plain, rel=1e-4)


def test_a_top_whose_parts_touch_in_a_corner():
    """An hourglass cut where its waist has just closed: two tops that share a corner."""
    polygon = np.array([(-20, -20), (20, -20), (5, 0), (20, 20), (-20, 20), (-5, 0)], float)
    waist = shapely.Polygon(polygon)
    inset = 5 * 20 / 25  # from the middle to the sides, whose slopes are those of a 3-4-5 triangle
    shell = raised(roof(polygon), np.array([(0.0, 0.0), (inset, inset)]), "crown", "crown", "crown")
    solid = shell.closed()
    left = waist.buffer(-inset, join_style="mitre", mitre_limit=60)
    assert solid.status().name == "NoError"
    assert solid.slice(inset - 1e-6).area() == pytest.approx(left.area, rel=1e-4)
    assert len(raised(roof(polygon), np.array([(0.0, 0.0), (inset, inset)]), "crown", "crown", None).loops) == 3


def test_the_point_farthest_inside_is_never_in_a_waist():
    """An hourglass has two, and their middle is where it is narrowest; an oblong has a ridge of them."""
    hourglass = np.array([(-20, -20), (20, -20), (5, 0), (20, 20), (-20, 20), (-5, 0)], float)
    over = roof(hourglass)
    assert abs(over.deepest[1]) == pytest.approx(20 - over.reach, abs=1e-3)
    assert roof(SHAPES["oblong"]).deepest == pytest.approx((25, 10), abs=1e-3)


def test_an_outline_that_crosses_itself_is_told():
    with pytest.raises(ValueError, match="crosses itself"):
        roof(np.array([(0, 0), (30, 20), (30, 0), (0, 20), (-5, 10)], float))


def test_a_busy_outline():
    """Knurled, 700 corners, half of them inward."""
    turn = np.linspace(0, 2 * np.pi, 700, endpoint=False)
    check(np.column_stack([np.cos(turn), np.sin(turn)]) * (20 + 1.5 * np.sin(12 * turn))[:, None])
