# SPDX-License-Identifier: GPL-3.0-or-later
"""STEP and IGES files in: parts under their names, instances once as mesh and each in its place, in mm.

The Open CASCADE kernel, which cascadio brings along, reads them in a process of its own (``brep_kernel``).
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from collections.abc import Generator, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from importlib.util import find_spec
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..fields.messages import DAMAGES
from ..geometry import topology
from ..geometry.frames import Floats
from ..geometry.mesh import Mesh, together
from ..geometry.names import unique_names
from ..geometry.units import MM_PER_UNIT
from ..takeoff.cleaning import sewn
from .flipping import flipped
from .incoming import glb_chunks

SUFFIXES = (".step", ".stp", ".iges", ".igs")
MOST_MB = 200
PATIENCE_S = 300.0
MOST_TRIANGLES = 300_000

_KERNEL = Path(__file__).with_name("brep_kernel.py")
_POLL_S = 0.05
_S_PER_MB = 1.0
_SEAM_MM, _SEAM_SHARE = 0.06, 6e-5
"""Faces that are not joined in the file end at most so far apart, or by this share of the whole: a little more than
``brep_kernel`` lets facets be off."""
_NAMELESS = re.compile(
    r"\s*(?:\d*|NAUO\s*\d*|=>\[.*\]|COMPOUND|SOLID|SHELL|ASSEMBLY|Open CASCADE .*)\s*", re.IGNORECASE
)
"""What stands for a name where the file gives none: an instance's number, or the kernel's own words."""
_OPERATOR = re.compile(
    rb"CARTESIAN_TRANSFORMATION_OPERATOR_3D\s*\((?:\s*(?:'[^']*'|\$)\s*,){3}"
    rb"\s*#(\d+)\s*,\s*#(\d+)\s*,\s*#(\d+)\s*,[^,]*,\s*#(\d+)\s*\)"
)
"""Its axes 1 and 2, its origin, and axis 3 (ISO 10303-42)."""
_TYPES = {5121: "<u1", 5123: "<u2", 5125: "<u4", 5126: "<f4"}


class BrepError(ValueError):
    """Why a file cannot be read, as the end of a sentence that begins with its name, and what to do."""


@dataclass(frozen=True, eq=False)
class Instance:
    """A part in one of its places."""

    name: str
    """With those of the assemblies that it belongs to, and a number for the second and later, as "Frame / Leg 2"."""
    shape: int
    """Which of the shapes it is."""
    matrix: Floats
    """(4, 4): from the shape's own coordinates to the file's, in mm; it may mirror."""


@dataclass(frozen=True, eq=False)
class Parts:
    """All parts of a file."""

    shapes: tuple[Mesh, ...]
    """Each once, in mm, whatever unit the file has."""
    placed: tuple[Instance, ...]

    def meshes(self) -> list[Mesh]:
        """Every instance as a mesh in its place."""
        return [_moved(self.shapes[part.shape], part) for part in self.placed]


def _moved(shape: Mesh, part: Instance) -> Mesh:
    turn, shift = part.matrix[:3, :3], part.matrix[:3, 3]
    triangles = shape.triangles[:, ::-1] if np.linalg.det(turn) < 0 else shape.triangles
    return Mesh(shape.vertices @ turn.T + shift, np.ascontiguousarray(triangles), part.name)


def is_brep(path: Path) -> bool:
    """Whether it is a STEP or IGES file, by its name."""
    return path.suffix.lower() in SUFFIXES


def reading(path: Path, python: Sequence[str]) -> Generator[float, None, Parts]:
    """Reads a file whose ends are sound (``incoming.check_whole``); yields how much is done, by its size, 0 to 1.

    ``python`` is the command that runs a Python program in a file. Closing the generator ends the work. Raises
    ``BrepError`` and ``OSError``.
    """
    megabytes = path.stat().st_size / 1e6
    if megabytes > MOST_MB:
        raise BrepError(f"is {megabytes:.0f} MB, more than {MOST_MB}. Export the tubes without the other parts.")
    if find_spec("cascadio") is None:
        raise BrepError("needs the package cascadio, which does not exist for this system. Export STL or glTF instead.")
    kind = "iges" if path.suffix.lower() in (".iges", ".igs") else "step"
    with TemporaryDirectory(prefix="ferrule") as folder:
        request, answer = Path(folder, "request.json"), Path(folder, "answer.glb")
        asked = {"path": sys.path, "source": str(path), "kind": kind, "answer": str(answer)}
        request.write_text(json.dumps({**asked, "most_triangles": MOST_TRIANGLES}), "utf-8")
        yield from _watched([*python, str(_KERNEL), "--", str(request)], _S_PER_MB * (1 + megabytes))
        glb = answer.read_bytes() if answer.exists() else None
    if glb is None:
        raise BrepError("crashes the STEP kernel. Export it again, or as STL or glTF.")
    if not glb:
        return Parts((), ())
    mirrors = _mirrors(path.read_bytes()) if kind == "step" else []
    try:
        return _Table(glb, 1.0 if kind == "iges" else MM_PER_UNIT["m"], mirrors).parts(path.stem)
    except BrepError:
        raise
    except DAMAGES:
        raise BrepError("cannot be converted. Export it again, or as STL or glTF.") from None


def _watched(command: list[str], usual_s: float) -> Generator[float, None, None]:
    """Runs a program to its end or for so long as there is patience."""
    started = time.monotonic()
    quiet = subprocess.DEVNULL
    hidden = getattr(subprocess, "CREATE_NO_WINDOW", 0)
    process = subprocess.Popen(command, stdin=quiet, stdout=quiet, stderr=quiet, creationflags=hidden)
    try:
        while process.poll() is None:
            spent = time.monotonic() - started
            if spent > PATIENCE_S:
                raise BrepError(
                    f"took longer than {PATIENCE_S / 60:.0f} minutes. Export the tubes without other parts."
                )
            yield spent / (spent + usual_s)
            with suppress(subprocess.TimeoutExpired):
                process.wait(_POLL_S)
    finally:
        process.kill()
        process.wait()


@dataclass(frozen=True, eq=False)
class _Mirror:
    """An operator that places a part as its mirror image, which the kernel reads as a turn."""

    x: Floats
    z: Floats
    origin: Floats

    def fits(self, local: Floats) -> bool:
        """Whether the kernel's placement (4, 4) is what it made of this operator, whatever the unit."""
        there, origin = local[:3, 3], self.origin
        same_way = np.allclose(there * np.linalg.norm(origin), origin * np.linalg.norm(there), rtol=1e-5, atol=1e-9)
        return bool(same_way and np.allclose(local[:3, [0, 2]].T, [self.x, self.z], atol=1e-5))


