# SPDX-License-Identifier: GPL-3.0-or-later
"""Cope sleeves: their edges against the curves of gmsh's B-rep kernel, the tube free inside them, and the whole way
from the job file to the templates.

Sources: the cut of two tubes by gmsh's kernel; distances on paper by shapely; the height of a saddle, R - √(R² - r²),
any geometry handbook.
"""

from __future__ import annotations

import csv
import io
import json
import math
import re
import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import trimesh
from fitting_cases import assert_sound
from shapely import LineString, Point
from test_developments import curves_of_cut, unrolled
from weldments import cylinder

from addon.families.cope_sleeve import CopeRecipe, CopeSleeve, design
from addon.families.cope_sleeve.cut_ends import CutEnd, CutPlace, cope_sites
from addon.families.cope_sleeve.wrapping import mitre_templates, template_for
from addon.families.template import KEPT_MM
from addon.fields.messages import Units, say
from addon.fields.refusals import RecipeError
from addon.geometry.developments import LowestCut, ReadCut, TubeCut
from addon.geometry.frames import Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Outline, Section
from addon.job.jobfile import JobError, job_text, parse_job
from addon.job.running import run
from addon.job.screen import table
from addon.takeoff import TubeEnd, take_off
from addon.trade.processes import processes

WITHIN_MM = 0.02
ROUND, SQUARE, SHARP = Section.round(25.4, 3.0), Section.rectangular(40, 40, 3), Section.rectangular(30, 20, 2, 0)
KINDS = pytest.mark.parametrize(
    ("section", "large", "offset"),
    [(ROUND, 48.3, 5.0), (ROUND, 25.4, 0.0), (SQUARE, 60.3, 0.0), (SHARP, 42.4, 0.0)],
    ids=["round", "one size", "square", "sharp"],
)


def place(section: Section, large: float, angle_deg: float = 60.0, offset: float = 0.0) -> CutPlace:
    return CutPlace(section, TubeCut.at(Outline.circle(large), angle_deg, offset))


def edge_of(sleeve: CopeSleeve) -> np.ndarray:
    """(n, 3): corners of the edge on the bore's side."""
    corners = np.unique(sleeve.mesh.triangles[sleeve.has("edge")])
    points = sleeve.mesh.vertices[corners]
    ring = LineString(sleeve.development.points)
    apart = np.array([ring.distance(Point(*point)) for point in points[:, :2]])
    return points[apart < float(sleeve.recipe.gap_mm) + sleeve.recipe.thickness_mm / 4]


@pytest.mark.once
@pytest.mark.parametrize(("locate", "scriber"), [("stop", 0.5), ("line", 0.5), ("line", 0.0)])
@KINDS
def test_the_edge_is_the_kernels_curve(gmsh, section, large, offset, scriber, locate):
    """Within 0.02 mm, and back by the scriber's half width on the side of the sleeve."""
    sleeve = design(CopeRecipe(locate=locate, scriber_mm=scriber), place(section, large, offset=offset))
    along = np.array([math.sin(math.radians(60)), 0.0, -math.cos(math.radians(60))])
    true = curves_of_cut(
        gmsh,
        section.outer,
        lambda: cylinder(gmsh, tuple(-300 * along - (0, offset, 0)), tuple(600 * along), large / 2),
    )
    on_paper = unrolled(sleeve.development, true)
    on_paper = on_paper[np.argsort(on_paper[:, 0])]
    length = sleeve.development.length
    line = LineString(np.concatenate([np.add(on_paper, (turns * length, 0)) for turns in (-1, 0, 1)]))
    edge = unrolled(sleeve.development, edge_of(sleeve))
    assert len(edge) > 100
    apart = [line.distance(Point(*point)) for point in edge]
    assert np.abs(np.array(apart) - scriber).max() < WITHIN_MM
    if scriber:
        level = np.interp(edge[:, 0], *on_paper.T)
        assert ((edge[:, 1] > level) == (locate == "stop")).all()


