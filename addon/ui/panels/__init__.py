# SPDX-License-Identifier: GPL-3.0-or-later
"""The sidebar tab Ferrule, in the order of the work. Drawing reads properties and results at hand, and
computes nothing."""

from . import (
    cautions_panel,
    ends_panel,
    files_panel,
    fitting_panel,
    process_panel,
    review_panel,
    unit_lines,
    verdict_panel,
)

ROOMS = (unit_lines, verdict_panel, ends_panel, fitting_panel, process_panel, review_panel, files_panel, cautions_panel)


def register() -> None:
    for room in ROOMS:
        room.register()


def unregister() -> None:
    for room in reversed(ROOMS):
        room.unregister()
