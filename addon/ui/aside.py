# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work beside the window: it runs in a thread of its own while Blender goes on, and stops when it is closed.

Only for work without bpy, which may be used in Blender's own thread alone.
"""

from __future__ import annotations

import ctypes
import threading
from collections.abc import Generator
from typing import Generic, Protocol, TypeVar

Result = TypeVar("Result")
AsideSteps = Generator[tuple[str, float], None, Result]
"""Yields what comes next and how much is done, 0 to 1."""


class Aside(Protocol):
    """Does steps that do not use bpy, beside the window or at once."""

    def __call__(self, steps: AsideSteps[Result], /) -> AsideSteps[Result]: ...


_LOOK_S = 0.02
"""How long the window is left waiting at a time."""
_POLITE_S = 0.15
"""How long work has to come to its next step, where it stops of itself, before it is ended from outside."""
_UNWIND_S = 10.0
"""How long work may take to put away what it has begun, before it is ended again."""
_threads: set[threading.Thread] = set()
"""Of ``beside``."""


class _Stopped(SystemExit):
    """Ends the work half way, and its thread without a word; it is not an ``Exception``, so that nothing takes it for a
    fault of its own."""


class WorkBeside(threading.Thread, Generic[Result]):
    def __init__(self, steps: AsideSteps[Result]) -> None:
        super().__init__(daemon=True)
        self.steps = steps
        self.unwanted = threading.Event()
        self.latest = ("", 0.0)
        self.error: BaseException | None = None
        self.result: Result | None = None

    def run(self) -> None:
        try:
            while not self.unwanted.is_set():
                self.latest = next(self.steps)
            self.steps.close()
        except StopIteration as end:
            self.result = end.value
        except _Stopped:
            pass  # Kept, it would keep what the work was using.
        except BaseException as error:
            self.error = error

    @property
    def outcome(self) -> Result:
        """What it came to, once it is not alive. Raises what it raised."""
        if self.error is not None:
            raise self.error
        return self.result  # type: ignore[return-value]

    def leave(self) -> None:
        """Has it stop soon, without waiting for that."""
        self.unwanted.set()
        if self.is_alive():
            self._end()

    def stop(self) -> None:
        """Waits until it has stopped; what it was writing is not there then."""
        self.unwanted.set()
        self.join(_POLITE_S)
        while self.is_alive():
            self._end()
            self.join(_UNWIND_S)

    def _end(self) -> None:
        assert self.ident is not None
        # Python's own way to end a thread from outside: the error is raised at its next instruction. Up to 3.13.0 that
        # can pass over a ``finally`` whose block begins with a loop; files do not depend on one.
        ctypes.pythonapi.PyThreadState_SetAsyncExc(ctypes.c_ulong(self.ident), ctypes.py_object(_Stopped))


def at_once(steps: AsideSteps[Result]) -> Result:
    """What the steps come to, without a stop."""
    while True:
        try:
            next(steps)
        except StopIteration as end:
            result: Result = end.value
            return result


def going_on() -> bool:
    """Whether something is being worked out, so that nothing else may work on the same results."""
    return bool(_threads)


def beside(steps: AsideSteps[Result]) -> AsideSteps[Result]:
    """The same steps, with the same result or error."""
    work = WorkBeside(steps)
    _threads.add(work)
    work.start()
    try:
        while work.is_alive():
            work.join(_LOOK_S)
            yield work.latest
    finally:
        work.stop()
        _threads.discard(work)
    return work.outcome
