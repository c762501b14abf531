# SPDX-License-Identifier: GPL-3.0-or-later
"""Sections and measures that several fitting tests share."""

from __future__ import annotations

import numpy as np

from addon.families.fitting import Fitting
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Outline, Section


def hexagon(across_corners: float) -> np.ndarray:
    turn = np.arange(6) * np.pi / 3
    return np.column_stack([np.cos(turn), np.sin(turn)]) * across_corners / 2


def angle(leg: float = 40.0, width: float = 18.0, radius: float = 3.0, steps: int = 8) -> np.ndarray:
    """An L with every corner rounded, inward and outward ones alike."""
    corners = np.array([(0, 0), (leg, 0), (leg, width), (width, width), (width, leg), (0, leg)], float) - leg / 2
    points = []
    for before, corner, after in zip(np.roll(corners, 1, 0), corners, np.roll(corners, -1, 0), strict=True):
        u, v = (before - corner) / np.linalg.norm(before - corner), (after - corner) / np.linalg.norm(after - corner)
        turn = np.linspace(0, np.pi / 2, steps + 1)[:, None]
        points.append(corner + radius * (u + v) - radius * (v * np.cos(turn) + u * np.sin(turn)))
    return np.concatenate(points)


def free(points: np.ndarray, wall: float) -> Section:
    outer = Outline.free(points)
    return Section(outer, outer.offset(-wall))


def half_round(radius: float = 20.0, straight: float = 10.0, steps: int = 32) -> np.ndarray:
    """A D: half a circle, and a straight side behind it."""
    turn = np.linspace(-np.pi / 2, np.pi / 2, steps + 1)
    bow = np.column_stack([np.cos(turn), np.sin(turn)]) * radius
    return np.concatenate([bow, [(-straight, radius), (-straight, -radius)]])


TEE = np.array([(-24, 0), (24, 0), (24, 14), (7, 14), (7, 44), (-7, 44), (-7, 14), (-24, 14)], float) - (0, 20)
SECTIONS = {
    "round": Section.round(25.4, 3.175),
    "rectangular": Section.rectangular(40, 30, 3),
    "sharp square": Section.rectangular(30, 30, 2, 0),
    "obround": Section(Outline("obround", 40, 20), Outline("obround", 36, 16)),
    "ellipse": Section(Outline("ellipse", 40, 26), Outline("ellipse", 36, 22)),
    "hexagon": free(hexagon(40), 2.5),
    "angle": free(angle(), 2.0),
    "tee": free(TEE, 2.0),
}
CROWNS = ("dome", "low dome", "flat", "peaked")


def faults(mesh: Mesh) -> dict[str, int]:
    """What is wrong with a mesh as a file with 32-bit numbers holds it, its equal corners made one; empty if nothing.

    Every edge has to be there once each way, no triangle may have lost a corner.
    """
    points, place = np.unique(mesh.vertices.astype(np.float32), axis=0, return_inverse=True)
    triangles = place.reshape(-1)[mesh.triangles].astype(np.int64)
    edges = triangles[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    # Sorted, since NumPy 2 takes ten times as long to tell what is there once, or is among others.
    there, back = np.sort(edges @ [len(points), 1]), np.sort(edges @ [1, len(points)])
    nearest = back[np.minimum(np.searchsorted(back, there), len(back) - 1)]
    counts = {
        "corners fallen together": len(mesh.vertices) - len(points),
        "triangles without area": int((triangles == np.roll(triangles, 1, axis=1)).any(axis=1).sum()),
        "edges used twice": int((there[1:] == there[:-1]).sum()),
        "open edges": int((nearest != there).sum()),
    }
    return {name: count for name, count in counts.items() if count}


def assert_sound(fitting: Fitting, genus: int = 0) -> None:
    """Closed, manifold, in one piece, outward normals, and nothing that a print file would lose."""
    assert fitting.solid.status().name == "NoError"
    assert fitting.solid.volume() > 0
    assert fitting.mesh.volume > 0
    assert len(fitting.solid.decompose()) == 1
    assert fitting.solid.genus() == genus
    assert not faults(fitting.mesh)
    assert not faults(fitting.standing())
    assert len(fitting.surfaces) == len(fitting.mesh.triangles)


def surface(fitting: Fitting, name: str) -> np.ndarray:
    """(m, 3, 3): the corners of the triangles of one surface."""
    return fitting.mesh.corners[fitting.surfaces == fitting.surface_names.index(name)]
