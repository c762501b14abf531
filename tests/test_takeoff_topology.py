# SPDX-License-Identifier: GPL-3.0-or-later
"""How triangles hang together, against numpy, scipy's graphs and brute force."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from manifold3d import Manifold
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from addon.geometry import topology
from addon.geometry.boxes import BoxTree
from addon.geometry.mesh import Mesh
from addon.takeoff.surface import read_surface

seeds = st.integers(0, 2**32 - 1)


@given(seeds, st.integers(0, 300), st.sampled_from([np.float32, np.float64]))
def test_welding_agrees_with_numpy_unique(seed, count, kind):
    rng = np.random.default_rng(seed)
    points = rng.integers(-3, 3, (count, 3)).astype(kind).astype(float) * 0.1
    groups = rng.integers(0, 2, count)
    first, inverse = topology.weld(points, groups)
    assert (points[first][inverse] == points).all() and (groups[first][inverse] == groups).all()
    assert len(first) == len(np.unique(np.column_stack([points, groups]) + 0.0, axis=0))


def test_welding_survives_points_that_share_a_hash(monkeypatch):
    monkeypatch.setattr(topology, "_MIX", np.zeros(4, np.uint64))
    points = np.random.default_rng(0).integers(0, 3, (200, 3)).astype(float)
    first, inverse = topology.weld(points, np.zeros(200, int))
    assert (points[first][inverse] == points).all()
    assert len(first) == len(np.unique(points, axis=0))


def test_minus_zero_and_zero_are_one_point():
    assert len(topology.weld(np.array([[0.0, -0.0, 1.0], [-0.0, 0.0, 1.0]]), np.zeros(2, int))[0]) == 1


@given(seeds, st.integers(1, 60), st.integers(0, 90))
def test_components_agree_with_scipy(seed, count, links):
    rng = np.random.default_rng(seed)
    a, b = rng.integers(0, count, (2, links))
    labels = topology.components(count, a, b)
    _, expected = connected_components(coo_array((np.ones(links), (a, b)), shape=(count, count)), directed=False)
    assert (labels == [np.flatnonzero(expected == label)[0] for label in expected]).all()


@given(seeds, st.integers(0, 80))
def test_loops_follow_the_permutation(seed, count):
    following = np.random.default_rng(seed).permutation(count)
    order, begins = topology.loops(following)
    assert sorted(order) == list(range(count))
    for begin, end in pairwise(begins):
        loop = order[begin:end]
        assert (following[loop] == np.roll(loop, -1)).all()


@pytest.mark.timeout(20)
def test_loops_come_back_from_what_is_no_permutation_too():
    for count in range(1, 80):
        order, begins = topology.loops(np.random.default_rng(count).integers(0, count, count))
        assert sorted(order) == list(range(count))
        assert (begins[0], begins[-1]) == (0, count)


@pytest.mark.timeout(20)
@pytest.mark.parametrize("seed", range(10))
def test_borders_of_a_ball_with_faces_missing_are_closed_chains_and_all_of_them_are_needed(seed):
    rng = np.random.default_rng(seed)
    ball = Mesh.from_manifold(Manifold.sphere(10, 8))
    triangles = ball.triangles[rng.random(len(ball.triangles)) < 0.8].astype(np.int64)
    twins = topology.edges(triangles, len(ball.vertices)).twins
    border = rng.permutation(np.flatnonzero(twins < 0))
    order, begins = topology.borders(twins, border)
    assert sorted(order) == sorted(border)
    start, end = triangles.ravel(), triangles[:, [1, 2, 0]].ravel()
    for begin, stop in pairwise(begins):
        assert (end[order[begin:stop]] == start[np.roll(order[begin:stop], -1)]).all()
    with pytest.raises(ValueError, match="leaves out half-edges"):
        topology.borders(twins, border[1:])


@given(seeds, st.integers(1, 40), st.integers(1, 12))
def test_the_box_tree_finds_what_trying_every_pair_finds(seed, boxes, queries):
    """Boxes that neither the upright axes nor the turned ones separate; source: the separating axis theorem."""
    rng = np.random.default_rng(seed)
    low = rng.uniform(-10, 10, (boxes, 3))
    high = low + rng.uniform(0, 4, (boxes, 3))
    axes = np.array([np.linalg.qr(rng.normal(size=(3, 3)))[0] for _ in range(queries)])
    origins = rng.uniform(-10, 10, (queries, 3))
    half = rng.uniform(0.1, 6, (queries, 3))
    query, box = BoxTree.of(low, high).near(origins, axes, -half, half)
    pairs = set(zip(query.tolist(), box.tolist(), strict=True))
    corners = np.array(np.meshgrid(*[[0, 1]] * 3)).reshape(3, -1).T
    for q in range(queries):
        for b in range(boxes):
            local = (low[b] + corners * (high[b] - low[b]) - origins[q]) @ axes[q].T
            apart = (local.max(axis=0) < -half[q]) | (local.min(axis=0) > half[q])
            turned = origins[q] + ((2 * corners - 1) * half[q]) @ axes[q]
            apart = (apart | (turned.max(axis=0) < low[b]) | (turned.min(axis=0) > high[b])).any()
            assert ((q, b) in pairs) != apart


def cube(at, size=10.0) -> Mesh:
    return Mesh.from_manifold(Manifold.cube((size,) * 3).translate(at))


def soup(*meshes: Mesh) -> Mesh:
    corners = np.concatenate([mesh.corners for mesh in meshes])
    return Mesh(corners.reshape(-1, 3), np.arange(3 * len(corners)).reshape(-1, 3).astype(np.int32), "soup")


@pytest.mark.parametrize("at", [(10, 0, 0), (10, 10, 0)], ids=["a whole face", "one edge"])
@pytest.mark.parametrize("inside_out", [False, True])
def test_cubes_that_touch_stay_two_bodies(at, inside_out):
    both = soup(cube((0, 0, 0)), cube(at))
    if inside_out:
        both = Mesh(both.vertices, both.triangles[:, ::-1], "soup")
    surface = read_surface([both])
    assert len(surface.body_names) == 2
    assert surface.body_closed.all()
    assert np.bincount(surface.bodies).tolist() == [12, 12]
    # Normals point out of the material.
    outward = surface.vertices[surface.triangles].mean(axis=1)
    for body in (0, 1):
        faces = surface.bodies == body
        middle = outward[faces].mean(axis=0)
        assert (np.einsum("ij,ij->i", outward[faces] - middle, surface.normals[faces]) > 0).all()


def test_a_cavity_belongs_to_its_body():
    hollow = Manifold.cube((10, 10, 10)) - Manifold.cube((4, 4, 4)).translate((3, 3, 3))
    surface = read_surface([Mesh.from_manifold(hollow, "box")])
    assert surface.body_names == ("box",)
    assert not surface.notes


@given(seeds)
def test_mixed_winding_is_put_right(seed):
    rng = np.random.default_rng(seed)
    mesh = Mesh.from_manifold(Manifold.sphere(10, 16), "ball")
    turned = rng.random(len(mesh.triangles)) < 0.4
    mixed = Mesh(mesh.vertices, np.where(turned[:, None], mesh.triangles[:, ::-1], mesh.triangles), "ball")
    surface = read_surface([mixed])
    middles = surface.vertices[surface.triangles].mean(axis=1)
    assert (np.einsum("ij,ij->i", middles, surface.normals) > 0).all()


def test_edges_split_on_one_side_only_are_closed():
    corners = cube((0, 0, 0)).corners
    a, b, c = corners[0]
    middle = (a + b) / 2
    split = np.concatenate([corners[1:], [[a, middle, c], [middle, b, c]]])
    surface = read_surface([Mesh(split.reshape(-1, 3), np.arange(39).reshape(-1, 3).astype(np.int32))])
    assert surface.body_closed.all()
    assert len(surface.body_names) == 1


def test_vertices_torn_apart_by_rounding_are_welded():
    mesh = cube((1000, 2000, 500))
    torn = mesh.corners + np.random.default_rng(2).uniform(-1e-4, 1e-4, (12, 3, 3))
    surface = read_surface([Mesh(torn.reshape(-1, 3), np.arange(36).reshape(-1, 3).astype(np.int32))])
    assert len(surface.vertices[np.unique(surface.triangles)]) == 8
    assert surface.body_closed.all()
