# SPDX-License-Identifier: GPL-3.0-or-later
"""Heights on layers and the crown's top land, against shapely and arithmetic."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
import shapely
from fitting_cases import SECTIONS, assert_sound
from hypothesis import given
from hypothesis import strategies as st
from random_cases import examples
from recipes import recipe_of, recipe_with
from review_shapes import PROCESS
from shapely_shapes import shapely_of

from addon.families.cap import Recipe, design, resolve
from addon.families.cap.cap import Cap
from addon.families.circumstances import Circumstances
from addon.fields.refusals import RecipeError
from addon.geometry.sections import Section
from addon.job.asked import TubeFacts
from addon.review import review_fitting
from addon.trade.processes import Process, processes

INCH = Section.round(25.4, 3.175)
ODD = replace(PROCESS, first_layer_mm=0.3, layer_mm=0.225, bead_mm=0.6, bead_min_mm=0.45, bead_max_mm=0.8, rings=2)
SHAPES = ("round", "rectangular", "sharp square", "obround", "hexagon", "ellipse")
PROCESSES = {"common practice": PROCESS, "odd first layer": ODD, "everyday": processes()[1]}


def known(process: Process) -> Circumstances:
    return Circumstances(process, None, TubeFacts())


def drawn(recipe: Recipe, section: Section, process: Process, **end) -> Cap:
    return design(recipe, section, circumstances=known(process), **end)


def off_layers(heights: list[float], process: Process) -> float:
    """How far the worst is from where a layer ends."""
    steps = (np.array(heights) - process.first_layer_mm) / process.layer_mm
    return float(np.abs(steps - steps.round()).max() * process.layer_mm)


def closes(outline: shapely.Polygon, process: Process) -> bool:
    """By the rule of the trade: with k beads of width w, a spot of a quarter bead open or half a bead twice covered
    (common practice, no source)."""
    radius = shapely.maximum_inscribed_circle(outline, 1e-3).length
    rings = math.floor(radius / process.bead_mm + 0.5)
    return rings > 0 and rings - 1 / 4 <= radius / process.bead_mm <= rings + 1 / 8


def sampled(fitting: Cap, process: Process) -> list[shapely.Polygon]:
    """The last layer's outline at its bottom, in its middle and at its top."""
    standing = fitting.standing()
    solid, top = standing.to_manifold(), float(standing.bounds[1, 2])
    return [shapely_of(solid.slice(top - process.layer_mm * share)) for share in (1 - 1e-3, 0.5, 1e-3)]


@pytest.mark.parametrize(
    ("name", "mitre", "crown", "process"),
    [  # each section, mitre and crown, and for each section and mitre all processes
        pytest.param(*case, crown, PROCESSES[process], id=f"{case[0]} {case[1]:g} {crown} {process}")
        for number, case in enumerate(product(SHAPES, (0.0, 35.0)))
        for shift, crown in enumerate(("dome", "low dome", "peaked"))
        for process in [list(PROCESSES)[(number + shift) % 3]]
    ],
)
def test_the_last_layer_closes_wherever_it_is_sampled(name: str, mitre: float, crown: str, process: Process):
    for facets in (64, None):
        fitting = drawn(recipe_of(crown=crown), SECTIONS[name], process, mitre_deg=mitre, facets=facets)
        assert_sound(fitting)
        bottom, middle, top = sampled(fitting, process)
        assert all(closes(outline, process) for outline in (bottom, middle, top))
        assert shapely.hausdorff_distance(bottom, top) < 0.01
    assert abs(fitting.recipe.rise_mm - resolve(recipe_of(crown=crown), SECTIONS[name], mitre_deg=mitre).rise_mm) <= (
        process.layer_mm / 2 + 1e-6
    )


def test_a_crown_as_drawn_ends_in_a_point():
    plain = {"gap_mm": 0.2, "rib_count": 0, "seam_relief": "none"}
    fitting = drawn(recipe_of(top="as drawn", **plain), INCH, PROCESS, facets=64)
    assert fitting.recipe.rise_mm == 12.7 and fitting.profile.land is None
    assert np.array_equal(fitting.mesh.vertices, design(recipe_of(**plain), INCH, facets=64).mesh.vertices)


@pytest.mark.parametrize("crown, rise", [("dome", None), ("dome", 6.0), ("low dome", 10.0), ("peaked", 5.0)])
def test_a_land_is_less_than_a_layer_from_the_crown_as_drawn(crown: str, rise: float | None):
    """Source: sphere, ellipse and cone (any geometry handbook), of the rise that is drawn, a hemisphere's at most."""
    fitting = drawn(recipe_of(crown=crown, rise_mm=rise), INCH, PROCESS)
    inset, height = fitting.profile.crown.T
    top, radius = min(fitting.recipe.rise_mm, 12.7), 12.7 - inset
    if crown == "dome":
        ball = (12.7**2 + top**2) / (2 * top)
        true = np.sqrt(ball**2 - radius**2) - (ball - top)
    elif crown == "low dome":
        true = top * np.sqrt(1 - (radius / 12.7) ** 2)
    else:
        true = top * (1 - radius / 12.7)
    assert np.abs(height - true).max() < PROCESS.layer_mm
    land = fitting.profile.land.inradius_mm
    assert land / PROCESS.bead_mm == pytest.approx(round(land / PROCESS.bead_mm)) and land == pytest.approx(radius[-1])


