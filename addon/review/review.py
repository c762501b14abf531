# SPDX-License-Identifier: GPL-3.0-or-later
"""The whole review of one closed mesh in its printing orientation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from manifold3d import Error, Manifold

from ..families.fitting import Level
from ..fields.messages import say, say_all
from ..geometry.frames import Floats
from ..geometry.mesh import Mesh, WithSolid
from ..trade.processes import Material, Process, material_named
from ..trade.tables import UnknownNameError
from . import bath, footing, offers, overhangs, print_plan, steps, thickness, trapped
from .bath import Bath
from .facets import Facets
from .findings import Finding, worst_first
from .footing import Footing
from .integrity import Integrity, checked_arrays, inspect, integrity_findings, repair, without_broken
from .laid import Laid, laid
from .layers import Layers, LayersError, cut_layers, flat_levels, level_findings
from .orientation import Orientations, orientation_finding, orientations
from .outlines import Shapes
from .overhangs import Hanging, LeaningSurface, Overhang
from .print_plan import PrintPlan
from .rings import Rings, rings_of
from .solids import solid_of
from .steps import LayerSpan, Stair, Steps
from .support import Support, inside_mm3, support_under
from .thickness import Thickness, ThinPart
from .trapped import Trapped

NOTHING_SEEN = (0.0, 0.0)
"""Heights between which there is nothing, of a part that nobody looks at."""
RAYS = 400
"""Places at which the wall's thickness is taken."""


