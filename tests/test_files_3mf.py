# SPDX-License-Identifier: GPL-3.0-or-later
"""3MF: what the reference reader sees, what the specification asks of the package, and that damage is found."""

from __future__ import annotations

import io
import math
import re
import zipfile
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from manifold3d import Manifold
from random_cases import examples

from addon.files import threemf
from addon.files.errors import FileError, VerificationError
from addon.files.parts import Part
from addon.files.readback import check_3mf, read_3mf
from addon.files.threemf import write_3mf
from addon.geometry.mesh import Mesh
from addon.geometry.placement import Placement

CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
WORDS = {"rise_mm": "12.7", "process": "0.2 mm layers"}


def part(name="cap", size=(40.0, 20.0, 10.0), metadata=WORDS):
    """A block off the origin, so that no mistake hides in symmetry."""
    return Part(name, Mesh.from_manifold(Manifold.cube(size).translate((3.0, -5.0, -2.0))), metadata)


def dome(facets=64):
    return Part("dome", Mesh.from_manifold(Manifold.sphere(12.7, facets)), WORDS)


def reference(path):
    """The model as lib3mf reads it in strict mode, without a warning. Source of truth: the 3MF consortium's reader."""
    lib3mf = pytest.importorskip("lib3mf")
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    return model


def box_of(model):
    box = model.GetOutbox()
    return np.array([box.MinCoordinate, box.MaxCoordinate])


def metadata_of(group):
    entries = [group.GetMetaData(i) for i in range(group.GetMetaDataCount())]
    return {(entry.GetNameSpace(), entry.GetName()): entry.GetValue() for entry in entries}


@pytest.mark.parametrize(("unit", "number", "mm"), [("mm", 1, 1.0), ("in", 3, 25.4)])
def test_the_reference_reader_sees_unit_size_counts_and_words(tmp_path, unit, number, mm):
    """Source: lib3mf; its unit numbers are those of the specification's order, micron 0 to meter 5."""
    places = [Placement(0, 0, 10, 10), Placement(0, 0, 100, 10, 90), Placement(1, 0, 30, 60)]
    written = write_3mf(tmp_path / "job.3mf", [part(), dome()], places, unit=unit, metadata={"Title": "Stall"})
    model = reference(written.path)
    assert model.GetUnit() == number
    assert model.GetBuildItems().Count() == written.items == 3
    assert model.GetMeshObjects().Count() == 2
    # The first block reaches from x 10 + 3; the second, a quarter turn on, to x 100 + 5; the dome to z 25.4.
    assert np.allclose(box_of(model) * mm, [(13, 5, 0), (105, 72.7, 25.4)], atol=1e-4)
    assert metadata_of(model.GetMetaDataGroup())["", "Title"] == "Stall"
    objects = model.GetMeshObjects()
    assert objects.MoveNext()
    block = objects.GetCurrentMeshObject()
    assert block.GetName() == "cap" and block.IsManifoldAndOriented()
    assert metadata_of(block.GetMetaDataGroup())[threemf.NAMESPACE, "rise_mm"] == "12.7"


def test_volume_and_triangles_are_those_of_the_solid(tmp_path):
    """Source: lib3mf's triangles, weighed by trimesh; volume of the block by hand, 40 x 20 x 10."""
    trimesh = pytest.importorskip("trimesh")
    written = write_3mf(tmp_path / "job.3mf", [part()], [Placement(0, 0, 0, 10)])
    assert written.triangles == 12 and written.volume_mm3 == pytest.approx(8000, rel=1e-9)
    objects = reference(written.path).GetMeshObjects()
    assert objects.MoveNext()
    block = objects.GetCurrentMeshObject()
    vertices = [list(vertex.Coordinates) for vertex in block.GetVertices()]
    faces = [list(triangle.Indices) for triangle in block.GetTriangleIndices()]
    read = trimesh.Trimesh(vertices, faces, process=False)
    assert read.is_watertight and read.volume == pytest.approx(8000, rel=1e-6)


