# SPDX-License-Identifier: GPL-3.0-or-later
"""Tubes built and tessellated by gmsh's B-rep kernel and mesher, which share no code with the package."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from types import ModuleType
from typing import Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from addon.geometry.mesh import Mesh

Floats = NDArray[np.float64]
Tessellation = Literal["long", "even"]
"""Long thin triangles as CAD programs export them, or the small even ones of a mesher for analysis."""

CHORD_ERROR = 0.05
_FAR = 400.0


@dataclass(frozen=True)
class Shape:
    """A closed outline about the origin of the xy plane, or about ``centre``."""

    kind: Literal["circle", "rectangle", "obround", "ellipse", "polygon", "d"]
    width: float
    depth: float
    radius: float = 0.0
    points: tuple[tuple[float, float], ...] = ()
    centre: tuple[float, float] = (0.0, 0.0)

    def face(self, gmsh: ModuleType) -> int:
        occ = gmsh.model.occ
        x, y = self.centre
        w, d = self.width / 2, self.depth / 2
        if self.kind == "circle":
            return occ.addDisk(x, y, 0, w, w)
        if self.kind == "ellipse":
            return occ.addDisk(x, y, 0, w, d)
        if self.kind == "rectangle":
            return occ.addRectangle(x - w, y - d, 0, 2 * w, 2 * d, roundedRadius=self.radius)
        if self.kind == "polygon":
            corners = [occ.addPoint(px, py, 0) for px, py in self.points]
            lines = [occ.addLine(a, b) for a, b in zip(corners, corners[1:] + corners[:1], strict=True)]
            return occ.addPlaneSurface([occ.addCurveLoop(lines)])
        # Obround: straight sides and a half circle at each end. D: a half circle on the right only.
        right, left = w - d, -(w - d)
        arc = _half_circle(occ, right, d, 1)
        if self.kind == "obround":
            back = _half_circle(occ, left, d, -1)
            sides = [occ.addLine(arc[-1], back[0]), occ.addLine(back[-1], arc[0])]
            curves = [*arc[1:-1], sides[0], *back[1:-1], sides[1]]
        else:
            low, high = occ.addPoint(-w, -d, 0), occ.addPoint(-w, d, 0)
            sides = [occ.addLine(arc[-1], high), occ.addLine(high, low), occ.addLine(low, arc[0])]
            curves = [*arc[1:-1], *sides]
        return occ.addPlaneSurface([occ.addCurveLoop(curves)])


def _half_circle(occ: ModuleType, x: float, radius: float, side: int) -> list[int]:
    """First point, two quarter arcs, last point, counter-clockwise."""
    centre = occ.addPoint(x, 0, 0)
    points = [
        occ.addPoint(x, -side * radius, 0),
        occ.addPoint(x + side * radius, 0, 0),
        occ.addPoint(x, side * radius, 0),
    ]
    return [points[0], *(occ.addCircleArc(a, centre, b) for a, b in pairwise(points)), points[2]]


@dataclass(frozen=True)
class Cut:
    """How an end is cut: the plane's normal leans ``mitre_deg`` from the axis, towards ``direction_deg`` from x."""

    mitre_deg: float = 0.0
    direction_deg: float = 0.0


def tube(
    gmsh: ModuleType, outer: Shape, bore: Shape | None, length: float, bottom: Cut = Cut(), top: Cut = Cut()
) -> int:
    """A tube along z whose axis runs from the origin to (0, 0, length); a bar where there is no bore.

    A cut's direction is seen along the world's x at both ends.
    """
    occ = gmsh.model.occ
    spare = 2 * max(outer.width, 40.0)
    below, above = (spare if cut.mitre_deg else 0.0 for cut in (bottom, top))
    faces = [outer.face(gmsh)] + ([bore.face(gmsh)] if bore else [])
    occ.translate([(2, face) for face in faces], 0, 0, -below)
    solids = [_volume(occ.extrude([(2, face)], 0, 0, below + length + above)) for face in faces]
    body = _cut(gmsh, solids[0], solids[1:])
    for cut, height, up in ((bottom, 0.0, -1), (top, length, 1)):
        if not cut.mitre_deg:
            continue
        block = occ.addBox(-_FAR, -_FAR, 0, 2 * _FAR, 2 * _FAR, 2 * _FAR)
        direction = math.radians(cut.direction_deg)
        if up < 0:
            occ.rotate([(3, block)], 0, 0, 0, 1, 0, 0, math.pi)
        lean = math.radians(cut.mitre_deg) * up
        occ.rotate([(3, block)], 0, 0, 0, -math.sin(direction), math.cos(direction), 0, lean)
        occ.translate([(3, block)], 0, 0, height)
        body = _cut(gmsh, body, [block])
    return body


