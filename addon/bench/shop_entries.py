# SPDX-License-Identifier: GPL-3.0-or-later
"""What the shop book holds beside processes and materials, and what follows from its readings."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

from ..families.table import usual
from .statistic import Statistic


@dataclass(frozen=True)
class MeasuredTube:
    """A tube as the calipers found it. ``kind`` is that of ``Section``."""

    name: str
    kind: Literal["round", "rect", "other"]
    width_mm: float
    depth_mm: float
    wall_mm: float
    """Nominal size: what a model is recognised by."""
    bore_width_mm: float
    bore_depth_mm: float
    """Smallest bore that was read."""
    seam_mm: float | None = None
    """Height of the weld seam in the bore; None if it was not measured."""
    note: str = ""

    def __post_init__(self) -> None:
        if self.kind not in ("round", "rect", "other"):
            raise ValueError(f'kind is {self.kind!r}, expected "round", "rect" or "other"')
        _positive(self, "width_mm", "depth_mm", "wall_mm", "bore_width_mm", "bore_depth_mm")
        _not_negative(self, "seam_mm")


@dataclass(frozen=True)
class Preset:
    """A recipe under a name."""

    name: str
    recipe: Any
    family: str = field(default_factory=lambda: usual().name)
    """Whose recipe it is."""


@dataclass(frozen=True)
class Prices:
    """What printing with one process costs, whose name it bears, in the shop's own money."""

    name: str
    material_per_kg: float = 0.0
    support_per_kg: float | None = None
    """None if the support is of the part's material."""
    machine_per_hour: float = 0.0
    currency: str = ""

    def __post_init__(self) -> None:
        _not_negative(self, "material_per_kg", "support_per_kg", "machine_per_hour")


@dataclass(frozen=True)
class FitReading:
    """One fit ladder tried in one tube: the gaps are per side and as drawn, before any correction."""

    name: str
    process: str
    kind: str
    """Kind of the section: round, rect, other."""
    section: str
    """The tube in words."""
    wanted_gap_mm: float
    """What the fit class asks for."""
    chosen_gap_mm: float
    """The step that went in as that fit should."""
    drawn_mm: float | None = None
    measured_mm: float | None = None
    """Width of one step's spigot as drawn and as the calipers read it."""

    def __post_init__(self) -> None:
        if (self.drawn_mm is None) != (self.measured_mm is None):
            raise ValueError("drawn_mm and measured_mm belong together; give both or neither")
        _positive(self, "drawn_mm", "measured_mm")


@dataclass(frozen=True)
class PrintRun:
    """What a print took, against the estimate before any correction."""

    name: str
    process: str
    estimated_cm3: float | None = None
    used_cm3: float | None = None
    estimated_s: float | None = None
    took_s: float | None = None

    def __post_init__(self) -> None:
        if (self.estimated_cm3 is None) != (self.used_cm3 is None):
            raise ValueError("estimated_cm3 and used_cm3 belong together; give both or neither")
        if (self.estimated_s is None) != (self.took_s is None):
            raise ValueError("estimated_s and took_s belong together; give both or neither")
        _positive(self, "estimated_cm3", "used_cm3", "estimated_s", "took_s")


def reading_name(when: datetime) -> str:
    """A name for a reading that no other machine gives: ``"2026-11-25 09:39:15 3f2ab1"``."""
    return f"{when:%Y-%m-%d %H:%M:%S} {secrets.token_hex(3)}"


def gap_correction(readings: Iterable[FitReading], process: str, kind: str) -> Statistic | None:
    """What has to be added to a wanted gap per side, in mm, for a process and a kind of section."""
    return Statistic.of(
        fit.chosen_gap_mm - fit.wanted_gap_mm for fit in readings if (fit.process, fit.kind) == (process, kind)
    )


def print_excess(readings: Iterable[FitReading], process: str, kind: str) -> Statistic | None:
    """How much a spigot comes out larger than drawn, per side in mm, by the calipers."""
    return Statistic.of(
        (fit.measured_mm - fit.drawn_mm) / 2
        for fit in readings
        if (fit.process, fit.kind) == (process, kind) and fit.measured_mm is not None and fit.drawn_mm is not None
    )


def material_factor(runs: Iterable[PrintRun], process: str) -> Statistic | None:
    """Material used over material estimated."""
    return Statistic.of(
        run.used_cm3 / run.estimated_cm3
        for run in runs
        if run.process == process and run.used_cm3 and run.estimated_cm3
    )


def time_factor(runs: Iterable[PrintRun], process: str) -> Statistic | None:
    """Time taken over time estimated."""
    return Statistic.of(
        run.took_s / run.estimated_s for run in runs if run.process == process and run.took_s and run.estimated_s
    )


def _positive(entry: MeasuredTube | FitReading | PrintRun, *keys: str) -> None:
    for key in keys:
        value = getattr(entry, key)
        if value is not None and not value > 0:
            raise ValueError(f"{key} is {value:g}, expected a number above 0")


def _not_negative(entry: MeasuredTube | Prices, *keys: str) -> None:
    for key in keys:
        value = getattr(entry, key)
        if value is not None and not value >= 0:
            raise ValueError(f"{key} is {value:g}, expected 0 or more")
