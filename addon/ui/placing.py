# SPDX-License-Identifier: GPL-3.0-or-later
"""Fittings in the scene: one object for each tube end, in a collection of their own, one mesh for each fitting.

An object knows its end by a key; its name, its materials and all else the user gives it stay as they are.
"""

from __future__ import annotations

from collections.abc import Iterable

import bpy
import numpy as np
from mathutils import Color, Matrix

from ..families import table
from ..families.family import Family, Site
from ..families.fitting import Fitting
from ..geometry.frames import Floats
from ..takeoff import Hole, Joint, Takeoff, TubeEnd
from ..trade.sizes import section_name
from .desk import Desk, Fitted, numbered
from .palette import BLUE
from .recipes import word_of
from .records import end_of
from .scene import FITTING_MARK, fill_mesh, unit_scale_of
from .takeoff_text import place_of, sites_of, takeoff_from
from .views import look_at, show_locally

COLLECTION = "Fittings"
MATERIAL = "Fitting"
_SHARP_DEG = 30.0

Placed = dict[str, bpy.types.Object]
"""The fittings' objects by the key of their end."""


def placed(scene: bpy.types.Scene) -> Placed:
    """Copies that the user made are not among them."""
    ferrule = scene.ferrule
    items = [(line.key, line.fitting) for line in ferrule.ends] + [(line.name, line.fitting) for line in ferrule.placed]
    return {key: item for key, item in items if item is not None and item.type == "MESH" and item.name in scene.objects}


def site_key(family: Family, record_key: str, number: int = 0) -> str:
    """By what a fitting's object is known: the key of what it is for, behind the name of a family that is not the
    usual one; ``number`` is how many others of the family are for it too, as at the two mouths of a hole."""
    key = record_key if family is table.usual() else f"{word_of(family)}:{record_key}"
    return f"{key}#{number + 1}" if number else key


def record_key(key: str) -> str:
    """The key of the end, hole, cope or joint that an object of this key is for."""
    return key.rpartition(":")[2].partition("#")[0]