def _mirrors(step: bytes) -> list[_Mirror]:
    mirrors = []
    for operator in _OPERATOR.finditer(step):
        x, y, origin, z = (_triple(step, number) for number in operator.groups())
        if np.dot(np.cross(x, y), z) < 0:
            mirrors.append(_Mirror(x / np.linalg.norm(x), z / np.linalg.norm(z), origin))
    return mirrors


def _triple(step: bytes, number: bytes) -> Floats:
    """The coordinates of a point or a direction; nought if it is not there."""
    entity = re.search(
        rb"(?<!\d)#%b\s*=\s*(?:DIRECTION|CARTESIAN_POINT)\s*\(\s*'[^']*'\s*,\s*\(([^)]*)\)" % number, step
    )
    return np.array([float(value) for value in entity[1].split(b",")] if entity else [0.0, 0.0, 0.0])


class _Table:
    """What the kernel's GLB holds (glTF 2.0): a list of contents, and numbers."""

    def __init__(self, glb: bytes, mm_per_unit: float, mirrors: Sequence[_Mirror]) -> None:
        chunks = glb_chunks(glb)
        self._contents: dict[str, Any] = json.loads(chunks[0][1].decode("utf-8", "replace"))
        self._numbers = chunks[1][1]
        self._mm = mm_per_unit
        self._mirrors = dict.fromkeys(mirrors, False)

    def parts(self, stem: str) -> Parts:
        """Raises ``BrepError`` for mirror images that were lost, and errors of any kind for contents that are not
        glTF's."""
        shapes: dict[tuple[bytes, bytes], int] = {}
        meshes: list[Mesh] = []
        placed: list[Instance] = []
        loose: list[Mesh] = []
        for number, names, matrix in self._instances():
            mesh, normals = self._mesh(number)
            if not len(mesh.triangles):
                continue
            # The kernel repeats a part for each of its instances.
            key = mesh.vertices.tobytes(), mesh.triangles.tobytes()
            if key not in shapes:
                shapes[key] = len(meshes)
                triangles = flipped(mesh.vertices, normals, mesh.triangles)
                meshes.append(_joined(Mesh(mesh.vertices, triangles, names[-1] if names else stem)))
            part = Instance(" / ".join(names) or stem, shapes[key], matrix)
            if names or _is_closed(meshes[part.shape]):
                placed.append(part)
            else:
                loose.append(_moved(meshes[part.shape], part))
        if not all(self._mirrors.values()):
            raise BrepError(
                "places parts as mirror images in a way that is not read. Export mirrored parts as parts of their own."
            )
        if loose:  # faces without a solid that joins them
            placed.append(Instance(stem, len(meshes), np.eye(4)))
            meshes.append(_joined(together(loose, loose[0].name)))
        nameless = [place for place, part in enumerate(placed) if part.name == stem]
        if len(nameless) > 1:  # none of them is called as the file is
            for number, place in enumerate(nameless, 1):
                placed[place] = replace(placed[place], name=f"{stem} {number}")
        return _used(meshes, placed)

    def _instances(self) -> Iterator[tuple[int, list[str], Floats]]:
        """Each instance's mesh, its names from the outermost on, and its place."""
        waiting: list[tuple[int, list[str], Floats]] = [
            (root, [], np.eye(4)) for root in reversed(self._contents["scenes"][0]["nodes"])
        ]
        while waiting:
            number, names, matrix = waiting.pop()
            node = self._contents["nodes"][number]
            place = matrix @ self._local(node)
            called = _called(node.get("name", ""))
            children = node.get("children", [])
            if "mesh" in node:
                product = _called(self._contents["meshes"][node["mesh"]].get("name", ""))
                name = product if product.casefold() in called.casefold() and product else called or product
                yield node["mesh"], _extended(names, name), place
            waiting += [(child, _extended(names, called), place) for child in reversed(children)]

    def _local(self, node: dict[str, Any]) -> Floats:
        matrix = np.array(node.get("matrix", np.eye(4).T.ravel()), float).reshape(4, 4).T
        for mirror in self._mirrors:
            if mirror.fits(matrix):
                self._mirrors[mirror] = True
                matrix[:3, 1] *= -1
                break
        matrix[:3, 3] *= self._mm
        return matrix

    def _mesh(self, number: int) -> tuple[Mesh, Floats]:
        """A mesh, each face with corners of its own, and the surface's normals (n, 3) at these."""
        points, normals, corners, count = [np.empty((0, 3))], [np.empty((0, 3))], [np.empty((0, 3), np.int32)], 0
        for part in self._contents["meshes"][number]["primitives"]:
            if part.get("mode", 4) != 4:  # lines and points
                continue
            points.append(self._list(part["attributes"]["POSITION"]).reshape(-1, 3) * self._mm)
            normals.append(self._list(part["attributes"]["NORMAL"]).reshape(-1, 3))
            corners.append(self._list(part["indices"]).astype(np.int32).reshape(-1, 3) + count)
            count += len(points[-1])
        vertices, triangles = np.concatenate(points), np.concatenate(corners)
        if not np.isfinite(vertices).all():
            raise ValueError("coordinates are not numbers")
        return Mesh(vertices, triangles), np.concatenate(normals)

    def _list(self, number: int) -> NDArray[Any]:
        entry = self._contents["accessors"][number]
        view = self._contents["bufferViews"][entry["bufferView"]]
        begin = view.get("byteOffset", 0) + entry.get("byteOffset", 0)
        count = entry["count"] * (3 if entry["type"] == "VEC3" else 1)
        values = np.frombuffer(self._numbers, _TYPES[entry["componentType"]], count, begin)
        return values.astype(float) if entry["type"] == "VEC3" else values


def _joined(mesh: Mesh) -> Mesh:
    return sewn(mesh, max(_SEAM_MM, _SEAM_SHARE * float(mesh.size.max())))


def _is_closed(mesh: Mesh) -> bool:
    return not topology.edges(mesh.triangles.astype(np.int64), len(mesh.vertices)).single.size


def _used(meshes: Sequence[Mesh], placed: Sequence[Instance]) -> Parts:
    """Without the shapes that no part has, and with parts of one name numbered."""
    used = sorted({part.shape for part in placed})
    places = {shape: place for place, shape in enumerate(used)}
    named = zip(placed, unique_names([part.name for part in placed]), strict=True)
    return Parts(
        tuple(meshes[shape] for shape in used),
        tuple(replace(part, shape=places[part.shape], name=name) for part, name in named),
    )


def _called(name: str) -> str:
    return "" if _NAMELESS.fullmatch(name) else name.strip()


def _extended(names: list[str], name: str) -> list[str]:
    return names if not name or names[-1:] == [name] else [*names, name]
