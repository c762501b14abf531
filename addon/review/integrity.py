# SPDX-License-Identifier: GPL-3.0-or-later
"""Whether a mesh is the closed surface of a solid, and a repair where that is safe."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from manifold3d import Error, Manifold, OpType, triangulate

from ..fields.messages import NOTHING, say
from ..geometry import topology
from ..geometry.frames import Floats
from ..geometry.mesh import Mesh
from ..geometry.topology import Indices
from ..takeoff.cleaning import TakeoffError, cleaned
from .crossings import MOST_TRIANGLES, crossings
from .facets import Facets
from .findings import Finding, Place, Severity, say_place
from .solids import solid_of

_FLAT = 1e-3
"""Share of its size by which an opening may be out of flat and still be closed."""
_SMALL_HOLE = 0.01
"""Largest share of the surface that a repair closes: a lost face, not an open tube."""
_SHELL_SPECK = 1e-9
"""Share of the size cubed under which a shell encloses nothing."""


class UnreadableMeshError(ValueError):
    """Arrays that are not a mesh: what is wrong with them, and what to do."""


@dataclass(frozen=True)
class ClosedSurface:
    """One connected closed surface."""

    volume_mm3: float
    """Negative where it bounds a cavity, or is inside out."""
    centre_mm: Place


@dataclass(frozen=True)
class Integrity:
    """What is wrong with a mesh. Counts of faces and edges; places in mm."""

    not_numbers: int
    """Faces with a corner that is not a number."""
    no_area: int
    open_edges: int
    open_place: Place | None
    non_manifold_edges: int
    """Edges where more than two faces meet."""
    flipped_edges: int
    """Edges whose two faces disagree on which side is out."""
    flipped_place: Place | None
    crossing: int | None
    """Faces that pass through others; None if they were not looked for."""
    too_many_to_cross: bool
    """Whether that is because the mesh has too many faces."""
    crossing_place: Place | None
    shells: tuple[ClosedSurface, ...]
    """Of a closed mesh."""
    overlap_mm3: float
    """Volume that shells have in common."""

    @property
    def closed(self) -> bool:
        return not (self.open_edges or self.non_manifold_edges or self.flipped_edges)

    @property
    def inside_out(self) -> bool:
        return bool(self.shells) and sum(shell.volume_mm3 for shell in self.shells) < 0

    @property
    def cavities(self) -> tuple[ClosedSurface, ...]:
        return tuple(shell for shell in self.shells if shell.volume_mm3 < 0) if not self.inside_out else ()

    @property
    def bodies(self) -> int:
        """Shells that are not cavities."""
        return len(self.shells) - len(self.cavities)


def checked_arrays(mesh: Mesh) -> Mesh:
    """The mesh with its arrays in the right shape. Raises ``UnreadableMeshError``."""
    vertices = np.asarray(mesh.vertices, float)
    triangles = np.asarray(mesh.triangles)
    if triangles.size == 0 or vertices.size == 0:
        raise UnreadableMeshError("the mesh has no faces; pick an object with a surface")
    if vertices.ndim != 2 or vertices.shape[1] != 3 or triangles.ndim != 2 or triangles.shape[1] != 3:
        raise UnreadableMeshError(
            say(
                "vertices {shape} and triangles {shape_2} were given; both need three columns",
                shape=vertices.shape,
                shape_2=triangles.shape,
            )
        )
    if triangles.min() < 0 or triangles.max() >= len(vertices):
        raise UnreadableMeshError("a face names a vertex that is not there; export the mesh again")
    return Mesh(vertices, triangles.astype(np.int32), mesh.name)


def without_broken(mesh: Mesh) -> tuple[Mesh, int]:
    """The mesh without the faces whose corners are not numbers, and how many those are. Raises
    ``UnreadableMeshError`` if no other is left."""
    sound = np.isfinite(mesh.vertices).all(axis=1)[mesh.triangles].all(axis=1)
    if sound.all():
        return mesh, 0
    if not sound.any():
        raise UnreadableMeshError("no face of the mesh has three sound corners; export it again")
    return Mesh(mesh.vertices, mesh.triangles[sound], mesh.name), int(np.count_nonzero(~sound))


def inspect(mesh: Mesh, facets: Facets, solid: Manifold, broken: int, look_for_crossings: bool) -> Integrity:
    """``solid`` is the kernel's reading of the mesh, whose status already says whether the edges are sound, ``broken``
    the number of faces that were left out because their corners are not numbers."""
    crossed = crossings(mesh) if look_for_crossings else None
    shells, overlap = _shells(mesh, solid) if solid.status() == Error.NoError else ((), 0.0)
    open_edges = non_manifold = flipped = 0
    open_place = flipped_place = None
    if solid.status() != Error.NoError:
        triangles = mesh.triangles.astype(np.int64)
        edges = topology.edges(triangles, len(mesh.vertices))
        start = triangles.ravel()
        end = triangles[:, [1, 2, 0]].ravel()
        against = (edges.twins >= 0) & (start == start[edges.twins])
        open_edges, non_manifold = edges.single.size, len(np.unique(edges.crowd))
        flipped = int(against.sum()) // 2
        middles = (mesh.vertices[start] + mesh.vertices[end]) / 2
        open_place, flipped_place = _first(middles, edges.single), _first(middles, np.flatnonzero(against))
    return Integrity(
        not_numbers=broken,
        no_area=int(np.count_nonzero(facets.areas <= 0)),
        open_edges=open_edges,
        open_place=open_place,
        non_manifold_edges=non_manifold,
        flipped_edges=flipped,
        flipped_place=flipped_place,
        too_many_to_cross=look_for_crossings and crossed is None,
        crossing=None if crossed is None else len(np.unique(crossed.pairs)),
        crossing_place=None if crossed is None else crossed.place,
        shells=shells,
        overlap_mm3=overlap,
    )


def _shells(mesh: Mesh, solid: Manifold) -> tuple[tuple[ClosedSurface, ...], float]:
    parts = solid.decompose()
    if len(parts) == 1:
        low, high = mesh.bounds
        x, y, z = ((low + high) / 2).tolist()
        return (ClosedSurface(mesh.volume, (x, y, z)),), 0.0
    speck = _SHELL_SPECK * float(mesh.size.max()) ** 3
    shells, bodies = [], []
    for part in parts:
        shell = Mesh.from_manifold(part)
        volume = shell.volume
        if abs(volume) > speck:
            x, y, z = shell.bounds.mean(axis=0).tolist()
            shells.append(ClosedSurface(volume, (x, y, z)))
            if volume > 0:
                bodies.append(part)
    overlap = 0.0
    if len(bodies) > 1:
        apart = sum(part.volume() for part in bodies)
        overlap = apart - Manifold.batch_boolean(bodies, OpType.Add).volume()
    return tuple(shells), overlap if overlap > max(speck, 1e-6 * abs(mesh.volume)) else 0.0


def _first(points: Floats, which: Indices) -> Place | None:
    if not len(which):
        return None
    x, y, z = points[which[0]].tolist()
    return x, y, z


def repair(mesh: Mesh) -> tuple[Mesh, tuple[str, ...]]:
    """The mesh with all that is safe to mend mended, and what was done, in sentences.

    Equal vertices are joined, faces without corners or twice there are left out, faces wound against their neighbours
    are turned, small flat openings are closed, and a mesh that is inside out is turned right side out. Nothing that
    would be a guess at the shape is done: larger openings stay open and crossing surfaces stay as they are. Raises
    ``UnreadableMeshError`` for arrays that are not a mesh.
    """
    mesh = checked_arrays(mesh)
    try:
        clean = cleaned([mesh])
    except TakeoffError as error:
        raise UnreadableMeshError(str(error)) from None
    notes = list(clean.notes)
    vertices, triangles = clean.vertices, clean.triangles
    if not len(triangles):
        raise UnreadableMeshError("no face of the mesh has three sound corners; export it again")
    if len(vertices) < len(np.unique(mesh.triangles)):
        notes.insert(0, "Vertices at the same place were joined.")
    lids = _lids(vertices, triangles)
    if len(lids):
        triangles = np.concatenate([triangles, lids])
        notes.append(f"Small flat openings were closed with {len(lids)} new face{'s' * (len(lids) > 1)}.")
    mended = Mesh(vertices, triangles.astype(np.int32), mesh.name)
    if mended.volume < 0 and solid_of(mended).status() == Error.NoError:
        mended = Mesh(mended.vertices, mended.triangles[:, ::-1].copy(), mesh.name)
        notes.append("The mesh was inside out; it was turned right side out.")
    return mended, tuple(notes)


def _lids(vertices: Floats, triangles: Indices) -> Indices:
    """(k, 3): faces that close the small flat openings."""
    edges = topology.edges(triangles, len(vertices))
    if edges.non_manifold.size or edges.same_way or not edges.single.size:
        return np.empty((0, 3), np.int64)
    rim, begins = topology.borders(edges.twins, edges.single)
    surface = Mesh(vertices, triangles.astype(np.int32)).area
    # Along an opening the lid's edges run the other way.
    loops = [triangles.ravel()[rim[a:b]][::-1] for a, b in pairwise(begins.tolist())]
    return np.concatenate([np.empty((0, 3), np.int64), *(_lid(vertices, loop, surface) for loop in loops)])


def _lid(vertices: Floats, loop: Indices, surface_mm2: float) -> Indices:
    points = vertices[loop]
    centre = points.mean(axis=0)
    arms = points - centre
    (normal,) = topology.vector_areas(arms, np.array([0, len(arms)]))
    area = float(np.linalg.norm(normal))
    if len(loop) < 3 or area <= 0 or area > _SMALL_HOLE * surface_mm2:
        return np.empty((0, 3), np.int64)
    normal /= area
    if np.abs(arms @ normal).max() > _FLAT * np.linalg.norm(arms, axis=1).max():
        return np.empty((0, 3), np.int64)
    side = np.cross(normal, np.eye(3)[int(np.argmin(np.abs(normal)))])
    side /= np.linalg.norm(side)
    flat = np.column_stack([arms @ side, arms @ np.cross(normal, side)])
    return loop[np.asarray(triangulate([flat]), np.int64).reshape(-1, 3)]


def integrity_findings(integrity: Integrity, name: str) -> list[Finding]:
    """What is wrong with the mesh, worst first."""

    def finding(
        check: str, severity: Severity, meaning: str, advice: str, value: float, unit: str, place: Place | None = None
    ) -> Finding:
        return Finding(
            fitting=name,
            check=check,
            severity=severity,
            meaning=say(meaning),
            advice=say(advice),
            value=value,
            limit=0.0,
            unit=unit,
            where=say_place(place) if place else NOTHING,
            position_mm=place,
        )

    findings = []
    if integrity.not_numbers:
        findings.append(
            finding(
                "broken coordinates",
                "must fix",
                "Faces have corners that are not numbers; the review leaves them out.",
                "Export the mesh again, or delete these faces.",
                integrity.not_numbers,
                "faces",
            )
        )
    if integrity.open_edges:
        findings.append(
            finding(
                "open edges",
                "must fix",
                "The surface has openings, so it encloses no solid.",
                "Close the openings; the repair closes small flat ones.",
                integrity.open_edges,
                "edges",
                integrity.open_place,
            )
        )
    if integrity.non_manifold_edges:
        findings.append(
            finding(
                "non-manifold edges",
                "must fix",
                "More than two faces meet at an edge, so inside and outside cannot be told apart.",
                "Delete the faces inside the part, or give each body edges of its own.",
                integrity.non_manifold_edges,
                "edges",
            )
        )
    if integrity.flipped_edges:
        findings.append(
            finding(
                "flipped faces",
                "must fix",
                "Neighbouring faces disagree on which side is out.",
                "Turn the flipped faces round; the repair does that.",
                integrity.flipped_edges,
                "edges",
                integrity.flipped_place,
            )
        )
    if integrity.inside_out:
        findings.append(
            finding(
                "inside out",
                "must fix",
                "The surface faces inward, so the solid would be everything around it.",
                "Turn all faces round; the repair does that.",
                1,
                "meshes",
            )
        )
    if integrity.crossing and not integrity.overlap_mm3:
        findings.append(
            finding(
                "self-crossing",
                "must fix",
                "The surface passes through itself.",
                "Join the bodies into one, or move the faces apart.",
                integrity.crossing,
                "faces",
                integrity.crossing_place,
            )
        )
    if integrity.too_many_to_cross:
        findings.append(
            Finding(
                fitting=name,
                check="crossings not looked for",
                severity="good to know",
                meaning=say(
                    "The mesh has over {:,} faces, or too many close together, so places where it passes through "
                    "itself were not looked for.",
                    MOST_TRIANGLES,
                ),
                advice=say("Reduce the mesh: a print shows nothing finer than its beads."),
            )
        )
    if integrity.overlap_mm3 > 0:
        findings.append(
            finding(
                "overlapping bodies",
                "look at",
                "Bodies overlap; they are reviewed as one.",
                "Join them into one solid.",
                round(integrity.overlap_mm3, 3),
                "mm³",
            )
        )
    if integrity.no_area:
        findings.append(
            finding(
                "faces without area",
                "good to know",
                "Some faces have no area; they are not printed.",
                "Nothing to do; delete them to tidy the mesh.",
                integrity.no_area,
                "faces",
            )
        )
    if integrity.bodies > 1:
        findings.append(
            finding(
                "loose bodies",
                "look at",
                f"The mesh holds {integrity.bodies} bodies that are not joined.",
                "Join them, or review and print each by itself.",
                integrity.bodies,
                "bodies",
            )
        )
    return findings
