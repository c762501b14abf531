# SPDX-License-Identifier: GPL-3.0-or-later
"""What a recipe may be on a section: every limit in one place, and every number that was left open decided.

The fields are settled in one order, and each one's limits rest only on those settled before it, so that taking the
value that a refusal offers always leads on. The least sizes below are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, get_args

import numpy as np

from ...fields.coercion import nearest as nearest_name
from ...fields.declared import declared_in, values_of, with_values
from ...fields.messages import Given, Length, amount, say
from ...fields.refusals import RecipeError
from ...geometry.frames import Floats
from ...geometry.polygons import edge_lengths, signed_area
from ...geometry.sections import CHORD_ERROR_MM, Outline, Section
from ...shaping.contours import Contour, Fineness, least_step
from ...shaping.cutters import hole_radius, pocket_depth, profile_height, sides_of
from ...shaping.features import MOST_GROOVES, HoleKind, ReliefKind, RoofKind, VentKind
from ...shaping.spigots import FLOOR_MM, RIB_CREST, RIBS_ON_SIDES
from ...trade.fits import fit_named, tube_tolerance
from ...trade.hardware import Thread, thread_named, threads
from ...trade.processes import Process
from ...trade.tables import UnknownNameError
from ..circumstances import Circumstances
from ..gap_band import causes, gap_by_design, ribs_by_design, seam_height
from .heights import LayerEdges, land_of
from .profiles import CROWN_SHAPES, Land, crown_profile
from .recipe import LEAST_FLOOR_MM, LEAST_SHOULDER_MM, Edge, FitName, Recipe, TopKind, Up

MOST_MITRE_DEG = 60.0
MOST_WIDTH_MM = 1000.0
"""A tube read in the wrong unit would make millions of facets and layers."""
LEAST_CORE_MM = 1.0
"""What grooves, holes and reliefs leave between a spigot's side and its middle, or around a hole."""
LEAST_WALL_MM = 0.8
"""What they leave of a wall that has another surface behind it."""
LEAST_CUT_MM = 0.2
"""Shallowest groove or relief worth printing."""
LEAST_WIDTH_MM = 0.5
"""Narrowest groove, vent or notch worth printing."""
LEAST_AIR_MM = 0.3
"""Shallowest vent channel that stays open."""
LEAST_BEVEL_MM = 0.01
"""Smallest edge or lead-in worth making; ``least_step`` is more on very large parts."""
LEAST_SEAT_MM = 2.0
"""Plastic that a nut bears on."""
_BEHIND_MM: dict[str, float] = {"nut pocket": LEAST_SEAT_MM, "insert": LEAST_CORE_MM}
"""Plastic between the floor of a hole from the crown and the spigot's tip."""
MOST_RISE_MM = 100.0
MOST_SPIGOT_MM = 250.0
USUAL_OVERHANG_DEG = 45.0
"""How far a process carries a surface out from upright, where none is known; common practice, no source."""
CHAMFER_DEG = 45.0
MOST_LEANING_MM = 0.3
"""An edge may lean too far within this of the plate, which the first layer takes up: one of radius r does so for
r (1 − sin of the angle carried), 0.29 r at 45°."""
MOST_MARKED = 1 / 40
"""Share of a crown up to which the review neglects what support marks."""
MOST_RIBS = 24
MOST_CRUSHED_MM = {"glue": 1.0, "press": 0.6, "push": 0.6}
"""How far a rib stands past the gap at most, by the fit class."""

_EXACT = 1e-6
"""What a number may be past its limit. What is offered is rounded past it by half of that at most, so that it is never
refused itself; sums and outlines are good to far less."""


def resolve(
    recipe: Recipe,
    section: Section,
    *,
    mitre_deg: float = 0.0,
    mitre_direction_deg: float = 0.0,
    clear_depth_mm: float | None = None,
    circumstances: Circumstances | None = None,
) -> Recipe:
    """The recipe with every None replaced by the number that suits the section and, where they are known, the
    circumstances.

    Raises ``RecipeError`` for the first number that cannot be made, with one that would work.
    """
    with outline_faults_refused():
        return settle(recipe, section, mitre_deg, mitre_direction_deg, clear_depth_mm, circumstances)[0]


