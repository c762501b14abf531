# SPDX-License-Identifier: GPL-3.0-or-later
"""Work in steps: with a progress display that Esc stops, or all at once where a script or no window asks for it."""

from __future__ import annotations

from collections.abc import Generator
from typing import Any

import bpy

from ..aside import AsideSteps, Result, beside
from ..drawing import report

WorkSteps = Generator[tuple[str, float], None, str]
"""Yields what comes next and how much is done, 0 to 1; returns the sentence that says what was done, empty if that has
been said."""


class WorkError(ValueError):
    """Why the work cannot go on, and what to do. Whatever was there before still is."""


class Question(WorkError):
    """What the user has to agree to before the work goes on."""


class LongWork:
    """Mix-in for operators: ``steps(context)`` does the work."""

    changed = False
    """Set by ``steps`` once something in the scene is no longer as it was, for a stop to be undone too."""

    _work: WorkSteps | None = None
    _timer: Any = None

    def steps(self, context: bpy.types.Context) -> WorkSteps:
        raise NotImplementedError

    def ask(self, question: Question) -> None:
        """Opens a dialog that starts the work again once it is agreed to. Scripts are not asked."""
        raise NotImplementedError

    @property
    def attended(self) -> bool:
        """Whether somebody is there to be asked."""
        return self._work is not None

    def aside(self, steps: AsideSteps[Result]) -> AsideSteps[Result]:
        """Steps that do not use bpy, beside the window where there is one."""
        return beside(steps) if self.attended else steps

    def execute(self, context: bpy.types.Context) -> set[str]:
        manager = context.window_manager
        manager.progress_begin(0, 1)
        try:
            work = self.steps(context)
            while True:
                manager.progress_update(next(work)[1])
        except StopIteration as end:
            return self._done(end.value)
        except WorkError as error:
            return self._refused(error)
        finally:
            manager.progress_end()

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        if context.window is None:
            return self.execute(context)
        self._work = self.steps(context)
        self._timer = context.window_manager.event_timer_add(0.001, window=context.window)
        context.window_manager.progress_begin(0, 1)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        if event.type == "ESC":
            self.cancel(context)
            self.report(
                {"WARNING"}, "Stopped half way; undo restores the previous state" if self.changed else "Stopped"
            )
            return {"FINISHED"} if self.changed else {"CANCELLED"}
        if event.type != "TIMER":
            return {"RUNNING_MODAL"}
        assert self._work is not None
        try:
            what, share = next(self._work)
        except StopIteration as end:
            self._end(context)
            return self._done(end.value)
        except Question as question:
            self._end(context)
            self.ask(question)
            return {"CANCELLED"}
        except WorkError as error:
            self._end(context)
            return self._refused(error)
        context.window_manager.progress_update(share)
        context.workspace.status_text_set(f"{what} … {share:.0%}   Esc stops")
        return {"RUNNING_MODAL"}

    def cancel(self, context: bpy.types.Context) -> None:
        if self._work is not None:
            self._work.close()
        self._end(context)

    def _end(self, context: bpy.types.Context) -> None:
        context.window_manager.event_timer_remove(self._timer)
        context.window_manager.progress_end()
        context.workspace.status_text_set(None)
        self._work = None

    def _done(self, said: str) -> set[str]:
        if said:
            self.report({"INFO"}, said)
        return {"FINISHED"}

    def _refused(self, error: WorkError) -> set[str]:
        report(self, "ERROR", error)
        return {"CANCELLED"}


class AsksForFile:
    """Mix-in, before ``LongWork``, for work that begins once the file browser has been answered: when that closes,
    Blender runs ``execute``, which has no window to show progress in."""

    asked = False
    """Whether the file browser has been opened."""

    def answer(self) -> dict[str, Any]:
        """The properties that were chosen, for the work to begin with."""
        raise NotImplementedError

    def execute(self, context: bpy.types.Context) -> Any:
        if not self.asked:
            return super().execute(context)
        group, name = type(self).bl_idname.split(".")
        return getattr(getattr(bpy.ops, group), name)("INVOKE_DEFAULT", **self.answer())
