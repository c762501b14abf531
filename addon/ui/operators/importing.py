# SPDX-License-Identifier: GPL-3.0-or-later
"""File > Import > STEP, IGES, and such files dropped into the viewport."""

from collections.abc import Generator
from pathlib import Path
from typing import Any

import bpy
from bpy.props import CollectionProperty, StringProperty
from bpy_extras.io_utils import ImportHelper
from mathutils import Matrix

from ...fields.messages import count_of
from ...files import brep
from ...geometry.units import MM_PER_UNIT
from ..scene import FILE_UNIT_MARK, SceneError, fill_mesh, parts_of, unit_scale_of
from .long_work import AsksForFile, LongWork, WorkError, WorkSteps
from .polls import can_build


class FERRULE_OT_import_step(AsksForFile, LongWork, bpy.types.Operator, ImportHelper):
    """Import the parts of STEP or IGES files under their names, at the scene's unit scale"""

    bl_idname = "ferrule.import_step"
    bl_label = "Import STEP or IGES"
    bl_options = {"REGISTER", "UNDO"}

    filename_ext = ".step"
    filepath: StringProperty(subtype="FILE_PATH", options={"SKIP_SAVE"})
    filter_glob: StringProperty(default=";".join(f"*{suffix}" for suffix in brep.SUFFIXES), options={"HIDDEN"})
    files: CollectionProperty(type=bpy.types.OperatorFileListElement, options={"HIDDEN", "SKIP_SAVE"})
    directory: StringProperty(subtype="DIR_PATH", options={"HIDDEN", "SKIP_SAVE"})

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return can_build(cls, context)

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Any:
        if context.window is None or self.files or self.filepath:
            return LongWork.invoke(self, context, event)
        self.asked = True
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def answer(self) -> dict[str, Any]:
        files = [{"name": file.name} for file in self.files]
        return {"filepath": self.filepath, "directory": self.directory, "files": files}

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        paths = [Path(self.directory, file.name) for file in self.files if file.name] or [Path(self.filepath)]
        read = []
        for number, path in enumerate(paths):
            try:
                read.append((yield from self.aside(_reading(path, number / len(paths), 1 / len(paths)))))
            except SceneError as error:
                raise WorkError(str(error)) from error
        self.changed = True
        for item in context.selected_objects:
            item.select_set(False)
        for path, parts in zip(paths, read, strict=True):
            _put(context, parts, path.stem)
        placed = sum(len(parts.placed) for parts in read)
        return f"{count_of(placed, 'part')} imported; read the tube ends next"


class FERRULE_FH_step(bpy.types.FileHandler):
    bl_idname = "FERRULE_FH_step"
    bl_label = "STEP, IGES"
    bl_import_operator = "ferrule.import_step"
    bl_file_extensions = ";".join(brep.SUFFIXES)

    @classmethod
    def poll_drop(cls, context: bpy.types.Context) -> bool:
        return context.area is not None and context.area.type == "VIEW_3D"


def _reading(path: Path, begin: float, span: float) -> Generator[tuple[str, float], None, brep.Parts]:
    work = parts_of(path)
    try:
        while True:
            yield f"Reading {path.name}", begin + span * next(work)
    except StopIteration as end:
        parts: brep.Parts = end.value
        return parts
    finally:
        work.close()


def _put(context: bpy.types.Context, parts: brep.Parts, name: str) -> None:
    """Every part as an object in a collection of their own, selected. Instances share their mesh."""
    unit_scale = unit_scale_of(context.scene)
    collection = bpy.data.collections.new(name)
    context.collection.children.link(collection)
    meshes = []
    for shape in parts.shapes:
        meshes.append(bpy.data.meshes.new(shape.name))
        fill_mesh(meshes[-1], shape, unit_scale)
    for part in parts.placed:
        item = bpy.data.objects.new(part.name, meshes[part.shape])
        collection.objects.link(item)
        matrix = part.matrix.copy()
        matrix[:3, 3] /= MM_PER_UNIT["m"] * unit_scale
        item.matrix_world = Matrix(matrix.tolist())
        item[FILE_UNIT_MARK] = unit_scale
        item.select_set(True)
        context.view_layer.objects.active = item


def _menu(menu: bpy.types.Menu, context: bpy.types.Context) -> None:
    menu.layout.operator(FERRULE_OT_import_step.bl_idname, text=f"STEP, IGES ({', '.join(brep.SUFFIXES)})")


_CLASSES = (FERRULE_OT_import_step, FERRULE_FH_step)


def register() -> None:
    for cls in _CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.TOPBAR_MT_file_import.append(_menu)


def unregister() -> None:
    bpy.types.TOPBAR_MT_file_import.remove(_menu)
    for cls in reversed(_CLASSES):
        bpy.utils.unregister_class(cls)
