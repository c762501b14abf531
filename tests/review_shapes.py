# SPDX-License-Identifier: GPL-3.0-or-later
"""Solids for the tests of the review: the cap of common practice, and simple ones of known measure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from manifold3d import CrossSection, Manifold

from addon.families.cap import Recipe, design
from addon.families.fitting import Fitting
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.review.facets import Facets
from addon.review.layers import Layers, cut_layers
from addon.trade.processes import Process, process_named

PROCESS = replace(
    process_named("Coarse bench, 0.25 mm layers, 0.5 mm beads, dissolved support"),
    name="Test",
    layer_mm=0.25,
    first_layer_mm=0.25,
    bead_mm=0.5,
    bead_min_mm=0.4,
    bead_max_mm=0.75,
    rings=3,
    overhang_deg=45.0,
    bridge_mm=6.0,
    pocket_mouth_mm=3.0,
)
"""0.25 mm layers and 0.5 mm beads, as in the cap of common practice."""


def common_cap(facets: int | None = 64) -> Fitting:
    """A cap for 1 in x 1/8 in tube: hemisphere, 8 mm spigot, groove 1/8 in wide and 2 mm deep at mid-spigot, 0.5 mm
    lead-in (common practice, no source)."""
    recipe = Recipe(spigot_mm=8.0, groove_count=1, groove_width_mm=3.175, groove_depth_mm=2.0, lead_in_mm=0.5)
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
    starts = np.cumsum([0, *(len(mesh.vertices) for mesh in meshes)])
    return Mesh(
        np.concatenate([mesh.vertices for mesh in meshes]),
        np.concatenate([mesh.triangles + start for mesh, start in zip(meshes, starts[:-1], strict=True)]).astype(
            np.int32
        ),
    )


def inside_out(mesh: Mesh) -> Mesh:
    return Mesh(mesh.vertices, mesh.triangles[:, ::-1].copy())


def layers_of(mesh: Mesh, process: Process = PROCESS) -> Layers:
    return cut_layers(mesh.to_manifold(), Facets.of(mesh), process)
