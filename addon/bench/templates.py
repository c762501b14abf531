# SPDX-License-Identifier: GPL-3.0-or-later
"""Wrap templates on paper, at 1:1: an HTML file of pages for A4 or Letter, and each template as an SVG of its own."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..families.template import Template
from ..geometry.frames import Floats
from ..geometry.units import MM_PER_INCH
from . import svg
from .markup import element, escaped, items, number, paragraph
from .section_drawing import text_width

_STYLE = Path(__file__).with_name("templates.css").read_text("utf-8")
_PAGE_MM = 174.0, 205.0
"""What of a template is on one page: with the words above it and the check lines beside it fits A4 and Letter."""
_SHARED_MM = 10.0
"""What two pages both show of it."""
_GLUE_MM = 12.0
"""The flap that goes under the left edge."""
_EDGE_MM = 5.0
"""Around the template."""
_CHECK_MM = 50.0
_CHECK_IN = 2
_BESIDE_MM, _BELOW_MM = 10.0, 12.0
"""Room for the check lines."""
_CHECKS_MM = _CHECK_MM + _CHECK_IN * MM_PER_INCH + 3 * _EDGE_MM
_CROSS_MM = 4.0
_MOST_LETTERS = 400
"""Above a template: four rows."""
_WORDS_MM, _ROW_MM, _ROWS = 33.0, 4.0, 4
"""Where words stand on the template: from its lower edge, clear of the lines' names."""
_ELSEWHERE = "Lengths and tubes are on the first page."
_HOW = (
    "Print at 100 %, not scaled to fit the page, and measure the check lines of each page: 50 mm and 2 in, both ways.",
    "Lay pages of one template over each other, cross on cross, and tape them.",
    "Cut out along the thick line, the lower edge and the left edge; leave the flap at the right.",
    "Draw a line square around the tube at the length that is given, and a line along the tube where the heavy line of "
    "dashes and dots goes: the short side or the axis line of the cut, or the middle of side 1.",
    "Wrap the paper around, printed side out, its lower edge on the line; the left edge meets the dashed line of the "
    "flap, which goes under it. If it does not meet, the tube or the print is not the right size.",
    "Mark along the thick line, take the paper off, and cut. The dashed line is where the cut comes out inside: bevel "
    "to it where the tubes have to fit close.",
)


def templates_html(title: str, templates: Mapping[str, Template]) -> str:
    """The templates by the ids of their fittings, each on pages of its own, after a page on how to use them."""
    pages = [page for id, template in templates.items() for page in _pages(id, template)]
    head = (
        '<meta charset="utf-8"><meta name="viewport" content="width=device-width">'
        + element("title", escaped(f"{title}: wrap templates"))
        + element("style", _STYLE)
    )
    listed = [
        element("h2", escaped(f"{id}: {template.title}")) + "".join(map(paragraph, template.said))
        for id, template in templates.items()
    ]
    body = "\n".join(
        [
            element("h1", escaped(f"{title}: wrap templates")),
            items("ol", _HOW),
            *listed,
            *(element("section", page) for page in pages),
        ]
    )
    return f'<!DOCTYPE html>\n<html lang="en">\n<head>{head}</head>\n<body>\n{body}\n</body>\n</html>\n'


def template_svg(id: str, template: Template) -> str:
    """The whole template as one picture, as large as it is, with check lines below."""
    sheet = _Sheet(id, template)
    width = max(sheet.width, _CHECKS_MM)
    drawn = [element("style", _STYLE), *sheet.parts(), *_checks(0.0, sheet.height)]
    whole = svg.drawing(width, sheet.height + _BELOW_MM, f"{id}: {template.title}", *drawn)
    return whole.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)


@dataclass(frozen=True, eq=False)
class _Sheet:
    """A template on paper that is large enough: x to the right, y down, in mm."""

    id: str
    template: Template

    @property
    def width(self) -> float:
        return self.template.girth + _GLUE_MM + 2 * _EDGE_MM

    @property
    def height(self) -> float:
        return self.template.height + 2 * _EDGE_MM

    def paper(self, points: Floats) -> Floats:
        return np.array([_EDGE_MM, _EDGE_MM + self.template.height]) + np.asarray(points) * (1.0, -1.0)

    def parts(self) -> list[str]:
        template, girth = self.template, self.template.girth
        outside, flap = template.outside, template.outside[template.outside[:, 0] <= _GLUE_MM]
        end = float(np.interp(_GLUE_MM, *outside.T))
        flap = np.add([*flap, (_GLUE_MM, end), (_GLUE_MM, 0.0), (0.0, 0.0)], (girth, 0.0))
        drawn = [
            svg.path(self.paper(flap), "thin"),
            svg.path(self.paper(np.array([(girth, 0.0), (girth, outside[-1, 1])])), "hidden"),
            svg.path(self.paper(np.array([(girth, 0.0), (0.0, 0.0), (0.0, outside[0, 1])])), "thin"),
            svg.path(self.paper(template.inside), "hidden"),
            svg.path(self.paper(outside), "cut"),
        ]
        for line in template.lines:
            top = float(np.interp(line.around_mm, *outside.T))
            ends = self.paper(np.array([(line.around_mm, 0.0), (line.around_mm, top)]))
            drawn.append(svg.path(ends, "fold" if line.fold else "chief" if line.chief else "axis"))
            if line.name:
                drawn.append(_upright(ends[0] + (2.0, -1.5), line.name))
        drawn.append(_upright(self.paper(np.array([girth + _GLUE_MM / 2, 1.5])), "glue under the left edge"))
        left, foot = self.paper(np.zeros(2))
        for row, words in enumerate(self._words(girth - 6)):
            drawn.append(svg.text((left + 3, foot - _WORDS_MM + _ROW_MM * row), words, "start"))
        return drawn

    def _words(self, width: float) -> list[str]:
        """What fits in a few rows: all that is said, or where that is."""
        title, said = f"{self.id}: {self.template.title}.", f"{'. '.join(self.template.said)}."
        whole, short = (_in_rows(f"{title} {words}", width) for words in (said, _ELSEWHERE))
        return whole if len(whole) <= _ROWS else short[:_ROWS]


