# SPDX-License-Identifier: GPL-3.0-or-later
"""The plates, and the files that go to the printer."""

from __future__ import annotations

from collections.abc import Generator, Sequence

from ..bench.plate import Footprint, PlateError, lay_out
from ..bench.sheet import say_ranges
from ..fields.declared import values_of
from ..files.atomic import FileSet
from ..files.file_names import safe_names
from ..files.parts import Part, WrittenFile
from ..files.stl import write_stl
from ..files.threemf import write_3mf
from ..trade.sizes import section_name
from .asked import Job, JobError
from .results import LaidOut, Made


def part_of(job: Job, fitting: Made) -> Part:
    """The fitting as the files have it, standing, with what it was made from."""
    recipe = values_of(fitting.fitting.recipe).items()
    about = {
        "fitting": fitting.id,
        "section": section_name(fitting.fitting.section),
        **({"gap_wanted_mm": f"{fitting.gaps[0].nominal:.7g}"} if fitting.gaps else {}),
        "process": job.process.name,
        "material": job.process.material,
        **{key: f"{value:.7g}" if isinstance(value, float) else str(value) for key, value in recipe},
    }
    return Part(fitting.name, fitting.fitting.standing(), about)


def lay_out_all(job: Job, fittings: Sequence[Made]) -> LaidOut:
    """Every copy on as few plates as are needed. Raises ``JobError`` if a fitting is too large for the plate."""
    parts = tuple(part_of(job, fitting) for fitting in fittings)
    prints = tuple(
        Footprint.of(part.name, part.mesh, fitting.count) for fitting, part in zip(fittings, parts, strict=True)
    )
    try:
        return LaidOut(parts, prints, lay_out(prints, job.process))
    except PlateError as error:
        raise JobError(str(error)) from error


def write_print_files(
    job: Job, laid_out: LaidOut, files: FileSet
) -> Generator[tuple[str, float], None, tuple[WrittenFile, ...]]:
    """Yields what is written next and what share of the files is."""
    folder, unit, shrink = job.output.folder, job.output.unit, job.process.shrink_percent
    parts, plates = laid_out.parts, laid_out.plates
    written: list[WrittenFile] = []
    beds = plates.arrangements() if "3mf" in job.output.formats else {}
    which = [f"plate {say_ranges([number + 1 for number in numbers])}" for numbers in beds.values()]
    names = safe_names(f"{job.name} {said}" for said in which)
    count = len(names) + (len(parts) if "stl" in job.output.formats else 0)
    for (spots, numbers), said, name in zip(beds.items(), which, names, strict=True):
        times = f", print it {len(numbers)} times" if len(numbers) > 1 else ""
        about = {"Title": f"{job.name}, {said} of {plates.count}{times}", "process": job.process.name}
        path = folder / name
        yield f"Writing and reading back {said} of {plates.count}", len(written) / count
        written.append(write_3mf(path, parts, spots, unit=unit, metadata=about, shrink_percent=shrink, files=files))
    if "stl" in job.output.formats:
        names = safe_names(f"{job.name} {part.name}" for part in parts)
        for part, name in zip(parts, names, strict=True):
            yield f"Writing and reading back {part.name}", len(written) / count
            written.append(write_stl(folder / name, part, unit=unit, shrink_percent=shrink, files=files))
    return tuple(written)