@pytest.mark.parametrize("locate", ["stop", "line"])
@pytest.mark.parametrize("section", [ROUND, SQUARE], ids=["round", "square"])
def test_a_sleeve_and_its_template_have_the_cuts_of_both_tubes(section, locate):
    """Each corner of the edge lies on the tube that is met first; the heights are those of the kernel's curve
    (test_developments.py)."""
    turned = Frame(np.zeros(3), np.eye(3)).turned(180.0)
    cuts = TubeCut.at(Outline.circle(60.3), 45.0), TubeCut.at(Outline.circle(60.3), 55.0).seen_from(turned)
    both = CutPlace(section, LowestCut.of(cuts, section.outer))
    sleeve = design(CopeRecipe(locate=locate, scriber_mm=0.0), both)
    assert_sound(sleeve, genus=5 if locate == "stop" else 1)  # witness notches are windows beside a stop
    on_paper = np.column_stack([sleeve.development.around, sleeve.development.outside])
    line = LineString(on_paper)
    edge = unrolled(sleeve.development, edge_of(sleeve))
    assert max(line.distance(Point(*point)) for point in edge) < WITHIN_MM
    first, second = (cut.heights(sleeve.development.points) for cut in cuts)
    assert on_paper[:, 1] == pytest.approx(np.minimum(first, second)) and 0.2 < (first < second).mean() < 0.8
    assert (
        (template_for(both, []).outside[:, 1].argmin() > 0) and "45° on" in both.words and " and 55° on" in both.words
    )


@pytest.mark.parametrize("locate", ["stop", "line"])
@KINDS
def test_the_tube_goes_in(section, large, offset, locate):
    """The raw tube up to the stop, or the tube as it is cut: nothing shared, and the gap kept all along."""
    sleeve = design(CopeRecipe(locate=locate), place(section, large, offset=offset))
    raw = (section.outer.cross_section(720) - section.bore.cross_section(720)).extrude(400)
    end = sleeve.end_mm if locate == "stop" else 50.0
    tube = raw.translate((0, 0, end - 400))
    assert (sleeve.solid ^ tube).volume() < 1e-9
    gap = float(sleeve.recipe.gap_mm)
    wider = section.outer.offset(gap - 0.02).cross_section(720).extrude(400).translate((0, 0, end - 400.01))
    assert (sleeve.solid ^ wider).volume() < 1e-9
    tighter = section.outer.offset(gap + 0.05).cross_section(720).extrude(400).translate((0, 0, end - 400.01))
    assert (sleeve.solid ^ tighter).volume() > 1
    assert sleeve.solid.genus() == (5 if locate == "stop" else 1)  # four witness notches and a way through


@pytest.mark.parametrize("locate", ["stop", "line"])
def test_the_sleeve_is_measured_from_stop_or_foot(locate):
    """The saddle of a tube on one of the same axis plane is R - √(R² - r²) deep."""
    sleeve = design(CopeRecipe(locate=locate, scriber_mm=0.0, waste_mm=12.0, grip_mm=40.0), place(ROUND, 48.3, 90.0))
    rows = {row.on.rpartition(", ")[2]: row.drawn_mm for row in sleeve.calipers(processes()[0]) if "to edge" in row.on}
    deep = 24.15 - math.sqrt(24.15**2 - 12.7**2)
    expected = (12.0, 12.0 + deep) if locate == "stop" else (40.0, 40.0 + deep)
    assert (rows["shortest"], rows["longest"]) == pytest.approx(expected, abs=WITHIN_MM)
    size = sleeve.standing().size[2]
    assert size == pytest.approx(expected[1] + (3.0 if locate == "stop" else 0.0), abs=WITHIN_MM)


@pytest.mark.parametrize(
    ("recipe", "field", "works"),
    [
        (CopeRecipe(thickness_mm=0.5), "thickness_mm", 1.2),
        (CopeRecipe(waste_mm=1.0), "waste_mm", 5.6),
        (CopeRecipe(gap_mm=0.0), "gap_mm", 0.05),
        (CopeRecipe(locate="a line"), "locate", "line"),
        (CopeRecipe(locate="line", grip_mm=1.0), "grip_mm", 5.0),
        (CopeRecipe(scriber_mm=-1.0), "scriber_mm", 0.0),
    ],
)
def test_what_cannot_be_made_is_refused_with_what_can(recipe, field, works):
    with pytest.raises(RecipeError) as refused:
        design(recipe, place(ROUND, 48.3))
    assert (refused.value.field, refused.value.works) == (field, works)
    assert isinstance(design(replace(recipe, **{field: works}), place(ROUND, 48.3)), CopeSleeve)


