# SPDX-License-Identifier: GPL-3.0-or-later
"""The demo's assembly: the frame of a market stall, invented for this demo and never built.

It is written the way CAD programs export a weldment: one binary STL in millimetres, every tube and plate a body of
its own that touches its neighbours, curves within 0.05 mm of their chords, flat sides as long thin triangles.
Two posts stand on foot plates with ballast sleeves, two are still open at the foot and drilled for guy ropes; a canopy
of raked ribs hangs on a ridge, which comes apart for the van, and two rails; a counter stands on bearers whose front
ends are raked as well, and its front rail has holes for a banner.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from manifold3d import CrossSection, Manifold

from addon.geometry.frames import Floats, Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section, facets_of
from addon.takeoff.ends import Cause

Point = tuple[float, float, float]

CHORD_ERROR_MM = 0.05

POST = Section.round(38.1, 1.65)
RAIL = Section.rectangular(40, 40, 3)
RIB = Section.round(25.4, 3.175)
BEARER = Section.rectangular(50, 25, 2)
SLEEVE = Section.round(33.4, 3.38)

JOB = """\
# Caps and feet for the open tube ends of a market stall's frame, a guide to drill its holes by, plugs for those that
# are not always used, sleeves to mark copes by, and a joiner for the ridge.

[assembly]
files = ["market_stall.stl"]
unit = "mm"

[fitting]
crown = "low dome"

[[fitting.for]]     # the feet under the rear posts: as high as the plates under the front ones
kind = "round"
width_mm = "1 1/2 in"
crown = "flat"
rise_mm = 6

[drill_guide]
make = false

[[drill_guide.for]] # the guy ropes' holes
hole_mm = 8.5
make = true

[hole_plug]
make = false

[[hole_plug.for]]   # the banner's holes
hole_mm = 12
make = true

[cope_sleeve]
make = false

[[cope_sleeve.for]] # the flag sleeves
width_mm = 33.4
make = true

[joiner]            # for the ridge
make = true

[output]
formats = ["3mf", "stl"]
spares = 1
"""


@dataclass(frozen=True)
class End:
    """Where a tube stops: where its axis meets the plane of the cut, the plane's normal out of the tube (None for a
    square cut), and what the takeoff should find there."""

    at: Point
    cause: Cause = "open"
    normal: Point | None = None


@dataclass(frozen=True, eq=False)
class Tube:
    name: str
    section: Section
    ends: tuple[End, End]
    width_along: Point
    """Direction of the section's width."""
    without: tuple[Manifold, ...] = ()
    """What is cut out of it: the post that it is coped to, bolt holes."""

    def axis(self, end: End) -> Floats:
        """(3,): unit vector along the tube and out of it at ``end``."""
        other = self.ends[1] if end is self.ends[0] else self.ends[0]
        out = np.subtract(end.at, other.at)
        return out / np.linalg.norm(out)

    def mitre_deg(self, end: End) -> float:
        axis = self.axis(end)
        normal = axis if end.normal is None else np.asarray(end.normal)
        return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(normal, axis)), normal @ axis)))

    def solid(self) -> Manifold:
        first, last = self.ends
        spare = 2 * max(self.section.outer.width, self.section.outer.depth)
        axis = self.axis(last)
        outer, bore = (
            line.cross_section(chord_error=CHORD_ERROR_MM) for line in (self.section.outer, self.section.bore)
        )
        length = float(np.linalg.norm(np.subtract(last.at, first.at)))
        frame = Frame.along(np.asarray(first.at) - axis * spare, axis, self.width_along)
        solid = (outer - bore).extrude(length + 2 * spare).transform(frame.matrix[:3])
        for end in self.ends:
            normal = self.axis(end) if end.normal is None else np.asarray(end.normal) / np.linalg.norm(end.normal)
            solid = solid.trim_by_plane(-normal, float(-normal @ end.at))
        for tool in self.without:
            solid -= tool
        return solid


@dataclass(frozen=True)
class ExpectedEnd:
    """What a takeoff of the stall has to find at one end, by construction."""

    tube: str
    section: Section
    position_mm: Point
    axis: Floats
    mitre_deg: float
    cause: Cause


def expected_ends() -> tuple[ExpectedEnd, ...]:
    """What every end of every tube really is. Where a tube is coped its position is on the axis of the post."""
    return tuple(
        ExpectedEnd(tube.name, tube.section, end.at, tube.axis(end), tube.mitre_deg(end), end.cause)
        for tube in _tubes()
        for end in tube.ends
    )