def test_digits_are_enough(tmp_path):
    rng = np.random.default_rng(1)
    mesh = part().mesh
    moved = Part("cap", Mesh(mesh.vertices + rng.normal(0, 0.3, mesh.vertices.shape) + 300, mesh.triangles))
    for unit in ("mm", "in"):
        path = write_3mf(tmp_path / "a.3mf", [moved], [Placement(0, 0, 10, 10)], unit=unit).path
        read = read_3mf(path.read_bytes()).solids["1"].vertices
        assert np.abs(read - moved.mesh.vertices).max() < 1e-5


def test_package_is_as_the_specification_asks(tmp_path):
    """Source: 3MF Core Specification, chapters on the package, metadata, objects and build."""
    places = [Placement(0, 0, 10, 10), Placement(1, 0, 100, 30)]
    content = write_3mf(tmp_path / "job.3mf", [part(), dome()], places, metadata={"Designer": "x"}).path.read_bytes()
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        assert package.testzip() is None
        files = {name: package.read(name) for name in package.namelist()}
    assert all(text.startswith(b'<?xml version="1.0" encoding="UTF-8"?>') for text in files.values())
    relation = ElementTree.fromstring(files["_rels/.rels"])[0]
    assert relation.get("Type") == "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    target = relation.get("Target")
    assert target is not None and target.startswith("/")
    types = {
        element.get("Extension"): element.get("ContentType")
        for element in ElementTree.fromstring(files["[Content_Types].xml"])
    }
    assert types[target.rsplit(".", 1)[1]] == "application/vnd.ms-package.3dmanufacturing-3dmodel+xml"
    assert types["rels"] == "application/vnd.openxmlformats-package.relationships+xml"
    text = files[target[1:]]
    assert b"<!" not in text, "the specification forbids document types"
    declared = dict(pair for _, pair in ElementTree.iterparse(io.BytesIO(text), ["start-ns"]))
    model = ElementTree.fromstring(text)
    assert [child.tag for child in model][-2:] == [CORE + "resources", CORE + "build"]
    for group in (model, *model.iter(CORE + "metadatagroup")):
        names = [entry.get("name") for entry in group.findall(CORE + "metadata")]
        assert len(names) == len(set(names)) > 0
        for name in names:
            assert name in ("Designer", "Application") or name.split(":")[0] in declared
    ids = [element.get("id") for element in model.iter(CORE + "object")]
    assert ids == ["1", "2"] and [item.get("objectid") for item in model.iter(CORE + "item")] == ids
    number = r"[-+]?(\d+(\.\d+)?|\.\d+)([eE][-+]?\d+)?"
    for vertex in model.iter(CORE + "vertex"):
        assert all(re.fullmatch(number, vertex.get(axis, "")) for axis in "xyz")


def test_equal_input_gives_equal_bytes(tmp_path):
    first = write_3mf(tmp_path / "a.3mf", [part()], [Placement(0, 0, 10, 10)]).path.read_bytes()
    assert write_3mf(tmp_path / "b.3mf", [part()], [Placement(0, 0, 10, 10)]).path.read_bytes() == first


@pytest.mark.parametrize("shrink", [(1.0, 1.0, 0.5), (2.0, 0.5, -1.0)])
def test_shrink_is_made_up_for_along_the_plates_axes_and_recorded(tmp_path, shrink):
    """A print s percent too small comes out right: file x (1 - s / 100) = drawn. Source: arithmetic."""
    drawn = {0: (40, 20, 10), 90: (20, 40, 10)}
    for turn, size in drawn.items():
        path = tmp_path / "a.3mf"
        write_3mf(path, [part()], [Placement(0, 0, 60, 60, turn)], shrink_percent=shrink)
        model = reference(path)
        assert np.allclose(np.ptp(box_of(model), axis=0) * (1 - np.array(shrink) / 100), size, atol=1e-4)
        recorded = metadata_of(model.GetMetaDataGroup())[threemf.NAMESPACE, "shrink_percent"]
        assert [float(percent) for percent in recorded.split()] == list(shrink)


