# SPDX-License-Identifier: GPL-3.0-or-later
"""Tube ends whose edges were modelled chamfered or rounded: read as if cut sharp, and nothing else taken for them.

gmsh's B-rep kernel builds tubes and breaks their edges; where a number is expected it follows from how they were drawn.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
import shapely.affinity
from weldments import CHORD_ERROR, Cut, Shape, cut, cylinder, deburred, fuse, moved, rotation, tessellated, tube

from addon.families.cap import Recipe, design
from addon.geometry.mesh import Mesh
from addon.review import review_fit
from addon.takeoff import Takeoff, TubeEnd, split_bodies, take_off

SIZE_MM = 0.02
ANGLE_DEG = 0.05
LENGTH = 90.0
SECTIONS = {
    "round": (Shape("circle", 25.4, 25.4), Shape("circle", 19.05, 19.05)),
    "square": (Shape("rectangle", 40, 40, 6), Shape("rectangle", 34, 34, 3)),
    "sharp": (Shape("rectangle", 50, 25), Shape("rectangle", 46, 21)),
    "obround": (Shape("obround", 60, 30), Shape("obround", 56, 26)),
    "ellipse": (Shape("ellipse", 60, 30), Shape("ellipse", 56, 26)),
    "d": (Shape("d", 40, 40), Shape("d", 36, 36)),
}
SIXTHS = np.arange(6) * math.pi / 3
BOTH, OUTSIDE, INSIDE, UNEVEN = (0.5, 0.5), (0.5, 0.0), (0.0, 0.5), (1.0, 0.2)


def least_wall(outer: Shape, bore: Shape) -> float:
    """Between two ellipses it is less than along their axes: shapely's distance of fine polygons."""
    if outer.kind != "ellipse":
        return (outer.width - bore.width) / 2
    circle = shapely.Point(0, 0).buffer(0.5, quad_segs=500)
    rings = [shapely.affinity.scale(circle, shape.width, shape.depth).exterior for shape in (outer, bore)]
    return rings[0].distance(rings[1])


def as_stl(mesh: Mesh) -> Mesh:
    return Mesh(mesh.vertices.astype(np.float32).astype(float), mesh.triangles, mesh.name)


def check(takeoff: Takeoff, name: str, mitre: float, turn, shift) -> None:
    """Both ends open, with the size of the sides, the rim where it was cut, and the mitre and the depth of that."""
    outer, bore = SECTIONS[name]
    assert [end.cause for end in takeoff.ends] == ["open", "open"], takeoff
    for end in takeoff.ends:
        top = bool(end.frame.z @ turn[:, 2] > 0)
        drawn = [(outer.width, outer.depth), (bore.width, bore.depth)]
        read = [(line.width, line.depth) for line in (end.section.outer, end.section.bore)]
        assert np.array(read) == pytest.approx(np.array(drawn), abs=CHORD_ERROR if name == "d" else SIZE_MM)
        both_chords = 2 * CHORD_ERROR  # a free outline is as it was meshed, outside and inside
        assert end.section.wall == pytest.approx(least_wall(outer, bore), abs=both_chords if name == "d" else SIZE_MM)
        assert end.mitre_deg == pytest.approx(mitre if top else 0.0, abs=ANGLE_DEG)
        if name != "d":
            place = turn @ (0, 0, LENGTH if top else 0.0) + shift
            assert end.frame.origin == pytest.approx(place, abs=SIZE_MM)
        rise = math.tan(math.radians(mitre)) * math.hypot(bore.width, bore.depth) / 2
        assert LENGTH - rise - 1 < end.clear_depth_mm <= LENGTH + 0.01