@contextmanager
def outline_faults_refused() -> Iterator[None]:
    """Turns what is wrong with an outline itself into a ``RecipeError`` that no recipe cures."""
    try:
        yield
    except RecipeError:
        raise
    except ValueError as error:
        raise RecipeError("section", say("the tube's outline cannot be used: {}", error), None) from error


def spigot_contour(section: Section, gap_mm: float, corner_mm: float, fineness: Fineness) -> Contour:
    outline = Contour(section.bore, fineness).moved(-gap_mm)
    if not corner_mm:
        return outline
    return Contour(replace(outline.outline, corner_radius=outline.outline.corner_radius + corner_mm), fineness)


def crown_contour(
    section: Section, lip_mm: float, mitre_deg: float, mitre_direction_deg: float, fineness: Fineness
) -> Contour:
    """The crown's outline in the rim's plane, seen square to it."""
    return Contour(section.outer, fineness).stretched(mitre_deg, mitre_direction_deg).moved(lip_mm)


def most_channel(recipe: Recipe, section: Section, profile: Floats) -> float:
    """How far a vent channel may go up into the crown: half of what stands over the spigot's edge, so that it does
    not come out on top."""
    shoulder = section.wall + recipe.lip_mm + float(recipe.gap_mm or 0)
    return float(np.interp(shoulder, profile[:, 0], profile[:, 1])) / 2


@dataclass(frozen=True)
class _Design:
    """What is chosen for numbers that are left open, as far as tube, print and temperature decide it."""

    gap_mm: float
    added_mm: float = 0.0
    """What the shop book adds to the gap."""
    relief: ReliefKind = "none"
    relief_mm: float = 0.8
    decides_relief: bool = False
    """Whether the relief was left open."""
    corner_mm: float = 0.0
    ribs: int = 0
    rib_mm: float = 0.3
    rib_width_mm: float = 1.0

    @classmethod
    def of(cls, recipe: Recipe, section: Section, mitre_deg: float, known: Circumstances | None) -> _Design:
        """Where a metal or a plastic is in no table, as where nothing is known."""
        fit, decides = fit_named(recipe.fit), recipe.seam.kind == "auto"
        asked: ReliefKind = "none" if decides else recipe.seam.kind
        if known is None:
            return cls(fit.gap_mm, relief=asked, decides_relief=decides)
        try:
            seam = seam_height(section, known.tube)
            relief = _relief_by_design(section, mitre_deg) if decides and seam else asked
            depth = max(math.ceil(20 * seam - _EXACT) / 20, LEAST_CUT_MM) if seam else 0.8
            given = recipe.seam.depth_mm
            cut = 0.0 if relief == "none" else float(given) if given is not None and _is_number(given) else depth
            # A bead out and a bead back at a rib's crest.
            width = math.ceil(20 * known.process.bead_mm / RIB_CREST - _EXACT) / 10
            corner = tube_tolerance(section, known.tube.metal).corner_mm
            contributions = causes(section, cut, known)
            if decides and section.bore.half_width - gap_by_design(fit, contributions) - cut < LEAST_CORE_MM:
                relief, contributions = "none", causes(section, 0.0, known)
        except UnknownNameError:
            return cls(fit.gap_mm, known.added_mm, asked, decides_relief=decides)
        plain = cls(fit.gap_mm, known.added_mm, relief, depth, decides)
        if recipe.fit != "glue" or recipe.gap_mm is not None:
            return plain
        gap = gap_by_design(fit, contributions)
        return replace(
            plain,
            gap_mm=gap,
            corner_mm=corner,
            # A rib lower than half a bead comes out as none.
            ribs=_ribs_by_design(section, recipe.vent.kind == "channel") if gap > known.process.bead_mm / 2 else 0,
            rib_mm=ribs_by_design(fit, gap, contributions),
            rib_width_mm=width,
        )


