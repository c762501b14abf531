# SPDX-License-Identifier: GPL-3.0-or-later
"""From a recipe to one with every number decided, or refused with a number that works.

The least sizes below are common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import get_args

import numpy as np

from ...fields.messages import Length, say
from ...fields.refusals import RecipeError
from ...shaping.spigots import RIB_CREST
from ...trade.processes import USUAL_BEAD_MM, USUAL_OVERHANG_DEG, USUAL_TOLERANCE_MM, Process
from ...trade.tolerances import standard_tolerance
from ..circumstances import Circumstances
from ..layer_edges import LayerEdges
from ..settling import Settling
from .recipe import MOST_OVERLAP_MM, Head, PlugRecipe, Stem
from .wall import HolePlace

DRILLED_GRADE = 12
"""What a twist drill keeps of ISO 286-1, all of it above its size; common practice, no source."""
MOST_HEAD_MM = 20.0
COAT_MM = 0.1
"""A side, of paint or powder in a hole."""
BITE_MM = 0.05
"""What ribs still bite in the largest hole from the smallest print."""
MOST_CRUSHED_MM = 0.6
LEAST_GRIP_MM = 0.8
"""Length of the hole's cylinder that holds crushed ribs."""
LEAST_CORE_MM = 1.0
"""Radius of a stem."""
LEAST_OVERLAP_MM, BARBED_OVERLAP_MM = 0.5, 1.4
LEAST_HEAD_MM, DOME_RIM_MM = 0.8, 0.6
"""Heights of a head, and of a dome's straight side."""
DOME_SHARE = 0.4
"""Height of a dome over its radius."""
DOME_INSET = math.sqrt(2) - 1
"""Width of a dome's rounding over its height: an arc that begins upright and ends at 45°, so that it is printed on its
flat without support."""
USUAL_OVERLAP_MM = 1.8, 3.0
USUAL_LEAD_IN_MM, USUAL_EDGE_MM = 0.8, 0.5
ROOM_MM = 0.4
"""Above the seat, around a stem where the seat is not flat."""
MOST_STEM_LEAN_DEG = 60.0
"""Further over, the mouth is more than twice as long as the hole is wide."""
MOST_FALL = 0.56
"""How far the tube's outside may fall away under a head, as a share of the head's half width: it reaches 85 % of the
radius of a round tube."""
FLUSH_RATIO = 1.25
"""A countersink so much wider than its hole holds a flush head; what is narrower has only its edge broken."""
BARB_MM, LEAST_BARB_MM = 0.5, 0.2
CATCH = 1.2
"""Height of a barb's catching face for each millimetre that it stands out: 40° from upright, which needs no support."""
PLAY_MM = 0.1
LEG_SIDES, LEG_BEADS = 0.8, 2.5
"""Thickness of a leg's sides as a share of its middle, and of its middle in beads: two beads are left at its sides."""
CREST_MM = 0.4
TIP_RISE = 1.5
"""Height of a leg's lead-in for each millimetre of its width."""
SLOT_MM = 0.5
MOST_BEND = 0.03
"""The strain that a leg bears once, bent across its layers."""
OTHERWISE = "Fill the hole, or close it with a rubber plug."
_ROOM_MM = 0.5
"""Between a stem's tip and what is opposite."""


@dataclass(frozen=True)
class Hold:
    """How far the hole's edges lie below the outside, around it."""

    front_mm: float
    """The inner one, where it is nearest."""
    back_mm: float
    """Where it is farthest."""
    sunk_mm: float
    """The end of the countersink, where it is farthest; 0 if there is none."""
    grip_mm: float
    """Height of the hole's cylinder between them, at least."""

    @classmethod
    def of(cls, place: HolePlace) -> Hold:
        inner, outer = place.inside(place.around(place.radius)), place.rim(place.radius)[:, 2]
        sunk = 0.0
        if place.sunk_mm:
            outer = np.minimum(outer, place.cone_end())
            sunk = -float(outer.min())
        return cls(-float(inner.max()), -float(inner.min()), sunk, float((outer - inner).min()))


