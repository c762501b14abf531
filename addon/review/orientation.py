# SPDX-License-Identifier: GPL-3.0-or-later
"""Which way up to print: a few ways by name, a search over more, and the best of them with the reason."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property, partial

import numpy as np
from manifold3d import CrossSection, Manifold

from ..fields.messages import Length, Measure, say
from ..geometry.frames import Floats, Frame
from ..geometry.mesh import Mesh, WithSolid
from ..trade.processes import Process
from .facets import Facets, Slopes, along, dot
from .findings import Finding
from .footing import LEAST_TIP_DEG, stand
from .layers import cut_at
from .overhangs import hanging
from .support import support_under

Direction = tuple[float, float, float]

LAYERS = 24
"""Even layers in which every way up is tried: enough to rank them, quick enough for many."""
_MOST_LEVELS = 20
"""Flat faces at more heights than this are a stair, which even layers see."""
_SEARCHED = 2
"""Of the ways that the search ranks, how many are tried in layers."""
_FACETS_SEARCHED = 20_000
"""Of more facets than this the search takes every second, third, ..."""
_FLAT_FACES = 6
"""The largest flat faces on which the part is tried to stand."""
AS_IT_STANDS = "as it stands"
_APART = np.cos(np.radians(8.0))


@dataclass(frozen=True, eq=False)
class Orientation:
    """One way up, estimated in ``LAYERS`` even layers and a few at the flat faces, bridges counted as overhangs."""

    name: str
    up: Direction
    """The direction of the mesh, as given, that points up."""
    marked_mm2: float
    """Area of what is seen in use that support touches."""
    stair_largest_mm: float
    stair_mean_mm: float
    """Stair on what is seen in use, at the process's layer height."""
    footing_mm2: float
    height_mm: float
    tip_deg: float
    _support_mm3: Callable[[], float] = field(repr=False)

    @cached_property
    def support_mm3(self) -> float:
        """Worked out when first asked for: most ways up are told apart without it."""
        return self._support_mm3()


@dataclass(frozen=True)
class Orientations:
    tried: tuple[Orientation, ...]
    """The named ones first, then what the search found."""
    best: Orientation
    why: str

    @property
    def given(self) -> Orientation:
        """The way in which the mesh stands."""
        return next((way for way in self.tried if way.up == (0.0, 0.0, 1.0)), self.best)

    @property
    def as_given(self) -> bool:
        """Whether the way in which it stands is the best."""
        return self.best is self.given


def orientations(
    mesh: Mesh,
    solid: Manifold,
    facets: Facets,
    centre: Floats,
    seen_mm: tuple[float, float],
    process: Process,
    seen_name: str = "",
) -> Orientations:
    """``seen_mm`` is the height range of what is seen in use in the mesh as given, ``seen_name`` what that is called,
    ``centre`` (3,) the centre of mass."""
    seen = (facets.centres[:, 2] > seen_mm[0]) & (facets.centres[:, 2] < seen_mm[1])
    seen_up = not seen.any() or seen_mm[1] + seen_mm[0] >= float(facets.high.max())
    up: Direction = (0.0, 0.0, 1.0) if seen_up else (0.0, 0.0, -1.0)
    down: Direction = (0.0, 0.0, -up[2])
    ups = (f"{seen_name} up", f"{seen_name} down") if seen_name else (AS_IT_STANDS, "upside down")[:: int(up[2])]
    named = [(ups[0], up), (ups[1], down), ("on the side", _side(mesh))]
    searched = _search(mesh, facets, seen, centre, [direction for _, direction in named], process)
    ways = named + [(_say(direction), direction) for direction in searched]
    tried = tuple(_tried(way, mesh, solid, facets, seen, centre, process) for way in ways)
    scale = _Scale(process, mesh.volume, float(facets.areas[seen].sum()))
    best = _best(tried, scale)
    return Orientations(tried, best, _why(best, tried[: len(named)], scale))


def _side(mesh: Mesh) -> Direction:
    """Lying down with the wider side on the plate."""
    width, depth, _ = mesh.size
    return (0.0, 1.0, 0.0) if width >= depth else (1.0, 0.0, 0.0)


