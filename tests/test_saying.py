# SPDX-License-Identifier: GPL-3.0-or-later
"""What an imperial scene says of the house's sentences: every length in inches, every name as it was given.

Numbers are compared with pint, which knows its own inch.
"""

from __future__ import annotations

import pickle
import re
import textwrap
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from itertools import product
from pathlib import Path
from typing import Any

import hypothesis.strategies as st
import numpy as np
import pint
import pytest
from hypothesis import given
from manifold3d import Manifold
from recipes import recipe_of
from review_shapes import PROCESS, cylinder, odd_parts

from addon.bench.fit_ladder import LadderError, fit_ladder, ladder_reading
from addon.bench.plate import Footprint, PlateError, lay_out
from addon.bench.readings import learned
from addon.bench.shop_book import ShopBook, book_text, parse_book
from addon.bench.shop_entries import FitReading, PrintRun
from addon.families.cap import CAP, Recipe, design
from addon.families.cap.bounds import resolve
from addon.fields.declared import declared_in
from addon.fields.messages import (
    Area,
    FieldName,
    Given,
    Length,
    Measure,
    Message,
    Name,
    Volume,
    message_from,
    say,
    say_value,
)
from addon.fields.refusals import RecipeError
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.geometry.units import MM_PER_INCH, NO_BREAK, say_both, say_mm
from addon.job.asked import Assembly, Job, Output, TubeFacts, Wish
from addon.job.batches import resolved, sort_into_batches
from addon.job.resolved import designed, reviewed
from addon.review import Finding, review, review_fit, review_fitting
from addon.takeoff import Takeoff, take_off
from addon.takeoff.doubt import doubt_unit
from addon.trade.fits import with_reading
from addon.trade.processes import Process, ProcessError, check_process, processes
from addon.trade.sizes import nearest_size, size_fit
from addon.ui.fields import inch_name
from addon.ui.wording import IMPERIAL, METRIC

INCHES = pint.get_application_registry()
UNITS = {"mm": "mm", "mm²": "mm**2", "mm³": "mm**3", "cm²": "cm**2", "cm³": "cm**3", "mm/s": "mm/s"}
NUMBER = re.compile(r"(?<!\w)(?:\d+ \d+/\d+|\d+/\d+|\d+(?:\.\d+)?)")
QUOTED = r"""(?<!\w)(?:"[^"]*"|“[^”]*”|'(?:[^'\\]|\\.)*')"""
"""What stands in quotes. An apostrophe begins nothing, as it follows a letter."""
NAMES = ["Everyday, 0.2 mm layers", "Rail 40 mm", '3" × 5 mm', 'a "5 mm” b', "it's 5 mm", "“5 mm”"]


def numbers_of(text: str) -> list[re.Match[str]]:
    return list(NUMBER.finditer(text))


def value_of(text: str) -> float:
    return float(sum(map(Fraction, text.split())))


def measures_of(message: Message) -> Iterator[Measure]:
    for value in message.values.values():
        if isinstance(value, Message):
            yield from measures_of(value)
        elif isinstance(value, Measure):
            yield value


def without_names(message: Message) -> Message:
    """The message with a plain word in the place of every name, and no metric length in what it is made of."""
    assert not re.search(r"\d\S* ?[mc]m|\bmm\b", message.template), message.template
    plain: dict[str, Any] = {}
    for key, value in message.values.items():
        assert not (isinstance(value, str) and re.search(r"\d [mc]m\b", value)) or isinstance(value, Message), message
        plain[key] = (
            without_names(value) if isinstance(value, Message) else "x" if isinstance(value, Name | Given) else value
        )
    return Message(message.template, plain)


