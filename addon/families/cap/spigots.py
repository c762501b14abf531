# SPDX-License-Identifier: GPL-3.0-or-later
"""The part inside the tube, as for a square-cut end: rim at z = 0, tip down."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from manifold3d import Manifold, OpType, triangulate

from ...geometry.frames import Floats
from ...geometry.topology import Indices
from ...shaping.contours import Contour
from ...shaping.lofts import has_rings, loft, rings
from ...shaping.shells import Shell, in_one_piece, sound, surface_index, tool, without_rim
from .cutters import PAST_MM, prism, ribs, seam_cutters
from .profiles import FLOOR_MM, grooves, spigot_profile
from .recipe import Recipe


def spigot(recipe: Recipe, plan: Contour) -> Shell:
    """The spigot's shell, open at the rim. ``recipe`` is a resolved one, ``plan`` the bore less the gap."""
    shell = _lofted(recipe, plan) if has_rings(plan.outline) else _stacked(recipe, plan)
    added, removed = ribs(recipe, plan), seam_cutters(recipe, plan)
    if not (added or removed):
        return shell
    # The rim is cut last, through everything that stands past it.
    past = shell.vertices + (shell.vertices[:, 2:] == 0) * (0.0, 0.0, PAST_MM)
    everything = tool(prism(plan.grown(2 * PAST_MM), 0.0, 2 * PAST_MM), "rim")
    solid = Manifold.batch_boolean([shell.moved(past).closed(), *added], OpType.Add)
    cut = Manifold.batch_boolean([solid, *removed, everything], OpType.Subtract)
    cause = ("seam_relief", "none") if removed else ("rib_count", 0)
    return sound(without_rim(in_one_piece(cut, *cause)))


def _lofted(recipe: Recipe, plan: Contour) -> Shell:
    profile, (cap, *names) = spigot_profile(recipe)
    return loft(rings(plan.outline, profile[:, 0], plan.facets), profile[:, 1], names, first=cap)


def _stacked(recipe: Recipe, plan: Contour) -> Shell:
    """For outlines that have no equal rings: walls and level faces, one on the other."""
    stack = _Stack()
    outer = _tip(stack, recipe, plan)
    core = plan.grown(-recipe.groove.depth_mm).to_polygons() if recipe.groove.count else []
    for groove in grooves(recipe):
        outer = stack.wall(outer, groove.bottom, "spigot")
        inner = stack.level(core, groove.bottom)
        stack.face(outer + _turned(inner), "groove", up=True)
        inner = stack.wall(inner, groove.top, "groove")
        outer = stack.level(stack.plans(outer), groove.top)
        stack.face(outer + _turned(inner), "groove", up=False)
    return stack.shell(_turned(stack.wall(outer, 0.0, "spigot")))


def _tip(stack: _Stack, recipe: Recipe, plan: Contour) -> Loops:
    """Builds the tip, its lead-in and the hollow; the loop above them."""
    length, lead_in = recipe.spigot_mm, recipe.lead_in_mm
    if lead_in:
        profile = np.array([(0.0, 0.0), (lead_in, lead_in)])
        shell = plan.raised(profile, "lead-in", "lead-in", None).hanging()
        foot, *end = stack.add(shell.moved(shell.vertices - np.array([0.0, 0.0, length - lead_in])))
        outer = _turned([foot])
    else:
        outer = end = stack.level([plan.polygon], -length)
    if not recipe.hollow_wall_mm:
        stack.face(end, "tip", up=False)
        return outer
    inner = _turned(stack.level(plan.grown(-recipe.hollow_wall_mm).to_polygons(), -length))
    stack.face(end + inner, "tip", up=False)
    stack.face(_turned(stack.wall(inner, -FLOOR_MM, "hollow")), "hollow", up=False)
    return outer


Loops = list[Indices]


class _Stack:
    """A shell being built. Loops are vertex indices, counter-clockwise seen from above around what is solid."""

    def __init__(self) -> None:
        self.vertices = np.empty((0, 3))
        self.triangles = np.empty((0, 3), np.int32)
        self.surfaces = np.empty(0, np.int32)

    def plans(self, loops: Loops) -> list[Floats]:
        return [self.vertices[loop, :2] for loop in loops]

    def level(self, plans: Sequence[Floats], z: float) -> Loops:
        """New vertices at a height."""
        loops = []
        for plan in plans:
            loops.append(np.arange(len(plan)) + len(self.vertices))
            self.vertices = np.concatenate([self.vertices, np.column_stack([plan, np.full(len(plan), z)])])
        return loops

    def wall(self, loops: Loops, z: float, surface: str) -> Loops:
        """Goes straight up or down from the loops to a height."""
        ends = self.level(self.plans(loops), z)
        upward = z > self.vertices[loops[0][0], 2]
        for low, high in zip(loops, ends, strict=True) if upward else zip(ends, loops, strict=True):
            low_next, high_next = np.roll(low, -1), np.roll(high, -1)
            self._put(np.stack([low, low_next, high_next, low, high_next, high], axis=1).reshape(-1, 3), surface)
        return ends

    def face(self, loops: Loops, surface: str, *, up: bool) -> None:
        """Fills the region between loops of one height."""
        filling = np.concatenate(loops)[triangulate(self.plans(loops))]
        self._put(filling if up else filling[:, ::-1], surface)

    def add(self, shell: Shell) -> Loops:
        first = len(self.vertices)
        self.vertices = np.concatenate([self.vertices, shell.vertices])
        self.triangles = np.concatenate([self.triangles, shell.triangles + first])
        self.surfaces = np.append(self.surfaces, shell.surfaces)
        return [loop + first for loop in shell.loops]

    def shell(self, loops: Loops) -> Shell:
        return Shell(self.vertices, self.triangles.astype(np.int32), self.surfaces, tuple(loops))

    def _put(self, triangles: Indices, surface: str) -> None:
        self.triangles = np.concatenate([self.triangles, triangles])
        self.surfaces = np.append(self.surfaces, np.full(len(triangles), surface_index(surface), np.int32))


def _turned(loops: Loops) -> Loops:
    return [loop[::-1] for loop in loops]
