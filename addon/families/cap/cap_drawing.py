# SPDX-License-Identifier: GPL-3.0-or-later
"""The dimensioned drawing of a cap: cut through the tube's width, or in the plane in which its rim leans."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from manifold3d import Manifold

from ...geometry.frames import Floats
from ...geometry.polygons import contains, nearest
from ...geometry.sections import Section
from ...shaping.cutters import pocket_depth
from ...shaping.spigots import Spigot
from ...takeoff.ends import EndHole
from ...trade.hardware import NUT_POCKET_GAP_MM, thread_named
from ..dimensioned import UV, Dimension, Note, View, across, cut_along, span
from .profiles import CapProfile
from .recipe import Recipe

_SHARP_MM = 0.005
"""Corner radii below this are not worth a note, and tops this little lower than designed."""
_CLEAR_DEG = 70.0
"""From the seam on, where a cut meets neither a notch nor three or four ribs."""
_TUBE_SHOWN = 1.25
"""How much of the tube is drawn, in lengths of the spigot."""


def section_view(
    recipe: Recipe,
    spigot: Spigot,
    section: Section,
    profile: CapProfile,
    solid: Manifold,
    mitre_deg: float,
    direction_deg: float,
    asked_for: Mapping[str, float],
    holes: Sequence[EndHole],
) -> View:
    """Through the axis, square to the first hole across a spigot that is not mitred; ``recipe`` is a resolved one."""
    if holes and not mitre_deg:
        direction_deg = holes[0].angle_deg + 90
    elif section.kind == "round" and not mitre_deg and (recipe.rib.count or recipe.seam.kind != "none"):
        direction_deg = recipe.seam.angle_deg + _CLEAR_DEG
    rise, length, lead_in = float(recipe.rise_mm or 0.0), recipe.spigot_mm, recipe.lead_in_mm
    lean, gap = float(np.tan(np.radians(mitre_deg))), float(recipe.gap_mm or 0.0)
    sign = "⌀" if section.kind == "round" else ""
    left, right = across(profile.spigot_outline, direction_deg)
    bore_left, bore_right = across(section.bore, direction_deg)
    tube_left, tube_right = across(section.outer, direction_deg)
    crown_left, crown_right = across(profile.crown_outline, direction_deg)
    cut = cut_along(solid, direction_deg)

    def at(u: float, v: float) -> UV:
        """A place along the axis from the rim, which leans."""
        return u, v - u * lean

    grooves, depth, foot = spigot.grooves, spigot.groove_depth_mm, lead_in - length
    middle = -min((-groove.top for groove in grooves), default=length) / 2
    dimensions = [
        Dimension(at(left, foot), at(right, foot), "below", "spigot", (right - left,), sign),
        Dimension(
            at(right, 0.0), at(right, -length), "right", "spigot", (length,), asked_for=asked_for.get("spigot_mm")
        ),
    ]
    notes = [
        Note(at((right + bore_right) / 2, middle), "bites {}" if gap < 0 else "gap {}", (abs(gap),), in_place=True)
    ]
    if lead_in:
        notes.append(Note(at(left + lead_in / 2, -length + lead_in / 2), "lead-in {} × 45°", (lead_in,), "left"))
    for hole in holes:
        wide, down = hole.diameter_mm + 2 * recipe.cross.room_mm, hole.distance_mm
        edge = wide / 2 + (0.0 if mitre_deg else hole.offset_mm), -down
        notes += [Note(edge, "hole ⌀ {}", (wide,)), Note(edge, "{} from rim", (down,))]
    for groove in grooves[-1:]:
        count = f"{len(grooves)} ×" if len(grooves) > 1 else ""
        dimensions += [
            Dimension(
                at(left, groove.top), at(left, groove.bottom), "left", "groove", (groove.top - groove.bottom,), count
            ),
            Dimension(at(left, 0.0), at(left, groove.top), "left", "land", (-groove.top,), detail=True),
        ]
        notes.append(Note(at(left + depth / 2, groove.bottom), "{} deep", (depth,), "left"))
        sloped = groove.top - groove.floor_top or groove.bottom - groove.floor_bottom
        if sloped:
            middle = (groove.top + groove.floor_top if sloped > 0 else groove.bottom + groove.floor_bottom) / 2
            angle = float(np.degrees(np.arctan2(depth, abs(sloped))))
            notes.append(Note(at(left + depth / 2, middle), f"roof {angle:.3g}°", margin="left", in_place=True))
    if profile.land and not lean:
        radius = profile.land.inradius_mm
        notes.append(Note((radius, profile.land.top_mm), "top land {}", (2 * radius,)))
    if recipe.lip_mm:
        notes.append(Note(at(tube_right, 0.0), "lip {}", (recipe.lip_mm,), in_place=True))
    points = np.concatenate(cut)
    low, high = span(points, 1)
    notes += _holes(recipe, high)
    # A hole takes the crown's top off: paper then has the height that is left.
    topless = recipe.hole.kind != "none" or recipe.vent.kind == "hole"
    if lean:
        towards = np.radians(mitre_deg)
        apex = rise * float(np.sin(towards)), rise * float(np.cos(towards))
        notes.append(Note(apex, "rise {}", (rise,), in_place=topless))
        notes.append(Note(at(left, 0.0), f"mitre {mitre_deg:.4g}°", margin="left"))
        dimensions.append(Dimension((left, low), (left, high), "left", "height", (high - low,), row=1, detail=True))
    else:
        width = (crown_right - crown_left,)
        dimensions.append(Dimension((crown_left, 0.0), (crown_right, 0.0), "above", "crown", width, sign))
        if topless and high < rise - _SHARP_MM:
            top = max(points[points[:, 0] < 0], key=lambda point: point[1])
            dimensions.append(
                Dimension((crown_left, 0.0), (float(top[0]), high), "left", "height", (high,), detail=True)
            )
            notes.append(Note((0.0, rise), "rise {}", (rise,), "left", in_place=True))
        else:
            dimensions.append(
                Dimension((crown_left, 0.0), (0.0, rise), "left", "rise", (rise,), asked_for=asked_for.get("rise_mm"))
            )
    land = []
    if recipe.seam.kind == "sides":
        back = recipe.seam.room_mm
        land = [
            np.array([at(u, 0.0), at(u, foot), at(u + inward, foot), at(u + inward, 0.0)])
            for u, inward in ((left, back), (right, -back))
        ]
    end = min(-tube_right * lean, -tube_left * lean) - _TUBE_SHOWN * length
    tube = (
        np.array([at(tube_left, 0.0), (tube_left, end), (bore_left, end), at(bore_left, 0.0)]),
        np.array([at(bore_right, 0.0), (bore_right, end), (tube_right, end), at(tube_right, 0.0)]),
    )
    caption = "Section in the plane of the mitre" if lean else "Section" if sign else "Section through the width"
    caption = "Section square to the hole" if holes and not lean else caption
    return View(cut=cut, seen=land, tube=tube, axis=True, dimensions=dimensions, notes=notes, caption=caption)


def _holes(recipe: Recipe, high: float) -> list[Note]:
    """The holes along the axis, pointed to below the crown's top, which is ``high``."""
    vent, hole = recipe.vent, recipe.hole
    if vent.kind == "hole":
        return [Note((vent.width_mm / 2, high / 2), "vent hole ⌀ {}", (vent.width_mm,))]
    if hole.kind == "none":
        return []
    thread = thread_named(hole.thread)
    bolt, depth = thread.clearance_mm, pocket_depth(hole.kind, thread)
    if hole.kind == "insert":
        bore = thread.insert_bore_mm or 0.0
        return [Note((bore / 2, high - depth / 2), f"{thread.name} insert ⌀ {{}} × {{}}", (bore, depth))]
    notes = [Note((bolt / 2, (high - depth) * 0.75), f"{thread.name} hole ⌀ {{}}", (bolt,))]
    if hole.kind == "nut pocket":
        flats = thread.nut_across_flats_mm + 2 * NUT_POCKET_GAP_MM
        notes.append(Note((flats / np.sqrt(3), high - depth / 2), f"{thread.name} nut {{}} × {{}}", (flats, depth)))
    return notes


