# SPDX-License-Identifier: GPL-3.0-or-later
"""What a joiner's recipe may be at a joint, and every number that was left open decided, for each tube on its own."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import get_args

import numpy as np

from ...fields.declared import with_values
from ...fields.messages import Length, Message, say
from ...fields.refusals import RecipeError
from ...geometry.sections import CHORD_ERROR_MM, Section
from ...shaping.contours import Contour, Fineness
from ...shaping.features import CrossKind, ReliefKind, RoofKind
from ...takeoff.ends import EndHole
from ...takeoff.sites import IN_LINE_DEG
from ...trade.hardware import Thread, thread_named, threads
from ..circumstances import Circumstances
from ..family import EndPlace
from ..settling import EXACT, Settling, is_number
from ..spigot_limits import (
    LEAST_CORE_MM,
    LEAST_SHOULDER_MM,
    WITHOUT_RIBS,
    SpigotDesign,
    check_end,
    settle_corner,
    settle_cross,
    settle_gap,
    settle_grooves,
    settle_hollow,
    settle_lead_in,
    settle_length,
    settle_ribs,
    settle_seam,
    spigot_contour,
)
from .place import JointPlace
from .recipe import MOST_SCREWS, Between, JoinerFit, JoinerRecipe, JoinerUp, ScrewKind, SecondFit
from .screws import LEAST_BESIDE_MM, MOST_ASKEW_DEG, across_mm, bore_mm, depth_mm
from .side import holes_passed, mitre_shift

WIDTHS_LONG = 1.5
"""Spigot's length in widths of its tube: common practice, no source."""
MOST_AUTOMATIC_MM = 80.0
"""As long as two spigots in line have room for on most plates."""
NARROW_MM = 10.0
"""Half a bore from which on the lands beside a seam relief are wide enough to print lying down."""
LEAST_WIDTHS_LONG = 0.25
"""Shortest spigot in widths of its tube: a shorter one lets the tube tilt. Common practice, no source."""
LEAST_BETWEEN_MM = 1.0
"""Thinnest collar and stop: two beads of most processes."""


def settle(
    recipe: JoinerRecipe, place: JointPlace, circumstances: Circumstances | None
) -> tuple[JoinerRecipe, JoinerRecipe]:
    """The recipe with every None replaced, as it is for the first and for the second spigot.

    Raises ``RecipeError`` for the first number that cannot be made, with one that would work.
    """
    bench = Settling(recipe)
    for name, words in (
        ("between", Between),
        ("fit", JoinerFit),
        ("second_fit", SecondFit),
        ("cross_holes", CrossKind),
        ("seam_relief", ReliefKind),
        ("groove_roof", RoofKind),
        ("screws", ScrewKind),
        ("up", JoinerUp),
    ):
        bench.word(name, get_args(words))
    bench.thread("screw_thread")
    bench.numbers()
    if recipe.up == "standing" and place.angle_deg < IN_LINE_DEG:
        raise RecipeError("up", "a joiner for a corner lies on the plate, both its spigots along it", "lying")
    _check_lying(place)
    _settle_between(bench, place)
    if bench.recipe.second_fit not in ("as the first", bench.recipe.fit):
        _check_edges_meet(bench.recipe, place, "second_fit", "as the first")
    _check_screw_angle(bench.recipe, place)
    first = _settled(bench.recipe, place.first, circumstances)
    own, alike = _second(bench.recipe), place.second.section == place.section
    try:
        second = _settled(own, place.second, circumstances if alike else _unmeasured(circumstances))
    except RecipeError as refusal:
        name = "second_gap_mm" if refusal.field == "gap_mm" and own.gap_mm != bench.recipe.gap_mm else refusal.field
        raise RecipeError(name, say("in the second tube, {}", refusal), refusal.works, refusal.instead) from None
    if alike and second.fit == first.fit and second.gap_mm != first.gap_mm:
        _check_edges_meet(bench.recipe, place, "second_gap_mm", first.gap_mm)
    decided = {"second_fit": second.fit, "second_gap_mm": second.gap_mm}
    return with_values(first, decided), with_values(second, decided)


def _check_edges_meet(recipe: JoinerRecipe, place: JointPlace, field: str, works: float | str | None) -> None:
    """Refuses a second spigot unlike the first at a corner whose tubes meet: there each goes on into the other one."""
    if recipe.between == "web" and place.angle_deg < IN_LINE_DEG:
        problem = say(
            f"at this corner the spigots meet, and of two {'fits' if field == 'second_fit' else 'gaps'} they would not "
            "meet edge to edge; choose {}, or cut the tubes {} apart for a collar, in the model too",
            works if isinstance(works, str) else Length(works or 0.0),
            Length(LEAST_BETWEEN_MM),
        )
        raise RecipeError(field, problem, works)


