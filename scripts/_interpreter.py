# SPDX-License-Identifier: GPL-3.0-or-later
"""Which Blenders Ferrule runs in without a window, and where this machine has the Python that each one needs.

Standard library only, for any Python from 3.9 on: this runs before anything is installed.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class Blender:
    version: str
    python: str
    """The one Python version that this Blender's bpy module loads in."""
    machines: frozenset[tuple[str, str]]
    """(sys.platform, lower-case processor) that its bpy module is published for."""


_COMMON = {("linux", "x86_64"), ("win32", "amd64"), ("win32", "arm64"), ("darwin", "arm64")}
BLENDERS = (
    Blender("5.2", "3.13", frozenset(_COMMON)),
    Blender("4.5", "3.11", frozenset(_COMMON | {("darwin", "x86_64")})),
)
"""The preferred one first."""


@dataclass(frozen=True)
class Interpreter:
    path: str
    version: str
    """With all its numbers, such as 3.13.1."""
    machine: tuple[str, str]


class InterpreterError(Exception):
    """No usable interpreter; the message lists what was tried and what to install."""


def find_interpreter(blender: Blender) -> Interpreter:
    """A Python that can hold the Blender's bpy module; InterpreterError if this machine has none."""
    problems = []
    for command in _candidates(blender.python):
        try:
            probed = probe(command)
        except InterpreterError as problem:
            problems.append(f"{' '.join(command)}: {problem}")
            continue
        if not probed.version.startswith(f"{blender.python}."):
            problems.append(f"{probed.path} is Python {probed.version}")
        elif probed.machine not in blender.machines:
            problems.append(f"{probed.path}: bpy {blender.version} is not published for {' '.join(probed.machine)}")
        else:
            return probed
    needed = f"Blender {blender.version} needs Python {blender.python}, which was not found. Install it (64 bit, with "
    needed += f"its venv module) as python{blender.python} on PATH or under pyenv, then run this again."
    raise InterpreterError("\n".join([needed, *(f"  tried {problem}" for problem in problems)]))


_REPORT = """
import ensurepip, json, platform, sys, venv
print(json.dumps([sys.executable, platform.python_version(), sys.platform, platform.machine().lower()]))
"""


def probe(command: list[str]) -> Interpreter:
    """What a command that should start Python really starts; InterpreterError with the reason if it starts none.

    A name on PATH proves nothing: pyenv's shims fail for versions that are not selected, a Python from a Linux
    distribution may lack venv, and Windows has placeholders that only open its store.
    """
    try:
        done = subprocess.run([*command, "-c", _REPORT], capture_output=True, text=True, timeout=60)
    except (OSError, subprocess.TimeoutExpired) as error:
        raise InterpreterError(f"does not start: {error}") from error
    if done.returncode:
        raise InterpreterError((done.stderr.strip().splitlines() or [f"stops with code {done.returncode}"])[-1])
    path, version, system, processor = json.loads(done.stdout)
    return Interpreter(path, version, (system, processor))


def _candidates(python: str) -> Iterator[list[str]]:
    """Commands that may start the wanted Python version, the likeliest first."""
    if "{}.{}".format(*sys.version_info) == python:
        yield [sys.executable]
    for folder in os.get_exec_path():
        on_path = shutil.which(f"python{python}", path=folder)
        if on_path:
            yield [on_path]
    for version in _pyenv_versions(python):
        yield [str(version / ("python.exe" if os.name == "nt" else "bin/python"))]
    launcher = shutil.which("py") if os.name == "nt" else None
    if launcher:
        yield [launcher, f"-{python}"]


def _pyenv_versions(python: str) -> list[Path]:
    """Folders of the wanted version, the newest first."""
    roots = {Path(os.environ[name]) for name in ("PYENV_ROOT", "PYENV") if os.environ.get(name)}
    roots |= {Path.home() / ".pyenv", Path.home() / ".pyenv" / "pyenv-win"}
    folders = [folder for root in roots for folder in root.glob(f"versions/{python}.*")]
    return sorted(folders, key=lambda folder: [int(digits) for digits in re.findall(r"\d+", folder.name)], reverse=True)
