# SPDX-License-Identifier: GPL-3.0-or-later
"""The takeoff beside trimesh on one mesh of many tubes, and how it grows with their number.

trimesh welds the triangles, splits the mesh into bodies, finds the planar facets of each, and draws the outlines of
those that could be rims, which have six triangles or more. That is the nearest it does to a takeoff; which loop is
the bore, sections, axes, mitres and what is in the way are left to its user. The tubes are round, square and
rectangular, a third of them mitred, at any angle, in the single precision of a binary STL at a chord error of 0.05 mm.
Times are the least of several runs, in seconds of processor time.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import trimesh

from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.takeoff import take_off

CHORD_ERROR_MM = 0.05
SPIGOT_MM = 8.0
SECTIONS = (
    Section.round(25.4, 3.175),
    Section.round(48.3, 3.68),
    Section.rectangular(40, 40, 3),
    Section.rectangular(60, 40, 3),
)
COMPARED = 200
COUNTS = (100, 200, 500, 1000, 2000, 5000)
LEAST_RATIO = 15.0
LEAST_FACET = 6
FINE_FACETS, FINE_ROWS, FINE_LIMIT_S = 512, 80, 2.0


def run() -> list[str]:
    mesh = many_tubes(COMPARED)
    corners = mesh.corners
    ends = take_off([mesh], SPIGOT_MM).ends
    assert len(ends) == 2 * COMPARED and all(end.open for end in ends)
    assert _outlines(corners) == 2 * COMPARED
    ours = _least(lambda: take_off([mesh], SPIGOT_MM), 9)
    theirs = _least(lambda: _outlines(corners), 3)
    nested = _least(lambda: _outlines(corners, nested=True), 3)
    return [
        f"{COMPARED} tubes in one mesh, {len(corners)} triangles; at least {LEAST_RATIO:g} times asked for",
        f"takeoff: sections, axes, mitres, clear depths        {ours * 1000:8.1f} ms",
        f"trimesh: split, facets, outlines                     {theirs * 1000:8.1f} ms, {theirs / ours:.1f} times",
        f"trimesh: and each outline's holes told from its edge {nested * 1000:8.1f} ms, {nested / ours:.1f} times",
        *_growth(),
        *_fine(),
    ]


def _fine() -> list[str]:
    mesh = fine_tube()
    assert len(take_off([mesh], SPIGOT_MM).ends) == 2
    ours = _least(lambda: take_off([mesh], SPIGOT_MM), 3)
    split = _least(lambda: trimesh.Trimesh(**trimesh.triangles.to_kwargs(mesh.corners)).split(), 3)
    return [
        f"a tube of {FINE_FACETS} × {FINE_ROWS} facets, {len(mesh.triangles)} triangles; {FINE_LIMIT_S:g} s asked for",
        f"takeoff {ours * 1000:8.1f} ms; trimesh's split alone {split * 1000:8.1f} ms, {split / ours:.1f} times",
    ]


def _growth() -> list[str]:
    times = {count: _least(lambda mesh: take_off([mesh], SPIGOT_MM), 3, many_tubes(count)) for count in COUNTS}
    exponents = [_exponent(times, a, b) for a, b in pairwise(COUNTS)]
    return [
        *(f"{count:5d} tubes {seconds * 1000:8.1f} ms" for count, seconds in times.items()),
        f"time grows as tubes to the {_exponent(times, COUNTS[0], COUNTS[-1]):.2f} from {COUNTS[0]} to {COUNTS[-1]}"
        f" (step by step {', '.join(f'{exponent:.2f}' for exponent in exponents)})",
    ]


def _exponent(times: dict[int, float], few: int, many: int) -> float:
    return math.log(times[many] / times[few]) / math.log(many / few)


def _least(work: Callable[..., object], runs: int, *arguments: object) -> float:
    seconds = []
    for _ in range(runs):
        start = time.process_time()
        work(*arguments)
        seconds.append(time.process_time() - start)
    return min(seconds)


def _outlines(corners: np.ndarray, nested: bool = False) -> int:
    """How many facets trimesh draws the outline of; ``nested`` sorts each outline's loops into outside and holes."""
    drawn = 0
    for body in trimesh.Trimesh(**trimesh.triangles.to_kwargs(corners)).split():
        for facet in body.facets:
            if len(facet) >= LEAST_FACET:
                outline = body.outline(facet)
                loops = outline.to_2D(check=False)[0].polygons_full if nested else outline.discrete
                drawn += len(loops) > 0
    return drawn


def many_tubes(count: int, mitre_deg: float | None = None) -> Mesh:
    """Tubes on a cubic grid, none near another, as the triangle soup of an STL; those mitred are so by ``mitre_deg``,
    or each by another angle."""
    rng = np.random.default_rng(count)
    side = math.ceil(count ** (1 / 3))
    corners = []
    for number in range(count):
        length = rng.uniform(200, 600)
        mitre = rng.uniform(10, 50) if mitre_deg is None else mitre_deg
        tube = _tube(SECTIONS[number % len(SECTIONS)], length, mitre if number % 3 == 0 else 0.0)
        cell = np.array(np.unravel_index(number, (side, side, side))) * 800.0
        corners.append(tube.placed(Frame.along(cell + rng.uniform(-50, 50, 3), rng.normal(size=3))).corners)
    return _as_stl(np.concatenate(corners), "frame")


def fine_tube() -> Mesh:
    """A round tube whose outside and bore are cut into rows along it, as remeshing leaves them."""
    section = SECTIONS[0]
    outer, bore = (line.cross_section(FINE_FACETS) for line in (section.outer, section.bore))
    solid = (outer - bore).extrude(400.0, n_divisions=FINE_ROWS)
    return _as_stl(Mesh.from_manifold(solid).corners, "tube")


def _as_stl(corners: np.ndarray, name: str) -> Mesh:
    """Triangles (m, 3, 3) as an STL has them: in single precision, each with corners of its own."""
    points = corners.astype(np.float32).astype(float).reshape(-1, 3)
    return Mesh(points, np.arange(len(points), dtype=np.int32).reshape(-1, 3), name)


def _tube(section: Section, length: float, mitre_deg: float) -> Mesh:
    outer, bore = (line.cross_section(chord_error=CHORD_ERROR_MM) for line in (section.outer, section.bore))
    lean = math.radians(mitre_deg)
    solid = (outer - bore).extrude(length + 200)
    return Mesh.from_manifold(solid.trim_by_plane((0, -math.sin(lean), -math.cos(lean)), -length * math.cos(lean)))
