# SPDX-License-Identifier: GPL-3.0-or-later
"""Reads and fills a shop book: what the shop has learned of its tubes, its printer and its prices.

python3 scripts/shop_book.py BOOK.toml show
python3 scripts/shop_book.py BOOK.toml add-reading ferrule_out/result.json --fitting F1 --step 0.25 --measured 18.62
python3 scripts/shop_book.py BOOK.toml add-print ferrule_out/result.json --used-g 86 --took "5 h 20 min"
python3 scripts/shop_book.py BOOK.toml export COPY.toml
python3 scripts/shop_book.py BOOK.toml import OTHER.toml

Processes, plastics, tubes, presets and prices are written into the book by hand; docs/bench.md has their keys.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from _environment import enter, guarded


def main() -> int:
    arguments = parse(sys.argv[1:])
    enter()
    return do(arguments)


def parse(argv: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Read and fill a shop book; docs/bench.md describes its contents.")
    parser.add_argument("book", metavar="BOOK.toml", type=Path, help="the shop book; created if it does not exist")
    tasks = parser.add_subparsers(dest="task", required=True, metavar="TASK")
    tasks.add_parser("show", help="show what is in the book, and the result of its readings")
    reading = tasks.add_parser("add-reading", help="enter which step of a fit ladder fitted as it should")
    reading.add_argument("--fitting", required=True, metavar="F1", help="the fitting that the ladder is for")
    reading.add_argument("--step", required=True, metavar="0.25", help="the step, as it is marked")
    reading.add_argument("--measured", metavar="MM", help="caliper reading of that spigot's width")
    run = tasks.add_parser("add-print", help="enter the plastic and time that all plates of a job really took")
    run.add_argument("--used-g", type=float, metavar="GRAMS", help="plastic used, including support and purge")
    run.add_argument("--took", metavar="TIME", help="how long it took, such as '5 h 20 min'")
    for task in (reading, run):
        task.add_argument(
            "result", metavar="result.json", type=Path, help="the result.json that the job wrote beside its files"
        )
    for name, what in (
        ("export", "write a copy for another machine"),
        ("import", "merge another machine's book into this one"),
    ):
        tasks.add_parser(name, help=what).add_argument("other", metavar="OTHER.toml", type=Path)
    return parser.parse_args(argv)


def do(arguments: argparse.Namespace) -> int:
    """Does what was asked; 0, or 1 with what is wrong on stderr."""
    from addon.bench.readings import ReadingError
    from addon.bench.shop_file import ShopBookError

    try:
        print("\n".join(_said(arguments)))
    except (ReadingError, ShopBookError) as error:
        print(error, file=sys.stderr)
        return 1
    return 0


def _said(asked: argparse.Namespace) -> list[str]:
    """Does what was asked; returns a report, line by line."""
    from addon.bench.readings import learned
    from addon.bench.shop_file import export_book, import_book, open_book, update_book

    if asked.task == "show":
        book = open_book(asked.book)
        said = [f"{entry.table}: {entry.name}" for entry in book.entries if entry.value is not None]
        return [*book.problems, *(said or [f"{asked.book} has no entries."]), *learned(book)]
    if asked.task == "export":
        export_book(open_book(asked.book), asked.other)
        return [f"{asked.other} is a copy of {asked.book}."]
    if asked.task == "import":
        book, report = import_book(asked.book, asked.other)
        return [*book.problems, *report, f"{asked.book} now has the entries of {asked.other}."]
    entry = _entry(asked)
    book = update_book(asked.book, lambda old: old.with_entry(entry))
    return [*book.problems, f"Entered into {asked.book} as {entry.name}.", *learned(book)]


def _entry(asked: argparse.Namespace) -> Any:
    from datetime import UTC, datetime

    from addon.bench.quantities import parse_duration
    from addon.bench.readings import ReadingError, fit_reading, print_run
    from addon.geometry.units import parse_length

    result, now = _result(asked.result), datetime.now(UTC)
    try:
        if asked.task == "add-reading":
            measured = None if asked.measured is None else parse_length(asked.measured)
            return fit_reading(result, asked.fitting, asked.step, now, measured)
        return print_run(result, now, asked.used_g, None if asked.took is None else parse_duration(asked.took))
    except ReadingError:
        raise
    except ValueError as error:
        raise ReadingError(f"{error}.") from None


def _result(path: Path) -> Any:
    from addon.bench.readings import ReadingError
    from addon.files.texts import read_text
    from addon.job.folder import MOST_BYTES

    try:
        result = json.loads(read_text(path, MOST_BYTES))
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "it is not JSON"
        raise ReadingError(f"{path} cannot be read: {reason}. Name the result.json that the job wrote.") from None
    return result if isinstance(result, dict) else {}


if __name__ == "__main__":
    sys.exit(guarded(main))
