# SPDX-License-Identifier: GPL-3.0-or-later
"""What the fields of recipes, processes, tubes and outputs are called in the window, and what their tooltips say."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from functools import lru_cache

from ..families.cap.bounds import MOST_GROOVES
from ..geometry.names import QUOTED
from ..jobfile import MOST_SPARES
from ..trade.hardware import threads
from ..trade.metals import tube_metals
from ..trade.processes import LIMITS, materials
from ..trade.tables import Named
from .fields import Words
from .saying import Say


def _names(rows: Iterable[Named]) -> tuple[str, ...]:
    return tuple(row.name for row in rows)


RECIPE = {
    "crown": Words("Crown", "Shape of the part that stays outside the tube"),
    "rise_mm": Words("Rise", "Height of the crown above the rim"),
    "lip_mm": Words("Lip", "How far the crown stands past the tube on each side; below 0 sets it back"),
    "edge": Words("Edge", "Shape of a flat crown's upper edge"),
    "edge_mm": Words("Edge Size", "Radius or chamfer of a flat crown's upper edge"),
    "spigot_mm": Words("Spigot", "Length of the part inside, along the tube's axis"),
    "fit": Words("Fit", "How the spigot sits in the bore: with room for glue, pushed in by hand, or pressed in"),
    "gap_mm": Words("Gap", "Room between spigot and bore on each side; the fit class decides it if automatic"),
    "lead_in_mm": Words("Lead-in", "Chamfer at the spigot's tip that finds the bore"),
    "groove_count": Words("Grooves", "How many glue grooves run around the spigot", least=0, most=MOST_GROOVES),
    "groove_width_mm": Words("Groove Width", "Width of each glue groove along the spigot", twin="Width"),
    "groove_depth_mm": Words("Groove Depth", "How deep each glue groove goes into the spigot", twin="Depth"),
    "vent": Words("Vent", "Way out for the air that the spigot pushes into the tube"),
    "vent_width_mm": Words("Vent Width", "Width of the channel, or diameter of the hole"),
    "vent_depth_mm": Words("Vent Depth", "Depth of the channel along the spigot"),
    "seam_relief": Words("Seam Relief", "What is taken off the spigot so that it clears the tube's weld seam"),
    "seam_angle_deg": Words("Seam Angle", "Where the weld seam lies, counter-clockwise from the section's width"),
    "seam_width_mm": Words("Seam Width", "Width of the notch for the weld seam"),
    "seam_depth_mm": Words("Seam Depth", "How deep the relief goes into the spigot"),
    "rib_count": Words("Crush Ribs", "How many ribs along the spigot are crushed when it is pressed in", least=0),
    "rib_height_mm": Words("Rib Height", "How far each rib stands past the spigot"),
    "rib_width_mm": Words("Rib Width", "Width of each rib around the spigot"),
    "hole": Words("Hole", "Opening in the fitting for a bolt, a nut or a thread insert, as for a levelling foot"),
    "thread": Words("Thread", "Bolt, nut or insert that the hole is for", names=lambda: _names(threads())),
    "hollow_wall_mm": Words("Spigot Wall", "Wall of a hollow spigot; 0 keeps it solid"),
}

PROCESS = {
    name: Words(label, tip, names, True, *((LIMITS[name].least, LIMITS[name].most) if name in LIMITS else ()))
    for name, (label, tip, names) in {
        "material": ("Material", "Plastic that the fittings are printed from", lambda: _names(materials())),
        "layer_mm": ("Layer", "Height of a layer", None),
        "first_layer_mm": ("First Layer", "Height of the layer on the plate", None),
        "bead_mm": ("Bead", "Width of a bead as set", None),
        "bead_min_mm": ("Narrowest Bead", "Narrowest bead that can be laid", None),
        "bead_max_mm": ("Widest Bead", "Widest bead that can be laid", None),
        "rings": ("Rings", "Closed beads around every outline", None),
        "fill": ("Fill", "Share of the inside that the open fill takes, 0 to 1", None),
        "full_layers": ("Full Layers", "Fully filled layers under a top and over a bottom", None),
        "overhang_deg": ("Overhang", "How far a surface may lean from upright before it needs support", None),
        "bridge_mm": ("Bridge", "Longest span that a bead crosses in the air", None),
        "tolerance_mm": ("Tolerance", "How far a printed size may be off on each side", None),
        "plate_mm": ("Plate", "Width, depth and height of the space to print in", None),
        "margin_mm": ("Margin", "Strip along the plate's edge that stays empty", None),
        "spacing_mm": ("Spacing", "Least distance between two fittings on the plate", None),
        "shrink_percent": ("Shrink (%)", "How much smaller prints come out along x, y, z; files make up for it", None),
        "support": ("Support", "What the support is made of and how it comes off", None),
        "chamber_c": ("Chamber (°C)", "Temperature of a heated chamber; 0 for none", None),
        "speed_mm_s": ("Speed (mm/s)", "Mean speed along the beads", None),
        "layer_change_s": ("Layer Change", "Time from the last bead of a layer to the first of the next", None),
        "keep_out_mm": ("Keep-out", "Width and depth of the plate's front left corner that stays free", None),
        "start_s": ("Start", "Time before the first bead of a plate", None),
        "support_fill": ("Support Fill", "Share of the support's volume that is plastic, 0 to 1", None),
        "purge_mm3": ("Purge (mm³)", "Plastic thrown away in each layer that changes material", None),
        "pocket_mouth_mm": ("Pocket Mouth", "Narrowest mouth through which support can still be got out", None),
        "bath": ("Bath", "What dissolves the support", None),
        "bath_density": ("Bath (g/cm³)", "Density of the bath, which decides what floats", None),
        "bath_fill_mm": ("Bath Depth", "How deep the bath is filled; 0 for none", None),
    }.items()
}

PROCESS["support"] = replace(
    PROCESS["support"], short={"same material, broken off": "Broken Off", "dissolved in a bath": "In a Bath"}
)
PROCESS["bead_min_mm"] = replace(PROCESS["bead_min_mm"], twin="Narrowest")
PROCESS["pocket_mouth_mm"] = replace(PROCESS["pocket_mouth_mm"], twin="Mouth")

TUBE = {
    "metal": Words("Metal", "What the tube is made of", names=lambda: _names(tube_metals())),
    "seam_height_mm": Words("Weld Seam", "How far the weld seam stands into the bore; as usual if automatic", least=0),
    "coldest_c": Words("Coldest (°C)", "Lowest temperature at which the fitting has to stay in place"),
    "hottest_c": Words("Hottest (°C)", "Highest temperature at which the fitting has to stay in place"),
}

BORE = {
    "bore_width_mm": Words(
        "Bore", "Smallest bore that the calipers read: diameter, width, or a free outline's least width", least=0
    ),
    "bore_depth_mm": Words("Bore Depth", "Smallest depth of the bore that the calipers read", least=0),
}

WALL = Words(
    "Wall",
    "Wall of tubes that are modelled as an outer surface only, for the next reading or Refit; 0 where all have a bore",
    least=0,
)

PICKED_WALL = Words("Wall", "Wall of the tube, where only its outside is selected", least=0)

MEASURED_STEP = Words("Measured", "What the calipers read across that step's spigot; 0 where they did not", least=0)

OUTPUT = {
    "folder": Words("Folder", "Where the print files go; two slashes in front stand for this file's own folder"),
    "unit": Words("Unit", "Unit of the numbers in the print files"),
    "spares": Words("Spares", "How many more of each fitting than the open ends need", least=0, most=MOST_SPARES),
}


_LABELS = {name: words.label for name, words in (RECIPE | PROCESS | TUBE | BORE | {"wall_mm": WALL}).items()}
_UNITS = {"_mm": " mm", "_mm_s": " mm/s", "_mm3": " mm³", "_deg": "°", "_percent": " %", "_c": " °C", "_s": " s"}
_FIELD = re.compile(
    rf"(?P<name>{QUOTED})"
    rf"|(?P<set>\bset )?\b(?P<field>{'|'.join(sorted(_LABELS, key=len, reverse=True))})\b"
    r"(?: to (?P<value>-?\d+(?:\.\d+)?)\b)?(?P<table> in \[\w+\])?"
)
"""A name, or a field as job files call it: "set rise_mm to 12.5", "set wall_mm in [assembly]"."""


def label_of(field: str) -> str:
    """What a number of a recipe or a process is called, without its unit."""
    return _LABELS.get(field, field).partition(" (")[0]


@lru_cache(2000)  # panels ask for the same sentences at every redraw
def in_window(sentence: str, say: Say) -> str:
    """A sentence of the house as the window has it: in the scene's units, and with fields under their labels where it
    has them as a job file does."""

    def labelled(found: re.Match[str]) -> str:
        field, value, setting = found["field"], found["value"], found["set"] or ""
        # One word, such as "fill", is a field only where it is to be set.
        if found["name"] or not (setting or "_" in field):
            return found[0]
        return f"{setting}{label_of(field)}" + (f" to {value}{_unit_of(field)}" if value else "")

    return say.text(_FIELD.sub(labelled, sentence))


def say_value(field: str, value: float | str, say: Say) -> str:
    """A value of a recipe's or a process's field in words."""
    try:
        number = float(value)
    except ValueError:
        return str(value)
    return say(number) if field.endswith("_mm") else f"{number:g}{_unit_of(field)}"


def _unit_of(field: str) -> str:
    return next((unit for ending, unit in _UNITS.items() if field.endswith(ending)), "")


def count_of(number: int, one: str, many: str | None = None) -> str:
    """``count_of(1, "end")`` is ``"1 end"``, ``count_of(2, "end")`` is ``"2 ends"``."""
    return f"{number} {one if number == 1 else many or f'{one}s'}"
