# SPDX-License-Identifier: GPL-3.0-or-later
"""Materials and printing processes: what a fitting is printed from and how."""

from __future__ import annotations

from dataclasses import MISSING, dataclass
from functools import cache
from typing import Literal, get_args, get_origin

from ..fields.coercion import FieldError, in_range, typed
from ..fields.declared import declared, declared_in
from ..fields.messages import FieldName, Given, Length, as_message, say
from .shrink import shrink_scale
from .tables import DATA, Sourced, UnknownNameError, find_row, read_rows

SupportKind = Literal["same material, broken off", "dissolved in a bath"]
BathKind = Literal["none", "water", "caustic", "caustic, ultrasonic"]

DEFAULT_PROCESS = "Everyday, 0.2 mm layers"
USUAL_BEAD_MM, USUAL_TOLERANCE_MM, USUAL_OVERHANG_DEG = 0.48, 0.15, 45.0
"""Of a print whose process is not known; common practice, no source."""


@dataclass(frozen=True)
class Material(Sourced):
    """A plastic. ``expansion`` is linear, per kelvin; density in g/cm³."""

    name: str
    density: float
    expansion: float
    hottest_c: float
    """Warmest that a part may get in use, in °C."""
    glue: str
    """Class of adhesive that holds it to metal, in words."""
    paste: str = ""
    """Class of adhesive for gaps that are too wide for ``glue``; empty where nothing so thick holds it."""
    fibre: bool = False
    """Filled with fibres, whose dust must not be breathed."""


_HEIGHTS, _BEADS, _INSIDE = "Heights", "Beads", "Inside"
_SUPPORT, _SIZE, _TIME = "Overhang and Support", "Size and Plate", "Time"


