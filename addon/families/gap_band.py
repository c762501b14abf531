# SPDX-License-Identifier: GPL-3.0-or-later
"""How wide the gap between spigot and bore may come out: tube, print, weld seam and temperature."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from ..fields.messages import Length, Message, Name, say
from ..geometry.sections import Section
from ..trade.fits import FitClass, fit_named, has_weld_seam, tube_tolerance
from ..trade.metals import metal_named
from ..trade.processes import Material
from .circumstances import Circumstances, TubeInUse
from .fitting import Seat

ROOM_C = 20.0
"""Where sizes are what they are called (reference temperature of dimensional measurement: ISO 1)."""

ENTERS = 0.99
"""The share of tubes that has to take a fitting, so that nobody need measure; a judgement, no source."""

CauseKind = Literal["scatter", "seam", "temperature"]
"""Whether a cause differs from tube to tube (normally, three standard deviations within what is given), is there in
every tube, or comes and goes once the fitting is in."""


@dataclass(frozen=True)
class Contribution:
    """What one cause may take from the gap per side and add to it, both positive, in mm."""

    name: str
    takes: float
    adds: float
    why: Message
    """In words, with the source."""
    kind: CauseKind = "scatter"


@dataclass(frozen=True)
class GapBand:
    """The gap per side in mm: nominal, and how far it may be off; negative if the spigot is larger than the bore."""

    nominal: float
    contributions: tuple[Contribution, ...]
    needed: float = 0.0
    """The gap with which the spigot just goes in: none, or as far as a press fit bites."""
    ways: int = 1
    """Across how many widths it has to go in that know nothing of each other: one of a round bore, two of others."""
    ribs: float = 0.0
    """How high the ribs stand that keep the spigot central."""

    @property
    def worst_case(self) -> tuple[float, float]:
        """Least and greatest if every cause is at its worst at once."""
        return self.least, self.most

    @property
    def root_sum_square(self) -> tuple[float, float]:
        """Least and greatest if the causes are independent, nearly always so; the weld seam is always there."""
        seam, others = self._parted("seam")
        takes = seam + math.hypot(*(contribution.takes for contribution in others))
        adds = math.hypot(*(contribution.adds for contribution in others))
        return self.nominal - takes, self.nominal + adds

    @property
    def least(self) -> float:
        return self.nominal - sum(contribution.takes for contribution in self.contributions)

    @property
    def most(self) -> float:
        return self.nominal + sum(contribution.adds for contribution in self.contributions)

    @property
    def play(self) -> float:
        """How far the spigot may move aside at most before it touches; ribs are in the way."""
        return self.root_sum_square[1] - self.ribs

    @property
    def share_that_enters(self) -> float:
        """0 to 1: the share of all tubes and prints that go together, at the temperature at which they are made."""
        seam, _ = self._parted("seam")
        room = self.nominal - seam - self.needed
        spread = math.hypot(*(cause.takes for cause in self.contributions if cause.kind == "scatter")) / 3
        if spread == 0:
            return float(room >= 0)
        return ((1 + math.erf(room / spread / math.sqrt(2))) / 2) ** self.ways

    @property
    def enters(self) -> bool:
        return self.share_that_enters >= ENTERS

    def _parted(self, kind: CauseKind) -> tuple[float, list[Contribution]]:
        """What the causes of a kind take together, and the other causes."""
        takes = sum(cause.takes for cause in self.contributions if cause.kind == kind)
        return takes, [cause for cause in self.contributions if cause.kind != kind]


def fit_band(seat: Seat, known: Circumstances) -> GapBand:
    """The gap per side of a seat in its tube, as it comes out of the printer.

    Raises ``UnknownNameError`` for a metal or a plastic that the tables do not know.
    """
    return GapBand(
        nominal=round(seat.gap_mm - known.added_mm, 4),
        contributions=causes(seat.section, seat.relief_mm, known),
        needed=min(fit_named(seat.fit).least_gap_mm, 0.0),
        ways=ways_across(seat.section),
        ribs=seat.rib_mm,
    )


def ways_across(section: Section) -> int:
    return 1 if section.kind == "round" else 2


def causes(section: Section, relief_mm: float, known: Circumstances) -> tuple[Contribution, ...]:
    """What may change the gap per side between a tube's bore and a spigot that is relieved so deep at the seam.

    Raises as ``fit_band``.
    """
    process = known.process
    return (
        *_of_tube(section, known.tube, known.bore_off_mm),
        Contribution(
            "print",
            process.tolerance_mm,
            process.tolerance_mm,
            say("± {} a side on {}", Length(process.tolerance_mm), Name(process.name)),
        ),
        _of_seam(section, relief_mm, known.tube),
        _of_temperature(
            max(section.bore.width, section.bore.depth) / 2,
            known.plastic,
            known.tube,
        ),
    )


def gap_by_design(fit: FitClass, any_gap: GapBand, paste: bool = False) -> float:
    """The least gap per side, in hundredths of a millimetre, of which the causes of a band leave what the fit class
    needs; no more than the class allows, or with ``paste`` a filled paste, which is for tubes alone of which too few
    would take the fitting without."""
    wanted = math.ceil(100 * (fit.least_gap_mm - replace(any_gap, nominal=0.0).root_sum_square[0]) - 1e-6) / 100
    if paste and fit.takes_paste(wanted) and not replace(any_gap, nominal=fit.most_gap_mm).enters:
        return min(wanted, fit.paste_gap_mm)
    return min(wanted, fit.most_gap_mm)


def ribs_by_design(fit: FitClass, band: GapBand) -> float:
    """How high ribs stand that keep a spigot central: as high as the gap, so that they touch in every other tube and go
    in by hand; higher where it could otherwise move aside, in three of a million tubes (4.5 standard deviations), by
    more than the adhesive fills."""
    wider = band.root_sum_square[1] - band.nominal
    return math.ceil(100 * (band.nominal + max(0.0, wider * 1.5 - fit.holds_up_to(band.nominal))) - 1e-6) / 100


def seam_height(section: Section, tube: TubeInUse) -> float:
    """How far the weld seam stands into the bore: as somebody found it, else the usual height. Raises
    ``UnknownNameError`` for the tube's metal."""
    if tube.seam_height_mm is not None:
        return tube.seam_height_mm
    return tube_tolerance(section, tube.metal).seam_mm if has_weld_seam(section, tube.metal) else 0.0


