# SPDX-License-Identifier: GPL-3.0-or-later
"""Stepping through the layers by keys, and the markers that name the tube ends under the mouse."""

from __future__ import annotations

from collections.abc import Sequence

import bpy
from bpy.props import IntProperty

from .. import looking
from ..views import redraw
from . import draw, markers

_PAGE = 10
_KEYS = {
    "UP_ARROW": 1,
    "DOWN_ARROW": -1,
    "PAGE_UP": _PAGE,
    "PAGE_DOWN": -_PAGE,
}
_WHEEL = {"WHEELUPMOUSE": 1, "WHEELDOWNMOUSE": -1}
_HELP: Sequence[tuple[str, Sequence[str]]] = (
    ("Layer", ("EVENT_UP_ARROW", "EVENT_DOWN_ARROW")),
    ("Layer", ("EVENT_CTRL", "MOUSE_MMB_SCROLL")),
    (f"{_PAGE} Layers", ("EVENT_PAGEUP", "EVENT_PAGEDOWN")),
    ("First, Last", ("EVENT_HOME", "EVENT_END")),
    ("Rings as Planned", ("EVENT_R",)),
    ("Up to Layer", ("EVENT_U",)),
    ("Done", ("EVENT_RETURN",)),
    ("Back", ("EVENT_ESC",)),
)
_WIDE = {
    "EVENT_CTRL": 1.5,
    "EVENT_PAGEUP": 1.5,
    "EVENT_PAGEDOWN": 1.5,
    "EVENT_HOME": 2.5,
    "EVENT_END": 1.5,
    "EVENT_ESC": 1.5,
}
"""Keys whose icons are wider than others, and the room that they take."""


class FERRULE_OT_step_layers(bpy.types.Operator):
    """Step through the layers with the arrow keys"""

    bl_idname = "ferrule.step_layers"
    bl_label = "Step Through Layers"

    by: IntProperty(name="By", description="How many layers to go up; below 0 goes down", default=1)

    running = False

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        if cls.running:
            cls.poll_message_set("Layers are being stepped through; Return ends it")
            return False
        if _layer_count(context) == 0:
            cls.poll_message_set("There are layers once a fitting or a mesh is reviewed")
            return False
        return True

    def execute(self, context: bpy.types.Context) -> set[str]:
        _go(context, draw.layer_of(_view(context), _layer_count(context)) + self.by)
        return {"FINISHED"}

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        view = _view(context)
        self.before = {name: getattr(view, name) for name in ("layer", "planned", "which_layers", "show_outlines")}
        if not (view.show_outlines or view.show_rings):
            view.show_outlines = True
        context.workspace.status_text_set(_draw_help)
        context.window_manager.modal_handler_add(self)
        type(self).running = True
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        count = _layer_count(context)
        if not type(self).running or event.type in {"RET", "NUMPAD_ENTER"}:
            return self.end(context, {"FINISHED"})
        if event.type == "ESC":
            for name, value in self.before.items():
                setattr(_view(context), name, value)
            return self.end(context, {"CANCELLED"})
        if count == 0 or event.value != "PRESS" or not _in_view(context, event):
            return {"PASS_THROUGH"}
        view = _view(context)
        layer = draw.layer_of(view, count)
        if event.type in _KEYS and not _modified(event):
            _go(context, layer + _KEYS[event.type])
        elif event.type in _WHEEL and event.ctrl and not (event.shift or event.alt):
            _go(context, layer + _WHEEL[event.type])
        elif event.type in {"HOME", "END"} and not _modified(event):
            _go(context, 0 if event.type == "HOME" else count - 1)
        elif event.type == "R" and not _modified(event):
            view.planned, view.show_rings = not view.planned, True
        elif event.type == "U" and not _modified(event):
            view.which_layers = "all" if view.which_layers == "up to layer" else "up to layer"
        else:
            return {"PASS_THROUGH"}
        return {"RUNNING_MODAL"}

    def cancel(self, context: bpy.types.Context) -> None:
        self.end(context, {"CANCELLED"})

    def end(self, context: bpy.types.Context, result: set[str]) -> set[str]:
        type(self).running = False
        if context.workspace:
            context.workspace.status_text_set(None)
        redraw()
        return result


