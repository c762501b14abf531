# SPDX-License-Identifier: GPL-3.0-or-later
"""From a recipe and a pattern of holes to a drill guide's solid.

It is printed with the tube's axis upright, a sleeve on its stop, a saddle on the end that its arrow points to, so that
nothing has to bridge the tube's width.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from manifold3d import CrossSection, JoinType, Manifold, OpType

from ...fields.messages import Length, Message, Name, say
from ...fields.refusals import RecipeError
from ...geometry.frames import Floats, Frame
from ...geometry.mesh import Mesh
from ...geometry.polygons import contains, nearest
from ...shaping.contours import Contour, Fineness
from ...shaping.cutters import PAST_MM, OutlinePoint, point_at, prism
from ...shaping.marks import Layering, raised
from ...shaping.shells import in_one_piece, sound, surface_indices, tool, unlabelled
from ...shaping.sleeves import sleeve_sections
from ...shaping.strokes import written_size
from ...trade.hardware import Thread, thread_named
from ..circumstances import Circumstances
from ..layer_edges import LayerEdges
from ..over_tube import tube_off_mm
from ..settling import EXACT, outline_faults_refused
from .bosses import UP, Workshop, along, screw_radius
from .bounds import FAR_MM, GROOVE_MM, Bush, Plan, said_drill, settle, ways
from .guide import DrillGuide
from .patterns import GuidePlace
from .recipe import GuideRecipe
from .sides import CLEAR_MM

EDGE_MM = 3.0
"""Beside a groove for a hose clamp, and a mark."""
SLIT_MM, NOTCH_MM = 2.0, 2.0
LEDGE_MM = 1.0
"""How far a sleeve's stop reaches inward past the tube's wall."""
STANDS_DEG = 17.0
"""How far it leans before it falls over as it is printed."""
_ANGLES = 24
_APART_DEG = 40.0
"""Between a slit or a screw and the marks."""
_ROOMIER: tuple[tuple[str, Any, str], ...] = (
    ("style", "saddle", "choose a saddle"),
    ("drill", "pilot", "choose a pilot, whose bushes are smaller"),
    ("clamp", "screws", "choose screws"),
)
"""What may have room where the guide that is wanted has none."""
_LEAST_GROOVE_MM = 0.1


def design(
    recipe: GuideRecipe, place: GuidePlace, circumstances: Circumstances | None = None, facets: int | None = None
) -> DrillGuide:
    """The guide for a pattern of holes. ``facets`` of a whole circle is for previews. Raises ``RecipeError``."""
    with outline_faults_refused():
        shape = _roomy(recipe, place, circumstances, facets)
        solid = in_one_piece(shape.solid(), "style", "auto")
    plan = shape.plan
    shell = sound(unlabelled(solid))
    return DrillGuide(
        plan.recipe,
        place.section,
        Mesh(shell.vertices, shell.triangles),
        surface_indices(shell.surfaces, DrillGuide.surface_names),
        plan,
        shape.top,
        shape.bottom,
        shape.stop,
        tube_off_mm(place.section, circumstances),
        kernel=shell.kernel,
    )


def _roomy(recipe: GuideRecipe, place: GuidePlace, circumstances: Circumstances | None, facets: int | None) -> _Shape:
    """The guide put on in the first way that leaves it room. Raises ``RecipeError``, where none does with a change that
    would help."""
    shapes, refusals = _tried(recipe, place, circumstances, facets)
    if not shapes:
        raise refusals[0]
    if shapes[-1].has_room:
        return shapes[-1]
    problem, instead = shapes[0].lack_of_room
    for field, works, said in _ROOMIER:
        roomier = replace(recipe, **{field: works})
        others = _tried(roomier, place, circumstances, facets)[0]
        if roomier != recipe and others and others[-1].has_room:
            raise RecipeError(field, say("{}; {}", problem, said), works)
    raise RecipeError("style", problem, None, instead)


def _tried(
    recipe: GuideRecipe, place: GuidePlace, circumstances: Circumstances | None, facets: int | None
) -> tuple[list[_Shape], list[RecipeError]]:
    """The guides that were tried, at each place with brief marks last, up to the first that has room; and what was
    refused."""
    process = circumstances.process if circumstances else None
    shapes: list[_Shape] = []
    refusals: list[RecipeError] = []
    layering, edges = Layering.by(process), LayerEdges.of(process) if process else None
    most = process.most_drawn_height_mm if process else math.inf
    for way in ways(recipe, place):
        try:
            plan = settle(recipe, place, circumstances, way)
            workshop = Workshop(layering, Fineness.of(facets), plan.thickness_mm)
            for brief in (False, True):
                shape = _Shape(plan, workshop, edges, most, brief)
                roomy = shape.has_room  # before it counts as tried: where no screws go in, that is refused here
                shapes.append(shape)
                if roomy:
                    return shapes, refusals
        except RecipeError as refusal:
            refusals.append(refusal)
    return shapes, refusals


@dataclass(frozen=True, eq=False)
class _Shape:
    """Heights are along the tube's axis, as in the guide's frame; ``top`` is what stands on the plate."""

    plan: Plan
    workshop: Workshop
    edges: LayerEdges | None
    most_mm: float
    """How high it may be on the plate."""
    brief: bool = False
    """Whether the drills are left out of the marks."""

    @property
    def has_room(self) -> bool:
        return self.is_printable and self.plan.room.holds(self.bottom, math.inf if self.is_sleeve else self.top)

    @property
    def is_printable(self) -> bool:
        return self.top - self.bottom <= self.most_mm + EXACT

    @property
    def lack_of_room(self) -> tuple[Message, Message]:
        """What is in the way of one that has none, and what to do instead."""
        room, entries = self.plan.room, [bush.entry for bush in self.plan.bushes]
        first, last = (pick(entries, key=lambda entry: entry.point[2]) for pick in (max, min))
        style, height = self.plan.recipe.style, Length(self.top - self.bottom)
        if not self.is_printable:
            spare = self.most_mm - (self.top - self.bottom)
            row = (0.0 if self.is_sleeve else first.point[2]) - last.point[2] + spare
            served = say("for holes up to {} {}", Length(max(row, 0.0)), "from the end" if self.is_sleeve else "apart")
            problem = say("the {} would be {} high; the plate has room for {}", style, height, Length(self.most_mm))
            advice = say("Drill there by hand, or choose a process whose plate has room for {}.", height)
            return (say("{}, {}", problem, served) if row > 0 else problem), advice
        below = self.bottom < room.low_mm + CLEAR_MM
        blocker, hole = (room.below, last) if below else (room.above, first)
        free = last.point[2] - room.low_mm if below else room.high_mm - first.point[2]
        needed = last.point[2] - self.bottom if below else self.top - first.point[2]
        who = Name(blocker.body) if blocker.body else "another part"
        problem = say(
            "{} stands beside {} {} past hole {}{}, and the {} reaches {} past it",
            who,
            Name(blocker.tube) if blocker.tube else "the tube",
            Length(max(free, 0.0)),
            hole.hole,
            f", which is {blocker.hole}" if blocker.hole else "",
            style,
            Length(needed + CLEAR_MM),
        )
        return problem, say("Drill there before what stands there is welded on, or by hand.")

    @property
    def is_sleeve(self) -> bool:
        return self.plan.side is None

    @cached_property
    def bosses(self) -> list[Manifold]:
        return [self.workshop.bush(bush) for bush in self.plan.bushes]

    @cached_property
    def tip(self) -> float:
        """The highest point of the rim, under a sleeve's stop."""
        lean, towards = np.radians([self.plan.place.mitre_deg, self.plan.place.mitre_direction_deg])
        way = -np.array([np.cos(towards), np.sin(towards)]) * np.tan(lean)
        return float((self.plan.bore.polygon() @ way).max()) if lean else 0.0

    @cached_property
    def top(self) -> float:
        """A bush near the rim may reach past it."""
        highest = max(boss.bounding_box()[5] for boss in self.bosses)
        if not self.is_sleeve:
            return highest + self._land
        past = max(bush.at(0.0)[2] + bush.radius_mm for bush in self.plan.bushes) - self.tip
        return self.tip + self._on_layer(max(self.plan.thickness_mm, past))

    @cached_property
    def stop(self) -> float:
        """Thickness of a sleeve's stop."""
        return self.top - self.tip if self.is_sleeve else 0.0

    @property
    def _land(self) -> float:
        """What an end without a stop has past its bushes."""
        if self.plan.recipe.clamp == "hose clamp":
            return self.plan.recipe.band_mm + GROOVE_MM + 2 * EDGE_MM
        return EDGE_MM

    @cached_property
    def bottom(self) -> float:
        """Low enough for bushes, clamps and marks."""
        upper = self.top - (self.stop or self._land)
        middle = upper - min(boss.bounding_box()[2] for boss in self.bosses)
        middle = middle + self._mark_mm if self._mark_from is None else max(middle, self._mark_mm)
        if self._thread:
            middle = max(middle, 4 * screw_radius(self._thread))
        return self.top - self._on_layer(self.top - upper + middle + self._land)

    def _on_layer(self, height: float) -> float:
        """Up to the next layer's edge over the plate."""
        if self.edges is None:
            return height
        return self.edges.nearest(height, least=height)

    def solid(self) -> Manifold:
        plan, bottom, top = self.plan, self.bottom, self.top
        notches = Manifold.batch_boolean(list(self._notches()), OpType.Add)
        around = tool(prism(self._sections[1] ^ self.plan.covered, bottom, top), "outside") - tool(notches, "mark")
        screws = list(self._screws())
        bosses = [
            boss.trim_by_plane((0, 0, -1), -top).trim_by_plane((0, 0, 1), bottom)
            for boss in (*self.bosses, *(boss for boss, _ in screws))
        ]
        added = [*(tool(boss, "outside") for boss in bosses), tool(self._marks(), "mark")]
        body = Manifold.batch_boolean([around, *added], OpType.Add)
        cuts = [tool(self._room(), "bore"), *(tool(self.workshop.bore(bush), "bush") for bush in plan.bushes)]
        cuts += [tool(cut, "clamp") for cut in (*(cut for _, cut in screws), *self._grooves(), *self._slit())]
        foot = [tool(foot, "outside") - cuts[0] for foot in self._foot(body - cuts[0])]
        return Manifold.batch_boolean([Manifold.batch_boolean([body, *cuts], OpType.Subtract), *foot], OpType.Add)

    def _foot(self, body: Manifold) -> Iterator[Manifold]:
        """A flange on the plate, under what would fall over without."""
        centre = Mesh.from_manifold(body).centre_of_mass
        reach = math.tan(math.radians(STANDS_DEG)) * (self.top - centre[2])
        base = np.concatenate(body.slice(self.top - 1e-3).hull().to_polygons())
        if contains(base, centre[None, :2])[0] and nearest(base, centre[None, :2])[0][0] >= reach:
            return
        turn = 0.0 if self.plan.side is None else math.degrees(math.atan2(self.plan.side[1], self.plan.side[0]))
        across = float(np.abs(base @ _way(turn + 90.0)).max())
        flange = (
            CrossSection.square((2 * reach, 2 * max(reach, across)), True).rotate(turn).translate(tuple(centre[:2]))
        )
        yield prism(flange, self.top - (self.stop or EDGE_MM), self.top)

    # Around the tube.

    @cached_property
    def _sections(self) -> tuple[CrossSection, CrossSection]:
        """Bore and outside."""
        return sleeve_sections(self.plan.bore, self.plan.thickness_mm, self.workshop.fineness)

    def _room(self) -> Manifold:
        """Of the tube: up to its rim and on through the stop by the bore under a sleeve, on whose stop a mitred tube
        stands with its tip; all the way and out to the side under a saddle."""
        low, high, around = self.bottom - PAST_MM, self.top + PAST_MM, self._sections[0]
        if self.plan.side is not None:
            away = around.translate(-FAR_MM * np.array(self.plan.side))
            return prism(CrossSection.batch_hull([around, away]), low, high)
        bore = self.plan.place.section.bore.cross_section(self.workshop.fineness.facets)
        opening = bore.offset(-LEDGE_MM, JoinType.Miter)
        room = prism(around, low, self.tip)
        return room if opening.is_empty() else room + prism(opening, low, high)

    # Clamps.

    def _grooves(self) -> Iterator[Manifold]:
        """For hose clamps, with a roof of 45°."""
        depth = self.plan.groove_mm
        if self.plan.recipe.clamp != "hose clamp" or depth < _LEAST_GROOVE_MM:
            return
        around, facets = self._sections[1].hull(), self.workshop.fineness.facets or 256
        floor, band = around.offset(-depth, JoinType.Round, 2.0, facets), self.plan.recipe.band_mm
        far = around.offset(FAR_MM, JoinType.Miter)
        rise = depth * self.workshop.printed.rise
        ends = [self.bottom + EDGE_MM + GROOVE_MM + band]
        for high in ends if self.is_sleeve else [*ends, self.top - EDGE_MM]:
            low = high - band
            roof = [prism(floor, low, low + 1e-3), prism(around, low - rise - PAST_MM, low - rise)]
            core = Manifold.batch_hull(roof) + prism(floor, low, high + PAST_MM)
            yield prism(far, low - rise, high) - core

    def _slit(self) -> Iterator[Manifold]:
        """Along a sleeve, so that hose clamps can draw it tight."""
        if self.is_sleeve and self.plan.recipe.clamp == "hose clamp":
            strip = self._place_at(self._clamp_deg).strip(-self.plan.thickness_mm - PAST_MM, FAR_MM, SLIT_MM)
            yield prism(strip, self.bottom - PAST_MM, self.tip - self.plan.thickness_mm)

    @property
    def _thread(self) -> Thread | None:
        return thread_named(self.plan.recipe.thread) if self.plan.recipe.clamp == "screws" else None

    def _screws(self) -> Iterator[tuple[Manifold, Manifold]]:
        """Near both ends."""
        if not (thread := self._thread):
            return
        where = point_at(Contour(self.plan.place.section.outer, self.workshop.fineness), self._clamp_deg)
        half = screw_radius(thread)
        for z in (self.top - (self.stop or self._land) - half, self.bottom + self._land + half):
            yield self.workshop.screw(
                np.append(where.place, z), np.append(where.outward, 0.0), self.plan.gap_mm, thread
            )

    # Where there is room around the tube.

    @cached_property
    def _clamp_deg(self) -> float:
        """Of a sleeve's slit, at a corner of a rectangle; or of screws, which press the guide to hole 1's side."""
        side, first = self.plan.side, self.plan.bushes[0].entry.angle
        if not self._thread:
            return max((45.0, 135.0, 225.0, 315.0) if self._flat else self._angles, key=self._room_at)
        free = [deg for deg in self._angles if self._room_at(deg) > 0]
        if side is not None:
            free = [deg for deg in free if abs(_way(deg) @ side) < 0.1]
        if not free:
            raise RecipeError("clamp", "the bushes leave no side free for screws; choose a hose clamp", "hose clamp")
        return min(free, key=lambda deg: round(float(_way(deg) @ _way(math.degrees(first))), 6))

    @cached_property
    def _mark_deg(self) -> float:
        """The freest place for marks beside the clamp."""
        angles = list(self._angles)
        if self.plan.side is not None:
            angles = [deg for deg in angles if _way(deg) @ self.plan.side > (-0.1 if self._flat else 0.5)]
        if self.is_sleeve or self._thread:
            apart = math.cos(math.radians(_APART_DEG))
            angles = [deg for deg in angles if _way(deg) @ _way(self._clamp_deg) < apart]
        return max(angles, key=self._room_at)

    @property
    def _flat(self) -> bool:
        return self.plan.place.section.outer.shape == "rectangle"

    @property
    def _angles(self) -> list[float]:
        """The middles of its sides on a rectangle."""
        return np.linspace(0.0, 360.0, 4 if self._flat else _ANGLES, False).tolist()

    def _room_at(self, degrees: float) -> float:
        """In radians, between an angle around the tube and the nearest bush; below 0 beside a bush."""
        return min(_beside(bush, degrees) for bush in self.plan.bushes)

    def _place_at(self, degrees: float) -> OutlinePoint:
        """On the guide's outside."""
        return point_at(Contour(self.plan.bore.offset(self.plan.thickness_mm), self.workshop.fineness), degrees)

    # Marks.

    @property
    def _mark(self) -> str:
        """What tells it from others, the drills, and an arrow along its frame's z."""
        drills = sorted({bush.drill_mm for bush in self.plan.bushes})
        which = f"{self.plan.place.mark}{self.plan.place.hand}"
        said = [] if self.brief else [said_drill(drill) for drill in drills]
        return " ".join([*([which] if which else []), *said, "→"])

    @cached_property
    def _mark_mm(self) -> float:
        return written_size(self._mark, self.workshop.printed.bead_mm)[0]

    @cached_property
    def _mark_from(self) -> float | None:
        """The height over which marks have room, between bushes or anywhere; None where the guide has to be longer for
        them."""
        boxes = [boss.bounding_box() for boss in self.bosses]
        beside = [box for bush, box in zip(self.plan.bushes, boxes, strict=True) if _beside(bush, self._mark_deg) <= 0]
        if not beside:
            return -math.inf
        starts = [min(box[2] for box in boxes), *sorted(box[5] for box in beside)]
        ends = [*sorted(box[2] for box in beside), self.top - (self.stop or self._land)]
        return next((low for low, high in zip(starts, ends, strict=True) if high - low >= self._mark_mm), None)

    def _marks(self) -> Manifold:
        """Raised and read along the tube, carried from below as they are printed."""
        place = self._place_at(self._mark_deg)
        low = max(self.bottom + self._land, -math.inf if self._mark_from is None else self._mark_from)
        start, outward = np.append(place.place, low), np.append(place.outward, 0.0)
        return raised(self._mark, self.workshop.printed, start, outward, np.array(UP))

    def _notches(self) -> Iterator[Manifold]:
        """Of witness lines: in the edges, in line with hole 1 around the tube where that is not flat, and at hole 1 in
        a saddle's."""
        if self.plan.recipe.witness == "none":
            return
        first = self.plan.bushes[0].entry
        if not self._flat:
            way = np.append(_way(math.degrees(first.angle)), 0.0)
            notch = self._notch(self.workshop.printed.bead_mm)
            for z in (self.bottom,) if self.is_sleeve else (self.bottom, self.top):
                yield along(Frame.along((0.0, 0.0, z), way, UP), notch, FAR_MM)
        if self.plan.side is not None:
            across = np.array([-self.plan.side[1], self.plan.side[0], 0.0])
            start = np.append(self.plan.cheek_mm * np.array(self.plan.side), first.point[2]) - FAR_MM * across
            yield along(Frame.along(start, across, UP), self._notch(0.0), 2 * FAR_MM)

    def _notch(self, flat: float) -> CrossSection:
        """In an edge at the origin; what is deepest along x is so wide."""
        corners = [(-NOTCH_MM, flat / 2), (0.0, flat / 2 + NOTCH_MM), (NOTCH_MM, flat / 2)]
        return CrossSection.hull_points(np.array([(up, side * half) for up, half in corners for side in (-1, 1)]))


def _way(degrees: float) -> Floats:
    return np.array([math.cos(math.radians(degrees)), math.sin(math.radians(degrees))])


def _beside(bush: Bush, degrees: float) -> float:
    """In radians, between an angle around the tube and a bush; below 0 beside it."""
    entry = bush.entry
    half = math.asin(min(bush.radius_mm / math.hypot(*entry.point[:2]), 1.0))
    turn = abs((math.radians(degrees) - entry.angle + math.pi) % (2 * math.pi) - math.pi)
    return round(turn - half, 6)