def test_a_land_takes_of_a_hemisphere_what_a_ring_and_a_cap_take():
    """Volume by spherical caps and cylinders: V = πh²(3R − h)/3 (any geometry handbook)."""
    plain = recipe_of(groove_count=0, lead_in_mm=0.0, gap_mm=0.2, rib_count=0, seam_relief="none")
    fitting = drawn(plain, INCH, PROCESS, chord_error_mm=0.001)
    land, height = fitting.profile.land.inradius_mm, 12.7 - 12.5
    cap = math.pi * height**2 * (3 * 12.7 - height) / 3
    dome = 2 / 3 * math.pi * 12.7**3 - cap + math.pi * land**2 * 0.25
    assert fitting.mesh.volume == pytest.approx(dome + math.pi * 9.325**2 * 8, rel=2e-4)


def test_a_tip_narrower_than_a_bead_becomes_a_bead_wide():
    fitting = drawn(recipe_of(crown="peaked", rise_mm=40.0), INCH, PROCESS)
    assert fitting.recipe.rise_mm == 40 and fitting.profile.land.inradius_mm == 0.5
    assert fitting.profile.crown[-1] == pytest.approx((12.2, 40.0))
    assert_sound(fitting)


@pytest.mark.parametrize("process", PROCESSES.values(), ids=PROCESSES)
@pytest.mark.parametrize("up", ["crown up", "crown down"])
@pytest.mark.parametrize("mitre", [0.0, 30.0])
@pytest.mark.parametrize("crown", ["flat", "dome"])
def test_heights_lie_on_layers(crown: str, up: str, mitre: float, process: Process):
    recipe = recipe_of(crown=crown, rise_mm=5.08, spigot_mm=10.07, up=up, groove_count=2, groove_width_mm=1.7)
    recipe = recipe_with(recipe, edge_mm=1.3 if crown == "flat" else None)
    fitting = drawn(recipe, SECTIONS["rectangular"], process, mitre_deg=mitre, facets=32)
    heights = [level.z_mm for level in fitting.levels()]
    assert len(heights) == 6 and off_layers(heights, process) < 1e-6
    half, upright = process.layer_mm / 2 + 1e-6, math.cos(math.radians(mitre))
    assert abs(fitting.recipe.rise_mm - 5.08) <= half and abs(fitting.recipe.spigot_mm - 10.07) * upright <= half
    assert fitting.asked_for["spigot_mm"] == 10.07 and fitting.asked_for["rise_mm"] == 5.08
    if crown == "flat":
        edge = fitting.recipe.edge_mm
        begins = edge if up == "crown down" else fitting.shoulder_mm + fitting.recipe.rise_mm - edge
        assert abs(edge - 1.3) <= half and off_layers([begins], process) < 1e-6
    cuts = np.unique(fitting.standing().vertices[:, 2].round(6))
    assert all(np.abs(cuts - z).min() < 1e-4 for z in heights)
    assert "height inside a layer" not in {finding.check for finding in review_fitting(fitting, process).findings}
    again = drawn(fitting.recipe, SECTIONS["rectangular"], process, mitre_deg=mitre, facets=32)
    assert again.recipe == fitting.recipe and not again.asked_for


def test_without_a_process_nothing_is_moved():
    recipe = recipe_of(spigot_mm=8.07, rise_mm=5.08)
    fitting = design(recipe, INCH, facets=16)
    assert (fitting.recipe.spigot_mm, fitting.recipe.rise_mm, fitting.asked_for) == (8.07, 5.08, {})


def test_a_spigot_is_never_drawn_deeper_than_the_bore_is_clear():
    for depth in np.arange(5.0, 6.0, 0.07).tolist():
        fitting = drawn(recipe_of(spigot_mm=depth), INCH, PROCESS, clear_depth_mm=depth, facets=16)
        assert depth - PROCESS.layer_mm - 1e-6 <= fitting.recipe.spigot_mm <= depth + 1e-6


def test_a_hemispheres_rise_on_a_layer_may_be_asked_for_again_and_no_more():
    assert resolve(recipe_of(rise_mm=12.75), INCH, circumstances=known(PROCESS)).rise_mm == 12.75
    with pytest.raises(RecipeError, match="hemisphere"):
        resolve(recipe_of(rise_mm=12.9), INCH, circumstances=known(PROCESS))


@pytest.mark.parametrize("crown", ["dome", "low dome"])
@pytest.mark.parametrize("mitre", [0.0, 30.0])
@pytest.mark.parametrize("name", ["round", "rectangular"])
def test_the_print_plan_is_the_same_for_the_window_and_the_file(name: str, mitre: float, crown: str):
    plans = []
    for facets in (64, None):
        fitting = drawn(recipe_of(crown=crown), SECTIONS[name], PROCESS, mitre_deg=mitre, facets=facets)
        plans.append(review_fitting(fitting, PROCESS).printed.plan)
    window, file = plans
    assert window.lines == file.lines
    assert all(part.bead_mm == PROCESS.bead_mm for part in file.ranges)


