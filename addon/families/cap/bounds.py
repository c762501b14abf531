# SPDX-License-Identifier: GPL-3.0-or-later
"""What a recipe may be on a section: every limit in one place, and every number that was left open decided.

The fields are settled in one order, and each one's limits rest only on those settled before it, so that taking the
value that a refusal offers always leads on. The least sizes below are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import get_args

import numpy as np

from ...fields.messages import ByNumber, Length, Message, say
from ...fields.refusals import RecipeError
from ...geometry.frames import Floats
from ...geometry.polygons import edge_lengths, signed_area
from ...geometry.sections import CHORD_ERROR_MM, Section
from ...shaping.contours import Contour, Fineness
from ...shaping.cutters import hole_radius, pocket_depth, profile_height
from ...shaping.features import CrossKind, HoleKind, ReliefKind, RoofKind, VentKind
from ...takeoff.ends import EndHole
from ...trade.hardware import Thread, thread_named, threads
from ...trade.processes import USUAL_OVERHANG_DEG, Process
from ..circumstances import Circumstances
from ..layer_edges import LayerEdges
from ..settling import EXACT, Settling, is_number, outline_faults_refused, rounded_up
from ..spigot_limits import (
    LEAST_CORE_MM,
    LEAST_CUT_MM,
    LEAST_SHOULDER_MM,
    LEAST_WALL_MM,
    LEAST_WIDTH_MM,
    FitName,
    SpigotDesign,
    check_end,
    most_spigot,
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
from .heights import land_of
from .profiles import CROWN_SHAPES, Land, crown_profile
from .recipe import Edge, Recipe, TopKind, Up

LEAST_AIR_MM = 0.3
"""Shallowest vent channel that stays open."""
LEAST_SEAT_MM = 2.0
"""Plastic that a nut bears on."""
_BEHIND_MM: dict[str, float] = {"nut pocket": LEAST_SEAT_MM, "insert": LEAST_CORE_MM}
"""Plastic between the floor of a hole from the crown and the spigot's tip."""
MOST_RISE_MM = 100.0
CHAMFER_DEG = 45.0
MOST_LEANING_MM = 0.3
"""An edge may lean too far within this of the plate, which the first layer takes up: one of radius r does so for
r (1 − sin of the angle carried), 0.29 r at 45°."""
MOST_MARKED = 1 / 40
"""Share of a crown up to which the review neglects what support marks."""


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


def settle(
    recipe: Recipe,
    section: Section,
    mitre_deg: float,
    mitre_direction_deg: float,
    clear_depth_mm: float | None,
    circumstances: Circumstances | None,
    holes: Sequence[EndHole] = (),
) -> tuple[Recipe, Land | None]:
    """As ``resolve``, with the crown's top land; ``holes`` through the tube's walls are covered by the spigot."""
    process = circumstances.process if circumstances else None
    edges = LayerEdges.of(process) if process else None
    bench = Settling(recipe)
    fineness = Fineness(None, CHORD_ERROR_MM)
    wall = check_end(section, mitre_deg, mitre_direction_deg, clear_depth_mm)
    _settle_words(bench)
    bench.numbers()

    bore_reach = Contour(section.bore, fineness).reach
    crossed = bool(holes) and bench.recipe.cross.kind == "free"
    design = SpigotDesign.of(
        bench.recipe,
        section,
        not (mitre_deg or crossed),
        circumstances,
        even_ribs=crossed or bench.recipe.vent.kind == "channel",
    )
    bench.set("seam_relief", design.relief)
    spigot_reach = bore_reach - settle_gap(bench, bore_reach, wall, design)
    settle_corner(bench, section, design)
    _settle_lip(bench, section, wall)
    crown = crown_contour(section, bench.recipe.lip_mm, mitre_deg, mitre_direction_deg, fineness)
    profile, land = _settle_crown(bench, crown, mitre_deg, process)
    _settle_spigot(bench, clear_depth_mm, edges, mitre_deg)
    spigot = spigot_contour(section, float(bench.recipe.gap_mm or 0), float(bench.recipe.corner_mm or 0), fineness)
    hole = _settle_hole(bench, spigot, spigot_reach, crown, profile, mitre_deg, clear_depth_mm, edges)
    settle_cross(bench, spigot, holes)
    settle_lead_in(bench, spigot, spigot_reach, _most_lead_in(bench.recipe, spigot_reach, hole))
    room = settle_hollow(bench, spigot_reach, hole, _why_solid(bench.recipe))
    if bench.recipe.groove.count is None and crossed:
        bench.set("groove_count", 0)
    settle_grooves(bench, room)
    settle_seam(bench, spigot, spigot_reach, room, design)
    _settle_vent(bench, spigot_reach, room, most_channel(bench.recipe, section, profile))
    settle_ribs(bench, spigot, wall + min(bench.recipe.lip_mm, 0.0), design)
    return bench.recipe, land


