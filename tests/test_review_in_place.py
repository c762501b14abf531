# SPDX-License-Identifier: GPL-3.0-or-later
"""The fit in the assembly, against gmsh's booleans and plain geometry."""

from __future__ import annotations

import math
import re
from types import ModuleType

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from manifold3d import Manifold
from random_cases import examples
from recipes import recipe_of
from review_shapes import common_cap, cylinder
from test_review_overhangs import box, mesh_of

from addon.families.cap import Recipe, design
from addon.fields.messages import FieldName, Length, say
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Section
from addon.review.findings import Finding
from addon.review.in_place import PlacedBody, Trial, review_fit
from addon.takeoff.ends import mitre_normal

UPRIGHT = Frame.along((0, 0, 0), (0, 0, 1))


def named(mesh: Mesh, name: str) -> Mesh:
    return Mesh(mesh.vertices, mesh.triangles, name)


def tube(outer: float, bore: float, length: float = 100.0, facets: int = 256) -> Mesh:
    """A tube whose rim lies at z = 0, its axis along z, the tube below."""
    solid = cylinder(outer, length, facets) - cylinder(bore, length, facets)
    return named(mesh_of(solid.translate((0, 0, -length))), "tube")


def test_a_cap_that_fits_has_the_gap_of_its_recipe() -> None:
    # source: the recipe's own numbers: bore 19.05 mm, glue gap 0.2 mm per side
    fitting = common_cap(256)
    result = review_fit(fitting.mesh, tube(12.7, 9.525), UPRIGHT, clear_depth_mm=30, least_gap_mm=0.15)
    assert result.findings == () and result.tube.interference_mm3 == 0
    assert result.tube.gap_mm == pytest.approx(fitting.recipe.gap_mm, abs=0.002)
    assert result.inside_mm == pytest.approx(8.0)


def test_interference_of_a_spigot_too_thick() -> None:
    # source: areas of annuli, over the spigot less its groove and lead-in (frustum, any geometry handbook)
    result = review_fit(common_cap(512).mesh, tube(12.7, 9.2, facets=512), UPRIGHT)
    straight = math.pi * (9.325**2 - 9.2**2) * (8 - 3.175 - 0.5)
    # The lead-in is a cone from 8.825 to 9.325 mm; what of it is outside 9.2 mm is 0.125 mm high.
    cone = math.pi * 0.125 / 3 * (9.325**2 + 9.325 * 9.2 + 9.2**2) - math.pi * 9.2**2 * 0.125
    assert result.tube.interference_mm3 == pytest.approx(straight + cone, rel=0.01)
    (finding,) = result.findings
    assert finding.check == "interference" and finding.severity == "must fix"
    assert review_fit(common_cap(64).mesh, tube(12.7, 9.2), UPRIGHT, press=True).findings == ()


@pytest.mark.parametrize(("radius", "height"), [(3.0, -4.0), (2.0, -1.5), (5.0, 1.0)])
def test_a_bolt_through_the_spigot_against_gmsh(gmsh: ModuleType, radius: float, height: float) -> None:
    """source: the same two solids in gmsh's exact kernel"""
    occ = gmsh.model.occ
    spigot = occ.addCylinder(0, 0, -8, 0, 0, 8, 9.325)
    dome = occ.addSphere(0, 0, 0, 12.7, angle1=0)
    cap, _ = occ.fuse([(3, spigot)], [(3, dome)])
    bolt = occ.addCylinder(0, -40, height, 0, 80, 0, radius)
    common, _ = occ.intersect(cap, [(3, bolt)])
    occ.synchronize()
    expected = sum(occ.getMass(3, tag) for dimension, tag in common if dimension == 3)
    plain = design(recipe_of(groove_count=0, lead_in_mm=0.0), Section.round(25.4, 3.175), facets=512)
    solid = cylinder(radius, 80, 512).translate((0, 0, -40)).rotate((90, 0, 0)).translate((0, 0, height))
    result = review_fit(plain.mesh, tube(12.7, 9.525), UPRIGHT, others=[named(mesh_of(solid), "bolt")])
    (bolt_found,) = result.others
    assert bolt_found.interference_mm3 == pytest.approx(expected, rel=2e-3)
    assert bolt_found.gap_mm == 0
    assert [finding.check for finding in result.findings] == ["interference"]
    assert "bolt" in result.findings[0].meaning


