# SPDX-License-Identifier: GPL-3.0-or-later
"""The draw handlers: which overlays are on, what was built for them before, and where it goes in the view."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TypeVar

import bpy
import gpu
import numpy as np
from bpy_extras.view3d_utils import region_2d_to_origin_3d, region_2d_to_vector_3d
from mathutils import Matrix
from mathutils.bvhtree import BVHTree

from ...families.family import Site
from ...fields.messages import Units, message_from
from ...geometry.frames import Floats
from ...geometry.mesh import Mesh
from ...trade.sizes import section_name
from .. import looking, placing, scene_ends, updating
from ..desk import Fitted
from ..drawing import row_name, say_in
from ..recipes import made_of
from ..takeoff_text import place_of, sites_of
from ..wording import METRIC, in_window
from . import markers, painting, plates, profile, room, shapes, sheets
from .painting import Picture, Printed
from .sheets import Rectangle

Kept = TypeVar("Kept")
_EDGE = 10.0
"""Between what is drawn and the region's edges, in points."""
_VIEW_NAME = 62.0
_STATISTICS = 96.0
"""Height of what Blender itself writes at the view's upper left, in points."""
_BETWEEN = 4.0
"""Between sheets that stand on each other, in points."""
_SHARES = (1.0, 0.9, 0.8, 0.7, 0.6)
"""Sizes at which a sheet is drawn; smaller it would be illegible."""
_EVERY = (1, 2, 5, 10, 20, 50, 100)
_AWAY = 24.0
"""Between a place and the words about it, in points."""
_APART = 4.0
"""Outlines of layers stand at least so far apart, in points."""
_END_COUNTS = 10
"""Points of the assembly that an end counts for, where a sheet might hide it."""
_MOST_SHEETS = 200

hovered = -1
"""Index of the tube end under the mouse, -1 for none."""
hovered_layer = -1
"""The chosen fitting's layer under the mouse, counted from 0, -1 for none."""
mouse = (0.0, 0.0)
"""Where in its region the mouse was at that."""

_handlers: list[object] = []
_made_from: tuple[object, ...] = ()
_pictures: dict[Hashable, Picture] = {}
_stacks: dict[str, shapes.Stack] = {}
_sheets: dict[Hashable, Printed] = {}
_places: dict[int, tuple[tuple[object, ...], Floats, np.ndarray]] = {}
_trees: dict[Hashable, tuple[Mesh, BVHTree]] = {}
_samples: dict[int, tuple[object, Floats]] = {}
"""Points of the assembly in the world, by the scene's ``session_uid``, with the ends that were read from it."""
_put: dict[tuple[int, str], room.Standing] = {}
"""Where sheets were last drawn, by the area and what they are."""


def add_handlers() -> None:
    for draw, when in ((_draw_view, "POST_VIEW"), (_draw_region, "POST_PIXEL")):
        _handlers.append(bpy.types.SpaceView3D.draw_handler_add(draw, (), "WINDOW", when))


def remove_handlers() -> None:
    while _handlers:
        bpy.types.SpaceView3D.draw_handler_remove(_handlers.pop(), "WINDOW")


def invalidate() -> None:
    """Forgets what was built; it is built again when it is next drawn."""
    global _made_from
    _made_from = ()
    for cache in (_pictures, _stacks, _sheets, _places, _trees, _samples, _put):
        cache.clear()


