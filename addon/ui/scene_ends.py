# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube ends from the scene into the scene's properties, recognised again when they are read a second time."""

from __future__ import annotations

import math
import secrets
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import bpy
import numpy as np
from mathutils import Vector

from ..families.family import ALIKE_MM
from ..fields.messages import NOTHING, Length, Message, Name, as_message, say, say_all, say_each
from ..geometry.frames import Floats
from ..geometry.mesh import Mesh
from ..geometry.sections import Section
from ..job.asked import Job
from ..job.running import read_assembly
from ..takeoff import Cope, Hole, Takeoff, TakeoffError, TubeEnd
from ..takeoff.given import GivenEnd, SizedEnd, leaving_out, stand_ins
from ..takeoff.picked import PickError, Point
from ..trade.sizes import SAME_MM, nearest_size, section_name, size_named
from . import updating
from .aside import Aside, AsideSteps, at_once
from .by_hand import Pick, RimReader, pick_from, pick_text
from .drawing import imperial
from .file_unit import same_scale, unit_is_chosen
from .jobs import job_of, modelled_section
from .outdated import note_surfaces, stretch_of
from .placing import mm_per_unit
from .quiet import quietly
from .recipes import suit_all
from .records import end_from, end_of, end_text, section_text, stored_notes
from .scene import FILE_UNIT_MARK, FITTING_MARK, SceneError, meshes_of, unit_scale_of
from .takeoff_text import OtherSite, sites_of, takeoff_from, takeoff_text

READING = "Reading the tube ends"
LISTING = "Listing what was found"
_AT_ONCE = 500
"""How many records are read before the window is shown again."""
SAME_PLACE = 1e-3
"""An end that lies this near to where it lay on its tube is the same one, as a share of the tube's width."""


class SceneReadingError(ValueError):
    """Why no tube ends were read, and what to do."""


@dataclass(frozen=True)
class _Row:
    """What a row of the list holds, apart from the list."""

    end: TubeEnd
    tube: bpy.types.Object | None
    key: str = ""
    pick: str = ""


