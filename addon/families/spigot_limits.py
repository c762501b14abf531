# SPDX-License-Identifier: GPL-3.0-or-later
"""What a spigot may be in a bore, whatever it belongs to: its limits, and the numbers that tube, print and temperature
decide where they are left open. The least sizes below are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, Protocol, TypeVar

from ..fields.messages import THIS_END, Length, Message, say
from ..fields.refusals import RecipeError
from ..geometry.polygons import edge_lengths
from ..geometry.sections import CHORD_ERROR_MM, Outline, Section
from ..shaping.contours import Contour, Fineness
from ..shaping.cutters import sides_of
from ..shaping.features import MOST_GROOVES, CrossHoles, Grooves, ReliefKind, Ribs, SeamRelief
from ..shaping.spigots import FLOOR_MM, RIB_CREST, RIBS_ON_SIDES
from ..takeoff.ends import EndHole
from ..trade.fits import fit_named, tube_tolerance
from ..trade.tables import UnknownNameError
from .circumstances import Circumstances
from .dimensioned import across
from .gap_band import GapBand, causes, gap_by_design, ribs_by_design, seam_height, ways_across
from .settling import EXACT, Settling, is_number, rounded_down

FitName = Literal["glue", "push", "press"]
BY_TOLERANCE = ("glue", "slide")
"""Fits whose gap follows from the tube's and the print's tolerances; the others take the fit class's own."""
WITHOUT_RIBS = ("push", "slide")
"""Fits whose ribs would be crushed as they go in and out by hand."""

MOST_MITRE_DEG = 60.0
MOST_WIDTH_MM = 1000.0
"""A tube read in the wrong unit would make millions of facets and layers."""
MOST_SPIGOT_MM = 250.0
LEAST_CORE_MM = 1.0
"""What grooves, holes and reliefs leave between a spigot's side and its middle, or around a hole."""
LEAST_WALL_MM = 0.8
"""What they leave of a wall that has another surface behind it."""
LEAST_CUT_MM = 0.2
"""Shallowest groove or relief worth printing."""
LEAST_WIDTH_MM = 0.5
"""Narrowest groove, vent or notch worth printing."""
LEAST_SHOULDER_MM = 0.4
"""Width of the ledge on the rim, or all of it on a thinner tube."""
LEAST_LAND_MM = 0.8
"""Spigot left between two grooves, and between a groove and the tip's lead-in or the rim."""
LEAST_FLOOR_MM = 0.3
"""What a groove's sloping face leaves of its floor."""
MOST_RIBS = 24
MOST_ROOM_MM = 5.0
"""How much wider than the tube's a hole across a spigot may be on each side."""
MOST_CRUSHED_MM = {"glue": 1.0, "press": 0.6, "push": 0.6, "slide": 0.6}
"""How far a rib stands past the gap at most, by the fit class."""


class SpigotRecipe(Protocol):
    """What every recipe with a spigot says of it. It is a frozen dataclass whose numbers are ``declared``."""

    @property
    def fit(self) -> str: ...
    @property
    def spigot_mm(self) -> float | None: ...
    @property
    def gap_mm(self) -> float | None: ...
    @property
    def corner_mm(self) -> float | None: ...
    @property
    def lead_in_mm(self) -> float: ...
    @property
    def hollow_wall_mm(self) -> float: ...
    @property
    def groove(self) -> Grooves: ...
    @property
    def seam(self) -> SeamRelief: ...
    @property
    def rib(self) -> Ribs: ...
    @property
    def cross(self) -> CrossHoles: ...


S = TypeVar("S", bound=SpigotRecipe)


def least_land(recipe: SpigotRecipe) -> float:
    """Spigot left between two grooves, and between a groove and the tip's lead-in or the rim."""
    return max(LEAST_LAND_MM, recipe.lead_in_mm + LEAST_SHOULDER_MM)


def spigot_contour(section: Section, gap_mm: float, corner_mm: float, fineness: Fineness) -> Contour:
    outline = Contour(section.bore, fineness).moved(-gap_mm)
    if not corner_mm:
        return outline
    return Contour(replace(outline.outline, corner_radius=outline.outline.corner_radius + corner_mm), fineness)


