# SPDX-License-Identifier: GPL-3.0-or-later
"""What may be set instead of the print plan, or beside it, and what that costs or brings: offers, each one sentence."""

from __future__ import annotations

import numpy as np
from manifold3d import Manifold

from ..fields.messages import FieldName, Length, say, say_all
from ..geometry.frames import Floats
from ..trade.processes import Process
from .facets import Facets
from .findings import Finding
from .laid import Laid, laid
from .layers import Layers, LayersError, cut_at, layer_edges
from .outlines import Shapes
from .print_plan import Exposed, PrintPlan, exposed, plan_print, say_rings
from .steps import LayerSpan, Stair, Steps, seen_span, stair, steps_of

THIN_LAYER_BEADS = 0.25
"""A bead is laid well down to this share of its width in height; common practice, no source."""
_MOST_PLASTIC = 0.10
"""More rings throughout pay up to this much more plastic; a judgement, no source."""
_PAYS = 0.95
"""Thinner layers pay where they bring the mean stair down to this share."""


def more_rings(layers: Layers, plan: PrintPlan, planned: Laid, process: Process, name: str) -> list[Finding]:
    """More rings all through the part, where they do what the plan's ranges do and take little more plastic;
    ``planned`` is what the plan lays."""
    if plan.throughout is None:
        return []
    count = plan.throughout
    instead = laid(layers, process, [(count, process.bead_mm)] * len(layers))
    more = instead.plastic_mm3 / planned.plastic_mm3 - 1
    if more > _MOST_PLASTIC:
        return []
    return [
        Finding(
            fitting=name,
            check="more rings instead",
            severity="good to know",
            meaning=say(
                "More rings would do instead of the print plan: {} all through the part, for {:.0%} more plastic.",
                say_rings(count, process.bead_mm),
                more,
            ),
            advice=say("Set {} to save the change of settings at the top.", FieldName("rings", count)),
            value=round(more, 3),
            unit="share of the plastic",
            where=layers.place(plan.ranges[0].first),
            layer=plan.ranges[0].first + 1,
            cure={"rings": count},
        )
    ]


def thinner_layers(
    solid: Manifold,
    facets: Facets,
    layers: Layers,
    bare: Exposed,
    steps: Steps,
    before: Stair,
    seen_mm: tuple[float, float],
    process: Process,
    name: str,
) -> list[Finding]:
    """Layers of half the height at the top, from where the outline moves further than a bead is wide from layer to
    layer, where they pay and the process can lay them. ``bare`` is what is exposed and ``before`` the stair between the
    heights ``seen_mm`` now."""
    thin = process.layer_mm / 2
    seen = seen_span(layers, seen_mm)
    wide = np.flatnonzero(steps.most[seen.first + 1 : seen.last + 1] > process.bead_mm)
    if seen.last != len(layers) - 1 or not len(wide) or thin < THIN_LAYER_BEADS * process.bead_mm - 1e-9:
        return []
    first = max(seen.first + int(wide[0]), 1)
    bottom = float(layers.bottoms[first])
    try:
        edges = np.append(layers.bottoms[:first], bottom + layer_edges(layers.height - bottom, thin, thin))
    except LayersError:
        return []
    after = stair(facets, np.where(facets.centres[:, 2] > bottom, thin, process.layer_mm), seen_mm)
    if after.mean_mm > _PAYS * before.mean_mm:
        return []
    plan = _plan_of(solid, facets, layers, bare, edges, first, process)
    return [
        Finding(
            fitting=name,
            check="thinner layers",
            severity="good to know",
            meaning=say(
                "Layers of {:g} from layer {} up, z {}, would bring the mean stair from {:.3f} to {:.3f}.",
                Length(thin),
                first + 1,
                Length(bottom),
                Length(before.mean_mm),
                Length(after.mean_mm),
            ),
            advice=say(
                "Set them where the process can change the layer within a part; the print plan is then {}.",
                say_all(plan.lines, "; "),
            ),
            value=round(after.mean_mm, 4),
            unit="mm",
            where=layers.place(first),
            layer=first + 1,
        )
    ]


def _plan_of(
    solid: Manifold, facets: Facets, layers: Layers, bare: Exposed, edges: Floats, first: int, process: Process
) -> PrintPlan:
    """The plan for layers between ``edges``, new ones from layer ``first`` up. Below the last of the old layers, what
    was ``bare`` still is."""
    unchanged = max(first - 1 - bare.first, 0)
    top = cut_at(solid, edges[bare.first + unchanged :], layers.height, facets.slopes)
    shapes = Shapes(top.outlines)
    above = exposed(top, shapes, steps_of(top, shapes, process), LayerSpan(0, len(top) - 1), process)
    return plan_print(edges, bare.up_to(unchanged, above), process)
