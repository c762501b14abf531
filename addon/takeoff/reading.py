# SPDX-License-Identifier: GPL-3.0-or-later
"""The takeoff from end to end: meshes in, tube ends out."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Container, Sequence
from dataclasses import replace

import numpy as np

from ..fields.messages import FieldName, Length, Message, Name, count_of, say
from ..geometry import polygons
from ..geometry.mesh import Mesh
from ..geometry.names import quoted
from ..geometry.sections import Section
from ..geometry.topology import Indices
from ..trade.sizes import size_fit
from .cleaning import said_places
from .clearance import clearances
from .deburring import notes_of_deburring
from .doubt import SizeFit, doubt_unit
from .end_holes import borders_of, holes_beside, is_level, leaning, offered, past_holes, taken_with
from .ends import EndHole, TubeEnd
from .fused import notes_of_fused
from .rim_sections import RimSection
from .rims import open_loops
from .roughness import evened, notes_of_roughness
from .sites import Hole, Takeoff
from .surface import Surface, read_surface
from .surroundings import surrounding
from .survey import joints_of, surveyed
from .verdicts import Verdict, closed_in, depth_beside, facing_ends, judged, parted, unfit

_TOO_FLAT_MM = 0.25
"""About the gap of a loose fit: what lies further off may jam or rattle; common practice, no source."""


def take_off(
    meshes: Sequence[Mesh],
    needed_depth_mm: float | Callable[[Section], float],
    *,
    wall_mm: float | None = None,
    unit_given: bool = True,
    size_fit: SizeFit = size_fit,
    frees_holes: Callable[[Section], bool] = lambda section: False,
) -> Takeoff:
    """Every tube end in ``meshes``, open or not, with the reason where it is not.

    An end is open if a spigot ``needed_depth_mm`` long could go in: one length for all, or what a section needs. Round
    holes through its walls are in the way, but not where ``frees_holes`` says that they go on through the spigot.
    ``wall_mm`` is the wall of tubes of which only the outer surface is modelled. Where the file gave no unit
    (``unit_given`` false), sections that make tube sizes only at another scale, or that are too wide or too narrow for
    any tube, raise a doubt;
    ``size_fit(sections, factor)`` says what share of them are in the tables.

    Raises ``TakeoffError`` for arrays that make no mesh, and ``ValueError`` for lengths that make no sense.
    """
    if wall_mm is not None:
        _check_length(wall_mm, "wall")
    as_modelled = read_surface(meshes)
    found, uneven = evened(as_modelled)
    surface, index, chunks, rims, runs = found.surface, found.index, found.chunks, found.rims, found.runs
    bodies, profiles = found.bodies, [_walled(profile, wall_mm) for profile in found.profiles]
    bores = surface.bodies[rims.bore.half_edges[rims.bore.begins[:-1]] // 3].tolist()
    needed = np.array([_depth_for(profile.section, needed_depth_mm) for profile in profiles])
    facing = facing_ends(profiles, needed)
    obstacles = clearances(surface, chunks, profiles, runs, needed)
    between = parted(facing, bodies, obstacles)
    facing = {end: there for end, there in facing.items() if end not in between}
    verdicts = judged(surface, index, profiles, bodies, runs, obstacles, needed, facing)
    around = surrounding(surface, chunks, profiles, bodies, needed).tolist()
    verdicts = [
        closed_in(surface.body_names[body]) if body >= 0 and verdict.cause == "open" else verdict
        for body, verdict in zip(around, verdicts, strict=True)
    ]
    verdicts = [_without_wall(*end, wall_mm) for end in zip(profiles, verdicts, strict=True)]
    rows = list(zip(bodies, profiles, verdicts, strict=True))
    rows += [
        (end.body, end.profile, unfit(surface.body_names[end.body], end))
        for end in sorted(found.plain, key=lambda end: end.bar)
    ]
    ends = [
        profile.tube_end(
            surface.body_names[body],
            verdict.clear_depth,
            cause=verdict.cause,
            reason=verdict.reason,
            remedy=verdict.remedy,
        )
        for body, profile, verdict in rows
    ]

    def depth_past(place: int, clear: float, other: int = -1) -> float:
        """How deep an end is clear of all but the body ``other`` where holes in the bore's wall, which goes on down to
        ``clear``, are in nobody's way."""
        run = replace(runs.taken(np.array([place])), straight=np.array([clear]))
        beyond = clearances(surface, chunks, [profiles[place]], run, needed[place : place + 1])
        return depth_beside(other, run, beyond, 0)

    def past(place: int, end: TubeEnd, holes: Sequence[Hole]) -> TubeEnd:
        depth = float(needed[place])
        if around[place] >= 0:
            return end
        covered, clear = past_holes(end, borders_of(surface, end, *runs.borders(surface, index, place)), holes, depth)
        if not covered:
            return end
        clear = depth_past(place, clear)
        if clear < depth:
            return end
        if not all(is_level(end, hole) for hole in covered):
            return leaning(end)
        return taken_with(end, covered, clear) if frees_holes(end.section) else offered(end, covered)

    tubular = len(profiles) + sum(not end.bar for end in found.plain)
    survey = surveyed(
        surface,
        index,
        chunks,
        replace(runs, reach=found.between.reach),
        np.flatnonzero(rims.shared),
        [profile for _, profile, _ in rows[:tubular]],
        [body for body, *_ in rows[:tubular]],
        ends[:tubular],
        past,
    )
    ends[:tubular] = survey.ends

    holes_at: dict[int, list[Hole]] = defaultdict(list)
    for hole in survey.holes:
        for end in hole.tube.ends:
            holes_at[id(end)].append(hole)

    def beside(place: int, other: int) -> tuple[tuple[EndHole, ...], float]:
        """The holes of an end, and how deep it is clear of all but the one that it faces."""
        end, depth = ends[place], depth_beside(bodies[other], runs, obstacles, place)
        if id(end) not in holes_at:
            return (), depth
        borders = borders_of(surface, end, *runs.borders(surface, index, place))
        covered, clear = holes_beside(end, borders, holes_at[id(end)])
        return (covered, depth_past(place, clear, bodies[other])) if covered else ((), depth)

    facing = {end: there for end, there in facing.items() if not {end, there[0]} & survey.met}
    tubes = [end.section for end in ends if end.cause not in ("solid", "profile")]
    doubt = None if unit_given else doubt_unit(tubes, size_fit, [end.section for end in ends if end.open])
    walls = [profile.section.wall for profile in profiles]
    notes = surface.notes + notes_of_deburring(surface, found.deburred, rims, walls)
    notes += _notes_of_coarse(surface, bodies, profiles) + _notes_of_flat_curves(surface, bodies, profiles, uneven)
    notes += notes_of_roughness(found, uneven) + notes_of_fused(surface, found.between)
    notes += _left_out(surface, found.unread, found.endless)
    known = np.concatenate([rims.outer.half_edges, rims.bore.half_edges, *survey.cut_outs])
    notes += _gaping(surface, known, {body for body, *_ in rows}.union(bores)) + survey.notes
    in_order = sorted(range(len(ends)), key=lambda end: rows[end][0])
    return Takeoff(
        tuple(ends[end] for end in in_order),
        doubt,
        notes,
        as_modelled,
        survey.tubes,
        survey.holes,
        survey.copes,
        joints_of(ends, facing, beside),
    )