@given(st.floats(0.02, 4.0), st.floats(0, 360))
@examples(15)
def test_the_gap_to_a_neighbour_is_the_distance(gap: float, turn: float) -> None:
    # source: distance of two circles of the same axis direction: between centres less both radii
    cap = common_cap(64)
    apart = 2 * 12.7 + gap
    shift = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn)), 0]) * apart
    neighbour = named(Mesh(cap.mesh.vertices + shift, cap.mesh.triangles), "the next cap")
    result = review_fit(cap.mesh, tube(12.7, 9.525), UPRIGHT, others=[neighbour], least_gap_mm=0.1)
    assert result.others[0].gap_mm == pytest.approx(gap, abs=0.035)  # two chords' sagitta at 64 facets
    assert bool(result.findings) == (result.others[0].gap_mm < 0.099)


@pytest.mark.parametrize(("deep", "bolted"), [(0.005, False), (0.005, True), (0.03, False)])
def test_faces_that_touch_within_what_is_rounded_are_no_interference(deep: float, bolted: bool) -> None:
    """A plate on a rim; source: the area of an annulus of 256 facets, and a box in the plate."""
    trial = Trial(mesh_of(box(60, 60, 5, -30, -30, -deep)), name="F1")
    rim = tube(12.7, 10.59)
    bolt = box(2, 2, 10, 20, 0, 0) if bolted else Manifold()
    body = PlacedBody(named(mesh_of(rim.to_manifold() + bolt), "tube"))
    found = trial.clashes(UPRIGHT, [body])
    annulus = 128 * math.sin(math.tau / 256) * (12.7**2 - 10.59**2)
    shared = (deep * annulus if deep > 0.01 else 0.0) + (2 * 2 * (5 - deep) if bolted else 0.0)
    assert [finding.value for finding in found] == ([pytest.approx(shared, rel=1e-3)] if shared else [])


def test_bodies_far_away_are_skipped() -> None:
    far = named(mesh_of(box(5, 5, 5, 60, 0, 0)), "far")
    assert review_fit(common_cap().mesh, tube(12.7, 9.525), UPRIGHT, others=[far]).others == ()


def test_a_weld_seam_in_the_bore_is_found() -> None:
    # source: the seam stands 0.5 mm into a gap of 0.2 mm
    bore = tube(12.7, 9.525).to_manifold() + box(1.0, 4.0, 100.0, 9.025, -2.0, -100.0)
    result = review_fit(common_cap(256).mesh, named(mesh_of(bore), "tube"), UPRIGHT, least_gap_mm=0.1)
    assert result.findings[0].check == "interference"
    assert result.tube.place_mm is not None and result.tube.place_mm[0] == pytest.approx(9.2, abs=0.3)
    low = tube(12.7, 9.525).to_manifold() + box(1.0, 4.0, 100.0, 9.4, -2.0, -100.0)
    result = review_fit(common_cap(256).mesh, named(mesh_of(low), "tube"), UPRIGHT, least_gap_mm=0.1)
    assert [finding.check for finding in result.findings] == ["gap in the assembly"]