@dataclass(frozen=True)
class SpigotDesign:
    """What is chosen for numbers that are left open, as far as tube, print and temperature decide it."""

    gap_mm: float
    added_mm: float = 0.0
    """What the shop book adds to the gap."""
    paste: bool = True
    """Whether a filled paste holds the plastic."""
    relief: ReliefKind = "none"
    relief_mm: float = 0.8
    decides_relief: bool = False
    """Whether the relief was left open."""
    corner_mm: float = 0.0
    ribs: int = 0
    rib_mm: float = 0.3
    rib_width_mm: float = 1.0

    @classmethod
    def of(
        cls,
        recipe: SpigotRecipe,
        section: Section,
        turns: bool,
        known: Circumstances | None,
        even_ribs: bool = False,
    ) -> SpigotDesign:
        """Where a metal or a plastic is in no table, as where nothing is known. ``turns`` says whether the spigot
        can be turned to the seam, ``even_ribs`` whether three ribs would meet a
        vent along it or a hole across it."""
        fit, decides = fit_named(recipe.fit), recipe.seam.kind == "auto"
        asked: ReliefKind = "none" if decides else recipe.seam.kind
        if known is None:
            return cls(fit.gap_mm, relief=asked, decides_relief=decides)
        ways = ways_across(section)
        try:
            paste = bool(known.plastic.paste)
            seam = seam_height(section, known.tube)
            relief = _relief_by_design(section, turns) if decides and seam else asked
            depth = max(math.ceil(20 * seam - EXACT) / 20, LEAST_CUT_MM) if seam else 0.8
            given = recipe.seam.depth_mm
            cut = 0.0 if relief == "none" else float(given) if given is not None and is_number(given) else depth
            # A bead out and a bead back at a rib's crest.
            width = math.ceil(20 * known.process.bead_mm / RIB_CREST - EXACT) / 10
            corner = tube_tolerance(section, known.tube.metal).corner_mm
            band = GapBand(0.0, causes(section, cut, known), ways=ways)
            if decides and section.bore.half_width - gap_by_design(fit, band, paste) - cut < LEAST_CORE_MM:
                relief, band = "none", GapBand(0.0, causes(section, 0.0, known), ways=ways)
        except UnknownNameError:
            return cls(fit.gap_mm, known.added_mm, relief=asked, decides_relief=decides)
        plain = cls(fit.gap_mm, known.added_mm, paste, relief, depth, decides)
        if recipe.fit not in BY_TOLERANCE or recipe.gap_mm is not None:
            return plain
        gap = gap_by_design(fit, band, paste)
        most = section.bore.half_width - LEAST_CORE_MM - known.added_mm
        if fit.least_gap_mm <= most < gap and not replace(band, nominal=most).enters:
            problem = say(
                "the bore is {} wide, and no spigot {} thick goes into the narrowest such tube (that would take a gap "
                "of {} per side); look for the weld seam and measure the bore, or choose a gap",
                Length(2 * section.bore.half_width),
                Length(2 * LEAST_CORE_MM),
                Length(gap),
            )
            raise RecipeError("gap_mm", problem, rounded_down(most))
        return replace(
            plain,
            gap_mm=gap,
            corner_mm=corner,
            # A rib lower than half a bead comes out as none.
            ribs=_ribs_by_design(section, even_ribs) if recipe.fit == "glue" and gap > known.process.bead_mm / 2 else 0,
            rib_mm=ribs_by_design(fit, replace(band, nominal=gap)),
            rib_width_mm=width,
        )


def _relief_by_design(section: Section, turns: bool) -> ReliefKind:
    """On rectangular tube nobody knows the seam's side."""
    if section.kind == "round":
        return "notch" if turns else "none"
    return "sides" if section.kind == "rect" else "none"


def _ribs_by_design(section: Section, even_ribs: bool) -> int:
    """As few as hold a spigot in place both ways, clear of seam and vent."""
    if section.kind == "round":
        return 4 if even_ribs else 3
    return RIBS_ON_SIDES if section.kind == "rect" else 6


