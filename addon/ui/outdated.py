# SPDX-License-Identifier: GPL-3.0-or-later
"""What has changed in a scene since its tube ends were read and their fittings were put in."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass

import bpy
import numpy as np
from mathutils import Vector

from ..fields.messages import count_of
from ..geometry.names import in_words, quoted
from .file_unit import same_scale
from .placing import mm_per_unit
from .records import end_of
from .scene import unit_scale_of

MOVED_MM = 0.05
"""An end this far from where it was read has moved; less is what single precision leaves of a long way."""
_FAR = 1e-5
"""The same as a share of the way to the origin."""
_STRETCHED = 1e-3


@dataclass(frozen=True)
class Outdated:
    rescaled: tuple[float, float] | None = None
    """The scene's unit scale then and now, where it has changed."""
    moved: int = 0
    """Ends whose tubes have moved."""
    edited: tuple[str, ...] = ()
    """Names of the tubes whose meshes have changed."""
    gone: int = 0
    """Ends whose tubes are no longer in the scene."""
    deleted: tuple[str, ...] = ()
    """Keys of the ends, holes, copes and joints whose fitting was deleted."""

    @property
    def said(self) -> str:
        """What asks for the ends to be read again, in a sentence; empty if nothing does."""
        if self.rescaled:
            then, now = self.rescaled
            return f"The unit scale was {then:g} when the ends were read, and is now {now:g}."
        said = []
        if self.moved:
            said.append(f"{count_of(self.moved, 'end has', 'ends have')} moved with the tubes")
        if self.edited:
            several = len(self.edited) > 1
            said.append(f"{len(self.edited)} meshes were edited" if several else f"{quoted(self.edited[0])} was edited")
        if self.gone:
            said.append(f"the tubes of {count_of(self.gone, 'end')} are gone")
        sentence = in_words(said)
        since = "the ends" if self.edited else "they"
        return f"{sentence[:1].upper()}{sentence[1:]} since {since} were read." if said else ""


_version = 0
_known: dict[int, tuple[tuple[int, int, float], Outdated]] = {}
"""By the scene's ``session_uid``: what it was worked out from, and what came of it."""
_digests: dict[int, str] = {}
"""Of the meshes that were read or have changed since the file was opened, by the ``session_uid`` of their objects."""


def scene_changed(scene: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> None:
    """Notes what has changed."""
    global _version
    _version += 1
    updated = (update.id for update in depsgraph.updates if update.is_updated_geometry)
    edited = [item for item in updated if isinstance(item, bpy.types.Object) and item.original]
    if not edited:
        return
    read = {row.object.session_uid for row in scene.ferrule.surfaces if row.object is not None}
    for item in edited:
        original = item.original
        if original.session_uid in read and original.mode != "EDIT":  # while it is edited its mesh stays behind
            _digests[original.session_uid] = digest_of(item)


def note_surfaces(scene: bpy.types.Scene, items: Iterable[bpy.types.Object], depsgraph: bpy.types.Depsgraph) -> None:
    """Notes the meshes of the objects that the ends are read from."""
    rows = scene.ferrule.surfaces
    rows.clear()
    for item in items:
        if item.type == "MESH":
            row = rows.add()
            row.object, row.digest = item, digest_of(item.evaluated_get(depsgraph))
            _digests[item.session_uid] = row.digest


def keep_changes(scene: bpy.types.Scene) -> None:
    """Notes for the file, as it is saved, which meshes have changed since."""
    for row in scene.ferrule.surfaces:
        if row.object is not None:
            now = _now(row)
            row.edited = "" if now == row.digest else now


def _now(row: bpy.types.PropertyGroup) -> str:
    return _digests.get(row.object.session_uid) or row.edited or row.digest


def digest_of(item: bpy.types.Object) -> str:
    """What tells an evaluated object's mesh from one that has another vertex anywhere, or other faces."""
    mesh = item.data
    places, corners = np.empty(3 * len(mesh.vertices), np.float32), np.empty(len(mesh.loops), np.int32)
    mesh.vertices.foreach_get("co", places)
    mesh.loops.foreach_get("vertex_index", corners)
    return hashlib.blake2b(places.tobytes() + corners.tobytes(), digest_size=8).hexdigest()


def forget_changes() -> None:
    _digests.clear()
    _known.clear()


def outdated(scene: bpy.types.Scene) -> Outdated:
    """Worked out once after each change."""
    now = (_version, scene.ferrule.stamp, unit_scale_of(scene))
    known = _known.get(scene.session_uid)
    if known is None or known[0] != now:
        known = _known[scene.session_uid] = now, _worked_out(scene)
    return known[1]


def stretch_of(item: bpy.types.Object) -> tuple[float, float, float] | None:
    """How many times an object is as long in each direction as its mesh, if not equally."""
    x, y, z = (float(np.linalg.norm(column)) for column in np.array(item.matrix_world)[:3, :3].T)
    return (x, y, z) if max(x, y, z) > (1 + _STRETCHED) * min(x, y, z) else None


def _worked_out(scene: bpy.types.Scene) -> Outdated:
    ferrule, scale = scene.ferrule, mm_per_unit(scene)
    if not ferrule.ends:
        return Outdated()
    if not same_scale(ferrule.unit_scale, unit_scale_of(scene)):
        return Outdated((ferrule.unit_scale, unit_scale_of(scene)) if ferrule.unit_scale else None)
    there = {item.session_uid for item in scene.objects}
    moved = gone = 0
    for line in ferrule.ends:
        if line.tube is None or line.tube.session_uid not in there:
            gone += line.tube is not None
            continue
        was = end_of(line).frame.origin
        now = np.array(line.tube.matrix_world @ Vector(line.place)) * scale
        moved += bool(np.abs(now - was).max() > MOVED_MM + _FAR * np.abs(was).max())
    edited = tuple(
        row.object.name
        for row in ferrule.surfaces
        if row.object is not None and row.object.session_uid in there and _now(row) != row.digest
    )
    items = [(line.key, line.fitting) for line in ferrule.ends]
    items += [(line.name, line.fitting) for line in ferrule.placed]
    deleted = (key for key, item in items if item is not None and item.session_uid not in there)
    return Outdated(None, moved, edited, gone, tuple(deleted))