@pytest.mark.parametrize("lip_mm", [0.3, 0.05, 0.02, 0.0, -0.02])
def test_a_lip_made_smaller_as_advised_clears_what_lies_flush(lip_mm: float) -> None:
    """Two tubes welded side by side, which nobody can move: 2 · 12.7 mm and a lip between their axes. A crown that
    would have to go behind the tube's outside is trimmed."""
    section, apart = Section.round(25.4, 3.175), 25.4 + max(lip_mm, 0.0)
    beside = named(mesh_of(cylinder(12.7, 40).translate((apart, 0, -20))), "beside")

    def findings(lip_mm: float) -> list[Finding]:
        mesh = design(recipe_of(lip_mm=lip_mm), section, facets=64).mesh
        trial = Trial(mesh, least_gap_mm=0.05, lip=FieldName("lip_mm", lip_mm, "fitting"))
        return trial.met(UPRIGHT, PlacedBody(tube(12.7, 9.525)), [PlacedBody(beside)])

    (finding,) = findings(lip_mm)
    short = Length(0.05 - max(-lip_mm, 0.0))
    if lip_mm < 0.05:
        assert finding.advice == say("Trim the fitting there by {}.", short)
    else:
        advised = re.search(r"Set lip_mm to ([0-9.]+) in \[fitting\], or trim", finding.advice)
        assert advised and findings(float(advised[1])) == []


def test_a_spigot_longer_than_the_clear_depth() -> None:
    (finding,) = review_fit(
        common_cap().mesh, tube(12.7, 9.525), UPRIGHT, clear_depth_mm=6.5, depth_key="spigot_mm"
    ).findings
    assert finding.check == "clear depth" and finding.cure == {"spigot_mm": 6.5}
    assert finding.value == pytest.approx(8.0)


def test_a_mitred_spigot_is_as_deep_as_it_is_long() -> None:
    # source: plane geometry: below a rim cut at 30° the tip lies 8 mm down the tube's wall on every side, though its
    # lowest point lies 8 + 9.5 × tan 30° mm below the middle of the rim
    mitred = design(recipe_of(spigot_mm=8.0, groove_count=0), Section.round(25.4, 3.175), mitre_deg=30)
    trial = Trial(mitred.mesh, mitre_normal(30, 0), depth_key="spigot_mm")
    assert trial.depth_mm == pytest.approx(8.0) and trial.depth_findings(8.5) == []
    assert trial.depth_findings(6.5)[0].cure == {"spigot_mm": 6.5}


def test_a_placed_and_mitred_fitting() -> None:
    """A tube cut at 30 degrees, standing anywhere in the assembly: the gap is that of the recipe."""
    section = Section.round(25.4, 3.175)
    normal = mitre_normal(30.0, 40.0)
    whole = (cylinder(12.7, 120, 256) - cylinder(9.525, 120, 256)).translate((0, 0, -100))
    cut = mesh_of(whole.trim_by_plane((-normal).tolist(), 0.0))
    fitting = design(Recipe(), section, mitre_deg=30.0, mitre_direction_deg=40.0, facets=256)
    frame = Frame.along((100, -20, 300), (1, 2, 2), (0, 1, -1))
    rim = frame.to_world(normal) - frame.origin
    result = review_fit(fitting.mesh.placed(frame), cut.placed(frame), frame, rim_normal=rim, clear_depth_mm=30)
    assert result.tube.interference_mm3 == 0 and result.findings == ()
    assert result.tube.gap_mm == pytest.approx(fitting.recipe.gap_mm, abs=0.005)


def test_open_meshes_are_said_not_to_be_checked() -> None:
    closed = tube(12.7, 9.525)
    open_tube = Mesh(closed.vertices, closed.triangles[3:], "frame")
    (finding,) = review_fit(common_cap().mesh, open_tube, UPRIGHT).findings
    assert finding.check == "fit not checked" and "frame" in finding.meaning
    broken = Mesh(common_cap().mesh.vertices, common_cap().mesh.triangles[2:])
    (finding,) = review_fit(broken, closed, UPRIGHT).findings
    assert finding.check == "fit not checked"


def test_overlapping_bodies_in_one_mesh_count_once() -> None:
    """An assembly in one mesh: tube and a plate that overlaps it."""
    from review_shapes import joined

    plate = mesh_of(Manifold.cube((60, 60, 5), True).translate((0, 0, -50)))
    whole = named(joined(tube(12.7, 9.525), plate), "frame")
    assert review_fit(common_cap(128).mesh, whole, UPRIGHT, least_gap_mm=0.1).findings == ()


