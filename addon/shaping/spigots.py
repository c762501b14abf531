# SPDX-License-Identifier: GPL-3.0-or-later
"""The part inside a tube, as for a square-cut end: rim at z = 0, tip down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from manifold3d import CrossSection, Manifold, OpType, triangulate

from ..fields.refusals import RecipeError
from ..geometry.frames import Floats
from ..geometry.polygons import edge_lengths, outward_normals
from ..geometry.sections import Outline
from ..geometry.topology import Indices
from .contours import Contour, Fineness
from .cutters import FLARE, PAST_MM, OutlinePoint, channel_strip, point_at, prism, seam_strip, sides_of
from .features import Grooves, Ribs, SeamRelief, Vent
from .lofts import has_rings, loft, rings
from .ribbed_rings import Levels, SideEdge, notch_edge, raised, rib_edge, rib_feet, rib_heights
from .shells import RIM, Shell, band, in_one_piece, labelled, sound, surface_id, tool, without_rim

FLOOR_MM = 1.0
"""What a hollow spigot keeps under the rim's plane, so that what stands over it does not end in a hole."""
RIB_ROOT_MM = 0.5
"""How deep a rib is rooted in the spigot."""
RIB_CREST = 0.75
"""Share of a rib's width at its foot that it has at its crest."""
RIB_TRIM_MM = 0.02
"""How far outside the ribs the sleeve that trims them lies: no two faces fall together."""
RIBS_ON_SIDES = 8
"""So many ribs on a rounded rectangle stand in twos on its sides, on the lands beside the corners if there are some;
any other count is spread evenly along the outline."""
SPIGOT_SURFACES = ("spigot", "lead-in", "tip", "groove", "hollow", "seam relief", "rib")

_ALIKE_MM = 1e-3
_LEAN = 0.01
"""How much the ends of a side that stands back lean, in mm a mm: no face of a groove's floor comes to nothing."""

_FINENESS = Fineness(720, 0.001)
"""Of a whole circle: areas between two outlines of the same facets are then right to 0.002 %."""


@dataclass(frozen=True)
class Groove:
    """A glue groove between two heights below the rim, all negative. Where its floor is narrower than its mouth, the
    face between them slopes."""

    bottom: float
    top: float
    floor_bottom: float
    floor_top: float


def even_grooves(
    length_mm: float, grooves: Grooves, roof_mm: float = 0.0, roof_down: bool = False
) -> tuple[Groove, ...]:
    """Equal lands between equal grooves, from the tip to the rim, so that they lie centred on the spigot.

    ``roof_mm`` is how much of their width the face that slopes takes, the one nearest the rim or, with ``roof_down``,
    the one nearest the tip."""
    count, width = grooves.count or 0, grooves.width_mm
    land = (length_mm - count * width) / (count + 1)
    bottoms = [-length_mm + land + index * (land + width) for index in range(count)]
    low, high = (roof_mm, 0.0) if roof_down else (0.0, roof_mm)
    return tuple(Groove(bottom, bottom + width, bottom + low, bottom + width - high) for bottom in bottoms)


