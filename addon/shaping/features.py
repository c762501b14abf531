# SPDX-License-Identifier: GPL-3.0-or-later
"""Features that a spigot and a fitting may have beside their plain shape, as a fabricator chooses them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from ..fields.declared import declared
from ..trade.hardware import WITHOUT_INSERT, threads

VentKind = Literal["none", "channel", "hole"]
ReliefKind = Literal["auto", "none", "flat", "notch", "sides"]
CrossKind = Literal["in the way", "free"]
HoleKind = Literal["none", "through", "nut pocket", "insert"]
RoofKind = Literal["sloped", "square"]

_GROOVES, _VENT, _RELIEF, _RIBS, _HOLE = "Glue Grooves", "Vent", "Seam Relief", "Ribs", "Hole and Hollow"
_CROSS = "Holes Across"


MOST_GROOVES = 40


def _when(attribute: str, *values: str) -> Callable[[object], bool]:
    """Whether the record in ``attribute`` is of one of these kinds; without any, whether there is one at all."""

    def shown(recipe: object) -> bool:
        record = getattr(recipe, attribute)
        kind = getattr(record, "kind", None)
        return record.count != 0 if kind is None else kind in values if values else kind != "none"

    return shown


@dataclass(frozen=True)
class Grooves:
    """Glue grooves, kept centred on the spigot."""

    count: int | None = declared(
        None, "Grooves", "How many glue grooves run around the spigot", least=0, most=MOST_GROOVES, group=_GROOVES,
        automatic="by fit",
        meaning="number of glue grooves around the spigot, centred along it. Automatic, one where the fit is glued "
        "(two on each spigot of a joiner), but none where a hole goes across the spigot, into which adhesive would "
        "run, or where the spigot is too slender for one of the usual depth",
    )  # fmt: skip
    width_mm: float = declared(
        3.0, "Groove Width", "Width of each glue groove along the spigot",
        twin="Width", group=_GROOVES, shown=_when("groove"),
    )  # fmt: skip
    depth_mm: float = declared(
        1.0, "Groove Depth", "How deep each glue groove is cut into the spigot",
        twin="Depth", inches=1 / 32, group=_GROOVES, shown=_when("groove"),
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
        "auto", "Seam Relief", "What clears the tube's weld seam along the spigot; auto relieves what is welded",
        key="seam_relief", group=_RELIEF,
        meaning="what clears the tube's weld seam along the spigot: a flat or a notch on one side, which has to be "
        "turned to the seam, or sides that stand back between lands beside the corners, so that the seam may lie on "
        "any of them. Auto makes a notch on square-cut round tube and stands the sides back on square and rectangular "
        "tube, as deep as the seam is high; on all others the gap takes the seam up. It makes none where the seam "
        "height is 0 or the tube's metal is not welded",
    )  # fmt: skip
    angle_deg: float = declared(
        0.0, "Seam Angle", "Where the weld seam lies, counter-clockwise from the section's width",
        group=_RELIEF, shown=_when("seam", "auto", "flat", "notch"),
        meaning="where the weld seam lies, counter-clockwise from the section's width as seen from outside",
    )  # fmt: skip
    width_mm: float = declared(
        4.0, "Seam Width", "Width of the notch for the weld seam", group=_RELIEF, shown=_when("seam", "auto", "notch")
    )
    depth_mm: float | None = declared(
        None, "Seam Depth", "How deep the relief is cut into the spigot", automatic="by seam",
        group=_RELIEF, shown=_when("seam"),
        meaning="how deep the relief is cut into the spigot: as deep as the seam is high, if it is known",
    )  # fmt: skip

    @property
    def room_mm(self) -> float:
        """Height of the weld seam that it clears."""
        return float(self.depth_mm or 0.0) if self.kind not in ("auto", "none") else 0.0


@dataclass(frozen=True)
class Ribs:
    """Ribs along the spigot that are crushed as it goes in: they hold a press fit, and keep a glued one central."""

    count: int | None = declared(
        None, "Ribs", "Number of ribs along the spigot that are crushed when it goes in", least=0,
        automatic="by gap", group=_RIBS,
        meaning="number of ribs along the spigot that are crushed as it goes in: they hold a press fit and keep a "
        "glued one central. Automatic ribs centre a glued spigot whose automatic gap is wider than half a bead: three "
        "around a round one (four with a vent channel or a hole across), two on each side of a rectangular one that is "
        "long enough, six around others. All others have none",
    )  # fmt: skip
    height_mm: float | None = declared(
        None, "Rib Height", "How far each rib stands out from the spigot", automatic="by gap",
        group=_RIBS, shown=_when("rib"),
    )  # fmt: skip
    width_mm: float | None = declared(
        None, "Rib Width", "Width of each rib around the spigot, at its foot; three quarters of that at its crest",
        automatic="by bead", group=_RIBS, shown=_when("rib"),
    )  # fmt: skip


@dataclass(frozen=True)
class CrossHoles:
    """What becomes of the holes through the tube's walls that the spigot would cover."""

    kind: CrossKind = declared(
        "in the way", "Holes Across", "What becomes of holes through the tube's walls that the spigot would cover",
        key="cross_holes", group=_CROSS,
        meaning="what becomes of round holes through the tube's walls that the spigot would cover. In the way, such an "
        "end takes no cap, and a joiner's spigot stops before them; free, holes that are square to the tube go on "
        "through the spigot (a mitred cap's where they do not lie in the plane of the mitre), so that a bolt or a pin "
        "can pass: right through where both walls have one, else just past the tube's axis, with a roof that needs no "
        "support. Such holes get no hole plugs",
    )  # fmt: skip
    room_mm: float = declared(
        0.5, "Room Across", "How much wider than the tube's hole that in the spigot is, on each side",
        inches=1 / 64, group=_CROSS, shown=_when("cross", "free"),
    )  # fmt: skip


@dataclass(frozen=True)
class BoltHole:
    """The opening for a levelling foot."""

    kind: HoleKind = declared(
        "none", "Hole", "Opening in the fitting for a bolt, a nut or a thread insert, as for a levelling foot",
        key="hole", group=_HOLE,
        meaning="for a levelling foot: through the fitting; a nut pocket, open to the outside, so that the foot's load "
        "presses the nut onto the plastic; or a blind bore for a thread insert, 1.3 × the thread wide and 2 × deep and "
        "half a millimetre more (common practice, no source: the insert's own data sheet comes first)",
    )  # fmt: skip
    thread: str = declared(
        "M8", "Thread", "Bolt, nut or insert that the hole is for", key="thread", group=_HOLE, shown=_when("hole"),
        names=lambda: tuple(thread.name for thread in threads()),
        meaning=f"bolt, nut or insert that the hole is for. {WITHOUT_INSERT}",
    )  # fmt: skip
