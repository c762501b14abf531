# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job asks for. docs/job_file.md is the reference for people."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, TypedDict, Unpack, get_args

from ..bench.fit_ladder import STEP_MM, STEPS, gaps_around
from ..bench.shop_book import ShopBook
from ..bench.shop_entries import FitReading, MeasuredTube, gap_correction, print_excess
from ..bench.statistic import Statistic
from ..families.circumstances import Circumstances
from ..families.family import Family, Site
from ..fields.declared import declared, with_values
from ..fields.messages import Name, say
from ..files.parts import FileScale, FileUnit
from ..geometry.frames import Frame
from ..geometry.sections import Section
from ..takeoff import Hole, Joint, Takeoff, TubeEnd
from ..takeoff.given import GivenEnd
from ..takeoff.given_sites import GivenSite
from ..takeoff.picked import Point
from ..trade.fits import with_reading
from ..trade.metals import tube_metals
from ..trade.processes import Material, Process, materials
from ..trade.tables import UnknownNameError, find_row

CALIPER_MM = 0.05
"""How far a caliper's reading of a bore may be off; common practice, no source."""

Unit = Literal["mm", "cm", "m", "in"]
Format = Literal["3mf", "stl"]


class JobError(ValueError):
    """Why a job cannot go on: what is wrong, where, and what to do next."""


MOST_FRAMES = 10_000


@dataclass(frozen=True)
class Assembly:
    files: tuple[Path, ...] = declared(
        MISSING,
        meaning="files of the assembly: `.step`, `.stp`, `.iges`, `.igs`, `.stl`, `.obj`, `.ply`, `.gltf`, `.glb`, "
        "`.blend`. May be left out if the job lists tube ends",
    )
    unit: Unit | None = declared(
        None,
        meaning="unit of files that carry none (STL, OBJ, PLY). STEP, IGES and .blend files carry theirs, and glTF is "
        "in metres. Without this key the file is read in millimetres, and the job stops where the sections match no "
        "table size in millimetres but do at another scale",
    )
    wall_mm: float | None = declared(
        None, "Wall",
        "Wall of tubes that are modelled as an outer surface only, for the next reading or Refit; 0 if all have a "
        "bore",
        least=0.05, most=200.0, meaning="wall of tubes that are modelled as an outer surface only",
    )  # fmt: skip
    leave_out_mm: tuple[Point, ...] = declared(
        (),
        meaning="ends, holes, copes and joints that get no fitting: where they are, as `position_mm` in result.json",
    )
    name: str = declared(
        "", meaning="what the assembly is called on sheets and lists; without a name it goes by its first file"
    )
    frames: int = declared(
        1, "Frames to Build", "How many of this assembly are built; every fitting is printed for each of them",
        least=1, most=MOST_FRAMES,
        meaning="how many of the assembly are built; every fitting is printed for each. `count` means the same",
    )  # fmt: skip


@dataclass(frozen=True)
class Match:
    """Which sections an entry is for. What is left out matches anything."""

    kind: Literal["round", "rect", "other"] | None = declared(
        None, automatic="any", meaning='shape of the section; square counts as `"rect"`'
    )
    width_mm: float | None = declared(
        None, automatic="any", meaning="outside width or diameter; a rectangle matches either way round"
    )
    depth_mm: float | None = declared(None, automatic="any", meaning="outside depth")
    wall_mm: float | None = declared(None, "Wall", "Wall of the tubes", least=0.05, most=200.0, automatic="any")
    within_mm: float = declared(
        0.5, "Within", "How far the width, depth and wall may differ from these", least=0.0, most=1000.0
    )

    def fits(self, section: Section) -> bool:
        """Whether the section, either way round, is one of those."""
        if self.kind not in (None, section.kind):
            return False
        if self.wall_mm is not None and abs(self.wall_mm - section.wall) > self.within_mm:
            return False
        sides = section.outer.width, section.outer.depth
        return self._has_sides(*sides) or self._has_sides(*sides[::-1])

    def turned(self, section: Section) -> bool:
        """Whether a section that fits does so the other way round: its width is what is called depth here."""
        return not self._has_sides(section.outer.width, section.outer.depth)

    def _has_sides(self, width: float, depth: float) -> bool:
        pairs = ((self.width_mm, width), (self.depth_mm, depth))
        return all(want is None or abs(want - side) <= self.within_mm for want, side in pairs)


Pointing = Literal["up", "down", "level"]


def pointing(frame: Frame) -> Pointing:
    """Where a tube's end with this frame points, z being up."""
    upward = float(frame.axes[2, 2])
    return "level" if abs(upward) < math.sqrt(0.5) - 1e-6 else "up" if upward > 0 else "down"


JointKind = Literal["in line", "corner"]


def joint_kind(joint: Joint) -> JointKind:
    return "in line" if joint.in_line else "corner"