def _relief_by_design(section: Section, mitre_deg: float) -> ReliefKind:
    """A round spigot can be turned to the seam where it is cut square; on rectangular tube nobody knows its side."""
    if section.kind == "round":
        return "none" if mitre_deg else "notch"
    return "sides" if section.kind == "rect" else "none"


def _ribs_by_design(section: Section, channel: bool) -> int:
    """As few as hold a spigot in place both ways, clear of seam and vent."""
    if section.kind == "round":
        return 4 if channel else 3
    return RIBS_ON_SIDES if section.kind == "rect" else 6


@dataclass
class _Bench:
    """The recipe while it is being settled."""

    recipe: Recipe

    def set(self, name: str, value: float | str) -> None:
        self.recipe = with_values(self.recipe, {name: value})

    def get(self, name: str) -> Any:
        return declared_in(Recipe)[name].of(self.recipe)

    def word(self, name: str, words: Sequence[str]) -> None:
        value = self.get(name)
        if value not in words:
            near = nearest_name(str(value), words, alike=0.0)[0]
            choices = ", ".join(words)
            raise RecipeError(
                name,
                say("{} {} is not known; choose {} (nearest: {})", _spoken(name), Given(value), choices, near),
                near,
            )

    def numbers(self) -> None:
        """Makes sure that all that are not left to the section are numbers."""
        for name, usual in values_of(Recipe()).items():
            value = self.get(name)
            if isinstance(usual, int | float) and not _is_number(value):
                problem = say(
                    "{} {} is not a number; enter a number; {} is usual",
                    _spoken(name),
                    Given(value),
                    amount(usual, name),
                )
                raise RecipeError(name, problem, usual)

    def number(
        self,
        name: str,
        least: float,
        most: float,
        why_least: str,
        why_most: str,
        default: float | None = None,
        used: bool = True,
    ) -> float:
        """Settles one number that has to lie from ``least`` to ``most``; any number from 0 up will do
        if the field is not ``used``. The value offered instead of a wrong one is a whole hundredth."""
        whole = name.endswith("_count")
        if whole:
            least, most = math.ceil(least), math.floor(most)
        most = max(least, most)
        value = self.get(name)
        if value is None and default is not None:
            self.set(name, min(max(default, least), most))
            return float(self.get(name))

        spoken = _spoken(name)
        if not _is_number(value):
            fallback = min(max(default or 0.0, least), most)
            problem = say(
                "{} {} is not a number; choose {} to {}", spoken, Given(value), amount(least, name), amount(most, name)
            )
            raise RecipeError(name, problem, fallback)
        elif whole and value != int(value):
            nearest = int(min(max(value, least), most))
            raise RecipeError(name, f"{spoken} {value:g} is not a whole number; choose {nearest}", nearest)
        elif value < (least if used else min(least, 0.0)) - _EXACT:
            works = least if whole else min(_up(least), most)
            problem = say(
                "{} {} is too little: {}; at least {}", spoken, amount(value, name), why_least, amount(works, name)
            )
            raise RecipeError(name, problem, works)
        elif used and value > most + _EXACT:
            works = most if whole else max(_down(most), least)
            problem = say(
                "{} {} is too much: {}; at most {}", spoken, amount(value, name), why_most, amount(works, name)
            )
            raise RecipeError(name, problem, works)
        return float(self.get(name))

    def bevel(self, name: str, outline: Outline, height: float, most: float) -> None:
        """Makes sure that an edge is either none or large enough for a solid of that height to hold it."""
        value, least = float(self.get(name)), _up(max(LEAST_BEVEL_MM, least_step(outline, height)))
        if 0 < value < least - _EXACT:
            works, spoken = (least if least <= most else 0.0), _spoken(name)
            choices = say("choose 0, or at least {}", Length(least)) if works else "choose 0"
            problem = say("{} {:.3g} is too little to be seen; {}", spoken, Length(value), choices)
            raise RecipeError(name, problem, works)


