# SPDX-License-Identifier: GPL-3.0-or-later
"""The plates, and the files that go to the printer."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import chain
from operator import call

from ..bench.plate import Footprint, PlateError, Plates, lay_out
from ..bench.sheet import say_ranges
from ..fields.declared import values_of
from ..files.atomic import FileSet
from ..files.file_names import safe_names
from ..files.parts import Part, PreparedFile, WrittenFile
from ..files.stl import prepared_stl
from ..files.threemf import prepared_3mf
from ..trade.sizes import section_name
from .asked import Job, JobError
from .results import LaidOut, Made
from .workers import SharedOut


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


@dataclass(frozen=True, eq=False)
class PrintFiles:
    """The plates and the files that go to the printer, begun as soon as the fittings are known."""

    job: Job
    parts: tuple[Part, ...]
    footprints: tuple[Footprint, ...]
    shared_out: SharedOut
    _plates: Iterator[Plates]
    _stl: Iterator[PreparedFile]

    @classmethod
    def begun(cls, job: Job, fittings: Sequence[Made], shared_out: SharedOut = map) -> PrintFiles:
        parts = tuple(part_of(job, fitting) for fitting in fittings)
        prints = tuple(
            Footprint.of(part.name, part.mesh, fitting.count) for fitting, part in zip(fittings, parts, strict=True)
        )
        plates = shared_out(call, [partial(lay_out, prints, job.process)])
        alone = parts if "stl" in job.output.formats else ()
        named = zip(alone, safe_names(f"{job.name} {part.name}" for part in alone), strict=True)
        stl = [partial(prepared_stl, job.output.folder / name, part, **job.file_scale) for part, name in named]
        return cls(job, parts, prints, shared_out, plates, shared_out(call, stl))

    def laid_out(self) -> LaidOut:
        """Every copy on as few plates as are needed. Raises ``JobError`` if a fitting is too large for the plate."""
        try:
            return LaidOut(self.parts, self.footprints, next(self._plates))
        except PlateError as error:
            raise JobError(str(error)) from error

    def written(self, plates: Plates, files: FileSet) -> Generator[tuple[str, float], None, tuple[WrittenFile, ...]]:
        """Yields what is written next and what share of the files is."""
        job, output = self.job, self.job.output
        beds = plates.arrangements() if "3mf" in output.formats else {}
        which = [f"plate {say_ranges([number + 1 for number in numbers])}" for numbers in beds.values()]
        names = safe_names(f"{job.name} {said}" for said in which)
        packages = []
        for (spots, numbers), said, name in zip(beds.items(), which, names, strict=True):
            times = f", print it {len(numbers)} times" if len(numbers) > 1 else ""
            about = {"Title": f"{job.name}, {said} of {plates.count}{times}", "process": job.process.name}
            packages.append(
                partial(prepared_3mf, output.folder / name, self.parts, spots, metadata=about, **job.file_scale)
            )
        prepared = chain(self.shared_out(call, packages), self._stl)
        contents = [f"{said} of {plates.count}" for said in which]
        contents += [part.name for part in self.parts if "stl" in output.formats]
        written: list[WrittenFile] = []
        for content in contents:
            yield f"Writing and reading back {content}", len(written) / len(contents)
            written.append(next(prepared).write(files))
        return tuple(written)
