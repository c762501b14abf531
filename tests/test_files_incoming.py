# SPDX-License-Identifier: GPL-3.0-or-later
"""Damaged mesh files are refused before Blender's importers see them, which such files take down. trimesh writes the
sound ones."""

from __future__ import annotations

import contextlib
import json
import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh

from addon.files.incoming import DamagedFileError, check_whole, is_plain
from addon.ui.scene import SceneError, read_assembly

BOX = trimesh.creation.box((10, 20, 30))
PLY = BOX.export(file_type="ply")
TEXT = BOX.export(file_type="ply", encoding="ascii")
BODY = PLY.index(b"end_header\n") + len(b"end_header\n")
FACES = len(PLY) - 12 * 13
GLB = trimesh.Scene({"box": BOX}).export(file_type="glb")
LISTED = int.from_bytes(GLB[12:16], "little")
TABLE, NUMBERS = json.loads(GLB[20 : 20 + LISTED]), GLB[28 + LISTED :]


def with_bytes(data: bytes, at: int, new: bytes) -> bytes:
    return data[:at] + new + data[at + len(new) :]


def glb(numbers: bytes = NUMBERS, **changes: tuple[int, str, int]) -> bytes:
    """A GLB with one number in each of the named lists of its table changed."""
    table = json.loads(json.dumps(TABLE))
    for name, (place, key, value) in changes.items():
        table[name][place][key] = value
    text = json.dumps(table).encode()
    text += b" " * (-len(text) % 4)
    parts = struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(numbers), b"BIN\0") + numbers
    return struct.pack("<4sII", b"glTF", 2, 12 + len(parts)) + parts


DAMAGED = {
    "more vertices.ply": (PLY.replace(b"vertex 8", b"vertex 800"), 'announces 800 times "vertex"'),
    "four thousand million.ply": (
        PLY.replace(b"vertex 8", b"vertex 4000000000"),
        'announces 4000000000 times "vertex"',
    ),
    "more faces.ply": (PLY.replace(b"face 12", b"face 1200"), 'announces 1200 times "face"'),
    "fewer than none.ply": (PLY.replace(b"face 12", b"face -5"), "header"),
    "cut.ply": (PLY[:-30], 'announces 12 times "face"'),
    "long list.ply": (with_bytes(PLY, FACES, b"\xff"), 'announces 12 times "face"'),
    "far corner.ply": (with_bytes(PLY, FACES + 27, struct.pack("<i", 10**6)), "not among its 8 vertices"),
    "corner below.ply": (with_bytes(PLY, FACES + 27, struct.pack("<i", -1)), "not among its 8 vertices"),
    "no order.ply": (PLY.replace(b"binary_little_endian", b"binary"), "header"),
    "no kind.ply": (PLY.replace(b"float x", b"flobt x"), "header"),
    "no end.ply": (PLY.replace(b"end_header\n", b""), "header"),
    "more lines.ply": (TEXT.replace(b"face 12", b"face 120"), "announces 128 lines of numbers, but has 20"),
    "cut.glb": (GLB[:-100], f"announces {len(GLB)} bytes, but has {len(GLB) - 100}"),
    "long part.glb": (with_bytes(GLB, 12, struct.pack("<I", 10**9)), "a part of it announces 1000000000 bytes"),
    "long list.glb": (glb(accessors=(0, "count", 10**9)), "announces 1000000000 rows"),
    "long view.glb": (glb(bufferViews=(0, "byteLength", 10**9)), "its view 0 ends at byte 1000000000"),
    "long buffer.glb": (glb(buffers=(0, "byteLength", 10**9)), "announces 1000000000 bytes of numbers, but has 240"),
    "no table.glb": (with_bytes(GLB, 20, b"]"), "not that of a glTF file"),
    "buffer gone.gltf": (json.dumps({"buffers": [{"byteLength": 9, "uri": "gone.bin"}]}).encode(), '"gone.bin"'),
}


@pytest.mark.parametrize("name", DAMAGED)
def test_a_damaged_file_is_refused_before_it_is_imported(tmp_path: Path, name: str) -> None:
    content, part = DAMAGED[name]
    (tmp_path / name).write_bytes(content)
    with pytest.raises(SceneError) as refused:
        read_assembly([tmp_path / name], "mm")
    assert f"{name} is damaged: " in str(refused.value)
    assert part in str(refused.value)


def mixed_lists() -> bytes:
    """The other byte order, and numbers beside the corners, in lists of 0 to 2 by turns and in none."""
    head = "ply\nformat binary_big_endian 1.0\ncomment of no use\nelement vertex 8\n"
    head += "".join(f"property float {axis}\n" for axis in "xyz") + "property uchar hue\nelement face 12\n"
    head += "property list uchar int vertex_indices\nproperty list int float weights\nend_header\n"
    rows = b"".join(struct.pack(">3fB", *corner, 7) for corner in BOX.vertices.tolist())
    for number, face in enumerate(BOX.faces.tolist()):
        weights = number % 3
        rows += struct.pack(f">B3ii{weights}f", 3, *face, weights, *([0.5] * weights))
    return head.encode() + rows


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("box.ply", PLY),
        ("text.ply", TEXT),
        ("mixed.ply", mixed_lists()),
        ("box.glb", GLB),
        ("box.stl", BOX.export(file_type="stl")),
        ("box.obj", BOX.export(file_type="obj").encode()),
    ],
)
def test_a_sound_file_is_read(tmp_path: Path, name: str, content: bytes) -> None:
    (tmp_path / name).write_bytes(content)
    (mesh,) = read_assembly([tmp_path / name], "mm").meshes
    assert abs(mesh.volume) == pytest.approx(6000 * (1e9 if name.endswith(".glb") else 1), rel=1e-5)


def test_no_numbers_in_a_binary_stl_break_the_importer_down(tmp_path: Path) -> None:
    path = tmp_path / "any.stl"
    for seed in range(60):
        rng = np.random.default_rng(seed)
        count = int(rng.integers(0, 40))
        rows = rng.integers(0, 256, (count, 50), np.uint8)
        if seed % 3 == 0:
            rows[:, :48] = rng.choice([np.nan, np.inf, -np.inf, 0, 1, 3e38], (count, 12)).astype("<f4").view(np.uint8)
        path.write_bytes(rng.bytes(80) + struct.pack("<I", count) + rows.tobytes())
        assert is_plain(path)
        with contextlib.suppress(SceneError):
            read_assembly([path], "mm")


@pytest.mark.parametrize("name", ["box.ply", "mixed.ply", "box.glb", "text.ply"])
def test_whatever_is_wrong_with_a_file_it_is_damaged_or_whole(tmp_path: Path, name: str) -> None:
    content = {"box.ply": PLY, "mixed.ply": mixed_lists(), "box.glb": GLB, "text.ply": TEXT}[name]
    for seed in range(500):
        rng = np.random.default_rng(seed)
        broken = bytearray(content)
        for place in rng.integers(0, len(broken), int(rng.integers(1, 6))).tolist():
            broken[place] = int(rng.integers(256))
        (tmp_path / name).write_bytes(bytes(broken[: int(rng.integers(1, len(broken) + 1))]) if seed % 2 else broken)
        try:
            check_whole(tmp_path / name)
        except DamagedFileError as damage:
            assert "\n" not in str(damage)
