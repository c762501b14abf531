# SPDX-License-Identifier: GPL-3.0-or-later
"""Work shared out among processes: the kernel holds Python's lock, so that threads would not work side by side.

What a process is given and gives back travels as pickles. Work that a process does not manage, because it was ended or
because the work raises, is done here, so that errors are those of one process.

Processes of ``concurrent.futures`` would not do: they import what they are given by its name, which an extension's
modules have only inside Blender; they live on where the one that started them is killed; and that one would only wait.
"""

from __future__ import annotations

import importlib
import os
import pickle
import subprocess
import sys
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future
from contextlib import suppress
from pathlib import Path
from queue import Empty, SimpleQueue
from shutil import rmtree
from tempfile import TemporaryDirectory, mkstemp
from threading import Thread
from types import TracebackType
from typing import IO, Any, Protocol, TypeVar

from manifold3d import CrossSection, FillRule, Manifold

from ..families.family import Family
from ..families.table import family_named
from ..geometry.mesh import Mesh
from ..trade.sizes import tube_sizes

Given = TypeVar("Given")
Outcome = TypeVar("Outcome")


class SharedOut(Protocol):
    """Does work on each of several things and has the outcomes in their order, as ``map`` does."""

    def __call__(self, work: Callable[[Given], Outcome], things: Sequence[Given], /) -> Iterator[Outcome]: ...


MOST = 3
"""Each takes a hundred megabytes and half a second to start."""
_AHEAD = 2
"""So many tasks a process has at a time, so that it need not wait for its next."""
_LOOK_S = 0.05
_SWITCH_S = 5e-4
"""How long the threads that feed the processes wait at most for this one's own work, several times for each task."""
_WORKER = Path(__file__).with_name("worker.py")
_PACKAGE = Path(__file__).parents[1]


class _Task:
    def __init__(self, work: Callable[[Any], Any], thing: object) -> None:
        self.asked = work, thing
        self.future: Future[Any] = Future()

    def do(self) -> None:
        work, thing = self.asked
        try:
            self.future.set_result(work(thing))
        except Exception as error:
            self.future.set_exception(error)


class Workers:
    """Processes beside this one, in a ``with`` statement; they start at once, and come to work when they are ready.

    ``python`` is the command that runs a Python program in a file. Where there is none, and where no process can be
    started, the work is done here.
    """

    def __init__(self, count: int, python: Sequence[str]) -> None:
        self._waiting: SimpleQueue[_Task | None] = SimpleQueue()
        self._folder = TemporaryDirectory(prefix="ferrule", ignore_cleanup_errors=True)
        self._processes: list[subprocess.Popen[bytes]] = []
        for _ in range(count if python else 0):
            with suppress(OSError):
                self._processes.append(_started(python, self._folder.name))
        self._threads = [
            Thread(target=_feed, args=(process, self._folder.name, self._waiting), daemon=True)
            for process in self._processes
        ]
        for thread in self._threads:
            thread.start()
        self._switch_s = sys.getswitchinterval()

    def __enter__(self) -> Workers:
        sys.setswitchinterval(_SWITCH_S)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: object, trace: TracebackType | None) -> None:
        sys.setswitchinterval(self._switch_s)
        for process in self._processes:
            process.kill()
            self._waiting.put(None)
        for thread in self._threads:
            thread.join()
        for process in self._processes:
            with suppress(OSError), process:  # whose pipe may be broken
                pass
        self._folder.cleanup()

    def shared_out(self, work: Callable[[Given], Outcome], things: Sequence[Given], /) -> Iterator[Outcome]:
        """``work``, of a module's own, on each of the things: in the processes from now on, and here while outcomes are
        waited for. Errors come in their order, too."""
        if not self._processes:
            return map(work, things)
        tasks = deque(_Task(work, thing) for thing in things)
        for task in tasks:
            self._waiting.put(task)
        return (self._outcome(tasks.popleft()) for _ in things)

    def _outcome(self, task: _Task) -> Any:
        while not task.future.done():
            try:
                next_task = self._waiting.get_nowait()
            except Empty:
                with suppress(TimeoutError):
                    task.future.exception(_LOOK_S)
            else:
                assert next_task is not None
                next_task.do()
        return task.future.result()


