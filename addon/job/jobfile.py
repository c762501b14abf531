# SPDX-License-Identifier: GPL-3.0-or-later
"""The job file: TOML in, a ``Job`` out, and every mistake in it named by its key; and a ``Job`` as such a text."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, replace
from pathlib import Path
from reprlib import repr as shortened
from typing import Any

from ..bench.shop_book import ShopBook
from ..bench.shop_entries import Preset
from ..bench.shop_file import ShopBookError, read_book
from ..bench.toml_text import toml_text
from ..families import table as families
from ..families.family import Family
from ..fields.coercion import AUTOMATIC, FieldError, read_record, read_values, refuse_unknown
from ..fields.declared import declared_in, values_of, with_values
from ..fields.messages import Message, say, say_all
from ..files.texts import read_text
from ..takeoff import Takeoff, given_sites
from ..takeoff.given import GivenEnd, SizedEnd
from ..takeoff.given_sites import GivenSite
from ..takeoff.picked import PickedEnd
from ..trade.processes import DEFAULT_PROCESS, Process, ProcessError, check_process, processes
from ..trade.renamed import with_new_names
from ..trade.tables import UnknownNameError, find_row
from .asked import (
    Assembly,
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

OF_TABLES = ("from_memory",)
"""Where a number comes from is for the tables to say."""
MAKE = "make"
"""Whether a job makes the fittings of a family."""


def read_job(path: Path) -> Job:
    """The job in a file. Raises ``JobError`` that names the key at fault, what was expected, and the nearest key."""
    path = Path(path).absolute()
    try:
        table = tomllib.loads(read_text(path))
    except FileNotFoundError:
        raise JobError(f"There is no job file {path}. Check the name and the folder.") from None
    except OSError as error:
        raise JobError(f"{path} cannot be read: {error.strerror}. A job is a text file that ends in .toml.") from None
    except UnicodeDecodeError:
        raise JobError(f"{path} is not UTF-8 text. Save the job file as UTF-8.") from None
    except tomllib.TOMLDecodeError as error:
        raise JobError(f"{path.name} is not valid TOML: {error}. Mend that place and run the job again.") from None
    except (RecursionError, ValueError):
        raise JobError(f"{path.name} has lists nested too deeply, or a number too long, to be read. Mend it.") from None
    # Not every system's file names are UTF-8, but all that is written is.
    name = os.fsencode(path.stem).decode(errors="replace")
    try:
        return parse_job(table, path.parent, name)
    except JobError as error:
        raise JobError(say("{}: {}", path.name, error)) from None


def job_text(job: Job) -> str:
    """The job as the text of a job file: ``read_job`` makes the same job of it, in the folder that paths count from."""
    tables = [
        *_assembly_tables(job),
        *(("[[tube_end]]", _plain(entry)) for entry in job.tube_ends),
        *((f"[[{entry.table}]]", _plain(entry)) for entry in job.sites),
        *(table for family in families.FAMILIES for table in _family_tables(job, family)),
        *(("[[measured]]", {**_plain(entry.match), **_readings(entry)}) for entry in job.measured),
        *(("[[fit_ladder]]", {**_plain(entry.match), **_plain(entry, but="match")}) for entry in job.ladders),
        ("[shop]", _plain(job.shop)),
        ("[tube]", _plain(job.tube)),
        ("[process]", _plain(job.process, but="from_memory")),
        ("[output]", _plain(job.output)),
    ]
    return "\n".join(f"{heading}\n{toml_text(table)}" for heading, table in tables if table)


def _assembly_tables(job: Job) -> list[tuple[str, dict[str, Any]]]:
    heading = "[assembly]" if len(job.assemblies) == 1 else "[[assembly]]"
    return [(heading, _plain(assembly)) for assembly in job.assemblies]


def _family_tables(job: Job, family: Family) -> list[tuple[str, dict[str, Any]]]:
    table, usual = family.table, family is families.usual()
    wish = next((wish for wish in job.wishes if wish.family is family), None)
    if wish is None:
        return [(f"[{table}]", {MAKE: False})] if usual else []
    asked = {} if wish.make is usual else {MAKE: wish.make}
    makes = ({} if override.make is None else {MAKE: override.make} for override in wish.overrides)
    changes = (
        {**_plain(override.match), **make, **_changes(override.changes)}
        for override, make in zip(wish.overrides, makes, strict=True)
    )
    return [(f"[{table}]", {**asked, **_plain(wish.recipe)}), *((f"[[{table}.for]]", change) for change in changes)]


def _plain(record: Any, but: str = "") -> dict[str, Any]:
    """A dataclass as TOML has it: without what is None, and with paths as text."""
    return {key: _plain_value(value) for key, value in values_of(record).items() if key != but and value is not None}


def _readings(measured: Measured) -> dict[str, Any]:
    return {"bore_width_mm": list(measured.bore_width_mm), "bore_depth_mm": list(measured.bore_depth_mm)}


def _plain_value(value: Any) -> Any:
    if isinstance(value, tuple):
        return [_plain_value(part) for part in value]
    return value.as_posix() if isinstance(value, Path) else value


def _changes(changes: Mapping[str, Any]) -> dict[str, Any]:
    return {key: AUTOMATIC if value is None else _plain_value(value) for key, value in changes.items()}


def parse_job(table: Mapping[str, Any], folder: Path, name: str = "job") -> Job:
    """A ``Job`` from a parsed TOML table; relative paths count from ``folder``."""
    own_tables = [family.table for family in families.FAMILIES]
    given_tables = ("tube_end", *(kind.table for kind in given_sites.GIVEN_SITES))
    others = ("measured", "fit_ladder", "shop", "tube", "process", "output")
    _refuse_unknown(table, ("assembly", *given_tables, *own_tables, *others), "")
    tube = _fill(TubeFacts, _table(table, "tube"), "tube")
    if tube.coldest_c > tube.hottest_c:
        raise JobError(f"tube.coldest_c {tube.coldest_c:g} lies above tube.hottest_c {tube.hottest_c:g}; swap them.")
    tube_ends = tuple(_tube_end(entry, where) for entry, where in _entries(table, "tube_end"))
    sites = tuple(
        _given_site(kind, entry, where, tube.metal)
        for kind in given_sites.GIVEN_SITES
        for entry, where in _entries(table, kind.table)
    )
    assemblies = _assemblies(table.get("assembly", {}), folder, bool(tube_ends or sites))
    shop = _fill(Shop, _table(table, "shop"), "shop")
    shop = replace(shop, book=folder / shop.book if shop.book else None)
    book = _book(shop)
    notes: list[str] = []
    wishes = tuple(
        wish for family in families.FAMILIES if (wish := _wish(family, _table(table, family.table), book, notes))
    )
    process = _process(_with_new_names(Process, _table(table, "process"), "process", notes), book)
    output = _fill(Output, _table(table, "output"), "output")
    if not output.formats:
        raise JobError('output.formats is empty; ask for "3mf", "stl" or both.')
    return Job(
        name=name,
        assemblies=assemblies,
        wishes=wishes,
        measured=tuple(_measured(entry, where) for entry, where in _entries(table, "measured")),
        tube=tube,
        process=process,
        output=replace(output, folder=folder / output.folder),
        ladders=tuple(_ladder(entry, where) for entry, where in _entries(table, "fit_ladder")),
        shop=shop,
        book=book,
        tube_ends=tube_ends,
        sites=sites,
        notes=tuple(notes),
    )


def _assemblies(value: Any, folder: Path, ends_given: bool) -> tuple[Assembly, ...]:
    """From ``[assembly]``, or from several ``[[assembly]]``."""
    several = isinstance(value, list)
    tables = _tables(value, "assembly") if several else [_table({"assembly": value}, "assembly")]
    if not tables:
        raise JobError("assembly is an empty list; write [assembly], or [[assembly]] for each one.")
    assemblies: list[Assembly] = []
    for number, entry in enumerate(tables, 1):
        where = f"assembly[{number}]" if several else "assembly"
        assembly = _assembly(entry, where, folder, ends_given and number == 1)
        if several and not assembly.name:
            assembly = replace(assembly, name=assembly.files[0].stem if assembly.files else f"assembly {number}")
        if same := next((n for n, other in enumerate(assemblies, 1) if other.name == assembly.name), 0):
            raise JobError(
                f'{where} and assembly[{same}] are both called "{assembly.name}"; give each a name of its own, or set '
                "frames if it is built several times."
            )
        assemblies.append(assembly)
    return tuple(assemblies)


def _assembly(entry: Mapping[str, Any], where: str, folder: Path, ends_given: bool) -> Assembly:
    if "count" in entry and "frames" in entry:
        raise JobError(f"{where} has frames and count, which mean the same; keep one.")
    entry = {("frames" if key == "count" else key): value for key, value in entry.items()}
    # With tube ends of its own a job needs no mesh.
    if entry.get("files", []) == [] and not ends_given:
        raise JobError(
            f"{where}.files is {'empty' if 'files' in entry else 'missing'}; name at least one mesh file, such "
            'as files = ["frame.stl"], or give the tube ends instead, each as [[tube_end]].'
        )
    assembly = _fill(Assembly, {"files": [], **entry}, where)
    files = tuple(Path(os.path.abspath(folder / file)) for file in assembly.files)
    for file in files:
        if files.count(file) > 1:
            raise JobError(f"{where}.files names {file.name} twice, and every end would be capped twice; name it once.")
    return replace(assembly, files=files)


def _with_new_names(cls: type, table: Mapping[str, Any], where: str, notes: list[str]) -> dict[str, Any]:
    """The table with keys of older job files under their new names, and sentences on these in ``notes``."""
    try:
        renamed, said = with_new_names(table, _keys(cls))
    except ValueError as error:
        raise JobError(say("{}: {}.", where, error)) from None
    notes += [f"Job file: {where}.{sentence}" for sentence in said]
    return renamed


def _tube_end(entry: Mapping[str, Any], where: str) -> GivenEnd:
    if "size" not in entry and "rim_mm" not in entry:
        raise JobError(f'{where} does not say which tube; give its rim_mm or its size, such as size = "1 in × 1/8 in".')
    if "size" in entry and "rim_mm" in entry:
        raise JobError(f"{where}.size and {where}.rim_mm are two ways to give one tube end; keep one.")
    end: GivenEnd = _fill(SizedEnd if "size" in entry else PickedEnd, entry, where)
    try:
        end.tube_end()
    except ValueError as error:
        raise JobError(say("{}: {}.", where, error)) from None
    return end


def _given_site(kind: type[GivenSite], entry: Mapping[str, Any], where: str, metal: str) -> GivenSite:
    site: GivenSite = _fill(kind, entry, where)
    try:
        site.added(Takeoff(()), metal)
    except ValueError as error:
        raise JobError(say("{}: {}.", where, error)) from None
    return site


def _book(shop: Shop) -> ShopBook:
    """The shop's book, which a job never changes. A book that cannot be used is read as an empty one, with the reason
    in its problems."""
    if shop.book is None:
        return ShopBook()
    try:
        return read_book(shop.book)
    except ShopBookError as error:
        return ShopBook(problems=(say("{} Nothing of the shop's own is used.", error),))


def _wish(family: Family, table: Mapping[str, Any], book: ShopBook, notes: list[str]) -> Wish | None:
    """What the job asks of a family; None if it asks for none of its fittings."""
    where = family.table
    values = _with_new_names(family.recipe, table, where, notes)
    make = _make(values, where, family is families.usual())
    entries = [
        _with_new_names(family.recipe, entry, f"{where}.for[{i}]", notes)
        for i, entry in enumerate(_tables(values.pop("for", []), f"{where}.for"), 1)
    ]
    overrides = tuple(_override(family, entry, f"{where}.for[{i}]") for i, entry in enumerate(entries, 1))
    for key in values:
        if key in _keys(SiteMatch):
            raise JobError(f"{where}.{key} picks tubes, in [[{where}.for]]; {_own(family, key) or 'move it there'}.")
    preset = _preset(family, values.pop("preset", None), book)
    recipe = with_values(preset, _values(family.recipe, values, where))
    return Wish(family, recipe, overrides, make) if make or any(each.make for each in overrides) else None


def _make(values: dict[str, Any], where: str, default: bool | None) -> Any:
    """Whether fittings are made, which is taken out of the values."""
    make = values.pop(MAKE, default)
    if make is not default and not isinstance(make, bool):
        raise JobError(f"{where}.{MAKE} is {shortened(make)}; expected true or false.")
    return make


def _preset(family: Family, name: Any, book: ShopBook) -> Any:
    if name is None:
        return family.recipe()
    where = f"{family.table}.preset"
    if not isinstance(name, str):
        raise JobError(f"{where} is {shortened(name)}; expected the name of a preset of the shop book, as text.")
    try:
        presets = [preset for preset in book.all(Preset) if preset.family == family.name]
        return find_row(presets, name, "preset of the shop book").recipe
    except UnknownNameError as error:
        raise JobError(say("{}: {}", where, _with_problems(error, book))) from None


def _with_problems(error: ValueError, book: ShopBook) -> Message:
    """A name that is not found may be one that could not be read."""
    return say_all([say("{}.", error), *book.problems])


def _ladder(entry: Mapping[str, Any], where: str) -> LadderWish:
    wanted = ("gaps_mm", "step_mm", "count")
    match, rest = _match(entry, where, also=wanted)
    wish = LadderWish(match, **_values(LadderWish, rest, where))
    if len(wish.gaps_mm) == 1:
        raise JobError(f"{where}.gaps_mm has one gap; a ladder needs at least two.")
    return wish


def _override(family: Family, entry: Mapping[str, Any], where: str) -> Override:
    keys = _keys(SiteMatch)
    match = _fill(SiteMatch, {key: entry[key] for key in entry if key in keys}, where)
    rest = {key: entry[key] for key in entry if key not in keys}
    make = _make(rest, where, None)
    if match.hole_mm is not None and family.serves != "hole":
        raise JobError(f"{where}.hole_mm is for fittings of holes; take it out.")
    if match.points is not None and family.serves != "end":
        raise JobError(f"{where}.points is for fittings of tube ends; take it out.")
    if match.joint is not None and family.serves != "joint":
        raise JobError(f"{where}.joint is for fittings of joints; take it out.")
    values = _values(family.recipe, rest, where)
    if not values and make is None:
        example = next(iter(declared_in(family.recipe)))
        meant = [f"{key} picks tubes; {own}." for key in entry if (own := _own(family, key))]
        nothing = f"{where} changes nothing; add a key of [{family.table}], such as {example}."
        raise JobError(" ".join([nothing, *meant]))
    return Override(match, values, make)


def _own(family: Family, key: str) -> str:
    """Where a recipe has the number of its own that a key which picks tubes may have been meant for; else empty."""
    label = declared_in(SiteMatch)[key].field.label if key in _keys(SiteMatch) else ""
    same = (name for name, number in declared_in(family.recipe).items() if label and number.field.label == label)
    return next((f"the {family.label.lower()}'s own is {name}" for name in same), "")


def _measured(entry: Mapping[str, Any], where: str) -> Measured:
    match, rest = _match(entry, where, also=("bore_width_mm", "bore_depth_mm"))
    rest = {key: value if isinstance(value, list) else [value] for key, value in rest.items()}
    readings = _values(Measured, rest, where)
    if not readings.get("bore_width_mm"):
        raise JobError(f"{where} has no reading; add bore_width_mm = 22.1 or a list of readings.")
    if min(min(values, default=1.0) for values in readings.values()) <= 0:
        raise JobError(f"{where}: a bore reading has to be above 0 mm.")
    return Measured(match, **readings)


def _match(entry: Mapping[str, Any], where: str, also: Iterable[str]) -> tuple[Match, dict[str, Any]]:
    """Splits an entry into what it matches and the rest."""
    keys = _keys(Match)
    match = _fill(Match, {key: entry[key] for key in entry if key in keys}, where)
    _refuse_unknown(entry, (*keys, *also), where)
    return match, {key: entry[key] for key in entry if key not in keys}


def _process(table: Mapping[str, Any], book: ShopBook) -> Process:
    """The shop book's process of that name, or else the table's, with the job's own numbers."""
    rest = dict(table)
    name = rest.pop("name", DEFAULT_PROCESS)
    if not isinstance(name, str):
        raise JobError(f"process.name is {shortened(name)}; expected the name of a process, as text.")
    numbers = _values(Process, rest, "process")
    try:
        process = with_values(find_row((*book.all(Process), *processes()), name, "process"), numbers)
    except UnknownNameError as error:
        if missing := _missing_of_process(numbers):
            lacks = f"For a process of the job's own under that name, add to [process]: {', '.join(missing)}."
            raise JobError(say("process: {} {}", _with_problems(error, book), lacks)) from None
        process = Process(name, **numbers)
    try:
        check_process(process)
    except ProcessError as error:
        raise JobError(say("process: {}", error)) from None
    return process