class About(TypedDict, total=False):
    """What a site can be matched by besides its tube's section."""

    holes_mm: Sequence[float]
    points: Pointing | None
    joint: JointKind | None


@dataclass(frozen=True)
class SiteMatch(Match):
    """Which sites an entry is for."""

    hole_mm: float | None = declared(
        None, automatic="any", meaning="diameter of the hole that a fitting is for; other fittings are for none"
    )
    points: Pointing | None = declared(
        None,
        automatic="any",
        meaning="where the tube's end points, z being up: within 45° of up or of down, or level. So the same tube "
        "gets feet below and caps above",
    )
    joint: JointKind | None = declared(
        None, automatic="any", meaning="how the tubes of a joint that a fitting is for lie to each other"
    )

    def takes(
        self,
        section: Section,
        holes_mm: Sequence[float] = (),
        points: Pointing | None = None,
        joint: JointKind | None = None,
    ) -> bool:
        """Whether it is for a site on a tube of this section, with holes of these diameters, an end that points there,
        or a joint of that kind."""
        of_hole = self.hole_mm is None or any(abs(self.hole_mm - wide) <= self.within_mm for wide in holes_mm)
        return of_hole and self.points in (None, points) and self.joint in (None, joint) and self.fits(section)


@dataclass(frozen=True)
class Override:
    """What differs for the sites of ``match``."""

    match: SiteMatch
    changes: Mapping[str, Any]
    """Recipe fields."""
    make: bool | None = None
    """Whether anything is made for them; None if nothing is said of it."""


@dataclass(frozen=True)
class Wish:
    """What is asked of one family: a recipe, and what differs for some sections."""

    family: Family
    recipe: Any
    overrides: tuple[Override, ...] = ()
    make: bool = True
    """Whether they are made for all sections, or only where an override says so."""

    def makes_for(self, section: Section, **about: Unpack[About]) -> bool:
        """For what is on tubes of this section; the last override that says so counts."""
        taking = (override for override in reversed(self.overrides) if override.match.takes(section, **about))
        return next((override.make for override in taking if override.make is not None), self.make)

    def makes_for_end(self, end: TubeEnd) -> bool:
        return self.makes_for(end.section, points=pointing(end.frame))

    def recipe_for(self, section: Section, **about: Unpack[About]) -> Any:
        """The recipe with every override that matches, in the file's order."""
        recipe = self.recipe
        for override in self.overrides:
            if override.match.takes(section, **about):
                recipe = with_values(recipe, override.changes)
        return recipe

    def recipe_at(self, site: Site) -> Any:
        return self.recipe_for(site.section, **self._about(site))

    def entry_of(self, key: str, site: Site) -> int:
        """Which override, from 1, a recipe's value at a site comes from; 0 if from none."""
        about = self._about(site)
        numbered = reversed(list(enumerate(self.overrides, 1)))
        setting = (
            number for number, each in numbered if key in each.changes and each.match.takes(site.section, **about)
        )
        return next(setting, 0)

    def _about(self, site: Site) -> About:
        holes = (record for record in site.records[: site.count] if isinstance(record, Hole))
        return {
            "holes_mm": [hole.diameter_mm for hole in holes],
            "points": pointing(site.frame) if self.family.serves == "end" else None,
            "joint": next((joint_kind(record) for record in site.records if isinstance(record, Joint)), None),
        }

    def sites(self, takeoff: Takeoff, process: Process) -> Sequence[Site]:
        """The family's sites of an assembly, but for those that nothing is made for."""
        if not self.make or any(override.make is not None for override in self.overrides):
            takeoff = self._wanted_of(takeoff)
        if self.family.low_sites is None:
            return self.family.sites(takeoff)
        return self.family.low_sites(takeoff, process.most_drawn_height_mm)

    def _wanted_of(self, takeoff: Takeoff) -> Takeoff:
        wanted = {
            "end": self.makes_for_end,
            "hole": lambda hole: self.makes_for(hole.tube.section, holes_mm=[hole.diameter_mm]),
            "cope": lambda cope: self.makes_for(cope.tube.section),
            "joint": lambda joint: self.makes_for(joint.ends[0].section, joint=joint_kind(joint)),
        }[self.family.serves]
        kind = f"{self.family.serves}s"
        kept: dict[str, Any] = {kind: tuple(filter(wanted, getattr(takeoff, kind)))}
        return replace(takeoff, **kept)


