# SPDX-License-Identifier: GPL-3.0-or-later
"""What a job comes to, in the words and round numbers in which a fabricator says it.

The one source for what the screen, the window, the job sheet and result.json say first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import get_args

from ..families.family import Counted, Serves
from ..fields.messages import NOTHING, Message, Name, count_of, say, say_all, say_each
from ..geometry.names import in_words
from ..review.findings import Concern
from .quantities import Quantities

_NONE: dict[Serves, str] = {
    "end": "no tube end is open",
    "hole": "no round hole was found",
    "cope": "no end that lies on another tube was found",
    "joint": "no two ends face each other",
}

_NAMED = 3
"""So many tubes are named; the list of ends has all."""


@dataclass(frozen=True)
class LeftOut:
    """Tube ends, holes, copes or joints without a fitting that could have one, with one reason."""

    number: int
    fitting: str
    """Id of the fitting that was not made; empty for ends that take none as they are."""
    reason: Message
    """A sentence with its stop."""
    remedy: Message
    """How to have it after all, a sentence with its stop."""
    sources: tuple[str, ...]
    """Names of the tubes, one for each."""
    counted: Counted = "end"

    @property
    def said(self) -> Message:
        which = f" ({self.fitting})" if self.fitting else ""
        names = list(dict.fromkeys(filter(None, self.sources)))
        more = [f"{len(names) - _NAMED} more"] if len(names) > _NAMED + 1 else []
        shown = [*map(Name, names[:_NAMED] if more else names), *more]
        where = [say("({})", say_each(shown))] if names else []
        return say_all((f"Left out, {count_of(self.number, self.counted)}{which}:", self.reason, self.remedy, *where))


@dataclass(frozen=True)
class ClosedEnds:
    """Tube ends that take no fitting because the weldment closes them."""

    ends: int
    reason: str
    """After their number: ``"closed by another part"``."""

    @property
    def said(self) -> str:
        return f"{self.ends} {self.reason}"


@dataclass(frozen=True, eq=False, kw_only=True)
class JobVerdict:
    asked: tuple[Serves, ...] = ("end",)
    """What the job asks for fittings for."""
    frames: int = 1
    """Copies of the assemblies that are built, all together."""
    served: Mapping[Counted, int]
    """How many of each get a fitting, over all frames."""
    kinds: int
    fittings: int
    """Printed, with the spares."""
    plates: int
    quantities: Quantities | None = None
    """None if nothing is printed."""
    must_fix: tuple[Concern, ...] = ()
    """Of the fittings that were made."""
    look_at: tuple[Concern, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    closed: tuple[ClosedEnds, ...] = ()
    before_printing: tuple[Message, ...] = ()
    """What a person does first, sentence by sentence."""
    share_that_enters: float | None = None
    """Share of the fittings that go in, of all tubes and prints within their tolerances; None if there are none."""

    @property
    def ready(self) -> bool:
        """Whether what was made can be printed as it is."""
        return self.kinds > 0 and not self.must_fix

    @property
    def complete(self) -> bool:
        """Whether all that was asked for is ready: nothing must be fixed, and no end was left out."""
        return (self.ready or not self.asked) and not self.left_out

    @property
    def headline(self) -> Message:
        """The verdict in one or two sentences, without the last stop."""
        if not self.kinds:
            return say(f"{self.brief}: {self._nothing}")
        if self.must_fix:
            return say(f"{self.brief}: {', '.join(dict.fromkeys(concern.check for concern in self.must_fix))}")
        amounts = [count_of(self.plates, "plate")] if self.plates else []
        if self.quantities:
            amounts += [about_grams(self.quantities.grams.value), f"about {about_time(self.quantities.time_s.value)}"]
        stop = "." if self._left else ":"
        return say(self.brief + (f"{stop} {', '.join(amounts)}" if amounts else ""))

    @property
    def brief(self) -> str:
        """What is made, and whether it can be printed or what was left out."""
        if not self.kinds:
            return "Nothing to print"
        frames = f"{self.frames} frames, " if self.frames > 1 else ""
        about = f"{frames}{', '.join(self._sites)}, {count_of(self.kinds, 'kind')}"
        if self.must_fix:
            return f"{about}, not to be printed yet"
        return f"{about}; left out: {self._said_left}" if self._left else f"{about}, ready to print"

    @property
    def _left(self) -> dict[Counted, int]:
        """How many of each were left out."""
        left = dict.fromkeys(get_args(Counted), 0)
        for entry in self.left_out:
            left[entry.counted] += entry.number
        return {counted: number for counted, number in left.items() if number}

    @property
    def _nothing(self) -> str:
        """Why nothing is printed."""
        if not self._left:
            return in_words(_NONE[serves] for serves in self.asked) or "the job asks for no fittings"
        are = "is" if sum(self._left.values()) == 1 else "are"
        return f"{self._said_left} {are} left out"

    @property
    def _said_left(self) -> str:
        """``"3 ends, 1 joint"``."""
        return ", ".join(count_of(number, counted) for counted, number in self._left.items())

    @property
    def _sites(self) -> list[str]:
        """``["29 of 30 ends", "12 holes"]``."""
        said = []
        for counted in get_args(Counted):
            number, left = self.served.get(counted, 0), self._left.get(counted, 0)
            if number or left:
                said.append(f"{number} of {count_of(number + left, counted)}" if left else count_of(number, counted))
        return said

    @property
    def goes_in(self) -> Message:
        """What share of the fittings goes in, in a sentence; empty if there are none."""
        if self.share_that_enters is None:
            return NOTHING
        return say(
            f"{_share(self.share_that_enters)} of these fittings go in, if tubes and prints keep to their tolerances."
        )

    @property
    def in_the_way(self) -> tuple[Message, ...]:
        """What must be fixed, and what was left out and how to have it after all, each in a sentence or two."""
        return (*(concern.said for concern in self.must_fix), *(entry.said for entry in self.left_out))

    @property
    def closed_ends(self) -> str:
        """How many ends the weldment closes, and how, in a sentence; empty if there are none."""
        if not self.closed:
            return ""
        number = sum(entry.ends for entry in self.closed)
        how = ", ".join(entry.said for entry in self.closed)
        return f"{takes_none(number)}: {how}."


def takes_none(ends: int) -> str:
    """``"46 ends take no fitting"``."""
    return f"{count_of(ends, 'end takes', 'ends take')} no fitting"


def about_grams(grams: float) -> str:
    """``"230 g"``, ``"1.2 kg"``."""
    if grams >= 1000:
        return f"{grams / 1000:.1f} kg"
    step = next(step for least, step in ((100, 10), (20, 5), (0, 1)) if grams >= least)
    return f"{max(round(grams / step), 1) * step} g"


def about_time(seconds: float) -> str:
    """``"40 min"``, ``"2 1/2 h"``, ``"9 h"``."""
    minutes = seconds / 60
    if minutes < 57.5:
        return f"{max(round(minutes / 5), 1) * 5} min"
    halves = round(minutes / 30)
    if halves < 10:
        return f"{halves // 2}{' 1/2' * (halves % 2)} h"
    return f"{round(minutes / 60)} h"


def _share(share: float) -> str:
    """Rounded down, so that it promises no more than is true."""
    return "All" if share == 1 else f"{int(share * 1000) / 10:g}%"