def _way_up(recipe: Recipe, crown: Contour, overhang_deg: float) -> Up:
    """A flat crown lies on the plate, since crown up it needs support under its shoulder, unless support there would
    mark what is seen, under an edge that leans out too far, or on the floor of a pocket in the crown; a floor deeper
    than the crown is as hidden as what the tube hides. Other crowns stand up, or support would mark all of them."""
    leaning = {
        "rounded": float(recipe.edge_mm or 0) * (1 - math.sin(math.radians(overhang_deg))),
        "chamfered": float(recipe.edge_mm or 0) if overhang_deg < CHAMFER_DEG - EXACT else 0.0,
    }.get(recipe.edge, 0.0)
    if recipe.crown != "flat" or leaning > MOST_LEANING_MM:
        return "crown up"
    hole, thread = recipe.hole.kind, thread_named(recipe.hole.thread)
    if 0 < pocket_depth(hole, thread) <= float(recipe.rise_mm or 0):
        radius = hole_radius(hole, thread)
        floor = math.pi * radius**2
        if hole == "nut pocket":
            floor = 1.5 * math.sqrt(3) * radius**2 - math.pi * thread.clearance_mm**2 / 4
        seen = signed_area(crown.polygon) + float(edge_lengths(crown.polygon).sum()) * float(recipe.rise_mm or 0)
        if floor > MOST_MARKED * seen:
            return "crown up"
    return "crown down"


def _settle_words(bench: Settling[Recipe]) -> None:
    bench.word("crown", tuple(CROWN_SHAPES))
    for name, words in (
        ("top", TopKind),
        ("edge", Edge),
        ("fit", FitName),
        ("vent", VentKind),
        ("cross_holes", CrossKind),
        ("seam_relief", ReliefKind),
        ("hole", HoleKind),
        ("groove_roof", RoofKind),
        ("up", Up),
    ):
        bench.word(name, get_args(words))
    bench.thread("thread")


def _settle_lip(bench: Settling[Recipe], section: Section, wall: float) -> None:
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


def _settle_crown(
    bench: Settling[Recipe], crown: Contour, mitre_deg: float, process: Process | None
) -> tuple[Floats, Land | None]:
    """Settles rise, edge and way up; the crown's profile and its top land."""
    kind, reach = bench.recipe.crown, crown.reach
    wish = bench.recipe.rise_mm
    if process and CROWN_SHAPES[kind].domed and bench.recipe.has_land and wish is not None and is_number(wish):
        # A hemisphere's rise as it is drawn on layers may be asked for again.
        bench.set("rise_mm", min(wish, reach) if wish <= reach + process.layer_mm / 2 + EXACT else wish)
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
        land = land_of(bench.recipe, reach, mitre_deg, process)
    return crown_profile(bench.recipe, reach, crown.fineness, land), land


def _put_crown_on_layers(bench: Settling[Recipe], edges: LayerEdges, most_edge: float) -> None:
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


def _settle_spigot(
    bench: Settling[Recipe], clear_depth_mm: float | None, edges: LayerEdges | None, mitre_deg: float
) -> None:
    settle_length(bench, clear_depth_mm)
    if edges:
        most = most_spigot(clear_depth_mm)
        bench.set("spigot_mm", _spigot_on_layers(bench.recipe, LEAST_CORE_MM, most, edges, mitre_deg))


def _spigot_on_layers(recipe: Recipe, least: float, most: float, edges: LayerEdges, mitre_deg: float) -> float:
    upright = math.cos(math.radians(mitre_deg))
    from_plate = edges.above_the_first if recipe.up == "crown down" else edges
    height = from_plate.nearest(recipe.spigot_mm * upright, least * upright, most * upright)
    return round(height / upright, 9)


def _settle_hole(
    bench: Settling[Recipe],
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
        mitred = ByNumber("this end is mitred", "these ends are mitred")
        problem = say("a {} holds a foot that stands square to the tube, and {}", bench.recipe.hole.kind, mitred)
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
    bench: Settling[Recipe], thread: Thread, height: float, clear_depth_mm: float | None, edges: LayerEdges | None
) -> None:
    """Makes sure that spigot and crown together are long enough for a nut's pocket or an insert's bore."""
    hole = bench.recipe.hole.kind
    needed = pocket_depth(hole, thread) + _BEHIND_MM[hole] - height
    most = most_spigot(clear_depth_mm)
    if edges and bench.recipe.spigot_mm < needed - EXACT <= bench.recipe.spigot_mm + edges.layer_mm:
        # It was long enough before it was put on a layer, or nearly.
        bench.set("spigot_mm", _spigot_on_layers(bench.recipe, needed, most, edges, 0.0))
    if bench.recipe.spigot_mm >= needed - EXACT:
        return
    problem = say("the {} for {} needs a spigot of {} under this crown", hole, thread.name, Length(rounded_up(needed)))
    if needed <= most:
        raise RecipeError("spigot_mm", problem, rounded_up(needed))
    else:
        raise RecipeError(
            "hole", say("{}, and the bore is not clear that deep; choose a through hole", problem), "through"
        )


def _most_lead_in(recipe: Recipe, spigot_reach: float, hole: float) -> float:
    """What the levelling foot's hole, of this radius, leaves to a lead-in."""
    kind, most = recipe.hole.kind, math.inf
    if kind in _BEHIND_MM:
        most = spigot_reach - hole + _BEHIND_MM[kind] - LEAST_SHOULDER_MM
    if kind in ("through", "nut pocket"):
        clearance = thread_named(recipe.hole.thread).clearance_mm
        most = min(most, spigot_reach - clearance / 2 - LEAST_SHOULDER_MM)
    return most


def _why_solid(recipe: Recipe) -> Message | None:
    """Why the spigot cannot be hollow."""
    kind = recipe.hole.kind
    return say("a spigot with a {} has to be solid", kind) if kind in ("nut pocket", "insert") else None


def _settle_vent(bench: Settling[Recipe], spigot_reach: float, room: float, channel: float) -> None:
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
