# SPDX-License-Identifier: GPL-3.0-or-later
"""A job file and the assembly that it is about, written so that a run without a window comes to the same files."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Generator
from dataclasses import replace
from pathlib import Path

import bpy

from ..bench.toml_text import toml_text
from ..files.atomic import FileSet
from ..files.texts import read_text
from ..job.jobfile import job_text
from .file_unit import unit_is_chosen
from .jobs import job_of
from .scene_ends import assembly_of, dropped_places, given_ends, sources_of


def write_job(
    scene: bpy.types.Scene, graph: Callable[[], bpy.types.Depsgraph], path: Path
) -> Generator[tuple[str, float], None, list[str]]:
    """Writes ``path`` and, beside it, a .blend with the objects that the ends were read from, if there are any.

    Yields what comes next and how much is done, and asks ``graph`` for the dependency graph each time it is used.
    Returns why ends that were picked by hand are not in it, in sentences. Raises ``OSError``, and ``SceneError`` for
    objects that cannot be read; a job file that was there before then still is.
    """
    blend = path.with_name(f"{path.stem} assembly.blend")
    yield "Reading the objects", 0.0
    meshes, _ = assembly_of(scene, graph())
    yield "Reading the ends given by hand", 0.3
    given, lost = given_ends(scene, graph())
    job = job_of(scene)
    job = replace(
        job,
        name=path.stem,
        assemblies=(
            replace(
                job.assembly,
                files=(Path(blend.name),) if meshes else (),
                unit="mm" if unit_is_chosen(scene) else None,
                leave_out_mm=dropped_places(scene),
            ),
        ),
        tube_ends=given,
        output=replace(job.output, folder=Path("ferrule_out")),
    )
    yield "Writing the job file", 0.4
    with FileSet() as files:
        files.add(path, toml_text(tomllib.loads(job_text(job)), _text_of(path)).encode(), len)
        if meshes:
            yield "Writing the assembly", 0.5
            _write_objects(scene, blend)
    return lost


def _text_of(path: Path) -> str:
    """What a job file says now, whose comments are to stay; nothing if there is none that can be read."""
    try:
        return read_text(path)
    except (OSError, UnicodeDecodeError):
        return ""


def _write_objects(scene: bpy.types.Scene, path: Path) -> None:
    """The objects themselves, modifiers, parents and instances with them, in a scene of the same units."""
    items = sources_of(scene)
    copy = bpy.data.scenes.new("Assembly")
    try:
        for name in ("system", "scale_length", "length_unit"):
            setattr(copy.unit_settings, name, getattr(scene.unit_settings, name))
        for item in items:
            if item.visible_get():
                copy.collection.objects.link(item)
        copy.view_layers[0].update()  # Blender 5.2 crashes on writing a scene that was never evaluated.
        try:
            bpy.data.libraries.write(str(path), {copy}, fake_user=False)
        except RuntimeError as error:
            raise OSError(str(error)) from error
    finally:
        bpy.data.scenes.remove(copy)