def market_stall() -> list[Mesh]:
    """A mesh for each tube and each plate, in mm: x along the counter, y from the customers inward, z up."""
    bodies = [(tube.name, tube.solid()) for tube in _tubes()] + list(_plates())
    return [Mesh.from_manifold(solid, name) for name, solid in bodies]


def write_demo(folder: Path) -> Path:
    """Write market_stall.stl and market_stall.toml into ``folder``; returns the job file's path."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "market_stall.stl").write_bytes(_binary_stl(market_stall()))
    job = folder / "market_stall.toml"
    job.write_text(JOB, encoding="utf-8")
    return job


# Where things are, in mm.
WIDTH, DEPTH = 3000.0, 2000.0
"""Between the axes of the posts."""
PLATE = 6.0
RAIL_BOTTOM = 2200.0
RAIL_SIDE = RAIL.outer.width
OVERHANG = 200.0
PITCH = 30.0
EAVES = 350.0
"""How far the canopy stands out past the posts."""
COUNTER = 800.0
"""Underside of the counter's bearers."""
INNER_RAIL = 800.0
BALLAST = 150.0
"""From a front post to its ballast sleeve, inward."""
POST_RADIUS = POST.outer.width / 2
GUY_HOLES = (60.0, 100.0)
"""Above the feet of the rear posts."""
BANNER_HOLES = (500.0, 1200.0, 1800.0, 2500.0)
"""Along the counter's front rail."""
RIDGE_SPLIT = 1100.0, 1103.0
"""Where the ridge's parts end, with room for a joiner's collar."""

X: Point = (1, 0, 0)
Y: Point = (0, 1, 0)
Z: Point = (0, 0, 1)


def _tubes() -> list[Tube]:
    return [*_posts_and_feet(), *_top_frame(), *_canopy(), *_counter(), *_braces()]


def _posts_and_feet() -> Iterator[Tube]:
    for name, x, y in _post_places():
        foot: Cause = "blocked" if y == 0 else "open"
        reach = 2 * POST_RADIUS
        guy = [_cylinder((x, y - reach, PLATE + z), (x, y + reach, PLATE + z), 4.25) for z in GUY_HOLES]
        ends = End((x, y, PLATE), foot), End((x, y, RAIL_BOTTOM), "blocked")
        yield Tube(f"{name} post", POST, ends, X, tuple(guy) if y else ())
        if y == 0:
            ends = End((x, BALLAST, PLATE), "blocked"), End((x, BALLAST, PLATE + 150))
            yield Tube(f"{name} ballast sleeve", SLEEVE, ends, X)
            # Leaning out towards the customers for a flag pole, cut plumb.
            ends = End((x, 0, 1500), "coped"), End((x, -300, 1800), normal=(0, -1, 0))
            yield Tube(f"{name} flag sleeve", SLEEVE, ends, X, (_post_at(x, y),))


def _plates() -> Iterator[tuple[str, Manifold]]:
    for name, x, y in _post_places():
        if y == 0:
            yield f"{name} foot plate", Manifold.cube((120, 300, PLATE)).translate((x - 60, y - 75, 0))


def _top_frame() -> Iterator[Tube]:
    z = RAIL_BOTTOM + RAIL_SIDE / 2
    left, right = -OVERHANG, WIDTH + OVERHANG
    # For the eye bolt of a guy rope, too near the end for a cap's spigot to pass.
    hole = _cylinder((right - 10, DEPTH, RAIL_BOTTOM - 1), (right - 10, DEPTH, RAIL_BOTTOM + RAIL_SIDE + 1), 3.5)
    yield Tube("front rail", RAIL, (End((left, 0, z)), End((right, 0, z))), Y)
    yield Tube("rear rail", RAIL, (End((left, DEPTH, z)), End((right, DEPTH, z), "crossed")), Y, (hole,))
    for name, x in _sides():
        ends = End((x, RAIL_SIDE / 2, z), "blocked"), End((x, DEPTH - RAIL_SIDE / 2, z), "blocked")
        yield Tube(f"{name} side rail", RAIL, ends, X)