@pytest.mark.parametrize("cut", [TubeCut.at(Outline.circle(20.0), 90.0), TubeCut.at(Outline.circle(48.3), 90.0, 20.0)])
def test_a_cut_that_does_not_go_around_is_refused(cut):
    with pytest.raises(RecipeError, match="does not go all around"):
        design(CopeRecipe(), CutPlace(ROUND, cut))


def solid_tube(section: Section, length: float, name: str, turn=(0, 0, 0), at=(0, 0, 0)) -> Mesh:
    raw = (section.outer.cross_section(96) - section.bore.cross_section(96)).extrude(length)
    return Mesh.from_manifold(raw.rotate(turn).translate(at), name)


def node(aside: float = 0.0) -> list[Mesh]:
    """A post along y, and two braces that run into it: one upright, one at 50° to the post, their far ends square."""
    post = solid_tube(Section.round(60.3, 3.0), 800, "post", (90, 0, 0), (0, 400, 0))
    upright = solid_tube(ROUND, 300, "upright", (0, 0, 37), (aside, 150, 0))
    leaning = solid_tube(ROUND, 300, "leaning", (40, 0, 0), (0, -150, 0))
    return [post, upright, leaning]


def test_a_sleeve_lies_where_its_cope_is():
    """Placed by its site, each corner of the edge is as far from the post's axis as the post's radius."""
    for site in cope_sites(take_off(node(4.0), 8.0)):
        sleeve = design(CopeRecipe(scriber_mm=0.0), site.at.place)
        edge = edge_of(sleeve)
        edge[:, :2] *= 12.7 / np.hypot(*edge[:, :2].T)[:, None]  # along the normal, on the tube
        world = site.frame.to_world(edge)
        assert np.hypot(world[:, 0], world[:, 2]) == pytest.approx(30.15, abs=0.03)
        # The origin is level with the longest point.
        assert site.frame.to_local(site.cope.outside)[:, 2].max() == pytest.approx(0, abs=0.02)


def test_copes_that_are_alike_share_a_sleeve_however_their_tubes_are_turned():
    meshes = node() + [replace(mesh, vertices=np.add(mesh.vertices, (0, 20, 0))) for mesh in node()[1:]]
    places = [site.at.place for site in cope_sites(take_off(meshes, 8.0))]
    assert len(places) == 4
    alike = [[first.like(second) for second in places] for first in places]
    assert sorted(map(sum, alike)) == [2, 2, 2, 2]
    mirrored = CutPlace(ROUND, TubeCut.at(Outline.circle(60.3), 50.0, 5.0))
    assert not mirrored.like(CutPlace(ROUND, TubeCut.at(Outline.circle(60.3), 50.0, -5.0)))


@pytest.mark.parametrize(
    ("section", "outline", "offset", "turn_deg"),
    [
        (ROUND, Outline.circle(48.3), 0.0, 0.0),
        (ROUND, Outline.circle(48.3), 6.0, 0.0),
        (ROUND, SQUARE.outer, 4.0, 20.0),
        (ROUND, SQUARE.outer, 0.0, 20.0),
        (SQUARE, Outline.circle(60.3), 3.0, 0.0),
        (SHARP, Outline.circle(60.3), 3.0, 0.0),
    ],
)
def test_one_cut_at_a_right_angle_is_one_kind_however_it_is_drawn(section, outline, offset, turn_deg):
    """Turned half around, seen from the other tube's other end, mirrored along that tube, or off by rounding, it is the
    same piece of tube each time; its mirror image across the other tube is it too, turned half around."""
    first = TubeCut.at(outline, 90.0, offset, turn_deg)
    places = []
    for turn in (0.0, 180.0):
        for noise in (-3e-5, 0.0, 3e-5):
            for end in (1, -1):
                lean = Frame(np.zeros(3), np.eye(3)).turned(turn)
                cut = first.seen_from(lean)
                x, _, z = cut.frame.axes
                along = end * z + noise * np.array([0, 0, 1])
                frame = Frame.along(cut.frame.origin + 250 * end * z, along, end * x)
                places.append(CutEnd(end_of_tube(section), None, TubeCut(outline, frame)).place)
    assert all(places[0].like(place) for place in places)
    assert places[0].like(CutEnd(end_of_tube(section), None, TubeCut.at(outline, 90.0, -offset, -turn_deg)).place)


