# SPDX-License-Identifier: GPL-3.0-or-later
"""The sidebar tab Ferrule, in the order of the work. Drawing reads properties and results at hand, and
computes nothing."""

from . import ends_panel, review_panel, unit_lines, verdict_panel

ROOMS = (unit_lines, ends_panel, review_panel, verdict_panel)


def register() -> None:
    for room in ROOMS:
        room.register()


def unregister() -> None:
    for room in reversed(ROOMS):
        room.unregister()
