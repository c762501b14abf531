# SPDX-License-Identifier: GPL-3.0-or-later
"""Operators of the panel Process: the table's processes, and the shop's own out of the shop book."""

from dataclasses import replace
from typing import Any

import bpy
from bpy.props import StringProperty

from ...bench.shop_file import update_book
from ...geometry.names import quoted
from ...trade.processes import Process, ProcessError, check_process, process_named, processes
from .. import shop, updating
from ..drawing import draw_text, report
from ..fields import assign
from ..jobs import process_of
from ..quiet import quietly


class FERRULE_MT_processes(bpy.types.Menu):
    """Processes from the table and the shop book"""

    bl_label = "Process"

    def draw(self, context: bpy.types.Context) -> None:
        layout = self.layout
        book = shop.book()
        for process in book.all(Process):
            layout.operator("ferrule.use_process", text=process.name, icon="USER").name = process.name
        if book.all(Process):
            layout.separator()
        for process in processes():
            layout.operator("ferrule.use_process", text=process.name).name = process.name
        for problem in book.problems:
            draw_text(layout, problem, icon="ERROR")


class FERRULE_OT_use_process(bpy.types.Operator):
    """Print with this process"""

    bl_idname = "ferrule.use_process"
    bl_label = "Use Process"
    bl_options = {"REGISTER", "UNDO"}

    name: StringProperty(name="Name", description="A process from the table or the shop book", options={"SKIP_SAVE"})

    def execute(self, context: bpy.types.Context) -> set[str]:
        try:
            process = shop.book().get(Process, self.name) or process_named(self.name)
        except ProcessError as error:
            report(self, "ERROR", error)
            return {"CANCELLED"}
        with quietly():
            assign(context.scene.ferrule.process, process)
            context.scene.ferrule.process.called = process.name
        updating.batches_changed(context.scene)
        return {"FINISHED"}


class FERRULE_OT_save_process(bpy.types.Operator):
    """Save the process, as it is set here, in the shop book"""

    bl_idname = "ferrule.save_process"
    bl_label = "Save Process"
    bl_options = {"REGISTER"}

    name: StringProperty(name="Name", description="Name of the process in the shop book")

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> Any:
        self.name = context.scene.ferrule.process.called
        if any(process.name == self.name for process in processes()):
            self.name = f"Own {self.name}"
        return context.window_manager.invoke_props_dialog(self)

    def execute(self, context: bpy.types.Context) -> set[str]:
        process = replace(process_of(context.scene.ferrule.process), name=self.name.strip(), source="the shop's own")
        try:
            check_process(process)
            if any(known.name == process.name for known in processes()):
                raise ProcessError(f"{quoted(process.name)} is the name of a table process; choose another")
            shop.book_path().parent.mkdir(parents=True, exist_ok=True)
            update_book(shop.book_path(), lambda book: book.with_entry(process))
        except (ProcessError, OSError) as error:  # ShopBookError is an OSError
            report(self, "ERROR", error)
            return {"CANCELLED"}
        context.scene.ferrule.process.called = process.name
        self.report({"INFO"}, f"{process.name} was saved in the shop book {shop.book_path()}")
        return {"FINISHED"}


_CLASSES = (FERRULE_MT_processes, FERRULE_OT_use_process, FERRULE_OT_save_process)
register, unregister = bpy.utils.register_classes_factory(_CLASSES)