def end_of_tube(section: Section) -> TubeEnd:
    return TubeEnd("", section, Frame(np.zeros(3), np.eye(3)), 0.0, 0.0, 0.0, "coped", say("coped"))


def between(turn_deg: float, lean_deg: float, section: Section = ROUND) -> list[str]:
    """What the templates say of a tube up z between two others, the upper one along x, leaning towards +x by so much,
    and the lower one turned by so much counter-clockwise seen from above, leaning towards where it points."""
    lean = math.radians(lean_deg)
    low = np.array([math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg)), 0]) * math.cos(lean)
    meshes = [solid_tube(section, 400, "rung")]
    for name, height, along in (
        ("upper", 400, np.array([math.cos(lean), 0, -math.sin(lean)])),
        ("lower", 0, np.add(low, (0, 0, math.sin(lean)))),
    ):
        post = solid_tube(Section.round(60.3, 3.0), 600, name)
        vertices = Frame.along((0, 0, height) - 300 * along, along).to_world(post.vertices)
        meshes.append(replace(post, vertices=vertices))
    sites = [site for site in cope_sites(take_off(meshes, 8.0)) if site.source == "rung"]
    sites.sort(key=lambda site: -float(site.position[2]))
    return [template_for(site.at.place, [(site.at, site.far)]).said[0] for site in sites]


@pytest.mark.parametrize(
    ("turn_deg", "lean_deg", "said"),
    [
        (0.0, 30.0, "short side in line with the far end's"),
        (180.0, 30.0, "short side opposite the far end's"),
        (0.0, 0.0, "axis line in line with the far end's"),
        (180.0, 0.0, "axis line in line with the far end's"),
    ],
)
def test_a_template_says_how_both_ends_of_a_tube_are_turned_to_each_other(turn_deg, lean_deg, said):
    """An end that runs into a tube is shorter to where that comes towards it: the upper one falls towards +x."""
    for row in between(turn_deg, lean_deg):
        assert f"; {said}: rung" in row + ": rung" and row.count("far end") == 2


@pytest.mark.parametrize("turn_deg", [40.0, -75.0])
@pytest.mark.parametrize("lean_deg", [0.0, 30.0])
def test_what_lies_between_is_an_angle_a_length_around_and_a_way_to_look(turn_deg, lean_deg):
    """The upper end's short side faces +x, the lower one's is turned by so much, seen from above; looking at either end
    the other one's is behind by as much, the other way. 1 in is 25.4 mm; of its girth it takes that share."""
    around = math.pi * 25.4 * abs(turn_deg) / 360
    for row in between(turn_deg, lean_deg):
        way = "clockwise" if turn_deg > 0 else "counter-clockwise"
        line = "short side" if lean_deg else "axis line"
        said = in_inches(around)
        assert f"; {line} {abs(turn_deg):g}°, {said} around, {way} from the far end's, looking at this end" in row


def test_sides_of_a_rectangular_tube_are_named_from_end_to_end():
    """Sides are numbered counter-clockwise looking at their own end. Side 1 of the upper end is towards +x, and that of
    the lower one so, or turned; towards +y, its side 2 is towards +x."""
    for turn, sides in ((0.0, {1}), (180.0, {3}), (90.0, {2}), (-90.0, {4})):
        rows = between(turn, 30.0, Section.rectangular(40, 40, 3))
        assert {int(re.search(r"side 1 is the far end's side (\d)", row)[1]) for row in rows} == sides