def pictures_of(
    subject: looking.Subject, view: bpy.types.PropertyGroup, say: Units = METRIC, every: int = 1
) -> list[Picture]:
    """The overlays that are switched on, each built again only when what it shows changes; outlines of ``every`` so
    manieth layer."""
    _keep_for(subject, say)
    pictures: list[Picture] = []
    review = subject.review
    printed = review.printed if review else None
    if review and printed:
        layer, planned = layer_of(view, len(printed.layers)), view.planned
        if view.show_outlines:
            up_to = layer if view.which_layers == "up to layer" else None
            if not _stacks:
                _stacks[""] = shapes.outline_stack(printed)
            drawn = lambda: shapes.outlines(_stacks[""], printed, up_to, say, every)  # noqa: E731
            pictures.append(_picture(("outlines", up_to, every), drawn))
        if view.show_outlines or view.show_rings:
            pictures.append(_picture(("layer", layer), lambda: shapes.chosen_layer(printed, layer, say)))
        if view.show_rings:
            pictures.append(_picture(("rings", layer, planned), lambda: shapes.rings(review, layer, planned, say)))
        if view.show_overhangs:
            pictures.append(_picture("overhangs", lambda: shapes.overhangs(review, say)))
        if view.show_thin_walls:
            pictures.append(_picture("thin walls", lambda: shapes.thin_walls(review, say)))
        if view.show_steps:
            pictures.append(_picture("steps", lambda: shapes.steps(review, say)))
    fitting = subject.fitted.fitting if subject.fitted else None
    if subject.fitted and fitting and fitting.seats and view.show_gap:
        band = subject.fitted.made.gaps[0] if subject.fitted.made else None
        pictures.append(_picture("gap", lambda: shapes.gap(fitting, band, say)))
    return pictures


def layer_of(view: bpy.types.PropertyGroup, count: int) -> int:
    """The chosen one of ``count`` layers, counted from 0."""
    return min(int(view.layer), count) - 1


def every_layer(context: bpy.types.Context, subject: looking.Subject) -> int:
    """Of which layers outlines are drawn, so that they stand apart on the screen: of every one, every second, ..."""
    printed = subject.review.printed if subject.review else None
    view, region = context.region_data, context.region
    if printed is None or view is None:
        return 1
    middle = (subject.matrix @ np.append(subject.review.mesh.bounds.mean(axis=0), 1.0))[:3]
    up = np.array(view.view_matrix)[1, :3] * np.linalg.norm(subject.matrix[:3, 2])
    places = np.array([middle, middle + up * float(printed.layers.heights()[-1])])
    seen = markers.on_screen(places, np.array(view.perspective_matrix), (region.width, region.height))
    apart = float(np.linalg.norm(seen[1] - seen[0])) / _scale(context)
    return next((every for every in _EVERY if every * apart >= _APART), _EVERY[-1])


def layer_at(context: bpy.types.Context, mouse: tuple[float, float]) -> int:
    """The layer of the chosen fitting under the mouse, counted from 0, while layers are shown; -1 for none."""
    view = context.scene.ferrule.view
    subject = looking.subject_of(context) if view.show_outlines or view.show_rings else None
    printed = subject.review.printed if subject and subject.review else None
    if subject is None or printed is None or context.region_data is None:
        return -1
    mesh = subject.review.mesh
    _, tree = _kept(_trees, id(mesh), lambda: (mesh, _tree_of(mesh)))
    inverse = Matrix(subject.matrix.tolist()).inverted()
    origin = region_2d_to_origin_3d(context.region, context.region_data, mouse)
    way = region_2d_to_vector_3d(context.region, context.region_data, mouse)
    hit = tree.ray_cast(inverse @ origin, inverse.to_3x3() @ way)[0]
    return -1 if hit is None else min(int(np.searchsorted(printed.layers.tops, hit.z)), len(printed.layers) - 1)


def _tree_of(mesh: Mesh) -> BVHTree:
    return BVHTree.FromPolygons(mesh.vertices.tolist(), mesh.triangles.tolist())