def settle(
    recipe: Recipe,
    section: Section,
    mitre_deg: float,
    mitre_direction_deg: float,
    clear_depth_mm: float | None,
    circumstances: Circumstances | None,
) -> tuple[Recipe, Land | None]:
    """As ``resolve``, with the crown's top land."""
    process = circumstances.process if circumstances else None
    edges = LayerEdges.of(process) if process else None
    bench = _Bench(recipe)
    fineness = Fineness(None, CHORD_ERROR_MM)
    wall = _check_end(section, mitre_deg, mitre_direction_deg, clear_depth_mm)
    _settle_words(bench)
    bench.numbers()

    bore_reach = Contour(section.bore, fineness).reach
    design = _Design.of(bench.recipe, section, mitre_deg, circumstances)
    bench.set("seam_relief", design.relief)
    spigot_reach = bore_reach - _settle_gap(bench, bore_reach, wall, design)
    _settle_corner(bench, section, design)
    _settle_lip(bench, section, wall)
    crown = crown_contour(section, bench.recipe.lip_mm, mitre_deg, mitre_direction_deg, fineness)
    profile, land = _settle_crown(bench, crown, process)
    _settle_spigot(bench, clear_depth_mm, edges, mitre_deg)
    spigot = spigot_contour(section, float(bench.recipe.gap_mm or 0), float(bench.recipe.corner_mm or 0), fineness)
    hole = _settle_hole(bench, spigot, spigot_reach, crown, profile, mitre_deg, clear_depth_mm, edges)
    _settle_lead_in(bench, spigot, spigot_reach, hole)
    room = _settle_hollow(bench, spigot_reach, hole)
    _settle_grooves(bench, room)
    _settle_seam(bench, spigot, spigot_reach, room, design)
    _settle_vent(bench, spigot_reach, room, most_channel(bench.recipe, section, profile))
    _settle_ribs(bench, spigot, wall, design)
    return bench.recipe, land


def _way_up(recipe: Recipe, crown: Contour, overhang_deg: float) -> Up:
    """A flat crown lies on the plate, since crown up it needs support under its shoulder, unless support there would
    mark what is seen, under an edge that leans out too far, or fill a pocket whose floor hangs over the plate. Other
    crowns stand up, or support would mark all of them."""
    leaning = {
        "rounded": float(recipe.edge_mm or 0) * (1 - math.sin(math.radians(overhang_deg))),
        "chamfered": float(recipe.edge_mm or 0) if overhang_deg < CHAMFER_DEG - _EXACT else 0.0,
    }.get(recipe.edge, 0.0)
    if recipe.crown != "flat" or leaning > MOST_LEANING_MM:
        return "crown up"
    hole, thread = recipe.hole.kind, thread_named(recipe.hole.thread)
    if pocket_depth(hole, thread) > 0:
        radius = hole_radius(hole, thread)
        floor = math.pi * radius**2
        if hole == "nut pocket":
            floor = 1.5 * math.sqrt(3) * radius**2 - math.pi * thread.clearance_mm**2 / 4
        seen = signed_area(crown.polygon) + float(edge_lengths(crown.polygon).sum()) * float(recipe.rise_mm or 0)
        if floor > MOST_MARKED * seen:
            return "crown up"
    return "crown down"


