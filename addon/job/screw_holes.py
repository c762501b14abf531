# SPDX-License-Identifier: GPL-3.0-or-later
"""Holes that tubes get for the screws of fittings, and that the model does not have."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from ..families.family import ScrewPlace, Site
from ..geometry.outline_fit import off_outline
from ..takeoff import Joint, Mouth, NeededHole, Takeoff, Tube, TubeEnd
from .results import Batch


def with_screw_holes(takeoff: Takeoff, batches: Sequence[Batch], assembly: int) -> Takeoff:
    """The takeoff of one of the job's assemblies with the holes that fittings' screws need."""
    needed = [hole for batch in batches for hole in _needed_by(batch, takeoff, assembly)]
    return replace(takeoff, holes=(*takeoff.holes, *needed)) if needed else takeoff


def _needed_by(batch: Batch, takeoff: Takeoff, assembly: int) -> Iterator[NeededHole]:
    sites = batch.sites_of(assembly)
    screws = batch.screws if sites else ()
    tube_of = {id(end): (tube, number) for tube in takeoff.tubes for number, end in enumerate(tube.ends)}
    for site in sites if screws else ():
        (joint,) = (record for record in site.records if isinstance(record, Joint))
        ends = [record for record in site.records if isinstance(record, TubeEnd)]
        for screw in screws:
            tube, end = tube_of.get(id(ends[screw.tube]), (None, 0))
            if tube is not None:
                yield _hole(tube, end, joint, screw, site)


def _hole(tube: Tube, end: int, joint: Joint, screw: ScrewPlace, site: Site) -> NeededHole:
    frame = site.frame
    mouths = [Mouth(frame.to_world(mouth.position), mouth.axis @ frame.axes) for mouth in screw.mouths]
    if len(mouths) > 1:
        mouths.sort(key=lambda mouth: tube.from_half_turn(mouth.position))
    outward = off_outline(tube.section.outer, tube.frame.to_local(mouths[0].position)[None, :2])[1][0]
    return NeededHole.at(tube, screw.diameter_mm, mouths, outward, joint=joint, end=end)