class FERRULE_GT_ends(bpy.types.Gizmo):
    """All tube ends at once: finds the one under the mouse, which ``draw`` names and a click chooses; and the layer of
    the chosen fitting there, which it names too."""

    bl_idname = "FERRULE_GT_ends"

    def draw(self, context: bpy.types.Context) -> None:
        if not self.is_highlight:
            draw.hovered = -1

    def setup(self) -> None:
        self.choice = self.target_set_operator("ferrule.go_to_end")
        self.choice.move = False

    def test_select(self, context: bpy.types.Context, location: Sequence[float]) -> int:
        layer = draw.layer_at(context, (location[0], location[1]))
        if layer != draw.hovered_layer or layer >= 0:
            draw.hovered_layer, draw.mouse = layer, (location[0], location[1])
            context.region.tag_redraw()
        on_screen = draw.ends_on_screen(context)
        reach = markers.REACH * context.preferences.system.ui_scale
        mouse = (location[0], location[1])
        index = -1 if on_screen is None else markers.nearest(on_screen[0], mouse, reach)
        if index != draw.hovered:
            draw.hovered = index
            context.region.tag_redraw()
        if index < 0:
            return -1
        self.choice.index = index
        return 0


class FERRULE_GGT_ends(bpy.types.GizmoGroup):
    bl_idname = "FERRULE_GGT_ends"
    bl_label = "Tube Ends"
    bl_space_type = "VIEW_3D"
    bl_region_type = "WINDOW"
    bl_options = {"3D", "PERSISTENT"}

    @classmethod
    def setup_keymap(cls, keyconfig: bpy.types.KeyConfig) -> bpy.types.KeyMap:
        keymap = keyconfig.keymaps.new(name=cls.bl_label, space_type="VIEW_3D", region_type="WINDOW")
        # A click only: presses and drags that start on a marker stay what they are elsewhere.
        if not keymap.keymap_items:
            keymap.keymap_items.new("gizmogroup.gizmo_tweak", "LEFTMOUSE", "CLICK")
        return keymap

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        ferrule = context.scene.ferrule
        view = ferrule.view
        marked = (view.show_ends and ferrule.ends) or view.show_outlines or view.show_rings
        return bool(marked) and draw.shown(context)

    def setup(self, context: bpy.types.Context) -> None:
        self.gizmos.new(FERRULE_GT_ends.bl_idname)


def _view(context: bpy.types.Context) -> bpy.types.PropertyGroup:
    return context.scene.ferrule.view


def _layer_count(context: bpy.types.Context) -> int:
    subject = looking.subject_of(context)
    printed = subject.review.printed if subject and subject.review else None
    return len(printed.layers) if printed else 0


def _go(context: bpy.types.Context, layer: int) -> None:
    """Chooses a layer counted from 0, the nearest that there is."""
    _view(context).layer = max(0, min(layer, _layer_count(context) - 1)) + 1


def _modified(event: bpy.types.Event) -> bool:
    return event.ctrl or event.shift or event.alt or event.oskey


def _in_view(context: bpy.types.Context, event: bpy.types.Event) -> bool:
    """Whether the mouse is in a 3D view: keys pressed elsewhere are not for this tool."""
    return any(
        area.type == "VIEW_3D"
        and area.x <= event.mouse_x < area.x + area.width
        and area.y <= event.mouse_y < area.y + area.height
        for area in context.screen.areas
    )


def _draw_help(header: bpy.types.Header, context: bpy.types.Context) -> None:
    row = header.layout.row(align=True)
    for words, icons in _HELP:
        for icon in icons:
            row.label(text="", icon=icon)
            if icon in _WIDE:
                row.separator(factor=_WIDE[icon])
        row.label(text=words)
        row.separator(factor=2.0)


_CLASSES = (FERRULE_OT_step_layers, FERRULE_GT_ends, FERRULE_GGT_ends)


def register() -> None:
    for cls in _CLASSES:
        bpy.utils.register_class(cls)


def unregister() -> None:
    if FERRULE_OT_step_layers.running:
        FERRULE_OT_step_layers.running = False
        for workspace in bpy.data.workspaces:
            workspace.status_text_set(None)
    for cls in reversed(_CLASSES):
        bpy.utils.unregister_class(cls)