@pytest.mark.once
@pytest.mark.parametrize(
    ("name", "how", "sizes", "mitre", "mesh"),
    [
        *((name, "chamfer", BOTH, 45.0, "long") for name in SECTIONS if name != "sharp"),
        *((name, "fillet", UNEVEN, 30.0, "long") for name in SECTIONS if name != "sharp"),
        *(("round", how, sizes, 20.0, "long") for how, sizes in (("chamfer", INSIDE), ("fillet", OUTSIDE))),
        *(("sharp", "chamfer", sizes, 0.0, "long") for sizes in (OUTSIDE, INSIDE, UNEVEN)),
        *(("square", how, (0.2, 0.2), 60.0, "long") for how in ("chamfer", "fillet")),
        *((name, "chamfer", BOTH, 0.0, "even") for name in ("sharp", "obround")),
        *((name, "chamfer", BOTH, 45.0, "even") for name in ("round", "ellipse")),
    ],
)
def test_an_end_with_broken_edges_is_read_as_it_was_cut(gmsh, name, how, sizes, mitre, mesh):
    """The tube's other end is square, so each case is one of a square cut, too."""
    outer, bore = SECTIONS[name]

    def build():
        deburred(gmsh, tube(gmsh, outer, bore, LENGTH, top=Cut(mitre, 20.0)), how, *sizes)

    rng = np.random.default_rng(sum(map(ord, name + how)))
    turn, shift = rotation(rng), rng.uniform(-2000, 2000, 3)
    takeoff = take_off([as_stl(moved(tessellated(gmsh, build, mesh), turn, shift))], 8.0)
    check(takeoff, name, mitre, turn, shift)


def revolved(profile, mitre: float = 0.0, facets: int = 32, mirrored: bool = False) -> Mesh:
    """The profile of a wall, (r, z) in order, carried around the z axis; what is above z = 50 is sheared by a mitre."""
    angles = np.arange(facets) * 2 * np.pi / facets
    around, rise = np.column_stack([np.cos(angles), np.sin(angles)]), math.tan(math.radians(mitre))
    rows = [np.column_stack([r * around, z + rise * r * around[:, 0] * (z > 50)]) for r, z in profile]
    a, b = np.arange(facets), (np.arange(facets) + 1) % facets
    triangles = []
    for row in range(len(profile)):
        low, high = row * facets, (row + 1) % len(profile) * facets
        triangles += [np.column_stack([low + a, low + b, high + b]), np.column_stack([low + a, high + b, high + a])]
    mesh = Mesh(np.concatenate(rows), np.concatenate(triangles).astype(np.int32), "tube")
    return mesh if (mesh.volume > 0) != mirrored else Mesh(mesh.vertices, mesh.triangles[:, ::-1].copy(), "tube")


def wall(outside: float, inside: float, deep_outside: float, deep_inside: float):
    """The profile of a tube of 25.4 mm with a wall of 3 mm, from 0 to 300, chamfered at its upper end."""
    rows = [(12.7, 0.0), (12.7, 300 - deep_outside), (12.7 - outside, 300.0)]
    rows += [(9.7 + inside, 300.0)] if outside + inside < 3 else []
    return [*rows, (9.7, 300 - deep_inside), (9.7, 0.0)]


@pytest.mark.parametrize("mitre", [0.0, 30.0])
@pytest.mark.parametrize(
    "chamfers", [(1.5, 1.5, 1.5, 1.5), (1, 2, 1, 2), (1.5, 1.5, 0.87, 2.6), (1.5, 1.5, 2.6, 2.6), (1.4, 1.5, 1.4, 1.5)]
)
@pytest.mark.parametrize("mirrored", [False, True])
def test_chamfers_that_meet_in_an_edge_leave_the_rim_there(chamfers, mitre, mirrored):
    takeoff = take_off([revolved(wall(*chamfers), mitre, mirrored=mirrored)], 8.0)
    assert [end.cause for end in takeoff.ends] == ["open", "open"]
    top = max(takeoff.ends, key=lambda end: end.frame.origin[2])
    assert top.frame.origin == pytest.approx(np.array([0, 0, 300]), abs=1e-3)
    assert (top.section.outer.width, top.section.wall) == pytest.approx((25.4, 3.0), abs=1e-3)
    assert top.mitre_deg == pytest.approx(mitre, abs=1e-3)
    assert any("left flat for the shoulder to rest on" in note for note in takeoff.notes)


def test_a_weld_bevel_on_a_pipe_is_read_through():
    # 37.5° with a root face of 1.6 mm: common practice for butt welds, no source
    deep = 3.9 * math.tan(math.radians(37.5))
    profile = [(30.15, 0.0), (30.15, 300 - deep), (26.25, 300.0), (24.65, 300.0), (24.65, 0.0)]
    ends = take_off([revolved(profile, facets=48)], 8.0).ends
    assert [end.section.wall for end in ends] == pytest.approx([5.5, 5.5], abs=1e-3)
    assert sorted(float(end.frame.origin[2]) for end in ends) == pytest.approx([0, 300], abs=1e-3)


