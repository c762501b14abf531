# SPDX-License-Identifier: GPL-3.0-or-later
"""The result of a job, for programs: ``result.json``. docs/result.md describes the keys."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from ..bench.quantities import Estimate, Quantities
from ..bench.readings import FORMAT
from ..bench.statistic import Statistic
from ..bench.verdict import JobVerdict
from ..families.fitting import Seat
from ..families.gap_band import GapBand
from ..geometry.frames import Floats
from ..geometry.sections import Section
from ..review.findings import Finding
from ..review.orientation import Orientations
from ..review.print_plan import PrintPlan
from ..review.support import Support
from ..takeoff import ClosedEnd, Hole, NeededHole, Tube, TubeEnd
from ..takeoff.hole_words import said_hole
from ..trade.sizes import nearest_size, section_name
from .judging import verdict_of
from .results import JobLadder, JobResult, Made


def result_json(result: JobResult, written: Sequence[Mapping[str, Any]] = ()) -> str:
    """The whole result as JSON: lengths in mm, angles in degrees, numbers rounded to what means something. ``written``
    is what is said of the files that are written with it."""
    names = [each.assembly.name for each in result.taken]
    record = {
        "format": FORMAT,
        "job": result.job.name,
        "process": result.job.process.name,
        "verdict": _verdict(verdict_of(result)),
        "assemblies": [
            {"name": name, "frames": each.assembly.frames, "files": [file.name for file in each.assembly.files]}
            for name, each in zip(names, result.taken, strict=True)
        ],
        "ends": [
            {**_end(end), "assembly": name, "frames": each.assembly.frames, "fitting": result.fitting_of.get(id(end))}
            for name, each in zip(names, result.taken, strict=True)
            for end in each.takeoff.ends
        ],
        **_sites(result),
        "fittings": [
            _fitting(fitting, result.job.gap_correction(fitting.batch.section), result.files_of(fitting.name))
            for fitting in result.made
        ],
        "findings": [_finding(finding) for finding in result.findings],
        "plates": [
            {
                "plate": spot.plate + 1,
                "fitting": result.made[spot.part].batch.id,
                "x_mm": _round(spot.x),
                "y_mm": _round(spot.y),
                "turn_deg": _round(spot.turn_deg),
            }
            for spot in result.plates.placements
        ],
        "quantities": result.quantities and _quantities(result.quantities),
        "fit_ladders": [_ladder(ladder, result.files_of(ladder.name)) for ladder in result.ladders],
        "files": [
            {
                "path": file.path.name,
                "format": file.format,
                "unit": file.unit,
                "triangles": file.triangles,
                "volume_mm3": _round(file.volume_mm3),
            }
            for file in result.files
        ],
        "written": list(written),
        "notes": list(result.notes),
    }
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _verdict(verdict: JobVerdict) -> dict[str, Any]:
    return {
        "headline": verdict.headline,
        "ready": verdict.ready,
        "complete": verdict.complete,
        "frames": verdict.frames,
        **{_plural(counted): number for counted, number in {"end": 0, **verdict.served}.items()},
        "kinds": verdict.kinds,
        "fittings": verdict.fittings,
        "plates": verdict.plates,
        "must_fix": [concern.said for concern in verdict.must_fix],
        "look_at": [concern.said for concern in verdict.look_at],
        "left_out": [
            {
                _plural(entry.counted): entry.number,
                "fitting": entry.fitting or None,
                "reason": entry.reason,
                "remedy": entry.remedy,
                "sources": list(entry.sources),
            }
            for entry in verdict.left_out
        ],
        "closed": [{"ends": entry.ends, "reason": entry.reason} for entry in verdict.closed],
        "before_printing": list(verdict.before_printing),
        "share_that_enters": _round(verdict.share_that_enters),
    }


def _plural(counted: str) -> str:
    return f"{counted.replace(' ', '_')}s"


def _end(end: TubeEnd) -> dict[str, Any]:
    return {
        "source": end.source,
        "section": _section(end.section),
        "mitre_deg": _round(end.mitre_deg),
        "mitre_direction_deg": _round(end.mitre_direction_deg),
        "position_mm": _point(end.frame.origin),
        "axis": _direction(end.frame.z),
        "clear_depth_mm": _round(end.clear_depth_mm),
        "to_cut": end.to_cut
        and {
            "mitre_deg": _round(end.to_cut.mitre_deg),
            "mitre_direction_deg": _round(end.to_cut.towards_deg),
            "back_mm": _round(-end.to_cut.height_mm),
        },
        "open": end.open,
        "cause": end.cause,
        "reason": end.explained,
        "by_hand": end.by_hand or None,
    }


def _sites(result: JobResult) -> dict[str, Any]:
    """What the assemblies hold besides their ends."""
    takeoffs = [each.takeoff for each in result.taken]
    tubes = [tube for takeoff in takeoffs for tube in takeoff.tubes]
    number, fitting = {id(tube): place for place, tube in enumerate(tubes, 1)}, result.fitting_of
    return {
        "tubes": [_tube(tube) for tube in tubes],
        "holes": [
            {
                "source": hole.source,
                "tube": number[id(hole.tube)],
                **_hole(hole),
                "fitting": fitting.get(id(hole)),
                "open_for": result.open_for.get(id(hole)),
            }
            for takeoff in takeoffs
            for hole in takeoff.holes
        ],
        "screw_holes": [
            {
                "source": hole.source,
                "tube": number[id(hole.tube)],
                **_hole(hole),
                "screws_of": fitting.get(id(hole.joint)),
                "fitting": fitting.get(id(hole)),
            }
            for batch in result.batches
            for site in batch.sites
            for hole in site.records
            if isinstance(hole, NeededHole)
        ],
        "copes": [
            {
                "source": cope.end.source,
                "tube": number[id(cope.tube)],
                "position_mm": _point(cope.end.frame.origin),
                "axis": _direction(cope.end.frame.z),
                "needed": cope.needed,
                "other": cope.other.source if cope.other else None,
                "other_tube": number[id(cope.other)] if cope.other else None,
                "met_mm": cope.met_mm and [_round(distance) for distance in cope.met_mm],
                "also": [{"source": tube.source, "tube": number[id(tube)]} for tube in cope.also],
                "outside_mm": [_point(point) for point in cope.outside],
                "inside_mm": [_point(point) for point in cope.inside],
                "fitting": fitting.get(id(cope)),
            }
            for takeoff in takeoffs
            for cope in takeoff.copes
        ],
        "joints": [
            {
                "sources": [end.source for end in joint.ends],
                "positions_mm": [_point(end.frame.origin) for end in joint.ends],
                "gap_mm": _round(joint.gap_mm),
                "angle_deg": _round(joint.angle_deg),
                "fitting": fitting.get(id(joint)),
            }
            for takeoff in takeoffs
            for joint in takeoff.joints
        ],
    }


def _tube(tube: Tube) -> dict[str, Any]:
    return {
        "source": tube.source,
        "section": _section(tube.section),
        "position_mm": _point(tube.frame.origin),
        "axis": _direction(tube.axis),
        "width_axis": _direction(tube.frame.x),
        "length_mm": _round(tube.length_mm),
        "ends": [
            {"position_mm": None, "reason": end.reason}
            if isinstance(end, ClosedEnd)
            else {"position_mm": _point(end.frame.origin), "reason": None}
            for end in tube.ends
        ],
        "free_mm": [_round(length) for length in tube.free_mm],
    }


def _hole(hole: Hole) -> dict[str, Any]:
    return {
        "where": said_hole(hole),
        "diameter_mm": _round(hole.diameter_mm),
        "position_mm": _point(hole.position),
        "axis": _direction(hole.axis),
        "walls": hole.walls,
        "distances_mm": [_round(distance) for distance in hole.distances_mm],
        "measured_mm": [_round(distance) for distance in hole.measured_mm],
        "angle_deg": round(hole.angle_deg, 4) % 360,
        "side": hole.side,
        "offset_mm": _round(hole.offset_mm),
        "lean_deg": _round(hole.lean_deg),
        "countersink_mm": _round(hole.countersink_mm or None),
    }


def _point(point: Floats) -> list[float | None]:
    return [_round(x) for x in point]


def _direction(way: Floats) -> list[float]:
    return [round(float(x), 6) + 0.0 for x in way]


def _section(section: Section) -> dict[str, Any]:
    match = nearest_size(section)
    return {
        "kind": section.kind,
        "shape": section.outer.shape,
        "width_mm": _round(section.outer.width),
        "depth_mm": _round(section.outer.depth),
        "wall_mm": _round(section.wall),
        "corner_radius_mm": _round(section.outer.corner_radius),
        "bore_width_mm": _round(section.bore.width),
        "bore_depth_mm": _round(section.bore.depth),
        "size_name": match.name if match else None,
        "size_off": match.describe() if match else None,
    }


def _fitting(fitting: Made, correction: Statistic | None, files: Sequence[str]) -> dict[str, Any]:
    mesh, printed = fitting.review.mesh, fitting.review.printed
    seat, gap = next(zip(fitting.fitting.seats, fitting.gaps, strict=True), (None, None))
    return {
        **{key: _round(x) if isinstance(x, float) else x for key, x in fitting.fitting.listed().items()},
        "id": fitting.batch.id,
        "name": fitting.name,
        "section": _section(fitting.fitting.section),
        "family": fitting.batch.family.name,
        "up": fitting.fitting.way_up,
        **{f"{fitting.batch.family.serves}s": 0},
        **{_plural(counted): len(frames) for counted, frames in fitting.batch.frames_served.items()},
        "needed": fitting.batch.needed,
        "count": fitting.count,
        "volume_mm3": _round(mesh.volume),
        "area_mm2": _round(mesh.area),
        "size_mm": [_round(side) for side in mesh.size],
        "watertight": fitting.review.watertight,
        "spigot_gap_mm": gap and _round(gap.nominal),
        "drawn_gap_mm": seat and _round(seat.gap_mm),
        "asked_for": {key: _round(mm) for key, mm in fitting.fitting.asked_for.items()},
        "gap_correction": correction and _statistic(correction),
        "gap_mm": gap and _band(gap),
        "share_that_enters": _round(fitting.share_that_enters),
        "seats": [_seat(*pair) for pair in zip(fitting.fitting.seats, fitting.gaps, strict=True)],
        "support": _support(printed.support) if printed else None,
        "recommended_orientation": _orientation(printed.orientations) if printed else None,
        "print_plan": _plan(printed.plan) if printed else None,
        "files": list(files),
    }


def _seat(seat: Seat, gap: GapBand) -> dict[str, Any]:
    return {
        "section": _section(seat.section),
        "fit": seat.fit,
        "length_mm": _round(seat.length_mm),
        "spigot_gap_mm": _round(gap.nominal),
        "drawn_gap_mm": _round(seat.gap_mm),
        "gap_mm": _band(gap),
        "share_that_enters": _round(gap.share_that_enters),
    }


def _band(gap: GapBand) -> dict[str, Any]:
    return {
        "worst_case": [_round(mm) for mm in gap.worst_case],
        "root_sum_square": [_round(mm) for mm in gap.root_sum_square],
    }


def _statistic(statistic: Statistic) -> dict[str, Any]:
    return {"n": statistic.n, "mean": _round(statistic.mean), "spread": _round(statistic.spread)}


def _quantities(amounts: Quantities) -> dict[str, Any]:
    costs = amounts.costs
    return {
        "plastic_cm3": _estimate(amounts.plastic_cm3),
        "grams": _estimate(amounts.grams),
        "time_s": _estimate(amounts.time_s),
        "cost": costs
        and {**dict(zip(("low", "value", "high"), map(_round, costs), strict=True)), "currency": amounts.currency},
        "part_cm3": _round(amounts.part_cm3),
        "support_cm3": _round(amounts.support_cm3),
        "purge_cm3": _round(amounts.purge_cm3),
        "density_g_cm3": _round(amounts.density),
        "plate_times_s": [_round(seconds) for seconds in amounts.plate_times_s],
    }


def _estimate(estimate: Estimate) -> dict[str, Any]:
    return {
        "value": _round(estimate.value),
        "low": _round(estimate.low),
        "high": _round(estimate.high),
        "by_sums": _round(estimate.raw),
        "factor": estimate.factor and _statistic(estimate.factor),
    }


def _ladder(ladder: JobLadder, files: Sequence[str]) -> dict[str, Any]:
    return {
        "fittings": list(ladder.fittings),
        "tube": section_name(ladder.ladder.section),
        "section": _section(ladder.ladder.section),
        "wanted_gap_mm": _round(ladder.ladder.wanted_gap_mm),
        "steps": [
            {"label": step.label, "gap_mm": _round(step.gap_mm), "drawn_mm": _round(step.drawn_mm)}
            for step in ladder.ladder.steps
        ],
        "files": list(files),
    }


def _support(support: Support) -> dict[str, Any]:
    return {
        "volume_mm3": _round(support.volume_mm3),
        "contact_mm2": _round(support.contact_mm2),
        "foot_on_part_mm2": _round(support.foot_on_part_mm2),
        "foot_on_plate_mm2": _round(support.foot_on_plate_mm2),
    }


def _orientation(orientations: Orientations) -> dict[str, Any]:
    best = orientations.best
    return {
        "name": best.name,
        "up": [_round(x) for x in best.up],
        "support_mm3": _round(best.support_mm3),
        "stair_largest_mm": _round(best.stair_largest_mm),
        "stair_mean_mm": _round(best.stair_mean_mm),
        "footing_mm2": _round(best.footing_mm2),
        "height_mm": _round(best.height_mm),
        "why": orientations.why,
    }


def _plan(plan: PrintPlan) -> dict[str, Any]:
    return {
        "rings": plan.rings,
        "bead_mm": _round(plan.bead_mm),
        "ranges": [
            {
                "first_layer": part.first + 1,
                "last_layer": part.last + 1,
                "bottom_mm": _round(part.bottom_mm),
                "top_mm": _round(part.top_mm),
                "rings": part.rings,
                "bead_mm": _round(part.bead_mm),
            }
            for part in plan.ranges
        ],
        "full_layers": [layer + 1 for layer in plan.full],
        "rings_throughout": plan.throughout,
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "fitting": finding.fitting,
        "check": finding.check,
        "severity": finding.severity,
        "meaning": finding.meaning,
        "value": _round(finding.value),
        "limit": _round(finding.limit),
        "unit": finding.unit,
        "where": finding.where,
        "position_mm": finding.position_mm and [_round(x) for x in finding.position_mm],
        "layer": finding.layer,
        "advice": finding.advice,
        "cure": finding.cure,
    }


def _round(number: float | None) -> float | None:
    return None if number is None else round(float(number), 4) + 0.0