def _second(recipe: JoinerRecipe) -> JoinerRecipe:
    """The recipe as it is for the second spigot."""
    other = recipe.second_fit not in ("as the first", recipe.fit)
    if not other:
        return replace(recipe, gap_mm=recipe.gap_mm if recipe.second_gap_mm is None else recipe.second_gap_mm)
    own = with_values(recipe, {"fit": recipe.second_fit, "gap_mm": recipe.second_gap_mm})
    return with_values(own, {"rib_count": 0}) if own.fit in WITHOUT_RIBS else own


def _unmeasured(known: Circumstances | None) -> Circumstances | None:
    return known and replace(known, bore_off_mm=None)


def usual_mm(section: Section) -> float:
    """Length of a spigot in a tube that is clear."""
    return min(WIDTHS_LONG * max(section.outer.width, section.outer.depth), MOST_AUTOMATIC_MM)


def least_mm(section: Section) -> float:
    """Length of the shortest spigot that holds a tube straight."""
    return LEAST_WIDTHS_LONG * max(section.outer.width, section.outer.depth)


def stopped_by(asked: JoinerRecipe, recipe: JoinerRecipe, end: EndPlace) -> EndHole | None:
    """The hole that an automatic spigot stops before; ``recipe`` is resolved."""
    stopped = end.depth_mm(recipe.cross.kind == "free") != end.depth_mm(True)
    return _nearest(end) if stopped and is_short(asked, recipe, end) else None


def is_short(asked: JoinerRecipe, recipe: JoinerRecipe, end: EndPlace) -> bool:
    """Whether an automatic spigot is shorter than usual; ``recipe`` is resolved."""
    return asked.spigot_mm is None and float(recipe.spigot_mm or 0.0) < usual_mm(end.section) - EXACT


def _nearest(end: EndPlace) -> EndHole:
    """The hole that a spigot comes to first."""
    return min(end.holes, key=lambda hole: hole.begins_mm(end.section, end.mitre_deg))


def _check_screw_angle(recipe: JoinerRecipe, place: JointPlace) -> None:
    """Screws go square into the sides of rectangular tube: their heads lie on them."""
    if recipe.screw.kind == "none" or not is_number(recipe.screw.angle_deg):
        return
    works = _square_to_sides(place, recipe.screw.angle_deg)
    if works == recipe.screw.angle_deg:
        return
    problem = say("screws at {:.4g}° would go askew into the sides of rectangular tube", recipe.screw.angle_deg)
    if _square_to_sides(place, works) == works:
        raise RecipeError("screw_angle_deg", say("{}; choose {:.4g}", problem, works), works)
    twisted = say("these rectangular tubes are turned to each other, so that no screws go square into both")
    raise RecipeError("screws", say("{}; choose none", twisted), "none")


def _square_to_sides(place: JointPlace, angle_deg: float) -> float:
    """The angle itself if screws at it go square into the sides of both tubes, else one that does into the first that
    they would go askew into."""
    for end, angle in zip(place.ends, place.screws_deg(angle_deg), strict=True):
        square = 90 * round(angle / 90)
        if end.section.outer.shape == "rectangle" and abs(angle - square) > MOST_ASKEW_DEG:
            return round((angle_deg + (square - angle) * (1 if end is place.first else -1)) % 360, 2)
    return angle_deg


def _check_lying(place: JointPlace) -> None:
    """At a corner, both spigots lie on the plate, rectangular ones on a side."""
    if place.angle_deg > IN_LINE_DEG:
        return
    for end, frame in zip(place.ends, place.frames, strict=True):
        askew = math.degrees(math.asin(np.abs(frame.axes[:2] @ place.up(0.0)).min()))
        if end.section.outer.shape == "rectangle" and askew > MOST_ASKEW_DEG:
            raise RecipeError(
                "section",
                f"the corner bends {askew:.3g}° askew to the tube's sides, so that the spigot would lie on an "
                "edge and its sides would start in the air",
                None,
                "Turn the tube so that it bends along one of its sides, take round tube, or weld this corner.",
            )


def _settle_between(bench: Settling[JoinerRecipe], place: JointPlace) -> None:
    asked, gap = bench.recipe.between, place.gap_mm
    if asked == "auto":
        bench.set("between", "collar" if gap >= LEAST_BETWEEN_MM else "web")
    if asked in ("collar", "stop") and gap < LEAST_BETWEEN_MM:
        problem = say(
            "the tubes' ends are {} apart, and a {} between them needs {}; cut them that much shorter, or choose web",
            Length(gap),
            asked,
            Length(LEAST_BETWEEN_MM),
        )
        raise RecipeError("between", problem, "web")
    walls = [end.section.wall for end in place.ends]
    shoulder = min(LEAST_SHOULDER_MM, *walls)
    widest = min(place.section.outer.width, place.section.outer.depth)
    bench.number(
        "lip_mm",
        shoulder - min(walls),
        widest,
        say("the collar has to cover {} of the tubes' walls", Length(shoulder)),
        say("the collar would stand farther past the tubes than they are wide, {}", Length(widest)),
        used=bench.recipe.between == "collar",
    )