def end_view(
    recipe: Recipe, spigot: Spigot, section: Section, profile: CapProfile, solid: Manifold, rim_normal: Floats
) -> View | None:
    """From the tube's side, along the axis: the crown's outline, and the spigot's with what is cut into it or stands on
    it. None where a round one has nothing that the section does not show. ``rim_normal`` (3,) points out of the tube.
    """
    mirror, outline = np.array([-1.0, 1.0]), profile.spigot_outline
    inside = solid.trim_by_plane(tuple(-rim_normal), _SHARP_MM).project().to_polygons()
    crown: list[Floats] = [loop * mirror for loop in solid.project().to_polygons()]
    seen: list[Floats] = [*crown, *(loop * mirror for loop in inside)]
    notes, is_round = _along_spigot(recipe, spigot, profile, np.concatenate(inside)), section.kind == "round"
    if is_round and not notes:
        return None
    dimensions = []
    if not is_round:
        (left, right), (front, back) = (span(outline.polygon() * mirror, axis) for axis in (0, 1))
        (crown_left, crown_right), (crown_front, crown_back) = (span(np.concatenate(crown), axis) for axis in (0, 1))
        corner = crown_left, crown_back
        dimensions = [
            Dimension((crown_left, crown_front), corner, "left", "crown", (crown_back - crown_front,)),
            Dimension((right, front), (right, back), "right", "spigot", (back - front,)),
        ]
        if rim_normal[2] < 1 - 1e-9:
            dimensions += [
                Dimension(corner, (crown_right, crown_back), "above", "crown", (crown_right - crown_left,)),
                Dimension((left, front), (right, front), "below", "spigot", (right - left,)),
            ]
        if outline.shape == "rectangle" and outline.corner_radius > _SHARP_MM:
            inset = outline.corner_radius * (1 - np.sqrt(0.5))
            notes.append(Note((right - inset, back - inset), "R {}", (outline.corner_radius,)))
    return View(seen=seen, dimensions=dimensions, notes=notes, caption="From the tube's side")