def assert_message_in_inches(message: Message) -> None:
    """No metric unit is left outside names, and every number is what pint makes of it."""
    said = without_names(message).text(IMPERIAL)
    assert not re.search(r"mm|cm[²³]|millimet", said.replace("g/cm³", "")), said
    for measure in measures_of(message):
        if "mm" not in measure.unit:
            continue
        bare = Measure(tuple(map(abs, measure.numbers)), measure.unit, measure.between)
        ways = [way.said(units) for way in (measure, bare) for units in (IMPERIAL, replace(IMPERIAL, decimals=4))]
        text = next(text for text in ways if text in said)
        unit = UNITS[measure.unit]
        for number, shown in zip(measure.numbers, numbers_of(text), strict=True):
            wanted = abs(INCHES.Quantity(number, unit).to(unit.replace("mm", "inch")).magnitude)
            allowed = 0.000501 if unit == "mm" else max(wanted * 5.01e-3, 1e-12)
            assert value_of(shown[0]) == pytest.approx(wanted, abs=allowed), (message, said)
            assert value_of(shown[0]) > 0 or wanted < 0.00005, (message, said)


def assert_in_inches(words: str) -> None:
    """Of a message as above; other text tells no lengths and no keys outside quotes."""
    if isinstance(words, Message):
        assert_message_in_inches(words)
    else:
        assert not re.search(r"\d ?[mc]m\b|\w_mm\b", re.sub(QUOTED, "name", words)), words


# Messages of every form


@given(st.floats(-5000, 5000, allow_nan=False))
def test_a_length_in_a_message_is_said_as_it_is_by_itself(mm: float) -> None:
    message = say("It is {} high.", Length(mm))
    assert message == f"It is {say_mm(mm)} high."
    assert message.text(IMPERIAL) == f"It is {IMPERIAL(mm)} high."
    assert message.text(METRIC) == message
    assert_message_in_inches(message)


@given(st.integers(1, 64 * 40))
def test_whole_fractions_of_an_inch_lose_their_millimetres(parts: int) -> None:
    mm = parts * MM_PER_INCH / 64
    assert say("{}", Length(mm, both=True)) == say_both(mm)
    assert say("{}", Length(mm, both=True)).text(IMPERIAL) == IMPERIAL(mm)


@pytest.mark.parametrize(
    ("message", "metric", "imperial"),
    [
        (say("A wall is {} thick.", Length(0.2)), "A wall is 0.2 mm thick.", "A wall is 0.008 in thick."),
        (say("allowed is {:g}", Length(8, 20, between=" to ")), "allowed is 8 to 20 mm",
         "allowed is 0.315 to 0.787 in"),
        (say("a bore {}", Length(40, 40, 2)), "a bore 40 × 40 × 2 mm", "a bore 1.575 × 1.575 × 0.079 in"),
        (say("{}", Length(3.175, 12.7, between=" x ")), "3.18 x 12.7 mm", "1/8 x 1/2 in"),
        (say("x {}, y {}", Length(3), Length(-4)), "x 3 mm, y -4 mm", "x 0.118 in, y -0.157 in"),
        (say("{:+}, wall {:+}", Length(0.04), Length(-0.02)), "+0.04 mm, wall −0.02 mm", "+0.002 in, wall −0.001 in"),
        (say("off by {}", Length(0.01)), "off by 0.01 mm", "off by 0.0004 in"),
        (say("gap {}; at least {}", Length(0.305), Length(0.31)), "gap 0.31 mm; at least 0.31 mm",
         "gap 0.012 in; at least 0.012 in"),
        (say("gap {}; at least {}", Length(0.30), Length(0.31)), "gap 0.3 mm; at least 0.31 mm",
         "gap 0.0118 in; at least 0.0122 in"),
        (say("{:g} is 0", Length(0.125)), "0.125 mm is 0", "0.005 in is 0"),
        (say("On {} and {}", Area(1930), Volume(56.2)), "On 1930 mm² and 56.2 mm³", "On 2.99 in² and 0.00343 in³"),
        (say("{:g}", Measure((0.1, 2000), "mm/s")), "0.1 to 2000 mm/s", "0.00394 to 78.7 in/s"),
        (say("{}", Length(1e-5)), "0 mm", "0 in"),
        (say("layer 14, {:.0%}, {:g}°, {}", 0.87, 45, Measure((3,), "s")), "layer 14, 87%, 45°, 3 s",
         "layer 14, 87%, 45°, 3 s"),
        (say("Worse: {}.", say("a gap of {}", Length(5))), "Worse: a gap of 5 mm.", "Worse: a gap of 0.197 in."),
        (say("{}: {}", ValueError(say("at {}", Length(5))), 1), "at 5 mm: 1", "at 0.197 in: 1"),
        (say("braces { } stay"), "braces { } stay", "braces { } stay"),
    ],
)  # fmt: skip
def test_every_form_of_a_measure(message: Message, metric: str, imperial: str) -> None:
    """By hand: divided by 25.4, its square or its cube."""
    assert (message, message.text(METRIC), message.text(IMPERIAL)) == (metric, metric, imperial)