@dataclass(frozen=True, eq=False)
class Print:
    """What the layers of a closed solid say."""

    layers: Layers
    seen: LayerSpan
    """The layers of what is seen in use."""
    thin_walls: tuple[ThinPart, ...]
    narrow_gaps: tuple[ThinPart, ...]
    thickness: Thickness
    footing: Footing
    _hanging: Sequence[Hanging] = field(repr=False)
    _shapes: Shapes = field(repr=False)
    _part: _Examined = field(repr=False)
    _wish: _Wish = field(repr=False)

    # The slower checks, and what no finding at once is about, worked out when first asked for.

    @cached_property
    def stair(self) -> Stair:
        """Of what is seen."""
        wish, facets = self._wish, self._part.facets
        heights = np.full(len(facets.areas), wish.process.layer_mm)
        return steps.stair(facets, heights, wish.seen_of(self.layers, self.seen))

    @cached_property
    def overhangs(self) -> tuple[Overhang, ...]:
        """Bottom up."""
        return tuple(overhangs.sort_out(self.layers, self._hanging, self._wish.process))

    @cached_property
    def support(self) -> Support:
        hung = [(part.layer, part.region) for part in self.overhangs if not part.carried(self._wish.process)]
        return support_under(self.layers, hung)

    @cached_property
    def support_inside_mm3(self) -> float:
        """How much of the support stands in bores."""
        return inside_mm3(self.layers, self.support)

    @cached_property
    def _seen_steps(self) -> Steps:
        return steps.steps_of(self.layers, self._shapes, self._wish.process, self.seen)

    @cached_property
    def _bare(self) -> print_plan.Exposed:
        return print_plan.exposed(self.layers, self._shapes, self._seen_steps, self.seen, self._wish.process)

    @cached_property
    def plan(self) -> PrintPlan:
        return print_plan.plan_print(self.layers.edges, self._bare, self._wish.process)

    @cached_property
    def steps(self) -> Steps:
        """Of all layers; the print plan rests on those of what is seen."""
        return steps.steps_of(self.layers, self._shapes, self._wish.process)

    @cached_property
    def laid(self) -> Laid:
        """What the beads come to, printed as planned."""
        return laid(self.layers, self._wish.process, map(self.plan.at, range(len(self.layers))))

    @cached_property
    def trapped(self) -> tuple[Trapped, ...]:
        return trapped.trapped_support(self.layers, self.support, self._wish.process.pocket_mouth_mm)

    @cached_property
    def bath(self) -> Bath | None:
        """None if the process has no bath, its material is not in the table, or no bead fits into the part."""
        return _in_bath(self._part, self, self._wish)

    @cached_property
    def orientations(self) -> Orientations:
        part, wish = self._part, self._wish
        seen_mm = wish.seen_of(self.layers, self.seen)
        return orientations(part.mesh, part.solid, part.facets, part.centre, seen_mm, wish.process, wish.seen_name)


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
    """None if the mesh encloses no solid, or cannot be cut into layers."""
    at_once: tuple[Finding, ...]
    """What the quick checks say, worst first."""
    _rings: dict[tuple[int, int, float], Rings] = field(default_factory=dict, repr=False)

    @cached_property
    def findings(self) -> tuple[Finding, ...]:
        """What all checks say, worst first; asking for it runs the slower ones: trapped support, the bath, ways up."""
        return worst_first((*self.at_once, *(_later_findings(self.printed) if self.printed else ())))

    def settle(self) -> None:
        """Runs all checks, and those that only lists and papers ask about."""
        _ = self.findings
        if printed := self.printed:
            _ = printed.stair, printed.support, printed.laid, printed.bath, printed.orientations

    @property
    def settled(self) -> bool:
        """Whether the slower checks have run."""
        return "findings" in vars(self)

    @property
    def known(self) -> tuple[Finding, ...]:
        """The findings so far, without running any check."""
        return self.findings if self.settled else self.at_once

    @property
    def watertight(self) -> bool:
        """Whether the mesh as reviewed is the closed surface of a solid."""
        return self.integrity.closed and not self.integrity.inside_out

    def rings(self, layer: int, planned: bool = False) -> Rings:
        """The rings of a layer (counted from 0) as the process is set, or as the print plan lays them. Worked out when
        first asked for. Raises ``ValueError`` if there are no layers, ``IndexError`` if there are fewer."""
        if self.printed is None:
            raise ValueError(f"{self.name or 'the mesh'} has no layers; see the findings")
        if not 0 <= layer < len(self.printed.layers):
            raise IndexError(f"layer {layer + 1} is not there; the part has {len(self.printed.layers)}")
        plan = self.printed.plan
        count, bead = plan.at(layer) if planned else (plan.rings, plan.bead_mm)
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
    seen_mm: tuple[float, float] | None = None,
    seen_name: str = "",
    material: Material | None = None,
    support_planned: bool = False,
    offer_ways: bool = True,
    solid: Manifold | None = None,
) -> Review:
    """Review a mesh that stands as it will be printed: z up, its lowest point at z = 0, in mm.

    ``levels`` names the heights that matter (ledges, faces of grooves, the top); without it they are the flat faces'.
    ``seen_mm`` is the height range of the part that is seen in use; without it, all above the last place where the part
    widens; ``NOTHING_SEEN`` if none is. ``seen_name`` is what it is called. ``material`` takes the place of the table's
    plastic which the process names. With ``support_planned`` support that comes off is part of the plan, and so is how
    it does; it is no finding. Without ``offer_ways`` no better way up is looked for. ``solid`` is the kernel's own
    solid of the mesh, where the kernel made it: such a mesh is sound and crosses itself nowhere, so that is not looked
    for. Raises ``UnreadableMeshError`` for arrays that are not a mesh; anything else becomes a finding.
    """
    made_by_kernel, broken = solid is not None, 0
    findings: list[Finding] = []
    if solid is None:
        mesh, broken = without_broken(checked_arrays(mesh))
        mesh, solid, findings = _solid_and_repairs(_on_the_plate(mesh), name)
    facets = Facets.of(mesh)
    integrity = inspect(mesh, facets, solid, broken, look_for_crossings=not made_by_kernel)
    surface = overhangs.leaning(facets, process.overhang_deg, process.first_layer_mm)
    part = _Examined(mesh, facets, integrity, surface, solid)
    wish = _Wish(name, process, levels, seen_mm, seen_name, material, support_planned, offer_ways)
    findings += integrity_findings(integrity, name)
    findings += footing.size_finding(mesh.size, process, name)
    printed = None
    if integrity.closed and not integrity.inside_out:
        try:
            layers = cut_layers(solid, facets, process)
        except LayersError as error:
            meaning = say("The mesh cannot be cut into layers: {}.", error)
            findings.append(Finding(name, "layers", "must fix", meaning, say("Scale the mesh to its true size.")))
        else:
            printed = _print(part, layers, wish)
            findings += _print_findings(part, printed, wish)
    return Review(name, process, mesh, integrity, part.surface, printed, worst_first(findings))


@dataclass(frozen=True, eq=False)
class _Examined(WithSolid):
    mesh: Mesh
    facets: Facets
    integrity: Integrity
    surface: LeaningSurface
    kernel: Manifold | None

    @cached_property
    def centre(self) -> Floats:
        return self.mesh.centre_of_mass