def assembly_of(scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> tuple[tuple[Mesh, ...], tuple[str, ...]]:
    """The meshes, in mm, of what the scene's ends are read from, and notes on what was left out."""
    return meshes_of(sources_of(scene), depsgraph, unit_scale_of(scene))


def sources_of(scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """The objects that the ends are read from, as far as they are still in the scene."""
    ferrule = scene.ferrule
    items = scene.objects if ferrule.whole_scene else [row.object for row in ferrule.sources]
    return [item for item in items if item and item.name in scene.objects and FITTING_MARK not in item]


def own_part(context: bpy.types.Context) -> bpy.types.Object | None:
    """The mesh that is selected alone, if it is neither a fitting nor one of the tubes that were read."""
    item, ferrule = context.active_object, context.scene.ferrule
    if item is None or item.type != "MESH" or item.ferrule.end_key or context.selected_objects != [item]:
        return None
    among_sources = ferrule.whole_scene or any(row.object == item for row in ferrule.sources)
    return None if ferrule.ends and among_sources and FITTING_MARK not in item else item


def read(scene: bpy.types.Scene, graph: Callable[[], bpy.types.Depsgraph], aside: Aside) -> AsideSteps[Takeoff]:
    """Reads the ends of the scene's sources into its properties. ``graph`` is asked for the dependency graph each time
    it is used, and ``aside`` does work without bpy. Raises ``SceneReadingError``."""
    ferrule = scene.ferrule
    with quietly():
        suit_all(ferrule, imperial(scene))
    job = job_of(scene)
    yield READING, 0.0
    try:
        meshes, notes = assembly_of(scene, graph())
        if not meshes and not any(line.by_hand for line in ferrule.ends):
            nothing = say("There is no surface to read. Select the tubes, or import the assembly first.")
            raise SceneReadingError(say_all((*notes, "Show it and read again.")) if notes else nothing)
        takeoff = yield from aside(_taken_off(job, meshes, unit_is_chosen(scene)))
    except (SceneError, TakeoffError) as error:
        raise SceneReadingError(str(error)) from error
    ferrule.unit_scale = unit_scale_of(scene)
    doubt = takeoff.unit_doubt
    if doubt and not doubt.beyond and _has_unit(scene):
        doubt = None
    ferrule.doubt = doubt.found.stored() if doubt else ""
    ferrule.doubt_factor = doubt.factor if doubt else 1.0
    tubes = (end.section.outer.width for end in takeoff.ends if end.cause not in ("solid", "profile"))
    ferrule.widest_mm = max(tubes, default=0.0)
    ferrule.notes = stored_notes((*notes, *takeoff.notes, *_stretched(scene)))
    yield LISTING, 0.1
    note_surfaces(scene, sources_of(scene), graph())
    yield LISTING, 0.2
    found = Takeoff(()) if ferrule.doubt else leaving_out(takeoff, dropped_places(scene))[0]
    names = _names(scene)
    rows = [_Row(end, _tube_of(end.source, names)) for end in found.ends]
    yield LISTING, 0.3
    yield from _standing(scene, _recognised(scene, rows) + [row for row, _ in _given_now(scene, graph())], found)
    return takeoff


def _taken_off(job: Job, meshes: Sequence[Mesh], unit_given: bool) -> AsideSteps[Takeoff]:
    yield READING, 0.0
    return read_assembly(job, job.assembly, meshes, unit_given)


def _stretched(scene: bpy.types.Scene) -> list[Message]:
    """The objects that are read longer or wider than their meshes are, in sentences."""
    notes = []
    for item in sources_of(scene):
        stretch = stretch_of(item) if item.type == "MESH" else None
        if stretch:
            factors = " × ".join(f"{factor:.4g}" for factor in stretch)
            advice = "reset its scale (Alt S) if the tube is not meant to be that long or wide."
            notes.append(say(f"{{}} is stretched, {factors} in x, y and z, and was read so: {advice}", Name(item.name)))
    return notes


def _has_unit(scene: bpy.types.Scene) -> bool:
    """Whether all meshes came from files with their unit inside, and the scene has kept its scale since."""
    meshes = [item for item in sources_of(scene) if item.type == "MESH"]
    return bool(meshes) and all(same_scale(item.get(FILE_UNIT_MARK, 0.0), unit_scale_of(scene)) for item in meshes)


def add_pick(
    scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph, tube: bpy.types.Object, pick: Pick
) -> tuple[int, bool]:
    """Adds an end picked by hand to the list; returns its row, and whether it is new. Raises ``PickError``."""
    rim, pick = RimReader(scene, depsgraph, mm_per_unit(scene)).read(tube, pick)
    return add_end(scene, rim.tube_end(), tube, pick_text(pick))


def add_end(scene: bpy.types.Scene, end: TubeEnd, tube: bpy.types.Object | None, pick: str = "") -> tuple[int, bool]:
    """Adds an end to the list; returns its row, or that of the end that counts in its place, and whether it is new."""
    if not scene.ferrule.ends:
        scene.ferrule.unit_scale = unit_scale_of(scene)
    rows = [*_rows(scene), _Row(end, tube, pick=pick)]
    place = at_once(_standing(scene, rows))[-1]
    return place, scene.ferrule.ends[place].pick == pick


def takeoff_of(job: Job, meshes: Sequence[Mesh], listed: Takeoff, notes: Sequence[str]) -> Takeoff:
    """What is listed as the job takes it, with what else the assembly holds; the notes list the ends that are lost.
    Raises ``TakeoffError``."""
    takeoff = read_assembly(job, job.assembly, meshes, unit_given=True)
    lost = [
        say("An end that was {} was left out. {}.", end.by_hand or "read earlier", end.explained)
        for end in listed.ends
        if end.cause == "lost"
    ]
    still_there = tuple(end for end in listed.ends if end.cause != "lost")
    return replace(
        listed,
        ends=still_there,
        notes=(*notes, *takeoff.notes, *lost),
        unit_doubt=takeoff.unit_doubt,
        surface=takeoff.surface,
    )


def given_ends(scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> tuple[tuple[GivenEnd, ...], list[str]]:
    """The ends that were picked or added by hand, as they are now, and why others are lost."""
    now = list(_given_now(scene, depsgraph))
    return tuple(given for _, given in now if given), [row.end.explained for row, given in now if given is None]


def dropped_places(scene: bpy.types.Scene) -> tuple[Point, ...]:
    """Where the ends lie now, in mm, that were found and then dropped; those of tubes that are gone went with them."""
    scale = mm_per_unit(scene)
    places = [line.tube.matrix_world @ Vector(line.place) for line in scene.ferrule.dropped if line.tube is not None]
    return tuple((x * scale, y * scale, z * scale) for x, y, z in places)


def remove_end(scene: bpy.types.Scene, index: int) -> None:
    """Takes an end off the list, so that it stays off it until the ends are read afresh."""
    rows = _rows(scene)
    if not rows[index].end.by_hand:
        _note_dropped(scene, scene.ferrule.ends[index])
    at_once(_written(scene, rows[:index] + rows[index + 1 :], scene.ferrule.takeoff))


def remove_site(scene: bpy.types.Scene, index: int) -> None:
    """The same for a hole, a cope or a joint."""
    ferrule = scene.ferrule
    _note_dropped(scene, ferrule.sites[index])
    rows = _rows(scene)
    keys = [row.key for row in rows]
    listed = takeoff_from(ferrule.takeoff, tuple(keys), tuple(row.end for row in rows))
    site = sites_of(listed)[index]
    kept = {
        kind: tuple(item for item in getattr(listed, kind) if item is not site) for kind in ("holes", "copes", "joints")
    }
    at_once(_written(scene, rows, takeoff_text(replace(listed, **kept), {id(row.end): row.key for row in rows})))


def _note_dropped(scene: bpy.types.Scene, line: bpy.types.PropertyGroup) -> None:
    dropped = scene.ferrule.dropped.add()
    dropped.tube, dropped.place = line.tube, line.place


def _written(scene: bpy.types.Scene, rows: Sequence[_Row], takeoff: str) -> AsideSteps[None]:
    """Fills the lists of ends, of other sites, as the text of the ``takeoff`` has them, and of what they are together.
    What was there keeps its recipes, what is made of it and its measured bores.

    All of it changes in one step, since each may be the last one.
    """
    ferrule = scene.ferrule
    rows = [replace(row, key=row.key or secrets.token_hex(8)) for row in rows]
    ends: list[TubeEnd] = []
    for number, row in enumerate(rows):  # Read once, they are at hand for all that follows.
        if number % _AT_ONCE == 0:
            yield LISTING, 0.6
        ends.append(_as_kept(row.end))
    yield LISTING, 0.7
    sites = [_about(site) for site in sites_of(takeoff_from(takeoff, tuple(row.key for row in rows), tuple(ends)))]
    yield LISTING, 0.8
    ferrule.key = ferrule.key or secrets.token_hex(8)
    ferrule.takeoff = takeoff
    lost = any(end.cause == "lost" for end in ends)
    groups = _grouped(ferrule, [_end(end) for end in ends] + sites, lost)
    with quietly():
        chosen = ferrule.ends[ferrule.end_index].key if 0 <= ferrule.end_index < len(ferrule.ends) else ""
        fittings = {line.key: line.fitting for line in ferrule.ends}
        ferrule.ends.clear()
        for number, (row, group) in enumerate(zip(rows, groups[: len(rows)], strict=True), 1):
            line = ferrule.ends.add()
            line.number = number
            line.name = row.end.source or section_name(row.end.section)
            line.key = row.key
            line.record = end_text(row.end)
            line.group = group
            line.cut = row.end.cut if row.end.open else row.end.cause
            line.reason = "" if row.end.open else row.end.explained.stored()
            line.clear_mm = row.end.clear_depth_mm
            line.by_hand = bool(row.end.by_hand)
            line.pick = row.pick
            line.tube = row.tube
            line.fitting = fittings.get(line.key)
            if row.tube is not None:
                line.place = _place(row, mm_per_unit(scene))
        _write_sites(scene, sites, groups[len(rows) :])
        keys = [line.key for line in ferrule.ends]
        ferrule.end_index = keys.index(chosen) if chosen in keys else -1
        ferrule.group_index = min(max(ferrule.group_index, 0), max(len(ferrule.groups) - 1, 0))
    updating.touch(scene)
    yield LISTING, 0.9
    updating.fresh(scene)


def _as_kept(end: TubeEnd) -> TubeEnd:
    """As its record in the list is read; one that cannot be is lost there."""
    try:
        return end_from(end_text(end))
    except ValueError:
        return end


def _rows(scene: bpy.types.Scene) -> list[_Row]:
    return [_Row(end_of(line), line.tube, line.key, line.pick) for line in scene.ferrule.ends]


def _standing(scene: bpy.types.Scene, rows: Sequence[_Row], found: Takeoff | None = None) -> AsideSteps[list[int]]:
    """Writes the rows, each end once, and what was found with them; returns for each of them the row in the list that
    counts for it.

    Where one end counts for another it takes over the key, so that the fitting stays.
    """
    places = stand_ins([row.end for row in rows])
    first_rows = {place: rows[place] for place in sorted(set(places))}
    for row, place in zip(rows, places, strict=True):
        if row.key and not first_rows[place].key:
            first_rows[place] = replace(first_rows[place], key=row.key)
    for place, row in first_rows.items():
        first_rows[place] = replace(row, key=row.key or secrets.token_hex(8))
    takeoff = scene.ferrule.takeoff
    if found is not None:
        keys = {id(row.end): first_rows[place].key for row, place in zip(rows, places, strict=True)}
        yield LISTING, 0.4
        takeoff = takeoff_text(found, keys)
    yield LISTING, 0.5
    yield from _written(scene, list(first_rows.values()), takeoff)
    written = list(first_rows)
    return [written.index(place) for place in places]


def _given_now(scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> Iterator[tuple[_Row, GivenEnd | None]]:
    """The ends that were picked or added by hand, each as its row and what was given; what was picked is read again,
    and where that is lost there is nothing."""
    rims = RimReader(scene, depsgraph, mm_per_unit(scene))
    for line in scene.ferrule.ends:
        if not line.by_hand:
            continue
        row = _Row(end_of(line), line.tube, line.key, line.pick)
        given: GivenEnd | None
        if not line.pick:
            given = _sized(row.end)
        else:
            try:
                given, pick = rims.read(line.tube, pick_from(line.pick))
                row = replace(row, end=given.tube_end(), pick=pick_text(pick))
            except PickError as error:
                given, row = None, replace(row, end=replace(row.end, cause="lost", reason=as_message(error)))
        yield row, given


def _sized(end: TubeEnd) -> SizedEnd | None:
    """What was given of an end; nothing if it is lost, since only sizes of the tables are given."""
    match = nearest_size(end.section)
    if match is None:
        return None
    size, frame = size_named(match.name), end.frame
    place = (tuple(row) for row in (frame.origin.tolist(), frame.z.tolist(), frame.x.tolist()))
    of_metal = {metal: size.section_in(metal) for metal in size.metals}
    if len(set(of_metal.values())) == 1:
        return SizedEnd(size.name, *place)
    alike = (metal for metal, section in of_metal.items() if section.like(end.section, SAME_MM))
    return SizedEnd(size.name, *place, metal=next(alike, None))


def _recognised(scene: bpy.types.Scene, rows: list[_Row]) -> list[_Row]:
    """The rows with the keys that they had: by their place on their tube, else the nearest one of the same name."""
    old = [line for line in scene.ferrule.ends if not line.by_hand]
    scale = mm_per_unit(scene)
    keyed = list(rows)
    free = set(range(len(old)))
    for by_name in (False, True):
        called: dict[str, list[int]] = {}
        for index in sorted(free):
            line = old[index]
            called.setdefault(line.name if by_name else line.tube.name if line.tube else "", []).append(index)
        for index, row in enumerate(keyed):
            if row.key or row.tube is None:
                continue
            place, reach = _place(row, scale), math.inf
            if not by_name:
                reach = SAME_PLACE * row.end.section.outer.width / (_size(row.tube) * scale)
            alike = called.get(row.end.source if by_name else row.tube.name, [])
            apart = {other: (Vector(old[other].place) - place).length for other in alike if other in free}
            nearest = min(apart, key=apart.__getitem__, default=-1)
            if nearest >= 0 and apart[nearest] <= reach:
                free.remove(nearest)
                keyed[index] = replace(row, key=old[nearest].key)
    return keyed


def _place(row: _Row, scale: float) -> Vector:
    """Where the end lies in its tube's own coordinates."""
    return row.tube.matrix_world.inverted_safe() @ Vector(row.end.frame.origin / scale)


def _size(tube: bpy.types.Object) -> float:
    """How much larger the tube stands in the world than in its own coordinates."""
    return abs(tube.matrix_world.determinant()) ** (1 / 3)


def _names(scene: bpy.types.Scene) -> frozenset[str]:
    """Of its objects."""
    return frozenset(item.name for item in scene.objects)


def _tube_of(source: str, names: frozenset[str]) -> bpy.types.Object | None:
    """The object that a body belongs to: bodies are called after their object, with a number or a part added."""
    name = source
    while name not in names and " " in name:
        name = name.rpartition(" ")[0]
    return bpy.data.objects[name] if name in names else None


@dataclass(frozen=True)
class _Found:
    """What rows go by."""

    kind: str
    source: str
    section: Section
    position: Floats
    said: Message = NOTHING
    hole_mm: float = 0.0
    listed: bool = True
    """Whether it takes a fitting; if not it is in no row."""

    def fits(self, group: bpy.types.PropertyGroup, section: Section) -> bool:
        alike = group.kind == self.kind and section.like(self.section, ALIKE_MM)
        return alike and abs(group.hole_mm - self.hole_mm) <= ALIKE_MM


def _end(end: TubeEnd) -> _Found:
    return _Found("end", end.source, end.section, end.frame.origin, listed=end.open)


def _about(site: OtherSite) -> _Found:
    if isinstance(site, Hole):
        said = say(f"{{}} from the end, {'both walls' if site.walls > 1 else 'one wall'}", Length(site.measured_mm[0]))
        return _Found("hole", site.source, site.tube.section, site.position, said, round(site.diameter_mm, 2))
    if isinstance(site, Cope):
        under = say_each(say("{}", Name(tube.source)) for tube in site.tubes_under)
        said = say("on {}", under) if under else say("cut to lie on another tube")
        return _Found("cope", site.tube.source, site.tube.section, site.end.frame.origin, said)
    first, second = site.ends
    said = say(f"to {{}}, {site.angle_deg:.0f}°", Name(second.source))
    return _Found("joint", first.source, first.section, first.frame.origin, said)


def _write_sites(scene: bpy.types.Scene, sites: Sequence[_Found], groups: Sequence[int]) -> None:
    """Fills the list of holes, copes and joints; those that lie where one lay on its tube keep its key."""
    ferrule, scale, names = scene.ferrule, mm_per_unit(scene), _names(scene)
    old = [(line.kind, line.tube, Vector(line.place), line.key) for line in ferrule.sites]
    chosen = ferrule.sites[ferrule.site_index].key if 0 <= ferrule.site_index < len(ferrule.sites) else ""
    ferrule.sites.clear()
    for site, group in zip(sites, groups, strict=True):
        line = ferrule.sites.add()
        line.name, line.kind, line.group, line.said = site.source, site.kind, group, site.said.stored()
        line.tube = tube = _tube_of(site.source, names)
        place = Vector(site.position / scale)
        line.place = tube.matrix_world.inverted_safe() @ place if tube else place
        reach = SAME_PLACE * site.section.outer.width / (scale * (_size(tube) if tube else 1.0))
        same = (
            index
            for index, (kind, on, where, _) in enumerate(old)
            if kind == site.kind and on == tube and (where - Vector(line.place)).length <= reach
        )
        index = next(same, None)
        line.key = secrets.token_hex(8) if index is None else old.pop(index)[3]
    keys = [line.key for line in ferrule.sites]
    ferrule.site_index = keys.index(chosen) if chosen in keys else -1


def group_for(scene: bpy.types.Scene, end: TubeEnd) -> int:
    """The row of an end's section, added if there is none; reading the ends keeps it if there are open ones."""
    groups, found = scene.ferrule.groups, _end(end)
    row = next((row for row, group in enumerate(groups) if found.fits(group, modelled_section(group))), len(groups))
    if row == len(groups):
        _new_group(scene.ferrule, found)
    return row


def _grouped(ferrule: bpy.types.PropertyGroup, found: Sequence[_Found], lost: bool) -> list[int]:
    """Which row each of what was found belongs to, -1 for what takes no fitting; adds and removes rows as needed, but
    while an end is ``lost`` its row may be wanted again."""
    sections = [modelled_section(group) for group in ferrule.groups]
    places = []
    for item in found:
        if not item.listed:
            places.append(-1)
            continue
        rows = (row for row, section in enumerate(sections) if item.fits(ferrule.groups[row], section))
        place = next(rows, len(sections))
        if place == len(sections):
            sections.append(item.section)
            _new_group(ferrule, item)
        places.append(place)
    counts = [places.count(i) for i in range(len(sections))]
    kept = [count > 0 or lost for count in counts]
    for index in reversed(range(len(sections))):
        ferrule.groups[index].count = counts[index]
        ferrule.groups[index].section = section_text(sections[index])
        if not kept[index]:
            ferrule.groups.remove(index)
    renumbered = np.cumsum(kept) - 1
    return [int(renumbered[place]) if place >= 0 else -1 for place in places]


def _new_group(ferrule: bpy.types.PropertyGroup, found: _Found) -> None:
    group = ferrule.groups.add()
    match = nearest_size(found.section)
    group.name = section_name(found.section)
    group.section = section_text(found.section)
    group.kind, group.hole_mm = found.kind, found.hole_mm
    alike = [other for other in ferrule.groups if other.kind == found.kind and other != group]
    if alike:
        group.makes = alike[0].makes
    elif found.kind != "end":
        group.makes = ""
    readings = found.section.bore.readings
    group.one_reading = readings[0].where.capitalize() if len(readings) == 1 else ""
    group.size = match.describe().stored() if match else "no table size"
