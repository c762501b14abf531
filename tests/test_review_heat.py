# SPDX-License-Identifier: GPL-3.0-or-later
"""A plastic in a hot tube.

From outside: glass transitions as polymer handbooks have them, from memory: PLA 60 °C, PETG 80 °C, PC 147 °C. A part
that has to keep its shape stays below (common practice, no source).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.job.jobfile import parse_job
from addon.job.running import run
from addon.review.heat import heat_findings
from addon.trade.processes import material_named, materials

TRANSITION_C = {"PLA": 60, "PETG": 80, "PC": 147}


@pytest.mark.parametrize("plastic", TRANSITION_C)
def test_a_plastic_at_its_glass_transition_must_be_fixed_and_at_room_temperature_not(plastic):
    (finding,) = heat_findings("F1", material_named(plastic), TRANSITION_C[plastic])
    assert (finding.severity, finding.value, finding.unit) == ("must fix", TRANSITION_C[plastic], "°C")
    assert finding.limit < TRANSITION_C[plastic] and "from memory" in finding.meaning
    assert heat_findings("F1", material_named(plastic), 20) == []
    assert heat_findings("F1", material_named(plastic), finding.limit) == []


def test_the_advice_names_plastics_that_bear_it_and_no_other():
    advice = heat_findings("F1", material_named("PLA"), 80)[0].advice
    # Glass transitions of ABS and PC lie above 100 °C, those of PLA and PETG at 80 °C or below (from memory).
    assert '"ABS"' in advice and '"PC"' in advice and '"PLA"' not in advice and '"PETG"' not in advice
    assert " or " in advice and "hottest_c in [tube]" in advice


def test_above_every_plastic_the_advice_is_metal():
    hottest = max(plastic.hottest_c for plastic in materials())
    (finding,) = heat_findings("F1", material_named("PLA"), hottest + 1)
    assert "metal" in finding.advice and '"' not in finding.advice
    # A value that the shop has measured is not from memory.
    measured = replace(material_named("PLA"), from_memory=())
    assert "from memory" not in heat_findings("F1", measured, 80)[0].meaning


@pytest.mark.parametrize(("hottest_c", "count"), [(80, 1), (40, 0)])
def test_a_pla_cap_in_a_hot_tube_is_a_finding_of_the_job(tmp_path: Path, hottest_c, count):
    section = Section.round(25.4, 3.175)
    post = Mesh.from_manifold((section.outer.cross_section() - section.bore.cross_section()).extrude(300), "post")
    tables = {"assembly": {"files": ["post.stl"]}, "tube": {"hottest_c": hottest_c}, "process": {"material": "PLA"}}
    result = run(parse_job(tables, tmp_path, "post"), [post], True, lambda what, share: None)
    hot = [finding for finding in result.findings if finding.check == "tube too hot"]
    assert [(finding.fitting, finding.value) for finding in hot] == [("F1", hottest_c)] * count
    (sheet,) = result.job.output.folder.glob("*job sheet.html")
    assert ("tube too hot" in sheet.read_text("utf-8")) == bool(count)