def check_end(section: Section, mitre_deg: float, mitre_direction_deg: float, clear_depth_mm: float | None) -> float:
    """The least wall. Raises ``RecipeError`` if no recipe would do."""
    if not 0 <= mitre_deg <= MOST_MITRE_DEG:
        raise RecipeError("mitre_deg", f"a mitre of {mitre_deg:g}° is not made; 0° to {MOST_MITRE_DEG:g}° are", None)
    if not math.isfinite(mitre_direction_deg):
        raise RecipeError("mitre_direction_deg", "the mitre's direction is not a number; give degrees", None)
    if clear_depth_mm is not None and not clear_depth_mm >= LEAST_CORE_MM:
        problem = say(
            "the bore is clear for only {:g} and a spigot needs {}", Length(clear_depth_mm), Length(LEAST_CORE_MM)
        )
        raise RecipeError("spigot_mm", problem, None, say("Clear the bore, or leave {} open.", THIS_END))
    if section.outer.width > MOST_WIDTH_MM:
        problem = say(
            "the tube is {} wide; is the unit right? No fitting is made for more than {}",
            Length(section.outer.width),
            Length(MOST_WIDTH_MM),
        )
        raise RecipeError(
            "section", problem, None, "Check the assembly's unit; if it is right, leave this tube without a fitting."
        )
    for outline in (section.outer, section.bore):
        if outline.shape == "free" and Contour(outline, Fineness(None, CHORD_ERROR_MM)).has_spikes:
            raise ValueError("it has a spike or a slit of next to no width; draw it without")
    if not section.wall > 0:
        raise RecipeError("section", "the bore does not lie inside the tube", None, "Measure the wall and enter it.")
    return section.wall


def most_spigot(clear_depth_mm: float | None) -> float:
    return MOST_SPIGOT_MM if clear_depth_mm is None else min(clear_depth_mm, MOST_SPIGOT_MM)


def settle_gap(bench: Settling[S], bore_reach: float, wall: float, design: SpigotDesign) -> float:
    """Settles the gap that is drawn, which comes out as the one wanted."""
    fit = fit_named(bench.recipe.fit)
    holds = max(fit.most_gap_mm, fit.paste_gap_mm) if design.paste else fit.most_gap_mm
    most = min(holds, bore_reach - LEAST_CORE_MM)
    if most < fit.least_gap_mm:
        problem = say("the bore is {} wide, too narrow for a spigot", Length(2 * bore_reach))
        raise RecipeError("section", problem, None, say("Leave {} open.", THIS_END))
    least = max(fit.least_gap_mm, min(0.0, LEAST_SHOULDER_MM - wall))
    wanted, added_mm = bench.recipe.gap_mm, design.added_mm
    if wanted is None:
        wanted = min(max(design.gap_mm, least - added_mm), most - added_mm)
    if is_number(wanted):
        bench.set("gap_mm", round(wanted + added_mm, 4))
    try:
        return bench.number(
            "gap_mm",
            least,
            most,
            say("a {} fit needs {} per side", fit.name, Length(least)),
            say("a {} fit holds up to {} per side", fit.name, Length(most)),
        )
    except RecipeError as refusal:
        if not added_mm or not isinstance(refusal.works, float):
            raise
        said = say("{}, and the shop book adds {} to the gap that was chosen", refusal, Length(added_mm))
        raise RecipeError("gap_mm", said, round(refusal.works - added_mm, 4)) from None


def settle_corner(bench: Settling[S], section: Section, design: SpigotDesign) -> None:
    gap, bore = float(bench.recipe.gap_mm or 0), section.bore
    rounded = bore.shape == "rectangle" and bore.corner_radius > 0
    past = bore.corner_radius - gap
    bench.number(
        "corner_mm",
        0.0,
        bore.half_width - gap - max(past, 0.0) if rounded else 0.0,
        "corners are not sharper than the bore's",
        "the spigot's sides would be all round" if rounded else "the spigot has no round corners",
        default=design.corner_mm + min(bore.corner_radius, gap) if design.corner_mm else 0.0,
    )


def settle_length(
    bench: Settling[S],
    clear_depth_mm: float | None,
    least: float = LEAST_CORE_MM,
    default: float | None = None,
    why_most: str = "the bore is not clear any deeper",
) -> None:
    most = most_spigot(clear_depth_mm)
    bench.number(
        "spigot_mm",
        least,
        most,
        "a shorter spigot holds nothing",
        "longer spigots are not made" if most == MOST_SPIGOT_MM else why_most,
        default=default,
    )