def resolve(recipe: PlugRecipe, place: HolePlace, circumstances: Circumstances | None = None) -> PlugRecipe:
    """The recipe with every number decided. Raises ``RecipeError``."""
    bench = Settling(recipe)
    bench.word("head", get_args(Head))
    bench.word("stem", get_args(Stem))
    bench.numbers()
    process = circumstances.process if circumstances else None
    bead = process.bead_mm if process else USUAL_BEAD_MM
    hold, widest = _seated(place, process)
    _settle_words(bench, place, hold)
    _settle_stem(bench, place, circumstances)
    edges = LayerEdges.of(process) if process else None
    if bench.recipe.stem == "barbs":
        _settle_legs(bench, place, bead)
    _settle_head(bench, place, widest, edges)
    if bench.recipe.stem == "ribs":
        _settle_ribs(bench, place, circumstances, bead)
    else:
        _settle_barbs(bench, place)
    _settle_lengths(bench, place, hold, edges)
    return bench.recipe


def head_down(recipe: PlugRecipe, place: HolePlace) -> bool:
    """Whether it is printed on its head: where that has a flat."""
    return recipe.head != "flush" or lies_flat(recipe, place)


def lies_flat(recipe: PlugRecipe, place: HolePlace) -> bool:
    """Whether the head is on a flat of its tube."""
    return place.lies_flat(head_half(recipe, place))


def stem_radius(recipe: PlugRecipe, place: HolePlace) -> float:
    return place.radius - float(recipe.gap_mm or 0.0)


def lead_in(recipe: PlugRecipe) -> float:
    return float(recipe.lead_in_mm or 0.0)


def top_mm(recipe: PlugRecipe, place: HolePlace, radius: float) -> float:
    """Height of the head's surface so far from the axis."""
    height, past = float(recipe.head_mm or 0.0), radius - head_half(recipe, place)
    if recipe.head == "flat":
        return height - max(past + float(recipe.edge_mm or 0.0), 0.0)
    rise = float(recipe.head_mm or 0.0) - DOME_RIM_MM
    past += DOME_INSET * rise
    arc = math.sqrt(2) * rise  # about a point on the level of the rim
    return height - rise + math.sqrt(max(arc**2 - (rise + past) ** 2, 0.0)) if past > 0 else height


def head_half(recipe: PlugRecipe, place: HolePlace) -> float:
    return place.widest_mm + (0.0 if recipe.head == "flush" else float(recipe.overlap_mm or 0.0))


@dataclass(frozen=True)
class Legs:
    """The two legs of a stem with barbs, one each way along the tube. Heights are below the tube's outside."""

    inner_mm: float
    """How far their flat inner faces lie from the axis."""
    width_mm: float
    crest_mm: float
    """Radius of the barbs."""
    root_mm: float
    """Height of their roots, above the outside."""
    catch_mm: float
    """Where the catching faces leave the stem."""
    crest_top_mm: float
    """Where the barbs are widest, from here on."""
    tip_mm: float
    """Radius at their tips."""
    least_length_mm: float
    core_mm: float
    """Half the thickness of what stands between them; 0 if that is too thin to print."""

    @classmethod
    def of(cls, recipe: PlugRecipe, place: HolePlace) -> Legs:
        outer, barb, leg = stem_radius(recipe, place), float(recipe.barb_mm or 0.0), float(recipe.leg_mm or 0.0)
        edge = wall_behind(recipe, place) + PLAY_MM
        catch = edge - CATCH * (place.radius - outer)
        crest, top, tip = place.radius + barb, edge + CATCH * barb, outer
        inner = outer - leg
        core = inner - max(barb + PLAY_MM, SLOT_MM)
        root = root_mm(recipe, place)
        length = top + CREST_MM + TIP_RISE * (crest - tip)
        return cls(inner, leg_width(outer, leg), crest, root, catch, top, tip, length, core if core >= 0.5 else 0.0)


def root_mm(recipe: PlugRecipe, place: HolePlace) -> float:
    """How high in the head legs have their roots."""
    return top_mm(recipe, place, stem_radius(recipe, place) + SLOT_MM) - skin_mm(recipe)


def skin_mm(recipe: PlugRecipe) -> float:
    """What slots for legs leave of the head: as much as a leg has at its sides."""
    return LEG_SIDES * float(recipe.leg_mm or 0.0)


def leg_width(outer: float, leg: float) -> float:
    """Across a leg of which its sides have ``LEG_SIDES``."""
    return 2 * math.sqrt(max(outer**2 - (outer - (1 - LEG_SIDES) * leg) ** 2, 0.0))


