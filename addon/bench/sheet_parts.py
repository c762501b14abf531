# SPDX-License-Identifier: GPL-3.0-or-later
"""What several pages of the job sheet have."""

from __future__ import annotations

from collections.abc import Sequence

from ..trade.cautions import Step, cautions_for
from .markup import element, escaped
from .sheet import JobSheet


def joined(*parts: str) -> str:
    return "\n".join(part for part in parts if part)


def cautions_at(sheet: JobSheet, *steps: Step) -> str:
    """What applies to this job at these steps of the work; it cannot be left out."""
    rows = []
    for caution in cautions_for(sheet.facts):
        if caution.step in steps:
            danger, colon, what_to_do = caution.text.rpartition(": ")
            rows.append(element("li", escaped(danger + colon), element("strong", escaped(what_to_do))))
    return element("div", element("ul", *rows), class_="caution") if rows else ""


def who(ids: Sequence[str], sheet: JobSheet) -> str:
    """``"F1, F3"``, ``"all fittings"``, ``"all but F2"``."""
    others = [fitting.id for fitting in sheet.fittings if fitting.id not in ids]
    if len(sheet.fittings) > 1 and not others:
        return "all fittings"
    return f"all but {', '.join(others)}" if 0 < 2 * len(others) < len(ids) else ", ".join(ids)
