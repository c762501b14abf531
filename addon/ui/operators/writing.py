# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators of the panel Plate and Files."""

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import bpy
from bpy.props import BoolProperty, StringProperty
from bpy_extras.io_utils import ExportHelper

from ...bench.verdict import LeftOut
from ...fields.messages import count_of, say
from ...files.atomic import FileSet
from ...files.errors import FileError
from ...files.file_names import safe_name
from ...files.parts import Part
from ...files.stl import write_stl
from ...files.threemf import write_3mf
from ...geometry.mesh import Mesh
from ...geometry.names import quoted
from ...geometry.placement import Placement
from ...job.asked import Job, JobError
from ...job.making import Assembled, fit_in_place
from ...job.results import JobResult, Taken
from ...job.running import after_takeoff
from ...takeoff import Takeoff, TakeoffError, split_bodies
from ...trade.processes import check_process
from .. import assembly_file, scene_ends, updating
from ..aside import AsideSteps
from ..desk import Desk, judge, left_out, times
from ..drawing import draw_text, report
from ..jobs import job_of
from ..scene import SceneError
from .into_folder import IntoFolder
from .long_work import AsksForFile, LongWork, Question, WorkError, WorkSteps
from .polls import NeedsEnds, holds, in_object_mode
from .printing import ObjectError, check_single, is_mesh, standing_mesh
from .toml_file import TomlFile

DIALOG = 420
"""Width of the question before ends are left out."""


class FERRULE_OT_export(NeedsEnds, IntoFolder, LongWork, bpy.types.Operator):
    """Make every fitting at full resolution, lay them out on the plate, write the print files and read them back; write
    the job sheet and the lists for the shop beside them"""

    bl_idname = "ferrule.export"
    bl_label = "Export"
    bl_options = {"REGISTER"}

    agreed: BoolProperty(
        name="Without What Is Missing",
        description="Do not ask before ends are left out",
        options={"HIDDEN", "SKIP_SAVE"},
    )

    def ask(self, question: Question) -> None:
        bpy.ops.ferrule.export_rest("INVOKE_DEFAULT", directory=self.directory)

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        scene = context.scene
        start = time.perf_counter()
        folder = self.folder(context)
        desk = yield from updating.worked(scene, review=False)
        if desk.problem:
            raise WorkError(desk.problem)
        missing = left_out(desk)
        if missing and self.attended and not self.agreed:
            raise Question(say_missing(missing))
        try:
            meshes, notes = scene_ends.assembly_of(scene, context.evaluated_depsgraph_get())
            result = yield from self.aside(_exported(job_of(scene), meshes, desk.takeoff, notes))
        except (JobError, SceneError, TakeoffError) as error:
            raise WorkError(str(error)) from error
        updating.keep_result(scene, result)
        times["export"] = time.perf_counter() - start
        if not result.made:
            raise WorkError("No fitting can be made with this recipe; see the panel Fitting")
        said = f"{count_of(len(result.files), 'print file')} written and read back, in {folder.name}"
        return f"{said}; {say_missing(missing)}" if missing else said


def _exported(job: Job, meshes: Sequence[Mesh], listed: Takeoff, notes: Sequence[str]) -> AsideSteps[JobResult]:
    yield scene_ends.READING, 0.0
    takeoff = scene_ends.takeoff_of(job, meshes, listed, notes)
    return (yield from after_takeoff(job, [Taken(job.assembly, takeoff, split_bodies(meshes, takeoff.surface))]))


def say_missing(missing: Sequence[LeftOut]) -> str:
    return f"{count_of(sum(entry.number for entry in missing), 'end is', 'ends are')} left out"


class FERRULE_OT_export_rest(bpy.types.Operator):
    """Export all fittings but those that cannot be made"""

    bl_idname = "ferrule.export_rest"
    bl_label = "Leave These Ends Out?"
    bl_options = {"REGISTER", "INTERNAL"}

    directory: StringProperty(name="Folder", subtype="DIR_PATH", options={"SKIP_SAVE"})

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Any:
        return context.window_manager.invoke_props_dialog(self, width=DIALOG, confirm_text="Export without Them")

    def draw(self, context: bpy.types.Context) -> None:
        desk = updating.desk_of(context.scene)
        for entry in left_out(desk) if desk else ():
            draw_text(self.layout, entry.said, icon="ERROR", dialog=DIALOG)
        advice = "To leave an end open on purpose, choose it in the panel Takeoff and press Drop."
        draw_text(self.layout, advice, icon="INFO", dialog=DIALOG)

    def execute(self, context: bpy.types.Context) -> Any:
        return bpy.ops.ferrule.export("INVOKE_DEFAULT", directory=self.directory, agreed=True)


class FERRULE_OT_lay_out(NeedsEnds, LongWork, bpy.types.Operator):
    """Lay the fittings out on the plate and show them there"""

    bl_idname = "ferrule.lay_out"
    bl_label = "Lay Out"
    bl_options = {"REGISTER"}

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        scene = context.scene
        desk = yield from updating.worked(scene, aside=self.aside)
        if desk.open:
            yield from self.aside(updating.laid_out(desk))
            updating.changed(desk)
        if desk.laid_out is None:
            raise WorkError(desk.any_problem)
        scene.ferrule.view.show_plate = True
        plates = desk.laid_out.plates
        count = len(plates.placements)
        return f"{count_of(count, 'fitting')} on {count_of(plates.count, 'plate')}"