def _settled(recipe: JoinerRecipe, end: EndPlace, known: Circumstances | None) -> JoinerRecipe:
    bench, section = Settling(recipe), end.section
    clear, unholed = end.depth_mm(bench.recipe.cross.kind == "free"), end.depth_mm(True)
    least = least_mm(section)
    wall = check_end(section, end.mitre_deg, end.mitre_direction_deg, unholed)
    fineness = Fineness(None, CHORD_ERROR_MM)
    bore_reach = Contour(section.bore, fineness).reach
    if bench.recipe.seam.kind == "auto" and bore_reach < NARROW_MM:
        bench.set("seam_relief", "none")
    # It sits in two tubes, whose seams seldom lie in line.
    design = SpigotDesign.of(bench.recipe, section, False, known)
    bench.set("seam_relief", design.relief)
    reach = bore_reach - settle_gap(bench, bore_reach, wall, design)
    settle_corner(bench, section, design)
    spigot = spigot_contour(section, float(bench.recipe.gap_mm or 0), float(bench.recipe.corner_mm or 0), fineness)
    shift = mitre_shift(spigot.outline, end)
    deepest = None if clear is None else clear - 2 * shift
    if deepest is not None and deepest < least:
        if clear != unholed and (unholed is None or unholed - 2 * shift >= least):
            problem = say(
                "a hole {} from the tube's end leaves a spigot too little room", Length(_nearest(end).distance_mm)
            )
            said = say("{}; choose free, which lets the hole go on through it", problem)
            raise RecipeError("cross_holes", said, "free")
        problem = say(
            "the bore is clear for a spigot of {}, and one shorter than {} does not hold this tube straight",
            Length(max(deepest, 0.0)),
            Length(least),
        )
        raise RecipeError("spigot_mm", problem, None, "Clear the bore, or leave this joint without a joiner.")
    why = "a hole through the tube's wall begins there; cross_holes = free lets it go on through the spigot"
    settle_length(bench, deepest, least, usual_mm(section), *([why] if clear != unholed else []))
    holes = holes_passed(bench.recipe, end, shift)
    _settle_screws(bench, spigot, reach)
    settle_cross(bench, spigot, holes)
    settle_lead_in(bench, spigot, reach)
    room = settle_hollow(bench, reach, problem=_why_solid(bench.recipe))
    if bench.recipe.groove.count is None and holes:
        bench.set("groove_count", 0)
    settle_grooves(bench, room, usual=2)
    settle_seam(bench, spigot, reach, room, design)
    settle_ribs(bench, spigot, wall, design)
    return bench.recipe


def _why_solid(recipe: JoinerRecipe) -> Message | None:
    return say("spigots that hold inserts have to be solid") if recipe.screw.kind == "insert" else None


def _settle_screws(bench: Settling[JoinerRecipe], spigot: Contour, reach: float) -> None:
    screw = bench.recipe.screw
    bench.number("screw_angle_deg", -360, 360, "turn once at most", "turn once at most")
    if screw.kind == "none":
        bench.number("screw_count", 1, MOST_SCREWS, "choose none", "more are not made", used=False)
        return
    across = across_mm(spigot.outline, screw.angle_deg)

    def fits(thread: Thread) -> bool:
        known = screw.kind == "through" or bool(thread.insert_bore_mm and thread.insert_depth_mm)
        bore = bore_mm(screw.kind, thread)
        return known and bore / 2 + LEAST_BESIDE_MM <= reach and depth_mm(screw.kind, thread) + LEAST_CORE_MM <= across

    thread = thread_named(screw.thread)
    if not fits(thread):
        smaller = [other for other in threads() if fits(other)]
        problem = say("a spigot {} thick is too little for the {} hole for {}", Length(across), screw.kind, thread.name)
        if not smaller:
            raise RecipeError("screws", say("{}; choose none", problem), "none")
        alike = [other for other in smaller if other.name.startswith("M") == thread.name.startswith("M")]
        works = max(alike or smaller, key=lambda other: other.clearance_mm).name
        raise RecipeError("screw_thread", say("{}; {} fits", problem, works), works)
    length = float(bench.recipe.spigot_mm or 0)
    most = math.floor(length / (bore_mm(screw.kind, thread) + 2 * LEAST_BESIDE_MM))
    if most < 1:
        problem = say("the spigot is too short for a screw {}", thread.name)
        raise RecipeError("screws", say("{}; choose none, or make it longer", problem), "none")
    bench.number(
        "screw_count",
        1,
        min(most, MOST_SCREWS),
        "choose none for no screws",
        say("each screw takes {} of the spigot", Length(bore_mm(screw.kind, thread) + 2 * LEAST_BESIDE_MM)),
    )
