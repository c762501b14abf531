# SPDX-License-Identifier: GPL-3.0-or-later
"""Meshes that are no solids: what is said of them, what is repaired, and that nothing crashes or hangs."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from manifold3d import Error, Manifold
from random_cases import examples
from review_shapes import PROCESS, common_cap, cylinder, hemisphere, inside_out, joined
from test_review_overhangs import box, mesh_of, named

from addon.geometry.mesh import Mesh
from addon.review import Review, UnreadableMeshError, repair, review
from addon.review.crossings import MOST_TRIANGLES, crossings
from addon.review.solids import solid_of

BALL = mesh_of(Manifold.sphere(8, 48))
CUBE = mesh_of(box(10, 10, 10))


def checks(result: Review) -> set[str]:
    return {finding.check for finding in result.findings}


def moved(mesh: Mesh, x: float, y: float = 0.0, z: float = 0.0) -> Mesh:
    return Mesh(mesh.vertices + np.array([x, y, z]), mesh.triangles)


def soup(mesh: Mesh) -> Mesh:
    return Mesh(mesh.corners.reshape(-1, 3), np.arange(3 * len(mesh.triangles), dtype=np.int32).reshape(-1, 3))


def scaled(mesh: Mesh, factor: float) -> Mesh:
    return Mesh(mesh.vertices * factor, mesh.triangles)


def test_sound_meshes_are_left_alone() -> None:
    for mesh in (CUBE, BALL, common_cap().standing()):
        result = review(mesh, PROCESS)
        assert result.watertight and result.integrity.crossing == 0 and len(result.integrity.shells) == 1
        mended, notes = repair(mesh)
        assert notes == () and mended.volume == pytest.approx(mesh.volume, rel=1e-9)


def test_a_triangle_soup_is_joined_and_reviewed() -> None:
    result = review(soup(BALL), PROCESS)
    assert result.watertight and result.printed is not None
    (finding,) = named(result, "repaired for the review")
    assert finding.severity == "good to know"
    assert result.mesh.volume == pytest.approx(BALL.volume, rel=1e-9)


def test_a_lost_face_is_closed_and_a_missing_side_is_not() -> None:
    lost = Mesh(BALL.vertices, BALL.triangles[:-1])
    result = review(lost, PROCESS)
    assert result.watertight and named(result, "repaired for the review")[0].severity == "look at"
    # source: volume of the whole mesh
    assert result.mesh.volume == pytest.approx(BALL.volume, rel=1e-9)
    # A tube with open ends stays open: closing it would be a guess.
    open_tube = trimesh.creation.cylinder(5, 20)
    sides = np.abs(open_tube.face_normals[:, 2]) < 0.5
    result = review(Mesh(np.array(open_tube.vertices), np.array(open_tube.faces[sides], np.int32)), PROCESS)
    assert not result.watertight and result.printed is None
    (finding,) = named(result, "open edges")
    assert finding.severity == "must fix" and finding.position_mm is not None
    assert "too large for the plate" not in checks(result)


def test_flipped_faces_and_inside_out_meshes_are_turned() -> None:
    flipped = BALL.triangles.copy()
    flipped[7:19] = flipped[7:19, ::-1]
    result = review(Mesh(BALL.vertices, flipped), PROCESS)
    assert result.watertight and "wound against" in named(result, "repaired for the review")[0].meaning
    result = review(inside_out(BALL), PROCESS)
    assert result.watertight and result.mesh.volume == pytest.approx(BALL.volume, rel=1e-9)
    assert "inside out" in named(result, "repaired for the review")[0].meaning


def test_faces_that_lie_twice_or_have_no_area() -> None:
    doubled = Mesh(BALL.vertices, np.concatenate([BALL.triangles, BALL.triangles[:5]]))
    assert review(doubled, PROCESS).watertight
    # A vertex on an edge: two faces with area and one without.
    a, b, c = CUBE.triangles[0].tolist()
    middle = (CUBE.vertices[a] + CUBE.vertices[b]) / 2
    extra = len(CUBE.vertices)
    faces = np.concatenate([CUBE.triangles[1:], [(a, extra, c), (extra, b, c), (a, b, extra)]]).astype(np.int32)
    result = review(Mesh(np.vstack([CUBE.vertices, middle]), faces), PROCESS)
    assert result.watertight and named(result, "faces without area")[0].value == 1
    assert result.mesh.volume == pytest.approx(1000)


def test_two_bodies_overlapping_nested_and_apart() -> None:
    # source: volumes of boxes
    overlapping = review(joined(CUBE, moved(CUBE, 5, 5)), PROCESS)
    assert named(overlapping, "overlapping bodies")[0].value == pytest.approx(250)
    assert overlapping.integrity.crossing and "self-crossing" not in checks(overlapping)
    assert overlapping.printed is not None and overlapping.printed.layers.volume == pytest.approx(1750)
    nested = review(joined(CUBE, moved(scaled(CUBE, 0.2), 4, 4, 4)), PROCESS)
    assert named(nested, "overlapping bodies")[0].value == pytest.approx(8)
    apart = review(joined(CUBE, moved(CUBE, 20)), PROCESS)
    assert named(apart, "loose bodies")[0].value == 2 and "overlapping bodies" not in checks(apart)
    touching = review(joined(CUBE, moved(CUBE, 10, 3)), PROCESS)
    assert touching.integrity.crossing == 0


def test_cavities_are_told_from_bodies() -> None:
    result = review(joined(CUBE, moved(inside_out(scaled(CUBE, 0.2)), 4, 4, 4)), PROCESS)
    assert result.integrity.bodies == 1 and result.integrity.cavities[0].volume_mm3 == pytest.approx(-8)
    assert "loose bodies" not in checks(result) and "closed cavity" in checks(result)


def test_a_surface_that_passes_through_itself_is_named() -> None:
    vertices = BALL.vertices.copy()
    top = int(np.argmax(vertices[:, 2]))
    vertices[top, 2] = -30.0  # the pole pulled out through the other side
    result = review(Mesh(vertices, BALL.triangles), PROCESS)
    (finding,) = named(result, "self-crossing")
    assert finding.severity == "must fix" and finding.position_mm is not None
    assert result.printed is not None


@given(st.tuples(*[st.floats(-12, 12)] * 3), st.tuples(*[st.floats(0, 360)] * 3))
@examples(40)
def test_crossings_are_found_where_the_kernel_finds_a_common_volume(
    shift: tuple[float, float, float], turn: tuple[float, float, float]
) -> None:
    """source: two convex bodies cross where they overlap and neither holds the other (the kernel's boolean)"""
    a, b = box(10, 10, 10, -5, -5, -5), Manifold.cylinder(12, 4, circular_segments=24).rotate(turn).translate(shift)
    common = (a ^ b).volume()
    result = crossings(joined(mesh_of(a), mesh_of(b)))
    assert result is not None
    if common > 0.01 and common < 0.999 * min(a.volume(), b.volume()):
        assert len(result.pairs)
    if common == 0:
        assert not len(result.pairs)


@pytest.mark.once
def test_crossings_match_brute_force_face_by_face() -> None:
    """source: brute force over all pairs by segment and triangle, on a small mesh"""
    a = mesh_of(Manifold.sphere(5, 8))
    mesh = joined(a, moved(a, 3.1, 1.7, 0.9))
    result = crossings(mesh)
    assert result is not None
    pairs = {tuple(sorted(pair)) for pair in result.pairs.tolist()}
    brute = set()
    corners = mesh.corners
    for i in range(len(a.triangles)):
        for j in range(len(a.triangles), len(mesh.triangles)):
            if _cross(corners[i], corners[j]) or _cross(corners[j], corners[i]):
                brute.add((i, j))
    assert pairs == brute and len(pairs) > 20


def _cross(edges: np.ndarray, face: np.ndarray) -> bool:
    """Whether an edge of one triangle goes through another: Möller and Trumbore, J. Graphics Tools 2(1), 1997."""
    e1, e2 = face[1] - face[0], face[2] - face[0]
    for side in range(3):
        start, way = edges[side], edges[(side + 1) % 3] - edges[side]
        p = np.cross(way, e2)
        det = e1 @ p
        if abs(det) < 1e-12:
            continue
        t = start - face[0]
        u, q = (t @ p) / det, np.cross(t, e1)
        v, along = (way @ q) / det, (e2 @ q) / det
        if u >= 0 and v >= 0 and u + v <= 1 and 0 <= along <= 1:
            return True
    return False


def test_arrays_that_are_no_mesh_are_refused() -> None:
    triangle = np.array([(0, 1, 2)], np.int32)
    for vertices, faces, word in (
        (np.zeros((0, 3)), np.zeros((0, 3), int), "no faces"),
        (np.zeros((3, 3)), np.zeros((0, 3), int), "no faces"),
        (np.zeros((3, 2)), triangle, "three columns"),
        (np.zeros((3, 3)), np.array([(0, 1, 2, 2)]), "three columns"),
        (np.zeros((2, 3)), triangle, "not there"),
        (np.zeros((3, 3)), np.array([(0, -1, 2)]), "not there"),
    ):
        for refused in (
            lambda v=vertices, f=faces: review(Mesh(v, f), PROCESS),
            lambda v=vertices, f=faces: repair(Mesh(v, f)),
        ):
            with pytest.raises(UnreadableMeshError, match=word):
                refused()


def test_numbers_that_are_none_are_named() -> None:
    vertices = BALL.vertices.copy()
    vertices[5, 1] = np.nan
    result = review(Mesh(vertices, BALL.triangles), PROCESS)
    (finding,) = named(result, "broken coordinates")
    assert finding.severity == "must fix" and finding.value == np.count_nonzero((BALL.triangles == 5).any(axis=1))
    with pytest.raises(UnreadableMeshError, match="sound corners"):
        review(Mesh(np.full_like(BALL.vertices, np.nan), BALL.triangles), PROCESS)
    infinite = BALL.vertices.copy()
    infinite[0] = np.inf
    assert review(Mesh(infinite, BALL.triangles), PROCESS).findings


@pytest.mark.parametrize("name", ["one triangle", "a plane", "a line", "a point", "no thickness"])
def test_meshes_without_a_volume(name: str) -> None:
    flat = CUBE.vertices.copy()
    if name == "a plane":
        flat[:, 2] = 0
    elif name == "a line":
        flat[:, 1:] = 0
    elif name == "a point":
        flat[:] = 1
    elif name == "no thickness":
        flat[:, 0] = 0
    result = review(Mesh(flat, CUBE.triangles[:1] if name == "one triangle" else CUBE.triangles), PROCESS)
    assert result.findings and result.printed is None
    assert any(finding.severity == "must fix" for finding in result.findings)


@pytest.mark.parametrize("factor", [1e-6, 1e-3, 1e3, 1e6])
def test_micrometres_and_kilometres_are_said_to_be_a_wrong_unit(factor: float) -> None:
    for mesh in (CUBE, common_cap(32).standing(), hemisphere(10, 32)):
        result = review(scaled(mesh, factor), PROCESS)
        (finding,) = named(result, "layers")
        assert finding.severity == "must fix" and "unit" in finding.meaning + finding.advice
        assert bool(named(result, "too large for the plate")) == (factor > 1)


def test_large_and_small_parts_that_can_be_printed() -> None:
    big = review(
        scaled(mesh_of(cylinder(10, 20, 32)), 10), replace(PROCESS, layer_mm=1.0, first_layer_mm=1.0, bead_mm=1.0)
    )
    assert big.printed is not None and len(big.printed.layers) == 200
    small = review(scaled(CUBE, 0.05), PROCESS)
    assert small.printed is not None and len(small.printed.layers) == 2


@pytest.mark.once
def test_hundreds_of_thousands_of_triangles() -> None:
    """Under half a minute on any machine; nothing is said of crossings, and that is said."""
    dense = Mesh.from_manifold(Manifold.sphere(10, 800))
    assert len(dense.triangles) > MOST_TRIANGLES
    start = time.perf_counter()
    result = review(dense, PROCESS)
    assert result.printed is not None and result.watertight and result.integrity.crossing is None
    assert named(result, "crossings not looked for")
    assert time.perf_counter() - start < 30


def test_thousands_of_bodies_and_layers_do_not_hang() -> None:
    grid = joined(*(moved(scaled(CUBE, 0.1), 2 * x, 2 * y) for x in range(20) for y in range(20)))
    start = time.perf_counter()
    result = review(grid, replace(PROCESS, layer_mm=0.05, first_layer_mm=0.05))
    assert named(result, "loose bodies")[0].value == 400
    review(mesh_of(box(3, 3, 280)), replace(PROCESS, layer_mm=0.05, first_layer_mm=0.05))
    assert time.perf_counter() - start < 60


@given(
    arrays(np.float64, (8, 3), elements=st.floats(width=32)),
    arrays(np.int32, st.tuples(st.integers(0, 14), st.just(3)), elements=st.integers(-1, 8)),
)
@examples(150)
def test_any_arrays_get_findings_or_a_clear_refusal(vertices: np.ndarray, faces: np.ndarray) -> None:
    for work in (lambda mesh: review(mesh, PROCESS), repair):
        try:
            work(Mesh(vertices, faces))
        except UnreadableMeshError as refusal:
            assert str(refusal)


@given(
    arrays(np.float64, (8, 3), elements=st.floats(-1, 1)),
    st.floats(0.01, 50),
    st.booleans(),
)
@examples(80)
def test_any_distorted_box_is_reviewed(shifts: np.ndarray, size: float, turned_over: bool) -> None:
    """Boxes whose corners have moved anywhere: crossing, flat, inside out."""
    mesh = Mesh(
        (mesh_of(box(1, 1, 1)).vertices + shifts) * size,
        CUBE.triangles[:, ::-1].copy() if turned_over else CUBE.triangles,
    )
    result = review(mesh, PROCESS)
    assert result.findings
    for finding in result.findings:
        assert finding.meaning and finding.advice and finding.severity
        assert finding.value is None or np.isfinite(finding.value)
        assert finding.position_mm is None or np.isfinite(finding.position_mm).all()


@given(st.integers(0, 10_000), st.integers(1, 40))
@examples(40)
def test_any_damage_is_repaired_or_named(seed: int, faces: int) -> None:
    """Faces lost, turned or doubled at random: the repaired mesh has the ball's volume, or openings are named."""
    random = np.random.default_rng(seed)
    ball = mesh_of(Manifold.sphere(8, 24))
    triangles = ball.triangles.copy()
    picked = random.choice(len(triangles), faces, replace=False)
    triangles[picked[::3]] = triangles[picked[::3], ::-1]
    triangles = np.concatenate([np.delete(triangles, picked[1::3], axis=0), triangles[picked[2::3]]])
    mended, _ = repair(Mesh(ball.vertices, triangles))
    if solid_of(mended).status() == Error.NoError:
        assert mended.volume == pytest.approx(ball.volume, rel=0.01)
    else:
        assert named(review(Mesh(ball.vertices, triangles), PROCESS), "open edges")