def _left_out(surface: Surface, unread: Sequence[int], endless: Sequence[int]) -> tuple[str, ...]:
    """What was not read, in sentences."""
    notes = [
        f"The other end of {quoted(surface.body_names[body])} is closed, uneven or leans too far; it was left out."
        for body in unread
    ]
    notes += [
        f"{quoted(surface.body_names[body])} looks like a tube, but none of its ends is flat; it was left out. "
        "Export it again with more digits, or cut its ends flat."
        for body in endless
    ]
    return tuple(notes)


def _notes_of_coarse(surface: Surface, bodies: Sequence[int], profiles: Sequence[RimSection]) -> tuple[Message, ...]:
    """The tubes of few facets, in a sentence for each kind in each mesh."""
    kinds: dict[tuple[int, int, float, bool], list[int]] = defaultdict(list)
    for body, profile in zip(bodies, profiles, strict=True):
        if (coarse := profile.coarse) is not None:
            key = int(surface.body_meshes[body]), coarse.corners, round(coarse.diameter, 2), coarse.round
            kinds[key].append(body)
    notes = []
    for (_, corners, diameter, is_round), ends in kinds.items():
        said = "{} has {} with only {} facets, read as a polygon. If it is round, it is {} across: export it finer."
        if is_round:
            said = "{} has {} with only {} facets, read as round, through their corners, {} across."
        name, count = Name(surface.body_names[ends[0]]), count_of(len(ends), "tube end", "tube ends")
        notes.append(say(said, name, count, corners, Length(diameter)))
    return tuple(notes)