def test_the_cap_of_common_practice_with_its_land():
    """Arithmetic: rise 12.75, its last layer from 12.5, where the sphere has a radius of √(12.7² − 12.5²) = 2.24 and
    at the layer's middle one of 1.38: three rings, 1.5. The layer below, of radius 2.85, leaves 1.35 bare and needs
    1.35 + 0.25 of rings, more than 1.5."""
    recipe = recipe_of(groove_width_mm=3.175, groove_depth_mm=2.0)
    plan = review_fitting(drawn(recipe, INCH, PROCESS), PROCESS).printed.plan
    (part,) = plan.ranges
    assert (part.first + 1, part.last + 1, part.rings, part.bead_mm) == (82, 83, 4, 0.5)
    assert plan.throughout == 4


@pytest.mark.parametrize(
    ("crown", "section", "process", "expected"),
    [
        (
            "dome",
            INCH,
            replace(PROCESS, layer_mm=0.2, first_layer_mm=0.2, bead_mm=0.45, bead_min_mm=0.4),
            (103, 103, 4),
        ),
        ("low dome", INCH, PROCESS, (71, 72, 4)),
        ("low dome", Section.rectangular(60, 40, 3), PROCESS, (70, 72, 6)),
    ],
    ids=["thinner layers", "low dome", "rectangular"],
)
def test_lands_keep_to_the_ranges_of_the_crown_as_drawn(crown, section, process, expected):
    """The ranges follow from the closed forms of circle and ellipse; ``test_print_plan`` has them for the crown as
    drawn. With a land every bead has the process's own width."""
    fitting = drawn(recipe_of(crown=crown, rise_mm=None if crown == "dome" else 10.0), section, process)
    (part,) = review_fitting(fitting, process).printed.plan.ranges
    assert (part.first + 1, part.last + 1, part.rings) == expected and part.bead_mm == process.bead_mm


@given(
    st.sampled_from(list(SECTIONS)),
    st.sampled_from(["dome", "low dome", "peaked", "flat"]),
    st.sampled_from([0.0, 20.0, 45.0]),
    st.floats(2.0, 6.9),
    st.floats(2.0, 15.0),
    st.sampled_from(["auto", "crown up", "crown down"]),
    st.sampled_from(list(PROCESSES)),
)
@examples(40)
def test_random_crowns_are_sound_on_layers(name, crown, mitre, rise, spigot, up, process):
    recipe = recipe_of(crown=crown, rise_mm=rise, spigot_mm=spigot, up=up, groove_count=1 if spigot > 6 else 0)
    fitting = drawn(recipe, SECTIONS[name], PROCESSES[process], mitre_deg=mitre, facets=32)
    assert_sound(fitting)
    assert off_layers([level.z_mm for level in fitting.levels()], PROCESSES[process]) < 1e-6


@pytest.mark.parametrize(
    ("section", "crown", "hole", "process"),
    [  # each section, crown and hole, and for each section and crown all processes
        (section, crown, hole, list(PROCESSES.values())[(i + j + k) % 3])
        for i, section in enumerate([Section.round(40, 3), Section.rectangular(60, 40, 2)])
        for j, crown in enumerate(["dome", "low dome", "peaked"])
        for k, hole in enumerate([{"hole": "through"}, {"hole": "insert", "spigot_mm": 20.0}, {"vent": "hole"}])
    ],
)
def test_a_crown_ends_level_around_a_hole_as_wide_as_its_rings(
    section: Section, crown: str, hole: dict[str, object], process: Process
) -> None:
    """Its last layer cut by the kernel and measured by shapely: half of an even number of beads go around the hole."""
    fitting = drawn(recipe_of(crown=crown, **hole), section, process)
    assert_sound(fitting, genus=int("insert" not in hole.values()))
    review = review_fitting(fitting, process)
    last = shapely_of(review.printed.layers.outlines[-1])
    width = shapely.LinearRing(last.exterior).distance(shapely.LinearRing(last.interiors[0]))
    assert width == pytest.approx(2 * math.ceil(process.rings / 2) * process.bead_mm, abs=0.05)
    assert off_layers([level.z_mm for level in fitting.levels()], process) < 1e-6
    assert not review.printed.thin_walls
    drawn_on = drawn(recipe_of(crown=crown, top="as drawn", **hole), section, process)
    lower = drawn_on.mesh.size[2] - fitting.mesh.size[2]
    assert -process.layer_mm < lower < 0.6 * drawn_on.recipe.rise_mm


def test_a_crown_with_a_hole_is_as_drawn_on_a_mitred_end_and_where_it_has_no_room() -> None:
    wide = recipe_of(hole="through", thread="M8", groove_count=0)
    assert drawn(wide, Section.round(40, 3), PROCESS, mitre_deg=30).profile.land is None
    assert drawn(wide, Section.round(13, 0.6), PROCESS).profile.land is None