def test_uneven_shrink_gives_each_turn_its_own_object(tmp_path):
    places = [Placement(0, 0, 10, 10), Placement(0, 0, 90, 10, 30), Placement(0, 0, 150, 10, 30)]
    written = write_3mf(tmp_path / "a.3mf", [part()], places, shrink_percent=(2.0, 0.5, 0.0))
    assert written.triangles == 24 and written.items == 3


def test_only_what_is_placed_is_in_the_file(tmp_path):
    written = write_3mf(tmp_path / "a.3mf", [part(), dome()], [Placement(1, 0, 30, 30)])
    assert list(read_3mf(written.path.read_bytes()).solids) == ["1"]
    assert reference(written.path).GetMeshObjects().Count() == 1


@examples(60)
@given(st.text(st.characters(exclude_categories=()), max_size=30), st.text(st.characters(exclude_categories=())))
def test_no_text_breaks_the_xml(tmp_path_factory, name, text):
    """Control characters, marks of XML, lone surrogates, any script. Source: ElementTree."""
    path = tmp_path_factory.mktemp("text") / "a.3mf"
    write_3mf(path, [part(name, metadata={"note": text})], [Placement(0, 0, 10, 10)], metadata={"Title": text})
    with zipfile.ZipFile(path) as package:
        model = ElementTree.fromstring(package.read("3D/3dmodel.model"))
    assert len(list(model.iter(CORE + "triangle"))) == 12
    assert len(list(model.iter())) == 33


@pytest.mark.parametrize(
    "text", ["]]>", '<a b="&lt;">', "\u202egnp.exe", "\ud83d", "a\x00b\x01c", "٣ מ 角 😀", "a\r\nb"]
)
def test_awkward_texts_reach_the_reference_reader(tmp_path, text):
    path = tmp_path / "a.3mf"
    write_3mf(path, [part(text, metadata={"note": text})], [Placement(0, 0, 10, 10)])
    objects = reference(path).GetMeshObjects()
    assert objects.MoveNext()
    carried = re.sub("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff]", "\ufffd", text).replace("\r\n", "\n")
    block = objects.GetCurrentMeshObject()
    assert block.GetName() == carried.replace("\n", " ")
    assert list(metadata_of(block.GetMetaDataGroup()).values()) == [carried]


def written_bytes(tmp_path):
    parts, places = [part(), dome(16)], [Placement(0, 0, 10, 10), Placement(1, 0, 80, 30)]
    return write_3mf(tmp_path / "a.3mf", parts, places).path.read_bytes(), parts, places


def checked(content, parts, places, unit="mm"):
    return check_3mf(content, parts, places, unit=unit, shrink_percent=(0.0, 0.0, 0.0), where="a.3mf")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (b'unit="millimeter"', b'unit="inch"', "unit is inch"),
        (b'x="43"', b'x="43.01"', "43.01|40.01"),
        (b'<triangle v1="', b'<triangle v1="1', "different triangles"),
        (b' v2="1" v3="', b' v3="1" v2="', "a row is not like <triangle v1="),
        (b'<vertex x="', b'<vertex  x="', "a row is not like <vertex x="),
        (b"</build>", b'<item objectid="1" transform="1 0 0 0 1 0 0 0 1 10 10 2"/></build>', "3 build items"),
        (b"</build>", b'<item objectid="9" transform="1 0 0 0 1 0 0 0 1 10 10 2"/></build>', "3 build items"),
        (b"0 0 0 1 80 30", b"0 0 0 1 40 10", "does not stand"),
    ],
)
def test_every_kind_of_mismatch_is_named(tmp_path, old, new, said):
    content, parts, places = written_bytes(tmp_path)
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        model = package.read("3D/3dmodel.model").decode()
    assert old.decode() in model
    with pytest.raises(VerificationError, match=said):
        checked(threemf._package(model.replace(old.decode(), new.decode(), 1)), parts, places)


