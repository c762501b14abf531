# SPDX-License-Identifier: GPL-3.0-or-later
"""The verdict on a job: what it comes to, what stands in its way, and what a person does before printing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from ..bench.verdict import ClosedEnds, JobVerdict, LeftOut
from ..families.family import Counted, Serves
from ..fields.messages import Message, say
from ..review.findings import concerns
from ..takeoff import TubeEnd
from .results import JobResult, Made


def verdict_of(result: JobResult) -> JobVerdict:
    made = {fitting.id for fitting in result.made}
    of_made = concerns(finding for finding in result.findings if finding.fitting in made)
    return JobVerdict(
        asked=tuple(dict.fromkeys(wish.family.serves for wish in result.job.wishes)),
        frames=sum(each.assembly.frames for each in result.taken) if result.taken else 1,
        served=_served(result.made),
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


def _served(fittings: Sequence[Made]) -> dict[Counted, int]:
    """How many ends, holes, copes and joints get a fitting, each once."""
    frames_served: dict[Counted, dict[int, int]] = {}
    for fitting in fittings:
        for counted, frames in fitting.batch.frames_served.items():
            frames_served.setdefault(counted, {}).update(frames)
    return {counted: sum(frames.values()) for counted, frames in frames_served.items()}


def _share_that_enters(fittings: Sequence[Made]) -> float | None:
    shares = [(share, fitting.batch.needed) for fitting in fittings if (share := fitting.share_that_enters) is not None]
    needed = sum(number for _, number in shares)
    return sum(share * number for share, number in shares) / needed if needed else None


def could_have_one(end: TubeEnd) -> bool:
    """Whether a closed end would take a fitting if it were another one, or the tube were cut or cleared: not where
    another part of the weldment closes it."""
    if end.cause == "coped":
        return bool(end.remedy)
    return end.cause in ("crossed", "corner", "too short", "no wall", "lost") or (
        end.cause == "blocked" and end.clear_depth_mm > 0
    )


def _not_made(result: JobResult) -> list[LeftOut]:
    """Fittings that were refused."""
    entries = []
    for batch in result.batches:
        refusals = [finding for finding in result.refusals if finding.fitting == batch.id]
        if refusals:
            sources = tuple(site.source for site in batch.sites)
            first = refusals[0]
            entries += [
                LeftOut(number, batch.id, first.meaning.of(number), first.advice.of(number), sources, counted)
                for counted, number in batch.amounts.items()
            ]
    return entries


def _not_served(result: JobResult) -> list[LeftOut]:
    """Ends that take none of the fittings that are asked for."""
    reasons: dict[tuple[Message, Message], list[TubeEnd]] = {}
    frames = result.frames_of
    for end in without_fitting(result):
        if could_have_one(end):
            reasons.setdefault((end.reason, end.remedy), []).append(end)
    entries = []
    for (reason, remedy), ends in reasons.items():
        number, sources = sum(frames[id(end)] for end in ends), tuple(end.source for end in ends)
        said, cure = (say("{}.", words.of(number).capitalised) for words in (reason, remedy))
        entries.append(LeftOut(number, "", said, cure, sources))
    return entries


def without_fitting(result: JobResult) -> list[TubeEnd]:
    """The closed ends that no fitting is meant for, where the job asks for fittings for ends."""
    wishes = [wish for wish in result.job.wishes if wish.family.serves == "end"]
    staying = (batch for batch in result.batches if batch.family.stays)
    meant = {id(record) for batch in staying for site in batch.sites for record in site.records}
    asked = (end for end in result.ends if any(wish.makes_for_end(end) for wish in wishes))
    return [end for end in asked if not end.open and id(end) not in meant]


_CLOSED = {"coped": "cut to lie on another tube", "solid": "solid bars", "profile": "open sections"}


def _closed(result: JobResult) -> tuple[ClosedEnds, ...]:
    """The ends that the weldment closes, most first."""
    closed = (end for end in without_fitting(result) if not could_have_one(end))
    uncut = {id(cope.end) for taken in result.taken for cope in taken.takeoff.copes if cope.needed}
    reasons: Counter[str] = Counter()
    for end in closed:
        if id(end) in uncut:
            reason = "to be coped"
        elif end.to_cut is not None:
            reason = "to be mitred at a corner" if end.to_cut.mitre_deg else "to be cut square against another part"
        else:
            reason = _CLOSED.get(end.cause, "closed by another part")
        reasons[reason] += result.frames_of[id(end)]
    return tuple(ClosedEnds(count, reason) for reason, count in reasons.most_common())


def _before_printing(result: JobResult) -> list[Message]:
    """What a person does first. Bores that have to be measured and seams that have to be looked at are findings: the
    other fittings go in as they are."""
    ladder = any(result.job.ladder_for(fitting.batch.section) for fitting in result.made)
    steps = [say("Print the fit ladder and try it in the tube.")] if ladder else []
    served = dict.fromkeys(_REAL[made.batch.family.serves] for made in result.made if made.batch.family.stays)
    tries = [f"one {'' if number else 'fitting '}in {place}" for number, place in enumerate(served)]
    if tries:
        steps.append(say(f"Try {' and '.join(filter(None, (', '.join(tries[:-1]), tries[-1])))}."))
    return steps


_REAL: dict[Serves, str] = {"end": "a real tube end", "hole": "a hole", "cope": "a cope", "joint": "a joint"}
