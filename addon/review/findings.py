# SPDX-License-Identifier: GPL-3.0-or-later
"""A finding of the review."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from ..fields.messages import NOTHING, Length, Measure, Message, say, say_all

Severity = Literal["must fix", "look at", "good to know"]
SEVERITIES: tuple[Severity, ...] = ("must fix", "look at", "good to know")


Place = tuple[float, float, float]
"""In mm."""


@dataclass(frozen=True)
class Finding:
    """A result with its unit, its limit, and what to do about it."""

    fitting: str
    """Id of the fitting, or the name of the object reviewed; empty for the whole job."""
    check: str
    """The check's plain name: "thin wall", "overhang", ..."""
    severity: Severity
    meaning: Message
    """One sentence: what this is and why it matters."""
    advice: Message
    """One sentence: what to do."""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    where: Message = NOTHING
    """The place in words: "layer 14 of 82, z 3.4 mm"."""
    position_mm: Place | None = None
    layer: int | None = None
    cure: dict[str, float | str] = field(default_factory=dict)
    """Recipe or process fields and the values that would cure it; empty if no number would."""
    layers: tuple[int, int] | None = None
    """First and last of the layers that it is about, counted from 1 like ``layer``, the one to look at."""

    @property
    def measured(self) -> Message:
        """Value and limit with their unit; empty if nothing was measured."""
        if self.value is None:
            return NOTHING
        value = say("Measured {:g}", Measure((self.value,), self.unit))
        return value if self.limit is None else value + say(", limit {:g}", Measure((self.limit,), self.unit))

    def at(self, layer: int) -> bool:
        """Whether it is about a layer, counted from 1."""
        first, last = self.layers or (self.layer, self.layer)
        return first is not None and last is not None and first <= layer <= last


def worst_first(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(findings, key=lambda finding: SEVERITIES.index(finding.severity)))


@dataclass(frozen=True)
class Concern:
    """The findings of one check and severity, which are said once."""

    findings: tuple[Finding, ...]

    @property
    def check(self) -> str:
        return self.findings[0].check

    @property
    def severity(self) -> Severity:
        return self.findings[0].severity

    @property
    def fittings(self) -> tuple[str, ...]:
        """Whom it concerns."""
        return tuple(dict.fromkeys(finding.fitting for finding in self.findings if finding.fitting))

    @property
    def worst(self) -> Finding:
        """The one that is furthest from its limit."""
        return max(self.findings, key=lambda finding: abs((finding.value or 0.0) - (finding.limit or 0.0)))

    @property
    def said(self) -> Message:
        """The worst in words, with whom it concerns."""
        worst, who = self.worst, say_ids(self.fittings)
        head = f"{self.severity.capitalize()}: {self.check}" + (f", {who}" if who else "")
        place = say_all([part for part in (worst.fitting if len(self.fittings) > 1 else "", worst.where) if part], ", ")
        several = f"; the worst of {len(self.findings)} places" if len(self.findings) > 1 else ""
        where = say(" ({}{})", place, several) if place else NOTHING
        return say("{}. {} {}{}", head, worst.meaning, worst.advice, where)


def say_ids(ids: Sequence[str]) -> str:
    """``"F1 to F4, F6"``; names that are no such ids as they are."""
    runs: list[list[str]] = []
    for id in ids:
        before = runs[-1][-1] if runs else ""
        follows = id[:1] == before[:1] and id[1:].isdecimal() and before[1:].isdecimal()
        if follows and int(id[1:]) == int(before[1:]) + 1:
            runs[-1].append(id)
        else:
            runs.append([id])
    return ", ".join(f"{run[0]} to {run[-1]}" if len(run) > 2 else ", ".join(run) for run in runs)


def concerns(findings: Iterable[Finding]) -> tuple[Concern, ...]:
    """One for each check and severity, worst first."""
    alike: dict[tuple[Severity, str], list[Finding]] = {}
    for finding in worst_first(findings):
        alike.setdefault((finding.severity, finding.check), []).append(finding)
    return tuple(Concern(tuple(group)) for group in alike.values())


def say_place(place: Place) -> Message:
    return say("x {}, y {}, z {}", *map(Length, place))