@dataclass(frozen=True, eq=False)
class _Wish:
    """What the caller asked for, as in ``review``."""

    name: str
    process: Process
    levels: Sequence[Level] | None
    seen_mm: tuple[float, float] | None
    seen_name: str
    material: Material | None
    support_planned: bool
    offer_ways: bool

    def seen_of(self, layers: Layers, seen: LayerSpan) -> tuple[float, float]:
        """The height range that is seen in use."""
        return self.seen_mm or (float(layers.bottoms[seen.first]), layers.height + self.process.layer_mm)


def _on_the_plate(mesh: Mesh) -> Mesh:
    """The mesh without unused vertices, its lowest point at z = 0."""
    used = np.unique(mesh.triangles)
    triangles = mesh.triangles if len(used) == len(mesh.vertices) else np.searchsorted(used, mesh.triangles)
    vertices = mesh.vertices[used]
    return Mesh(vertices - (0.0, 0.0, vertices[:, 2].min()), triangles.astype(np.int32), mesh.name)


def _solid_and_repairs(mesh: Mesh, name: str) -> tuple[Mesh, Manifold, list[Finding]]:
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
        meaning=say_all(notes),
        advice=say("The review is of the repaired mesh; use that, or mend the original."),
        value=len(notes),
        unit="repairs",
    )
    return mended, solid_of(mended), [finding]


def _print(part: _Examined, layers: Layers, wish: _Wish) -> Print:
    process = wish.process
    shapes = Shapes(layers.outlines, thickness.WALL_BEADS * process.bead_mm)
    seen = steps.seen_span(layers, wish.seen_mm)
    points, inward = thickness.surface_points(part.mesh, part.facets, RAYS)
    # Sides no higher than the last layer are measured in that.
    lower = (points[:, 2] < layers.bottoms[-1]) | (np.abs(inward[:, 2]) > 1e-6)
    return Print(
        layers=layers,
        seen=seen,
        thin_walls=thickness.thin_walls(layers, shapes, process.bead_mm),
        narrow_gaps=thickness.narrow_gaps(layers, shapes, process.bead_mm),
        thickness=thickness.thinnest_place(
            part.solid, points[lower], inward[lower], thickness.WALL_BEADS * process.bead_mm
        ),
        footing=footing.footing_of(layers, part.centre),
        _hanging=overhangs.hanging(layers, process),
        _shapes=shapes,
        _part=part,
        _wish=wish,
    )


def _print_findings(part: _Examined, printed: Print, wish: _Wish) -> list[Finding]:
    layers, process, name = printed.layers, wish.process, wish.name
    levels = flat_levels(part.facets) if wish.levels is None else wish.levels
    # Support that is planned with the part is no finding, but for what starts in the air.
    hung = overhangs.islands(layers, printed._hanging) if wish.support_planned else printed.overhangs
    return [
        *(level_findings(layers, levels, name) if wish.levels is None else ()),
        *overhangs.overhang_findings(layers, hung, levels, process, name),
        *thickness.wall_findings(layers, printed.thin_walls, printed.narrow_gaps, printed.thickness, process, name),
        *(() if process.full_layers else print_plan.plan_findings(layers, printed.plan, process, name)),
        *footing.footing_findings(printed.footing, layers, name),
    ]


def _later_findings(printed: Print) -> list[Finding]:
    part, wish = printed._part, printed._wish
    process, name = wish.process, wish.name
    findings = trapped.trapped_findings(printed.layers, printed.trapped, part.integrity.cavities, process, name)
    layers, seen_mm = printed.layers, wish.seen_of(printed.layers, printed.seen)
    findings += offers.more_rings(layers, printed.plan, printed.laid, process, name)
    findings += offers.thinner_layers(
        part.solid, part.facets, layers, printed._bare, printed._seen_steps, printed.stair, seen_mm, process, name
    )
    if wish.offer_ways and (wish.levels is None or not printed.orientations.as_given):
        findings.append(orientation_finding(printed.orientations, name))
    if printed.bath is not None:
        findings += bath.bath_findings(printed.bath, process, name, wish.support_planned)
    return findings


def _in_bath(part: _Examined, printed: Print, wish: _Wish) -> Bath | None:
    if wish.process.bath == "none":
        return None
    try:
        plastic = wish.material or material_named(wish.process.material)
    except UnknownNameError:
        return None
    share = printed.laid.plastic_mm3 / printed.layers.volume
    if share == 0:
        return None
    return bath.in_bath(part.mesh, part.facets, plastic.density * share, part.centre, wish.process)
