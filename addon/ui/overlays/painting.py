# SPDX-License-Identifier: GPL-3.0-or-later
"""Marks and sheets put on the graphics card and drawn from there, with the shaders that every Blender has built in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache

import blf
import gpu
import numpy as np
from mathutils import Matrix

from ...geometry.frames import Floats
from . import sheets
from .shapes import DrawBatch, Marks
from .sheets import Fill, Sheet, Stroke
from .styles import Colour

FONT = 0
_CASING = 2.0
"""How much wider a line's edge is than the line, in points."""
_CASING_ALPHA = 0.55
_HATCH_WIDTH = 1.25
_HIDDEN_ALPHA = 0.15
"""Of what lies behind a solid and does not show through."""
_NEARER = 0.002
"""Marks on a surface are drawn this share of their distance nearer to the eye, so that the surface hides none."""
_PASSES = ((False, "GREATER", _HIDDEN_ALPHA), (False, "LESS_EQUAL", 1.0), (True, "NONE", 1.0))
"""Whether marks show through, the depth test, and how opaque they are."""


@dataclass(frozen=True)
class Picture:
    """Marks and their buffers."""

    marks: Marks
    buffers: tuple[tuple[DrawBatch, gpu.types.GPUBatch], ...]


@dataclass(frozen=True)
class Printed:
    """A sheet and its buffers."""

    sheet: Sheet
    plate: gpu.types.GPUBatch
    fills: tuple[tuple[Fill, gpu.types.GPUBatch], ...]
    strokes: tuple[tuple[Stroke, gpu.types.GPUBatch], ...]


def picture_of(marks: Marks) -> Picture:
    return Picture(
        marks,
        tuple(
            (batch, _triangles(batch.positions) if batch.kind == "fill" else _lines(batch.positions))
            for batch in marks.batches
        ),
    )


def printed(sheet: Sheet) -> Printed:
    corners = np.array([(0, 0), (sheet.width, 0), (sheet.width, sheet.height), (0, sheet.height)])
    return Printed(
        sheet,
        _triangles(corners[[0, 1, 2, 0, 2, 3]]),
        tuple((fill, _triangles(fill.points)) for fill in sheet.fills if len(fill.points)),
        tuple((stroke, _lines(stroke.points)) for stroke in sheet.strokes if len(stroke.points)),
    )


def draw_pictures(pictures: Iterable[Picture], scale: float) -> None:
    """Draws under the view's and the part's matrices that are loaded; ``scale`` is pixels to a point."""
    pictures = list(pictures)
    gpu.state.blend_set("ALPHA")
    gpu.state.depth_mask_set(False)
    with gpu.matrix.push_pop_projection():
        gpu.matrix.load_projection_matrix(_nearer(gpu.matrix.get_projection_matrix()))
        for through, test, alpha in _PASSES:
            gpu.state.depth_test_set(test)
            for kind in ("fill", "hatch", "line"):
                for picture in pictures:
                    for batch, buffer in picture.buffers:
                        if batch.kind == kind and batch.style.through == through:
                            _draw(batch, buffer, alpha, scale)
    gpu.state.depth_test_set("NONE")
    gpu.state.depth_mask_set(True)
    gpu.state.blend_set("NONE")


def draw_sheet(sheet: Printed, corner: tuple[float, float], scale: float) -> None:
    """Draws with its lower left corner at a place of the region in pixels."""
    left, low = round(corner[0]), round(corner[1])
    gpu.state.blend_set("ALPHA")
    with gpu.matrix.push_pop():
        gpu.matrix.translate((left, low))
        gpu.matrix.scale((scale, scale))
        _fill(sheet.plate, sheets.PAPER, sheets.PAPER_ALPHA)
        for fill, buffer in sheet.fills:
            _fill(buffer, fill.colour, fill.alpha)
        for stroke, buffer in sheet.strokes:
            _stroke(buffer, stroke.colour, stroke.width, scale, casing=stroke.casing)
    for text in sheet.sheet.texts:
        blf.size(FONT, text.size * scale)
        away = {"left": 0.0, "middle": 0.5, "right": 1.0}[text.align] * blf.dimensions(FONT, text.words)[0]
        blf.position(FONT, round(left + text.x * scale - away), round(low + text.y * scale), 0)
        blf.color(FONT, *text.colour, 1.0)
        blf.draw(FONT, text.words)
    gpu.state.blend_set("NONE")