@given(st.sampled_from(NAMES) | st.text(alphabet="\"'“”\\ 5m×ä{}"))
def test_names_stay_as_they_were_given(name: str) -> None:
    for called in (Name(name), Given(name)):
        message = say("{}, {} down", called, Length(5))
        assert message.text(IMPERIAL) == f"{called.said(IMPERIAL)}, 0.197 in down"
    assert name in Name(name).said(IMPERIAL)


VALUES = st.one_of(
    st.builds(Length, st.floats(-1e4, 1e4)), st.builds(Name, st.text()), st.builds(Given, st.text()),
    st.builds(FieldName, st.sampled_from(["rise_mm", "fill"]), st.none() | st.floats(0, 9)), st.integers(), st.text(),
)  # fmt: skip


@given(VALUES, st.builds(lambda value: say("<{}>", value), VALUES), st.text())
def test_a_stored_message_comes_back(value: Any, inner: Message, text: str) -> None:
    for message in (say("{} and {inner}", value, inner=inner), say(text), pickle.loads(pickle.dumps(inner))):
        again = message_from(message.stored())
        assert [again.text(units) for units in (METRIC, IMPERIAL)] == [
            message.text(units) for units in (METRIC, IMPERIAL)
        ]


@pytest.mark.parametrize(
    ("message", "plain", "metric", "imperial"),
    [
        (say("set {}.", FieldName("rise_mm", 12.5)), "set rise_mm to 12.5.", "set Rise to 12.5 mm.",
         "set Rise to 0.492 in."),
        (say("set {}", FieldName("spigot_mm", 25.4)), "set spigot_mm to 25.4", "set Spigot to 25.4 mm",
         "set Spigot to 1 in"),
        (say("set {} to its wall", FieldName("wall_mm", table="assembly")), "set wall_mm in [assembly] to its wall",
         "set Wall to its wall", "set Wall to its wall"),
        (say("set {}", FieldName("rings", 4)), "set rings to 4", "set Rings to 4", "set Rings to 4"),
        (say("set {}", FieldName("crown", "flat")), "set crown to flat", "set Crown to flat", "set Crown to flat"),
    ],
)  # fmt: skip
def test_fields_go_by_their_labels(message: Message, plain: str, metric: str, imperial: str) -> None:
    assert (message, message.text(METRIC), message.text(IMPERIAL)) == (plain, metric, imperial)


def test_values_have_the_unit_of_their_field() -> None:
    said = [say_value(name, 12.7, IMPERIAL) for name in ("rise_mm", "overhang_deg", "fill")]
    assert said == ["1/2 in", "12.7°", "12.7"]
    assert [inch_name(name) for name in ("rise_mm", "speed_mm_s", "purge_mm3", "fill")] == [
        "rise_in", "speed_in_s", "purge_in3", "",
    ]  # fmt: skip


# Sentences that the house really says

TUBES = [
    Section.round(25.4, 3.175),
    Section.round(12, 1),
    Section.rectangular(40, 40, 3),
    Section.rectangular(60, 40, 2),
]
DECLARED = [*declared_in(Recipe).values(), *declared_in(Process).values()]
RECIPES: list[dict[str, Any]] = [
    {},
    {"crown": "flat", "lip_mm": 2.03, "edge": "rounded", "rise_mm": 4.07},
    {"crown": "peaked", "rise_mm": 30.33, "spigot_mm": 12.11, "vent": "channel", "groove_count": 0},
]


def sentences_of(findings: list[Finding]) -> Iterator[Message]:
    for finding in findings:
        yield from (finding.where, finding.meaning, finding.advice)
        yield finding.measured