def _check_end(section: Section, mitre_deg: float, mitre_direction_deg: float, clear_depth_mm: float | None) -> float:
    """The least wall. Raises ``RecipeError`` if no recipe would do."""
    if not 0 <= mitre_deg <= MOST_MITRE_DEG:
        raise RecipeError("mitre_deg", f"a mitre of {mitre_deg:g}° is not made; 0° to {MOST_MITRE_DEG:g}° are", None)
    if not math.isfinite(mitre_direction_deg):
        raise RecipeError("mitre_direction_deg", "the mitre's direction is not a number; give degrees", None)
    if clear_depth_mm is not None and not clear_depth_mm >= LEAST_CORE_MM:
        problem = say(
            "the bore is clear for only {:g} and a spigot needs {}: clear the bore, or leave this end open",
            Length(clear_depth_mm),
            Length(LEAST_CORE_MM),
        )
        raise RecipeError("spigot_mm", problem, None)
    if section.outer.width > MOST_WIDTH_MM:
        problem = say(
            "the tube is {} wide; is the unit right? No fitting is made for more than {}",
            Length(section.outer.width),
            Length(MOST_WIDTH_MM),
        )
        raise RecipeError("section", problem, None)
    for outline in (section.outer, section.bore):
        if outline.shape == "free" and Contour(outline, Fineness(None, CHORD_ERROR_MM)).has_spikes:
            raise ValueError("it has a spike or a slit of next to no width; draw it without")
    if not section.wall > 0:
        raise RecipeError("section", "the bore does not lie inside the tube; measure the wall and enter it", None)
    return section.wall


def _settle_words(bench: _Bench) -> None:
    bench.word("crown", tuple(CROWN_SHAPES))
    for name, words in (
        ("top", TopKind),
        ("edge", Edge),
        ("fit", FitName),
        ("vent", VentKind),
        ("seam_relief", ReliefKind),
        ("hole", HoleKind),
        ("groove_roof", RoofKind),
        ("up", Up),
    ):
        bench.word(name, get_args(words))
    try:
        thread_named(str(bench.recipe.hole.thread))
    except UnknownNameError as unknown:
        names = [thread.name for thread in threads()]
        near = nearest_name(str(bench.recipe.hole.thread), names, alike=0.0)[0]
        raise RecipeError("thread", str(unknown), near) from None


def _settle_gap(bench: _Bench, bore_reach: float, wall: float, design: _Design) -> float:
    """Settles the gap that is drawn, which comes out as the one wanted."""
    fit = fit_named(bench.recipe.fit)
    most = min(fit.most_gap_mm, bore_reach - LEAST_CORE_MM)
    if most < fit.least_gap_mm:
        problem = say("the bore is {} wide, too narrow for a spigot; leave this end open", Length(2 * bore_reach))
        raise RecipeError("section", problem, None)
    least = max(fit.least_gap_mm, min(0.0, LEAST_SHOULDER_MM - wall))
    wanted, added_mm = bench.recipe.gap_mm, design.added_mm
    if wanted is None:
        wanted = min(max(design.gap_mm, least - added_mm), most - added_mm)
    if _is_number(wanted):
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


def _settle_corner(bench: _Bench, section: Section, design: _Design) -> None:
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


def _settle_lip(bench: _Bench, section: Section, wall: float) -> None:
    shoulder = min(LEAST_SHOULDER_MM, wall)
    outgrown = max(-float(bench.recipe.gap_mm or 0), 0.0)
    most = min(section.outer.width, section.outer.depth)
    bench.number(
        "lip_mm",
        shoulder - wall + min(outgrown, wall - shoulder),
        most,
        say("the shoulder has to keep {} of the rim", Length(shoulder)),
        say("the crown would stand farther past the tube than the tube is wide, {}", Length(most)),
    )


