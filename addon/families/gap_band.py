# SPDX-License-Identifier: GPL-3.0-or-later
"""How wide the gap between spigot and bore may come out: tube, print, weld seam and weather."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..fields.messages import Length, Message, Name, say
from ..trade.fits import has_weld_seam, tube_tolerance
from ..trade.metals import metal_named
from ..trade.processes import Material, Process, material_named
from .circumstances import TubeInUse
from .fitting import Fitting

ROOM_C = 20.0
"""Where sizes are what they are called (reference temperature of dimensional measurement: ISO 1)."""


@dataclass(frozen=True)
class Contribution:
    """What one cause may take from the gap per side and add to it, both positive, in mm."""

    name: str
    takes: float
    adds: float
    why: Message
    """In words, with the source."""


@dataclass(frozen=True)
class GapBand:
    """The gap per side in mm: nominal, and how far it may be off; negative if the spigot is larger than the bore."""

    nominal: float
    contributions: tuple[Contribution, ...]

    @property
    def worst_case(self) -> tuple[float, float]:
        """Least and greatest if every cause is at its worst at once."""
        return self.least, self.most

    @property
    def root_sum_square(self) -> tuple[float, float]:
        """Least and greatest if the causes are independent, which holds nearly always."""
        takes = math.hypot(*(contribution.takes for contribution in self.contributions))
        adds = math.hypot(*(contribution.adds for contribution in self.contributions))
        return self.nominal - takes, self.nominal + adds

    @property
    def least(self) -> float:
        return self.nominal - sum(contribution.takes for contribution in self.contributions)

    @property
    def most(self) -> float:
        return self.nominal + sum(contribution.adds for contribution in self.contributions)


def fit_band(
    fitting: Fitting,
    process: Process,
    tube: TubeInUse,
    *,
    bore_tolerance_mm: float | None = None,
    material: Material | None = None,
) -> GapBand:
    """The gap per side of a fitting in its tube.

    ``bore_tolerance_mm`` (± on the bore's width) replaces the tube standard's if the bore was measured,
    ``material`` that of the table's plastic which the process names.
    Raises ``UnknownNameError`` for a metal or a plastic that the tables do not know.
    """
    seat = fitting.seat
    contributions = [
        *_of_tube(fitting, bore_tolerance_mm, tube),
        Contribution(
            "print",
            process.tolerance_mm,
            process.tolerance_mm,
            say("± {} a side on {}", Length(process.tolerance_mm), Name(process.name)),
        ),
        _of_seam(fitting, tube),
        _of_temperature(max(seat.room.width, seat.room.depth) / 2, material or material_named(process.material), tube),
    ]
    return GapBand(seat.gap_mm, tuple(contributions))


def differential_expansion(half_bore_mm: float, tube_per_k: float, plastic_per_k: float, kelvin: float) -> float:
    """How much the gap per side grows when tube and spigot both warm by ``kelvin``, in mm."""
    return half_bore_mm * (tube_per_k - plastic_per_k) * kelvin


def _of_tube(fitting: Fitting, bore_tolerance_mm: float | None, tube: TubeInUse) -> list[Contribution]:
    if bore_tolerance_mm is not None:
        a_side = bore_tolerance_mm / 2
        return [Contribution("bore", a_side, a_side, say("measured to ± {} across", Length(bore_tolerance_mm)))]
    tolerance = tube_tolerance(fitting.section, tube.metal)
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


def _of_seam(fitting: Fitting, tube: TubeInUse) -> Contribution:
    """A seam that was not measured counts with its usual height."""
    tolerance, height = tube_tolerance(fitting.section, tube.metal), tube.seam_height_mm
    relief = fitting.seat.relief_mm
    if height is None and not has_weld_seam(fitting.section, tube.metal):
        return Contribution("weld seam", 0.0, 0.0, say("such tube of {} usually has none", tube.metal))
    height_mm = tolerance.seam_mm if height is None else height
    why = say("stands {} into the bore", Length(height_mm)) + (
        say(", the relief takes up {}", Length(relief)) if relief else ""
    )
    if height is None:
        why = say(
            "usually {why}; it may stand {seam_most}: {seam_source}",
            why=why,
            seam_most=Length(tolerance.seam_most_mm),
            seam_source=tolerance.seam_source,
        )
    return Contribution("weld seam", max(height_mm - relief, 0.0), 0.0, why)


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
    )
