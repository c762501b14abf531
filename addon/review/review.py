# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole review of one closed mesh in its printing orientation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from manifold3d import Error, Manifold

from ..geometry.frames import Floats
from ..geometry.mesh import Mesh
from ..trade.processes import Material, Process, material_named
from ..trade.tables import UnknownNameError
from . import bath, footing, overhangs, plan, steps, trapped, walls
from .bath import Bath
from .facets import Facets
from .findings import SEVERITIES, Finding
from .footing import Footing
from .integrity import Integrity, checked_arrays, inspect, integrity_findings, repair, without_broken
from .layers import Layers, LayersError, Level, cut_layers, flat_levels, level_findings
from .orientation import Orientations, orientation_finding, orientations
from .outlines import Shapes
from .overhangs import LeaningSurface, Overhang
from .plan import Plan
from .rings import Rings, rings_of
from .solids import solid_of
from .steps import Span, Stair, Steps
from .support import Support, support_under
from .trapped import Trapped
from .walls import Thickness, ThinPart

RAYS = 600
"""Places at which the wall's thickness is taken."""


@dataclass(frozen=True, eq=False)
class Print:
    """What the layers of a closed solid say."""

    layers: Layers
    crown: Span
    steps: Steps
    stair: Stair
    overhangs: tuple[Overhang, ...]
    support: Support
    thin_walls: tuple[ThinPart, ...]
    narrow_gaps: tuple[ThinPart, ...]
    thickness: Thickness
    plan: Plan
    finer_plan: Plan | None
    """With thinner layers where they pay."""
    footing: Footing
    trapped: tuple[Trapped, ...]
    bath: Bath | None
    """None where the process has no bath, or its material is not in the table."""
    orientations: Orientations


@dataclass(frozen=True, eq=False)
class Review:
    """Everything computed, and what there is to say about it, worst first."""

    name: str
    process: Process
    mesh: Mesh
    """The mesh reviewed: the repaired one where the given one could not be."""
    integrity: Integrity
    surface: LeaningSurface
    printed: Print | None
    """None where the mesh encloses no solid, or cannot be cut into layers."""
    findings: tuple[Finding, ...]
    _rings: dict[tuple[int, int, float], Rings] = field(default_factory=dict, repr=False)

    @property
    def watertight(self) -> bool:
        """Whether the mesh as reviewed is the closed surface of a solid."""
        return self.integrity.closed and not self.integrity.inside_out

    def rings(self, layer: int, planned: bool = False) -> Rings:
        """The rings of a layer (counted from 0) as the process is set, or as the ring plan lays them. Worked out when
        first asked for. Raises ``ValueError`` where there are no layers, ``IndexError`` where not that many."""
        if self.printed is None:
            raise ValueError(f"{self.name or 'the mesh'} has no layers; see the findings")
        if not 0 <= layer < len(self.printed.layers):
            raise IndexError(f"layer {layer + 1} is not there; the part has {len(self.printed.layers)}")
        count, bead = self.process.rings, self.process.bead_mm
        row = self.printed.plan.row_at(layer) if planned else None
        if row is not None:
            count, bead = row.rings, row.bead_mm
        key = (int(self.printed.layers.which[layer]), count, bead)
        if key not in self._rings:
            self._rings[key] = rings_of(self.printed.layers.outline(layer), count, bead)
        return self._rings[key]


def review(
    mesh: Mesh,
    process: Process,
    *,
    name: str = "",
    levels: Sequence[Level] | None = None,
    crown_mm: tuple[float, float] | None = None,
    material: Material | None = None,
    sound: bool = False,
) -> Review:
    """Review a mesh that stands as it will be printed: z up, its lowest point at z = 0, in mm.

    ``levels`` names the heights that matter (shoulder, groove faces, top); without it they are the flat faces'.
    ``crown_mm`` is the height range of the part that is seen in use; without it, all above the last place where the
    part widens. ``material`` takes the place of the table's plastic which the process names. ``sound`` says that the
    kernel made the mesh: it crosses itself nowhere, so that is not looked for.
    Raises ``UnreadableMeshError`` for arrays that are no mesh; anything else becomes a finding.
    """
    mesh, broken = without_broken(checked_arrays(mesh))
    mesh, solid, findings = _solid_of(_on_the_plate(mesh), name)
    facets = Facets.of(mesh)
    integrity = inspect(mesh, facets, solid, broken, look_for_crossings=not sound)
    findings += integrity_findings(integrity, name)
    surface = overhangs.leaning(facets, process.overhang_deg, process.first_layer_mm)
    findings += footing.size_finding(mesh.size, process, name)
    printed = None
    if integrity.closed and not integrity.inside_out:
        try:
            layers = cut_layers(solid, facets, process)
        except LayersError as error:
            meaning = f"It cannot be cut into layers: {error}."
            findings.append(Finding(name, "layers", "must fix", meaning, "Scale the mesh to the size meant."))
        else:
            printed, more = _print(
                mesh, solid, facets, layers, integrity, surface, process, name, levels, crown_mm, material
            )
            findings += more
    findings.sort(key=lambda finding: SEVERITIES.index(finding.severity))
    return Review(name, process, mesh, integrity, surface, printed, tuple(findings))