def _tried(
    way: tuple[str, Direction],
    mesh: Mesh,
    solid: Manifold,
    facets: Facets,
    seen: np.ndarray,
    centre: Floats,
    process: Process,
) -> Orientation:
    name, direction = way
    axes = Frame.along((0, 0, 0), direction).axes
    turned = np.column_stack([along(mesh.vertices, axis) for axis in axes])
    low, high = turned.min(axis=0), turned.max(axis=0)
    shift = np.array([0.0, 0.0, -low[2]])
    placed = solid.transform(np.column_stack([axes, shift]))
    height = float(high[2] - low[2])
    slope, centres = along(facets.normals, direction), along(facets.centres, direction) - low[2]
    flat = np.abs(slope) > 1 - 1e-9
    corners = (turned[:, 2] - low[2])[mesh.triangles.T]
    slopes = Slopes(slope, corners.min(axis=0), corners.max(axis=0))
    edges = _edges(height, centres[flat], process)
    foot = placed.slice(float(edges[1]) / 2)

    marked = seen & (centres > process.first_layer_mm) & (-slope > np.sin(np.radians(process.overhang_deg)) + 1e-4)
    sloped = seen & ~flat
    areas, rises = facets.areas[sloped], process.layer_mm * np.abs(slope[sloped])
    return Orientation(
        name,
        direction,
        float(facets.areas[marked].sum()),
        float(np.max(rises, initial=0.0)),
        dot(rises, areas) / float(areas.sum()) if areas.sum() > 0 else 0.0,
        foot.area(),
        height,
        stand(foot.hull(), axes @ centre + shift)[1],
        partial(_support_mm3, _Stood(Mesh(turned + shift, mesh.triangles), placed), edges, height, slopes, process),
    )


@dataclass(frozen=True, eq=False)
class _Stood(WithSolid):
    """A part as it stands one way up."""

    mesh: Mesh
    kernel: Manifold | None


def _support_mm3(stood: _Stood, edges: Floats, height: float, slopes: Slopes, process: Process) -> float:
    layers = cut_at(stood.solid, edges, height, slopes)
    return support_under(layers, [(part.layer, part.region) for part in hanging(layers, process)]).volume_mm3


def _edges(height: float, levels: Floats, process: Process) -> Floats:
    """(n + 1,): the first layer, even layers, and one of the process's own on either side of each flat face, where
    overhangs begin."""
    layer = process.layer_mm
    faces = np.unique(np.round(levels, 3))[:_MOST_LEVELS]
    fine = np.concatenate([[process.first_layer_mm], faces - layer, faces, faces + layer])
    edges = np.unique(np.concatenate([np.linspace(0.0, height, LAYERS + 1), fine]))
    edges = edges[(edges > layer / 4) & (edges < height - layer / 4)]
    apart = np.diff(edges, prepend=-np.inf) > layer / 4
    return np.concatenate([[0.0], edges[apart | np.isin(edges, faces)], [height]])