def free_space(area: bpy.types.Area, region: bpy.types.Region) -> Rectangle:
    """What the sidebar, the toolbar and the headers leave of a view's region."""
    left, low, right, top = 0.0, 0.0, float(region.width), float(region.height)
    for other in area.regions:
        if other.width <= 1 or other.height <= 1:
            continue
        x, y = other.x - region.x, other.y - region.y
        if other.type in {"UI", "TOOLS"}:
            if x + other.width / 2 > region.width / 2:
                right = min(right, x)
            else:
                left = max(left, x + other.width)
        elif other.type in {"HEADER", "TOOL_HEADER"}:
            if y > region.height / 2:
                top = min(top, y)
            else:
                low = max(low, y + other.height)
    return left, low, right, top


def ends_on_screen(context: bpy.types.Context) -> tuple[Floats, np.ndarray] | None:
    """Where the scene's tube ends lie in the region's pixels, and after them its holes, copes and joints, (n, 2), and
    which of the ends are open; None if they are not to be marked. Sites are marked if something is made of them, or if
    theirs is the chosen row."""
    scene, region, view = context.scene, context.region, context.region_data
    if not (shown(context) and view and scene.ferrule.ends and scene.ferrule.view.show_ends):
        return None
    desk = updating.desk_of(scene)
    if desk is None:
        return None
    key: tuple[object, ...] = (desk.takeoff, placing.mm_per_unit(scene))
    cached = _places.get(scene.session_uid)
    if cached is None or cached[0][0] is not key[0] or cached[0][1] != key[1]:
        places = [end.frame.origin for end in desk.ends] + [place_of(site) for site in sites_of(desk.takeoff)]
        origins = np.array(places) / placing.mm_per_unit(scene)
        cached = _places[scene.session_uid] = (key, origins, np.array([end.open for end in desk.ends]))
    perspective = np.array(view.perspective_matrix)
    points = markers.on_screen(cached[1], perspective, (region.width, region.height))
    ferrule = scene.ferrule
    marked = {row for row, group in enumerate(ferrule.groups) if row == ferrule.group_index or made_of(group)}
    hidden = [len(desk.ends) + row for row, line in enumerate(ferrule.sites) if line.group not in marked]
    points[hidden] = np.nan
    return points, cached[2]


def shown(context: bpy.types.Context) -> bool:
    """Whether the view shows overlays at all."""
    space = context.space_data
    return space is not None and space.type == "VIEW_3D" and space.overlay.show_overlays


def _subject(context: bpy.types.Context, view: bpy.types.PropertyGroup) -> looking.Subject | None:
    switches = ("outlines", "rings", "overhangs", "thin_walls", "steps", "gap", "profile")
    if any(getattr(view, f"show_{name}") for name in switches):
        return looking.subject_of(context)
    return None


def _draw_view() -> None:
    context = bpy.context
    if not shown(context):
        return
    view = context.scene.ferrule.view
    subject = _subject(context, view)
    if subject is None:
        return
    pictures = pictures_of(subject, view, say_in(context.scene), every_layer(context, subject))
    if pictures:
        with gpu.matrix.push_pop():
            gpu.matrix.multiply_matrix(Matrix(subject.matrix.tolist()))
            painting.draw_pictures(pictures, _scale(context))


def _draw_region() -> None:
    context = bpy.context
    if not shown(context):
        return
    scale = _scale(context)
    view = context.scene.ferrule.view
    subject = _subject(context, view)
    pictures = pictures_of(subject, view, say_in(context.scene), every_layer(context, subject)) if subject else []
    left, low, right, top = free_space(context.area, context.region)
    edge = _EDGE * scale
    blenders_own = (_VIEW_NAME + _STATISTICS * context.space_data.overlay.show_stats) * scale
    space = (left + edge, low + edge, right - edge, top - edge - blenders_own)
    taken = [room.gizmos(context, (left, low, right, top), scale), *room.last_operator(context)]
    _draw_ends(context, scale)
    if subject:
        taken += _draw_words(context.scene, subject, pictures, space, taken[0], scale)
        _draw_labels(context, subject, pictures, space, taken, scale)
    _draw_plate(context, subject.end if subject else None, space, taken, scale)
    if subject and subject.fitted and view.show_profile:
        _draw_profile(context, subject, subject.fitted, space, taken, scale)
    _draw_name(context, space, taken, scale)
    if subject:
        _draw_layers_name(context, subject, space, taken, scale)