def _on_the_plate(mesh: Mesh) -> Mesh:
    """The mesh without unused vertices, its lowest point at z = 0."""
    used = np.unique(mesh.triangles)
    triangles = mesh.triangles if len(used) == len(mesh.vertices) else np.searchsorted(used, mesh.triangles)
    vertices = mesh.vertices[used]
    return Mesh(vertices - (0.0, 0.0, vertices[:, 2].min()), triangles.astype(np.int32), mesh.name)


def _solid_of(mesh: Mesh, name: str) -> tuple[Mesh, Manifold, list[Finding]]:
    """The mesh and its solid, both of the repaired mesh where the given one encloses nothing and the repaired one does
    better, and then a finding that says so."""
    solid = solid_of(mesh)
    if solid.status() == Error.NoError and mesh.volume >= 0:
        return mesh, solid, []
    mended, notes = repair(mesh)
    if not notes:
        return mesh, solid, []
    mended = _on_the_plate(mended)
    only_joined = all("joined" in note for note in notes)
    finding = Finding(
        fitting=name,
        check="repaired for the review",
        severity="good to know" if only_joined else "look at",
        meaning=" ".join(notes),
        advice="The review is of the repaired mesh; take it over, or mend the original.",
        value=len(notes),
        unit="repairs",
    )
    return mended, solid_of(mended), [finding]


def _print(
    mesh: Mesh,
    solid: Manifold,
    facets: Facets,
    layers: Layers,
    integrity: Integrity,
    surface: LeaningSurface,
    process: Process,
    name: str,
    levels: Sequence[Level] | None,
    crown_mm: tuple[float, float] | None,
    material: Material | None,
) -> tuple[Print, list[Finding]]:
    shapes = Shapes(layers.outlines)
    crown = steps.crown_span(layers, crown_mm)
    seen_mm = crown_mm or (float(layers.bottoms[crown.first]), layers.height + process.layer_mm)
    moved = steps.steps_of(layers, shapes, process)
    stair = steps.stair(facets, np.full(len(facets.areas), process.layer_mm), seen_mm)
    hanging = overhangs.sort_out(layers, overhangs.hanging(layers, process), process)
    support = support_under(layers, [(part.layer, part.region) for part in hanging if not part.carried(process)])
    thin = walls.thin_walls(layers, shapes, process.bead_mm)
    gaps = walls.narrow_gaps(layers, shapes, process.bead_mm)
    places = walls.surface_points(mesh, facets, RAYS)
    thickness = walls.thinnest_place(solid, *places, walls.WALL_BEADS * process.bead_mm)
    ring_plan = plan.plan_rings(layers, moved, crown, process, stair)
    finer = plan.plan_finer(solid, facets, layers, moved, crown, ring_plan, process)
    centre = footing.centre_of_mass(mesh)
    foot = footing.footing_of(layers, centre)
    caught = trapped.trapped_support(layers, support, process.pocket_mouth_mm)
    soaked = _in_bath(mesh, facets, layers, moved, centre, process, material)
    ways = orientations(mesh, solid, facets, centre, seen_mm, process)
    named = flat_levels(facets) if levels is None else levels
    findings = [
        *level_findings(layers, named, name),
        *overhangs.overhang_findings(layers, hanging, surface, named, process, name),
        *trapped.trapped_findings(layers, caught, integrity.cavities, process, name),
        *walls.wall_findings(layers, thin, gaps, thickness, process, name),
        *steps.step_findings(layers, moved, crown, process, name),
        plan.plan_finding(layers, ring_plan, finer, process, name),
        *footing.footing_findings(foot, layers, name),
        orientation_finding(ways, name),
    ]
    if soaked is not None:
        findings += bath.bath_findings(soaked, support.needed, process, name)
    printed = Print(
        layers=layers,
        crown=crown,
        steps=moved,
        stair=stair,
        overhangs=tuple(hanging),
        support=support,
        thin_walls=thin,
        narrow_gaps=gaps,
        thickness=thickness,
        plan=ring_plan,
        finer_plan=finer,
        footing=foot,
        trapped=caught,
        bath=soaked,
        orientations=ways,
    )
    return printed, findings


def _in_bath(
    mesh: Mesh,
    facets: Facets,
    layers: Layers,
    moved: Steps,
    centre: Floats,
    process: Process,
    material: Material | None,
) -> Bath | None:
    if process.bath == "none":
        return None
    try:
        plastic = (material or material_named(process.material)).density
    except UnknownNameError:
        return None
    density = plastic * bath.plastic_volume(layers, moved.inner, process) / layers.volume
    return bath.in_bath(mesh, facets, density, centre, process)
