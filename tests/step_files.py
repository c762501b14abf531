# SPDX-License-Identifier: GPL-3.0-or-later
"""STEP assemblies (ISO 10303-21, with the entities that AP203, AP214 and AP242 have in common) put together around
parts that gmsh's kernel writes, which writes no assemblies itself."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Literal

import numpy as np
from weldments import Floats

Unit = Literal["mm", "m", "in"]
SCHEMAS = {
    "AP203": "CONFIG_CONTROL_DESIGN",
    "AP214": "AUTOMOTIVE_DESIGN { 1 0 10303 214 1 1 1 1 }",
    "AP242": "AP242_MANAGED_MODEL_BASED_3D_ENGINEERING_MIM_LF { 1 0 10303 442 1 1 4 }",
}
_MILLIMETRE = re.compile(r"(#\d+) = \( LENGTH_UNIT\(\) NAMED_UNIT\(\*\) SI_UNIT\(\.MILLI\.,\.METRE\.\) \);")


@dataclass(frozen=True)
class Placed:
    """An instance of a product: where its own axes lie in the assembly's. ``mirrored`` turns its z over first."""

    product: Product
    origin: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn: Floats = field(default_factory=lambda: np.eye(3))
    mirrored: bool = False
    name: str = ""


@dataclass(frozen=True)
class Product:
    """A part, which ``build`` makes in gmsh's empty model, or an assembly of instances."""

    name: str
    build: Callable[[], object] | None = None
    instances: Sequence[Placed] = ()


def part_text(gmsh: ModuleType, build: Callable[[], object], path: Path) -> str:
    """The STEP file that gmsh writes of what ``build`` makes."""
    gmsh.clear()
    build()
    gmsh.model.occ.synchronize()
    gmsh.write(str(path))
    return path.read_text()


def in_unit(text: str, unit: Unit) -> str:
    """The same numbers in another unit."""
    metre = r"\1 = ( LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT($,.METRE.) );"
    inch = r"\1 = ( CONVERSION_BASED_UNIT('INCH',#999001) LENGTH_UNIT() NAMED_UNIT(#999002) );"
    changed = text if unit == "mm" else _MILLIMETRE.sub(metre if unit == "m" else inch, text)
    if unit == "in":
        changed = changed.replace(
            "ENDSEC;\nEND-ISO",
            "#999001 = LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),#999003);\n"
            "#999002 = DIMENSIONAL_EXPONENTS(1.,0.,0.,0.,0.,0.,0.);\n"
            "#999003 = ( LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.) );\nENDSEC;\nEND-ISO",
        )
    assert unit == "mm" or changed != text
    return changed


def with_schema(text: str, schema: str) -> str:
    return re.sub(r"FILE_SCHEMA\(\('[^']*'\)\)", f"FILE_SCHEMA(('{schema}'))", text)


