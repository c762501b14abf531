# SPDX-License-Identifier: GPL-3.0-or-later
"""What the bench has found out, against what a job's result.json said: readings for the shop book, and what they add
up to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from typing import Any

from ..fields.messages import Message, Name, as_message, say
from .fit_ladder import ladder_reading, say_correction, say_excess
from .shop_book import ShopBook
from .shop_entries import (
    FitReading,
    PrintRun,
    gap_correction,
    material_factor,
    print_excess,
    reading_name,
    time_factor,
)

FORMAT = 1
"""Of result.json, as it is written and read; it grows by one when a key changes its meaning or goes."""

_NO_RESULT = "This is not a valid result.json of this version of Ferrule; run the job again and use the one it writes."


class ReadingError(ValueError):
    """A reading that cannot be entered: why, and what to do."""


@contextmanager
def _sound_result() -> Iterator[None]:
    """Raises ``ReadingError`` if the result that is read in the block lacks what it should have."""
    try:
        yield
    except (AttributeError, LookupError, TypeError):
        raise ReadingError(_NO_RESULT) from None


def ladders_in(result: Any) -> dict[str, Mapping[str, Any]]:
    """The fit ladders of a parsed result.json by name; none if it is not one of this Ferrule's, or damaged."""
    try:
        with _sound_result():
            return {
                f"{', '.join(ladder['fittings'])} {ladder['tube']}": ladder
                for ladder in _of(result, "fit_ladders")
                if ladder["fittings"] and all(isinstance(step["label"], str) for step in ladder["steps"])
            }
    except ReadingError:
        return {}


@_sound_result()
def fit_reading(
    result: Mapping[str, Any], fitting: str, step: str, when: datetime, measured_mm: float | None = None
) -> FitReading:
    """The step of a fitting's ladder that fitted as it should, and the caliper reading of its spigot.

    ``result`` is the parsed result.json of the job that wrote the ladder. Raises ``ReadingError``.
    """
    ladders = _of(result, "fit_ladders")
    ladder = next((entry for entry in ladders if fitting in entry["fittings"]), None)
    if ladder is None:
        known = ", ".join(id for entry in ladders for id in entry["fittings"])
        raise ReadingError(
            f"The job has no fit ladder for {fitting!r}; it has {f'those of {known}' if known else 'none'}."
        )
    about = (result["process"], ladder["section"]["kind"], ladder["tube"], ladder["wanted_gap_mm"])
    steps = {entry["label"]: (entry["gap_mm"], entry["drawn_mm"]) for entry in ladder["steps"]}
    try:
        return ladder_reading(about, steps, step, when, measured_mm)
    except ValueError as error:
        raise ReadingError(as_message(error).capitalised + ".") from None


@_sound_result()
def print_run(
    result: Mapping[str, Any], when: datetime, used_g: float | None = None, took_s: float | None = None
) -> PrintRun:
    """What printing all plates of a job really used and took. Raises ``ReadingError``."""
    amounts = _of(result, "quantities")
    if amounts is None:
        raise ReadingError("The job made nothing to print, so there is no estimate to compare with.")
    if used_g is None and took_s is None:
        raise ReadingError("Nothing was entered; enter the grams used, the time taken, or both.")
    try:
        return PrintRun(
            reading_name(when),
            result["process"],
            estimated_cm3=None if used_g is None else amounts["plastic_cm3"]["by_sums"],
            used_cm3=None if used_g is None else used_g / amounts["density_g_cm3"],
            estimated_s=None if took_s is None else amounts["time_s"]["by_sums"],
            took_s=took_s,
        )
    except ValueError as error:
        raise ReadingError(say("{}; measure it again.", error)) from None


def learned(book: ShopBook) -> list[Message]:
    """What a book's readings add up to, in sentences."""
    fits, runs = book.all(FitReading), book.all(PrintRun)
    said = []
    for process, kind in sorted({(fit.process, fit.kind) for fit in fits}):
        said.append(say("{}, {}: {}", Name(process), kind, say_correction(gap_correction(fits, process, kind))))
        if excess := print_excess(fits, process, kind):
            said.append(say("{}, {}: {}", Name(process), kind, say_excess(excess)))
    for process in sorted({run.process for run in runs}):
        for what, factor in (("Material", material_factor(runs, process)), ("Time", time_factor(runs, process))):
            if factor:
                said.append(say("{}: {} is really the estimate times {}.", Name(process), what, factor.say()))
    return said


def _of(result: Mapping[str, Any], key: str) -> Any:
    if result.get("format") != FORMAT or key not in result:
        raise ReadingError(_NO_RESULT)
    return result[key]
