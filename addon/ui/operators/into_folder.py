# SPDX-License-Identifier: GPL-3.0-or-later
"""What operators that write into the scene's folder have in common."""

import os
from pathlib import Path
from typing import Any

import bpy
from bpy.props import BoolProperty, StringProperty

from ..jobs import folder_of
from .long_work import AsksForFile, WorkError


class IntoFolder(AsksForFile):
    """Mix-in, before ``LongWork``: where the folder has no place yet, the file browser asks for one."""

    directory: StringProperty(
        name="Folder",
        description="Folder for the files from now on; if empty, the one in the panel Plate and Files",
        subtype="DIR_PATH",
        options={"SKIP_SAVE"},
    )
    choose: BoolProperty(
        name="Choose", description="Ask for the folder even if one is set", options={"HIDDEN", "SKIP_SAVE"}
    )
    filter_folder: BoolProperty(default=True, options={"HIDDEN", "SKIP_SAVE"})

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Any:
        settled = not _problem(context.scene)
        if context.window is None or self.directory or (settled and not self.choose):
            return super().invoke(context, event)
        if settled:
            self.directory = str(folder_of(context.scene))
        self.asked = True
        context.window_manager.fileselect_add(self)
        return {"RUNNING_MODAL"}

    def answer(self) -> dict[str, Any]:
        return {"directory": self.directory}

    def folder(self, context: bpy.types.Context) -> Path:
        """Takes over the folder that was given. Raises ``WorkError`` if nothing could be written."""
        output = context.scene.ferrule.output
        if not (output.write_3mf or output.write_stl):
            raise WorkError("No format is chosen; turn on 3MF, STL or both")
        if self.directory:
            output.folder = self.directory if self.directory.startswith("//") else os.path.abspath(self.directory)
        problem = _problem(context.scene)
        if problem:
            example = f'bpy.ops.{type(self).bl_idname}(directory="/jobs/caps")'
            raise WorkError(f"{problem}. Choose a folder, or in Python name it: {example}")
        return folder_of(context.scene)


def _problem(scene: bpy.types.Scene) -> str:
    """Why there is no place for the scene's folder; empty if there is one."""
    folder = scene.ferrule.output.folder
    if not folder.strip():
        return "No folder is chosen"
    if folder.startswith("//") and not bpy.data.filepath:
        return f"The folder {folder} belongs beside the .blend, which is not saved yet"
    return ""