def settle_lead_in(bench: Settling[S], spigot: Contour, spigot_reach: float, most: float = math.inf) -> None:
    """``most`` is what a hole in the spigot leaves to it."""
    length = float(bench.recipe.spigot_mm or 0)
    most = min(min(length, spigot_reach) - LEAST_CORE_MM / 2, most)
    bench.number("lead_in_mm", 0.0, most, "a lead-in goes inward", "the spigot's tip would come to an edge")
    bench.bevel("lead_in_mm", spigot.outline, length, most)


def settle_hollow(bench: Settling[S], spigot_reach: float, hole: float = 0.0, problem: Message | None = None) -> float:
    """Settles the hollow's wall; how deep grooves and reliefs may go into the spigot. ``hole`` is the radius of one
    along its axis, ``problem`` why it has to be solid."""
    wall = bench.recipe.hollow_wall_mm
    least = max(LEAST_WALL_MM, bench.recipe.lead_in_mm + LEAST_SHOULDER_MM)
    most = spigot_reach - max(LEAST_CORE_MM, hole + LEAST_CUT_MM)
    length = float(bench.recipe.spigot_mm or 0)
    if problem is None and length < 2 * FLOOR_MM:
        problem = say("a spigot of {} is too short to be hollow", Length(length))
    elif problem is None and most < least:
        problem = say("the spigot is too narrow to be hollow")
    if problem and wall:
        raise RecipeError("hollow_wall_mm", say("{}; choose 0", problem), 0.0)
    if not wall:
        return spigot_reach - (hole + LEAST_WALL_MM if hole else LEAST_CORE_MM)
    bench.number(
        "hollow_wall_mm",
        least,
        most,
        "0 keeps the spigot solid, and a wall has to be wide enough to print and for its lead-in",
        "the spigot is too narrow for such a wall",
    )
    return bench.recipe.hollow_wall_mm - LEAST_WALL_MM


def settle_cross(bench: Settling[S], spigot: Contour, holes: Sequence[EndHole]) -> None:
    """Makes sure that holes across the spigot leave enough of it on either side."""
    used = bench.recipe.cross.kind == "free" and bool(holes)
    room = math.inf
    for hole in holes:
        low, high = across(spigot.outline, hole.angle_deg + 90)
        beside = min(hole.offset_mm - low, high - hole.offset_mm) - hole.diameter_mm / 2 - LEAST_CORE_MM
        room = min(room, beside)
    if used and room < 0:
        widest = max(hole.diameter_mm for hole in holes)
        problem = say("the hole across the spigot, {}, leaves too little of it beside it", Length(widest))
        raise RecipeError("cross_holes", say("{}; choose in the way", problem), "in the way")
    bench.number(
        "cross_room_mm",
        0.0,
        min(room, MOST_ROOM_MM),
        "the hole in the spigot is as wide as the tube's at least",
        "more would leave too little of the spigot, or its hole would not be that of the tube",
        used=used,
    )


def settle_grooves(bench: Settling[S], room: float, usual: int = 1) -> None:
    """``usual`` is how many a glued spigot has if that is left open."""
    length = float(bench.recipe.spigot_mm or 0)
    land = least_land(bench.recipe)
    fits = math.floor((length - land) / (LEAST_WIDTH_MM + land) + EXACT) if room >= LEAST_CUT_MM else 0
    why_most = say("{} of the spigot has to stay beside every groove", Length(land))
    if room < LEAST_CUT_MM:
        why_most = say("the spigot has no material to spare for a groove")
    elif fits > MOST_GROOVES:
        why_most = say("so many grooves are not made")
    depth = bench.recipe.groove.depth_mm
    # Nobody asked for a groove of the usual depth, which a slender spigot has no room for.
    too_deep = depth == type(bench.recipe)().groove.depth_mm and depth > room + EXACT
    most, automatic = min(max(fits, 0), MOST_GROOVES), usual if bench.recipe.fit == "glue" and not too_deep else 0
    bench.number("groove_count", 0, most, "grooves are counted", why_most, default=automatic)
    count = int(bench.recipe.groove.count or 0)
    bench.number(
        "groove_width_mm",
        LEAST_WIDTH_MM,
        (length - (max(count, 1) + 1) * land) / max(count, 1),
        "a narrower groove closes up",
        say("on a spigot of {} the lands beside a groove have to keep {}", Length(length), Length(land)),
        used=count > 0,
    )
    deepest, why_most = room, say("the spigot would be cut too thin")
    if bench.recipe.groove.roof == "sloped" and (sloping := bench.recipe.groove.width_mm - LEAST_FLOOR_MM) < room:
        deepest = sloping
        why_most = say(
            "its roof slopes by 45° and takes as much of its width, {}", Length(bench.recipe.groove.width_mm)
        )
    bench.number(
        "groove_depth_mm",
        LEAST_CUT_MM,
        deepest,
        "a shallower groove holds no glue",
        why_most,
        used=count > 0,
    )