@dataclass(frozen=True)
class Measured:
    """Caliper readings of a bore: one or several, of which the smallest counts, since the spigot has to pass it."""

    match: Match
    bore_width_mm: tuple[float, ...] = declared(
        MISSING, meaning="readings of the bore's width or diameter; of a free outline, its least width"
    )
    bore_depth_mm: tuple[float, ...] = declared((), meaning="readings of a rectangular bore's depth")
    seam_mm: float | None = None
    """How far the weld seam stands into the bore; None if nobody has looked."""
    book_name: str = ""
    """What the shop book calls the tube; empty for the job's own readings."""

    @classmethod
    def of_book(cls, tube: MeasuredTube) -> Measured:
        match = Match(tube.kind, tube.width_mm, tube.depth_mm, tube.wall_mm)
        return cls(match, (tube.bore_width_mm,), (tube.bore_depth_mm,), tube.seam_mm, tube.name)

    @property
    def off_mm(self) -> float:
        """± on the bore's width: the spread of the readings, at least the resolution of calipers."""
        return max(CALIPER_MM, *(max(some) - min(some) for some in (self.bore_width_mm, self.bore_depth_mm) if some))


@dataclass(frozen=True)
class LadderWish:
    """A fit ladder for each section of ``match``."""

    match: Match
    gaps_mm: tuple[float, ...] = declared(
        (),
        meaning="gap per side of each slice. Without a list the gaps are stepped around that of the spigots",
    )
    step_mm: float = declared(
        STEP_MM, meaning="difference between one gap and the next, if there is no list", least=0.01, most=10.0
    )
    """The marks have two decimals."""
    count: int = declared(STEPS, meaning="number of slices, if there is no list", least=2, most=100)

    def gaps(self, drawn_mm: float) -> tuple[float, ...]:
        return self.gaps_mm or gaps_around(drawn_mm, self.step_mm, self.count)


@dataclass(frozen=True)
class Shop:
    book: Path | None = declared(
        None, meaning="the shop book's file (see [bench.md](bench.md)); without it no shop book is read"
    )


@dataclass(frozen=True)
class TubeFacts:
    """What the model does not contain about the tube."""

    metal: str = declared(
        "carbon steel", "Metal", "What the tube is made of", names=lambda: tuple(metal.name for metal in tube_metals()),
        meaning="what the tube is made of, for its expansion over the temperature range and for the standard that its "
        "tolerance, its corners and its weld seam follow",
    )  # fmt: skip
    seam_height_mm: float | None = declared(
        None, "Weld Seam", "Height of the weld seam inside the bore; a quarter of the wall if automatic",
        least=0.0, most=20.0, automatic="as usual",
        meaning="height of the weld seam inside the bore, 0 for seamless tube. Unless it is entered here or in the "
        "shop book, a quarter of the wall is assumed",
    )  # fmt: skip
    """None if nobody has measured it: then a usual height is assumed."""
    coldest_c: float = declared(
        -10.0, "Coldest (°C)", "Lowest temperature at which the fitting has to stay in place", least=-200.0, most=500.0
    )
    hottest_c: float = declared(
        40.0, "Hottest (°C)", "Highest temperature at which the fitting has to stay in place", least=-200.0, most=500.0,
        meaning="highest temperature at which the fitting has to stay in place. Above the plastic's limit it is a "
        "must-fix finding",
    )  # fmt: skip


@dataclass(frozen=True)
class Output:
    folder: Path = declared(
        Path("ferrule_out"), "Folder", "Folder for the print files; // in front stands for the .blend file's folder",
        meaning="folder for the files",
    )  # fmt: skip
    formats: tuple[Format, ...] = declared(
        ("3mf",),
        meaning="3MF: a file for each plate; identical plates share one, and its title says how often to print it. "
        "STL: a file for each fitting",
    )
    unit: FileUnit = declared("mm", "Unit", "Unit of the numbers in the print files")
    spares: int = declared(
        0, "Spares", "Extra copies of each fitting, beyond what the open ends need", least=0, most=10_000
    )
    spares_percent: float = declared(
        0.0, "Spares (%)", "Extra copies of each fitting as a share of what the open ends need, rounded up; the "
        "larger of both numbers counts",
        least=0.0, most=1000.0,
    )  # fmt: skip

    def spares_for(self, needed: int) -> int:
        """Of a fitting that is needed so many times."""
        return max(self.spares, math.ceil(round(self.spares_percent * needed / 100, 6)))