def _settle_crown(bench: _Bench, crown: Contour, process: Process | None) -> tuple[Floats, Land | None]:
    """Settles rise, edge and way up; the crown's profile and its top land."""
    kind, reach = bench.recipe.crown, crown.reach
    wish = bench.recipe.rise_mm
    if process and CROWN_SHAPES[kind].domed and bench.recipe.has_land and wish is not None and _is_number(wish):
        # A hemisphere's rise as it is drawn on layers may be asked for again.
        bench.set("rise_mm", min(wish, reach) if wish <= reach + process.layer_mm / 2 + _EXACT else wish)
    half = say("half the crown's width is {}", Length(reach))
    shape = CROWN_SHAPES[kind]
    bench.number(
        "rise_mm",
        min(LEAST_WIDTH_MM, reach / 2),
        reach if shape.domed else MOST_RISE_MM,
        "a crown needs some height",
        say("{}, which makes a hemisphere", half) if shape.domed else "taller crowns are not made",
        default=shape.usual_rise(reach),
    )
    rise = float(bench.recipe.rise_mm or 0)
    edged = kind == "flat" and bench.recipe.edge != "square"
    most = min(rise, 0.9 * reach)
    bench.number(
        "edge_mm",
        0.0,
        most,
        "an edge goes inward",
        "the edge takes all of the rise" if most == rise else half,
        default=min(1.0, rise / 2, reach / 2) if edged else 0.0,
        used=edged,
    )
    if edged:
        bench.bevel("edge_mm", crown.outline, rise, most)
    else:
        bench.set("edge_mm", 0.0)
    if bench.recipe.up == "auto":
        overhang = process.overhang_deg if process else USUAL_OVERHANG_DEG
        bench.set("up", _way_up(bench.recipe, crown, overhang))
    land = None
    if process:
        _put_crown_on_layers(bench, LayerEdges.of(process), most if edged else 0.0)
        land = land_of(bench.recipe, reach, process)
    return crown_profile(bench.recipe, reach, crown.fineness, land), land


def _put_crown_on_layers(bench: _Bench, edges: LayerEdges, most_edge: float) -> None:
    """A crown that ends in a point, without a land, ends where it does."""
    recipe = bench.recipe
    if recipe.crown != "flat" and not recipe.has_land:
        return
    from_plate = edges if recipe.up == "crown down" else edges.above_the_first
    rise = float(recipe.rise_mm or 0)
    bench.set("rise_mm", from_plate.nearest(rise, most=MOST_RISE_MM))
    if recipe.edge_mm:
        most_edge = min(most_edge, float(bench.recipe.rise_mm or 0))
        bench.set("edge_mm", from_plate.nearest(recipe.edge_mm, most=most_edge))


def _settle_spigot(bench: _Bench, clear_depth_mm: float | None, edges: LayerEdges | None, mitre_deg: float) -> None:
    most = _most_spigot(clear_depth_mm)
    bench.number(
        "spigot_mm",
        LEAST_CORE_MM,
        most,
        "a shorter spigot holds nothing",
        "longer spigots are not made" if most == MOST_SPIGOT_MM else "the bore is not clear any deeper",
    )
    if edges:
        bench.set("spigot_mm", _spigot_on_layers(bench.recipe, LEAST_CORE_MM, most, edges, mitre_deg))


def _spigot_on_layers(recipe: Recipe, least: float, most: float, edges: LayerEdges, mitre_deg: float) -> float:
    upright = math.cos(math.radians(mitre_deg))
    from_plate = edges.above_the_first if recipe.up == "crown down" else edges
    height = from_plate.nearest(recipe.spigot_mm * upright, least * upright, most * upright)
    return round(height / upright, 9)


