# SPDX-License-Identifier: GPL-3.0-or-later
"""STEP and IGES files against the same tubes as other meshes and as drawn. gmsh's kernel writes the parts, and its own
mesher, which shares no code with the reader, makes the other meshes. ISO 10303-21 and IGES 5.3 are the formats."""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import bpy
import numpy as np
import pytest
import weldments as w
from manifold3d import Manifold
from step_files import SCHEMAS, Placed, Product, in_unit, part_text, step_text, with_schema

from addon.files import brep
from addon.geometry.mesh import Mesh
from addon.job.jobfile import read_job
from addon.job.running import tube_ends_of
from addon.review.in_place import review_fit
from addon.takeoff import TubeEnd, take_off
from addon.ui import apart
from addon.ui.jobs import modelled_section
from addon.ui.scene import SceneError, read_assembly

TURN_Z = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
TURN_X = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])
ROUND = w.Shape("circle", 33.7, 33.7), w.Shape("circle", 28.5, 28.5)
BOX = w.Shape("rectangle", 60.0, 40.0, 6.0), w.Shape("rectangle", 54.0, 34.0, 3.0)


def mitred(gmsh: ModuleType) -> object:
    return w.tube(gmsh, *ROUND, 400.0, top=w.Cut(30.0, 40.0))


def box_tube(gmsh: ModuleType) -> object:
    return w.tube(gmsh, *BOX, 150.0, bottom=w.Cut(45.0, 0.0))


def coped(gmsh: ModuleType) -> object:
    """A T of two round tubes welded into one body, the branch cut to lie on the run."""
    run, branch = w.tube(gmsh, *ROUND, 600.0), w.tube(gmsh, *ROUND, 300.0)
    gmsh.model.occ.rotate([(3, branch)], 0, 0, 0, 0, 1, 0, np.pi / 2)
    gmsh.model.occ.translate([(3, branch)], 0, 0, 300.0)
    bore = w.cylinder(gmsh, (0, 0, -1), (0, 0, 602), 28.5 / 2)
    return w.cut(gmsh, w.fuse(gmsh, run, branch), bore)


def faces_only(gmsh: ModuleType) -> None:
    """The faces of a tube without the solid, and no edge in common."""
    occ = gmsh.model.occ
    body = w.tube(gmsh, *ROUND, 400.0)
    occ.synchronize()
    faces = gmsh.model.getBoundary([(3, body)], oriented=False)
    copies = occ.copy(faces)
    occ.remove([(3, body)], recursive=True)
    assert len(copies) == 4


def ends_of(path: Path) -> tuple[TubeEnd, ...]:
    assembly = read_assembly([path], None)
    assert assembly.unit_given and not assembly.notes
    return take_off(assembly.meshes, 10.0).ends


def assert_alike(ends: tuple[TubeEnd, ...], others: tuple[TubeEnd, ...]) -> None:
    assert len(ends) == len(others) > 0
    for end in ends:
        other = min(others, key=lambda other: np.linalg.norm(end.frame.origin - other.frame.origin))
        assert np.linalg.norm(end.frame.origin - other.frame.origin) < 0.01
        assert end.frame.z @ other.frame.z > 1 - 1e-6
        assert (end.cause, end.section.kind) == (other.cause, other.section.kind)
        for size in ("width", "depth"):
            assert getattr(end.section.outer, size) == pytest.approx(getattr(other.section.outer, size), abs=0.005)
        assert end.section.wall == pytest.approx(other.section.wall, abs=0.005)
        assert end.mitre_deg == pytest.approx(other.mitre_deg, abs=0.05)


@pytest.mark.once
@pytest.mark.parametrize(
    ("shapes", "lean_deg", "walls"),
    [(ROUND, 30.0, 2), (BOX, 0.0, 1)],
    ids=["round, leaning", "box"],
)
def test_holes_are_read_as_they_were_drilled(gmsh, tmp_path, shapes, lean_deg, walls):
    """Through the triangles that the STEP kernel makes: long and thin, curved edges in few steps."""
    lean = np.radians(lean_deg)
    axis, point = np.array([0, np.cos(lean), np.sin(lean)]), np.array([0, 0, 60.0])

    def build():
        start = point - (100 * axis if walls == 2 else 0)
        drill = w.cylinder(gmsh, tuple(start), tuple(100 * walls * axis), 4.5)
        w.cut(gmsh, w.tube(gmsh, *shapes, 200.0), drill)

    path = tmp_path / "drilled.step"
    path.write_text(part_text(gmsh, build, path))
    (hole,) = take_off(read_assembly([path], None).meshes, 10.0).holes
    assert (hole.diameter_mm, hole.walls) == (pytest.approx(9.0, abs=0.02), walls)
    assert np.linalg.norm(np.cross(hole.position - point, axis)) < 0.02
    assert np.degrees(np.arccos(min(abs(float(hole.axis @ axis)), 1.0))) < 0.05


