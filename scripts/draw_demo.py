# SPDX-License-Identifier: GPL-3.0-or-later
"""Draws docs/pictures/demo.png: the demo's market stall with its fittings, and two of them cut open.

python3 scripts/draw_demo.py [--out FILE]
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from _environment import REPOSITORY, enter, guarded

if TYPE_CHECKING:
    from addon.geometry.mesh import Mesh
    from addon.job.results import Made

Colour = tuple[float, float, float]

SIZE = (760, 620), (440, 620)
"""Sizes of the stall's picture and of the cut fittings' beside it, in pixels."""
STEEL: Colour = (0.32, 0.34, 0.36)
SHELL: Colour = (0.90, 0.60, 0.0)
"""Of the fittings: the orange of Okabe and Ito (Color Universal Design, 2008)."""


def main() -> int:
    parser = argparse.ArgumentParser(description="Draw the demo's picture.")
    parser.add_argument("--out", type=Path, default=REPOSITORY / "docs" / "pictures" / "demo.png", metavar="FILE")
    out = parser.parse_args().out.absolute()
    enter()
    import bpy
    import numpy as np

    from addon.families.cap import Cap

    with tempfile.TemporaryDirectory() as folder:
        stall, fittings = stall_and_fittings(Path(folder))
        shown = [fitting for fitting in fittings if not fitting.batch.family.off_assembly]
        placed = [fitting.fitting.mesh.placed(site.frame) for fitting in shown for site in fitting.batch.sites]
        scene(bpy, [*((mesh, STEEL) for mesh in stall), *((mesh, SHELL) for mesh in placed)], (-0.55, -1, 0.34))
        left = render(bpy, SIZE[0], Path(folder) / "left.png")

        caps = [fitting for fitting in fittings if isinstance(fitting.fitting, Cap)]
        upright = next(cap for cap in caps if cap.fitting.section.kind == "rect" and not cap.fitting.mitre_deg)
        leaning = max(caps, key=lambda cap: cap.fitting.mitre_deg)
        pieces = [*cut_open(upright, 62.0), *cut_open(leaning, 0.0)]
        scene(bpy, pieces, (-0.25, -1, 0.22))
        right = render(bpy, SIZE[1], Path(folder) / "right.png")

    write(bpy, np.concatenate([left, right], axis=1), out)
    print(f"Drawn: {out}")
    return 0


def stall_and_fittings(folder: Path) -> tuple[list[Mesh], list[Made]]:
    """The demo's market stall, and what its job makes for it."""
    from addon.job.batches import resolved, sort_into_batches
    from addon.job.jobfile import read_job
    from addon.job.making import attempt, worked
    from addon.job.running import read_assembly
    from demo_assembly import market_stall, write_demo

    job, stall = read_job(write_demo(folder)), market_stall()
    takeoff = read_assembly(job, job.assembly, stall, unit_given=True)
    attempts = [attempt(job, batch, worked(resolved(job, batch))) for batch in sort_into_batches(job, takeoff)]
    return stall, [tried.made for tried in attempts if tried.made]


def cut_open(made_fitting: Made, lift: float) -> Iterator[tuple[Mesh, Colour]]:
    """The rear half of a fitting and of the tube around it, raised by ``lift`` mm."""
    from addon.geometry.mesh import Mesh
    from addon.takeoff import mitre_normal

    fitting = made_fitting.fitting
    section, rim = fitting.section, mitre_normal(fitting.mitre_deg, fitting.mitre_direction_deg)
    wall = section.outer.cross_section() - section.bore.cross_section()
    tube = wall.extrude(120).translate((0, 0, -32)).trim_by_plane((-rim).tolist(), 0)
    for solid, colour in ((fitting.solid, SHELL), (tube, STEEL)):
        yield Mesh.from_manifold(solid.trim_by_plane((0, 1, 0), 0).translate((0, 0, lift))), colour