@pytest.mark.parametrize("process", processes(), ids=lambda process: process.name)
def test_reviews_of_fittings(process: Process) -> None:
    checks: set[str] = set()
    for tube, recipe, mitre in list(product(TUBES, RECIPES, (0.0, 30.0)))[::5]:
        fitting = design(recipe_of(**recipe), tube, mitre_deg=mitre, facets=48)
        result = review_fitting(fitting, process, "F1")
        checks |= {finding.check for finding in result.findings}
        for said in sentences_of(list(result.findings)):
            assert_in_inches(said)
        for line in result.printed.plan.lines:
            assert_in_inches(line)
            assert " in" in line.text(IMPERIAL) or "full layers" in line
    assert "thin wall" in checks


@pytest.mark.once
def test_reviews_of_meshes() -> None:
    checks: set[str] = set()
    shallow = replace(PROCESS, bath_fill_mm=5.0, fill=0.05)
    for mesh, process in product(odd_parts(), (PROCESS, shallow)):
        findings = list(review(mesh, process, name="Part 5 mm").findings)
        checks |= {finding.check for finding in findings}
        for said in sentences_of(findings):
            assert_in_inches(said)
    assert checks >= {
        "overhang", "bridge", "thin wall", "trapped support", "too large for the plate", "tipping", "footing", "layers",
        "closed cavity", "floats in the bath", "bath too shallow", "orientation",
        "height inside a layer", "overlapping bodies",
    }  # fmt: skip


def test_the_gap_and_the_calipers() -> None:
    process = replace(processes()[0], name="Bench, 0.2 mm layers", tolerance_mm=4.0)
    job = Job("Job", (Assembly(()),), (Wish(CAP, Recipe()),), (), TubeFacts(), process, Output(Path()))
    end = take_off([tube_mesh(TUBES[0], 300, "Post 5 mm")], 8.0).ends[0]
    (batch,) = sort_into_batches(job, Takeoff((end,)))
    findings = list(reviewed(resolved(job, batch), designed(batch.shape, 48)).fit_findings)
    assert any('"Bench, 0.2 mm layers"' in finding.meaning for finding in findings)
    with pytest.raises(ValueError) as slip:
        with_reading(TUBES[0], 17.3)
    for said in (*sentences_of(findings), str(slip.value)):
        assert_in_inches(said)


def test_what_a_fitting_meets_in_the_assembly() -> None:
    tube = TUBES[0]
    post = tube_mesh(tube, 100, "Post 5 mm")
    fitting = design(Recipe(gap_mm=0.05), tube, facets=48)
    frame = Frame.along((0, 0, 100), (0, 0, 1))
    said = []
    for height in (105.0, 100 + 12.9):
        plate = Mesh.from_manifold(Manifold.cube((90, 90, 5), True).translate((0, 0, height + 2.5)), "Plate 10 mm")
        result = review_fit(
            fitting.mesh.placed(frame), post, frame, others=[plate], clear_depth_mm=3.3, least_gap_mm=0.5, name="F1"
        )
        said += sentences_of(list(result.findings))
    assert any('"Plate 10 mm"' in message for message in said) and any("reaches" in message for message in said)
    for message in said:
        assert_in_inches(message)


def test_refusals() -> None:
    wrong: list[dict[str, Any]] = [
        *({name: value} for name in declared_in(Recipe) if name.endswith("_mm") for value in (-3.21, 1234.5)),
        {"groove_count": 9}, {"groove_count": 1, "groove_depth_mm": 9}, {"groove_count": 2, "groove_width_mm": 4.44},
        {"edge": "rounded", "crown": "flat", "edge_mm": 55}, {"hole": "nut pocket"},
        {"hole": "insert", "thread": "M12"},
        {"hole": "through", "thread": "M12"}, {"seam_relief": "notch", "seam_depth_mm": 22.2},
        {"vent": "hole", "vent_width_mm": 33}, {"fit": "press", "rib_count": 4, "rib_height_mm": 0.01},
        {"hollow_wall_mm": 20}, {"spigot_mm": 1.5, "hollow_wall_mm": 1}, {"gap_mm": "5 mm"}, {"crown": "5 mm dome"},
    ]  # fmt: skip
    said = set()
    for tube, numbers in product(TUBES[:3], wrong):
        try:
            resolve(recipe_of(**numbers), tube, clear_depth_mm=9.99)
        except RecipeError as refusal:
            said.add(str(refusal))
    for section, depth in ((Section.round(2, 0.5), None), (Section.round(1200, 5), None), (TUBES[0], 0.5)):
        with pytest.raises(RecipeError) as refused:
            resolve(Recipe(), section, clear_depth_mm=depth)
        said.add(str(refused.value))
    assert len(said) > 40
    for message in said:
        assert_message_in_inches(message)