def _notes_of_flat_curves(
    surface: Surface, bodies: Sequence[int], profiles: Sequence[RimSection], uneven: Container[int]
) -> tuple[Message, ...]:
    """The tubes of no known outline whose curves are drawn in few facets, but for ``uneven`` bodies, in a sentence for
    each mesh."""
    flat: dict[int, tuple[int, float]] = {}
    for body, profile in zip(bodies, profiles, strict=True):
        for line in (profile.section.outer, profile.section.bore):
            if (
                line.points is not None
                and body not in uneven
                and (off := polygons.flattest(line.points)) > _TOO_FLAT_MM
            ):
                mesh = int(surface.body_meshes[body])
                first, most = flat.get(mesh, (body, 0.0))
                flat[mesh] = first, max(most, off)
    said = (
        "The curves of {} are drawn in facets that may lie up to {} inside the true ones: export it finer, or measure"
    )
    return tuple(
        say(f"{said} before you print.", Name(surface.body_names[body]), Length(off)) for body, off in flat.values()
    )


def _gaping(surface: Surface, known: Indices, read: set[int]) -> tuple[Message, ...]:
    """Where surfaces are open but for the ``known`` half-edges around rims and cut-outs, in a sentence for each mesh;
    ``read`` are the bodies on which ends were found."""
    if surface.body_closed.all():
        return ()
    gaps = open_loops(surface)
    starts = gaps.begins[:-1]
    places = gaps.sums(surface.points(gaps.vertices)) / gaps.counts[:, None]
    fresh = gaps.sums(np.where(np.isin(gaps.half_edges, known), 0.0, 1.0)) > 0
    bodies, places = surface.bodies[gaps.half_edges[starts] // 3][fresh], places[fresh]
    endless = ~np.isin(bodies, list(read))
    notes = []
    for mesh in np.unique(surface.body_meshes[bodies]).tolist():
        for without in (True, False):
            here = (surface.body_meshes[bodies] == mesh) & (endless == without)
            if here.any():
                first = bodies[here].min()
                said = "{} is not a closed surface, and no tube end was found on it. It is open at {}."
                if not without:
                    said = "{} is not a closed surface: nothing was read where it is open, at {}."
                name = Name(surface.body_names[first])
                notes.append(say(said, name, said_places(places[here & (bodies == first)])))
    return tuple(notes)


def _check_length(value: float, words: str) -> float:
    if not (np.isfinite(value) and value > 0):
        raise ValueError(say("the {} has to be a length above 0, not {:g}", words, Length(value)))
    return float(value)


def _depth_for(section: Section, needed: float | Callable[[Section], float]) -> float:
    return _check_length(needed(section) if callable(needed) else needed, "spigot's depth")


def _walled(profile: RimSection, wall_mm: float | None) -> RimSection:
    """A tube of which only the outer surface is there, with the wall that was given, if it has room."""
    if wall_mm is None or profile.section.bore is not profile.section.outer:
        return profile
    try:
        bore = profile.section.outer.offset(-wall_mm)
    except ValueError:
        return profile
    return replace(profile, section=Section(profile.section.outer, bore), bore=bore.polygon())


def _without_wall(profile: RimSection, verdict: Verdict, wall_mm: float | None) -> Verdict:
    """The verdict, where a tube that would be open has no wall."""
    if verdict.cause != "open" or profile.section.bore is not profile.section.outer:
        return verdict
    reason = say("Only the outer surface is modelled")
    if wall_mm is not None:
        reason = say("The wall given, {}, leaves no bore in this tube", Length(wall_mm))
    remedy = say("set {} to the wall that the tube has", FieldName("wall_mm", table="assembly"))
    return replace(verdict, cause="no wall", reason=reason, remedy=remedy)