def scene(bpy: Any, pieces: Iterable[tuple[Mesh, Colour]], towards: tuple[float, float, float]) -> None:
    """An empty file with the pieces in mm, a sun, and a camera that looks at them from ``towards``."""
    import mathutils
    import numpy as np

    bpy.ops.wm.read_factory_settings(use_empty=True)
    here = bpy.context.scene
    materials: dict[Colour, Any] = {}
    lows, highs = [], []
    for mesh, colour in pieces:
        lows.append(mesh.bounds[0])
        highs.append(mesh.bounds[1])
        data = bpy.data.meshes.new("piece")
        data.from_pydata(mesh.vertices.tolist(), [], mesh.triangles.tolist())
        material = materials.get(colour)
        if material is None:
            material = materials[colour] = bpy.data.materials.new("piece")
            material.use_nodes = True
            surface = material.node_tree.nodes["Principled BSDF"]
            surface.inputs["Base Color"].default_value = (*(channel**2.2 for channel in colour), 1)
            surface.inputs["Roughness"].default_value = 0.55
            surface.inputs["Metallic"].default_value = 0.4 if colour == STEEL else 0.0
        data.materials.append(material)
        here.collection.objects.link(bpy.data.objects.new("piece", data))
    sun = bpy.data.objects.new("sun", bpy.data.lights.new("sun", "SUN"))
    sun.data.energy, sun.data.angle = 3.0, math.radians(8)
    sun.rotation_euler = (math.radians(40), math.radians(-15), math.radians(-30))
    here.collection.objects.link(sun)
    here.world = bpy.data.worlds.new("sky")
    here.world.use_nodes = True
    here.world.node_tree.nodes["Background"].inputs[0].default_value = (1, 1, 1, 1)
    here.world.node_tree.nodes["Background"].inputs[1].default_value = 0.9
    here.view_settings.view_transform = "Standard"
    camera = bpy.data.objects.new("camera", bpy.data.cameras.new("camera"))
    camera.data.type = "ORTHO"
    here.collection.objects.link(camera)
    here.camera = camera
    low, high = np.min(lows, axis=0), np.max(highs, axis=0)
    middle, reach = (low + high) / 2, float(np.linalg.norm(high - low))
    view = mathutils.Vector(towards).normalized()
    camera.location = mathutils.Vector(middle) + view * reach * 2
    camera.rotation_euler = view.to_track_quat("Z", "Y").to_euler()
    camera.data.clip_end = reach * 5
    bpy.context.view_layer.update()
    corners = np.array(np.meshgrid(*zip(low, high, strict=True))).reshape(3, -1).T
    seen = np.array([camera.matrix_world.inverted() @ mathutils.Vector(corner) for corner in corners])
    aim = (seen.max(axis=0) + seen.min(axis=0)) / 2
    camera.location = camera.matrix_world @ mathutils.Vector((aim[0], aim[1], 0))
    here["span"] = np.ptp(seen, axis=0)[:2].tolist()


def render(bpy: Any, size: tuple[int, int], path: Path) -> Any:
    """The rendered picture as an array (height, width, 4), first row at the bottom."""
    import numpy as np

    here = bpy.context.scene
    here.render.resolution_x, here.render.resolution_y = size
    here.render.engine = "CYCLES"
    here.cycles.samples = 48
    here.cycles.use_denoising = False
    width, height = here["span"]
    # An orthographic camera's scale is what it sees along the picture's longer side.
    here.camera.data.ortho_scale = 1.06 * max(width / size[0], height / size[1]) * max(size)
    here.render.filepath = str(path)
    bpy.ops.render.render(write_still=True)
    image = bpy.data.images.load(str(path))
    pixels = np.empty(size[0] * size[1] * 4, np.float32)
    image.pixels.foreach_get(pixels)
    return pixels.reshape(size[1], size[0], 4)


def write(bpy: Any, pixels: Any, path: Path) -> None:
    height, width, _ = pixels.shape
    image = bpy.data.images.new("demo", width, height, alpha=False)
    image.pixels.foreach_set(pixels.ravel())
    image.filepath_raw = str(path)
    image.file_format = "PNG"
    path.parent.mkdir(parents=True, exist_ok=True)
    image.save()


if __name__ == "__main__":
    sys.exit(guarded(main))