def test_a_file_of_the_kernels_starts_no_other_blender(
    gmsh: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The kernel has a process of its own, which may crash: see the test of damaged files."""
    part_text(gmsh, lambda: w.tube(gmsh, *ROUND, 100.0), tmp_path / "tube.step")
    monkeypatch.setattr(apart, "_CHILD", "import os\nos.abort()")
    (mesh,) = apart.read_apart([tmp_path / "tube.step"], None).meshes
    assert mesh.size.max() == pytest.approx(100.0)


@pytest.mark.once
@pytest.mark.parametrize(
    ("build", "width", "wall", "suffix"),
    [(mitred, 33.7, 2.6, ".igs"), (box_tube, 60, 3, ".step"), (coped, 33.7, 2.6, ".step")],
)
def test_a_weldment_has_the_same_ends_as_drawn_and_as_a_mesh(
    gmsh: ModuleType,
    tmp_path: Path,
    build: Callable[[ModuleType], object],
    width: float,
    wall: float,
    suffix: str,
) -> None:
    path = tmp_path / f"part{suffix}"
    part_text(gmsh, lambda: build(gmsh), path)
    mesh = w.tessellated(gmsh, lambda: build(gmsh), "even", facets=16)
    ends = ends_of(path)
    assert_alike(ends, take_off([mesh], 10.0).ends)
    for end in ends:
        assert end.section.outer.width == pytest.approx(width, abs=0.005)
        assert end.section.wall == pytest.approx(wall, abs=0.005)


@pytest.mark.once
@pytest.mark.parametrize("suffix", [".step", ".igs"])
def test_faces_without_a_solid_are_sewn_together(gmsh: ModuleType, tmp_path: Path, suffix: str) -> None:
    part_text(gmsh, lambda: faces_only(gmsh), tmp_path / f"faces{suffix}")
    (mesh,) = read_assembly([tmp_path / f"faces{suffix}"], None).meshes
    assert mesh.to_manifold().volume() == pytest.approx(np.pi / 4 * (33.7**2 - 28.5**2) * 400, rel=0.01)
    assert [end.section.wall for end in ends_of(tmp_path / f"faces{suffix}")] == pytest.approx([2.6, 2.6], abs=0.005)


@pytest.mark.once
def test_corners_lie_on_the_true_surface_and_a_long_tube_takes_few_facets(gmsh: ModuleType, tmp_path: Path) -> None:
    def build() -> None:
        w.tube(gmsh, *ROUND, 6000.0, bottom=w.Cut(-45.0), top=w.Cut(45.0))

    part_text(gmsh, build, tmp_path / "long.step")
    (mesh,) = read_assembly([tmp_path / "long.step"], None).meshes
    radii = np.linalg.norm(mesh.vertices[:, :2], axis=1)
    assert np.abs(radii[:, None] - (28.5 / 2, 33.7 / 2)).min(axis=1).max() < 0.001
    assert len(mesh.triangles) < 60_000


@pytest.mark.once
def test_a_thin_long_mitred_tube_has_both_its_ends(gmsh: ModuleType, tmp_path: Path) -> None:
    """Of such tubes the kernel makes 30,000 to 90,000 facets, many of them needles."""
    outside, wall, cuts = 10.0, 0.5, (60.0, 30.0)
    shapes = w.Shape("circle", outside, outside), w.Shape("circle", outside - 2 * wall, outside - 2 * wall)
    path = tmp_path / "tube.step"
    part_text(gmsh, lambda: w.tube(gmsh, *shapes, 6000.0, top=w.Cut(cuts[0], 20.0), bottom=w.Cut(cuts[1], 0.0)), path)
    assembly = read_assembly([path], None)
    assert sum(len(mesh.triangles) for mesh in assembly.meshes) < 300_000
    takeoff = take_off(assembly.meshes, 10.0)
    assert not takeoff.notes and [end.cause for end in takeoff.ends] == ["open"] * 2
    assert sorted(end.mitre_deg for end in takeoff.ends) == pytest.approx(sorted(cuts), abs=0.02)
    for end in takeoff.ends:
        assert end.section.outer.width == pytest.approx(outside, abs=0.005)
        assert end.section.wall == pytest.approx(wall, abs=0.005)


@pytest.mark.once
def test_a_coarse_long_tube_has_room_for_what_goes_in(
    gmsh: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where many parts leave few facets for each, those in the bore still lie along it."""
    monkeypatch.setattr(brep, "MOST_TRIANGLES", 20_000)
    shapes = w.Shape("circle", 48.3, 48.3), w.Shape("circle", 41.9, 41.9)
    path = tmp_path / "tube.step"
    part_text(gmsh, lambda: w.tube(gmsh, *shapes, 2300.0, top=w.Cut(45.0, 0.0)), path)
    (tube,) = read_assembly([path], None).meshes
    (end,) = (end for end in take_off([tube], 10.0).ends if not end.mitre_deg)
    plug = Manifold.cylinder(12.0, 41.9 / 2 - 0.49, circular_segments=256).translate((0, 0, -12.0))
    fit = review_fit(Mesh.from_manifold(plug).placed(end.frame), tube, end.frame, least_gap_mm=0.05)
    assert fit.tube.gap_mm is None or fit.tube.gap_mm > 0.1
    assert not fit.findings


@pytest.mark.once
@pytest.mark.parametrize(("unit", "mm"), [("m", 1000.0), ("in", 25.4)])
def test_the_unit_is_the_files(gmsh: ModuleType, tmp_path: Path, unit: str, mm: float) -> None:
    def build() -> int:
        return w.tube(gmsh, w.Shape("circle", 2.0, 2.0), w.Shape("circle", 1.75, 1.75), 12.0)

    text = in_unit(part_text(gmsh, build, tmp_path / "tube.step"), unit)
    (tmp_path / "tube.step").write_text(text)
    for end in ends_of(tmp_path / "tube.step"):
        assert end.section.outer.width == pytest.approx(2.0 * mm, rel=1e-5)
        assert end.section.wall == pytest.approx(0.125 * mm, rel=1e-4)
    notes = read_assembly([tmp_path / "tube.step"], "cm").notes
    assert notes == ('tube.step: the unit "cm" is not used, because the file states its own.',)


def test_no_doubt_is_raised_about_the_unit(gmsh: ModuleType, tmp_path: Path) -> None:
    """A tube of 4 mm × 0.25 mm, which is a size in inches: as STL it would be doubted."""

    def build() -> int:
        return w.tube(gmsh, w.Shape("circle", 4.0, 4.0), w.Shape("circle", 3.5, 3.5), 30.0)

    part_text(gmsh, build, tmp_path / "tube.step")
    (tmp_path / "job.toml").write_text('[assembly]\nfiles = ["tube.step"]\n')
    job = read_job(tmp_path / "job.toml")
    assembly = read_assembly(job.assembly.files, None)
    assert take_off(assembly.meshes, 0.1, unit_given=False).unit_doubt is not None
    assert not tube_ends_of(job, job.assembly, assembly.meshes, assembly.unit_given).notes


@pytest.mark.once
@pytest.mark.parametrize("schema", SCHEMAS)
def test_every_application_protocol_is_read(gmsh: ModuleType, tmp_path: Path, schema: str) -> None:
    text = part_text(gmsh, lambda: w.tube(gmsh, *ROUND, 100.0), tmp_path / "tube.stp")
    (tmp_path / "tube.stp").write_text(with_schema(text, SCHEMAS[schema]))
    assert len(ends_of(tmp_path / "tube.stp")) == 2


def frame(gmsh: ModuleType) -> Product:
    """Two bays, one of them turned and mirrored, and a leg by itself."""
    leg = Product("Leg", lambda: mitred(gmsh))
    rail = Product("Rail", lambda: box_tube(gmsh))
    bay = Product("Bay", None, [Placed(leg), Placed(leg, (500, 0, 0), name="Leg:2"), Placed(rail, (100, 0, 0), TURN_X)])
    mirrored = Placed(bay, (0, 1000, 0), TURN_Z, mirrored=True, name="Bay right")
    return Product("Frame", None, [Placed(bay, name="Bay left"), mirrored, Placed(leg, (2000, 0, 0), TURN_Z @ TURN_X)])


@pytest.mark.once
def test_instances_are_called_by_their_parts_and_lie_in_their_places(gmsh: ModuleType, tmp_path: Path) -> None:
    (tmp_path / "frame.step").write_text(step_text(gmsh, frame(gmsh), tmp_path))
    meshes = {mesh.name: mesh for mesh in read_assembly([tmp_path / "frame.step"], None).meshes}
    assert set(meshes) == {
        *(f"Frame / Bay {side} / {part}" for side in ("left", "right") for part in ("Leg", "Leg 2", "Rail")),
        "Frame / Leg",
    }
    assert all(mesh.volume > 0 for mesh in meshes.values())
    right = np.array([TURN_Z[:, 0], TURN_Z[:, 1], -TURN_Z[:, 2]]).T
    for part in ("Leg", "Leg 2", "Rail"):
        here, there = meshes[f"Frame / Bay left / {part}"], meshes[f"Frame / Bay right / {part}"]
        np.testing.assert_allclose(there.vertices, here.vertices @ right.T + (0, 1000, 0), atol=0.001)
    own = meshes["Frame / Bay left / Leg"].vertices
    np.testing.assert_allclose(meshes["Frame / Leg"].vertices, own @ (TURN_Z @ TURN_X).T + (2000, 0, 0), atol=0.001)


@pytest.mark.once
def test_solids_inside_one_part_are_numbered_under_its_name(gmsh: ModuleType, tmp_path: Path) -> None:
    """The kernel's glTF has no names of solids: "Leg" and "Brace" are nowhere in it."""

    def two() -> None:
        w.tube(gmsh, *ROUND, 400.0)
        gmsh.model.occ.translate([(3, w.tube(gmsh, *ROUND, 300.0))], 200, 0, 0)

    text = part_text(gmsh, two, tmp_path / "post.step")
    first, second = re.findall(r"(#\d+) = MANIFOLD_SOLID_BREP\(", text)
    for solid, name in ((first, "Leg"), (second, "Brace")):
        text = text.replace(f"{solid} = MANIFOLD_SOLID_BREP(''", f"{solid} = MANIFOLD_SOLID_BREP('{name}'")
    text = text.replace(f",{first}),", f",{first},{second}),")
    text = re.sub(r"(OCCURRENCE\('\d+'),''", r"\1,'Post'", text, count=1)
    (tmp_path / "post.step").write_text(text)
    names = [mesh.name for mesh in read_assembly([tmp_path / "post.step"], None).meshes]
    assert len(names) == len(set(names)) == 3  # the second solid is a part of its own, too
    assert sorted(name for name in names if name.startswith("Post")) == ["Post", "Post 2"]


@pytest.mark.once
def test_parts_without_names_are_numbered_under_the_files_name(gmsh: ModuleType, tmp_path: Path) -> None:
    """gmsh writes no product names. None of several tubes is called as the file, and with it the job, is; one is."""

    def two() -> None:
        w.tube(gmsh, *ROUND, 400.0)
        gmsh.model.occ.translate([(3, w.tube(gmsh, *ROUND, 300.0))], 200, 0, 0)

    for name, make in (("rack", two), ("post", lambda: w.tube(gmsh, *ROUND, 400.0))):
        (tmp_path / f"{name}.step").write_text(part_text(gmsh, make, tmp_path / f"{name}.step"))
    names = [mesh.name for mesh in read_assembly([tmp_path / "rack.step", tmp_path / "post.step"], None).meshes]
    assert sorted(names) == ["post", "rack 1", "rack 2"]


def refused(path: Path) -> str:
    with pytest.raises(SceneError) as error:
        read_assembly([path], None)
    assert str(error.value).startswith(str(path)) and "\n" not in str(error.value)
    return str(error.value).removeprefix(str(path)).strip()


@pytest.mark.parametrize("suffix", [".step", ".igs"])
def test_what_is_no_such_file_is_refused_in_a_sentence(gmsh: ModuleType, tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"tube{suffix}"
    content = part_text(gmsh, lambda: w.tube(gmsh, *ROUND, 100.0), path).encode()
    path.write_bytes(content[: len(content) // 2])
    assert "it is cut short" in refused(path)
    path.write_bytes(b"")
    assert refused(path) == "is empty; export the assembly again."
    for other in (b"solid tube\nendsolid tube\n", np.random.default_rng(1).bytes(5000)):
        path.write_bytes(other)
        assert f"it is not {'a STEP' if suffix == '.step' else 'an IGES'} file" in refused(path)


def test_a_file_without_surfaces_and_one_too_large_are_refused(
    gmsh: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def line() -> None:
        occ = gmsh.model.occ
        occ.addLine(occ.addPoint(0, 0, 0), occ.addPoint(0, 0, 100))

    part_text(gmsh, line, tmp_path / "line.step")
    assert refused(tmp_path / "line.step") == "holds no surface to read. Export the solid bodies again."
    monkeypatch.setattr(brep, "MOST_MB", 0.001)
    assert "more than 0.001" in refused(tmp_path / "line.step")


KERNELS = {
    "crash": ("import os; os.abort()", "crashes the STEP kernel"),
    "sleep": ("import time; time.sleep(60)", "took longer than"),
    "nonsense": (
        "import json, sys, pathlib\n"
        "pathlib.Path(json.loads(pathlib.Path(sys.argv[-1]).read_text())['answer']).write_bytes(b'glTF')",
        "cannot be converted",
    ),
}


@pytest.mark.parametrize("name", KERNELS)
def test_a_kernel_that_fails_takes_nothing_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str) -> None:
    program, said = KERNELS[name]
    (tmp_path / "kernel.py").write_text(program)
    (tmp_path / "tube.step").write_text("ISO-10303-21;\nEND-ISO-10303-21;\n")
    monkeypatch.setattr(brep, "_KERNEL", tmp_path / "kernel.py")
    monkeypatch.setattr(brep, "PATIENCE_S", 0.5 if name == "sleep" else 60)
    assert said in refused(tmp_path / "tube.step")


def test_closing_the_work_ends_it_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "kernel.py").write_text("import time; time.sleep(60)")
    (tmp_path / "tube.step").write_text("ISO-10303-21;\nEND-ISO-10303-21;\n")
    monkeypatch.setattr(brep, "_KERNEL", tmp_path / "kernel.py")
    work = brep.reading(tmp_path / "tube.step", [sys.executable])
    assert 0 <= next(work) <= next(work) < 1
    started = time.monotonic()
    work.close()
    assert time.monotonic() - started < 10


@pytest.mark.once
@pytest.mark.parametrize("seed", range(6))
def test_a_changed_file_is_read_or_refused(gmsh: ModuleType, tmp_path: Path, seed: int) -> None:
    path = tmp_path / ("tube.step" if seed % 3 else "tube.igs")
    broken = bytearray(part_text(gmsh, lambda: w.tube(gmsh, *ROUND, 100.0), path).encode())
    rng = np.random.default_rng(seed)
    for place in rng.integers(200, len(broken) - 200, int(rng.integers(1, 20))).tolist():
        broken[place] = int(rng.integers(256))
    path.write_bytes(broken)
    try:
        assert read_assembly([path], None).meshes
    except SceneError as error:
        assert str(error).startswith(str(path)) and "\n" not in str(error)


@pytest.mark.parametrize("unit_scale", [1.0, 0.001])
def test_import_puts_the_parts_into_a_collection(
    scene: bpy.types.Scene, gmsh: ModuleType, tmp_path: Path, unit_scale: float
) -> None:
    (tmp_path / "frame.step").write_text(step_text(gmsh, frame(gmsh), tmp_path))
    scene.unit_settings.scale_length = unit_scale
    assert bpy.ops.ferrule.import_step(filepath=str(tmp_path / "frame.step")) == {"FINISHED"}
    items = bpy.data.collections["frame"].objects
    assert len(items) == 7 and len({item.data for item in items}) == 2
    assert {"Frame / Leg", "Frame / Bay right / Rail"} <= {item.name for item in items}
    assert set(bpy.context.selected_objects) == set(items)
    assert bpy.ops.ferrule.read_ends() == {"FINISHED"}
    assert not scene.ferrule.doubt
    assert len(scene.ferrule.ends) == 14
    wall = {round(modelled_section(group).wall, 2) for group in scene.ferrule.groups}
    assert wall == {2.6, 3.0}


def test_import_refuses_with_the_files_name_and_leaves_the_scene_alone(scene: bpy.types.Scene, tmp_path: Path) -> None:
    (tmp_path / "not.step").write_text("solid")
    with pytest.raises(RuntimeError, match=r"not\.step is damaged"):
        bpy.ops.ferrule.import_step(filepath=str(tmp_path / "not.step"))
    with pytest.raises(RuntimeError, match="does not exist"):
        bpy.ops.ferrule.import_step(directory=str(tmp_path), files=[{"name": "none.igs"}])
    assert not bpy.data.objects and not bpy.data.collections


def test_files_dropped_into_the_viewport_are_imported(scene: bpy.types.Scene) -> None:
    handler = bpy.types.FERRULE_FH_step
    assert handler.bl_import_operator == "ferrule.import_step"
    assert handler.bl_file_extensions == ".step;.stp;.iges;.igs"
