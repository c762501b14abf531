# SPDX-License-Identifier: GPL-3.0-or-later
"""What a drill guide's recipe may be for a pattern of holes, and every number that was left open decided.

The least sizes below are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, partial
from itertools import combinations
from typing import NamedTuple, get_args

import numpy as np
from manifold3d import CrossSection, JoinType

from ...fields.messages import Length, Message, Name, say
from ...fields.refusals import RecipeError
from ...geometry.frames import Floats
from ...geometry.sections import Outline
from ...geometry.units import INCH_MM, say_inches
from ...shaping.contours import Fineness
from ...shaping.sleeves import sleeve_sections, sliding_bore
from ...trade.drill_bushes import bush_for
from ...trade.drills import drill_for
from ...trade.fits import fit_named
from ...trade.processes import USUAL_TOLERANCE_MM
from ...trade.sizes import in_inches
from ..circumstances import Circumstances
from ..over_tube import SLIDE, sliding_gap
from ..settling import Settling
from .patterns import GuidePlace
from .recipe import MOST_DRILL_MM, BushKind, Clamp, Drill, GuideRecipe, GuideStyle, Witness
from .sides import USUAL_WALL_MM, Entry, Room, served_from

LEAST_WALL_MM = 1.2
LEAST_STEEL_MM = 1.0
"""Wall of a steel drill bush."""
GROOVE_MM = 1.0
"""Depth of a groove for a hose clamp, where the wall leaves it."""
LEAST_CHIP_MM = 1.0
LEAD_IN_MM = 1.0
"""Chamfer that leads drills and steel bushes in."""
LEDGE_MM = 0.8
"""What holds a steel bush from below."""
MOST_BUSH_DRILLS = 6.0
"""Longest bush, in drills: longer ones only heat it."""
FAR_MM = 1000.0
"""Past all of a guide."""


@dataclass(frozen=True)
class Bush:
    """A drill bush in the guide's frame, along a hole's axis outward from the tube. Lengths in mm."""

    entry: Entry
    drill_mm: float
    bore_mm: float
    """Of the printed bush, or of the pocket for a steel one."""
    chip_mm: float
    """From the tube's outside to the bush."""
    chip_width_mm: float
    length_mm: float
    wall_mm: float

    @property
    def reach_mm(self) -> float:
        """From the tube's outside to the bush's outer end, with its lead-in."""
        return self.chip_mm + self.length_mm + LEAD_IN_MM

    @property
    def radius_mm(self) -> float:
        return self.bore_mm / 2 + self.wall_mm

    def at(self, height: float) -> Floats:
        """(3,): the point of the axis so far outside the tube."""
        return np.add(self.entry.point, height * np.array(self.entry.axis))


@dataclass(frozen=True)
class Plan:
    """A guide with every number decided."""

    recipe: GuideRecipe
    place: GuidePlace
    bushes: tuple[Bush, ...]
    bore: Outline
    """The guide's own, around the tube."""
    corner_mm: float
    """By how much its corners are relieved."""
    side: tuple[float, float] | None
    """Unit direction from the tube's axis to a saddle; none for a sleeve."""
    room: Room
    """Of the tube where it goes."""

    @property
    def groove_mm(self) -> float:
        """Depth of the grooves for hose clamps."""
        return min(GROOVE_MM, self.thickness_mm - LEAST_WALL_MM)

    @cached_property
    def cheek_mm(self) -> float:
        """How far on its side of the axis a saddle ends: short of the far corners of a rectangle, of half of all
        others."""
        outer, way = self.place.section.outer, np.array(self.side)
        half = float((outer.polygon() @ way).max())
        return outer.corner_radius + LEAST_WALL_MM - half if outer.shape == "rectangle" else 0.05 * half

    @property
    def covered(self) -> CrossSection:
        """What a saddle covers; all for a sleeve."""
        everything = CrossSection.square((2 * FAR_MM, 2 * FAR_MM), True)
        if self.side is None:
            return everything
        turn = math.degrees(math.atan2(self.side[1], self.side[0]))
        return everything.translate((FAR_MM + self.cheek_mm, 0.0)).rotate(turn)

    @property
    def clamps(self) -> int:
        """How many hose clamps it takes: near both ends of a saddle, near the open end of a sleeve."""
        return 0 if self.recipe.clamp != "hose clamp" else 1 if self.side is None else 2

    @cached_property
    def clamp_mm(self) -> tuple[float, float]:
        """The diameters, of circles as long as the band around guide and tube, that a hose clamp closes on: the gap
        closed on all sides, and as drawn."""
        around, tube = sleeve_sections(self.bore, self.thickness_mm, Fineness.of(None))[1], self.place.section.outer
        guide = around.hull().offset(-self.groove_mm, JoinType.Round, 2.0, 64) ^ self.covered
        (loop,) = CrossSection.batch_hull([guide, tube.cross_section(96)]).to_polygons()
        drawn = float(np.linalg.norm(loop - np.roll(loop, 1, axis=0), axis=1).sum()) / math.pi
        return drawn - 2 * self.gap_mm, drawn

    @property
    def thickness_mm(self) -> float:
        return float(self.recipe.thickness_mm or 0.0)

    @property
    def gap_mm(self) -> float:
        return float(self.recipe.gap_mm or 0.0)


