# SPDX-License-Identifier: GPL-3.0-or-later
"""Thin walls and narrow gaps: in the layers by opening and closing outlines, in 3-D by rays through the solid.

In a layer, what disappears when the outline is moved inward by d and out again is narrower than 2 d; what is filled
when it is moved outward and back is a gap narrower than 2 d. In 3-D the thickness at a point of the surface is how far
a ray goes straight inward before it leaves the solid.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from manifold3d import CrossSection, Manifold
from numpy.typing import NDArray

from ..fields.messages import Length, say
from ..geometry.frames import Floats
from ..geometry.mesh import Mesh
from ..geometry.topology import Indices, in_runs
from ..trade.processes import Process
from .facets import Facets
from .findings import Finding, Place, say_place
from .layers import Layers
from .outlines import CLOSE_MM, Shapes, centre_of, closed, greatest, opened, without_specks

WALL_BEADS = 2
"""A wall takes a bead out and a bead back; common practice, no source."""

_SPECK_BEADS = 0.1
"""Parts whose area is under this share of a bead's width squared, or that are nowhere this share wide, are corners."""
_SKIN = 1e-7
"""Rays start this share of the solid's size under the surface."""
_FIRST_PIECE = 0.125
"""Share of the solid's size that a ray is followed at first."""
_FACING = float(np.cos(np.radians(20.0)))
"""A wall is what lies between two surfaces that face away from each other within 20 degrees; others make an edge."""
_MOST_MEASURED = 8
"""Distinct outlines of a thin part whose narrowest width is sought."""
_DEEPEST = 8
_OPEN = 0.5
"""Share of an edge that may be covered where it runs out."""
_JUST = 0.99
"""What is within one percent of its limit meets it."""


@dataclass(frozen=True, eq=False)
class ThinPart:
    """A wall or a gap narrower than its limit, over layers that follow each other."""

    first: int
    last: int
    width_mm: float
    """Where it is narrowest."""
    position_mm: Place
    regions: tuple[CrossSection, ...]
    """One for each layer from ``first`` to ``last``."""


@dataclass(frozen=True, eq=False)
class Thickness:
    """Wall thickness at points of the surface."""

    points: Floats
    """(k, 3) in mm."""
    thickness: Floats
    """(k,) in mm; infinite where a ray leaves by a surface that does not face the other way."""

    @property
    def least_mm(self) -> float:
        return float(self.thickness.min()) if len(self.thickness) else float("inf")

    @property
    def thinnest(self) -> Place | None:
        if not np.isfinite(self.least_mm):
            return None
        x, y, z = self.points[int(np.argmin(self.thickness))].tolist()
        return x, y, z


def thin_walls(layers: Layers, shapes: Shapes, bead: float) -> tuple[ThinPart, ...]:
    """Regions of the layers too narrow for a bead out and a bead back."""
    limit = _JUST * WALL_BEADS * bead

    def thin(outline: CrossSection, width: float) -> CrossSection:
        return _worth_naming(outline - opened(outline, width / 2), bead)

    return _thin_parts(layers, thin, limit, shapes.perhaps_thin(limit))


def narrow_gaps(layers: Layers, shapes: Shapes, bead: float) -> tuple[ThinPart, ...]:
    """Holes, slots and gaps between two surfaces that are narrower than a bead: they close up."""

    def gaps(outline: CrossSection, width: float) -> CrossSection:
        return _worth_naming(closed(outline, width / 2) - outline, bead)

    limit = _JUST * bead
    return _thin_parts(layers, gaps, limit, shapes.perhaps_gapped(limit))


def _worth_naming(region: CrossSection, bead: float) -> CrossSection:
    """The parts of a region that are more than a sliver at a corner."""
    return without_specks(region, _SPECK_BEADS * bead * bead, _SPECK_BEADS * bead)


def _thin_parts(
    layers: Layers, narrower: Callable[[CrossSection, float], CrossSection], limit: float, looked_at: list[int]
) -> tuple[ThinPart, ...]:
    """What is ``narrower`` (outline, width) than ``limit``, gathered into runs of layers that follow each other."""
    thin: dict[int, CrossSection] = {}
    for index in looked_at:
        outline = layers.outlines[index]
        if not outline.is_empty() and not (region := narrower(outline, limit)).is_empty():
            thin[index] = region
    runs: list[list[int]] = []
    for layer, index in enumerate(layers.which.tolist()):
        if index in thin:
            if not runs or runs[-1][-1] != layer - 1:
                runs.append([])
            runs[-1].append(layer)
    return tuple(_thin_part(layers, run, thin, narrower, limit) for run in runs)