@dataclass(frozen=True)
class Process:
    """One way to print. Lengths in mm. The ranges are wide, so that they refuse only slips."""

    name: str = declared(
        MISSING, others=True, names=lambda: _process_names(),
        meaning="process to start from. Any other name is a process of the job's own",
    )  # fmt: skip
    material: str = declared(
        MISSING, "Material", "Plastic that the fittings are printed from", others=True,
        names=lambda: _plastics(),
    )  # fmt: skip
    layer_mm: float = declared(MISSING, "Layer", "Height of a layer", least=0.02, most=2.0, group=_HEIGHTS)
    first_layer_mm: float = declared(
        MISSING, "First Layer", "Height of the layer on the plate", least=0.02, most=2.0, group=_HEIGHTS
    )
    bead_mm: float = declared(MISSING, "Bead", "Set width of a bead", least=0.1, most=5.0, group=_BEADS)
    bead_min_mm: float = declared(
        MISSING,
        "Narrowest Bead",
        "Narrowest bead that can be laid",
        least=0.1,
        most=5.0,
        twin="Narrowest",
        group=_BEADS,
    )
    bead_max_mm: float = declared(
        MISSING, "Widest Bead", "Widest bead that can be laid", least=0.1, most=5.0, group=_BEADS
    )
    rings: int = declared(
        MISSING, "Rings", "Closed beads around every outline, outside in", least=1, most=50, group=_BEADS
    )
    fill: float = declared(
        MISSING, "Fill", "Share of the inside that the open fill takes up", least=0.0, most=1.0, group=_INSIDE
    )
    full_layers: int = declared(
        MISSING, "Full Layers", "Fully filled layers under a top and over a bottom", least=0, most=100, group=_INSIDE
    )
    overhang_deg: float = declared(
        MISSING, "Overhang", "How far a surface may lean from vertical before it needs support",
        least=0.0, most=89.0, group=_SUPPORT,
    )  # fmt: skip
    """45 by common practice, no source."""
    bridge_mm: float = declared(
        MISSING, "Bridge", "Longest span that a bead crosses without support",
        least=0.0, most=200.0, group=_SUPPORT,
    )  # fmt: skip
    tolerance_mm: float = declared(
        MISSING, "Tolerance", "How far a printed surface may be off, on each side", least=0.0, most=2.0, group=_SIZE
    )
    plate_mm: tuple[float, float, float] = declared(
        MISSING, "Plate", "Width, depth and height of the printing space", least=10.0, most=5000.0, group=_SIZE
    )
    margin_mm: float = declared(
        MISSING, "Margin", "Strip along the plate's edge that stays empty", least=0.0, most=1000.0, group=_SIZE
    )
    spacing_mm: float = declared(
        MISSING, "Spacing", "Least distance between two fittings on the plate", least=0.0, most=1000.0, group=_SIZE
    )
    shrink_percent: tuple[float, float, float] = declared(
        (0.0, 0.0, 0.0), "Shrink (%)", "How much smaller prints come out along x, y and z; the files make up for it",
        least=-10.0, most=10.0, group=_SIZE,
    )  # fmt: skip
    """Made up for on export only."""
    support: SupportKind = declared(
        "same material, broken off", "Support", "What the support is made of and how it comes off", group=_SUPPORT,
        short={"same material, broken off": "Broken Off", "dissolved in a bath": "In a Bath"},
    )  # fmt: skip
    chamber_c: float = declared(
        0.0, "Chamber (°C)", "Temperature of a heated chamber; 0 for none", least=0.0, most=250.0, group=_SIZE
    )
    speed_mm_s: float = declared(
        60.0, "Speed (mm/s)", "Mean speed along the beads, outermost rings and fill together",
        least=0.1, most=2000.0, group=_TIME,
    )  # fmt: skip
    layer_change_s: float = declared(
        5.0, "Layer Change", "Time from the last bead of a layer to the first of the next",
        least=0.0, most=3600.0, group=_TIME,
    )  # fmt: skip
    """Travel, lift, wipe."""
    material_change_s: float = declared(
        0.0, "Material Change", "More time for a layer that has support of another material: to it and back",
        least=0.0, most=3600.0, group=_TIME,
    )  # fmt: skip
    """Besides the layer change; only where the support is dissolved."""
    keep_out_mm: tuple[float, float] = declared(
        (0.0, 0.0), "Keep-out", "Width and depth of an area that stays free in the plate's front left corner",
        least=0.0, most=5000.0, group=_SIZE,
    )  # fmt: skip
    """For what the nozzle wipes itself on."""
    start_s: float = declared(
        300.0, "Start", "Time before the first bead of a plate: heating, levelling",
        least=0.0, most=86400.0, group=_TIME,
    )  # fmt: skip
    support_fill: float = declared(
        0.2, "Support Fill", "Share of the support's volume that is plastic",
        least=0.0, most=1.0, group=_SUPPORT,
    )  # fmt: skip
    base_layers: int = declared(
        0, "Base Layers", "Full layers of support under every fitting; 0 where fittings stand on the plate itself",
        least=0, most=100, group=_SUPPORT,
    )  # fmt: skip
    """Evens out the plate, holds the part down, and comes off with the support."""
    base_margin_mm: float = declared(
        2.0, "Base Margin", "How far the base reaches past the fitting and its support",
        least=0.0, most=100.0, group=_SUPPORT,
    )  # fmt: skip
    purge_mm3: float = declared(
        0.0, "Purge (mm³)", "Plastic thrown away in each layer that changes material, of both together",
        least=0.0, most=10000.0, group=_SUPPORT,
    )  # fmt: skip
    pocket_mouth_mm: float = declared(
        6.0, "Pocket Mouth", "Narrowest opening through which a bath or a tool still reaches the support",
        least=0.0, most=200.0, twin="Mouth", group=_SUPPORT,
    )  # fmt: skip
    bath: BathKind = declared("none", "Bath", "What dissolves the support", group=_SUPPORT)
    bath_density: float = declared(
        1.0, "Bath (g/cm³)", "Density of the bath, which decides what floats",
        least=0.5, most=2.0, unit="g/cm³", group=_SUPPORT,
    )  # fmt: skip
    bath_fill_mm: float = declared(
        0.0, "Bath Depth", "How deep the bath is filled; 0 for none", least=0.0, most=5000.0, group=_SUPPORT
    )
    bath_h: float = declared(
        0.0, "Bath Time (h)", "How long the bath takes to dissolve the support; 0 if not known",
        least=0.0, most=100.0, group=_SUPPORT,
    )  # fmt: skip
    source: str = declared("", meaning="where the numbers come from")
    from_memory: tuple[str, ...] = ()
    """Fields not read from the source."""

    @property
    def base_height_mm(self) -> float:
        """How high the base of support lifts a part off the plate."""
        return self.first_layer_mm + (self.base_layers - 1) * self.layer_mm if self.base_layers else 0.0

    @property
    def most_height_mm(self) -> float:
        """How high a part may be as printed, which stands on the base."""
        return self.plate_mm[2] - self.base_height_mm

    @property
    def most_drawn_height_mm(self) -> float:
        """The same as drawn, without the shrink."""
        return self.most_height_mm / float(shrink_scale(self.shrink_percent)[2])