def settle_seam(bench: Settling[S], spigot: Contour, spigot_reach: float, room: float, design: SpigotDesign) -> None:
    if design.decides_relief and room < LEAST_CUT_MM:
        bench.set("seam_relief", "none")
    if design.decides_relief and is_number(bench.recipe.seam.width_mm):
        bench.set("seam_width_mm", min(bench.recipe.seam.width_mm, spigot_reach))
    if bench.recipe.seam.kind == "sides" and spigot.outline.shape != "rectangle":
        raise RecipeError("seam_relief", "only a rectangular spigot has sides to stand back; choose a notch", "notch")
    if bench.recipe.seam.kind == "flat" and not spigot.convex:
        raise RecipeError("seam_relief", "a flat would cut through this spigot's arms; choose a notch", "notch")
    if bench.recipe.seam.kind != "none" and room < LEAST_CUT_MM:
        raise RecipeError("seam_relief", "the spigot has no material to spare for a seam relief; choose none", "none")
    relief = bench.recipe.seam.kind
    bench.number("seam_angle_deg", -360, 360, "turn once at most", "turn once at most")
    bench.number(
        "seam_width_mm",
        LEAST_WIDTH_MM,
        spigot_reach,
        "a narrower notch clears no seam",
        "the spigot is too narrow for such a notch",
        used=relief == "notch",
    )
    bench.number(
        "seam_depth_mm",
        LEAST_CUT_MM,
        room,
        "a shallower relief clears no seam",
        "the spigot would be cut too thin",
        default=design.relief_mm,
        used=relief != "none",
    )


def settle_ribs(bench: Settling[S], spigot: Contour, beside_mm: float, design: SpigotDesign) -> None:
    """``beside_mm`` is how far the fitting stands out beside the bore at its rim."""
    if bench.recipe.fit in WITHOUT_RIBS and (bench.recipe.rib.count or 0) > 0:
        problem = f"ribs would be crushed as a {bench.recipe.fit} fit goes in"
        raise RecipeError("fit", f"{problem}; choose press, or no ribs", "press")
    gap = float(bench.recipe.gap_mm or 0)
    around = float(edge_lengths(spigot.polygon).sum())
    tallest = gap + min(MOST_CRUSHED_MM[bench.recipe.fit], beside_mm - LEAST_CUT_MM)
    least = 0.1 if bench.recipe.fit == "glue" else max(gap + 0.05, 0.1)
    most = min(MOST_RIBS, around // 4) if tallest >= max(least, gap) else 0
    bench.number(
        "rib_count",
        0,
        most,
        "there cannot be fewer than none",
        "there is no room for so many ribs on this spigot",
        default=design.ribs if design.ribs <= most and _has_room(spigot.outline, design) else 0,
    )
    count = int(bench.recipe.rib.count or 0)
    bench.number(
        "rib_height_mm",
        least,
        tallest,
        say("a rib has to stand past the gap of {} to be crushed", Length(gap)),
        "a taller rib would not go in",
        default=design.rib_mm,
        used=count > 0,
    )
    bench.number(
        "rib_width_mm",
        LEAST_SHOULDER_MM,
        min(3.0, around / max(count, 1) / 2),
        "a narrower rib is not printed",
        "a wider rib is not crushed",
        default=design.rib_width_mm,
        used=count > 0,
    )


def _has_room(outline: Outline, design: SpigotDesign) -> bool:
    """Whether a rib of the chosen width stands on any land."""
    if design.ribs != RIBS_ON_SIDES:
        return True
    return any(side.land_mm(design.rib_width_mm) for side in sides_of(outline))
