# SPDX-License-Identifier: GPL-3.0-or-later
"""Materials and printing processes: what a fitting is printed from and how."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import cache
from typing import Literal, get_args

from .tables import DATA, UnknownNameError, find_row, read_rows

Support = Literal["same material, broken off", "dissolved in a bath"]
Bath = Literal["none", "water", "caustic", "caustic, ultrasonic"]

DEFAULT_PROCESS = "Everyday, 0.2 mm layers"


@dataclass(frozen=True)
class Material:
    """A plastic. ``expansion`` is linear, per kelvin; density in g/cm³."""

    name: str
    density: float
    expansion: float
    hottest_c: float
    """Warmest that a part may get in use, in °C."""
    glue: str
    """Class of adhesive that holds it to metal, in words."""
    source: str
    fibre: bool = False
    """Filled with fibres, whose dust must not be breathed."""
    from_memory: tuple[str, ...] = ()
    """Fields not read from the source."""


@dataclass(frozen=True)
class Process:
    """One way to print: bead by bead, layer by layer. Lengths in mm. ``check_process`` holds the allowed ranges."""

    name: str
    material: str
    layer_mm: float
    first_layer_mm: float
    bead_mm: float
    """Width of a bead as set; the process can lay from ``bead_min_mm`` to ``bead_max_mm``."""
    bead_min_mm: float
    bead_max_mm: float
    rings: int
    """Closed beads around every outline, outside in."""
    fill: float
    """Share of the inside that the open fill takes, 0 to 1."""
    full_layers: int
    """Fully filled layers under a top and over a bottom."""
    overhang_deg: float
    """How far a surface may lean from upright before it needs support; 45 by common practice, no source."""
    bridge_mm: float
    """Longest span that a bead crosses in the air between two rests."""
    tolerance_mm: float
    """How far a printed size may be off, per side."""
    plate_mm: tuple[float, float, float]
    """Width, depth and height of the space to print in."""
    margin_mm: float
    """Strip along the plate's edge that stays empty."""
    spacing_mm: float
    """Least distance between two fittings on the plate."""
    shrink_percent: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """How much smaller a print comes out along x, y, z; made up for on export only."""
    support: Support = "same material, broken off"
    """What the support is made of and how it comes off."""
    chamber_c: float = 0.0
    """Heated chamber in °C; 0 for none."""
    speed_mm_s: float = 50.0
    """Mean speed along the beads."""
    layer_change_s: float = 5.0
    """Time from the last bead of a layer to the first of the next: travel, lift, wipe."""
    keep_out_mm: tuple[float, float] = (0.0, 0.0)
    """Width and depth of the plate's front left corner that stays free, for what the nozzle wipes itself on."""
    start_s: float = 300.0
    """Time before the first bead of a plate: heating, levelling."""
    support_fill: float = 0.2
    """Share of the support's volume that is plastic, 0 to 1."""
    purge_mm3: float = 0.0
    """Plastic pushed out and thrown away in each layer that changes between part and support material."""
    pocket_mouth_mm: float = 6.0
    """Narrowest mouth through which the bath or a tool still gets at the support."""
    bath: Bath = "none"
    """What dissolves the support."""
    bath_density: float = 1.0
    """g/cm³."""
    bath_fill_mm: float = 0.0
    """How deep the bath is filled; 0 for none."""
    source: str = ""
    from_memory: tuple[str, ...] = ()
    """Fields not read from the source."""


class ProcessError(ValueError):
    """A process that does not exist or cannot work: which field, which value, and what is allowed."""


@dataclass(frozen=True)
class Limit:
    """Least and most that a number may be, both allowed."""

    least: float
    most: float
    unit: str = "mm"


