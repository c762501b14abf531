# SPDX-License-Identifier: GPL-3.0-or-later
"""The review as a whole: what every finding owes its reader, and that the page explains what the code says."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from recipes import recipe_of
from review_shapes import PROCESS, broken_parts, common_cap, hemisphere, odd_parts
from test_review_overhangs import box, mesh_of

from addon.families.cap import Recipe, design
from addon.fields.declared import declared_in
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.review import SEVERITIES, Review, review, review_fit, review_fitting
from addon.review.outlines import offset
from addon.trade.processes import Process, processes

REPOSITORY = Path(__file__).parents[1]


def bad_part() -> Mesh:
    """Thin, overhanging, crossing nothing, standing badly."""
    return mesh_of(box(1.5, 20, 60) + box(25, 20, 1, 0, 0, 50) + box(3, 3, 8, 20, 5, 43))


@pytest.mark.parametrize("process", processes(), ids=lambda process: process.name)
def test_every_process_of_the_table_reviews_every_crown(process: Process) -> None:
    for crown in ("dome", "flat", "peaked"):
        result = review_fitting(design(Recipe(crown=crown), Section.round(38.1, 1.65), facets=24), process, "F1")
        assert result.printed is not None and result.watertight
        assert "height inside a layer" not in {finding.check for finding in result.findings}
        assert len(result.printed.plan.ranges) <= 2


@pytest.mark.parametrize(
    "result",
    [
        review_fitting(common_cap(), PROCESS, "F1"),
        review(bad_part(), PROCESS, name="F1"),
        review(hemisphere(3, 24), PROCESS, name="F1"),
    ],
    ids=["cap", "bad part", "hemisphere"],
)
def test_findings_say_what_they_owe(result: Review) -> None:
    order = [SEVERITIES.index(finding.severity) for finding in result.findings]
    assert order == sorted(order)
    for finding in result.findings:
        assert finding.fitting == "F1"
        for sentence in (finding.meaning, finding.advice):
            assert sentence[0].isupper() and sentence.endswith("."), sentence
        assert finding.unit or finding.value is None
        # No number that nobody would say: at most three decimals, and no float's tail.
        for number in re.findall(r"\d+\.\d+", f"{finding.meaning} {finding.advice} {finding.where}"):
            assert len(number.split(".")[1]) <= 3, finding
        if finding.layer is not None:
            assert result.printed is not None and 1 <= finding.layer <= len(result.printed.layers)


def test_cures_name_fields_that_exist() -> None:
    names = {*declared_in(Recipe), *declared_in(Process)}
    recipes = (
        Recipe(),
        Recipe(spigot_mm=7.9, rise_mm=5.1, crown="low dome"),
        recipe_of(groove_count=2, groove_width_mm=1.1, groove_depth_mm=0.8),
    )
    for recipe in recipes:
        for finding in review_fitting(design(recipe, Section.round(33.4, 3.38), facets=32), PROCESS).findings:
            assert set(finding.cure) <= names


def test_the_same_part_gets_the_same_review() -> None:
    mesh = common_cap().standing()
    again = Mesh(mesh.vertices.copy(), mesh.triangles.copy())
    assert review(mesh, PROCESS).findings == review(again, PROCESS).findings


def test_a_part_above_the_plate_is_reviewed_on_it() -> None:
    mesh = common_cap().standing()
    raised = Mesh(mesh.vertices + np.array([0.0, 0.0, 17.3]), mesh.triangles)
    result = review(raised, PROCESS)
    assert result.printed is not None and len(result.printed.layers) == 83
    assert result.mesh.bounds[0, 2] == 0


def test_moved_and_turned_parts_get_the_same_numbers() -> None:
    mesh = common_cap().standing()
    turn = np.radians(37.0)
    axes = np.array([(np.cos(turn), np.sin(turn), 0), (-np.sin(turn), np.cos(turn), 0), (0, 0, 1)])
    moved = review(Mesh(mesh.vertices @ axes + (40.0, -25.0, 0.0), mesh.triangles), PROCESS).printed
    straight = review(mesh, PROCESS).printed
    assert moved is not None and straight is not None
    assert moved.support.volume_mm3 == pytest.approx(straight.support.volume_mm3, rel=1e-4)
    np.testing.assert_allclose(moved.steps.most, straight.steps.most, atol=2e-3)
    assert moved.footing.tip_deg == pytest.approx(straight.footing.tip_deg, abs=0.05)
    assert moved.plan == straight.plan


def test_a_fitting_and_its_mesh_are_reviewed_alike() -> None:
    fitting = common_cap()
    by_fitting, by_mesh = review_fitting(fitting, PROCESS).printed, review(fitting.standing(), PROCESS).printed
    assert by_fitting is not None and by_mesh is not None
    np.testing.assert_allclose(by_fitting.layers.areas, by_mesh.layers.areas, rtol=1e-9)
    assert by_fitting.support.volume_mm3 == pytest.approx(by_mesh.support.volume_mm3, rel=1e-6)


def test_a_mitred_fitting_stands_with_its_shoulder_level() -> None:
    fitting = design(Recipe(), Section.rectangular(40, 40, 3), mitre_deg=25.0, mitre_direction_deg=0.0, facets=32)
    result = review_fitting(fitting, PROCESS)
    assert result.printed is not None
    shoulder = -float(fitting.rim_frame.to_local(fitting.mesh.vertices)[:, 2].min())
    at = result.printed.layers.layer_at(shoulder + 0.01)
    assert result.printed.seen.first in (at, at + 1)
    assert result.watertight


def test_other_materials_float_otherwise() -> None:
    from addon.trade.processes import material_named

    heavy = replace(material_named("ABS"), density=3.0)
    result = review_fitting(common_cap(), PROCESS, material=heavy).printed
    assert result is not None and result.bath is not None and not result.bath.floats


@pytest.mark.once
def test_the_page_explains_every_check() -> None:
    page = (REPOSITORY / "docs" / "review.md").read_text(encoding="utf-8")
    cells = [re.sub(r" \(.*?\)", "", cell) for cell in re.findall(r"^\| ([^|]+) \|", page, re.MULTILINE)]
    explained = {check for cell in cells for check in cell.split(", ")}
    shallow = replace(PROCESS, bath_fill_mm=5.0, fill=0.05)
    reviews = [review(mesh, process) for mesh in odd_parts() + broken_parts() for process in (PROCESS, shallow)]
    cap, tube = common_cap(), Section.round(25.4, 3.175)
    wall = tube.outer.cross_section(64) - tube.bore.cross_section(64)
    post, frame = Mesh.from_manifold(wall.extrude(100)), Frame.along((0, 0, 100), (0, 0, 1))
    for height in (105.0, 113.0):
        others = [mesh_of(box(90, 90, 5, -45, -45, height)), broken_parts()[3]]
        reviews.append(
            review_fit(cap.mesh.placed(frame), post, frame, others=others, clear_depth_mm=3.0, least_gap_mm=0.5)
        )
    findings = [finding for result in (*reviews, review_fitting(cap, PROCESS)) for finding in result.findings]
    met = {finding.check for finding in findings}
    assert len(met) > 25 and met <= explained


def test_the_pictures_of_the_page_are_there() -> None:
    page = (REPOSITORY / "docs" / "review.md").read_text(encoding="utf-8")
    pictures = re.findall(r"\(pictures/(\S+\.svg)\)", page)
    assert len(pictures) >= 13
    for picture in pictures:
        content = (REPOSITORY / "docs" / "pictures" / picture).read_text(encoding="utf-8")
        assert content.startswith("<svg") and "nan" not in content and len(content) < 100_000


@pytest.mark.parametrize("section", [Section.round(40, 3), Section.rectangular(60, 40, 2)], ids=["round", "rect"])
def test_a_hole_through_the_crown_costs_few_more_offsets(monkeypatch, section):
    """A hole makes every layer of the crown a ring, whose walls and width need no search where it stays away from the
    edge: offsets grow with the layers whose wall is of a few beads, not with all of them."""
    counted = []

    def counting(outline, distance):
        counted.append(distance)
        return offset(outline, distance)

    monkeypatch.setattr("addon.review.outlines.offset", counting)
    monkeypatch.setattr("addon.review.print_plan.offset", counting)
    fitting = design(recipe_of(hole="through"), section, facets=64)
    printed = review_fitting(fitting, PROCESS).printed
    assert len(counted) < 3 * len(printed.layers.outlines)