def _in_rows(words: str, width: float) -> list[str]:
    rows = [""]
    for word in words.split():
        if rows[-1] and text_width(f"{rows[-1]} {word}") > width:
            rows.append("")
        rows[-1] = f"{rows[-1]} {word}".lstrip()
    return rows


def _upright(at: Floats, words: str) -> str:
    """Words that run up from a place."""
    return element("g", svg.text((0, 0), words, "start"), transform=f"translate({at[0]:.2f} {at[1]:.2f}) rotate(-90)")


def _pages(id: str, template: Template) -> Iterator[str]:
    """What each page of a template holds; it lies across the paper where that takes fewer pages."""
    sheet = _Sheet(id, template)
    size, turn = (sheet.width, sheet.height), None
    if math.prod(_counts(size[::-1])) < math.prod(_counts(size)):
        size, turn = size[::-1], f"translate(0 {number(sheet.width)}) rotate(-90)"
    across, down = _counts(size)
    whole = element("g", *sheet.parts(), transform=turn) + "".join(_crosses(across, down))
    for row, column in np.ndindex(down, across):
        corner = np.array([column, row]) * (np.array(_PAGE_MM) - _SHARED_MM)
        width, height = np.minimum(_PAGE_MM, size - corner).tolist()
        box = " ".join(map(number, (*corner, width, height)))
        window = element("svg", whole, x=_BESIDE_MM, y=0, width=width, height=height, viewBox=box)
        tall = max(height, _CHECK_MM + 2 * _EDGE_MM)
        foot = np.array([_BESIDE_MM / 2, tall - _EDGE_MM])
        upright = [*_check(foot, (0, -_CHECK_MM)), _upright(foot - (2.5, 20), f"{_CHECK_MM:g} mm")]
        page = svg.drawing(
            _BESIDE_MM + max(width, _CHECKS_MM),
            tall + _BELOW_MM,
            template.title,
            window,
            *upright,
            *_checks(_BESIDE_MM, tall),
        )
        of = f", page {row + 1}.{column + 1} of {down} × {across}" if across * down > 1 else ""
        yield element("h2", escaped(f"{id}: {template.title}{of}")) + paragraph(_shortened(template.said)) + page


def _shortened(rows: Sequence[str]) -> str:
    """As many of them as there is room for; the first page has all."""
    said: list[str] = []
    for row in rows:
        if sum(map(len, said)) + len(row) > _MOST_LETTERS:
            return ". ".join([*said, _ELSEWHERE])
        said.append(row)
    return ". ".join(said)


def _counts(size: Sequence[float]) -> tuple[int, int]:
    """How many pages it takes across and down."""
    across, down = (
        max(math.ceil((length - _SHARED_MM) / (page - _SHARED_MM) - 1e-9), 1)
        for length, page in zip(size, _PAGE_MM, strict=True)
    )
    return across, down


def _crosses(across: int, down: int) -> Iterator[str]:
    """Register marks in what two pages share, each on both."""
    step, middle = np.array(_PAGE_MM) - _SHARED_MM, _SHARED_MM / 2
    for column, row, quarter in np.ndindex(across, down, 2):
        for side, number_of in ((0, across), (1, down)):
            place = (column, row)[side]
            if place + 1 < number_of:
                at = np.array([column, row]) * step + (0.25 + 0.5 * quarter) * step
                at[side] = (place + 1) * step[side] + middle
                for arm in ((_CROSS_MM, 0.0), (0.0, _CROSS_MM)):
                    yield svg.line(at - arm, at + arm, "check")


def _checks(x: float, y: float) -> list[str]:
    """Check lines across, below what ends at ``y``."""
    inches = _CHECK_IN * MM_PER_INCH
    first = _check((x + _EDGE_MM, y + 4), (_CHECK_MM, 0), f"{_CHECK_MM:g} mm")
    return [*first, *_check((x + 2 * _EDGE_MM + _CHECK_MM, y + 4), (inches, 0), f"{_CHECK_IN} in")]


def _check(start: svg.Point, way: svg.Point, words: str = "") -> list[str]:
    """A line with ticks, and perhaps words below its middle."""
    begin, along = np.array(start), np.array(way)
    tick = along[::-1] / np.linalg.norm(along) * 1.5
    lines = [svg.line(begin, begin + along, "check")]
    lines += [svg.line(end - tick, end + tick, "check") for end in (begin, begin + along)]
    return [*lines, svg.text(begin + along / 2 + (0, 4), words)] if words else lines
