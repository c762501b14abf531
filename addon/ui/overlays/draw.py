# SPDX-License-Identifier: GPL-3.0-or-later
"""The draw handlers: which overlays are on, what was built for them before, and where it goes in the view."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import TypeVar

import bpy
import gpu
import numpy as np
from mathutils import Matrix

from ...fields.messages import Units, message_from
from ...geometry.frames import Floats
from ...trade.sizes import section_name
from .. import looking, placing, updating
from ..desk import Fitted
from ..drawing import say_in
from ..wording import METRIC, in_window
from . import markers, painting, plates, profile, shapes, sheets
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
_LEAST_SHARE = 0.6
"""A sheet that would have to be drawn smaller than this is left out, as it would be illegible."""
_MOST_SHEETS = 200

hovered = -1
"""Index of the tube end under the mouse, -1 for none."""

_handlers: list[object] = []
_made_from: tuple[object, ...] = ()
_pictures: dict[Hashable, Picture] = {}
_stacks: dict[str, shapes.Stack] = {}
_sheets: dict[Hashable, Printed] = {}
_places: dict[int, tuple[tuple[object, ...], Floats, np.ndarray]] = {}


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
    for cache in (_pictures, _stacks, _sheets, _places):
        cache.clear()


def pictures_of(subject: looking.Subject, view: bpy.types.PropertyGroup, say: Units = METRIC) -> list[Picture]:
    """The overlays that are switched on, each built again only when what it shows changes."""
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
            pictures.append(_picture(("outlines", up_to), lambda: shapes.outlines(_stacks[""], printed, up_to, say)))
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
    if subject.fitted and fitting and view.show_gap:
        band = subject.fitted.made.gap if subject.fitted.made else None
        pictures.append(_picture("gap", lambda: shapes.gap(fitting, band, say)))
    return pictures


def layer_of(view: bpy.types.PropertyGroup, count: int) -> int:
    """The chosen one of ``count`` layers, counted from 0."""
    return min(int(view.layer), count) - 1


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
    """Where the scene's tube ends lie in the region's pixels (n, 2), and which of them are open (n,); None if they
    are not to be marked."""
    scene, region, view = context.scene, context.region, context.region_data
    if not (shown(context) and view and scene.ferrule.ends and scene.ferrule.view.show_ends):
        return None
    desk = updating.desk_of(scene)
    if desk is None:
        return None
    key: tuple[object, ...] = (desk.ends, placing.mm_per_unit(scene))
    cached = _places.get(scene.session_uid)
    if cached is None or cached[0][0] is not key[0] or cached[0][1] != key[1]:
        origins = np.array([end.frame.origin for end in desk.ends]) / placing.mm_per_unit(scene)
        cached = _places[scene.session_uid] = (key, origins, np.array([end.open for end in desk.ends]))
    perspective = np.array(view.perspective_matrix)
    return markers.on_screen(cached[1], perspective, (region.width, region.height)), cached[2]


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
    pictures = pictures_of(subject, view, say_in(context.scene))
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
    pictures = pictures_of(subject, view, say_in(context.scene)) if subject else []
    left, low, right, top = free_space(context.area, context.region)
    edge = _EDGE * scale
    blenders_own = (_VIEW_NAME + _STATISTICS * context.space_data.overlay.show_stats) * scale
    space = (left + edge, low + edge, right - edge, top - edge - blenders_own)
    _draw_ends(context, scale)
    if subject:
        _draw_labels(context, subject, pictures, space, scale)
    words = _draw_words(context.scene, subject, pictures, space, scale) if subject else (space[2], space[1])
    drawn = space[3]
    if subject and subject.fitted and view.show_profile:
        drawn = _draw_profile(context.scene, subject.fitted, space, words, scale)
    _draw_plate(context, (space[0], space[1], words[0] - edge, drawn - edge), scale)
    _draw_name(context, space, scale)


def _draw_words(
    scene: bpy.types.Scene, subject: looking.Subject, pictures: list[Picture], space: Rectangle, scale: float
) -> tuple[float, float]:
    """The legend in the lower right corner, and above it the chosen layer's caption; returns their left and top."""
    view, say = scene.ferrule.view, say_in(scene)
    left, low, right, _ = space
    widest = 0.0
    entries = tuple(entry for picture in pictures for entry in picture.marks.legend)
    stack = []
    if entries:
        stack.append(_sheet(("legend", entries, scale), lambda: sheets.legend(entries, painting.measure(scale))))
    if subject.review and (view.show_outlines or view.show_rings):
        printed = subject.review.printed
        layer = layer_of(view, len(printed.layers)) if printed else 0
        parts = shapes.caption(subject.review, layer, view.planned, say)
        stack.append(_words(parts, scale, sheets.TEXT, (right - left) / scale))
    for sheet in stack:
        share = min(1.0, (right - left) / (sheet.sheet.width * scale))
        width = sheet.sheet.width * scale * share
        painting.draw_sheet(sheet, (right - width, low), scale * share)
        low += (sheet.sheet.height + _BETWEEN) * scale * share
        widest = max(widest, width)
    return right - widest, low