def deburred(gmsh: ModuleType, body: int, how: Literal["chamfer", "fillet"], outside: float, inside: float) -> int:
    """The tube with the edges of its flat ends broken by so much."""
    occ = gmsh.model.occ
    occ.synchronize()
    edges, faces, sizes = [], [], []
    for _, face in occ.getEntities(2):
        _, around = occ.getCurveLoops(face)
        if gmsh.model.getType(2, face) != "Plane" or len(around) != 2:
            continue
        lengths = [sum(occ.getMass(1, abs(curve)) for curve in curves) for curves in around]
        for curves, length in zip(around, lengths, strict=True):
            size = outside if length == max(lengths) else inside
            edges += [abs(curve) for curve in curves if size]
            faces += [face for _ in curves if size]
            sizes += [size for _ in curves if size]
    entities = occ.chamfer([body], edges, faces, sizes) if how == "chamfer" else occ.fillet([body], edges, sizes)
    return _volume(entities)


def cylinder(
    gmsh: ModuleType, start: tuple[float, float, float], along: tuple[float, float, float], radius: float
) -> int:
    return gmsh.model.occ.addCylinder(*start, *along, radius)


def cut(gmsh: ModuleType, body: int, *tools: int) -> int:
    return _cut(gmsh, body, list(tools))


def fuse(gmsh: ModuleType, *bodies: int) -> int:
    fused, _ = gmsh.model.occ.fuse([(3, bodies[0])], [(3, body) for body in bodies[1:]])
    (solid,) = fused
    return solid[1]


def _cut(gmsh: ModuleType, body: int, tools: list[int]) -> int:
    if not tools:
        return body
    left, _ = gmsh.model.occ.cut([(3, body)], [(3, tool) for tool in tools])
    (solid,) = left
    return solid[1]


def _volume(entities: list[tuple[int, int]]) -> int:
    return next(tag for dimension, tag in entities if dimension == 3)


def tessellated(
    gmsh: ModuleType,
    build: Callable[[], object],
    how: Tessellation = "long",
    name: str = "tube",
    facets: int | None = None,
) -> Mesh:
    """The mesh of what ``build`` makes in an empty model, in mm. Vertices are not shared between B-rep faces.

    ``facets`` counts those of a circle, about so for long triangles on round tube.
    """
    gmsh.clear()
    build()
    occ = gmsh.model.occ
    occ.synchronize()
    boundary = {entity for solid in occ.getEntities(3) for entity in gmsh.model.getBoundary([solid], recursive=True)}
    occ.remove([point for point in occ.getEntities(0) if point not in boundary])  # centres of arcs
    occ.synchronize()
    corners = _long(gmsh, facets) if how == "long" else _even(gmsh, facets or 24)
    return Mesh(corners.reshape(-1, 3), np.arange(3 * len(corners), dtype=np.int32).reshape(-1, 3), name)


def _long(gmsh: ModuleType, facets: int | None) -> Floats:
    """Triangles (m, 3, 3) by the tessellator that CAD exchange uses, through STEP."""
    cascadio = pytest.importorskip("cascadio")
    trimesh = pytest.importorskip("trimesh")
    with tempfile.TemporaryDirectory() as folder:
        step, glb = Path(folder) / "model.step", Path(folder) / "model.glb"
        gmsh.write(str(step))
        linear, angular = (5 * CHORD_ERROR, 2 * math.pi / facets) if facets else (CHORD_ERROR, 0.5)
        cascadio.step_to_glb(str(step), str(glb), tol_linear=linear, tol_angular=angular)
        scene = trimesh.load(glb, process=False)
        return np.concatenate([np.asarray(body.triangles) for body in scene.dump()]) * 1000.0


def _even(gmsh: ModuleType, facets: int, size: float = 10.0) -> Floats:
    """Triangles (m, 3, 3) by gmsh's own mesher, ``facets`` around a circle."""
    for option, value in (("MeshSizeFromCurvature", facets), ("MeshSizeMax", size), ("Algorithm", 6)):
        gmsh.option.setNumber(f"Mesh.{option}", value)
    gmsh.model.mesh.generate(2)
    tags, points, _ = gmsh.model.mesh.getNodes()
    place = np.zeros(int(tags.max()) + 1, int)
    place[tags.astype(int)] = np.arange(len(tags))
    triangles = []
    for dimension, surface in gmsh.model.getEntities(2):
        _, _, nodes = gmsh.model.mesh.getElements(dimension, surface)
        corners = place[nodes[0].astype(int)].reshape(-1, 3)
        triangles.append(corners)
    return points.reshape(-1, 3)[np.concatenate(triangles)]


def moved(mesh: Mesh, rotation: Floats, shift: Floats, mirrored: bool = False) -> Mesh:
    """The mesh turned, shifted, and perhaps mirrored first; a mirror turns the winding inside out, as files do."""
    points = mesh.vertices * (-1, 1, 1) if mirrored else mesh.vertices
    return Mesh(points @ rotation.T + shift, mesh.triangles, mesh.name)


def rotation(rng: np.random.Generator) -> Floats:
    """A random turn, by the QR of a Gaussian matrix."""
    turn, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    return turn if np.linalg.det(turn) > 0 else -turn