def wall_behind(recipe: PlugRecipe, place: HolePlace) -> float:
    """How deep the wall goes where the legs pass it."""
    half = leg_width(stem_radius(recipe, place), float(recipe.leg_mm or 0.0)) / 2
    across = np.linspace(-half, half, 9)
    along = np.sqrt(np.maximum(place.radius**2 - across**2, 0.0))
    points = np.concatenate([np.column_stack([sign * along, across]) for sign in (1, -1)])
    return -float(place.inside(points).min())


def _seated(place: HolePlace, process: Process | None) -> tuple[Hold, float]:
    """How the hole holds a stem, and the greatest radius of a head on it."""
    _refuse_steep(place, process)
    hold = Hold.of(place)
    if not math.isfinite(hold.back_mm) or not math.isfinite(place.reach_mm):
        raise RecipeError(
            "section",
            say("a hole of {} cuts the tube's sides away; a plug has no wall to sit in", _wide(place)),
            None,
            OTHERWISE,
        )
    radii = place.widest_mm + np.linspace(LEAST_OVERLAP_MM, MOST_OVERLAP_MM, 96)
    radii = radii[np.isfinite(radii)]
    if place.flat:
        radii = radii[radii <= place.room_mm]
    falls = np.array([-place.below(radius).min() for radius in radii])
    fits = ~(falls > MOST_FALL * radii) & np.isfinite(falls)
    if not fits[:1].any():
        raise RecipeError(
            "section",
            say("the tube's outside falls away too steeply around a hole of {} for a head to sit on", _wide(place)),
            None,
            OTHERWISE,
        )
    return hold, float(radii[len(radii) - 1 if fits.all() else int(fits.argmin()) - 1])


def _refuse_steep(place: HolePlace, process: Process | None) -> None:
    dissolved = process is not None and process.support == "dissolved in a bath"
    unsupported = process.overhang_deg if process else USUAL_OVERHANG_DEG
    most = MOST_STEM_LEAN_DEG if dissolved else min(unsupported, MOST_STEM_LEAN_DEG)
    if place.lean_deg <= most:
        return
    instead = "Fill the hole, close it with a rubber plug, or drill it square to the wall"
    if place.lean_deg <= MOST_STEM_LEAN_DEG:
        why = f"a stem that leans by more than {most:g}° needs support that would have to be broken off its seat"
        instead += f"; where support dissolves, stems lean by up to {MOST_STEM_LEAN_DEG:g}°"
    else:
        why = f"plugs are made for holes that lean by up to {MOST_STEM_LEAN_DEG:g}°"
    raise RecipeError("section", f"the hole leans by {place.lean_deg:.1f}°; {why}", None, f"{instead}.")


def _wide(place: HolePlace) -> Length:
    return Length(place.diameter_mm)


def _settle_words(bench: Settling[PlugRecipe], place: HolePlace, hold: Hold) -> None:
    head, stem = bench.recipe.head, bench.recipe.stem
    sunk = place.countersink_mm >= FLUSH_RATIO * place.diameter_mm
    if head == "auto":
        flush = sunk and hold.grip_mm >= LEAST_GRIP_MM and stem != "barbs" and not place.lean_deg
        head = "flush" if flush else "flat"
        bench.set("head", head)
    if head == "flush" and not sunk:
        raise RecipeError("head", "a flush head needs a countersink, and this hole has none; choose flat", "flat")
    if head == "flush" and place.lean_deg:
        raise RecipeError("head", "a flush head in a leaning hole has an edge too thin to print; choose flat", "flat")
    if place.lean_deg and place.sunk_mm and hold.grip_mm < LEAST_GRIP_MM:
        left = Length(max(hold.grip_mm, 0.0))
        problem = say("the countersink leaves {} of the hole for ribs, and they need {}", left, Length(LEAST_GRIP_MM))
        raise RecipeError("section", problem, None, OTHERWISE)
    if stem == "auto":
        bench.set("stem", "ribs" if hold.grip_mm >= LEAST_GRIP_MM or head == "flush" or place.lean_deg else "barbs")
    if bench.recipe.stem == "barbs" and place.lean_deg:
        raise RecipeError("stem", "legs have no room to bend in a leaning hole; choose ribs", "ribs")
    if bench.recipe.stem == "barbs" and head == "flush":
        raise RecipeError("stem", "legs have no room to bend under a flush head; choose ribs", "ribs")