def rail(lower: Section, mitre_deg: float = 0.0) -> list[Mesh]:
    """A tube up z from 0 to 400, its upper end mitred, and a post along x through its lower end; and a square
    post of 60 mm through its upper end, if that is not mitred."""
    bar = solid_tube(ROUND, 400, "rail")
    meshes = [solid_tube(lower, 600, "lower", (0, 90, 0), (-300, 0, 0))]
    if mitre_deg:
        lean = math.radians(mitre_deg)
        cut = bar.to_manifold().trim_by_plane((-math.sin(lean), 0, -math.cos(lean)), -350 * math.cos(lean))
        return [Mesh.from_manifold(cut, "rail"), *meshes]
    return [bar, *meshes, solid_tube(Section.rectangular(60, 60, 3), 600, "square", (0, 90, 0), (-300, 0, 400))]


def test_a_length_counts_from_where_the_far_end_is_cut_square():
    """From the square post's side at 400 - 30 to the farthest point of the cope, √(R² - r²) above the round one's axis;
    by trigonometry, and by what is left of the bar once both posts' outsides are taken away."""
    meshes = rail(Section.round(60.3, 3.0))
    takeoff = take_off(meshes, 8.0)
    (site,) = cope_sites(takeoff)
    true = 400 - 30 - math.sqrt(30.15**2 - 12.7**2)
    assert f"longest point {in_inches(true)}" in template_for(site.at.place, [(site.at, site.far)]).said[0]
    bar = meshes[0].to_manifold()
    for post in meshes[1:]:
        bar -= post.to_manifold().hull()
    low, high = np.reshape(max(bar.decompose(), key=lambda piece: piece.volume()).bounding_box(), (2, 3))[:, 2]
    assert high - low == pytest.approx(true, abs=0.05)
    (tube,) = (tube for tube in takeoff.tubes if tube.source == "rail")
    assert tube.length_mm == pytest.approx(400, abs=0.01)  # as modelled
    assert sorted(-end.to_cut.height_mm if end.to_cut else 0.0 for end in tube.ends) == pytest.approx([0, 30], abs=0.01)


@pytest.mark.parametrize("offset", [0.0, 9.0])
def test_a_cope_is_listed_with_where_its_centre_line_meets_the_other_tube(offset):
    """By where a line meets a cylinder: √(R² - e²) beside its axis, and that over tan 60° above where the axes pass."""
    brace = solid_tube(Section.round(33.7, 3), 600, "brace", (0, 60, 0), (0, offset, 200))
    post = solid_tube(Section.round(88.9, 3), 900, "post", (0, 0, 0), (0, 0, 0))
    (site,) = cope_sites(take_off([post, brace], 8.0))
    height = 200 + math.sqrt(44.45**2 - offset**2) / math.tan(math.radians(60))
    assert min(site.cope.met_mm) == pytest.approx(height, abs=0.02)
    off = ", 9 mm off" if offset else ""
    said = r"cope on post, centre line ([\d.]+) mm from the bottom end of post, 60° on 3 1/2 in \(88.9 mm\) round"
    found = re.fullmatch(said + off, site.where)
    assert found and float(found[1]) == pytest.approx(height, abs=0.02)
    in_inches = site.where.text(Units(imperial=True))
    assert in_inches.startswith(f"cope on post, centre line {height / 25.4:.2f}") and "60° on 3 1/2 in" in in_inches


def test_a_cope_on_a_post_that_is_cut_back_counts_from_where_it_will_end():
    """It is drawn to the axis of a beam 80 mm deep that lies under it, and the brace lies 150 mm above that axis."""
    bodies = [
        solid_tube(Section.rectangular(80, 80, 3.0), 600, "beam", (90, 0, 0), (0, 300, 0)),
        solid_tube(Section.round(60.3, 3.0), 900, "post"),
        solid_tube(Section.round(33.7, 3), 600, "brace", (0, 90, 0), (0, 0, 150)),
    ]
    (site,) = cope_sites(take_off(bodies, 8.0))
    assert "110 mm from the bottom end of post as it has to be cut" in site.where