class _Writer:
    def __init__(self, gmsh: ModuleType, folder: Path) -> None:
        self.gmsh, self.folder = gmsh, folder
        self.lines: list[str] = []
        self.last = 0
        self.header = ""
        self.written: dict[int, tuple[str, str, str]] = {}
        """Of each product: its definition, its shape's representation, and the axes of that representation."""

    def add(self, entity: str) -> str:
        self.last += 1
        self.lines.append(f"#{self.last} = {entity};")
        return f"#{self.last}"

    def product(self, product: Product) -> tuple[str, str, str]:
        if id(product) not in self.written:
            self.written[id(product)] = self._part(product) if product.build else self._assembly(product)
        return self.written[id(product)]

    def _part(self, product: Product) -> tuple[str, str, str]:
        text = part_text(self.gmsh, product.build, self.folder / "part.step")
        self.header, _, rest = text.partition("DATA;\n")
        body = re.sub(r"#(\d+)", lambda number: f"#{int(number[1]) + self.last}", rest.partition("ENDSEC;")[0])
        body = re.sub(r"PRODUCT\('[^']*',\s*'[^']*'", lambda _: f"PRODUCT('{product.name}','{product.name}'", body)
        self.last = max(map(int, re.findall(r"^#(\d+)", body, re.MULTILINE)))
        self.lines.append(body.rstrip())
        definition = re.search(r"(#\d+) = PRODUCT_DEFINITION\(", body)[1]
        shape = re.search(r"SHAPE_DEFINITION_REPRESENTATION\(#\d+,(#\d+)\)", body)[1]
        axes = re.search(rf"{shape} = \w+\('[^']*',\((#\d+)", body)[1]
        return definition, shape, axes

    def _assembly(self, product: Product) -> tuple[str, str, str]:
        children = [self.product(placed.product) for placed in product.instances]
        context = self.add("APPLICATION_CONTEXT('mechanical design')")
        mechanical = self.add(f"PRODUCT_CONTEXT('',{context},'mechanical')")
        thing = self.add(f"PRODUCT('{product.name}','{product.name}','',({mechanical}))")
        formation = self.add(f"PRODUCT_DEFINITION_FORMATION('','',{thing})")
        design = self.add(f"PRODUCT_DEFINITION_CONTEXT('part definition',{context},'design')")
        definition = self.add(f"PRODUCT_DEFINITION('design','',{formation},{design})")
        shape_of = self.add(f"PRODUCT_DEFINITION_SHAPE('','',{definition})")
        own = self._axes((0.0, 0.0, 0.0), np.eye(3))
        places = [self._place(placed) for placed in product.instances]
        length = self.add("( LENGTH_UNIT() NAMED_UNIT(*) SI_UNIT(.MILLI.,.METRE.) )")
        angle = self.add("( NAMED_UNIT(*) PLANE_ANGLE_UNIT() SI_UNIT($,.RADIAN.) )")
        solid_angle = self.add("( NAMED_UNIT(*) SI_UNIT($,.STERADIAN.) SOLID_ANGLE_UNIT() )")
        space = self.add(
            f"( GEOMETRIC_REPRESENTATION_CONTEXT(3) GLOBAL_UNIT_ASSIGNED_CONTEXT(({length},{angle},{solid_angle})) "
            "REPRESENTATION_CONTEXT('','') )"
        )
        shape = self.add(f"SHAPE_REPRESENTATION('',({','.join([own, *places])}),{space})")
        self.add(f"SHAPE_DEFINITION_REPRESENTATION({shape_of},{shape})")
        for number, (placed, child, place) in enumerate(zip(product.instances, children, places, strict=True), 1):
            child_definition, child_shape, child_axes = child
            transform = (
                place if placed.mirrored else self.add(f"ITEM_DEFINED_TRANSFORMATION('','',{child_axes},{place})")
            )
            relation = self.add(
                f"( REPRESENTATION_RELATIONSHIP('','',{child_shape},{shape}) "
                f"REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION({transform}) SHAPE_REPRESENTATION_RELATIONSHIP() )"
            )
            usage = self.add(
                f"NEXT_ASSEMBLY_USAGE_OCCURRENCE('{number}','{placed.name}','',{definition},{child_definition},$)"
            )
            placement = self.add(f"PRODUCT_DEFINITION_SHAPE('Placement','',{usage})")
            self.add(f"CONTEXT_DEPENDENT_SHAPE_REPRESENTATION({relation},{placement})")
        return definition, shape, own

    def _place(self, placed: Placed) -> str:
        if not placed.mirrored:
            return self._axes(placed.origin, placed.turn)
        point = self._triple("CARTESIAN_POINT", placed.origin)
        x, y, z = (self._triple("DIRECTION", axis) for axis in (placed.turn * (1, 1, -1)).T)
        return self.add(f"CARTESIAN_TRANSFORMATION_OPERATOR_3D('','','',{x},{y},{point},1.,{z})")

    def _axes(self, origin: tuple[float, float, float], turn: Floats) -> str:
        point = self._triple("CARTESIAN_POINT", origin)
        x, _, z = (self._triple("DIRECTION", axis) for axis in turn.T)
        return self.add(f"AXIS2_PLACEMENT_3D('',{point},{z},{x})")

    def _triple(self, kind: str, values: Sequence[float] | Floats) -> str:
        return self.add(f"{kind}('',({','.join(f'{float(value):.15E}' for value in values)}))")


def step_text(gmsh: ModuleType, root: Product, folder: Path) -> str:
    """A STEP file of the product, in mm, AP214."""
    writer = _Writer(gmsh, folder)
    writer.product(root)
    return writer.header + "DATA;\n" + "\n".join(writer.lines) + "\nENDSEC;\nEND-ISO-10303-21;\n"