def draw_strokes(strokes: Iterable[Stroke], scale: float) -> None:
    """Lines in the region's pixels, straight from their points."""
    gpu.state.blend_set("ALPHA")
    for stroke in strokes:
        if len(stroke.points):
            _stroke(_lines(stroke.points), stroke.colour, stroke.width, scale, casing=stroke.casing)
    gpu.state.blend_set("NONE")


def measure(scale: float) -> sheets.WordWidth:
    """How wide words are, in points."""

    def width(words: str, size: float) -> float:
        blf.size(FONT, size * scale)
        return float(blf.dimensions(FONT, words)[0]) / scale

    return width


def _draw(batch: DrawBatch, buffer: gpu.types.GPUBatch, alpha: float, scale: float) -> None:
    style = batch.style
    if batch.kind == "fill":
        _fill(buffer, style.colour, style.fill * alpha)
    elif batch.kind == "hatch":
        _stroke(buffer, style.colour, _HATCH_WIDTH, scale, alpha)
    else:
        # Casings of what is hidden would only darken the solid before it.
        _stroke(buffer, style.colour, style.width, scale, alpha, style.casing if alpha == 1.0 else None)


def _fill(buffer: gpu.types.GPUBatch, colour: Colour, alpha: float) -> None:
    shader = _shader("UNIFORM_COLOR")
    shader.bind()
    shader.uniform_float("color", (*colour, alpha))
    buffer.draw(shader)


def _stroke(
    buffer: gpu.types.GPUBatch,
    colour: Colour,
    width: float,
    scale: float,
    alpha: float = 1.0,
    casing: Colour | None = None,
) -> None:
    shader = _shader("POLYLINE_UNIFORM_COLOR")
    shader.bind()
    shader.uniform_float("viewportSize", gpu.state.viewport_get()[2:])
    if casing is not None:
        shader.uniform_float("lineWidth", (width + _CASING) * scale)
        shader.uniform_float("color", (*casing, _CASING_ALPHA * alpha))
        buffer.draw(shader)
    shader.uniform_float("lineWidth", width * scale)
    shader.uniform_float("color", (*colour, alpha))
    buffer.draw(shader)


def _nearer(projection: Matrix) -> Matrix:
    """The projection with everything a little nearer to the eye, at the same place on the screen."""
    if projection[3][3] == 0.0:  # In perspective, what is drawn smaller about the eye looks the same.
        return projection @ Matrix.Scale(1 - _NEARER, 4)
    shift = Matrix.Identity(4)
    shift[2][3] = -_NEARER
    return shift @ projection


@cache
def _shader(name: str) -> gpu.types.GPUShader:
    return gpu.shader.from_builtin(name)


@cache
def _format() -> gpu.types.GPUVertFormat:
    layout = gpu.types.GPUVertFormat()
    layout.attr_add(id="pos", comp_type="F32", len=3, fetch_mode="FLOAT")
    return layout


def _lines(points: Floats) -> gpu.types.GPUBatch:
    return _buffer("LINES", points)


def _triangles(points: Floats) -> gpu.types.GPUBatch:
    return _buffer("TRIS", points)


def _buffer(kind: str, points: Floats) -> gpu.types.GPUBatch:
    positions = np.zeros((len(points), 3), np.float32)
    positions[:, : points.shape[1]] = points
    vertices = gpu.types.GPUVertBuf(_format(), len(positions))
    vertices.attr_fill("pos", positions)
    return gpu.types.GPUBatch(type=kind, buf=vertices)
