# SPDX-License-Identifier: GPL-3.0-or-later
"""Holes through tubes' walls that fittings leave open, for a bolt or a pin, and that nothing is to close."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from ..families.family import Site
from ..fields.messages import Message, count_of, say
from ..geometry.frames import Floats
from ..geometry.names import in_words
from ..takeoff import Hole, Takeoff
from .asked import Job, Wish
from .results import Batch

_IN_LINE_MM = 0.2
"""How far a hole of the model may lie off the one that a fitting has for it."""


def kept_open(takeoff: Takeoff, batches: Sequence[Batch], assembly: int) -> dict[int, str]:
    """The ids of the fittings that leave holes of one of the job's assemblies open, by the hole's ``id``."""
    holes: dict[int, list[Hole]] = {}
    for hole in takeoff.holes:
        for end in hole.tube.ends:
            holes.setdefault(id(end), []).append(hole)
    kept = {}
    for batch in batches:
        sites = batch.sites_of(assembly)
        for site in sites if sites and batch.passes else ():
            beside = [hole for record in site.records for hole in holes.get(id(record), ())]
            kept.update({id(hole): batch.id for hole in beside if _on_any(hole, site, batch.passes)})
    return kept


def asked_by_name(wish: Wish, hole: Hole) -> bool:
    """Whether an entry for holes of this diameter says that something is made for it."""
    return any(
        override.make
        and override.match.hole_mm is not None
        and override.match.takes(hole.tube.section, [hole.diameter_mm])
        for override in wish.overrides
    )


def left_without_plugs(job: Job, takeoffs: Sequence[Takeoff], open_for: Mapping[int, str]) -> Iterator[Message]:
    """A sentence on the holes that would get something to close them if no fitting left them open; ``open_for`` as
    from ``kept_open``, of all takeoffs."""
    through = [
        open_for[id(hole)]
        for takeoff in takeoffs
        for hole in takeoff.holes
        for wish in job.wishes
        if id(hole) in open_for
        and closes_holes(wish)
        and wish.makes_for(hole.tube.section, holes_mm=[hole.diameter_mm])
        and not asked_by_name(wish, hole)
    ]
    if through:
        stays = "stays" if len(through) == 1 else "stay"
        yield say(
            f"{count_of(len(through), 'hole')} {stays} open for a bolt or a pin through "
            f"{in_words(dict.fromkeys(through))}, without a plug; to plug one, add a [[hole_plug.for]] with its "
            "hole_mm and make = true."
        )


def closes_holes(wish: Wish) -> bool:
    return wish.family.serves == "hole" and wish.family.stays


def _on_any(hole: Hole, site: Site, lines: Sequence[tuple[Floats, Floats]]) -> bool:
    place = site.frame.to_local(hole.position)
    return any(np.linalg.norm(np.cross(place - point, way)) < _IN_LINE_MM for point, way in lines)