def _process_names() -> tuple[str, ...]:
    return tuple(process.name for process in processes())


def _plastics() -> tuple[str, ...]:
    return tuple(material.name for material in materials())


class ProcessError(ValueError):
    """A process that does not exist or cannot work: which field, which value, and what is allowed."""


def check_process(process: Process) -> None:
    """Raises ``ProcessError`` for the first field that cannot be: its value, and what is allowed."""
    if not process.name.strip():
        raise ProcessError("name is empty; give the process a name")
    try:
        for key, field in declared_in(Process).items():
            in_range(field, field.of(process), key)
            if get_origin(field.hint) is Literal:
                typed(field.hint, field.of(process), key)
    except FieldError as error:
        raise ProcessError(as_message(error).removesuffix(".")) from None
    _check_together(process)


@cache
def processes() -> tuple[Process, ...]:
    """The processes of the table. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "processes.toml", "process", Process)


def process_named(name: str) -> Process:
    """The process of that name. Raises ``ProcessError`` with the nearest names."""
    try:
        return find_row(processes(), name, "process")
    except UnknownNameError as error:
        raise ProcessError(str(error)) from None


@cache
def materials() -> tuple[Material, ...]:
    """The plastics of the table. Raises ``TableError`` if the file is damaged."""
    return read_rows(DATA / "materials.toml", "plastic", Material)


def material_named(name: str) -> Material:
    """The plastic of that name. Raises ``UnknownNameError`` with the nearest names."""
    return find_row(materials(), name, "plastic")


def _check_together(process: Process) -> None:
    """Limits that involve several fields."""
    if not process.bead_min_mm <= process.bead_mm <= process.bead_max_mm:
        raise ProcessError(
            say(
                "{} is {:g}; allowed is {} to {}, {:g}",
                FieldName("bead_mm"),
                Length(process.bead_mm),
                FieldName("bead_min_mm"),
                FieldName("bead_max_mm"),
                Length(process.bead_min_mm, process.bead_max_mm, between=" to "),
            )
        )
    for name in ("layer_mm", "first_layer_mm"):
        height = getattr(process, name)
        if height > process.bead_mm:
            raise ProcessError(
                say(
                    "{} is {:g}; a layer is at most as high as its bead is wide, {:g}",
                    FieldName(name),
                    Length(height),
                    Length(process.bead_mm),
                )
            )
    for side, extent, keep_out in zip(("width", "depth"), process.plate_mm, process.keep_out_mm, strict=False):
        if extent - 2 * process.margin_mm <= 0:
            raise ProcessError(
                say(
                    "{} is {:g}; the plate's {} allows less than half of {:g}",
                    FieldName("margin_mm"),
                    Length(process.margin_mm),
                    side,
                    Length(extent),
                )
            )
        if keep_out >= extent:
            raise ProcessError(
                say(
                    "{} is {:g}; the plate's {} allows less than {:g}",
                    FieldName("keep_out_mm"),
                    Length(keep_out),
                    side,
                    Length(extent),
                )
            )
    base_room = min(process.margin_mm, process.spacing_mm / 2)
    if process.base_layers and process.base_margin_mm > base_room:
        raise ProcessError(
            say(
                "{} is {:g}; the plate's {} and half of {} leave room for a base up to {:g} wider than the fitting",
                FieldName("base_margin_mm"),
                Length(process.base_margin_mm),
                FieldName("margin_mm"),
                FieldName("spacing_mm"),
                Length(base_room),
            )
        )
    if (process.support == "dissolved in a bath") != (process.bath != "none"):
        raise ProcessError(
            say(
                "{} is {}; {} {} needs {}",
                FieldName("bath"),
                Given(process.bath),
                FieldName("support"),
                Given(process.support),
                "'none'" if process.bath != "none" else "one of " + ", ".join(map(repr, get_args(BathKind)[1:])),
            )
        )