def test_processes_that_cannot_be() -> None:
    said = []
    for key, field in declared_in(Process).items():
        if field.field.least is None:
            continue
        name, limit = key, field.field
        old = getattr(PROCESS, name)
        for value in (limit.least - 1, limit.most + 1):
            with pytest.raises(ProcessError) as refused:
                check_process(replace(PROCESS, **{name: (value,) * len(old) if isinstance(old, tuple) else value}))
            said.append(str(refused.value))
    for numbers in ({"bead_mm": 0.9}, {"layer_mm": 0.7}, {"margin_mm": 400}, {"keep_out_mm": (900, 1)}):
        with pytest.raises(ProcessError) as refused:
            check_process(replace(PROCESS, **numbers))
        said.append(str(refused.value))
    for message in said:
        assert_in_inches(message)
        assert not re.search(r"\w_\w", message.text(METRIC)), message


def tube_mesh(section: Section, length: float, name: str) -> Mesh:
    wall = section.outer.cross_section(64) - section.bore.cross_section(64)
    return Mesh.from_manifold(wall.extrude(length), name)


def moved(mesh: Mesh, *by: float) -> Mesh:
    return Mesh(mesh.vertices + np.array(by), mesh.triangles, mesh.name)


def test_ends_and_notes_of_the_takeoff() -> None:
    """Every body is called after a length, and keeps its name."""
    post = tube_mesh(TUBES[2], 300, "Post 5 mm")

    def block(low: tuple[float, float, float], size: tuple[float, float, float], name: str = "Plate 10 mm") -> Mesh:
        return Mesh.from_manifold(Manifold.cube(size).translate(low), name)

    bolt = Manifold.cylinder(90, 4, circular_segments=32).rotate((90, 0, 0)).translate((0, 45, 4.4))
    drilled = Mesh.from_manifold(post.to_manifold() - bolt, "Post 5 mm")
    loose = Mesh(post.vertices, post.triangles[:-9], "Loose 5 mm")
    bare = Mesh.from_manifold(TUBES[2].outer.cross_section(64).extrude(300), "Bare 5 mm")
    across = cylinder(30, 200).rotate((90, 0, 0)).translate((0, 100, 0))
    coped = Mesh.from_manifold(post.to_manifold() - across, "Coped 5 mm")
    sides = np.ptp(bare.vertices[bare.triangles][:, :, 2], axis=1) > 1
    open_ended = Mesh(bare.vertices, bare.triangles[sides], "Skin 5 mm")
    broken = Mesh(np.vstack([post.vertices, [(np.nan, 0, 0)]]), post.triangles.copy(), "Broken 5 mm")
    broken.triangles[0, 0] = len(post.vertices)
    cases = [
        [post, block((-60, -60, -9), (120, 120, 5))],
        [post, block((-60, -60, -5), (120, 120, 5))],
        [post, block((-17, -17, 5.5), (34, 34, 5))],
        [post, Mesh.from_manifold(bolt, "M8 bolt, 90 mm")],
        [drilled],
        [post, moved(replace(post, name="Other 5 mm"), 0, 0, 302)],
        [post, moved(replace(post, name="Other 5 mm"), 0, 0, 300)],
        [post, tube_mesh(Section.rectangular(80, 80, 3), 300, "Wide 5 mm")],
        [loose], [bare], [coped], [open_ended], [broken], [post, replace(post, name="Twice 5 mm")],
        [Mesh(post.vertices, np.vstack([post.triangles, post.triangles[:7]]), "Doubled 5 mm")],
        [Mesh(post.vertices[:0], post.triangles[:0], "Empty 5 mm")],
        [Mesh.from_manifold(TUBES[0].outer.cross_section(7).extrude(300), "Rod 5 mm")],
    ]  # fmt: skip
    said: set[str] = set()
    for meshes in cases:
        for wall in (None, 25.0):
            takeoff = take_off(meshes, 8.0, wall_mm=wall)
            said |= {end.explained for end in takeoff.ends} | set(takeoff.notes)
    named = [message for message in said if re.search(r"[A-Z]\w+ 5 mm|bolt, 90 mm|Plate 10 mm", message)]
    assert len(named) > 9 and not [message for message in named if not re.search(QUOTED, message)]
    assert any("set wall_mm in [assembly]" in message for message in said)
    for message in said:
        assert_in_inches(message)


