# SPDX-License-Identifier: GPL-3.0-or-later
"""What the panels would show, without a window: a layout that notes every word that is drawn into it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import bpy

from addon.geometry.units import NO_BREAK
from addon.ui import operators, panels
from addon.ui.panels import verdict_panel

LISTS = {
    "FERRULE_UL_groups": "ends_panel",
    "FERRULE_UL_ends": "ends_panel",
    "FERRULE_UL_sites": "ends_panel",
    "FERRULE_UL_findings": "review_panel",
}
"""Which module of panels each list is in."""


class Noting:
    """In place of ``bpy.types.UILayout``."""

    def __init__(self, words: list[str], folds: dict[str, list[str]] | None = None) -> None:
        self.words = words
        self.folds = folds
        """The words of all folds of the tab, by their names."""

    def row(self, **how: Any) -> Noting:
        return Noting(self.words, self.folds)

    column = split = box = grid_flow = row

    def separator(self, **how: Any) -> None:
        pass

    def panel(self, name: str, **how: Any) -> tuple[Noting, Noting]:
        """A fold's header and what is below it."""
        assert self.folds is not None and name not in self.folds
        words = self.folds[name] = []
        return Noting(words, self.folds), Noting(words, self.folds)

    def panel_prop(self, data: Any, name: str) -> tuple[Noting, Noting]:
        assert name in data.bl_rna.properties
        return self.panel(f"FERRULE_PT_{name.removesuffix('_open')}")

    def label(self, text: str = "", **how: Any) -> None:
        self.words.append(text)

    def menu(self, menu: str, text: str = "", **how: Any) -> None:
        self.words.append(text)

    def prop(self, data: Any, name: str, text: str | None = None, **how: Any) -> None:
        """What Blender makes of a property: its name, its tooltip, and its value with a unit where it has one."""
        rna = data.bl_rna.properties[name]
        self.words += [rna.name if text is None else text, rna.description]
        value = getattr(data, name)
        if rna.unit == "CAMERA" if rna.type == "FLOAT" else False:
            self.words.append(f"{value} mm")
        elif isinstance(value, str) and rna.type == "STRING" and rna.subtype == "NONE":
            self.words.append(value)

    def operator(self, idname: str, text: str | None = None, **how: Any) -> Any:
        cls = operator_class(idname)
        properties = SimpleNamespace()
        self.words += [text if text is not None else cls.bl_label if cls else "", cls.__doc__ if cls else ""]
        if cls is not None and hasattr(cls, "description"):
            self.words.append(LateTooltip(cls, properties))
        return properties

    def template_list(self, kind: str, of: str, data: Any, lines: str, active: Any, index: str, **how: Any) -> None:
        cls = getattr(getattr(panels, LISTS[kind]), kind)
        for item in getattr(data, lines):
            cls.draw_item(None, bpy.context, self, data, item, 0, active)


class LateTooltip(str):
    """A tooltip made at run time, read once the operator has its properties."""

    def __new__(cls, operator: type, properties: Any) -> LateTooltip:
        tooltip = super().__new__(cls)
        tooltip.read = lambda: operator.description(bpy.context, properties)
        return tooltip


def operator_class(idname: str) -> Any:
    name = "FERRULE_OT_" + idname.partition(".")[2]
    rooms = [getattr(operators, room) for room in dir(operators)]
    return next((getattr(room, name) for room in rooms if hasattr(room, name)), None)


def drawn(draw: Any, **attributes: Any) -> list[str]:
    """The words that a ``draw`` method puts into its layout."""
    words: list[str] = []
    panel = SimpleNamespace(layout=Noting(words), **attributes)
    draw(panel, bpy.context)
    return _read(words)


def _read(words: list[str]) -> list[str]:
    """In which spaces that keep a unit with its number read as others do."""
    late = (word.read() if isinstance(word, LateTooltip) else word for word in words)
    return [word.replace(NO_BREAK, " ") for word in late if word]


def panel_words() -> dict[str, list[str]]:
    """By the name of each part of the tab that shows itself, all of its words, with everything open."""
    words: dict[str, list[str]] = {}
    panel = verdict_panel.FERRULE_PT_verdict
    layout = Noting(words.setdefault(panel.__name__, []), words)
    panel.draw(SimpleNamespace(layout=layout), bpy.context)
    return {name: _read(said) for name, said in words.items()}