def _missing_of_process(numbers: Mapping[str, Any]) -> list[str]:
    """The keys that a process needs and the job does not bring."""
    needed = [key for key, field in declared_in(Process).items() if field.default is MISSING and key != "name"]
    return [key for key in needed if key not in numbers]


def _table(table: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = table.get(key, {})
    if not isinstance(value, Mapping):
        raise JobError(f"{key} is {shortened(value)}; expected a table, written as [{key}].")
    return value


def _tables(value: Any, key: str) -> list[Mapping[str, Any]]:
    if isinstance(value, Mapping):
        value = [value]
    if not isinstance(value, list) or not all(isinstance(entry, Mapping) for entry in value):
        raise JobError(f"{key} is {shortened(value)}; expected tables, each written as [[{key}]].")
    return value


def _entries(table: Mapping[str, Any], key: str) -> list[tuple[Mapping[str, Any], str]]:
    """The tables written as ``[[key]]``, each with what an error calls it."""
    return [(entry, f"{key}[{number}]") for number, entry in enumerate(_tables(table.get(key, []), key), 1)]


def _fill(cls: type, table: Mapping[str, Any], where: str) -> Any:
    try:
        return read_record(cls, _values(cls, table, where), where)
    except FieldError as error:
        raise JobError(str(error)) from None


def _values(cls: type, table: Mapping[str, Any], where: str) -> dict[str, Any]:
    _refuse_unknown([key for key in table if key in OF_TABLES], _keys(cls), where)
    try:
        return read_values(cls, table, where)
    except FieldError as error:
        raise JobError(str(error)) from None


def _keys(cls: type) -> tuple[str, ...]:
    return tuple(key for key in declared_in(cls) if key not in OF_TABLES)


def _refuse_unknown(table: Iterable[str], known: Iterable[str], where: str) -> None:
    try:
        refuse_unknown(table, known, where)
    except FieldError as error:
        raise JobError(str(error)) from None
