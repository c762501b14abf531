# SPDX-License-Identifier: GPL-3.0-or-later
"""Material, time and cost, counted bead by bead. docs/bench.md has the sums."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from ..review.laid import Laid
from ..review.review import Print
from ..review.support import base_area
from ..trade.processes import Material, Process
from .shop_entries import Prices, PrintRun, material_factor, time_factor
from .statistic import Statistic

MATERIAL_BAND = 0.15
TIME_BAND = 0.30
"""How far an estimate may be off as long as the shop book has no records: a judgement, no source. Shops that call an
inside open lay shares of it that differ by half; rings and full layers are the same for all."""
RELIED_ON_FROM = 3
"""Readings from which their own spread is the band."""


@dataclass(frozen=True)
class Work:
    """What printing one fitting takes. Volumes in mm³, ``path_mm`` the length of all its beads."""

    plastic_mm3: float
    path_mm: float
    layers: int
    """With those of the base under it."""
    support_mm3: float = 0.0
    """With the base."""
    support_path_mm: float = 0.0
    support_layers: int = 0
    """Layers that hold both part and support."""


@dataclass(frozen=True)
class Estimate:
    """An amount, and between what it most likely lies."""

    raw: float
    """By the sums alone: what a reading of the real amount is compared with."""
    factor: Statistic | None
    """What the shop book has learned: real over estimated."""
    band: float
    """Half the band, as a share of ``raw``."""

    @classmethod
    def of(cls, raw: float, factor: Statistic | None, usual_band: float) -> Estimate:
        reach = factor.reach if factor and factor.n >= RELIED_ON_FROM else None
        return cls(raw, factor, usual_band if reach is None else reach)

    @property
    def correction(self) -> float:
        """What the sums are multiplied by: 1 if the shop book has learned nothing."""
        return self.factor.mean if self.factor else 1.0

    @property
    def value(self) -> float:
        return self.raw * self.correction

    @property
    def low(self) -> float:
        return max(self.value - self.raw * self.band, 0.0)

    @property
    def high(self) -> float:
        return self.value + self.raw * self.band

    def times(self, share: float) -> Estimate:
        """The same estimate in another unit."""
        return replace(self, raw=self.raw * share)

    @property
    def basis(self) -> str:
        """Where the factor and the band come from, in a sentence."""
        if self.factor is None:
            return f"An estimate, ± {self.band:.0%}: the shop book has no record of a print with this process yet."
        if self.factor.n < RELIED_ON_FROM:
            return f"Times {self.factor.say()}; the band stays at ± {self.band:.0%} until there are {RELIED_ON_FROM}."
        return f"Times {self.factor.say()}; 19 out of 20 prints fall within the band."


@dataclass(frozen=True)
class Quantities:
    """For all plates of a job."""

    part_cm3: float
    support_cm3: float
    purge_cm3: float
    plastic_cm3: Estimate
    """Part, support and purge together."""
    density: float
    """g/cm³."""
    time_s: Estimate
    plate_times_s: tuple[float, ...]
    """By the sums alone, plate by plate."""
    prices: Prices | None

    @property
    def grams(self) -> Estimate:
        return self.plastic_cm3.times(self.density)

    @property
    def currency(self) -> str:
        return self.prices.currency if self.prices else ""

    @property
    def costs(self) -> tuple[float, float, float] | None:
        """Least, most likely and most, in the shop's own money; None if no prices are given."""
        prices, plastic, took = self.prices, self.plastic_cm3, self.time_s
        if prices is None:
            return None
        support_price = prices.material_per_kg if prices.support_per_kg is None else prices.support_per_kg
        purged = self.purge_cm3 / 2  # of each material
        raw = (self.part_cm3 + purged) * prices.material_per_kg + (self.support_cm3 + purged) * support_price
        each_cm3 = raw * self.density / 1000 / plastic.raw if plastic.raw else 0.0
        each_s = prices.machine_per_hour / 3600
        low, likely, high = (
            each_cm3 * cm3 + each_s * seconds
            for cm3, seconds in ((plastic.low, took.low), (plastic.value, took.value), (plastic.high, took.high))
        )
        return low, likely, high


def work_of_print(printed: Print, process: Process) -> Work:
    """What one reviewed fitting takes, printed as planned."""
    support = printed.support
    base_mm2 = base_area(printed.layers, support, process.base_margin_mm) if process.base_layers else 0.0
    support_layers = int(np.count_nonzero(support.areas))
    return work_of(printed.laid, len(printed.layers), process, support.volume_mm3, support_layers, base_mm2)


def work_of(
    laid: Laid,
    layers: int,
    process: Process,
    support_mm3: float = 0.0,
    support_layers: int = 0,
    base_mm2: float = 0.0,
) -> Work:
    """What one fitting takes whose beads are known. ``support_mm3`` is the volume that its support fills, plastic and
    air, without the base."""
    support = support_mm3 * process.support_fill + base_mm2 * process.base_height_mm
    support_path = support / (process.bead_mm * process.layer_mm)
    return Work(laid.plastic_mm3, laid.path_mm, layers + process.base_layers, support, support_path, support_layers)


def quantities(
    plates: Iterable[Iterable[tuple[Work, int]]],
    process: Process,
    material: Material,
    runs: Iterable[PrintRun] = (),
    prices: Prices | None = None,
) -> Quantities:
    """Plates, each as its fittings' work and counts, into material, time and cost.

    A plate's layers are laid for all its fittings together, so that its changes and purges count once a layer.
    """
    dissolved = process.support == "dissolved in a bath"
    part = support = purge = 0.0
    times = []
    for plate in plates:
        works = list(plate)
        part += sum(work.plastic_mm3 * count for work, count in works)
        support += sum(work.support_mm3 * count for work, count in works)
        changing = max((work.support_layers for work, _ in works), default=0) if dissolved else 0
        purge += process.purge_mm3 * changing
        path = sum((work.path_mm + work.support_path_mm) * count for work, count in works)
        layers = max((work.layers for work, _ in works), default=0)
        changes = layers * process.layer_change_s + changing * process.material_change_s
        times.append(process.start_s + path / process.speed_mm_s + changes)
    runs = tuple(runs)
    plastic = Estimate.of((part + support + purge) / 1000, material_factor(runs, process.name), MATERIAL_BAND)
    took = Estimate.of(sum(times), time_factor(runs, process.name), TIME_BAND)
    return Quantities(
        part_cm3=part / 1000,
        support_cm3=support / 1000,
        purge_cm3=purge / 1000,
        plastic_cm3=plastic,
        density=material.density,
        time_s=took,
        plate_times_s=tuple(times),
        prices=prices,
    )


_DURATION = re.compile(r"(?:(?P<h>\d+(?:\.\d+)?) ?h)? ?(?:(?P<min>\d+(?:\.\d+)?) ?min)? ?(?:(?P<s>\d+(?:\.\d+)?) ?s)?")
_SECONDS = {"h": 3600.0, "min": 60.0, "s": 1.0}


def parse_duration(text: str) -> float:
    """Seconds from ``"3 h 20 min"``, ``"45 min"``, ``"1.5 h"``. Raises ``ValueError`` that says what was expected."""
    match = _DURATION.fullmatch(text.strip())
    if not text.strip() or not match:
        raise ValueError(f"{text!r} is not a time; write hours and minutes, such as '5 h 20 min'")
    return sum(float(number) * _SECONDS[unit] for unit, number in match.groupdict().items() if number)