def _along_spigot(recipe: Recipe, spigot: Spigot, profile: CapProfile, corners: Floats) -> list[Note]:
    """Notes on what runs along the spigot, as seen from the tube's side; ``corners`` (n, 2) are those of its outline
    with ribs and relief."""
    seam, vent, rib, outline = recipe.seam, recipe.vent, recipe.rib, profile.spigot_outline

    def note(at: Floats, words: str, *mm: float) -> Note:
        u, v = float(-at[0]), float(at[1])
        return Note((u, v), words, mm, "left" if u < 0 else "right")

    def side(degrees: float, depth: float) -> Floats:
        angle = np.radians(degrees)
        return (across(outline, degrees)[1] - depth) * np.array([np.cos(angle), np.sin(angle)])

    notes = []
    if seam.kind == "notch":
        at = side(seam.angle_deg, seam.room_mm)
        notes.append(note(at, "seam relief {} × {}", seam.width_mm, seam.room_mm))
    if seam.kind == "flat":
        notes.append(note(side(seam.angle_deg, seam.room_mm), "flat for the seam, {} deep", seam.room_mm))
    if seam.kind == "sides":
        notes.append(note(side(0.0, seam.room_mm), "sides back {}", seam.room_mm))
    if vent.kind == "channel":
        at = side(seam.angle_deg + 180, vent.depth_mm)
        notes.append(note(at, "vent {} × {}", vent.width_mm, vent.depth_mm))
    if rib.count:
        stands_out = corners[~contains(outline.polygon(), corners)]
        crest = stands_out[nearest(outline.polygon(), stands_out)[0].argmax()]
        words = "ribs {} high" if spigot.ribs_on_sides(outline) else f"{rib.count} ribs {{}} high"
        notes.append(note(crest, words, spigot.rib_mm))
    return notes