def test_doubt_about_the_unit() -> None:
    doubt = doubt_unit([Section.round(1.0, 0.125)], size_fit)
    assert doubt is not None
    assert "1 in" in doubt.found.text(IMPERIAL).split(" would be ")[1]
    assert "mm" not in re.sub("millimetres", "", doubt.found.text(IMPERIAL))
    match = nearest_size(Section.round(25.43, 3.155))
    assert match is not None
    assert_in_inches(match.describe())


def test_the_shop_book() -> None:
    now = datetime(2026, 1, 1, tzinfo=UTC)
    book = ShopBook()
    for number, chosen in enumerate((0.2, 0.25, 0.24)):
        about = (str(number), "Everyday, 0.2 mm layers", "round", "1 in × 1/8 in", 0.2, chosen, 18.65, 18.75)
        book = book.with_entry(FitReading(*about), now)
    book = book.with_entry(PrintRun("p", "Everyday, 0.2 mm layers", 10.0, 11.0, 3600.0, 4000.0), now)
    said = learned(book)
    assert len(said) == 4 and all('"Everyday, 0.2 mm layers"' in message for message in said)
    told = ShopBook().merged(book)[1]
    process = replace(PROCESS, name="Own 5 mm")
    text = book_text(ShopBook().with_entry(process, now))
    odd = [text.replace("layer_mm = 0.25", "layer_mm = 9.0"), text + "layr_mm = 3\n", text.replace("layer_mm =", "l =")]
    problems = [problem for edited in odd for problem in parse_book(edited).problems]
    assert any("9 mm" in problem for problem in problems) and any("'layr_mm'" in problem for problem in problems)
    assert all("Own 5 mm" in "".join(re.findall(QUOTED, problem)) for problem in problems)
    with pytest.raises(LadderError) as refused:
        ladder_reading(("p", "round", "t", 0.2), {"0.20": (0.2, 18.65)}, "0.20", now, 25.0)
    with pytest.raises(LadderError) as alike:
        fit_ladder(CAP, resolve(Recipe(), TUBES[0]), TUBES[0], PROCESS, (0.2, 0.2))
    with pytest.raises(LadderError, match='"Own 5 mm"') as narrow:
        fit_ladder(CAP, resolve(Recipe(), TUBES[0]), TUBES[0], replace(process, plate_mm=(60.0, 60.0, 60.0)))
    with pytest.raises(PlateError) as large:
        lay_out((Footprint.of("Part 5 mm", Mesh.from_manifold(Manifold.cube((900, 30, 3)))),), PROCESS)
    errors = (refused, alike, narrow, large)
    for message in (*said, *told, *problems, *(str(error.value) for error in errors)):
        assert_in_inches(message)


def test_free_outlines_that_have_no_room() -> None:
    narrow = Section.round(25.4, 3.175)
    for work in (lambda: narrow.with_bore(30.0), lambda: narrow.outer.offset(-15.0)):
        with pytest.raises(ValueError) as refused:
            work()
        assert_in_inches(str(refused.value))


def test_inches_stay_with_their_numbers_where_text_is_wrapped() -> None:
    """Both of whole inches and a fraction, and of several lengths before one "in"; "in" elsewhere is no unit."""
    units = replace(IMPERIAL, space=NO_BREAK)
    said = say("2 caps in {}: {}, {}", Length(25.4, 50.8), Length(38.1), Length(5)).text(units)
    assert said == "2 caps in 1 × 2\xa0in: 1\xa01/2\xa0in, 0.197\xa0in"
    assert textwrap.wrap(said, 12) == ["2 caps in 1", "× 2\xa0in:", "1\xa01/2\xa0in,", "0.197\xa0in"]