def _settle_stem(bench: Settling[PlugRecipe], place: HolePlace, known: Circumstances | None) -> None:
    most = place.radius - LEAST_CORE_MM
    if most < 0:
        raise RecipeError(
            "section", say("a hole of {} is too narrow for a printed stem", _wide(place)), None, OTHERWISE
        )
    tolerance = known.process.tolerance_mm if known else USUAL_TOLERANCE_MM
    gap = math.ceil(100 * (tolerance + COAT_MM) - 1e-6) / 100
    bench.number(
        "gap_mm", 0.0, most, "a stem larger than the hole does not go in", "the stem would be too thin", default=gap
    )
    if known and known.added_mm:
        bench.set("gap_mm", min(max(round(float(bench.recipe.gap_mm or 0.0) + known.added_mm, 4), 0.0), most))
    bench.number(
        "lead_in_mm", 0.0, stem_radius(bench.recipe, place) / 2, "a lead-in goes inward",
        "a longer one leaves a stem too thin at its tip", default=USUAL_LEAD_IN_MM,
    )  # fmt: skip


def _settle_head(bench: Settling[PlugRecipe], place: HolePlace, widest: float, edges: LayerEdges | None) -> None:
    if bench.recipe.head == "flush":
        return
    barbed = bench.recipe.stem == "barbs"
    room, hole = math.floor(100 * (widest - place.widest_mm) + 1e-6) / 100, place.widest_mm
    least = BARBED_OVERLAP_MM if barbed else LEAST_OVERLAP_MM
    if room < least:
        raise RecipeError("stem", "the tube has no room for a head wide enough for legs; choose ribs", "ribs")
    usual = min(max(math.ceil(4 * hole - 0.02) / 10, USUAL_OVERLAP_MM[0]), USUAL_OVERLAP_MM[1])
    if least <= (side := math.floor(100 * (place.room_mm - hole)) / 100 if math.isfinite(place.room_mm) else usual):
        usual = min(usual, side)
    why = "slots for the legs would cut it open" if barbed else "a narrower head would slip into the hole"
    bench.number("overlap_mm", least, room, why, "the tube falls away there, or has a corner", default=usual)
    radius = head_half(bench.recipe, place)
    domed = bench.recipe.head == "domed"
    flat = lies_flat(bench.recipe, place)
    least = max(DOME_RIM_MM + 0.4 if domed else 0.0, LEAST_HEAD_MM + (0.0 if flat else ROOM_MM))
    if barbed:
        least = max(least, skin_mm(bench.recipe) + 0.4)
    usual = DOME_RIM_MM + DOME_SHARE * radius if domed else max(2.0, radius / 5)
    if barbed:
        usual = max(usual, _head_for_legs(bench.recipe, place))
    most = DOME_RIM_MM + radius if domed else MOST_HEAD_MM
    bench.number(
        "head_mm", least, most, "a thinner head would break", "a higher one has no flat to be printed on" if domed
        else "a head is a cover", default=math.ceil(10 * usual) / 10,
    )  # fmt: skip
    if edges is not None:
        bench.set("head_mm", edges.nearest(float(bench.recipe.head_mm or 0.0), least))
    if not domed:
        narrow = place.widest_mm if place.lean_deg else stem_radius(bench.recipe, place)
        most = min(float(bench.recipe.head_mm or 0.0) - 0.4, radius - narrow - 0.1)
        bench.number(
            "edge_mm", 0.0, math.floor(100 * most + 1e-6) / 100, "a chamfer only takes away",
            "nothing would be left of the head", default=USUAL_EDGE_MM,
        )  # fmt: skip


def _settle_ribs(bench: Settling[PlugRecipe], place: HolePlace, known: Circumstances | None, bead: float) -> None:
    radius, gap = stem_radius(bench.recipe, place), float(bench.recipe.gap_mm or 0.0)
    tolerance, added = (known.process.tolerance_mm, known.added_mm) if known else (USUAL_TOLERANCE_MM, 0.0)
    narrow = max(bead, 0.4)
    bench.number(
        "rib_width_mm", narrow, max(radius, narrow), "a narrower rib is not printed", "a wider rib is not crushed",
        default=math.ceil(200 * bead / RIB_CREST - 1e-6) / 100,
    )  # fmt: skip
    most = int(math.pi * radius / float(bench.recipe.rib_width_mm or 1.0))
    usual = 3 if place.diameter_mm <= 12 else 4 if place.diameter_mm <= 20 else 6
    bench.number(
        "rib_count", 3, most, "fewer do not keep the stem central", "there is no room for so many ribs on this stem",
        default=usual,
    )  # fmt: skip
    largest = standard_tolerance(place.diameter_mm, DRILLED_GRADE) / 2
    height = gap + math.hypot(tolerance, largest) + BITE_MM
    why = say("a rib has to stand past the gap of {} to be crushed", Length(gap))
    bench.number(
        "rib_height_mm", max(gap - added, 0.0) + 0.05, gap + MOST_CRUSHED_MM, why, "a taller rib would not go in",
        default=math.ceil(100 * height - 1e-6) / 100,
    )  # fmt: skip


