# SPDX-License-Identifier: GPL-3.0-or-later
"""Solids for the tests of the review: the cap of common practice, and simple ones of known measure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from manifold3d import CrossSection, Manifold
from recipes import recipe_of

from addon.families.cap import design
from addon.families.fitting import Fitting
from addon.geometry.mesh import Mesh, together
from addon.geometry.sections import Section
from addon.review.facets import Facets
from addon.review.layers import Layers, cut_layers
from addon.trade.processes import Process, process_named

PROCESS = replace(
    process_named("Dissolved support, 0.25 mm layers"),
    name="Test",
    layer_mm=0.25,
    first_layer_mm=0.25,
    bead_mm=0.5,
    bead_min_mm=0.45,
    bead_max_mm=0.8,
    rings=3,
    overhang_deg=45.0,
    bridge_mm=6.0,
    pocket_mouth_mm=3.0,
)
"""0.25 mm layers and 0.5 mm beads, as in the cap of common practice."""


def common_cap(facets: int | None = 64) -> Fitting:
    """A cap for 1 in x 1/8 in tube: hemisphere, 8 mm spigot, groove 1/8 in wide and 2 mm deep at mid-spigot, 0.5 mm
    lead-in (common practice, no source), its groove square."""
    recipe = recipe_of(groove_width_mm=3.175, groove_depth_mm=2.0, groove_roof="square")
    return design(recipe, Section.round(25.4, 3.175), facets=facets)


def turned(profile: list[tuple[float, float]], facets: int = 256) -> Mesh:
    """The solid of a profile (radius, height) turned about z."""
    return Mesh.from_manifold(Manifold.revolve(CrossSection([np.array(profile, float)]), facets))


def cylinder(radius: float, height: float, facets: int = 256) -> Manifold:
    return Manifold.cylinder(height, radius, circular_segments=facets)


def sphere(radius: float, facets: int = 256) -> Mesh:
    """A sphere on the plate, turned, its corners on the true surface."""
    angles = np.linspace(-np.pi / 2, np.pi / 2, facets // 2 + 1)
    points = np.column_stack([radius * np.cos(angles), radius + radius * np.sin(angles)])
    points[0], points[-1] = (0, 0), (0, 2 * radius)
    return turned([(float(x), float(y)) for x, y in points], facets)


def hemisphere(radius: float, facets: int = 512) -> Mesh:
    """A hemisphere, flat side on the plate."""
    angles = np.linspace(0, np.pi / 2, facets // 2 + 1)
    points = [(0.0, 0.0), *((radius * float(np.cos(a)), radius * float(np.sin(a))) for a in angles[:-1]), (0.0, radius)]
    return turned(points, facets)


def joined(*meshes: Mesh) -> Mesh:
    """Meshes as bodies of one."""
    return together(meshes)


def inside_out(mesh: Mesh) -> Mesh:
    return Mesh(mesh.vertices, mesh.triangles[:, ::-1].copy())


def layers_of(mesh: Mesh, process: Process = PROCESS) -> Layers:
    return cut_layers(mesh.to_manifold(), Facets.of(mesh), process)


def mushroom_with_pocket() -> Mesh:
    """An overhang, a thin wall, and a pocket with a narrow mouth, on a foot too small."""
    cup = cylinder(12, 30) - cylinder(11.7, 20).translate((0, 0, 5)) - cylinder(1, 10).translate((0, 0, 22))
    return Mesh.from_manifold(cup + cylinder(20, 4).translate((0, 0, 30)) - cylinder(3, 2).translate((0, 0, 32)))


def odd_parts() -> list[Mesh]:
    """Parts with all that a printer has to look for."""
    table = (
        Manifold.cube((60, 8, 3)).translate((0, 0, 12))
        + Manifold.cube((8, 8, 12))
        + Manifold.cube((8, 8, 12)).translate((52, 0, 0))
    )
    slotted = Manifold.cube((20, 20, 6)) - Manifold.cube((20, 0.3, 9)).translate((0, 10, 1))
    hollow = Manifold.cube((20, 20, 20)) - Manifold.cube((8, 8, 8)).translate((6, 6, 6))
    return [
        mushroom_with_pocket(),
        Mesh.from_manifold(table),
        Mesh.from_manifold(slotted),
        Mesh.from_manifold(hollow),
        Mesh.from_manifold(Manifold.cube((700, 20, 10.1))),
        Mesh.from_manifold(Manifold.cube((2, 2, 150))),
        Mesh.from_manifold(Manifold.cube((10, 10, 0.01))),
        turned([(0, 0), (3, 0), (20, 30), (0, 30)]),
        joined(Mesh.from_manifold(Manifold.cube((9, 9, 9))), Mesh.from_manifold(Manifold.cube((9, 9, 8)))),
    ]


def broken_parts() -> list[Mesh]:
    """Meshes that are no solids, each in another way."""
    ball = Mesh.from_manifold(Manifold.sphere(8, 24))
    cube = Mesh.from_manifold(Manifold.cube((10, 10, 10)))
    flipped, pole, gone = ball.triangles.copy(), ball.vertices.copy(), ball.vertices.copy()
    flipped[7:19] = flipped[7:19, ::-1]
    pole[np.argmax(pole[:, 2]), 2] = -30.0
    gone[5, 1] = np.nan
    a, b, c = cube.triangles[0]
    middle = (cube.vertices[a] + cube.vertices[b]) / 2
    on_an_edge = np.concatenate([cube.triangles[1:], [(a, 8, c), (8, b, c), (a, b, 8)]]).astype(np.int32)
    return [
        Mesh(ball.vertices, flipped),
        Mesh(pole, ball.triangles),
        Mesh(gone, ball.triangles),
        Mesh(ball.vertices, ball.triangles[:-9]),
        Mesh(ball.vertices, np.concatenate([ball.triangles, [(0, 1, 100)]]).astype(np.int32)),
        Mesh(np.vstack([cube.vertices, middle]), on_an_edge),
        joined(cube, Mesh(cube.vertices + 20, cube.triangles)),
        inside_out(ball),
    ]