def differential_expansion(half_bore_mm: float, tube_per_k: float, plastic_per_k: float, kelvin: float) -> float:
    """How much the gap per side grows when tube and spigot both warm by ``kelvin``, in mm."""
    return half_bore_mm * (tube_per_k - plastic_per_k) * kelvin


def _of_tube(section: Section, tube: TubeInUse, bore_off_mm: float | None) -> list[Contribution]:
    if bore_off_mm is not None:
        a_side = bore_off_mm / 2
        return [Contribution("bore", a_side, a_side, say("measured to ± {} across", Length(bore_off_mm)))]
    tolerance = tube_tolerance(section, tube.metal)
    return [
        Contribution(
            "tube outside",
            tolerance.outside_mm / 2,
            tolerance.outside_mm / 2,
            say("± {} across: {}", Length(tolerance.outside_mm), tolerance.source),
        ),
        Contribution(
            "tube wall",
            tolerance.wall_mm,
            tolerance.wall_mm,
            say("± {}: {}", Length(tolerance.wall_mm), tolerance.source),
        ),
    ]


def _of_seam(section: Section, relief_mm: float, tube: TubeInUse) -> Contribution:
    """A seam stands on one side only, so it takes half of its height from the gap a side. One that was not measured
    counts with its usual height."""
    height = seam_height(section, tube)
    if tube.seam_height_mm is None and not has_weld_seam(section, tube.metal):
        return Contribution("weld seam", 0.0, 0.0, say("such tube of {} usually has none", tube.metal), "seam")
    why = say("stands {} into the bore on one side", Length(height)) + (
        say(", the relief takes up {}", Length(relief_mm)) if relief_mm else ""
    )
    if tube.seam_height_mm is None:
        tolerance = tube_tolerance(section, tube.metal)
        why = say(
            "usually {why}; it may stand {seam_most}: {seam_source}",
            why=why,
            seam_most=Length(tolerance.seam_most_mm),
            seam_source=tolerance.seam_source,
        )
    return Contribution("weld seam", max(height - relief_mm, 0.0) / 2, 0.0, why, "seam")


def _of_temperature(half_bore_mm: float, material: Material, tube: TubeInUse) -> Contribution:
    metal = metal_named(tube.metal)
    changes = [
        differential_expansion(half_bore_mm, metal.expansion, material.expansion, degrees - ROOM_C)
        for degrees in (tube.coldest_c, tube.hottest_c)
    ]
    return Contribution(
        "temperature",
        max(0.0, *(-change for change in changes)),
        max(0.0, *changes),
        say(
            "{coldest:g} °C to {hottest:g} °C, put in at {room:g} °C: {plastic} in {metal}",
            coldest=tube.coldest_c,
            hottest=tube.hottest_c,
            room=ROOM_C,
            plastic=Name(material.name),
            metal=metal.name,
        ),
        "temperature",
    )