def test_no_length_counts_from_a_far_end_whose_cut_is_not_known():
    """The upper end runs into a tube that is narrower, so that no cope goes around it."""
    bar, lower = rail(Section.round(60.3, 3.0))[:2]
    takeoff = take_off([bar, lower, solid_tube(Section.round(12, 1), 600, "thin", (0, 90, 0), (-300, 0, 400))], 8.0)
    assert any("no cope goes all around" in end.reason for end in takeoff.ends)
    (site,) = cope_sites(takeoff)
    (said,) = template_for(site.at.place, [(site.at, site.far)]).said
    assert said.startswith("Lower edge ")
    assert " short of the longest point: the far end runs into another tube, and is cut to fit afterwards: " in said


def test_a_mitred_tube_is_measured_from_where_it_is_cut_square():
    """A mitre of 45° through (0, 0, 350) is longest 12.7 above that; the square post's side is at 30: 332.7."""
    takeoff = take_off(rail(Section.rectangular(60, 60, 3), 45.0), 8.0)
    (template,) = mitre_templates(takeoff)
    assert "longest point 13 3/32 in (332.7 mm)" in template.said[0]


def test_a_mitre_that_is_drawn_into_a_flat_side_needs_no_template():
    """The end that runs into the post is cut square, as deep as the post's side at 350 - 30 lies below its axis."""
    meshes = rail(Section.rectangular(60, 60, 3), 30.0)
    post = solid_tube(Section.rectangular(60, 60, 3), 600, "square", (0, 90, 0), (-300, 0, 350))
    takeoff = take_off([*meshes, post], 8.0)
    assert sorted(-end.to_cut.height_mm for end in takeoff.ends if end.source == "rail") == pytest.approx(
        [30, 30], abs=0.01
    )
    reach = f"{30 + 12.7 * math.tan(math.radians(30)):.2f} mm"
    said = {str(end.reason) for end in takeoff.ends if end.mitre_deg}
    assert said == {f'Runs {reach} into "square": it has to be cut square'}
    assert not mitre_templates(takeoff)


def in_inches(mm: float) -> str:
    """As a rule in 64ths of an inch has it: an inch is 25.4 mm exactly (international yard and pound, 1959)."""
    whole, rest = divmod(Fraction(round(mm / 25.4 * 64), 64), 1)
    return f"{whole} {rest} in ({mm:.2f} mm)" if whole else f"{rest} in ({mm:.2f} mm)"


def asked(tmp_path: Path, **tables):
    return parse_job({"fitting": {"make": False}, "cope_sleeve": {"make": True}, **tables}, tmp_path, "frame")


def test_the_whole_way_from_a_model_to_sleeves_and_templates(tmp_path):
    """The length that the template gives is what the formula of descriptive geometry leaves of the brace."""
    result = run(
        asked(tmp_path, assembly={"files": ["x.stl"]}, output={"formats": ["stl"]}),
        node(),
        True,
        lambda what, share: None,
    )
    assert [(fitting.batch.family.name, fitting.batch.served, fitting.count) for fitting in result.made] == [
        ("cope sleeve", 1, 1),
        ("cope sleeve", 1, 1),
    ]
    assert not [finding for finding in result.findings if finding.severity == "must fix"]
    out = tmp_path / "ferrule_out"
    names = {path.name for path in out.iterdir()}
    assert {"frame wrap templates.html", "frame wrap F1.svg", "frame wrap F2.svg"} <= names
    assert "job sheet (all cautions), 2 templates, lists." in " ".join(table(result).split())
    page = (out / "frame wrap templates.html").read_text("utf-8")
    tip = math.sqrt(30.15**2 - 12.7**2)  # of the upright brace, above the post's axis
    assert f"longest point {in_inches(300 - tip)}" in page
    deep = 30.15 - tip
    assert f"Lower edge {in_inches(300 - tip - deep - KEPT_MM)}"[:-5] in page
    told = json.loads((out / "result.json").read_text("utf-8"))
    assert [cope["fitting"] for cope in told["copes"]] == ["F1", "F2"]
    assert told["fittings"][0]["family"] == "cope sleeve" and told["fittings"][0]["copes"] == 1
    rows = list(csv.DictReader(io.StringIO((out / "frame sites.csv").read_text("utf-8-sig"))))
    leaning = 400 - 150 - 30.15 * math.tan(math.radians(40))
    assert {row["where"] for row in rows} == {
        "cope on post, centre line 250 mm from the back end of post, 90° on 60.3 mm round",
        f"cope on post, centre line {leaning:.1f} mm from the front end of post, 50° on 60.3 mm round",
    }
    sheet = (out / "frame job sheet.html").read_text("utf-8")
    for words in ("take it off, and only then cut", "Copes have long sharp points", "Slide on.", "stop to edge"):
        assert words in sheet
    for path, fitting in zip(sorted(out.glob("*.stl")), result.made, strict=True):
        assert trimesh.load_mesh(path).volume == pytest.approx(fitting.fitting.solid.volume(), rel=1e-3)


