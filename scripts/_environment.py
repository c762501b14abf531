# SPDX-License-Identifier: GPL-3.0-or-later
"""The virtual environments that the other scripts run in: made from lock files, reused while those are unchanged.

Standard library only, for any Python from 3.9 on: this runs before anything is installed. The one module of the add-on
that it imports keeps to that too.

The environment for a Blender is ``.environment/bpy-VERSION``. Its ``ready.json`` says which interpreter and which lock
files it was made from. That file is written last and removed first, so an environment without it is half made, and the
next run makes it anew.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import math
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Literal, NoReturn

from _interpreter import BLENDERS, Blender, InterpreterError, find_interpreter, probe

REPOSITORY = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(REPOSITORY))

from addon.bench.lock import locked  # noqa: E402

ENVIRONMENTS = REPOSITORY / ".environment"
LOCKS = REPOSITORY / "scripts" / "locks"

Purpose = Literal["run", "test"]
"""What the packages are for; the test lock holds everything in the run lock, at the same versions."""
FETCHED_MB = {"run": 460, "test": 570}
"""Of the wheels for Linux, measured."""


class SetUpError(Exception):
    """What is missing or went wrong, and what to do about it."""


def enter(purpose: Purpose = "run") -> None:
    """Returns where the running script is in an environment, the add-on importable; else starts it anew in one."""
    if ENVIRONMENTS.exists() and ENVIRONMENTS.samefile(Path(sys.prefix).parent):
        return
    python = prepare_any(purpose)
    for elsewhere in ("PYTHONHOME", "PYTHONPATH"):
        os.environ.pop(elsewhere, None)
    os.environ["PYTHONUTF8"] = "1"  # so that tables with ½ and × reach any terminal or file
    _become([str(python), *sys.argv])


def guarded(main: Callable[[], int]) -> int:
    """Runs a script; an interruption or a failed set-up ends it with a plain line and an exit code."""
    try:
        return main()
    except KeyboardInterrupt:
        print("Stopped.", file=sys.stderr)
        return 130
    except SetUpError as error:
        print(error, file=sys.stderr)
        return 2
    except ImportError as error:
        if "shared object file" not in str(error):
            raise
        print(
            f"A system library is missing: {error}. .ci/run lists those that Debian and its derivatives need.",
            file=sys.stderr,
        )
        return 2


@contextlib.contextmanager
def undisturbed() -> Iterator[None]:
    """Puts an interruption off to the end of the block: compiled modules that are loading swallow it and carry on."""
    interruptions = []
    handler = signal.signal(signal.SIGINT, lambda *_: interruptions.append(True))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, handler)
    if interruptions:
        raise KeyboardInterrupt


def prepare_any(purpose: Purpose) -> Path:
    """The environment's Python for the first of BLENDERS that this machine has an interpreter for."""
    problems = []
    for blender in BLENDERS:
        try:
            return prepare(blender, purpose)
        except InterpreterError as problem:
            problems.append(str(problem))
    raise SetUpError("\n".join(problems))


def prepare(blender: Blender, purpose: Purpose) -> Path:
    """The Python of one Blender's environment, which is made or completed first where it has to be.

    Raises InterpreterError when the machine has no interpreter for it, SetUpError when setting up fails.
    """
    folder = ENVIRONMENTS / f"bpy-{blender.version}"
    python = folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
    try:
        ENVIRONMENTS.mkdir(exist_ok=True)
        with _alone(folder.with_name(f"{folder.name}.lock"), f"Waiting for another run to set up {folder.name} ..."):
            _bring_up_to_date(folder, python, blender, purpose)
    except OSError as error:
        raise SetUpError(f"{folder} cannot be set up: {error}") from error
    return python


def lock_file(blender: Blender, purpose: Purpose) -> Path:
    return LOCKS / f"{purpose}-{blender.version}.txt"


def _bring_up_to_date(folder: Path, python: Path, blender: Blender, purpose: Purpose) -> None:
    wanted = {name: _digest(lock_file(blender, name)) for name in ("run", "test")}
    ready = folder / "ready.json"
    made_from = _made_from(ready, python)
    if made_from.get(purpose) == wanted[purpose]:
        return
    started = time.monotonic()
    if made_from.get("run") == wanted["run"] and "test" not in made_from:
        _say(f"Adding the test libraries to {folder.name} ...")
        ready.unlink()
    else:
        interpreter = find_interpreter(blender)
        _say(f"Setting up {folder.name} in {ENVIRONMENTS} (once; fetches about {FETCHED_MB[purpose]} MB) ...")
        _discard(folder)
        _run([interpreter.path, "-m", "venv", str(folder)])
        made_from = {"python": interpreter.version, "run": wanted["run"]}
    pip = [str(python), "-m", "pip", "-qq", "--disable-pip-version-check"]
    install = ["install", "--require-hashes", "--only-binary", ":all:", "--no-compile", "--requirement"]
    _run([*pip, *install, str(lock_file(blender, purpose))])
    ready.write_text(json.dumps({**made_from, purpose: wanted[purpose]}, indent=1), encoding="utf-8")
    _say(f"{folder.name} is ready after {time.monotonic() - started:.0f} s.")


def _made_from(ready: Path, python: Path) -> dict[str, str]:
    """What an environment was made from; nothing if it is missing or half made, or its interpreter has changed."""
    try:
        made_from: dict[str, str] = json.loads(ready.read_text(encoding="utf-8"))
        return made_from if probe([str(python)]).version == made_from["python"] else {}
    except (OSError, ValueError, KeyError, InterpreterError):
        return {}


def _discard(folder: Path) -> None:
    (folder / "ready.json").unlink(missing_ok=True)
    if folder.exists():
        shutil.rmtree(folder)


def _digest(lock: Path) -> str:
    return hashlib.sha256(lock.read_text(encoding="utf-8").encode()).hexdigest()


def _run(command: list[str]) -> None:
    """Runs a step of the set-up in silence; SetUpError with what it said when it fails."""
    astray = {"PYTHONPATH", "PYTHONHOME", "PIP_TARGET", "PIP_PREFIX", "PIP_ROOT", "PIP_USER"}
    variables = {name: value for name, value in os.environ.items() if name not in astray}
    done = subprocess.run(command, env=variables, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    if done.returncode:
        advice = "Read the output above (is there a network connection, and space on the disk?), then run this again."
        raise SetUpError(f"{done.stdout.strip()}\nThe set-up stopped at: {' '.join(command)}\n{advice}")


@contextlib.contextmanager
def _alone(lock: Path, waiting: str) -> Iterator[None]:
    with contextlib.ExitStack() as held:
        try:
            held.enter_context(locked(lock, 0.0))
        except TimeoutError:
            _say(waiting)
            held.enter_context(locked(lock, math.inf))
        yield


def _become(command: list[str]) -> NoReturn:
    """Goes on as another program that gets this one's signals and gives its exit code."""
    if os.name != "nt":
        os.execv(command[0], command)
    with subprocess.Popen(command) as process:
        while True:
            try:
                sys.exit(process.wait())
            except KeyboardInterrupt:
                continue  # the other program has had the same Ctrl-C, and says how it ends


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)