def _search(
    mesh: Mesh, facets: Facets, seen: np.ndarray, centre: Floats, known: list[Direction], process: Process
) -> list[Direction]:
    """The best few of the other ways up, of those on which the part stands, by what the facets alone say: what is seen
    marked by support, then support as the overhanging facets' columns down to the plate."""
    directions = np.concatenate([known, _flat_faces(facets), _even_directions()])
    taken = slice(None, None, 1 + len(facets.areas) // _FACETS_SEARCHED)
    areas, seen = facets.areas[taken], seen[taken]
    normals, centres = (np.asfortranarray(rows[taken]) for rows in (facets.normals, facets.centres))
    seen_areas = areas * seen
    steepest = -np.sin(np.radians(process.overhang_deg)) - 1e-4
    marked, columns = np.empty((2, len(directions)))
    for index, way in enumerate(directions):  # one by one, so that all of it stays in the processor's own memory
        slopes, heights = along(normals, way), along(centres, way)
        heights -= heights.min()
        hangs = (slopes < steepest) & (heights > process.first_layer_mm)
        marked[index] = np.round((hangs * seen_areas).sum())
        columns[index] = -(hangs * slopes * heights * areas).sum()
    chosen: list[Direction] = []
    tried = {(marked[index], _rough(columns[index])) for index in range(len(known))}
    for index in np.lexsort((columns, marked)).tolist():
        x, y, z = directions[index].tolist()
        # Ways up that are alike on a body of revolution, or nearly one, are tried once.
        alike = (marked[index], _rough(columns[index]))
        if alike in tried or any(np.dot(directions[index], other) >= _APART for other in (*known, *chosen)):
            continue
        tried.add(alike)
        if _stands(mesh, (x, y, z), centre, process.first_layer_mm):
            chosen.append((x, y, z))
        if len(chosen) == _SEARCHED:
            break
    return chosen


def _stands(mesh: Mesh, up: Direction, centre: Floats, layer: float) -> bool:
    """Whether the part stands safely on what of it lies within a layer of the plate."""
    axes = Frame.along((0, 0, 0), up).axes
    heights = along(mesh.vertices, axes[2])
    low = heights.min()
    standing = mesh.vertices[heights < low + layer]
    foot = CrossSection.hull_points(np.column_stack([along(standing, axis) for axis in axes[:2]]))
    return stand(foot, axes @ centre - (0.0, 0.0, low))[1] >= LEAST_TIP_DEG


def _rough(number: float) -> str:
    return f"{number:.2e}"


def _flat_faces(facets: Facets) -> Floats:
    """(k, 3): the ways up for which one of the largest flat faces lies on the plate."""
    keys = np.round(facets.normals * 200).astype(np.int64) @ np.array([1, 1000, 1_000_000])
    _, first, face = np.unique(keys, return_index=True, return_inverse=True)
    areas = np.bincount(face, weights=facets.areas)
    normals = facets.normals[first[np.argsort(-areas)[:_FLAT_FACES]]]
    return -normals[np.linalg.norm(normals, axis=1) > 0.5]


def _even_directions() -> Floats:
    """(26, 3): to the faces, edges and corners of a cube."""
    steps = np.array([(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if (x, y, z) != (0, 0, 0)])
    return steps / np.linalg.norm(steps, axis=1)[:, None]


def _say(up: Direction) -> str:
    return "tilted, up along x {:.2f}, y {:.2f}, z {:.2f}".format(*(value + 0.0 for value in up))


@dataclass(frozen=True)
class _Scale:
    """What ways up are compared by."""

    process: Process
    volume_mm3: float
    seen_mm2: float


_CRITERIA: dict[str, Callable[[Orientation, _Scale], float]] = {
    "it stands safely": lambda way, scale: way.tip_deg < LEAST_TIP_DEG,
    "support marks less of what is seen": lambda way, scale: (
        round(20 * way.marked_mm2 / scale.seen_mm2) if scale.seen_mm2 > 0 else 0.0
    ),
    "it needs less support": lambda way, scale: round(25 * way.support_mm3 / scale.volume_mm3),
    "the stair on what is seen is lower": lambda way, scale: round(20 * way.stair_mean_mm / scale.process.layer_mm),
    "it is lower on the plate": lambda way, scale: way.height_mm,
}
"""What decides, in this order: less is better, rounded so that a small difference does not outweigh what comes next."""


def _best(tried: Sequence[Orientation], scale: _Scale) -> Orientation:
    for criterion in _CRITERIA.values():
        if len(tried) == 1:
            break
        scores = [criterion(way, scale) for way in tried]
        tried = [way for way, score in zip(tried, scores, strict=True) if score == min(scores)]
    return tried[0]


def _why(best: Orientation, named: Sequence[Orientation], scale: _Scale) -> str:
    """The first criterion by which the best beats each of the named others."""
    reasons = []
    for other in named:
        better = (reason for reason, less in _CRITERIA.items() if less(best, scale) < less(other, scale))
        decisive = next(better, None)
        if decisive is not None:
            reasons.append(f"than {other.name}: {decisive}")
    return "Better " + "; better ".join(reasons) + "." if reasons else "All ways are alike."


def orientation_finding(orientations: Orientations, name: str) -> Finding:
    best, given, as_given = orientations.best, orientations.given, orientations.as_given
    return Finding(
        fitting=name,
        check="orientation",
        severity="good to know" if as_given else "look at",
        meaning=say(
            "Best printed {best}{as_given}. {why}",
            best=best.name,
            as_given=", as it stands" if as_given and best.name != AS_IT_STANDS else "",
            why=orientations.why,
        ),
        advice=say("Leave it as it stands.")
        if as_given
        else say(
            "Turn it {best}; the support changes from {support}, and the height becomes {height}.",
            best=best.name,
            support=Measure((given.support_mm3, best.support_mm3), "mm³"),
            height=Length(best.height_mm),
        ),
        value=round(best.support_mm3, 1),
        unit="mm³",
    )