def _settle_legs(bench: Settling[PlugRecipe], place: HolePlace, bead: float) -> None:
    most = stem_radius(bench.recipe, place) - LEAST_BARB_MM - PLAY_MM - 0.1
    if most < LEG_BEADS * bead:
        raise RecipeError("stem", say("a hole of {} is too narrow for two legs; choose ribs", _wide(place)), "ribs")
    bench.number(
        "leg_mm", LEG_BEADS * bead, most, "a thinner one has no room for a bead out and a bead back",
        "the legs would have no room to bend", default=LEG_BEADS * bead,
    )  # fmt: skip


def _settle_barbs(bench: Settling[PlugRecipe], place: HolePlace) -> None:
    radius = stem_radius(bench.recipe, place)
    bend = _most_barb(bench.recipe, place)
    leg = float(bench.recipe.leg_mm or 0.0)
    room = min(bend, radius - leg - PLAY_MM)
    if room < LEAST_BARB_MM:
        head = math.ceil(10 * _head_for_legs(bench.recipe, place)) / 10
        raise RecipeError(
            "head_mm", say("legs so short would break as they bend; choose a head {} high", Length(head)), head
        )
    bench.number(
        "barb_mm", LEAST_BARB_MM, room, "a smaller barb slips out",
        say("its leg would be bent by more than {:.0%}", MOST_BEND), default=min(BARB_MM, math.floor(100 * room) / 100),
    )  # fmt: skip


def _most_barb(recipe: PlugRecipe, place: HolePlace) -> float:
    """How far the end of a leg may be bent: a cantilever's largest strain is 3 t d / 2 L² (any handbook of beams)."""
    length = root_mm(recipe, place) + wall_behind(recipe, place)
    return MOST_BEND * length**2 / (1.5 * float(recipe.leg_mm or 1.0))


def _head_for_legs(recipe: PlugRecipe, place: HolePlace) -> float:
    """The height of a head in which legs are long enough for a small barb."""
    skin, leg = skin_mm(recipe), float(recipe.leg_mm or 0.0)
    fallen = float(recipe.head_mm) - root_mm(recipe, place) - skin if recipe.head_mm else 0.0
    return fallen + skin + math.sqrt(1.5 * leg * 1.25 * LEAST_BARB_MM / MOST_BEND) - Hold.of(place).front_mm


def _settle_lengths(bench: Settling[PlugRecipe], place: HolePlace, hold: Hold, edges: LayerEdges | None) -> None:
    recipe = bench.recipe
    if recipe.stem == "barbs":
        legs = Legs.of(recipe, place)
        least, usual, why = legs.least_length_mm, legs.least_length_mm, "barbs and their lead-in have to pass the wall"
    else:
        least = hold.sunk_mm + lead_in(recipe) + min(LEAST_GRIP_MM, hold.grip_mm)
        usual, why = hold.back_mm + lead_in(recipe) + _ROOM_MM, "a shorter stem has no hold"
    most = place.reach_mm - _ROOM_MM
    if most < least:
        if recipe.stem == "barbs":
            raise RecipeError("stem", "the tube is not deep enough for legs with barbs; choose ribs", "ribs")
        raise RecipeError("section", "the tube is not deep enough for a stem", None, OTHERWISE)
    bench.number("stem_mm", least, most, why, "it would meet what is opposite", default=usual)
    if edges is not None:
        stem = float(bench.recipe.stem_mm or 0.0)
        from_head = recipe.head != "flush"  # whose height lies on a layer already
        bench.set("stem_mm", (edges.above_the_first if from_head else edges).nearest(stem, least, most))