def _settle_hole(
    bench: _Bench,
    spigot: Contour,
    spigot_reach: float,
    crown: Contour,
    profile: Floats,
    mitre_deg: float,
    clear_depth_mm: float | None,
    edges: LayerEdges | None,
) -> float:
    """Settles the levelling foot's hole; its radius, 0 for none."""
    if bench.recipe.hole.kind in ("nut pocket", "insert") and mitre_deg > 0:
        problem = say(
            "a {} holds a foot that stands square to the tube, and this end is mitred", bench.recipe.hole.kind
        )
        raise RecipeError("hole", say("{}; choose a through hole", problem), "through")
    if bench.recipe.hole.kind == "none":
        return 0.0
    hole, thread = bench.recipe.hole.kind, thread_named(bench.recipe.hole.thread)

    def fits(other: Thread) -> bool:
        has_insert = hole != "insert" or bool(other.insert_bore_mm and other.insert_depth_mm)
        return has_insert and hole_radius(hole, other) + LEAST_CORE_MM <= spigot_reach

    if not fits(thread):
        smaller = [other for other in threads() if fits(other)]
        if not smaller:
            problem = say(
                "the spigot is {} across, too little for the {} of any thread in the table; choose none",
                Length(2 * spigot_reach),
                hole,
            )
            raise RecipeError("hole", problem, "none")
        alike = [other for other in smaller if other.name.startswith("M") == thread.name.startswith("M")]
        works = max(alike or smaller, key=lambda other: hole_radius(hole, other)).name
        if hole == "insert" and not thread.insert_bore_mm:
            problem = say("no insert is known for {}", thread.name)
        else:
            problem = say(
                "the {} for {} is {} across, the spigot {}",
                hole,
                thread.name,
                Length(2 * hole_radius(hole, thread)),
                Length(2 * spigot_reach),
            )
        raise RecipeError("thread", say("{}; {} fits", problem, works), works)
    if hole != "through":
        height = profile_height(crown, profile, spigot.deepest, hole_radius(hole, thread))
        _settle_pocket(bench, thread, height, clear_depth_mm, edges)
    return hole_radius(hole, thread)


def _settle_pocket(
    bench: _Bench, thread: Thread, height: float, clear_depth_mm: float | None, edges: LayerEdges | None
) -> None:
    """Makes sure that spigot and crown together are long enough for a nut's pocket or an insert's bore."""
    hole = bench.recipe.hole.kind
    needed = pocket_depth(hole, thread) + _BEHIND_MM[hole] - height
    most = _most_spigot(clear_depth_mm)
    if edges and bench.recipe.spigot_mm < needed - _EXACT <= bench.recipe.spigot_mm + edges.layer_mm:
        # It was long enough before it was put on a layer, or nearly.
        bench.set("spigot_mm", _spigot_on_layers(bench.recipe, needed, most, edges, 0.0))
    if bench.recipe.spigot_mm >= needed - _EXACT:
        return
    problem = say("the {} for {} needs a spigot of {} under this crown", hole, thread.name, Length(_up(needed)))
    if needed <= most:
        raise RecipeError("spigot_mm", problem, _up(needed))
    else:
        raise RecipeError(
            "hole", say("{}, and the bore is not clear that deep; choose a through hole", problem), "through"
        )


def _settle_lead_in(bench: _Bench, spigot: Contour, spigot_reach: float, hole: float) -> None:
    kind = bench.recipe.hole.kind
    most = min(bench.recipe.spigot_mm, spigot_reach) - LEAST_CORE_MM / 2
    if kind in _BEHIND_MM:
        most = min(most, spigot_reach - hole + _BEHIND_MM[kind] - LEAST_SHOULDER_MM)
    if kind in ("through", "nut pocket"):
        most = min(most, spigot_reach - thread_named(bench.recipe.hole.thread).clearance_mm / 2 - LEAST_SHOULDER_MM)
    bench.number("lead_in_mm", 0.0, most, "a lead-in goes inward", "the spigot's tip would come to an edge")
    bench.bevel("lead_in_mm", spigot.outline, bench.recipe.spigot_mm, most)


def _settle_hollow(bench: _Bench, spigot_reach: float, hole: float) -> float:
    """Settles the hollow's wall; how deep grooves and reliefs may go into the spigot."""
    wall = bench.recipe.hollow_wall_mm
    least = max(LEAST_WALL_MM, bench.recipe.lead_in_mm + LEAST_SHOULDER_MM)
    most = spigot_reach - max(LEAST_CORE_MM, hole + LEAST_CUT_MM)
    problem = None
    if bench.recipe.hole.kind in ("nut pocket", "insert"):
        problem = say("a spigot with a {} has to be solid", bench.recipe.hole.kind)
    elif bench.recipe.spigot_mm < 2 * FLOOR_MM:
        problem = say("a spigot of {} is too short to be hollow", Length(bench.recipe.spigot_mm))
    elif most < least:
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


