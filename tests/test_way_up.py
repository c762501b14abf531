# SPDX-License-Identifier: GPL-3.0-or-later
"""Which way up a fitting is printed: what is recommended is what is laid out, written and drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from recipes import recipe_with
from test_job import do

from addon.families.cap import Recipe, design, resolve
from addon.geometry.sections import Section
from addon.review import review_fitting
from addon.shaping.features import BoltHole, Grooves
from addon.trade.processes import processes

SECTIONS = {
    "round": Section.round(25.4, 3.175),
    "square": Section.rectangular(40, 40, 3),
    "rectangular": Section.rectangular(80, 40, 4),
}
FLAT = Recipe(crown="flat")
DOWN = replace(FLAT, up="crown down")


@pytest.mark.parametrize("section", SECTIONS.values(), ids=SECTIONS)
@pytest.mark.parametrize("mitre", [0.0, 30.0])
@pytest.mark.parametrize(
    "recipe",
    [
        FLAT,
        replace(FLAT, edge="square", lip_mm=3.0),
        replace(FLAT, edge="chamfered", edge_mm=2.0),
        replace(FLAT, hollow_wall_mm=3.0, groove=Grooves(count=0)),
        replace(FLAT, hole=BoltHole("through", "M6")),
        Recipe(),
        Recipe(crown="low dome"),
        Recipe(crown="peaked"),
    ],
    ids=["flat", "lip", "chamfered", "hollow", "through", "dome", "low dome", "peaked"],
)
def test_the_way_up_is_the_one_that_the_review_finds_best(section, mitre, recipe):
    """Against the review, which lays out support for every way in layers."""
    fitting = design(recipe, section, mitre_deg=mitre, facets=48)
    orientations = review_fitting(fitting, processes()[1]).printed.orientations
    assert fitting.recipe.up == orientations.best.name
    assert orientations.best.up == (0.0, 0.0, 1.0)


@pytest.mark.parametrize("hole", ["insert", "nut pocket"])
@pytest.mark.parametrize("rise_mm", [6.35, 20.0])
def test_the_floor_of_a_pocket_counts_where_the_crown_hides_it_as_in_the_review(hole, rise_mm):
    """A foot for 1 1/2 in square tube, its bore deeper than its crown or not."""
    foot = replace(FLAT, rise_mm=rise_mm, spigot_mm=25.4, hole=BoltHole(hole, "5/16-18"))
    fitting = design(foot, Section.rectangular(38.1, 38.1, 3.048), facets=48)
    orientations = review_fitting(fitting, processes()[1]).printed.orientations
    assert fitting.recipe.up == orientations.best.name


def test_a_pocket_that_would_be_seen_to_be_marked_keeps_the_crown_up():
    # An M5 nut is 8 mm across its flats and 4.7 mm high (ISO 4032).
    pocket = replace(FLAT, hole=BoltHole("nut pocket", "M5"), rise_mm=8.0)
    assert [resolve(pocket, SECTIONS[name]).up for name in ("round", "rectangular")] == ["crown up", "crown down"]
    assert resolve(replace(FLAT, edge="rounded", rise_mm=5.0, edge_mm=2.0), SECTIONS["square"]).up == "crown up"
    assert resolve(replace(FLAT, rise_mm=5.0, edge_mm=2.0), SECTIONS["square"]).up == "crown down"


@pytest.mark.parametrize("mitre", [0.0, 30.0])
def test_a_fitting_on_its_crown_is_the_same_solid_turned(mitre):
    down, up = (
        design(recipe_with(FLAT, up=way, groove_roof="square"), SECTIONS["rectangular"], mitre_deg=mitre)
        for way in ("crown down", "crown up")
    )
    assert np.array_equal(down.mesh.vertices, up.mesh.vertices)
    lying, standing = down.standing(), up.standing()
    assert lying.bounds[0, 2] == pytest.approx(0, abs=1e-9) and lying.volume == pytest.approx(standing.volume)
    assert down.shoulder_mm == pytest.approx(down.recipe.rise_mm)
    assert up.shoulder_mm + down.shoulder_mm == pytest.approx(lying.size[2])
    # Half a turn about the level x.
    turned = standing.vertices * (1.0, -1.0, -1.0) + (0.0, 0.0, standing.size[2])
    assert lying.vertices == pytest.approx(turned, abs=1e-9)
    rim = down.standing_points(np.array([[0.0, 0.0, 0.0], [0.0, 0.0, -8.0]]))
    assert rim[0, 2] == pytest.approx(down.shoulder_mm) and rim[1, 2] > rim[0, 2]


def test_heights_of_a_fitting_on_its_crown():
    recipe = replace(DOWN, rise_mm=4.0, spigot_mm=8.0, groove=Grooves(width_mm=3.0))
    levels = {level.name: level for level in design(recipe, SECTIONS["square"], facets=16).levels()}
    expected = {"shoulder": 4.0, "top": 12.0, "groove's lower face": 6.5, "groove's upper face": 9.5}
    assert {name: level.z_mm for name, level in levels.items()} == pytest.approx(expected)


def test_files_plates_and_papers_have_it_the_way_that_is_recommended(tmp_path):
    for way, shoulder in (("auto", 4.0), ("crown up", 8.0)):
        fitting = {"crown": "flat", "rise_mm": 4, "edge": "square", "spigot_mm": 8, "up": way}
        result = do(tmp_path / way, fitting=fitting, output={"formats": ["stl"]})
        sheet = next((tmp_path / way).rglob("*.html")).read_text("utf-8")
        assert (">crown down<" in sheet) == (way == "auto")
        for file, part in zip([file for file in result.files if file.format == "stl"], result.made, strict=True):
            solid = trimesh.load(file.path)
            wide = solid.section(plane_origin=(0, 0, shoulder - 0.5), plane_normal=(0, 0, 1)).extents[0]
            high = solid.section(plane_origin=(0, 0, shoulder + 0.5), plane_normal=(0, 0, 1)).extents[0]
            assert (wide > high) == (way == "auto")
            assert np.allclose(solid.extents, part.review.mesh.size, atol=1e-4)
