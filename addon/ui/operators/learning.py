# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators of the panel Shop Book: what is printed to learn from, what was learned, and the book itself."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import bpy
from bpy.props import FloatProperty, StringProperty
from bpy_extras.io_utils import ExportHelper, ImportHelper

from ...bench.quantities import parse_duration
from ...bench.readings import fit_reading, ladders_in, learned, print_run
from ...bench.shop_book import ShopBook
from ...bench.shop_entries import FitReading, PrintRun
from ...bench.shop_file import ShopBookError, export_book, import_book, open_book, update_book
from ...files.atomic import FileSet
from ...files.errors import FileError
from ...files.file_names import safe_name
from ...files.parts import WrittenFile
from ...job.asked import Job
from ...job.folder import RESULT, read_result
from ...job.ladders import make_ladders, write_ladders
from ...job.report import result_json
from ...job.results import JobResult, Made
from .. import shop, updating, wording
from ..aside import AsideSteps
from ..desk import active_group
from ..drawing import draw_field, report, split
from ..fields import exact, length
from ..jobs import folder_of, job_of, ladder_wish
from ..views import redraw
from .into_folder import IntoFolder
from .long_work import LongWork, WorkError, WorkSteps
from .polls import NeedsEnds
from .toml_file import TomlFile

LADDER_RESULT = "fit ladder"
"""In the name of the results that are written with a ladder alone, in the form of a job's result.json."""


class FERRULE_OT_write_ladder(NeedsEnds, IntoFolder, LongWork, bpy.types.Operator):
    """Write a fit ladder for the chosen section into the folder: a row of short spigots with stepped gaps, to print and
    try in the tube"""

    bl_idname = "ferrule.write_ladder"
    bl_label = "Write Fit Ladder"
    bl_options = {"REGISTER"}

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        scene = context.scene
        folder = self.folder(context)
        group = active_group(scene)
        assert group is not None
        desk = yield from updating.worked(scene, aside=self.aside)
        if desk.problem:
            raise WorkError(desk.problem)
        ready = [fitted.made for fitted in desk.fittings if fitted.group == scene.ferrule.group_index and fitted.made]
        if not ready:
            raise WorkError(f"No fitting can be made for {group.name} with this recipe; see the panel Fitting")
        job = replace(job_of(scene), ladders=(ladder_wish(group),))
        written = yield from self.aside(_ladder_written(job, ready))
        return f"{', '.join(file.path.name for file in written)} written and read back, in {folder.name}"


def _ladder_written(job: Job, fittings: Sequence[Made]) -> AsideSteps[tuple[WrittenFile, ...]]:
    yield "Making the fit ladder", 0.5
    ladders, missing = make_ladders(job, fittings)
    if not ladders:
        raise WorkError(" ".join(missing))
    yield "Writing and reading back the files", 0.8
    try:
        with FileSet() as files:
            written = write_ladders(job, ladders, files)
            for ladder in ladders:
                result = JobResult(job=job, ladders=(ladder,), files=written, notes=missing)
                path = job.output.folder / f"{safe_name(f'{job.name} {ladder.name}')}.json"
                files.add(path, result_json(result).encode(), len)
    except FileError as error:
        raise WorkError(str(error)) from error
    return written


class FERRULE_OT_enter_fit(bpy.types.Operator):
    """Enter in the shop book which step of a printed fit ladder fitted the tube as it should"""

    bl_idname = "ferrule.enter_fit"
    bl_label = "Enter Fit"
    bl_options = {"REGISTER"}

    __annotations__ = {
        "ladder": StringProperty(
            name="Ladder",
            description="A fit ladder that was written into the folder",
            search=lambda operator, context, text: list(ladders_written(context.scene)),
            options={"SKIP_SAVE"},
        ),
        "step": StringProperty(
            name="Step",
            description="Number on the step that fitted as it should",
            search=lambda operator, context, text: _steps_of(context.scene, operator.ladder),
            options={"SKIP_SAVE"},
        ),
        **length("measured_mm", wording.MEASURED_STEP, None),
    }

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Any:
        known = ladders_written(context.scene)
        if not known:
            self.report({"ERROR"}, _no_ladder(context.scene))
            return {"CANCELLED"}
        group = active_group(context.scene)
        of_group = [name for name, (_, ladder) in known.items() if group and ladder["tube"] == group.name]
        self.ladder, self.measured_mm = (of_group or list(known))[0], 0.0
        return context.window_manager.invoke_props_dialog(self)

    def draw(self, context: bpy.types.Context) -> None:
        layout = split(self.layout)
        layout.prop(self, "ladder")
        layout.prop(self, "step")
        draw_field(layout, self, "measured_mm", wording.MEASURED_STEP, context.scene)

    def execute(self, context: bpy.types.Context) -> set[str]:
        known = ladders_written(context.scene)
        if self.ladder not in known:
            said = f"There is no ladder {self.ladder!r}; the folder has {'; '.join(known)}"
            self.report({"ERROR"}, said if known else _no_ladder(context.scene))
            return {"CANCELLED"}
        result, ladder = known[self.ladder]
        measured = exact(self.measured_mm) or None
        return _enter(
            self,
            context.scene,
            lambda now: fit_reading(result, ladder["fittings"][0], self.step.strip(), now, measured),
        )