@given(
    st.floats(-0.06, 0.06),
    st.floats(-0.03, 0.03),
    st.floats(-0.3, 0.0),
    st.sampled_from([0.0, 35.0]),
    st.sampled_from([Section.round(25.4, 3.175), Section.rectangular(40, 25, 2)]),
    st.booleans(),
)
@examples(60)
def test_a_tube_that_surely_keeps_its_distance_has_no_finding(
    shift: float, lean: float, raised: float, mitre_deg: float, section: Section, in_the_way: bool
) -> None:
    """The quick look at a tube that stands a little off, or has something in it, beside the kernel's booleans."""
    trial = Trial(design(Recipe(), section, mitre_deg=mitre_deg, facets=32).mesh, mitre_normal(mitre_deg, 0.0), 0.1)
    outer, bore = (outline.cross_section(chord_error=0.05) for outline in (section.outer, section.bore))
    body = (outer - bore).extrude(150).translate((0, 0, -120))
    body = body.trim_by_plane((-trial.rim_normal).tolist(), 0.0).rotate((lean, 0, 0)).translate((shift, 0, raised))
    if in_the_way:
        body += Manifold.cube((60, 3, 3), True).translate((0, 0, -5))
    frame = Frame.along((300, -200, 50), (1, 2, 2), (0, 1, -1))
    tube_there = named(mesh_of(body).placed(frame), "tube")
    clear = trial.clears(frame, tube_there)
    if in_the_way:
        assert not clear
    else:
        assume(clear)
        result = trial.at(frame, tube_there)
        assert result.findings == () and result.tube.interference_mm3 == 0


@given(
    st.lists(
        st.tuples(st.sampled_from(["bolt", "pipe", "plate"]), *[st.floats(-30, 30)] * 3, *[st.floats(0, 180)] * 2),
        max_size=3,
    ),
    st.floats(-0.1, 0.1),
)
@examples(20)
def test_the_quick_look_finds_what_the_whole_trial_does(
    near: list[tuple[str, float, float, float, float, float]], shift: float
) -> None:
    trial = Trial(design(Recipe(), Section.round(25.4, 3.175), facets=32).mesh, least_gap_mm=0.1)
    pipe = Manifold.cylinder(120, 8, 8, 48, True) - Manifold.cylinder(130, 6, 6, 48, True)
    shapes = {"bolt": Manifold.cylinder(40, 3, 3, 32, True), "pipe": pipe, "plate": Manifold.cube((80, 40, 3), True)}
    frame = Frame.along((300, -200, 50), (1, 2, 2), (0, 1, -1))
    others = [
        named(mesh_of(shapes[kind].rotate((lean, turn, 0)).translate((x, y, z))).placed(frame), kind)
        for kind, x, y, z, lean, turn in near
    ]
    body = mesh_of(tube(12.7, 9.525).to_manifold().translate((shift, 0, 0))).placed(frame)
    whole = trial.at(frame, body, others, 5.0).findings
    quick = trial.met(frame, PlacedBody(body), [PlacedBody(other) for other in others], 5.0)
    assert [(finding.meaning, finding.value) for finding in quick] == [(each.meaning, each.value) for each in whole]


@pytest.mark.parametrize("mitre_deg", [0.0, 35.0])
@pytest.mark.parametrize("section", [Section.round(25.4, 3.175), Section.rectangular(40, 25, 2)])
def test_a_tube_as_drawn_is_seen_to_keep_its_distance(section: Section, mitre_deg: float) -> None:
    trial = Trial(design(Recipe(), section, mitre_deg=mitre_deg).mesh, mitre_normal(mitre_deg, 0.0), 0.1)
    outer, bore = (outline.cross_section(chord_error=0.05) for outline in (section.outer, section.bore))
    body = (outer - bore).extrude(150).translate((0, 0, -120)).trim_by_plane((-trial.rim_normal).tolist(), 0.0)
    assert trial.clears(UPRIGHT, mesh_of(body))
    assert not trial.clears(UPRIGHT, mesh_of(body + box(1.0, 4.0, 100.0, section.bore.half_width - 0.15, -2, -105)))
