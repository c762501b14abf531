# SPDX-License-Identifier: GPL-3.0-or-later
"""Elements of HTML and SVG, with every text escaped."""

from __future__ import annotations

import html
import re
from collections.abc import Sequence

_NOT_HTML = re.compile(
    "[^\t\n\r\x20-\x7e\xa0-\ud7ff\ue000-\ufdcf\ufdf0-\ufffd\U00010000-\U0010ffff]|[\U0001fffe-\U0001ffff]"
)
"""Control characters, lone surrogates and noncharacters, which no HTML text may hold."""


def escaped(value: object) -> str:
    """Text for content or an attribute. What HTML may not hold becomes U+FFFD."""
    return html.escape(_NOT_HTML.sub("\ufffd", str(value)))


def number(value: float) -> str:
    """To a thousandth."""
    return f"{round(float(value), 3) + 0.0:.3f}".rstrip("0").rstrip(".")


def element(tag: str, *children: str, **attributes: object) -> str:
    """``element("line", x1=0, stroke_width=0.2)``: underscores become hyphens, and None leaves an attribute out.

    Children are markup already; ``escaped`` makes markup from text.
    """
    written = "".join(
        f' {name.rstrip("_").replace("_", "-")}="{number(value) if isinstance(value, int | float) else escaped(value)}"'
        for name, value in attributes.items()
        if value is not None
    )
    return f"<{tag}{written}>{''.join(children)}</{tag}>"


def paragraph(words: str) -> str:
    return element("p", escaped(words))


def items(tag: str, lines: Sequence[str]) -> str:
    """A list, numbered (``ol``) or not (``ul``)."""
    return element(tag, *(element("li", escaped(item)) for item in lines))


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], numbers: Sequence[int] = (), caption: str = "") -> str:
    """A table of texts. Columns in ``numbers`` go to the right. Without ``heads`` the first cell of a row heads it."""

    def cell(tag: str, index: int, words: str, **attributes: object) -> str:
        return element(tag, escaped(words), class_="number" if index in numbers else None, **attributes)

    parts = [element("caption", escaped(caption))] if caption else []
    if heads:
        parts.append(
            element("thead", element("tr", *(cell("th", i, head, scope="col") for i, head in enumerate(heads))))
        )
    body = []
    for row in rows:
        first = cell("td", 0, row[0]) if heads else cell("th", 0, row[0], scope="row")
        body.append(element("tr", first, *(cell("td", i, words) for i, words in enumerate(row[1:], 1))))
    return element("table", *parts, element("tbody", *body))
