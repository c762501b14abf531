# SPDX-License-Identifier: GPL-3.0-or-later
"""Wrap templates on paper: true to size, whole over their pages, and the development that they are made from.

Sources: 1 in = 25.4 mm (international yard and pound agreement, 1959); sizes of A4 (ISO 216) and Letter (ANSI/ASME
Y14.1, 8.5 × 11 in), with the 12 mm that the pages leave around.
"""

from __future__ import annotations

import math
import re
from html import unescape
from itertools import pairwise
from xml.etree import ElementTree

import numpy as np
import pytest

from addon.bench.templates import template_svg, templates_html
from addon.families.template import Template
from addon.geometry.developments import PlaneCut, TubeCut, develop
from addon.geometry.sections import Outline, Section

SMALL = develop(TubeCut.at(Outline.circle(48.3), 60.0), Section.round(25.4, 3.175))
LARGE = develop(TubeCut.at(Outline.circle(168.3), 40.0), Section.round(114.3, 6.0))
SQUARE = develop(TubeCut.at(Outline.circle(60.3), 90.0), Section.rectangular(40, 40, 3))
MITRE = develop(PlaneCut(45.0, 0.0), Section.round(48.3, 3.0))
ROOM_MM = min(210.0, 8.5 * 25.4) - 24, min(297.0, 11 * 25.4) - 24
SVG = "{http://www.w3.org/2000/svg}"


def template(development) -> Template:
    return Template.of(development, "cope of a tube", ("brace: 382.5 mm from the far end",))


def pages(development) -> list[ElementTree.Element]:
    html = templates_html("Stall", {"F1": template(development)})
    found = re.findall(r"<section><h2>.*?</h2>.*?(<svg.*</svg>)</section>", html)
    return [ElementTree.fromstring(svg) for svg in found]


def points(path: ElementTree.Element) -> np.ndarray:
    return np.array([float(word) for word in re.findall(r"[-\d.]+(?:e-?\d+)?", path.attrib["d"])]).reshape(-1, 2)


def lengths(lines) -> list[float]:
    ends = [[float(line.attrib[key]) for key in ("x1", "y1", "x2", "y2")] for line in lines]
    return sorted(round(math.hypot(c - a, d - b), 3) for a, b, c, d in ends)


def check_size(svg: ElementTree.Element) -> tuple[float, float]:
    """A user unit is a millimetre on paper."""
    box = [float(word) for word in svg.attrib["viewBox"].split()]
    assert box[:2] == [0, 0] and [svg.attrib["width"], svg.attrib["height"]] == [f"{side:g}mm" for side in box[2:]]
    return box[2], box[3]


@pytest.mark.parametrize("development", [SMALL, LARGE, SQUARE, MITRE], ids=["small", "large", "square", "mitre"])
def test_the_line_to_cut_is_the_development(development):
    svg = ElementTree.fromstring(template_svg("F1", template(development)))
    check_size(svg)
    (cut,) = (points(path) for path in svg.iterfind(f"{SVG}path[@class='cut']"))
    inside = max((points(path) for path in svg.iterfind(f"{SVG}path[@class='hidden']")), key=len)
    for line, heights in ((cut, development.outside), (inside, development.inside)):
        assert line[:, 0] - line[0, 0] == pytest.approx(development.around, abs=1e-3)
        assert line[0, 1] - line[:, 1] == pytest.approx(heights - heights[0], abs=2e-3)
    assert np.ptp(cut[:, 0]) == pytest.approx(development.length, abs=1e-3)
    assert lengths(line for line in svg.iterfind(f"{SVG}line[@class='check']")) == [3, 3, 3, 3, 50, 50.8]


