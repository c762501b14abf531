# SPDX-License-Identifier: GPL-3.0-or-later
"""The print review beside the kernel alone, trimesh and shapely on the same mesh, and how it grows with its size."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import shapely
import trimesh
from manifold3d import Manifold

from addon.families.cap import Recipe, design
from addon.families.fitting import Fitting
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.review import review, review_fitting
from addon.review.facets import Facets
from addon.review.layers import Layers, cut_layers
from addon.review.overhangs import carried_step, hanging
from addon.review.thickness import surface_points, thickness_at
from addon.shaping.features import Grooves
from addon.trade.processes import process_named

from .fitting import PREVIEW_FACETS

PROCESS = process_named("Dissolved support, 0.25 mm layers")
TARGET_MS = 50.0


def run() -> list[str]:
    fitting = _cap(PREVIEW_FACETS)
    mesh = fitting.standing()
    return [
        f"a round cap of 25.4 mm, {len(mesh.triangles)} triangles, {len(_layers(mesh))} layers",
        *_slicing(mesh),
        *_slicing(_sphere(10.0, PREVIEW_FACETS), "a sphere, no two layers alike"),
        *_overhangs(mesh),
        *_thickness(mesh),
        *_whole(fitting),
        *_growth(),
    ]


def _cap(facets: int) -> Fitting:
    recipe = Recipe(spigot_mm=8.0, groove=Grooves(width_mm=3.175, depth_mm=2.0), rise_mm=12.0, crown="low dome")
    return design(recipe, Section.round(25.4, 3.175), facets=facets)


def _sphere(radius: float, facets: int) -> Mesh:
    return Mesh.from_manifold(Manifold.sphere(radius, facets).translate((0, 0, radius)))


def _layers(mesh: Mesh) -> Layers:
    return cut_layers(mesh.to_manifold(), Facets.of(mesh), PROCESS)


def _slicing(mesh: Mesh, what: str = "the cap") -> list[str]:
    solid, facets, cuts = mesh.to_manifold(), Facets.of(mesh), _layers(mesh).cuts.tolist()
    other = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    ours, raw = _turn_about(
        lambda: cut_layers(solid, facets, PROCESS), lambda: [solid.slice(z) for z in cuts], times=40
    )
    (theirs,) = _turn_about(
        lambda: [
            section.area for section in other.section_multiplane([0, 0, 0], [0, 0, 1], cuts) if section is not None
        ],
        times=3,
    )
    return [
        f"slicing with areas, {what}: {ours:.2f} ms; {ours / raw:.2f} times the kernel's slices alone (at most 1.3), "
        f"{theirs / ours:.0f} times faster than trimesh (at least 20)"
    ]


def _overhangs(mesh: Mesh) -> list[str]:
    layers = _layers(mesh)
    polygons = [shapely.Polygon(layers.outline(layer).to_polygons()[0]) for layer in range(len(layers))]
    reach = carried_step(layers, 1, PROCESS.overhang_deg)
    ours, theirs = _turn_about(
        lambda: hanging(layers, PROCESS),
        lambda: [polygon.difference(below.buffer(reach)).area for below, polygon in pairwise(polygons)],
        times=20,
    )
    return [f"overhangs of all layers: {ours:.2f} ms; {theirs / ours:.0f} times faster than shapely (at least 10)"]


def _thickness(mesh: Mesh) -> list[str]:
    solid = mesh.to_manifold()
    points, inward = surface_points(mesh, Facets.of(mesh), 200)
    other = trimesh.Trimesh(mesh.vertices, mesh.triangles, process=False)
    ours, theirs = _turn_about(
        lambda: thickness_at(solid, points, inward),
        lambda: trimesh.proximity.thickness(other, points, exterior=False, normals=-inward, method="ray"),
        times=2,
    )
    return [
        f"wall thickness at {len(points)} places: {ours:.2f} ms; {theirs / ours:.0f} times faster than trimesh's rays "
        "(at least 10)"
    ]


def _whole(fitting: Fitting) -> list[str]:
    """While a number is dragged the quick checks run, at rest all."""
    mitred = design(fitting.recipe, fitting.section, mitre_deg=30.0, facets=PREVIEW_FACETS)
    quick, quick_mitred, whole, whole_mitred, mesh = _turn_about(
        lambda: review_fitting(fitting, PROCESS),
        lambda: review_fitting(mitred, PROCESS),
        lambda: review_fitting(fitting, PROCESS).findings,
        lambda: review_fitting(mitred, PROCESS).findings,
        lambda: review(fitting.standing(), PROCESS).findings,
        times=15,
    )
    return [
        f"what runs while a number is dragged: the cap {quick:.1f} ms, mitred by 30° {quick_mitred:.1f} ms "
        f"(under {TARGET_MS:.0f})",
        f"whole review of the cap: {whole:.1f} ms (under {TARGET_MS:.0f}), mitred by 30° {whole_mitred:.1f} ms; as a "
        f"mesh of unknown make, looked through for crossings: {mesh:.1f} ms",
    ]


def _growth() -> list[str]:
    layer_counts, by_layers = [], []
    for layer in (0.4, 0.2, 0.1, 0.05):
        process = replace(PROCESS, layer_mm=layer, first_layer_mm=layer)
        fitting = _cap(PREVIEW_FACETS)
        review = review_fitting(fitting, process)
        assert review.printed is not None
        layer_counts.append(len(review.printed.layers))
        by_layers += _turn_about(lambda f=fitting, p=process: review_fitting(f, p).findings, times=3)  # type: ignore[misc]
    triangle_counts, by_triangles = [], []
    for facets in (32, 64, 128, 256):
        fitting = _cap(facets)
        triangle_counts.append(len(fitting.mesh.triangles))
        by_triangles += _turn_about(lambda f=fitting: review_fitting(f, PROCESS).findings, times=3)  # type: ignore[misc]
    return [
        f"growth with layers, {layer_counts[0]} to {layer_counts[-1]}: {by_layers[0]:.0f} to {by_layers[-1]:.0f} ms, "
        f"exponent {_exponent(layer_counts, by_layers):.2f}",
        f"growth with triangles, {triangle_counts[0]} to {triangle_counts[-1]}: {by_triangles[0]:.0f} to "
        f"{by_triangles[-1]:.0f} ms, exponent {_exponent(triangle_counts, by_triangles):.2f}",
    ]


def _turn_about(*works: Callable[[], object], times: int) -> list[float]:
    """The best time of each in ms, taken in turn so that what else the machine does strikes all alike."""
    best = [math.inf] * len(works)
    for _ in range(times):
        for index, work in enumerate(works):
            start = time.perf_counter()
            work()
            best[index] = min(best[index], (time.perf_counter() - start) * 1000)
    return best


def _exponent(sizes: Sequence[float], times: Sequence[float]) -> float:
    """Slope of the times over the sizes, both as logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(times), 1)[0])
