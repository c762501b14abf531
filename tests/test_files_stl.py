# SPDX-License-Identifier: GPL-3.0-or-later
"""Binary STL: what an independent reader sees, and that damage is found."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from addon.files.errors import VerificationError
from addon.files.parts import Part
from addon.files.readback import check_stl, read_stl
from addon.files.stl import write_stl
from addon.geometry.mesh import Mesh

trimesh = pytest.importorskip("trimesh")
NO_SHRINK = (0.0, 0.0, 0.0)


def cap():
    solid = Manifold.cube((40, 20, 10)) + Manifold.sphere(7, 48).translate((20, 10, 10))
    return Part("End cap 1½ in", Mesh.from_manifold(solid))


@pytest.mark.parametrize(("unit", "mm"), [("mm", 1.0), ("in", 25.4)])
def test_an_independent_reader_sees_the_solid(tmp_path, unit, mm):
    """Source: trimesh's reader and mass properties."""
    part = cap()
    written = write_stl(tmp_path / "cap.stl", part, unit=unit)
    assert written.path.name == f"cap_{unit}.stl"
    assert written.path.read_bytes()[:80].startswith(f"Unit: {unit}; ".encode())
    read = trimesh.load_mesh(written.path)
    assert read.is_watertight and len(read.faces) == written.triangles == len(part.mesh.triangles)
    assert np.allclose(read.bounds * mm, part.mesh.bounds, atol=1e-4)
    assert read.volume * mm**3 == pytest.approx(part.mesh.volume, rel=1e-6)
    assert written.volume_mm3 == pytest.approx(part.mesh.volume, rel=1e-6)
    assert read.area * mm**2 == pytest.approx(part.mesh.area, rel=1e-6)


def test_normals_point_outward(tmp_path):
    content = write_stl(tmp_path / "cap.stl", cap()).path.read_bytes()
    facets = np.frombuffer(content, np.dtype([("normal", "<f4", 3), ("rest", "V38")]), offset=84)
    solid = trimesh.Trimesh(cap().mesh.vertices, cap().mesh.triangles, process=False)
    assert np.allclose(facets["normal"], solid.face_normals, atol=1e-4)


def test_shrink_is_made_up_for_and_recorded(tmp_path):
    """Size in the file x (1 - s / 100) = size drawn. Source: arithmetic."""
    shrink = (1.25, 0.5, -0.75)
    path = write_stl(tmp_path / "cap.stl", cap(), shrink_percent=shrink).path
    assert np.allclose(trimesh.load_mesh(path).extents * (1 - np.array(shrink) / 100), cap().mesh.size, atol=1e-4)
    assert b"shrink of x 1.25 y 0.5 z -0.75 %" in path.read_bytes()[:80]


@pytest.mark.parametrize("name", ["solid cap", "\n\x00\ud800 cap", "角" * 200, "", "solid" * 40])
def test_the_header_is_plain_text_and_never_begins_as_the_other_kind(tmp_path, name):
    content = write_stl(tmp_path / "a.stl", Part(name, cap().mesh)).path.read_bytes()
    assert not content.startswith(b"solid") and content[:80].decode("ascii").isprintable()
    assert len(content) == 84 + 50 * len(cap().mesh.triangles)


def test_the_header_keeps_the_size_readable(tmp_path):
    content = write_stl(tmp_path / "a.stl", Part("flat for 40 × 40 × 3", cap().mesh)).path.read_bytes()
    assert b"flat for 40 x 40 x 3 " in content[:80]


@pytest.mark.parametrize(
    ("given", "unit", "name"),
    [
        ("a", "mm", "a_mm.stl"),
        ("a.STL", "in", "a_in.stl"),
        ("a_in.stl", "mm", "a_mm.stl"),
        ("1.5 x", "in", "1.5 x_in.stl"),
    ],
)
def test_the_name_states_the_unit(tmp_path, given, unit, name):
    assert write_stl(tmp_path / given, cap(), unit=unit).path.name == name


def test_a_solid_that_meets_itself_along_an_edge_is_not_written(tmp_path):
    """Closed by its indices, but a reader welds equal corners and finds four facets on an edge.
    Source: trimesh, which welds them."""
    cube = Mesh.from_manifold(Manifold.cube((10, 10, 10)))
    beside = len(cube.vertices)
    vertices = np.concatenate([cube.vertices, cube.vertices + np.array([10, 10, 0])])
    part = Part("two cubes", Mesh(vertices, np.concatenate([cube.triangles, cube.triangles + beside])))
    assert part.mesh.to_manifold().status().name == "NoError"
    welded = trimesh.Trimesh(part.mesh.vertices, part.mesh.triangles, process=True)
    assert np.bincount(welded.edges_unique_inverse).max() == 4
    with pytest.raises(VerificationError, match=r"meets itself along an edge.*0\.1 mm larger or smaller"):
        write_stl(tmp_path / "a.stl", part)
    assert not list(tmp_path.iterdir())


def test_a_file_that_is_cut_off_is_found(tmp_path):
    content = write_stl(tmp_path / "a.stl", cap()).path.read_bytes()
    with pytest.raises(VerificationError, match="length"):
        read_stl(content[:-50])


def test_an_open_solid_is_refused_and_leaves_nothing(tmp_path):
    mesh = cap().mesh
    with pytest.raises(VerificationError, match="not closed"):
        write_stl(tmp_path / "a.stl", Part("open", Mesh(mesh.vertices, mesh.triangles[1:])))
    assert not list(tmp_path.iterdir())


def test_the_wrong_unit_or_solid_is_found(tmp_path):
    content = write_stl(tmp_path / "a.stl", cap()).path.read_bytes()
    with pytest.raises(VerificationError, match="unit"):
        check_stl(content, cap(), unit="in", shrink_percent=NO_SHRINK, where="")
    with pytest.raises(VerificationError, match=r"39\.6 x 19\.8"):
        check_stl(content, cap(), unit="mm", shrink_percent=(1.0, 1.0, 0.0), where="")
    larger = Part("cap", Mesh(cap().mesh.vertices * 1.01, cap().mesh.triangles))
    with pytest.raises(VerificationError, match="40 x 20 x 17 mm, not"):
        check_stl(content, larger, unit="mm", shrink_percent=NO_SHRINK, where="")
