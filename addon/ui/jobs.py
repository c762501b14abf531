# SPDX-License-Identifier: GPL-3.0-or-later
"""The job that a scene's properties describe, in the terms of the house."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any, get_args

import bpy

from ..bench.shop_book import ShopBook
from ..families import table
from ..families.family import ALIKE_MM, Family, Wanted
from ..fields.messages import NOTHING, Message, say
from ..geometry.sections import Section
from ..job.asked import (
    Assembly,
    Format,
    Job,
    JobError,
    LadderWish,
    Match,
    Measured,
    Output,
    Override,
    Shop,
    SiteMatch,
    TubeFacts,
    Wish,
)
from ..job.folder import RESULT, LastRun
from ..trade.cautions import Facts
from ..trade.fits import with_reading
from ..trade.metals import metal_named, tube_metals
from ..trade.processes import Process, ProcessError, check_process, materials, process_named
from ..trade.tables import UnknownNameError
from . import shop
from .fields import exact, values
from .recipes import holder_of, made_of, recipe_group, recipe_of
from .records import UNKNOWN, end_of, section_from


def job_of(scene: bpy.types.Scene) -> Job:
    """The scene as a job. Its assembly's files are for whoever writes it as a job file to name."""
    ferrule = scene.ferrule
    wanted = {"3mf": ferrule.output.write_3mf, "stl": ferrule.output.write_stl}
    output: dict[str, Any] = {**values(ferrule.output, Output), "folder": folder_of(scene)}
    return Job(
        name=name_of(scene),
        assemblies=(Assembly(frames=ferrule.output.frames, files=(), wall_mm=exact(ferrule.wall_mm) or None),),
        wishes=tuple(filter(None, (_wish(ferrule, family) for family in table.FAMILIES))),
        measured=tuple(_reading(group) for group in ferrule.groups if group.measured and not bore_problem(group)),
        tube=TubeFacts(**values(ferrule.tube, TubeFacts)),
        process=process_of(ferrule.process),
        output=Output(**output, formats=tuple(name for name in get_args(Format) if wanted[name])),
        ladders=tuple(ladder_wish(group) for group in ferrule.groups if group.fit_ladder),
        shop=Shop(shop.book_path()) if ferrule.use_shop_book else Shop(),
        book=shop.book() if ferrule.use_shop_book else ShopBook(),
    )


def _wish(ferrule: bpy.types.PropertyGroup, family: Family) -> Wish | None:
    """What the scene asks of a family; None for nothing."""
    recipe = recipe_of(recipe_group(ferrule, family))
    rows = [group for group in ferrule.groups if group.kind == family.serves]
    if family not in [each for group in ferrule.groups for each in made_of(group)]:
        return Wish(family, recipe) if family is table.usual() and not ferrule.groups else None
    overrides = []
    for group in rows:
        if family not in made_of(group):
            overrides.append(Override(_site_match(group), {}, make=False))
        elif group.own_recipe:
            overrides.append(Override(_site_match(group), values(recipe_group(group, family), family.recipe)))
    return Wish(family, recipe, tuple(overrides))


def problem_of(job: Job) -> str:
    """Why nothing can be written with these numbers of the process or the tube; empty if it can."""
    try:
        check_process(job.process)
    except ProcessError as error:
        return say("The process is not valid: {}", error)
    if job.tube.coldest_c > job.tube.hottest_c:
        return "The coldest temperature is above the hottest; swap them"
    return ""


def facts_of(job: Job, recipes: tuple[Wanted, ...]) -> Facts:
    """What the cautions rest on. A plastic or a metal that no table has is replaced by one with every caution."""
    try:
        material = job.material
    except JobError:
        material = replace(min(materials(), key=lambda plastic: plastic.hottest_c), fibre=True)
    try:
        metal = metal_named(job.tube.metal)
    except UnknownNameError:
        metal = next(metal for metal in tube_metals() if metal.galvanised)
    return Facts(job.process, material, metal, recipes)


def recipes_of(scene: bpy.types.Scene) -> tuple[Wanted, ...]:
    """The recipes of the sections, or the shared one while there are no sections."""
    ferrule = scene.ferrule
    used = [(family, holder_of(group, ferrule, family)) for group in ferrule.groups for family in made_of(group)]
    groups = dict.fromkeys(recipe_group(holder, family) for family, holder in used) or [ferrule.recipe]
    return tuple(dict.fromkeys(map(recipe_of, groups)))


def name_of(scene: bpy.types.Scene) -> str:
    """What the files are called after: the .blend, or as long as it has no name, what the ends were read from."""
    read = {line.tube.name for line in scene.ferrule.ends if line.tube is not None}
    return Path(bpy.data.filepath).stem or (read.pop() if len(read) == 1 else scene.name)


def process_of(group: bpy.types.PropertyGroup) -> Process:
    numbers = values(group, Process)
    try:
        named = process_named(group.called)
    except ProcessError:
        return Process(name=group.called, **numbers)
    return replace(named, **numbers)


def folder_of(scene: bpy.types.Scene) -> Path:
    return Path(bpy.path.abspath(scene.ferrule.output.folder))


def torn_files(scene: bpy.types.Scene) -> str:
    """A sentence on files in the scene's folder that are not as the last run wrote them; empty if all are."""
    folder = folder_of(scene)
    try:
        return _torn(folder, (folder / RESULT).stat().st_mtime_ns)
    except OSError:
        return ""


@lru_cache(maxsize=4)
def _torn(folder: Path, changed_ns: int) -> str:
    return LastRun.of(folder).said


def modelled_section(group: bpy.types.PropertyGroup) -> Section:
    """The section as modelled. Where its record is damaged, that of one of its ends, or ``UNKNOWN``."""
    try:
        return section_from(group.section)
    except ValueError:
        ferrule = group.id_data.ferrule
        place = next(number for number, other in enumerate(ferrule.groups) if other == group)
        sections = (end_of(line).section for line in ferrule.ends if line.group == place)
        return next((section for section in sections if section is not UNKNOWN), UNKNOWN)


def ladder_wish(group: bpy.types.PropertyGroup) -> LadderWish:
    return LadderWish(_match(group))


def bore_problem(group: bpy.types.PropertyGroup) -> Message:
    """Why the bore that was measured cannot be this tube's; empty if it can."""
    reading = _reading(group)
    try:
        with_reading(
            modelled_section(group),
            min(reading.bore_width_mm),
            min(reading.bore_depth_mm, default=None),
            group.id_data.ferrule.tube.metal,
        )
    except ValueError as error:
        return say("The reading is not used: {}. Measure the bore again", error)
    return NOTHING


def _match(group: bpy.types.PropertyGroup) -> Match:
    """The sections that take the same fitting as the group's."""
    section = modelled_section(group)
    return Match(section.kind, section.outer.width, section.outer.depth, section.wall, ALIKE_MM)


def _site_match(group: bpy.types.PropertyGroup) -> SiteMatch:
    """What takes the same fitting as the row's."""
    return SiteMatch(**vars(_match(group)), hole_mm=exact(group.hole_mm) if group.kind == "hole" else None)


def _reading(group: bpy.types.PropertyGroup) -> Measured:
    depth = exact(group.bore_depth_mm)
    return Measured(_match(group), (exact(group.bore_width_mm),), () if group.one_reading or not depth else (depth,))
