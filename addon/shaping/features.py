# SPDX-License-Identifier: GPL-3.0-or-later
"""Features that a spigot and a fitting may have beside their plain shape, as a fabricator chooses them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from ..fields.declared import declared
from ..trade.hardware import threads

VentKind = Literal["none", "channel", "hole"]
ReliefKind = Literal["none", "flat", "notch"]
HoleKind = Literal["none", "through", "nut pocket", "insert"]
RoofKind = Literal["sloped", "square"]

_GROOVES, _VENT, _RELIEF, _RIBS, _HOLE = "Glue Grooves", "Vent", "Seam Relief", "Crush Ribs", "Hole and Hollow"


MOST_GROOVES = 40


def _when(attribute: str, *values: str) -> Callable[[object], bool]:
    """Whether the record in ``attribute`` is of one of these kinds; without any, whether there is one at all."""

    def shown(recipe: object) -> bool:
        record = getattr(recipe, attribute)
        kind = getattr(record, "kind", None)
        return bool(record.count) if kind is None else kind in values if values else kind != "none"

    return shown


@dataclass(frozen=True)
class Grooves:
    """Glue grooves, kept centred on the spigot."""

    count: int = declared(
        1, "Grooves", "How many glue grooves run around the spigot", least=0, most=MOST_GROOVES, group=_GROOVES,
        meaning="number of glue grooves around the spigot, centred along it",
    )  # fmt: skip
    width_mm: float = declared(
        3.0, "Groove Width", "Width of each glue groove along the spigot",
        twin="Width", group=_GROOVES, shown=_when("groove"),
    )  # fmt: skip
    depth_mm: float = declared(
        1.0, "Groove Depth", "How deep each glue groove is cut into the spigot",
        twin="Depth", group=_GROOVES, shown=_when("groove"),
    )  # fmt: skip
    roof: RoofKind = declared(
        "sloped", "Groove Roof", "Face of each groove that is a ceiling when printed; sloped it needs no support",
        twin="Roof", group=_GROOVES, shown=_when("groove"),
        meaning="face of each groove that is a ceiling when printed, the upper one crown up, the lower one crown down. "
        "Sloped by 45° it needs no support, steeper on a mitred end, as far as the groove's width has room",
    )  # fmt: skip


@dataclass(frozen=True)
class Vent:
    """The way out for the air that the spigot pushes into the tube."""

    kind: VentKind = declared(
        "none", "Vent", "Way out for the air that the spigot pushes into the tube", key="vent", group=_VENT,
        meaning="way out for the air that the spigot pushes into the tube: a channel along the spigot and out under "
        "the shoulder, or a hole through the fitting",
    )  # fmt: skip
    width_mm: float = declared(
        2.0, "Vent Width", "Width of the channel, or diameter of the hole", group=_VENT, shown=_when("vent")
    )
    depth_mm: float = declared(
        1.0, "Vent Depth", "Depth of the channel along the spigot", group=_VENT, shown=_when("vent", "channel")
    )


@dataclass(frozen=True)
class SeamRelief:
    """Room for the weld seam inside the tube."""

    kind: ReliefKind = declared(
        "none", "Seam Relief", "Flat or notch along the spigot that clears the tube's weld seam",
        key="seam_relief", group=_RELIEF,
    )  # fmt: skip
    angle_deg: float = declared(
        0.0, "Seam Angle", "Where the weld seam lies, counter-clockwise from the section's width",
        group=_RELIEF, shown=_when("seam"),
        meaning="where the weld seam lies, counter-clockwise from the section's width as seen from outside",
    )  # fmt: skip
    width_mm: float = declared(
        4.0, "Seam Width", "Width of the notch for the weld seam", group=_RELIEF, shown=_when("seam", "notch")
    )
    depth_mm: float = declared(
        0.8, "Seam Depth", "How deep the relief is cut into the spigot", group=_RELIEF, shown=_when("seam")
    )

    @property
    def room_mm(self) -> float:
        """Height of the weld seam that it clears."""
        return self.depth_mm if self.kind != "none" else 0.0


@dataclass(frozen=True)
class Ribs:
    """Crush ribs along the spigot, for a press fit."""

    count: int = declared(
        0, "Crush Ribs", "Number of ribs along the spigot that are crushed when it is pressed in", least=0, group=_RIBS
    )
    height_mm: float = declared(
        0.3, "Rib Height", "How far each rib stands out from the spigot", group=_RIBS, shown=_when("rib")
    )
    width_mm: float = declared(1.0, "Rib Width", "Width of each rib around the spigot", group=_RIBS, shown=_when("rib"))


@dataclass(frozen=True)
class BoltHole:
    """The opening for a levelling foot."""

    kind: HoleKind = declared(
        "none", "Hole", "Opening in the fitting for a bolt, a nut or a thread insert, as for a levelling foot",
        key="hole", group=_HOLE,
        meaning="for a levelling foot: through the fitting; a nut pocket, open to the outside, so that the foot's load "
        "presses the nut onto the plastic; or a blind bore for a thread insert, 1.3 × the thread wide and 2 × deep "
        "(common practice, no source: the insert's own data sheet comes first)",
    )  # fmt: skip
    thread: str = declared(
        "M8", "Thread", "Bolt, nut or insert that the hole is for", key="thread", group=_HOLE, shown=_when("hole"),
        names=lambda: tuple(thread.name for thread in threads()),
    )  # fmt: skip
