# SPDX-License-Identifier: GPL-3.0-or-later
"""What Blender calls: when a property changes, when the scene does, and when a file was loaded."""

from __future__ import annotations

import bpy

from ..families import table
from ..fields.declared import declared_in
from . import placing, updating
from .cautioned import forget_cautions
from .desk import active_fitted, desks, drop_all
from .drawing import imperial
from .fields import UNDECIDED, auto_name, take_old_names
from .following import follow_work, forget_steps
from .jobs import bore_problem, modelled_section, process_of, recipes_of
from .listing import chosen_finding, list_findings, list_nothing, object_reviews, up_to_date
from .looking import follow_selection, look_at_finding
from .outdated import forget_changes, keep_changes, scene_changed
from .quiet import loud, quietly
from .recipes import family_of, made_of, recipe_group, start_from_shared, suit_all
from .scene import unit_scale_of
from .views import redraw


def on_number(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """A number of a recipe, the process, the tube or the output changed: what rests on it is made again at once."""
    if loud():
        _decide(group)
        updating.numbers_changed(group.id_data)


def on_measure(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """A number that decides which ends share a fitting changed."""
    if loud():
        with quietly():
            group.bore_problem = bore_problem(group).stored() if group.measured else ""
        updating.batches_changed(group.id_data)


def on_tube(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """What is known of the tubes changed; their metal decides which readings of calipers can be theirs."""
    if not loud():
        return
    sections = [section for section in group.id_data.ferrule.groups if section.measured]
    problems = [bore_problem(section).stored() for section in sections]
    if problems == [section.bore_problem for section in sections]:
        on_number(group, context)
        return
    with quietly():
        for section, problem in zip(sections, problems, strict=True):
            section.bore_problem = problem
    updating.batches_changed(group.id_data)


def on_measured(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    if loud() and group.measured and not group.bore_width_mm:
        bore = modelled_section(group).bore
        widths = [bore.across(reading.across_deg) for reading in bore.readings]
        with quietly():
            group.bore_width_mm, group.bore_depth_mm = widths[0], widths[-1]
    on_measure(group, context)


def on_batches(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """What fittings are sorted or counted by changed: the frames that are built, or what the shop book says of them."""
    if loud():
        updating.batches_changed(group.id_data)


def on_own_recipe(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """A section's own recipe starts as a copy of the shared one."""
    if not loud():
        return
    if group.own_recipe:
        with quietly():
            start_from_shared(group, made_of(group))
    updating.numbers_changed(group.id_data)


def on_group(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """The chosen end belongs to the chosen section, so that operators act on a row that is shown."""
    sections = [row.group for row in group.ends]
    if loud() and group.groups and not 0 <= group.group_index < len(group.groups):
        with quietly():
            group.group_index = min(max(group.group_index, 0), len(group.groups) - 1)
    if loud() and 0 <= group.end_index < len(sections) and sections[group.end_index] != group.group_index:
        with quietly():
            group.end_index = sections.index(group.group_index) if group.group_index in sections else -1
    rows = [row.group for row in group.sites]
    if loud() and 0 <= group.site_index < len(rows) and rows[group.site_index] != group.group_index:
        with quietly():
            group.site_index = -1
    if loud() and group.group_index in rows and group.site_index < 0:
        with quietly():
            group.site_index = rows.index(group.group_index)
    redraw()


def on_end(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Clicking a row of the list of ends selects the end and brings it into view."""
    if loud():
        placing.look_at_end(context, group.id_data, group.end_index)


def on_site(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Clicking a row of the list of holes, copes and joints selects its fitting and brings it into view."""
    if loud():
        placing.look_at_site(context, group.id_data, group.site_index)


def on_finding(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Clicking a row of the list of findings brings the place into view."""
    finding = chosen_finding(context)
    if loud() and finding is not None:
        look_at_finding(context, finding)


def on_view(group: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    redraw()


def on_units() -> None:
    """Metric or imperial units were chosen: lengths that nobody has set become round in these."""
    for scene in bpy.data.scenes:
        if not scene.ferrule.ends:  # They are suited when ends are read.
            continue
        before = recipes_of(scene)
        with quietly():
            suit_all(scene.ferrule, imperial(scene))
        if recipes_of(scene) != before:
            updating.numbers_changed(scene)


def watch_units() -> None:
    """Blender sends a message when somebody changes the units, until another file is loaded."""
    bpy.msgbus.clear_by_owner(_WATCHING)
    bpy.msgbus.subscribe_rna(key=(bpy.types.UnitSettings, "system"), owner=_WATCHING, args=(), notify=on_units)


_WATCHING = object()


@bpy.app.handlers.persistent
def start_anew(*given: object) -> None:
    """A handler: results of the file before are dropped, and an older file's numbers get their new names."""
    forget()
    watch_units()
    with quietly():
        for scene in bpy.data.scenes:
            ferrule = scene.ferrule
            holders = (ferrule, *ferrule.groups)
            recipes = (recipe_group(holder, family) for holder in holders for family in table.FAMILIES)
            for group in (ferrule.process, *recipes):
                take_old_names(group)


@bpy.app.handlers.persistent
def keep_for_file(*given: object) -> None:
    """A handler: what is only known while the file is open is put into it before it is saved."""
    for scene in bpy.data.scenes:
        keep_changes(scene)


@bpy.app.handlers.persistent
def drop_outdated(scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> None:
    """A handler: drops the reviews of the user's own meshes that have changed or moved, or are to be printed by another
    process, lists the findings of what is now looked at, and makes the fitting that was selected the subject."""
    scene_changed(scene, depsgraph)
    for update in depsgraph.updates if object_reviews else ():
        changed = update.is_updated_geometry or update.is_updated_transform
        if changed and isinstance(update.id, bpy.types.Object) and update.id.original:
            object_reviews.pop(update.id.original.session_uid, None)
    if object_reviews:
        now = process_of(scene.ferrule.process), unit_scale_of(scene)
        for uid, reviewed in list(object_reviews.items()):
            if (reviewed.review.process, reviewed.unit_scale) != now:
                del object_reviews[uid]
    if not up_to_date(scene):
        list_findings(updating.desk_of(scene))
    follow_selection(scene)
    follow_work(scene)


def forget() -> None:
    """Drops everything, as when another file is loaded or the add-on is switched off."""
    updating.stop()
    bpy.msgbus.clear_by_owner(_WATCHING)
    drop_all()
    forget_cautions()
    forget_steps()
    forget_changes()
    list_nothing()


def _decide(group: bpy.types.PropertyGroup) -> None:
    """A number that is no longer automatic starts from the value decided for the section."""
    fitted = active_fitted(group.id_data, desks.get(group.id_data.session_uid))
    settled = fitted.fitting.recipe if fitted and fitted.fitting else None
    family = family_of(group)
    if family is None or (settled is not None and not isinstance(settled, family.recipe)):
        return
    for name, field in declared_in(family.recipe).items():
        if field.optional and getattr(group, name, 0.0) == UNDECIDED and not getattr(group, auto_name(name)):
            with quietly():
                setattr(group, name, (settled and field.of(settled)) or 0)