def _thin_part(
    layers: Layers,
    run: list[int],
    thin_regions: dict[int, CrossSection],
    narrower: Callable[[CrossSection, float], CrossSection],
    limit: float,
) -> ThinPart:
    first_layers = {int(layers.which[layer]): layer for layer in reversed(run)}
    measured = list(first_layers.items())[:: max(1, len(first_layers) // _MOST_MEASURED)]
    width, layer, place = limit, run[0], (0.0, 0.0)
    for index, first in measured:
        outline = layers.outlines[index]
        least = _narrowest(outline, narrower, width)
        if least < width or first == run[0]:
            width, layer = least, first
            thin = narrower(outline, least + 2 * CLOSE_MM)
            place = centre_of(
                max((thin if not thin.is_empty() else thin_regions[index]).decompose(), key=CrossSection.area)
            )
    x, y = place
    regions = tuple(thin_regions[int(layers.which[layer])] for layer in run)
    return ThinPart(run[0], run[-1], width, (x, y, float(layers.cuts[layer])), regions)


def _narrowest(outline: CrossSection, narrower: Callable[[CrossSection, float], CrossSection], most: float) -> float:
    """The width below which nothing of an outline is narrower."""
    return greatest(lambda width: narrower(outline, width).is_empty(), most)


def surface_points(mesh: Mesh, facets: Facets, count: int) -> tuple[Floats, Floats]:
    """About ``count`` points (k, 3) of the surface, and the inward directions (k, 3) there.

    Facets are taken evenly from all of them ordered by height and lean, so that every band of a turned part has its
    share; a facet larger than the mean gets several points.
    """
    with_area = np.flatnonzero(facets.areas > 0)
    order = with_area[np.lexsort((facets.normals[with_area, 2].round(4), facets.centres[with_area, 2].round(3)))]
    taken = order[np.unique(np.linspace(0, len(order) - 1, min(count, len(order))).round().astype(int))]
    share = facets.areas[taken].sum() / max(count, 1)
    times = np.clip(np.ceil(facets.areas[taken] / max(share, 1e-12)), 1, max(1, count // 4)).astype(int)
    which, at = in_runs(times)
    of = taken[which]
    # The centre first, then a sequence that fills the triangle evenly (Roberts's, of the plastic number).
    u, v = (0.5 + at * 0.7548776662466927) % 1, (0.5 + at * 0.5698402909980532) % 1
    u, v = np.where(u + v > 1, 1 - u, u), np.where(u + v > 1, 1 - v, v)
    u, v = np.where(at == 0, 1 / 3, u), np.where(at == 0, 1 / 3, v)
    a, b, c = mesh.vertices[mesh.triangles[of].T]
    points = a + (b - a) * u[:, None] + (c - a) * v[:, None]
    return points, -facets.normals[of]


def thickness_at(solid: Manifold, points: Floats, inward: Floats, reach: float = float("inf")) -> Thickness:
    """How far each ray goes from a point of the surface, straight inward, to where it leaves the solid; infinite past
    ``reach`` mm. Rays are cast piece by piece, each twice as long as the last: a short piece is much the quickest."""
    box = np.array(solid.bounding_box()).reshape(2, 3)
    across = float(np.linalg.norm(box[1] - box[0]))
    # No ray is followed past the box around the solid.
    exits = np.minimum(_to_the_box(box, points, inward) + across * _SKIN, reach)
    thickness = np.full(len(points), np.inf)
    start, stop = across * _SKIN, across * _FIRST_PIECE
    going = np.arange(len(points))
    while len(going):
        ends = np.minimum(exits[going], stop)
        going = going[~_cast(solid, points, inward, thickness, going, start, ends) & (exits[going] > stop)]
        start, stop = stop * (1 - _SKIN), 2 * stop
    return Thickness(points, thickness)


def _cast(
    solid: Manifold, points: Floats, inward: Floats, thickness: Floats, rays: Indices, start: float, ends: Floats
) -> NDArray[np.bool_]:
    """Casts one piece of each of ``rays``, writes the thickness where it leaves the solid by a facing surface, and
    returns which have left it."""
    ways = inward[rays]
    begins = (points[rays] + ways * start).tolist()
    stops = (points[rays] + ways * ends[:, None]).tolist()
    left = np.zeros(len(rays), bool)
    for index, (begin, end, (x, y, z)) in enumerate(zip(begins, stops, ways.tolist(), strict=True)):
        hits = solid.ray_cast(begin, end)
        if hits:
            left[index] = True
            nx, ny, nz = hits[0].normal
            if nx * x + ny * y + nz * z > _FACING:
                # The kernel gives the distance as a share of the ray's length.
                thickness[rays[index]] = start + hits[0].distance * (ends[index] - start)
    return left


def _to_the_box(box: Floats, points: Floats, ways: Floats) -> Floats:
    """(k,): how far from points (k, 3) along ways (k, 3) the sides of a box (2, 3) are."""
    ahead = np.where(ways > 0, box[1] - points, box[0] - points)
    return np.divide(ahead, ways, out=np.full_like(ahead, np.inf), where=np.abs(ways) > 1e-12).min(axis=1)


def thinnest_place(solid: Manifold, points: Floats, inward: Floats, limit: float) -> Thickness:
    """``thickness_at``, looking only as deep as it must to find the thinnest place: short rays are quick. Walls thicker
    than ``_DEEPEST`` times the limit are not looked for."""
    reach = 2 * limit
    while True:
        thicknesses = thickness_at(solid, points, inward, reach)
        if thicknesses.thinnest is not None or reach >= _DEEPEST * limit:
            return thicknesses
        reach *= 2


def wall_findings(
    layers: Layers,
    thin: Sequence[ThinPart],
    gaps: Sequence[ThinPart],
    thickness: Thickness,
    process: Process,
    name: str,
) -> list[Finding]:
    bead = process.bead_mm
    findings = [_thin_finding(layers, part, bead, name) for part in thin]
    in_layers = min((part.width_mm for part in thin if not _is_tip(layers, part, bead)), default=np.inf)
    for gap in gaps:
        findings.append(
            Finding(
                fitting=name,
                check="narrow gap",
                severity="good to know" if gap.first == gap.last and _floored(layers, gap) else "look at",
                meaning=say("A hole, slot or gap is {} wide; narrower than a bead it closes up.", Length(gap.width_mm)),
                advice=say("Make it at least {} wide, or leave it out.", Length(bead)),
                value=round(gap.width_mm, 3),
                limit=bead,
                unit="mm",
                where=layers.places(gap.first, gap.last),
                position_mm=gap.position_mm,
                layer=gap.first + 1,
                layers=(gap.first + 1, gap.last + 1),
            )
        )
    limit = WALL_BEADS * bead
    thinnest = thickness.thinnest
    # A wall that the layers show as thin is not reported twice.
    if thinnest is not None and thickness.least_mm < _JUST * min(limit, in_layers):
        findings.append(
            Finding(
                fitting=name,
                check="wall thickness",
                severity="look at",
                meaning=say("Straight through, the part is only {} thick at one place.", Length(thickness.least_mm)),
                advice=say(
                    "Make it at least {limit}, the width of {WALL_BEADS} beads.",
                    limit=Length(limit),
                    WALL_BEADS=WALL_BEADS,
                ),
                value=round(thickness.least_mm, 3),
                limit=limit,
                unit="mm",
                where=say_place(thinnest),
                position_mm=thinnest,
            )
        )
    return findings


def _is_tip(layers: Layers, part: ThinPart, bead: float) -> bool:
    """Whether it is where the part, or an edge of it, runs out: nothing lies on it, or it lies on nothing, and it is no
    higher than a wall has to be wide. Such edges bound every bore that leans."""
    height = layers.tops[part.last] - layers.bottoms[part.first]
    if height > WALL_BEADS * bead:
        return False
    above = part.last + 1 < len(layers) and _covered(layers.outline(part.last + 1), part.regions[-1])
    below = part.first == 0 or _covered(layers.outline(part.first - 1), part.regions[0])
    return not (above and below)


def _floored(layers: Layers, gap: ThinPart) -> bool:
    """Whether a gap lies on the layer below, as where two slopes meet: it may close up."""
    return gap.first > 0 and _covered(layers.outline(gap.first - 1), gap.regions[0])


def _covered(outline: CrossSection, region: CrossSection) -> bool:
    return bool((outline ^ region).area() > _OPEN * region.area())


def _thin_finding(layers: Layers, part: ThinPart, bead: float, name: str) -> Finding:
    limit, tip = WALL_BEADS * bead, _is_tip(layers, part, bead)
    if tip and part.last == len(layers) - 1:
        meaning = say("The top ends in a tip {} across, laid as a single bead.", Length(part.width_mm))
        advice = say("Blunt the tip if it has to keep its shape.")
    elif tip:
        meaning = say("An edge runs out {} thick: it is left out, or laid as a single bead.", Length(part.width_mm))
        advice = say("Nothing has to be done unless the edge has to be sharp.")
    elif part.width_mm < bead - CLOSE_MM:
        meaning = say(
            "A wall is {} thick, less than one bead: it is left out or comes out thicker.", Length(part.width_mm)
        )
        advice = say(
            "Make it at least {limit} thick, the width of {WALL_BEADS} beads.",
            limit=Length(limit),
            WALL_BEADS=WALL_BEADS,
        )
    else:
        meaning = say("A wall is {} thick, too thin for a bead out and a bead back.", Length(part.width_mm))
        advice = say(
            "Make it {bead} for one bead, or at least {limit} for {WALL_BEADS}.",
            bead=Length(bead),
            limit=Length(limit),
            WALL_BEADS=WALL_BEADS,
        )
    return Finding(
        fitting=name,
        check="thin wall",
        severity="good to know" if tip else "must fix" if part.width_mm < bead - CLOSE_MM else "look at",
        meaning=meaning,
        advice=advice,
        value=round(part.width_mm, 3),
        limit=limit,
        unit="mm",
        where=layers.places(part.first, part.last),
        position_mm=part.position_mm,
        layer=part.first + 1,
        layers=(part.first + 1, part.last + 1),
    )