class Way(NamedTuple):
    """To put a guide on."""

    side: tuple[float, float] | None
    """As a plan has it."""
    room: Room


def ways(recipe: GuideRecipe, place: GuidePlace) -> list[Way]:
    """Those that a recipe allows, in the order in which they are to be tried: over the end, then from each side. Raises
    ``RecipeError`` where it wants a sleeve and there is no end for one."""
    if recipe.style == "sleeve" and not place.over:
        raise RecipeError("style", _why_no_sleeve(place), "saddle")
    over = [Way(None, place.room)] if place.over and recipe.style != "saddle" else []
    return over if recipe.style == "sleeve" else [*over, *(Way(side.way, side.room) for side in place.sides)]


def settle(recipe: GuideRecipe, place: GuidePlace, known: Circumstances | None, way: Way) -> Plan:
    """Raises ``RecipeError`` for the first number that cannot be made, with one that would work."""
    bench = Settling(recipe)
    for name, words in (
        ("style", GuideStyle),
        ("drill", Drill),
        ("bush", BushKind),
        ("clamp", Clamp),
        ("witness", Witness),
    ):
        bench.word(name, get_args(words))
    bench.thread("thread")
    bench.numbers()
    entries = _settle_style(bench, place, way)
    corner = _settle_gap(bench, place, known)
    bench.number("pilot_mm", 1.0, MOST_DRILL_MM, "thinner drills wander", "a pilot is thin")
    bench.number("band_mm", 4.0, 30.0, "narrower bands cut into plastic", "wider bands are not usual")
    inches = in_inches(place.section)
    drills = [_drill(bench.recipe, entry, inches) for entry in entries]
    _settle_bushes(bench, max(drills))
    steel, tolerance = bench.recipe.bush == "steel", known.process.tolerance_mm if known else USUAL_TOLERANCE_MM
    sizes = [_steel(bench.recipe, drill) for drill in drills] if steel else []
    if sizes:
        bench.set("bush_outside_mm", max(outside for outside, _ in sizes))
        bench.set("bush_mm", max(length for _, length in sizes))
    bores = [outside + 2 * fit_named("press").gap_mm for outside, _ in sizes] or [drill + tolerance for drill in drills]
    _settle_wall(bench, entries, drills, bores)
    lengths = [length for _, length in sizes] or [float(bench.recipe.bush_mm or 0)] * len(drills)
    bushes = tuple(map(partial(_bush, bench.recipe), entries, drills, bores, lengths))
    bore = sliding_bore(place.section.outer, float(bench.recipe.gap_mm or 0), corner)
    return Plan(bench.recipe, place, bushes, bore, corner, way.side, way.room)


def _settle_style(bench: Settling[GuideRecipe], place: GuidePlace, way: Way) -> Sequence[Entry]:
    """The mouths that get a bush."""
    bench.set("style", "saddle" if way.side else "sleeve")
    if way.side is None:
        return place.entries
    served = served_from(place.section, place.entries, way.side)
    if len({entry.hole for entry in served}) < len({entry.hole for entry in place.entries}):
        raise RecipeError("style", "the holes lie all around, where no saddle reaches; choose a sleeve", "sleeve")
    if bench.recipe.clamp == "screws" and place.section.outer.shape != "rectangle":
        problem = "screws need two flat sides to press on, and this saddle has none; choose a hose clamp"
        raise RecipeError("clamp", problem, "hose clamp")
    return served


def _why_no_sleeve(place: GuidePlace) -> Message:
    if place.no_sleeve is None:
        return say("no open end is near enough for a sleeve; choose a saddle")
    return say(
        "a sleeve needs {} of free tube from the open end, and {} stands beside the tube from {} on; choose a saddle, "
        "or drill before that part is welded on",
        Length(place.no_sleeve.needed_mm),
        Name(place.no_sleeve.body) if place.no_sleeve.body else "another part",
        Length(place.no_sleeve.free_mm),
    )


def _settle_gap(bench: Settling[GuideRecipe], place: GuidePlace, known: Circumstances | None) -> float:
    fit = fit_named(SLIDE)
    gap, corner = sliding_gap(place.section, known)
    why_most = say("a guide that is looser than {} does not guide", Length(fit.most_gap_mm))
    bench.number("gap_mm", fit.least_gap_mm, fit.most_gap_mm, "it would not slide", why_most, default=gap)
    return corner