def test_the_tube_under_a_cope_is_said_in_inches_first_where_it_is_of_an_inch_size(tmp_path):
    job = asked(tmp_path, cope=[{"size": "1 in × 1/8 in", "on": "1 1/2 in × 16 ga", "angle_deg": 45, "length_mm": 500}])
    (sleeve,) = run(job, [], True, lambda what, share: None).made
    assert sleeve.fitting.words == "cope sleeve, 45° on 1 1/2 in (38.1 mm) round, with a stop"


def test_copes_are_given_without_a_model(tmp_path):
    cope = {"size": "1 in × 1/8 in", "on": "NPS 1 1/2 Sch 40", "angle_deg": 60, "offset_mm": 4, "length_mm": 500}
    job = asked(tmp_path, cope=[{**cope, "name": "brace"}, {"size": "40 × 40 × 3", "on": "40 × 40 × 3"}])
    again = parse_job(tomllib.loads(job_text(job)), tmp_path, "frame")
    assert again.sites == job.sites
    result = run(job, [], True, lambda what, share: None)
    first, _ = result.made
    assert first.fitting.words == "cope sleeve, 60° on 48.3 mm round, 4 mm off, with a stop"
    page = (tmp_path / "ferrule_out" / "frame wrap templates.html").read_text("utf-8")
    assert re.search(
        r"Lower edge [\d/ ]+ in \([\d.]+ mm\) from the far end, longest point 19 11/16 in \(500 mm\): brace<", page
    )
    assert "short of the longest point" in page


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            {"size": "2 in × 1/8 in"},
            r"cope\[1\]: the tube is 50.8 mm wide across the other one, which is 48.3 mm",
        ),
        ({"offset_mm": 15}, r"passes by 3.55 mm beside the other one; give at most 11.45 mm"),
        ({"on": "NPS 77"}, "no tube size is called 'NPS 77'"),
    ],
)
def test_a_given_cope_that_cannot_be_made_is_refused(tmp_path, change, said):
    cope = {"size": "1 in × 1/8 in", "on": "NPS 1 1/2 Sch 40", **change}
    with pytest.raises(JobError, match=said):
        asked(tmp_path, cope=[cope])
    if "offset_mm" in change:
        assert asked(tmp_path, cope=[{**cope, "offset_mm": 11.45}]).sites


def test_mitres_get_templates_too():
    leaning = solid_tube(Section.round(48.3, 3.0), 400, "rail").to_manifold()
    cut = leaning.trim_by_plane((-math.sin(math.radians(30)), 0, -math.cos(math.radians(30))), -250)
    takeoff = take_off([Mesh.from_manifold(cut, "rail"), Mesh.from_manifold(cut.translate((0, 90, 0)), "twin")], 8.0)
    (template,) = mitre_templates(takeoff)
    assert np.ptp(template.outside[:, 1]) == pytest.approx(48.3 * math.tan(math.radians(30)), abs=0.02)
    length = 250 / math.cos(math.radians(30)) + 24.15 * math.tan(math.radians(30))
    (row,) = template.said
    assert f"longest point {length:.1f}" in row and row.endswith(": rail, twin")