def test_ends_of_a_fused_frame_are_read_through_their_chamfers(gmsh):
    outer, bore = SECTIONS["square"]

    def build():
        occ = gmsh.model.occ
        rail = deburred(gmsh, tube(gmsh, outer, bore, 250.0), "chamfer", 0.5, 0.5)
        occ.rotate([(3, rail)], 0, 0, 0, 0, 1, 0, math.pi / 2)
        occ.translate([(3, rail)], 19, 0, 150)
        fuse(gmsh, deburred(gmsh, tube(gmsh, outer, bore, 300.0), "chamfer", 0.5, 0.5), rail)

    takeoff = take_off([tessellated(gmsh, build, "long", "frame")], 8.0)
    assert [end.cause for end in takeoff.ends] == ["open"] * 3
    places = {tuple(end.frame.origin.round(2) + 0.0) for end in takeoff.ends}
    assert places == {(0.0, 0.0, 0.0), (0.0, 0.0, 300.0), (269.0, 0.0, 150.0)}
    assert all(end.section.outer.width == pytest.approx(40, abs=SIZE_MM) for end in takeoff.ends)


def test_a_plate_at_a_deburred_rim_blocks_and_a_bolt_is_still_crossed(gmsh):
    outer, bore = SECTIONS["round"]

    def build():
        body = deburred(gmsh, tube(gmsh, outer, bore, LENGTH), "fillet", 0.5, 0.5)
        cut(gmsh, body, cylinder(gmsh, (0, -60, 75), (0, 120, 0), 3.0))

    plate = tessellated(gmsh, lambda: gmsh.model.occ.addBox(-30, -30, -5, 60, 60, 5), "long", "plate")
    low, high = sorted(take_off([tessellated(gmsh, build, "long"), plate], 15.0).ends, key=lambda end: end.frame.z[2])
    assert (low.cause, low.clear_depth_mm) == ("blocked", 0.0)
    assert (high.cause, high.clear_depth_mm) == ("crossed", pytest.approx(12, abs=CHORD_ERROR + 0.02))


def test_what_was_taken_off_the_rim_is_told():
    takeoff = take_off([revolved(wall(0.5, 0.3, 0.5, 0.3))], 8.0)
    (note,) = takeoff.notes
    assert note == (
        "1 tube end has chamfered or rounded edges; read as if cut sharp. Outside they take up to 0.5 mm off the rim: "
        "a crown stands out past its flat by that. Trim it by hand where the step is in the way."
    )
    assert "Trim" not in take_off([revolved(wall(0.0, 0.3, 0.0, 0.3))], 8.0).notes[0]
    assert take_off([revolved(wall(0.0, 0.0, 0.0, 0.0)[1:])], 8.0).notes == ()


@pytest.mark.parametrize("name", ["round", "square"])
@pytest.mark.parametrize("mitre", [0.0, 30.0])
def test_the_fitting_for_a_deburred_end_sits_right_in_the_tube_as_drawn(gmsh, name, mitre):
    """It touches the drawn tube only, keeps its gap from the bore, and its shoulder rests on the flat of the rim."""
    outer, bore = SECTIONS[name]

    def build():
        deburred(gmsh, tube(gmsh, outer, bore, LENGTH, top=Cut(mitre, 0.0)), "chamfer", 0.5, 0.5)

    mesh = tessellated(gmsh, build, "long")
    end: TubeEnd = max(take_off([mesh], 12.0).ends, key=lambda end: end.frame.origin[2])
    fitting = design(
        Recipe(spigot_mm=10.0, gap_mm=0.2),
        end.section,
        mitre_deg=end.mitre_deg,
        mitre_direction_deg=end.mitre_direction_deg,
        clear_depth_mm=end.clear_depth_mm,
    ).mesh.placed(end.frame)
    (welded,) = split_bodies([mesh])
    fit = review_fit(fitting, welded, end.frame, rim_normal=end.rim_normal, clear_depth_mm=end.clear_depth_mm)
    assert fit.findings == ()
    assert fit.tube.interference_mm3 == 0
    assert fit.tube.gap_mm == pytest.approx(0.2, abs=CHORD_ERROR + 0.01)
    # A hair further in, it bites into the flat and nowhere else: into an area of the rim without its chamfers.
    deeper = Mesh(fitting.vertices - 0.01 * end.rim_normal, fitting.triangles)
    bitten = (deeper.to_manifold() ^ welded.to_manifold()).volume() / 0.01
    girth = math.pi * 25.4 if name == "round" else 4 * 40 - 12 + 12 * math.pi / 2
    assert bitten > 0.5 * girth
    assert bitten < 0.9 * girth * ((outer.width - bore.width) / 2) / math.cos(math.radians(mitre))