def _canopy() -> Iterator[Tube]:
    slope = np.tan(np.radians(PITCH))
    middle = DEPTH / 2
    # A rib lies on the rounded outer corner of a rail: its axis passes that corner's centre at both radii together.
    corner = RAIL.outer.corner_radius
    apart = (corner + RIB.outer.width / 2) / np.cos(np.radians(PITCH))
    above_rail = RAIL_BOTTOM + RAIL_SIDE - corner + apart + (RAIL_SIDE / 2 - corner) * slope
    ridge = above_rail + (middle - RAIL_SIDE / 2) * slope
    first, second = (End((x, middle, ridge), "blocked") for x in RIDGE_SPLIT)
    yield Tube("ridge left", RAIL, (End((-OVERHANG, middle, ridge)), first), Y)
    yield Tube("ridge right", RAIL, (second, End((WIDTH + OVERHANG, middle, ridge))), Y)
    for name, x in _sides():
        ends = (
            End((x, middle, RAIL_BOTTOM + RAIL_SIDE), "blocked"),
            End((x, middle, ridge - RAIL_SIDE / 2), "blocked"),
        )
        yield Tube(f"{name} king post", RAIL, ends, X)
    for number, x in enumerate(np.linspace(50 - OVERHANG, WIDTH + OVERHANG - 50, 5), 1):
        for name, at, out in (("front", 0.0, -1.0), ("rear", DEPTH, 1.0)):
            ends = (
                End((x, middle + out * RAIL_SIDE / 2, ridge), "blocked", (0, -out, 0)),
                End((x, at + out * EAVES, above_rail - EAVES * slope), normal=(0, out, 0)),
            )
            yield Tube(f"{name} rib {number}", RIB, ends, X)


def _counter() -> Iterator[Tube]:
    rail = COUNTER - BEARER.outer.width / 2
    bearer = COUNTER + BEARER.outer.width / 2
    half = BEARER.outer.depth / 2
    ends = End((POST_RADIUS, 0, rail), "blocked"), End((WIDTH - POST_RADIUS, 0, rail), "blocked")
    banner = [_cylinder((x, -half - 5, rail), (x, 0, rail), 6) for x in BANNER_HOLES]
    yield Tube("counter front rail", BEARER, ends, Z, tuple(banner))
    ends = End((half, INNER_RAIL, rail), "blocked"), End((WIDTH - half, INNER_RAIL, rail), "blocked")
    yield Tube("counter inner rail", BEARER, ends, Z)
    for name, x in _sides():
        ends = End((x, POST_RADIUS, rail), "blocked"), End((x, DEPTH - POST_RADIUS, rail), "blocked")
        yield Tube(f"counter {name} rail", BEARER, ends, Z)
    rake = np.radians(20)
    for number, x in enumerate(np.linspace(450, WIDTH - 450, 4), 1):
        front = End((x, -250, bearer), normal=(0, -np.cos(rake), -np.sin(rake)))
        yield Tube(f"bearer {number}", BEARER, (front, End((x, INNER_RAIL + 30, bearer))), Z)


def _braces() -> Iterator[Tube]:
    reach = 300.0
    for name, x, y in _post_places():
        inward = 1.0 if x == 0 else -1.0
        ends = (
            End((x, y, RAIL_BOTTOM - reach), "coped"),
            End((x + inward * reach, y, RAIL_BOTTOM), "blocked", Z),
        )
        yield Tube(f"{name} brace", RIB, ends, Y, (_post_at(x, y),))
    tie = End((0, DEPTH, 400), "coped"), End((WIDTH, DEPTH, 400), "coped")
    yield Tube("rear tie", RIB, tie, Y, (_post_at(0, DEPTH), _post_at(WIDTH, DEPTH)))


def _post_places() -> Iterator[tuple[str, float, float]]:
    for row, y in (("front", 0.0), ("rear", DEPTH)):
        for side, x in _sides():
            yield f"{row} {side}", x, y


def _sides() -> tuple[tuple[str, float], tuple[str, float]]:
    return ("left", 0.0), ("right", WIDTH)


def _post_at(x: float, y: float) -> Manifold:
    return _cylinder((x, y, 0), (x, y, RAIL_BOTTOM), POST_RADIUS)


def _cylinder(start: Point, stop: Point, radius: float) -> Manifold:
    along = np.subtract(stop, start)
    disc = CrossSection.circle(radius, facets_of(radius, CHORD_ERROR_MM))
    return disc.extrude(float(np.linalg.norm(along))).transform(Frame.along(start, along, X).matrix[:3])


def _binary_stl(meshes: Sequence[Mesh]) -> bytes:
    """Written out here, since the assembly stands for the work of another program."""
    facet = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    corners = np.concatenate([mesh.corners for mesh in meshes])
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    facets = np.zeros(len(corners), facet)
    facets["normal"] = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-12)
    facets["corners"] = corners
    return b"Market stall, an invented demo".ljust(80) + len(facets).to_bytes(4, "little") + facets.tobytes()
