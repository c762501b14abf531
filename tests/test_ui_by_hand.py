# SPDX-License-Identifier: GPL-3.0-or-later
"""Rims picked by hand against the construction of the tubes that they belong to, and against the takeoff, which reads
the same tubes as a whole."""

from __future__ import annotations

import math

import numpy as np
import pytest
from manifold3d import Manifold

from addon.geometry.frames import Floats, Frame
from addon.geometry.mesh import Mesh
from addon.geometry.sections import Outline, Section
from addon.takeoff import TubeEnd, take_off
from addon.takeoff.picked import PickedEnd, PickError

ELL = np.array([[-20, -10], [20, -10], [20, 0], [-5, 10], [-20, 10]], float)
SECTIONS = {
    "round": Section.round(38.1, 2.108),
    "square": Section.rectangular(40, 40, 3),
    "rectangle": Section.rectangular(60, 30, 2.5),
    "free": Section(Outline.free(ELL), Outline.free(ELL).offset(-2)),
}
LENGTH = 300.0


def mitred(section: Section, mitre: float, direction: float) -> tuple[list[Floats], Floats]:
    """The loops of the upper rim of a tube along z, and its edges down the tube, by construction: corners of the
    outlines lifted into the plane."""
    loops, sides = [], []
    for outline in (section.outer, section.bore):
        flat = outline.polygon(96)
        towards = np.radians(direction)
        z = -np.tan(np.radians(mitre)) * (flat @ [np.cos(towards), np.sin(towards)])
        loops.append(np.column_stack([flat, z]))
        sides.append(np.column_stack([np.zeros_like(flat), -LENGTH - z]))
    return loops, np.concatenate(sides)


def moved(frame: Frame, points: Floats) -> Floats:
    return np.float32(points @ frame.axes + frame.origin).astype(float)


PLACE = Frame.along(np.array([120.0, -340.0, 75.0]), np.array([0.3, 0.5, 0.81]), np.array([1.0, 0.2, 0.1]))


def by_takeoff(section: Section, mitre: float, direction: float) -> TubeEnd:
    wall = section.outer.cross_section(96) - section.bore.cross_section(96)
    towards = np.radians(direction)
    normal = [
        math.sin(math.radians(mitre)) * math.cos(towards),
        math.sin(math.radians(mitre)) * math.sin(towards),
        math.cos(math.radians(mitre)),
    ]
    solid = (
        Manifold.extrude(wall, 2 * LENGTH)
        .translate([0, 0, -LENGTH])
        .trim_by_plane([-component for component in normal], 0)
    )
    mesh = Mesh.from_manifold(solid, "Tube").placed(PLACE)
    ends = [end for end in take_off([mesh], 8.0).ends if end.frame.z @ PLACE.z > 0]
    assert len(ends) == 1
    return ends[0]


@pytest.mark.parametrize("name", SECTIONS)
@pytest.mark.parametrize(("mitre", "direction"), [(0, 0), (30, 10), (45, 100), (20, 200), (45, 290)])
def test_a_picked_rim_is_the_end_that_the_takeoff_reads(name: str, mitre: float, direction: float) -> None:
    section = SECTIONS[name]
    loops, sides = mitred(section, mitre, direction)
    # The bore first and turned round, as a selection may come.
    drawn = [moved(PLACE, loop) for loop in reversed(loops)]
    end = PickedEnd.of_mesh("Post", [drawn[0][::-1], drawn[1]], sides @ PLACE.axes, 1.0).tube_end()
    read = by_takeoff(section, mitre, direction)
    assert end.section.like(section, 0.01)
    assert end.section.like(read.section, 0.01)
    np.testing.assert_allclose(end.frame.origin, read.frame.origin, atol=2e-3)
    np.testing.assert_allclose(end.frame.axes[2], PLACE.z, atol=1e-5)
    assert end.mitre_deg == pytest.approx(mitre, abs=1e-3)
    assert end.mitre_deg == pytest.approx(read.mitre_deg, abs=1e-3)
    assert end.mitre_direction_deg == pytest.approx(read.mitre_direction_deg, abs=0.02)
    np.testing.assert_allclose(end.rim_normal, read.rim_normal, atol=1e-4)


@pytest.mark.parametrize(("name", "most"), [("round", 0.001), ("square", 90), ("rectangle", 180)])
def test_equal_fittings_get_equal_directions(name: str, most: float) -> None:
    """The promise of ``TubeEnd``: 0 for round, to under 90 for square, to under 180 for other symmetric sections."""
    for direction in range(5, 360, 30):
        loops, sides = mitred(SECTIONS[name], 30, direction)
        assert 0 <= PickedEnd.of_mesh("Post", loops, sides, 1.0).tube_end().mitre_direction_deg < most


def test_the_outside_alone_takes_the_wall_that_is_given() -> None:
    loops, sides = mitred(SECTIONS["rectangle"], 0, 0)
    assert PickedEnd.of_mesh("Post", loops[:1], sides, 2.5).tube_end().section.like(SECTIONS["rectangle"], 0.01)
    with pytest.raises(PickError, match="too thick"):
        PickedEnd.of_mesh("Post", loops[:1], sides, 40.0).tube_end()


def test_without_edges_down_the_tube_the_cut_is_square() -> None:
    loops, _ = mitred(SECTIONS["round"], 0, 0)
    assert PickedEnd.of_mesh("Post", loops, np.empty((0, 3)), 1.0).tube_end().mitre_deg == 0


def test_what_is_no_rim_is_refused() -> None:
    loops, sides = mitred(SECTIONS["round"], 0, 0)
    bent = loops[0].copy()
    bent[:20, 2] += 3
    with pytest.raises(PickError, match="not flat"):
        PickedEnd.of_mesh("Post", [bent], sides, 1.0).tube_end()
    with pytest.raises(PickError, match="not inside"):
        PickedEnd.of_mesh("Post", [loops[0], loops[0] + [25.0, 0, 0]], sides, 1.0).tube_end()