@pytest.mark.parametrize(
    "what",
    [
        "countersunk plate",
        "countersunk screw",
        "socket screw",
        "washer",
        "nut",
        "flange",
        "stepped shaft",
        "bored shaft",
        "knob",
        "ring with round edges",
        "cup that is closed",
    ],
)
def test_what_is_no_tube_is_not_read_for_its_chamfers(gmsh, what):
    occ = gmsh.model.occ

    def turned(*points):
        """Frusta between the points (r, z), one on the other."""
        solids = []
        for (low, base), (high, top) in pairwise(points):
            same = abs(low - high) < 1e-9
            size = 0, 0, base, 0, 0, top - base
            solids += [] if base == top else [occ.addCylinder(*size, low) if same else occ.addCone(*size, low, high)]
        return fuse(gmsh, *solids) if len(solids) > 1 else solids[0]

    def socket(body, across, depth, top):
        points = tuple((across / math.sqrt(3) * math.cos(a), across / math.sqrt(3) * math.sin(a)) for a in SIXTHS)
        face = Shape("polygon", across, across, points=points).face(gmsh)
        tool = next(tag for dim, tag in occ.extrude([(2, face)], 0, 0, depth) if dim == 3)
        occ.translate([(3, tool)], 0, 0, top - depth)
        return cut(gmsh, body, tool)

    def build():
        if what == "countersunk plate":
            body = occ.addBox(-100, -50, 0, 200, 100, 10)
            tools = []
            for x in (-70, 0, 70):
                tools += [cylinder(gmsh, (x, 0, -1), (0, 0, 12), 3.3), occ.addCone(x, 0, 7, 0, 0, 3, 3.3, 6.3)]
            cut(gmsh, body, *tools)
        elif what == "countersunk screw":
            socket(turned((4, 0), (4, 20), (8, 24), (8, 24.5)), 5, 3, 24.5)
        elif what == "socket screw":
            socket(turned((3.5, 0), (4, 0.5), (4, 30), (6.5, 30), (6.5, 37.5), (6, 38)), 6, 4, 38)
        elif what == "washer":
            cut(gmsh, turned((12, 0), (12, 2), (11.5, 2.5)), turned((6.5, 0), (6.5, 2), (7, 2.5)))
        elif what == "nut":
            face = Shape(
                "polygon", 18, 18, points=tuple((10.39 * math.cos(a), 10.39 * math.sin(a)) for a in SIXTHS)
            ).face(gmsh)
            body = next(tag for dim, tag in occ.extrude([(2, face)], 0, 0, 10.8) if dim == 3)
            cut(gmsh, body, cylinder(gmsh, (0, 0, -1), (0, 0, 13), 5.1), occ.addCone(0, 0, 9.8, 0, 0, 1, 5.1, 6.1))
        elif what == "flange":
            cut(gmsh, turned((60, 0), (60, 11), (59, 12)), turned((25, 0), (25, 11), (26, 12)))
        elif what == "stepped shaft":
            turned((20, 0), (20, 60), (19, 61), (12, 61), (12, 119), (11, 120))
        elif what == "bored shaft":
            cut(gmsh, turned((19.5, 0), (20, 0.5), (20, 120)), turned((5.5, 0), (5, 0.5), (5, 15)))
        elif what == "knob":
            cut(gmsh, turned((14.5, 0), (15, 0.5), (15, 19), (14, 20)), turned((6.5, 0), (6, 0.5), (6, 12)))
        elif what == "ring with round edges":
            body = cut(gmsh, turned((25, 0), (25, 10)), turned((20, 0), (20, 10)))
            occ.synchronize()
            boxes = {tag: occ.getBoundingBox(1, tag) for _, tag in occ.getEntities(1)}
            rims = [tag for tag, (*_, low, _, _, high) in boxes.items() if high - low < 1]
            occ.fillet([body], rims, [1.0])
        else:
            cut(gmsh, turned((19, 0), (20, 1), (20, 30)), turned((16, 3), (16, 27)))

    assert take_off([tessellated(gmsh, build, "long", what)], 8.0).ends == ()