def test_what_was_not_meant_is_found(tmp_path):
    content, parts, places = written_bytes(tmp_path)
    assert checked(content, parts, places).triangles == 12 + len(parts[1].mesh.triangles)
    with pytest.raises(VerificationError, match="unit"):
        checked(content, parts, places, unit="in")
    with pytest.raises(VerificationError, match="build items"):
        checked(content, parts, places[:1])
    with pytest.raises(VerificationError, match="40 x 20 x 10 mm, not 41 x 20 x 10"):
        checked(content, [part(size=(41, 20, 10)), parts[1]], places)


@pytest.mark.parametrize(
    ("second", "touch"),
    [
        (Placement(0, 0, 40, 10), True),
        (Placement(0, 0, 49.9, 10), True),
        (Placement(0, 0, 50.1, 10), False),
        (Placement(0, 0, 45, 25, 30), True),
        (Placement(0, 0, 10, 10), True),
    ],
)
def test_fittings_that_touch_are_refused(tmp_path, second, touch):
    """The block is 40 x 20 mm at (13, 5). Source: shapely for the outlines' distance."""
    shapely = pytest.importorskip("shapely")
    outlines = []
    for place in (Placement(0, 0, 10, 10), second):
        turned = np.radians(place.turn_deg)
        corners = np.array([(3, -5), (43, -5), (43, 15), (3, 15)])
        matrix = np.array([[math.cos(turned), math.sin(turned)], [-math.sin(turned), math.cos(turned)]])
        outlines.append(shapely.Polygon(corners @ matrix + (place.x, place.y)))
    assert outlines[0].intersects(outlines[1]) == touch
    path = tmp_path / "a.3mf"
    if touch:
        with pytest.raises(VerificationError, match="touch"):
            write_3mf(path, [part()], [Placement(0, 0, 10, 10), second])
        assert not list(tmp_path.iterdir())
    else:
        assert write_3mf(path, [part()], [Placement(0, 0, 10, 10), second]).items == 2


def test_round_fittings_may_nest_in_shifted_rows(tmp_path):
    """Their boxes overlap where their outlines do not."""
    step = 25.5
    places = [
        Placement(0, 0, 20, 20),
        Placement(0, 0, 20 + step, 20),
        Placement(0, 0, 20 + step / 2, 20 + step * 0.8661),
    ]
    assert write_3mf(tmp_path / "a.3mf", [dome()], places).items == 3


def test_many_items_are_compared_quickly(tmp_path):
    places = [Placement(0, 0, 41 * (i % 100), 21 * (i // 100)) for i in range(10_000)]
    assert write_3mf(tmp_path / "a.3mf", [part()], places).items == 10_000


def test_bad_input_is_refused_by_name(tmp_path):
    path, one_place = tmp_path / "a.3mf", [Placement(0, 0, 10, 10)]
    mesh = part().mesh
    broken = replace(part(), mesh=Mesh(np.where(mesh.vertices > 40, np.nan, mesh.vertices), mesh.triangles))
    for parts, places, said in (
        ([part()], [], "nothing to write"),
        ([part()], [Placement(1, 0, 0, 0)], "part 1"),
        ([part()], [Placement(0, 0, math.inf, 0)], "no place"),
        ([broken], one_place, "finite"),
        ([replace(part(), mesh=Mesh(mesh.vertices, mesh.triangles[:0]))], one_place, "no triangles"),
        ([replace(part(), mesh=Mesh(mesh.vertices[:-1], mesh.triangles))], one_place, "not there"),
        ([part(metadata={"a b": "c"})], one_place, "cannot name metadata"),
        ([part(metadata={'a"><b': "c"})], one_place, "cannot name metadata"),
    ):
        with pytest.raises(ValueError, match=said):
            write_3mf(path, parts, places)
    with pytest.raises(ValueError, match="shrink"):
        write_3mf(path, [part()], one_place, shrink_percent=(100.0, 0.0, 0.0))
    for triangles, said in ((mesh.triangles[1:], "not closed"), (mesh.triangles[:, ::-1], "inside")):
        with pytest.raises(FileError, match=said):
            write_3mf(path, [replace(part(), mesh=Mesh(mesh.vertices, triangles))], one_place)
    assert not list(tmp_path.iterdir())