@dataclass(frozen=True)
class Job:
    name: str
    assemblies: tuple[Assembly, ...]
    """What the order is for, at least one."""
    wishes: tuple[Wish, ...]
    """At most one of each family."""
    measured: tuple[Measured, ...]
    tube: TubeFacts
    process: Process
    output: Output
    ladders: tuple[LadderWish, ...] = ()
    shop: Shop = Shop()
    book: ShopBook = field(default_factory=ShopBook)
    """What is in the shop's file."""
    tube_ends: tuple[GivenEnd, ...] = ()
    """Those that are in no mesh; they belong to the first assembly."""
    sites: tuple[GivenSite, ...] = ()
    """Sites of other kinds that are in no mesh."""
    notes: tuple[str, ...] = ()
    """Sentences on the file, such as on keys under their old names."""

    @property
    def assembly(self) -> Assembly:
        """The only one of most jobs."""
        return self.assemblies[0]

    @property
    def material(self) -> Material:
        """What the process prints, of the shop book or else of the table. Raises ``JobError``."""
        try:
            return find_row((*self.book.all(Material), *materials()), self.process.material, "plastic")
        except UnknownNameError as error:
            raise JobError(say("process.material: {}", error)) from None

    @property
    def file_scale(self) -> FileScale:
        """What all print files are written with."""
        return {"unit": self.output.unit, "shrink_percent": self.process.shrink_percent}

    def gap_correction(self, section: Section) -> Statistic | None:
        """What the shop book's readings add to a gap a side; None if there are none for this kind of section."""
        return gap_correction(self.book.all(FitReading), self.process.name, section.kind)

    def print_excess(self, section: Section) -> Statistic | None:
        """How much a spigot comes out larger than drawn, a side, by the shop book's readings."""
        return print_excess(self.book.all(FitReading), self.process.name, section.kind)

    def ladder_for(self, section: Section) -> LadderWish | None:
        """The fit ladder that is wanted for this section, the last entry that matches."""
        return next((wish for wish in reversed(self.ladders) if wish.match.fits(section)), None)

    def wish_for(self, family: Family) -> Wish:
        return next(wish for wish in self.wishes if wish.family is family)

    def depth_mm(self, section: Section) -> float:
        """How far into a tube of this section fittings for its ends go."""
        depths = [
            wish.family.depth_mm(wish.recipe_for(section, points=points))
            for wish in self.wishes
            for points in get_args(Pointing)
            if wish.family.serves == "end" and wish.makes_for(section, points=points)
        ]
        return max(depths, default=0.0)

    def frees_holes(self, section: Section) -> bool:
        """Whether holes through the walls of a tube of this section go on through fittings for its ends."""
        return any(
            wish.family.frees_holes(wish.recipe_for(section, points=points))
            for wish in self.wishes
            for points in get_args(Pointing)
            if wish.family.serves == "end" and wish.makes_for(section, points=points)
        )

    def unmatched(self, sections: Sequence[Section]) -> tuple[str, ...]:
        """Sentences on the entries that match none of the sections and so changed nothing."""
        entries = [
            *(
                (f"[[{wish.family.table}.for]] {number}", override.match)
                for wish in self.wishes
                for number, override in enumerate(wish.overrides, 1)
            ),
            *((f"[[measured]] {number}", entry.match) for number, entry in enumerate(self.measured, 1)),
        ]
        return tuple(
            f"{name} is for no tube of this job and changed nothing; compare its sizes with the list of ends."
            for name, match in entries
            if not any(match.fits(section) for section in sections)
        )

    def measured_for(self, section: Section) -> Measured | None:
        """The readings of this section's bore, the last entry that matches, before the shop book's last one that does;
        None if it was not measured."""
        known = (*map(Measured.of_book, self.book.all(MeasuredTube)), *self.measured)
        return next((reading for reading in reversed(known) if reading.match.fits(section)), None)

    def tube_for(self, section: Section) -> TubeFacts:
        """With the weld seam of the shop book's tube, if the job gives none."""
        reading = self.measured_for(section)
        if reading is None or self.tube.seam_height_mm is not None:
            return self.tube
        return replace(self.tube, seam_height_mm=reading.seam_mm)

    def circumstances_for(self, section: Section) -> Circumstances:
        """Of tubes of this section, as it is modelled."""
        try:
            material = self.material
        except JobError:  # the review says so
            material = None
        reading, correction = self.measured_for(section), self.gap_correction(section)
        return Circumstances(
            self.process,
            material,
            self.tube_for(section),
            reading.off_mm if reading else None,
            round(correction.mean, 4) if correction else 0.0,
        )

    def measured_section(self, section: Section) -> Section:
        """The section with the bore that the calipers read, if they did. Raises ``JobError`` if that bore cannot
        be this tube's."""
        reading = self.measured_for(section)
        if reading is None:
            return section
        width, depth = (min(some, default=None) for some in (reading.bore_width_mm, reading.bore_depth_mm))
        if len(section.bore.readings) > 1 and reading.match.turned(section):
            width, depth = depth, width
        if reading.book_name:
            where = say("The shop book's tube {}", Name(reading.book_name))
        else:
            where = say(f"{{}}.toml: measured[{self.measured.index(reading) + 1}]", self.name)
        try:
            return with_reading(section, width, depth, self.tube.metal)
        except ValueError as error:
            raise JobError(
                say("{}: {}. Read the calipers again, narrow what the entry matches, or mend the model.", where, error)
            ) from None
