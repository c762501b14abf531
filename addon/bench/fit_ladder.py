# SPDX-License-Identifier: GPL-3.0-or-later
"""The fit ladder: short spigots with stepped gaps, printed in one go, to find the fit that tube and process need.

The slices stand tip up on pads, the gap a side raised on a tab in front of each, and hang together by necks that are
snapped if a slice has to go to the tube. The last one is the whole spigot cut in half, to look at its groove and
lead-in. docs/bench.md explains its use.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from manifold3d import Manifold, OpType

from ..families.family import Family
from ..families.fitting import Fitting
from ..fields.messages import Given, Length, Message, Name, say
from ..fields.refusals import RecipeError
from ..geometry.mesh import Mesh
from ..geometry.sections import Section
from ..shaping.strokes import written, written_size
from ..trade.processes import Process
from .shop_entries import FitReading, reading_name
from .statistic import Statistic

STEP_MM = 0.05
STEPS = 7

MOST_OFF_MM = 2.0
"""A reading that differs more than this from the drawn width is a mistake: no print is so far off."""

_BASE_MM = 2.0
_GRIP_MM = 5.0
"""Length of a slice's spigot beside its lead-in: enough to feel the fit."""
_LIP_MM = 1.0
_RELIEF_MM = 0.6
_APART_MM = 2.0
_NECK_MM = (3.0, 0.8)
"""Width and height of the necks."""
_EDGE_MM = 1.0


class LadderError(ValueError):
    """A ladder that cannot be made: why, and what would work."""


@dataclass(frozen=True)
class LadderStep:
    label: str
    """As raised on the tab."""
    gap_mm: float
    """Per side."""
    drawn_mm: float
    """Width of the spigot."""
    centre_mm: tuple[float, float]
    """Where its axis stands on the ladder."""


@dataclass(frozen=True, eq=False)
class FitLadder:
    mesh: Mesh
    """One closed solid, standing the way it prints, in mm."""
    steps: tuple[LadderStep, ...]
    section: Section
    wanted_gap_mm: float


def ladder_reading(
    about: tuple[str, str, str, float],
    steps: Mapping[str, tuple[float, float]],
    label: str,
    when: datetime,
    measured_mm: float | None = None,
) -> FitReading:
    """What goes into the shop book: the step that fitted as it should, and, if it was measured, the
    width of its spigot.

    ``about`` is the ladder's process, its section's kind, the tube in words, and the gap that is wanted; ``steps`` each
    step's gap a side and width by its label. Raises ``LadderError`` for a step that the ladder does not have.
    """
    if label not in steps:
        raise LadderError(say("the ladder has no step {}; it has {}", Given(label), ", ".join(steps)))
    gap, drawn = steps[label]
    if measured_mm is not None and abs(measured_mm - drawn) > MOST_OFF_MM:
        raise LadderError(
            say(
                "{} cannot be the width of step {}, drawn {} wide; measure it again",
                Length(measured_mm),
                label,
                Length(drawn),
            )
        )
    return FitReading(reading_name(when), *about, gap, None if measured_mm is None else drawn, measured_mm)


