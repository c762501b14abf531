# SPDX-License-Identifier: GPL-3.0-or-later
"""A tube end from a rim that was picked by hand, where nothing but the rim is known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..geometry.fits import fit_outlines
from ..geometry.frames import Floats, Frame
from ..geometry.sections import Section
from ..geometry.units import say_mm
from .ends import TubeEnd
from .profiles import combined, placed

FLAT_SHARE = 0.002
"""How far a rim's corners may lie off its plane, as a share of its size."""
CLEAR_WIDTHS = 2.0
"""How deep the bore counts as clear, in widths of the tube."""
_LEAVING = 0.4
"""Least cosine between the rim's normal and an edge that runs along the tube: mitres up to 66°."""
_AGREE_DEG = 0.1


class PickError(ValueError):
    """Why what was picked is no tube end, and what to pick."""


def picked_end(source: str, loops: Sequence[Floats], sides: Floats, wall_mm: float) -> TubeEnd:
    """The open end that a rim outlines, as ``take_off`` gives it.

    ``loops`` are the rim's outside, and its bore where that was picked too, in any order, each (n, 3) in mm;
    ``sides`` (m, 3) are the edges that leave the rim, along which the axis runs; without any the cut is square.
    ``wall_mm`` counts where there is no bore. Raises ``PickError``.
    """
    drawn = sorted((np.asarray(loop, float) for loop in loops), key=_size, reverse=True)
    middle, size = drawn[0].mean(axis=0), _size(drawn[0])
    normal = np.linalg.svd(drawn[0] - middle)[2][2]
    off = max(float(np.abs((loop - middle) @ normal).max()) for loop in drawn)
    if off > FLAT_SHARE * size:
        raise PickError(f"The selection is not flat: corners lie up to {say_mm(off)} off a plane. Select one rim only.")
    axis = _axis(sides, normal)
    base = Frame.along(middle, axis)
    flat = [base.to_local(loop)[:, :2] for loop in drawn]
    # Meshes hold their coordinates in single precision.
    noise = 2 * float(np.spacing(np.float32(np.abs(drawn[0]).max())))
    fits = fit_outlines(flat, noise)
    try:
        section, centre, turn = combined(fits[0], fits[-1])
        if len(drawn) == 1:
            section = Section(section.outer, section.outer.offset(-wall_mm))
    except ValueError as error:
        raise PickError(f"The wall is too thick: {error}. Give the tube's wall below.") from error
    if not section.wall > 0 or (section.bore.cross_section() - section.outer.cross_section()).area() > 0:
        raise PickError("The bore is not inside the outline. Select the ring of faces of one rim.")
    found = placed(section, centre, turn, base, normal if axis @ normal > 0 else -normal, flat[-1], noise)
    return TubeEnd(
        source=source,
        section=found.section,
        frame=found.frame,
        mitre_deg=found.mitre_deg,
        mitre_direction_deg=found.mitre_direction_deg,
        clear_depth_mm=CLEAR_WIDTHS * found.section.outer.width,
        cause="open",
        reason="open",
    )


def _size(loop: Floats) -> float:
    return float(np.ptp(loop, axis=0).max())


def _axis(sides: Floats, normal: Floats) -> Floats:
    """(3,): along the tube and out of it. Edges across a tube's sides lean this way and that; the axis is what most of
    them agree on."""
    sides = np.reshape(sides, (-1, 3))
    lengths = np.linalg.norm(sides, axis=1)
    ways = sides[lengths > 0] / lengths[lengths > 0, None]
    ways = ways[np.abs(ways @ normal) > _LEAVING]
    if not len(ways):
        return normal
    agreeing = (np.abs(ways @ ways.T) > np.cos(np.radians(_AGREE_DEG))).sum(axis=1)
    return -ways[int(agreeing.argmax())]