def spare_processors() -> int:
    """How many processes this machine has room for beside this one, up to ``MOST``."""
    count = getattr(os, "process_cpu_count", os.cpu_count)() or 1
    return min(count - 1, MOST)


def _started(python: Sequence[str], folder: str) -> subprocess.Popen[bytes]:
    process = subprocess.Popen(
        [*python, os.fspath(_WORKER)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},  # numpy's own threads would only be in the way
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )
    _put(process.stdin, (sys.path, os.fspath(_PACKAGE), __name__, folder))
    return process


def _feed(process: subprocess.Popen[bytes], folder: str, waiting: SimpleQueue[_Task | None]) -> None:
    """Gives a process one task after another, the next before it is done with one while there are enough for all, and
    puts back those that it does not manage."""
    asked: deque[_Task] = deque()
    try:
        _told(process.stdout)  # that it is ready; short work is done by then
        while True:
            if not asked or (len(asked) < _AHEAD and waiting.qsize() > 1):
                with suppress(Empty):
                    if (task := waiting.get(block=not asked)) is None:
                        return
                    asked.append(task)
                    _send(process.stdin, folder, task.asked)
                    continue
            asked[0].future.set_result(_received(process.stdout))
            asked.popleft()
    except Exception:  # whatever it was, the work can be done without this process
        process.kill()
        for task in asked:
            waiting.put(task)


class _Pickler(pickle.Pickler):
    """Of families their names; of the kernel's outlines and solids their corners."""

    def reducer_override(self, thing: object) -> Any:
        if isinstance(thing, Family):
            return family_named, (thing.name,)
        if isinstance(thing, CrossSection):
            return CrossSection, (thing.to_polygons(), FillRule.Positive)
        if isinstance(thing, Manifold):
            return Mesh.to_manifold, (Mesh.from_manifold(thing),)
        return NotImplemented


def _send(pipe: IO[bytes] | None, folder: str, message: object) -> None:
    """By way of a file: to get megabytes out of a pipe, a thread would wait for Python's lock again and again."""
    handle, name = mkstemp(dir=folder)
    with os.fdopen(handle, "wb") as file:
        _Pickler(file, pickle.HIGHEST_PROTOCOL).dump(message)
    _put(pipe, name)


def _put(pipe: IO[bytes] | None, note: object) -> None:
    assert pipe is not None
    pickle.dump(note, pipe)
    pipe.flush()


def _told(pipe: IO[bytes] | None) -> Any:
    assert pipe is not None
    return pickle.load(pipe)


def _received(pipe: IO[bytes] | None) -> Any:
    file = Path(_told(pipe))
    message = file.read_bytes()
    file.unlink()
    return pickle.loads(message)


def serve(given: IO[bytes], answers: IO[bytes], folder: str) -> None:
    """What the other process does, until an error ends it, or the one that started it does: even in mid-work. It puts
    away then what that one can no more."""
    tasks: SimpleQueue[tuple[Callable[[Any], object], object]] = SimpleQueue()
    Thread(target=_listen, args=(given, tasks, folder), daemon=True).start()
    importlib.import_module(".running", __package__)  # and with it all rooms
    tube_sizes()
    _put(answers, "ready")
    while True:
        work, thing = tasks.get()
        _send(answers, folder, work(thing))


def _listen(given: IO[bytes], tasks: SimpleQueue[Any], folder: str) -> None:
    try:
        while True:
            tasks.put(_received(given))
    except EOFError:
        rmtree(folder, ignore_errors=True)
    finally:
        os._exit(0)
