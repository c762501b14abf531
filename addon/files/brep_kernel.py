# SPDX-License-Identifier: GPL-3.0-or-later
"""Runs in a process of its own, as ``brep`` starts it: a STEP or IGES file through the Open CASCADE kernel to glTF.

The kernel may crash on a damaged file; that ends this process only. Nothing but cascadio and numpy, which it
needs, has to be installed.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any, Literal

_STEP = ((0.002, 0.25), (0.002, 0.35), (0.004, 0.5), (0.01, 0.8), (0.03, 1.2))
"""How far facets may lie inside the true surface, as a share of the edges around them, and how far neighbours may turn,
in radians, finest first. Corners always lie on the true surface. Slanted cuts fill the kernel's facets of a long tube
with many small ones, in proportion to the turns' squares."""
_IGES_MM, _IGES_SHARE, _IGES_RAD = 0.05, 5e-5, 0.5
"""The same, in mm but no less than a share of the whole: faces of IGES are not joined, so that their edges have to be
cut alike."""


def convert(source: Path, kind: Literal["step", "iges"], most_triangles: int) -> bytes:
    """The file as GLB, STEP as fine as ``most_triangles`` allow; empty if it holds no surface."""
    import cascadio

    data = source.read_bytes()
    if kind == "iges":
        coarse = cascadio.load(data, kind, tol_linear=_STEP[-1][0], tol_angular=_STEP[-1][1], tol_relative=True)
        linear = max(_IGES_MM, _IGES_SHARE * _longest(coarse))
        return cascadio.load(data, kind, tol_linear=linear, tol_angular=_IGES_RAD)
    most, glb = 1.0, b""
    for linear, angular in _STEP:
        coarser = (_STEP[0][1] / angular) ** 2
        if coarser > most:
            continue
        glb = cascadio.load(data, kind, tol_linear=linear, tol_angular=angular, tol_relative=True)
        triangles = _triangles(glb)
        if triangles <= most_triangles:
            break
        most = coarser * most_triangles / triangles
    return glb


def _triangles(glb: bytes) -> int:
    table = _table(glb)
    lists = [part["indices"] for mesh in table.get("meshes", []) for part in mesh["primitives"] if "indices" in part]
    return sum(table["accessors"][place]["count"] for place in lists) // 3


def _longest(glb: bytes) -> float:
    """The longest side of the boxes around the parts, in the file's units."""
    boxes = [numbers for numbers in _table(glb).get("accessors", []) if "max" in numbers]
    return max((high - low for box in boxes for low, high in zip(box["min"], box["max"], strict=True)), default=0.0)


def _table(glb: bytes) -> dict[str, Any]:
    """The list of contents (glTF 2.0, chapter 4)."""
    return json.loads(glb[20 : 20 + int.from_bytes(glb[12:16], "little")]) if glb else {}


if __name__ == "__main__":
    asked = json.loads(Path(sys.argv[-1]).read_text("utf-8"))
    sys.path += [folder for folder in asked["path"] if folder not in sys.path]
    sys.modules["trimesh"] = None  # type: ignore[assignment]  # cascadio would spend seconds on loading it
    unfinished = Path(asked["answer"] + ".part")
    unfinished.write_bytes(convert(Path(asked["source"]), asked["kind"], asked["most_triangles"]))
    unfinished.rename(asked["answer"])