class FERRULE_OT_enter_print(bpy.types.Operator):
    """Enter in the shop book how much plastic and time the last export's plates really took"""

    bl_idname = "ferrule.enter_print"
    bl_label = "Enter Print"
    bl_options = {"REGISTER"}

    used_g: FloatProperty(
        name="Used (g)", description="Plastic used, including support and purge; 0 if it was not weighed", min=0
    )
    took: StringProperty(name="Took", description="Printing time, such as 5 h 20 min; empty if unknown")

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Any:
        self.used_g, self.took = 0.0, ""
        return context.window_manager.invoke_props_dialog(self)

    def execute(self, context: bpy.types.Context) -> set[str]:
        path = folder_of(context.scene) / RESULT
        result = read_result(path)
        if result is None:
            self.report({"ERROR"}, f"{path} cannot be read. Choose the folder of the export that was printed")
            return {"CANCELLED"}
        try:
            took = parse_duration(self.took) if self.took.strip() else None
        except ValueError as error:
            report(self, "ERROR", error)
            return {"CANCELLED"}
        used = exact(self.used_g) or None
        return _enter(self, context.scene, lambda now: print_run(result, now, used, took))


class FERRULE_OT_export_book(bpy.types.Operator, TomlFile, ExportHelper):
    """Write a copy of the shop book for another machine"""

    bl_idname = "ferrule.export_book"
    bl_label = "Export Shop Book"
    bl_options = {"REGISTER"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        path = Path(self.filepath)
        try:
            export_book(open_book(shop.book_path()), path)
        except ShopBookError as error:
            report(self, "ERROR", error)
            return {"CANCELLED"}
        self.report({"INFO"}, f"The shop book was copied to {path.name}")
        return {"FINISHED"}


class FERRULE_OT_import_book(bpy.types.Operator, TomlFile, ImportHelper):
    """Merge another machine's shop book into this one; of two entries with the same name the later one is kept"""

    bl_idname = "ferrule.import_book"
    bl_label = "Import Shop Book"
    bl_options = {"REGISTER"}

    def execute(self, context: bpy.types.Context) -> set[str]:
        path = Path(self.filepath)
        try:
            book, report_lines = import_book(shop.book_path(), path)
        except ShopBookError as error:
            report(self, "ERROR", error)
            return {"CANCELLED"}
        for said in (*book.problems, *report_lines):
            report(self, "INFO", said)
        self.report({"INFO"}, f"The entries of {path.name} are in the shop book")
        _book_changed(context.scene)
        return {"FINISHED"}


def _enter(
    operator: bpy.types.Operator, scene: bpy.types.Scene, read: Callable[[datetime], FitReading | PrintRun]
) -> set[str]:
    """Enters a reading in the shop book, and reports what the book now knows of that process."""
    try:
        entry = read(datetime.now(UTC))
        book = update_book(shop.book_path(), lambda old: old.with_entry(entry))
    except (ShopBookError, ValueError) as error:  # ReadingError is a ValueError, and so is what no book can keep
        report(operator, "ERROR", error)
        return {"CANCELLED"}
    same = [printed for printed in book.entries if getattr(printed.value, "process", None) == entry.process]
    for said in (*book.problems, *learned(ShopBook(tuple(same)))):
        report(operator, "INFO", said)
    _book_changed(scene)
    return {"FINISHED"}


def _book_changed(scene: bpy.types.Scene) -> None:
    if scene.ferrule.use_shop_book:
        updating.batches_changed(scene)
    redraw()


def ladders_written(scene: bpy.types.Scene) -> dict[str, tuple[Mapping[str, Any], Mapping[str, Any]]]:
    """The fit ladders that were written into the folder, the latest of each name first: the result that lists it,
    and its entry there."""
    folder = folder_of(scene)
    paths = [path for path in (folder / RESULT, *folder.glob(f"*{LADDER_RESULT}*.json")) if os.path.isfile(path)]
    ladders: dict[str, tuple[Mapping[str, Any], Mapping[str, Any]]] = {}
    for path in sorted(paths, key=lambda path: path.stat().st_mtime, reverse=True):
        result = read_result(path)
        for name, ladder in ladders_in(result).items() if result else ():
            ladders.setdefault(name, (result, ladder))
    return ladders


def _steps_of(scene: bpy.types.Scene, ladder: str) -> list[str]:
    known = ladders_written(scene)
    return [step["label"] for step in known[ladder][1]["steps"]] if ladder in known else []


def _no_ladder(scene: bpy.types.Scene) -> str:
    return f"No fit ladder was written into {folder_of(scene)}. Write one, print it and try it in the tube first"


_CLASSES = (
    FERRULE_OT_write_ladder,
    FERRULE_OT_enter_fit,
    FERRULE_OT_enter_print,
    FERRULE_OT_export_book,
    FERRULE_OT_import_book,
)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