def gaps_around(wanted_mm: float, step_mm: float = STEP_MM, count: int = STEPS) -> tuple[float, ...]:
    """Gaps in steps around the wanted one, which is in the middle."""
    return tuple(round(wanted_mm + step_mm * (index - count // 2), 2) + 0.0 for index in range(count))


def fit_ladder(
    family: Family, recipe: Any, section: Section, process: Process, gaps: Sequence[float] | None = None
) -> FitLadder:
    """The ladder for one tube: ``recipe`` is a resolved one, ``gaps`` per side in mm, ``gaps_around`` its own without.

    Raises ``LadderError``.
    """
    wanted = recipe.gap_mm
    if wanted is None:
        raise LadderError("the recipe has no gap yet; resolve it for the section first")
    gaps = tuple(gaps if gaps is not None else gaps_around(wanted))
    labels = [f"{gap:.2f}" for gap in gaps]
    if len(gaps) < 2 or len(set(labels)) < len(labels):
        raise LadderError(say("a ladder needs two or more gaps, each {} or more from the others", Length(0.01)))
    if family.slice is None:
        raise LadderError(f"a {family.name} has no part inside the tube to try")
    base = _whole_layers(_BASE_MM, process)
    sample = _slice(family, recipe, section, wanted, base, None)
    grip = _whole_layers(_GRIP_MM + sample.seats[0].lead_in_mm, process)
    slices = [_slice(family, recipe, section, gap, base, grip) for gap in gaps]
    half = sample.solid.trim_by_plane([0, -1, 0], 0)
    solids = [_upright(solid, base) for solid in (*(piece.solid for piece in slices), half)]
    solid, centres = _ladder(solids, [*labels, ""], base, process)
    steps = [
        LadderStep(label, gap, piece.seats[0].outline.width, centre)
        for label, gap, piece, centre in zip(labels, gaps, slices, centres, strict=False)
    ]
    return FitLadder(Mesh.from_manifold(solid, "Fit ladder"), tuple(steps), section, wanted)


def say_correction(correction: Statistic | None) -> Message:
    """What the readings of a process and a kind of section say, with how many they are and how far they spread."""
    if correction is None:
        return say("No fit ladder has been entered for this process and kind of section; gaps are made as requested.")
    return say("Gaps are made {} than requested: {}.", _more_or_less(correction), _basis(correction))


def say_excess(excess: Statistic) -> Message:
    """What the calipers said of spigots, and that what they are to read allows for it."""
    return say(
        "Spigots come out {} than drawn: {}. The caliper values allow for that.", _more_or_less(excess), _basis(excess)
    )


def _more_or_less(statistic: Statistic) -> Message:
    return say("{} per side {}", Length(abs(statistic.mean)), "larger" if statistic.mean >= 0 else "smaller")


def _basis(statistic: Statistic) -> Message:
    if statistic.spread is None:
        return say("from a single reading, not yet reliable")
    return say("mean of {} readings, spread {}", statistic.n, Length(statistic.spread))


def _slice(family: Family, recipe: Any, section: Section, gap_mm: float, base: float, grip: float | None) -> Fitting:
    assert family.slice is not None
    try:
        return family.slice(recipe, section, gap_mm, base, grip)
    except RecipeError as refusal:
        raise LadderError(say("no slice can be made with a gap of {} per side: {}", Length(gap_mm), refusal)) from None


def _upright(solid: Manifold, base: float) -> Manifold:
    """Tip up, the pad on the plate."""
    return solid.rotate([180, 0, 0]).translate([0, 0, base])


def _ladder(
    solids: Sequence[Manifold], labels: Sequence[str], base: float, process: Process
) -> tuple[Manifold, list[tuple[float, float]]]:
    """The slices in rows on their tabs, back row first, necks between them; and where each slice's origin comes to."""
    boxes = [solid.bounding_box() for solid in solids]
    left, front, right, back = (
        pick(box[axis] for box in boxes) for pick, axis in ((min, 0), (min, 1), (max, 3), (max, 4))
    )
    sizes = [written_size(label, process.bead_mm) for label in labels if label]
    digits_high = max(height for _, height in sizes)
    wide = max(right - left, max(width for width, _ in sizes) + 2 * _EDGE_MM)
    tab = digits_high + 2 * _EDGE_MM
    pitch, row_pitch = wide + _APART_MM, back - front + tab + _APART_MM
    room = [size - 2 * process.margin_mm + _APART_MM for size in process.plate_mm[:2]]
    columns = min(math.floor(room[0] / pitch), len(solids))
    rows = math.ceil(len(solids) / columns) if columns else 0
    if not rows or rows * row_pitch > room[1]:
        most = columns * math.floor(room[1] / row_pitch) - 1
        advice = say("choose at most {} gaps", most) if most >= 2 else say("choose a process with a larger plate")
        raise LadderError(
            say("{} slices of this tube do not fit on the plate of {}; {}", len(solids) - 1, Name(process.name), advice)
        )
    relief, neck = _whole_layers(_RELIEF_MM, process), _whole_layers(_NECK_MM[1], process)
    middle = (left + right) / 2
    pieces: list[Manifold] = []
    centres = []
    for index, (solid, label) in enumerate(zip(solids, labels, strict=True)):
        row, column = divmod(index, columns)
        # The tab reaches a little into the pad, so that the two are one body.
        plate = _box(middle - wide / 2, front - tab, wide, tab + solid.bounding_box()[1] - front + _EDGE_MM, base)
        here = [solid, plate]
        if label:
            words = written(label, process.bead_mm)
            width, _ = written_size(label, process.bead_mm)
            at = [middle - width / 2, front - tab + _EDGE_MM, base]
            here.append(words.extrude(relief).translate(at))
        if column + 1 < columns and index + 1 < len(solids):
            here.append(
                _box(middle + wide / 2 - 0.5, front - tab / 2 - _NECK_MM[0] / 2, _APART_MM + 1, _NECK_MM[0], neck)
            )
        if column == 0 and row + 1 < rows:
            reach = _APART_MM + 0.5 + _LIP_MM
            here.append(_box(middle - _NECK_MM[0] / 2, front - tab + 0.5 - reach, _NECK_MM[0], reach, neck))
        centres.append((column * pitch - middle, -row * row_pitch))
        pieces += [piece.translate([*centres[-1], 0]) for piece in here]
    return Manifold.batch_boolean(pieces, OpType.Add), centres


def _box(x: float, y: float, width: float, depth: float, height: float) -> Manifold:
    return Manifold.cube([width, depth, height]).translate([x, y, 0])


def _whole_layers(height: float, process: Process) -> float:
    """The height or a little more, so that it ends on a layer."""
    return process.first_layer_mm + process.layer_mm * max(
        0, math.ceil((height - process.first_layer_mm) / process.layer_mm)
    )