@pytest.mark.parametrize(("development", "count"), [(SMALL, 1), (SQUARE, 1), (MITRE, 1), (LARGE, 3)])
def test_pages_fit_a4_and_letter_and_show_all_of_a_template(development, count):
    sheets = pages(development)
    assert len(sheets) == count
    shown, crosses = [], []
    for sheet in sheets:
        width, height = check_size(sheet)
        assert width <= ROOM_MM[0] and height + 25 <= ROOM_MM[1]  # with the words above it
        window = sheet.find("svg")
        x, y, wide, high = (float(word) for word in window.attrib["viewBox"].split())
        assert (float(window.attrib["width"]), float(window.attrib["height"])) == (wide, high)
        shown.append((x, y, x + wide, y + high))
        crosses.append({mark for mark in map(middle, window.iterfind("line")) if within(mark, shown[-1])})
        assert lengths(sheet.iterfind("line")) == [3] * 6 + [50, 50, 50.8]
    assert all(before[2] - after[0] == pytest.approx(10) for before, after in pairwise(shown))
    assert all(len(before & after) == 2 for before, after in pairwise(crosses))
    # With the flap of 12 mm, 36 mm below the cut, and 5 mm around.
    tall = max(development.top, development.outside.max()) - development.bottom + 36
    size = development.length + 12 + 10, tall + 10
    assert shown[-1][2:] == pytest.approx(size, abs=0.01)


def middle(line: ElementTree.Element) -> tuple[float, float]:
    return tuple(round(sum(float(line.attrib[f"{axis}{end}"]) for end in (1, 2)) / 2, 3) for axis in "xy")


def within(point, window) -> bool:
    return window[0] <= point[0] <= window[2] and window[1] <= point[1] <= window[3]


def test_a_rectangular_tube_is_one_strip_of_four_sides():
    svg = ElementTree.fromstring(template_svg("F1", template(SQUARE)))
    names = [text.text for text in svg.iter(f"{SVG}text")]
    assert [name for name in names if name.startswith("side")] == ["side 1", "side 2", "side 3", "side 4"]
    folds = [points(path)[0, 0] for path in svg.iterfind(f"{SVG}path[@class='fold']")]
    # source: four sides of 28 mm between corners of a quarter circle of 6 mm
    assert np.diff([5.0, *folds]) == pytest.approx(28 + 3 * math.pi, abs=0.1)
    assert SQUARE.length == pytest.approx(4 * (28 + 3 * math.pi))


def test_a_long_slanting_cut_lies_across_the_paper_where_that_takes_fewer_pages():
    slanting = develop(PlaneCut(60.0, 0.0), Section.round(57.0, 3.0))  # 99 mm high, 179 mm around
    assert len(pages(slanting)) == 1


def words_of(element: ElementTree.Element) -> list[str]:
    return [text.text for text in element.iter(f"{SVG}text")]


@pytest.mark.parametrize("development", [SMALL, MITRE], ids=["cope", "mitre"])
def test_the_short_side_is_told_from_the_long_one_by_words_and_by_its_line(development):
    svg = ElementTree.fromstring(template_svg("F1", template(development)))
    (chief,) = (points(path) for path in svg.iterfind(f"{SVG}path[@class='chief']"))
    others = [points(path) for path in svg.iterfind(f"{SVG}path[@class='axis']")]
    assert len(others) == 3
    assert np.ptp(chief[:, 1]) < min(np.ptp(line[:, 1]) for line in others)
    assert words_of(svg).count("short side") == words_of(svg).count("long side") == 1


def test_no_sentence_on_a_template_is_cut_off():
    """What does not fit is on the first page, with all tubes."""
    row = "Lower edge 123.45 mm from the far end, longest point 234.56 mm; short side opposite the far end's: brace"
    for count in (1, 2, 9):
        said = tuple(f"{row} {number}" for number in range(count))
        many = Template.of(SMALL, "1 in × 1/8 in, 60° on 48.3 mm round", said)
        html = templates_html("Stall", {"F1": many})
        assert "..." not in html and "..." not in template_svg("F1", many)
        assert all(each in unescape(html) for each in said)
        shown = " ".join(words_of(ElementTree.fromstring(template_svg("F1", many))))
        assert (row in shown) == (count == 1) and ("Lengths and tubes are on the first page" in shown) == (count > 1)