def _draw_words(
    scene: bpy.types.Scene,
    subject: looking.Subject,
    pictures: list[Picture],
    space: Rectangle,
    gizmos: Rectangle,
    scale: float,
) -> list[Rectangle]:
    """The legend in the lower right corner, and above it the chosen layer's caption, beside Blender's gizmos where they
    reach up to them; returns what they take."""
    view, say = scene.ferrule.view, say_in(scene)
    left, low, right, _ = space
    taken: list[Rectangle] = []
    drawn = {mark.style for picture in pictures for mark in (*picture.marks.batches, *picture.marks.labels)}
    entries = tuple(entry for picture in pictures for entry in picture.marks.legend if entry.style in drawn)
    stack = []
    if entries:
        stack.append(_sheet(("legend", entries, scale), lambda: sheets.legend(entries, painting.measure(scale))))
    if subject.review and (view.show_outlines or view.show_rings):
        printed = subject.review.printed
        layer = layer_of(view, len(printed.layers)) if printed else 0
        parts = shapes.caption(subject.review, layer, view.planned, say)
        stack.append(_words(parts, scale, sheets.TEXT, (right - left) / scale))
    for sheet in stack:
        if low + sheet.sheet.height * scale > gizmos[1]:
            right = min(right, gizmos[0])
        share = min(1.0, (right - left) / (sheet.sheet.width * scale))
        width = sheet.sheet.width * scale * share
        painting.draw_sheet(sheet, (right - width, low), scale * share)
        high = sheet.sheet.height * scale * share
        taken.append((right - width, low, right, low + high))
        low += high + _BETWEEN * scale * share
    return taken


def _draw_profile(
    context: bpy.types.Context,
    subject: looking.Subject,
    fitted: Fitted,
    space: Rectangle,
    taken: list[Rectangle],
    scale: float,
) -> None:
    """The profile where there is room for it."""
    scene, fitting = context.scene, fitted.fitting
    if fitting is None:
        return
    title = f"{fitted.batch.id} {fitting.title} for {section_name(fitting.section)}"
    if fitted.refusal is not None:
        title = f"{title}: the last that could be made"

    def build() -> sheets.Sheet:
        return profile.profile_sheet(fitting.drawing()[0], say_in(scene), painting.measure(scale), title)

    sheet = _sheet(("profile", title, scene.unit_settings.system, fitting, scale), build)
    _draw_in_room(context, "profile", sheet, subject.end, space, taken, scale)


def _draw_in_room(
    context: bpy.types.Context,
    what: str,
    sheet: Printed,
    end: Site | None,
    space: Rectangle,
    taken: list[Rectangle],
    scale: float,
) -> None:
    """A sheet clear of what is ``taken``, which it joins, where it hides least of the assembly; smaller if it has to
    be, and left out if it would be illegible."""
    points = _assembly_on_screen(context, end)
    key = (context.area.as_pointer(), what)
    size = sheet.sheet.width * scale, sheet.sheet.height * scale
    found = room.room_for(size, space, taken, points, _put.get(key), _SHARES)
    if found is not None:
        _put[key], rectangle = found
        painting.draw_sheet(sheet, rectangle[:2], scale * _put[key].share)
        taken.append(rectangle)