def all_fittings(scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """Every fitting that was made for this scene and is still in it, copies as well."""
    key = scene.ferrule.key
    return [item for item in scene.objects if item.ferrule.end_key and item.ferrule.scene_key == key]


def renew(scene: bpy.types.Scene, fitted: Fitted, objects: Placed) -> None:
    """Brings the meshes of a fitting in line with it, where it has objects and could be made."""
    if fitted.fitting is None or not fitted.designed or fitted.refusal is not None:
        return
    for mesh in {objects[key].data for key in fitted.keys if key in objects}:
        _renew_mesh(mesh, fitted, unit_scale_of(scene))


def place_all(scene: bpy.types.Scene, desk: Desk, only: set[str] | None = None) -> tuple[int, int]:
    """Puts every fitting on its end, or those of ``only`` some ends' keys, adding objects and removing those whose end
    is gone; returns how many were added and removed. A fitting that cannot be made leaves its objects as they are."""
    objects = placed(scene)
    added = 0
    wanted: set[str] = set()
    taken: set[str] = set()
    for fitted in desk.fittings:
        wanted.update(fitted.keys)
        if fitted.fitting is None or (only is not None and only.isdisjoint(fitted.keys)):
            continue
        mesh = _mesh_for(fitted, [objects[key] for key in fitted.keys if key in objects], taken)
        taken.add(mesh.name)
        _renew_mesh(mesh, fitted, unit_scale_of(scene))
        _yield_to_given_materials(mesh)
        for key, site in zip(fitted.keys, fitted.batch.sites, strict=True):
            item = objects.get(key)
            if only is not None and key not in only:
                continue
            if item is None:
                item = _new_object(scene, mesh, key, fitted.batch.family)
                _remember(scene, key, item)
                added += 1
            elif item.data != mesh:
                item.data = mesh
            _put(item, site, unit_scale_of(scene))
    gone = [] if only is not None else [item for item in all_fittings(scene) if item.ferrule.end_key not in wanted]
    remove(gone)
    name_all(scene, desk)
    return added, len(gone)


def name_all(scene: bpy.types.Scene, desk: Desk) -> None:
    """Calls fittings as lists and papers do: ``"F2 14 Post"``. Those that the user has named keep that name."""
    objects, numbers = placed(scene), numbered(desk)
    for fitted in desk.fittings:
        for key, site in zip(fitted.keys, fitted.batch.sites, strict=True):
            item = objects.get(key)
            if item is None or item.library or (item.ferrule.given_name and item.name != item.ferrule.given_name):
                continue
            name = f"{fitted.batch.id} {numbers[id(site)]} {site.source or section_name(site.section)}"
            if not item.ferrule.given_name.startswith(name):
                item.name = name
                item.ferrule.given_name = item.name


def remove(items: Iterable[bpy.types.Object]) -> None:
    """Removes objects, and their meshes if nothing else uses them."""
    for item in items:
        mesh = item.data
        bpy.data.objects.remove(item)
        if isinstance(mesh, bpy.types.Mesh) and not mesh.users:
            bpy.data.meshes.remove(mesh)


def standing_matrix(fitting: Fitting, site: Site, scene: bpy.types.Scene) -> Floats:
    """(4, 4): from mm as the fitting stands when printed to where it sits in Blender's world."""
    scale = np.diag([*[1 / mm_per_unit(scene)] * 3, 1.0])
    return scale @ site.frame.matrix @ fitting.print_frame.matrix


def mm_per_unit(scene: bpy.types.Scene) -> float:
    return 1000 * unit_scale_of(scene)


def look_at_end(context: bpy.types.Context, scene: bpy.types.Scene, index: int, move: bool = True) -> None:
    """Selects the end's fitting, or its tube where it has none, and brings the end into the views if they are to
    ``move``."""
    if not 0 <= index < len(scene.ferrule.ends):
        return
    row = scene.ferrule.ends[index]
    end = end_of(row)
    if row.group >= 0:
        scene.ferrule.group_index = row.group
    select(context, placed(scene).get(row.key) or row.tube)
    if move:
        scale = mm_per_unit(scene)
        look_at(context, end.frame.origin / scale, end.section.outer.width / scale, end.rim_normal)


def look_at_site(context: bpy.types.Context, scene: bpy.types.Scene, index: int, move: bool = True) -> None:
    """The same for a hole, a cope or a joint."""
    if not 0 <= index < len(scene.ferrule.sites):
        return
    line = scene.ferrule.sites[index]
    scene.ferrule.group_index = line.group
    fittings = [item for key, item in placed(scene).items() if record_key(key) == line.key]
    fittings.sort(key=lambda item: item.ferrule.family != scene.ferrule.family)
    select(context, next(iter(fittings), line.tube))
    if move:
        site, scale = sites_of(listed_takeoff(scene))[index], mm_per_unit(scene)
        tube = site.ends[0] if isinstance(site, Joint) else site.tube
        out = None if isinstance(site, Joint) else site.axis if isinstance(site, Hole) else site.end.frame.z
        look_at(context, place_of(site) / scale, tube.section.outer.width / scale, out)


def listed_takeoff(scene: bpy.types.Scene) -> Takeoff:
    """What was found and is listed."""
    lines = scene.ferrule.ends
    return takeoff_from(scene.ferrule.takeoff, tuple(line.key for line in lines), tuple(map(end_of, lines)))


def outward(site: Site) -> Floats:
    """(3,): from where a site is best seen."""
    return site.rim_normal if isinstance(site, TubeEnd) else site.frame.z


def select(context: bpy.types.Context, item: bpy.types.Object | None) -> None:
    """Makes one object the only selected one, where it is there to select and nothing is being edited."""
    layer = context.view_layer
    if item is None or item.name not in layer.objects or context.mode != "OBJECT":
        return
    for other in context.selected_objects:
        other.select_set(False)
    item.select_set(True)
    layer.objects.active = item


def _renew_mesh(mesh: bpy.types.Mesh, fitted: Fitted, unit_scale: float) -> None:
    digest = fitted.digest(unit_scale)
    if mesh.ferrule.made_from == digest or not _can_change(mesh):
        return
    assert fitted.fitting is not None
    fill_mesh(mesh, fitted.fitting.mesh, unit_scale)
    mesh.shade_smooth()
    mesh.set_sharp_from_angle(angle=np.radians(_SHARP_DEG))
    mesh.ferrule.made_from = digest


def _mesh_for(fitted: Fitted, items: list[bpy.types.Object], taken: set[str]) -> bpy.types.Mesh:
    """The mesh that the fitting has already, unless another fitting has taken it, or a new one."""
    for item in items:
        mesh = item.data
        if isinstance(mesh, bpy.types.Mesh) and mesh.name not in taken and _can_change(mesh):
            return mesh
    assert fitted.fitting is not None
    title = fitted.fitting.title
    mesh = bpy.data.meshes.new(f"{title.capitalize()} for {section_name(fitted.fitting.section)}")
    mesh.materials.append(_material())
    return mesh


def _yield_to_given_materials(mesh: bpy.types.Mesh) -> None:
    """Takes our own material away once there is another one."""
    first = mesh.materials[0] if len(mesh.materials) > 1 else None
    if first is not None and first.get(FITTING_MARK) and _can_change(mesh):
        mesh.materials.pop(index=0)


def _material() -> bpy.types.Material:
    """What tells fittings from tubes in the solid view, until they are given another one."""
    for material in bpy.data.materials:
        if material.get(FITTING_MARK) and material.library is None:
            return material
    fresh = bpy.data.materials.new(MATERIAL)
    fresh[FITTING_MARK] = True
    fresh.diffuse_color = _colour()  # type: ignore[assignment]
    return fresh


def _colour() -> tuple[float, float, float, float]:
    linear = Color(BLUE).from_srgb_to_scene_linear()
    return linear.r, linear.g, linear.b, 1.0


def _can_change(mesh: bpy.types.Mesh) -> bool:
    """Not while it is edited; and writing to one that is linked from another file would crash Blender."""
    return not mesh.is_editmode and mesh.library is None


def _remember(scene: bpy.types.Scene, key: str, item: bpy.types.Object) -> None:
    """Which object is the fitting of a key, beside copies that the user may make of it."""
    ferrule = scene.ferrule
    line = next((line for line in ferrule.ends if line.key == key), None)
    if line is None:
        for index in reversed(range(len(ferrule.placed))):
            if ferrule.placed[index].name == key or ferrule.placed[index].fitting is None:
                ferrule.placed.remove(index)
        line = ferrule.placed.add()
        line.name = key
    line.fitting = item


def _new_object(scene: bpy.types.Scene, mesh: bpy.types.Mesh, key: str, family: Family) -> bpy.types.Object:
    item = bpy.data.objects.new(family.label, mesh)
    item.color = _colour()  # type: ignore[assignment]
    item.ferrule.end_key = key
    item.ferrule.family = word_of(family)
    item.ferrule.scene_key = scene.ferrule.key
    item[FITTING_MARK] = True
    _collection(scene).objects.link(item)
    show_locally(scene, item)
    return item


def _put(item: bpy.types.Object, site: Site, unit_scale: float) -> None:
    matrix = site.frame.matrix
    matrix[:3, 3] /= 1000 * unit_scale
    item.matrix_world = Matrix(matrix)


def _collection(scene: bpy.types.Scene) -> bpy.types.Collection:
    for collection in scene.collection.children_recursive:
        if collection.get(FITTING_MARK) and collection.library is None:
            return collection
    fresh = bpy.data.collections.new(COLLECTION)
    fresh[FITTING_MARK] = True
    scene.collection.children.link(fresh)
    return fresh