LIMITS: dict[str, Limit] = {
    "layer_mm": Limit(0.02, 2.0),
    "first_layer_mm": Limit(0.02, 2.0),
    "bead_mm": Limit(0.1, 5.0),
    "bead_min_mm": Limit(0.1, 5.0),
    "bead_max_mm": Limit(0.1, 5.0),
    "rings": Limit(1, 50, ""),
    "fill": Limit(0.0, 1.0, ""),
    "full_layers": Limit(0, 100, ""),
    "overhang_deg": Limit(0.0, 89.0, "°"),
    "bridge_mm": Limit(0.0, 200.0),
    "tolerance_mm": Limit(0.0, 2.0),
    "plate_mm": Limit(10.0, 5000.0),
    "margin_mm": Limit(0.0, 1000.0),
    "spacing_mm": Limit(0.0, 1000.0),
    "shrink_percent": Limit(-10.0, 10.0, "%"),
    "chamber_c": Limit(0.0, 250.0, "°C"),
    "speed_mm_s": Limit(0.1, 2000.0, "mm/s"),
    "layer_change_s": Limit(0.0, 3600.0, "s"),
    "keep_out_mm": Limit(0.0, 5000.0),
    "start_s": Limit(0.0, 86400.0, "s"),
    "support_fill": Limit(0.0, 1.0, ""),
    "purge_mm3": Limit(0.0, 10000.0, "mm³"),
    "pocket_mouth_mm": Limit(0.0, 200.0),
    "bath_density": Limit(0.5, 2.0, "g/cm³"),
    "bath_fill_mm": Limit(0.0, 5000.0),
}
"""The allowed range of each number of a process, for each part of a tuple. Wide: they refuse slips, not wishes."""


def check_process(process: Process) -> None:
    """Raises ``ProcessError`` for the first field that cannot be: its value, and what is allowed."""
    if not process.name.strip():
        raise ProcessError("name is empty; give the process a name")
    for field in fields(process):
        if field.name in LIMITS:
            _check_range(field.name, getattr(process, field.name))
    for field_name, kind in (("support", Support), ("bath", Bath)):
        value, allowed = getattr(process, field_name), get_args(kind)
        if value not in allowed:
            raise ProcessError(f"{field_name} is {value!r}; choose one of {', '.join(map(repr, allowed))}")
    _check_together(process)


@cache
def processes() -> tuple[Process, ...]:
    """The processes of the table. Raises ``TableError`` where the file is damaged."""
    return read_rows(DATA / "processes.toml", "process", Process)


def process_named(name: str) -> Process:
    """The process of that name. Raises ``ProcessError`` with the nearest names."""
    try:
        return find_row(processes(), name, "process")
    except UnknownNameError as error:
        raise ProcessError(str(error)) from None


@cache
def materials() -> tuple[Material, ...]:
    """The plastics of the table. Raises ``TableError`` where the file is damaged."""
    return read_rows(DATA / "materials.toml", "plastic", Material)


def material_named(name: str) -> Material:
    """The plastic of that name. Raises ``UnknownNameError`` with the nearest names."""
    return find_row(materials(), name, "plastic")


def _check_range(name: str, value: float | tuple[float, ...]) -> None:
    limit = LIMITS[name]
    for number in value if isinstance(value, tuple) else (value,):
        if not (math.isfinite(number) and limit.least <= number <= limit.most):
            unit = f" {limit.unit}" if limit.unit else ""
            raise ProcessError(f"{name} is {number:g}{unit}; allowed is {limit.least:g} to {limit.most:g}{unit}")


def _check_together(process: Process) -> None:
    """What no single field can tell."""
    if not process.bead_min_mm <= process.bead_mm <= process.bead_max_mm:
        raise ProcessError(
            f"bead_mm is {process.bead_mm:g} mm; allowed is from bead_min_mm to bead_max_mm, "
            f"{process.bead_min_mm:g} to {process.bead_max_mm:g} mm"
        )
    for name in ("layer_mm", "first_layer_mm"):
        height = getattr(process, name)
        if height > process.bead_mm:
            raise ProcessError(
                f"{name} is {height:g} mm; a layer is at most as high as its bead is wide, {process.bead_mm:g} mm"
            )
    for side, extent, keep_out in zip(("width", "depth"), process.plate_mm, process.keep_out_mm, strict=False):
        if extent - 2 * process.margin_mm <= 0:
            raise ProcessError(
                f"margin_mm is {process.margin_mm:g} mm; the plate's {side} allows less than half of {extent:g} mm"
            )
        if keep_out >= extent:
            raise ProcessError(f"keep_out_mm is {keep_out:g} mm; the plate's {side} allows less than {extent:g} mm")
    if (process.support == "dissolved in a bath") != (process.bath != "none"):
        raise ProcessError(
            f"bath is {process.bath!r}; support {process.support!r} asks for "
            + ("'none'" if process.bath != "none" else "one of " + ", ".join(map(repr, get_args(Bath)[1:])))
        )