@pytest.mark.parametrize("locate", ["stop", "line"])
@pytest.mark.parametrize(("section", "large"), [(ROUND, 48.3), (SQUARE, 60.3)], ids=["round", "square"])
def test_a_sleeve_has_its_id_and_an_arrow_raised_on_it(section, large, locate):
    """Outside of what it is without them, between its notches and its edge; sound by trimesh and in one piece."""
    at = place(section, large)
    bare, sleeve = (design(CopeRecipe(locate=locate), each) for each in (at, replace(at, mark="F12")))
    assert_sound(sleeve, bare.solid.genus())
    assert not bare.has("mark").any() and (bare.solid - sleeve.solid).volume() < 1e-5
    assert (sleeve.solid - bare.solid).volume() > 5.0  # strokes a bead or two wide, 0.5 mm high
    corners = sleeve.mesh.vertices[np.unique(sleeve.mesh.triangles[sleeve.has("mark")])]
    over = np.abs(corners[:, 2] - sleeve.end_mm)
    assert over.min() > 1.0 and over.max() < float(np.abs(sleeve.edge - sleeve.end_mm).max()) - 1.0
    tube = section.outer.cross_section(256).extrude(400).translate((0, 0, -200))
    assert (sleeve.solid ^ tube).volume() == pytest.approx((bare.solid ^ tube).volume(), abs=1e-6)
    assert replace(at, mark="F1").like(replace(at, mark="F2")) and replace(at, mark="F1") != replace(at, mark="F2")


@pytest.mark.parametrize(("section", "large"), [(ROUND, 48.3), (SQUARE, 60.3)], ids=["round", "square"])
def test_the_arrow_raised_on_a_sleeve_points_to_the_tubes_end(section, large):
    """It is 5 mm long and comes last; the half towards the end is its head, which has more in it than the shaft."""
    at = place(section, large)
    bare, sleeve = (design(CopeRecipe(locate="line"), each) for each in (at, replace(at, mark="F12")))
    top = float(sleeve.mesh.vertices[np.unique(sleeve.mesh.triangles[sleeve.has("mark")]), 2].max())
    raised = sleeve.solid - bare.solid
    head, arrow = (raised.trim_by_plane((0, 0, 1), top - length).volume() for length in (2.5, 5.0))
    assert head > 1.5 * (arrow - head)


def test_a_sleeve_of_a_job_has_its_number_raised_on_it(tmp_path):
    cope = {"size": "1 in × 1/8 in", "on": "NPS 1 1/2 Sch 40", "angle_deg": 60}
    result = run(asked(tmp_path, cope=[cope]), [], True, lambda what, share: None)
    assert [fitting.fitting.place.mark for fitting in result.made] == ["F1"]


@pytest.mark.parametrize("angle_deg", [90.0, 60.0])
@pytest.mark.parametrize("facets", [24, 48])
def test_copes_as_modelled_are_one_kind_wherever_their_corners_lie(facets, angle_deg):
    """The line of descriptive geometry by corners at other places around the tube, and the tube turned; another cut is
    another kind."""

    def read(turn: float, degrees: float) -> CutPlace:
        around = np.radians(np.arange(facets) * 360 / facets + turn)
        lines = []
        for radius in (12.7, 9.7):
            heights = np.sqrt(24.15**2 - (radius * np.sin(around)) ** 2) + radius * np.cos(around) * math.cos(
                math.radians(degrees)
            )
            ways = around + math.radians(3 * turn)
            line = [radius * np.cos(ways), radius * np.sin(ways), -heights / math.sin(math.radians(degrees))]
            lines.append(np.column_stack(line))
        cut = ReadCut(*lines)
        end = TubeEnd("brace", ROUND, Frame(np.zeros(3), np.eye(3)), 0.0, 0.0, 0.0, "coped", say("coped"))
        return CutEnd(end, None, cut).place

    first = read(0.0, angle_deg)
    assert all(first.like(read(turn, angle_deg)) for turn in (1.0, 3.7, 7.5, 41.0))
    assert not first.like(read(0.0, angle_deg - 6.0))
