# SPDX-License-Identifier: GPL-3.0-or-later
"""Writes the tables of docs/job_file.md from the declarations of the job's numbers.

python3 scripts/write_docs.py
"""

from __future__ import annotations

import json
import re
import sys
from dataclasses import MISSING
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args, get_origin

from _environment import REPOSITORY, enter, guarded

if TYPE_CHECKING:
    from addon.fields.declared import Declared

PAGE = REPOSITORY / "docs" / "job_file.md"
HEADER = "| key | default | allowed | meaning |\n|---|---|---|---|\n"
_TABLE = re.compile(r"(<!-- table: (?P<name>[^\n]+) -->\n).*?(?=<!-- end -->)", re.DOTALL)
"""What stands between the marks is generated."""


def main() -> int:
    enter()
    PAGE.write_text(with_tables(PAGE.read_text("utf-8")), "utf-8", newline="\n")
    print(f"The tables of {PAGE.relative_to(REPOSITORY)} are up to date.")
    return 0


def records() -> dict[str, type]:
    """The record behind each table, by the table's mark."""
    from addon.families.table import FAMILIES
    from addon.job.asked import Assembly, LadderWish, Measured, Output, Shop, SiteMatch, TubeFacts
    from addon.takeoff.given import SizedEnd
    from addon.takeoff.given_sites import GIVEN_SITES
    from addon.takeoff.picked import PickedEnd
    from addon.trade.processes import Process

    return {
        "assembly": Assembly,
        "tube_end by its rim": PickedEnd,
        "tube_end by its size": SizedEnd,
        **{kind.table: kind for kind in GIVEN_SITES},
        **{family.table: family.recipe for family in FAMILIES},
        "fitting.for": SiteMatch,
        "measured": Measured,
        "tube": TubeFacts,
        "process": Process,
        "shop": Shop,
        "fit_ladder": LadderWish,
        "output": Output,
    }


def with_tables(page: str) -> str:
    """The page with its tables written anew. Raises ``KeyError`` for a mark that names no record."""
    known = records()
    return _TABLE.sub(lambda mark: f"{mark[1]}\n{table(known[mark['name']])}\n", page)


def table(cls: type) -> str:
    """A record's fields as Markdown: a table, or one a group under the group's name. Fields without a meaning are not
    for job files."""
    from addon.fields.declared import declared_in
    from addon.trade.processes import DEFAULT_PROCESS, Process, process_named

    usual = process_named(DEFAULT_PROCESS) if cls is Process else None
    groups: dict[str, list[str]] = {}
    for field in declared_in(cls).values():
        if meaning := field.field.meaning or field.field.tip:
            default = field.default if usual is None else field.of(usual)
            cells = (
                f"`{field.key}`",
                _default(default, field),
                _allowed(field.hint, field),
                meaning[0].upper() + meaning[1:],
            )
            groups.setdefault(field.field.group, []).append(f"| {' | '.join(cells)} |\n")
    return "\n".join((f"**{group}**\n\n" if group else "") + HEADER + "".join(rows) for group, rows in groups.items())


def _default(default: Any, field: Declared) -> str:
    if default is MISSING:
        return "needed"
    if default is None or default in ("", ()):
        return field.field.automatic or "none"
    return f"`{_plain(default)}`"


def _plain(value: Any) -> str:
    """As a job file has it."""
    if isinstance(value, tuple):
        return f"[{', '.join(map(_plain, value))}]"
    return f"{value:g}" if isinstance(value, int | float) else json.dumps(str(value), ensure_ascii=False)


def _allowed(hint: Any, field: Declared) -> str:
    inner = get_args(hint)
    if get_origin(hint) is Literal or field.field.names:
        names = inner if field.field.names is None else field.field.names()
        return ", ".join(f'`"{name}"`' for name in names) + (", or one of the shop book" if field.field.others else "")
    if get_origin(hint) is tuple:
        if inner[-1] is ...:
            return "list of paths" if inner[0] is Path else f"list of {_allowed(inner[0], field)}"
        return "`[x, y, z]`" if field.field.most is None else f"list of {len(inner)}: {_range(field)}"
    return {str: "text", Path: "path"}.get(hint) or _range(field)


def _range(field: Declared) -> str:
    least, most = field.field.least, field.field.most
    unit = field.unit if field.unit == "°" else f" {field.unit}" if field.unit else ""
    if least is None or most is None:
        return unit.strip() if least is None else f"at least {least:g}{unit}"
    return f"{least:g} to {most:g}{unit}".replace("-", "−")


if __name__ == "__main__":
    sys.exit(guarded(main))