def _draw_profile(
    scene: bpy.types.Scene, fitted: Fitted, space: Rectangle, words: tuple[float, float], scale: float
) -> float:
    """The profile in the upper left corner, clear of the words' left and top; returns its lower edge."""
    left, _, _, top = space
    fitting = fitted.fitting
    if fitting is None:
        return top
    title = f"{fitted.batch.id} {fitting.title} for {section_name(fitting.section)}"
    if fitted.refusal is not None:
        title = f"{title}: the last that could be made"

    def build() -> sheets.Sheet:
        return profile.profile_sheet(fitting.drawing()[0], say_in(scene), painting.measure(scale), title)

    sheet = _sheet(("profile", title, scene.unit_settings.system, fitting, scale), build)
    share = sheets.share_clear_of(sheet.sheet, space, words, scale)
    if share < _LEAST_SHARE:
        return top
    low = top - sheet.sheet.height * scale * share
    painting.draw_sheet(sheet, (left, low), scale * share)
    return low


def _draw_plate(context: bpy.types.Context, space: Rectangle, scale: float) -> None:
    """The plate's map in the lower left corner."""
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
    left, low, right, top = space
    share = min(1.0, (right - left) / (sheet.sheet.width * scale), (top - low) / (sheet.sheet.height * scale))
    if share >= _LEAST_SHARE:
        painting.draw_sheet(sheet, (left, low), scale * share)


def _draw_labels(
    context: bpy.types.Context, subject: looking.Subject, pictures: list[Picture], space: Rectangle, scale: float
) -> None:
    labels = [label for picture in pictures for label in picture.marks.labels]
    if not labels:
        return
    region = context.region
    matrix = np.array(context.region_data.perspective_matrix) @ subject.matrix
    points = markers.on_screen(np.array([label.at for label in labels]), matrix, (region.width, region.height))
    taken: list[Rectangle] = []
    for label, point in zip(labels, points, strict=True):
        if not np.isfinite(point).all():
            continue
        sheet = _words((label.words,), scale)
        x, y = (point + np.array([24.0, 10.0]) * scale).tolist()
        wide, high = sheet.sheet.width * scale, sheet.sheet.height * scale
        if point[0] < space[2]:
            x = min(x, space[2] - wide)
        while any(x < r and left < x + wide and y < t and low < y + high for left, low, r, t in taken):
            y += high + scale
        taken.append((x, y, x + wide, y + high))
        leader = sheets.Stroke(np.array([point, (x, y + high / 2)]), label.style.colour, 1.5, label.style.casing)
        painting.draw_strokes([leader], scale)
        painting.draw_sheet(sheet, (x, y), scale)


def _draw_ends(context: bpy.types.Context, scale: float) -> None:
    on_screen = ends_on_screen(context)
    if on_screen is not None:
        points, open_ends = on_screen
        chosen = context.scene.ferrule.end_index
        painting.draw_strokes(markers.glyphs(points, open_ends, chosen, scale), scale)


def _draw_name(context: bpy.types.Context, space: Rectangle, scale: float) -> None:
    """The name of the tube end under the mouse."""
    on_screen = ends_on_screen(context)
    ferrule = context.scene.ferrule
    if on_screen is None or not 0 <= hovered < len(ferrule.ends) or not np.isfinite(on_screen[0][hovered]).all():
        return
    row = ferrule.ends[hovered]
    group = ferrule.groups[row.group].name if 0 <= row.group < len(ferrule.groups) else ""
    reason = in_window(message_from(row.reason), say_in(context.scene))
    left, _, right, _ = space
    parts = tuple(part for part in (row.name, group, row.cut, reason) if part)
    name = _words(parts, scale, most=(right - left) / scale)
    x, y = (on_screen[0][hovered] + np.array([12.0, 8.0]) * scale).tolist()
    painting.draw_sheet(name, (max(min(x, right - name.sheet.width * scale), left), y), scale)


def _words(parts: tuple[str, ...], scale: float, size: float = sheets.SMALL, most: float = np.inf) -> Printed:
    key = ("words", parts, size, most, scale)
    return _sheet(key, lambda: sheets.words_sheet(parts, painting.measure(scale), most, size))


def _keep_for(subject: looking.Subject, say: Units) -> None:
    """Drops what was built for other results or in other units."""
    global _made_from
    fitted = subject.fitted
    now = (subject.review, fitted.fitting if fitted else None, fitted.made.gap if fitted and fitted.made else None, say)
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
