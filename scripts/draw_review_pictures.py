# SPDX-License-Identifier: GPL-3.0-or-later
"""Draws the pictures of docs/review.md, docs/pictures/review_*.svg, from what the review itself finds.

python3 scripts/draw_review_pictures.py [--out FOLDER]
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from _environment import REPOSITORY, enter, guarded

if TYPE_CHECKING:
    from manifold3d import CrossSection, Manifold

    from addon.families.fitting import Fitting
    from addon.geometry.frames import Floats
    from addon.review import Review
    from addon.review.layers import Layers
    from addon.review.review import Print
    from addon.review.support import Support
    from addon.trade.processes import Process

Point = tuple[float, float]

STYLE = """
text { font: 11px sans-serif; fill: #222; paint-order: stroke; stroke: #fff; stroke-width: 3px; }
path, line, circle { fill: none; stroke: #222; stroke-width: 1; }
.part { fill: #e6e6e6; } .thin { stroke-width: 0.4; stroke: #777; }
.mark { stroke: #D55E00; stroke-width: 1.6; stroke-dasharray: 6 3; }
.good { stroke: #0072B2; stroke-width: 1.6; } .fill { fill: #56B4E9; fill-opacity: 0.45; stroke: #0072B2; }
.bad { fill: url(#bad); stroke: #D55E00; } .support { fill: url(#support); stroke: #CC79A7; stroke-dasharray: 3 1.5; }
.water { fill: #56B4E9; fill-opacity: 0.25; stroke: none; } .other { fill: #f3ead0; }
"""
"""Okabe and Ito's colours (Color Universal Design, 2008); every one has a hatch, a dash or a width of its own."""
PATTERNS = (
    '<defs><pattern id="bad" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<line x1="0" y1="0" x2="0" y2="6" style="stroke:#D55E00;stroke-width:3"/></pattern>'
    '<pattern id="support" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(-45)">'
    '<line x1="0" y1="0" x2="0" y2="5" style="stroke:#CC79A7;stroke-width:1.2"/></pattern></defs>'
)


@dataclass
class Sheet:
    """A drawing in mm, y up, ``scale`` pixels a mm, its lower left corner at ``corner``; several may share a page."""

    scale: float
    corner: Point
    parts: list[str] = field(default_factory=list)

    def at(self, x: float, y: float) -> Point:
        return self.corner[0] + x * self.scale, self.corner[1] - y * self.scale

    def area(self, loops: Iterable[Floats], kind: str) -> None:
        path = "".join(
            "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in (self.at(*point) for point in loop.tolist())) + "z"
            for loop in loops
        )
        if path:
            self.parts.append(f'<path class="{kind}" fill-rule="evenodd" d="{path}"/>')

    def box(self, left: float, low: float, right: float, high: float, kind: str) -> None:
        (x1, y1), (x2, y2) = self.at(left, high), self.at(right, low)
        self.parts.append(f'<path class="{kind}" d="M{x1:.1f} {y1:.1f}H{x2:.1f}V{y2:.1f}H{x1:.1f}z"/>')

    def line(self, start: Point, end: Point, kind: str = "") -> None:
        (x1, y1), (x2, y2) = self.at(*start), self.at(*end)
        self.parts.append(f'<line class="{kind}" x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}"/>')

    def chain(self, points: Sequence[Point], kind: str) -> None:
        path = "L".join(f"{x:.1f} {y:.1f}" for x, y in (self.at(*point) for point in points))
        self.parts.append(f'<path class="{kind}" d="M{path}"/>')

    def circle(self, x: float, y: float, radius: float, kind: str) -> None:
        px, py = self.at(x, y)
        self.parts.append(f'<circle class="{kind}" cx="{px:.1f}" cy="{py:.1f}" r="{radius * self.scale:.1f}"/>')

    def words(self, x: float, y: float, text: str, anchor: str = "start") -> None:
        px, py = self.at(x, y)
        text = text.replace("&", "&amp;").replace("<", "&lt;")
        self.parts.append(f'<text x="{px:.1f}" y="{py + 4:.1f}" text-anchor="{anchor}">{text}</text>')


def page(width: int, height: int, title: str, *sheets: Sheet) -> str:
    inside = "\n".join(part for sheet in sheets for part in sheet.parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}" '
        f'role="img"><title>{title}</title><style>{STYLE}</style>{PATTERNS}'
        f'<rect width="{width}" height="{height}" fill="#fff"/>\n{inside}\n</svg>\n'
    )


def cut(solid: Manifold, y: float = 0.0) -> CrossSection:
    """The section of a solid square to y, x to the right and z up."""
    return solid.translate((0, -y, 0)).rotate((-90, 0, 0)).slice(0.0)


def process() -> Process:
    from addon.trade.processes import process_named

    return process_named("Dissolved support, 0.25 mm layers")


def cap() -> tuple[Fitting, Review, Print]:
    """The cap of common practice for 1 in × 1/8 in tube, at the facets that the files get, and its review."""
    from addon.families.cap import Recipe, design
    from addon.geometry.sections import Section
    from addon.review import review_fitting
    from addon.shaping.features import Grooves

    recipe = Recipe(groove=Grooves(width_mm=3.175, depth_mm=2.0))
    fitting = design(recipe, Section.round(25.4, 3.175))
    review = review_fitting(fitting, process(), "cap")
    assert review.printed
    return fitting, review, review.printed


def print_of(part: Manifold, how: Process) -> Print:
    """What the layers of any solid say."""
    from addon.geometry.mesh import Mesh
    from addon.review import review

    printed = review(Mesh.from_manifold(part), how).printed
    assert printed
    return printed


def columns(sheet: Sheet, layers: Layers, support: Support, kind: str = "support", turned: float = 0.0) -> None:
    """Support as it stands in the section through y = 0 of the part ``turned`` about z."""
    for column in support.columns:
        for left, right in spans(column.outline.rotate(turned)):
            sheet.box(left, layers.bottoms[column.first], right, layers.tops[column.last], kind)


def spans(outline: CrossSection, y: float = 0.0) -> list[Point]:
    """From where to where an outline covers the line at ``y``."""
    from manifold3d import CrossSection as Area

    left, _, right, _ = outline.bounds()
    strip = outline ^ Area.square((right - left + 2, 0.02)).translate((left - 1, y - 0.01))
    return sorted((part.bounds()[0], part.bounds()[2]) for part in strip.decompose())


def layers_picture() -> str:

    fitting, review, printed = cap()
    layers = printed.layers
    sheet = Sheet(11, (170, 250))
    sheet.area(cut(review.mesh.to_manifold()).to_polygons(), "part")
    for edge in layers.bottoms:
        sheet.line((-13.5, edge), (13.5, edge), "thin")
    for level in fitting.levels():
        off = min(abs(layers.bottoms - level.z_mm).min(), abs(layers.tops[-1] - level.z_mm))
        on = off <= 0.01
        sheet.line((-13.5, level.z_mm), (15, level.z_mm), "good" if on else "mark")
        says = "on a layer" if on else f"{off:.2f} mm inside a layer"
        sheet.words(15.5, level.z_mm, f"{level.name}, {level.z_mm:.2f} mm: {says}")
    return page(660, 270, "Layers of a cap and the heights that fall inside one", sheet)


def rings_picture() -> str:
    from addon.review.outlines import offset

    _, review, printed = cap()
    layer = printed.plan.ranges[0].first
    above = printed.layers.outline(layer + 1)
    sheets = []
    for middle, planned, words in ((140, False, "as set"), (400, True, "as planned")):
        sheet = Sheet(34, (middle, 140))
        rings = review.rings(layer, planned)
        sheet.area(printed.layers.outline(layer).to_polygons(), "")
        for bead in rings.beads:
            sheet.area(bead.to_polygons(), "fill")
        outer = above - offset(above, -rings.bead_mm)
        sheet.area((outer - rings.covered).to_polygons(), "bad")
        sheet.area(above.to_polygons(), "mark")
        rest = (outer ^ rings.covered).area() / outer.area()
        says = f"{rings.count} of {rings.bead_mm:.2f} mm, the bead above rests {rest:.0%}"
        sheet.words(0, -3.9, f"{words}: {says}", "middle")
        sheets.append(sheet)
    return page(540, 300, f"The rings of layer {layer + 1} and the outer bead of the layer above", *sheets)


def radius_of(layers: Layers, layer: int) -> float:
    from addon.review.outlines import inradius

    return inradius(layers.outline(layer))


def steps_picture() -> str:
    _, _, printed = cap()
    layers, steps = printed.layers, printed.steps
    last = len(layers) - 1
    sheet = Sheet(70, (40, 175 + 70 * layers.bottoms[last - 4]))
    for layer in range(last - 4, last + 1):
        radius, low, high = radius_of(layers, layer), layers.bottoms[layer], layers.tops[layer]
        sheet.box(0, low, radius, high, "part")
        for ring in range(3):
            outer = radius - ring * 0.5
            if outer > 0:
                sheet.box(
                    max(outer - 0.5, 0), low, outer, high, "bad" if ring == 0 and steps.rest[layer] < 0.5 else "fill"
                )
        sheet.words(
            6.3, (low + high) / 2, f"layer {layer + 1}: step {steps.most[layer]:.2f} mm, rest {steps.rest[layer]:.0%}"
        )
    sheet.line((0, layers.bottoms[last - 4] - 0.05), (0, layers.tops[last] + 0.1), "mark")
    return page(720, 190, "Right half of the top five layers: beads, steps and rest", sheet)


def plan_picture() -> str:
    _, _, printed = cap()
    plan, steps, crown, bead = printed.plan, printed.steps, printed.seen, process().bead_mm
    sheet = Sheet(1, (60, 230))
    width = 470 / len(crown)

    def height(mm: float) -> float:
        return 90 * mm

    for mm in (0.0, 0.5, 1.0, 1.5, 2.0):
        sheet.line((0, height(mm)), (470, height(mm)), "thin")
        sheet.words(-5, height(mm), f"{mm:g} mm", "end")
    needs, reaches = [], []
    for layer in range(crown.first, crown.last + 1):
        left = width * (layer - crown.first)
        # The top has no layer above it: its rings reach the middle.
        need = steps.most[layer + 1] + bead / 2 if layer < crown.last else radius_of(printed.layers, layer)
        needs.append((left + width / 2, height(need)))
        count, wide = plan.at(layer)
        reaches += [(left, height(count * wide)), (left + width, height(count * wide))]
    sheet.chain(needs, "mark")
    sheet.chain(reaches, "good")
    sheet.words(475, height(1.45), "needed")
    sheet.words(475, height(2.0), "the plan's rings reach")
    sheet.words(0, -14, f"layer {crown.first + 1}")
    sheet.words(470, -14, f"layer {crown.last + 1}", "end")
    return page(680, 265, "How far in the rings of each crown layer have to reach, and reach as planned", sheet)


def stair_picture() -> str:
    sheet = Sheet(26, (30, 215))
    curve = [(7 * math.cos(a), 7 * math.sin(a)) for a in (math.pi / 2 * i / 60 for i in range(61))]
    for layer in range(12):
        low = layer * 0.583
        radius = math.sqrt(max(49 - (low + 0.29) ** 2, 0))
        sheet.box(0, low, radius, low + 0.583, "part")
    sheet.chain(curve, "good")
    x, y = 7 * math.cos(0.7), 7 * math.sin(0.7)
    sheet.line((x, y), (x * 1.22, y * 1.22), "mark")
    sheet.words(x * 1.24, y * 1.2, "normal n; stair = layer height × |n · up|")
    sheet.words(7.3, 1.2, "steep: hardly a stair")
    sheet.words(2.2, 7.3, "level: a whole layer")
    return page(480, 230, "Stair height on a dome", sheet)


def walls_picture() -> str:
    import numpy as np
    from manifold3d import CrossSection as Area

    from addon.review.outlines import closed, opened

    bead = process().bead_mm
    plate = (
        Area.square((16, 9)) - Area.circle(3, 64).translate((12.3, 4.5)) - Area.square((0.35, 6)).translate((4, 1.5))
    )
    plate = plate + Area([np.array([(1, 9), (2.6, 9), (1, 14)], float)])
    sheet = Sheet(22, (30, 330))
    sheet.area(plate.to_polygons(), "part")
    sheet.area((plate - opened(plate, bead)).to_polygons(), "bad")
    sheet.area((closed(plate, bead / 2) - plate).to_polygons(), "fill")
    sheet.words(16.3, 4.5, "wall under two beads")
    sheet.words(2.4, 11.5, "wedge under two beads")
    sheet.words(4.6, 6.9, "slot under one bead")
    sheet.line((2, 0), (2, 9), "mark")
    sheet.words(0.2, -0.6, "a ray: how thick the part is there")
    return page(550, 360, "Thin walls, a narrow gap, and a ray through the part", sheet)


def overhangs_picture() -> str:
    from manifold3d import Manifold

    def box(left: float, low: float, right: float, high: float) -> Manifold:
        return Manifold.cube((right - left, 10, high - low)).translate((left, -5, low))

    part = box(0, 0, 4, 14) + box(4, 10, 9, 12) + box(0, 12, 30, 14) + box(14, 0, 18, 14) + box(23, 0, 27, 14)
    part = part + box(8, 7, 9, 12)
    how = replace(process(), bridge_mm=6.0)
    printed = print_of(part, how)
    sheet = Sheet(17, (30, 275))
    sheet.area(cut(part).to_polygons(), "part")
    columns(sheet, printed.layers, printed.support)
    for overhang in printed.overhangs:
        left, _, right, _ = overhang.region.bounds()
        middle, low = (left + right) / 2, overhang.position_mm[2]
        says = "carried" if overhang.carried(how) else "needs support"
        sheet.words(middle, low - 0.8, f"{overhang.kind}, {overhang.reach_mm:.1f} mm", "middle")
        sheet.words(middle, low - 1.6, says, "middle")
    return page(660, 290, "A bridge, a cantilever and an island, with the support they need", sheet)


def orientations_picture() -> str:
    _, review, printed = cap()
    standing = review.mesh.to_manifold()
    sheets = []
    # Turned a quarter, so that the section shows the whole of the part that lies along y.
    for index, (turn, quarter) in enumerate((((0, 0, 0), 0), ((180, 0, 0), 0), ((90, 0, 0), 90))):
        solid = standing.rotate(turn)
        solid = solid.translate((0, 0, -solid.bounding_box()[2]))
        turned = print_of(solid, process())
        section = cut(solid.rotate((0, 0, quarter)))
        left, _, right, _ = section.bounds()
        sheet = Sheet(6.5, (110 + 210 * index - 6.5 * (left + right) / 2, 190))
        sheet.area(section.to_polygons(), "part")
        columns(sheet, turned.layers, turned.support, turned=quarter)
        way, middle = printed.orientations.tried[index], (left + right) / 2
        sheet.words(middle, -2, way.name, "middle")
        sheet.words(middle, -4.4, f"crown marked {way.marked_mm2:.0f} mm²", "middle")
        sheets.append(sheet)
    return page(640, 235, "A cap printed crown up, crown down and on the side", *sheets)


def trapped_picture() -> str:
    from manifold3d import Manifold

    sheets = []
    probe = process().pocket_mouth_mm
    for index, mouth in enumerate((probe - 1, probe + 2)):
        part = Manifold.cube((20, 20, 14)).translate((0, -10, 0))
        part = (
            part
            - Manifold.cube((10, 10, 8)).translate((5, -5, 3))
            - Manifold.cube((10, 10, mouth)).translate((12, -5, 3))
        )
        printed = print_of(part, replace(process(), bridge_mm=0.0))
        sheet = Sheet(10, (30 + 330 * index, 175))
        sheet.area(cut(part).to_polygons(), "part")
        columns(sheet, printed.layers, printed.support, "bad" if printed.trapped else "support")
        sheet.box(21, 3, 21 + probe, 3 + probe, "good")
        sheet.words(0, 15.2, f"mouth {mouth:g} mm, probe {probe:g} mm: {'trapped' if printed.trapped else 'comes out'}")
        sheets.append(sheet)
    return page(640, 190, "Support behind a narrow and behind a wide mouth", *sheets)


def bath_picture() -> str:
    _, review, printed = cap()
    bath = printed.bath
    assert bath
    sheet = Sheet(9, (180, 215))
    level = printed.layers.height - bath.dry_mm
    sheet.area(cut(review.mesh.to_manifold()).to_polygons(), "part")
    sheet.box(-19, -1.5, 40, level, "water")
    sheet.line((-19, level), (40, level), "good")
    sheet.words(14, level + 1.4, f"the {bath.dry_side} stays {bath.dry_mm:.1f} mm out")
    sheet.words(14, 2, f"part {bath.density:.2f}, bath {process().bath_density:.2f} g/cm³")
    return page(560, 240, "A cap afloat in the bath", sheet)


def fit_picture() -> str:
    from manifold3d import Manifold

    from addon.geometry.frames import Frame
    from addon.geometry.mesh import Mesh
    from addon.review import review_fit

    fitting, _, _ = cap()
    tube = Manifold.cylinder(22, 12.7, circular_segments=96) - Manifold.cylinder(22, 9.525, circular_segments=96)
    tube = tube.translate((0, 0, -22))
    bolt = Manifold.cylinder(30, 3, circular_segments=48, center=True).translate((0, 0, 0)).rotate((90, 0, 0))
    bolt = bolt.translate((3.0, 0, -8.5))
    mesh = Mesh.from_manifold(bolt, "bolt")
    fit = review_fit(fitting.mesh, Mesh.from_manifold(tube, "tube"), Frame.along((0, 0, 0), (0, 0, 1)), others=[mesh])
    sheet = Sheet(8, (150, 135))
    sheet.area(cut(tube).to_polygons(), "other")
    sheet.area(cut(fitting.solid).to_polygons(), "part")
    sheet.area(cut(bolt).to_polygons(), "")
    sheet.area(cut(bolt ^ fitting.solid).to_polygons(), "bad")
    sheet.words(14, -4, f"smallest gap to the tube {fit.tube.gap_mm:.2f} mm")
    sheet.words(14, -8.5, f"bolt and spigot share {fit.others[0].interference_mm3:.0f} mm³")
    return page(480, 325, "A cap in its tube, a bolt in its way", sheet)


def footing_picture() -> str:
    sheet = Sheet(7, (60, 200))
    sheet.box(0, 0, 10, 24, "part")
    sheet.line((5, 12), (10, 0), "mark")
    sheet.line((5, 12), (5, 0), "thin")
    sheet.circle(5, 12, 0.6, "good")
    sheet.words(6.2, 12.5, "centre of mass")
    sheet.words(10.6, 0.8, "edge of the footing")
    sheet.words(10.6, 6, "tip angle: from the upright to the line between them")
    return page(480, 220, "How far a part may lean before it falls", sheet)


def integrity_picture() -> str:
    sheets = []
    for index, words in enumerate(("open edge", "flipped face", "self-crossing", "overlapping bodies")):
        sheet = Sheet(10, (25 + 150 * index, 120))
        if index == 0:
            sheet.chain([(0, 0), (9, 0), (9, 9), (5.5, 9)], "")
            sheet.chain([(3.5, 9), (0, 9), (0, 0)], "")
            sheet.line((3.5, 9), (5.5, 9), "mark")
        elif index == 1:
            sheet.box(0, 0, 9, 9, "part")
            for start, end in (((0, 4.5), (-1.6, 4.5)), ((9, 4.5), (10.6, 4.5)), ((4.5, 0), (4.5, -1.6))):
                sheet.line(start, end, "good")
            sheet.line((4.5, 9), (4.5, 7.2), "mark")
        elif index == 2:
            sheet.chain([(0, 0), (9, 0), (9, 4), (2, 9), (7, 9), (0, 4), (0, 0)], "part")
            sheet.circle(4.5, 7.2, 0.7, "mark")
        else:
            sheet.box(0, 0, 6, 6, "part")
            sheet.box(3, 3, 9, 9, "part")
            sheet.box(3, 3, 6, 6, "bad")
        sheet.words(4.5, -2.8, words, "middle")
        sheets.append(sheet)
    return page(620, 165, "What can be wrong with a mesh", *sheets)


PICTURES: dict[str, Callable[[], str]] = {
    "layers": layers_picture,
    "rings": rings_picture,
    "steps": steps_picture,
    "plan": plan_picture,
    "stair": stair_picture,
    "walls": walls_picture,
    "overhangs": overhangs_picture,
    "orientations": orientations_picture,
    "trapped": trapped_picture,
    "bath": bath_picture,
    "fit": fit_picture,
    "footing": footing_picture,
    "integrity": integrity_picture,
}


def main() -> int:
    parser = argparse.ArgumentParser(description="Draw the pictures of docs/review.md.")
    parser.add_argument("--out", type=Path, default=REPOSITORY / "docs" / "pictures", metavar="FOLDER")
    folder = parser.parse_args().out.absolute()
    enter()
    folder.mkdir(parents=True, exist_ok=True)
    for name, draw in PICTURES.items():
        path = folder / f"review_{name}.svg"
        path.write_text(draw(), encoding="utf-8")
        print(path)
    return 0


if __name__ == "__main__":
    sys.exit(guarded(main))