def _settle_grooves(bench: _Bench, room: float) -> None:
    length = bench.recipe.spigot_mm
    land = bench.recipe.least_land_mm
    fits = math.floor((length - land) / (LEAST_WIDTH_MM + land) + _EXACT) if room >= LEAST_CUT_MM else 0
    why_most = say("{} of the spigot has to stay beside every groove", Length(land))
    if room < LEAST_CUT_MM:
        why_most = say("the spigot has no material to spare for a groove")
    elif fits > MOST_GROOVES:
        why_most = say("so many grooves are not made")
    bench.number("groove_count", 0, min(max(fits, 0), MOST_GROOVES), "grooves are counted", why_most)
    count = int(bench.recipe.groove.count)
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


def _settle_seam(bench: _Bench, spigot: Contour, spigot_reach: float, room: float, design: _Design) -> None:
    if design.decides_relief and room < LEAST_CUT_MM:
        bench.set("seam_relief", "none")
    if design.decides_relief and _is_number(bench.recipe.seam.width_mm):
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


def _settle_vent(bench: _Bench, spigot_reach: float, room: float, channel: float) -> None:
    recipe = bench.recipe
    if recipe.seam.kind == "sides":
        room -= recipe.seam.room_mm
    taken = recipe.hollow_wall_mm + LEAST_CUT_MM
    if not recipe.hollow_wall_mm:
        taken = max(recipe.groove.depth_mm if recipe.groove.count else 0.0, recipe.lead_in_mm) + LEAST_WALL_MM
    widest_hole = 2 * (spigot_reach - taken)
    problem = None
    if recipe.vent.kind == "channel" and min(room, channel) < LEAST_AIR_MM:
        problem = say("the crown or the spigot is too thin for a vent channel")
    elif recipe.vent.kind == "hole" and recipe.hole.kind != "none":
        problem = say("the vent hole would fall into the hole for the foot")
    elif recipe.vent.kind == "hole" and widest_hole < LEAST_WIDTH_MM:
        problem = say("the spigot is too narrow for a vent hole")
    if problem:
        raise RecipeError("vent", say("{}; choose none", problem), "none")
    bench.number(
        "vent_width_mm",
        LEAST_WIDTH_MM,
        widest_hole if recipe.vent.kind == "hole" else spigot_reach,
        "a narrower vent closes up",
        "the spigot is too narrow for such a vent",
        used=recipe.vent.kind != "none",
    )
    bench.number(
        "vent_depth_mm",
        LEAST_AIR_MM,
        room,
        "a shallower channel closes up",
        "the spigot would be cut too thin",
        used=recipe.vent.kind == "channel",
    )


def _settle_ribs(bench: _Bench, spigot: Contour, wall: float, design: _Design) -> None:
    if bench.recipe.fit == "push" and (bench.recipe.rib.count or 0) > 0:
        raise RecipeError("fit", "ribs would be crushed as a push fit goes in; choose press, or no ribs", "press")
    gap = float(bench.recipe.gap_mm or 0)
    around = float(edge_lengths(spigot.polygon).sum())
    tallest = gap + min(MOST_CRUSHED_MM[bench.recipe.fit], wall + min(bench.recipe.lip_mm, 0.0) - LEAST_CUT_MM)
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


def _has_room(outline: Outline, design: _Design) -> bool:
    """Whether a rib of the chosen width stands on any land."""
    if design.ribs != RIBS_ON_SIDES:
        return True
    return any(side.land_mm(design.rib_width_mm) for side in sides_of(outline))


def _most_spigot(clear_depth_mm: float | None) -> float:
    return MOST_SPIGOT_MM if clear_depth_mm is None else min(clear_depth_mm, MOST_SPIGOT_MM)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _spoken(name: str) -> str:
    return name.removesuffix("_mm").removesuffix("_deg").replace("_", " ")


def _down(number: float) -> float:
    return math.floor((number + _EXACT / 2) * 100) / 100


def _up(number: float) -> float:
    return math.ceil((number - _EXACT / 2) * 100) / 100
