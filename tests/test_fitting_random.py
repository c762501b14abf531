# SPDX-License-Identifier: GPL-3.0-or-later
"""Any recipe on any section: a sound solid of the right volume, or a refusal whose cures lead to one."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from itertools import pairwise, product

import numpy as np
import pytest
import shapely
from fitting_cases import SECTIONS, assert_sound, free, hexagon
from hypothesis import assume, given
from hypothesis import strategies as st
from random_cases import examples
from recipes import recipe_of, recipe_with

from addon.families.cap import Recipe, design, resolve
from addon.families.fitting import Fitting
from addon.fields.declared import values_of
from addon.fields.refusals import RecipeError
from addon.geometry.mitres import SQUARE_CUT_DEG
from addon.geometry.sections import Outline, Section
from addon.trade.hardware import threads

FACETS, FINE = 48, 160
NUMBERS = [field.name for field in fields(Recipe) if field.name.rsplit("_")[-1] in ("mm", "deg", "count")]


def near(low: float, high: float) -> st.SearchStrategy[float]:
    """Numbers a shop would write, some of them wrong."""
    return st.floats(low, high).map(lambda number: round(number, 2))


def sometimes(field: str, values: st.SearchStrategy) -> dict[str, st.SearchStrategy]:
    return {field: st.one_of(st.just(values_of(Recipe())[field]), values)}


recipes = st.fixed_dictionaries(
    {
        "crown": st.sampled_from(["dome", "low dome", "flat", "peaked"]),
        "edge": st.sampled_from(["square", "rounded", "chamfered"]),
        "fit": st.sampled_from(["glue", "push", "press"]),
        "vent": st.sampled_from(["none", "none", "channel", "hole"]),
        "seam_relief": st.sampled_from(["none", "none", "flat", "notch"]),
        "hole": st.sampled_from(["none", "none", "through", "nut pocket", "insert"]),
        "thread": st.sampled_from([thread.name for thread in threads()]),
        "groove_count": st.integers(0, 4),
        "rib_count": st.sampled_from([0, 0, 3, 8, 40]),
        **sometimes("rise_mm", near(-1, 40)),
        **sometimes("lip_mm", near(-5, 8)),
        **sometimes("edge_mm", near(-1, 6)),
        **sometimes("spigot_mm", near(0, 40)),
        **sometimes("gap_mm", near(-0.6, 0.8)),
        **sometimes("lead_in_mm", near(0, 4)),
        **sometimes("groove_width_mm", near(0, 8)),
        **sometimes("groove_depth_mm", near(0, 5)),
        **sometimes("vent_width_mm", near(0, 8)),
        **sometimes("vent_depth_mm", near(0, 4)),
        **sometimes("seam_angle_deg", near(-400, 400)),
        **sometimes("seam_width_mm", near(0, 9)),
        **sometimes("seam_depth_mm", near(0, 4)),
        **sometimes("rib_height_mm", near(0, 1.5)),
        **sometimes("rib_width_mm", near(0, 4)),
        **sometimes("hollow_wall_mm", near(0, 6)),
    }
).map(lambda values: recipe_of(**values))

sizes = near(10, 90)
walls = near(0.6, 4)
sections = st.one_of(
    st.builds(lambda d, w: Section.round(d, min(w, d / 6)), sizes, walls),
    st.builds(lambda a, b, w: Section.rectangular(a, b, min(w, a / 8, b / 8)), sizes, sizes, walls),
    st.builds(lambda a, b, w: Section.rectangular(a, b, min(w, a / 8, b / 8), 0), sizes, sizes, walls),
    st.builds(
        lambda a, b, w: Section(Outline("obround", a + b, b), Outline("obround", a + b - 2 * w, b - 2 * w)),
        sizes, sizes, near(0.6, 1.5),
    ),
    st.builds(
        lambda a, b, w: Section(Outline("ellipse", a, b), Outline("ellipse", a - 2 * w, b - 2 * w)),
        near(30, 60), near(30, 60), near(0.6, 3),
    ),
    st.builds(
        lambda d, x, y: Section(Outline.circle(d), replace(Outline.circle(d - 6), centre=(x, y))),
        near(20, 60), near(-1, 1), near(-1, 1),
    ),
    st.sampled_from(list(SECTIONS.values())),
)  # fmt: skip
ends = st.fixed_dictionaries(
    {
        "mitre_deg": st.one_of(st.just(0.0), near(SQUARE_CUT_DEG, 60)),
        "mitre_direction_deg": st.one_of(st.sampled_from([0.0, 90.0]), near(0, 359)),
        "clear_depth_mm": st.one_of(st.none(), near(1, 60)),
    }
)


def until_it_works(recipe: Recipe, section: Section, end: dict) -> Recipe:
    """Takes every cure; sections that take no fitting at all are left out."""
    for _ in range(len(fields(Recipe))):
        try:
            return resolve(recipe, section, **end)
        except RecipeError as refusal:
            if refusal.works is None:
                assert refusal.field == "section"
            assume(refusal.works is not None)
            assert values_of(recipe)[refusal.field] != refusal.works, f"{refusal} offers what was refused"
            assert str(refusal)
            recipe = recipe_with(recipe, **{refusal.field: refusal.works})
    raise AssertionError("the cures go round in circles")


def genus(recipe: Recipe) -> int:
    return int(recipe.hole.kind in ("through", "nut pocket") or recipe.vent.kind == "hole")


@examples(60)
@given(recipes, sections, ends)
def test_random_fittings_are_sound_or_refused_with_a_cure_that_works(recipe: Recipe, section: Section, end: dict):
    settled = until_it_works(recipe, section, end)
    fitting = design(settled, section, facets=FACETS, **end)
    assert fitting.recipe == settled
    # Where ribs, which cross each groove, meet round a sharp corner, they enclose what is behind them. So they do where
    # they are crowded about a vent or a notch for the seam, or where a vent goes past another side on its way out.
    enclosed = fitting.solid.genus() - genus(settled)
    crossed = settled.groove.count + (settled.vent.kind == "channel") + (settled.seam.kind == "notch")
    assert 0 <= enclosed <= int(settled.rib.count or 0) * crossed
    assert_sound(fitting, genus(settled) + enclosed)

    plain = recipe_with(settled, vent="none", seam_relief="none", rib_count=0, hole="none")
    uncut = design(plain, section, facets=FINE, **end)
    assert uncut.mesh.volume == pytest.approx(expected_volume(uncut), rel=2e-3)
    if not settled.rib.count:
        assert fitting.mesh.volume <= design(plain, section, facets=FACETS, **end).mesh.volume * (1 + 5e-6)


def expected_volume(fitting: Fitting) -> float:
    """Layer by layer with shapely's mitred offsets, taken step by step; Simpson's rule between two levels."""
    recipe = fitting.recipe
    outline = fitting.profile.crown_outline.polygon(FINE)
    layer, volume = shapely.Polygon(outline), 0.0
    profile = fitting.profile.crown
    for (inset, height), (next_inset, next_height) in pairwise(profile):
        parts = max(1, math.ceil((next_inset - inset) / profile[-1, 0] * 60)) if profile[-1, 0] else 1
        step, rise = (next_inset - inset) / parts, (next_height - height) / parts
        for _ in range(parts):
            middle, top = offset(layer, -step / 2), offset(layer, -step)
            volume += rise / 6 * (layer.area + 4 * middle.area + top.area)
            layer = top
    bore = shapely.Polygon(fitting.profile.spigot_outline.polygon(FINE))
    lead = recipe.lead_in_mm
    volume += bore.area * (recipe.spigot_mm - lead)
    volume += lead / 6 * (bore.area + 4 * offset(bore, -lead / 2).area + offset(bore, -lead).area)
    if recipe.groove.count:
        depth, roof = recipe.groove.depth_mm, recipe.groove_roof_mm(fitting.mitre_deg)
        cut, half_cut = (bore.area - offset(bore, -inset).area for inset in (depth, depth / 2))
        volume -= recipe.groove.count * ((recipe.groove.width_mm - roof) * cut + roof / 6 * (cut + 4 * half_cut))
    if recipe.hollow_wall_mm:
        volume -= offset(bore, -recipe.hollow_wall_mm).area * (recipe.spigot_mm - 1)
    return volume


def offset(area: shapely.Geometry, distance: float) -> shapely.Geometry:
    return area.buffer(distance, join_style="mitre", mitre_limit=50) if distance else area


@pytest.mark.parametrize("edge_mm", [0.01, 0.03])
@pytest.mark.parametrize("mitre", [0.0, 16.0])
@pytest.mark.parametrize("name", ["angle", "ellipse", "tee", "round", "rectangular"])
def test_a_flat_crown_holds_what_it_should_however_small_its_edge(name: str, mitre: float, edge_mm: float):
    """On outlines that need a roof (mitred circles and rectangles do), steps of the edge shorter than a print file
    tells apart once took parts of the top with them (0.28 % of a low L), or all of it (the ellipse)."""
    recipe = recipe_of(crown="flat", rise_mm=0.6, edge="rounded", edge_mm=edge_mm, spigot_mm=4.0, groove_count=0)
    for facets in (FACETS, FINE):
        fitting = design(recipe, SECTIONS[name], mitre_deg=mitre, facets=facets)
        assert_sound(fitting)
    assert fitting.mesh.volume == pytest.approx(expected_volume(fitting), rel=1e-3)


@pytest.mark.parametrize("past", [-1e-3, -1e-6, 0.0, 1e-8, 1e-6, 1e-3])
@pytest.mark.parametrize("edge", ["rounded", "chamfered"])
def test_an_edge_may_be_next_to_as_large_as_the_corners_are_round(edge: str, past: float):
    section = SECTIONS["rectangular"]
    recipe = Recipe(crown="flat", rise_mm=10.0, edge=edge, edge_mm=section.outer.corner_radius + past)
    fitting = design(recipe, section, facets=FINE)
    assert_sound(fitting)
    assert fitting.mesh.volume == pytest.approx(expected_volume(fitting), rel=1e-3)


@pytest.mark.parametrize("field", ["edge_mm", "lead_in_mm"])
@pytest.mark.parametrize(("across", "least"), [(40.0, 0.01), (900.0, 0.04)])
def test_a_bevel_too_small_to_be_seen_is_refused_with_one_that_is(field: str, across: float, least: float):
    section = free(hexagon(across), 3.0)
    recipe = Recipe(crown="flat")
    for tiny in (1e-9, 0.0003, least - 0.001):
        with pytest.raises(RecipeError, match=f"choose 0, or at least {least:g} mm") as refusal:
            design(recipe_with(recipe, **{field: tiny}), section)
        assert (refusal.value.field, refusal.value.works) == (field, least)
    for works in (0.0, least):
        assert_sound(design(recipe_with(recipe, **{field: works}), section))


@examples(25)
@given(recipes, sections, ends)
def test_what_is_offered_is_the_last_that_works(recipe: Recipe, section: Section, end: dict):
    """For a recipe that works, every number far out is refused; what is offered is accepted, what lies past it not."""
    settled = until_it_works(recipe, section, end)
    pocketed = settled.hole.kind in ("nut pocket", "insert")
    numbers = [field for field in NUMBERS if used(settled, field)]
    for field, far in product(numbers, (-1000, 1000)):
        works = refused(settled, field, far, section, end)
        # A second limit, that of the pocket, follows the spigot's first; what has to be solid has no range.
        if not (field == "spigot_mm" and pocketed and far < 0) and not (field == "hollow_wall_mm" and works == 0):
            try:
                resolve(recipe_with(settled, **{field: works}), section, **end)
            except RecipeError as another:
                assert another.field != field, another
            past = works + math.copysign(1 if field.endswith("_count") else 0.5, far)
            assert refused(settled, field, past, section, end) == works


def refused(settled: Recipe, field: str, value: float, section: Section, end: dict) -> float:
    with pytest.raises(RecipeError) as refusal:
        resolve(recipe_with(settled, **{field: value}), section, **end)
    assert refusal.value.field == field
    return refusal.value.works


def used(recipe: Recipe, field: str) -> bool:
    """Whether anything is made of the number."""
    if field == "edge_mm":
        return recipe.crown == "flat" and recipe.edge != "square"
    if field.startswith("groove_"):
        return field == "groove_count" or recipe.groove.count > 0
    if field.startswith("rib_"):
        return recipe.rib.count > 0
    if field == "seam_width_mm":
        return recipe.seam.kind == "notch"
    if field == "seam_depth_mm":
        return recipe.seam.kind != "none"
    if field == "vent_depth_mm":
        return recipe.vent.kind == "channel"
    return recipe.vent.kind != "none" if field == "vent_width_mm" else True


@examples(40)
@given(st.integers(3, 9), st.lists(st.floats(0.75, 1.3), min_size=9, max_size=9), recipes, ends)
def test_random_free_outlines(corners: int, pulls: list[float], recipe: Recipe, end: dict):
    turn = np.arange(corners) * 2 * np.pi / corners
    points = np.column_stack([np.cos(turn), np.sin(turn)]) * 25 * np.array(pulls[:corners])[:, None]
    outer = Outline.free(points)
    section = Section(outer, outer.offset(-2.0))
    settled = until_it_works(recipe, section, end)
    fitting = design(settled, section, facets=FACETS, **end)
    # A slot close beside a sharp corner leaves a bar of the corner standing, and a groove behind it is a handle. So is
    # that behind two ribs that meet in a sharp corner.
    slotted = settled.vent.kind == "channel" or settled.seam.kind == "notch" or bool(settled.rib.count)
    assert_sound(fitting, fitting.solid.genus() if slotted else genus(settled))