@dataclass(frozen=True)
class Spigot:
    """A spigot's numbers in mm and degrees, all decided; its outline comes beside them."""

    length_mm: float
    lead_in_mm: float = 0.0
    hollow_wall_mm: float = 0.0
    """0 for a solid one."""
    grooves: tuple[Groove, ...] = ()
    """From the tip to the rim."""
    groove_depth_mm: float = 0.0
    seam: SeamRelief = SeamRelief()
    rib: Ribs = Ribs()
    ribs_at_deg: tuple[float, ...] = ()
    """Around it, where they are not spread evenly."""
    flat: tuple[float, float, float] | None = None
    """Which way (x, y) it is to be cut flat, and how far out: a rib that this would cut is left out."""

    @property
    def profile(self) -> Floats:
        """(k, 2): insets from the outline and heights, from the tip (or the hollow's floor) to the rim."""
        return self._profile()[0]

    def _profile(self) -> tuple[Floats, list[str]]:
        """The profile, and the names of the cap at its start and of the k - 1 surfaces that follow."""
        length, lead_in, hollow = self.length_mm, self.lead_in_mm, self.hollow_wall_mm
        points, names = [], []
        if hollow:
            points += [(hollow, -FLOOR_MM), (hollow, -length)]
            names += ["hollow", "hollow"]
        names.append("tip")
        if lead_in:
            points.append((lead_in, -length))
            names.append("lead-in")
        points.append((0.0, lead_in - length))
        depth = self.groove_depth_mm
        for groove in self.grooves:
            points += [(0.0, groove.bottom), (depth, groove.floor_bottom), (depth, groove.floor_top), (0.0, groove.top)]
            names += ["spigot", "groove", "groove", "groove"]
        points.append((0.0, 0.0))
        names.append("spigot")
        return np.array(points), names

    def raised(self, contour: Contour) -> Shell:
        """The shell over an outline, open at the rim; its surfaces are of ``SPIGOT_SURFACES``. Raises ``RecipeError``
        where a relief would cut it in pieces."""
        if (ribbed := self._ribbed(contour)) is not None:
            return ribbed
        shell = self._lofted(contour) if has_rings(contour.outline) else self._stacked(contour)
        added, removed = self._ribs(contour), self._relief(contour)
        if not (added or removed):
            return shell
        # The rim is cut last, through everything that stands past it.
        past = shell.vertices + (shell.vertices[:, 2:] == 0) * (0.0, 0.0, PAST_MM)
        everything = tool(prism(contour.grown(2 * PAST_MM), 0.0, 2 * PAST_MM), RIM)
        solid = Manifold.batch_boolean([shell.moved(past).closed(), *added], OpType.Add)
        cut = Manifold.batch_boolean([solid, *removed, everything], OpType.Subtract)
        cause = ("seam_relief", "none") if self.seam.kind != "none" else ("rib_count", 0)
        return sound(without_rim(in_one_piece(cut, *cause)))

    def room_in(self, bore: Outline, outline: Outline, vent: Vent) -> float:
        """What fills the gap from the shoulder to the lead-in, the grooves and the seam relief of a spigot of this
        outline, in mm³; ribs take up their room, and a vent channel stays free. By Pappus's theorem, written for any
        outline: area times length."""
        around, spigot = Contour(bore, _FINENESS), Contour(outline, _FINENESS)
        room = around.grown(0.0) - channel_strip(vent, self.seam, spigot)

        @cache
        def beside(inset: float) -> float:
            return (room - self.section(spigot, inset)).area()

        depth = self.groove_depth_mm
        floors = sum(groove.floor_top - groove.floor_bottom for groove in self.grooves)
        slopes = sum(groove.top - groove.bottom for groove in self.grooves) - floors
        volume = beside(0.0) * (self.length_mm - self.lead_in_mm - floors - slopes)
        if floors:
            volume += beside(depth) * floors
        if slopes:  # Simpson's rule: areas change with the square of the inset
            volume += (beside(0.0) + 4 * beside(depth / 2) + beside(depth)) / 6 * slopes
        return volume

    def section(self, contour: Contour, inset_mm: float = 0.0) -> CrossSection:
        """The spigot cut square to its axis, or so deep in a groove."""
        return contour.grown(-inset_mm) + self._rib_sections(contour) - self._relief_strip(contour)

    def ribs_across(self, outline: Outline) -> tuple[int, ...]:
        """How many ribs calipers meet, one or two, on each of the outline's readings; none where they meet no jaw."""
        count = int(self.rib.count or 0)
        if outline.shape == "circle" and self.ribs_at_deg:
            return (2 if any((place + 180) % 360 in self.ribs_at_deg for place in self.ribs_at_deg) else 1,)
        if outline.shape == "circle":
            return (1 + (count + 1) % 2,) if count else (0,)
        if self.ribs_on_sides(outline):
            return tuple(2 if side.land_mm(self._rib_width_mm) else 0 for side in sides_of(outline)[:2])
        return (0,) * len(outline.readings)

    def _ribbed(self, contour: Contour) -> Shell | None:
        """As lofted, ribs and relief in the rings themselves; None where there are none, or they are not made so."""
        outline, seam, kind = contour.outline, self.seam, self.seam.kind
        circle = outline.shape == "circle"
        fits = (circle and kind in ("none", "notch")) or (outline.shape == "rectangle" and kind in ("none", "sides"))
        if self.hollow_wall_mm or not fits or (self.rib.count and not self._ribs_lie_flat(outline)):
            return None
        if kind == "none" and not self.rib.count:
            return None
        height, width = self.rib_mm, self._rib_width_mm
        sides = [] if circle else sides_of(outline)
        lands = [side.land_mm(width) for side in sides]
        if sides and not all(lands):
            return None
        profile, (_, *names) = self._profile()
        levels, bottom = Levels(profile[:, 0], profile[:, 1], tuple(names)), self.lead_in_mm - self.length_mm
        heights = rib_heights(bottom, height)
        if self.rib.count:
            for z in heights[1:]:
                levels = levels.with_height(float(z))
        if kind != "none":
            levels = levels.with_inset(seam.room_mm)
        features: list[tuple[OutlinePoint, SideEdge]] = []
        if self.rib.count:
            most = min(lands) / 2 if sides else outline.half_width / 2
            rib = rib_edge(outline, levels, height, width / 2, RIB_CREST * width / 2, most, heights)
            features += [(place, rib) for place in self.rib_places(contour)]
        if kind == "notch":
            notch = notch_edge(outline, levels, seam.room_mm, seam.width_mm / 2, FLARE)
            features.append((point_at(contour, seam.angle_deg), notch))
        elif kind == "sides":
            lean = _LEAN * seam.room_mm
            features += [
                (side.place, notch_edge(outline, levels, seam.room_mm, side.length_mm / 2 - land - lean, _LEAN))
                for side, land in zip(sides, lands, strict=True)
            ]
        return raised(contour, levels, features)

    def _lofted(self, contour: Contour) -> Shell:
        profile, (cap, *names) = self._profile()
        return loft(rings(contour.outline, profile[:, 0], contour.facets), profile[:, 1], names, first=cap)

    def _stacked(self, contour: Contour) -> Shell:
        """For outlines that have no equal rings: walls, level faces and slopes, one on the other."""
        stack = _Stack()
        outer = self._tip(stack, contour)
        for groove in self.grooves:
            outer = self._groove(stack, contour, outer, groove)
        return stack.shell(_turned(stack.wall(outer, 0.0, "spigot")))

    def _groove(self, stack: _Stack, contour: Contour, outer: LoopRows, groove: Groove) -> LoopRows:
        """Builds the wall up to a groove and the groove; the loop above it."""
        depth, down, up = self.groove_depth_mm, groove.floor_bottom - groove.bottom, groove.top - groove.floor_top

        def slope(height: float) -> Shell:
            return contour.raised(np.array([(0.0, 0.0), (depth, height)]), "groove", "groove", None)

        if down:
            shell = slope(down)
            foot, *core = stack.add(shell.moved(shell.vertices + np.array([0.0, 0.0, groove.bottom])))
            stack.between(outer, [self._alike(stack, outer[0], foot)], "spigot")
            inner = stack.wall(_turned(core), groove.top, "groove")
            outer = stack.level(stack.outlines([foot]), groove.top)
            stack.face(outer + _turned(inner), "groove", up=False)
            return outer
        outer = stack.wall(outer, groove.bottom, "spigot")
        if up:
            shell = slope(up).hanging()
            foot, *core = stack.add(shell.moved(shell.vertices + np.array([0.0, 0.0, groove.top])))
            inner = stack.level(stack.outlines(core), groove.bottom)
            stack.face(outer + _turned(inner), "groove", up=True)
            stack.between(inner, core, "groove")
            return _turned([foot])
        inner = stack.level(contour.grown(-depth).to_polygons(), groove.bottom)
        stack.face(outer + _turned(inner), "groove", up=True)
        inner = stack.wall(inner, groove.top, "groove")
        outer = stack.level(stack.outlines(outer), groove.top)
        stack.face(outer + _turned(inner), "groove", up=False)
        return outer

    def _alike(self, stack: _Stack, below: Indices, above: Indices) -> Indices:
        """The loop ``above`` from the corner over the first of the one below. Raises ``RecipeError`` if they differ."""
        low, high = stack.outlines([below, above])
        turn = int(np.linalg.norm(high - low[0], axis=1).argmin())
        if len(low) != len(high) or np.abs(np.roll(high, -turn, axis=0) - low).max() > _ALIKE_MM:
            problem = "corners of the outline lie too close together for grooves that slope; choose square"
            raise RecipeError("groove_roof", problem, "square")
        return np.roll(above, -turn)

    def _tip(self, stack: _Stack, contour: Contour) -> LoopRows:
        """Builds the tip, its lead-in and the hollow; the loop above them."""
        length, lead_in = self.length_mm, self.lead_in_mm
        if lead_in:
            profile = np.array([(0.0, 0.0), (lead_in, lead_in)])
            shell = contour.raised(profile, "lead-in", "lead-in", None).hanging()
            foot, *end = stack.add(shell.moved(shell.vertices - np.array([0.0, 0.0, length - lead_in])))
            outer = _turned([foot])
        else:
            outer = end = stack.level([contour.polygon], -length)
        if not self.hollow_wall_mm:
            stack.face(end, "tip", up=False)
            return outer
        inner = _turned(stack.level(contour.grown(-self.hollow_wall_mm).to_polygons(), -length))
        stack.face(end + inner, "tip", up=False)
        stack.face(_turned(stack.wall(inner, -FLOOR_MM, "hollow")), "hollow", up=False)
        return outer

    def _relief(self, contour: Contour) -> list[Manifold]:
        """The relief for the tube's weld seam, all along the spigot."""
        strip = self._relief_strip(contour)
        return [] if strip.is_empty() else [tool(prism(strip, -self.length_mm - PAST_MM, PAST_MM), "seam relief")]

    def _relief_strip(self, contour: Contour) -> CrossSection:
        return seam_strip(self.seam, contour, self._rib_width_mm)

    def _ribs(self, contour: Contour) -> list[Manifold]:
        """Ribs all along the spigot from its lead-in on, across the grooves too: so nothing of them hangs."""
        if not self.rib.count:
            return []
        bottom = self.lead_in_mm - self.length_mm
        sagitta = self._rib_width_mm**2 / 8 / contour.outline.half_width
        ribs = Manifold.batch_boolean(
            [self._rib(place, bottom, sagitta) for place in self.rib_places(contour)], OpType.Add
        )
        if not self._ribs_lie_flat(contour.outline):
            # Next to a corner a rib would stand out farther than it is high.
            ribs ^= prism(contour.grown(self.rib_mm + RIB_TRIM_MM), -self.length_mm, 2 * PAST_MM)
        return [tool(ribs, "rib")]

    def _rib(self, place: OutlinePoint, bottom: float, sagitta: float) -> Manifold:
        """A rib that grows from nothing at its tip and stands past the rim. ``sagitta`` is how far the outline falls
        away under its foot."""
        height, half, root = self.rib_mm, self._rib_width_mm / 2, self._rib_root
        crest = RIB_CREST * half
        heights = np.append(rib_heights(bottom, height), PAST_MM)
        feet, tops = rib_feet(height, half, crest), np.array([-sagitta, height / 2, height])
        stack = [
            place.placed(_rib_section(root, min(top, 0.0), top, foot, crest))
            for foot, top in zip((*feet, half), (*tops, height), strict=True)
        ]
        return labelled(loft(np.array(stack), heights, ["rib"] * 3, first="rib", last="rib"))

    def _rib_sections(self, contour: Contour) -> CrossSection:
        """The ribs, cut square to the axis."""
        half = self._rib_width_mm / 2
        section = _rib_section(self._rib_root, 0.0, self.rib_mm, half, RIB_CREST * half)
        sections = [CrossSection([place.placed(section)]) for place in self.rib_places(contour)]
        return CrossSection.batch_boolean(sections, OpType.Add) if sections else CrossSection()

    @property
    def _rib_root(self) -> float:
        """Where ribs begin, outward from the outline: inside the grooves' floor."""
        return -RIB_ROOT_MM - (self.groove_depth_mm if self.grooves else 0.0)

    def _ribs_lie_flat(self, outline: Outline) -> bool:
        return outline.shape == "circle" or self.ribs_on_sides(outline)

    def ribs_on_sides(self, outline: Outline) -> bool:
        """Whether they stand in twos on the sides of a rounded rectangle."""
        return outline.shape == "rectangle" and self.rib.count == RIBS_ON_SIDES

    @property
    def rib_mm(self) -> float:
        """How high the ribs stand; 0 without."""
        return float(self.rib.height_mm or 0.0) if self.rib.count else 0.0

    @property
    def _rib_width_mm(self) -> float:
        return float(self.rib.width_mm or 0.0)

    def rib_places(self, contour: Contour) -> list[OutlinePoint]:
        """Where the ribs' middles lie on the outline."""
        if not self.rib.count:
            return []
        places = self._all_rib_places(contour)
        if self.flat is None:
            return places
        way, half = np.array(self.flat[:2]), self._rib_width_mm / 2
        return [rib for rib in places if rib.place @ way + half * abs(rib.along @ way) <= self.flat[2]]

    def _all_rib_places(self, contour: Contour) -> list[OutlinePoint]:
        if self.ribs_at_deg:
            return [point_at(contour, degrees) for degrees in self.ribs_at_deg]
        if not self.ribs_on_sides(contour.outline):
            return _spread(contour, int(self.rib.count or 0), self.seam.angle_deg)
        places = []
        for side in sides_of(contour.outline):
            land = side.land_mm(self._rib_width_mm)
            off = (side.length_mm - land) / 2 if self.seam.kind == "sides" else side.length_mm / 4
            places += [
                side.place._replace(place=side.place.place + off * turn * side.place.along) for turn in (-1, 1) if land
            ]
        return places


