# SPDX-License-Identifier: GPL-3.0-or-later
"""Draws the pictures of docs/families.md: one fitting of each family but caps, in its place on the demo's tubes.

python3 scripts/draw_family_pictures.py [--out FOLDER]
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from _environment import REPOSITORY, enter, guarded

if TYPE_CHECKING:
    from manifold3d import Manifold

    from addon.geometry.mesh import Mesh
    from addon.job.results import Made
    from draw_demo import Colour

SIZE = 560, 360
ROOM_MM = 45.0
"""How far the tubes are shown around a fitting."""
CUT_OPEN = "hole plug", "joiner"
"""Families whose fittings are out of sight when they are in place."""


def main() -> int:
    parser = argparse.ArgumentParser(description="Draw the pictures of the families.")
    parser.add_argument("--out", type=Path, default=REPOSITORY / "docs" / "pictures", metavar="FOLDER")
    out = parser.parse_args().out.absolute()
    enter()
    import bpy

    from draw_demo import render, scene, stall_and_fittings, write

    with tempfile.TemporaryDirectory() as folder:
        stall, fittings = stall_and_fittings(Path(folder))
        made = {fitting.batch.family.name: fitting for fitting in fittings}
        for name in made.keys() - {"cap"}:
            scene(bpy, in_place(made[name], stall, name in CUT_OPEN), (-0.55, -1, 0.45))
            path = out / f"{name.replace(' ', '_')}.png"
            write(bpy, render(bpy, SIZE, Path(folder) / "picture.png"), path)
            print(f"Drawn: {path}")
    return 0


def in_place(made: Made, bodies: Sequence[Mesh], cut_open: bool) -> Iterator[tuple[Mesh, Colour]]:
    """A fitting and what is around its first site, in the site's frame; without the half before it if ``cut_open``."""
    import numpy as np
    from manifold3d import Manifold

    from addon.geometry.mesh import Mesh
    from draw_demo import SHELL, STEEL

    frame, fitting = made.batch.sites[0].frame, made.fitting.mesh
    low, high = fitting.bounds[0] - ROOM_MM, fitting.bounds[1] + ROOM_MM
    around = Manifold.cube((high - low).tolist()).translate(low.tolist())
    for body in bodies:
        local = Mesh(frame.to_local(body.vertices), body.triangles)
        if np.all(local.bounds[0] < high) and np.all(local.bounds[1] > low):
            yield from _rest(local.to_manifold() ^ around, STEEL, cut_open)
    yield from _rest(made.fitting.solid, SHELL, cut_open)


def _rest(solid: Manifold, colour: Colour, cut_open: bool) -> Iterator[tuple[Mesh, Colour]]:
    from addon.geometry.mesh import Mesh

    rest = solid.trim_by_plane((0, 1, 0), 0) if cut_open else solid
    if not rest.is_empty():
        yield Mesh.from_manifold(rest), colour


if __name__ == "__main__":
    sys.exit(guarded(main))