def _drill(recipe: GuideRecipe, entry: Entry, inches: bool) -> float:
    if recipe.drill == "pilot" or entry.diameter_mm > MOST_DRILL_MM:
        return min(recipe.pilot_mm, entry.diameter_mm)
    return drill_for(entry.diameter_mm, inches)


def said_drill(drill_mm: float) -> str:
    """As it is raised on the guide: ``"6.6"``, ``"3/8"``."""
    metric = abs(drill_mm - round(drill_mm, 1)) < INCH_MM
    return f"{drill_mm:.4g}" if metric else (say_inches(drill_mm) or f"{drill_mm:.4g}").removesuffix(" in")


def _settle_bushes(bench: Settling[GuideRecipe], drill: float) -> None:
    steel = bench.recipe.bush == "steel"
    if steel and bench.recipe.bush_outside_mm is None and bush_for(drill) is None:
        problem = say("no steel drill bush for {} is in the table; enter its outside diameter", Length(drill))
        raise RecipeError("bush_outside_mm", problem, math.ceil(drill + 6 * LEAST_STEEL_MM))
    if steel and bench.recipe.bush_outside_mm is not None:
        why_least = say("a bush for a drill of {} needs a wall of {}", Length(drill), Length(LEAST_STEEL_MM))
        bench.number("bush_outside_mm", drill + 2 * LEAST_STEEL_MM, 60.0, why_least, "larger ones are not usual")
    if not steel or bench.recipe.bush_mm is not None:
        bench.number(
            "bush_mm",
            2 * drill,
            max(MOST_BUSH_DRILLS * drill, 20.0),
            say("a drill of {} needs a bush twice as long as it is wide", Length(drill)),
            "the drill would rub along it and melt the plastic",
            default=2 * drill,
        )
    bench.number(
        "chip_mm",
        LEAST_CHIP_MM,
        max(2 * drill, LEAST_CHIP_MM),
        "chips need room",
        "the drill would wander between bush and tube",
        default=drill / 2,
    )


def _steel(recipe: GuideRecipe, drill: float) -> tuple[float, float]:
    """Outside diameter and length of a steel bush, as entered or by the table: the shortest of twice the drill."""
    row, least = bush_for(drill), 2 * drill
    lengths = row.lengths_mm if row else ()
    outside = recipe.bush_outside_mm or (row.outside_mm if row else 0.0)
    return outside, recipe.bush_mm or next((length for length in lengths if length >= least), least)


def _settle_wall(
    bench: Settling[GuideRecipe], entries: Sequence[Entry], drills: Sequence[float], bores: Sequence[float]
) -> None:
    """As thick as usual, or as two bores near each other leave."""
    reach = float(bench.recipe.bush_mm or 0.0) + float(bench.recipe.chip_mm or 0.0)
    most, nearest = 20.0, None
    for (one, bore), (other, its_bore) in combinations(zip(entries, bores, strict=True), 2):
        ways = np.array(one.axis), np.array(other.axis)
        apart = [np.add(one.point, h * ways[0]) - np.add(other.point, h * ways[1]) for h in (0.0, reach)]
        between = min(float(np.linalg.norm(np.cross(arm, ways[0]))) for arm in apart) - (bore + its_bore) / 2
        if ways[0] @ ways[1] > 0 and between < most:
            most, nearest = between, (one, other)
    if nearest and most < LEAST_WALL_MM:
        problem = say("the bushes of holes {} and {} would run into each other", nearest[0].hole, nearest[1].hole)
        if bench.recipe.bush == "steel":
            raise RecipeError("bush", say("{}; choose printed ones", problem), "printed")
        if bench.recipe.drill == "full" and max(drills) > bench.recipe.pilot_mm:
            raise RecipeError("drill", say("{}; choose a pilot", problem), "pilot")
        raise RecipeError("drill", say("{}; drill one of them by hand", problem), None)
    why = (
        "thicker walls are not made"
        if nearest is None
        else say("holes {} and {} leave {} between their bushes", nearest[0].hole, nearest[1].hole, Length(most))
    )
    bench.number("thickness_mm", LEAST_WALL_MM, most, "it would break", why, default=USUAL_WALL_MM)


def _bush(recipe: GuideRecipe, entry: Entry, drill: float, bore: float, length: float) -> Bush:
    """A steel bush stands on a ledge over the room for chips."""
    wall = float(recipe.thickness_mm or 0.0)
    widest = bore + wall if recipe.bush == "printed" else bore - 2 * LEDGE_MM
    width = max(min(1.5 * drill, widest), drill + LEDGE_MM / 2)
    chip = float(recipe.chip_mm or 0.0)
    return Bush(entry, drill, bore, chip, min(width, bore + 2 * chip), length, wall)
