# SPDX-License-Identifier: GPL-3.0-or-later
"""The verdict on a job: what it comes to, what stands in its way, and what a person does before printing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from ..bench.verdict import ClosedEnds, JobVerdict, LeftOut
from ..fields.messages import Message, say
from ..review.findings import concerns
from ..takeoff import TubeEnd
from .results import JobResult, Made


def verdict_of(result: JobResult) -> JobVerdict:
    made = {fitting.id for fitting in result.made}
    of_made = concerns(finding for finding in result.findings if finding.fitting in made)
    return JobVerdict(
        asked=bool(result.job.wishes),
        frames=sum(each.assembly.frames for each in result.taken) if result.taken else 1,
        ends=sum(fitting.batch.needed for fitting in result.made),
        kinds=len(result.made),
        fittings=sum(fitting.count for fitting in result.made),
        plates=result.plates.count,
        quantities=result.quantities,
        must_fix=tuple(concern for concern in of_made if concern.severity == "must fix"),
        look_at=tuple(concern for concern in of_made if concern.severity == "look at"),
        closed=_closed(result),
        left_out=left_out(result),
        before_printing=tuple(_before_printing(result)),
        share_that_enters=_share_that_enters(result.made),
    )


def left_out(result: JobResult) -> tuple[LeftOut, ...]:
    """The ends that get no fitting and could have one."""
    return (*_not_made(result), *_not_served(result))


def _share_that_enters(fittings: Sequence[Made]) -> float | None:
    needed = sum(fitting.batch.needed for fitting in fittings)
    return (
        sum(fitting.gap.share_that_enters * fitting.batch.needed for fitting in fittings) / needed if needed else None
    )


def could_have_one(end: TubeEnd) -> bool:
    """Whether a closed end would take a fitting if it were another one, or the tube were cut or cleared: not where
    another part of the weldment closes it."""
    if end.cause == "coped":
        return bool(end.remedy)
    return end.cause in ("crossed", "too short", "no wall", "lost") or (
        end.cause == "blocked" and end.clear_depth_mm > 0
    )


def _not_made(result: JobResult) -> list[LeftOut]:
    """Fittings that were refused."""
    entries = []
    for batch in result.batches:
        refusals = [finding for finding in result.refusals if finding.fitting == batch.id]
        if refusals:
            sources = tuple(end.source for end in batch.ends)
            entries.append(LeftOut(batch.needed, batch.id, refusals[0].meaning, refusals[0].advice, sources))
    return entries


def _not_served(result: JobResult) -> list[LeftOut]:
    """Ends that take none of the fittings that are asked for."""
    reasons: dict[tuple[Message, Message], list[TubeEnd]] = {}
    frames = result.frames_of
    for end in result.ends:
        asked = any(isinstance(end, wish.family.serves) for wish in result.job.wishes)
        if asked and not end.open and could_have_one(end):
            reasons.setdefault((end.reason, end.remedy), []).append(end)
    return [
        LeftOut(
            ends=sum(frames[id(end)] for end in ends),
            fitting="",
            reason=say("{}.", reason.capitalised),
            remedy=say("{}.", remedy.capitalised),
            sources=tuple(end.source for end in ends),
        )
        for (reason, remedy), ends in reasons.items()
    ]


_CLOSED = {"coped": "cut to lie on another tube", "solid": "solid bars", "profile": "open sections"}


def _closed(result: JobResult) -> tuple[ClosedEnds, ...]:
    """The ends that the weldment closes, most first."""
    closed = (end for end in result.ends if not end.open and not could_have_one(end))
    reasons: Counter[str] = Counter()
    for end in closed:
        reasons[_CLOSED.get(end.cause, "closed by another part")] += result.frames_of[id(end)]
    return tuple(ClosedEnds(count, reason) for reason, count in reasons.most_common())


def _before_printing(result: JobResult) -> list[Message]:
    """What a person does first. Bores that have to be measured and seams that have to be looked at are findings: the
    other fittings go in as they are."""
    if not result.made:
        return []
    ladder = any(result.job.ladder_for(fitting.batch.section) for fitting in result.made)
    steps = [say("Print the fit ladder and try it in the tube.")] if ladder else []
    return [*steps, say("Try one fitting in a real tube end.")]