def _assembly_on_screen(context: bpy.types.Context, chosen: Site | None) -> Floats:
    """(n, 2): points of the assembly and of its ends in the region's pixels, more of them about the chosen end."""
    scene, region, view = context.scene, context.region, context.region_data
    desk = updating.desk_of(scene)
    if desk is None or view is None:
        return np.empty((0, 2))
    kept = _samples.get(scene.session_uid)
    if kept is None or kept[0] is not desk.ends:
        ends = np.array([end.frame.origin for end in desk.ends]).reshape(-1, 3) / placing.mm_per_unit(scene)
        points = np.concatenate([room.sampled(scene_ends.sources_of(scene)), *[ends] * _END_COUNTS])
        kept = _samples[scene.session_uid] = (desk.ends, points)
    points = kept[1]
    if chosen is not None:
        points = np.concatenate([points, room.about(chosen) / placing.mm_per_unit(scene)])
    seen = markers.on_screen(points, np.array(view.perspective_matrix), (region.width, region.height))
    return seen[np.isfinite(seen).all(axis=1)]


def _draw_plate(
    context: bpy.types.Context, end: Site | None, space: Rectangle, taken: list[Rectangle], scale: float
) -> None:
    """The plate's map where there is room for it."""
    scene = context.scene
    if not scene.ferrule.view.show_plate:
        return
    desk = updating.desk_of(scene)
    if desk is None or desk.laid_out is None or not desk.laid_out.plates.count:
        return
    laid, job, prints = desk.laid_out.plates, desk.job, desk.laid_out.footprints
    number = min(scene.ferrule.view.plate, laid.count)
    ids = [fitted.made.id for fitted in desk.fittings if fitted.made]

    def build() -> sheets.Sheet:
        title = f"Plate {number} of {laid.count}, {' × '.join(map(say_in(scene), job.process.plate_mm[:2]))}"
        measure = painting.measure(scale)
        return plates.plate_sheet(title, laid.on(number - 1), prints, ids, job.process, measure)

    sheet = _sheet(("plate", desk.version, laid, number, scene.unit_settings.system, scale), build)
    _draw_in_room(context, "plate", sheet, end, space, taken, scale)


def _draw_labels(
    context: bpy.types.Context,
    subject: looking.Subject,
    pictures: list[Picture],
    space: Rectangle,
    taken: list[Rectangle],
    scale: float,
) -> None:
    """Words beside places of the part, clear of each other and of what is ``taken``, which they join."""
    labels = [label for picture in pictures for label in picture.marks.labels]
    if not labels:
        return
    region = context.region
    matrix = np.array(context.region_data.perspective_matrix) @ subject.matrix
    points = markers.on_screen(np.array([label.at for label in labels]), matrix, (region.width, region.height))
    for label, point in zip(labels, points, strict=True):
        if not np.isfinite(point).all():
            continue
        sheet = _words((label.words,), scale)
        size = sheet.sheet.width * scale, sheet.sheet.height * scale
        rectangle = room.beside((float(point[0]), float(point[1])), size, space, taken, _AWAY * scale)
        taken.append(rectangle)
        left, low, right, top = rectangle
        foot = (left if point[0] < (left + right) / 2 else right, (low + top) / 2)
        leader = sheets.Stroke(np.array([point, foot]), label.style.colour, 1.5, label.style.casing)
        painting.draw_strokes([leader], scale)
        painting.draw_sheet(sheet, (left, low), scale)


def _draw_ends(context: bpy.types.Context, scale: float) -> None:
    on_screen = ends_on_screen(context)
    if on_screen is not None:
        points, open_ends = on_screen
        ferrule, ends = context.scene.ferrule, len(open_ends)
        strokes = markers.glyphs(points[:ends], open_ends, ferrule.end_index, scale)
        painting.draw_strokes([*strokes, *markers.diamonds(points[ends:], ferrule.site_index, scale)], scale)