class FERRULE_OT_check_in_place(NeedsEnds, LongWork, bpy.types.Operator):
    """Check every fitting in its tube: what it collides with, and the smallest gap around it"""

    bl_idname = "ferrule.check_in_place"
    bl_label = "Check in Place"
    bl_options = {"REGISTER"}

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        scene = context.scene
        desk = yield from updating.worked(scene, aside=self.aside)
        try:
            meshes, _ = scene_ends.assembly_of(scene, context.evaluated_depsgraph_get())
        except SceneError as error:
            raise WorkError(str(error)) from error
        yield from self.aside(_checked_in_place(desk, meshes))
        judge(desk)
        updating.changed(desk)
        return f"{count_of(sum(len(fitted.in_place) for fitted in desk.fittings), 'finding')} in place"


def _checked_in_place(desk: Desk, meshes: Sequence[Mesh]) -> AsideSteps[None]:
    yield "Checking the fittings in their tubes", 0.0
    assembled = Assembled(split_bodies(meshes), [fitted.made for fitted in desk.fittings if fitted.made])
    for number, fitted in enumerate(desk.fittings):
        yield f"Checking {fitted.batch.id} in its tubes", number / len(desk.fittings)
        if fitted.made:
            fitted.in_place = tuple(fit_in_place(fitted.made, assembled))


class FERRULE_OT_write_job(NeedsEnds, AsksForFile, LongWork, bpy.types.Operator, TomlFile, ExportHelper):
    """Write a job file that the command line can run: recipe, process, and the assembly beside it"""

    bl_idname = "ferrule.write_job"
    bl_label = "Write Job File"
    bl_options = {"REGISTER"}

    agreed: BoolProperty(
        name="Without the Browser", description="Do not ask for the file", options={"HIDDEN", "SKIP_SAVE"}
    )

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Any:
        if context.window is None or self.agreed:
            return LongWork.invoke(self, context, event)
        self.asked = True
        return ExportHelper.invoke(self, context, event)

    def answer(self) -> dict[str, Any]:
        return {"filepath": self.filepath, "agreed": True}

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        path = Path(self.filepath)
        if not path.name:
            raise WorkError("No file is chosen; choose a place for the job file")
        try:
            lost = yield from assembly_file.write_job(context.scene, context.evaluated_depsgraph_get, path)
        except (SceneError, FileError) as error:
            raise WorkError(str(error)) from error
        except OSError as error:
            said = f"{path} was not written: {error.strerror or error}. Choose another folder"
            raise WorkError(said) from error
        said = f"The job was written as {quoted(path.name)}"
        if not lost:
            return said
        report(self, "WARNING", say("{}. It lacks an end that was picked by hand: {}", said, lost[0]))
        return ""


class FERRULE_OT_export_object(IntoFolder, LongWork, bpy.types.Operator):
    """Write the active object, in its present orientation, as a print file in the chosen formats, and read it back"""

    bl_idname = "ferrule.export_object"
    bl_label = "Export Object"
    bl_options = {"REGISTER"}

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        return holds(cls, is_mesh(context), "Choose an object with a closed surface") and in_object_mode(cls, context)

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        item = context.active_object
        job = job_of(context.scene)
        yield f"Writing {item.name}", 0.0
        try:
            check_process(job.process)
            folder = self.folder(context)
            part = Part(
                item.name,
                standing_mesh(context, item)[0],
                {"process": job.process.name, "material": job.process.material},
            )
            yield from self.aside(_written(part, folder / safe_name(item.name), job))
        except (ObjectError, FileError, ValueError) as error:
            raise WorkError(str(error)) from error
        return f"{item.name} was written and read back, in {folder.name}"


def _written(part: Part, path: Path, job: Job) -> AsideSteps[None]:
    yield f"Writing {part.name}", 0.0
    check_single(part.mesh)
    process, output = job.process, job.output
    with FileSet() as files:
        if "3mf" in output.formats:
            middle = process.plate_mm[0] / 2, process.plate_mm[1] / 2
            write_3mf(path, [part], [Placement(0, 0, *middle)], files=files, **job.file_scale)
        if "stl" in output.formats:
            write_stl(path, part, files=files, **job.file_scale)


def _menu(menu: bpy.types.Menu, context: bpy.types.Context) -> None:
    menu.layout.operator(FERRULE_OT_export.bl_idname, text="Tube Fittings (.3mf, .stl)").choose = True


_CLASSES = (
    FERRULE_OT_export,
    FERRULE_OT_export_rest,
    FERRULE_OT_lay_out,
    FERRULE_OT_check_in_place,
    FERRULE_OT_write_job,
    FERRULE_OT_export_object,
)


def register() -> None:
    for cls in _CLASSES:
        bpy.utils.register_class(cls)
    bpy.types.TOPBAR_MT_file_export.append(_menu)


def unregister() -> None:
    bpy.types.TOPBAR_MT_file_export.remove(_menu)
    for cls in reversed(_CLASSES):
        bpy.utils.unregister_class(cls)
