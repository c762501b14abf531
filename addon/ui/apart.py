# SPDX-License-Identifier: GPL-3.0-or-later
"""Assemblies read in a process of their own: what an importer does to a damaged file ends that process and no other."""

from __future__ import annotations

import ctypes
import json
import os
import pickle
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import bpy

from ..files.brep import is_brep
from ..files.incoming import is_plain
from ..geometry.mesh import Mesh
from .scene import SceneAssembly, SceneError, read_assembly

_PACKAGE = Path(__file__).parents[1]
# Loaded from its folder: an extension's own name is known only where the extension is switched on.
_CHILD = """
import importlib.util, json, pathlib, sys
asked = json.loads(pathlib.Path(sys.argv[-1]).read_text("utf-8"))
sys.path += [folder for folder in asked["path"] if folder not in sys.path]
package = pathlib.Path(asked["package"])
spec = importlib.util.spec_from_file_location(package.name, package / "__init__.py")
sys.modules[package.name] = module = importlib.util.module_from_spec(spec)
spec.loader.exec_module(module)
importlib.import_module(package.name + ".ui.apart").answer(asked)
"""


def read_apart(files: Sequence[Path], unit: str | None) -> SceneAssembly:
    """As ``read_assembly``. Raises ``SceneError`` for a file that crashes the importer, too.

    Files that cannot do so are read here, and so are STEP and IGES, whose kernel has a process of its own anyway:
    starting another Blender takes a second or two.
    """
    if all(is_plain(file) or is_brep(file) for file in files):
        with _silenced():
            return read_assembly(files, unit)
    with TemporaryDirectory(prefix="ferrule") as folder:
        request, answered = Path(folder, "request.json"), Path(folder, "answer.pickle")
        asked = {"path": sys.path, "package": os.fspath(_PACKAGE), "answer": os.fspath(answered), "unit": unit}
        request.write_text(json.dumps({**asked, "files": [os.fspath(file) for file in files]}), "utf-8")
        quiet = subprocess.DEVNULL
        subprocess.run([*_python(), os.fspath(request)], stdin=quiet, stdout=quiet, stderr=quiet, check=False)
        answer = pickle.loads(answered.read_bytes()) if answered.exists() else None
    if answer is None:
        if len(files) > 1:
            for file in files:  # which of them it was
                read_apart([file], unit)
        names = ", ".join(map(str, files))
        raise SceneError(f"{names} crashes Blender's importer. Export the assembly again, or as another kind of file.")
    if isinstance(answer, str):
        raise SceneError(answer)
    meshes, unit_given, notes = answer
    return SceneAssembly(tuple(Mesh(*mesh) for mesh in meshes), unit_given, notes)


def answer(asked: dict[str, Any]) -> None:
    """What the other process does: plain numbers and text into a file, or the sentence of what cannot be read."""
    try:
        assembly = read_assembly([Path(file) for file in asked["files"]], asked["unit"])
        meshes = [(mesh.vertices, mesh.triangles, mesh.name) for mesh in assembly.meshes]
        reply: object = (meshes, assembly.unit_given, assembly.notes)
    except SceneError as error:
        reply = str(error)
    unfinished = Path(asked["answer"] + ".part")
    unfinished.write_bytes(pickle.dumps(reply, pickle.HIGHEST_PROTOCOL))
    unfinished.rename(asked["answer"])


@contextmanager
def _silenced() -> Iterator[None]:
    """Keeps what Blender's importers print, in their own words, out of the report; errors come as exceptions."""
    _flush()
    originals = os.dup(1), os.dup(2)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(nowhere, 1)
        os.dup2(nowhere, 2)
        yield
    finally:
        _flush()
        for descriptor, copy in enumerate(originals, 1):
            os.dup2(copy, descriptor)
            os.close(copy)
        os.close(nowhere)


def _flush() -> None:
    """Empties the buffers of Python and of C, where Blender's own printing waits while stdout is not a terminal.

    Nobody may be there any more to read what Python has printed; the command sees to that.
    """
    for stream in (sys.stdout, sys.stderr):
        with suppress(OSError):
            stream.flush()
    ctypes.CDLL("ucrtbase" if os.name == "nt" else None).fflush(None)


def _python() -> list[str]:
    """The command that runs ``_CHILD``; as a module for Python Blender has no program of its own."""
    if bpy.app.module:
        return [sys.executable, "-P", "-c", _CHILD]
    assert bpy.app.binary_path
    return [bpy.app.binary_path, "--background", "--factory-startup", "--python-expr", _CHILD, "--"]