def _rib_section(root: float, foot: float, height: float, half: float, crest: float) -> Floats:
    """(6, 2): a rib's corners outward from the outline and along it, from its root to its crest and back."""
    side = [(root, half), (foot, half), (height, crest)]
    return np.array([*((out, -aside) for out, aside in side), *side[::-1]])


def _spread(contour: Contour, count: int, seam_degrees: float) -> list[OutlinePoint]:
    """Places evenly along the outline, such that neither the seam nor the vent opposite is hit: half a step past the
    seam, or a third where the count is odd."""
    polygon, share = contour.polygon, 1 / 3 if count % 2 else 0.5
    if contour.outline.shape == "circle":  # away from its middle a facet does not face the axis
        return [point_at(contour, seam_degrees + 360.0 * (rib + share) / count) for rib in range(count)]
    lengths, outward = edge_lengths(polygon), outward_normals(polygon)
    ends = np.cumsum(lengths)
    seam = int(np.linalg.norm(polygon - point_at(contour, seam_degrees).place, axis=1).argmin())
    places = []
    for distance in (ends[seam] - lengths[seam] + (np.arange(count) + share) * ends[-1] / count) % ends[-1]:
        edge = int(np.searchsorted(ends, distance, "right"))
        along = 1 - (ends[edge] - distance) / lengths[edge]
        place = polygon[edge] + along * (polygon[(edge + 1) % len(polygon)] - polygon[edge])
        places.append(OutlinePoint(place, outward[edge]))
    return places