def _draw_name(context: bpy.types.Context, space: Rectangle, taken: list[Rectangle], scale: float) -> None:
    """The name of the tube end under the mouse, and what the chosen one and its fitting are called."""
    on_screen = ends_on_screen(context)
    ferrule = context.scene.ferrule
    if on_screen is None:
        return
    points, chosen = on_screen[0], ferrule.end_index
    if 0 <= chosen < len(ferrule.ends) and chosen != hovered and _is_in(points[chosen], space):
        name = _words((_called(context.scene, chosen),), scale)
        _draw_beside(name, points[chosen], space, taken, scale)
    if not 0 <= hovered < len(points) or not np.isfinite(points[hovered]).all():
        return
    units, ends = say_in(context.scene), len(ferrule.ends)
    row = ferrule.ends[hovered] if hovered < ends else ferrule.sites[hovered - ends]
    group = row_name(ferrule.groups[row.group], units) if 0 <= row.group < len(ferrule.groups) else ""
    said = (
        (row.cut, in_window(message_from(row.reason), units))
        if hovered < ends
        else (message_from(row.said).text(units),)
    )
    called = _called(context.scene, hovered) if hovered < ends else ""
    parts = tuple(part for part in (called, row.name, group, *said) if part)
    name = _words(parts, scale, most=(space[2] - space[0]) / scale)
    _draw_beside(name, points[hovered], space, taken, scale)


def _is_in(point: Floats, space: Rectangle) -> bool:
    left, low, right, top = space
    return bool(left <= point[0] <= right and low <= point[1] <= top)


def _called(scene: bpy.types.Scene, row: int) -> str:
    """``"F2, end 14"``, as on the job sheet; ``"end 14"`` where it takes no fitting."""
    desk = updating.desk_of(scene)
    ids = [fitted.batch.id for fitted in desk.fittings if row in fitted.rows] if desk else []
    return ", ".join((*ids, f"end {scene.ferrule.ends[row].number}"))


def _draw_layers_name(
    context: bpy.types.Context, subject: looking.Subject, space: Rectangle, taken: list[Rectangle], scale: float
) -> None:
    """The layer under the mouse."""
    printed = subject.review.printed if subject.review else None
    view = context.scene.ferrule.view
    if printed is None or hovered >= 0 or not 0 <= hovered_layer < len(printed.layers):
        return
    if view.show_outlines or view.show_rings:
        name = _words((printed.layers.place(hovered_layer).text(say_in(context.scene)),), scale)
        _draw_beside(name, np.array(mouse), space, taken, scale)


def _draw_beside(name: Printed, point: Floats, space: Rectangle, taken: list[Rectangle], scale: float) -> None:
    size = name.sheet.width * scale, name.sheet.height * scale
    place = room.beside((float(point[0]), float(point[1])), size, space, taken, _AWAY / 2 * scale)
    painting.draw_sheet(name, place[:2], scale)


def _words(parts: tuple[str, ...], scale: float, size: float = sheets.SMALL, most: float = np.inf) -> Printed:
    key = ("words", parts, size, most, scale)
    return _sheet(key, lambda: sheets.words_sheet(parts, painting.measure(scale), most, size))


def _keep_for(subject: looking.Subject, say: Units) -> None:
    """Drops what was built for other results or in other units."""
    global _made_from
    fitted = subject.fitted
    now = (
        subject.review,
        fitted.fitting if fitted else None,
        fitted.made.gaps if fitted and fitted.made else None,
        say,
    )
    if len(now) != len(_made_from) or any(after is not before for after, before in zip(now, _made_from, strict=True)):
        _pictures.clear()
        _stacks.clear()
        _made_from = now


def _picture(key: Hashable, build: Callable[[], shapes.Marks]) -> Picture:
    return _kept(_pictures, key, lambda: painting.picture_of(build()))


def _sheet(key: Hashable, build: Callable[[], sheets.Sheet]) -> Printed:
    return _kept(_sheets, key, lambda: painting.printed(build()))


def _kept(cache: dict[Hashable, Kept], key: Hashable, build: Callable[[], Kept]) -> Kept:
    if key not in cache:
        if len(cache) >= _MOST_SHEETS:
            cache.clear()
        cache[key] = build()
    return cache[key]


def _scale(context: bpy.types.Context) -> float:
    return float(context.preferences.system.ui_scale)