LoopRows = list[Indices]


class _Stack:
    """A shell being built. Loops are vertex indices, counter-clockwise seen from above around what is solid."""

    def __init__(self) -> None:
        self.vertices = np.empty((0, 3))
        self.triangles = np.empty((0, 3), np.int32)
        self.surfaces = np.empty(0, np.int32)

    def outlines(self, loops: LoopRows) -> list[Floats]:
        return [self.vertices[loop, :2] for loop in loops]

    def level(self, outlines: Sequence[Floats], z: float) -> LoopRows:
        """New vertices at a height."""
        loops = []
        for outline in outlines:
            loops.append(np.arange(len(outline)) + len(self.vertices))
            self.vertices = np.concatenate([self.vertices, np.column_stack([outline, np.full(len(outline), z)])])
        return loops

    def wall(self, loops: LoopRows, z: float, surface: str) -> LoopRows:
        """Goes straight up or down from the loops to a height."""
        ends = self.level(self.outlines(loops), z)
        upward = z > self.vertices[loops[0][0], 2]
        self.between(*((loops, ends) if upward else (ends, loops)), surface)
        return ends

    def between(self, lower: LoopRows, upper: LoopRows, surface: str) -> None:
        """The upright wall between loops that lie over each other, corner by corner."""
        for low, high in zip(lower, upper, strict=True):
            self._put(band(low, high), surface)

    def face(self, loops: LoopRows, surface: str, *, up: bool) -> None:
        """Fills the region between loops of one height."""
        filling = np.concatenate(loops)[triangulate(self.outlines(loops))]
        self._put(filling if up else filling[:, ::-1], surface)

    def add(self, shell: Shell) -> LoopRows:
        first = len(self.vertices)
        self.vertices = np.concatenate([self.vertices, shell.vertices])
        self.triangles = np.concatenate([self.triangles, shell.triangles + first])
        self.surfaces = np.append(self.surfaces, shell.surfaces)
        return [loop + first for loop in shell.loops]

    def shell(self, loops: LoopRows) -> Shell:
        return Shell(self.vertices, self.triangles.astype(np.int32), self.surfaces, tuple(loops))

    def _put(self, triangles: Indices, surface: str) -> None:
        self.triangles = np.concatenate([self.triangles, triangles])
        self.surfaces = np.append(self.surfaces, np.full(len(triangles), surface_id(surface), np.int32))


def _turned(loops: LoopRows) -> LoopRows:
    return [loop[::-1] for loop in loops]
